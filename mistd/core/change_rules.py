"""What speaks against a change of a setting: every broken rule in words, with figures; none when it may be.

Rule: a change is judged beside everything else that is in force, with trims and as it will be without them.

This file knows what must not be. What a change does is in `changes`.
"""

from collections.abc import Iterator, Sequence
from math import inf

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.plan import HousePlan
from mistd.core.rules import burst_and_gap_problems, is_never_on, wait_problem
from mistd.core.settings import ClosedSet, SettingKind, Settings, SettingValue, SkipSet, TrimSet
from mistd.core.turn import Turn
from mistd.core.units import PERCENT, S_PER_HOUR, S_PER_MIN
from mistd.core.zone import Trim, Zone

LEAST_TRIM, MOST_TRIM = -0.5, 1.0  # beyond these it is another timetable, not a trim
SHORTEST_PASSING_S = 60.0
LONGEST_TRIM_S = 14 * 24 * S_PER_HOUR
LONGEST_CLOSED_S = 7 * 24 * S_PER_HOUR  # re-entry intervals on labels are hours to some days
LONGEST_SKIP_S = 24 * S_PER_HOUR


def timetable_problems(turn: Turn, zone: Zone, timetable: TimedCycle) -> Iterator[str]:
    yield from zone_problems(zone, timetable)
    yield from house_problems(turn, zone, timetable, zone.trim)


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


def house_problems(turn: Turn, zone: Zone, timetable: TimedCycle, trim: Trim | None) -> Iterator[str]:
    """What breaks when this zone has this timetable and trim beside what the others have."""
    if trim:
        yield from _trimmed_problems(zone, timetable, trim)
    in_force = [
        (timetable, trim) if other.plan.name == zone.plan.name else (other.cycle, other.trim)
        for other in (turn.zone(index) for index in range(len(turn.plan.zones)))
    ]
    yield from round_problems(in_force, turn.plan.valves_at_once, turn.plan.pause_s)


def _trimmed_problems(zone: Zone, timetable: TimedCycle, trim: Trim) -> Iterator[str]:
    """Every rule that a timetable breaks with a trim, and keeps without it."""
    without = set(zone_problems(zone, timetable))
    for problem in zone_problems(zone, timetable, trim.fraction):
        if problem not in without:
            yield f"with {trim.fraction * PERCENT:+.3g} % water, {problem}"


def round_problems(
    in_force: list[tuple[TimedCycle, Trim | None]], valves_at_once: int, pause_s: float
) -> Iterator[str]:
    """Where a round of all zones takes longer than the shortest gap, with trims and when they have ended."""
    for part in DayPart:
        bursts_s: list[float] = []
        gaps_s: list[float] = []
        for timetable, trim in in_force:
            timed = timetable.parts[part]
            if timed:
                bursts_s.append(timed.burst_s)
                gaps_s.append(timed.gap_s / (1.0 + max(trim.fraction if trim else 0.0, 0.0)))
        problem = wait_problem(part, bursts_s, gaps_s, valves_at_once, pause_s)
        if problem:
            yield problem


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
    yield from house_problems(turn, zone, zone.cycle, as_trim)


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
        yield from house_problems(turn, zone, zone.plan.cycle, zone.trim)
    elif isinstance(value, TrimSet):
        yield from _problems_beside(turn, zone, value)
    elif isinstance(value, ClosedSet):
        yield from _held_problems(zone)


def put_in_force(
    plan: HousePlan, zones: Sequence[Zone], settings: Settings, now_s: float
) -> Iterator[tuple[str, str]]:
    """Give zones at a start the timetables that were set, but for what breaks a rule of the plan by now.

    The house's file may have been changed since. Its own timetables keep its rules, so that is what a zone
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
        trim = _running_trim(zone, now_s)
        problems = list(_trimmed_problems(zone, zone.cycle, trim)) if trim else []
        if problems:
            zone.trim = None
            yield zone.plan.name, f"its trim is dropped: {'; '.join(problems)}"
    yield from _too_long_a_round(plan, zones, now_s)


def _kept_timetable(settings: Settings, zone: str) -> TimedCycle | None:
    revision = settings.top((SettingKind.TIMETABLE, zone))
    return revision.value if revision and isinstance(revision.value, TimedCycle) else None


def _running_trim(zone: Zone, now_s: float) -> Trim | None:
    return zone.trim if zone.trim and zone.trim.ends_s > now_s else None


def _too_long_a_round(plan: HousePlan, zones: Sequence[Zone], now_s: float) -> Iterator[tuple[str, str]]:
    """Where the zones together want more of the line than there is: all go back to the house's file."""
    in_force = [(zone.cycle, _running_trim(zone, now_s)) for zone in zones]
    problem = next(round_problems(in_force, plan.valves_at_once, plan.pause_s), None)
    if problem is None:
        return
    for zone in zones:
        if zone.timetable or zone.trim:
            zone.timetable = zone.trim = None
            yield zone.plan.name, f"it has the timetable of the house's file, without a trim: {problem}"
