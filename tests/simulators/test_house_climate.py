"""The house's air against balances worked out by hand in the tests."""

from dataclasses import replace
from math import exp

import pytest

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from simulators.plant.house_climate import HouseClimate, HouseShell
from simulators.plant.weather import Outdoors

PRESSURE_KPA = 101.3
MILD_NIGHT = Outdoors(temperature_c=15.0, relative_humidity=0.7, wind_m_per_s=0.0, radiation_w_per_m2=0.0)
BRIGHT_NOON = Outdoors(temperature_c=25.0, relative_humidity=0.5, wind_m_per_s=2.0, radiation_w_per_m2=900.0)

# 3 kg of air over a square metre, one change of air an hour whatever happens, 10 W/m2 K through the cover.
PLAIN_SHELL = HouseShell(
    floor_area_m2=100.0,
    mean_height_m=2.5,
    transmission=0.5,
    absorbed_share=0.8,
    heat_store_j_per_m2_k=36_000.0,
    cover_loss_w_per_m2_k=10.0,
    leaks_per_h=1.0,
    leaks_per_h_per_m_per_s=0.0,
    vented_per_h=0.0,
    vented_per_h_per_m_per_s=0.0,
)
VENT_W_PER_M2_K = 3.0 * 1013.0 / 3600.0  # one change an hour of 3 kg/m2
LOSS_W_PER_M2_K = 10.0 + VENT_W_PER_M2_K


def run(
    house: HouseClimate, outdoors: Outdoors, seconds: float, step_s: float, kg_per_s: float = 0.0
) -> None:
    for _ in range(round(seconds / step_s)):
        house.step(step_s, outdoors, kg_per_s * step_s)


def test_the_air_settles_where_sun_and_losses_balance() -> None:
    sunny = MILD_NIGHT._replace(radiation_w_per_m2=100.0)
    house = HouseClimate(PLAIN_SHELL, sunny, PRESSURE_KPA)

    run(house, sunny, seconds=86_400.0, step_s=60.0)

    assert house.air_temperature_c == pytest.approx(15.0 + 0.5 * 0.8 * 100.0 / LOSS_W_PER_M2_K)


def test_the_air_follows_with_its_time_constant() -> None:
    house = HouseClimate(PLAIN_SHELL, MILD_NIGHT, PRESSURE_KPA)
    warmer = MILD_NIGHT._replace(temperature_c=25.0)

    run(house, warmer, seconds=600.0, step_s=60.0)

    remaining = exp(-600.0 * LOSS_W_PER_M2_K / 36_000.0)
    assert house.air_temperature_c == pytest.approx(25.0 - 10.0 * remaining)


def test_evaporation_takes_its_heat_from_the_air_and_leaves_its_vapour_in_it() -> None:
    """0.01 kg/s over 100 m2: 245 W/m2 less, and E / (3 kg x 1/3600 s) = 0.12 kg/kg more, were there room."""
    hot_dry = Outdoors(temperature_c=45.0, relative_humidity=0.05, wind_m_per_s=0.0, radiation_w_per_m2=0.0)
    dry = HouseClimate(PLAIN_SHELL, hot_dry, PRESSURE_KPA)
    misted = HouseClimate(PLAIN_SHELL, hot_dry, PRESSURE_KPA)
    kg_per_s = 0.0005

    run(dry, hot_dry, seconds=86_400.0, step_s=60.0)
    run(misted, hot_dry, seconds=86_400.0, step_s=60.0, kg_per_s=kg_per_s)

    cooled_c = dry.air_temperature_c - misted.air_temperature_c
    moister = misted.humidity_ratio - dry.humidity_ratio
    assert cooled_c == pytest.approx(2.45e6 * kg_per_s / 100.0 / LOSS_W_PER_M2_K)
    assert moister == pytest.approx(kg_per_s / 100.0 / 3.0 * 3600.0)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 30.0, 120.0])
def test_any_step_gives_the_same_three_hours(step_s: float) -> None:
    """Against steps of 5 s; within a tenth of a degree and a hundredth of humidity, vents moving and all."""
    expected = HouseClimate(HouseShell(), MILD_NIGHT, PRESSURE_KPA)
    house = HouseClimate(HouseShell(), MILD_NIGHT, PRESSURE_KPA)

    run(expected, BRIGHT_NOON, seconds=10_800.0, step_s=5.0, kg_per_s=0.003)
    run(house, BRIGHT_NOON, seconds=10_800.0, step_s=step_s, kg_per_s=0.003)

    assert house.air_temperature_c == pytest.approx(expected.air_temperature_c, abs=0.1)
    assert house.relative_humidity == pytest.approx(expected.relative_humidity, abs=0.01)


def test_steps_of_two_minutes_do_not_swing_when_the_vents_open() -> None:
    house = HouseClimate(HouseShell(), MILD_NIGHT, PRESSURE_KPA)
    course_c = []

    for _ in range(90):
        house.step(120.0, BRIGHT_NOON, 0.0)
        course_c.append(house.air_temperature_c)

    assert max(course_c) - course_c[-1] < 0.1
    assert abs(course_c[-1] - course_c[-2]) < 0.001


def test_air_that_cools_never_holds_more_than_saturation() -> None:
    moist = Outdoors(temperature_c=25.0, relative_humidity=0.95, wind_m_per_s=0.0, radiation_w_per_m2=0.0)
    house = HouseClimate(replace(PLAIN_SHELL, leaks_per_h=0.1), moist, PRESSURE_KPA)
    highest = 0.0

    for _ in range(120):
        house.step(60.0, MILD_NIGHT, 0.0)
        saturation_kpa = saturation_vapour_pressure_kpa(house.air_temperature_c)
        highest = max(highest, house.vapour_pressure_kpa / saturation_kpa)

    assert highest == pytest.approx(1.0, abs=1e-12)  # it does reach it, and does not pass it
    assert house.relative_humidity <= 1.0


def test_a_house_begins_with_the_air_outside() -> None:
    house = HouseClimate(HouseShell(), MILD_NIGHT, PRESSURE_KPA)

    assert house.air_temperature_c == 15.0
    assert house.relative_humidity == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("air_c", "share"), [(21.9, 0.0), (22.0, 0.0), (25.0, 0.5), (28.0, 1.0), (35.0, 1.0)]
)
def test_vents_open_in_proportion_between_their_two_temperatures(air_c: float, share: float) -> None:
    assert HouseShell(vents_begin_c=22.0, vents_full_c=28.0).vents_open_share(air_c) == pytest.approx(share)


def test_wind_reaches_the_leaves_through_open_vents_only() -> None:
    shell = HouseShell(still_air_m_per_s=0.1, wind_share=0.08)

    assert shell.air_speed_m_per_s(air_c=15.0, wind_m_per_s=5.0) == pytest.approx(0.1)
    assert shell.air_speed_m_per_s(air_c=30.0, wind_m_per_s=5.0) == pytest.approx(0.5)


def test_cover_and_shade_let_through_their_share_of_the_light() -> None:
    assert HouseShell(transmission=0.35).light_w_per_m2(BRIGHT_NOON) == pytest.approx(315.0)
