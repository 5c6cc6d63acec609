"""The ten invariants of an alarm's life (from the standards), each over random histories of a whole board."""

import ast
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import mistd
from mistd.core.actions import Outcome
from mistd.core.alarm_requests import AlarmVerb
from mistd.core.alarms import Alarm, Life
from mistd.core.annunciator import AlarmKey, Board, asked, attended, observed, sounds
from mistd.core.events import Event, EventKind
from tests.core.alarm_boards import LONGEST_SHELF_S, ON_DELAY_S, TRIAL_ROWS, on, trial_board
from tests.core.alarm_histories import (
    PULSES,
    Asks,
    History,
    Killed,
    Lived,
    Moment,
    Sees,
    facts,
    histories,
    lived,
)

SOURCES = Path(mistd.__file__).parent
DELAY_S = {row.kind: row.on_delay_s for row in TRIAL_ROWS}
UNMASKINGS = {EventKind.ALARM_UNSHELVED, EventKind.ALARM_IN_SERVICE, EventKind.ALARM_UNSUPPRESSED}
over_histories = settings(deadline=None, derandomize=True, max_examples=50)


def key_of(event: Event) -> AlarmKey:
    return str(event.figures["alarm"]), event.subject


def told(moment: Moment, kind: EventKind, key: AlarmKey) -> list[Event]:
    return [event for event in moment.step.events if event.kind is kind and key_of(event) == key]


def is_unmasked(alarm: Alarm) -> bool:
    return alarm.shelf is None and alarm.service is None and not alarm.is_by_design


@over_histories
@given(history=histories())
def test_1_nothing_is_raised_without_a_condition_that_came_on_before(history: History) -> None:
    """Raised for the first time, its condition has held for its delay; again, it is on at that instant."""
    since_s: dict[AlarmKey, float] = {}
    for moment in lived(history).moments:
        if isinstance(moment.happening, Sees):
            key, condition = moment.happening.key, moment.happening.condition
            if not condition.is_on:
                since_s.pop(key, None)
            else:
                since_s.setdefault(key, moment.now_s)
        for event in moment.step.events:
            if event.kind is EventKind.ALARM_RAISED:
                key = key_of(event)
                if moment.before.alarm(*key).is_on:
                    continue  # a reminder, or out from under a mask
                assert key in since_s
                assert event.at_s - since_s[key] >= DELAY_S[key[0]]
        if isinstance(moment.happening, Sees) and moment.happening.key in PULSES:
            since_s.pop(moment.happening.key, None)


@over_histories
@given(history=histories())
def test_2_no_way_back_to_normal_but_by_the_condition_and_an_acknowledgement(history: History) -> None:
    for moment in lived(history).moments:
        for key, alarm in moment.after.alarms.items():
            before = moment.before.alarm(*key)
            if alarm.life is not Life.NORMAL or before.life is Life.NORMAL:
                continue
            assert alarm.over_s >= alarm.raised_s, "its condition never went"
            is_unmasking = any(told(moment, kind, key) for kind in UNMASKINGS)
            assert alarm.acknowledged == alarm.occurrence or is_unmasking
            if alarm.row.is_latching:
                assert told(moment, EventKind.ALARM_RESET, key), "a latch went without a reset"
                assert alarm.acknowledged == alarm.occurrence


@over_histories
@given(history=histories())
def test_3_it_sounds_only_for_what_is_unmasked_unsilenced_and_not_acknowledged(history: History) -> None:
    for moment in lived(history).moments:
        loud = [
            alarm
            for alarm in moment.after.alarms.values()
            if is_unmasked(alarm)
            and not alarm.is_silenced
            and alarm.life in {Life.UNACKNOWLEDGED, Life.LATCHED_UNACKNOWLEDGED}
        ]
        assert sounds(moment.after, is_night=False) is bool(loud)
        assert sounds(moment.after, is_night=True) is any(alarm.row.may_wake for alarm in loud)


@over_histories
@given(history=histories())
def test_4_whatever_is_raised_anew_restarts_the_sound(history: History) -> None:
    for moment in lived(history).moments:
        for event in moment.step.events:
            if event.kind is EventKind.ALARM_RAISED:
                alarm = moment.after.alarm(*key_of(event))
                is_heard = alarm.life in {Life.UNACKNOWLEDGED, Life.LATCHED_UNACKNOWLEDGED}
                was_answered = isinstance(moment.happening, Asks) and moment.happening.key == key_of(event)
                if is_heard and is_unmasked(alarm) and not was_answered:
                    assert not alarm.is_silenced
                    assert sounds(moment.after, is_night=False)


@over_histories
@given(history=histories(with_kills=False))
def test_5_masks_and_acknowledgements_change_no_condition(history: History) -> None:
    """The same conditions with and without people: every alarm is on or off at the same instants."""
    with_people, without = lived(history), lived(without_people(history))

    assert on_and_off(with_people) == on_and_off(without)


def without_people(history: History) -> History:
    """A history without its requests, its pauses kept."""
    kept: History = []
    waited_s = 0.0
    for pause_s, happening in history:
        waited_s += pause_s
        if isinstance(happening, Sees):
            kept.append((waited_s, happening))
            waited_s = 0.0
    kept.append((waited_s, Sees(("dry", "b"), is_on=False)))
    return kept


def on_and_off(life: Lived) -> dict[AlarmKey, list[tuple[float, bool]]]:
    """When each alarm's condition came and went, after its delays; a pulse does both at once."""
    times: dict[AlarmKey, list[tuple[float, bool]]] = {}
    for moment in life.moments:
        for key, alarm in moment.after.alarms.items():
            if alarm.is_on is not moment.before.alarm(*key).is_on:
                times.setdefault(key, []).append((moment.now_s, alarm.is_on))
    return times


@pytest.mark.parametrize("decider", ["core/decide.py", "core/leases.py", "keeper/process.py"])
def test_5_nothing_that_decides_about_water_reads_an_alarm(decider: str) -> None:
    seen: set[str] = set()
    waiting = [SOURCES / decider]
    while waiting:
        path = waiting.pop()
        for name in imported(path) - seen:
            seen.add(name)
            module = SOURCES.joinpath(*name.split(".")[1:]).with_suffix(".py")
            if module.is_file():
                waiting.append(module)

    assert "mistd.core" in {name.rpartition(".")[0] for name in seen}, "nothing was looked at"
    assert not [name for name in seen if "alarm" in name or "annunciator" in name]


def imported(path: Path) -> set[str]:
    """Every module of mistd that a file imports."""
    tree = ast.parse(path.read_text())
    names = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    names |= {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    return {name for name in names if name.startswith("mistd.")}


@over_histories
@given(history=histories())
def test_6_a_request_made_once_more_changes_nothing_and_a_refused_one_changed_nothing(
    history: History,
) -> None:
    for moment in lived(history).moments:
        if not isinstance(moment.happening, Asks):
            continue
        request = moment.happening.request(moment.before)
        again = asked(moment.after, request, moment.now_s)
        assert again.board is moment.after
        assert again.events == ()
        if moment.step.outcome is Outcome.REFUSED:
            assert moment.after is attended(moment.before, moment.now_s).board
            assert again.outcome is Outcome.REFUSED
        elif moment.happening.verb not in {AlarmVerb.ACKNOWLEDGE, AlarmVerb.RESET}:
            assert again.outcome is Outcome.DONE


@over_histories
@given(history=histories())
def test_7_nothing_stays_shelved_for_longer_than_its_kind_allows(history: History) -> None:
    since_s: dict[AlarmKey, float] = {}
    for moment in lived(history).moments:
        for key, alarm in moment.after.alarms.items():
            if alarm.shelf is None or told(moment, EventKind.ALARM_UNSHELVED, key):
                since_s.pop(key, None)
            if alarm.shelf:
                assert moment.now_s - since_s.setdefault(key, moment.now_s) < LONGEST_SHELF_S
                assert alarm.shelf.until_s > moment.now_s


@over_histories
@given(history=histories(with_kills=False), away_s=st.sampled_from([0.0, 3.0, 60.0]))
def test_8_as_many_alarms_come_out_of_a_kill_as_went_in(history: History, away_s: float) -> None:
    """Nothing is lost or invented; what time ends meanwhile, a shelving say, ends after it and is told."""
    whole = lived(history)

    at_once = lived([*history, (0.0, Killed(away_s=0.0))])
    later = lived([*history, (0.0, Killed(away_s=away_s))])

    assert facts(at_once.board) == facts(whole.board)
    assert at_once.moments[-1].step.events == ()
    for key, alarm in whole.board.alarms.items():
        raised = told(later.moments[-1], EventKind.ALARM_RAISED, key)
        unseen = told(later.moments[-1], EventKind.ALARM_RAISED_UNSEEN, key)
        assert later.board.alarm(*key).occurrence == alarm.occurrence + len(raised) + len(unseen)


@over_histories
@given(
    pieces=st.lists(
        st.tuples(st.sampled_from([0.0, 1.0, 4.5, 4.984375]), st.sampled_from([0.0, 0.5, 5.0, 10.0, 100.0])),
        min_size=1,
        max_size=30,
    ),
    kind=st.sampled_from(["dry", "stuck"]),
)
def test_9_a_condition_shorter_than_its_on_delay_is_never_raised(
    pieces: list[tuple[float, float]], kind: str
) -> None:
    history: History = []
    for held_s, gone_s in pieces:
        history += [(gone_s, Sees((kind, "a"), is_on=True)), (held_s, Sees((kind, "a"), is_on=False))]

    assert all(held_s < ON_DELAY_S for held_s, _ in pieces)
    assert lived(history).events == []


@over_histories
@given(history=histories())
def test_10_at_one_instant_time_and_conditions_come_before_what_people_ask(history: History) -> None:
    for moment in lived(history).moments:
        if isinstance(moment.happening, Asks):
            request = moment.happening.request(moment.before)
            in_order = asked(attended(moment.before, moment.now_s).board, request, moment.now_s)
            assert in_order.board == moment.after
            assert in_order.outcome is moment.step.outcome


def test_10_an_acknowledgement_at_the_instant_of_a_raising_comes_after_it() -> None:
    board = observed(trial_board(), [on()], 0.0).board

    step = asked(board, Asks(("dry", "a"), AlarmVerb.ACKNOWLEDGE, 0.0, -1).request(board), ON_DELAY_S)

    assert step.outcome is Outcome.DONE
    assert [event.kind for event in step.events] == [EventKind.ALARM_RAISED, EventKind.ALARM_ACKNOWLEDGED]


@over_histories
@given(history=histories(), every_s=st.sampled_from([1.0, 7.0, 50.0]))
def test_waking_more_often_than_needed_changes_nothing(history: History, every_s: float) -> None:
    plain, woken = lived(history), lived(broken_up(history, every_s))

    assert facts(woken.board) == facts(plain.board)
    assert [(e.kind, e.at_s, e.subject) for e in woken.events] == [
        (e.kind, e.at_s, e.subject) for e in plain.events
    ]


def broken_up(history: History, every_s: float) -> History:
    """The same history with looks at what is off anyway in between."""
    finer: History = []
    for pause_s, happening in history:
        looks = min(int(pause_s // every_s), 20)
        finer += [(every_s, Sees(("dry", "b"), is_on=False))] * looks
        finer.append((pause_s - looks * every_s, happening))
    return finer


@over_histories
@given(history=histories())
def test_every_alarm_that_left_its_rest_is_told_raised_and_cleared_in_turn(history: History) -> None:
    """From rest an alarm is raised, seen or unseen, before it is cleared; at rest it was cleared last."""
    is_up: dict[AlarmKey, bool] = {}
    life = lived(history)
    for event in life.events:
        if event.kind in {EventKind.ALARM_RAISED, EventKind.ALARM_RAISED_UNSEEN}:
            is_up[key_of(event)] = True
        elif event.kind is EventKind.ALARM_CLEARED:
            assert is_up.get(key_of(event))
            is_up[key_of(event)] = False
    for key, alarm in life.board.alarms.items():
        assert is_up.get(key, False) is (alarm.life is not Life.NORMAL)


@over_histories
@given(history=histories())
def test_no_alarm_that_is_not_at_rest_changes_untold(history: History) -> None:
    def up(board: Board) -> dict[AlarmKey, object]:
        return {key: fact for key, fact in facts(board).items() if board.alarm(*key).life is not Life.NORMAL}

    for moment in lived(history).moments:
        if not moment.step.events:
            assert up(moment.after) == up(moment.before)
