"""The leaf's energy balance: conductances as published, the straight saturation curve against the true."""

from itertools import product

import numpy as np
import pytest

from mistd.core.psychrometrics import (
    dew_point_c,
    saturation_vapour_pressure_kpa,
    vapour_pressure_deficit_kpa,
)
from simulators.plant.leaf_energy import (
    LATENT_HEAT_J_PER_UM,
    LeafAir,
    LeafDriving,
    exact_leaf,
    heat_conductance_mol_per_m2_s,
    radiative_conductance_mol_per_m2_s,
    vapour_conductance_mol_per_m2_s,
)

PRESSURE_KPA = 101.3
MM_PER_H_PER_UM_PER_S = 3.6
LENGTH_M = 0.036  # of a leaf 5 cm wide

# Campbell & Norman (1998) eq. 7.30 with the factor 1.4: air speed m/s, length m, gHa, gva (mol/m2/s), and
# evaporation of one wet side, mm/h, at 1.5 kPa from leaf to air and 101.3 kPa. Worked out from the book's
# equations beforehand and apart from this code.
CAMPBELL_NORMAN = [
    (0.1, 0.036, 0.3150, 0.3430, 0.329),
    (0.3, 0.036, 0.5456, 0.5941, 0.571),
    (0.5, 0.036, 0.7044, 0.7670, 0.737),
    (1.0, 0.036, 0.9961, 1.0847, 1.042),
    (1.0, 0.050, 0.8452, 0.9204, 0.884),
]


def air_of(
    air_c: float, humidity: float, speed: float = 0.3, light: float = 0.0, around_c: float | None = None
) -> LeafAir:
    return LeafAir(
        temperature_c=air_c,
        vapour_pressure_kpa=humidity * saturation_vapour_pressure_kpa(air_c),
        speed_m_per_s=speed,
        light_w_per_m2=light,
        pressure_kpa=PRESSURE_KPA,
        around_c=air_c if around_c is None else around_c,
    )


def driving_of(air: LeafAir, length_m: float = LENGTH_M, absorbed_share: float = 1.0) -> LeafDriving:
    driving = LeafDriving(np.array([length_m]), np.array([[absorbed_share, 0.3 * absorbed_share]]))
    driving.follow(air)
    return driving


def straight_um_per_s(air: LeafAir, wet_top: float, wet_under: float) -> float:
    """Both sides of an upper leaf together, by the straight curve; light is what it takes up."""
    driving = driving_of(air)
    wet = wet_top + wet_under
    return float(wet * driving.potential_um_per_s[0, 0] / (1.0 + wet * driving.cooling[0, 0]))


def exact_um_per_s(air: LeafAir, wet_top: float, wet_under: float) -> float:
    leaf = exact_leaf(air, LENGTH_M, air.light_w_per_m2, wet_top, wet_under)
    return leaf.top_um_per_s + leaf.under_um_per_s


# --- conductances


@pytest.mark.parametrize(("speed", "length_m", "heat", "vapour", "_mm_per_h"), CAMPBELL_NORMAN)
def test_conductances_are_those_of_campbell_and_norman(
    speed: float, length_m: float, heat: float, vapour: float, _mm_per_h: float
) -> None:
    assert heat_conductance_mol_per_m2_s(speed, length_m) == pytest.approx(heat, abs=0.0001)
    assert vapour_conductance_mol_per_m2_s(speed, length_m) == pytest.approx(vapour, abs=0.0001)


@pytest.mark.parametrize(("speed", "length_m", "_heat", "_vapour", "mm_per_h"), CAMPBELL_NORMAN)
def test_a_patch_at_air_temperature_evaporates_as_the_equations_say(
    speed: float, length_m: float, _heat: float, _vapour: float, mm_per_h: float
) -> None:
    """In the dark a vanishing wet patch does not cool its leaf: leaf to air is the air's own 1.5 kPa."""
    air = air_of(25.0, 1.0 - 1.5 / saturation_vapour_pressure_kpa(25.0), speed)

    potential_um_per_s = driving_of(air, length_m).potential_um_per_s[0, 0]

    assert potential_um_per_s * MM_PER_H_PER_UM_PER_S == pytest.approx(mm_per_h, abs=0.001)


# Leuning et al. (1995), as a model of coffee under trees documents it: gb for heat of one side, of a
# leaf 0.068 m wide, m/s; forced at 3 m/s, and free with the leaf at 26 C in air of 25 C.
LEUNING_FORCED_M_PER_S = 0.01992633
LEUNING_FREE_M_PER_S = 0.002367616
MOL_PER_M3 = 101_325.0 / (8.314 * 298.15)


def test_free_convection_agrees_with_leuning() -> None:
    free_m_per_s = heat_conductance_mol_per_m2_s(0.0, 0.068, difference_c=1.0) / MOL_PER_M3

    assert free_m_per_s == pytest.approx(LEUNING_FREE_M_PER_S, rel=0.02)


def test_forced_convection_is_leunings_but_for_gusts_and_the_leafs_length() -> None:
    """Without the 1.4 for gusts and with the width as length, a tenth more; with both, 1.8 times as much."""
    ours_m_per_s = heat_conductance_mol_per_m2_s(3.0, 0.72 * 0.068) / MOL_PER_M3

    bare_m_per_s = ours_m_per_s / 1.4 * 0.72**0.5

    assert bare_m_per_s == pytest.approx(LEUNING_FORCED_M_PER_S, rel=0.12)
    assert ours_m_per_s == pytest.approx(1.8 * LEUNING_FORCED_M_PER_S, rel=0.02)


def test_still_air_carries_heat_by_free_convection() -> None:
    still = driving_of(air_of(25.0, 0.5, speed=0.0, light=100.0))
    stirred = driving_of(air_of(25.0, 0.5, speed=0.3, light=100.0))

    assert still.potential_um_per_s[0, 0] > 0.0
    assert still.dry_rise_c[0, 0] > stirred.dry_rise_c[0, 0]


# --- evaporation

# Penman on a leaf wet on both sides, conductances as above, length 0.036 m: air C, humidity, air speed,
# net radiation W/m2, mm/h. Derived beforehand, not published. Its latent heat falls with temperature, ours
# does not: 1 % apart at 35 C.
WET_LEAF_PENMAN = [
    (25.0, 0.7, 0.3, 100.0, 0.326),
    (25.0, 0.7, 0.3, 300.0, 0.529),
    (35.0, 0.4, 0.3, 300.0, 0.913),
    (20.0, 0.9, 0.2, 0.0, 0.055),
]


@pytest.mark.parametrize(("air_c", "humidity", "speed", "net_w", "mm_per_h"), WET_LEAF_PENMAN)
def test_a_leaf_wet_on_both_sides_evaporates_as_penman_says(
    air_c: float, humidity: float, speed: float, net_w: float, mm_per_h: float
) -> None:
    rate = straight_um_per_s(air_of(air_c, humidity, speed, net_w), 1.0, 1.0)

    assert rate * MM_PER_H_PER_UM_PER_S == pytest.approx(mm_per_h, rel=0.01)


def test_a_wet_leafs_latent_heat_is_the_221_watts_of_the_first_of_these() -> None:
    rate = straight_um_per_s(air_of(25.0, 0.7, 0.3, 100.0), 1.0, 1.0)

    assert rate * LATENT_HEAT_J_PER_UM == pytest.approx(221.0, abs=0.5)


ORDINARY = [air_of(20.0, 0.9, 0.2), air_of(25.0, 0.7, 0.3, 160.0), air_of(30.0, 0.52, 0.3, 160.0)]
HOT_DRY = air_of(35.0, 0.4, 0.3, 160.0)
DESERT = air_of(40.0, 0.2, 0.3, 160.0)
STRAIGHT_WITHIN = [
    *((air, 1.0, 0.0, 0.04) for air in ORDINARY),
    *((air, 0.02, 0.0, 0.04) for air in ORDINARY),
    *((air, 1.0, 1.0, 0.07) for air in ORDINARY),
    (HOT_DRY, 1.0, 0.0, 0.06),
    (HOT_DRY, 1.0, 1.0, 0.12),
    (DESERT, 1.0, 0.0, 0.12),
    (DESERT, 1.0, 1.0, 0.20),
]


@pytest.mark.parametrize(("air", "wet_top", "wet_under", "within"), STRAIGHT_WITHIN)
def test_the_straight_saturation_curve_is_low_by_no_more_than_is_said(
    air: LeafAir, wet_top: float, wet_under: float, within: float
) -> None:
    exact = exact_um_per_s(air, wet_top, wet_under)

    short_share = 1.0 - straight_um_per_s(air, wet_top, wet_under) / exact

    assert 0.0 <= short_share <= within


@pytest.mark.parametrize(
    ("air", "wet"),
    list(
        product([*ORDINARY, HOT_DRY, air_of(15.0, 0.98, 0.1, 0.0, 8.0)], [(0.0, 0.0), (0.7, 0.2), (1.0, 1.0)])
    ),
)
def test_the_exact_leaf_gives_off_what_it_takes_up(air: LeafAir, wet: tuple[float, float]) -> None:
    leaf = exact_leaf(air, LENGTH_M, air.light_w_per_m2, *wet)

    heat = 29.3 * heat_conductance_mol_per_m2_s(air.speed_m_per_s, LENGTH_M)
    radiated = 29.3 * radiative_conductance_mol_per_m2_s(air.temperature_c)
    dry_w = 2.0 * heat * (leaf.leaf_c - air.temperature_c) + 2.0 * radiated * (leaf.leaf_c - air.around_c)
    wet_w = LATENT_HEAT_J_PER_UM * (leaf.top_um_per_s + leaf.under_um_per_s)
    assert dry_w + wet_w == pytest.approx(air.light_w_per_m2, abs=1e-6)


def test_each_side_gives_by_its_own_wet_share_and_cools_the_other() -> None:
    air = ORDINARY[1]

    both = exact_leaf(air, LENGTH_M, 160.0, 0.8, 0.2)
    top = exact_leaf(air, LENGTH_M, 160.0, 0.8, 0.0)
    dry = exact_leaf(air, LENGTH_M, 160.0, 0.0, 0.0)

    assert both.top_um_per_s == pytest.approx(4.0 * both.under_um_per_s)
    assert both.leaf_c < top.leaf_c < dry.leaf_c
    assert both.top_um_per_s < top.top_um_per_s


def test_a_lower_leaf_is_driven_by_its_share_of_the_light() -> None:
    driving = driving_of(air_of(25.0, 0.7, 0.3, 160.0))

    assert driving.dry_rise_c[0, 1] == pytest.approx(0.3 * driving.dry_rise_c[0, 0])


# --- dew


def test_dew_falls_on_all_of_both_sides_of_a_leaf_under_the_dew_point() -> None:
    """A dry leaf under a cold cover on a moist night; the warmth of the dew holds it near the dew point."""
    air = air_of(15.0, 0.98, speed=0.1, around_c=8.0)

    leaf = exact_leaf(air, LENGTH_M, 0.0, 0.0, 0.0)

    assert leaf.top_um_per_s == leaf.under_um_per_s < 0.0
    assert 12.0 < leaf.leaf_c < dew_point_c(15.0, 0.98)


def test_the_straight_curve_gives_as_much_dew_within_a_twentieth() -> None:
    air = air_of(15.0, 0.98, speed=0.1, around_c=8.0)
    driving = driving_of(air)

    straight = 2.0 * driving.potential_um_per_s[0, 0] / (1.0 + 2.0 * driving.cooling[0, 0])

    assert driving.may_take_dew
    assert straight == pytest.approx(exact_um_per_s(air, 0.0, 0.0), rel=0.05)


@pytest.mark.parametrize("around_c", [19.0, 20.0, 25.0])
def test_where_no_leaf_can_be_under_the_dew_point_none_has_a_negative_potential(around_c: float) -> None:
    driving = driving_of(air_of(20.0, 0.9, speed=0.05, around_c=around_c))

    assert not driving.may_take_dew
    assert driving.potential_um_per_s.min() > 0.0


def test_the_deficit_it_worked_out_is_the_airs() -> None:
    driving = driving_of(air_of(30.0, 0.5))

    assert driving.deficit_kpa == pytest.approx(vapour_pressure_deficit_kpa(30.0, 0.5))
