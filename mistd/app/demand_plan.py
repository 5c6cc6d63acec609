"""Zones on demand, from configuration and settings to the core's values: what they go by, their set points.

A zone goes by the sensor of each kind that is its own, else by the house's only one. What is not set comes
from the film: how far a leaf may dry, and for a VPD cycle the deficit that takes it there on a usual bright
day.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from mistd.app.config import Config, DemandPartSection, DemandSection, SensorSection, ZoneSection
from mistd.app.cycle_forms import CycleForm
from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.demand_source import Rates, reference_rates
from mistd.core.film import HOLDS_UM, drying_um, film_of_drying_um
from mistd.core.plan import SourcePlan
from mistd.core.readings import SensorKind
from mistd.core.settings import CycleSet, CycleWanted, SettingValue
from mistd.core.units import PERCENT, S_PER_HOUR, S_PER_MIN, seconds_of_minutes, um_per_s_of_mm_per_h

# How much of the wet sides is still wet when a burst is due; a year of weather taught it, see DEVELOPERS.md.
DRY_BACK_PERCENT: Mapping[CycleKind, float] = MappingProxyType(
    {CycleKind.FILM: 36.0, CycleKind.LEAF_WETNESS: 65.0, CycleKind.VPD: 40.0}
)
SHORTEST_GAP_MIN = 2.0
LONGEST_GAP_MIN: Mapping[DayPart, float] = MappingProxyType(
    {DayPart.NIGHT: 60.0, DayPart.DAWN: 60.0, DayPart.DAY: 45.0, DayPart.DUSK: 60.0}
)
NO_DEMAND = DemandSection()
SOURCE_KINDS = (  # what demand is reckoned from: one sensor of each at most
    SensorKind.AIR_TEMPERATURE,
    SensorKind.RELATIVE_HUMIDITY,
    SensorKind.LIGHT,
    SensorKind.LEAF_TEMPERATURE,
)
SETTLING_TURNS = 30


def fill_time_s(zone: ZoneSection) -> float:
    """Seconds until the zone's line is full and the nozzles spray, at the nozzles' rated flow."""
    flow_l_per_s = zone.nozzles * zone.nozzle_flow_l_per_min / S_PER_MIN
    return zone.line_volume_l / flow_l_per_s


def sensors_for(zone: str, kind: SensorKind, sensors: Sequence[SensorSection]) -> list[str]:
    """The sensors of a kind that a zone could go by: its own, else those of the whole house."""
    own = [sensor.name for sensor in sensors if sensor.kind is kind and sensor.zone == zone]
    return own or [sensor.name for sensor in sensors if sensor.kind is kind and sensor.zone is None]


def source_plan(zone: ZoneSection, sensors: Sequence[SensorSection]) -> SourcePlan | None:
    """What a zone's demand is reckoned from; None without air and humidity, or where nobody wants it.

    A timed zone with a `demand` table has its source too: its cycle may be set while the house runs.
    """
    if zone.cycle is CycleKind.TIMED and zone.demand is None:
        return None
    found = {kind: sensors_for(zone.name, kind, sensors) for kind in SensorKind}
    air, humidity = found[SensorKind.AIR_TEMPERATURE], found[SensorKind.RELATIVE_HUMIDITY]
    if not air or not humidity:
        return None
    light, leaf = found[SensorKind.LIGHT], found[SensorKind.LEAF_TEMPERATURE]
    return SourcePlan(
        air=air[0], humidity=humidity[0], light=light[0] if light else None, leaf=leaf[0] if leaf else None
    )


def sensors_followed(zone: ZoneSection, sensors: Sequence[SensorSection]) -> tuple[str, ...]:
    """The names of those that a zone is misted by; none of a timetable's."""
    if zone.cycle is CycleKind.TIMED:
        return ()
    source = source_plan(zone, sensors)
    own = (each for each in sensors if each.zone == zone.name and each.kind is SensorKind.LEAF_WETNESS)
    return (*(source.sensors if source else ()), *(each.name for each in own))


def demand_sources(config: Config) -> tuple[SourcePlan, ...]:
    """Every source of a house, each once."""
    plans = (source_plan(zone, config.sensors) for zone in config.zones)
    return tuple(dict.fromkeys(plan for plan in plans if plan is not None))


def demand_cycle(zone: ZoneSection, config: Config, sources: Sequence[SourcePlan]) -> DemandCycle | None:
    """A zone's cycle; None for a timetable."""
    cycle, source = cycle_on(zone, config.sensors), source_plan(zone, config.sensors)
    if cycle is None or source is None:
        return cycle
    return replace(cycle, source=sources.index(source)) if source in sources else cycle


def cycle_on(zone: ZoneSection, sensors: Sequence[SensorSection]) -> DemandCycle | None:
    """A zone's cycle, but for which of the house's sources it has; None for a timetable."""
    if zone.cycle is CycleKind.TIMED:
        return None
    demand = zone.demand or NO_DEMAND
    own = [sensor for sensor in sensors if sensor.zone == zone.name]
    cycle = DemandCycle(
        kind=zone.cycle,
        bounds={part: bounds_in(zone, part) for part in DayPart},
        dry_back_wet=(demand.dry_back_percent or DRY_BACK_PERCENT[zone.cycle]) / PERCENT,
        holds_um=HOLDS_UM[demand.surface],
        rate_um_per_s=um_per_s_of_mm_per_h(rate_mm_per_h(zone)),
        fills_s=fill_time_s(zone),
        longest_burst_s=zone.longest_burst_s,
        wetness_sensors=tuple(sensor.name for sensor in own if sensor.kind is SensorKind.LEAF_WETNESS),
        fixed_burst_s=demand.burst_s,
    )
    if zone.cycle is not CycleKind.VPD:
        return cycle
    return by_deficit(cycle, demand, usual_rates(source_plan(zone, sensors)))


class Benches:
    """What a setting comes to on its bench: a cycle is reckoned with the nozzles and the sensors there."""

    def __init__(self, config: Config) -> None:
        self._config = config
        self._zones = {zone.name: zone for zone in config.zones}
        self._sources = demand_sources(config)

    def clipped(self, zone_name: str, value: SettingValue | None) -> Iterator[str]:
        """Every gap below the zone's rest, in words: something else would come of it than was asked for."""
        if not isinstance(value, CycleWanted) or zone_name not in self._zones:
            return
        form, rest_s = CycleForm.model_validate(value.written), self._zones[zone_name].shortest_rest_s
        for part in DayPart:
            section: DemandPartSection | None = getattr(form, part.value)
            gap_min = section.shortest_gap_min if section else None
            if gap_min is not None and seconds_of_minutes(gap_min) < rest_s:
                text = f"{gap_min:g} min; allowed from this zone's shortest_rest_s of {rest_s:g} s"
                yield f"{part.value}.shortest_gap_min: {text}"

    def reckoned(self, zone_name: str, value: SettingValue | None) -> SettingValue | None:
        """The value for this zone; one of a zone that is no longer in the file stays as it was written."""
        zone = self._zones.get(zone_name)
        if not isinstance(value, CycleWanted) or zone is None:
            return value
        form = CycleForm.model_validate(value.written)
        as_set = zone.model_copy(update={"cycle": form.cycle, "demand": form})
        if form.cycle is CycleKind.TIMED:
            return CycleSet(cycle=None, wanted=value)
        return CycleSet(cycle=demand_cycle(as_set, self._config, self._sources), wanted=value)


def rate_mm_per_h(zone: ZoneSection) -> float:
    """What falls on the bench while every nozzle sprays."""
    return zone.nozzles * zone.nozzle_flow_l_per_min * 60.0 / zone.bench_area_m2


def bounds_in(zone: ZoneSection, part: DayPart) -> DemandBounds | None:
    """How seldom and how often a zone may be misted in a part; None when it is not misted then.

    A part that is not set follows the timetable in one thing: where that is off, so is this.
    """
    demand = zone.demand or NO_DEMAND
    section: DemandPartSection | None = getattr(demand, part.value)
    is_off = getattr(zone.timed, part.value).off if section is None else section.mist == "off"
    if is_off:
        return None
    section = section or DemandPartSection()
    shortest_s = seconds_of_minutes(section.shortest_gap_min or SHORTEST_GAP_MIN)
    return DemandBounds(
        shortest_gap_s=max(shortest_s, zone.shortest_rest_s),
        longest_gap_s=seconds_of_minutes(section.longest_gap_min or LONGEST_GAP_MIN[part]),
        is_sparse=section.mist == "sparse",
    )


def by_deficit(cycle: DemandCycle, demand: DemandSection, usual: Rates) -> DemandCycle:
    """A VPD cycle with its set point, and the burst that makes good what that takes on a usual day.

    Nobody has published a threshold. What is not set follows from the film: the sum that dries the driest
    quarter back on a usual bright day. The usual day's deficit is counted as the zone's own sensors count it:
    weighed by light, or from leaf to air.
    """
    sum_kpa_s = _sum_set_kpa_s(demand)
    dried_um = _dried_back_um(cycle) if sum_kpa_s is None else sum_kpa_s / usual.kpa * usual.um_per_s
    return replace(
        cycle,
        set_point_kpa_s=dried_um / usual.um_per_s * usual.kpa,
        fixed_burst_s=cycle.fixed_burst_s or cycle.refilling_s(_mean_after_um(cycle, dried_um)),
    )


def _sum_set_kpa_s(demand: DemandSection) -> float | None:
    if demand.set_point_kpa_h is not None:
        return demand.set_point_kpa_h * S_PER_HOUR
    if demand.as_every_min is not None and demand.at_kpa is not None:
        return seconds_of_minutes(demand.as_every_min) * demand.at_kpa
    return None


def _mean_after_um(cycle: DemandCycle, dried_um: float) -> float:
    """The mean leaf's film after so much drying from full."""
    return film_of_drying_um(max(0.0, drying_um(cycle.holds_um, cycle.holds_um) - dried_um), cycle.holds_um)


def _dried_back_um(cycle: DemandCycle) -> float:
    """The drying between two bursts that each fill the mean leaf, when the driest quarter is at its dry-back.

    The longer the drying the longer the burst, and the more of it the driest quarter gets: settled by turns.
    """
    dried_um = 0.0
    for _ in range(SETTLING_TURNS):
        burst_s = cycle.refilling_s(_mean_after_um(cycle, dried_um))
        full_um = min(cycle.holds_um, cycle.dry_back_um + cycle.caught_um(burst_s))
        dried_um = drying_um(full_um, cycle.holds_um) - cycle.dry_back_drying_um
    return dried_um


def usual_rates(source: SourcePlan | None) -> Rates:
    """Those of a usual bright day, as a zone's sensors count them."""
    if source is None:
        return reference_rates(has_light=False)
    return reference_rates(has_light=source.light is not None, has_leaf=source.leaf is not None)
