"""The sun's times against NREL's algorithm, and the almanac made of them: no gap, no repeat, all the year."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from pvlib.solarposition import spa_python, sun_rise_set_transit_spa

from mistd.app.sun import (
    UNTRUSTED_LOOK_S,
    NoSunriseError,
    Place,
    SunDay,
    almanac_at,
    dates_of_year,
    sun_day,
    uncertain_almanac,
)
from mistd.core.almanac import Almanac, DayPart

WITHIN_S = 120.0  # what is asked of our sun, beside NREL's
SUN_ON_THE_HORIZON_DEG = -0.8333  # its upper edge, lifted by 34' of refraction
S_PER_DAY = 86_400.0


def place_at(
    latitude: float,
    longitude: float,
    time_zone: str,
    *,
    dawn_min: float = -30.0,
    day_min: float = 90.0,
    dusk_min: float = -90.0,
    night_min: float = 30.0,
) -> Place:
    return Place(
        latitude=latitude,
        longitude=longitude,
        time_zone=ZoneInfo(time_zone),
        dawn_begins_s=dawn_min * 60.0,
        day_begins_s=day_min * 60.0,
        dusk_begins_s=dusk_min * 60.0,
        night_begins_s=night_min * 60.0,
    )


PLACES = {
    "equator": place_at(-0.2, -78.5, "America/Guayaquil"),
    "greensboro": place_at(36.1, -79.95, "America/New_York"),
    "scheldt": place_at(50.35, 3.52, "Europe/Brussels"),
    "cape": place_at(-33.9, 18.4, "Africa/Johannesburg"),
    "far_north": place_at(63.4, 10.4, "Europe/Oslo"),
    "sunset_after_midnight": place_at(64.15, -21.94, "Atlantic/Reykjavik"),
}
BY_THE_DATE_LINE = {
    "hobart": place_at(-42.9, 147.3, "Australia/Hobart"),
    "auckland": place_at(-36.85, 174.76, "Pacific/Auckland"),
    "fiji_west": place_at(-16.8, 179.99, "Pacific/Fiji"),
    "fiji_east": place_at(-16.8, -179.99, "Pacific/Fiji"),
    "a_day_ahead_of_the_sun": place_at(1.87, -157.4, "Pacific/Kiritimati"),
    "adak": place_at(51.88, -176.65, "America/Adak"),
}
EVERYWHERE = {
    **PLACES,
    **BY_THE_DATE_LINE,
    "half_hours": place_at(-31.6, 159.1, "Australia/Lord_Howe"),  # summer time of half an hour
    "midnight_summer_time": place_at(23.1, -82.4, "America/Havana"),  # its clocks change at midnight
    "last_hour_twice": place_at(-33.4, -70.7, "America/Santiago"),  # 24:00 goes back to 23:00
}
A_YEAR_EACH = [
    "greensboro",
    "sunset_after_midnight",
    "auckland",
    "a_day_ahead_of_the_sun",
    "half_hours",
    "midnight_summer_time",
    "last_hour_twice",
]
DATES = [date(2026, 3, 20), date(2026, 6, 21), date(2026, 9, 23), date(2026, 12, 21)]


# --- against NREL's solar position algorithm


@pytest.mark.parametrize("day", DATES, ids=str)
@pytest.mark.parametrize("name", PLACES)
def test_the_sun_rises_and_sets_when_nrels_algorithm_says(name: str, day: date) -> None:
    place = PLACES[name]
    midnight = pd.DatetimeIndex([datetime(day.year, day.month, day.day, tzinfo=place.time_zone)])
    nrel = sun_rise_set_transit_spa(midnight, place.latitude, place.longitude).iloc[0]

    ours = sun_day(place, day)

    assert abs((ours.sunrise - nrel["sunrise"]).total_seconds()) <= WITHIN_S
    assert abs((ours.sunset - nrel["sunset"]).total_seconds()) <= WITHIN_S


@pytest.mark.parametrize("day", DATES, ids=str)
@pytest.mark.parametrize("name", BY_THE_DATE_LINE)
def test_by_the_date_line_the_sun_stands_on_the_horizon_when_we_say_so(name: str, day: date) -> None:
    """pvlib's table of risings takes the sun of another day there; its position of the sun does not."""
    place = BY_THE_DATE_LINE[name]
    ours = sun_day(place, day)

    for edge in (ours.sunrise, ours.sunset):
        around = pd.DatetimeIndex([edge - timedelta(seconds=WITHIN_S), edge + timedelta(seconds=WITHIN_S)])
        before_deg, after_deg = spa_python(around, place.latitude, place.longitude)["elevation"]
        assert min(before_deg, after_deg) <= SUN_ON_THE_HORIZON_DEG <= max(before_deg, after_deg)


@pytest.mark.parametrize("name", EVERYWHERE)
def test_the_sun_of_a_date_is_up_at_that_dates_noon(name: str) -> None:
    place = EVERYWHERE[name]

    for day in dates_of_year(2026):
        sun = sun_day(place, day)
        assert sun.sunrise < datetime(day.year, day.month, day.day, 12, tzinfo=place.time_zone) < sun.sunset


@pytest.mark.parametrize("name", EVERYWHERE)
def test_day_follows_day_all_year_with_its_parts_in_order(name: str) -> None:
    place = EVERYWHERE[name]

    for today, tomorrow in pairwise(sun_day(place, day) for day in dates_of_year(2026)):
        assert today.is_in_order(tomorrow)
        later_by = tomorrow.sunrise.astimezone(UTC) - today.sunrise.astimezone(UTC)
        assert timedelta(hours=23.9) < later_by < timedelta(hours=24.1)


@pytest.mark.parametrize("day", [date(2026, 6, 21), date(2026, 12, 21)], ids=str)
def test_a_polar_day_and_a_polar_night_are_told(day: date) -> None:
    with pytest.raises(NoSunriseError, match=day.isoformat()):
        sun_day(place_at(69.65, 18.96, "Europe/Oslo"), day)


def test_parts_that_would_overlap_the_next_dawn_are_out_of_order() -> None:
    place = place_at(58.0, 12.0, "Europe/Stockholm", dawn_min=-180, night_min=180)

    def is_in_order(day: date) -> bool:
        return sun_day(place, day).is_in_order(sun_day(place, day + timedelta(days=1)))

    assert is_in_order(date(2026, 12, 21))
    assert not is_in_order(date(2026, 6, 21))


def test_summer_time_that_begins_between_sunrise_and_a_part_does_not_move_the_part() -> None:
    """Seconds after sunrise are seconds that pass, whatever the clocks on the wall do meanwhile."""
    place = place_at(64.2, -51.7, "America/Nuuk", night_min=180)  # 22:00 becomes 23:00 on 28 March
    sun = sun_day(place, date(2026, 3, 28))
    (night_begins,) = [begins for begins, part in sun.begins if part is DayPart.NIGHT]

    assert sun.sunset.utcoffset() != night_begins.utcoffset()
    assert night_begins.astimezone(UTC) - sun.sunset.astimezone(UTC) == timedelta(minutes=180)


# --- the almanac at an instant

SCHELDT = PLACES["scheldt"]
MIDSUMMER = date(2026, 6, 21)
NOW_S = 1_000_000.0


def at(moment: datetime, place: Place = SCHELDT) -> Almanac:
    return almanac_at(place, moment.astimezone(UTC), NOW_S)


def edges(sun: SunDay) -> Iterator[tuple[datetime, DayPart, DayPart]]:
    """Where each part of a day begins, with the part before."""
    before = DayPart.NIGHT
    for begins, part in sun.begins:
        yield begins, before, part
        before = part


@pytest.mark.parametrize("day", [*DATES, date(2026, 3, 29), date(2026, 10, 25)], ids=str)
def test_a_part_begins_exactly_at_its_edge(day: date) -> None:
    tick = timedelta(microseconds=1)

    for begins, before, part in edges(sun_day(SCHELDT, day)):
        assert at(begins - tick).part is before
        assert at(begins).part is part
        assert at(begins + tick).part is part


def test_a_part_ends_where_the_next_begins_or_sooner_at_a_sun_edge_or_midnight() -> None:
    """Soon after each part's beginning the almanac holds until whichever of these comes first."""
    sun = sun_day(SCHELDT, MIDSUMMER)
    (dawn, _), (day, _), (dusk, _), (night, _) = sun.begins
    midnight = datetime(2026, 6, 22, tzinfo=SCHELDT.time_zone)
    expected = {dawn: sun.sunrise, sun.sunrise: day, day: dusk, dusk: sun.sunset, sun.sunset: night}
    expected |= {night: midnight}

    for begins, ends in expected.items():
        almanac = at(begins)
        assert almanac.ends_s - NOW_S == pytest.approx((ends - begins).total_seconds(), abs=1e-3)


def test_it_is_light_from_sunrise_to_sunset() -> None:
    sun = sun_day(SCHELDT, MIDSUMMER)
    tick = timedelta(microseconds=1)

    assert not at(sun.sunrise - tick).is_light
    assert at(sun.sunrise).is_light
    assert at(sun.sunset - tick).is_light
    assert not at(sun.sunset).is_light


@pytest.mark.parametrize("day", DATES, ids=str)
def test_midnight_changes_the_date_and_not_the_part(day: date) -> None:
    midnight = datetime(day.year, day.month, day.day, tzinfo=SCHELDT.time_zone)

    before, after = at(midnight - timedelta(seconds=1)), at(midnight)

    assert before.local_date == day - timedelta(days=1)
    assert before.ends_s == pytest.approx(NOW_S + 1.0)
    assert after.local_date == day
    assert before.part is after.part is DayPart.NIGHT


def test_the_night_after_midnight_belongs_to_the_evening_before() -> None:
    """In the far north the night of the 20th begins on the 21st, by the clock."""
    place = EVERYWHERE["sunset_after_midnight"]
    sun = sun_day(place, date(2026, 6, 20))
    (night_begins,) = [begins for begins, part in sun.begins if part is DayPart.NIGHT]

    almanac = at(night_begins, place)

    assert night_begins.date() == date(2026, 6, 21)
    assert (almanac.part, almanac.local_date) == (DayPart.NIGHT, date(2026, 6, 21))


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 6, 21), 24)], ids=str
)
def test_a_day_on_which_the_clocks_change_is_walked_through_once(day: date, hours: int) -> None:
    midnight = datetime(day.year, day.month, day.day, tzinfo=SCHELDT.time_zone).astimezone(UTC)

    walked = [almanac for _, almanac in walk(SCHELDT, midnight, hours * 3600.0 - 1.0)]

    assert {almanac.local_date for almanac in walked} == {day}
    assert parts_in(walked) == [DayPart.NIGHT, DayPart.DAWN, DayPart.DAY, DayPart.DUSK, DayPart.NIGHT]


@pytest.mark.parametrize("name", A_YEAR_EACH)
def test_a_year_is_walked_through_part_by_part_without_gap_or_repeat(name: str) -> None:
    place = EVERYWHERE[name]
    new_year = datetime(2026, 1, 1, tzinfo=place.time_zone).astimezone(UTC)

    walked = list(walk(place, new_year, 365 * S_PER_DAY - 1.0))

    dates = [almanac.local_date for _, almanac in walked]
    assert list(dict.fromkeys(dates)) == list(dates_of_year(2026))
    assert dates == sorted(dates)
    cycle = [DayPart.NIGHT, DayPart.DAWN, DayPart.DAY, DayPart.DUSK]
    parts = parts_in([almanac for _, almanac in walked])
    begun_at = cycle.index(parts[0])  # where midnight by the clock is not night, it begins with another
    assert parts == [cycle[(begun_at + number) % 4] for number in range(len(parts))]
    assert 4 * 364 <= len(parts) <= 4 * 365 + 1


@pytest.mark.parametrize("name", A_YEAR_EACH)
def test_the_end_of_an_almanac_is_never_in_the_past(name: str) -> None:
    place = EVERYWHERE[name]
    begins = datetime(2026, 1, 1, tzinfo=UTC)

    for number in range(350):  # every 25 hours and 7 seconds: all hours of the day, all year
        utc = begins + number * timedelta(hours=25, seconds=7)
        almanac = almanac_at(place, utc, NOW_S)
        assert NOW_S < almanac.ends_s <= NOW_S + S_PER_DAY
        assert almanac.is_trusted


def walk(place: Place, begins: datetime, for_s: float) -> Iterator[tuple[float, Almanac]]:
    """Almanac after almanac, each made when the one before it ends."""
    now_s = 0.0
    while now_s < for_s:
        almanac = almanac_at(place, begins + timedelta(seconds=now_s), now_s)
        yield now_s, almanac
        assert almanac.ends_s > now_s
        now_s = almanac.ends_s


def parts_in(almanacs: list[Almanac]) -> list[DayPart]:
    """The parts in their order, each once for as long as it goes on."""
    parts = [almanac.part for almanac in almanacs]
    return [parts[0], *(after for before, after in pairwise(parts) if after is not before)]


# --- while the clock is not trusted

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("is_light", "part", "counts_as_light"),
    [(True, DayPart.DAY, True), (False, DayPart.NIGHT, False), (None, DayPart.DAY, True)],
)
def test_without_a_trusted_clock_the_light_tells_the_part_and_none_says_day(
    is_light: bool | None, part: DayPart, counts_as_light: bool
) -> None:
    almanac = uncertain_almanac(SCHELDT, NOON, NOW_S, is_light=is_light)

    assert (almanac.part, almanac.is_light) == (part, counts_as_light)
    assert not almanac.is_trusted
    assert almanac.ends_s == NOW_S + UNTRUSTED_LOOK_S


def test_an_uncertain_almanac_needs_no_sunrise_and_takes_the_date_as_told() -> None:
    polar = place_at(69.65, 18.96, "Europe/Oslo")
    late = datetime(2026, 6, 20, 22, 30, tzinfo=UTC)

    assert uncertain_almanac(polar, late, NOW_S, is_light=True).local_date == date(2026, 6, 21)


def test_a_year_has_all_its_dates() -> None:
    assert len(list(dates_of_year(2026))) == 365
    assert len(list(dates_of_year(2028))) == 366


@pytest.mark.parametrize(
    ("name", "at", "hours_old"),
    [
        ("scheldt", datetime(2026, 3, 29, 10, tzinfo=UTC), 11.0),  # noon; an hour was left out
        ("scheldt", datetime(2026, 10, 25, 11, tzinfo=UTC), 13.0),  # noon; an hour came twice
        ("half_hours", datetime(2026, 10, 4, 1, tzinfo=UTC), 11.5),
        ("midnight_summer_time", datetime(2026, 3, 8, 16, tzinfo=UTC), 11.0),  # that day began at 1:00
        ("midnight_summer_time", datetime(2026, 11, 1, 17, tzinfo=UTC), 13.0),  # that day had two midnights
        ("last_hour_twice", datetime(2026, 4, 5, 3, 30, tzinfo=UTC), 24.5),  # the second half past eleven
    ],
)
@pytest.mark.parametrize("is_trusted", [True, False])
def test_an_almanac_says_when_its_day_began(
    name: str, at: datetime, hours_old: float, is_trusted: bool
) -> None:
    place = EVERYWHERE[name]

    trusted, uncertain = almanac_at(place, at, 1000.0), uncertain_almanac(place, at, 1000.0, is_light=None)

    assert (trusted if is_trusted else uncertain).day_began_s == pytest.approx(1000.0 - hours_old * 3600.0)


@pytest.mark.parametrize("longitude", range(-180, 181, 15))
def test_the_sun_rises_and_sets_a_day_later_on_every_date_of_the_year(longitude: int) -> None:
    """East of the Gulf a rising passes midnight in UTC once a year; that date has the sun all the same."""
    place = Place(
        latitude=45.0,
        longitude=float(longitude),
        time_zone=timezone(timedelta(hours=longitude / 15.0)),
        dawn_begins_s=-1800.0,
        day_begins_s=5400.0,
        dusk_begins_s=-5400.0,
        night_begins_s=1800.0,
    )

    days = [sun_day(place, day) for day in dates_of_year(2026)]

    for before, after in pairwise(days):
        assert abs((after.sunrise - before.sunrise) - timedelta(days=1)) < timedelta(minutes=5)
        assert abs((after.sunset - before.sunset) - timedelta(days=1)) < timedelta(minutes=5)
