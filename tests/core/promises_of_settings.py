"""What a house promises of its settings, checked on a history that was lived.

Each check begins with what must not be: a change that nobody told, one that is not written down, one that
breaks a rule, a valve shut by one, something passing that does not pass.
"""

from collections.abc import Iterable

from mistd.core.actions import AnswerRequest, Outcome, ShutValve
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.events import EventKind
from mistd.core.house import House
from mistd.core.requests import AskHold, AskSetting
from mistd.core.settings import CycleSet, SettingKind, TrimSet
from mistd.core.zone import Zone
from tests.core.lived import Lived, Step
from tests.core.looking_back import answered, kept, timed_gap_s

HAIR_S = 1e-6
CHANGED = {EventKind.SETTING_CHANGED, EventKind.SETTING_UNDONE}
ENDED = {
    SettingKind.TIMETABLE: set[EventKind](),
    SettingKind.CYCLE: set[EventKind](),
    SettingKind.TRIM: {EventKind.TRIM_ENDED},
    SettingKind.CLOSED: {EventKind.CLOSED_ENDED},
    SettingKind.SKIP: {EventKind.SKIP_ENDED, EventKind.BURST_SKIPPED},
}


def in_force(zone: Zone, kind: SettingKind) -> object:
    return {
        SettingKind.TIMETABLE: zone.timetable,
        SettingKind.CYCLE: zone.cycle_set,
        SettingKind.TRIM: zone.trim,
        SettingKind.CLOSED: zone.closed,
        SettingKind.SKIP: zone.skip,
    }[kind]


def check_nothing_set_changes_untold_or_unwritten(life: Lived) -> None:
    for step in life.steps:
        told = {(event.kind, event.subject) for event in step.decision.events}
        written = {revision.key for revision in kept(step)}
        for was, now in zip(step.before.zones, step.decision.house.zones, strict=True):
            for kind, ends in ENDED.items():
                if in_force(was, kind) is in_force(now, kind):
                    continue
                name = now.plan.name
                has_ended = told & {(end, name) for end in ends}
                is_set = (kind, name) in written and told & {(change, name) for change in CHANGED}
                assert is_set or (has_ended and in_force(now, kind) is None), f"{kind} of {name}: {told}"


def check_every_revision_has_its_answer_and_every_id_is_given_once(life: Lived) -> None:
    revisions = [revision for step in life.steps for revision in kept(step)]
    assert [revision.id for revision in revisions] == list(range(1, len(revisions) + 1))
    with_figure = {
        answer.request_id: answer.figures["revision"]
        for _, answer in answered(life)
        if "revision" in answer.figures
    }
    assert with_figure == {revision.request_id: revision.id for revision in revisions}


def check_what_is_refused_changes_no_setting(life: Lived) -> None:
    for step in life.steps:
        before, after = step.before.settings, step.decision.house.settings
        assert after.last_id - before.last_id == len(kept(step))
        if not kept(step):
            assert after is before
        promised = [
            action
            for action in step.decision.actions
            if isinstance(action, AnswerRequest) and action.must_be_kept
        ]
        assert len(promised) == len(kept(step))
        assert all(answer.outcome is Outcome.DONE for answer in promised)


def check_no_setting_is_lost(life: Lived) -> None:
    """What was answered done is there at the next decision, also after a restart."""
    written = 0
    for step in life.steps:
        assert step.before.settings.last_id == written, f"at {step.now_s}"
        written += len(kept(step))
        for zone in step.decision.house.zones:
            assert zone.timetable == timetable_set(step.decision.house, zone.plan.name), f"at {step.now_s}"
            assert zone.cycle_set == cycle_set(step.decision.house, zone.plan.name), f"at {step.now_s}"
            if zone.trim:
                top = step.decision.house.settings.top((SettingKind.TRIM, zone.plan.name))
                assert top is not None
                assert isinstance(top.value, TrimSet)
                assert zone.trim.fraction == top.value.fraction


def timetable_set(house: House, name: str) -> TimedCycle | None:
    """The timetable of the newest revision that was not taken back."""
    top = house.settings.top((SettingKind.TIMETABLE, name))
    return top.value if top and isinstance(top.value, TimedCycle) else None


def cycle_set(house: House, name: str) -> CycleSet | None:
    """The same of its cycle."""
    top = house.settings.top((SettingKind.CYCLE, name))
    return top.value if top and isinstance(top.value, CycleSet) else None


def check_whatever_passes_has_an_end_and_keeps_it(life: Lived) -> None:
    for step in life.steps:
        for zone in step.decision.house.zones:
            for passing in (zone.trim, zone.closed, zone.skip):
                assert passing is None or step.now_s < passing.ends_s, f"{zone.plan.name} at {step.now_s}"


def check_a_skip_leaves_one_burst_out(life: Lived) -> None:
    for step in life.steps:
        skipped = [e.subject for e in step.decision.events if e.kind is EventKind.BURST_SKIPPED]
        assert len(skipped) == len(set(skipped))
        for name in skipped:
            index = step.before.plan.index[name]
            is_asked = any(revision.key == (SettingKind.SKIP, name) for revision in kept(step))
            assert is_asked or step.before.zones[index].skip
            assert step.decision.house.zones[index].skip is None
            assert step.decision.house.zones[index].skipped_s == step.now_s


def check_no_change_but_a_hold_shuts_a_valve(life: Lived) -> None:
    for step in life.steps:
        held = {
            request.zone
            for request in step.observations.requests
            if isinstance(request, AskHold)
            or (isinstance(request, AskSetting) and request.kind is SettingKind.HOLD)
        }
        shut = {action.zone for action in step.decision.actions if isinstance(action, ShutValve)}
        assert shut <= held, f"{shut - held} shut at {step.now_s}"


def check_no_zone_is_held_and_closed(life: Lived) -> None:
    for step in life.steps:
        for zone in step.decision.house.zones:
            assert zone.hold is None or zone.closed is None, f"{zone.plan.name} at {step.now_s}"


def check_what_is_in_force_keeps_every_rule(life: Lived) -> None:
    for step in life.steps:
        if kept(step) or step is life.steps[0]:
            for part in DayPart:
                check_part(step, part)


def check_part(step: Step, part: DayPart) -> None:
    """Every burst and gap of a part is within its limits, with a trim and without, and the round too."""
    house = step.decision.house
    bursts_s, gaps_s = [], []
    for zone in house.zones:
        timed, gap_s = zone.cycle.parts[part], timed_gap_s(zone, part)
        if timed is None or gap_s is None:
            continue
        shortest_s = min(gap_s, timed.gap_s)
        assert zone.plan.shortest_burst_s <= timed.burst_s <= zone.plan.longest_burst_s
        assert shortest_s >= zone.plan.shortest_rest_s
        assert shortest_s > timed.burst_s
        bursts_s.append(timed.burst_s)
        gaps_s.append(shortest_s)
    if gaps_s:
        assert round_s(bursts_s, house) <= min(gaps_s) + HAIR_S, f"at {step.now_s}"


def round_s(bursts_s: Iterable[float], house: House) -> float:
    """The line's time for all zones, and for a pause between two that are open at once."""
    bursts = list(bursts_s)
    at_once, pause_s = house.plan.valves_at_once, house.plan.pause_s
    in_turn_s = (sum(bursts) + len(bursts) * pause_s) / at_once
    return in_turn_s + (len(bursts) - 1) * pause_s * (at_once - 1) / at_once


CHECKS_OF_SETTINGS = (
    check_nothing_set_changes_untold_or_unwritten,
    check_every_revision_has_its_answer_and_every_id_is_given_once,
    check_what_is_refused_changes_no_setting,
    check_no_setting_is_lost,
    check_whatever_passes_has_an_end_and_keeps_it,
    check_a_skip_leaves_one_burst_out,
    check_no_change_but_a_hold_shuts_a_valve,
    check_no_zone_is_held_and_closed,
    check_what_is_in_force_keeps_every_rule,
)
