"""A tank's hours: worked by hand, and against a tank emptied burst by burst."""

from math import inf, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.tank_endurance import Bursts, Stretch, hours_until_low, litres_left, refill_s

BY_DAY = Bursts(burst_s=6.0, gap_s=594.0, flow_l_per_min=10.0)  # a litre every ten minutes: 6 l/h
BY_NIGHT = Bursts(burst_s=6.0, gap_s=3594.0, flow_l_per_min=10.0)  # 1 l/h
DAY = [Stretch(for_hours=14.0, bursts=(BY_DAY, BY_DAY)), Stretch(for_hours=10.0, bursts=(BY_NIGHT, BY_NIGHT))]
# 14 h at 12 l/h and 10 h at 2 l/h: 188 l a day


def test_bursts_draw_their_flow_over_burst_and_gap() -> None:
    assert BY_DAY.draw_l_per_hour == pytest.approx(6.0)
    assert DAY[0].draw_l_per_hour == pytest.approx(12.0)
    assert DAY[0].draw_l == pytest.approx(168.0)


@pytest.mark.parametrize(
    ("after_hours", "left_l"),
    [(0.0, 1000.0), (10.0, 880.0), (14.0, 832.0), (19.0, 822.0), (24.0, 812.0), (25.0, 800.0), (48.0, 624.0)],
)
def test_litres_left_worked_by_hand(after_hours: float, left_l: float) -> None:
    assert litres_left(1000.0, DAY, after_hours) == pytest.approx(left_l)


def test_a_tank_run_dry_has_nothing_left() -> None:
    assert litres_left(100.0, DAY, 24.0) == 0.0


@pytest.mark.parametrize(
    ("level_l", "low_l", "hours"),
    [
        (100.0, 40.0, 5.0),
        (208.0, 40.0, 14.0),
        (218.0, 40.0, 19.0),
        (228.0, 40.0, 24.0),
        (240.0, 40.0, 25.0),
        (976.0, 40.0, 4 * 24.0 + 14.0 + 8.0),  # four days and 184 of the 188 l of the fifth
    ],
)
def test_hours_until_low_worked_by_hand(level_l: float, low_l: float, hours: float) -> None:
    assert hours_until_low(level_l, low_l, DAY) == pytest.approx(hours)


@pytest.mark.parametrize("level_l", [40.0, 10.0, 0.0])
def test_a_tank_at_its_low_level_lasts_no_time(level_l: float) -> None:
    assert hours_until_low(level_l, 40.0, DAY) == 0.0


def test_a_tank_that_nothing_draws_from_lasts_for_ever() -> None:
    assert hours_until_low(500.0, 40.0, [Stretch(for_hours=24.0, bursts=())]) == inf


def test_a_day_that_ends_at_rest_is_low_when_the_last_water_went() -> None:
    """A tank that holds just three days' water is low when the third day's misting ends, not at midnight."""
    resting = [Stretch(for_hours=10.0, bursts=(BY_DAY,)), Stretch(for_hours=14.0, bursts=())]

    assert hours_until_low(180.0, 0.0, resting) == pytest.approx(58.0)


@given(
    level_l=st.floats(50.0, 600.0),
    burst_s=st.floats(2.0, 20.0),
    gap_s=st.floats(60.0, 1800.0),
    flow_l_per_min=st.floats(2.0, 30.0),
)
@settings(deadline=None, derandomize=True, max_examples=60)
def test_a_tank_emptied_burst_by_burst_is_low_within_one_round(
    level_l: float, burst_s: float, gap_s: float, flow_l_per_min: float
) -> None:
    day = [
        Stretch(for_hours=24.0, bursts=(Bursts(burst_s=burst_s, gap_s=gap_s, flow_l_per_min=flow_l_per_min),))
    ]
    burst_l = flow_l_per_min * burst_s / 60.0
    bursts, left_l = 0, level_l
    while left_l > 20.0:
        left_l -= burst_l
        bursts += 1

    hours = hours_until_low(level_l, 20.0, day)

    assert abs(hours * 3600.0 - bursts * (burst_s + gap_s)) <= burst_s + gap_s + 1e-3


@given(level_l=st.floats(41.0, 5000.0))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_at_the_hour_it_is_low_the_low_level_is_left(level_l: float) -> None:
    assert litres_left(level_l, DAY, hours_until_low(level_l, 40.0, DAY)) == pytest.approx(40.0, abs=1e-6)


def test_a_tank_refills_with_what_runs_in_less_what_is_drawn() -> None:
    assert refill_s(200.0, 500.0, 12.0) == pytest.approx(1500.0)
    assert refill_s(200.0, 500.0, 12.0, draw_l_per_min=2.0) == pytest.approx(1800.0)
    assert refill_s(500.0, 500.0, 0.0) == 0.0


@pytest.mark.parametrize("draw_l_per_min", [12.0, 15.0])
def test_a_tank_never_fills_while_as_much_is_drawn(draw_l_per_min: float) -> None:
    assert refill_s(200.0, 500.0, 12.0, draw_l_per_min=draw_l_per_min) == inf


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="day of bursts: no stretch, needs at least 1"):
        hours_until_low(100.0, 10.0, [])
    with pytest.raises(ValueError, match="day of bursts: no stretch"):
        litres_left(100.0, [], 1.0)
    with pytest.raises(ValueError, match="tank's level: nan l"):
        hours_until_low(nan, 10.0, DAY)
    with pytest.raises(ValueError, match="hours on: -1 h, must be at least 0 h"):
        litres_left(100.0, DAY, -1.0)
    with pytest.raises(ValueError, match="burst: 0 s, must be more than 0 s"):
        Bursts(burst_s=0.0, gap_s=60.0, flow_l_per_min=10.0)
    with pytest.raises(ValueError, match="stretch of the day: 0 h, must be more than 0 h"):
        Stretch(for_hours=0.0, bursts=())
    with pytest.raises(ValueError, match="flow into the tank: -1 l/min"):
        refill_s(100.0, 200.0, -1.0)
