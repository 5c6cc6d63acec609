"""What is not undone: what others were set upon, what is over, and what is no longer allowed."""

import pytest

from mistd.core.almanac import DayPart
from mistd.core.durable import durable, restored
from mistd.core.settings import (
    LASTING,
    UNDOABLE,
    ClosedSet,
    SettingKind,
    SkipSet,
)
from tests.core.houses import (
    PaperHouse,
    almanac,
    ask_hold,
    ask_setting,
    ask_undo,
    house_at_work,
    house_plan,
    ready,
    timetable,
    zone_plan,
)
from tests.core.test_changes import VALUES, the_refusal
from tests.core.test_undo import SECOND, set_to, trim, undo

PLAN = house_plan(zone_plan("a"), zone_plan("b"))


# What is not undone.


@pytest.mark.parametrize("kind", list(SettingKind))
def test_an_older_revision_is_refused_and_the_newer_named(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, kind, VALUES[kind])
    set_to(paper, 20.0, kind, VALUES[kind])

    reason = the_refusal(paper, 30.0, ask_undo(1))

    assert reason == "revision 2 by ilse set the same after it: undo that one first"


@pytest.mark.parametrize("kind", list(SettingKind))
def test_nothing_is_undone_twice(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, kind, VALUES[kind])
    undo(paper, 20.0, 1)

    reason = the_refusal(paper, 30.0, ask_undo(1))

    assert reason == "there is no revision 1 that can be undone; look at the list of settings"


@pytest.mark.parametrize("number", [2, 3, 0, -1])
def test_an_undoing_and_what_never_was_cannot_be_undone(number: int) -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TRIM, trim(0.25))
    undo(paper, 20.0, 1)

    reason = the_refusal(paper, 30.0, ask_undo(number))

    assert reason.startswith(f"there is no revision {number} that can be undone")
    assert paper.events[-1].subject == "elm-house"


@pytest.mark.parametrize("kind", [kind for kind in SettingKind if kind not in LASTING])
def test_what_ended_by_itself_is_not_undone(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, kind, VALUES[kind])
    paper.mist_until(7300.0)

    reason = the_refusal(paper, 7300.0, ask_undo(1))

    assert reason == "nothing of revision 1 is in force any more: there is nothing to undo"
    assert paper.events[-1].subject == "a"


def test_a_skip_that_was_used_up_is_not_undone() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.SKIP, SkipSet(for_s=7200.0))
    paper.mist_until(700.0)

    assert "nothing of revision 1 is in force" in the_refusal(paper, 700.0, ask_undo(1))


def test_what_was_replaced_by_what_has_ended_is_not_undone_either() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TRIM, trim(0.25, 7200.0))
    set_to(paper, 20.0, SettingKind.TRIM, trim(0.5, 60.0))
    paper.wait_until(90.0)

    for revision in (1, 2):
        reason = the_refusal(paper, 90.0 + revision, ask_undo(revision))
        assert reason == f"nothing of revision {revision} is in force any more: there is nothing to undo"


def test_what_was_before_the_oldest_that_is_remembered_is_not_made_up() -> None:
    paper = house_at_work(PLAN)
    for number in range(UNDOABLE + 1):
        set_to(paper, 10.0 + number, SettingKind.TIMETABLE, timetable(4.0, 300.0 + number))
    for number in range(UNDOABLE + 1, 2, -1):
        undo(paper, 100.0 - number, number)
    assert paper.zone().timetable == timetable(4.0, 301.0)

    reason = the_refusal(paper, 200.0, ask_undo(2))

    assert reason == "what it was before revision 2 is no longer remembered: set it anew"


# What is no longer allowed.

QUICK = house_plan(*(zone_plan(name, timetable(5.0, 600.0), shortest_rest_s=1.0) for name in "ab"))


def test_a_timetable_that_the_line_has_no_room_for_any_more_is_not_put_back() -> None:
    paper = house_at_work(QUICK)
    set_to(paper, 10.0, SettingKind.TIMETABLE, timetable(5.0, 20.0))
    set_to(paper, 20.0, SettingKind.TIMETABLE, timetable(5.0, 40.0))
    set_to(paper, 30.0, SettingKind.TIMETABLE, timetable(15.0, 600.0), "b")  # a round of 24 s

    reason = the_refusal(paper, 31.0, ask_undo(2))

    assert reason.startswith("by night the 2 zones take 24 s of the line for one round")
    assert paper.events[-1].subject == "a"
    undo(paper, 32.0, 3)
    undo(paper, 33.0, 2)
    assert paper.zone().timetable == timetable(5.0, 20.0)


def test_the_files_own_timetable_is_not_put_back_without_room_for_it() -> None:
    plan = house_plan(*(zone_plan(name, timetable(5.0, 20.0), shortest_rest_s=1.0) for name in "ab"))
    paper = house_at_work(plan)
    set_to(paper, 1.0, SettingKind.TIMETABLE, timetable(5.0, 40.0))
    set_to(paper, 2.0, SettingKind.TIMETABLE, timetable(15.0, 40.0), "b")

    assert "take 24 s" in the_refusal(paper, 3.0, ask_undo(1))
    assert "take 24 s" in the_refusal(paper, 4.0, ask_setting(SettingKind.TIMETABLE, None))
    assert paper.zone().timetable == timetable(5.0, 40.0)


def test_a_trim_that_the_line_has_no_room_for_any_more_is_not_put_back() -> None:
    paper = house_at_work(QUICK)
    set_to(paper, 10.0, SettingKind.TRIM, trim(1.0))
    set_to(paper, 20.0, SettingKind.TRIM, None)
    set_to(paper, 30.0, SettingKind.TIMETABLE, timetable(5.0, 20.0))  # 10 s with the trim: a round is 14 s

    assert "the shortest gap is 10 s" in the_refusal(paper, 31.0, ask_undo(2))


def test_a_trim_that_would_shorten_the_rest_of_the_line_now_is_not_put_back() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TRIM, trim(1.0))
    set_to(paper, 20.0, SettingKind.TRIM, None)
    set_to(paper, 30.0, SettingKind.TIMETABLE, timetable(5.0, 100.0))

    assert "with +100 % water, night gap_min: 0.8333 min" in the_refusal(paper, 31.0, ask_undo(2))


def test_a_zone_is_not_closed_again_over_the_heads_of_people_at_work_in_it() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.CLOSED, ClosedSet(for_s=7200.0))
    set_to(paper, 20.0, SettingKind.CLOSED, None)
    paper.decide(30.0, ask_hold())

    reason = the_refusal(paper, 40.0, ask_undo(2))

    assert reason.startswith("ilse holds it for people at work in it")


def after_a_change_of_the_file(paper: PaperHouse, *names: str, **limits: float) -> PaperHouse:
    plan = house_plan(*(zone_plan(name, **limits) for name in names))  # type: ignore[arg-type]
    back = restored(plan, durable(paper.house), almanac(), 30.0, settings=paper.house.settings)
    again = PaperHouse(house=back.house, now_s=30.0)
    again.decide(30.0, ready())
    return again


def test_a_timetable_that_the_file_forbids_by_now_is_not_put_back() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TIMETABLE, SECOND)
    set_to(paper, 20.0, SettingKind.TIMETABLE, timetable(off=[DayPart.NIGHT]))
    again = after_a_change_of_the_file(paper, "a", "b", longest_burst_s=7.0)

    reason = the_refusal(again, 40.0, ask_undo(2))

    assert "night burst_s: 8 s; allowed up to this zone's longest_burst_s of 7 s" in reason


def test_what_was_set_of_a_zone_that_is_gone_from_the_file_is_not_undone() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TRIM, trim(0.25), "b")
    again = after_a_change_of_the_file(paper, "a", "c")
    again.wait_until(39.0)

    reason = the_refusal(again, 40.0, ask_undo(1))

    assert reason == "revision 1 is of zone b, which is no longer in the house's file"
