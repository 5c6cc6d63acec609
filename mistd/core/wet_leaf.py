"""A leaf with water on it, in balance with the air: how warm it is and how fast its water goes.

Radiation kept = heat given to the air and the surroundings by both sides + latent heat from the wet part. The
boundary layer is Campbell & Norman's (1998, An Introduction to Environmental Biophysics, 2nd ed.). All is per
square metre of leaf, one side counted; a film on two wet sides is both films together.

It knows no pores (a cutting without roots loses little through them), no neighbours that shelter it, no
sensor and no film: how much of the leaf is wet is told. The leaf has one temperature and no memory, as it
follows the air within a minute or so. A negative evaporation is dew.
"""

from dataclasses import dataclass
from math import sqrt

from mistd.core.evaporation import um_per_s_of_w_per_m2
from mistd.core.house_radiation import LEAF_EMISSIVITY
from mistd.core.psychrometrics import (
    KELVIN_OF_ZERO_C,
    latent_heat_j_per_kg,
    saturation_vapour_pressure_kpa,
    saturation_vapour_pressure_slope_kpa_per_c,
)
from mistd.core.radiation import STEFAN_BOLTZMANN_W_PER_M2_K4
from mistd.core.units import mm_per_h_of_um_per_s

# Campbell & Norman (1998) eq. 7.30, mol/m2/s for (m/s / m) to the half, one side of a leaf; 1.4 for the gusts
# of natural air (sect. 7.13), 0.72 from a leaf's width to its length along the wind.
GUSTS = 1.4
HEAT_MOL_PER_M2_S = 0.135
VAPOUR_MOL_PER_M2_S = 0.147
LENGTH_SHARE_OF_WIDTH = 0.72
MOLAR_HEAT_J_PER_MOL_C = 29.3
WATER_KG_PER_MOL = 0.018015

BOTH_SIDES = 2.0  # of a leaf give off heat, wet or dry

# The leaf's temperature is found by Newton's steps from Penman's answer; two or three are the usual number.
CLOSE_ENOUGH_C = 1e-6
MOST_STEPS = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """One leaf; by default a middling one, misted from above and wet all over that side."""

    width_m: float = 0.05
    wet_sides: int = 1
    wet_fraction: float = 1.0  # of those sides

    @property
    def length_m(self) -> float:
        """The length along the wind that the boundary layer feels."""
        return LENGTH_SHARE_OF_WIDTH * self.width_m


@dataclass(frozen=True, slots=True, kw_only=True)
class LeafAir:
    """What a leaf sits in; the net radiation is what it would keep if it were as warm as the air."""

    air_c: float
    vapour_kpa: float
    speed_m_per_s: float
    net_w_per_m2: float
    pressure_kpa: float = 101.3

    @property
    def deficit_kpa(self) -> float:
        """What the air itself could still take up."""
        return saturation_vapour_pressure_kpa(self.air_c) - self.vapour_kpa


@dataclass(frozen=True, slots=True, kw_only=True)
class LeafEvaporation:
    """How fast the water goes, per square metre of leaf, and how warm the leaf is meanwhile."""

    w_per_m2: float
    um_per_s: float
    leaf_c: float

    @property
    def mm_per_h(self) -> float:
        """Litres to a square metre of leaf an hour."""
        return mm_per_h_of_um_per_s(self.um_per_s)


def heat_conductance_mol_per_m2_s(speed_m_per_s: float, length_m: float) -> float:
    """Boundary layer of one side of a leaf for heat: Campbell & Norman eq. 7.30, in gusty air.

    For wind along a flat leaf. Leuning et al. (1995), who leave out gusts, have 45 % less. Nought in still
    air: warm air rising from the leaf is not in it, and outdoes only a draught of about 0.01 m/s.

    Raises:
        ValueError: a negative speed.

    >>> round(heat_conductance_mol_per_m2_s(0.3, 0.036), 4)
    0.5456
    """
    return GUSTS * HEAT_MOL_PER_M2_S * sqrt(speed_m_per_s / length_m)


def vapour_conductance_mol_per_m2_s(speed_m_per_s: float, length_m: float) -> float:
    """Boundary layer of one side of a leaf for water vapour: as for heat, with vapour's constant.

    >>> round(vapour_conductance_mol_per_m2_s(0.3, 0.036), 4)
    0.5941
    """
    return GUSTS * VAPOUR_MOL_PER_M2_S * sqrt(speed_m_per_s / length_m)


def radiative_conductance_mol_per_m2_s(air_c: float) -> float:
    """Heat that one side of a leaf trades with surroundings at air temperature: Campbell & Norman eq. 12.7.

    >>> round(radiative_conductance_mol_per_m2_s(25.0), 3)
    0.199
    """
    steeply = 4.0 * LEAF_EMISSIVITY * STEFAN_BOLTZMANN_W_PER_M2_K4 * (air_c + KELVIN_OF_ZERO_C) ** 3
    return steeply / MOLAR_HEAT_J_PER_MOL_C


def sensible_w_per_m2_c(air: LeafAir, leaf: Leaf) -> float:
    """Heat both sides give off, to the air and by radiation, for each degree the leaf is above the air."""
    heat = heat_conductance_mol_per_m2_s(air.speed_m_per_s, leaf.length_m)
    one_side = heat + radiative_conductance_mol_per_m2_s(air.air_c)
    return MOLAR_HEAT_J_PER_MOL_C * BOTH_SIDES * one_side


def latent_w_per_m2_kpa(air: LeafAir, leaf: Leaf) -> float:
    """Latent heat the wet part gives off for each kPa from the leaf's surface to the air."""
    one_side = vapour_conductance_mol_per_m2_s(air.speed_m_per_s, leaf.length_m)
    wet = one_side * leaf.wet_sides * leaf.wet_fraction
    return latent_heat_j_per_kg(air.air_c) * WATER_KG_PER_MOL * wet / air.pressure_kpa


def evaporative_cooling(air: LeafAir, leaf: Leaf) -> float:
    """How much more strongly the wet part holds the leaf to its wet bulb than its heat exchange to the air.

    Latent over sensible heat for a degree of leaf, by the slope at air temperature, without unit. A leaf wet
    over the share f of what `leaf` is evaporates f (1 + c) / (1 + f c) times as fast: each patch gives more
    where there are fewer.

    >>> air = LeafAir(air_c=25.0, vapour_kpa=2.2, speed_m_per_s=0.3, net_w_per_m2=100.0)
    >>> round(evaporative_cooling(air, Leaf()), 2)
    1.12
    """
    latent_w_per_m2_c = latent_w_per_m2_kpa(air, leaf) * saturation_vapour_pressure_slope_kpa_per_c(air.air_c)
    return latent_w_per_m2_c / sensible_w_per_m2_c(air, leaf)


def penman_leaf_c(air: LeafAir, leaf: Leaf) -> float:
    """The leaf's temperature with the saturation curve taken as straight from the air's on: Penman (1948)."""
    sensible = sensible_w_per_m2_c(air, leaf)
    latent = latent_w_per_m2_kpa(air, leaf)
    slope = saturation_vapour_pressure_slope_kpa_per_c(air.air_c)
    return air.air_c + (air.net_w_per_m2 - latent * air.deficit_kpa) / (sensible + latent * slope)


def penman_evaporation(air: LeafAir, leaf: Leaf) -> LeafEvaporation:
    """Evaporation by Penman's straight line: Campbell & Norman eq. 14.2 for a leaf without pores.

    Always low, on the dry side, as the curve bends upward: up to 4 % for a leaf within 2 C of the air, 11 %
    within 6 C, 27 % for a leaf 17 C below hot dry air (tests/core/test_wet_leaf.py). `leaf_evaporation`
    is the exact one.

    >>> air = LeafAir(air_c=25.0, vapour_kpa=0.7 * 3.1678, speed_m_per_s=0.3, net_w_per_m2=100.0)
    >>> round(penman_evaporation(air, Leaf(wet_sides=2)).mm_per_h, 3)
    0.326
    """
    leaf_c = penman_leaf_c(air, leaf)
    sensible_w_per_m2 = sensible_w_per_m2_c(air, leaf) * (leaf_c - air.air_c)
    return _evaporation(air.net_w_per_m2 - sensible_w_per_m2, leaf_c, air)


def leaf_evaporation(air: LeafAir, leaf: Leaf) -> LeafEvaporation:
    """Evaporation of the leaf in balance: the energy balance solved on the saturation curve itself.

    >>> air = LeafAir(air_c=25.0, vapour_kpa=0.7 * 3.1678, speed_m_per_s=0.3, net_w_per_m2=100.0)
    >>> round(leaf_evaporation(air, Leaf()).mm_per_h, 2)
    0.25
    """
    sensible = sensible_w_per_m2_c(air, leaf)
    latent = latent_w_per_m2_kpa(air, leaf)
    leaf_c = penman_leaf_c(air, leaf)  # too warm: from there a convex balance is reached without overshoot
    for _ in range(MOST_STEPS):
        given_off = sensible * (leaf_c - air.air_c) + latent * (
            saturation_vapour_pressure_kpa(leaf_c) - air.vapour_kpa
        )
        steeply = sensible + latent * saturation_vapour_pressure_slope_kpa_per_c(leaf_c)
        step_c = (given_off - air.net_w_per_m2) / steeply
        leaf_c -= step_c
        if abs(step_c) < CLOSE_ENOUGH_C:
            break
    return evaporation_at(leaf_c, air, leaf)


def evaporation_at(leaf_c: float, air: LeafAir, leaf: Leaf) -> LeafEvaporation:
    """Evaporation of a leaf whose temperature is known, measured say: radiation then does not enter.

    >>> air = LeafAir(air_c=25.0, vapour_kpa=0.0, speed_m_per_s=0.3, net_w_per_m2=0.0)
    >>> round(evaporation_at(13.03, air, Leaf()).mm_per_h, 2)
    0.57
    """
    deficit_kpa = saturation_vapour_pressure_kpa(leaf_c) - air.vapour_kpa
    return _evaporation(latent_w_per_m2_kpa(air, leaf) * deficit_kpa, leaf_c, air)


def _evaporation(w_per_m2: float, leaf_c: float, air: LeafAir) -> LeafEvaporation:
    depth_um_per_s = um_per_s_of_w_per_m2(w_per_m2, air.air_c)
    return LeafEvaporation(w_per_m2=w_per_m2, um_per_s=depth_um_per_s, leaf_c=leaf_c)
