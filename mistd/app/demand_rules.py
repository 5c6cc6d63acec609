"""The rules of zones on demand that one key alone cannot break: set points, bursts, gaps and sensors.

Each rule looks at what could be read. What is missed in a table of which an entry could not be read is not
told: it may be just that entry, and that is told already.
"""

from collections.abc import Iterator, Mapping, Sequence, Set
from itertools import chain
from math import ceil
from typing import Any, cast

from mistd.app.config import (
    DemandPartSection,
    DemandSection,
    LineSection,
    SensorSection,
    TimedPartSection,
    ZoneSection,
)
from mistd.app.demand_plan import (
    NO_DEMAND,
    SOURCE_KINDS,
    bounds_in,
    cycle_on,
    fill_time_s,
    sensors_for,
)
from mistd.app.problems import Problem, unit_of
from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import AFTER_FILLING_S, CycleKind
from mistd.core.readings import SensorKind
from mistd.core.rules import wait_problem
from mistd.core.units import PERCENT, minutes_of_seconds, seconds_of_minutes

SET_POINTS = ("set_point_kpa_h", "as_every_min", "at_kpa")  # of the vpd cycle
OF_THE_HOUSE = (SensorKind.SUPPLY_PRESSURE, SensorKind.FLOW)  # never of one zone

# A sensor that hardly moves between dry and wet tells nothing: its own noise and last digit are of that size.
LEAST_APART_SHARE = 0.05  # of the larger of the two values (ours)
LEAST_APART = 1e-6  # in what it sends (ours)


def demand_problems(read: Mapping[str, Any], unread: Set[str]) -> Iterator[Problem]:
    """Every broken rule of zones on demand and of the sensors they go by.

    Args:
        read: the parts of the file that could be read.
        unread: the tables, `zones` or `sensors`, of which an entry could not be.
    """
    zones = cast(tuple[ZoneSection, ...], read.get("zones", ()))
    sensors = cast(tuple[SensorSection, ...], read.get("sensors", ()))
    for zone in zones:
        yield from _zone_problems(zone)
        if "sensors" not in unread:
            yield from _missing_sensors(zone, sensors)
    yield from _ambiguous_sensors(zones, sensors)
    for sensor in sensors:
        yield from _wetness_problems(sensor)
        yield from _place_problems(sensor, None if "zones" in unread else [zone.name for zone in zones])
    if "line" in read:
        yield from _wait_problems(read["line"], zones, sensors)


def _zone_problems(zone: ZoneSection) -> Iterator[Problem]:
    key = f"zones[{zone.name}].demand"
    if zone.cycle is CycleKind.TIMED and zone.demand is None:
        return
    demand = zone.demand or NO_DEMAND
    if zone.cycle is CycleKind.VPD:
        yield from _deficit_problems(demand, key)
    elif zone.cycle is not CycleKind.TIMED:  # whose table stands by for a cycle that may be set later
        yield from _foreign(zone, demand, key)
    yield from _burst_problems(zone, demand)
    for part in DayPart:
        yield from _gap_problems(zone, part, f"{key}.{part.value}")
    is_off = all(bounds_in(zone, part) is None for part in DayPart)
    if is_off and any(not _timed(zone, part).off for part in DayPart):  # else the timetable is told of
        text = (
            "off in every part of the day; allowed is mist in one at least: set mist to on_demand or sparse"
        )
        yield Problem(key=key, text=text)


def _deficit_problems(demand: DemandSection, key: str) -> Iterator[Problem]:
    """What a vpd cycle may not be told together."""
    if demand.dry_back_percent is not None:
        text = (
            f"{demand.dry_back_percent:g} %; a vpd cycle goes by its set point: write set_point_kpa_h "
            "(0.01 to 20 kPa.h), or as_every_min and at_kpa, in its place"
        )
        yield Problem(key=f"{key}.dry_back_percent", text=text)
    pair = {"as_every_min": demand.as_every_min, "at_kpa": demand.at_kpa}
    written = {name: value for name, value in pair.items() if value is not None}
    if demand.set_point_kpa_h is not None and written:
        text = f"{demand.set_point_kpa_h:g} kPa.h and {' and '.join(written)} at once; keep one of the two"
        yield Problem(key=f"{key}.set_point_kpa_h", text=text)
    elif len(written) == 1:
        [(name, value)] = written.items()
        [other] = pair.keys() - written.keys()
        text = f"{value:g} {unit_of(name)} without {other}; write both, or set_point_kpa_h in their place"
        yield Problem(key=f"{key}.{name}", text=text)


def _foreign(zone: ZoneSection, demand: DemandSection, key: str) -> Iterator[Problem]:
    """The set points of a vpd cycle where another is."""
    for name in SET_POINTS:
        value = cast(float | None, getattr(demand, name))
        if value is not None:
            text = (
                f"{value:g} {unit_of(name)}; allowed with cycle 'vpd': {zone.cycle.value} goes by "
                "dry_back_percent (5 to 90 %), leave this out"
            )
            yield Problem(key=f"{key}.{name}", text=text)


def _burst_problems(zone: ZoneSection, demand: DemandSection) -> Iterator[Problem]:
    """A burst has to reach the far end of the line, and last no longer than the zone's longest."""
    fills_s = fill_time_s(zone)
    least_s = fills_s + AFTER_FILLING_S
    why = (
        f"would wet nothing: the line of {zone.line_volume_l:g} l takes {fills_s:.1f} s to fill, and the far "
        f"nozzles spray last; allowed from {ceil(least_s * 10.0) / 10.0:g} s: lengthen it"
    )
    if zone.longest_burst_s < least_s:
        yield Problem(key=f"zones[{zone.name}].longest_burst_s", text=f"{zone.longest_burst_s:g} s {why}")
    if demand.burst_s is None:
        return
    key = f"zones[{zone.name}].demand.burst_s"
    if demand.burst_s < least_s:
        yield Problem(key=key, text=f"{demand.burst_s:g} s {why}")
    if demand.burst_s > zone.longest_burst_s:
        longest = f"this zone's longest_burst_s of {zone.longest_burst_s:g} s"
        yield Problem(key=key, text=f"{demand.burst_s:g} s; allowed up to {longest}: shorten it")


def _gap_problems(zone: ZoneSection, part: DayPart, key: str) -> Iterator[Problem]:
    section = cast(DemandPartSection | None, getattr(zone.demand, part.value, None)) or DemandPartSection()
    shortest_min, longest_min = section.shortest_gap_min, section.longest_gap_min
    if section.mist == "off" and (shortest_min is not None or longest_min is not None):
        yield Problem(key=key, text="off and a shortest or longest gap at once; keep one of the two")
    bounds = bounds_in(zone, part)
    if bounds is None:
        return
    if shortest_min is not None and seconds_of_minutes(shortest_min) < zone.shortest_rest_s:
        text = f"{shortest_min:g} min; allowed from this zone's shortest_rest_s of {zone.shortest_rest_s:g} s"
        yield Problem(key=f"{key}.shortest_gap_min", text=f"{text}: lengthen it")
    if bounds.shortest_gap_s < bounds.longest_gap_s:
        return
    longest = f"{minutes_of_seconds(bounds.longest_gap_s):g} min"
    said = longest if longest_min is not None else f"{longest}, as it is when not written"
    if shortest_min is not None and seconds_of_minutes(shortest_min) >= zone.shortest_rest_s:
        text = f"{shortest_min:g} min; allowed below longest_gap_min ({said}): shorten it, or lengthen that"
        yield Problem(key=f"{key}.shortest_gap_min", text=text)
    else:
        shortest = f"{minutes_of_seconds(bounds.shortest_gap_s):g} min"
        text = f"{said}; allowed above the shortest gap and shortest_rest_s ({shortest}): lengthen it"
        yield Problem(key=f"{key}.longest_gap_min", text=text)


def _missing_sensors(zone: ZoneSection, sensors: Sequence[SensorSection]) -> Iterator[Problem]:
    key = f"zones[{zone.name}].cycle"
    if zone.cycle is CycleKind.LEAF_WETNESS:
        if not any(s.kind is SensorKind.LEAF_WETNESS and s.zone == zone.name for s in sensors):
            text = (
                "'leaf_wetness'; allowed with a leaf_wetness sensor whose zone is "
                f"{zone.name!r}, and there is none: add one to [[sensors]], or name its zone"
            )
            yield Problem(key=key, text=text)
    elif zone.cycle is not CycleKind.TIMED:
        needed = (SensorKind.AIR_TEMPERATURE, SensorKind.RELATIVE_HUMIDITY)
        missed = [kind.value for kind in needed if not sensors_for(zone.name, kind, sensors)]
        if missed:
            text = (
                f"{zone.cycle.value!r}; allowed with an air_temperature and a relative_humidity sensor, the "
                f"zone's own or the house's; there is no {' and no '.join(missed)}: add it to [[sensors]]"
            )
            yield Problem(key=key, text=text)


def _ambiguous_sensors(zones: Sequence[ZoneSection], sensors: Sequence[SensorSection]) -> Iterator[Problem]:
    """Where a zone could go by several sensors of a kind; told once for all zones that share them."""
    found: dict[tuple[SensorKind, tuple[str, ...]], list[str]] = {}
    for kind in SOURCE_KINDS:
        for zone in zones:
            names = tuple(dict.fromkeys(sensors_for(zone.name, kind, sensors)))
            is_to_be_led = zone.cycle is not CycleKind.TIMED or zone.demand is not None
            if is_to_be_led and len(names) > 1:
                found.setdefault((kind, names), []).append(zone.name)
    owners = {sensor.name: sensor.zone for sensor in sensors}
    for (kind, names), going in found.items():
        owner = owners[names[-1]]
        text = (
            f"{'missing' if owner is None else repr(owner)}; {' and '.join(names)} each are {kind.value} of "
            f"{'the whole house' if owner is None else 'this zone'}, and {' and '.join(going)} can go by one "
            "only: name the zone that each is for, or leave them out but for one"
        )
        yield Problem(key=f"sensors[{names[-1]}].zone", text=text)


def _place_problems(sensor: SensorSection, zones: Sequence[str] | None) -> Iterator[Problem]:
    """A sensor is of a zone that there is, or of the whole house; `zones` None: not all are known."""
    key = f"sensors[{sensor.name}].zone"
    if sensor.zone is None:
        if sensor.kind is SensorKind.LEAF_WETNESS:
            text = "missing; a leaf_wetness sensor is one zone's own: write the name of the zone it lies in"
            yield Problem(key=key, text=text)
    elif sensor.kind in OF_THE_HOUSE:
        text = f"{sensor.zone!r}; a {sensor.kind.value} sensor serves the whole house: leave it out"
        yield Problem(key=key, text=text)
    elif zones is not None and sensor.zone not in zones:
        text = f"{sensor.zone!r}: no zone has this name; allowed: {', '.join(map(repr, zones))}"
        yield Problem(key=key, text=text)


def _wetness_problems(sensor: SensorSection) -> Iterator[Problem]:
    """A leaf-wetness sensor has a dry and a wet value of its own, and no other sensor has."""
    key = f"sensors[{sensor.name}]"
    ends = {"dry_reads": (sensor.dry_reads, "dry"), "wet_reads": (sensor.wet_reads, "wet all over")}
    for name, (value, when) in ends.items():
        if sensor.kind is not SensorKind.LEAF_WETNESS and value is not None:
            text = f"{value:g}; allowed with kind 'leaf_wetness': leave it out"
            yield Problem(key=f"{key}.{name}", text=text)
        elif sensor.kind is SensorKind.LEAF_WETNESS and value is None:
            text = f"missing; expected the number it sends when {when}: read it off and write it down"
            yield Problem(key=f"{key}.{name}", text=text)
    if sensor.kind is not SensorKind.LEAF_WETNESS or sensor.dry_reads is None or sensor.wet_reads is None:
        return
    larger = max(abs(sensor.dry_reads), abs(sensor.wet_reads))
    least = max(LEAST_APART, LEAST_APART_SHARE * larger)
    if abs(sensor.wet_reads - sensor.dry_reads) < least:
        text = (
            f"{sensor.wet_reads:g}, and dry_reads is {sensor.dry_reads:g}; allowed from {least:.3g} apart, "
            f"{LEAST_APART_SHARE * PERCENT:g} % of the larger: read both off again, dry and wet all over"
        )
        yield Problem(key=f"{key}.wet_reads", text=text)


def _wait_problems(
    line: LineSection, zones: Sequence[ZoneSection], sensors: Sequence[SensorSection]
) -> Iterator[Problem]:
    """The same as of timetables, with zones on demand at their longest bursts and gaps.

    What their timetables take is judged with all the others: they may have to fall back to them together.
    """
    if all(zone.cycle is CycleKind.TIMED for zone in zones):
        return
    for part in DayPart:
        each = list(chain.from_iterable(_burst_and_gap(zone, sensors, part) for zone in zones))
        bursts_s, gaps_s = [burst_s for burst_s, _ in each], [gap_s for _, gap_s in each]
        problem = wait_problem(part, bursts_s, gaps_s, line.valves_at_once, line.pause_s)
        if problem:
            text = f"with zones on demand at their longest bursts and gaps, {problem}"
            yield Problem(key="line.valves_at_once", text=text)


def _burst_and_gap(
    zone: ZoneSection, sensors: Sequence[SensorSection], part: DayPart
) -> Iterator[tuple[float, float]]:
    """A zone's longest burst and longest gap in a part; nothing where it is not misted."""
    cycle, timed = cycle_on(zone, sensors), _timed(zone, part)
    if cycle is None:
        if timed.burst_s and timed.gap_min:
            yield timed.burst_s, seconds_of_minutes(timed.gap_min)
        return
    bounds = cycle.bounds[part]
    if bounds is not None:
        any_s = max(_timed(zone, each).burst_s or 0.0 for each in DayPart)
        timed_s = timed.burst_s or any_s
        yield max(cycle.longest_asked_s, timed_s), bounds.longest_gap_s


def _timed(zone: ZoneSection, part: DayPart) -> TimedPartSection:
    return cast(TimedPartSection, getattr(zone.timed, part.value))
