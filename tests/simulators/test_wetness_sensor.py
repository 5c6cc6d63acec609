"""The wetness sensor: a plate of its own, millivolts of its own, and lime that reads as wet."""

from dataclasses import replace
from random import Random
from statistics import fmean, stdev
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from simulators.plant.instruments import InstrumentFault
from simulators.plant.wetness_sensor import WetnessPlan, WetnessSensor


class Air(NamedTuple):
    temperature_c: float
    vapour_pressure_kpa: float
    speed_m_per_s: float
    light_w_per_m2: float
    pressure_kpa: float


DAY = Air(27.0, 0.6 * saturation_vapour_pressure_kpa(27.0), 0.2, 200.0, 101.3)
NIGHT = Air(20.0, 0.97 * saturation_vapour_pressure_kpa(20.0), 0.1, 0.0, 101.3)
QUIET = WetnessPlan(noise_mv=0.0, last_digit_mv=1e-6)


def minutes_to_dry(sensor: WetnessSensor, air: Air) -> float:
    minutes = 0.0
    while sensor.film_um > 0.0:
        sensor.step(30.0, air, 0.0)
        minutes += 0.5
    return minutes


def said_mv(sensor: WetnessSensor) -> float:
    reading_mv = sensor.reading_mv()
    assert reading_mv is not None
    return reading_mv


# --- the film of the plate


def test_it_catches_mist_only_when_it_is_sprayed() -> None:
    sensor = WetnessSensor(QUIET, Random(1))

    sensor.step(1.0, DAY, 0.0)
    before_um = sensor.film_um
    sensor.step(1.0, DAY, 40.0)

    assert before_um == 0.0
    assert sensor.film_um == pytest.approx(36.0, abs=0.2)


def test_it_holds_no_more_than_a_plate_holds() -> None:
    sensor = WetnessSensor(QUIET, Random(1))

    sensor.step(0.001, DAY, 500.0)

    assert sensor.film_um == pytest.approx(70.0, abs=0.001)
    assert sensor.dripped_um == pytest.approx(380.0)


def test_it_dries_by_day_and_hardly_by_a_humid_night() -> None:
    by_day, by_night = WetnessSensor(QUIET, Random(1)), WetnessSensor(QUIET, Random(1))
    for sensor in (by_day, by_night):
        sensor.step(0.001, NIGHT, 50.0)

    assert 5.0 < minutes_to_dry(by_day, DAY) < 60.0
    assert minutes_to_dry(by_night, NIGHT) > 180.0


def test_a_plate_that_dries_slower_is_wet_for_longer() -> None:
    slow, quick = (WetnessSensor(replace(QUIET, dries_share=share), Random(1)) for share in (0.5, 1.0))
    for sensor in (slow, quick):
        sensor.step(0.001, DAY, 50.0)

    assert minutes_to_dry(slow, DAY) == pytest.approx(2.0 * minutes_to_dry(quick, DAY), rel=0.05)


def test_a_wet_plate_in_the_dark_evaporates_as_penman_says() -> None:
    """A wet bulb found by halving: heat taken in by both sides = latent heat given off by one."""
    air = DAY._replace(light_w_per_m2=0.0)
    sensor = WetnessSensor(QUIET, Random(1))
    stirred = (air.speed_m_per_s / 0.05) ** 0.5
    heat_w_per_m2_k = 2.0 * (29.3 * 1.4 * 0.135 * stirred + 6.0)
    low_c, high_c = 0.0, air.temperature_c
    mol_per_s = 0.0
    for _ in range(60):
        plate_c = 0.5 * (low_c + high_c)
        pull_kpa = saturation_vapour_pressure_kpa(plate_c) - air.vapour_pressure_kpa
        mol_per_s = 1.4 * 0.147 * stirred * pull_kpa / air.pressure_kpa
        if heat_w_per_m2_k * (air.temperature_c - plate_c) > 44_000.0 * mol_per_s:
            low_c = plate_c
        else:
            high_c = plate_c

    sensor.step(0.001, air, 1000.0)
    sensor.step(1.0, air, 0.0)

    # Penman's straight saturation curve is a few per cent off the curved one.
    assert sensor.evaporated_um == pytest.approx(18.015 * mol_per_s, rel=0.06)


def test_dew_wets_it() -> None:
    sensor = WetnessSensor(QUIET, Random(1))

    sensor.step(3600.0, NIGHT._replace(vapour_pressure_kpa=2.5), 0.0)

    assert sensor.film_um > 1.0


def test_any_step_dries_the_same() -> None:
    long_way, short_way = WetnessSensor(QUIET, Random(1)), WetnessSensor(QUIET, Random(1))
    for sensor in (long_way, short_way):
        sensor.step(0.001, DAY, 60.0)

    long_way.step(300.0, DAY, 0.0)
    for _ in range(3000):
        short_way.step(0.1, DAY, 0.0)

    assert 1.0 < long_way.film_um < 50.0
    assert long_way.film_um == pytest.approx(short_way.film_um, rel=1e-9)


@given(
    st.lists(
        st.tuples(st.floats(0.001, 600.0), st.floats(0.0, 200.0), st.floats(0.0, 4.0)),
        min_size=1,
        max_size=30,
    )
)
def test_no_water_is_lost(steps: list[tuple[float, float, float]]) -> None:
    sensor = WetnessSensor(WetnessPlan(), Random(1))

    for dt_s, applied_um, vapour_kpa in steps:
        sensor.step(dt_s, DAY._replace(vapour_pressure_kpa=vapour_kpa), applied_um)

    left_um = sensor.caught_um - sensor.dripped_um - sensor.evaporated_um
    assert sensor.film_um == pytest.approx(left_um, rel=0.0, abs=1e-9)
    assert 0.0 <= sensor.film_um <= 70.0


# --- millivolts


def test_it_reads_between_its_own_dry_and_wet() -> None:
    sensor = WetnessSensor(QUIET, Random(4))
    sensor.step(60.0, DAY, 0.0)
    dry_mv = said_mv(sensor)

    sensor.step(60.0, NIGHT, 500.0)
    wet_mv = said_mv(sensor)
    while sensor.wet_share > 0.5:
        sensor.step(10.0, DAY, 0.0)
    half_mv = said_mv(sensor)

    assert wet_mv > dry_mv + 300.0
    assert half_mv == pytest.approx(0.5 * (dry_mv + wet_mv), abs=40.0)


def test_no_two_sensors_share_a_dry_baseline_and_they_spread_as_published() -> None:
    """Painted flat sensors: a coefficient of variation of 9 % (Sentelhas, Monteiro & Gillespie 2004)."""
    sensors = [WetnessSensor(QUIET, Random(seed)) for seed in range(400)]

    dry_mv = [said_mv(sensor) for sensor in sensors]

    assert len(set(dry_mv)) == 400
    assert stdev(dry_mv) / fmean(dry_mv) == pytest.approx(0.09, abs=0.01)


def test_lime_and_feed_make_it_read_wet_for_ever_until_it_is_cleaned() -> None:
    sensor = WetnessSensor(QUIET, Random(4))
    clean_mv = said_mv(sensor)
    for _ in range(200 * 60):  # 200 days of 60 bursts
        sensor.step(60.0, DAY, 50.0)
        sensor.step(3600.0, DAY, 0.0)

    fouled_mv, fouled_share = said_mv(sensor), sensor.seen_share
    sensor.clean()
    sensor.step(60.0, DAY, 0.0)

    assert sensor.wet_share == 0.0
    assert fouled_share > 0.9
    assert fouled_mv > clean_mv + 500.0
    assert said_mv(sensor) == pytest.approx(clean_mv, abs=0.01)


def test_a_week_of_mist_fouls_it_little() -> None:
    sensor = WetnessSensor(QUIET, Random(4))

    for _ in range(7 * 60):
        sensor.step(60.0, DAY, 50.0)
        sensor.step(3600.0, DAY, 0.0)

    assert 0.02 < sensor.seen_share < 0.2


def test_it_answers_with_a_lag() -> None:
    sensor = WetnessSensor(QUIET, Random(4))
    dry_mv = said_mv(sensor)

    sensor.step(1.0, NIGHT, 500.0)
    soon_mv = said_mv(sensor)
    sensor.step(30.0, NIGHT, 0.0)

    assert dry_mv < soon_mv < said_mv(sensor) - 50.0


def test_it_breaks_as_instruments_break() -> None:
    sensor = WetnessSensor(QUIET, Random(4))

    sensor.fault = InstrumentFault.DROPPED_OUT
    dropped = sensor.reading_mv()
    sensor.fault = InstrumentFault.RAILED_HIGH

    assert dropped is None
    assert sensor.reading_mv() == 2200.0


def test_the_same_seed_says_the_same() -> None:
    said = []
    for seed in (3, 3, 5):
        sensor = WetnessSensor(WetnessPlan(), Random(seed))
        sensor.step(10.0, DAY, 20.0)
        said.append([sensor.reading_mv() for _ in range(20)])

    assert said[0] == said[1]
    assert said[0] != said[2]


def test_it_lies_in_the_quarter_it_was_put() -> None:
    assert WetnessSensor(WetnessPlan(quarter=1), Random(1)).quarter == 1
