"""What a house promises whatever happens, checked on a history that was lived (design, section 5).

Each check begins with what must not be. They look at what the lines truly did and at what was told; where
they look into the house, it is to see whether what changed was also told.
"""

from collections.abc import Iterator
from math import inf

from mistd.core.actions import AnswerRequest, OpenValve, Outcome
from mistd.core.almanac import DayPart
from mistd.core.events import Event, EventKind
from mistd.core.house import House
from mistd.core.interlocks import Guard
from mistd.core.leases import STUCK_S
from mistd.core.observations import KeeperReady, LineReport, LineTrouble
from mistd.core.requests import AskBurst, AskHold
from mistd.core.sequence import worst_wait_in_part_s
from mistd.core.zone import HOLD_WARNING_S, Phase, Zone
from tests.core.histories import OrderFails
from tests.core.lived import Lived, Step, snapshot

HAIR_S = 1e-6
RETRY_S, SILENCE_S = 10.0, 12.0  # what a burst that the keeper failed costs its zone, and the line
GUESSES = ("has not reported it", "counted as given in full")  # nobody knows when such a burst ended
LEAST_WARNING_S = 60.0
ANSWERED_WITHIN_S = 60.0


def answered(life: Lived) -> Iterator[tuple[float, AnswerRequest]]:
    for step in life.steps:
        for action in step.decision.actions:
            if isinstance(action, AnswerRequest):
                yield step.now_s, action


def orders(life: Lived) -> Iterator[tuple[Step, OpenValve]]:
    for step in life.steps:
        for action in step.decision.actions:
            if isinstance(action, OpenValve):
                yield step, action


def events(life: Lived) -> Iterator[Event]:
    for step in life.steps:
        yield from step.decision.events


def check_never_more_open_than_at_once(life: Lived) -> None:
    most = life.history.plan.valves_at_once
    is_open: set[str] = set()
    for at_s, line, opens in life.edges:
        is_open = is_open | {line} if opens else is_open - {line}
        counted = [each for each in is_open if not has_stuck_for_long(life, each, at_s)]
        assert len(counted) <= most, f"{sorted(is_open)} open at {at_s}"
    for step in life.steps:
        running = [zone for zone in step.decision.house.zones if zone.phase is not Phase.RESTING]
        assert len(running) <= most, f"{len(running)} ordered or open at {step.now_s}"


def has_stuck_for_long(life: Lived, line: str, now_s: float) -> bool:
    """Whether a line that does not shut has lost its place among those open at once."""
    opened_s = max(at_s for at_s, other, opens in life.edges if opens and other == line and at_s <= now_s)
    return any(other == line and opened_s <= at_s <= now_s - STUCK_S for at_s, other in life.stuck)


def check_the_line_settles_between_bursts(life: Lived) -> None:
    """Where the keeper was there all along and did what it was told."""
    if not is_undisturbed(life):
        return
    most, pause_s = life.history.plan.valves_at_once, life.history.plan.pause_s - HAIR_S
    last_s, open_until_s = -inf, dict.fromkeys((zone.name for zone in life.history.plan.zones), -inf)
    for at_s, line, opens in life.edges:
        if opens:
            assert at_s >= last_s + pause_s, f"{line} opened {at_s - last_s} s after another"
            unsettled = [other for other, until_s in open_until_s.items() if until_s + pause_s > at_s]
            assert len(unsettled) < most, f"{line} opened before the line had settled after {unsettled}"
            last_s = at_s
        open_until_s[line] = inf if opens else at_s


def is_undisturbed(life: Lived) -> bool:
    fails = [what for _, what in life.history.happenings if isinstance(what, OrderFails)]
    return not fails and not life.restarts and all(e.kind is not EventKind.KEEPER_LOST for e in events(life))


def check_the_keeper_has_nothing_to_refuse(life: Lived) -> None:
    """The house keeps the keeper's limits by itself, unless a report was lost or a line stuck."""
    fails = [what.how for _, what in life.history.happenings if isinstance(what, OrderFails)]
    if not {"mute", "late", "sticks"} & set(fails):
        assert life.refusals == []


def check_no_water_in_a_hold_answered_done(life: Lived) -> None:
    promised: dict[str, float] = {}
    is_open: set[str] = set()
    for at_s, _, what in timeline(life):
        if isinstance(what, Step):
            for event in what.decision.events:
                if event.kind is EventKind.HOLD_ENDED:
                    promised.pop(event.subject, None)
            for zone in zones_promised(life, what):
                assert zone not in is_open, f"{zone} was open when its hold was answered done at {at_s}"
                promised[zone] = at_s
        elif what is not None:
            line, opens = what
            is_open = is_open | {line} if opens else is_open - {line}
            assert not (opens and line in promised), f"{line} held at {promised.get(line)}, open at {at_s}"


def zones_promised(life: Lived, step: Step) -> list[str]:
    """The zones for which a hold is answered done in this decision, unless it is also told to have ended."""
    done = [a for a in step.decision.actions if isinstance(a, AnswerRequest) and a.outcome is Outcome.DONE]
    asked = [life.asked[answer.request_id][1] for answer in done]
    zones = [request.zone for request in asked if isinstance(request, AskHold)]
    ended = {e.subject for e in step.decision.events if e.kind is EventKind.HOLD_ENDED}
    held = [zone for zone in zones if zone_of(step.decision.house, zone).hold]
    assert set(zones) <= {*held, *ended}, f"a hold answered done at {step.now_s} is not in force"
    return held


def timeline(life: Lived) -> list[tuple[float, int, Step | tuple[str, bool] | None]]:
    """Edges, decisions and kills (None) in the order in which they were."""
    edges = [(at_s, 0, (line, opens)) for at_s, line, opens in life.edges]
    kills = [(away.killed_s, 1, None) for away in life.restarts]
    steps = [(step.now_s, 2, step) for step in life.steps]
    return sorted([*edges, *kills, *steps], key=lambda each: each[:2])


def check_every_hold_warns_and_ends_by_itself(life: Lived) -> None:
    for step in life.steps:
        for zone in step.decision.house.zones:
            if zone.hold:
                assert step.now_s < zone.hold.ends_s, f"{zone.plan.name} held past its end at {step.now_s}"
                longest_s = life.history.plan.longest_hold_s
                assert zone.hold.ends_s <= step.now_s + longest_s + HAIR_S
    warned_s: dict[str, float] = {}
    asked: dict[str, tuple[float, float]] = {}
    for step in life.steps:
        for event in step.decision.events:
            if event.kind in {EventKind.HOLD_STARTED, EventKind.HOLD_EXTENDED}:
                warned_s.pop(event.subject, None)
                asked[event.subject] = (event.at_s, float(event.figures["for_s"]))
            elif event.kind is EventKind.HOLD_NEARLY_OVER:
                warned_s[event.subject] = event.at_s
            elif event.kind is EventKind.HOLD_ENDED and event.reason == "its time is over":
                check_end(life, event, warned_s[event.subject], *asked[event.subject])
        for zone in step.decision.house.zones:
            if zone.hold and not life.restarts:
                asked_s, for_s = asked[zone.plan.name]
                assert step.now_s < asked_s + for_s + HAIR_S, (
                    f"{zone.plan.name} is held for longer than asked"
                )


def check_end(life: Lived, end: Event, warned_s: float, asked_s: float, for_s: float) -> None:
    was_away = any(asked_s <= away.back_s and away.killed_s <= end.at_s for away in life.restarts)
    least_s = LEAST_WARNING_S if was_away else min(HOLD_WARNING_S, for_s)
    assert end.at_s - warned_s >= least_s - HAIR_S, f"{end.subject} had {end.at_s - warned_s} s to leave"
    if not was_away:
        assert abs(end.at_s - (asked_s + for_s)) < HAIR_S, f"{end.subject} held until {end.at_s}"


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
        self.wait_s = max(worst_wait_in_part_s(self.plan, part) for part in DayPart)
        self.wait_s += 0.5 + 0.1 * len(self.plan.zones)  # orders and reports travel

    def check(self, now_s: float) -> None:
        """No zone is dry for longer than its gap and the worst wait, without a reason that was told."""
        for name, dry_since_s in self.dry_since_s.items():
            timed = self.plan.zones[self.plan.index[name]].cycle.parts[self.house.almanac.part]
            if timed is None or dry_since_s is None or self.is_excused(name):
                continue
            owed_s = max(dry_since_s + timed.gap_s, self.part_began_s, self.excused_until_s[name])
            others_s = sum(cost_s for at_s, cost_s in self.costs if at_s >= owed_s - 60.0)
            assert now_s <= owed_s + self.wait_s + others_s, f"{name} dry since {dry_since_s} at {now_s}"

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
        self.house, self.is_up = after, True
        for name in was_excused - {name for name in self.dry_since_s if self.is_excused(name)}:
            self.excuse(name, now_s)
        for news in step.observations.keeper:
            if isinstance(news, KeeperReady):
                for zone in self.plan.zones:
                    self.excuse(zone.name, max(now_s, news.since_s + zone.shortest_rest_s))
        self.count_costs(now_s, step)

    def excuse(self, name: str, until_s: float) -> None:
        self.excused_until_s[name] = max(self.excused_until_s[name], until_s)

    def count_costs(self, now_s: float, step: Step) -> None:
        for event in step.decision.events:
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


def zone_of(house: House, name: str) -> Zone:
    return house.zones[house.plan.index[name]]


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


def check_what_keeps_water_away_is_told_as_it_begins(life: Lived) -> None:
    for step in life.steps:
        told = {(event.kind, event.subject) for event in step.decision.events}
        before, after, name = step.before, step.decision.house, life.history.plan.name
        if before.is_keeper_ready and not after.is_keeper_ready:
            assert (EventKind.KEEPER_LOST, name) in told
        if after.frost.is_on is not before.frost.is_on:
            assert (EventKind.FROST_BEGAN if after.frost.is_on else EventKind.FROST_ENDED, name) in told
        for was, now in zip(before.zones, after.zones, strict=True):
            if was.hold is None and now.hold is not None:
                assert (EventKind.HOLD_STARTED, now.plan.name) in told
            was_given = was.plan.cycle.burst_s(before.almanac.part) is not None
            if was_given and now.plan.cycle.burst_s(after.almanac.part) is None:
                assert (EventKind.MIST_ENDED_FOR_PART, now.plan.name) in told


def check_no_water_unless_due_or_asked_for_in_this_run(life: Lived) -> None:
    used: set[str] = set()
    for step, order in orders(life):
        house = step.decision.house
        assert house.is_keeper_ready
        assert not house.frost.is_on
        zone = zone_of(house, order.zone)
        assert zone.hold is None
        if zone.asked is None:
            gap_s = house.plan.zones[house.plan.index[order.zone]].cycle.parts[house.almanac.part]
            assert gap_s is not None, f"{order.zone} misted in a part that is off"
            assert step.now_s >= zone.shut_s + gap_s.gap_s - HAIR_S, f"{order.zone} misted before it was due"
            continue
        request_id = zone.asked.request_id
        asked_s, request = life.asked[request_id]
        assert isinstance(request, AskBurst)
        assert request_id not in used, f"{request_id} moved water twice"
        used.add(request_id)
        assert step.now_s < request.expires_at_s, f"{request_id} moved water after it expired"
        assert not any(asked_s <= away.killed_s <= step.now_s for away in life.restarts), (
            f"{request_id} moved water after a restart"
        )


def check_every_request_is_answered_once(life: Lived) -> None:
    ids = [answer.request_id for _, answer in answered(life)]
    assert len(ids) == len(set(ids)), "answered twice"
    last_start_s = max((away.back_s for away in life.restarts), default=-inf)
    for request_id, (asked_s, _) in life.asked.items():
        if last_start_s < asked_s <= life.ends_s - ANSWERED_WITHIN_S:
            assert request_id in ids, f"{request_id}, asked at {asked_s}, was never answered"


def check_every_burst_is_told_once(life: Lived) -> None:
    """Where the keeper was there all along and every report came."""
    if is_undisturbed(life):
        kinds = [event.kind for event in events(life)]
        ended = sum(not opens for at_s, _, opens in life.edges if at_s <= life.ends_s - 0.1)
        told = [e for e in events(life) if e.kind is EventKind.BURST_ENDED and e.at_s <= life.ends_s - 0.09]
        assert len(told) == ended
        assert kinds.count(EventKind.BURST_STARTED) >= ended


def check_it_never_wakes_for_nothing(life: Lived) -> None:
    for step in life.steps:
        assert step.decision.wake_at_s > step.now_s, f"asks to be woken at once at {step.now_s}"
        part_ends_s = step.decision.house.almanac.ends_s
        assert step.decision.wake_at_s <= part_ends_s or part_ends_s <= step.now_s, "sleeps through a part"


def check_the_house_that_goes_in_is_never_changed(life: Lived) -> None:
    for step in life.steps:
        assert snapshot(step.before) == step.as_it_was, f"changed by the decision at {step.now_s}"


def check_what_nobody_touched_is_the_same_object(life: Lived) -> None:
    for step in life.steps:
        before, after = step.before, step.decision.house
        if concerns_all(step):
            continue
        named = names_in(step)
        for index, zone in enumerate(before.zones):
            is_idle = before.attention_s[index] > step.now_s and not zone.is_waiting
            if is_idle and zone.plan.name not in named:
                assert after.zones[index] is zone, f"{zone.plan.name} was copied at {step.now_s}"


def concerns_all(step: Step) -> bool:
    """Whether something happened that may touch every zone."""
    before, after = step.before, step.decision.house
    return (
        after.almanac.part is not before.almanac.part
        or after.counting_date != before.counting_date
        or after.frost.is_on is not before.frost.is_on
        or any(isinstance(news, KeeperReady) for news in step.observations.keeper)
    )


def names_in(step: Step) -> set[str]:
    keeper = step.observations.keeper
    lines = {news.line for news in keeper if isinstance(news, LineReport | LineTrouble)}
    return lines | {request.zone for request in [*step.observations.requests, *step.before.asked]}


def check_every_refusal_names_its_guard(life: Lived) -> None:
    guards = {guard.value for guard in Guard} | {"keeper", "line_taken"}
    for event in events(life):
        assert event.reason
        if event.kind is EventKind.BURST_REFUSED:
            assert event.figures["guard"] in guards
        assert all(abs(figure) < inf for figure in event.figures.values() if not isinstance(figure, str)), (
            f"{event.kind} told {event.figures}"
        )


CHECKS = (
    check_never_more_open_than_at_once,
    check_the_line_settles_between_bursts,
    check_the_keeper_has_nothing_to_refuse,
    check_no_water_in_a_hold_answered_done,
    check_every_hold_warns_and_ends_by_itself,
    check_no_zone_thirsts_unannounced,
    check_what_keeps_water_away_is_told_as_it_begins,
    check_no_water_unless_due_or_asked_for_in_this_run,
    check_every_request_is_answered_once,
    check_every_burst_is_told_once,
    check_it_never_wakes_for_nothing,
    check_the_house_that_goes_in_is_never_changed,
    check_what_nobody_touched_is_the_same_object,
    check_every_refusal_names_its_guard,
)


def check_every_promise(life: Lived) -> None:
    for check in CHECKS:
        check(life)
