"""The leaves of one bench: how much there is of them, what they hold, and what they catch of a burst.

Values, and what follows from them at once: `Catch` is told of films and answers with films. It knows no air,
no time and no other bench.

Rule: what lands is on a leaf or has fallen.
"""

from dataclasses import dataclass

import numpy as np

from simulators.plant.leaf_energy import LENGTH_SHARE_OF_WIDTH, Floats
from simulators.plant.plan_checks import require_more_than_nought, require_shares

QUARTERS = 4
SIDES = LAYERS = 2
ROWS = LAYERS * QUARTERS  # of leaves on a bench: the quarters of the upper layer, then those of the lower
SPREAD_ROUNDING = 1e-9  # a mean of 1 that four floats can have
MORE_THAN_NOUGHT = ("width_m", "holds_um", "under_holds_um", "upper_leaf_area", "lower_leaf_area")
SHARES = (
    "upper_catches",
    "lower_catches",
    "under_share",
    "drip_caught_share",
    "absorbed_share",
    "lower_light_share",
)


def spread_of_uniformity(uniformity: float) -> tuple[float, ...]:
    """Four evenly spaced factors with mean 1 that have this coefficient of uniformity.

    Christiansen (1942): 1 less the mean deviation over the mean; as a fraction, from 1/3 to 1. What is uneven
    within a quarter is left out.

    >>> [round(factor, 3) for factor in spread_of_uniformity(0.8)]
    [0.7, 0.9, 1.1, 1.3]
    """
    apart = 0.5 * (1.0 - uniformity)
    return (1.0 - 3.0 * apart, 1.0 - apart, 1.0 + apart, 1.0 + 3.0 * apart)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeafPlan:
    """The leaves of one bench.

    An upper side holds 50 um where it is neither waxy nor hairy (a MIKE SHE canopy, 0.05 mm x LAI); the other
    defaults are ours, by eye, but for the share of sunlight a green leaf takes up (usual, from memory).

    Raises:
        ValueError: a value that no bench can have; the message names it.
    """

    width_m: float = 0.05
    holds_um: float = 50.0  # per area of an upper side
    under_holds_um: float = 30.0  # per area of a lower side, from which droplets fall the sooner
    upper_leaf_area: float = 0.7  # square metres of leaf, one side, to one of bench
    lower_leaf_area: float = 0.5
    upper_catches: float = 0.55  # of the mist
    lower_catches: float = 0.15  # of the mist; the rest falls between the leaves
    under_share: float = 0.04  # of what a layer catches, on its lower sides
    drip_caught_share: float = 0.5  # of what drips from the upper layer, by the lower
    spread: tuple[float, ...] = (0.7, 0.9, 1.1, 1.3)  # of a burst over the quarters
    absorbed_share: float = 0.5  # of global radiation
    lower_light_share: float = 0.3  # of the light on the upper layer
    # Of the droplets, what evaporates before they land. By the d2 law a drop of 100 um that falls 0.5 m in
    # still air at 1.5 kPa loses some 14 %, but a spray makes its own moist air. Ours: a third of that.
    lost_in_air_per_kpa: float = 0.03

    def __post_init__(self) -> None:
        require_more_than_nought(self, MORE_THAN_NOUGHT)
        require_shares(self, SHARES)
        if self.upper_catches + self.lower_catches > 1.0:
            raise ValueError(f"layers catch {self.upper_catches:g} and {self.lower_catches:g} of one burst")
        if len(self.spread) != QUARTERS or min(self.spread) < 0.0:
            raise ValueError(f"spread is {self.spread}, must be {QUARTERS} factors of 0 or more")
        if abs(sum(self.spread) / QUARTERS - 1.0) > SPREAD_ROUNDING:
            raise ValueError(f"spread is {self.spread}, its mean must be 1")

    @property
    def length_m(self) -> float:
        """The length along the wind that the boundary layer feels."""
        return LENGTH_SHARE_OF_WIDTH * self.width_m

    @property
    def leaf_areas(self) -> tuple[float, float]:
        return self.upper_leaf_area, self.lower_leaf_area

    @property
    def absorbed_shares(self) -> tuple[float, float]:
        """Share of the light over the bench that a leaf of each layer takes up."""
        return self.absorbed_share, self.absorbed_share * self.lower_light_share

    def caught(self) -> Floats:
        """Share of a burst by side, layer and quarter."""
        layers = np.array([self.upper_catches, self.lower_catches])
        sides = np.array([1.0 - self.under_share, self.under_share])
        shares: Floats = sides[:, None, None] * layers[:, None] * np.array(self.spread)
        return shares

    def missed(self) -> Floats:
        """Share of a burst that falls between the leaves, by quarter."""
        return np.array(self.spread) * (1.0 - self.upper_catches - self.lower_catches)

    def bench_holds_um(self) -> Floats:
        """Depth over the bench that leaves hold, by side, layer and quarter."""
        by_side = np.array([self.holds_um, self.under_holds_um])[:, None]
        return np.repeat((by_side * np.array(self.leaf_areas))[:, :, None], QUARTERS, axis=2)


class Catch:
    """What the leaves of one bench make of a burst, in plain numbers: for so few they are the faster."""

    __slots__ = ("_drip_caught_share", "_quarters", "lost_in_air_per_kpa", "missed_share")

    def __init__(self, plan: LeafPlan) -> None:
        self.lost_in_air_per_kpa = plan.lost_in_air_per_kpa
        self.missed_share = 1.0 - plan.upper_catches - plan.lower_catches
        self._drip_caught_share = plan.drip_caught_share
        # Of each quarter, with the places of its films: top above, top below, under above, under below.
        places = np.arange(SIDES * ROWS).reshape(-1, QUARTERS).T.tolist()
        caught = plan.caught().reshape(-1, QUARTERS).T.tolist()
        holds_um = plan.bench_holds_um().reshape(-1, QUARTERS).T.tolist()
        self._quarters = list(zip(places, caught, holds_um, plan.missed().tolist(), strict=True))

    def take(self, films_um: list[float], fallen_um: list[float], landed_um: float) -> float:
        """Let so much land on films, by side and row, and on what has fallen, by quarter.

        What the upper leaves cannot hold drips, some of it onto the lower. Returns what dripped past both, as
        the mean of quarters.
        """
        dripped_um = 0.0
        for quarter, (places, caught, holds_um, missed) in enumerate(self._quarters):
            top, low_top, under, low_under = places
            top_catches, low_top_catches, under_catches, low_under_catches = caught
            top_holds_um, low_top_holds_um, under_holds_um, low_under_holds_um = holds_um
            top_um = films_um[top] + top_catches * landed_um
            under_um = films_um[under] + under_catches * landed_um
            low_top_um = films_um[low_top] + low_top_catches * landed_um
            low_under_um = films_um[low_under] + low_under_catches * landed_um
            past_um = 0.0
            if top_um > top_holds_um or under_um > under_holds_um:
                drips_um = max(0.0, top_um - top_holds_um) + max(0.0, under_um - under_holds_um)
                top_um, under_um = min(top_um, top_holds_um), min(under_um, under_holds_um)
                low_top_um += self._drip_caught_share * drips_um
                past_um = drips_um - self._drip_caught_share * drips_um
            if low_top_um > low_top_holds_um:
                past_um += low_top_um - low_top_holds_um
                low_top_um = low_top_holds_um
            if low_under_um > low_under_holds_um:
                past_um += low_under_um - low_under_holds_um
                low_under_um = low_under_holds_um
            films_um[top], films_um[under] = top_um, under_um
            films_um[low_top], films_um[low_under] = low_top_um, low_under_um
            fallen_um[quarter] += missed * landed_um + past_um
            dripped_um += past_um
        return dripped_um / QUARTERS
