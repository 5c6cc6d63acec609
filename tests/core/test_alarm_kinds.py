"""The table of kinds: every row is complete, in a grower's words, and fits with the others."""

import re
from math import inf

import pytest

from mistd.core.alarm_kinds import (
    LONGEST_SHELF_S,
    MOST_THAT_WAKE,
    ROWS,
    AlarmKind,
    cascade,
    rank,
    rows_by_kind,
)
from mistd.core.alarms import About, AlarmRow, Priority
from mistd.core.annunciator import begun_board
from mistd.core.zone_demand import COMES_BACK_AFTER_S
from tests.core.alarm_boards import row
from tests.core.houses import house_plan

BY_KIND = rows_by_kind()
LONGEST_ANSWER_S = {Priority.HIGH: 3600.0, Priority.MEDIUM: 7200.0, Priority.LOW: 8 * 3600.0}
PLANTS = re.compile(r"cuttings|bench|mist|leaves|stems|frost|flag|timetable")
every_row = pytest.mark.parametrize("row", ROWS, ids=[str(row.kind) for row in ROWS])


def test_every_kind_has_one_row() -> None:
    assert [each.kind for each in ROWS] == list(AlarmKind)


def test_the_words_outside_are_the_kinds_in_lower_case() -> None:
    assert all(kind.value == kind.name.lower() for kind in AlarmKind)
    assert all(re.fullmatch("[a-z_]+", kind.value) for kind in AlarmKind)


def test_no_more_kinds_wake_a_person_than_one_can_answer_and_what_saves_plants_does() -> None:
    waking = {each.kind for each in ROWS if each.may_wake}

    assert len(waking) <= MOST_THAT_WAKE == 6
    assert {AlarmKind.ZONE_NOT_MISTED, AlarmKind.KEEPER_AWAY} <= waking


@every_row
def test_a_kind_that_wakes_is_of_high_priority(row: AlarmRow) -> None:
    assert row.priority is Priority.HIGH or not row.may_wake


@every_row
def test_every_row_says_what_it_is_what_it_does_to_plants_and_what_to_do(row: AlarmRow) -> None:
    assert 5 < len(row.title) < 50
    assert row.title[0].isupper()
    for sentence in (row.cause, row.consequence, *row.remedy):
        assert len(sentence) > 15
        assert sentence[0].isupper()
        assert sentence[-1] in ".?"
        assert "|" not in sentence, "it would break the table in the documents"
    assert PLANTS.search(row.consequence)
    assert 2 <= len(row.remedy) <= 5


@every_row
def test_the_higher_the_priority_the_sooner_an_answer_and_the_shorter_a_shelving(row: AlarmRow) -> None:
    assert 0.0 < row.respond_within_s <= LONGEST_ANSWER_S[row.priority]
    assert row.longest_shelf_s == LONGEST_SHELF_S[row.priority]
    assert LONGEST_SHELF_S[Priority.HIGH] < LONGEST_SHELF_S[Priority.MEDIUM] < LONGEST_SHELF_S[Priority.LOW]


@every_row
def test_an_alarm_is_raised_in_time_to_be_answered(row: AlarmRow) -> None:
    assert 0.0 <= row.on_delay_s <= row.respond_within_s / 4.0
    assert 0.0 <= row.off_delay_s <= row.respond_within_s / 4.0


@every_row
def test_a_kind_that_latches_has_no_delay_and_its_remedy_ends_with_the_reset(row: AlarmRow) -> None:
    """Latching kinds are told by pulses, which last for no time."""
    if row.is_latching:
        assert row.on_delay_s == row.off_delay_s == 0.0
        assert row.remedy[-1] == "Acknowledge, then reset."


@every_row
def test_a_consequence_follows_kinds_that_are_there_and_waits_longer_than_its_causes(row: AlarmRow) -> None:
    for cause in row.follows:
        assert cause in BY_KIND
        assert cause != row.kind
        assert row.on_delay_s >= BY_KIND[cause].on_delay_s
        assert row.settles_s > 0.0
    assert row.follows or row.settles_s == 0.0


def test_what_dries_plants_is_told_again_when_nobody_mends_it() -> None:
    assert {each.kind for each in ROWS if each.remind_after_s < inf} == {
        AlarmKind.ZONE_NOT_MISTED,
        AlarmKind.KEEPER_AWAY,
    }
    assert all(each.remind_after_s >= each.respond_within_s for each in ROWS)


def test_one_cause_is_one_alarm_where_the_house_says_so() -> None:
    assert BY_KIND[AlarmKind.ZONE_NOT_MISTED].follows == (AlarmKind.KEEPER_AWAY,)
    assert BY_KIND[AlarmKind.READING_LOST].follows == (AlarmKind.NO_BROKER,)
    assert BY_KIND[AlarmKind.CYCLE_FELL_BACK].follows == (
        AlarmKind.READING_LOST,
        AlarmKind.WETNESS_DOUBTED,
        AlarmKind.MISTED_BLINDLY,
    )


def test_a_day_of_mist_by_no_reading_calls_a_person_whatever_explains_it() -> None:
    """A lost reading is of low priority and may have been put aside: rot is not."""
    assert BY_KIND[AlarmKind.MISTED_BLINDLY].follows == ()
    assert BY_KIND[AlarmKind.MISTED_BLINDLY].priority is Priority.MEDIUM


def test_a_zone_that_fell_back_stays_explained_until_its_cycle_can_have_come_back() -> None:
    assert BY_KIND[AlarmKind.CYCLE_FELL_BACK].settles_s > COMES_BACK_AFTER_S


def test_every_kind_has_a_place_on_the_board_of_a_house() -> None:
    plan = house_plan(probes=["north"])
    subjects = {About.HOUSE: "elm-house", About.ZONE: "a", About.SENSOR: "north", About.PART: "saver"}

    board = begun_board(plan)

    assert all(board.knows(each.kind, subjects[each.about]) for each in ROWS)
    explained = {"zone_not_misted": 1, "reading_lost": 1, "cycle_fell_back": 2}
    assert board.ranks == {kind: explained.get(kind, 0) for kind in board.rows}


def test_a_cascade_is_everything_that_explains_or_is_explained_over_others_too() -> None:
    rows = rows_by_kind(
        [row(kind="a"), row(kind="b", follows=("a",)), row(kind="c", follows=("b",)), row(kind="d")]
    )

    assert cascade(rows, "a") == cascade(rows, "c") == {"a", "b", "c"}
    assert cascade(rows, "d") == {"d"}
    assert [rank(rows, kind) for kind in "abcd"] == [0, 1, 2, 0]
