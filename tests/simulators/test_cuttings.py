"""Cuttings: when they wilt, how they drink, how they root, and that no water is lost."""

from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from simulators.plant.cutting_plan import (
    POINSETTIA,
    SEMI_RIPE,
    SOFT,
    CuttingPlan,
    FloatArray,
    RootTemperatures,
)
from simulators.plant.cuttings import Cuttings

HOUR_S = 3600.0
DAY_S = 86_400.0


class Air(NamedTuple):
    temperature_c: float
    vapour_pressure_kpa: float
    speed_m_per_s: float
    pressure_kpa: float


def air(temperature_c: float, relative_humidity: float, speed_m_per_s: float = 0.1) -> Air:
    vapour_kpa = relative_humidity * saturation_vapour_pressure_kpa(temperature_c)
    return Air(temperature_c, vapour_kpa, speed_m_per_s, 101.3)


MIST = air(23.0, 0.97)
# Assumed for Alem & Faust (2019), whose abstract says only "dark": 22 C, 1.19 kPa, air hardly moving.
LABORATORY = air(22.0, 0.55)


def live(
    cuttings: Cuttings,
    seconds: float,
    around: Air,
    *,
    wet: float = 0.0,
    light_w_per_m2: float = 0.0,
    leaf_above_air_c: float = 0.0,
    medium_c: float = 23.0,
    medium_share: float = 0.9,
    dt_s: float = 60.0,
    moister_kpa: FloatArray | None = None,
) -> FloatArray:
    """Let so long pass with everything standing still; return what was transpired, per zone."""
    zones = len(cuttings.plans)
    leaf_c = np.full((zones, 4, 2), around.temperature_c + leaf_above_air_c)
    wet_fraction = np.full((zones, 4, 2, 2), wet)
    medium = np.full((zones, 4), medium_c), np.full((zones, 4), medium_share)
    before = cuttings.transpired_um
    for _ in range(round(seconds / dt_s)):
        cuttings.step(dt_s, around, leaf_c, wet_fraction, *medium, light_w_per_m2, moister_kpa)
    gone: FloatArray = cuttings.transpired_um - before
    return gone


def minutes_to_wilt(
    cuttings: Cuttings, around: Air, *, light_w_per_m2: float = 0.0, leaf_above_air_c: float = 0.0
) -> float:
    """Out of water, leaves dry, until the whole bench has wilted; steps of 10 s."""
    for tens in range(1, 6 * 24 * 60):
        live(
            cuttings,
            10.0,
            around,
            light_w_per_m2=light_w_per_m2,
            leaf_above_air_c=leaf_above_air_c,
            medium_share=0.0,
            dt_s=10.0,
        )
        if cuttings.is_wilted.all():
            return tens / 6.0
    raise AssertionError("not wilted within a day")


def propagated(plan: CuttingPlan, days: int, *, medium_c: float = 20.0) -> Cuttings:
    """Turgid cuttings that were so long under mist, leaves wet, in the dark."""
    cuttings = Cuttings([replace(plan, delivered_share=1.0)])
    live(cuttings, days * DAY_S, MIST, wet=1.0, medium_c=medium_c, dt_s=600.0)
    return cuttings


# --- Alem & Faust (2019): poinsettia out of water wilts in the dark after so many minutes.


def test_a_fresh_poinsettia_wilts_in_the_dark_when_it_was_fitted_to() -> None:
    """The one of the four times that is put in, by way of the stomata left open in the dark."""
    assert minutes_to_wilt(propagated(POINSETTIA, 0), LABORATORY) == pytest.approx(72.0, rel=0.02)


@pytest.mark.parametrize(("days", "minutes"), [(2, 130.0), (4, 224.0), (6, 325.0)])
def test_a_poinsettia_wilts_the_later_the_longer_it_was_in_propagation(days: int, minutes: float) -> None:
    """Predicted; 20 % for another batch and an air we had to guess. Got: -10, -16 and -17 %."""
    assert minutes_to_wilt(propagated(POINSETTIA, days), LABORATORY) == pytest.approx(minutes, rel=0.20)


@pytest.mark.parametrize("days", [0, 2, 4, 6])
def test_light_wilts_a_cutting_much_faster_than_the_dark(days: int) -> None:
    """Alem & Faust (2019): "much faster" at 275 umol/m2/s, here 130 W/m2 and a leaf 1 C above the air."""
    dark = minutes_to_wilt(propagated(POINSETTIA, days), LABORATORY)
    light = minutes_to_wilt(
        propagated(POINSETTIA, days), LABORATORY, light_w_per_m2=130.0, leaf_above_air_c=1.0
    )

    assert light < 0.6 * dark


def uptake_in_8_h(days: int, light_w_per_m2: float = 0.0) -> float:
    """From a vial of water: the stem base in full contact. In um of bench."""
    cuttings = propagated(replace(POINSETTIA, stem_contact_share=1.0), days)
    before = float(cuttings.taken_up_um[0])
    warmed_c = 1.5 if light_w_per_m2 else 0.0
    live(
        cuttings,
        8 * HOUR_S,
        LABORATORY,
        light_w_per_m2=light_w_per_m2,
        leaf_above_air_c=warmed_c,
        medium_share=1.0,
    )
    return float(cuttings.taken_up_um[0]) - before


def test_uptake_in_the_dark_falls_as_measured() -> None:
    """2.38 to 1.64 mL a cutting in 6 days. It set two rates of decline: no prediction. Got: 0.765."""
    assert uptake_in_8_h(6) / uptake_in_8_h(0) == pytest.approx(1.64 / 2.38, rel=0.12)


@pytest.mark.xfail(strict=True, reason="uptake in light falls to 0.83 within six days, published: no effect")
def test_uptake_in_light_does_not_fall() -> None:
    """Alem & Faust (2019), at 375 umol/m2/s: time in propagation had no effect."""
    assert uptake_in_8_h(6, 180.0) / uptake_in_8_h(0, 180.0) == pytest.approx(1.0, abs=0.10)


# --- common practice


@pytest.mark.parametrize("leaf_above_air_c", [2.0, 3.0, 4.0])
@pytest.mark.parametrize(("plan", "soonest", "latest"), [(SOFT, 10.0, 30.0), (SEMI_RIPE, 60.0, 120.0)])
def test_cuttings_in_sun_flag_as_growers_say(
    plan: CuttingPlan, soonest: float, latest: float, leaf_above_air_c: float
) -> None:
    """Common practice, no source: soft in 10 to 30 minutes, half-hard evergreens in an hour or two."""
    shaded_sun = air(28.0, 0.60, 0.2)
    cuttings = Cuttings([replace(plan, delivered_share=0.97)])

    minutes = minutes_to_wilt(cuttings, shaded_sun, light_w_per_m2=300.0, leaf_above_air_c=leaf_above_air_c)

    assert soonest <= minutes <= latest


# --- losing and drinking


def test_a_dry_leaf_loses_what_its_conductances_say() -> None:
    """Fresh and in the dark: cuticle and open stomata, in series with Campbell & Norman's boundary layer."""
    cuttings = Cuttings([replace(SOFT, delivered_share=1.0)])
    leaf = 0.008 + 0.315 * 0.30
    boundary = 1.4 * 0.147 * (0.1 / (0.72 * 0.05)) ** 0.5
    pull_kpa = saturation_vapour_pressure_kpa(22.0) - LABORATORY.vapour_pressure_kpa

    gone_um = live(cuttings, 1.0, LABORATORY, dt_s=0.5)

    in_series = leaf * boundary / (leaf + boundary)
    assert gone_um[0] == pytest.approx(1.2 * 18.015 * in_series * pull_kpa / 101.3, rel=1e-3)


def test_a_leaf_wet_all_over_loses_nothing_and_drinks() -> None:
    cuttings = Cuttings([SOFT])

    gone_um = live(cuttings, 6 * HOUR_S, LABORATORY, wet=1.0, light_w_per_m2=200.0, medium_share=0.0)

    assert gone_um[0] == 0.0
    assert cuttings.absorbed_in_all_um[0] > 0.0
    # 0.05 short at first; e-folding in 6 h.
    assert cuttings.tissue_share == pytest.approx(np.full((1, 4), 1.0 - 0.05 * np.exp(-1.0)), abs=1e-4)


def test_a_leaf_at_or_above_saturation_loses_nothing() -> None:
    cuttings = Cuttings([SOFT])

    assert live(cuttings, HOUR_S, air(20.0, 1.02), light_w_per_m2=100.0)[0] == 0.0


def test_a_wilted_cutting_recovers_overnight_under_mist() -> None:
    cuttings = Cuttings([SOFT])
    live(cuttings, HOUR_S, air(28.0, 0.5), light_w_per_m2=300.0, leaf_above_air_c=3.0)
    wilted = cuttings.is_wilted.all()

    live(cuttings, 12 * HOUR_S, MIST, wet=0.9)

    assert wilted
    assert not cuttings.is_wilted.any()


def test_the_lower_shaded_leaves_lose_less() -> None:
    one_layer = replace(SOFT, upper_leaf_area=1.2, lower_leaf_area=0.0)
    shaded = replace(SOFT, upper_leaf_area=0.0, lower_leaf_area=1.2)
    cuttings = Cuttings([one_layer, shaded])

    gone_um = live(cuttings, 60.0, MIST, light_w_per_m2=100.0, leaf_above_air_c=1.0)

    assert gone_um[1] < gone_um[0]


def stem_uptake_um(cuttings: Cuttings) -> float:
    """In a minute, after two hours of dry leaves in the dark, per unit share of water missing."""
    live(cuttings, 2 * HOUR_S, LABORATORY, medium_c=5.0)
    before = float(cuttings.taken_up_um[0])
    live(cuttings, 60.0, LABORATORY, medium_c=5.0)
    return (float(cuttings.taken_up_um[0]) - before) / (1.0 - float(cuttings.tissue_share[0, 0]))


def test_stem_uptake_falls_over_the_first_days() -> None:
    too_cold_for_roots = propagated(SOFT, 6, medium_c=5.0)

    assert stem_uptake_um(too_cold_for_roots) < 0.8 * stem_uptake_um(propagated(SOFT, 0))


def test_stem_uptake_is_small_beside_what_dry_leaves_lose() -> None:
    cuttings = Cuttings([SOFT])

    gone_um = live(cuttings, 2 * HOUR_S, LABORATORY)

    assert 0.0 < cuttings.taken_up_um[0] < 0.15 * gone_um[0]


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(
        st.tuples(
            st.floats(0.001, 600.0),
            st.floats(5.0, 45.0),  # leaf
            st.floats(0.0, 3.0),  # vapour pressure
            st.floats(0.0, 3.0),  # air speed
            st.floats(0.0, 1.0),  # wet fraction
            st.floats(0.0, 1.2),  # medium
            st.floats(0.0, 1000.0),  # light
        ),
        min_size=1,
        max_size=40,
    ),
    restuck=st.booleans(),
)
def test_no_water_is_lost_and_tissue_stays_between_dry_and_full(
    steps: list[tuple[float, float, float, float, float, float, float]], restuck: bool
) -> None:
    cuttings = Cuttings([SOFT, POINSETTIA, SEMI_RIPE])

    for dt_s, leaf_c, vapour_kpa, speed, wet, medium_share, light in steps:
        around = Air(leaf_c, vapour_kpa, speed, 101.3)
        live(cuttings, dt_s, around, wet=wet, medium_share=medium_share, light_w_per_m2=light, dt_s=dt_s)
    if restuck:
        cuttings.restick(1)

    book_um = cuttings.brought_in_um + cuttings.taken_up_um + cuttings.absorbed_in_all_um
    book_um -= cuttings.transpired_um + cuttings.carried_out_um
    assert cuttings.tissue_um.mean(axis=1) == pytest.approx(book_um, abs=1e-9)
    assert (cuttings.tissue_share > 0.0).all()
    assert (cuttings.tissue_share <= 1.0).all()


@pytest.mark.parametrize(("dt_s", "within"), [(60.0, 0.0002), (300.0, 0.002), (600.0, 0.006)])
@pytest.mark.parametrize("rooted", [False, True])
def test_long_steps_cost_little(dt_s: float, within: float, rooted: bool) -> None:
    """Against steps of 5 s, over a morning of hours wet and dry in turn; in shares of full water."""
    long_way, short_way = (propagated(SOFT, 25 if rooted else 1, medium_c=25.0) for _ in range(2))

    for cuttings, step_s in ((long_way, dt_s), (short_way, 5.0)):
        for hour in range(6):
            live(
                cuttings,
                HOUR_S,
                air(22.0 + hour, 0.6),
                wet=1.0 if hour % 2 else 0.1,
                light_w_per_m2=50.0 * hour,
                leaf_above_air_c=0.5 * hour,
                dt_s=step_s,
            )

    assert (long_way.tissue_share > 0.5).all()
    assert long_way.tissue_share == pytest.approx(short_way.tissue_share, abs=within)


# --- rooting


def days_until_roots(plan: CuttingPlan, medium_c: float, limit: int = 60) -> float:
    cuttings = Cuttings([plan])
    for sixths in range(1, limit * 6):
        live(cuttings, 4 * HOUR_S, MIST, wet=1.0, medium_c=medium_c, dt_s=600.0)
        if cuttings.stage[0, 0] >= 3:
            return sixths / 6.0
    return float(limit)


def test_poinsettia_roots_emerge_on_days_12_to_15_at_the_best_temperature() -> None:
    """Wilkerson et al. (2005), HortScience."""
    assert 12.0 <= days_until_roots(POINSETTIA, 28.0) <= 15.0


@pytest.mark.parametrize("medium_c", [19.0, 20.0, 32.0, 34.0])
def test_poinsettia_roots_late_or_never_outside_its_temperatures(medium_c: float) -> None:
    """Wilkerson et al. (2005), JASHS 130:302: over 24 days or never at 20 C or less, 32 C or more."""
    assert days_until_roots(POINSETTIA, medium_c, limit=25) > 24.0


def test_poinsettia_initiates_best_at_28_and_elongates_best_at_26() -> None:
    """Wilkerson et al. (2005), JASHS 130:302."""
    warm_c = [22.0, 24.0, 25.0, 26.0, 27.0, 28.0, 29.0, 30.0, 31.0]
    initiated = {}
    rooted = {}
    for medium_c in warm_c:
        cuttings = Cuttings([POINSETTIA])
        live(cuttings, 5 * DAY_S, MIST, wet=1.0, medium_c=medium_c, dt_s=600.0)
        initiated[medium_c] = cuttings.initiated_share[0, 0]
        emerged = propagated(POINSETTIA, 14, medium_c=28.0)
        live(emerged, 3 * DAY_S, MIST, wet=1.0, medium_c=medium_c, dt_s=600.0)
        rooted[medium_c] = emerged.rooted_share[0, 0]

    assert max(initiated, key=initiated.__getitem__) == 28.0
    assert max(rooted, key=rooted.__getitem__) == 26.0


def sustained_share(days: int) -> float:
    """Of its first minute's transpiration, what a cutting keeps up through 4 h of light with dry leaves."""
    cuttings = propagated(POINSETTIA, min(days, 13), medium_c=28.0)
    if days > 13:
        live(cuttings, 0.5 * DAY_S, MIST, wet=1.0, medium_c=28.0, dt_s=600.0)
        live(cuttings, (days - 13.5) * DAY_S, MIST, wet=1.0, medium_c=26.0, dt_s=600.0)
    chamber = air(25.0, 0.53, 0.2)
    minutes = [
        float(live(cuttings, 60.0, chamber, light_w_per_m2=130.0, leaf_above_air_c=1.5)[0])
        for _ in range(4 * 60)
    ]
    return minutes[-1] / minutes[0]


def test_transpiration_is_sustained_only_from_day_18() -> None:
    """Wilkerson et al. (2005), HortScience. What roots carry was chosen for day 18; the others follow."""
    assert sustained_share(10) < 0.2
    assert sustained_share(15) < 0.75
    assert sustained_share(18) >= 0.9


def test_bedding_plants_callus_for_7_days_and_root_for_14_at_23_c() -> None:
    """Currey & Lopez, at 23 C."""
    cuttings = Cuttings([SOFT])
    stages = []

    for _ in range(22):
        live(cuttings, DAY_S, MIST, wet=1.0, medium_c=23.0, dt_s=600.0)
        stages.append(int(cuttings.stage[0, 0]))

    assert stages == [2] * 6 + [3] * 14 + [4] * 2 or stages == [2] * 7 + [3] * 14 + [4]


def test_a_batch_begins_in_stage_1() -> None:
    assert (Cuttings([SOFT]).stage == 1).all()


@pytest.mark.parametrize("medium_share", [0.5, 1.05, 1.2])
def test_a_medium_too_wet_or_too_dry_slows_rooting(medium_share: float) -> None:
    """Best at 85 to 95 % (Faust, Dole & Lopez 2017 p. 152)."""
    well, badly = Cuttings([SOFT]), Cuttings([SOFT])

    live(well, 3 * DAY_S, MIST, wet=1.0, medium_share=0.9, dt_s=600.0)
    live(badly, 3 * DAY_S, MIST, wet=1.0, medium_share=medium_share, dt_s=600.0)

    assert (badly.initiated_share < 0.9 * well.initiated_share).all()


def test_wilting_slows_rooting() -> None:
    well, wilted = Cuttings([SOFT]), Cuttings([SOFT])
    live(wilted, 3 * HOUR_S, air(30.0, 0.4), light_w_per_m2=300.0)
    live(well, 3 * HOUR_S, MIST, wet=1.0)

    live(wilted, DAY_S, air(23.0, 0.5))
    live(well, DAY_S, MIST, wet=1.0)

    assert wilted.is_wilted.all()
    assert (wilted.initiated_share < 0.4 * well.initiated_share).all()


def test_resticking_a_bench_begins_anew_there_and_only_there() -> None:
    cuttings = Cuttings([SOFT, SOFT])
    live(cuttings, 9 * DAY_S + 600.0, MIST, wet=0.8, dt_s=600.0)
    left_alone = cuttings.tissue_share[0], cuttings.initiated_share[0]

    cuttings.restick(1)

    assert cuttings.tissue_share[1] == pytest.approx(np.full(4, SOFT.delivered_share))
    assert cuttings.days == pytest.approx(np.array([9.0 + 600.0 / DAY_S, 0.0]))
    assert (cuttings.initiated_share[1] == 0.0).all()
    assert (cuttings.stage[1] == 1).all()
    assert (cuttings.tissue_share[0] == left_alone[0]).all()
    assert (cuttings.initiated_share[0] == left_alone[1]).all()


def test_benches_do_not_touch_each_other() -> None:
    together, alone = Cuttings([SOFT, SEMI_RIPE]), Cuttings([SEMI_RIPE])

    for cuttings in (together, alone):
        live(cuttings, 2 * DAY_S, air(25.0, 0.7), wet=0.4, light_w_per_m2=80.0, dt_s=300.0)

    assert (together.tissue_um[1] == alone.tissue_um[0]).all()
    assert (together.initiated_share[1] == alone.initiated_share[0]).all()


@pytest.mark.parametrize(
    "wrong",
    [
        {"closed_share": 0.99},
        {"closed_share": 0.0},
        {"limp_shut_share": 0.85},  # at which it wilts
        {"limp_shut_share": -0.01},
        {"initiation": RootTemperatures(base_c=20.0, best_c=20.0, stops_c=30.0)},
    ],
)
def test_a_plan_no_crop_can_have_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"stomata|limp|initiation"):
        replace(SOFT, **wrong)  # type: ignore[arg-type]


def test_a_cutting_left_to_dry_for_a_day_has_water_left() -> None:
    """Stomata that do not answer to drying must not pump out water that is not there."""
    cuttings = Cuttings([SOFT])

    live(cuttings, DAY_S, air(40.0, 0.1, 1.0), light_w_per_m2=800.0, medium_share=0.0, dt_s=600.0)

    assert (cuttings.tissue_share > 0.0).all()
    assert (cuttings.tissue_share < 0.2).all()


# --- limp leaves, and the air among leaves

LIMP_LEAVES_SHUT = SOFT
LIMP_LEAVES_STAY_OPEN = replace(SOFT, limp_shut_share=0.0)
HOT_AND_DRY = air(40.0, 0.1, 1.0)


@pytest.mark.parametrize("plan", [SOFT, POINSETTIA, SEMI_RIPE])
@pytest.mark.parametrize("dt_s", [60.0, 300.0, 600.0])
def test_tissue_never_falls_under_nought_however_long_it_is_not_misted(
    plan: CuttingPlan, dt_s: float
) -> None:
    """A fortnight of full sun in hot, dry wind on a dry medium."""
    cuttings = Cuttings([plan])
    shares = []

    for _ in range(14):
        live(cuttings, DAY_S, HOT_AND_DRY, light_w_per_m2=800.0, medium_share=0.0, dt_s=dt_s)
        shares.append(float(cuttings.tissue_share.min()))

    assert all(later < earlier for earlier, later in pairwise(shares))
    assert shares[-1] > 0.0


@pytest.mark.parametrize("around", [LABORATORY, air(28.0, 0.60, 0.2)])
@pytest.mark.parametrize("light_w_per_m2", [0.0, 300.0])
def test_what_limp_leaves_do_changes_nothing_of_when_they_wilt(around: Air, light_w_per_m2: float) -> None:
    shut, stay_open = (
        minutes_to_wilt(Cuttings([plan]), around, light_w_per_m2=light_w_per_m2)
        for plan in (replace(SOFT, limp_shut_share=0.84), LIMP_LEAVES_STAY_OPEN)
    )

    assert shut == stay_open


def test_a_turgid_leaf_loses_the_same_whatever_limp_ones_do() -> None:
    gone_um = [
        float(live(Cuttings([plan]), 60.0, LABORATORY, light_w_per_m2=200.0)[0])
        for plan in (LIMP_LEAVES_SHUT, LIMP_LEAVES_STAY_OPEN)
    ]

    assert gone_um[0] == gone_um[1] > 0.0


def test_limp_leaves_whose_stomata_fall_shut_keep_the_more_water() -> None:
    shut, stay_open = Cuttings([LIMP_LEAVES_SHUT]), Cuttings([LIMP_LEAVES_STAY_OPEN])

    for cuttings in (shut, stay_open):
        live(cuttings, 3 * HOUR_S, LABORATORY, light_w_per_m2=300.0, medium_share=0.0)

    assert shut.is_wilted.all()
    assert (shut.tissue_share > stay_open.tissue_share + 0.05).all()


def test_a_leaf_at_its_limpest_loses_through_its_cuticle_alone() -> None:
    """At 0.5 of full water, under the 0.65 at which all is shut: cuticle times the share of water left."""
    cuttings = Cuttings([replace(SOFT, delivered_share=0.5, stem_um_per_s=0.0)])
    leaf = 0.008 * 0.5
    boundary = 1.4 * 0.147 * (0.1 / (0.72 * 0.05)) ** 0.5
    pull_kpa = saturation_vapour_pressure_kpa(22.0) - LABORATORY.vapour_pressure_kpa

    gone_um = live(cuttings, 1.0, LABORATORY, light_w_per_m2=500.0, dt_s=0.5)

    in_series = leaf * boundary / (leaf + boundary)
    assert gone_um[0] == pytest.approx(1.2 * 18.015 * in_series * pull_kpa / 101.3, rel=1e-3)


def test_moister_air_among_the_leaves_is_as_moister_air_around_them() -> None:
    by_bench, all_around = Cuttings([SOFT]), Cuttings([SOFT])
    damper = LABORATORY._replace(vapour_pressure_kpa=LABORATORY.vapour_pressure_kpa + 0.4)

    among = live(by_bench, HOUR_S, LABORATORY, light_w_per_m2=100.0, moister_kpa=np.array([0.4]))
    around = live(all_around, HOUR_S, damper, light_w_per_m2=100.0)

    assert among == pytest.approx(around, rel=1e-12)
    assert among[0] < 0.8 * live(Cuttings([SOFT]), HOUR_S, LABORATORY, light_w_per_m2=100.0)[0]


def test_each_bench_has_its_own_air() -> None:
    benches = Cuttings([SOFT, SOFT, SOFT])

    gone_um = live(benches, HOUR_S, LABORATORY, moister_kpa=np.array([0.0, 0.3, 9.0]))

    assert gone_um[0] == pytest.approx(live(Cuttings([SOFT]), HOUR_S, LABORATORY)[0], rel=1e-12)
    assert 0.0 < gone_um[1] < gone_um[0]
    assert gone_um[2] == 0.0
