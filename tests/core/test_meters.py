"""Meters: they only grow, and answer exactly both what they read and when they reach a mark."""

from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.meters import ELAPSED_TIME, Meter

A_METER = Meter(reading=10.0, at_s=100.0, rate_per_s=0.5)


def test_a_meter_reads_what_it_read_plus_rate_times_time() -> None:
    assert A_METER.reads(100.0) == 10.0
    assert A_METER.reads(160.0) == 40.0


def test_a_mark_already_passed_gives_an_instant_in_the_past() -> None:
    assert A_METER.reaches_at_s(5.0) == 90.0


def test_a_meter_that_stands_still_never_reaches_what_lies_ahead() -> None:
    still = A_METER.changed(0.0, now_s=120.0)

    assert still.reading == 20.0
    assert still.reaches_at_s(20.0) == 120.0  # a mark exactly on the reading is reached
    assert still.reaches_at_s(20.001) == inf


def test_a_meter_refuses_to_run_backwards() -> None:
    with pytest.raises(ValueError, match="only grows"):
        A_METER.changed(-0.001, now_s=120.0)


def test_a_change_of_rate_loses_nothing() -> None:
    faster = A_METER.changed(2.0, now_s=120.0)

    assert faster.reads(120.0) == A_METER.reads(120.0) == 20.0
    assert faster.reads(125.0) == 30.0


def test_elapsed_time_reads_the_monotonic_clock_and_minus_infinity_for_never() -> None:
    assert ELAPSED_TIME.reads(1234.5) == 1234.5
    assert ELAPSED_TIME.reaches_at_s(1234.5) == 1234.5
    assert ELAPSED_TIME.reads(-inf) == -inf
    assert ELAPSED_TIME.reaches_at_s(inf) == inf


@settings(deadline=None, derandomize=True, max_examples=100)
@given(
    rates=st.lists(st.floats(min_value=0.0, max_value=10.0), min_size=1, max_size=20),
    step_s=st.floats(min_value=0.1, max_value=1000.0),
)
def test_a_meter_is_exact_at_whatever_interval_its_rate_changes(rates: list[float], step_s: float) -> None:
    meter, now_s, readings = Meter(reading=0.0, at_s=0.0, rate_per_s=0.0), 0.0, [0.0]

    for rate in rates:
        meter, now_s = meter.changed(rate, now_s), now_s + step_s
        readings.append(meter.reads(now_s))

    assert readings == sorted(readings)
    assert readings[-1] == pytest.approx(sum(rates) * step_s, rel=1e-9)
