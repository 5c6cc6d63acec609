"""What the weather formats of others mean by their columns: TMY3, TMY2 and EPW.

It answers for names, places, units, marks of the missing and dates. It reads no file: that is pvlib's part,
called by name. All three stamp the end of the hour, in local standard time (Wilcox & Marion 2008, User's
Manual for TMY3; Marion & Urban 1995, User's Manual for TMY2s; the EPW data dictionary: columns as pvlib's
documentation has them, marks of the missing from memory).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import StringIO
from math import inf
from pathlib import Path
from typing import Any, NamedTuple

ORDINARY_YEAR = 2025  # dates a typical year for which nobody names one
SENTINEL = -9900.0  # TMY3 writes this, and less, for what is missing


class SourceColumn(NamedTuple):
    """Where a quantity stands: pvlib's name, the file's name or place, its units to one of ours."""

    name: str
    written: str
    place: int | slice | None  # a cell, or the characters of a fixed-width line; None: by its heading
    per_ours: float
    missing_from: float  # this value and more stand for "missing"


class RowDate(NamedTuple):
    """The end of the hour, as written: hour 24 belongs to the day that ends."""

    year: int
    month: int
    day: int
    hour: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFormat:
    """One of the formats: its heading, its columns, its dates, and pvlib's reader for it."""

    name: str
    heading_rows: int
    columns: dict[str, SourceColumn]
    date: Callable[[Sequence[str], str], RowDate]
    has_cells: bool  # separated by commas; if not, of fixed width
    read: Callable[[Path, str], tuple[Any, dict[str, Any]]]


def _tmy3_date(cells: Sequence[str], _line: str) -> RowDate:
    month, day, year = (int(part) for part in cells[0].split("/"))
    hour, minute = (int(part) for part in cells[1].split(":"))
    if minute:
        raise ValueError("the time is not a whole hour")
    return RowDate(year, month, day, hour)


def _epw_date(cells: Sequence[str], _line: str) -> RowDate:
    year, month, day, hour = (int(cell) for cell in cells[:4])
    return RowDate(year, month, day, hour)


def _tmy2_date(_cells: Sequence[str], line: str) -> RowDate:
    return RowDate(1900 + int(line[1:3]), int(line[3:5]), int(line[5:7]), int(line[7:9]))


def _read_tmy3(_path: Path, text: str) -> tuple[Any, dict[str, Any]]:
    # Here and not above: pvlib takes seconds to import and comes with an extra of the package.
    from pvlib.iotools import read_tmy3  # noqa: PLC0415

    table, about = read_tmy3(StringIO(text), coerce_year=ORDINARY_YEAR, map_variables=True)
    return table, about | {"name": str(about["Name"]).strip('"')}


def _read_tmy2(path: Path, _text: str) -> tuple[Any, dict[str, Any]]:
    from pvlib.iotools import read_tmy2  # noqa: PLC0415

    table, about = read_tmy2(str(path))
    return table, about | {"name": about["City"]}


def _read_epw(_path: Path, text: str) -> tuple[Any, dict[str, Any]]:
    from pvlib.iotools import read_epw  # noqa: PLC0415

    table, about = read_epw(StringIO(text))
    return table, about | {"name": about["city"]}


TMY3 = FileFormat(
    name="TMY3",
    heading_rows=2,
    columns={
        "temperature_c": SourceColumn("temp_air", "Dry-bulb (C)", None, 1.0, inf),
        "relative_humidity": SourceColumn("relative_humidity", "RHum (%)", None, 100.0, inf),
        "wind_m_per_s": SourceColumn("wind_speed", "Wspd (m/s)", None, 1.0, inf),
        "radiation_w_per_m2": SourceColumn("ghi", "GHI (W/m^2)", None, 1.0, inf),
        "cloud_fraction": SourceColumn("OpqCld (tenths)", "OpqCld (tenths)", None, 10.0, 99.0),
    },
    date=_tmy3_date,
    has_cells=True,
    read=_read_tmy3,
)
TMY2 = FileFormat(
    name="TMY2",
    heading_rows=1,
    columns={
        "temperature_c": SourceColumn("DryBulb", "dry bulb", slice(67, 71), 10.0, 9999.0),
        "relative_humidity": SourceColumn("RHum", "relative humidity", slice(79, 82), 100.0, 999.0),
        "wind_m_per_s": SourceColumn("Wspd", "wind speed", slice(95, 98), 10.0, 999.0),
        "radiation_w_per_m2": SourceColumn("GHI", "global radiation", slice(17, 21), 1.0, 9999.0),
        "cloud_fraction": SourceColumn("OpqCld", "opaque cloud", slice(63, 65), 10.0, 99.0),
    },
    date=_tmy2_date,
    has_cells=False,
    read=_read_tmy2,
)
EPW = FileFormat(
    name="EPW",
    heading_rows=8,
    columns={
        "temperature_c": SourceColumn("temp_air", "dry bulb", 6, 1.0, 99.9),
        "relative_humidity": SourceColumn("relative_humidity", "relative humidity", 8, 100.0, 999.0),
        "wind_m_per_s": SourceColumn("wind_speed", "wind speed", 21, 1.0, 999.0),
        "radiation_w_per_m2": SourceColumn("ghi", "global radiation", 13, 1.0, 9999.0),
        "cloud_fraction": SourceColumn("opaque_sky_cover", "opaque sky cover", 23, 10.0, 99.0),
    },
    date=_epw_date,
    has_cells=True,
    read=_read_epw,
)
