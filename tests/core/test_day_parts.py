"""The day: its parts, the change from one to the next, the count of each date, and a clock that is moved."""

from datetime import date, timedelta
from math import inf

import pytest

from mistd.core.almanac import DayPart
from mistd.core.decide import SHORTEST_DAY_S, UNTRUSTED_DAY_S
from mistd.core.durable import durable, restored
from mistd.core.events import EventKind
from mistd.core.house import Decision
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
UNIX = date(1970, 1, 1)
DAY_S = 86_400.0
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
    """A house that began to count at the midnight of second 0, and gave three bursts since."""
    paper = house_at_work()
    paper.mist_until(2000.0)
    assert paper.zone().today.bursts == 3
    return paper


def days_ended(decision: Decision) -> int:
    return len(told(decision, EventKind.DAY_ENDED))


def test_a_midnight_ends_the_day_begins_a_new_count_and_keeps_yesterdays() -> None:
    paper = house_with_water()

    decision = paper.decide(DAY_S, almanac(local_date=NEXT_DATE, day_began_s=DAY_S))

    (event,) = told(decision, EventKind.DAY_ENDED)
    assert event.reason == "3 bursts and 0.3 l on 2026-03-14"
    assert event.figures == {"bursts": 3, "water_l": 0.3}
    assert paper.zone().today == WaterCount()
    assert paper.zone().yesterday.bursts == 3


def test_a_house_that_began_in_the_afternoon_ends_its_first_day_at_midnight() -> None:
    paper = house_at_work(part=almanac(day_began_s=-60_000.0))

    assert days_ended(paper.decide(26_400.0, almanac(local_date=NEXT_DATE, day_began_s=26_400.0))) == 1


def test_a_clock_set_back_over_midnight_and_on_again_ends_one_day_only() -> None:
    paper = house_with_water()
    paper.decide(DAY_S, almanac(local_date=NEXT_DATE, day_began_s=DAY_S))
    paper.decide(DAY_S + 600.0, almanac(local_date=A_DATE, day_began_s=4200.0))  # an hour back
    paper.decide(DAY_S + 4200.0, almanac(local_date=NEXT_DATE, day_began_s=DAY_S + 4200.0))

    assert len(paper.told(EventKind.DAY_ENDED)) == 1
    assert paper.zone().yesterday.bursts == 3
    assert paper.house.counting_date == NEXT_DATE


@pytest.mark.parametrize(
    ("midnight_s", "days"),
    [(11 * 3600.0, 0), (SHORTEST_DAY_S - 0.001, 0), (SHORTEST_DAY_S, 1), (23 * 3600.0, 1)],
)
def test_a_midnight_nearer_to_the_one_before_than_half_a_day_is_the_same_set_right(
    midnight_s: float, days: int
) -> None:
    paper = house_with_water()

    decision = paper.decide(midnight_s, almanac(local_date=NEXT_DATE, day_began_s=midnight_s))

    assert days_ended(decision) == days
    assert paper.house.counting_date == NEXT_DATE


def test_of_two_midnights_half_of_the_longest_day_apart_one_counts() -> None:
    """A day of 25 h, with a wrong midnight in its very middle."""
    paper = house_with_water()
    paper.decide(45_000.0, almanac(local_date=NEXT_DATE, day_began_s=45_000.0))
    paper.decide(45_600.0, almanac(local_date=A_DATE, day_began_s=0.0))
    paper.decide(90_000.0, almanac(local_date=NEXT_DATE, day_began_s=90_000.0))

    assert [event.at_s for event in paper.told(EventKind.DAY_ENDED)] == [90_000.0]


@pytest.mark.parametrize("by_days", [1, 7, 365, 3652, -1, -7, -365, -3652])
def test_a_step_by_whole_days_is_over_no_midnight_however_late_in_the_day(by_days: int) -> None:
    paper = house_with_water()
    wrong = A_DATE + timedelta(days=by_days)
    paper.decide(80_000.0, almanac(local_date=wrong, day_began_s=0.0))
    paper.decide(82_000.0, almanac(local_date=A_DATE, day_began_s=0.0))

    assert paper.told(EventKind.DAY_ENDED) == []
    assert days_ended(paper.decide(DAY_S, almanac(local_date=NEXT_DATE, day_began_s=DAY_S))) == 1


def test_a_step_over_midnight_late_in_the_day_ends_it_once() -> None:
    """It was half past eleven, and is half past twelve: the midnight is counted, and does not come again."""
    paper = house_with_water()
    paper.decide(84_600.0, almanac(local_date=NEXT_DATE, day_began_s=82_800.0))
    paper.decide(84_900.0, almanac(local_date=A_DATE, day_began_s=0.0))
    paper.decide(DAY_S, almanac(local_date=NEXT_DATE, day_began_s=DAY_S))

    assert [event.at_s for event in paper.told(EventKind.DAY_ENDED)] == [84_600.0]


def test_a_midnight_that_passed_while_the_clock_was_wrong_ends_the_day_when_it_is_set_right() -> None:
    """Just before midnight the clock went to the next noon; set right later, it says the same date."""
    paper = house_with_water()
    paper.decide(86_370.0, almanac(local_date=NEXT_DATE, day_began_s=39_600.0))

    decision = paper.decide(93_570.0, almanac(local_date=NEXT_DATE, day_began_s=DAY_S))

    assert [event.at_s for event in paper.told(EventKind.DAY_ENDED)] == [93_570.0]
    assert days_ended(decision) == 1


def test_several_days_away_end_one_day() -> None:
    paper = house_with_water()
    later = A_DATE + timedelta(days=3)

    decision = paper.decide(300_000.0, almanac(local_date=later, day_began_s=3 * DAY_S))

    assert days_ended(decision) == 1
    after = almanac(local_date=later + timedelta(days=1), day_began_s=4 * DAY_S)
    assert days_ended(paper.decide(4 * DAY_S, after)) == 1


def test_an_untrusted_clocks_date_ends_no_day_and_is_not_taken_over() -> None:
    paper = house_with_water()

    decision = paper.decide(60_000.0, almanac(local_date=UNIX, day_began_s=59_990.0, is_trusted=False))

    assert days_ended(decision) == 0
    assert paper.house.counting_date == A_DATE


@pytest.mark.parametrize(
    ("at_s", "days"), [(UNTRUSTED_DAY_S - 0.001, 0), (UNTRUSTED_DAY_S, 1), (UNTRUSTED_DAY_S + 60.0, 1)]
)
def test_without_trust_a_day_is_over_after_24_hours(at_s: float, days: int) -> None:
    paper = house_with_water()
    paper.decide(60_000.0, almanac(local_date=UNIX, day_began_s=59_990.0, is_trusted=False))

    decision = paper.decide(at_s, almanac(local_date=UNIX, day_began_s=59_990.0, is_trusted=False))

    assert days_ended(decision) == days
    assert paper.house.counting_date == A_DATE + timedelta(days=days)
    paper.decide(UNTRUSTED_DAY_S + 300.0, almanac(local_date=NEXT_DATE, day_began_s=DAY_S))  # set right
    assert len(paper.told(EventKind.DAY_ENDED)) == 1


@pytest.mark.parametrize(("away_days", "ended"), [(0, 0), (1, 1), (3, 1), (-1, 0)])
def test_after_a_time_away_that_nobody_knows_the_first_trusted_date_tells(away_days: int, ended: int) -> None:
    """The power failed at four in the afternoon; in the rows no more than 16 h have passed since midnight."""
    before = house_with_water().house
    now_s, date_now = 57_600.0, A_DATE + timedelta(days=away_days)
    guess = almanac(local_date=UNIX, day_began_s=now_s - 10.0, is_trusted=False)
    back = restored(before.plan, durable(before), guess, now_s, is_time_away_known=False)
    paper = PaperHouse(house=back.house, now_s=now_s)
    assert days_ended(paper.decide(now_s, guess)) == 0

    decision = paper.decide(now_s + 300.0, almanac(local_date=date_now, day_began_s=now_s - 3600.0))

    assert days_ended(decision) == ended
    assert paper.house.counting_date == date_now


def test_a_new_house_without_a_trusted_clock_takes_the_first_trusted_date_in_silence() -> None:
    """Its own date was anybody's guess; the day ends at the next midnight, short as it was."""
    paper = house_at_work(part=almanac(local_date=UNIX, day_began_s=-10.0, is_trusted=False))

    right = paper.decide(600.0, almanac(day_began_s=-60_000.0))

    assert days_ended(right) == 0
    assert days_ended(paper.decide(26_400.0, almanac(local_date=NEXT_DATE, day_began_s=26_400.0))) == 1


def test_a_new_house_whose_clock_is_never_trusted_goes_by_its_first_midnight_and_then_by_24_hours() -> None:
    paper = house_at_work(part=almanac(local_date=UNIX, day_began_s=-10.0, is_trusted=False))
    stepped = almanac(local_date=UNIX + timedelta(days=9), day_began_s=-40_000.0, is_trusted=False)
    assert days_ended(paper.decide(100.0, stepped)) == 0

    midnight = almanac(local_date=UNIX + timedelta(days=10), day_began_s=46_400.0, is_trusted=False)
    (event,) = told(paper.decide(46_400.0, midnight), EventKind.DAY_ENDED)

    assert event.reason.endswith("on 1970-01-10")
    assert days_ended(paper.decide(46_400.0 + DAY_S - 1.0, midnight)) == 0
    assert days_ended(paper.decide(46_400.0 + DAY_S, midnight)) == 1


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
