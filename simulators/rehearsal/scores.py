"""How the cuttings fared: dry and wilted minutes, water, bursts and gaps, counted as the plant moves on.

The truth comes from the plant, never from an instrument. A zone is judged by its driest quarter, for that is
where cuttings are lost first; too much water by its wettest.

Rule: nothing in here has a say in what the house does.
"""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from mistd.app.config import Config
from mistd.core.units import S_PER_DAY, S_PER_HOUR, S_PER_MIN
from simulators.plant.plant import Plant
from simulators.rehearsal.result import FILM_GONE_UM, CloseUp, DayResult, HouseRun, ZoneResult

DAYLIGHT_W_PER_M2 = 10.0  # outdoors, on the level: the sun is up behind thin cloud
J_PER_MJ = 1e6
UM_PER_MM = 1000.0

Values = NDArray[np.float64]


class DayCount:
    """What one day has come to so far: a row for each step of the plant, counted when it is over."""

    __slots__ = (
        "applied_um",
        "burst_minutes",
        "bursts",
        "films_before_um",
        "films_um",
        "houses",
        "lasted_s",
        "minutes",
        "wilted",
    )

    def __init__(self, zones: int, applied_um: Values) -> None:
        self.bursts = [0] * zones
        self.burst_minutes: list[list[float]] = [[] for _ in range(zones)]
        self.applied_um = applied_um  # as the totals stood when the day began
        self.minutes: list[float] = []
        self.lasted_s: list[float] = []
        self.films_before_um: list[Values] = []  # (zone, quarter), as the step began
        self.films_um: list[Values] = []  # and at its end, before more water fell
        self.wilted: list[NDArray[np.bool_]] = []  # by zone
        self.houses: list[tuple[float, float, float, float]] = []  # light outdoors, deficit, light, air


class Scores:
    """Counts over a whole run; `step` is called by the plant after each of its steps."""

    def __init__(self, config: Config, plant: Plant, *, begins_s: float, first_day: date) -> None:
        self._config, self._plant = config, plant
        self._begins_s, self._first_day = begins_s, first_day
        zones = len(config.zones)
        self._index = {zone.name: place for place, zone in enumerate(config.zones)}
        self._none_wilted = np.zeros(zones, dtype=np.bool_)
        self._dry_s: Values = np.zeros(zones)
        self._dry_score_kpa_s: Values = np.zeros(zones)
        self._allowed_kpa_s = np.array([zone.dry_allowance_kpa_min * S_PER_MIN for zone in config.zones])
        self._worst_day_dry_s: Values = np.zeros(zones)
        self._worst_day_wilted_s: Values = np.zeros(zones)
        self._night_wet_s: Values = np.zeros(zones)
        self._dry_by_dusk_days = np.zeros(zones, dtype=np.int64)
        self._wilted_s: Values = np.zeros(zones)
        self._longest_spell_s: Values = np.zeros(zones)
        self._bursts = [0] * zones
        self._shut_s = [begins_s] * zones
        self._longest_gap_s = [0.0] * zones
        self._days: list[DayResult] = []
        self._day = self._new_day()
        self._worst_dry_s = 0.0
        self._close_up: CloseUp | None = None
        self._steps = 0

    def edge(self, zone: str, now_s: float, *, is_open: bool) -> None:
        """A valve opened or shut."""
        index = self._index[zone]
        if not is_open:
            self._shut_s[index] = now_s
            return
        self._longest_gap_s[index] = max(self._longest_gap_s[index], now_s - self._shut_s[index])
        self._bursts[index] += 1
        self._day.bursts[index] += 1
        self._day.burst_minutes[index].append(self._minute(now_s))

    def step(self, dt_s: float) -> None:
        """The plant has moved on by so much."""
        plant, day = self._plant, self._day
        self._steps += 1
        day.lasted_s.append(dt_s)
        day.minutes.append(self._minute(plant.now_s))
        day.films_before_um.append(plant.film_before_um)
        day.films_um.append(plant.upper_film_um)
        day.wilted.append(plant.is_wilted_driest if plant.is_any_wilted else self._none_wilted)
        outdoors_w_per_m2 = plant.outdoors.radiation_w_per_m2
        deficit_kpa, air_c = plant.vapour_pressure_deficit_kpa, plant.air_temperature_c
        day.houses.append((outdoors_w_per_m2, deficit_kpa, plant.light_w_per_m2, air_c))

    def end_day(self) -> None:
        """It is midnight: close the day's count and begin the next."""
        day, number = self._day, len(self._days)
        lasted_s = np.array(day.lasted_s)
        outdoors_w_per_m2, deficit_kpa, light_w_per_m2, air_c = np.array(day.houses).T
        is_lit = outdoors_w_per_m2 > DAYLIGHT_W_PER_M2
        before_um, after_um = np.array(day.films_before_um), np.array(day.films_um)
        share_dry = share_below(FILM_GONE_UM, before_um[:, :, 0], after_um[:, :, 0])
        share_dry *= is_lit[:, np.newaxis]
        dry_s, wilted_s = lasted_s @ share_dry, lasted_s @ np.array(day.wilted)
        for index in np.flatnonzero(dry_s):
            longest_s = max(self._longest_spell_s[index], longest_spell_s(share_dry[:, index], lasted_s))
            self._longest_spell_s[index] = longest_s
        self._dry_s += dry_s
        weighted_kpa_s = (lasted_s * deficit_kpa) @ share_dry
        self._dry_score_kpa_s += np.maximum(0.0, weighted_kpa_s - self._allowed_kpa_s)
        self._worst_day_dry_s = np.maximum(self._worst_day_dry_s, dry_s)
        self._worst_day_wilted_s = np.maximum(self._worst_day_wilted_s, wilted_s)
        self._count_nights(after_um.mean(axis=2) >= FILM_GONE_UM, is_lit, lasted_s)
        self._wilted_s += wilted_s
        lit_s = float(lasted_s @ is_lit)
        self._days.append(
            DayResult(
                day=self._first_day + timedelta(days=number),
                dry_min=_minutes(dry_s),
                wilted_min=_minutes(wilted_s),
                applied_mm=_floats((self._plant.canopy.applied_um - day.applied_um) / UM_PER_MM),
                bursts=tuple(day.bursts),
                vpd_mean_kpa=float(lasted_s @ (deficit_kpa * is_lit)) / lit_s if lit_s else 0.0,
                vpd_highest_kpa=float(deficit_kpa.max(initial=0.0, where=is_lit)),
                light_mj_per_m2=float(lasted_s @ light_w_per_m2) / J_PER_MJ,
                air_lowest_c=float(air_c.min()),
                air_highest_c=float(air_c.max()),
            )
        )
        if dry_s.sum() > self._worst_dry_s:
            self._worst_dry_s, self._close_up = float(dry_s.sum()), self._seen_closely(day)
        self._day = self._new_day()

    def _count_nights(self, is_wet: NDArray[np.bool_], is_lit: NDArray[np.bool_], lasted_s: Values) -> None:
        """Wet hours in the dark, and whether the leaves were dry by dusk; `is_wet` by step and zone."""
        self._night_wet_s += (lasted_s * ~is_lit) @ is_wet
        lit = np.flatnonzero(is_lit)
        if len(lit):
            self._dry_by_dusk_days += ~is_wet[lit[-1]]

    def result(self, *, label: str, decisions: int) -> HouseRun:
        """The whole run, after the last day was ended."""
        return HouseRun(
            label=label,
            house=self._config.house.title or self._config.house.name,
            zones=tuple(self._zone(index) for index in range(len(self._bursts))),
            days=tuple(self._days),
            close_up=self._close_up,
            steps=self._steps,
            decisions=decisions,
        )

    def _zone(self, index: int) -> ZoneResult:
        zone, plant = self._config.zones[index], self._plant
        canopy = plant.canopy
        applied_mm = float(canopy.applied_um[index]) / UM_PER_MM
        last_gap_s = plant.now_s - self._shut_s[index]
        return ZoneResult(
            name=zone.name,
            title=zone.title or zone.name,
            dry_min=float(self._dry_s[index]) / S_PER_MIN,
            longest_dry_min=float(self._longest_spell_s[index]) / S_PER_MIN,
            dry_score_kpa_min=float(self._dry_score_kpa_s[index]) / S_PER_MIN,
            worst_day_dry_min=float(self._worst_day_dry_s[index]) / S_PER_MIN,
            wilted_min=float(self._wilted_s[index]) / S_PER_MIN,
            worst_day_wilted_min=float(self._worst_day_wilted_s[index]) / S_PER_MIN,
            night_wet_h=float(self._night_wet_s[index]) / S_PER_HOUR,
            dry_by_dusk_days=int(self._dry_by_dusk_days[index]),
            applied_mm=applied_mm,
            applied_l=applied_mm * zone.bench_area_m2,
            missed_mm=float(canopy.missed_um[index]) / UM_PER_MM,
            dripped_mm=float(canopy.dripped_um[index]) / UM_PER_MM,
            evaporated_mm=float(canopy.evaporated_um[index] - canopy.dew_um[index]) / UM_PER_MM,
            leached_mm=float(plant.medium.drained_um[index]) / UM_PER_MM,
            sour_h=float(plant.medium.sour_s[index, -1]) / S_PER_HOUR,
            bursts=self._bursts[index],
            longest_gap_min=max(self._longest_gap_s[index], last_gap_s) / S_PER_MIN,
        )

    def _seen_closely(self, day: DayCount) -> CloseUp:
        _, deficit_kpa, light_w_per_m2, air_c = zip(*day.houses, strict=True)
        by_zone_um = np.array(day.films_um).swapaxes(0, 1)  # zone, step, quarter
        return CloseUp(
            day=self._first_day + timedelta(days=len(self._days) - 1),
            minutes=tuple(day.minutes),
            vpd_kpa=tuple(deficit_kpa),
            light_w_per_m2=tuple(light_w_per_m2),
            air_c=tuple(air_c),
            film_driest_um=tuple(_floats(film_um[:, 0]) for film_um in by_zone_um),
            film_mean_um=tuple(_floats(film_um.mean(axis=1)) for film_um in by_zone_um),
            burst_minutes=tuple(tuple(minutes) for minutes in day.burst_minutes),
        )

    def _new_day(self) -> DayCount:
        return DayCount(len(self._config.zones), self._plant.canopy.applied_um.copy())

    def _minute(self, now_s: float) -> float:
        """Minutes since the day's midnight."""
        return (now_s - self._begins_s - len(self._days) * S_PER_DAY) / S_PER_MIN


def share_below(limit_um: float, before_um: Values, after_um: Values) -> Values:
    """Share of each step for which a drying film was under a limit, from its depths at the step's two ends.

    The cube root of a film falls evenly (Deardorff's law, with air that stands still). Arrays run by step and
    zone.

    >>> share_below(1.0, np.array([8.0, 8.0, 0.5]), np.array([2.0, 0.125, 0.2])).round(3).tolist()
    [0.0, 0.333, 1.0]
    """
    before, after, limit = np.cbrt(before_um), np.cbrt(after_um), np.cbrt(limit_um)
    fallen = np.where(before > after, before - after, 1.0)
    since = np.clip((limit - after) / fallen, 0.0, 1.0)
    share: Values = np.where(before < limit, 1.0, since) * (after < limit)
    return share


def longest_spell_s(shares: Values, lasted_s: Values) -> float:
    """The longest time for which something was so without a break, from its share of each step.

    >>> longest_spell_s(np.array([1.0, 0.0, 0.5, 1.0]), np.array([4.0, 1.0, 2.0, 3.5]))
    4.5
    """
    longest_s = spell_s = 0.0
    for share, step_s in zip(shares.tolist(), lasted_s.tolist(), strict=True):
        spell_s = (spell_s if share == 1.0 else 0.0) + share * step_s
        longest_s = max(longest_s, spell_s)
    return longest_s


def _minutes(seconds: Values) -> tuple[float, ...]:
    return _floats(seconds / S_PER_MIN)


def _floats(values: Sequence[float] | Values) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
