"""From configuration to the core's own plans: minutes and percent end here."""

from typing import Any
from zoneinfo import ZoneInfo

from mistd.app.config import (
    Config,
    DayPartsSection,
    OutputsSection,
    PlaceSection,
    SensorSection,
    SirenSection,
    TimedPartSection,
    ZoneSection,
)
from mistd.app.demand_plan import demand_cycle, demand_sources, fill_time_s
from mistd.app.sun import Place
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.demand_cycles import DemandCycle
from mistd.core.leases import KeeperRules, LineRule
from mistd.core.plan import HousePlan, SensorPlan, ZonePlan
from mistd.core.units import seconds_of_minutes

SIREN = "siren"  # the name of its line
SHORTEST_BURST_S = 0.5  # no valve does anything sensible in less
HEARTBEAT_S = 10.0  # the longest silence of the daemon before the keeper shuts everything


def place_of(place: PlaceSection, parts: DayPartsSection) -> Place:
    """Where the house stands, for the sun."""
    return Place(
        latitude=place.latitude,
        longitude=place.longitude,
        time_zone=ZoneInfo(place.time_zone),
        dawn_begins_s=seconds_of_minutes(parts.dawn_begins_min),
        day_begins_s=seconds_of_minutes(parts.day_begins_min),
        dusk_begins_s=seconds_of_minutes(parts.dusk_begins_min),
        night_begins_s=seconds_of_minutes(parts.night_begins_min),
    )


def house_plan(config: Config) -> HousePlan:
    """What the core decides by."""
    sources = demand_sources(config)
    return HousePlan(
        name=config.house.name,
        zones=tuple(_zone_plan(zone, demand_cycle(zone, config, sources)) for zone in config.zones),
        sensors={sensor.name: _sensor_plan(sensor) for sensor in config.sensors},
        valves_at_once=config.line.valves_at_once,
        pause_s=config.line.pause_s,
        frost_below_c=config.frost.below_c,
        frost_delay_s=seconds_of_minutes(config.frost.delay_min),
        longest_hold_s=seconds_of_minutes(config.holds.longest_min),
        sources=sources,
    )


def _sensor_plan(sensor: SensorSection) -> SensorPlan:
    return SensorPlan(
        name=sensor.name,
        kind=sensor.kind,
        stale_after_s=sensor.stale_after_s,
        zone=sensor.zone,
        dry_reads=0.0 if sensor.dry_reads is None else sensor.dry_reads,
        wet_reads=1.0 if sensor.wet_reads is None else sensor.wet_reads,
    )


def _zone_plan(zone: ZoneSection, demand: DemandCycle | None) -> ZonePlan:
    parts = {part: _timed_part(getattr(zone.timed, part.value)) for part in DayPart}
    return ZonePlan(
        name=zone.name,
        cycle=TimedCycle(parts=parts),
        nozzles=zone.nozzles,
        nozzle_flow_l_per_min=zone.nozzle_flow_l_per_min,
        nozzle_pressure_bar=zone.nozzle_pressure_bar,
        bench_area_m2=zone.bench_area_m2,
        longest_burst_s=zone.longest_burst_s,
        shortest_burst_s=max(SHORTEST_BURST_S, fill_time_s(zone)),
        shortest_rest_s=zone.shortest_rest_s,
        demand=demand,
    )


def _timed_part(timed: TimedPartSection) -> TimedPart | None:
    if timed.burst_s is None or timed.gap_min is None:
        return None
    return TimedPart(burst_s=timed.burst_s, gap_s=seconds_of_minutes(timed.gap_min))


def keeper_rules(config: Config, heartbeat_s: float = HEARTBEAT_S) -> KeeperRules:
    """The keeper's own limits, from the same file."""
    lines = {
        zone.name: LineRule(longest_open_s=zone.longest_burst_s, shortest_rest_s=zone.shortest_rest_s)
        for zone in config.zones
    }
    return KeeperRules(
        lines=lines,
        open_at_once=config.line.valves_at_once,
        heartbeat_s=heartbeat_s,
        signals=(SIREN,) if config.siren else (),
    )


def outputs_of(config: Config) -> dict[str, Any]:
    """What the keeper is told of the output lines."""
    outputs, siren = config.outputs, config.siren
    if outputs.driver == "simulated":
        return {"driver": "simulated", "path": outputs.path}
    pins = {zone.name: {"pin": zone.pin, "is_active_high": outputs.active_high} for zone in config.zones}
    wired: dict[str, Any] = {"driver": "gpiozero", "factory": outputs.factory, "pins": pins}
    if siren:
        is_high = is_siren_active_high(siren, outputs)
        wired["signal_pins"] = {SIREN: {"pin": siren.pin, "is_active_high": is_high}}
    return wired


def is_siren_active_high(siren: SirenSection, outputs: OutputsSection) -> bool:
    """Which level sounds the siren: its own, or that of all outputs when it has none."""
    return outputs.active_high if siren.active_high is None else siren.active_high
