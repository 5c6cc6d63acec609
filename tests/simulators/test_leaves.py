"""The films on the benches: water conserved, layers, sides and quarters, dew, days as literature has them."""

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from simulators.plant.leaf_energy import exact_leaf
from simulators.plant.leaves import QUARTERS, Canopy, LeafAir, LeafPlan, spread_of_uniformity

PRESSURE_KPA = 101.3
DAY_S = 86_400.0
UPPER, LOWER = 0, 1
TOP, UNDER = 0, 1

SUNNY = LeafAir(
    temperature_c=30.0,
    vapour_pressure_kpa=2.2,
    speed_m_per_s=0.3,
    light_w_per_m2=315.0,
    pressure_kpa=PRESSURE_KPA,
    around_c=30.0,
)
SATURATED = LeafAir(20.0, saturation_vapour_pressure_kpa(20.0), 0.1, 0.0, PRESSURE_KPA, 20.0)
COLD_COVER = LeafAir(15.0, 0.98 * saturation_vapour_pressure_kpa(15.0), 0.1, 0.0, PRESSURE_KPA, 8.0)

# Nothing falls past, nothing on the under sides, nothing evaporates on the way, all quarters alike.
PLAIN = LeafPlan(
    holds_um=50.0,
    under_holds_um=30.0,
    upper_leaf_area=0.8,
    lower_leaf_area=0.5,
    upper_catches=0.6,
    lower_catches=0.2,
    under_share=0.0,
    drip_caught_share=0.5,
    spread=(1.0, 1.0, 1.0, 1.0),
    lost_in_air_per_kpa=0.0,
)


def canopy_of(*plans: LeafPlan) -> Canopy:
    return Canopy(plans or (LeafPlan(),), [14.0] * max(1, len(plans)))


def film_um(canopy: Canopy) -> list[float]:
    """By bench."""
    return [float(value) for value in canopy.film_um.sum(axis=(2, 3)).mean(axis=1)]


def assert_book_closes(canopy: Canopy, note: str = "") -> None:
    came = canopy.applied_um + canopy.dew_um
    went = canopy.missed_um + canopy.dripped_um + canopy.evaporated_um + canopy.drawn_um
    assert went + film_um(canopy) == pytest.approx(came, rel=1e-9), note


# --- what a burst leaves


def test_layers_catch_their_shares_and_the_rest_falls_between() -> None:
    canopy = canopy_of(PLAIN)

    canopy.spray(0, 40.0)

    assert canopy.film_um[0, 0] == pytest.approx(np.array([[24.0, 0.0], [8.0, 0.0]]))
    assert (canopy.applied_um[0], canopy.missed_um[0], canopy.dripped_um[0]) == pytest.approx(
        (40.0, 8.0, 0.0)
    )
    assert canopy.fallen_um == pytest.approx(np.full((1, QUARTERS), 8.0))


def test_what_the_upper_layer_cannot_hold_drips_on_the_lower_and_past_it() -> None:
    """Upper: 60 caught, 40 held (0.8 x 50), 20 over; 10 caught below, where 20 + 10 meet a hold of 25."""
    canopy = canopy_of(PLAIN)

    canopy.spray(0, 100.0)

    assert canopy.film_um[0, 0, :, TOP] == pytest.approx((40.0, 25.0))
    assert canopy.dripped_um[0] == pytest.approx(10.0 + 5.0)
    assert canopy.fallen_um[0, 0] == pytest.approx(20.0 + 15.0)


def test_a_few_hundredths_of_what_a_layer_catches_reach_its_under_sides() -> None:
    canopy = canopy_of(replace(PLAIN, under_share=0.04))

    canopy.spray(0, 40.0)

    assert canopy.film_um[0, 0, UPPER] == pytest.approx((0.96 * 24.0, 0.04 * 24.0))


def test_what_under_sides_cannot_hold_drips_too() -> None:
    """Upper: 60 on each side, of which 40 and 24 are held; 28 of the 56 over are caught below, on top.

    Lower: 20 on each side and those 28 on top, of which 25 and 15 are held.
    """
    canopy = canopy_of(replace(PLAIN, under_share=0.5))

    canopy.spray(0, 200.0)

    assert canopy.film_um[0, 0] == pytest.approx(np.array([[40.0, 24.0], [25.0, 15.0]]))
    assert canopy.dripped_um[0] == pytest.approx(28.0 + 23.0 + 5.0)
    assert canopy.fallen_um[0, 0] == pytest.approx(40.0 + 28.0 + 23.0 + 5.0)
    assert_book_closes(canopy)


def test_quarters_get_their_shares_and_the_bench_their_mean() -> None:
    canopy = canopy_of(replace(PLAIN, spread=(0.7, 0.9, 1.1, 1.3)))

    canopy.spray(0, 20.0)

    assert canopy.film_um[0, :, UPPER, TOP] == pytest.approx((8.4, 10.8, 13.2, 15.6))
    assert film_um(canopy) == pytest.approx([16.0])


def test_only_the_bench_that_is_sprayed_gets_wet() -> None:
    canopy = canopy_of(PLAIN, PLAIN, PLAIN)

    canopy.spray(1, 20.0)

    assert film_um(canopy) == pytest.approx([0.0, 16.0, 0.0])


@pytest.mark.parametrize(("share", "fraction"), [(0.0, 0.0), (0.125, 0.25), (1.0, 1.0)])
def test_the_wet_fraction_is_deardorffs_two_thirds_power(share: float, fraction: float) -> None:
    """Deardorff (1978): (w / wmax)^(2/3); an eighth of the water wets a quarter of the leaf."""
    canopy = canopy_of(PLAIN)

    canopy.spray(0, share * 40.0 / 0.6)

    assert canopy.wet_fraction[0, 0, UPPER, TOP] == pytest.approx(fraction)


def test_the_wet_fraction_follows_the_film_through_bursts_drying_and_dew() -> None:
    canopy = canopy_of(PLAIN)
    holds_um = np.array([[40.0, 24.0], [25.0, 15.0]])
    canopy.spray(0, 30.0)

    for air in (SUNNY, SUNNY, COLD_COVER, SUNNY):
        canopy.step(60.0, air)

        assert canopy.wet_fraction == pytest.approx((canopy.film_um / holds_um) ** (2 / 3), rel=1e-9)
    assert 0.0 < canopy.wet_fraction[0, 0, UPPER, TOP] < 0.5


def test_the_mean_wet_fraction_is_that_of_the_steps_since_it_was_last_taken_each_by_its_time() -> None:
    canopy = canopy_of(PLAIN, PLAIN)
    canopy.spray(1, 40.0)
    wet_s = np.zeros_like(canopy.film_um)
    for dt_s in (60.0, 30.0, 10.0):
        canopy.step(dt_s, SUNNY)
        wet_s += canopy.wet_fraction * dt_s

    mean = canopy.take_mean_wet_fraction()
    canopy.spray(0, 20.0)  # lands after the last step
    canopy.step(20.0, SUNNY)
    next_mean = canopy.take_mean_wet_fraction()

    assert mean == pytest.approx(wet_s / 100.0)
    assert mean[0].max() == 0.0 < mean[1].max() < 1.0
    assert next_mean == pytest.approx(canopy.wet_fraction)


def test_with_no_step_since_the_mean_wet_fraction_is_that_of_now() -> None:
    canopy = canopy_of(PLAIN)
    canopy.spray(0, 20.0)

    assert canopy.take_mean_wet_fraction() == pytest.approx(canopy.wet_fraction)


def test_in_dry_air_a_share_of_the_droplets_never_lands_and_goes_into_the_air() -> None:
    canopy = canopy_of(replace(PLAIN, lost_in_air_per_kpa=0.03))
    canopy.step(1.0, SUNNY)
    deficit_kpa = saturation_vapour_pressure_kpa(30.0) - 2.2

    canopy.spray(0, 40.0)
    lost_um = 40.0 * 0.03 * deficit_kpa
    landed_um = film_um(canopy)[0] + float(canopy.missed_um[0])
    given_um = canopy.step(0.001, SUNNY)

    assert canopy.evaporated_um[0] == pytest.approx(lost_um, abs=0.01)
    assert landed_um == pytest.approx(40.0 - lost_um)
    assert given_um[0] == pytest.approx(lost_um, abs=0.01)
    assert_book_closes(canopy)


def test_no_more_than_a_seventh_of_a_burst_is_lost_in_the_driest_air() -> None:
    canopy = canopy_of(replace(PLAIN, lost_in_air_per_kpa=0.05))
    canopy.step(1.0, SUNNY._replace(temperature_c=48.0))

    canopy.spray(0, 40.0)

    assert canopy.evaporated_um[0] == pytest.approx(0.15 * 40.0)


# --- what leaves hold, as published


def test_a_default_leaf_holds_the_twentieth_of_a_millimetre_that_models_of_canopies_use() -> None:
    """MIKE SHE technical reference eq. 20.14: about 0.05 mm x LAI, here on top sides; TESSEL: 0.2 mm."""
    plan = LeafPlan()
    canopy = canopy_of(plan)

    canopy.spray(0, 2000.0)

    leaf_area_index = plan.upper_leaf_area + plan.lower_leaf_area
    held_um = float(canopy.film_um[0, :, :, TOP].sum(axis=1).mean())
    assert held_um == pytest.approx(0.05 * leaf_area_index * 1000.0)
    assert film_um(canopy)[0] < 0.2 * leaf_area_index * 1000.0


@pytest.mark.parametrize("pass_um", [45.0, 61.0, 73.0, 102.0, 147.0, 310.0])
def test_of_a_boom_pass_as_published_leaves_keep_what_real_bursts_leave(pass_um: float) -> None:
    """LeBude, Goldfarb & Blazich (2004): 45 to 310 ml/m2 a pass. Bursts on commercial benches put down 10 to
    42 ml/m2 (Faust, Dole & Lopez 2017, worked out); leaves hold no more than some 100 over both layers.
    """
    canopy = canopy_of()

    canopy.spray(0, pass_um)

    assert 20.0 < film_um(canopy)[0] < 100.0
    assert_book_closes(canopy)


# --- drying


def test_a_leaf_dries_as_its_energy_balance_says() -> None:
    """Against one leaf's exact balance at the wet shares it begins with: the straight curve is 4 % low."""
    canopy = canopy_of(replace(PLAIN, under_share=0.1))
    canopy.spray(0, 30.0)
    wet = canopy.wet_fraction[0, 0, UPPER]

    given_um = canopy.step(0.01, SUNNY)

    upper = exact_leaf(SUNNY, PLAIN.length_m, 0.5 * 315.0, wet[TOP], wet[UNDER])
    wet = canopy.wet_fraction[0, 0, LOWER]
    lower = exact_leaf(SUNNY, PLAIN.length_m, 0.5 * 0.3 * 315.0, wet[TOP], wet[UNDER])
    expected_um_per_s = 0.8 * (upper.top_um_per_s + upper.under_um_per_s)
    expected_um_per_s += 0.5 * (lower.top_um_per_s + lower.under_um_per_s)
    assert given_um[0] / 0.01 == pytest.approx(expected_um_per_s, rel=0.04)
    assert canopy.leaf_c[0, 0] == pytest.approx((upper.leaf_c, lower.leaf_c), abs=0.2)


@pytest.mark.parametrize("dt_s", [0.001, 60.0, 600.0])
def test_leaf_temperature_is_that_at_which_heat_balances_over_the_step(dt_s: float) -> None:
    canopy = canopy_of(PLAIN)
    canopy.spray(0, 30.0)
    before_um = canopy.film_um.copy()

    canopy.step(dt_s, SUNNY)

    latent_w = (
        44_000.0 / 18.015 * (before_um - canopy.film_um).sum(axis=3)[0, 0] / np.array([0.8, 0.5]) / dt_s
    )
    heat_w_per_k = 2.0 * 29.3 * 1.4 * 0.135 * (0.3 / 0.036) ** 0.5
    radiated_w_per_k = 8.0 * 0.97 * 5.67e-8 * 303.15**3
    dry_w = (heat_w_per_k + radiated_w_per_k) * (canopy.leaf_c[0, 0] - 30.0)
    assert dry_w + latent_w == pytest.approx(np.array([1.0, 0.3]) * 0.5 * 315.0, rel=1e-6)


def test_the_driest_quarter_is_dry_first_and_the_wettest_last() -> None:
    canopy = canopy_of()
    canopy.spray(0, 30.0)
    dry_at_s: dict[int, float] = {}

    for second in range(5, 3600, 5):
        canopy.step(5.0, SUNNY)
        for quarter in range(QUARTERS):
            if canopy.film_um[0, quarter, UPPER, TOP] == 0.0:
                dry_at_s.setdefault(quarter, second)

    assert list(dry_at_s) == [0, 1, 2, 3]
    assert 120.0 < dry_at_s[0] < dry_at_s[3] < 900.0


def test_the_shaded_lower_layer_dries_more_slowly() -> None:
    canopy = canopy_of(replace(PLAIN, upper_catches=0.4, lower_catches=0.25))  # as deep on both
    canopy.spray(0, 40.0)

    canopy.step(60.0, SUNNY)

    left_um = canopy.film_um[0, 0, :, TOP]
    assert left_um[UPPER] / 0.8 < left_um[LOWER] / 0.5


def test_a_dry_canopy_gives_nothing_and_its_leaves_are_warmer_than_the_air() -> None:
    canopy = canopy_of(PLAIN, PLAIN)

    given_um = canopy.step(60.0, SUNNY)

    assert list(given_um) == [0.0, 0.0]
    assert canopy.leaf_c[:, :, UPPER].min() > 32.0


def test_saturated_air_in_the_dark_dries_nothing() -> None:
    canopy = canopy_of(PLAIN)
    canopy.spray(0, 30.0)
    before_um = film_um(canopy)

    for _ in range(12):
        canopy.step(3600.0, SATURATED)

    assert film_um(canopy) == pytest.approx(before_um, abs=0.002)


@pytest.mark.parametrize("step_s", [0.5, 10.0, 60.0, 120.0])
def test_with_air_that_stands_still_any_step_leaves_the_same_film(step_s: float) -> None:
    expected, canopy = canopy_of(), canopy_of()
    expected.spray(0, 40.0)
    canopy.spray(0, 40.0)

    for _ in range(1200):
        expected.step(0.1, SUNNY)
    for _ in range(round(120.0 / step_s)):
        canopy.step(step_s, SUNNY)

    assert canopy.film_um == pytest.approx(expected.film_um, abs=0.02)
    assert float(canopy.film_um.max()) > 5.0


# --- dew, and water that cuttings take


def test_dew_falls_on_both_sides_under_a_cold_cover_and_comes_out_of_the_air() -> None:
    canopy = canopy_of(PLAIN)

    given_um = canopy.step(3600.0, COLD_COVER)

    assert given_um[0] == pytest.approx(-canopy.dew_um[0])
    assert 5.0 < canopy.dew_um[0] < 100.0
    assert canopy.film_um[0, 0, UPPER, TOP] == pytest.approx(canopy.film_um[0, 0, UPPER, UNDER])
    assert canopy.leaf_c.max() < 15.0
    assert_book_closes(canopy)


def test_a_leaf_in_the_light_dries_though_a_shaded_one_beside_it_could_take_dew() -> None:
    canopy = canopy_of(PLAIN)
    canopy.spray(0, 40.0)
    before_um = canopy.film_um[0, 0, :, TOP].copy()

    canopy.step(60.0, COLD_COVER._replace(light_w_per_m2=250.0))

    after_um = canopy.film_um[0, 0, :, TOP]
    assert after_um[UPPER] < before_um[UPPER]
    assert after_um[LOWER] > before_um[LOWER]
    assert_book_closes(canopy)


def test_dew_that_leaves_cannot_hold_drips_to_the_medium() -> None:
    canopy = canopy_of(PLAIN, PLAIN)

    for _ in range(60):
        canopy.step(600.0, COLD_COVER)

    assert canopy.film_um == pytest.approx(np.broadcast_to([[40.0, 24.0], [25.0, 15.0]], (2, QUARTERS, 2, 2)))
    assert canopy.fallen_um.mean(axis=1) == pytest.approx(canopy.dripped_um)
    assert canopy.dripped_um.min() > 10.0
    assert_book_closes(canopy)


def test_cuttings_draw_what_there_is_and_no_more() -> None:
    canopy = canopy_of(PLAIN)
    canopy.spray(0, 20.0)  # 12 um above, 4 below
    wanted_um = np.array([[0.0, 4.0, 16.0, 100.0]])

    wet_before = canopy.wet_fraction[0, 1, UPPER, TOP]
    drawn_um = canopy.draw(wanted_um)

    assert canopy.wet_fraction[0, 1, UPPER, TOP] == pytest.approx(wet_before * 0.75 ** (2 / 3))
    assert drawn_um[0] == pytest.approx((0.0, 4.0, 16.0, 16.0))
    assert canopy.film_um[0, :, UPPER, TOP] == pytest.approx((12.0, 9.0, 0.0, 0.0))
    assert canopy.drawn_um[0] == pytest.approx(9.0)
    assert_book_closes(canopy)


# --- water


@pytest.mark.parametrize("seed", range(6))
def test_no_water_is_lost_or_made(seed: int) -> None:
    """To 1e-9 of what came, after any history, with steps from a thousandth of a second to ten minutes."""
    rng = Random(seed)
    plans = [
        LeafPlan(holds_um=rng.choice([20.0, 50.0, 100.0]), spread=spread_of_uniformity(rng.uniform(0.4, 1.0)))
        for _ in range(3)
    ]
    canopy = canopy_of(*plans)
    taken_um, given_um = np.zeros(3), np.zeros(3)
    for _ in range(1500):
        if rng.random() < 0.4:
            canopy.spray(rng.randrange(3), rng.choice([0.0, rng.uniform(0.0, 150.0)]))
        if rng.random() < 0.1:
            canopy.draw(np.full((3, QUARTERS), rng.uniform(0.0, 3.0)))
        air_c = rng.uniform(0.0, 42.0)
        air = LeafAir(
            temperature_c=air_c,
            vapour_pressure_kpa=rng.uniform(0.1, 1.01) * saturation_vapour_pressure_kpa(air_c),
            speed_m_per_s=rng.choice([0.0, rng.uniform(0.0, 2.0)]),
            light_w_per_m2=rng.choice([0.0, rng.uniform(0.0, 500.0)]),
            pressure_kpa=98.0,
            around_c=air_c + rng.uniform(-10.0, 10.0),
        )
        given_um += canopy.step(10.0 ** rng.uniform(-3.0, 2.778), air)
        taken_um += canopy.take_fallen_um().mean(axis=1)

        assert_book_closes(canopy, f"seed {seed}")
        assert np.all(canopy.film_um >= 0.0), f"seed {seed}"
        assert np.all(canopy.wet_fraction <= 1.0 + 1e-12), f"seed {seed}"
    assert taken_um == pytest.approx(canopy.missed_um + canopy.dripped_um, rel=1e-9)
    assert given_um == pytest.approx(canopy.evaporated_um - canopy.dew_um, rel=1e-9, abs=1e-6)
    assert canopy.dew_um.min() > 0.0


def test_what_fell_is_taken_once() -> None:
    canopy = canopy_of(PLAIN)
    canopy.spray(0, 40.0)

    first, second = canopy.take_fallen_um(), canopy.take_fallen_um()

    assert first == pytest.approx(np.full((1, QUARTERS), 8.0))
    assert not second.any()


def test_litres_are_depth_times_area() -> None:
    canopy = Canopy([PLAIN, PLAIN], [14.0, 20.0])

    assert canopy.litres(np.array([1000.0, 500.0])) == pytest.approx(24.0)
