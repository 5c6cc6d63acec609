"""What a rehearsal found: plain values, the same for the terminal, the file and the report.

Everything here is counted by `scores.py` while a house was run; nothing here counts or judges. Depths are
water over the bench in mm, which is litres to a square metre.
"""

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

FILM_GONE_UM = 5.0  # below this leaves look dry (of 50 um that they hold; ours)


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneResult:
    """One zone over the whole rehearsal."""

    name: str
    title: str
    dry_min: float  # daylight minutes with the film gone from the upper leaves of the driest quarter
    longest_dry_min: float  # the longest of those spells
    dry_score_kpa_min: float  # dry minutes times the deficit, each day's above the zone's allowance
    worst_day_dry_min: float
    wilted_min: float  # minutes in which the cuttings of the driest quarter hung
    worst_day_wilted_min: float
    night_wet_h: float  # hours in the dark with a film on the mean leaf
    dry_by_dusk_days: int  # days on which that film was gone as the light went
    applied_mm: float  # out of the nozzles
    applied_l: float
    missed_mm: float  # fell between the leaves, to the medium
    dripped_mm: float  # more than the leaves could hold, to the medium
    evaporated_mm: float  # what the air took from the leaves, net of dew
    leached_mm: float  # ran out of the medium below
    sour_h: float  # hours in which the medium of the wettest quarter stood too wet
    bursts: int
    longest_gap_min: float  # from the end of a burst to the next, night included

    @property
    def over_misted_mm(self) -> float:
        """Water that did the leaves no good: it missed them or dripped off."""
        return self.missed_mm + self.dripped_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class DayResult:
    """One local day; tuples have one place for each zone, in the order of `HouseRun.zones`."""

    day: date
    dry_min: tuple[float, ...]
    wilted_min: tuple[float, ...]
    applied_mm: tuple[float, ...]
    bursts: tuple[int, ...]
    vpd_mean_kpa: float  # of the air in the house, in daylight
    vpd_highest_kpa: float
    light_mj_per_m2: float  # at the bench, over the day
    air_lowest_c: float
    air_highest_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseUp:
    """The worst day of a run, minute by minute: that with the most dry minutes over all zones together.

    The tuples of one quantity have one value for each of `minutes`, which count from local midnight.
    """

    day: date
    minutes: tuple[float, ...]
    vpd_kpa: tuple[float, ...]
    light_w_per_m2: tuple[float, ...]  # at the bench
    air_c: tuple[float, ...]
    film_driest_um: tuple[tuple[float, ...], ...]  # by zone: upper leaves of the driest quarter
    film_mean_um: tuple[tuple[float, ...], ...]  # by zone: upper leaves, over the bench
    burst_minutes: tuple[tuple[float, ...], ...]  # by zone: when a burst began


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseRun:
    """One configuration over the whole time."""

    label: str  # the file's name, made different from the others'
    house: str  # its title
    zones: tuple[ZoneResult, ...]
    days: tuple[DayResult, ...]
    close_up: CloseUp | None  # None when no zone was ever dry in daylight
    steps: int  # of the plant
    decisions: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """One or several configurations over the same weather and seed."""

    version: str  # of mistd
    weather: str
    weather_notes: tuple[str, ...]  # what was repaired
    first_day: date
    last_day: date
    seed: int
    runs: tuple[HouseRun, ...]

    def as_json(self) -> dict[str, Any]:
        """Everything, in types that JSON has; dates as YYYY-MM-DD. Over-misting, which follows, is added."""
        whole: dict[str, Any] = _plain(asdict(self))
        for run, told in zip(self.runs, whole["runs"], strict=True):
            for zone, each in zip(run.zones, told["zones"], strict=True):
                each["over_misted_mm"] = zone.over_misted_mm
        return whole


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return value.isoformat() if isinstance(value, date) else value
