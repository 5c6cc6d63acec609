"""No water and no heat is lost or made anywhere in the simulated house, at any step."""

from collections.abc import Callable
from functools import cache

import pytest

from mistd.core.units import S_PER_DAY
from simulators.plant.plant import Plant
from simulators.plant.water_book import water_book
from simulators.plant.weather import Weather, typical_year_day
from simulators.rehearsal.engine import HouseAtWork
from tests.benchmarks.rehearsed_houses import Timer, house_with, typical_year

WATER_SHARE = 1e-9
HEAT_SHARE = 1e-6
TIMERS = [
    Timer(burst_s=6.0, day_gap_min=5.0, shoulder_gap_min=12.0, night_gap_min=40.0),
    Timer(burst_s=5.0, day_gap_min=25.0, shoulder_gap_min=60.0, night_gap_min=60.0),
]


@cache
def june() -> Weather:
    return typical_year_day(month=6, day=12, days=4)


def watched(plant: Plant, every_steps: int) -> tuple[Callable[[float], None], list[float], list[float]]:
    """A watcher of the books, and the largest errors it has seen, as shares of what moved."""
    began, steps, water_errors, heat_errors = water_book(plant), [0], [0.0], [0.0]

    def watch(_dt_s: float) -> None:
        steps[0] += 1
        if steps[0] % every_steps == 0:
            book = water_book(plant)
            moved_l = book.came_in_l - began.came_in_l + began.stands_l
            water_errors[0] = max(water_errors[0], abs(book.error_l(began)) / moved_l)
            heat_errors[0] = max(heat_errors[0], plant.climate.energy_error_share)

    return watch, water_errors, heat_errors


def test_water_and_heat_add_up_after_every_step() -> None:
    work = HouseAtWork(house_with(TIMERS), june(), seed=1)
    work.plant.watch, water_error, heat_error = watched(work.plant, every_steps=1)

    work.live_until(2.0 * S_PER_DAY)

    assert water_book(work.plant).came_in_l > 500.0
    assert 0.0 < water_error[0] < WATER_SHARE
    assert 0.0 < heat_error[0] < HEAT_SHARE


@pytest.mark.campaign
def test_water_and_heat_add_up_after_every_step_of_a_year() -> None:
    work = HouseAtWork(house_with(TIMERS * 4), typical_year(), seed=1)
    work.plant.watch, water_error, heat_error = watched(work.plant, every_steps=1)

    work.live_until(365.0 * S_PER_DAY - 3600.0)

    assert 0.0 < water_error[0] < WATER_SHARE
    assert 0.0 < heat_error[0] < HEAT_SHARE


def test_a_litre_taken_from_the_leaves_by_nobody_is_seen() -> None:
    """The book can fail: plant a loss and look."""
    work = HouseAtWork(house_with(TIMERS), june(), seed=1)
    began = water_book(work.plant)
    work.live_until(0.4 * S_PER_DAY)
    honest_l = water_book(work.plant).error_l(began)

    work.plant.canopy.film_um[0] *= 0.999
    error_l = water_book(work.plant).error_l(began)

    assert abs(honest_l) < 1e-7
    assert error_l < -1e-6
