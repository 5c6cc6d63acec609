"""A house in a page of text, for `mistd check`: what is wired, when it mists, how much water that takes."""

from collections.abc import Iterable
from datetime import date, timedelta

from mistd.app.config import Config, SensorSection, TimedPartSection, ZoneSection
from mistd.app.demand_plan import fill_time_s
from mistd.app.demand_summary import on_demand
from mistd.app.house_plan import house_plan, is_siren_active_high, place_of
from mistd.app.sun import SunDay, sun_day
from mistd.core.almanac import DayPart
from mistd.core.plan import HousePlan, ZonePlan
from mistd.core.sequence import worst_wait_in_part_s
from mistd.core.units import S_PER_MIN


def summary(config: Config, day: date) -> str:
    """The house as it is by this file, with the sun of one day."""
    plan = house_plan(config)
    place = place_of(config.place, config.day_parts)
    today, tomorrow = sun_day(place, day), sun_day(place, day + timedelta(days=1))
    lengths_s = part_lengths_s(today, tomorrow)
    blocks = [
        _head(config, today, day),
        _zones(config, plan, lengths_s),
        on_demand(config, plan),
        _line(config, plan),
        _sensors(config),
        _where(config),
    ]
    return "\n\n".join(filter(None, blocks))


def part_lengths_s(today: SunDay, tomorrow: SunDay) -> dict[DayPart, float]:
    """How long each part of a day is, the night as the one that follows."""
    edges = [*today.begins, tomorrow.begins[0]]
    lengths = {
        part: (edges[place + 1][0] - begins).total_seconds()
        for place, (begins, part) in enumerate(today.begins)
    }
    return {part: lengths[part] for part in DayPart}


def bursts_in_a_day(zone: ZonePlan, lengths_s: dict[DayPart, float]) -> dict[DayPart, float]:
    """How many bursts the timetable gives in each part, before the queue for the line."""
    counts = {}
    for part, length_s in lengths_s.items():
        timed = zone.cycle.parts[part]
        counts[part] = length_s / (timed.gap_s + timed.burst_s) if timed else 0.0
    return counts


def water_in_a_day_l(zone: ZonePlan, lengths_s: dict[DayPart, float]) -> float:
    """Litres a day by the timetable."""
    bursts = bursts_in_a_day(zone, lengths_s)
    return sum(count * zone.water_l(zone.cycle.burst_s(part) or 0.0) for part, count in bursts.items())


def _head(config: Config, today: SunDay, day: date) -> str:
    place = config.place
    parts = ", ".join(f"{part.value} from {begins:%H:%M}" for begins, part in today.begins)
    where = f"{_degrees(place.latitude, 'NS')} {_degrees(place.longitude, 'EW')}, {place.elevation_m:g} m"
    return "\n".join(
        [
            f"{config.house.title or config.house.name} ({config.house.name})",
            f"  at {where}, {place.time_zone}",
            f"  sun on {day:%d %B %Y}: up {today.sunrise:%H:%M}, down {today.sunset:%H:%M}; {parts}",
        ]
    )


def _degrees(degrees: float, sides: str) -> str:
    return f"{abs(degrees):g} {sides[degrees < 0.0]}"


def _zones(config: Config, plan: HousePlan, lengths_s: dict[DayPart, float]) -> str:
    by = ", by the timetables" if any(zone.demand for zone in plan.zones) else ""
    head = (
        "zone",
        "pin",
        "nozzles",
        "flow",
        "bench",
        "night",
        "dawn",
        "day",
        "dusk",
        "bursts",
        f"water a day{by}",
    )
    rows: list[tuple[str, ...]] = [head]
    for section, zone in zip(config.zones, plan.zones, strict=True):
        rows.append(_zone_row(section, zone, lengths_s))
    total_l = sum(water_in_a_day_l(zone, lengths_s) for zone in plan.zones)
    table = _aligned(rows)
    return (
        f"{table}\n  in all {total_l:.0f} l on this day{by}; parts are burst s / gap min, from shut to open"
    )


def _zone_row(section: ZoneSection, zone: ZonePlan, lengths_s: dict[DayPart, float]) -> tuple[str, ...]:
    water_l = water_in_a_day_l(zone, lengths_s)
    bursts = sum(bursts_in_a_day(zone, lengths_s).values())
    return (
        zone.name,
        "-" if section.pin is None else str(section.pin),
        str(zone.nozzles),
        f"{zone.nozzles * zone.nozzle_flow_l_per_min:.1f} l/min",
        f"{zone.bench_area_m2:g} m2",
        *(_timed(getattr(section.timed, part.value)) for part in DayPart),
        f"{bursts:.0f}",
        f"{water_l:.0f} l, {water_l / zone.bench_area_m2:.1f} mm",
    )


def _timed(timed: TimedPartSection) -> str:
    return "off" if timed.off else f"{timed.burst_s:g}/{timed.gap_min:g}"


def _line(config: Config, plan: HousePlan) -> str:
    waits = ", ".join(f"{part.value} {worst_wait_in_part_s(plan, part):.0f} s" for part in DayPart)
    fills = max(fill_time_s(zone) for zone in config.zones)
    valves = "one valve" if plan.valves_at_once == 1 else f"{plan.valves_at_once} valves"
    return "\n".join(
        [
            f"line: {valves} at once, {plan.pause_s:g} s between bursts; the slowest fills in {fills:.1f} s",
            f"  longest wait when every zone falls due at once: {waits}",
            f"  no mist in frost: under {plan.frost_below_c:g} C for {plan.frost_delay_s / S_PER_MIN:g} min, "
            "not in the light",
        ]
    )


def _sensors(config: Config) -> str:
    if not config.sensors:
        return "sensors: none; frost cannot be seen, and an untrusted clock is taken to say day"
    lines = [
        f"  {sensor.name}: {sensor.kind.value} from topic {sensor.topic}"
        + (f", field {sensor.field}" if sensor.field else "")
        + _own(sensor)
        + f", good for {sensor.stale_after_s:g} s"
        for sensor in config.sensors
    ]
    return "\n".join(["sensors:", *lines])


def _own(sensor: SensorSection) -> str:
    """Whose it is, and of a leaf-wetness sensor what it sends."""
    own = "" if sensor.zone is None else f", {sensor.zone}'s own"
    if sensor.dry_reads is None or sensor.wet_reads is None:
        return own
    return f"{own}, {sensor.dry_reads:g} dry and {sensor.wet_reads:g} wet"


def _where(config: Config) -> str:
    outputs, broker = config.outputs, config.broker
    if outputs.driver == "simulated":
        driver = "simulated outputs: NO VALVE MOVES"
    else:
        driver = f"outputs: {outputs.driver} on {outputs.factory}, active {_level(outputs.active_high)}"
    lines = [driver, *_siren(config), f"broker: {broker.host}:{broker.port}, MQTT {broker.protocol}"]
    return "\n".join(lines)


def _siren(config: Config) -> list[str]:
    siren, outputs = config.siren, config.outputs
    if siren is None:
        return []
    if outputs.driver == "simulated":
        where = "simulated: NOTHING SOUNDS"
    else:
        where = f"pin {siren.pin}, active {_level(is_siren_active_high(siren, outputs))}"
    called = f" ({siren.title})" if siren.title else ""
    return [f"siren{called}: {where}; stops by itself after {siren.longest_min:g} min"]


def _level(is_high: bool) -> str:
    return "high" if is_high else "low"


def _aligned(rows: Iterable[tuple[str, ...]]) -> str:
    """Rows of text in columns; numbers are what they are, so every column is set left."""
    table = list(rows)
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in table]
    return "\n".join("  " + line.rstrip() for line in lines)
