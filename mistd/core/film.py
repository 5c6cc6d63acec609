"""The film of water on the leaves: what a burst leaves there, how wet it looks, how long it lasts.

A film is a mean depth in micrometres over a square metre of leaf, all its wet sides together. It goes as the
potential evaporation of a fully wet leaf adds up (`demanded_um`, a meter's growth), fast at first and slower
as patches dry: a leaf that holds the share w of what it can is wet over w to the power 2/3 (Deardorff 1978).
All answers are in closed form, with exact inverses, and drying in two steps is the same as drying in one.

It knows no weather, no clock and no valve. It knows one leaf, the mean one: the driest quarter of a zone has
less. Depths are not negative, and a leaf that holds nothing is refused.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import asinh, cbrt, inf, sinh, sqrt
from types import MappingProxyType

from mistd.core.units import um_per_s_of_mm_per_h

WET_EXPONENT = 2.0 / 3.0  # Deardorff (1978), J. Geophys. Res. 83: 1889, after wet canopies


class LeafSurface(StrEnum):
    """How a leaf takes water."""

    WAXY = "waxy"
    ORDINARY = "ordinary"
    HAIRY = "hairy"


# What one misted side holds before it drips. Of 50 to 200 um reported for a side (Wang et al. 2015, and the
# land-surface models' 50 to 200) the low end: what is believed too deep is waited for too long. Ours.
HOLDS_UM: Mapping[LeafSurface, float] = MappingProxyType(
    {LeafSurface.WAXY: 20.0, LeafSurface.ORDINARY: 50.0, LeafSurface.HAIRY: 100.0}
)

# Of the water falling on the bench, what lands on the upper sides of its leaves rather than between or beside
# them; the mean over leaves that cover the bench once. Ours, by eye; too low errs to the wet side.
CAUGHT_SHARE = 0.7

# How much more each wet patch gives once the rest of the leaf is dry (wet_leaf.evaporative_cooling): one wet
# side, 25 C, 0.3 m/s. From 0.7 at 15 C to 1.8 at 35 C. Nought is Deardorff's law alone, patches apart.
USUAL_COOLING = 1.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Wetting:
    """Where the water of one burst went: applied = missed + dripped + what the film gained."""

    film_um: float  # afterwards
    gained_um: float
    missed_um: float
    dripped_um: float


def applied_um(rate_mm_per_h: float, spraying_s: float) -> float:
    """Depth of water a burst puts on the bench; effective seconds, those at the full rate.

    >>> applied_um(36.0, 4.0)
    40.0
    """
    return um_per_s_of_mm_per_h(rate_mm_per_h) * spraying_s


def wetting(
    film_um: float, applied_um: float, capacity_um: float, caught_share: float = CAUGHT_SHARE
) -> Wetting:
    """What a burst of `applied_um` on the bench leaves on the leaves: all they catch, up to what they hold.

    A film deeper than the leaf holds drips down to that too, and gained is then negative.

    >>> wetting(film_um=10.0, applied_um=40.0, capacity_um=50.0).film_um
    38.0

    Raises:
        ValueError: a depth is negative, the leaf holds nothing or the share is not from 0 to 1.
    """
    _require(film_um, applied_um, capacity_um)
    if not 0.0 <= caught_share <= 1.0:
        raise ValueError(f"share caught {caught_share:g}: it is from 0 to 1")
    caught_um = applied_um * caught_share
    after_um = min(film_um + caught_um, capacity_um)
    gained_um = after_um - film_um
    return Wetting(
        film_um=after_um,
        gained_um=gained_um,
        missed_um=applied_um - caught_um,
        dripped_um=caught_um - gained_um,
    )


def spraying_s_until(
    target_um: float, film_um: float, rate_mm_per_h: float, caught_share: float = CAUGHT_SHARE
) -> float:
    """Effective spraying time that brings a film up to `target_um`; nought when it is there already.

    Up to what the leaf holds nothing of it drips.

    >>> round(spraying_s_until(target_um=50.0, film_um=15.0, rate_mm_per_h=36.0), 3)
    5.0

    Raises:
        ValueError: nothing would ever land: the rate or the share is nought or less.
    """
    landing_um_per_s = um_per_s_of_mm_per_h(rate_mm_per_h) * caught_share
    if landing_um_per_s <= 0.0:
        raise ValueError(f"rate {rate_mm_per_h:g} mm/h, share caught {caught_share:g}: no film ever grows")
    return max(0.0, target_um - film_um) / landing_um_per_s


def wet_fraction(film_um: float, capacity_um: float) -> float:
    """The share of the wet sides that is wet, 0 to 1: Deardorff (1978).

    >>> round(wet_fraction(25.0, 50.0), 2)
    0.63
    """
    _require(film_um, 0.0, capacity_um)
    wet: float = min(1.0, film_um / capacity_um) ** WET_EXPONENT
    return wet


def film_at_wet_fraction_um(wet: float, capacity_um: float) -> float:
    """The film at which the share `wet` is wet, the inverse of `wet_fraction`.

    >>> round(film_at_wet_fraction_um(0.5, 50.0), 2)
    17.68

    Raises:
        ValueError: the share is not from 0 to 1.
    """
    if not 0.0 <= wet <= 1.0:
        raise ValueError(f"wet fraction {wet:g}: it is from 0 to 1")
    share: float = wet ** (1.0 / WET_EXPONENT)
    return capacity_um * share


def demand_until_film_um(
    target_um: float, film_um: float, capacity_um: float, cooling: float = USUAL_COOLING
) -> float:
    """Potential evaporation that has to add up before the film is down to `target_um`; nought when it is.

    With x the cube root of film / capacity, C the capacity and c the cooling, drying is
    (1 + c) dD = -C (3 + 3 c x^2) dx, so that D = C (3 (x0 - x) + c (x0^3 - x^3)) / (1 + c). A full film of an
    ordinary leaf is gone after twice its depth of potential evaporation, not once.

    >>> round(demand_until_film_um(target_um=0.0, film_um=50.0, capacity_um=50.0), 1)
    97.6
    """
    _require(film_um, target_um, capacity_um)
    higher_um = drying_um(film_um, capacity_um, cooling)
    return max(0.0, higher_um - drying_um(target_um, capacity_um, cooling))


def film_left_um(
    film_um: float, demanded_um: float, capacity_um: float, cooling: float = USUAL_COOLING
) -> float:
    """The film after `demanded_um` more of potential evaporation, the inverse of `demand_until_film_um`.

    `demanded_um` is what a fully wet leaf would have given; nought is left from the moment the film is gone.
    With the leaf's own `cooling` drying takes as long as that of a leaf in balance within 6 %, with the usual
    one within 12 %; with a cooling of nought, each patch keeping to itself, 10 to 55 % longer
    (tests/core/test_film.py). A film deeper than the leaf holds starts from what it holds.

    >>> round(film_left_um(film_um=50.0, demanded_um=40.0, capacity_um=50.0), 1)
    16.2
    """
    _require(film_um, demanded_um, capacity_um)
    left_um = drying_um(film_um, capacity_um, cooling) - demanded_um
    return 0.0 if left_um <= 0.0 else film_of_drying_um(left_um, capacity_um, cooling)


def film_lasts_s(
    target_um: float,
    film_um: float,
    capacity_um: float,
    demand_um_per_s: float,
    cooling: float = USUAL_COOLING,
) -> float:
    """Seconds of steady demand until the film is down to `target_um`; infinite when nothing is demanded.

    >>> round(film_lasts_s(0.0, 50.0, 50.0, demand_um_per_s=0.08) / 60.0, 1)
    20.3
    """
    demanded_um = demand_until_film_um(target_um, film_um, capacity_um, cooling)
    if demanded_um == 0.0:
        return 0.0
    return demanded_um / demand_um_per_s if demand_um_per_s > 0.0 else inf


def drying_um(film_um: float, capacity_um: float, cooling: float = USUAL_COOLING) -> float:
    """The potential evaporation that would take the whole of a film."""
    share = min(1.0, film_um / capacity_um)
    return capacity_um * (3.0 * cbrt(share) + cooling * share) / (1.0 + cooling)


def film_of_drying_um(left_um: float, capacity_um: float, cooling: float = USUAL_COOLING) -> float:
    """The film that `left_um` of potential evaporation would take: the cubic of `drying_um` solved."""
    sought = left_um * (1.0 + cooling) / capacity_um
    if cooling == 0.0:
        return capacity_um * (sought / 3.0) ** 3
    root = sqrt(cooling)
    return capacity_um * (2.0 / root * sinh(asinh(sought * root / 2.0) / 3.0)) ** 3


def _require(film_um: float, more_um: float, capacity_um: float) -> None:
    """Raise ValueError unless the depths are depths and the leaf holds something."""
    if film_um < 0.0 or more_um < 0.0 or capacity_um <= 0.0:
        raise ValueError(
            f"film {film_um:g} um, {more_um:g} um on it or off it, {capacity_um:g} um held: "
            "depths are not negative and a leaf holds something"
        )
