"""What the air and the light do to a leaf that is wet over any share of its two sides.

The energy balance of a leaf: light taken up = heat to the air + thermal radiation to what stands around +
heat of the water that evaporates from the wet part of each side, less what dew gives. Conductances are those
of Campbell & Norman (1998), An Introduction to Environmental Biophysics, 2nd ed.

`exact_leaf` solves the balance with the curved saturation pressure, by halving. `LeafDriving` is the same
with that curve straight at the temperature of the air (Penman), for all benches at once; how far the two are
apart is in its docstring and in the tests. Rates are in um/s, that is g/m2/s, per square metre of one side.

This file knows no film and no time. A leaf has no stomata here: cuttings without roots are `cuttings`'.
"""

from math import sqrt
from typing import NamedTuple, Protocol

import numpy as np
from numpy import add, divide, maximum, multiply, subtract
from numpy.typing import NDArray

from mistd.core.psychrometrics import (
    saturation_vapour_pressure_kpa,
    saturation_vapour_pressure_slope_kpa_per_c,
)
from simulators.plant.units import KELVIN, STEFAN_BOLTZMANN_W_PER_M2_K4

# Campbell & Norman (1998): eq. 7.30 for vapour and heat, the factor 1.4 for gusty air (sect. 7.13), 0.72 from
# leaf width to characteristic length. Free convection 0.05 ((Ts - Ta) / d)^(1/4) from memory; the test holds
# it against Leuning et al. (1995).
VAPOUR_CONDUCTANCE = 1.4 * 0.147
HEAT_CONDUCTANCE = 1.4 * 0.135
FREE_HEAT_CONDUCTANCE = 0.05
FREE_EXPONENT = 0.25
LENGTH_SHARE_OF_WIDTH = 0.72
STILL_DIFFERENCE_C = 1.0  # leaf to air at which free convection is taken, where it is not told; ours
VAPOUR_TO_HEAT = 0.147 / 0.135

MOLAR_HEAT_J_PER_MOL_K = 29.3
MOLAR_LATENT_HEAT_J_PER_MOL = 44_000.0
WATER_G_PER_MOL = 18.015
LATENT_HEAT_J_PER_UM = MOLAR_LATENT_HEAT_J_PER_MOL / WATER_G_PER_MOL  # of 1 g, which is 1 um over 1 m2
# Of both sides' conductance for heat, in W/m2 K, to one side's evaporation per kPa in um/s, times pressure.
RATE_PER_HEAT = WATER_G_PER_MOL * VAPOUR_TO_HEAT / (2.0 * MOLAR_HEAT_J_PER_MOL_K)
EMISSIVITY = 0.97

FARTHEST_FROM_AIR_C = 60.0  # where halving looks for a leaf, beside the air
HALVINGS = 60

Floats = NDArray[np.float64]


class LeafAir(NamedTuple):
    """The air and light a leaf sits in."""

    temperature_c: float
    vapour_pressure_kpa: float
    speed_m_per_s: float
    light_w_per_m2: float
    pressure_kpa: float
    around_c: float  # what the leaf exchanges thermal radiation with


class BenchAir(Protocol):
    """What stands between the leaves of a bench and the house."""

    def meet(self, pull_kpa: Floats, air: LeafAir) -> Floats: ...


class LeafBalance(NamedTuple):
    """A leaf in balance; rates are per square metre of one side, negative where dew falls."""

    leaf_c: float
    top_um_per_s: float
    under_um_per_s: float


def heat_conductance_mol_per_m2_s(
    air_speed_m_per_s: float, length_m: float, difference_c: float = STILL_DIFFERENCE_C
) -> float:
    """Boundary layer of one side of a leaf for heat: forced, or free where the air is too still for that.

    >>> round(heat_conductance_mol_per_m2_s(0.3, 0.036), 4)
    0.5456
    """
    forced = HEAT_CONDUCTANCE * sqrt(air_speed_m_per_s / length_m)
    free: float = FREE_HEAT_CONDUCTANCE * (abs(difference_c) / length_m) ** FREE_EXPONENT
    return max(forced, free)


def vapour_conductance_mol_per_m2_s(
    air_speed_m_per_s: float, length_m: float, difference_c: float = STILL_DIFFERENCE_C
) -> float:
    """Boundary layer of one side of a leaf for vapour: that for heat, times 0.147 / 0.135.

    >>> round(vapour_conductance_mol_per_m2_s(0.3, 0.036), 4)
    0.5941
    """
    return VAPOUR_TO_HEAT * heat_conductance_mol_per_m2_s(air_speed_m_per_s, length_m, difference_c)


def radiative_conductance_mol_per_m2_s(air_c: float) -> float:
    """Thermal radiation of one side as a conductance: 4 e sigma T^3 / cp, Campbell & Norman eq. 12.7.

    >>> round(radiative_conductance_mol_per_m2_s(25.0), 3)
    0.199
    """
    emitted = 4.0 * EMISSIVITY * STEFAN_BOLTZMANN_W_PER_M2_K4 * (air_c + KELVIN) ** 3
    return emitted / MOLAR_HEAT_J_PER_MOL_K


def exact_leaf(
    air: LeafAir, length_m: float, absorbed_w_per_m2: float, wet_top: float, wet_under: float
) -> LeafBalance:
    """Solve the balance with the saturation curve as it is, for one leaf.

    A leaf colder than the dew point takes dew over the whole of both sides, whatever is wet.

    Args:
        air: what stands around it.
        length_m: characteristic length, 0.72 of the leaf's width.
        absorbed_w_per_m2: light taken up by both sides together, per square metre of leaf.
        wet_top: wet share of the upper side, 0 to 1.
        wet_under: of the lower side.
    """
    heat = MOLAR_HEAT_J_PER_MOL_K * heat_conductance_mol_per_m2_s(air.speed_m_per_s, length_m)
    radiated = MOLAR_HEAT_J_PER_MOL_K * radiative_conductance_mol_per_m2_s(air.temperature_c)
    vapour = vapour_conductance_mol_per_m2_s(air.speed_m_per_s, length_m)
    um_per_s_kpa = WATER_G_PER_MOL * vapour / air.pressure_kpa

    def rates(leaf_c: float) -> tuple[float, float]:
        rate = um_per_s_kpa * (saturation_vapour_pressure_kpa(leaf_c) - air.vapour_pressure_kpa)
        return (rate, rate) if rate < 0.0 else (wet_top * rate, wet_under * rate)

    def spent_w_per_m2(leaf_c: float) -> float:
        given_w = 2.0 * heat * (leaf_c - air.temperature_c) + 2.0 * radiated * (leaf_c - air.around_c)
        return given_w + LATENT_HEAT_J_PER_UM * sum(rates(leaf_c))

    low_c, high_c = air.temperature_c - FARTHEST_FROM_AIR_C, air.temperature_c + FARTHEST_FROM_AIR_C
    for _ in range(HALVINGS):
        leaf_c = 0.5 * (low_c + high_c)
        if spent_w_per_m2(leaf_c) > absorbed_w_per_m2:
            high_c = leaf_c
        else:
            low_c = leaf_c
    return LeafBalance(leaf_c, *rates(leaf_c))


class LeafDriving:
    """All that drives leaves on any number of benches, but for the films themselves.

    With Penman's straight saturation curve a side wet over the share f, on a leaf whose two sides are wet
    over F together, evaporates f potential / (1 + F cooling): the water cools the leaf, and the more of it is
    wet the less each wet part gives. A negative potential is dew, on all of both sides. Against `exact_leaf`
    the rate of a leaf wet on one side is up to 4 % low to 30 C, 6 % at 35 C and 12 % at 40 C in dry air; wet
    on both sides, which lie the colder, twice that.

    Arrays have a place for each leaf: `potential_um_per_s`, `cooling` (without unit), `dry_rise_c` (how far a
    dry leaf is above the air) and `loss_w_per_k` (heat given by both sides per degree). `may_take_dew` False
    promises that no leaf is under the dew point: none is colder than the colder of air and surroundings.
    """

    __slots__ = (
        "_absorbed",
        "_deficit",
        "_forced_w_per_k",
        "_free_w_per_k",
        "_gained",
        "_latent_slope",
        "_light",
        "_moister_kpa",
        "_radiated",
        "_rate_per_heat",
        "_rate_per_kpa",
        "_reference_kpa",
        "_slope",
        "_speed_root",
        "_told",
        "cooling",
        "deficit_kpa",
        "dry_rise_c",
        "loss_w_per_k",
        "may_take_dew",
        "potential_um_per_s",
    )

    def __init__(self, lengths_m: Floats, absorbed_shares: Floats) -> None:
        """Prepare for leaves of these lengths that take up these shares of the light.

        With air among the leaves the arrays are (row, bench), and the last row is what that air is told of.
        """
        both_sides = 2.0 * MOLAR_HEAT_J_PER_MOL_K
        length_m = np.broadcast_to(lengths_m, absorbed_shares.shape)
        self._forced_w_per_k = both_sides * HEAT_CONDUCTANCE / np.sqrt(length_m)
        self._free_w_per_k = (
            both_sides * FREE_HEAT_CONDUCTANCE * (STILL_DIFFERENCE_C / length_m) ** FREE_EXPONENT
        )
        self._absorbed = absorbed_shares.copy()
        self._rate_per_kpa, self._moister_kpa = np.zeros_like(self._absorbed), np.zeros_like(self._absorbed)
        self.cooling, self.potential_um_per_s, self.dry_rise_c = (
            np.zeros_like(self._absorbed) for _ in range(3)
        )
        self.loss_w_per_k = self._free_w_per_k.copy()
        self._reference_kpa = self.potential_um_per_s[-1]
        # Numbers as arrays without axes: numpy takes twice as long over a number of Python's.
        self._told = np.zeros(8)
        (
            self._speed_root,
            self._radiated,
            self._rate_per_heat,
            self._latent_slope,
            self._light,
            self._gained,
            self._slope,
            self._deficit,
        ) = (self._told[place, ...] for place in range(8))
        self.deficit_kpa = 0.0
        self.may_take_dew = False

    def follow(self, air: LeafAir, bench_air: BenchAir | None = None) -> None:
        """Work out everything for this air, and that among the leaves where it is told to be moister."""
        air_c, around_above_c = air.temperature_c, air.around_c - air.temperature_c
        slope_kpa_per_c = saturation_vapour_pressure_slope_kpa_per_c(air_c)
        deficit_kpa = saturation_vapour_pressure_kpa(air_c) - air.vapour_pressure_kpa
        self.deficit_kpa = deficit_kpa
        self.may_take_dew = deficit_kpa + slope_kpa_per_c * min(0.0, around_above_c) < 0.0
        kelvin = air_c + KELVIN
        radiated_w_per_k = 8.0 * EMISSIVITY * STEFAN_BOLTZMANN_W_PER_M2_K4 * kelvin * kelvin * kelvin
        self._told[:] = (
            sqrt(air.speed_m_per_s),
            radiated_w_per_k,
            RATE_PER_HEAT / air.pressure_kpa,
            LATENT_HEAT_J_PER_UM * slope_kpa_per_c,
            air.light_w_per_m2,
            radiated_w_per_k * around_above_c,
            slope_kpa_per_c,
            deficit_kpa,
        )
        self._follow_leaves(air, bench_air)

    def _follow_leaves(self, air: LeafAir, bench_air: BenchAir | None) -> None:
        rate_per_kpa, loss, cooling = self._rate_per_kpa, self.loss_w_per_k, self.cooling
        multiply(self._forced_w_per_k, self._speed_root, rate_per_kpa)
        maximum(rate_per_kpa, self._free_w_per_k, out=rate_per_kpa)  # of heat, so far
        add(rate_per_kpa, self._radiated, loss)
        multiply(rate_per_kpa, self._rate_per_heat, rate_per_kpa)
        divide(rate_per_kpa, loss, cooling)
        multiply(cooling, self._latent_slope, cooling)
        rise = self.dry_rise_c
        multiply(self._absorbed, self._light, rise)
        add(rise, self._gained, rise)
        divide(rise, loss, rise)
        potential = self.potential_um_per_s
        multiply(rise, self._slope, potential)
        add(potential, self._deficit, potential)  # the pull, so far
        if bench_air is not None:
            self._moister_kpa[:] = bench_air.meet(self._reference_kpa, air)
            subtract(potential, self._moister_kpa, potential)
        multiply(potential, rate_per_kpa, potential)
