"""What speaks against a change of a setting: every broken rule in words, with figures; none when it may be.

Rule: a change is judged beside everything else that is in force, with trims and as it will be without them.

This file knows what must not be. What a change does is in `changes`.
"""

from collections.abc import Iterator, Sequence
from math import inf

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.demand_cycles import AFTER_FILLING_S, CycleKind, DemandCycle
from mistd.core.plan import HousePlan
from mistd.core.rules import burst_and_gap_problems, is_never_on, wait_problem
from mistd.core.settings import ClosedSet, CycleSet, SettingKind, Settings, SettingValue, SkipSet, TrimSet
from mistd.core.turn import Turn
from mistd.core.units import PERCENT, S_PER_HOUR, S_PER_MIN
from mistd.core.zone import Trim, Zone

LEAST_TRIM, MOST_TRIM = -0.5, 1.0  # beyond these it is another timetable, not a trim
SHORTEST_PASSING_S = 60.0
LONGEST_TRIM_S = 14 * 24 * S_PER_HOUR
LONGEST_CLOSED_S = 7 * 24 * S_PER_HOUR  # re-entry intervals on labels are hours to some days
LONGEST_SKIP_S = 24 * S_PER_HOUR
Wants = tuple[TimedCycle, Trim | None, DemandCycle | None]  # of one zone: what it may want of the line


def timetable_problems(turn: Turn, zone: Zone, timetable: TimedCycle) -> Iterator[str]:
    yield from zone_problems(zone, timetable)
    yield from house_problems(turn, zone, (timetable, zone.trim, zone.demand_cycle))


def cycle_problems(turn: Turn, zone: Zone, value: CycleSet) -> Iterator[str]:
    cycle = value.cycle
    if cycle is not None:
        yield from zone_cycle_problems(zone, cycle)
    yield from line_problems(turn, zone, (zone.cycle, zone.trim, cycle))


def zone_cycle_problems(zone: Zone, cycle: DemandCycle) -> Iterator[str]:
    """Every rule that a cycle on demand breaks by what is wired of its own zone."""
    if cycle.kind is CycleKind.LEAF_WETNESS and not cycle.wetness_sensors:
        yield (
            f"leaf_wetness needs a leaf_wetness sensor with zone = {zone.plan.name!r}, and the house's file "
            "has none; without one: vpd, film or timed"
        )
    if cycle.kind is not CycleKind.LEAF_WETNESS and cycle.source is None:
        yield (
            f"{cycle.kind.value} needs air_temperature and relative_humidity sensors, the zone's or the "
            "house's, and a demand table of the zone in the house's file, be it empty; without these: timed, "
            "or leaf_wetness with a sensor of the zone"
        )
    if all(bounds is None for bounds in cycle.bounds.values()):
        yield "off in every part of the day; a zone that needs no mist is closed by its hand valve"
    for part, bounds in cycle.bounds.items():
        if bounds is not None and bounds.longest_gap_s <= bounds.shortest_gap_s:
            longest_min, shortest_min = bounds.longest_gap_s / S_PER_MIN, bounds.shortest_gap_s / S_PER_MIN
            text = f"{longest_min:.4g} min; allowed above this zone's shortest gap of {shortest_min:.4g} min"
            yield f"{part.value} longest_gap_min: {text}"
    yield from _burst_problems(cycle)


def _burst_problems(cycle: DemandCycle) -> Iterator[str]:
    """A burst has to reach the far end of the line, and last no longer than the zone's longest."""
    least_s, longest_s, burst_s = cycle.fills_s + AFTER_FILLING_S, cycle.longest_burst_s, cycle.fixed_burst_s
    if longest_s < least_s:
        yield (
            f"on demand it needs bursts of {least_s:.3g} s or more, and its longest_burst_s in the house's "
            f"file is {longest_s:g} s: lengthen that, or leave it timed"
        )
    if burst_s is not None and burst_s < least_s:
        yield f"burst_s: {burst_s:g} s would wet nothing at the far end; allowed from {least_s:.3g} s"
    if burst_s is not None and burst_s > longest_s:
        yield f"burst_s: {burst_s:g} s; allowed up to this zone's longest_burst_s of {longest_s:g} s"


def zone_problems(zone: Zone, timetable: TimedCycle, trim: float = 0.0) -> Iterator[str]:
    """Every rule that a timetable breaks by what is wired of its own zone."""
    if is_never_on(timetable):
        yield "off in every part of the day; a zone that needs no mist is closed by its hand valve"
    for part, timed in timetable.parts.items():
        if timed is None:
            continue
        gap_s = timed.gap_s / (1.0 + trim)
        for field, text in burst_and_gap_problems(zone.plan, timed.burst_s, gap_s):
            yield f"{part.value} {field}: {text}"
        if timed.burst_s < zone.plan.shortest_burst_s:
            shortest_s = zone.plan.shortest_burst_s
            text = f"{timed.burst_s:g} s would wet nothing; allowed from {shortest_s:.3g} s"
            yield f"{part.value} burst_s: {text}"


def house_problems(turn: Turn, zone: Zone, wants: Wants) -> Iterator[str]:
    """What breaks when this zone has this timetable, trim and cycle beside what the others have."""
    timetable, trim, _ = wants
    if trim:
        yield from _trimmed_problems(zone, timetable, trim)
    yield from line_problems(turn, zone, wants)


def line_problems(turn: Turn, zone: Zone, wants: Wants) -> Iterator[str]:
    """Where there is too little of the line for what this zone would want of it beside the others."""
    in_force = [
        wants if other.plan.name == zone.plan.name else wants_of(other)
        for other in (turn.zone(index) for index in range(len(turn.plan.zones)))
    ]
    yield from round_problems(in_force, turn.plan.valves_at_once, turn.plan.pause_s)


def wants_of(zone: Zone) -> Wants:
    """What a zone may want of the line as it is set now."""
    return zone.cycle, zone.trim, zone.demand_cycle


def _trimmed_problems(zone: Zone, timetable: TimedCycle, trim: Trim) -> Iterator[str]:
    """Every rule that a timetable breaks with a trim, and keeps without it."""
    without = set(zone_problems(zone, timetable))
    for problem in zone_problems(zone, timetable, trim.fraction):
        if problem not in without:
            yield f"with {trim.fraction * PERCENT:+.3g} % water, {problem}"


def round_problems(in_force: Sequence[Wants], valves_at_once: int, pause_s: float) -> Iterator[str]:
    """Where a round of all zones takes longer than the shortest gap, with trims and when they have ended.

    A zone on demand has to keep its longest gap beside the others, whatever its bursts come to; and all have
    to keep their timetables together, for by those each is misted when nothing can be read.
    """
    by_timetable = [(timetable, trim, None) for timetable, trim, _ in in_force]
    is_any_on_demand = any(cycle for _, _, cycle in in_force)
    for part in DayPart:
        for wants in (by_timetable, in_force) if is_any_on_demand else (by_timetable,):
            pairs = [pair for each in wants if (pair := _burst_and_gap_s(each, part))]
            bursts_s, gaps_s = [burst_s for burst_s, _ in pairs], [gap_s for _, gap_s in pairs]
            problem = wait_problem(part, bursts_s, gaps_s, valves_at_once, pause_s)
            if problem:
                yield problem
                break


def _burst_and_gap_s(wants: Wants, part: DayPart) -> tuple[float, float] | None:
    """The longest burst a zone may need in a part of the day, and the gap it must be given; None: no mist."""
    timetable, trim, cycle = wants
    timed = timetable.parts[part]
    if cycle is not None:
        bounds = cycle.bounds[part]
        return (
            (max(cycle.longest_asked_s, _fall_back_s(timetable, part)), bounds.longest_gap_s)
            if bounds
            else None
        )
    return (timed.burst_s, timed.gap_s / (1.0 + max(trim.fraction if trim else 0.0, 0.0))) if timed else None


def _fall_back_s(timetable: TimedCycle, part: DayPart) -> float:
    """The burst a zone on demand gets when nothing can be read."""
    every_s = [timed.burst_s for timed in timetable.parts.values() if timed]
    return timetable.burst_s(part) or max(every_s, default=0.0)


def trim_problems(turn: Turn, zone: Zone, trim: TrimSet) -> Iterator[str]:
    yield from _length_problems("a trim of", trim.for_s, LONGEST_TRIM_S)
    if not LEAST_TRIM <= trim.fraction <= MOST_TRIM or trim.fraction == 0.0:
        yield (
            f"{trim.fraction * PERCENT:+.4g} %; allowed {LEAST_TRIM * PERCENT:+.0f} to "
            f"{MOST_TRIM * PERCENT:+.0f} % and not 0: for more change the timetable"
        )
    else:
        yield from _problems_beside(turn, zone, trim)


def _problems_beside(turn: Turn, zone: Zone, trim: TrimSet) -> Iterator[str]:
    """What breaks when this zone has this trim beside everything that is in force."""
    as_trim = Trim(fraction=trim.fraction, ends_s=inf, author="", note="")
    yield from house_problems(turn, zone, (zone.cycle, as_trim, zone.demand_cycle))


def closed_problems(_turn: Turn, zone: Zone, closed: ClosedSet) -> Iterator[str]:
    yield from _length_problems("closed for", closed.for_s, LONGEST_CLOSED_S)
    yield from _held_problems(zone)


def _held_problems(zone: Zone) -> Iterator[str]:
    if zone.hold:
        yield f"{zone.hold.author} holds it for people at work in it: release the hold when they are out"


def skip_problems(_turn: Turn, _zone: Zone, skip: SkipSet) -> Iterator[str]:
    yield from _length_problems("a burst to be left out within", skip.for_s, LONGEST_SKIP_S)


def _length_problems(what: str, for_s: float, longest_s: float) -> Iterator[str]:
    if not SHORTEST_PASSING_S <= for_s <= longest_s:
        yield (
            f"{what} {for_s / S_PER_HOUR:.3g} h; allowed {SHORTEST_PASSING_S / S_PER_MIN:g} min to "
            f"{longest_s / S_PER_HOUR:g} h"
        )


def problems_of_going_back(
    turn: Turn, zone: Zone, kind: SettingKind, value: SettingValue | None
) -> Iterator[str]:
    """What was allowed once may no longer be, beside what was set since."""
    if isinstance(value, TimedCycle):
        yield from timetable_problems(turn, zone, value)
    elif kind is SettingKind.TIMETABLE:
        yield from house_problems(turn, zone, (zone.plan.cycle, zone.trim, zone.demand_cycle))
    elif isinstance(value, CycleSet):
        yield from cycle_problems(turn, zone, value)
    elif kind is SettingKind.CYCLE:
        yield from line_problems(turn, zone, (zone.cycle, zone.trim, zone.plan.demand))
    elif isinstance(value, TrimSet):
        yield from _problems_beside(turn, zone, value)
    elif isinstance(value, ClosedSet):
        yield from _held_problems(zone)


def put_in_force(
    plan: HousePlan, zones: Sequence[Zone], settings: Settings, now_s: float
) -> Iterator[tuple[str, str]]:
    """Give zones at a start the timetables and cycles that were set, but for what breaks a rule by now.

    The house's file may have been changed since. What it says itself keeps its rules, so that is what a zone
    gets whose setting does not. Yields the zone and the reason of everything that is not put in force. A trim
    that ended while nobody looked is left to be told so; it is in nobody's way.
    """
    for zone in zones:
        timetable = _kept_timetable(settings, zone.plan.name)
        problems = list(zone_problems(zone, timetable)) if timetable else []
        if problems:
            yield zone.plan.name, f"it has the timetable of the house's file: {'; '.join(problems)}"
        else:
            zone.timetable = timetable
        yield from _put_cycle_in_force(zone, _kept_cycle(settings, zone.plan.name))
        trim = _running_trim(zone, now_s)
        problems = list(_trimmed_problems(zone, zone.cycle, trim)) if trim else []
        if problems:
            zone.trim = None
            yield zone.plan.name, f"its trim is dropped: {'; '.join(problems)}"
    yield from _too_long_a_round(plan, zones, now_s)


def _kept_timetable(settings: Settings, zone: str) -> TimedCycle | None:
    revision = settings.top((SettingKind.TIMETABLE, zone))
    return revision.value if revision and isinstance(revision.value, TimedCycle) else None


def _kept_cycle(settings: Settings, zone: str) -> CycleSet | None:
    revision = settings.top((SettingKind.CYCLE, zone))
    return revision.value if revision and isinstance(revision.value, CycleSet) else None


def _put_cycle_in_force(zone: Zone, kept: CycleSet | None) -> Iterator[tuple[str, str]]:
    problems = list(zone_cycle_problems(zone, kept.cycle)) if kept and kept.cycle else []
    if problems:
        yield zone.plan.name, f"it has the cycle of the house's file: {'; '.join(problems)}"
    else:
        zone.cycle_set = kept


def _running_trim(zone: Zone, now_s: float) -> Trim | None:
    return zone.trim if zone.trim and zone.trim.ends_s > now_s else None


def _too_long_a_round(plan: HousePlan, zones: Sequence[Zone], now_s: float) -> Iterator[tuple[str, str]]:
    """Where the zones together want more of the line than there is: all go back to the house's file."""
    in_force = [(zone.cycle, _running_trim(zone, now_s), zone.demand_cycle) for zone in zones]
    problem = next(round_problems(in_force, plan.valves_at_once, plan.pause_s), None)
    if problem is None:
        return
    for zone in zones:
        if zone.cycle_set:
            zone.cycle_set = None
            yield zone.plan.name, f"it has the cycle of the house's file: {problem}"
        if zone.timetable or zone.trim:
            zone.timetable = zone.trim = None
            yield zone.plan.name, f"it has the timetable of the house's file, without a trim: {problem}"
