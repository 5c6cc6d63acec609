"""Which readings of demand are believed: ranges, frozen values, what a source goes on without, recovery."""

import pytest

from mistd.core.almanac import Almanac, DayPart
from mistd.core.demand_source import (
    FROZEN_AFTER_S,
    FROZEN_READINGS,
    LEAST_AIR_C,
    LEAST_DAYLIGHT_W_PER_M2,
    LEAST_HUMIDITY,
    LIGHT_KPA_PER_W_PER_M2,
    MOST_AIR_C,
    USUAL_KPA,
    USUAL_UM_PER_S,
    Rates,
    SourceState,
    usual_source,
)
from mistd.core.house_radiation import USUAL_LIGHT_W_PER_M2
from mistd.core.psychrometrics import vapour_pressure_deficit_kpa
from tests.core.houses import almanac
from tests.core.listening import ALL, DAWN, DAY, DUSK, NIGHT, WITH_LIGHT, Bench

# ---- what is believed


@pytest.mark.parametrize(
    ("values", "what"),
    [
        ({"air": LEAST_AIR_C}, ""),
        ({"air": LEAST_AIR_C - 0.01}, "air reads -10.01, believed -10 to 55 c: check wiring and unit"),
        ({"air": MOST_AIR_C}, ""),
        ({"air": MOST_AIR_C + 0.01}, "air reads 55.01, believed -10 to 55 c: check wiring and unit"),
        ({"air": 68.0}, "air reads 68, believed -10 to 55 c: check wiring and unit"),  # Fahrenheit, 20 C
        ({"humidity": 0.0}, "humidity reads 0, believed from 0.03 to 1: check wiring and unit"),
        ({"humidity": LEAST_HUMIDITY - 0.001}, "humidity reads 0.029, believed from 0.03 to 1: check"),
        ({"humidity": LEAST_HUMIDITY}, ""),
        ({"humidity": 1.0}, ""),
    ],
)
def test_a_possible_reading_that_no_house_has_is_none_and_is_named_with_its_limits(
    values: dict[str, float], what: str
) -> None:
    bench = Bench()
    bench.says(0.0, air=25.0, humidity=0.6)

    state = bench.says(60.0, **values)

    assert state.lost.startswith(what)
    assert bool(state.lost) is bool(what)
    assert state.is_measured is not bool(what)


@pytest.mark.parametrize(
    "values",
    [
        {"air": -127.0},  # a probe that is not there (common practice, no source)
        {"air": 77.0},  # 25 C in Fahrenheit
        {"air": float("nan")},
        {"humidity": 1.005},  # 100.5 %
        {"humidity": 45.0},  # percent for a fraction
        {"humidity": -0.01},
    ],
)
def test_an_impossible_reading_changes_nothing_while_the_last_good_one_stands(
    values: dict[str, float],
) -> None:
    bench = Bench()
    before = bench.says(0.0, air=25.0, humidity=0.6)

    state = bench.says(3600.0, **values)

    assert (state.rates, state.lost, state.is_measured) == (before.rates, "", True)
    assert state.kpa_s == pytest.approx(3600.0 * before.rates.kpa)


def test_all_that_died_is_named() -> None:
    bench = Bench()
    bench.says(0.0, air=25.0, humidity=0.0)

    state = bench.loses(400.0, "air")

    assert state.lost == "air is lost; humidity reads 0, believed from 0.03 to 1: check wiring and unit"


@pytest.mark.parametrize(("sky", "is_light"), [(DAY, True), (DUSK, True), (NIGHT, False)])
def test_while_nothing_is_measured_the_usual_is_asked_for_by_light_and_by_night(
    sky: Almanac, is_light: bool
) -> None:
    bench = Bench(sky=sky)
    bench.says(0.0, air=40.0, humidity=0.1)

    state = bench.loses(300.0, "air")

    usual = Rates(kpa=USUAL_KPA[is_light], um_per_s=USUAL_UM_PER_S[is_light], assumed_light=True)
    assert state.rates == usual


def test_a_dead_source_asks_for_a_days_usual_from_dawn_on() -> None:
    bench = Bench(sky=NIGHT)
    bench.says(0.0, air=18.0, humidity=0.95)
    bench.loses(300.0, "air", "humidity")

    state = bench.begins(900.0, DAWN)

    assert state.rates.um_per_s == USUAL_UM_PER_S[True]
    assert state.um == pytest.approx(state.um_at(900.0))


@pytest.mark.parametrize(("first", "then"), [(NIGHT, DAWN), (DUSK, NIGHT)])
def test_a_source_not_heard_yet_is_awaited_not_lost_and_asks_for_the_usual_of_the_part(
    first: Almanac, then: Almanac
) -> None:
    bench = Bench(sky=first)
    assert bench.state == usual_source(first, 0.0)

    state = bench.begins(600.0, then)

    assert (state.lost, state.is_measured) == ("", False)
    assert state.rates.um_per_s == USUAL_UM_PER_S[then.is_light]
    assert state.um == pytest.approx(600.0 * USUAL_UM_PER_S[first.is_light])


def test_half_a_source_is_awaited_too() -> None:
    state = Bench().says(10.0, air=25.0)

    assert (state.lost, state.is_measured) == ("", False)


def test_a_source_comes_back_with_the_next_reading_and_what_nobody_saw_counts_as_usual() -> None:
    bench = Bench()
    measured = bench.says(0.0, air=20.0, humidity=0.9)
    gone = bench.says(600.0, humidity=0.0)

    back = bench.says(4200.0, humidity=0.5)

    assert gone.kpa_s == pytest.approx(600.0 * measured.rates.kpa)
    assert back.kpa_s == pytest.approx(gone.kpa_s + 3600.0 * USUAL_KPA[True])
    assert back.um == pytest.approx(gone.um + 3600.0 * USUAL_UM_PER_S[True])
    assert (back.lost, back.is_measured) == ("", True)


# ---- light and leaf, without which it goes


@pytest.mark.parametrize(
    ("sky", "light", "is_doubted"),
    [
        (DAY, 0.0, True),
        (DAY, LEAST_DAYLIGHT_W_PER_M2 - 0.01, True),
        (DAY, LEAST_DAYLIGHT_W_PER_M2, False),
        (DAWN, 0.0, False),
        (DUSK, 0.0, False),
        (NIGHT, 0.0, False),
        (almanac(DayPart.DAY, is_trusted=False), 0.0, False),  # it may be night
    ],
)
def test_a_light_of_nought_by_day_is_a_dead_sensor_and_the_usual_light_is_taken(
    sky: Almanac, light: float, is_doubted: bool
) -> None:
    state = Bench(plan=WITH_LIGHT, sky=sky).says(0.0, air=25.0, humidity=0.6, light=light)

    assert bool(state.doubts) is is_doubted
    assert (state.lost, state.is_measured) == ("", True)
    counted = USUAL_LIGHT_W_PER_M2[sky.part] if is_doubted else light
    deficit_kpa = vapour_pressure_deficit_kpa(25.0, 0.6)
    assert state.rates.kpa == pytest.approx(deficit_kpa + LIGHT_KPA_PER_W_PER_M2 * counted)
    assert state.rates.assumed_light is is_doubted


def test_a_doubted_light_is_named_with_what_by_day_is_believed() -> None:
    state = Bench(plan=WITH_LIGHT).says(0.0, air=25.0, humidity=0.6, light=0.0)

    assert state.doubts == ("light reads 0, believed from 2 w_per_m2 by day: check wiring and unit",)


@pytest.mark.parametrize("name", ["light", "leaf"])
def test_a_source_goes_on_without_its_light_and_its_leaf(name: str) -> None:
    bench = Bench(plan=ALL)
    bench.says(0.0, air=25.0, humidity=0.6, light=300.0, leaf=26.0)

    state = bench.loses(300.0, name)

    assert state.doubts == (f"{name} is lost",)
    assert (state.lost, state.is_measured) == ("", True)


def test_light_that_comes_back_steps_it_has_not_moved_evenly_from_what_was_assumed() -> None:
    bench = Bench(plan=WITH_LIGHT)
    assumed = bench.says(0.0, air=25.0, humidity=0.6, light=0.0)

    state = bench.says(3600.0, light=400.0)

    assert state.kpa_s == pytest.approx(3600.0 * assumed.rates.kpa)
    assert state.rates.kpa > assumed.rates.kpa


# ---- frozen


def repeat(
    bench: Bench, since_s: float, until_s: float, readings: int, name: str = "humidity"
) -> SourceState:
    """One sensor says the same so many times, at even intervals from first to last; the others move."""
    step_s = (until_s - since_s) / (readings - 1)
    same = {"humidity": 1.0, "light": 300.0}[name]
    for place in range(readings):
        at_s = since_s + place * step_s
        moving = {"air": 20.0 + 1e-4 * at_s, "humidity": 0.5 + 1e-6 * at_s, "light": 100.0 + 1e-3 * at_s}
        bench.says(at_s, **{**moving, name: same})
    return bench.state


@pytest.mark.parametrize(
    ("for_s", "readings", "is_frozen"),
    [
        (FROZEN_AFTER_S, FROZEN_READINGS, True),
        (FROZEN_AFTER_S - 1.0, FROZEN_READINGS, False),
        (FROZEN_AFTER_S, FROZEN_READINGS - 1, False),
        (10.0 * FROZEN_AFTER_S, FROZEN_READINGS - 1, False),  # one that speaks seldom
        (FROZEN_AFTER_S - 1.0, 1000, False),
    ],
)
@pytest.mark.parametrize("sky", [DAY, DAWN, DUSK])
def test_by_light_a_value_is_frozen_after_two_hours_and_twenty_readings_both(
    sky: Almanac, for_s: float, readings: int, is_frozen: bool
) -> None:
    state = repeat(Bench(sky=sky), 100.0, 100.0 + for_s, readings)

    assert bool(state.lost) is is_frozen
    if is_frozen:
        assert state.lost == (
            "humidity has read 1 without change for 2.0 h of light, limit 2 h: it is frozen"
        )


def test_by_night_nothing_is_frozen_however_long_it_stands() -> None:
    state = repeat(Bench(sky=NIGHT), 100.0, 100.0 + 14.0 * 3600.0, 840)

    assert state.lost == ""


@pytest.mark.parametrize(("light_s", "is_frozen"), [(60.0, False), (7199.0, False), (7200.0, True)])
def test_a_value_that_stood_all_night_is_frozen_only_after_two_hours_of_light(
    light_s: float, is_frozen: bool
) -> None:
    """Saturated air reads 100 % from evening to morning, and that is no fault of the sensor."""
    bench = Bench(sky=NIGHT)
    repeat(bench, 100.0, 36_000.0, 600)
    bench.begins(36_000.0, DAWN)

    state = bench.says(36_000.0 + light_s, air=25.0, humidity=1.0)

    assert bool(state.lost) is is_frozen


def test_from_dawn_to_day_the_hours_of_light_go_on_counting() -> None:
    bench = Bench(sky=NIGHT)
    repeat(bench, 100.0, 36_000.0, 600)
    bench.begins(36_000.0, DAWN)
    bench.begins(39_600.0, DAY)

    assert bench.says(43_199.0, air=25.0, humidity=1.0).lost == ""
    assert "frozen" in bench.says(43_200.0, air=25.1, humidity=1.0).lost


def test_a_frozen_value_that_moves_is_believed_at_once() -> None:
    bench = Bench()
    assert repeat(bench, 100.0, 9000.0, 60).lost

    state = bench.says(9060.0, humidity=0.99)

    assert (state.lost, state.is_measured) == ("", True)


def test_a_frozen_light_costs_the_source_its_light_only() -> None:
    state = repeat(Bench(plan=WITH_LIGHT), 100.0, 9000.0, 60, "light")

    assert state.lost == ""
    (doubt,) = state.doubts
    assert "light has read 300 without change" in doubt
    assert state.rates.assumed_light
