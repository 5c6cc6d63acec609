"""The weather outside the house, at any instant: rows of a station or made up, and what lies between them.

It answers for refusing what cannot be true (gaps, missing values, wrong units, sun at night), with row and
reason. It knows nothing of the house, and files it knows only through their rows. Nothing is ever repaired or
made up in silence: what was put right stands in `Weather.notes`.
"""

from array import array
from calendar import isleap
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from simulators.plant.weather_checks import row_problems, time_problems
from simulators.plant.weather_formats import typical_year_file
from simulators.plant.weather_repairs import with_dark_nights
from simulators.plant.weather_rows import (
    HOUR,
    HOUR_S,
    Outdoors,
    Site,
    WeatherFileError,
    WeatherHour,
    WeatherRows,
    rows_of_hours,
)
from simulators.plant.weather_tables import tables

__all__ = [
    "HOUR",
    "HOUR_S",
    "Outdoors",
    "Site",
    "Weather",
    "WeatherFileError",
    "WeatherHour",
    "steady_weather",
    "typical_year_day",
]

SEA_LEVEL_KPA = 101.3  # FAO-56


class Weather:
    """Rows at an even step, with what lies between them worked out when they are taken in.

    Second 0 is the stamp of the first row. Temperature, dew point and wind run straight from stamp to stamp;
    the radiation of a row is the mean of the step before its stamp, spread over that step by the sun's
    height, mean kept, and nought with the sun down (`weather_tables` has the rules). Between the points of
    the tables, a minute or less apart, lie straight lines; light stands still for that long.

    Args:
        hours: at least two, one step apart.
        site: where; None for a chamber with lamps, where radiation by night is no mistake and the sky nought.
        repeats: begin again after the last hour (with a jump) instead of refusing to say more.
        step: from row to row, at most an hour.
        notes: what was repaired before the rows came here.

    Raises:
        WeatherFileError: rows are impossible or missing; the message names them.
    """

    __slots__ = (
        "_duration_s",
        "_humidity",
        "_last_point",
        "_light",
        "_point_s",
        "_sky",
        "_start_h",
        "_temperature",
        "_wind",
        "notes",
        "repeats",
        "rows",
    )

    def __init__(
        self,
        hours: Sequence[WeatherHour],
        *,
        site: Site | None,
        repeats: bool = False,
        step: timedelta = HOUR,
        notes: Sequence[str] = (),
    ) -> None:
        if len(hours) < 2:
            raise WeatherFileError([f"weather needs at least two hours, not {len(hours)}"])
        problems = time_problems(hours, step)
        if problems:
            raise WeatherFileError(problems)
        self._take(rows_of_hours(hours, site, step), repeats, notes)

    @classmethod
    def of_rows(cls, rows: WeatherRows, *, repeats: bool = False, notes: Sequence[str] = ()) -> "Weather":
        """Weather of rows already in columns.

        Raises:
            WeatherFileError: as above.
        """
        weather = cls.__new__(cls)
        weather._take(rows, repeats, notes)
        return weather

    def _take(self, rows: WeatherRows, repeats: bool, notes: Sequence[str]) -> None:
        """Check the rows, then lay out the tables that `at` reads: arrays, as the quickest to look up in."""
        if len(rows) < 2:
            raise WeatherFileError([f"weather needs at least two rows, not {len(rows)}"])
        sines = None if rows.site is None else rows.sines()
        problems = row_problems(rows, sines)
        if problems:
            raise WeatherFileError(problems)
        dark = list(notes)
        self.rows = rows if sines is None else with_dark_nights(rows, sines, dark)
        self.repeats = repeats
        self.notes = tuple(dark)
        self._duration_s = (len(rows) - 1) * rows.step_s
        self._point_s = rows.step_s / rows.points_per_row
        self._last_point = (len(rows) - 1) * rows.points_per_row
        start = rows.starts_at
        self._start_h = start.hour + start.minute / 60.0 + start.second / HOUR_S
        columns = [array("d", column.tobytes()) for column in tables(self.rows, sines)]
        self._temperature, self._humidity, self._wind, self._light, self._sky = columns

    @property
    def site(self) -> Site | None:
        return self.rows.site

    @property
    def starts_at(self) -> datetime:
        return self.rows.starts_at

    @property
    def duration_s(self) -> float:
        return self._duration_s

    @property
    def air_pressure_kpa(self) -> float:
        return SEA_LEVEL_KPA if self.site is None else self.site.air_pressure_kpa

    def hour_of_day(self, seconds_since_start: float) -> float:
        """Local standard time as a number from 0 up to, not including, 24."""
        return (self._start_h + seconds_since_start / HOUR_S) % 24.0

    def at(self, seconds_since_start: float) -> Outdoors:
        """The weather at an instant.

        Raises:
            ValueError: the instant lies outside the rows and the weather does not repeat.
        """
        if self.repeats:
            seconds_since_start %= self._duration_s
        if not 0.0 <= seconds_since_start <= self._duration_s:
            raise ValueError(
                f"weather is known from 0 to {self._duration_s:g} s, not at {seconds_since_start:g} s"
            )
        place = seconds_since_start / self._point_s
        index = int(place)
        if index == self._last_point:
            index -= 1
        along = place - index
        temperature, humidity, wind, sky = self._temperature, self._humidity, self._wind, self._sky
        following = index + 1
        before_c, wet, blowing, cold_c = temperature[index], humidity[index], wind[index], sky[index]
        return Outdoors(
            before_c + along * (temperature[following] - before_c),
            wet + along * (humidity[following] - wet),
            blowing + along * (wind[following] - blowing),
            self._light[index],
            cold_c + along * (sky[following] - cold_c),
        )


def steady_weather(outdoors: Outdoors, *, starts_at: datetime, hours: int = 24) -> Weather:
    """Weather that does not change, for trials: a chamber with lamps, no site and no night."""
    rows = [
        WeatherHour(
            local_time=starts_at + hour * HOUR,
            temperature_c=outdoors.temperature_c,
            relative_humidity=outdoors.relative_humidity,
            wind_m_per_s=outdoors.wind_m_per_s,
            radiation_w_per_m2=outdoors.radiation_w_per_m2,
            sky_below_air_c=outdoors.sky_below_air_c,
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
    """Whole days, from local midnight, out of a typical year's file (TMY3, TMY2 or EPW).

    A stamp is the end of its hour, in local standard time; temperature, humidity and wind are taken as of the
    stamp, radiation as the mean of the hour before it. The year follows itself, so days may run over its end.
    `year` only dates the hours: the months of a typical year come from different years. Only the days asked
    for are judged, strictly: nothing is filled (`weather_files.read_weather` repairs small faults and says
    so).

    `path` None is the Greensboro year that the package pvlib carries.

    Raises:
        ValueError: no such day, a leap year, a missing column, or an hour that cannot be true.
    """
    if isleap(year):
        raise ValueError(f"a typical year has no 29 February: date it with an ordinary year, not {year}")
    file = typical_year_file(path, year=year)
    stamps = file.stamps
    midnight = datetime(year, month, day, tzinfo=stamps[0].tzinfo)
    if midnight + HOUR not in stamps:
        raise ValueError(f"{file.name} has no hour that begins on {midnight:%d %B} at 00:00")
    first = stamps.index(midnight + HOUR) - 1  # -1 for New Year: the file's last row, a year earlier
    hours = [file.hour(first + number) for number in range(24 * days + 1)]
    return Weather(hours, site=file.site, repeats=repeats)
