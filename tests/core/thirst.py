"""No zone is dry for longer than its gap and its wait for the line, unless a reason was told before.

The gap is the one in force, as it was told: by the timetable that was set last and the trim that runs; of a
zone on demand, the longest gap of its bounds. A burst that was left out on request is a reason for one gap.
"""

from math import inf

from mistd.core.actions import OpenValve
from mistd.core.almanac import DayPart
from mistd.core.events import EventKind
from mistd.core.observations import KeeperReady
from mistd.core.sequence import worst_wait_s
from mistd.core.zone import Phase, Zone
from tests.core.lived import Lived, Step
from tests.core.looking_back import gap_in_force_s, timeline, zone_of

RETRY_S, SILENCE_S = 10.0, 12.0  # what a burst that the keeper failed costs its zone, and the line
GUESSES = ("has not reported it", "counted as given in full")  # nobody knows when such a burst ended


def longest_burst_s(zone: Zone, part: DayPart) -> float | None:
    """The longest burst that a zone may be given in a part of the day; None when it has none."""
    if zone.demand_cycle is None:
        return zone.cycle.burst_s(part)
    return zone.plan.longest_burst_s if zone.mists_in(part) else None


class Thirst:
    """Until when each zone may stay dry, by what has been told so far."""

    def __init__(self, life: Lived) -> None:
        self.plan = life.history.plan
        self.house = life.first
        self.part_began_s = 0.0
        self.dry_since_s: dict[str, float | None] = {zone.name: -inf for zone in self.plan.zones}
        self.excused_until_s = dict.fromkeys(self.dry_since_s, 0.0)
        self.is_up = True
        self.costs: list[tuple[float, float]] = []  # what else took the line, and when
        self.skipped_s = dict.fromkeys(self.dry_since_s, -inf)
        self.wait_s = 0.0  # the longest there ever was: a round may have begun by an earlier timetable
        self.reckon_wait()

    def reckon_wait(self) -> None:
        for part in DayPart:
            lengths = [longest_burst_s(zone, part) for zone in self.house.zones]
            bursts_s = [length for length in lengths if length]
            wait_s = worst_wait_s(bursts_s, self.plan.valves_at_once, self.plan.pause_s)
            travel_s = 0.5 + 0.1 * len(self.plan.zones)  # of orders and reports
            self.wait_s = max(self.wait_s, wait_s + travel_s)

    def check(self, now_s: float) -> None:
        """No zone is dry for longer than its gap and the worst wait, without a reason that was told."""
        for name, dry_since_s in self.dry_since_s.items():
            gap_s = self.gap_s(name)
            if gap_s is None or dry_since_s is None or self.is_excused(name):
                continue
            since_s = max(dry_since_s, self.skipped_s[name])
            owed_s = max(since_s + gap_s, self.part_began_s, self.excused_until_s[name])
            others_s = sum(cost_s for at_s, cost_s in self.costs if at_s >= owed_s - 60.0)
            assert now_s <= owed_s + self.wait_s + others_s, f"{name} dry since {dry_since_s} at {now_s}"

    def gap_s(self, name: str) -> float | None:
        """The gap that was told last."""
        return gap_in_force_s(zone_of(self.house, name), self.house.almanac.part)

    def is_excused(self, name: str) -> bool:
        """A reason was told; or it is the keeper's turn, who is given some seconds to answer."""
        zone = zone_of(self.house, name)
        is_stopped = not self.is_up or not self.house.is_keeper_ready or self.house.frost.is_on
        return is_stopped or zone.hold is not None or zone.phase is Phase.ORDERED

    def take(self, now_s: float, step: Step) -> None:
        """What this decision told changes what a zone may expect."""
        after = step.decision.house
        if after.almanac.part is not self.house.almanac.part or not self.is_up:
            self.part_began_s = now_s
        was_excused = {name for name in self.dry_since_s if self.is_excused(name)}
        gaps_s = {name: self.gap_s(name) for name in self.dry_since_s}
        self.house, self.is_up = after, True
        for name, gap_s in gaps_s.items():
            if gap_s != self.gap_s(name):
                self.take_change(now_s, name, gap_s)
        for name in was_excused - {name for name in self.dry_since_s if self.is_excused(name)}:
            self.excuse(name, now_s)
        for news in step.observations.keeper:
            if isinstance(news, KeeperReady):
                for zone in self.plan.zones:
                    self.excuse(zone.name, max(now_s, news.since_s + zone.shortest_rest_s))
        self.count_costs(now_s, step)

    def take_change(self, now_s: float, name: str, gap_before_s: float | None) -> None:
        """A zone that was not due before a change is owed a burst from the change on at the earliest."""
        dry_since_s = self.dry_since_s[name]
        since_s = now_s if dry_since_s is None else max(dry_since_s, self.skipped_s[name])
        if gap_before_s is None or since_s + gap_before_s > now_s:
            self.excuse(name, now_s)
        self.reckon_wait()

    def excuse(self, name: str, until_s: float) -> None:
        self.excused_until_s[name] = max(self.excused_until_s[name], until_s)

    def count_costs(self, now_s: float, step: Step) -> None:
        for event in step.decision.events:
            if event.kind is EventKind.BURST_SKIPPED:
                self.skipped_s[event.subject] = now_s
            is_guess = event.kind is EventKind.BURST_ENDED and any(told in event.reason for told in GUESSES)
            if is_guess and self.dry_since_s[event.subject] is not None:
                self.dry_since_s[event.subject] = now_s  # as was told
            is_refusal = event.kind is EventKind.BURST_REFUSED and event.figures.get("guard") == "keeper"
            if is_refusal:
                self.excuse(event.subject, now_s + RETRY_S)
            if is_refusal or is_guess:
                self.costs.append((now_s, SILENCE_S + 2.0 * self.plan.zones[0].longest_burst_s))
        for action in step.decision.actions:
            if isinstance(action, OpenValve) and zone_of(step.decision.house, action.zone).asked:
                self.costs.append((now_s, action.for_s + self.plan.pause_s + 0.1))


def check_no_zone_thirsts_unannounced(life: Lived) -> None:
    thirst = Thirst(life)
    for at_s, _, what in timeline(life):
        thirst.check(at_s)
        if what is None:
            thirst.is_up = False
        elif isinstance(what, Step):
            thirst.take(at_s, what)
        else:
            line, opens = what
            thirst.dry_since_s[line] = None if opens else at_s
    thirst.check(life.ends_s)
