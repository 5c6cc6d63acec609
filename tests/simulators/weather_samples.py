"""Weather files of our own invention for the tests, and what they share in reading them."""

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from simulators.plant.weather import HOUR, HOUR_S, Site, Weather, WeatherFileError
from simulators.plant.weather_files import read_weather
from simulators.plant.weather_rows import Column

Edit = Callable[[list[str]], None]


def cell(row: int, place: int, text: str) -> Edit:
    """Change one cell; `row` counts from nought below the heading."""

    def edit(rows: list[str]) -> None:
        cells = rows[row].split(",")
        cells[place] = text
        rows[row] = ",".join(cells)

    return edit


def packaged(name: str) -> Path:
    import pvlib  # noqa: PLC0415

    return Path(pvlib.__file__).parent / "data" / name


def refusal(path: Path | None, **asked: object) -> WeatherFileError:
    with pytest.raises(WeatherFileError) as refused:
        read_weather(path, **asked)  # type: ignore[arg-type]
    return refused.value


def minute_light(weather: Weather) -> Column:
    """Light of each minute, hours x 60; it stands still for a minute, so their mean is the hour's."""
    hours = round(weather.duration_s / HOUR_S)
    light = [weather.at(60.0 * minute + 30.0).radiation_w_per_m2 for minute in range(60 * hours)]
    return np.array(light).reshape(hours, 60)


EPW_HEADING = """\
LOCATION,Made-up Vale,-,XXX,invented,000000,50.35,7.60,1.0,80.0
DESIGN CONDITIONS,0
TYPICAL/EXTREME PERIODS,0
GROUND TEMPERATURES,0
HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0
COMMENTS 1,invented for a test from the published list of fields
COMMENTS 2,
DATA PERIODS,1,1,Data,Sunday,1/1,12/31
"""
MONTH_LENGTHS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def epw_rows(years: Sequence[int] = (2001, 1999)) -> list[str]:
    """8760 rows of 35 fields, months taken from the years in turn; the weather is one curve a day."""
    return [
        epw_row(years[month % len(years)], month + 1, day, hour)
        for month, length in enumerate(MONTH_LENGTHS)
        for day in range(1, length + 1)
        for hour in range(1, 25)
    ]


def epw_row(year: int, month: int, day: int, hour: int) -> str:
    temperature_c = (
        10.0 - 8.0 * np.cos(2 * np.pi * (month - 1) / 12) - 4.0 * np.cos(2 * np.pi * (hour - 3) / 24)
    )
    light = round(300.0 * max(0.0, np.sin(np.pi * (hour - 9) / 7.0))) if 9 < hour < 16 else 0
    cells = [year, month, day, hour, 60, "?9?9?9", f"{temperature_c:.1f}", "5.0", 60 + hour, 100_300]
    cells += [0, 0, 300, light, 0, 0, 0, 0, 0, 0, 180, f"{1 + hour / 10:.1f}", 7, 5, 20.0, 77777]
    cells += [9, 999999999, 12, 0.1, 0, 88, 0.2, 0.0, 1.0]
    return ",".join(str(cell) for cell in cells)


def epw_file(folder: Path, rows: Sequence[str], heading: str = EPW_HEADING) -> Path:
    path = folder / "vale.epw"
    path.write_text(heading + "\n".join(rows) + "\n")
    return path


VALE = Site(name="Made-up Vale", latitude_deg=50.35, longitude_deg=7.6, elevation_m=80.0, utc_offset_h=1.0)
SITE_LINES = """\
# a station of our own invention
# name = Made-up Vale
# latitude = 50.35
# longitude = 7.60
# elevation_m = 80
# utc_offset_h = 1
"""
HEADING = "time, temperature_c, relative_humidity_percent, wind_m_per_s, radiation_w_per_m2"
BEGINS = datetime(2025, 6, 1)


def csv_values(index: int) -> tuple[float, float, float, float]:
    """Temperature, humidity in percent, wind, light of the hour that ends `index` hours after midnight."""
    hour = index % 24
    light = 600.0 * float(np.sin(np.pi * (hour - 5) / 15.0)) if 5 < hour < 20 else 0.0
    return 12.0 + hour / 4.0, 90.0 - hour, 1.0 + hour / 12.0, round(light, 1)


def csv_rows(days: int = 2, begins: datetime = BEGINS) -> list[str]:
    return [
        ",".join([(begins + index * HOUR).isoformat(), *(str(value) for value in csv_values(index))])
        for index in range(24 * days + 1)
    ]


def csv_file(
    folder: Path, rows: Sequence[str], heading: str = HEADING, about: str = SITE_LINES, ending: str = "\n"
) -> Path:
    path = folder / "vale.csv"
    path.write_text(about + "\n".join([heading, *rows]) + ending, newline="")
    return path
