"""Weather from files: as published of them, in parts, and refused where a file is none."""

from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from mistd.core.psychrometrics import dew_point_c, vapour_pressure_deficit_kpa
from simulators.plant.weather import HOUR, HOUR_S, Weather
from simulators.plant.weather_files import read_weather, weather_between
from simulators.plant.weather_rows import Column
from tests.simulators.fao_sun import sun_elevation_deg
from tests.simulators.weather_samples import (
    csv_file,
    csv_rows,
    minute_light,
    refusal,
)

GREENSBORO, SAND_POINT, MIAMI = (Path(words) for words in ("greensboro", "sand point", "miami"))
BOTH_SUNS_DEG = 1.1 + 0.7  # FAO-56's error, and how far the sun moves in a minute and a refraction


@cache
def year_of(path: Path) -> Weather:
    """One of pvlib's years; it takes a second to read, and nothing changes it."""
    return read_weather(path)


def deficits_kpa(weather: Weather) -> Column:
    """Vapour pressure deficit at each stamp of a typical year but its last, which is its first once more."""
    rows = weather.rows
    pairs = zip(rows.temperature_c[:-1].tolist(), rows.relative_humidity[:-1].tolist(), strict=True)
    return np.array([vapour_pressure_deficit_kpa(air_c, humidity) for air_c, humidity in pairs])


# --- the years pvlib carries, against what is published of them


@pytest.mark.parametrize(
    ("path", "coldest_c", "hottest_c", "driest", "windiest_m_per_s", "brightest_w_per_m2"),
    [
        (GREENSBORO, -16.7, 35.6, 0.11, 15.4, 1013.0),
        (SAND_POINT, -10.6, 19.4, 0.34, 23.7, 862.0),
        (MIAMI, 3.3, 33.9, 0.20, 13.9, None),
    ],
)
def test_the_ranges_of_a_year_are_as_listed(
    path: Path,
    coldest_c: float,
    hottest_c: float,
    driest: float,
    windiest_m_per_s: float,
    brightest_w_per_m2: float | None,
) -> None:
    """As listed with pvlib's own readers; Miami's are tenths in its file: 33 and 339, wind 139."""
    rows = year_of(path).rows

    assert (rows.temperature_c.min(), rows.temperature_c.max()) == pytest.approx((coldest_c, hottest_c))
    assert (rows.relative_humidity.min(), rows.relative_humidity.max()) == pytest.approx((driest, 1.0))
    assert (rows.wind_m_per_s.min(), rows.wind_m_per_s.max()) == pytest.approx((0.0, windiest_m_per_s))
    if brightest_w_per_m2 is not None:
        assert rows.radiation_w_per_m2.max() == brightest_w_per_m2


@pytest.mark.parametrize(
    ("path", "mean_kpa", "p99_kpa", "highest_kpa"),
    [(GREENSBORO, 0.61, 2.57, 3.65), (SAND_POINT, None, None, 1.15), (MIAMI, 0.88, 2.09, 3.13)],
)
def test_the_deficits_of_a_year_are_as_listed(
    path: Path, mean_kpa: float | None, p99_kpa: float | None, highest_kpa: float
) -> None:
    deficits = deficits_kpa(year_of(path))

    assert float(deficits.max()) == pytest.approx(highest_kpa, abs=0.005)
    if mean_kpa is not None:
        assert float(deficits.mean()) == pytest.approx(mean_kpa, abs=0.005)
        assert float(np.quantile(deficits, 0.99)) == pytest.approx(p99_kpa, abs=0.005)


def test_the_driest_hour_and_day_of_greensboro_are_in_april() -> None:
    """23 April: at 15:00 31.7 C and 22 %, 3.65 kPa; the day's mean 2.10 kPa and 25.6 MJ/m2.

    The mean is that of the stamps from 00:00 to 23:00.
    """
    weather = year_of(GREENSBORO)
    deficits = deficits_kpa(weather)
    days = deficits.reshape(365, 24).mean(axis=1)
    driest_day = (date(2025, 4, 23) - date(2025, 1, 1)).days

    hour = int(deficits.argmax())
    light = weather.rows.radiation_w_per_m2[1:].reshape(365, 24)[driest_day]

    assert weather.starts_at + hour * HOUR == datetime(2025, 4, 23, 15, tzinfo=weather.starts_at.tzinfo)
    assert weather.at(hour * HOUR_S)[:2] == pytest.approx((31.7, 0.22))
    assert int(days.argmax()) == driest_day
    assert days[driest_day] == pytest.approx(2.10, abs=0.005)
    assert light.sum() * HOUR_S / 1e6 == pytest.approx(25.6, abs=0.05)


def test_the_dew_points_of_the_first_of_july_are_as_printed() -> None:
    """15.0, 15.6, 13.3, 13.3 at 12 to 15 h; the file's humidity is in whole percent, half of one is 0.2 K."""
    weather = weather_between(None, date(2025, 7, 1), date(2025, 7, 1))

    dew_c = [dew_point_c(*weather.at(hour * HOUR_S)[:2]) for hour in (12, 13, 14, 15)]

    assert dew_c == pytest.approx([15.0, 15.6, 13.3, 13.3], abs=0.25)


@pytest.mark.parametrize(
    ("path", "name", "place", "elevation_m", "offset_h"),
    [
        (GREENSBORO, "GREENSBORO PIEDMONT TRIAD INT", (36.1, -79.95), 273.0, -5.0),
        (SAND_POINT, "SAND POINT", (55.317, -160.517), 7.0, -9.0),
        (MIAMI, "MIAMI", (25.8, -80.267), 2.0, -5.0),
    ],
)
def test_the_sites_are_as_listed(
    path: Path, name: str, place: tuple[float, float], elevation_m: float, offset_h: float
) -> None:
    site = year_of(path).site

    assert site is not None
    assert (site.name, site.elevation_m, site.utc_offset_h) == (name, elevation_m, offset_h)
    assert (site.latitude_deg, site.longitude_deg) == pytest.approx(place, abs=0.0005)


@pytest.mark.parametrize("path", [GREENSBORO, SAND_POINT, MIAMI])
def test_every_hour_of_a_year_keeps_its_mean_and_no_light_falls_by_night(path: Path) -> None:
    """Night by FAO-56's sun, which the tables are not made with."""
    weather = year_of(path)
    assert weather.site is not None
    site = weather.site

    light = minute_light(weather)

    rows = weather.rows
    assert light.mean(axis=1) == pytest.approx(rows.radiation_w_per_m2[1:], rel=1e-9, abs=1e-9)
    moments = [weather.starts_at + timedelta(minutes=minute + 0.5) for minute in range(0, light.size, 7)]
    is_night = np.array(
        [
            sun_elevation_deg(moment, site.latitude_deg, site.longitude_deg) < -2.0 - BOTH_SUNS_DEG
            for moment in moments
        ]
    )
    assert is_night.mean() > 0.35
    assert light.reshape(-1)[::7][is_night].max() == 0.0
    assert light.max() < 1.25 * rows.radiation_w_per_m2.max()


@pytest.mark.parametrize("path", [GREENSBORO, SAND_POINT, MIAMI])
def test_nothing_had_to_be_repaired_in_a_published_year(path: Path) -> None:
    assert year_of(path).notes == ()


def test_air_is_never_wetter_than_saturated() -> None:
    weather = year_of(GREENSBORO)

    humidities = [weather.at(600.0 * number).relative_humidity for number in range(365 * 144)]

    assert 0.1 < min(humidities) < 0.12
    assert max(humidities) == 1.0


def test_the_same_file_gives_the_same_bytes() -> None:
    first, second = read_weather(None), read_weather(None)

    moments = [float(s) for s in range(0, 365 * 86_400, 9973)]

    assert [first.at(s) for s in moments] == [second.at(s) for s in moments]


def test_cloud_guessed_from_the_light_is_near_what_was_observed() -> None:
    """Greensboro without its cloud column: the sky's cold within 1.5 K, in the mean of the year."""
    from dataclasses import replace  # noqa: PLC0415

    observed = year_of(GREENSBORO)
    blind = Weather.of_rows(replace(observed.rows, cloud_fraction=np.full(len(observed.rows), np.nan)))

    def mean_c(weather: Weather) -> float:
        return float(np.mean([weather.at(hour * HOUR_S).sky_below_air_c for hour in range(8760)]))

    assert mean_c(blind) == pytest.approx(mean_c(observed), abs=1.5)
    assert 8.0 < mean_c(observed) < 13.0


# --- parts of a year


def test_part_of_a_typical_year_may_run_over_new_year() -> None:
    weather = weather_between(None, date(2025, 12, 31), date(2026, 1, 1))
    new_year = weather_between(None, date(2026, 1, 1), date(2026, 1, 1))

    assert weather.duration_s == 2 * 86_400.0
    assert weather.starts_at.isoformat() == "2025-12-31T00:00:00-05:00"
    assert weather.at(30 * HOUR_S)[:4] == new_year.at(6 * HOUR_S)[:4]


def test_part_of_a_year_is_as_in_the_year() -> None:
    year = read_weather(MIAMI, year=2023)

    day = weather_between(year, date(2023, 6, 5), date(2023, 6, 7))

    begins_s = (day.starts_at - year.starts_at).total_seconds()
    assert begins_s == 155 * 86_400.0
    assert day.duration_s == 3 * 86_400.0
    for s in (0.0, 12_345.6, 3 * 86_400.0):
        assert day.at(s)[:3] == pytest.approx(year.at(begins_s + s)[:3], rel=1e-9)


def test_dates_that_a_typical_year_has_not_are_refused() -> None:
    year = year_of(GREENSBORO)

    with pytest.raises(ValueError, match="no 29 February, so none in 2028"):
        weather_between(year, date(2028, 2, 27), date(2028, 3, 1))
    with pytest.raises(ValueError, match="the last day lies before the first"):
        weather_between(year, date(2025, 3, 2), date(2025, 3, 1))


def test_part_of_a_file_that_is_no_year_lies_within_it(tmp_path: Path) -> None:
    path = csv_file(tmp_path, csv_rows(days=3))

    assert weather_between(path, date(2025, 6, 2), date(2025, 6, 2)).duration_s == 86_400.0
    with pytest.raises(
        ValueError, match="there is weather from 01 June 2025 00:00 to 04 June 2025 00:00, not"
    ):
        weather_between(path, date(2025, 6, 3), date(2025, 6, 4))


def test_a_year_may_be_dated_and_begin_again() -> None:
    weather = read_weather(None, year=2023, repeats=True)

    assert weather.starts_at.isoformat() == "2023-01-01T00:00:00-05:00"
    assert weather.at(365 * 86_400.0 + 1800.0) == weather.at(1800.0)


# --- files that are none


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "odd.csv is empty"),
        (b" \n\n", "odd.csv is empty"),
        (b"\x89PNG\r\n\x1a\n\0\0", "not text, but binary"),
        (b"time, temperature_c\n2025-06-01,\xfc\n", "odd.csv row 2: byte 0xfc is not UTF-8"),
        (b"Dear Sir,\nit was a cold spring.\n", "odd.csv is no weather file we know"),
        (b"# only a comment\n", "odd.csv is no weather file we know"),
    ],
)
def test_what_is_no_weather_file_is_refused(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "odd.csv"
    path.write_bytes(content)

    assert message in refusal(path).problems[0]


def test_a_directory_and_a_file_that_is_not_there_are_refused(tmp_path: Path) -> None:
    assert refusal(tmp_path).problems == (f"{tmp_path.name} is a directory, not a weather file",)
    assert "cannot be read: No such file" in refusal(tmp_path / "none.csv").problems[0]
