"""The rules of a configuration that one key alone cannot break.

Each rule looks at what could be read, so that a typing mistake in one zone hides no problem in another.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Set
from datetime import datetime, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

from mistd.app.config import (
    DayPartsSection,
    LineSection,
    OutputsSection,
    PlaceSection,
    SensorSection,
    SirenSection,
    TimedPartSection,
    ZoneSection,
    units_for,
)
from mistd.app.demand_plan import fill_time_s
from mistd.app.demand_rules import demand_problems
from mistd.app.house_plan import SIREN, place_of
from mistd.app.problems import Problem
from mistd.app.sun import DEGREES_PER_HOUR, NoSunriseError, dates_of_year, sun_day
from mistd.core.almanac import DayPart
from mistd.core.rules import burst_and_gap_problems, filling_problem, wait_problem
from mistd.core.units import seconds_of_minutes

A_YEAR = 2026  # any will do: the sun's times move by a minute from year to year
SUN_ALWAYS_RISES_BELOW = 60.0  # degrees of latitude
ORDER_STEP_DAYS = 3
NOON_AT_MOST_OFF_H = 4.0  # Kashgar and Dakhla with summer time stay within 3: more is a wrong sign or zone


def problems_between(read: Mapping[str, Any], unread: Set[str]) -> list[Problem]:
    """Every broken rule among the parts that could be read.

    Args:
        read: those parts.
        unread: the tables, `zones` or `sensors`, of which an entry could not be.
    """
    zones = cast(tuple[ZoneSection, ...], read.get("zones", ()))
    sensors = cast(tuple[SensorSection, ...], read.get("sensors", ()))
    found: list[Problem] = []
    for zone in zones:
        found += _zone_problems(zone)
    found += _shared_names("zones", zones)
    found += _shared_names("sensors", sensors)
    for sensor in sensors:
        found += _sensor_problems(sensor)
    if "outputs" in read:
        found += _pin_problems(read["outputs"], zones)
    if "outputs" in read and "siren" in read:
        found += _siren_problems(read["siren"], read["outputs"], zones)
    if "line" in read:
        found += _wait_problems(read["line"], zones)
    if "place" in read:
        found += _time_zone_problems(read["place"])
    if "place" in read and "day_parts" in read:
        found += _sun_problems(read["place"], read["day_parts"])
    found += demand_problems(read, unread)
    return found


def _zone_problems(zone: ZoneSection) -> Iterator[Problem]:
    for part in DayPart:
        timed = cast(TimedPartSection, getattr(zone.timed, part.value))
        yield from _part_problems(zone, timed, f"zones[{zone.name}].timed.{part.value}")
    if all(cast(TimedPartSection, getattr(zone.timed, part.value)).off for part in DayPart):
        text = "off in every part of the day; a zone that is never misted is left out of the file"
        yield Problem(key=f"zones[{zone.name}].timed", text=text)


def _part_problems(zone: ZoneSection, timed: TimedPartSection, key: str) -> Iterator[Problem]:
    if timed.off:
        if timed.burst_s is not None or timed.gap_min is not None:
            yield Problem(key=key, text="off and a burst or gap at once; keep one of the two")
        return
    if timed.burst_s is None or timed.gap_min is None:
        yield Problem(key=key, text="needs burst_s and gap_min, or off = true")
        return
    yield from _burst_problems(zone, timed.burst_s, seconds_of_minutes(timed.gap_min), key)


def _burst_problems(zone: ZoneSection, burst_s: float, gap_s: float, key: str) -> Iterator[Problem]:
    for field, text in burst_and_gap_problems(zone, burst_s, gap_s):
        yield Problem(key=f"{key}.{field}", text=text)
    unfilled = filling_problem(burst_s, zone.line_volume_l, fill_time_s(zone))
    if unfilled:
        yield Problem(key=f"{key}.burst_s", text=unfilled)


def _shared_names(
    table: str, entries: tuple[ZoneSection, ...] | tuple[SensorSection, ...]
) -> Iterator[Problem]:
    names = [entry.name for entry in entries]
    for name in sorted({name for name in names if names.count(name) > 1}):
        text = f"{names.count(name)} have this name; give each its own"
        yield Problem(key=f"{table}[{name}].name", text=text)


def _sensor_problems(sensor: SensorSection) -> Iterator[Problem]:
    units = units_for(sensor.kind)
    if sensor.unit is not None and sensor.unit not in units:
        text = f"{sensor.unit!r}: allowed for {sensor.kind.value}: {', '.join(map(repr, units))}"
        yield Problem(key=f"sensors[{sensor.name}].unit", text=text)


def _pin_problems(outputs: OutputsSection, zones: tuple[ZoneSection, ...]) -> Iterator[Problem]:
    if outputs.driver == "simulated":
        return
    owners: dict[int, list[str]] = defaultdict(list)
    for zone in zones:
        if zone.pin is None:
            text = "missing; the gpiozero driver needs the GPIO number of the valve's pin, 0 to 27"
            yield Problem(key=f"zones[{zone.name}].pin", text=text)
        else:
            owners[zone.pin].append(zone.name)
    for pin, names in owners.items():
        if len(names) > 1:
            text = f"{pin} is wired to {' and '.join(names)}; every valve has a pin of its own"
            yield Problem(key=f"zones[{names[-1]}].pin", text=text)


def _siren_problems(
    siren: SirenSection, outputs: OutputsSection, zones: tuple[ZoneSection, ...]
) -> Iterator[Problem]:
    if any(zone.name == SIREN for zone in zones):
        text = "this is what the siren's own line is called; give the zone another name"
        yield Problem(key=f"zones[{SIREN}].name", text=text)
    if outputs.driver == "simulated":
        return
    if siren.pin is None:
        text = "missing; the gpiozero driver needs the GPIO number of the siren's pin, 0 to 27"
        yield Problem(key="siren.pin", text=text)
        return
    sharing = [zone.name for zone in zones if zone.pin == siren.pin]
    if sharing:
        text = f"{siren.pin} is wired to {' and '.join(sharing)}; the siren has a pin of its own"
        yield Problem(key="siren.pin", text=text)


def _wait_problems(line: LineSection, zones: tuple[ZoneSection, ...]) -> Iterator[Problem]:
    """When every zone falls due at once, none may wait for the line longer than the shortest gap."""
    for part in DayPart:
        timed = [cast(TimedPartSection, getattr(zone.timed, part.value)) for zone in zones]
        bursts = [each.burst_s for each in timed if each.burst_s and each.gap_min]
        gaps = [seconds_of_minutes(each.gap_min) for each in timed if each.burst_s and each.gap_min]
        problem = wait_problem(part, bursts, gaps, line.valves_at_once, line.pause_s)
        if problem:
            yield Problem(key="line.valves_at_once", text=problem)


def _time_zone_problems(place: PlaceSection) -> Iterator[Problem]:
    """A longitude with the wrong sign, or another country's zone, would have it mist by night."""
    offset = datetime(A_YEAR, 1, 1, tzinfo=ZoneInfo(place.time_zone)).utcoffset() or timedelta()
    off_h = offset / timedelta(hours=1) - place.longitude / DEGREES_PER_HOUR
    off_h = (off_h + 12.0) % 24.0 - 12.0  # the date may differ from the sun's by a day
    if abs(off_h) > NOON_AT_MOST_OFF_H:
        text = (
            f"{place.time_zone!r}: at {place.longitude:g} degrees east the sun's noon is {off_h:+.1f} h from "
            f"12:00 by it; allowed up to {NOON_AT_MOST_OFF_H:g} h: west is negative, look at the sign"
        )
        yield Problem(key="place.time_zone", text=text)


def _sun_problems(place: PlaceSection, parts: DayPartsSection) -> Iterator[Problem]:
    where = place_of(place, parts)
    step = 1 if abs(place.latitude) >= SUN_ALWAYS_RISES_BELOW else ORDER_STEP_DAYS
    for day in list(dates_of_year(A_YEAR))[::step]:
        try:
            today, tomorrow = sun_day(where, day), sun_day(where, day + timedelta(days=1))
        except NoSunriseError:
            text = (
                f"{place.latitude:g} degrees north: on {day:%d %B} the sun does not rise or does not set "
                "there, and the parts of the day are placed by it; such places are not supported"
            )
            yield Problem(key="place.latitude", text=text)
            return
        if not today.is_in_order(tomorrow):
            begins = [*today.begins, tomorrow.begins[0]]
            times = ", ".join(f"{part.value} {at:%H:%M}" for at, part in begins)
            text = f"on {day:%d %B} the parts of the day are out of order ({times}); move their beginnings"
            yield Problem(key="day_parts", text=text)
            return
