"""Instruments: lag, noise and last digit as planned, and the two ways they break."""

from math import exp
from random import Random
from statistics import fmean, stdev

import pytest

from simulators.plant.instruments import Instrument, InstrumentFault, InstrumentPlan

EXACT = InstrumentPlan(lag_s=60.0, noise=0.0, last_digit=1e-9)


def test_an_instrument_follows_with_its_lag_at_any_step() -> None:
    slow, quick = Instrument(EXACT, 20.0, Random(1)), Instrument(EXACT, 20.0, Random(1))

    slow.follow(30.0, 60.0)
    for _ in range(600):
        quick.follow(30.0, 0.1)

    assert slow.reading() == pytest.approx(30.0 - 10.0 * exp(-1.0))
    assert quick.reading() == pytest.approx(30.0 - 10.0 * exp(-1.0))


def test_noise_has_the_planned_spread_and_no_bias() -> None:
    instrument = Instrument(InstrumentPlan(lag_s=1.0, noise=0.5, last_digit=0.001), 20.0, Random(7))

    readings = [instrument.reading() or 0.0 for _ in range(2000)]

    assert stdev(readings) == pytest.approx(0.5, rel=0.1)
    assert fmean(readings) == pytest.approx(20.0, abs=0.05)


def test_readings_are_multiples_of_the_last_digit() -> None:
    instrument = Instrument(InstrumentPlan(lag_s=1.0, noise=1.0, last_digit=0.25), 20.0, Random(7))

    readings = [instrument.reading() or 0.0 for _ in range(100)]

    assert all((reading / 0.25).is_integer() for reading in readings)
    assert len(set(readings)) > 3


def test_readings_stop_at_the_ends_of_the_scale() -> None:
    plan = InstrumentPlan(lag_s=1.0, noise=0.0, last_digit=0.001, lowest=0.0, highest=1.0)

    assert Instrument(plan, 1.2, Random(7)).reading() == 1.0
    assert Instrument(plan, -0.2, Random(7)).reading() == 0.0


def test_an_instrument_that_dropped_out_says_nothing_until_mended() -> None:
    instrument = Instrument(EXACT, 20.0, Random(1))

    instrument.fault = InstrumentFault.DROPPED_OUT
    while_broken = instrument.reading()
    instrument.fault = None

    assert while_broken is None
    assert instrument.reading() == pytest.approx(20.0)


def test_a_frozen_instrument_repeats_itself_and_catches_up_when_mended() -> None:
    instrument = Instrument(EXACT, 20.0, Random(1))
    before = instrument.reading()

    instrument.fault = InstrumentFault.FROZEN
    instrument.follow(40.0, 3600.0)
    while_frozen = instrument.reading()
    instrument.fault = None

    assert while_frozen == before
    assert instrument.reading() == pytest.approx(40.0, abs=0.001)


def test_an_instrument_frozen_before_its_first_reading_keeps_that_one() -> None:
    instrument = Instrument(EXACT, 20.0, Random(1))
    instrument.fault = InstrumentFault.FROZEN

    first = instrument.reading()
    instrument.follow(40.0, 3600.0)

    assert first == pytest.approx(20.0)
    assert instrument.reading() == first


def test_the_same_seed_reads_the_same() -> None:
    plan = InstrumentPlan(lag_s=1.0, noise=0.5, last_digit=0.001)
    one, twin, other = (Instrument(plan, 20.0, Random(seed)) for seed in (3, 3, 4))

    readings = [one.reading() for _ in range(20)]

    assert [twin.reading() for _ in range(20)] == readings
    assert [other.reading() for _ in range(20)] != readings
