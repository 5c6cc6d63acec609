"""The sun at the house: when it rises and sets, and which part of the day that makes.

The one place that knows astral and the calendar. It gives the core an almanac whose instants are monotonic
seconds, so that the core never sees a date rule or a time zone.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from itertools import pairwise

from astral import Observer, SunDirection
from astral.sun import SUN_APPARENT_RADIUS, time_of_transit

from mistd.core.almanac import Almanac, DayPart

UNTRUSTED_LOOK_S = 60.0  # while the clock is not trusted the almanac is made anew this often
A_DAY = timedelta(days=1)
HALF_A_DAY = timedelta(hours=13)  # from the clock's noon: the sun's own may be a quarter of an hour off
DEGREES_PER_HOUR = 15.0  # that the sun goes round


class NoSunriseError(ValueError):
    """The sun does not rise or does not set on this day at this place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the house stands, and where its day parts begin, in seconds from the sun's own times."""

    latitude: float
    longitude: float
    time_zone: tzinfo
    dawn_begins_s: float  # from sunrise
    day_begins_s: float  # from sunrise
    dusk_begins_s: float  # from sunset
    night_begins_s: float  # from sunset


@dataclass(frozen=True, slots=True, kw_only=True)
class SunDay:
    """One day of the sun at the house: its times and the beginnings of its parts, aware."""

    sunrise: datetime
    sunset: datetime
    begins: tuple[tuple[datetime, DayPart], ...]

    def is_in_order(self, tomorrow: "SunDay") -> bool:
        """Whether dawn, day, dusk, night and the next dawn follow each other."""
        instants = [begins for begins, _ in (*self.begins, tomorrow.begins[0])]
        return all(earlier < later for earlier, later in pairwise(instants))


def sun_day(place: Place, day: date) -> SunDay:
    """The sun's times on a local date: the upper edge of the sun at a sea-level horizon.

    Reckoned in the sun's own hours, from the sunrise before to the sunset after the noon of that date: by
    those of the land a sunset may come after midnight, and then there is a date in the year without one.

    Raises:
        NoSunriseError: a polar day or night, or one so short that it is as good as none.
    """
    sun_time = timezone(timedelta(hours=place.longitude / DEGREES_PER_HOUR))
    sun_date = datetime.combine(day, time(12), place.time_zone).astimezone(sun_time).date()
    noon = datetime.combine(sun_date, time(12), sun_time).astimezone(UTC)
    sunrise = _crossing(place, noon - HALF_A_DAY, noon, SunDirection.RISING)
    sunset = _crossing(place, noon, noon + HALF_A_DAY, SunDirection.SETTING)
    if sunrise is None or sunset is None:
        raise NoSunriseError(f"{day.isoformat()}: the sun does not rise and set that day at this latitude")
    begins = (
        (sunrise + timedelta(seconds=place.dawn_begins_s), DayPart.DAWN),
        (sunrise + timedelta(seconds=place.day_begins_s), DayPart.DAY),
        (sunset + timedelta(seconds=place.dusk_begins_s), DayPart.DUSK),
        (sunset + timedelta(seconds=place.night_begins_s), DayPart.NIGHT),
    )
    zone = place.time_zone
    return SunDay(
        sunrise=sunrise.astimezone(zone),
        sunset=sunset.astimezone(zone),
        begins=tuple((at.astimezone(zone), part) for at, part in begins),
    )


def _crossing(place: Place, earliest: datetime, latest: datetime, way: SunDirection) -> datetime | None:
    """When the sun's upper edge crosses the horizon between two instants some half a day apart, in UTC.

    astral reckons an hour for each date in UTC and puts it on that date. As the year goes on a rising wanders
    over a midnight in UTC, and of that one day astral knows none: it gets the hour of the day beside it,
    which is a minute or two off, at 60 degrees four.
    """
    observer = Observer(latitude=place.latitude, longitude=place.longitude)
    found = list[datetime]()
    for shift in (-1, 0, 1):
        day = earliest.date() + timedelta(days=shift)
        try:
            found.append(time_of_transit(observer, day, 90.0 + SUN_APPARENT_RADIUS, way))
        except ValueError:  # it does not, on this one
            continue
    beside = [at + sign * A_DAY for at in found for sign in (-1, 1)]
    return next((at for at in (*found, *beside) if earliest <= at <= latest), None)


def almanac_at(place: Place, utc: datetime, now_s: float) -> Almanac:
    """The part of the day it is, by a trusted clock.

    Args:
        place: where the house stands.
        utc: aware wall time now.
        now_s: the same instant on the monotonic clock.

    Raises:
        NoSunriseError: the sun does not rise on a day around this one.
    """
    local_date = utc.astimezone(place.time_zone).date()
    days = [sun_day(place, local_date + timedelta(days=shift)) for shift in (-1, 0, 1)]
    begins = [each for day in days for each in day.begins]
    part = max((each for each in begins if each[0] <= utc), key=lambda each: each[0])[1]
    next_begins = min(each[0] for each in begins if each[0] > utc)
    sun_edges = [edge for day in days for edge in (day.sunrise, day.sunset) if edge > utc]
    ends = min(next_begins, _midnight(place, local_date + timedelta(days=1)), *sun_edges)
    return Almanac(
        part=part,
        ends_s=now_s + (ends - utc).total_seconds(),
        local_date=local_date,
        day_began_s=now_s + (_midnight(place, local_date) - utc).total_seconds(),
        is_light=any(day.sunrise <= utc < day.sunset for day in days),
        is_trusted=True,
    )


def uncertain_almanac(place: Place, utc: datetime, now_s: float, *, is_light: bool | None) -> Almanac:
    """The part of the day while the clock is not trusted: by the light, else the cycle that is safe by day.

    Args:
        place: where the house stands.
        utc: what the clock says, for the date and its midnight only.
        now_s: monotonic seconds.
        is_light: by the light reading; None without a trusted one.
    """
    part = DayPart.NIGHT if is_light is False else DayPart.DAY
    local_date = utc.astimezone(place.time_zone).date()
    return Almanac(
        part=part,
        ends_s=now_s + UNTRUSTED_LOOK_S,
        local_date=local_date,
        day_began_s=now_s + (_midnight(place, local_date) - utc).total_seconds(),
        is_light=is_light is not False,
        is_trusted=False,
    )


def _midnight(place: Place, day: date) -> datetime:
    """The first instant of a local date, in UTC: the first 0:00 of two, 1:00 where 0:00 is left out."""
    return datetime.combine(day, time(), place.time_zone).astimezone(UTC)


def dates_of_year(year: int) -> Iterator[date]:
    """Every date of a year."""
    day = date(year, 1, 1)
    while day.year == year:
        yield day
        day += timedelta(days=1)
