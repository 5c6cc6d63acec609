"""What the keeper says and does not say: refusals, silence, its loss and return, and bursts it remembers."""

from math import inf

import pytest

from mistd.core.actions import OpenValve, Outcome
from mistd.core.almanac import DayPart
from mistd.core.bursts import RETRY_S
from mistd.core.events import EventKind
from mistd.core.observations import KeeperReady, LineReport, LineTrouble
from mistd.core.zone import REPORT_GRACE_S, Phase
from tests.core.houses import (
    LONG_AGO_S,
    account,
    almanac,
    answers,
    ask_burst,
    ask_hold,
    house_at_work,
    house_misting,
    house_plan,
    lost,
    new_house,
    opened,
    openings,
    ready,
    refused,
    shut,
    timetable,
    told,
    zone_plan,
)

TWO = house_plan(zone_plan("a"), zone_plan("b"))
ORDERED_AT_ONCE = {"a": -600.0}


def test_a_refusal_is_told_and_tried_again_ten_seconds_later() -> None:
    paper = house_at_work(shut_s=ORDERED_AT_ONCE)

    decision = paper.decide(0.1, refused("a", 1, 0.1, "too many are open"))

    (event,) = told(decision, EventKind.BURST_REFUSED)
    assert event.reason == "the keeper refused: too many are open"
    assert event.figures == {"guard": "keeper", "for_s": 5.0}
    assert decision.wake_at_s == 0.1 + RETRY_S
    paper.wait_until(0.1 + RETRY_S)
    assert paper.orders() == [(0.0, "a", 5.0), (0.1 + RETRY_S, "a", 5.0)]


def test_a_refused_burst_gives_the_line_to_the_next_after_a_pause() -> None:
    paper = house_at_work(TWO, shut_s={"a": -600.0, "b": -600.0})

    paper.decide(0.1, refused("a", 1, 0.1))
    paper.wait_until(2.1)

    assert [zone for _, zone, _ in paper.orders()] == ["a", "b"]


def test_a_refused_burst_counts_no_water() -> None:
    paper = house_at_work(shut_s=ORDERED_AT_ONCE)

    paper.decide(0.1, refused("a", 1, 0.1))

    assert (paper.zone().today.bursts, paper.zone().shut_s) == (0, -600.0)


def test_a_zone_the_keeper_refused_queues_anew_behind_those_that_waited() -> None:
    cycle = timetable(15.0, 600.0)
    plan = house_plan(zone_plan("a", cycle), zone_plan("b", cycle), zone_plan("c", cycle))
    paper = house_at_work(plan, shut_s={"a": -610.0, "b": -608.0, "c": -606.0})
    paper.decide(0.1, refused("a", 1, 0.1))
    paper.open_what_was_ordered()

    paper.mist_until(60.0)

    assert [zone for _, zone, _ in paper.orders()] == ["a", "b", "c", "a"]


def test_whoever_asked_for_a_burst_is_told_of_the_keepers_refusal() -> None:
    paper = house_at_work()
    paper.decide(100.0, ask_burst())

    decision = paper.decide(100.1, refused("a", 1, 100.1, "too many are open"))

    (answer,) = answers(decision)
    assert (answer.outcome, answer.reason) == (
        Outcome.REFUSED,
        "the keeper refused: too many are open",
    )


def test_a_burst_the_keeper_never_answers_is_given_up_after_its_length_and_a_grace() -> None:
    paper = house_at_work(shut_s=ORDERED_AT_ONCE)
    assert paper.wake_at_s == 5.0 + REPORT_GRACE_S

    decision = paper.decide(5.0 + REPORT_GRACE_S)

    (event,) = told(decision, EventKind.BURST_REFUSED)
    assert event.reason == "the keeper has not answered for 7.0 s"
    assert paper.zone().phase is Phase.RESTING
    assert paper.zone().is_unproved
    assert decision.wake_at_s == 7.0 + RETRY_S


def test_a_burst_that_began_and_is_never_reported_shut_counts_as_given_in_full() -> None:
    paper = house_misting()

    decision = paper.decide(5.0 + REPORT_GRACE_S)

    (event,) = told(decision, EventKind.BURST_ENDED)
    assert event.reason == "the keeper has not reported it for 7.0 s"
    assert event.figures == {
        "open_s": 5.0,
        "water_l": 0.1,
        "for_s": 5.0,
        "gap_s": 600.0,
        "why": "10.0 min since the last burst, by the timetable",
    }
    assert (paper.zone().shut_s, paper.zone().due_s) == (7.0, 607.0)


def test_what_the_keeper_leaves_unsaid_is_reckoned_from_the_order_and_not_from_the_clocks_zero() -> None:
    silent, away = house_misting(now_s=1000.0), house_misting(now_s=1000.0)

    given_up = silent.decide(1007.0)
    away.decide(1002.0, lost())
    settled = away.decide(1003.0, ready(1002.5))

    (event,) = told(given_up, EventKind.BURST_ENDED)
    assert event.reason == "the keeper has not reported it for 7.0 s"
    (event,) = told(settled, EventKind.BURST_ENDED)
    assert event.figures["open_s"] == 3.0


def test_no_burst_is_given_up_before_its_length_and_the_grace_are_over() -> None:
    ordered, open_ = house_at_work(shut_s=ORDERED_AT_ONCE), house_misting()

    for paper in (ordered, open_):
        before = paper.house
        paper.decide(6.999)
        assert paper.house is before


def test_a_report_a_moment_before_the_grace_is_over_still_counts() -> None:
    paper = house_misting()

    paper.decide(6.999, shut("a", 1, 5.0, 5.0))

    assert (paper.zone().shut_s, paper.zone().is_unproved) == (5.0, False)


@pytest.mark.parametrize(
    "report",
    [opened("a", 1, 8.0), shut("a", 1, 8.0, 8.0), refused("a", 1, 8.0)],
    ids=["opened", "shut", "refused"],
)
def test_a_report_after_it_was_given_up_changes_no_count_and_no_mark(report: LineReport) -> None:
    paper = house_misting()
    paper.wait_until(7.0)
    before = paper.zone()

    decision = paper.decide(8.0, report)

    after = paper.zone()
    assert decision.actions == ()
    assert decision.events == ()
    assert (after.today, after.shut_s, after.due_s, after.phase) == (
        before.today,
        before.shut_s,
        before.due_s,
        before.phase,
    )


def test_a_report_of_another_burst_is_not_taken_for_this_one() -> None:
    paper = house_misting()

    paper.decide(1.0, shut("a", 99, 1.0, 1.0))

    assert paper.zone().phase is Phase.OPEN


def test_a_keeper_lost_stops_every_order_and_is_told_once() -> None:
    paper = house_at_work()

    first = paper.decide(10.0, lost("its process ended"))
    again = paper.decide(11.0, lost("its process ended"))
    paper.wait_until(700.0)

    assert [event.reason for event in told(first, EventKind.KEEPER_LOST)] == ["its process ended"]
    assert again.events == ()
    assert paper.orders() == []
    assert not paper.house.is_keeper_ready


def test_another_trouble_of_a_keeper_that_is_away_is_told_too() -> None:
    paper = house_at_work()
    paper.decide(10.0, lost("its process ended"))

    decision = paper.decide(11.0, lost("it could not be started"))

    assert [event.reason for event in told(decision, EventKind.KEEPER_LOST)] == ["it could not be started"]


def test_a_zone_due_while_the_keeper_is_away_is_refused_once_and_misted_when_it_is_back() -> None:
    paper = house_at_work()
    paper.decide(10.0, lost())
    paper.wait_until(650.0)
    (refusal,) = paper.told(EventKind.BURST_REFUSED)
    assert (refusal.at_s, refusal.figures["guard"]) == (600.0, "keeper_away")

    decision = paper.decide(700.0, ready())

    assert openings(decision) == [("a", 5.0)]
    assert len(told(decision, EventKind.KEEPER_READY)) == 1


def test_a_new_keeper_rests_every_line_before_the_first_burst() -> None:
    """What a line did before the keeper began is not known to anyone."""
    paper = house_at_work(shut_s={"a": -700.0})
    paper.decide(0.5, lost())

    decision = paper.decide(2.0, ready(since_s=1.5))

    assert openings(decision) == []
    assert decision.wake_at_s == 61.5
    paper.wait_until(61.5)
    assert paper.orders()[-1] == (61.5, "a", 5.0)


def test_a_burst_whose_keeper_was_lost_ends_by_the_keepers_own_account() -> None:
    paper = house_misting()
    paper.decide(2.0, lost())

    decision = paper.decide(3.0, ready(-1000.0, account("a", 0.0, 2.25)))

    (event,) = told(decision, EventKind.BURST_ENDED)
    assert event.figures["open_s"] == 2.25
    assert (paper.zone().shut_s, paper.zone().today.bursts) == (2.25, 1)


def test_without_an_account_it_counts_as_given_for_the_longest_it_can_have_been() -> None:
    short, long = house_misting(), house_misting()
    for paper in (short, long):
        paper.decide(2.0, lost())

    short.decide(3.0, ready(2.9))
    long.decide(6.5, ready(6.4))

    assert (short.zone().today.open_s, short.zone().shut_s) == (3.0, 3.0)
    assert (long.zone().today.open_s, long.zone().shut_s) == (5.0, 6.5)


def test_an_account_of_an_earlier_burst_says_nothing_of_this_one() -> None:
    paper = house_misting()
    paper.decide(2.0, lost())

    paper.decide(3.0, ready(-1000.0, account("a", -605.0, -600.0)))

    assert paper.zone().today.open_s == 3.0


def test_a_burst_ordered_from_a_keeper_that_was_lost_is_refused_and_due_again() -> None:
    paper = house_at_work(shut_s=ORDERED_AT_ONCE)
    paper.decide(0.1, lost())

    decision = paper.decide(2.0, ready(1.5))

    (refusal,) = told(decision, EventKind.BURST_REFUSED)
    assert refusal.reason == "the keeper was lost before it answered"
    paper.wait_until(61.5)
    assert paper.orders()[-1] == (61.5, "a", 5.0)


def test_a_burst_ordered_and_given_unreported_is_told_and_answered_from_the_account() -> None:
    """Its opening was never reported: whoever asked for it is answered all the same."""
    paper = house_at_work()
    paper.decide(100.0, ask_burst(for_s=4.0))
    paper.decide(101.0, lost())

    decision = paper.decide(106.0, ready(-1000.0, account("a", 100.2, 104.2)))

    assert [(a.request_id, a.outcome) for a in answers(decision)] == [("burst-1", Outcome.DONE)]
    kinds = [event.kind for event in decision.events]
    assert kinds.index(EventKind.BURST_STARTED) < kinds.index(EventKind.BURST_ENDED)
    assert paper.zone().opened_s == 100.2
    assert paper.zone().today.open_s == pytest.approx(4.0)
    assert paper.zone().last_reason == "asked for by ilse"


def test_every_burst_that_ends_was_told_to_have_started() -> None:
    paper = house_at_work()
    paper.mist_until(5000.0)

    assert len(paper.told(EventKind.BURST_STARTED)) == len(paper.told(EventKind.BURST_ENDED)) > 5


def test_a_burst_of_which_no_note_was_left_is_found_and_counted_and_moves_the_mark() -> None:
    paper = new_house(house_plan(), now_s=100.0)

    decision = paper.decide(100.0, ready(-1000.0, account("a", 40.0, 45.0)))

    (event,) = told(decision, EventKind.BURST_FOUND)
    assert event.reason == "given 55 s ago, before this start; taken from the keeper"
    assert event.figures == {"open_s": 5.0, "water_l": 0.1, "ago_s": 55.0}
    assert openings(decision) == []
    zone = paper.zone()
    assert (zone.shut_s, zone.due_s, zone.today.bursts) == (45.0, 645.0, 1)


def test_a_burst_that_is_found_takes_the_zone_out_of_the_queue() -> None:
    paper = new_house(house_plan(), now_s=100.0)
    paper.wait_until(105.0)  # it waited for a keeper

    paper.decide(106.0, ready(-1000.0, account("a", 40.0, 45.0)))

    assert paper.house.waiting == ()
    assert not paper.zone().is_waiting
    paper.wait_until(644.0)
    assert paper.orders() == []


def test_a_zone_that_waits_for_the_line_when_its_burst_is_found_no_longer_does() -> None:
    paper = house_at_work(TWO, shut_s={"a": -600.0, "b": -600.0})
    assert 1 in paper.house.waiting  # a was ordered, b waits

    paper.decide(1.0, ready(LONG_AGO_S, account("b", -50.0, -45.0)))

    assert 1 not in paper.house.waiting
    assert (paper.zone("b").is_waiting, paper.zone("b").due_s) == (False, 555.0)


def test_a_burst_half_a_second_after_the_one_we_know_of_is_another() -> None:
    paper = house_at_work()  # last shut at 0
    paper.decide(10.0, lost())

    decision = paper.decide(11.0, ready(LONG_AGO_S, account("a", 0.1, 0.5)))

    assert len(told(decision, EventKind.BURST_FOUND)) == 1


def test_a_burst_we_know_of_is_not_found_again() -> None:
    paper = house_at_work()  # last shut at 0
    paper.decide(10.0, lost())

    decision = paper.decide(11.0, ready(-1000.0, account("a", -5.0, 0.0005)))

    assert told(decision, EventKind.BURST_FOUND) == []
    assert paper.zone().today.bursts == 0


def test_a_burst_given_up_and_then_found_in_the_account_is_counted_once() -> None:
    paper = house_misting()
    paper.wait_until(7.0)  # counted as given in full
    paper.decide(8.0, lost())

    paper.decide(9.0, ready(-1000.0, account("a", 0.0, 5.0)))

    assert paper.zone().today.bursts == 1


def test_the_line_is_free_again_once_a_keeper_holds_every_line_shut() -> None:
    paper = house_misting(TWO)
    paper.decide(1.0, lost())
    paper.decide(2.0, ready(-1000.0, account("a", 0.0, 1.0)))

    decision = paper.decide(100.0, ask_burst("b"))

    assert openings(decision) == [("b", 5.0)]


def test_a_zone_refused_across_a_change_to_a_part_that_is_off_is_misted_again_when_that_ends() -> None:
    """Ordered by day, the part turns to an off night, then the keeper refuses: by day mist comes again."""
    plan = house_plan(zone_plan(cycle=timetable(5.0, 600.0, off=[DayPart.NIGHT])))
    paper = house_at_work(plan, shut_s=ORDERED_AT_ONCE)
    paper.decide(1.0, almanac(DayPart.NIGHT))
    paper.decide(1.1, refused("a", 1, 1.05))
    paper.wait_until(5000.0)
    assert paper.told(EventKind.BURST_REFUSED)[1:] == []
    assert paper.wake_at_s == inf

    decision = paper.decide(6000.0, almanac(DayPart.DAY))

    assert openings(decision) == [("a", 5.0)]


def test_a_zone_whose_keeper_is_lost_across_such_a_change_is_misted_again_too() -> None:
    plan = house_plan(zone_plan(cycle=timetable(5.0, 600.0, off=[DayPart.NIGHT])))
    paper = house_at_work(plan, shut_s=ORDERED_AT_ONCE)
    paper.decide(0.5, lost())
    paper.decide(1.0, almanac(DayPart.NIGHT))
    paper.decide(2.0, ready(1.5))
    paper.wait_until(5000.0)

    decision = paper.decide(6000.0, almanac(DayPart.DAY))

    assert openings(decision) == [("a", 5.0)]


def test_a_line_in_trouble_is_told_with_what_to_do_and_refuses_a_hold() -> None:
    paper = house_at_work()

    decision = paper.decide(10.0, LineTrouble(line="a", reason="it does not shut: stuck"))

    (event,) = told(decision, EventKind.LINE_TROUBLE)
    assert event.reason == "it does not shut: stuck; close the hand valve and look"
    (answer,) = answers(paper.decide(11.0, ask_hold()))
    assert answer.outcome is Outcome.REFUSED


def test_a_hold_that_waits_for_a_line_the_next_keeper_cannot_shut_is_refused() -> None:
    paper = house_misting()
    paper.decide(2.0, ask_hold())
    paper.decide(2.1, lost())

    decision = paper.decide(4.0, KeeperReady(since_s=LONG_AGO_S, unproved=("a",)))

    (answer,) = answers(decision)
    assert answer.outcome is Outcome.REFUSED
    assert "close the hand valve before you go in" in answer.reason
    assert paper.zone().hold is None


def test_a_keeper_that_says_ready_twice_loses_nothing() -> None:
    paper = house_misting()

    paper.decide(1.0, ready(-1000.0, account("a", 0.0, 0.9)))
    paper.decide(2.0, ready(-1000.0, account("a", 0.0, 0.9)))

    assert (paper.zone().today.bursts, paper.zone().shut_s) == (1, 0.9)


def test_a_burst_given_up_as_unanswered_is_counted_when_its_report_comes_late() -> None:
    """A stall of our own can outlast the grace: the keeper's words lie unread in the socket."""
    paper = house_at_work(house_plan(), shut_s={"a": -600.0})
    paper.wait_until(7.0)
    assert paper.zone().phase is Phase.RESTING

    decision = paper.decide(8.0, opened("a", 1, 0.01), shut("a", 1, 5.01, 5.0))

    (event,) = told(decision, EventKind.BURST_FOUND)
    assert event.reason == "given 3 s ago, but reported late"
    assert (paper.zone().shut_s, paper.zone().today.bursts) == (5.01, 1)
    assert openings(paper.decide(70.0)) == []


def test_a_zone_that_the_keeper_refuses_keeps_the_line_from_nobody() -> None:
    """A bad line is refused for ever and always the most overdue; the others are misted all the same."""
    paper = house_at_work(
        house_plan(zone_plan("a"), zone_plan("b"), pause_s=30.0), shut_s={"a": -600.0, "b": -600.0}
    )
    bursts_of_b = answered = 0
    for tenth in range(36_000):
        now_s = tenth / 10.0
        orders = [action for _, action in paper.actions if isinstance(action, OpenValve)][answered:]
        answered += len(orders)
        for order in orders:
            if order.zone == "a":
                paper.decide(now_s, refused("a", order.ticket, now_s))
            else:
                bursts_of_b += 1
                paper.decide(
                    now_s, opened("b", order.ticket, now_s), shut("b", order.ticket, now_s, order.for_s)
                )
        paper.decide(now_s)

    assert bursts_of_b == 6  # of a gap of ten minutes, in an hour


def test_a_line_that_the_next_keeper_cannot_shut_is_not_proved_by_its_being_ready() -> None:
    paper = new_house(house_plan())

    decision = paper.decide(0.0, KeeperReady(since_s=LONG_AGO_S, unproved=("a",)))

    assert paper.zone().is_unproved
    (event,) = told(decision, EventKind.KEEPER_READY)
    assert "cannot shut a" in event.reason
