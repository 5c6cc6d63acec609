"""A hold as a setting: its revision comes when the valve is reported shut; and what is closed is not held."""

from math import nextafter

import pytest

from mistd.core.actions import AnswerRequest, KeepRevision, Outcome
from mistd.core.events import EventKind
from mistd.core.observations import LineTrouble
from mistd.core.requests import AskHold, Request
from mistd.core.settings import NO_SETTINGS, ClosedSet, HoldSet, SettingKind
from tests.core.houses import (
    answers,
    ask_hold,
    ask_release,
    ask_setting,
    house_at_work,
    house_misting,
    house_plan,
    kept,
    lost,
    new_house,
    opened,
    ready,
    refused,
    shut,
    told,
)
from tests.core.test_changes import the_refusal

CLOSE = ask_setting(SettingKind.CLOSED, ClosedSet(for_s=7200.0), author="ines", note="sprayed")


@pytest.mark.parametrize("request_", [ask_hold(), ask_setting(SettingKind.HOLD, HoldSet(for_s=1800.0))])
def test_a_hold_on_a_zone_being_misted_has_no_revision_before_the_valve_is_reported_shut(
    request_: Request,
) -> None:
    paper = house_misting()

    decision = paper.decide(2.0, request_)
    assert (kept(decision), answers(decision)) == ([], [])
    assert paper.house.settings is NO_SETTINGS
    decision = paper.decide(2.5, shut("a", 1, 2.5, 2.5))

    keeping, answer = decision.actions
    assert isinstance(keeping, KeepRevision)
    assert isinstance(answer, AnswerRequest)
    revision = keeping.revision
    assert (revision.id, revision.request_id) == (1, request_.request_id)
    assert (revision.value, revision.ends_s) == (HoldSet(for_s=1800.0), 1802.0)
    assert answer.figures == {"for_s": 1799.5, "revision": 1}
    assert answer.must_be_kept


def test_a_hold_without_a_word_why_is_told_so() -> None:
    (event,) = house_at_work().decide(10.0, ask_hold()).events

    assert event.reason == "held dry by ilse"


def test_a_hold_on_a_zone_just_ordered_has_none_before_the_keepers_word() -> None:
    paper = house_at_work()
    paper.wait_until(600.0)
    assert kept(paper.decide(600.0, ask_hold())) == []
    assert kept(paper.decide(600.1, opened("a", 1, 600.1))) == []

    assert len(kept(paper.decide(600.2, shut("a", 1, 600.2, 0.1)))) == 1


def test_a_burst_that_the_keeper_refuses_leaves_the_valve_shut_for_the_hold_that_waits() -> None:
    paper = house_at_work()
    paper.wait_until(600.0)
    paper.decide(600.0, ask_hold())

    assert len(kept(paper.decide(600.1, refused("a", 1, 600.1)))) == 1


def test_two_who_wait_get_their_revisions_in_the_order_in_which_they_asked() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold(for_s=1800.0), ask_hold(request_id="hold-2", author="jo", for_s=60.0))

    decision = paper.decide(2.5, shut("a", 1, 2.5, 2.5))

    revisions = kept(decision)
    assert [(each.id, each.author, each.ends_s) for each in revisions] == [
        (1, "ilse", 1802.0),
        (2, "jo", 1802.0),
    ]
    assert revisions[1].value == HoldSet(for_s=60.0)
    assert [answer.figures["revision"] for answer in answers(decision)] == [1, 2]


def test_a_hold_that_a_lost_keeper_left_waiting_has_its_revision_when_the_next_holds_the_lines() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold())
    assert kept(paper.decide(2.5, lost())) == []

    assert len(kept(paper.decide(4.0, ready()))) == 1


# A hold that is answered refused leaves no revision.


def test_a_valve_that_is_never_reported_shut_leaves_the_hold_without_a_revision() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold(author="jo"))

    decision = paper.decide(7.0)

    assert [(a.request_id, a.outcome) for a in answers(decision)] == [("hold-1", Outcome.REFUSED)]
    assert kept(decision) == []
    assert paper.house.settings is NO_SETTINGS
    (event,) = told(decision, EventKind.SETTING_REFUSED)
    assert event.figures == {"asked_by": "jo"}


def test_a_hold_that_is_released_before_the_valve_is_shut_leaves_the_releases_revision_only() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold())

    decision = paper.decide(2.2, ask_release(author="jo", note="never mind"))

    assert [(a.request_id, a.outcome) for a in answers(decision)] == [
        ("hold-1", Outcome.REFUSED),
        ("release-1", Outcome.DONE),
    ]
    (revision,) = kept(decision)
    assert (revision.value, revision.author, revision.note) == (None, "jo", "never mind")
    assert kept(paper.decide(2.5, shut("a", 1, 2.5, 2.5))) == []


def test_a_hold_refused_at_once_leaves_no_revision() -> None:
    paper = house_at_work()
    paper.decide(1.0, LineTrouble(line="a", reason="it does not shut"))
    the_refusal(paper, 2.0, ask_hold())

    the_refusal(new_house(house_plan()), 2.0, ask_hold())


# Asked again, and released.


def test_a_hold_that_is_asked_for_again_has_a_revision_with_the_time_it_has_now() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold(for_s=1800.0))

    longer = paper.decide(20.0, ask_hold(request_id="hold-2", for_s=3600.0))
    shorter = paper.decide(30.0, ask_hold(request_id="hold-3", for_s=60.0))

    assert [(each.id, each.ends_s) for each in kept(longer)] == [(2, 3620.0)]
    assert [(each.id, each.ends_s) for each in kept(shorter)] == [(3, 3620.0)]


def test_a_release_is_a_revision_with_nothing_in_force() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())

    decision = paper.decide(20.0, ask_release())

    (revision,) = kept(decision)
    assert (revision.id, revision.value, revision.undoes) == (2, None, None)
    (answer,) = answers(decision)
    assert answer.reason == "released; mist goes on by its cycle; revision 2"
    assert (answer.figures, answer.must_be_kept) == ({"for_s": 0.0, "revision": 2}, True)


def test_releasing_what_is_not_held_is_no_change_and_has_no_revision() -> None:
    paper = house_at_work()
    before = paper.house

    decision = paper.decide(10.0, ask_release(expected_revision=0))

    assert decision.house is before
    (answer,) = decision.actions
    assert isinstance(answer, AnswerRequest)
    assert (answer.outcome, answer.must_be_kept) == (Outcome.DONE, False)


@pytest.mark.parametrize("expected", [0, 2])
def test_a_release_by_whoever_did_not_see_the_hold_that_is_in_force_is_refused(expected: int) -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())

    the_refusal(paper, 20.0, ask_release(expected_revision=expected))

    assert paper.zone().hold is not None


def test_a_hold_by_whoever_did_not_see_the_release_is_refused() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())
    paper.decide(20.0, ask_release())

    the_refusal(paper, 30.0, ask_hold(request_id="hold-2", expected_revision=1))

    assert paper.zone().hold is None


# Held and closed.


def test_a_hold_on_a_closed_zone_is_refused_with_who_closed_it_and_for_how_long() -> None:
    paper = house_at_work()
    paper.decide(10.0, CLOSE)

    reason = the_refusal(paper, 370.0, ask_hold())

    assert reason == ("ines closed it (sprayed) for 1.9 h more: nobody may go in before it is opened again")


def test_a_closed_zone_may_be_held_from_the_instant_it_is_open_again() -> None:
    for held_s, outcome in ((nextafter(7210.0, 0.0), Outcome.REFUSED), (7210.0, Outcome.DONE)):
        paper = house_at_work()
        paper.decide(10.0, CLOSE)
        paper.mist_until(7200.0)

        decision = paper.decide(held_s, ask_hold())

        assert [answer.outcome for answer in answers(decision)] == [outcome]


def test_a_zone_that_was_opened_again_may_be_held() -> None:
    paper = house_at_work()
    paper.decide(10.0, CLOSE)
    paper.decide(20.0, ask_setting(SettingKind.CLOSED, None, request_id="set-2"))

    assert answers(paper.decide(30.0, ask_hold()))[0].outcome is Outcome.DONE


def test_a_zone_that_was_closed_without_a_word_why_is_told_so() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.CLOSED, ClosedSet(for_s=7200.0)))

    assert the_refusal(paper, 10.0, ask_hold()).startswith("ilse closed it for 2.0 h more: nobody")


@pytest.mark.parametrize("when_s", [10.0, 1809.0])
def test_a_held_zone_may_not_be_closed(when_s: float) -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold(author="jo"))
    paper.wait_until(when_s)

    reason = the_refusal(paper, when_s, CLOSE)

    assert reason == "jo holds it for people at work in it: release the hold when they are out"


def test_a_zone_whose_hold_waits_for_the_valve_may_not_be_closed_either() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold())

    the_refusal(paper, 2.1, CLOSE)


@pytest.mark.parametrize(
    ("requests", "outcomes"),
    [
        ((CLOSE, ask_hold()), [("set-1", "done"), ("hold-1", "refused")]),
        ((ask_hold(), CLOSE), [("hold-1", "done"), ("set-1", "refused")]),
    ],
)
def test_of_a_hold_and_a_closing_at_one_instant_the_first_stands(
    requests: tuple[AskHold, Request], outcomes: list[tuple[str, str]]
) -> None:
    paper = house_at_work()

    paper.decide(10.0, *requests)

    assert paper.answers() == outcomes
