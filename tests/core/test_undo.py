"""Undo: a setting goes back to what it was before its newest revision, and to nothing else."""

from math import inf

import pytest

from mistd.core.actions import Outcome
from mistd.core.durable import durable, restored
from mistd.core.events import EventKind
from mistd.core.house import Decision
from mistd.core.settings import (
    ClosedSet,
    SettingKind,
    SettingValue,
    SkipSet,
    TrimSet,
)
from mistd.core.zone import Phase
from tests.core.houses import (
    PaperHouse,
    almanac,
    answers,
    ask_hold,
    ask_release,
    ask_setting,
    ask_undo,
    house_at_work,
    house_misting,
    house_plan,
    kept,
    ready,
    shut,
    shuttings,
    timetable,
    told,
    zone_plan,
)
from tests.core.test_changes import VALUES, in_force, the_refusal

PLAN = house_plan(zone_plan("a"), zone_plan("b"))
BUT_HOLD = [kind for kind in SettingKind if kind is not SettingKind.HOLD]
FIRST, SECOND = timetable(4.0, 300.0), timetable(8.0, 1200.0)


def set_to(
    paper: PaperHouse, now_s: float, kind: SettingKind, value: SettingValue | None, zone: str = "a"
) -> Decision:
    number = paper.house.settings.last_id + 1
    decision = paper.decide(now_s, ask_setting(kind, value, zone, request_id=f"set-{number}"))
    assert len(kept(decision)) == 1
    return decision


def undo(paper: PaperHouse, now_s: float, revision: int) -> Decision:
    decision = paper.decide(now_s, ask_undo(revision, request_id=f"undo-{now_s:g}"))
    assert [answer.outcome for answer in answers(decision)] == [Outcome.DONE]
    return decision


def trim(fraction: float, for_s: float = 3600.0) -> TrimSet:
    return TrimSet(fraction=fraction, for_s=for_s)


# Back to what was before.


@pytest.mark.parametrize("kind", BUT_HOLD)
def test_the_only_revision_is_undone_to_none_or_to_what_the_file_says(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, kind, VALUES[kind])

    decision = paper.decide(20.0, ask_undo(1, request_id="undo-7", author="ines", note="too dry"))

    assert in_force(paper.zone(), kind) is None
    (revision,) = kept(decision)
    assert (revision.id, revision.kind, revision.zone, revision.undoes) == (2, kind, "a", 1)
    assert (revision.value, revision.ends_s) == (None, inf)
    assert (revision.author, revision.note, revision.request_id) == ("ines", "too dry", "undo-7")


@pytest.mark.parametrize("kind", BUT_HOLD)
def test_an_undoing_is_told_and_answered_done_only_when_kept(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, kind, VALUES[kind])

    decision = paper.decide(20.0, ask_undo(1, request_id="undo-7", author="ines", note="too dry"))

    (event,) = decision.events
    assert (event.kind, event.subject) == (EventKind.SETTING_UNDONE, "a")
    assert event.reason.startswith("revision 1 undone: ")
    assert event.reason.endswith(", by ines: too dry")
    assert event.figures == {"revision": 2, "setting": kind.value}
    (answer,) = answers(decision)
    assert (answer.request_id, answer.outcome, answer.must_be_kept) == ("undo-7", Outcome.DONE, True)
    assert answer.figures == {"revision": 2}
    assert answer.reason.endswith("; revision 2")


def test_a_timetable_goes_back_to_the_one_before_it() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TIMETABLE, FIRST)
    set_to(paper, 20.0, SettingKind.TIMETABLE, SECOND)

    decision = undo(paper, 30.0, 2)

    assert paper.zone().timetable == FIRST
    assert paper.zone().due_s == 300.0
    assert (kept(decision)[0].value, kept(decision)[0].ends_s) == (FIRST, inf)


def test_what_the_file_said_before_is_put_back_when_going_back_to_it_is_undone() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TIMETABLE, FIRST)
    set_to(paper, 20.0, SettingKind.TIMETABLE, None)

    undo(paper, 30.0, 2)

    assert paper.zone().timetable == FIRST


def test_revisions_are_undone_one_after_the_other_down_to_the_file() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TIMETABLE, FIRST)
    set_to(paper, 20.0, SettingKind.TIMETABLE, SECOND)

    undo(paper, 30.0, 2)
    undo(paper, 40.0, 1)

    assert paper.zone().timetable is None
    assert paper.zone().due_s == 600.0


def test_a_trim_goes_back_to_the_one_before_it_with_what_is_left_of_its_time() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TRIM, trim(0.25, 3600.0))
    set_to(paper, 20.0, SettingKind.TRIM, trim(1.0, 7200.0))

    decision = undo(paper, 250.0, 2)

    now = paper.zone().trim
    assert now is not None
    assert (now.fraction, now.ends_s) == (0.25, 3610.0)
    (revision,) = kept(decision)
    assert (revision.value, revision.ends_s) == (trim(0.25, 3360.0), 3610.0)
    assert answers(decision)[0].figures == {"revision": 3, "for_s": 3360.0}
    paper.mist_until(3700.0)
    assert [event.at_s for event in paper.told(EventKind.TRIM_ENDED)] == [3610.0]


def test_closed_goes_back_to_the_one_before_it_with_what_is_left_of_its_time() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.CLOSED, ClosedSet(for_s=3600.0))
    set_to(paper, 20.0, SettingKind.CLOSED, ClosedSet(for_s=60.0))

    decision = undo(paper, 50.0, 2)

    now = paper.zone().closed
    assert now is not None
    assert now.ends_s == 3610.0
    assert kept(decision)[0].value == ClosedSet(for_s=3560.0)


def test_less_than_the_least_time_may_be_left_of_what_is_put_back() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TRIM, trim(0.25, 60.0))
    set_to(paper, 20.0, SettingKind.TRIM, trim(1.0))

    undo(paper, 69.0, 2)

    now = paper.zone().trim
    assert now is not None
    assert (now.fraction, now.ends_s) == (0.25, 70.0)


@pytest.mark.parametrize("kind", [SettingKind.TRIM, SettingKind.CLOSED])
@pytest.mark.parametrize("undone_s", [70.0, 71.0])
def test_what_would_have_ended_by_now_is_not_put_back(kind: SettingKind, undone_s: float) -> None:
    short = trim(0.25, 60.0) if kind is SettingKind.TRIM else ClosedSet(for_s=60.0)
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, kind, short)
    set_to(paper, 20.0, kind, VALUES[kind])

    decision = undo(paper, undone_s, 2)

    assert in_force(paper.zone(), kind) is None
    assert kept(decision)[0].value is None


def test_a_skip_before_the_one_that_is_undone_does_not_come_back() -> None:
    """Whether it was used up meanwhile is not in its revision; no burst is left out that nobody wants out."""
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.SKIP, SkipSet(for_s=7200.0))
    paper.mist_until(700.0)
    set_to(paper, 700.0, SettingKind.SKIP, SkipSet(for_s=7200.0))

    undo(paper, 800.0, 2)

    assert paper.zone().skip is None


def test_taking_a_trim_away_is_undone_with_what_is_left_of_its_time() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TRIM, trim(0.25, 3600.0))
    set_to(paper, 20.0, SettingKind.TRIM, None)

    undo(paper, 30.0, 2)

    now = paper.zone().trim
    assert now is not None
    assert (now.fraction, now.ends_s) == (0.25, 3610.0)


def test_an_undoing_leaves_other_kinds_and_zones_alone() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TRIM, trim(0.25))
    set_to(paper, 20.0, SettingKind.TRIM, trim(0.5), "b")
    set_to(paper, 30.0, SettingKind.TIMETABLE, FIRST)
    b, timed = paper.zone("b"), paper.zone().timetable

    undo(paper, 40.0, 1)

    assert paper.zone("b") is b
    assert paper.zone().timetable is timed


def test_an_undoing_cuts_no_burst_short() -> None:
    paper = house_misting()
    set_to(paper, 1.0, SettingKind.TIMETABLE, FIRST)

    decision = undo(paper, 2.0, 1)

    assert shuttings(decision) == []
    assert (paper.zone().phase, paper.zone().ordered_for_s) == (Phase.OPEN, 5.0)
    paper.decide(5.0, shut("a", 1, 5.0, 5.0))
    assert paper.zone().due_s == 605.0


def test_two_are_undone_at_one_instant_in_their_order() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TIMETABLE, FIRST)
    set_to(paper, 20.0, SettingKind.TIMETABLE, SECOND)

    decision = paper.decide(30.0, ask_undo(2, request_id="u-1"), ask_undo(1, request_id="u-2"))

    assert [answer.outcome for answer in answers(decision)] == [Outcome.DONE, Outcome.DONE]
    assert paper.zone().timetable is None


def test_what_was_set_before_a_restart_is_undone_after_it() -> None:
    paper = house_at_work(PLAN)
    set_to(paper, 10.0, SettingKind.TIMETABLE, FIRST)
    set_to(paper, 20.0, SettingKind.TIMETABLE, SECOND)
    back = restored(PLAN, durable(paper.house), almanac(), 30.0, settings=paper.house.settings)
    again = PaperHouse(house=back.house, now_s=30.0)
    again.decide(30.0, ready())
    assert again.zone().timetable == SECOND

    undo(again, 40.0, 2)

    assert again.zone().timetable == FIRST


# A hold.


def test_undoing_a_hold_releases_it() -> None:
    paper = house_at_work(PLAN)
    paper.decide(10.0, ask_hold())

    decision = paper.decide(20.0, ask_undo(1, author="ines", note="out"))

    assert paper.zone().hold is None
    (revision,) = kept(decision)
    assert (revision.kind, revision.value, revision.undoes) == (SettingKind.HOLD, None, 1)
    assert (revision.author, revision.note, revision.request_id) == ("ines", "out", "undo-1")
    (event,) = told(decision, EventKind.HOLD_ENDED)
    assert event.reason == "released by ines"
    (answer,) = answers(decision)
    assert (answer.outcome, answer.must_be_kept) == (Outcome.DONE, True)
    assert answer.figures == {"for_s": 0.0, "revision": 2}


def test_undoing_an_extension_leaves_the_hold_of_whoever_was_in_there_before() -> None:
    """Ben asks for longer and takes it back: Ana, who works in there, keeps the time she was promised."""
    paper = house_at_work(PLAN)
    paper.decide(10.0, ask_hold(for_s=900.0, author="ana"))
    paper.decide(20.0, ask_hold(for_s=1500.0, request_id="hold-2", author="ben"))

    decision = paper.decide(30.0, ask_undo(2, author="ben"))

    held = paper.zone().hold
    assert held is not None
    assert (held.ends_s, held.author) == (910.0, "ana")
    (revision,) = kept(decision)
    assert (revision.ends_s, revision.undoes) == (910.0, 2)
    (answer,) = answers(decision)
    assert answer.figures == {"for_s": 880.0, "revision": 3}
    assert told(decision, EventKind.HOLD_ENDED) == []


def test_whoever_gets_a_hold_back_that_is_nearly_over_still_has_two_minutes_to_leave() -> None:
    paper = house_at_work(PLAN)
    paper.decide(10.0, ask_hold(for_s=300.0, author="ana"))
    paper.decide(20.0, ask_hold(for_s=1500.0, request_id="hold-2", author="ben"))

    decision = paper.decide(300.0, ask_undo(2, author="ben"))

    held = paper.zone().hold
    assert held is not None
    assert (held.ends_s, held.is_warned) == (420.0, True)
    assert len(told(decision, EventKind.HOLD_NEARLY_OVER)) == 1


def test_undoing_an_extension_of_a_hold_that_would_be_over_releases_it() -> None:
    paper = house_at_work(PLAN)
    paper.decide(10.0, ask_hold(for_s=60.0, author="ana"))
    paper.decide(20.0, ask_hold(for_s=1500.0, request_id="hold-2", author="ben"))

    paper.decide(70.0, ask_undo(2, author="ben"))

    assert paper.zone().hold is None


def test_a_release_is_not_undone_since_nobody_may_go_in_without_asking() -> None:
    paper = house_at_work(PLAN)
    paper.decide(10.0, ask_hold())
    paper.decide(20.0, ask_release())

    reason = the_refusal(paper, 30.0, ask_undo(2))

    assert reason == "revision 2 ended a hold: ask for the hold again"


def test_a_hold_that_waits_for_the_valve_is_not_ended_by_undoing_the_one_before() -> None:
    paper = house_misting()
    paper.decide(5.0, shut("a", 1, 5.0, 5.0))
    paper.decide(10.0, ask_hold(for_s=60.0))
    paper.mist_until(605.0)
    paper.decide(606.0, ask_hold(request_id="hold-2"))
    assert paper.zone().held_when_shut != ()

    the_refusal(paper, 606.5, ask_undo(1))

    assert paper.zone().hold is not None
