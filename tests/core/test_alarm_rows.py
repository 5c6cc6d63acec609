"""A board over a restart: no alarm is lost or invented, and what cannot be known calls a person."""

import json
from collections.abc import Iterable
from math import inf

import pytest
from hypothesis import assume, given, settings

from mistd.core.actions import Outcome
from mistd.core.alarm_rows import alarm_rows, restored_board
from mistd.core.annunciator import wake_at_s
from mistd.core.events import Event, EventKind
from tests.core.alarm_boards import (
    EFFECT_DELAY_S,
    HOUSE,
    LONGEST_SHELF_S,
    ON_DELAY_S,
    SETTLES_S,
    PaperBoard,
    board_with,
    damaged,
    off,
    on,
    restarted,
    trial_board,
    trip,
)
from tests.core.alarm_histories import History, facts, histories, lived

LIVES = [("dry", life) for life in ("unacknowledged", "acknowledged", "returned")] + [
    ("stuck", life) for life in ("unacknowledged", "acknowledged", "latched_unacknowledged", "latched")
]


@pytest.mark.parametrize(("kind", "life"), LIVES)
def test_every_life_comes_back_as_it_was(kind: str, life: str) -> None:
    paper = board_with(kind, life)

    again = restarted(paper)

    assert facts(again.board) == facts(paper.board)
    assert again.sounds() is paper.sounds()
    assert alarm_rows(again.board) == alarm_rows(paper.board)


@pytest.mark.parametrize("life", ["unacknowledged", "acknowledged"])
def test_a_condition_that_is_still_on_raises_no_second_occurrence(life: str) -> None:
    paper = board_with("dry", life)

    again = restarted(paper)
    again.sees(paper.now_s + 1.0, on())
    again.waits(paper.now_s + 1000.0)

    assert again.alarm().life == life
    assert again.alarm().occurrence == 1
    assert again.events == []


@pytest.mark.parametrize("life", ["unacknowledged", "acknowledged"])
def test_a_condition_that_is_not_known_yet_keeps_its_alarm(life: str) -> None:
    again = restarted(board_with("dry", life))

    again.waits(1e6)

    assert again.alarm().life == life


def test_a_condition_that_went_meanwhile_ends_its_alarm_after_its_off_delay() -> None:
    again = restarted(board_with("dry", "acknowledged"), 100.0)

    again.sees(101.0, off())
    again.waits(200.0)

    assert [(event.kind, event.at_s) for event in again.events] == [(EventKind.ALARM_CLEARED, 111.0)]


def test_a_latch_is_not_lost_over_a_restart() -> None:
    paper = PaperBoard()
    paper.sees(1.0, trip())

    again = restarted(paper, 50.0)

    assert again.sounds()
    assert again.asks(51.0, "reset", "tripped", "relay").outcome is Outcome.REFUSED
    again.does(52.0, "acknowledge", "tripped", "relay")
    again.does(53.0, "reset", "tripped", "relay")


def test_an_old_acknowledgement_does_not_count_after_a_restart_either() -> None:
    paper = board_with("dry", "returned")
    paper.sees(100.0, on())
    paper.waits(110.0)

    again = restarted(paper)

    assert again.asks(120.0, "acknowledge", occurrence=1).outcome is Outcome.REFUSED
    again.does(120.0, "acknowledge", occurrence=2)


def test_the_count_of_occurrences_goes_on_from_an_alarm_at_rest() -> None:
    paper = board_with("dry", "acknowledged")
    paper.sees(100.0, off())
    paper.waits(200.0)
    assert paper.alarm().life == "normal"

    again = restarted(paper)
    again.sees(300.0, on())
    again.waits(400.0)

    assert again.alarm().occurrence == 2


def test_a_condition_that_waits_for_its_delay_goes_on_waiting() -> None:
    """A daemon that is killed again and again still calls for help in the end."""
    paper = PaperBoard()
    paper.sees(100.0, on())

    again = restarted(paper, 103.0)
    again.waits(1000.0)
    unlooked_at = again.raised()
    again.sees(1000.0, on())

    assert unlooked_at == []
    assert again.raised() == [(1000.0, "dry", "a")]


def test_a_condition_that_waited_and_went_is_not_raised() -> None:
    paper = PaperBoard()
    paper.sees(100.0, on())

    again = restarted(paper, 103.0)
    again.sees(104.0, off())
    again.sees(104.5, on())
    again.waits(104.5 + ON_DELAY_S)

    assert again.raised() == [(104.5 + ON_DELAY_S, "dry", "a")]


def test_a_condition_that_was_off_for_part_of_its_off_delay_begins_it_anew() -> None:
    paper = board_with("dry", "acknowledged")
    paper.sees(100.0, off())

    again = restarted(paper, 109.0)
    again.sees(109.0, off())
    again.waits(118.0)
    too_soon = again.alarm().life
    again.waits(119.0)

    assert too_soon == "acknowledged"
    assert again.alarm().life == "normal"


# Masks


def test_a_shelving_goes_on_for_what_was_left_of_it() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=600.0, note="new nozzles")

    again = restarted(paper, 300.0)
    shelf = again.alarm().shelf
    again.waits(700.0)

    assert shelf == paper.alarm().shelf
    assert again.alarm().mask is None
    assert [event.at_s for event in again.told(EventKind.ALARM_SHELF_NEARLY_OVER)] == [580.0]
    assert again.raised() == [(700.0, "dry", "a")]


def test_a_shelving_that_has_warned_warns_no_second_time() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=600.0)
    paper.waits(600.0)

    again = restarted(paper)
    again.waits(700.0)

    assert [event.at_s for event in paper.told(EventKind.ALARM_SHELF_NEARLY_OVER)] == [580.0]
    assert again.told(EventKind.ALARM_SHELF_NEARLY_OVER) == []
    assert again.raised() == [(700.0, "dry", "a")]


def test_a_shelving_goes_on_over_a_restart_of_the_machine() -> None:
    paper = board_with("dry", "unacknowledged", now_s=50_000.0)
    paper.does(50_100.0, "shelve", for_s=600.0)

    again = restarted(paper, 20.0, shift_s=20.0 - 50_300.0)
    again.waits(420.0)

    assert again.raised() == [(420.0, "dry", "a")]
    assert again.asks(421.0, "shelve", for_s=LONGEST_SHELF_S).outcome is Outcome.DONE


def test_a_shelving_that_ended_meanwhile_ends_at_once_and_says_so() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=600.0)

    again = restarted(paper, 5000.0)
    again.sees(5000.0, on())

    assert [event.kind for event in again.events] == [EventKind.ALARM_UNSHELVED, EventKind.ALARM_RAISED]
    assert again.sounds()


def test_when_the_time_away_is_not_known_nothing_stays_shelved() -> None:
    paper = board_with("dry", "acknowledged")
    paper.does(100.0, "shelve", for_s=600.0)

    again = restarted(paper, 20.0, is_time_away_known=False)
    again.waits(20.0)

    assert again.alarm().mask is None
    assert [event.kind for event in again.events] == [EventKind.ALARM_UNSHELVED, EventKind.ALARM_RAISED]
    assert again.raised() == [(20.0, "dry", "a")]


def test_neither_damage_nor_a_corrected_clock_prolongs_a_shelving() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=600.0)

    again = damaged(paper, "alarm/dry/a", shelved_until_s=1e6, shelved_since_s=1e6)

    shelf = again.board.alarm("dry", "a").shelf
    assert shelf is not None
    assert shelf.until_s == paper.now_s + LONGEST_SHELF_S


def test_out_of_service_survives_with_its_note_and_author() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "out_of_service", note="new nozzles")

    again = restarted(paper, 1e6, is_time_away_known=False)

    assert again.alarm().service == paper.alarm().service
    assert wake_at_s(again.board) == inf


def test_what_people_put_aside_at_rest_is_put_aside_after_a_restart() -> None:
    paper = PaperBoard()
    paper.does(0.0, "shelve", "stuck", "b", for_s=600.0)
    paper.does(0.0, "out_of_service", "dry", "b")

    assert restarted(paper).alarm("stuck", "b").mask == "shelved"
    assert restarted(paper).alarm("dry", "b").mask == "out_of_service"


def test_a_cause_goes_on_explaining_and_its_consequences_go_on_settling() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("power", HOUSE), on("no_pump"))
    paper.waits(EFFECT_DELAY_S)
    away = restarted(paper)
    away.sees(EFFECT_DELAY_S, on("power", HOUSE), on("no_pump"))
    paper.sees(100.0, off("power", HOUSE))

    settling = restarted(paper, 110.0)
    settling.sees(110.0, off("power", HOUSE), on("no_pump"))
    settling.waits(100.0 + SETTLES_S)

    assert away.events == []
    assert away.alarm("no_pump").mask == "suppressed_by_design"
    assert settling.raised() == [(100.0 + SETTLES_S, "no_pump", "a")]


def test_a_consequence_whose_cause_is_forgotten_shows_at_once() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("power", HOUSE), on("no_pump"))
    paper.waits(EFFECT_DELAY_S)
    rows = {name: row for name, row in alarm_rows(paper.board).items() if "no_pump" in name}

    again = PaperBoard(board=restored_board(trial_board(), rows, 100.0).board, now_s=100.0)
    again.waits(100.0)

    assert again.raised() == [(100.0, "no_pump", "a")]


def test_an_alarm_that_is_the_same_object_has_the_same_row() -> None:
    """What was not touched need not be written again."""
    paper = board_with("dry", "acknowledged")
    before = dict(paper.board.alarms)

    paper.sees(100.0, trip(), on("stuck", "b"))
    paper.waits(100.0 + ON_DELAY_S)

    assert {key for key, alarm in paper.board.alarms.items() if alarm is not before.get(key)} == {
        ("tripped", "relay"),
        ("stuck", "b"),
    }


@settings(deadline=None, derandomize=True, max_examples=60)
@given(history=histories(with_kills=False), rest=histories(with_kills=False))
def test_a_board_made_again_lives_on_as_one_that_was_never_away(history: History, rest: History) -> None:
    """But for an off-delay, which begins anew: it is not known that the condition stayed away."""
    whole = lived(history)
    assume(not any(alarm.is_on and not alarm.is_wanted for alarm in whole.board.alarms.values()))
    rows = json.loads(json.dumps(alarm_rows(whole.board)))
    again = restored_board(trial_board(), rows, whole.now_s).board
    anew = [(0.0, seen) for seen in whole.conditions]

    made_again = lived([*anew, *rest], again, whole.now_s)
    never_away = lived([*anew, *rest], whole.board, whole.now_s)

    assert facts(made_again.board) == facts(never_away.board)
    assert told_of(made_again.events) == told_of(never_away.events)


def told_of(events: Iterable[Event]) -> list[tuple[float, EventKind, str, str]]:
    """What was told; chatter and floods are counted anew after a restart."""
    counted = {EventKind.ALARM_CHATTERS, EventKind.ALARM_FLOOD_BEGAN, EventKind.ALARM_FLOOD_ENDED}
    return [(e.at_s, e.kind, e.subject, e.reason) for e in events if e.kind not in counted]
