"""Rows of alarms that are no good, no longer wanted, or not there: what cannot be known calls a person."""

from dataclasses import replace
from math import nan

import pytest

from mistd.core.alarm_rows import alarm_row, alarm_rows, restored_board, row_name
from mistd.core.rows import LARGEST, Row
from tests.core.alarm_boards import (
    TRIAL_ROWS,
    PaperBoard,
    board_with,
    damaged,
    off,
    on,
    restarted,
    trial_board,
    trip,
)


@pytest.mark.parametrize(
    "changes",
    [
        {"life": "raised"},
        {"life": "latched"},  # a kind that does not latch
        {"life": None},
        {"occurrence": "3"},
        {"occurrence": -1},
        {"occurrence": True},
        {"raised_s": nan},
        {"raised_s": 1e10},
        {"raised_s": True},
        {"occurrence": 10**10},
        {"raised_s": "soon"},
        {"is_silenced": 1},
        {"acknowledged_by": None},
        {"shelved_until_s": 700.0},  # by nobody
        {"out_since_s": 1.0},
        {"unseen": -1},
        {"is_by_design": "yes"},
    ],
)
def test_an_alarm_whose_row_cannot_be_read_is_over_and_wants_to_be_acknowledged(
    changes: dict[str, object],
) -> None:
    paper = board_with("dry", "acknowledged")

    again = damaged(paper, "alarm/dry/a", **changes)

    alarm = again.board.alarm("dry", "a")
    assert [text.partition(":")[0] for text in again.unreadable] == ["alarm/dry/a"]
    assert (alarm.life, alarm.mask, alarm.is_silenced) == ("returned", None, False)
    assert alarm.occurrence > alarm.acknowledged


def test_a_latching_alarm_whose_row_cannot_be_read_is_held_and_heard() -> None:
    paper = PaperBoard()
    paper.sees(1.0, trip())
    paper.does(2.0, "acknowledge", "tripped", "relay")

    again = damaged(paper, "alarm/tripped/relay", life=None)

    alarm = again.board.alarm("tripped", "relay")
    assert (alarm.life, alarm.occurrence, alarm.sounds) == ("latched_unacknowledged", 2, True)
    assert "could not be read" in alarm.reason


def test_an_unreadable_row_costs_no_other() -> None:
    paper = board_with("dry", "acknowledged")
    paper.sees(50.0, trip())

    again = damaged(paper, "alarm/dry/a", life=None)

    assert again.board.alarm("tripped", "relay") == restarted(paper).alarm("tripped", "relay")


def test_an_empty_row_is_unreadable() -> None:
    again = restored_board(trial_board(), {"alarm/dry/a": {}}, 10.0)

    assert len(again.unreadable) == 1
    assert again.board.alarm("dry", "a").occurrence == 1


def test_a_row_that_leaves_something_out_is_unreadable_and_whole_numbers_are_instants_too() -> None:
    paper = board_with("dry", "acknowledged")
    rows = {**alarm_rows(paper.board)}
    short = {key: value for key, value in rows["alarm/dry/a"].items() if key != "over_s"}

    left_out = restored_board(trial_board(), {"alarm/dry/a": short}, 100.0)
    whole = damaged(paper, "alarm/dry/a", raised_s=5)
    largest = damaged(paper, "alarm/dry/a", raised_s=LARGEST, occurrence=int(LARGEST))

    assert left_out.unreadable == ("alarm/dry/a: over_s is None, not float",)
    assert whole.unreadable == largest.unreadable == ()
    assert whole.board.alarm("dry", "a").raised_s == 5.0


def test_instants_shifted_out_of_reason_are_unreadable() -> None:
    rows = alarm_rows(board_with("dry", "acknowledged").board)

    again = restored_board(trial_board(), rows, 100.0, shift_s=-1e10)

    assert len(again.unreadable) == 1
    assert "by this machine's clock" in again.unreadable[0]


def test_a_kind_that_latches_now_and_did_not_is_held() -> None:
    rows = alarm_rows(board_with("dry", "returned").board)
    latching = [replace(kind, is_latching=True) for kind in TRIAL_ROWS]

    again = restored_board(trial_board(latching), rows, 100.0)

    assert again.board.alarm("dry", "a").life == "latched_unacknowledged"


@pytest.mark.parametrize("name", ["alarm/damp/a", "alarm/dry/c", "alarm/power/a", "alarm/dry", "alarm/"])
def test_rows_of_kinds_and_subjects_that_are_no_more_are_dropped_and_named(name: str) -> None:
    row: Row = alarm_row(board_with("dry", "unacknowledged").alarm())

    again = restored_board(trial_board(), {name: row}, 100.0)

    assert again.gone == (name,)
    assert again.unreadable == ()
    assert again.board.alarms == {}


def test_a_zone_that_is_gone_takes_its_alarms_with_it() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging", "a"), on("nagging", "b"))

    again = restarted(paper, zones="a")

    assert list(again.board.alarms) == [("nagging", "a")]


def test_rows_of_other_things_are_passed_over() -> None:
    rows: dict[str, Row] = {"zone/a": {"opened_s": 1.0}, "house": {}, "alarms": {}}

    again = restored_board(trial_board(), rows, 100.0)

    assert (again.board.alarms, again.unreadable, again.gone) == ({}, (), ())


def test_a_board_at_rest_has_no_rows_and_a_delay_that_came_to_nothing_leaves_none() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on())
    waiting = alarm_rows(paper.board)

    paper.sees(1.0, off())

    assert alarm_rows(trial_board()) == {}
    assert list(waiting) == ["alarm/dry/a"]
    assert waiting["alarm/dry/a"]["waiting_since_s"] == 0.0
    assert alarm_rows(paper.board) == {}


def test_the_name_of_a_row_is_the_kind_and_the_subject() -> None:
    assert row_name(board_with("dry", "returned").alarm()) == "alarm/dry/a"
