"""From a file's rows, with whatever stamps they have, to rows at an even step without a hole.

It answers for finding the step, for rows that are lost, twice there, out of order or shifted by daylight
saving, and for the whole of a typical year. Up to three hours of lost rows become rows of missing values (the
repairs fill them, or the checks refuse them); everything else is refused, all at once.
"""

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from simulators.plant.weather_repairs import LONGEST_GAP_S
from simulators.plant.weather_rows import HOUR, HOUR_S, QUANTITIES, Column, WeatherFileError, WeatherRows
from simulators.plant.weather_text import DAYS_OF_TYPICAL_YEAR, WeatherFile

SHORTEST_STEP_S = 60.0
HOURS_OF_TYPICAL_YEAR = 24 * DAYS_OF_TYPICAL_YEAR
YEAR_JUMP_S = 300.0 * 86_400.0  # a hole so long is another year's rows, not a broken station
SUNDAY = 7
CLOCKS_CHANGE_BEFORE_H = 4  # on a Sunday, in the small hours

LOST = -1


def even_rows(file: WeatherFile) -> WeatherRows:
    """The file's rows, evenly, from its first stamp to its last.

    A typical year runs from 01:00 on 1 January to the midnight that ends it.

    Raises:
        WeatherFileError: each row that does not fit, with the reason.
    """
    begins_at = _new_year(file) if file.is_typical else file.stamps[0]
    offsets_s = np.array([(stamp - begins_at).total_seconds() for stamp in file.stamps])
    step_s = HOUR_S if file.is_typical else _step_s(file.name, offsets_s)
    problems = _misplaced(file, offsets_s, step_s)
    if file.is_typical:
        problems += _not_a_whole_year(file, offsets_s)
    if problems:
        raise WeatherFileError(problems)
    count = round(float(offsets_s[-1]) / step_s) + 1
    indices = np.rint(offsets_s / step_s).astype(np.int64)
    rows_in_file = np.full(count, LOST)
    rows_in_file[indices] = file.row_numbers
    return WeatherRows(
        starts_at=begins_at,
        step_s=step_s,
        site=file.site,
        row_name=_names(file.name, rows_in_file),
        is_typical=file.is_typical,
        **{name: _spread(file.columns.get(name), indices, count) for name in QUANTITIES},
        cloud_fraction=_spread(file.columns.get("cloud_fraction"), indices, count),
        sky_below_air_c=np.full(count, np.nan),
    )


def _new_year(file: WeatherFile) -> datetime:
    """The first stamp a typical year has; its year is that of its middle row, clear of both ends."""
    middle = file.stamps[len(file.stamps) // 2]
    return datetime(middle.year, 1, 1, tzinfo=middle.tzinfo) + HOUR


def _step_s(name: str, offsets_s: Column) -> float:
    """The step most rows are apart."""
    gaps = np.diff(offsets_s)
    ahead = gaps[gaps > 0.0]
    if not ahead.size:
        raise WeatherFileError(
            [f"{name} has {len(offsets_s)} row(s), of one moment: weather needs two or more"]
        )
    steps, counts = np.unique(ahead, return_counts=True)
    step_s = float(steps[counts.argmax()])
    if not SHORTEST_STEP_S <= step_s <= HOUR_S or HOUR_S % step_s:
        raise WeatherFileError(
            [
                f"{name}: its rows are {timedelta(seconds=step_s)} apart; an hour, or an even part of it "
                "down to a minute, is needed"
            ]
        )
    return step_s


def _misplaced(file: WeatherFile, offsets_s: Column, step_s: float) -> list[str]:
    """Rows that do not follow the row before them at one step, or after a hole short enough to fill."""
    problems = []
    gaps_s = np.diff(offsets_s)
    for before in np.flatnonzero(gaps_s != step_s):
        reason = _reason(file.stamps[before], file.stamps[before + 1], float(gaps_s[before]), step_s)
        if reason is not None:
            stamp = file.stamps[before + 1]
            problems.append(f"{file.name} row {file.row_numbers[before + 1]} ({stamp:%d %B %H:%M}): {reason}")
    return problems


def _reason(before: datetime, stamp: datetime, gap_s: float, step_s: float) -> str | None:
    if abs(gap_s) > YEAR_JUMP_S:
        return f"the year jumps from {before.year} to {stamp.year}; one file holds one run of time"
    if stamp.isoweekday() == SUNDAY and stamp.hour < CLOCKS_CHANGE_BEFORE_H:
        if gap_s == HOUR_S + step_s:
            return _daylight_saving(f"an hour is missing after {before:%H:%M}")
        if gap_s == step_s - HOUR_S:
            return _daylight_saving(f"an hour is there twice, after {before:%H:%M}")
    return _too_early(before, gap_s) if gap_s <= 0.0 else _too_late(before, gap_s, step_s)


def _too_early(before: datetime, gap_s: float) -> str:
    if gap_s == 0.0:
        return "the same time as the row before it"
    return f"the time goes back from {before:%d %B %H:%M}"


def _too_late(before: datetime, gap_s: float, step_s: float) -> str | None:
    if gap_s % step_s:
        return f"{timedelta(seconds=gap_s)} after the row before it, not {timedelta(seconds=step_s)}"
    if gap_s - step_s > LONGEST_GAP_S:
        return (
            f"{timedelta(seconds=gap_s - step_s)} of rows missing since {before:%d %B %H:%M}, at most "
            f"{timedelta(seconds=LONGEST_GAP_S)} are filled"
        )
    return None


def _daylight_saving(what: str) -> str:
    return f"{what}, as when clocks change: give the times in standard time, or each with its offset from UTC"


def _not_a_whole_year(file: WeatherFile, offsets_s: Column) -> list[str]:
    """What a typical year lacks at its ends; a year that is cut short is no year."""
    problems = []
    last_s = (HOURS_OF_TYPICAL_YEAR - 1) * HOUR_S
    if offsets_s[0] != 0.0:
        row, stamp = file.row_numbers[0], file.stamps[0]
        problems.append(
            f"{file.name} row {row}: the year begins at {stamp:%d %B %H:%M}, not 01 January 01:00"
        )
    if offsets_s[-1] != last_s:
        row, stamp = file.row_numbers[-1], file.stamps[-1]
        problems.append(
            f"{file.name} row {row}: the year ends at {stamp:%d %B %H:%M} after {len(offsets_s)} of "
            f"{HOURS_OF_TYPICAL_YEAR} hours: is the file cut short?"
        )
    return problems


def _spread(values: Column | None, indices: NDArray[np.int64], count: int) -> Column:
    spread = np.full(count, np.nan)
    if values is not None:
        spread[indices] = values
    return spread


def _names(name: str, rows_in_file: NDArray[np.int64]) -> Callable[[int], str]:
    """What to call each even row; a lost one after the last row before it."""

    def row_name(index: int) -> str:
        number = int(rows_in_file[index])
        if number != LOST:
            return f"{name} row {number}"
        return f"{name} lost after row {int(rows_in_file[:index].max())}"

    return row_name


def year_that_follows_itself(rows: WeatherRows) -> WeatherRows:
    """A typical year's rows from the midnight it begins with: its last row stands there, too."""
    indices = np.concatenate(([len(rows) - 1], np.arange(len(rows))))
    return rows.chosen(indices, rows.starts_at - HOUR, is_typical=True)
