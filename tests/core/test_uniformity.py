"""Can tests against numbers printed outside the project; the source stands beside each check."""

import re
from math import inf, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.uniformity import (
    applied_mm,
    caught_rate_mm_per_h,
    christiansen_uniformity,
    coefficient_of_variation,
    flow_rate_mm_per_h,
    low_quarter_cans,
    low_quarter_uniformity,
)

# An examination question after A.M. Michael, Irrigation: Theory and Practice (second-hand): CU 92.0 %.
MICHAEL_MM = [8.0, 10.0, 12.0, 10.0, 10.0]

# Liptak 1971, table 6 (primary): 16 points; prints the mean 4.25, sigma 0.433 and sigma over mean 0.102.
LIPTAK = [4.0, 4.0, 4.0, 4.0, 4.0, 5.0, 5.0, 4.0, 4.0, 5.0, 5.0, 4.0, 4.0, 4.0, 4.0, 4.0]

MM_PER_IN = 25.4

catches = st.lists(st.floats(0.0, 200.0), min_size=2, max_size=40).filter(lambda caught: sum(caught) > 1e-6)


def test_christiansen_gives_michaels_92_percent() -> None:
    assert christiansen_uniformity(MICHAEL_MM) == pytest.approx(0.920, abs=1e-12)


def test_christiansen_of_liptaks_points() -> None:
    """91.18 %, worked from 4 fives and 12 fours: the mean departure is 0.375."""
    assert christiansen_uniformity(LIPTAK) == pytest.approx(0.9118, abs=0.00005)


def test_low_quarter_of_the_same_points() -> None:
    """80.0 % and 94.12 %, worked by hand: the lowest can of five, the lowest four of sixteen."""
    assert low_quarter_uniformity(MICHAEL_MM) == pytest.approx(0.800, abs=1e-12)
    assert low_quarter_uniformity(LIPTAK) == pytest.approx(0.9412, abs=0.00005)


def test_the_low_quarter_is_a_mean_and_not_the_lowest_can() -> None:
    """Lowest two of eight, 2 and 6, over a mean of 8: one half."""
    assert low_quarter_uniformity([10.0, 2.0, 9.0, 6.0, 10.0, 9.0, 8.0, 10.0]) == pytest.approx(0.5)


def test_the_variation_of_liptaks_points_is_0_102() -> None:
    """Printed sigma 0.433 and 0.102, reproduced as 0.43301 and 0.10189."""
    assert coefficient_of_variation(LIPTAK) == pytest.approx(0.10189, abs=0.000005)
    assert coefficient_of_variation(LIPTAK) * 4.25 == pytest.approx(0.43301, abs=0.000005)


@pytest.mark.parametrize(
    ("cans", "low"),
    [
        (2, 1),
        (3, 1),
        (4, 1),
        (5, 1),
        (6, 2),
        (7, 2),
        (8, 2),
        (9, 2),
        (10, 3),
        (14, 4),
        (16, 4),
        (18, 5),
        (22, 6),
    ],
)
def test_the_low_quarter_rounds_halves_upwards(cans: int, low: int) -> None:
    """The project's own rule: 2, 6, 10, 14 cans are the halves, where rounding to even would differ."""
    assert low_quarter_cans(cans) == low


def test_of_20_cans_the_lowest_5_count() -> None:
    """Ascough & Kiker 2002, Water SA 28:235 (primary)."""
    assert low_quarter_cans(20) == 5


@pytest.mark.parametrize(("caught_ml", "minutes", "mouth_in2"), [(25.0, 10.0, 16.0), (8.0, 3.0, 12.5)])
def test_the_rate_from_cans_is_the_audit_formulas(caught_ml: float, minutes: float, mouth_in2: float) -> None:
    """PR [in/h] = 3.66 V [ml] / (t [min] A [in2]): University of Maryland course text (primary)."""
    printed_in_per_h = 3.66 * caught_ml / (minutes * mouth_in2)

    rate = caught_rate_mm_per_h([caught_ml, caught_ml], mouth_in2 * 6.4516, minutes * 60.0)

    assert rate / MM_PER_IN == pytest.approx(printed_in_per_h, rel=0.0005)  # 3.66 is 3.6614


def test_cans_and_flow_give_one_rate_when_nothing_is_lost() -> None:
    """7.2 l/min on 12 m2 for 5 min is 3 mm; a can of 50 cm2 then holds 15 ml."""
    assert flow_rate_mm_per_h(7.2, 12.0) == pytest.approx(36.0)
    assert applied_mm([15.0] * 4, 50.0) == pytest.approx(3.0)
    assert caught_rate_mm_per_h([15.0] * 4, 50.0, 300.0) == pytest.approx(36.0)


@given(caught=catches)
@settings(deadline=None, derandomize=True, max_examples=80)
def test_no_bench_is_more_than_perfectly_even(caught: list[float]) -> None:
    assert christiansen_uniformity(caught) <= 1.0
    assert 0.0 <= low_quarter_uniformity(caught) <= 1.0 + 1e-12


@given(catch=st.floats(1e-3, 1e3), cans=st.integers(2, 50))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_equal_cans_are_perfectly_even(catch: float, cans: int) -> None:
    assert low_quarter_uniformity([catch] * cans) == pytest.approx(1.0, abs=1e-12)
    assert christiansen_uniformity([catch] * cans) == pytest.approx(1.0, abs=1e-12)
    assert coefficient_of_variation([catch] * cans) == pytest.approx(0.0, abs=1e-12)


@given(caught=catches, by=st.floats(0.01, 100.0))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_evenness_knows_neither_unit_nor_order(caught: list[float], by: float) -> None:
    changed = [catch * by for catch in reversed(caught)]

    assert christiansen_uniformity(changed) == pytest.approx(christiansen_uniformity(caught), abs=1e-9)
    assert low_quarter_uniformity(changed) == pytest.approx(low_quarter_uniformity(caught), abs=1e-9)


@pytest.mark.parametrize(
    ("caught", "said"),
    [
        ([], "can test: 0 cans, needs at least 2; set out more cans"),
        ([5.0], "can test: 1 cans, needs at least 2; set out more cans"),
        ([5.0, -1.0], "can 2: -1 ml, must be at least 0 ml; measure that can again"),
        ([nan, 5.0], "can 1: nan ml, must be at least 0 ml; measure that can again"),
        ([5.0, 5.0, inf], "can 3: inf ml, must be at least 0 ml; measure that can again"),
        ([0.0, 0.0, 0.0], "can test: all 3 cans empty, must be more than 0 ml; run the zone longer"),
    ],
)
@pytest.mark.parametrize(
    "judged", [christiansen_uniformity, low_quarter_uniformity, coefficient_of_variation]
)
def test_a_can_test_that_shows_nothing_is_refused_with_what_to_do(
    judged: object, caught: list[float], said: str
) -> None:
    assert callable(judged)
    with pytest.raises(ValueError, match=re.escape(said)):
        judged(caught)


def test_rates_from_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="mouth of a can: 0 cm2, must be more than 0 cm2"):
        applied_mm([5.0, 5.0], 0.0)
    with pytest.raises(ValueError, match="misting time: 0 s, must be more than 0 s"):
        caught_rate_mm_per_h([5.0, 5.0], 50.0, 0.0)
    with pytest.raises(ValueError, match="bench: -1 m2, must be more than 0 m2"):
        flow_rate_mm_per_h(5.0, -1.0)
    with pytest.raises(ValueError, match="zone's flow: 0 l/min, must be more than 0 l/min"):
        flow_rate_mm_per_h(0.0, 10.0)
