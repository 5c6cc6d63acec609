"""What the air asks, added up whatever way readings come, and how fast both meters run."""

from collections.abc import Sequence
from itertools import pairwise, permutations
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.almanac import DayPart
from mistd.core.demand import demand
from mistd.core.demand_source import (
    LIGHT_KPA_PER_W_PER_M2,
    SHELTER,
    SHELTER_BY_NIGHT,
    Rates,
    Revision,
    SourceState,
    light_kpa_per_w_per_m2,
    rates_of,
    reference_rates,
)
from mistd.core.house_radiation import USUAL_LIGHT_W_PER_M2, BenchReadings
from mistd.core.psychrometrics import saturation_vapour_pressure_kpa, vapour_pressure_deficit_kpa
from tests.core.listening import ALL, KINDS, WITH_LIGHT, Bench

AIR_C = st.floats(5.0, 40.0)
HUMIDITY = st.floats(0.05, 1.0)
LIGHT = st.floats(5.0, 600.0)


def humidity_at(at_s: float) -> float:
    """Falls evenly from 90 % to 30 % over six hours, and with it the deficit rises evenly."""
    return 0.9 - 0.6 * at_s / 21_600.0


def deficit_kpa_s(until_s: float, air_c: float = 25.0) -> float:
    """The same added up in closed form."""
    mean = 1.0 - 0.5 * (humidity_at(0.0) + humidity_at(until_s))
    return saturation_vapour_pressure_kpa(air_c) * mean * until_s


def air_at(at_s: float) -> float:
    """As good as 25 C; the very same value all day would be frozen."""
    return 25.0 + 1e-12 * at_s


# ---- adding up


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0, 600.0, 3600.0, 21_600.0])
def test_an_evenly_rising_deficit_is_added_up_exactly_at_any_interval(every_s: float) -> None:
    bench = Bench()

    for step in range(int(21_600.0 / every_s) + 1):
        bench.says(step * every_s, air=air_at(step * every_s), humidity=humidity_at(step * every_s))

    assert bench.state.kpa_s == pytest.approx(deficit_kpa_s(21_600.0), rel=1e-7)


@given(instants=st.lists(st.floats(0.1, 21_600.0), min_size=1, max_size=12, unique=True).map(sorted))
def test_an_evenly_rising_deficit_is_added_up_exactly_at_uneven_intervals(instants: list[float]) -> None:
    bench = Bench()

    for at_s in [0.0, *instants]:
        bench.says(at_s, air=air_at(at_s), humidity=humidity_at(at_s))

    assert bench.state.kpa_s == pytest.approx(deficit_kpa_s(instants[-1]), rel=1e-7)


@given(days=st.lists(st.tuples(AIR_C, HUMIDITY, st.floats(1.0, 3600.0)), min_size=2, max_size=8))
def test_both_meters_grow_by_the_mean_of_the_rates_at_either_end(
    days: list[tuple[float, float, float]],
) -> None:
    bench = Bench()
    at_s, states = 0.0, []
    for air_c, humidity, passed_s in days:
        at_s += passed_s
        states.append(bench.says(at_s, air=air_c, humidity=humidity))

    for before, after in pairwise(states):
        passed_s = after.at_s - before.at_s
        mean_kpa = 0.5 * (before.rates.kpa + after.rates.kpa)
        mean_um_per_s = 0.5 * (before.rates.um_per_s + after.rates.um_per_s)
        assert after.kpa_s - before.kpa_s == pytest.approx(mean_kpa * passed_s, abs=1e-6)
        assert after.um - before.um == pytest.approx(mean_um_per_s * passed_s, abs=1e-6)
        assert after.um >= before.um - 1e-9


@pytest.mark.parametrize("apart_s", [0.0, 0.1, 7.0, 1800.0])
@pytest.mark.parametrize("every_s", [60.0, 3600.0])
def test_readings_that_come_apart_are_each_taken_to_have_moved_evenly_since_they_came_last(
    apart_s: float, every_s: float
) -> None:
    """Air and humidity are two topics: which comes first must not cost the other its evenness."""
    apart_s = min(apart_s, 0.5 * every_s)
    bench = Bench()
    bench.says(0.0, air=25.0, humidity=humidity_at(0.0))

    for step in range(1, int(21_600.0 / every_s)):
        bench.says(step * every_s, air=air_at(step * every_s))
        bench.says(step * every_s + apart_s, humidity=humidity_at(step * every_s + apart_s))

    assert bench.state.kpa_s == pytest.approx(deficit_kpa_s(bench.state.at_s), rel=1e-7)


@pytest.mark.parametrize("is_together", [True, False])
def test_a_reading_every_hour_beside_one_every_minute_is_added_up_exactly_too(is_together: bool) -> None:
    bench = Bench()
    bench.says(0.0, air=25.0, humidity=humidity_at(0.0))

    for minute in range(1, 361):
        at_s = 60.0 * minute
        if minute % 60:
            bench.says(at_s, air=air_at(at_s))
        elif is_together:
            bench.says(at_s, air=air_at(at_s), humidity=humidity_at(at_s))
        else:
            bench.says(at_s, air=air_at(at_s))
            bench.says(at_s, humidity=humidity_at(at_s))

    assert bench.state.kpa_s == pytest.approx(deficit_kpa_s(21_600.0), rel=1e-7)


def test_a_quick_sensor_that_jumps_as_a_slow_one_speaks_is_not_taken_to_have_moved_for_the_hour() -> None:
    """Light every minute, humidity every hour: the sun comes out in the minute in which both come."""
    bench = Bench(plan=WITH_LIGHT)
    bench.says(0.0, air=25.0, humidity=0.5, light=50.0)
    for minute in range(1, 60):
        before = bench.says(60.0 * minute, light=50.0)

    after = bench.says(3600.0, humidity=0.5, light=450.0)

    assert after.kpa_s - before.kpa_s == pytest.approx(30.0 * (before.rates.kpa + after.rates.kpa))


@pytest.mark.parametrize("order", list(permutations(KINDS)), ids="-".join)
def test_the_order_of_readings_at_one_instant_changes_nothing(order: Sequence[str]) -> None:
    first = {"air": 20.0, "humidity": 0.8, "light": 100.0, "leaf": 19.0}
    then = {"air": 31.0, "humidity": 0.4, "light": 420.0, "leaf": 28.0}
    together, apart = Bench(plan=ALL), Bench(plan=ALL)
    for bench in (together, apart):
        bench.says(60.0, **first)
    together.says(3660.0, **then)

    for name in order:
        apart.says(3660.0, **{name: then[name]})

    assert apart.state.kpa_s == pytest.approx(together.state.kpa_s, rel=1e-12)
    assert apart.state.um == pytest.approx(together.state.um, rel=1e-12)
    assert apart.state.rates == together.state.rates


def test_a_look_without_a_new_reading_moves_no_meter() -> None:
    bench, other = Bench(), Bench()
    for each in (bench, other):
        each.says(0.0, air=25.0, humidity=0.5)

    for at_s in (1.0, 17.0, 1800.0, 1800.0, 3599.0):
        bench.looks(at_s)
    bench.says(3600.0, air=25.0, humidity=0.9)
    other.says(3600.0, air=25.0, humidity=0.9)

    assert bench.state.kpa_s == pytest.approx(other.state.kpa_s, rel=1e-12)
    assert bench.state.um == pytest.approx(other.state.um, rel=1e-12)


def test_from_the_last_reading_on_both_meters_run_at_its_rate() -> None:
    bench = Bench()
    bench.says(0.0, air=25.0, humidity=0.9)
    state = bench.says(100.0, air=25.0, humidity=0.5)

    assert state.kpa_s_at(400.0) == pytest.approx(state.kpa_s + 300.0 * state.rates.kpa)
    assert state.um_at(400.0) == pytest.approx(state.um + 300.0 * state.rates.um_per_s)
    assert state.kpa_s_reached_s(state.kpa_s_at(400.0)) == pytest.approx(400.0)
    assert state.um_reached_s(state.um_at(400.0)) == pytest.approx(400.0)


def test_a_mark_that_is_reached_is_reached_now_and_one_that_never_will_be_at_no_instant() -> None:
    state = SourceState(at_s=50.0, kpa_s=7.0, um=9.0, rates=Rates(kpa=0.0, um_per_s=0.0))

    assert (state.kpa_s_reached_s(7.0), state.um_reached_s(9.0)) == (50.0, 50.0)
    assert (state.kpa_s_reached_s(6.9), state.um_reached_s(8.9)) == (50.0, 50.0)
    assert (state.kpa_s_reached_s(7.1), state.um_reached_s(9.1)) == (inf, inf)


@pytest.mark.parametrize(
    ("then_s", "share"), [(-inf, 0.0), (99.0, 0.0), (100.0, 0.0), (150.0, 0.25), (200.0, 1.0)]
)
def test_of_what_a_reading_sets_right_the_first_half_of_the_time_has_a_quarter(
    then_s: float, share: float
) -> None:
    assert Revision(from_s=100.0, um=8.0).share_at(then_s, 200.0) == pytest.approx(share)


# ---- the rates


def test_without_light_the_deficit_is_that_of_the_air() -> None:
    rates = rates_of(BenchReadings(air_c=25.0, relative_humidity=0.6), DayPart.DAY, has_light=False)

    assert rates.kpa == vapour_pressure_deficit_kpa(25.0, 0.6)
    assert rates.assumed_light


@pytest.mark.parametrize(
    ("light", "counts"), [(-4.0, 0.0), (0.0, 0.0), (100.0, 100.0), (None, USUAL_LIGHT_W_PER_M2[DayPart.DAY])]
)
def test_a_light_sensor_weighs_the_deficit_and_the_usual_light_does_while_it_is_not_believed(
    light: float | None, counts: float
) -> None:
    readings = BenchReadings(air_c=25.0, relative_humidity=0.6, light_w_per_m2=light)

    rates = rates_of(readings, DayPart.DAY, has_light=True)

    weighed = vapour_pressure_deficit_kpa(25.0, 0.6) + LIGHT_KPA_PER_W_PER_M2 * counts
    assert rates.kpa == pytest.approx(weighed)
    assert rates.assumed_light is (light is None)


def test_a_watt_of_light_weighs_more_in_warm_air() -> None:
    assert light_kpa_per_w_per_m2(15.0) < light_kpa_per_w_per_m2(25.0) < light_kpa_per_w_per_m2(35.0)


def test_the_light_of_a_usual_day_is_worth_a_quarter_of_its_deficit_or_more() -> None:
    more_kpa = reference_rates(has_light=True).kpa - reference_rates(has_light=False).kpa

    assert more_kpa == pytest.approx(LIGHT_KPA_PER_W_PER_M2 * 200.0)
    assert more_kpa > 0.25 * reference_rates(has_light=False).kpa


def test_with_a_leaf_temperature_the_deficit_is_from_the_leaf_to_the_air_and_light_weighs_no_more() -> None:
    readings = BenchReadings(air_c=25.0, relative_humidity=0.6, light_w_per_m2=400.0, leaf_c=29.0)

    rates = rates_of(readings, DayPart.DAY, has_light=True)

    vapour_kpa = 0.6 * saturation_vapour_pressure_kpa(25.0)
    assert rates.kpa == pytest.approx(saturation_vapour_pressure_kpa(29.0) - vapour_kpa)


def test_a_leaf_below_the_dew_point_asks_for_nothing_and_gives_nothing_back() -> None:
    readings = BenchReadings(air_c=25.0, relative_humidity=0.9, leaf_c=18.0)

    rates = rates_of(readings, DayPart.NIGHT, has_light=False, is_night=True)

    assert (rates.kpa, rates.um_per_s) == (0.0, 0.0)


@pytest.mark.parametrize(("is_night", "shelter"), [(False, SHELTER), (True, SHELTER_BY_NIGHT)])
def test_a_leaf_among_others_gives_a_share_of_what_one_alone_would(is_night: bool, shelter: float) -> None:
    readings = BenchReadings(air_c=25.0, relative_humidity=0.6)
    part = DayPart.NIGHT if is_night else DayPart.DAY

    rates = rates_of(readings, part, has_light=False, is_night=is_night)

    assert rates.um_per_s == pytest.approx(shelter * demand(readings, day_part=part).um_per_s)


@given(air_c=st.floats(-10.0, 55.0), humidity=st.floats(0.03, 1.0), light=st.floats(-5.0, 1500.0))
@pytest.mark.parametrize("part", list(DayPart))
def test_no_believed_reading_lets_a_meter_run_backwards(
    part: DayPart, air_c: float, humidity: float, light: float
) -> None:
    readings = BenchReadings(air_c=air_c, relative_humidity=humidity, light_w_per_m2=light)

    rates = rates_of(readings, part, has_light=True, is_night=part is DayPart.NIGHT)

    assert 0.0 <= rates.kpa < 20.0
    assert 0.0 <= rates.um_per_s < 2.0
