"""Bursts: of the cycle and of people, their order on the line, and what is told of each."""

from math import inf

import pytest

from mistd.core.actions import AnswerRequest, Outcome
from mistd.core.almanac import DayPart
from mistd.core.events import EventKind
from mistd.core.house import KEEPER_START_S
from mistd.core.observations import NOTHING_NEW, Observations
from mistd.core.plan import HousePlan
from mistd.core.zone import Phase
from tests.core.houses import (
    PaperHouse,
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
    shut,
    timetable,
    told,
    zone_plan,
)

THREE = (zone_plan("a"), zone_plan("b"), zone_plan("c"))


def three_due_together(valves_at_once: int = 1) -> PaperHouse:
    return house_at_work(house_plan(*THREE, valves_at_once=valves_at_once))


def test_a_burst_is_ordered_exactly_when_its_gap_is_over() -> None:
    paper = house_at_work()

    assert paper.wake_at_s == 600.0
    assert openings(paper.decide(599.999)) == []
    assert openings(paper.decide(600.0)) == [("a", 5.0)]


def test_a_burst_is_ordered_once_though_decided_again() -> None:
    paper = house_at_work()
    paper.decide(600.0)

    assert [openings(paper.decide(at_s)) for at_s in (600.0, 600.1, 601.0)] == [[], [], []]


def test_the_order_names_a_new_ticket_each_time() -> None:
    paper = house_at_work()
    paper.mist_until(2000.0)

    tickets = [action.ticket for _, action in paper.actions if hasattr(action, "ticket")]

    assert tickets == [1, 2, 3]


def test_ordering_is_not_having() -> None:
    paper = house_at_work()
    paper.decide(600.0)

    assert paper.zone().phase is Phase.ORDERED
    assert paper.zone().today.bursts == 0
    assert paper.told(EventKind.BURST_STARTED) == []


def test_a_burst_counts_from_what_the_keeper_reported() -> None:
    paper = house_at_work()
    paper.decide(600.0)
    paper.decide(600.3, opened("a", 1, 600.25))

    paper.decide(605.4, shut("a", 1, 605.3, 5.05))

    zone = paper.zone()
    assert (zone.opened_s, zone.shut_s, zone.due_s) == (600.25, 605.3, 1205.3)
    assert (zone.today.bursts, zone.today.open_s) == (1, 5.05)
    assert zone.today.water_l == pytest.approx(5.05 / 60.0 * 12 * 0.1)


def test_a_burst_is_told_with_its_reason_and_figures() -> None:
    paper = house_at_work()
    paper.decide(600.0)

    started = paper.decide(600.25, opened("a", 1, 600.25))
    ended = paper.decide(605.25, shut("a", 1, 605.25, 5.0))

    (start,), (end,) = told(started, EventKind.BURST_STARTED), told(ended, EventKind.BURST_ENDED)
    assert start.reason == "10.0 min since the last burst, by the timetable"
    assert start.figures == {"for_s": 5.0, "part": "day", "gap_s": 600.2}
    assert end.reason == "its time was over"
    assert end.figures == {
        "open_s": 5.0,
        "water_l": 0.1,
        "for_s": 5.0,
        "gap_s": 600.2,
        "why": start.reason,
    }
    assert paper.zone().last_reason == start.reason


def test_the_gap_that_is_told_is_reckoned_from_the_last_burst_and_not_from_the_clocks_zero() -> None:
    paper = house_at_work(now_s=1000.0)
    paper.decide(1600.0)

    (start,) = told(paper.decide(1600.25, opened("a", 1, 1600.25)), EventKind.BURST_STARTED)

    assert start.reason == "10.0 min since the last burst, by the timetable"
    assert start.figures["gap_s"] == 600.2


def test_a_zone_never_misted_before_says_so_and_has_no_gap_to_tell() -> None:
    paper = new_house(house_plan())
    ordered = paper.decide(0.0, ready())
    assert openings(ordered) == [("a", 5.0)]

    started = paper.decide(0.1, opened("a", 1, 0.1))

    (start,) = told(started, EventKind.BURST_STARTED)
    assert start.reason == "never misted before, as far as is known"
    assert "gap_s" not in start.figures


def test_a_new_house_gives_the_keeper_some_seconds_before_it_tells_of_waiting() -> None:
    paper = new_house(house_plan())

    paper.wait_until(KEEPER_START_S - 0.1)
    assert paper.events == []
    paper.wait_until(KEEPER_START_S)

    (refusal,) = paper.told(EventKind.BURST_REFUSED)
    assert refusal.figures["guard"] == "keeper_away"
    assert paper.wake_at_s == inf


def test_zones_due_together_take_turns_a_pause_apart() -> None:
    paper = three_due_together()

    paper.mist_until(630.0)

    # 5 s of mist and 2 s of pause each, one after the other.
    assert paper.orders() == [(600.0, "a", 5.0), (607.0, "b", 5.0), (614.0, "c", 5.0)]


def test_two_valves_at_once_start_a_pause_apart_and_never_a_third() -> None:
    paper = three_due_together(valves_at_once=2)

    paper.mist_until(630.0)

    assert paper.orders() == [(600.0, "a", 5.0), (602.0, "b", 5.0), (607.0, "c", 5.0)]


def test_the_most_overdue_zone_goes_first() -> None:
    paper = house_at_work(
        house_plan(*THREE), part=almanac(DayPart.DAY), shut_s={"a": -590.0, "b": -592.0, "c": -591.0}
    )

    paper.decide(5.0, lost())
    paper.wait_until(20.0)
    paper.decide(30.0, ready())
    paper.open_what_was_ordered()
    paper.mist_until(60.0)

    assert [zone for _, zone, _ in paper.orders()] == ["b", "c", "a"]


def test_of_two_equally_overdue_the_first_in_the_plan_goes_first() -> None:
    paper = house_at_work(house_plan(zone_plan("late"), zone_plan("early")))

    paper.mist_until(650.0)

    assert [zone for _, zone, _ in paper.orders()] == ["late", "early"]


def test_the_line_is_not_free_until_a_pause_after_shut_is_reported() -> None:
    paper = three_due_together()
    paper.decide(600.0)
    paper.decide(600.1, opened("a", 1, 600.1))

    assert openings(paper.decide(605.1)) == []
    paper.decide(605.3, shut("a", 1, 605.1, 5.0))
    assert paper.wake_at_s == 607.1
    assert openings(paper.decide(607.0)) == []
    assert openings(paper.decide(607.1)) == [("b", 5.0)]


def test_a_burst_that_was_asked_for_is_answered_when_the_keeper_opens() -> None:
    paper = house_at_work()

    asked = paper.decide(100.0, ask_burst(for_s=3.0))
    assert openings(asked) == [("a", 3.0)]
    assert answers(asked) == []
    started = paper.decide(100.1, opened("a", 1, 100.1))

    (answer,) = answers(started)
    assert (answer.request_id, answer.outcome, answer.reason) == ("burst-1", Outcome.DONE, "misting for 3 s")
    assert answer.figures == {"for_s": 3.0}
    assert not answer.must_be_kept
    assert paper.told(EventKind.BURST_STARTED)[0].reason == "asked for by ilse"


def test_a_burst_that_was_asked_for_sets_the_cycle_back_by_its_gap() -> None:
    paper = house_at_work()
    paper.decide(100.0, ask_burst())
    paper.open_what_was_ordered()

    paper.mist_until(750.0)

    assert paper.orders() == [(100.0, "a", 5.0), (705.0, "a", 5.0)]


def test_without_a_length_a_person_gets_the_cycles_own_burst() -> None:
    night = house_plan(zone_plan(cycle=timetable(5.0, others={DayPart.NIGHT: (8.0, 3600.0)})))

    paper = house_at_work(night, part=almanac(DayPart.NIGHT))

    assert openings(paper.decide(100.0, ask_burst())) == [("a", 8.0)]


def test_in_a_part_that_is_off_a_person_still_gets_a_burst() -> None:
    plan = house_plan(
        zone_plan(cycle=timetable(5.0, off=[DayPart.NIGHT], others={DayPart.DAY: (6.0, 900.0)}))
    )

    paper = house_at_work(plan, part=almanac(DayPart.NIGHT))

    assert openings(paper.decide(100.0, ask_burst())) == [("a", 6.0)]


def test_people_go_before_zones_and_in_the_order_they_asked() -> None:
    paper = three_due_together()

    paper.decide(600.0, ask_burst("c", request_id="1"), ask_burst("b", request_id="2"))
    paper.open_what_was_ordered()
    paper.mist_until(630.0)

    assert [zone for _, zone, _ in paper.orders()] == ["c", "b", "a"]


def test_a_due_zone_that_is_misted_on_request_is_not_misted_again_for_being_due() -> None:
    paper = house_at_work()

    paper.decide(600.0, ask_burst())
    paper.open_what_was_ordered()
    paper.mist_until(1204.0)

    assert paper.orders() == [(600.0, "a", 5.0)]
    assert paper.told(EventKind.BURST_REFUSED) == []


def refusal_of(paper: PaperHouse, now_s: float, for_s: float | None = None) -> tuple[AnswerRequest, str]:
    """The answer to a burst asked for, and the guard that the event of its refusal names."""
    decision = paper.decide(now_s, ask_burst("a", for_s))
    (answer,), (event,) = answers(decision), told(decision, EventKind.BURST_REFUSED)
    assert openings(decision) == []
    assert event.figures["asked_by"] == "ilse"
    assert event.reason == answer.reason
    return answer, str(event.figures["guard"])


def test_a_burst_that_a_guard_forbids_is_refused_at_once_with_reason_and_figures() -> None:
    answer, guard = refusal_of(house_at_work(), 100.0, for_s=25.0)

    assert (answer.outcome, guard) == (Outcome.REFUSED, "longest_burst")
    assert answer.reason == "25 s is too long, longest burst 20 s"
    assert answer.figures == {"for_s": 25.0, "longest_burst_s": 20.0}


def test_a_burst_too_soon_after_the_last_is_refused() -> None:
    answer, guard = refusal_of(house_at_work(), 30.0)

    assert (answer.outcome, guard) == (Outcome.REFUSED, "shortest_rest")


def test_a_burst_during_a_burst_is_refused() -> None:
    answer, guard = refusal_of(house_misting(), 1.0)

    assert (answer.outcome, guard) == (Outcome.REFUSED, "misting_now")


def test_a_burst_without_a_keeper_is_refused() -> None:
    answer, guard = refusal_of(new_house(house_plan()), 1.0)

    assert (answer.outcome, guard) == (Outcome.REFUSED, "keeper_away")


def test_a_second_burst_for_a_zone_that_waits_is_refused_and_names_the_first() -> None:
    paper = house_misting(house_plan(*THREE))
    paper.decide(1.0, ask_burst("b", request_id="1", author="jo"))

    decision = paper.decide(2.0, ask_burst("b", request_id="2"))

    (answer,) = answers(decision)
    assert (answer.request_id, answer.outcome) == ("2", Outcome.REFUSED)
    assert "jo asked for is waiting" in answer.reason


def two_on_two_valves() -> HousePlan:
    return house_plan(zone_plan("a"), zone_plan("b"), valves_at_once=2)


def test_a_guard_that_spoke_only_while_the_request_waited_refuses_it_too() -> None:
    """Asked when free of guards, held before the line was free: every guard is asked again at the start."""
    paper = house_misting(two_on_two_valves())
    assert answers(paper.decide(1.0, ask_burst("b", request_id="1"))) == []
    paper.decide(1.5, ask_hold("b"))

    decision = paper.decide(2.0)  # a pause after the first opening

    assert [(a.request_id, a.outcome) for a in answers(decision)] == [("1", Outcome.REFUSED)]
    assert openings(decision) == []
    assert [e.figures["guard"] for e in told(decision, EventKind.BURST_REFUSED)] == ["hold"]
    assert paper.decide(3.0).actions == ()  # and it is forgotten


def test_a_request_that_could_not_begin_in_time_is_refused_at_that_instant() -> None:
    paper = house_misting(house_plan(*THREE))
    paper.decide(1.0, ask_burst("b", request_id="1", expires_at_s=4.0))
    paper.decide(1.5, ask_burst("c", request_id="2", expires_at_s=31.5))
    assert paper.wake_at_s == 4.0

    early = paper.decide(3.999)
    late = paper.decide(4.0)

    assert answers(early) == []
    assert [(a.request_id, a.outcome) for a in answers(late)] == [("1", Outcome.REFUSED)]
    (event,) = told(late, EventKind.BURST_REFUSED)
    assert (event.subject, event.figures["guard"]) == ("b", "line_taken")
    assert [asked.request_id for asked in paper.house.asked] == ["2"]


def test_a_request_that_expires_as_it_arrives_moves_no_water() -> None:
    paper = house_at_work()

    decision = paper.decide(100.0, ask_burst(expires_at_s=100.0))

    assert openings(decision) == []
    assert [a.outcome for a in answers(decision)] == [Outcome.REFUSED]


def test_every_request_is_answered_exactly_once() -> None:
    paper = house_misting(house_plan(*THREE))
    paper.decide(1.0, ask_burst("a", request_id="misting"), ask_burst("b", request_id="given"))
    paper.decide(2.0, ask_burst("b", request_id="again"))
    paper.decide(3.0, ask_burst("c", request_id="late", expires_at_s=5.0))

    paper.mist_until(2000.0)

    assert sorted(paper.answers()) == [
        ("again", "refused"),
        ("given", "done"),
        ("late", "refused"),
        ("misting", "refused"),
    ]


def test_nothing_new_and_an_empty_observation_are_the_same() -> None:
    paper = house_at_work()

    with_nothing = paper.decide(10.0)

    assert with_nothing.house is paper.decide(10.0).house
    assert Observations() == NOTHING_NEW
