"""Our own weather file: a CSV whose columns are named with their units.

    # name = Upper nursery
    # latitude = 50.35
    # longitude = 7.60
    # elevation_m = 80
    # utc_offset_h = 1
    time, temperature_c, relative_humidity_percent, wind_m_per_s, radiation_w_per_m2, cloud_fraction
    2025-06-01 01:00, 12.5, 88, 1.2, 0, 0.3

A time is the end of its row: the radiation is the mean of the step before it, all else stands for the time
itself. Times are ISO 8601, in local standard time (`utc_offset_h` says which), or each with its own offset.
Cloud may be left out. It answers for the text alone: names, units, cells and times; values are judged
elsewhere. A column's unit is its name's; nothing can tell wind in knots under `wind_m_per_s`.
"""

import csv
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta, timezone

import numpy as np

from simulators.plant.weather_rows import Column, Site, WeatherFileError
from simulators.plant.weather_tables import humidity_of_dew_point
from simulators.plant.weather_text import WeatherFile

Conversion = Callable[[Column], Column]

TIME = "time"
MISSING_CELLS = ("", "nan", "na", "null", "-")
DEW_POINT = "dew_point_c"  # stands in for the humidity
FREEZING_K = 273.15

UNITS: dict[str, dict[str, Conversion]] = {
    "temperature_c": {
        "temperature_c": lambda cells: cells,
        "temperature_f": lambda cells: (cells - 32.0) / 1.8,
        "temperature_k": lambda cells: cells - FREEZING_K,
    },
    "relative_humidity": {
        "relative_humidity": lambda cells: cells,
        "relative_humidity_percent": lambda cells: cells / 100.0,
    },
    DEW_POINT: {
        "dew_point_c": lambda cells: cells,
        "dew_point_f": lambda cells: (cells - 32.0) / 1.8,
    },
    "wind_m_per_s": {
        "wind_m_per_s": lambda cells: cells,
        "wind_km_per_h": lambda cells: cells / 3.6,
        "wind_mph": lambda cells: cells * 0.44704,
        "wind_knots": lambda cells: cells * (1852.0 / 3600.0),
    },
    "radiation_w_per_m2": {
        "radiation_w_per_m2": lambda cells: cells,
        "radiation_kj_per_m2_per_h": lambda cells: cells / 3.6,
        "radiation_mj_per_m2_per_h": lambda cells: cells / 0.0036,
    },
    "cloud_fraction": {
        "cloud_fraction": lambda cells: cells,
        "cloud_percent": lambda cells: cells / 100.0,
        "cloud_tenths": lambda cells: cells / 10.0,
        "cloud_oktas": lambda cells: cells / 8.0,
    },
}
NEEDED = ("temperature_c", "relative_humidity", "wind_m_per_s", "radiation_w_per_m2")
SITE_RANGES = {
    "latitude": (-90.0, 90.0),
    "longitude": (-180.0, 180.0),
    "elevation_m": (-450.0, 9000.0),
    "utc_offset_h": (-12.0, 14.0),
}
SITE_LINES = ("name", *SITE_RANGES)
SEA_LEVEL_M = 0.0


def is_our_csv(text: str) -> bool:
    """Whether the first line that is no comment names a column `time`."""
    for line in text.split("\n"):
        if line.strip() and not line.startswith("#"):
            return TIME in _names(line)
    return False


def file_of_csv(name: str, text: str, site: Site | None) -> WeatherFile:
    """The file's rows; a site handed in goes before the one in the comment lines.

    Raises:
        WeatherFileError: every name, cell and time that is wrong, up to the limit.
    """
    comments, heading_row, heading, body = _parts(text)
    about, problems = _about(name, comments)
    places, wrong_names = _places(name, heading_row, _names(heading))
    problems += wrong_names
    if problems:
        raise WeatherFileError(problems)
    numbers, cells, problems = _cells(name, heading_row, body, len(_names(heading)))
    times, wrong_times = _times(name, numbers, [row[places[TIME]] for row in cells])
    columns, wrong_cells = _columns(name, numbers, cells, places)
    offset_h = site.utc_offset_h if site else _offset_h(about, times)
    problems += wrong_times + wrong_cells + _site_problems(name, site, about, times, offset_h)
    if not numbers and not problems:
        problems = [f"{name} has no rows below its heading"]
    if problems:
        raise WeatherFileError(problems)
    assert offset_h is not None
    site = site or _site(name, about, offset_h)
    zone = timezone(timedelta(hours=offset_h))
    stamps = [time.astimezone(zone) if time.tzinfo else time.replace(tzinfo=zone) for time in times]
    return WeatherFile(
        name=name, site=site, stamps=stamps, row_numbers=numbers, columns=columns, is_typical=False
    )


def _names(heading: str) -> list[str]:
    return [cell.strip().lower() for cell in heading.split(",")]


def _parts(text: str) -> tuple[list[str], int, str, list[str]]:
    """Comment lines, the heading's row number, the heading, and the lines below it."""
    lines = text.rstrip("\n").split("\n")
    first = next(index for index, line in enumerate(lines) if line.strip() and not line.startswith("#"))
    return lines[:first], first + 1, lines[first], lines[first + 1 :]


def _about(name: str, comments: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """What the comment lines say of the site; other comments are the writer's own."""
    about: dict[str, str] = {}
    problems = []
    for number, line in enumerate(comments, start=1):
        key, equals, value = (part.strip() for part in line.lstrip("# ").partition("="))
        if not equals or key.lower() not in SITE_LINES:
            continue
        about[key.lower()] = value
        if key.lower() in SITE_RANGES:
            lowest, highest = SITE_RANGES[key.lower()]
            number_there = _number(value)
            if number_there is None or not lowest <= number_there <= highest:
                problems.append(
                    f"{name} row {number}: {key} is {value!r}, wanted is {lowest:g} to {highest:g}"
                )
    return about, problems


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _places(name: str, heading_row: int, names: Sequence[str]) -> tuple[dict[str, int], list[str]]:
    """Where the time and each known column stands, by the column's own name."""
    problems = [f"{name} row {heading_row}: two columns are called {n!r}" for n in _twice(names)]
    known = {variant for variants in UNITS.values() for variant in variants} | {TIME}
    places = {column: index for index, column in enumerate(names) if column in known}
    others = [column for column in names if column not in known]
    has = {quantity: [v for v in variants if v in places] for quantity, variants in UNITS.items()}
    for quantity in NEEDED:
        wanted = list(UNITS[quantity])
        if quantity == "relative_humidity":
            wanted += UNITS[DEW_POINT]
        if not any(variant in places for variant in wanted):
            there = f"; it has also: {', '.join(others)}" if others else ""
            problems.append(f"{name} row {heading_row}: no column {' or '.join(wanted)}{there}")
    problems += [
        f"{name} row {heading_row}: {' and '.join(variants)} are one quantity; keep one"
        for variants in has.values()
        if len(variants) > 1
    ]
    return places, problems


def _twice(names: Sequence[str]) -> list[str]:
    return sorted({column for column in names if column and names.count(column) > 1})


def _cells(
    name: str, heading_row: int, body: Iterable[str], width: int
) -> tuple[list[int], list[list[str]], list[str]]:
    """Row numbers and cells of the rows that are as wide as the heading; empty rows are passed over."""
    numbers, kept, problems = [], [], []
    for number, row in enumerate(csv.reader(body), start=heading_row + 1):
        if len(row) == width:
            numbers.append(number)
            kept.append([cell.strip() for cell in row])
        elif row:
            problems.append(
                f"{name} row {number}: {len(row)} cells where the heading has {width}: is the file cut "
                "short, or are there decimal commas?"
            )
    return numbers, kept, problems


def _times(name: str, numbers: Sequence[int], texts: Sequence[str]) -> tuple[list[datetime], list[str]]:
    times, problems = [], []
    for number, text in zip(numbers, texts, strict=True):
        try:
            times.append(datetime.fromisoformat(text))
        except ValueError as problem:
            problems.append(f"{name} row {number}: time {text!r} cannot be read as ISO 8601 ({problem})")
    return times, problems


def _columns(
    name: str, numbers: Sequence[int], cells: Sequence[Sequence[str]], places: dict[str, int]
) -> tuple[dict[str, Column], list[str]]:
    """Each quantity in our unit; humidity from the dew point where that is what the file has."""
    columns: dict[str, Column] = {}
    problems: list[str] = []
    for quantity, variants in UNITS.items():
        for variant in variants.keys() & places.keys():
            values, wrong = _values(name, numbers, [row[places[variant]] for row in cells], variant)
            columns[quantity] = variants[variant](values)
            problems += wrong
    dew_c = columns.pop(DEW_POINT, None)
    if dew_c is not None and "relative_humidity" not in columns:
        columns["relative_humidity"] = humidity_of_dew_point(columns["temperature_c"], dew_c)
    return columns, problems


def _values(
    name: str, numbers: Sequence[int], texts: Sequence[str], variant: str
) -> tuple[Column, list[str]]:
    values = np.full(len(texts), np.nan)
    problems = []
    for index, text in enumerate(texts):
        if text.lower() in MISSING_CELLS:
            continue
        value = _number(text)
        if value is None:
            problems.append(f"{name} row {numbers[index]}: {variant} is {text!r}, not a number")
        else:
            values[index] = value
    return values, problems


def _offset_h(about: dict[str, str], times: Sequence[datetime]) -> float | None:
    """Standard time's offset: as the file says, or the smallest its times carry (summer time has more)."""
    if "utc_offset_h" in about:
        return float(about["utc_offset_h"])
    offsets = [time.utcoffset() for time in times]
    known = [offset for offset in offsets if offset is not None]
    return min(known).total_seconds() / 3600.0 if known else None


def _site_problems(
    name: str, site: Site | None, about: dict[str, str], times: Sequence[datetime], offset_h: float | None
) -> list[str]:
    problems = []
    with_offset = sum(time.tzinfo is not None for time in times)
    if 0 < with_offset < len(times):
        problems.append(
            f"{name}: {with_offset} of {len(times)} times have an offset from UTC, the others none"
        )
    if offset_h is None and times:
        problems.append(f"{name}: the times have no offset from UTC, and no line says `# utc_offset_h = ...`")
    if site is None:
        problems += [
            f"{name}: where is it? No line says `# {key} = ...`"
            for key in ("latitude", "longitude")
            if key not in about
        ]
    return problems


def _site(name: str, about: dict[str, str], offset_h: float) -> Site:
    return Site(
        name=about.get("name", name),
        latitude_deg=float(about["latitude"]),
        longitude_deg=float(about["longitude"]),
        elevation_m=float(about.get("elevation_m", SEA_LEVEL_M)),
        utc_offset_h=offset_h,
    )
