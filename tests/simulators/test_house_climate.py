"""The house's climate against balances worked out by hand; its books; its nights and days."""

from dataclasses import replace
from math import exp

import pytest

from mistd.core.psychrometrics import dew_point_c, saturation_vapour_pressure_kpa
from simulators.plant.house_climate import FanStage, HouseClimate, HouseShell
from simulators.plant.weather import Outdoors

PRESSURE_KPA = 101.3
DAY_S = 86_400.0
MILD_NIGHT = Outdoors(15.0, 0.7, 0.0, 0.0)
BRIGHT_NOON = Outdoors(25.0, 0.5, 2.0, 900.0)

# 3 kg of air over a square metre and one change of it an hour whatever happens; benches that take no
# heat, all sun on the canopy, 10 W/m2 K from air to cover and as much cover as floor.
PLAIN_SHELL = HouseShell(
    floor_area_m2=100.0,
    mean_height_m=2.5,
    cover_transmission=0.8,
    shade_transmission=0.625,
    absorbed_share=0.8,
    canopy_share=1.0,
    quick_store_j_per_m2_k=36_000.0,
    air_to_bench_w_per_m2_k=0.0,
    air_to_cover_w_per_m2_k=10.0,
    radiated_to_cover_w_per_m2_k=0.0,
    cover_per_floor=1.0,
    leaks_per_h=1.0,
    leaks_per_h_per_m_per_s=0.0,
    vented_per_h=0.0,
    vented_per_h_per_m_per_s=0.0,
)
VENT_W_PER_M2_K = 3.0 * 1013.0 / 3600.0  # one change an hour of 3 kg/m2


def loss_w_per_m2_k(outdoors_c: float) -> float:
    """Of the plain house: still air and radiation outside the cover, 10 W/m2 K inside it, and the leaks."""
    outer = 2.8 + 4.0 * 0.9 * 5.67e-8 * (outdoors_c + 273.15) ** 3
    return 1.0 / (1.0 / 10.0 + 1.0 / outer) + VENT_W_PER_M2_K


def run(
    house: HouseClimate, outdoors: Outdoors, seconds: float, step_s: float, kg_per_s: float = 0.0
) -> HouseClimate:
    for _ in range(round(seconds / step_s)):
        house.step(step_s, outdoors, kg_per_s * step_s)
    return house


def house_in(outdoors: Outdoors, shell: HouseShell | None = None) -> HouseClimate:
    return HouseClimate(shell or HouseShell(), outdoors, PRESSURE_KPA)


# --- balances by hand


def test_the_air_settles_where_sun_and_losses_balance() -> None:
    sunny = MILD_NIGHT._replace(radiation_w_per_m2=100.0)

    house = run(house_in(sunny, PLAIN_SHELL), sunny, DAY_S, 60.0)

    assert house.air_temperature_c == pytest.approx(
        15.0 + 0.5 * 0.8 * 100.0 / loss_w_per_m2_k(15.0), rel=1e-5
    )


@pytest.mark.parametrize("step_s", [0.1, 60.0, 600.0])
def test_the_air_follows_with_its_time_constant(step_s: float) -> None:
    house = house_in(MILD_NIGHT, PLAIN_SHELL)

    run(house, MILD_NIGHT._replace(temperature_c=25.0, relative_humidity=0.1), 600.0, step_s)

    remaining = exp(-600.0 * loss_w_per_m2_k(25.0) / 36_000.0)
    assert house.air_temperature_c == pytest.approx(25.0 - 10.0 * remaining)


def test_evaporation_takes_its_heat_from_the_air_and_leaves_its_vapour_in_it() -> None:
    """0.0005 kg/s over 100 m2: 12 W/m2 less, and E / (3 kg x 1/3600 s) = 0.006 kg/kg more."""
    hot_dry = Outdoors(45.0, 0.05, 0.0, 0.0)

    dry = run(house_in(hot_dry, PLAIN_SHELL), hot_dry, DAY_S, 60.0)
    misted = run(house_in(hot_dry, PLAIN_SHELL), hot_dry, DAY_S, 60.0, kg_per_s=0.0005)

    cooled_c = dry.air_temperature_c - misted.air_temperature_c
    assert cooled_c == pytest.approx(2.45e6 * 0.0005 / 100.0 / loss_w_per_m2_k(45.0), rel=1e-5)
    assert misted.humidity_ratio - dry.humidity_ratio == pytest.approx(0.0005 / 100.0 / 3.0 * 3600.0)


def test_a_clear_sky_takes_heat_from_the_share_of_the_cover_that_sees_it() -> None:
    """Settled, and dry, the cover loses to the sky what it gains from the air on both its sides."""
    clear = Outdoors(15.0, 0.3, 0.0, 0.0, 20.0)
    radiated = 4.0 * 0.9 * 5.67e-8 * 288.15**3
    shell = replace(PLAIN_SHELL, sky_seen_share=0.5)

    house = run(house_in(clear, shell), clear, DAY_S, 60.0)

    inner = 1.0 / (1.0 / 10.0 + 1.0 / VENT_W_PER_M2_K)  # cover to outdoors by way of the air and the leaks
    assert house.cover_c == pytest.approx(15.0 - radiated * 0.5 * 20.0 / (2.8 + radiated + inner), abs=0.01)


def test_a_heated_bench_gives_its_heat_to_the_air_by_hand() -> None:
    """10 W/m2 of bottom heat, all of which the air passes on."""
    shell = replace(PLAIN_SHELL, air_to_bench_w_per_m2_k=8.0, bottom_heat_c=60.0, bottom_heat_w_per_m2=10.0)

    house = run(house_in(MILD_NIGHT, shell), MILD_NIGHT, 20.0 * DAY_S, 600.0)

    air_above_c = 10.0 / loss_w_per_m2_k(15.0)
    assert house.air_temperature_c == pytest.approx(15.0 + air_above_c, rel=1e-4)
    assert house.bench_c == pytest.approx(15.0 + air_above_c + 10.0 / 8.0, rel=1e-4)


# --- cover, dew and frost


def test_an_unheated_house_is_colder_than_outdoors_on_a_clear_still_night() -> None:
    """And freezes at 3 C outside, where an overcast sky leaves it above freezing."""
    clear = Outdoors(3.0, 0.9, 0.0, 0.0, 20.0)
    overcast = clear._replace(sky_below_air_c=0.0)

    under_clear = run(house_in(clear), clear, 2.0 * DAY_S, 60.0)
    under_cloud = run(house_in(overcast), overcast, 2.0 * DAY_S, 60.0)

    assert under_clear.cover_c < under_clear.air_temperature_c < 0.0
    assert under_cloud.air_temperature_c >= 2.9


def test_vapour_condenses_on_a_cover_under_the_dew_point_and_warms_it() -> None:
    """A warm moist house on a cold night settles drier than its benches would have it, with a wet cover."""
    cold = Outdoors(2.0, 0.8, 1.0, 0.0, 10.0)
    shell = HouseShell(heating_c=20.0)

    moist = run(house_in(cold, shell), cold, DAY_S, 60.0, kg_per_s=0.003)
    dry = run(house_in(cold, shell), cold, DAY_S, 60.0)

    dew_point = dew_point_c(moist.air_temperature_c, moist.relative_humidity)
    assert dry.vapour.condensed_kg == 0.0
    assert 0.3 * moist.vapour.evaporated_kg < moist.vapour.condensed_kg < moist.vapour.evaporated_kg
    assert moist.cover_c < dew_point
    assert moist.cover_c > dry.cover_c


def test_condensation_follows_lewis_and_its_heat_crosses_the_cover() -> None:
    """Settled: what condenses is h / cp of air to cover times the difference in humidity ratio."""
    cold = Outdoors(2.0, 0.8, 1.0, 0.0, 10.0)
    house = run(house_in(cold, HouseShell(heating_c=20.0)), cold, DAY_S, 60.0, kg_per_s=0.003)
    before_kg = house.vapour.condensed_kg

    house.step(60.0, cold, 0.003 * 60.0)

    cover_kpa = saturation_vapour_pressure_kpa(house.cover_c)
    cover_ratio = 0.622 * cover_kpa / (PRESSURE_KPA - cover_kpa)
    expected_kg = 6.0 / 1013.0 * (house.humidity_ratio - cover_ratio) * 60.0
    assert house.vapour.condensed_kg - before_kg == pytest.approx(expected_kg, rel=0.03)


def test_air_that_cools_never_holds_more_than_saturation() -> None:
    moist = Outdoors(25.0, 0.95, 0.0, 0.0)
    house = house_in(moist, replace(PLAIN_SHELL, leaks_per_h=0.1, air_to_cover_w_per_m2_k=20.0))
    fullest = 0.0

    for _ in range(120):
        house.step(60.0, MILD_NIGHT, 0.1)
        saturation_kpa = saturation_vapour_pressure_kpa(house.air_temperature_c)
        fullest = max(fullest, house.vapour_pressure_kpa / saturation_kpa)

    assert 0.99 < fullest <= 1.0 + 1e-9
    assert house.relative_humidity <= 1.0


# --- heating, vents, fans, light


@pytest.mark.parametrize("step_s", [0.5, 60.0, 600.0])
def test_heating_holds_its_set_point_without_swinging(step_s: float) -> None:
    cold = Outdoors(5.0, 0.8, 1.0, 0.0)
    house = run(house_in(cold, HouseShell(heating_c=18.0)), cold, 3600.0, step_s)

    assert house.air_temperature_c == pytest.approx(18.0, abs=1e-6)


def test_heating_that_is_too_weak_runs_at_its_bound() -> None:
    frost = Outdoors(-20.0, 0.8, 5.0, 0.0, 10.0)
    house = run(house_in(frost, HouseShell(heating_c=18.0, heating_w_per_m2=100.0)), frost, DAY_S, 60.0)
    before_j = house.heat.heating_j

    house.step(60.0, frost, 0.0)

    assert house.air_temperature_c < 17.0
    assert house.heat.heating_j - before_j == pytest.approx(100.0 * 60.0)


def test_bottom_heat_holds_the_benches_above_the_air() -> None:
    cold = Outdoors(10.0, 0.8, 1.0, 0.0)
    shell = HouseShell(heating_c=16.0, bottom_heat_c=24.0, bottom_heat_w_per_m2=100.0)

    house = run(house_in(cold, shell), cold, DAY_S, 60.0)

    assert house.bench_c == pytest.approx(24.0, abs=1e-6)
    assert 0.0 < house.heat.bottom_heat_j < 100.0 * DAY_S
    assert house.air_temperature_c < 20.0


def test_heating_is_off_while_the_house_is_warm() -> None:
    house = run(house_in(BRIGHT_NOON, HouseShell(heating_c=18.0)), BRIGHT_NOON, 3600.0, 60.0)

    assert house.heat.heating_j == 0.0


@pytest.mark.parametrize(
    ("air_c", "share"), [(21.9, 0.0), (22.0, 0.0), (25.0, 0.5), (28.0, 1.0), (35.0, 1.0)]
)
def test_vents_open_in_proportion_between_their_two_temperatures(air_c: float, share: float) -> None:
    assert HouseShell(vents_begin_c=22.0, vents_full_c=28.0).vents_open_share(air_c) == pytest.approx(share)


def test_open_vents_cool_a_sunny_house_and_wind_helps() -> None:
    shut = replace(HouseShell(), vented_per_h=0.0, vented_per_h_per_m_per_s=0.0)
    windy = BRIGHT_NOON._replace(wind_m_per_s=6.0)

    closed = run(house_in(BRIGHT_NOON, shut), BRIGHT_NOON, DAY_S, 60.0)
    vented = run(house_in(BRIGHT_NOON), BRIGHT_NOON, DAY_S, 60.0)
    in_wind = run(house_in(windy), windy, DAY_S, 60.0)

    assert in_wind.air_temperature_c < vented.air_temperature_c < closed.air_temperature_c - 10.0


TWO_FANS = HouseShell(
    vented_per_h=0.0,
    vented_per_h_per_m_per_s=0.0,
    fans=(FanStage(starts_c=26.0, changes_per_h=20.0), FanStage(starts_c=29.0, changes_per_h=40.0)),
)


@pytest.mark.parametrize(
    ("air_c", "before", "running"),
    [(25.9, 0, 0), (26.0, 0, 1), (25.1, 1, 1), (24.9, 1, 0), (29.0, 0, 2), (28.1, 2, 2), (27.9, 2, 1)],
)
def test_a_fan_starts_at_its_temperature_and_stops_a_degree_below(
    air_c: float, before: int, running: int
) -> None:
    house = house_in(BRIGHT_NOON, TWO_FANS)
    house.air_temperature_c = air_c
    house.fans_running = before

    house.step(0.001, BRIGHT_NOON, 0.0)

    assert house.fans_running == running


def test_fans_hold_a_sunny_house_down_and_stir_its_air() -> None:
    without = run(house_in(BRIGHT_NOON, replace(TWO_FANS, fans=())), BRIGHT_NOON, 7200.0, 60.0)

    house = run(house_in(BRIGHT_NOON, TWO_FANS), BRIGHT_NOON, 7200.0, 60.0)

    assert house.air_temperature_c < without.air_temperature_c - 5.0
    assert house.air_speed_m_per_s == pytest.approx(without.air_speed_m_per_s + 0.15 * house.fans_running)
    assert house.fans_running > 0


def test_wind_reaches_the_leaves_through_open_vents_only() -> None:
    shell = HouseShell(still_air_m_per_s=0.1, wind_share=0.08)

    assert shell.air_speed_m_per_s(air_c=15.0, wind_m_per_s=5.0) == pytest.approx(0.1)
    assert shell.air_speed_m_per_s(air_c=30.0, wind_m_per_s=5.0) == pytest.approx(0.5)


def test_cover_and_shade_let_through_each_their_share_of_the_light() -> None:
    house = house_in(BRIGHT_NOON, HouseShell(cover_transmission=0.7, shade_transmission=0.4))

    assert house.light_w_per_m2 == pytest.approx(0.28 * 900.0)


def test_shade_hung_inside_warms_the_house_and_outside_does_not() -> None:
    inside = replace(HouseShell(), shade_warms_share=0.8)

    under_outer = run(house_in(BRIGHT_NOON), BRIGHT_NOON, 7200.0, 60.0)
    under_inner = run(house_in(BRIGHT_NOON, inside), BRIGHT_NOON, 7200.0, 60.0)

    assert under_inner.air_temperature_c > under_outer.air_temperature_c + 2.0
    assert under_inner.light_w_per_m2 == under_outer.light_w_per_m2


def test_benches_hold_the_days_warmth_into_the_night() -> None:
    house = run(house_in(BRIGHT_NOON), BRIGHT_NOON, 6 * 3600.0, 60.0)

    run(house, MILD_NIGHT, 3 * 3600.0, 60.0)

    assert house.bench_c > house.air_temperature_c + 1.0 > 17.0
    assert house.around_c == pytest.approx(0.5 * (house.bench_c + house.cover_c))


# --- beginning


def test_a_house_begins_with_the_air_outside() -> None:
    house = house_in(MILD_NIGHT)

    assert (house.air_temperature_c, house.bench_c) == (15.0, 15.0)
    assert house.relative_humidity == pytest.approx(0.7)
    assert (house.energy_error_share, house.vapour_error_kg) == (0.0, 0.0)


def test_a_heated_house_begins_at_its_set_points() -> None:
    house = house_in(MILD_NIGHT, HouseShell(heating_c=18.0, bottom_heat_c=22.0))

    assert (house.air_temperature_c, house.bench_c) == (18.0, 22.0)


@pytest.mark.parametrize(
    ("field", "value", "word"),
    [
        ("floor_area_m2", 0.0, "floor_area_m2 is 0"),
        ("shade_transmission", 1.2, "shade_transmission is 1.2"),
        ("slow_store_j_per_m2_k", 19_999.0, "slow_store_j_per_m2_k is 19999"),
        ("vents_full_c", 22.0, "vents_begin_c 22 is not under 22"),
        (
            "fans",
            (FanStage(starts_c=29.0, changes_per_h=1.0), FanStage(starts_c=26.0, changes_per_h=1.0)),
            "order",
        ),
    ],
)
def test_a_house_that_cannot_be_is_refused(field: str, value: object, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        HouseShell(**{field: value})  # type: ignore[arg-type]
