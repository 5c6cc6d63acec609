"""What may be set, written down and taken back, for the second controller: by the grower's rules alone.

- A timetable keeps to what is wired: longest and shortest burst, the line's rest, a burst below its gap, and
  mist in some part of the day; with the trim that runs too. When all zones fall due at once, a round of the
  line is over within the shortest gap, with every trim and without those that lengthen gaps.
- A trim is of -50 to +100 %, not 0, for a minute to two weeks; closed for a minute to a week; a burst may be
  left out within a minute to a day.
- A change is numbered and written down. The last of its setting that was not taken back may be taken back,
  while anything of it is in force; then it is what it was before, for as long as that was to last.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.plan import HousePlan, ZonePlan
from mistd.core.settings import ClosedSet, PartsSet, SettingKind, SettingValue, SkipSet, TrimSet

MINUTE_S, DAY_S = 60.0, 86_400.0
LONGEST_S = {SettingKind.TRIM: 14 * DAY_S, SettingKind.CLOSED: 7 * DAY_S, SettingKind.SKIP: DAY_S}


@dataclass
class Hope:
    """What people have set of a zone."""

    timetable: TimedCycle | None = None
    trim: float = 0.0
    trim_ends_s: float | None = None
    closed_ends_s: float | None = None
    skip_ends_s: float | None = None

    def end_what_is_over(self, now_s: float) -> list[str]:
        ended = []
        if self.trim_ends_s is not None and self.trim_ends_s <= now_s:
            self.trim, self.trim_ends_s = 0.0, None
            ended.append("trim_ended")
        if self.closed_ends_s is not None and self.closed_ends_s <= now_s:
            self.closed_ends_s = None
            ended.append("closed_ended")
        if self.skip_ends_s is not None and self.skip_ends_s <= now_s:
            self.skip_ends_s = None
            ended.append("skip_ended")
        return ended

    def has(self, kind: SettingKind) -> bool:
        ends_s = {
            SettingKind.TRIM: self.trim_ends_s,
            SettingKind.CLOSED: self.closed_ends_s,
            SettingKind.SKIP: self.skip_ends_s,
        }
        return kind in {SettingKind.TIMETABLE, SettingKind.CYCLE} or ends_s[kind] is not None


@dataclass
class Change:
    kind: SettingKind
    zone: str
    value: SettingValue | None
    ends_s: float
    undoes: int | None = None
    number: int = 0
    is_taken_back: bool = False


def after(hope: Hope, change: Change, of_the_file: TimedCycle, now_s: float) -> Hope:
    """What is set after a change, which learns its whole value, and when it ends unless that is said."""
    value = change.value
    if isinstance(value, PartsSet):
        parts = dict((hope.timetable or of_the_file).parts)
        parts.update(value.parts)
        value = change.value = TimedCycle(parts=parts)
    if isinstance(value, TrimSet | ClosedSet | SkipSet) and change.ends_s == inf:
        change.ends_s = now_s + value.for_s
    ends_s = None if value is None else change.ends_s
    if change.kind is SettingKind.TIMETABLE:
        return replace(hope, timetable=value if isinstance(value, TimedCycle) else None)
    if change.kind is SettingKind.TRIM:
        fraction = value.fraction if isinstance(value, TrimSet) else 0.0
        return replace(hope, trim=fraction, trim_ends_s=ends_s)
    if change.kind is SettingKind.CLOSED:
        return replace(hope, closed_ends_s=ends_s)
    if change.kind is SettingKind.SKIP:
        return replace(hope, skip_ends_s=ends_s)
    return hope  # of cycles only the timetable is set in histories, which they all have


def why_not(plan: HousePlan, hopes: Mapping[str, Hope], change: Change, *, is_back: bool) -> str:
    """The first rule that would be broken, with everything as these hopes have it."""
    value, kind = change.value, change.kind
    if isinstance(value, TrimSet | ClosedSet | SkipSet) and not is_back:
        if not MINUTE_S <= value.for_s <= LONGEST_S[kind]:
            return "for too long or too short"
        if isinstance(value, TrimSet) and (value.fraction == 0.0 or not -0.5 <= value.fraction <= 1.0):
            return "too much or nothing"
    if kind not in {SettingKind.TIMETABLE, SettingKind.TRIM} or (kind is SettingKind.TRIM and value is None):
        return ""
    (zone,) = [each for each in plan.zones if each.name == change.zone]
    if not all(keeps_to_what_is_wired(zone, hopes[zone.name], part) for part in DayPart):
        return "by what is wired"
    cycle = hopes[zone.name].timetable or zone.cycle
    if not any(cycle.parts.values()):
        return "never on"
    if not all(has_room(plan, hopes, part) for part in DayPart):
        return "by the line"
    return ""


def keeps_to_what_is_wired(zone: ZonePlan, hope: Hope, part: DayPart) -> bool:
    timed = (hope.timetable or zone.cycle).parts[part]
    if timed is None:
        return True
    gap_s = min(timed.gap_s, timed.gap_s / (1.0 + hope.trim))
    is_long_enough = zone.shortest_burst_s <= timed.burst_s <= zone.longest_burst_s
    return is_long_enough and timed.burst_s < gap_s and gap_s >= zone.shortest_rest_s


def has_room(plan: HousePlan, hopes: Mapping[str, Hope], part: DayPart) -> bool:
    line_s, zones, shortest_s = 0.0, 0, inf
    for zone in plan.zones:
        hope = hopes[zone.name]
        timed = (hope.timetable or zone.cycle).parts[part]
        if timed:
            zones += 1
            line_s += timed.burst_s + plan.pause_s
            shortest_s = min(shortest_s, timed.gap_s, timed.gap_s / (1.0 + hope.trim))
    spread_s = max(zones - 1, 0) * plan.pause_s * (1.0 - 1.0 / plan.valves_at_once)
    return line_s / plan.valves_at_once + spread_s <= shortest_s


def value_before(before: Change | None, now_s: float) -> SettingValue | None:
    """What held before a change, for as long as it was still to last; a skip does not come back."""
    if before is None or before.ends_s <= now_s or isinstance(before.value, SkipSet):
        return None
    if isinstance(before.value, TrimSet | ClosedSet):
        return replace(before.value, for_s=before.ends_s - now_s)
    return before.value


@dataclass
class Book:
    """Every change, in its order."""

    changes: list[Change] = field(default_factory=list)

    def write(self, change: Change) -> None:
        change.number = len(self.changes) + 1
        if change.undoes is not None:
            self.changes[change.undoes - 1].is_taken_back = True
        self.changes.append(change)

    def is_stale(self, kind: SettingKind, zone: str, expected: int | None) -> bool:
        numbers = [each.number for each in self.changes if (each.kind, each.zone) == (kind, zone)]
        return expected is not None and expected != max(numbers, default=0)

    def found(self, number: int) -> Change | None:
        """A change that is none of taking back, and not taken back itself."""
        return next((change for change in self.standing() if change.number == number), None)

    def standing(self) -> list[Change]:
        return [each for each in self.changes if each.undoes is None and not each.is_taken_back]

    def of_the_same(self, change: Change) -> list[Change]:
        return [each for each in self.standing() if (each.kind, each.zone) == (change.kind, change.zone)]

    def before(self, change: Change) -> Change | None:
        earlier = [each for each in self.of_the_same(change) if each.number < change.number]
        return earlier[-1] if earlier else None

    def promised_beneath(self, change: Change, now_s: float) -> float:
        """Until when others hold the zone who asked before, since its last release; 0 when nobody does."""
        ends_s = [0.0]
        for each in self.of_the_same(change):
            if each.value is None:
                ends_s = [0.0]
            elif each is not change and each.ends_s > now_s:
                ends_s.append(each.ends_s)
        return max(ends_s)

    def may_be_undone(self, change: Change, hopes: Mapping[str, Hope], is_held: Mapping[str, bool]) -> bool:
        if self.of_the_same(change)[-1] is not change:
            return False
        if change.kind is SettingKind.HOLD:
            return change.value is not None and is_held[change.zone]
        return change.value is None or hopes[change.zone].has(change.kind)
