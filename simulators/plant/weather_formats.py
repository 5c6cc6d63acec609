"""Reading a weather file in a format of others: which it is, which hours it has, what is wrong with its rows.

It answers for naming every row whose date, length or cells are wrong, before pvlib, which reads the numbers,
sees the file. What the numbers say is judged elsewhere.
"""

from collections.abc import Iterator, Sequence
from datetime import date as calendar_date
from datetime import datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from simulators.plant.weather_columns import (
    EPW,
    ORDINARY_YEAR,
    SENTINEL,
    TMY2,
    TMY3,
    FileFormat,
    RowDate,
    SourceColumn,
)
from simulators.plant.weather_rows import HOUR, Column, Site, WeatherFileError
from simulators.plant.weather_text import WeatherFile, weather_text

PACKAGED = {  # typical years by NREL, in the package pvlib
    "greensboro": "723170TYA.CSV",
    "sand point": "703165TY.csv",
    "miami": "12839.tm2",
}
DEFAULT_PACKAGED = "greensboro"
OPTIONAL = ("cloud_fraction",)  # worked out from the light where a file has none
LAST_HOUR = 24
LEAP_DAY = (2, 29)
FEWEST_EPW_CELLS = 24  # up to the sky cover; what follows is not used and often left out


def packaged_path(name: str) -> Path:
    """Where pvlib keeps this typical year; `name` is a key of `PACKAGED`."""
    import pvlib  # noqa: PLC0415

    return Path(pvlib.__file__).parent / "data" / PACKAGED[name]


def typical_year_file(path: Path | None, *, year: int) -> WeatherFile:
    """A typical year's file as it stands, dated with `year`; None is the one `DEFAULT_PACKAGED` names.

    Raises:
        WeatherFileError: it is not in one of the three formats, or its rows are not what the format asks for.
    """
    path = path or packaged_path(DEFAULT_PACKAGED)
    text = weather_text(path)
    file_format = recognised(text)
    if file_format is None:
        raise WeatherFileError([f"{path.name} is no typical year in TMY3, TMY2 or EPW"])
    return file_in_format(path, text, file_format, year=year)


def recognised(text: str) -> FileFormat | None:
    """The format by its first lines, whatever the file is called; None for none of the three."""
    first, _, rest = text.partition("\n")
    second = rest.partition("\n")[0]
    if first.startswith("LOCATION,"):
        return EPW
    if second.startswith("Date (MM/DD/YYYY),Time (HH:MM)"):
        return TMY3
    is_tmy2 = first[1:6].isdigit() and second[1:9].isdigit() and "," not in first
    return TMY2 if is_tmy2 else None


def file_in_format(path: Path, text: str, file_format: FileFormat, *, year: int | None) -> WeatherFile:
    """The file's rows; `year` dates a typical year, None lets a file that has one year keep it.

    Raises:
        WeatherFileError: every row and column found wrong, up to the limit.
    """
    lines = text.rstrip("\n").split("\n")
    rows = lines[file_format.heading_rows :]
    places = _places(path.name, file_format, lines[: file_format.heading_rows])
    dates, problems = _scanned(path.name, file_format, rows, places)
    own_years = {date.year for date in dates if date is not None}
    is_typical = file_format is not EPW or year is not None or len(own_years) > 1
    if is_typical:
        problems += _mixed_years(path.name, file_format, dates)
        problems += _leap_days(path.name, file_format, dates)
    if not rows:
        problems.append(f"{path.name} has no rows below its heading")
    if problems:
        raise WeatherFileError(problems)
    table, site = _read(path, text, file_format)
    coerced = (year or ORDINARY_YEAR) if is_typical else None
    return WeatherFile(
        name=path.name,
        site=site,
        stamps=_stamps(dates, coerced, site),
        row_numbers=list(range(file_format.heading_rows + 1, len(lines) + 1)),
        columns=_columns(file_format, table),
        is_typical=is_typical,
    )


def _places(name: str, file_format: FileFormat, heading: Sequence[str]) -> dict[str, int | slice]:
    """Where in a row each quantity stands."""
    headed = heading[-1].split(",")
    places: dict[str, int | slice] = {}
    missing = []
    for quantity, column in file_format.columns.items():
        if column.place is not None:
            places[quantity] = column.place
        elif column.written in headed:
            places[quantity] = headed.index(column.written)
        elif quantity not in OPTIONAL:
            missing.append(f"{column.name} (headed {column.written})")
    if missing:
        raise WeatherFileError([f"{name} has no column for {', '.join(missing)}"])
    return places


def _scanned(
    name: str, file_format: FileFormat, rows: Sequence[str], places: dict[str, int | slice]
) -> tuple[list[RowDate | None], list[str]]:
    """The date of each row, None where it is wrong, and what is wrong."""
    dates: list[RowDate | None] = []
    problems: list[str] = []
    width = _width(file_format, rows)
    for number, line in enumerate(rows, start=file_format.heading_rows + 1):
        wrong = list(_wrong_with(line, file_format, places, width))
        problems += [f"{name} row {number}: {reason}" for reason in wrong]
        dates.append(None if wrong else _date(line, file_format))
    return dates, problems


def _width(file_format: FileFormat, rows: Sequence[str]) -> int:
    if not rows:
        return 0
    return rows[0].count(",") + 1 if file_format.has_cells else len(rows[0].rstrip())


def _wrong_with(
    line: str, file_format: FileFormat, places: dict[str, int | slice], width: int
) -> Iterator[str]:
    cells = line.split(",") if file_format.has_cells else []
    found = len(cells) if file_format.has_cells else len(line.rstrip())
    if found != width or (file_format is EPW and found < FEWEST_EPW_CELLS):
        unit = "cells" if file_format.has_cells else "characters"
        yield f"{found} {unit} where the first row has {width}: is the file cut short?"
        return
    try:
        date = file_format.date(cells, line)
        calendar_date(date.year, date.month, date.day)  # raises for a 13th month or a 32nd day
        if not 0 <= date.hour <= LAST_HOUR:
            yield f"hour {date.hour} is none of 1 to {LAST_HOUR}"
    except (ValueError, IndexError) as problem:
        yield f"the date or time cannot be read ({problem})"
    for quantity, place in places.items():
        text = line[place] if isinstance(place, slice) else cells[place]
        if text.strip() and not is_number(text):
            yield f"{quantity} is {text.strip()!r}, not a number"


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _date(line: str, file_format: FileFormat) -> RowDate:
    return file_format.date(line.split(",") if file_format.has_cells else (), line)


def _mixed_years(name: str, file_format: FileFormat, dates: Sequence[RowDate | None]) -> list[str]:
    """A typical year's months come from different years, but each month from one.

    The last hour of a month may be dated as the first of the next day, and so in the next month.
    """
    problems = []
    for number, (before, date) in enumerate(pairwise(dates), start=1):
        if before is None or date is None or before.month != date.month:
            continue
        if before.year != date.year and before.hour != 0:
            row = file_format.heading_rows + number + 1
            problems.append(
                f"{name} row {row}: the year jumps from {before.year} to {date.year} within month "
                f"{date.month}"
            )
    return problems


def _leap_days(name: str, file_format: FileFormat, dates: Sequence[RowDate | None]) -> list[str]:
    return [
        f"{name} row {number}: a typical year has no 29 February"
        for number, date in enumerate(dates, start=file_format.heading_rows + 1)
        if date is not None and (date.month, date.day) == LEAP_DAY
    ]


def _read(path: Path, text: str, file_format: FileFormat) -> tuple[Any, Site]:
    """The numbers, by pvlib, and the site; what pvlib cannot read is refused in its own words."""
    try:
        table, about = file_format.read(path, text)
        site = Site(
            name=str(about["name"]),
            latitude_deg=float(about["latitude"]),
            longitude_deg=float(about["longitude"]),
            elevation_m=float(about["altitude"]),
            utc_offset_h=float(about["TZ"]),
        )
    except (ValueError, IndexError, KeyError) as problem:
        raise WeatherFileError(
            [f"{path.name} looks like {file_format.name} but cannot be read as that: {problem}"]
        ) from None
    return table, site


def _stamps(dates: Sequence[RowDate | None], year: int | None, site: Site) -> list[datetime]:
    """The end of each hour; New Year's first midnight belongs to the year before, as its last hour."""
    zone = timezone(timedelta(hours=site.utc_offset_h))
    stamps = []
    for date in dates:
        assert date is not None  # a row whose date is wrong was refused
        is_last_of_typical_year = year is not None and (date.month, date.day, date.hour) == (1, 1, 0)
        written = (year or date.year) + is_last_of_typical_year
        stamps.append(datetime(written, date.month, date.day, tzinfo=zone) + date.hour * HOUR)
    return stamps


def _columns(file_format: FileFormat, table: Any) -> dict[str, Column]:
    return {
        quantity: _in_our_unit(table[column.name], column)
        for quantity, column in file_format.columns.items()
        if column.name in table.columns
    }


def _in_our_unit(values: Any, column: SourceColumn) -> Column:
    numbers = np.array(values, dtype=np.float64)
    missing = (numbers >= column.missing_from) | (numbers <= SENTINEL)
    return np.where(missing, np.nan, numbers / column.per_ours)
