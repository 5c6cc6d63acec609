"""A zone's own week: its hours, its midnights, which days count, and the fifth on top."""

from dataclasses import replace
from math import floor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.own_week import DAYS, HOURS, NO_WEEK, WETTER, OwnWeek, day_ended, due_after_s, with_burst

HOUR_S, DAY_S = 3600.0, 86_400.0
FAR_S = 1e9

DAY_COUNTS = st.lists(st.integers(0, 30), min_size=HOURS, max_size=HOURS).map(tuple)
WEEKS = st.lists(DAY_COUNTS, min_size=DAYS, max_size=DAYS).map(lambda days: OwnWeek(days=tuple(days)))


def steady(bursts_an_hour: int) -> OwnWeek:
    return OwnWeek(days=((bursts_an_hour,) * HOURS,) * DAYS)


def only_in(hour: int, bursts: int) -> OwnWeek:
    day = tuple(bursts if each == hour else 0 for each in range(HOURS))
    return OwnWeek(days=(day,) * DAYS)


@pytest.mark.parametrize(
    ("since_midnight_s", "hour"),
    [
        (0.0, 0),
        (3599.9, 0),
        (3600.0, 1),
        (DAY_S - 0.1, 23),
        (DAY_S, 0),  # a midnight that the almanac has not told of yet
        (DAY_S + HOUR_S, 1),  # the 25th hour, when clocks go back
        (-0.1, 23),  # a burst of yesterday, reported late
    ],
)
def test_a_burst_counts_in_its_hour_of_the_day(since_midnight_s: float, hour: int) -> None:
    week = with_burst(NO_WEEK, since_midnight_s)

    assert week.today[hour] == 1
    assert sum(week.today) == 1


def test_bursts_of_one_hour_add_up_and_leave_the_days_before_alone() -> None:
    week = with_burst(with_burst(steady(3), 7 * HOUR_S), 7 * HOUR_S + 60.0)

    assert week.today[7] == 2
    assert week.days == steady(3).days


@pytest.mark.parametrize(("sound_days", "is_known"), [(0, False), (6, False), (7, True), (8, True)])
def test_a_week_is_known_from_the_seventh_sound_day_on(sound_days: int, is_known: bool) -> None:
    week = NO_WEEK
    for _ in range(sound_days):
        week = day_ended(with_burst(week, 0.0))

    assert week.is_known is is_known
    assert len(week.days) == min(sound_days, DAYS)


def test_a_day_that_was_not_sound_is_forgotten_and_the_next_starts_sound_and_empty() -> None:
    week = replace(with_burst(steady(3), 0.0), is_sound=False)

    after = day_ended(week)

    assert after == OwnWeek(days=steady(3).days)
    assert after.is_sound
    assert sum(after.today) == 0


def test_an_unsound_day_between_sound_ones_is_no_gap_in_the_week() -> None:
    week = OwnWeek(days=steady(3).days[:6])

    week = day_ended(replace(week, is_sound=False))
    assert not week.is_known
    week = day_ended(with_burst(week, 5 * HOUR_S))

    assert week.is_known
    assert week.days[-1][5] == 1


def test_the_eighth_sound_day_takes_the_place_of_the_first() -> None:
    week = NO_WEEK
    for day in range(DAYS + 1):
        for _ in range(day):
            week = with_burst(week, 0.0)
        week = day_ended(week)

    assert [day[0] for day in week.days] == [1, 2, 3, 4, 5, 6, 7]


def test_the_week_is_a_fifth_wetter_than_its_days() -> None:
    days = tuple((bursts,) * HOURS for bursts in (2, 2, 2, 2, 2, 2, 9))

    rate = OwnWeek(days=days).bursts_per_s(4)

    assert rate * HOUR_S == pytest.approx(1.2 * 3.0)
    assert WETTER == 1.2


@pytest.mark.parametrize("bursts_an_hour", [1, 2, 10])
@pytest.mark.parametrize("since_s", [0.0, 1800.0, 12 * HOUR_S, DAY_S - 1.0, -100.0])
def test_a_steady_week_has_a_steady_gap_a_sixth_shorter(bursts_an_hour: int, since_s: float) -> None:
    due_s = due_after_s(steady(bursts_an_hour), since_s, 0.0, FAR_S)

    assert due_s - since_s == pytest.approx(HOUR_S / (1.2 * bursts_an_hour))


def test_hours_without_bursts_are_waited_through_to_the_hour_that_has_them() -> None:
    """Ten bursts between 9 and 10, a fifth more: one every 300 s, the first 300 s after nine."""
    due_s = due_after_s(only_in(9, 10), 0.0, 0.0, FAR_S)

    assert due_s == pytest.approx(9 * HOUR_S + 300.0)


def test_the_wait_goes_on_over_midnight_into_the_next_days_hour() -> None:
    due_s = due_after_s(only_in(9, 10), 10 * HOUR_S, 0.0, FAR_S)

    assert due_s == pytest.approx(DAY_S + 9 * HOUR_S + 300.0)


def test_parts_of_a_burst_add_up_over_the_hours_between() -> None:
    """Half an hour of 1.2 a burst's worth an hour is 0.6; the other 0.4 comes at 6.0 an hour: in 240 s."""
    counts = tuple(5 if hour == 1 else 1 for hour in range(HOURS))

    due_s = due_after_s(OwnWeek(days=(counts,) * DAYS), 1800.0, 0.0, FAR_S)

    assert due_s == pytest.approx(HOUR_S + 240.0)


@pytest.mark.parametrize(
    ("latest_s", "due_s"), [(2999.0, 2999.0), (3000.0, 3000.0), (3001.0, 3000.0), (0.0, 0.0), (-5.0, -5.0)]
)
def test_nothing_is_looked_for_after_the_latest_instant(latest_s: float, due_s: float) -> None:
    assert due_after_s(steady(1), 0.0, 0.0, latest_s) == pytest.approx(due_s)


def test_a_week_without_any_burst_leaves_it_to_the_longest_gap() -> None:
    assert due_after_s(steady(0), 100.0, 0.0, 3700.0) == 3700.0


def bursts_up_to(week: OwnWeek, at_s: float) -> float:
    """Bursts that the week has from a midnight on up to an instant; whole hours and the part of the last."""
    hours = floor(at_s / HOUR_S)
    rates = [week.bursts_per_s(hour) * HOUR_S for hour in range(HOURS)]
    whole_days, left = divmod(hours, HOURS)
    return whole_days * sum(rates) + sum(rates[:left]) + rates[left] * (at_s / HOUR_S - hours)


@given(week=WEEKS, since_s=st.floats(-DAY_S, DAY_S), midnight_s=st.floats(-1e6, 1e6))
def test_the_hours_between_two_bursts_add_up_to_a_whole_one(
    week: OwnWeek, since_s: float, midnight_s: float
) -> None:
    latest_s = midnight_s + since_s + DAY_S
    due_s = due_after_s(week, midnight_s + since_s, midnight_s, latest_s)

    added = bursts_up_to(week, due_s - midnight_s) - bursts_up_to(week, since_s)
    assert added == pytest.approx(1.0, abs=1e-6) or (due_s == latest_s and added < 1.0 + 1e-6)
    assert midnight_s + since_s <= due_s


def test_an_instant_that_rounds_to_just_before_the_hour_is_not_an_hour_of_the_one_before() -> None:
    """Found on paper houses: this midnight and an hour's multiple do not add up to the last digit."""
    midnight_s, since_s = -522_495.9997785654, -604_385.731325712
    counts = tuple(10 if hour == 7 else 0 for hour in range(HOURS))

    due_s = due_after_s(OwnWeek(days=(counts,) * DAYS), since_s, midnight_s, since_s + DAY_S)

    assert due_s == pytest.approx(midnight_s - DAY_S + 7 * HOUR_S + 300.0)
