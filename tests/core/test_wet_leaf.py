"""A wet leaf in balance: published conductances, the balance itself, what Penman's straight line costs."""

from dataclasses import replace
from itertools import product
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa, vapour_pressure_kpa, wet_bulb_c
from mistd.core.wet_leaf import (
    Leaf,
    LeafAir,
    evaporation_at,
    evaporative_cooling,
    heat_conductance_mol_per_m2_s,
    latent_w_per_m2_kpa,
    leaf_evaporation,
    penman_evaporation,
    radiative_conductance_mol_per_m2_s,
    sensible_w_per_m2_c,
    vapour_conductance_mol_per_m2_s,
)

# Campbell & Norman (1998) eq. 7.30 (p. 101) with the factor 1.4, worked out apart from this program: speed
# m/s, length m, conductance for heat, for vapour (mol/m2/s, one side), mm/h from one wet side at 1.5 kPa.
CONDUCTANCES = [
    (0.1, 0.036, 0.3150, 0.3430, 0.329),
    (0.3, 0.036, 0.5456, 0.5941, 0.571),
    (0.5, 0.036, 0.7044, 0.7670, 0.737),
    (1.0, 0.036, 0.9961, 1.0847, 1.042),
    (1.0, 0.05, 0.8452, 0.9204, 0.884),
]

# Penman's wet leaf, both sides wet, 0.036 m along the wind, worked out apart from this program (not
# published): C, humidity, m/s, W/m2 net; mm/h, minutes for 0.2 mm.
WET_LEAVES = [
    (25.0, 0.70, 0.3, 100.0, 0.326, 37.0),
    (25.0, 0.70, 0.3, 300.0, 0.529, 23.0),
    (35.0, 0.40, 0.3, 300.0, 0.913, 13.0),
    (20.0, 0.90, 0.2, 0.0, 0.055, 219.0),
]

BOTH_SIDES_WET = Leaf(width_m=0.05, wet_sides=2)
MILD = LeafAir(air_c=25.0, vapour_kpa=2.2, speed_m_per_s=0.3, net_w_per_m2=100.0)

AIRS = st.builds(
    lambda air_c, humidity, speed, net: LeafAir(
        air_c=air_c,
        vapour_kpa=vapour_pressure_kpa(air_c, humidity),
        speed_m_per_s=speed,
        net_w_per_m2=net,
    ),
    air_c=st.floats(2.0, 45.0),
    humidity=st.floats(0.05, 1.0),
    speed=st.floats(0.05, 3.0),
    net=st.floats(-50.0, 500.0),
)
LEAVES = st.builds(
    Leaf, width_m=st.floats(0.005, 0.2), wet_sides=st.sampled_from([1, 2]), wet_fraction=st.floats(0.0, 1.0)
)


@pytest.mark.parametrize(("speed_m_per_s", "length_m", "heat", "vapour", "mm_per_h"), CONDUCTANCES)
def test_conductances_are_campbell_and_normans(
    speed_m_per_s: float, length_m: float, heat: float, vapour: float, mm_per_h: float
) -> None:
    """And so is the water, 1.5 kPa x gva / 101.3 kPa x 0.018015 kg/mol x 3600 s."""
    leaf = Leaf(width_m=length_m / 0.72)
    air = LeafAir(
        air_c=25.0,
        vapour_kpa=saturation_vapour_pressure_kpa(25.0) - 1.5,
        speed_m_per_s=speed_m_per_s,
        net_w_per_m2=0.0,
    )

    assert heat_conductance_mol_per_m2_s(speed_m_per_s, length_m) == pytest.approx(heat, abs=0.00005)
    assert vapour_conductance_mol_per_m2_s(speed_m_per_s, length_m) == pytest.approx(vapour, abs=0.00005)
    assert evaporation_at(25.0, air, leaf).mm_per_h == pytest.approx(mm_per_h, abs=0.0006)


@pytest.mark.parametrize(
    ("air_c", "relative_humidity", "speed_m_per_s", "net", "mm_per_h", "minutes"), WET_LEAVES
)
def test_penmans_wet_leaf_gives_the_values_worked_out_apart(
    air_c: float, relative_humidity: float, speed_m_per_s: float, net: float, mm_per_h: float, minutes: float
) -> None:
    air = LeafAir(
        air_c=air_c,
        vapour_kpa=vapour_pressure_kpa(air_c, relative_humidity),
        speed_m_per_s=speed_m_per_s,
        net_w_per_m2=net,
    )

    evaporation = penman_evaporation(air, BOTH_SIDES_WET)

    assert evaporation.mm_per_h == pytest.approx(mm_per_h, abs=0.0006)
    assert 200.0 / evaporation.um_per_s / 60.0 == pytest.approx(minutes, abs=0.6)


def test_penmans_wet_leaf_on_a_mild_day_gives_off_221_watts() -> None:
    """25 C, 70 %, 0.3 m/s, 100 W/m2; worked out apart from this program."""
    air = LeafAir(
        air_c=25.0, vapour_kpa=vapour_pressure_kpa(25.0, 0.70), speed_m_per_s=0.3, net_w_per_m2=100.0
    )

    assert penman_evaporation(air, BOTH_SIDES_WET).w_per_m2 == pytest.approx(221.0, abs=0.5)


def test_leunings_boundary_layer_is_45_percent_below_and_23_without_our_gusts() -> None:
    """Leuning et al. (1995): one side, heat, 3 m/s, 0.068 m: 0.01992633 m/s, printed by DynACof's manual."""
    leuning_m_per_s = 0.003 * sqrt(3.0 / 0.068)
    mol_per_m3 = 101_300.0 / (8.314 * 298.15)

    ours_m_per_s = heat_conductance_mol_per_m2_s(3.0, 0.72 * 0.068) / mol_per_m3

    assert leuning_m_per_s == pytest.approx(0.01992633, abs=1e-8)
    assert leuning_m_per_s / ours_m_per_s == pytest.approx(0.55, abs=0.01)
    assert leuning_m_per_s / (ours_m_per_s / 1.4) == pytest.approx(0.77, abs=0.01)


def test_a_leaf_a_degree_off_the_air_stirs_it_less_than_a_draught_of_two_centimetres_a_second() -> None:
    """Leuning et al. (1995): free convection, 0.068 m, 25 and 26 C: 0.002367616 m/s (DynACof's manual)."""
    free_m_per_s = 0.5 * 21.5e-6 * (1.6e8 * 1.0 * 0.068**3) ** 0.25 / 0.068
    mol_per_m3 = 101_300.0 / (8.314 * 298.15)

    assert free_m_per_s == pytest.approx(0.002367616, abs=1e-9)
    assert free_m_per_s * mol_per_m3 < heat_conductance_mol_per_m2_s(0.02, 0.72 * 0.068)


def test_radiation_from_a_side_is_the_slope_of_the_law_of_stefan_and_boltzmann() -> None:
    """4 x 0.97 x 5.67e-8 x 298.15^3 = 5.83 W/m2/C (Campbell & Norman eq. 12.7)."""
    assert radiative_conductance_mol_per_m2_s(25.0) * 29.3 == pytest.approx(5.83, abs=0.01)


@given(air=AIRS, leaf=LEAVES)
def test_a_leaf_in_balance_gives_off_what_it_keeps(air: LeafAir, leaf: Leaf) -> None:
    """The net radiation is the sensible and the latent heat at the leaf's own temperature."""
    evaporation = leaf_evaporation(air, leaf)

    sensible_w_per_m2 = sensible_w_per_m2_c(air, leaf) * (evaporation.leaf_c - air.air_c)
    assert sensible_w_per_m2 + evaporation.w_per_m2 == pytest.approx(air.net_w_per_m2, abs=0.001)


@given(air=AIRS, leaf=LEAVES)
def test_penmans_line_never_evaporates_more_than_the_curve(air: LeafAir, leaf: Leaf) -> None:
    straight, exact = penman_evaporation(air, leaf), leaf_evaporation(air, leaf)

    assert straight.w_per_m2 <= exact.w_per_m2 + 0.001
    assert straight.leaf_c >= exact.leaf_c - 1e-6


def test_penmans_line_is_low_by_no_more_than_stated() -> None:
    """4 % for a leaf within 2 C of the air, 11 % within 6 C, 27 % anywhere on this grid."""
    worst = {2.0: 0.0, 6.0: 0.0, 100.0: 0.0}
    grid = product(
        (10, 15, 20, 25, 30, 35, 40), (0.2, 0.4, 0.6, 0.8, 0.95), (0.1, 0.3, 1.0), (-15, 0, 100, 300), (1, 2)
    )
    for air_c, humidity, speed, net, sides in grid:
        vapour_kpa = vapour_pressure_kpa(air_c, humidity)
        air = LeafAir(air_c=air_c, vapour_kpa=vapour_kpa, speed_m_per_s=speed, net_w_per_m2=net)
        leaf = Leaf(wet_sides=sides)
        exact, straight = leaf_evaporation(air, leaf), penman_evaporation(air, leaf)
        if exact.mm_per_h > 0.07:  # below that, the difference of two nearly equal heats
            low_by = 1.0 - straight.um_per_s / exact.um_per_s
            off_c = abs(exact.leaf_c - air_c)
            worst = {within: max(low, low_by if off_c <= within else 0.0) for within, low in worst.items()}

    assert worst == pytest.approx({2.0: 0.038, 6.0: 0.105, 100.0: 0.270}, abs=0.004)


@pytest.mark.parametrize(("air_c", "relative_humidity"), [(20.0, 0.80), (30.0, 0.40), (40.0, 0.20)])
def test_a_leaf_wet_on_both_sides_in_wind_and_no_light_comes_near_the_wet_bulb(
    air_c: float, relative_humidity: float
) -> None:
    """In strong wind radiation is lost against the boundary layer, and the leaf is a wet thermometer.

    Vapour diffuses a little faster than heat, which leaves it a little below the thermodynamic wet bulb.
    """
    air = LeafAir(
        air_c=air_c,
        vapour_kpa=vapour_pressure_kpa(air_c, relative_humidity),
        speed_m_per_s=1000.0,
        net_w_per_m2=0.0,
    )

    leaf_c = leaf_evaporation(air, BOTH_SIDES_WET).leaf_c

    assert leaf_c == pytest.approx(wet_bulb_c(air_c, relative_humidity), abs=0.75)


def test_a_dry_leaf_gives_nothing() -> None:
    evaporation = leaf_evaporation(MILD, Leaf(wet_fraction=0.0))

    assert evaporation.um_per_s == 0.0
    assert evaporation.leaf_c > MILD.air_c


def test_two_wet_sides_give_more_than_one_but_not_twice_as_much() -> None:
    one, two = leaf_evaporation(MILD, Leaf()), leaf_evaporation(MILD, BOTH_SIDES_WET)

    assert one.um_per_s < two.um_per_s < 2.0 * one.um_per_s
    assert two.leaf_c < one.leaf_c


def test_water_gathers_on_a_leaf_that_the_sky_cools_below_the_dew_point() -> None:
    damp = LeafAir(
        air_c=15.0, vapour_kpa=vapour_pressure_kpa(15.0, 0.99), speed_m_per_s=0.1, net_w_per_m2=-40.0
    )

    assert leaf_evaporation(damp, Leaf()).um_per_s < 0.0


def test_cooling_tells_how_a_leaf_partly_wet_evaporates() -> None:
    """f (1 + c) / (1 + f c) of a fully wet one, exactly so on Penman's line."""
    cooling = evaporative_cooling(MILD, Leaf())
    whole = penman_evaporation(MILD, Leaf()).um_per_s

    quarter = penman_evaporation(MILD, Leaf(wet_fraction=0.25)).um_per_s

    assert quarter == pytest.approx(whole * 0.25 * (1.0 + cooling) / (1.0 + 0.25 * cooling))


def test_thin_air_takes_water_up_faster() -> None:
    high = replace(MILD, pressure_kpa=80.0)
    at_sea = latent_w_per_m2_kpa(MILD, Leaf())

    assert latent_w_per_m2_kpa(high, Leaf()) == pytest.approx(at_sea * 101.3 / 80.0)


def test_a_negative_speed_is_refused() -> None:
    with pytest.raises(ValueError, match="math domain error"):
        heat_conductance_mol_per_m2_s(-0.1, 0.036)
