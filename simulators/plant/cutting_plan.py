"""What a crop of cuttings is like: its leaves, its water, its stem and how warm it likes to root.

Presets for soft bedding plants, poinsettia and half-hard evergreens. It knows no state: the cuttings as they
stand are in cuttings.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RootTemperatures:
    """Medium temperatures between which one stage of rooting goes on, straight lines up and down."""

    base_c: float
    best_c: float
    stops_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CuttingPlan:
    """One crop on one bench. Depths here are per square metre of leaf, one side counted.

    Where nothing else is said a figure is ours. One figure, the stomata left open in the dark on the first
    day, is fitted: poinsettia taken from water wilts after 72 min in the dark (Alem & Faust 2019), assumed at
    22 C, 1.19 kPa and 0.1 m/s. The same paper's uptake in 8 h of dark, 2.38 mL falling to 1.64 mL in 6 days
    while uptake in light stayed the same, gives how fast those dark stomata and the stem base fall.
    """

    upper_leaf_area: float = 0.7  # square metres of leaf, one side, to one of bench
    lower_leaf_area: float = 0.5
    leaf_width_m: float = 0.05
    lower_light_share: float = 0.3  # of the light on the upper layer
    water_um: float = 450.0  # at full turgor, leaf and stem together
    delivered_share: float = 0.95  # of full, out of the box
    wilts_share: float = 0.85
    # Leaf conductances, both sides together; usual figures for herbs and their cuticles, from memory.
    cuticle_mol_per_m2_s: float = 0.008
    stomata_mol_per_m2_s: float = 0.30  # wide open
    dark_open_share: float = 0.315  # of wide open that stays open in the dark on the first day; fitted
    dark_falls_days: float = 6.0 / log(2.38 / 1.64)
    half_open_w_per_m2: float = 60.0  # global radiation at which half of the rest opens
    # Stomata shut before turgor is lost (from memory). "Water regulation increases during the first week"
    # (Alem & Faust 2019): 95 % of the answer to drying is there after it.
    closing_begins_share: float = 0.98  # of full water
    closed_share: float = 0.90
    limp_shut_share: float = 0.65  # of full water at which the stomata of a limp leaf have all fallen shut
    fresh_response_share: float = 0.0  # how far the stomata of a fresh cutting answer to drying
    acclimation_days: float = 7.0 / log(20.0)
    foliar_um_per_s: float = 450.0 / (6.0 * 3600.0)  # times wet fraction and share missing: fills over 6 h
    # Per unit share of water missing: the cut base in open water (so much that the leaf sets what a vial
    # gives up, see above), what a medium lets through of that, and roots (50 cm sustain a leaf in light).
    stem_um_per_s: float = 1.0
    stem_falls_days: float = 6.0 / log(2.38 / 1.64)
    stem_contact_share: float = 0.01
    roots_um_per_s: float = 2.6  # when fully rooted
    # Bedding plants at 23 C: callus 7 days, roots 14 days more (Currey & Lopez). The temperatures are ours.
    initiation: RootTemperatures = RootTemperatures(base_c=10.0, best_c=25.0, stops_c=35.0)
    elongation: RootTemperatures = RootTemperatures(base_c=10.0, best_c=25.0, stops_c=35.0)
    emerges_days: float = 7.0 * 13.0 / 15.0  # to the first root, at the best temperature
    fills_days: float = 14.0 * 13.0 / 15.0  # from there to fully rooted, at the best temperature

    @property
    def leaf_area(self) -> float:
        """Square metres of leaf to one of bench."""
        return self.upper_leaf_area + self.lower_leaf_area

    def __post_init__(self) -> None:
        if not 0.0 <= self.limp_shut_share < self.wilts_share:
            raise ValueError(
                f"limp leaves are shut at {self.limp_shut_share:g} of full water, which must be less than "
                f"the {self.wilts_share:g} at which they wilt"
            )
        if not 0.0 < self.closed_share < self.closing_begins_share <= 1.0:
            raise ValueError(
                f"stomata begin to close at {self.closing_begins_share:g} of full water and are closed at "
                f"{self.closed_share:g}; the second must be less"
            )
        for name in ("initiation", "elongation"):
            temperatures: RootTemperatures = getattr(self, name)
            if not temperatures.base_c < temperatures.best_c < temperatures.stops_c:
                raise ValueError(f"{name}: base, best and stopping temperature must rise, are {temperatures}")


SOFT = CuttingPlan()
# Wilkerson et al. 2005 (JASHS 130:302): best medium 28 C, then 26 C; base 21 C; slow or none at 20 C or less
# and 32 C or more. Roots emerge on days 12 to 15, pass 50 cm on day 18 (Wilkerson et al. 2005, HortScience).
# Straight lines between these are ours; 100 cm counts as fully rooted.
POINSETTIA = replace(
    SOFT,
    initiation=RootTemperatures(base_c=21.0, best_c=28.0, stops_c=32.0),
    elongation=RootTemperatures(base_c=21.0, best_c=26.0, stops_c=32.0),
    emerges_days=13.5,
    fills_days=9.0,
)
# Half-hard shoots of evergreens: thicker, tighter, quicker to shut, slower to root. All of it ours.
SEMI_RIPE = replace(
    SOFT,
    water_um=600.0,
    wilts_share=0.82,
    cuticle_mol_per_m2_s=0.004,
    stomata_mol_per_m2_s=0.12,
    dark_open_share=0.10,
    fresh_response_share=0.5,
    emerges_days=21.0,
    fills_days=21.0,
)


class RootingPace:
    """How fast one stage of rooting goes on all benches, in shares of the stage a day."""

    def __init__(self, temperatures: Sequence[RootTemperatures], best_days: FloatArray) -> None:
        self._base_c = np.array([[each.base_c] for each in temperatures])
        best_c = np.array([[each.best_c] for each in temperatures])
        self._stops_c = np.array([[each.stops_c] for each in temperatures])
        self._warming = 1.0 / (best_c - self._base_c) / best_days
        self._cooling = 1.0 / (self._stops_c - best_c) / best_days

    def pace(self, medium_c: FloatArray) -> FloatArray:
        """Straight up from the base to the best temperature, straight down to where rooting stops."""
        rising = (medium_c - self._base_c) * self._warming
        falling = (self._stops_c - medium_c) * self._cooling
        pace: FloatArray = np.maximum(np.minimum(rising, falling), 0.0)
        return pace
