"""Instruments: lag, noise, last digit and wear as planned, the ways they break, and counted pulses."""

from dataclasses import replace
from math import exp
from random import Random
from statistics import fmean, stdev

import pytest

from mistd.core.readings import POSSIBLE, SensorKind
from simulators.plant.bench_instruments import LEAF_THERMOMETER
from simulators.plant.flow_meter import FlowMeterPlan, PulseFlowMeter
from simulators.plant.instruments import (
    INSTRUMENTS,
    PRESSURE_TRANSDUCER,
    Instrument,
    InstrumentFault,
    InstrumentPlan,
)

DAY_S = 86_400.0
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


# --- wear


def test_an_offset_is_there_from_the_first_day() -> None:
    assert Instrument(replace(EXACT, offset=0.7), 20.0, Random(1)).reading() == pytest.approx(20.7)


def test_drift_grows_by_the_day_until_recalibrated() -> None:
    instrument = Instrument(replace(EXACT, drift_per_day=0.02, offset=0.5), 20.0, Random(1))

    for _ in range(10):
        instrument.follow(20.0, DAY_S)
    drifted = instrument.reading()
    instrument.recalibrate()

    assert drifted == pytest.approx(20.7)
    assert instrument.reading() == pytest.approx(20.5)


@pytest.mark.parametrize(("by_day", "after_ten_days"), [(0.01, 22.0), (-0.01, 18.0), (-1.0, 0.0)])
def test_dirt_reads_high_or_low_by_a_growing_share_until_cleaned(
    by_day: float, after_ten_days: float
) -> None:
    instrument = Instrument(replace(EXACT, fouling_share_per_day=by_day), 20.0, Random(1))

    instrument.follow(20.0, 10.0 * DAY_S)
    fouled = instrument.reading()
    instrument.clean()

    assert fouled == pytest.approx(after_ten_days)
    assert instrument.reading() == pytest.approx(20.0)


def test_single_readings_are_lost_as_often_as_planned() -> None:
    instrument = Instrument(replace(EXACT, lost_share=0.1), 20.0, Random(7))

    lost = [instrument.reading() for _ in range(4000)].count(None)

    assert lost / 4000 == pytest.approx(0.1, abs=0.015)


def test_an_instrument_stands_at_an_end_of_its_range_while_railed() -> None:
    instrument = Instrument(PRESSURE_TRANSDUCER, 3.0, Random(1))

    instrument.fault = InstrumentFault.RAILED_HIGH
    high = instrument.reading()
    instrument.fault = InstrumentFault.RAILED_LOW
    low = instrument.reading()
    instrument.fault = None

    assert (high, low) == (10.0, 0.0)
    assert instrument.reading() == pytest.approx(3.0, abs=0.06)


@pytest.mark.parametrize("fault", [InstrumentFault.RAILED_LOW, InstrumentFault.RAILED_HIGH])
def test_an_instrument_without_ends_cannot_be_railed(fault: InstrumentFault) -> None:
    instrument = Instrument(EXACT, 20.0, Random(1))
    instrument.fault = fault

    with pytest.raises(ValueError, match="end of range"):
        instrument.reading()


EVERY_INSTRUMENT = {**INSTRUMENTS, SensorKind.LEAF_TEMPERATURE: LEAF_THERMOMETER}


@pytest.mark.parametrize("kind", EVERY_INSTRUMENT)
def test_every_instrument_of_the_house_stays_within_what_is_possible(kind: SensorKind) -> None:
    """What a working instrument cannot say, a railed one may: then it is BAD, not used."""
    plan = EVERY_INSTRUMENT[kind]
    instrument = Instrument(plan, 0.5, Random(1))

    assert plan.lowest < plan.highest < float("inf")
    assert POSSIBLE[kind].has(instrument.reading() or 0.0)


def test_reading_one_instrument_changes_no_other() -> None:
    plan = InstrumentPlan(lag_s=1.0, noise=0.5, last_digit=0.001, lost_share=0.2)
    one, other, undisturbed = (Instrument(plan, 20.0, Random(seed)) for seed in (3, 4, 4))

    said = []
    for _ in range(50):
        one.reading()
        said.append(other.reading())

    assert said == [undisturbed.reading() for _ in range(50)]


# --- the pulse flow meter


@pytest.mark.parametrize(
    ("pulses_per_l", "l_per_min", "hertz"), [(1000.0, 30.0, 500.0), (450.0, 3.6667, 27.5)]
)
def test_frequency_is_pulses_per_litre_times_flow(
    pulses_per_l: float, l_per_min: float, hertz: float
) -> None:
    """f = K Q: 1000 pulses a litre and 500 Hz are 30 l/min; 450 and 27.5 Hz are 3.6667 l/min."""
    meter = PulseFlowMeter(FlowMeterPlan(pulses_per_l=pulses_per_l), Random(1))

    assert meter.pulses_per_s(l_per_min) == pytest.approx(hertz, rel=1e-4)


def test_a_meter_reads_a_steady_flow_to_within_a_pulse() -> None:
    meter = PulseFlowMeter(FlowMeterPlan(window_s=1.0), Random(1))
    readings = []
    for _ in range(60):
        meter.follow(12.34, 1.0)
        readings.append(meter.reading_l_per_min() or 0.0)

    one_pulse_l_per_min = 60.0 / 450.0
    assert all(abs(reading - 12.34) <= one_pulse_l_per_min for reading in readings)
    assert fmean(readings) == pytest.approx(12.34, abs=one_pulse_l_per_min / 30.0)


def test_low_flow_is_coarse_and_a_longer_window_less_so() -> None:
    shares_off = []
    for window_s in (1.0, 10.0):
        meter = PulseFlowMeter(FlowMeterPlan(pulses_per_l=60.0, window_s=window_s), Random(1))
        worst = 0.0
        for _ in range(50):
            meter.follow(1.4, window_s)
            worst = max(worst, abs((meter.reading_l_per_min() or 0.0) / 1.4 - 1.0))
        shares_off.append(worst)

    assert shares_off[0] > 0.25
    assert shares_off[1] < 0.08


def test_below_its_starting_flow_a_meter_shows_nothing() -> None:
    meter = PulseFlowMeter(FlowMeterPlan(starts_l_per_min=1.0), Random(1))
    meter.follow(0.99, 3600.0)

    assert meter.reading_l_per_min() == 0.0
    assert meter.pulses == 0

    meter.follow(1.0, 60.0)

    assert meter.reading_l_per_min() == pytest.approx(1.0, abs=0.14)


@pytest.mark.parametrize("dt_s", [0.03, 0.25, 1.0, 7.3, 600.0])
def test_no_pulse_is_lost_whatever_the_steps(dt_s: float) -> None:
    meter = PulseFlowMeter(FlowMeterPlan(error_share=0.02), Random(1))

    for _ in range(100):
        meter.follow(20.0, dt_s)

    assert meter.measured_l == pytest.approx(1.02 * 20.0 * 100 * dt_s / 60.0, abs=1.0 / 450.0 + 1e-6)


def test_windows_end_where_they_end_whatever_the_steps() -> None:
    coarse, fine = (PulseFlowMeter(FlowMeterPlan(window_s=2.0), Random(5)) for _ in range(2))
    flows_l_per_min = [5.0, 0.0, 17.0, 9.0, 3.0, 30.0, 2.0]
    said: list[tuple[float | None, float | None]] = []

    for flow in flows_l_per_min:
        coarse.follow(flow, 3.0)
        for _ in range(12):
            fine.follow(flow, 0.25)
        said.append((coarse.reading_l_per_min(), fine.reading_l_per_min()))

    assert [one for one, _ in said] == [twin for _, twin in said]


def test_a_flow_meter_breaks_as_instruments_break() -> None:
    meter = PulseFlowMeter(FlowMeterPlan(), Random(1))
    meter.follow(10.0, 10.0)
    healthy = meter.reading_l_per_min()
    said = {}

    for fault in InstrumentFault:
        meter.fault = fault
        meter.follow(0.0, 10.0)
        said[fault] = meter.reading_l_per_min()
    meter.fault = None

    assert said == {
        InstrumentFault.DROPPED_OUT: None,
        InstrumentFault.FROZEN: healthy,
        InstrumentFault.RAILED_LOW: 0.0,
        InstrumentFault.RAILED_HIGH: 60.0,
    }
    assert meter.reading_l_per_min() == 0.0
