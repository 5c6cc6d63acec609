"""Holds: a zone kept dry while people work in it; it warns, ends by itself and promises nothing falsely."""

from math import nextafter

import pytest

from mistd.core.actions import AnswerRequest, Outcome
from mistd.core.events import EventKind
from mistd.core.zone import HOLD_WARNING_S
from tests.core.houses import (
    account,
    answers,
    ask_burst,
    ask_hold,
    ask_release,
    house_at_work,
    house_misting,
    house_plan,
    lost,
    new_house,
    openings,
    ready,
    refused,
    shut,
    shuttings,
    told,
    zone_plan,
)

HALF_AN_HOUR_S = 1800.0


def test_a_hold_on_a_resting_zone_is_answered_done_at_once_and_only_when_kept() -> None:
    paper = house_at_work()

    decision = paper.decide(10.0, ask_hold(for_s=HALF_AN_HOUR_S))

    (answer,) = answers(decision)
    assert (answer.request_id, answer.outcome, answer.must_be_kept) == ("hold-1", Outcome.DONE, True)
    assert answer.reason == "held dry for 30 min; revision 1"
    assert answer.figures == {"for_s": HALF_AN_HOUR_S, "revision": 1}
    assert shuttings(decision) == []


def test_a_hold_is_told_with_who_and_why() -> None:
    decision = house_at_work().decide(10.0, ask_hold(author="ines", note="sticking geraniums"))

    (event,) = told(decision, EventKind.HOLD_STARTED)
    assert (event.subject, event.reason) == ("a", "held dry by ines: sticking geraniums")
    assert event.figures == {"for_s": HALF_AN_HOUR_S}


def test_a_held_zone_gets_no_burst_though_it_is_due_and_the_refusal_is_told() -> None:
    paper = house_at_work()  # due at 600
    paper.decide(10.0, ask_hold(for_s=HALF_AN_HOUR_S))

    paper.wait_until(1809.0)

    assert paper.orders() == []
    (refusal,) = paper.told(EventKind.BURST_REFUSED)
    assert (refusal.at_s, refusal.figures["guard"]) == (600.0, "hold")


def test_a_hold_warns_two_minutes_before_and_ends_by_itself() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold(for_s=HALF_AN_HOUR_S))

    paper.wait_until(1809.0)
    (warning,) = paper.told(EventKind.HOLD_NEARLY_OVER)
    assert paper.told(EventKind.HOLD_ENDED) == []
    paper.wait_until(1810.0)

    (end,) = paper.told(EventKind.HOLD_ENDED)
    assert (warning.at_s, end.at_s) == (1810.0 - HOLD_WARNING_S, 1810.0)
    assert warning.figures == {"left_s": HOLD_WARNING_S}
    assert "2 min" in warning.reason
    assert end.reason == "its time is over"
    assert paper.zone().hold is None


def test_mist_comes_again_the_instant_an_overdue_zones_hold_ends() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold(for_s=HALF_AN_HOUR_S))

    paper.wait_until(1810.0)

    assert paper.orders() == [(1810.0, "a", 5.0)]


def test_a_zone_that_is_not_due_when_its_hold_ends_waits_for_its_mark() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold(for_s=300.0))

    paper.wait_until(600.0)

    assert paper.orders() == [(600.0, "a", 5.0)]


def test_a_hold_shorter_than_its_warning_warns_at_once_with_the_time_that_is_left() -> None:
    paper = house_at_work()

    decision = paper.decide(10.0, ask_hold(for_s=60.0))

    (warning,) = told(decision, EventKind.HOLD_NEARLY_OVER)
    assert warning.figures == {"left_s": 60.0}
    paper.wait_until(70.0)
    assert [event.at_s for event in paper.told(EventKind.HOLD_ENDED)] == [70.0]
    assert len(paper.told(EventKind.HOLD_NEARLY_OVER)) == 1


def test_a_hold_asked_again_runs_from_now_and_warns_again() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold(for_s=HALF_AN_HOUR_S))
    paper.wait_until(1700.0)  # warned at 1690

    decision = paper.decide(1700.0, ask_hold(for_s=HALF_AN_HOUR_S, request_id="hold-2"))

    assert [(a.request_id, a.outcome) for a in answers(decision)] == [("hold-2", Outcome.DONE)]
    assert len(told(decision, EventKind.HOLD_EXTENDED)) == 1
    paper.wait_until(3500.0)
    assert [event.at_s for event in paper.told(EventKind.HOLD_NEARLY_OVER)] == [1690.0, 3380.0]
    assert [event.at_s for event in paper.told(EventKind.HOLD_ENDED)] == [3500.0]
    assert paper.orders() == [(3500.0, "a", 5.0)]


def test_nobodys_hold_is_shortened_by_another_who_asks_for_less() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold(for_s=HALF_AN_HOUR_S))

    decision = paper.decide(20.0, ask_hold(for_s=120.0, request_id="hold-2"))

    (answer,) = answers(decision)
    assert answer.figures == {"for_s": HALF_AN_HOUR_S - 10.0, "revision": 2}
    paper.wait_until(10.0 + HALF_AN_HOUR_S)
    assert [event.at_s for event in paper.told(EventKind.HOLD_ENDED)] == [10.0 + HALF_AN_HOUR_S]
    assert paper.told(EventKind.HOLD_EXTENDED) == []


@pytest.mark.parametrize("for_s", [nextafter(60.0, 0.0), nextafter(14_400.0, 1e9), 0.0, -60.0])
def test_a_hold_out_of_range_is_refused_with_the_range(for_s: float) -> None:
    paper = house_at_work()

    decision = paper.decide(10.0, ask_hold(for_s=for_s))

    (answer,) = answers(decision)
    assert answer.outcome is Outcome.REFUSED
    assert "allowed 1 to 240 min" in answer.reason
    assert paper.zone().hold is None
    assert [event.kind for event in decision.events] == [EventKind.SETTING_REFUSED]


@pytest.mark.parametrize("for_s", [60.0, 14_400.0])
def test_a_hold_exactly_on_either_limit_is_given(for_s: float) -> None:
    paper = house_at_work()

    (answer,) = answers(paper.decide(10.0, ask_hold(for_s=for_s)))

    assert answer.outcome is Outcome.DONE


def test_without_a_keeper_a_hold_is_refused_and_the_hand_valve_named() -> None:
    decision = new_house(house_plan()).decide(10.0, ask_hold())

    (answer,) = answers(decision)
    assert answer.outcome is Outcome.REFUSED
    assert "close the hand valve before you go in" in answer.reason


def test_a_hold_on_a_zone_being_misted_is_answered_only_when_shut_is_reported() -> None:
    paper = house_misting()

    asked = paper.decide(2.0, ask_hold())
    assert shuttings(asked) == ["a"]
    assert answers(asked) == []
    reported = paper.decide(2.01, shut("a", 1, 2.005, 2.005, "held dry by ilse"))

    assert [(a.request_id, a.outcome, a.must_be_kept) for a in answers(reported)] == [
        ("hold-1", Outcome.DONE, True)
    ]


def test_a_hold_on_a_zone_just_ordered_waits_for_the_keepers_word_too() -> None:
    paper = house_at_work(shut_s={"a": -600.0})  # ordered at 0 and not answered yet

    asked = paper.decide(0.1, ask_hold())
    assert shuttings(asked) == ["a"]
    assert answers(asked) == []
    reported = paper.decide(0.2, refused("a", 1, 0.15))

    assert [(a.request_id, a.outcome) for a in answers(reported)] == [("hold-1", Outcome.DONE)]


def test_a_hold_is_answered_once_and_not_again_after_the_next_burst() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold(for_s=60.0))
    paper.decide(2.01, shut("a", 1, 2.005, 2.005, "held dry by ilse"))

    paper.mist_until(2000.0)

    assert len(paper.told(EventKind.BURST_ENDED)) > 1
    assert paper.answers() == [("hold-1", "done")]


def test_two_who_ask_while_it_mists_are_both_answered_when_it_is_shut() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold(), ask_hold(request_id="hold-2", author="jo"))

    reported = paper.decide(2.01, shut("a", 1, 2.005, 2.005))

    assert [(a.request_id, a.outcome) for a in answers(reported)] == [
        ("hold-1", Outcome.DONE),
        ("hold-2", Outcome.DONE),
    ]


def test_a_valve_that_is_never_reported_shut_refuses_the_hold_and_says_what_to_do() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold())

    paper.wait_until(7.0)  # burst of 5 s and 2 s of grace

    (answer,) = [action for _, action in paper.actions if isinstance(action, AnswerRequest)]
    assert answer.outcome is Outcome.REFUSED
    assert "close the hand valve before you go in" in answer.reason
    assert paper.zone().hold is None
    assert [event.at_s for event in paper.told(EventKind.HOLD_ENDED)] == [7.0]


def test_a_valve_not_reported_shut_stays_unproved_and_refuses_every_hold_after() -> None:
    paper = house_misting()
    paper.wait_until(7.0)  # its report is given up

    (answer,) = answers(paper.decide(8.0, ask_hold()))

    assert answer.outcome is Outcome.REFUSED
    assert "close the hand valve before you go in" in answer.reason
    assert paper.zone().hold is None


def test_an_unproved_valve_is_proved_by_a_late_report_of_shutting() -> None:
    paper = house_misting()
    paper.wait_until(7.0)
    paper.decide(30.0, shut("a", 1, 29.9, 29.9))

    (answer,) = answers(paper.decide(31.0, ask_hold()))

    assert answer.outcome is Outcome.DONE


def test_an_unproved_valve_is_not_proved_by_a_refusal_to_open_it() -> None:
    """The keeper refuses what is open already: that is the very case in which nobody may go in."""
    paper = house_misting()
    paper.wait_until(607.0)  # ordered again, a gap after the report was given up
    assert paper.orders()[-1] == (607.0, "a", 5.0)
    paper.decide(607.1, ask_hold())

    decision = paper.decide(607.2, refused("a", 2, 607.1, "it is open already"))

    assert all(outcome == "refused" for _, outcome in paper.answers())
    assert answers(decision) == []
    (later,) = answers(paper.decide(607.3, ask_hold(request_id="hold-2")))
    assert later.outcome is Outcome.REFUSED


def test_an_unproved_valve_is_proved_by_a_keeper_that_holds_every_line_shut() -> None:
    paper = house_misting()
    paper.wait_until(7.0)
    paper.decide(30.0, lost())
    paper.decide(31.0, ready(30.5))

    (answer,) = answers(paper.decide(32.0, ask_hold()))

    assert answer.outcome is Outcome.DONE


def test_an_unproved_valve_is_proved_by_its_next_burst() -> None:
    paper = house_misting()
    paper.wait_until(7.0)
    paper.mist_until(700.0)

    (answer,) = answers(paper.decide(701.0, ask_hold()))

    assert answer.outcome is Outcome.DONE


def test_a_hold_asked_before_the_keeper_was_lost_is_answered_when_the_next_holds_the_lines() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold())
    paper.decide(2.1, lost())

    back = paper.decide(4.0, ready(3.5))

    assert [(a.request_id, a.outcome) for a in answers(back)] == [("hold-1", Outcome.DONE)]


def test_a_release_ends_the_hold_at_once() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())

    decision = paper.decide(700.0, ask_release(author="jo"))

    (answer,) = answers(decision)
    assert (answer.outcome, answer.must_be_kept) == (Outcome.DONE, True)
    (end,) = told(decision, EventKind.HOLD_ENDED)
    assert end.reason == "released by jo"
    assert openings(decision) == [("a", 5.0)]  # it was due at 600


def test_a_release_gives_the_burst_that_the_hold_had_put_off_until_its_end() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())
    paper.wait_until(650.0)  # due and refused at 600

    assert openings(paper.decide(700.0, ask_release())) == [("a", 5.0)]


def test_releasing_what_is_not_held_changes_nothing_and_is_no_mistake() -> None:
    paper = house_at_work()
    before = paper.house

    decision = paper.decide(10.0, ask_release())

    (answer,) = answers(decision)
    assert (answer.outcome, answer.must_be_kept) == (Outcome.DONE, False)
    assert decision.house is before
    assert decision.events == ()


def test_whoever_waits_for_a_hold_that_is_released_meanwhile_is_not_told_that_it_is_held() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold())
    paper.decide(2.1, ask_release(author="jo"))

    paper.decide(2.2, shut("a", 1, 2.15, 2.15))

    assert paper.answers() == [("hold-1", "refused"), ("release-1", "done")]


def test_a_release_and_a_hold_at_one_instant_are_taken_in_their_order() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())

    paper.decide(20.0, ask_release(), ask_hold(request_id="hold-2", for_s=600.0))

    assert paper.zone().hold is not None
    assert paper.answers()[-2:] == [("release-1", "done"), ("hold-2", "done")]


def test_a_hold_and_a_due_burst_at_one_instant_give_no_water() -> None:
    paper = house_at_work()

    decision = paper.decide(600.0, ask_hold())

    assert openings(decision) == []


def test_a_hold_keeps_a_burst_that_was_asked_for_away_too() -> None:
    paper = house_at_work()
    paper.decide(100.0, ask_hold())

    (answer,) = answers(paper.decide(110.0, ask_burst()))

    assert answer.outcome is Outcome.REFUSED
    assert "held dry by ilse" in answer.reason


def test_a_hold_of_one_zone_leaves_the_others_alone() -> None:
    paper = house_at_work(house_plan(zone_plan("a"), zone_plan("b")))
    paper.decide(10.0, ask_hold("a"))

    paper.wait_until(600.0)

    assert paper.orders() == [(600.0, "b", 5.0)]


def test_a_hold_does_not_end_for_want_of_a_keeper() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())

    paper.decide(20.0, lost())
    paper.decide(100.0, ready(90.0, account("a", -5.0, 0.0)))

    assert paper.zone().hold is not None
    paper.wait_until(1809.0)
    assert paper.orders() == []


def test_whoever_was_not_warned_in_time_is_given_two_minutes_all_the_same() -> None:
    """Nothing was decided for a while, across the end of a hold: mist does not come unannounced."""
    paper = house_at_work()
    paper.decide(10.0, ask_hold())

    late = paper.decide(2000.0)

    assert openings(late) == []
    (warning,) = told(late, EventKind.HOLD_NEARLY_OVER)
    assert warning.figures == {"left_s": HOLD_WARNING_S}
    paper.wait_until(2119.0)
    assert paper.orders() == []
    paper.wait_until(2120.0)
    assert paper.orders() == [(2120.0, "a", 5.0)]


def test_a_warning_that_comes_with_less_than_a_minute_left_gives_two() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())

    paper.decide(1751.0)  # 59 s before the end

    paper.wait_until(1870.0)
    assert paper.orders() == []
    paper.wait_until(1871.0)
    assert paper.orders() == [(1871.0, "a", 5.0)]


def test_a_warning_that_comes_a_little_late_puts_off_nothing() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_hold())

    paper.decide(1749.0)  # 61 s before the end

    paper.wait_until(1810.0)
    assert paper.orders() == [(1810.0, "a", 5.0)]
