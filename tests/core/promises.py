"""What a house promises whatever happens, checked on a history that was lived (design, section 5).

Each check begins with what must not be. They look at what the lines truly did and at what was told; where
they look into the house, it is to see whether what changed was also told.
"""

from math import inf
from typing import TypeGuard

from mistd.core.actions import AnswerRequest, Outcome
from mistd.core.events import Event, EventKind
from mistd.core.interlocks import Guard
from mistd.core.leases import STUCK_S
from mistd.core.observations import KeeperReady, LineReport, LineTrouble
from mistd.core.plan import HousePlan
from mistd.core.requests import AskBurst, AskHold, AskSetting, AskUndo, Request
from mistd.core.settings import HoldSet, SettingKind
from mistd.core.zone import HOLD_WARNING_S, Phase, Zone
from tests.core.histories import OrderFails
from tests.core.lived import Lived, Step, snapshot
from tests.core.looking_back import answered, events, kept, orders, soonest_gap_s, timeline, zone_of
from tests.core.promises_of_settings import CHECKS_OF_SETTINGS
from tests.core.promises_on_demand import CHECKS_ON_DEMAND
from tests.core.thirst import check_no_zone_thirsts_unannounced

HAIR_S = 1e-6
LEAST_WARNING_S = 60.0
MIST_IS_OVER = (EventKind.MIST_ENDED_FOR_PART, EventKind.SETTING_CHANGED, EventKind.SETTING_UNDONE)
ANSWERED_WITHIN_S = 60.0


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
    zones = [request.zone for request in asked if is_hold(request)]
    ended = {e.subject for e in step.decision.events if e.kind is EventKind.HOLD_ENDED}
    held = [zone for zone in zones if zone_of(step.decision.house, zone).hold]
    assert set(zones) <= {*held, *ended}, f"a hold answered done at {step.now_s} is not in force"
    return held


def is_hold(request: Request) -> TypeGuard[AskHold | AskSetting]:
    return isinstance(request, AskHold) or (
        isinstance(request, AskSetting) and isinstance(request.value, HoldSet)
    )


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
            elif (
                event.kind is EventKind.SETTING_UNDONE and event.figures["setting"] == SettingKind.HOLD.value
            ):
                warned_s.pop(event.subject, None)
                asked[event.subject] = (event.at_s, for_s_beneath(step))
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


def for_s_beneath(step: Step) -> float:
    """For how long whoever held a zone before still holds it, after the hold upon his was undone."""
    undone = [each.value for each in kept(step) if each.undoes and isinstance(each.value, HoldSet)]
    return undone[-1].for_s


def check_end(life: Lived, end: Event, warned_s: float, asked_s: float, for_s: float) -> None:
    was_away = any(asked_s <= away.back_s and away.killed_s <= end.at_s for away in life.restarts)
    least_s = LEAST_WARNING_S if was_away else min(HOLD_WARNING_S, for_s)
    assert end.at_s - warned_s >= least_s - HAIR_S, f"{end.subject} had {end.at_s - warned_s} s to leave"
    if not was_away:
        assert abs(end.at_s - (asked_s + for_s)) < HAIR_S, f"{end.subject} held until {end.at_s}"


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
            if was.mists_in(before.almanac.part) and not now.mists_in(after.almanac.part):
                assert told & {(kind, now.plan.name) for kind in MIST_IS_OVER}


def check_no_water_unless_due_or_asked_for_in_this_run(life: Lived) -> None:
    used: set[str] = set()
    for step, order in orders(life):
        house = step.decision.house
        assert house.is_keeper_ready
        assert not house.frost.is_on
        zone = zone_of(house, order.zone)
        assert zone.hold is None
        if zone.asked is None:
            gap_s = soonest_gap_s(zone, house.almanac.part)
            assert gap_s is not None, f"{order.zone} misted in a part that is off"
            due_s = max(zone.shut_s, zone.skipped_s) + gap_s
            assert step.now_s >= due_s - HAIR_S, f"{order.zone} misted before it was due"
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
        named, heard = names_in(step), heard_of(step)
        is_new_almanac = step.observations.almanac is not None
        for index, zone in enumerate(before.zones):
            is_idle = before.attention_s[index] > step.now_s and not zone.is_waiting
            is_demand = zone.demand_cycle is not None
            is_spoken_to = (is_demand and is_new_almanac) or not heard.isdisjoint(
                sensors_of(zone, step.before.plan)
            )
            if is_idle and not is_spoken_to and zone.plan.name not in named:
                assert after.zones[index] is zone, f"{zone.plan.name} was copied at {step.now_s}"


def concerns_all(step: Step) -> bool:
    """Whether something happened that may touch every zone."""
    before, after = step.before, step.decision.house
    return (
        after.almanac.part is not before.almanac.part
        or after.counting_since_s != before.counting_since_s
        or after.frost.is_on is not before.frost.is_on
        or any(isinstance(news, KeeperReady) for news in step.observations.keeper)
    )


def names_in(step: Step) -> set[str]:
    keeper = step.observations.keeper
    lines = {news.line for news in keeper if isinstance(news, LineReport | LineTrouble)}
    requests = [*step.observations.requests, *step.before.asked]
    undone = [step.before.settings.found(each.revision) for each in requests if isinstance(each, AskUndo)]
    zones = {request.zone for request in requests if not isinstance(request, AskUndo)}
    return lines | zones | {revision.zone for revision in undone if revision}


def heard_of(step: Step) -> set[str]:
    """The sensors that spoke or fell silent."""
    before, after = step.before.sensors, step.decision.house.sensors
    return {name for name, state in after.items() if state is not before[name]}


def sensors_of(zone: Zone, plan: HousePlan) -> set[str]:
    """Every sensor that a zone on demand goes by."""
    cycle = zone.demand_cycle
    if cycle is None:
        return set()
    source = () if cycle.source is None else plan.sources[cycle.source].sensors
    return {*cycle.wetness_sensors, *source}


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
    *CHECKS_OF_SETTINGS,
    *CHECKS_ON_DEMAND,
)


def check_every_promise(life: Lived) -> None:
    for check in CHECKS:
        check(life)
