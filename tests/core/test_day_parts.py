"""The day: its parts, the change from one to the next, the count of each date, and a clock that is moved."""

from datetime import date, timedelta
from math import inf

import pytest

from mistd.core.almanac import DayPart
from mistd.core.decide import SHORTEST_DAY_S
from mistd.core.events import EventKind
from mistd.core.zone import WaterCount
from tests.core.houses import (
    A_DATE,
    PaperHouse,
    almanac,
    ask_burst,
    house_at_work,
    house_misting,
    house_plan,
    new_house,
    openings,
    ready,
    shut,
    timetable,
    told,
    zone_plan,
)

NEXT_DATE = A_DATE + timedelta(days=1)
SHORTER_BY_DAY = house_plan(zone_plan(cycle=timetable(5.0, 3600.0, others={DayPart.DAY: (6.0, 600.0)})))
DRY_NIGHT = house_plan(zone_plan(cycle=timetable(5.0, 600.0, off=[DayPart.NIGHT])))


def test_a_house_wakes_at_the_end_of_the_part_for_a_new_almanac() -> None:
    paper = house_at_work(part=almanac(ends_s=300.0))

    assert paper.wake_at_s == 300.0


def test_an_almanac_that_has_run_out_wakes_nobody_again_and_again() -> None:
    paper = house_at_work(part=almanac(ends_s=300.0))

    assert paper.decide(300.0).wake_at_s == 600.0


def test_a_part_that_begins_is_told() -> None:
    decision = house_at_work().decide(10.0, almanac(DayPart.DUSK))

    (event,) = told(decision, EventKind.DAY_PART_BEGAN)
    assert (event.subject, event.reason) == ("elm-house", "dusk")


def test_a_new_almanac_of_the_same_part_begins_nothing() -> None:
    paper = house_at_work()
    paper.decide(10.0, almanac(ends_s=999.0))

    assert paper.told(EventKind.DAY_PART_BEGAN) == []
    assert paper.house.almanac.ends_s == 999.0


def test_the_new_parts_gap_counts_from_the_last_burst() -> None:
    paper = house_at_work(SHORTER_BY_DAY, part=almanac(DayPart.DAWN))
    assert paper.wake_at_s == 3600.0

    decision = paper.decide(300.0, almanac(DayPart.DAY))

    assert decision.wake_at_s == 600.0
    paper.wait_until(600.0)
    assert paper.orders() == [(600.0, "a", 6.0)]


def test_a_zone_overdue_by_the_new_parts_gap_is_misted_at_once() -> None:
    paper = house_at_work(SHORTER_BY_DAY, part=almanac(DayPart.DAWN))

    assert openings(paper.decide(2000.0, almanac(DayPart.DAY))) == [("a", 6.0)]


def test_a_longer_gap_puts_a_zone_that_waits_off_again() -> None:
    """It was due by day and could not begin; by dusk it is due much later."""
    plan = house_plan(zone_plan("b"), *SHORTER_BY_DAY.zones)
    paper = house_at_work(plan, shut_s={"b": -600.0, "a": -600.0})
    assert 1 in paper.house.waiting

    paper.decide(1.0, almanac(DayPart.DUSK))

    assert 1 not in paper.house.waiting
    assert paper.zone("a").due_s == 3000.0


def test_a_part_that_is_off_gives_no_mist_and_says_so() -> None:
    paper = house_at_work(DRY_NIGHT)

    decision = paper.decide(10.0, almanac(DayPart.NIGHT))

    (event,) = told(decision, EventKind.MIST_ENDED_FOR_PART)
    assert event.reason == "its timetable has no mist in the night part of the day"
    assert decision.wake_at_s == inf
    paper.wait_until(30_000.0)
    assert paper.orders() == []


def test_a_zone_due_as_an_off_part_begins_is_not_misted() -> None:
    paper = house_at_work(DRY_NIGHT)

    assert openings(paper.decide(600.0, almanac(DayPart.NIGHT))) == []


def test_after_an_off_part_a_zone_is_misted_at_once() -> None:
    paper = house_at_work(DRY_NIGHT, part=almanac(DayPart.NIGHT))

    assert openings(paper.decide(30_000.0, almanac(DayPart.DAWN))) == [("a", 5.0)]


def test_a_burst_that_runs_into_an_off_part_ends_and_is_the_last() -> None:
    paper = house_misting(DRY_NIGHT)
    paper.decide(2.0, almanac(DayPart.NIGHT))

    decision = paper.decide(5.0, shut("a", 1, 5.0, 5.0))

    assert len(told(decision, EventKind.BURST_ENDED)) == 1
    assert paper.zone().due_s == inf


def test_a_burst_that_runs_into_another_part_is_followed_by_that_parts_gap() -> None:
    paper = house_misting(SHORTER_BY_DAY)
    paper.decide(2.0, almanac(DayPart.DUSK))

    paper.decide(5.0, shut("a", 1, 5.0, 5.0))

    assert paper.zone().due_s == 3605.0


def test_a_zone_never_misted_is_due_in_whatever_part_begins() -> None:
    paper = new_house(DRY_NIGHT, part=almanac(DayPart.NIGHT))
    paper.decide(1.0, ready())
    paper.wait_until(500.0)
    assert paper.orders() == []

    assert openings(paper.decide(600.0, almanac(DayPart.DAWN))) == [("a", 5.0)]


def test_a_burst_asked_for_in_an_off_part_leaves_it_off() -> None:
    paper = house_at_work(DRY_NIGHT, part=almanac(DayPart.NIGHT))
    paper.decide(100.0, ask_burst())
    paper.open_what_was_ordered()

    paper.mist_until(20_000.0)

    assert paper.orders() == [(100.0, "a", 5.0)]


def house_with_water() -> PaperHouse:
    """A house that gave three bursts today, and began to count at 0."""
    paper = house_at_work()
    paper.decide(0.0, almanac(local_date=NEXT_DATE))
    paper.mist_until(2000.0)
    assert paper.zone().today.bursts == 3
    return paper


def test_a_new_date_begins_a_new_count_and_keeps_yesterdays() -> None:
    paper = house_with_water()
    midnight_s = 86_400.0

    decision = paper.decide(midnight_s, almanac(local_date=NEXT_DATE + timedelta(days=1)))

    (event,) = told(decision, EventKind.DAY_ENDED)
    assert event.reason == "3 bursts and 0.3 l on 2026-03-15"
    assert event.figures == {"bursts": 3, "water_l": 0.3}
    assert paper.zone().today == WaterCount()
    assert paper.zone().yesterday.bursts == 3


def test_the_first_change_of_date_a_house_sees_is_a_new_day() -> None:
    """Nobody can tell since when it has counted, so the date is believed."""
    paper = house_at_work()

    assert len(told(paper.decide(60.0, almanac(local_date=NEXT_DATE)), EventKind.DAY_ENDED)) == 1


def test_a_clock_set_back_over_midnight_and_on_again_ends_one_day_only() -> None:
    paper = house_with_water()
    paper.decide(3000.0, almanac(local_date=A_DATE))
    paper.decide(3600.0, almanac(local_date=NEXT_DATE))

    assert len(paper.told(EventKind.DAY_ENDED)) == 1  # the one that began the count
    assert paper.zone().today.bursts == 3
    assert paper.house.counting_date == NEXT_DATE


@pytest.mark.parametrize(
    ("since_s", "days_ended"),
    [(11 * 3600.0, 0), (SHORTEST_DAY_S - 0.001, 0), (SHORTEST_DAY_S, 1), (13 * 3600.0, 1)],
)
def test_a_date_that_changes_sooner_than_half_a_day_is_a_corrected_clock(
    since_s: float, days_ended: int
) -> None:
    paper = house_with_water()

    decision = paper.decide(since_s, almanac(local_date=NEXT_DATE + timedelta(days=1)))

    assert len(told(decision, EventKind.DAY_ENDED)) == days_ended
    assert paper.house.counting_date == NEXT_DATE + timedelta(days=1)


def test_after_a_correction_the_true_midnight_still_ends_the_day() -> None:
    paper = house_with_water()
    paper.decide(3000.0, almanac(local_date=date(2027, 1, 1)))  # the clock was wrong
    paper.decide(3060.0, almanac(local_date=NEXT_DATE))

    decision = paper.decide(86_400.0, almanac(local_date=NEXT_DATE + timedelta(days=1)))

    (event,) = told(decision, EventKind.DAY_ENDED)
    assert event.figures["bursts"] == 3


@pytest.mark.parametrize("step_days", [-400, -1, 1, 400])
def test_a_step_of_the_clock_moves_no_burst(step_days: int) -> None:
    stepped, steady = house_at_work(), house_at_work()
    stepped.decide(100.0, almanac(local_date=A_DATE + timedelta(days=step_days)))
    steady.decide(100.0)

    for paper in (stepped, steady):
        paper.mist_until(5000.0)

    assert stepped.orders() == steady.orders()


def test_a_burst_over_midnight_counts_for_the_day_in_which_it_ends() -> None:
    paper = house_misting()
    paper.decide(2.0, almanac(local_date=NEXT_DATE))

    paper.decide(5.0, shut("a", 1, 5.0, 5.0))

    assert (paper.zone().yesterday.bursts, paper.zone().today.bursts) == (0, 1)


def test_losing_and_finding_trust_in_the_clock_is_told_once_each() -> None:
    paper = house_at_work()

    lost = paper.decide(10.0, almanac(is_trusted=False))
    still = paper.decide(70.0, almanac(is_trusted=False))
    found = paper.decide(130.0, almanac())

    assert len(told(lost, EventKind.TIME_DISTRUSTED)) == 1
    assert "time uncertain" in told(lost, EventKind.TIME_DISTRUSTED)[0].reason
    assert still.events == ()
    assert len(told(found, EventKind.TIME_TRUSTED)) == 1
