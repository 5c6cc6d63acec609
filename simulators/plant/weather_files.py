"""Weather from files: TMY3, TMY2 and EPW typical years, and our own CSV with units in its columns' names.

It answers for the whole way from a path to weather: which format, what is wrong, what was repaired. A file is
refused with every reason at once (`WeatherFileError.problems`), or read with what was put right in
`Weather.notes`; nothing is repaired in silence. It knows no house.

What no reader can tell from the numbers: wind in knots or miles an hour under metres a second, and a cold
spell in Fahrenheit under Celsius.
"""

from calendar import isleap
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulators.plant.units import SECONDS_PER_DAY
from simulators.plant.weather import Weather
from simulators.plant.weather_checks import column_problems, row_problems
from simulators.plant.weather_csv import file_of_csv, is_our_csv
from simulators.plant.weather_formats import (
    DEFAULT_PACKAGED,
    PACKAGED,
    file_in_format,
    packaged_path,
    recognised,
)
from simulators.plant.weather_grid import HOURS_OF_TYPICAL_YEAR, even_rows, year_that_follows_itself
from simulators.plant.weather_repairs import repaired
from simulators.plant.weather_rows import Site, WeatherFileError, WeatherRows
from simulators.plant.weather_text import WeatherFile, weather_text

ONE_DAY = timedelta(days=1)

MOMENT = "%d %B %Y %H:%M"

__all__ = ["WeatherFileError", "read_weather", "weather_between"]


def read_weather(
    path: Path | None,
    *,
    year: int | None = None,
    site: Site | None = None,
    repeats: bool = False,
) -> Weather:
    """All the weather of a file, in whichever of the four formats it is.

    A typical year begins at its first midnight, dated with `year`, and follows itself.

    Args:
        path: the file; None, or the words "greensboro", "sand point" or "miami", for the years pvlib carries.
        year: an ordinary year to date a typical year with (2025 if None); an EPW file whose rows all have one
            year keeps that unless told otherwise. A CSV has its own dates.
        site: where a CSV was measured, if it does not say so itself.
        repeats: begin again after the end.

    Raises:
        WeatherFileError: everything found wrong with the file; `year` is a leap year; `year` or `site` does
            not go with this format.
    """
    if year is not None and isleap(year):
        reason = f"a typical year has no 29 February: date it with an ordinary year, not {year}"
        raise WeatherFileError([reason])
    rows, notes = _checked(even_rows(_file(_found(path), year, site)))
    return Weather.of_rows(
        year_that_follows_itself(rows) if rows.is_typical else rows, repeats=repeats, notes=notes
    )


def weather_between(
    source: Weather | Path | None,
    from_date: date,
    to_date: date,
    *,
    site: Site | None = None,
    repeats: bool = False,
) -> Weather:
    """Whole days of weather, from the midnight that begins `from_date` to the one that ends `to_date`.

    Of a typical year only month and day are looked up, and it follows itself: the days may run over New Year.
    The rows are dated with the dates asked for.

    Raises:
        WeatherFileError: the file cannot be used.
        ValueError: the dates are the wrong way round, not in the weather, or a typical year's 29 February.
    """
    if to_date < from_date:
        raise ValueError(f"{from_date} to {to_date}: the last day lies before the first")
    if not isinstance(source, Weather):
        source = read_weather(source, site=site)
    days = (to_date - from_date).days + 1
    rows = source.rows
    starts_at = datetime(from_date.year, from_date.month, from_date.day, tzinfo=rows.starts_at.tzinfo)
    count = round(days * SECONDS_PER_DAY / rows.step_s) + 1
    if rows.is_typical:
        indices = _typical_indices(from_date, to_date, count)
    else:
        indices = _indices_within(rows, starts_at, count)
    return Weather.of_rows(rows.chosen(indices, starts_at), repeats=repeats, notes=source.notes)


def _found(path: Path | None) -> Path:
    """The file itself, for words that stand for one."""
    words = DEFAULT_PACKAGED if path is None else str(path).lower()
    if words in PACKAGED and (path is None or not path.exists()):
        return packaged_path(words)
    assert path is not None
    return path


def _file(path: Path, year: int | None, site: Site | None) -> WeatherFile:
    text = weather_text(path)
    if is_our_csv(text):
        if year is not None:
            reason = f"{path.name} has dates of its own; only a typical year is dated with {year}"
            raise WeatherFileError([reason])
        return file_of_csv(path.name, text, site)
    file_format = recognised(text)
    if file_format is None:
        heading = "time, temperature_c, relative_humidity_percent, wind_m_per_s, radiation_w_per_m2"
        raise WeatherFileError(
            [f"{path.name} is no weather file we know: TMY3, TMY2, EPW or a CSV headed `{heading}`"]
        )
    if site is not None:
        raise WeatherFileError([f"{path.name} says itself where it was measured"])
    return file_in_format(path, text, file_format, year=year)


def _checked(rows: WeatherRows) -> tuple[WeatherRows, tuple[str, ...]]:
    """The rows with small faults put right, and the notes of it.

    Whole columns in a wrong unit are named once, not row by row, and not repaired.
    """
    sines = rows.sines()
    columns = column_problems(rows, sines)
    mended, notes = repaired(rows, sines)
    problems = [f"{rows.place(0).rsplit(' row ', 1)[0]}: {reason}" for reason in columns.values()]
    problems += row_problems(mended, sines, leave=tuple(columns))
    if problems:
        raise WeatherFileError(problems)
    return mended, notes


def _typical_indices(from_date: date, to_date: date, count: int) -> NDArray[np.int64]:
    """Rows of a year that follows itself; row 0 is its first midnight and its last at once."""
    leap_days = [day for day in _days(from_date, to_date) if (day.month, day.day) == (2, 29)]
    if leap_days:
        raise ValueError(f"a typical year has no 29 February, so none in {leap_days[0].year}")
    first = _ordinary_day_of_year(from_date) * 24
    return np.asarray((first + np.arange(count)) % HOURS_OF_TYPICAL_YEAR, dtype=np.int64)


def _days(from_date: date, to_date: date) -> Iterator[date]:
    return (from_date + ONE_DAY * number for number in range((to_date - from_date).days + 1))


def _ordinary_day_of_year(day: date) -> int:
    """Days since New Year in a year without a 29 February."""
    return (date(2025, day.month, day.day) - date(2025, 1, 1)).days


def _indices_within(rows: WeatherRows, starts_at: datetime, count: int) -> NDArray[np.int64]:
    first = (starts_at - rows.starts_at).total_seconds() / rows.step_s
    last = first + count - 1
    if first < 0.0 or last > len(rows) - 1 or first != int(first):
        raise ValueError(
            f"there is weather from {rows.starts_at:{MOMENT}} to {rows.stamp(len(rows) - 1):{MOMENT}}, "
            f"not from {starts_at:{MOMENT}} to {starts_at + rows.step * (count - 1):{MOMENT}}"
        )
    return np.arange(int(first), int(first) + count, dtype=np.int64)
