"""The weather outside the house: hours as a weather file gives them, and what lies between them.

It answers for refusing hours that cannot be true (gaps, missing values, wrong units, sun at night). It knows
nothing of the house. No hour is ever repaired or made up in silence: a bad one raises, with row and reason.
"""

from calendar import isleap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from math import isfinite
from pathlib import Path
from typing import Any, NamedTuple

from simulators.plant.sky import sun_elevation_deg

HOUR_S = 3600.0
HOUR = timedelta(hours=1)
MID_HOUR = 0.5

# Values outside these are wrong units or broken stations, not weather (the widest extremes recorded on land,
# rounded outwards; the solar constant, 1361 W/m2, with the brightening at cloud edges).
POSSIBLE_RANGES: dict[str, tuple[float, float]] = {
    "temperature_c": (-60.0, 60.0),
    "relative_humidity": (0.0, 1.0),
    "wind_m_per_s": (0.0, 60.0),
    "radiation_w_per_m2": (0.0, 1500.0),
}
# With the sun this far down the sky gives next to nothing; the slack covers our sun's own error. In the two
# typical years that pvlib carries no hour with light has its highest sun lower than -0.1 degrees.
TWILIGHT_ENDS_DEG = -2.0
NIGHT_RADIATION_W_PER_M2 = 5.0

TMY3_COLUMNS = ("temp_air", "relative_humidity", "wind_speed", "ghi")
TMY3_HEADER_ROWS = 2
TMY3_PACKAGED = "723170TYA.CSV"  # Greensboro, North Carolina; data by NREL, in the package pvlib


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where the weather was measured; `utc_offset_h` is that of local standard time."""

    name: str
    latitude_deg: float
    longitude_deg: float  # east positive
    elevation_m: float
    utc_offset_h: float

    @property
    def air_pressure_kpa(self) -> float:
        """Standard pressure at this height, FAO-56 eq. 7."""
        return 101.3 * float(((293.0 - 0.0065 * self.elevation_m) / 293.0) ** 5.26)


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherHour:
    """One row: what stood at `local_time`, and the mean radiation of the hour that ends then."""

    local_time: datetime  # aware
    temperature_c: float
    relative_humidity: float
    wind_m_per_s: float
    radiation_w_per_m2: float  # global, on the level
    source: str = ""  # file and row, for messages


class Outdoors(NamedTuple):
    """The weather at one instant."""

    temperature_c: float
    relative_humidity: float
    wind_m_per_s: float
    radiation_w_per_m2: float


class Weather:
    """Hours in a row, with straight lines between them.

    Second 0 is the stamp of the first hour. Temperature, humidity and wind run from stamp to stamp. Radiation
    is the mean of the hour before its stamp and stands at that hour's middle: straight lines between middles
    pass through each mean but do not keep each hour's total exactly; before the first middle and after the
    last the value is held.

    Args:
        hours: at least two, one hour apart.
        site: where; None for a chamber with lamps, where radiation by night is no mistake.
        repeats: begin again after the last hour (with a jump) instead of refusing to say more.

    Raises:
        ValueError: an hour is impossible or missing; the message names it.
    """

    __slots__ = ("_hours", "_last", "repeats", "site", "starts_at")

    def __init__(self, hours: Sequence[WeatherHour], *, site: Site | None, repeats: bool = False) -> None:
        if len(hours) < 2:
            raise ValueError(f"weather needs at least two hours, not {len(hours)}")
        _refuse_impossible(hours, site)
        self.site = site
        self.repeats = repeats
        self.starts_at = hours[0].local_time
        self._last = len(hours) - 1
        self._hours = [
            Outdoors(h.temperature_c, h.relative_humidity, h.wind_m_per_s, h.radiation_w_per_m2)
            for h in hours
        ]

    @property
    def duration_s(self) -> float:
        return self._last * HOUR_S

    @property
    def air_pressure_kpa(self) -> float:
        return 101.3 if self.site is None else self.site.air_pressure_kpa

    def hour_of_day(self, seconds_since_start: float) -> float:
        """Local standard time as a number from 0 up to, not including, 24."""
        start = self.starts_at
        start_h = start.hour + start.minute / 60.0 + start.second / 3600.0
        return (start_h + seconds_since_start / HOUR_S) % 24.0

    def at(self, seconds_since_start: float) -> Outdoors:
        """The weather at an instant.

        Raises:
            ValueError: the instant lies outside the hours and the weather does not repeat.
        """
        if self.repeats:
            seconds_since_start %= self.duration_s
        if not 0.0 <= seconds_since_start <= self.duration_s:
            raise ValueError(
                f"weather is known from 0 to {self.duration_s:g} s, not at {seconds_since_start:g} s"
            )
        place = seconds_since_start / HOUR_S
        index = min(int(place), self._last - 1)
        along = place - index
        before, after = self._hours[index], self._hours[index + 1]
        return Outdoors(
            before[0] + along * (after[0] - before[0]),
            before[1] + along * (after[1] - before[1]),
            before[2] + along * (after[2] - before[2]),
            self._radiation_w_per_m2(min(place + MID_HOUR, self._last)),
        )

    def _radiation_w_per_m2(self, place: float) -> float:
        """Radiation at a place among the middles of the hours: place 3.0 is the middle of hour 3."""
        index = min(int(place), self._last - 1)
        before, after = self._hours[index][3], self._hours[index + 1][3]
        return before + (place - index) * (after - before)


def steady_weather(outdoors: Outdoors, *, starts_at: datetime, hours: int = 24) -> Weather:
    """Weather that does not change, for trials: a chamber with lamps, no site and no night."""
    rows = [
        WeatherHour(
            local_time=starts_at + hour * HOUR,
            temperature_c=outdoors.temperature_c,
            relative_humidity=outdoors.relative_humidity,
            wind_m_per_s=outdoors.wind_m_per_s,
            radiation_w_per_m2=outdoors.radiation_w_per_m2,
        )
        for hour in range(hours + 1)
    ]
    return Weather(rows, site=None)


def typical_year_day(
    path: Path | None = None,
    *,
    month: int,
    day: int,
    days: int = 1,
    year: int = 2025,
    repeats: bool = False,
) -> Weather:
    """Whole days, from local midnight, out of a typical year file in the TMY3 format.

    A TMY3 stamp is the end of its hour, in local standard time; temperature, humidity and wind are taken as
    of the stamp, radiation as the mean of the hour before it, placed at mid hour (see `Weather`). The year
    follows itself, so days may run over its end. `year` only dates the hours: the months of a typical year
    come from different years.

    `path` None is the Greensboro year that the package pvlib carries.

    Raises:
        ValueError: no such day, a leap year, a missing column, or an hour that cannot be true.
    """
    if isleap(year):
        raise ValueError(f"a typical year has no 29 February: date it with an ordinary year, not {year}")
    table, site, name = _read_tmy3(path, year)
    stamps = [stamp.to_pydatetime() for stamp in table.index]
    midnight = datetime(year, month, day, tzinfo=stamps[0].tzinfo)
    if midnight + HOUR not in stamps:
        raise ValueError(f"{name} has no hour that begins on {midnight:%d %B} at 00:00")
    first = stamps.index(midnight + HOUR) - 1  # -1 for New Year: the file's last row, a year earlier
    hour_at: Callable[[int], WeatherHour] = partial(_tmy3_hour, table, stamps, name)
    return Weather([hour_at(first + i) for i in range(24 * days + 1)], site=site, repeats=repeats)


def _read_tmy3(path: Path | None, year: int) -> tuple[Any, Site, str]:
    """The file's table (a pandas frame), its site and its name."""
    # Here and not above: pvlib takes seconds to import and comes with an extra of the package.
    import pvlib  # noqa: PLC0415
    from pvlib.iotools import read_tmy3  # noqa: PLC0415

    path = path or Path(pvlib.__file__).parent / "data" / TMY3_PACKAGED
    table, about = read_tmy3(str(path), coerce_year=year, map_variables=True)
    missing = [column for column in TMY3_COLUMNS if column not in table.columns]
    if missing:
        raise ValueError(f"{path.name} has no column for {', '.join(missing)}")
    site = Site(
        name=str(about["Name"]).strip('"'),
        latitude_deg=float(about["latitude"]),
        longitude_deg=float(about["longitude"]),
        elevation_m=float(about["altitude"]),
        utc_offset_h=float(about["TZ"]),
    )
    return table, site, path.name


def _tmy3_hour(table: Any, stamps: Sequence[datetime], name: str, index: int) -> WeatherHour:
    """Hour number `index` of a year that follows itself, before and after its ends."""
    years, row = divmod(index, len(stamps))
    cells = table.iloc[row]
    return WeatherHour(
        local_time=stamps[row] + timedelta(days=365 * years),
        temperature_c=float(cells["temp_air"]),
        relative_humidity=float(cells["relative_humidity"]) / 100.0,
        wind_m_per_s=float(cells["wind_speed"]),
        radiation_w_per_m2=float(cells["ghi"]),
        source=f"{name} row {row + TMY3_HEADER_ROWS + 1}",
    )


def _refuse_impossible(hours: Sequence[WeatherHour], site: Site | None) -> None:
    """Raise for the first hour with something wrong, naming its row and the reason."""
    for number, hour in enumerate(hours):
        reason = _what_is_wrong(hour, hours[number - 1] if number else None, site)
        if reason:
            raise ValueError(f"{hour.source or f'hour {number}'} ({hour.local_time:%d %B %H:%M}): {reason}")


def _what_is_wrong(hour: WeatherHour, before: WeatherHour | None, site: Site | None) -> str | None:
    if hour.local_time.utcoffset() is None:
        return "the time has no offset from UTC"
    if before is not None and hour.local_time - before.local_time != HOUR:
        return f"{hour.local_time - before.local_time} after the hour before it, not one hour"
    for name, (lowest, highest) in POSSIBLE_RANGES.items():
        value = getattr(hour, name)
        if not isfinite(value):
            return f"{name} is missing"
        if not lowest <= value <= highest:
            return f"{name} is {value:g}, possible are {lowest:g} to {highest:g}"
    if site is not None and hour.radiation_w_per_m2 > NIGHT_RADIATION_W_PER_M2 and _is_night(hour, site):
        return f"{hour.radiation_w_per_m2:g} W/m2 while the sun is down at {site.name}"
    return None


def _is_night(hour: WeatherHour, site: Site) -> bool:
    """Whether the sun stays below twilight for the whole hour that ends at the stamp."""
    moments = (hour.local_time - HOUR * part for part in (0.0, 0.5, 1.0))
    highest = max(sun_elevation_deg(moment, site.latitude_deg, site.longitude_deg) for moment in moments)
    return highest < TWILIGHT_ENDS_DEG
