"""Bisection on functions with steps and ends."""

import pytest

from mistd.core.crossing import crossing, narrowed


def test_a_smooth_crossing_is_found_to_the_last_bits() -> None:
    assert crossing(lambda x: x**3, 27.0, 0.0, 10.0) == pytest.approx(3.0, rel=1e-15)


def test_a_step_lies_between_two_neighbours() -> None:
    under, over = narrowed(lambda x: 0.0 if x <= 1.5 else 10.0, 5.0, 0.0, 4.0)

    assert under == 1.5
    assert 1.5 < over < 1.5 + 1e-15


def test_a_crossing_near_nought_keeps_its_figures() -> None:
    """An interval of 8 bar halved 60 times is still a billion times too wide for this."""
    assert crossing(lambda x: x, 3.0e-27, 0.0, 8.0) == pytest.approx(3.0e-27, rel=1e-12)


def test_a_function_out_of_reach_narrows_to_its_nearer_end() -> None:
    assert crossing(lambda x: x, 9.0, 0.0, 4.0) == 4.0
    assert crossing(lambda x: x + 9.0, 5.0, 0.0, 4.0) == pytest.approx(0.0, abs=1e-50)


def test_an_empty_interval_is_its_own_answer() -> None:
    assert narrowed(lambda x: x, 1.0, 2.0, 2.0) == (2.0, 2.0)
