"""What a zone that is misted on demand is told: which cycle leads, its set points and its bounds.

Plain values, checked before they get here. A VPD cycle counts kPa seconds, a film and a leaf-wetness cycle
micrometres of film; what a burst does for each is reckoned from the nozzles and the bench. Nothing in here
knows a reading, an instant or a valve.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from mistd.core.almanac import DayPart
from mistd.core.film import CAUGHT_SHARE, drying_um, film_at_wet_fraction_um, wet_fraction


class CycleKind(StrEnum):
    """What makes the bursts of a zone happen; the value is the word used outside."""

    TIMED = "timed"
    VPD = "vpd"
    LEAF_WETNESS = "leaf_wetness"
    FILM = "film"


# A zone is run on its driest quarter: what lands there of the mean over the bench. Ours: nozzle patterns of
# a distribution uniformity near 0.7 are common (common practice, no source).
DRIEST_SHARE = 0.7
LEAF_TO_PLATE = 0.5  # a leaf's film to that of a sensor's plate as wet, which lies bare to the mist (ours)
AFTER_FILLING_S = 2.0  # a burst goes on at least so long once the line is full: far nozzles spray last


@dataclass(frozen=True, slots=True, kw_only=True)
class DemandBounds:
    """How seldom and how often a zone may be misted in one part of the day, whatever its cycle wants."""

    shortest_gap_s: float
    longest_gap_s: float
    is_sparse: bool = False  # at the longest gap and no sooner, however dry the leaves


@dataclass(frozen=True, slots=True, kw_only=True)
class DemandCycle:
    """One zone's cycle on demand; a part of the day without bounds has no mist of its own."""

    kind: CycleKind
    bounds: Mapping[DayPart, DemandBounds | None]
    dry_back_wet: float  # of the wet sides, or of its sensors: a burst is due when no more is wet, 0 to 1
    holds_um: float  # what a leaf holds before it drips
    rate_um_per_s: float  # falling on the bench while every nozzle sprays
    fills_s: float  # until the line is full and does
    longest_burst_s: float
    source: int | None = None  # which of the house's demand sources
    set_point_kpa_s: float = 0.0  # of the vpd cycle
    fixed_burst_s: float | None = None  # None: as long as refills the film
    wetness_sensors: tuple[str, ...] = ()

    @property
    def dry_back_um(self) -> float:
        """The film at which a burst is due: of a leaf; a set point read off a sensor is told for a plate."""
        film_um = film_at_wet_fraction_um(self.dry_back_wet, self.holds_um)
        return film_um * LEAF_TO_PLATE if self.kind is CycleKind.LEAF_WETNESS else film_um

    @property
    def film_dry_back_wet(self) -> float:
        """The share of a leaf that is wet at that film."""
        return wet_fraction(self.dry_back_um, self.holds_um)

    @property
    def sensor_dry_back_wet(self) -> float:
        """The share at which a leaf-wetness sensor asks for a burst."""
        if self.kind is CycleKind.LEAF_WETNESS:
            return self.dry_back_wet
        return wet_fraction(min(self.holds_um, self.dry_back_um / LEAF_TO_PLATE), self.holds_um)

    @property
    def dry_back_drying_um(self) -> float:
        """The same as what air would still have to take: see `film.drying_um`."""
        return drying_um(self.dry_back_um, self.holds_um)

    @property
    def shortest_burst_s(self) -> float:
        """A burst that reaches the far end of the line and wets what is there."""
        return min(self.fills_s + AFTER_FILLING_S, self.longest_burst_s)

    @property
    def longest_asked_s(self) -> float:
        """The longest burst it asks for: what is set, or what fills a leaf that is dry."""
        return self.fixed_burst_s or self.refilling_s(0.0)

    def caught_um(self, open_s: float, quarter_share: float = DRIEST_SHARE) -> float:
        """What a burst leaves on the leaves of the driest quarter, before any of it drips."""
        return max(0.0, open_s - self.fills_s) * self.rate_um_per_s * CAUGHT_SHARE * quarter_share

    def refilling_s(self, mean_film_um: float) -> float:
        """Length of the burst that fills the mean leaf and drips from none, within what a burst may be."""
        spraying_s = max(0.0, self.holds_um - mean_film_um) / (self.rate_um_per_s * CAUGHT_SHARE)
        return max(self.shortest_burst_s, min(self.fills_s + spraying_s, self.longest_burst_s))
