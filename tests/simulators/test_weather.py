"""Weather files read as they mean it, and refused when they cannot be true."""

import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from simulators.plant.sky import (
    seasonal_correction_h,
    solar_time_angle_rad,
    sun_declination_rad,
    sun_elevation_deg,
)
from simulators.plant.weather import (
    HOUR,
    HOUR_S,
    Outdoors,
    Site,
    Weather,
    WeatherHour,
    steady_weather,
    typical_year_day,
)

EASTERN = timezone(timedelta(hours=-5))
MIDNIGHT = datetime(2025, 6, 30, tzinfo=EASTERN)
GREENSBORO = Site(
    name="Greensboro", latitude_deg=36.1, longitude_deg=-79.95, elevation_m=273.0, utc_offset_h=-5.0
)


def hour_at(hour: int, **changed: object) -> WeatherHour:
    """A mild row `hour` hours after midnight of a June day, with what a test wants different."""
    row: dict[str, object] = {
        "local_time": MIDNIGHT + hour * HOUR,
        "temperature_c": 20.0 + hour,
        "relative_humidity": 0.5,
        "wind_m_per_s": 2.0,
        "radiation_w_per_m2": 0.0,
    }
    return WeatherHour(**(row | changed))  # type: ignore[arg-type]


def packaged(name: str) -> Path:
    import pvlib  # noqa: PLC0415

    return Path(pvlib.__file__).parent / "data" / name


# --- the sun


def test_the_sun_stands_where_fao_56_example_19_puts_it() -> None:
    """N'Diaye, 1 October (J = 274), hour centred on 14:30: declination, correction and angle as printed."""
    local_time = datetime(2025, 10, 1, 14, 30, tzinfo=timezone(timedelta(hours=-1)))

    angle_rad = solar_time_angle_rad(local_time, longitude_deg=-16.25)

    assert sun_declination_rad(274) == pytest.approx(-0.0753, abs=0.00005)
    assert seasonal_correction_h(274) == pytest.approx(0.1889, abs=0.00005)
    assert angle_rad == pytest.approx(0.682, abs=0.0005)


def test_declination_of_fao_56_example_8() -> None:
    assert sun_declination_rad(246) == pytest.approx(0.120, abs=0.0005)


def test_the_sun_is_up_at_noon_and_down_at_midnight() -> None:
    noon = MIDNIGHT + 12 * HOUR

    assert sun_elevation_deg(noon, 36.1, -79.95) > 70.0
    assert sun_elevation_deg(MIDNIGHT, 36.1, -79.95) < -20.0


def test_a_time_without_an_offset_has_no_sun() -> None:
    with pytest.raises(ValueError, match="offset from UTC"):
        solar_time_angle_rad(datetime(2025, 6, 1, 12, 0), 0.0)


# --- between hours


def test_temperature_humidity_and_wind_run_straight_from_stamp_to_stamp() -> None:
    weather = Weather([hour_at(0), hour_at(1, relative_humidity=0.7, wind_m_per_s=4.0)], site=None)

    outdoors = weather.at(0.25 * HOUR_S)

    assert outdoors[:3] == pytest.approx((20.25, 0.55, 2.5))


def test_radiation_stands_at_the_middle_of_the_hour_before_its_stamp() -> None:
    rows = [hour_at(hour, radiation_w_per_m2=watts) for hour, watts in enumerate([0.0, 100.0, 300.0, 50.0])]
    weather = Weather(rows, site=None)

    middles = [weather.at((hour - 0.5) * HOUR_S).radiation_w_per_m2 for hour in (1, 2, 3)]

    assert middles == pytest.approx([100.0, 300.0, 50.0])
    assert weather.at(1.0 * HOUR_S).radiation_w_per_m2 == pytest.approx(200.0)  # between two middles
    assert weather.at(3.0 * HOUR_S).radiation_w_per_m2 == pytest.approx(50.0)  # held after the last


def test_the_first_and_the_last_instant_are_known_and_none_beyond() -> None:
    weather = Weather([hour_at(0), hour_at(1)], site=None)

    assert weather.at(0.0).temperature_c == 20.0
    assert weather.at(HOUR_S).temperature_c == 21.0
    for outside_s in (-0.001, HOUR_S + 0.001):
        with pytest.raises(ValueError, match="weather is known from 0 to 3600 s"):
            weather.at(outside_s)


def test_weather_that_repeats_begins_again() -> None:
    weather = Weather([hour_at(0), hour_at(1)], site=None, repeats=True)

    assert weather.at(10 * HOUR_S + 900.0) == weather.at(900.0)


def test_the_hour_of_day_follows_the_first_stamp() -> None:
    weather = Weather([hour_at(22), hour_at(23)], site=None)

    assert weather.hour_of_day(1.5 * HOUR_S) == pytest.approx(23.5)
    assert weather.hour_of_day(3.0 * HOUR_S) == pytest.approx(1.0)


def test_steady_weather_is_the_same_at_every_instant() -> None:
    lamps = Outdoors(25.0, 0.6, 1.0, 800.0)

    weather = steady_weather(lamps, starts_at=MIDNIGHT, hours=2)

    assert [weather.at(s) for s in (0.0, 1234.5, 7200.0)] == [lamps, lamps, lamps]


# --- hours that cannot be true

IMPOSSIBLE = [
    (hour_at(1, temperature_c=float("nan")), r"hour 1 \(30 June 01:00\): temperature_c is missing"),
    (hour_at(1, temperature_c=77.0), "temperature_c is 77, possible are -60 to 60"),
    (hour_at(1, relative_humidity=55.0), "relative_humidity is 55, possible are 0 to 1"),
    (hour_at(1, wind_m_per_s=-1.0), "wind_m_per_s is -1"),
    (hour_at(1, radiation_w_per_m2=2000.0), "radiation_w_per_m2 is 2000"),
    (hour_at(1, radiation_w_per_m2=60.0), "60 W/m2 while the sun is down at Greensboro"),
    (hour_at(2), "2:00:00 after the hour before it, not one hour"),
    (hour_at(0), "0:00:00 after the hour before it, not one hour"),
    (hour_at(1, local_time=datetime(2025, 6, 30, 1)), "the time has no offset from UTC"),
    (hour_at(1, temperature_c=77.0, source="made-up.csv row 4"), r"^made-up.csv row 4 \("),
]


@pytest.mark.parametrize(("row", "message"), IMPOSSIBLE)
def test_an_hour_that_cannot_be_true_is_refused_with_row_and_reason(row: WeatherHour, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Weather([hour_at(0), row], site=GREENSBORO)


def test_sun_in_the_hour_of_sunrise_is_accepted() -> None:
    """The sun rises at about 05:05 standard time; the hour that ends at 06:00 has light."""
    Weather([hour_at(5), hour_at(6, radiation_w_per_m2=60.0)], site=GREENSBORO)


def test_lamps_may_burn_by_night_where_there_is_no_site() -> None:
    Weather([hour_at(0), hour_at(1, radiation_w_per_m2=60.0)], site=None)


def test_one_hour_alone_is_no_weather() -> None:
    with pytest.raises(ValueError, match="at least two hours"):
        Weather([hour_at(0)], site=None)


# --- typical years


def test_pvlib_is_not_imported_before_a_file_is_read() -> None:
    """It takes seconds and comes with an extra of the package."""
    program = "import sys, simulators.plant.plant; sys.exit('pvlib' in sys.modules)"

    finished = subprocess.run([sys.executable, "-c", program], check=False, timeout=60)

    assert finished.returncode == 0


def test_the_greensboro_first_of_july_reads_as_printed() -> None:
    """Rows 12-15 h of 723170TYA.CSV (NREL, in pvlib), as listed with the package's own reader."""
    weather = typical_year_day(month=7, day=1)

    stamps = [weather.at(hour * HOUR_S) for hour in (12, 13, 14, 15)]
    middles = [weather.at((hour - 0.5) * HOUR_S) for hour in (12, 13, 14, 15)]

    assert [o.temperature_c for o in stamps] == pytest.approx([27.8, 28.3, 27.8, 27.8])
    assert [o.relative_humidity for o in stamps] == pytest.approx([0.46, 0.46, 0.41, 0.41])
    assert [o.wind_m_per_s for o in stamps] == pytest.approx([2.1, 4.1, 0.0, 4.1])
    assert [o.radiation_w_per_m2 for o in middles] == pytest.approx([448.0, 831.0, 458.0, 555.0])


def test_the_site_comes_with_the_file() -> None:
    weather = typical_year_day(month=7, day=1)

    assert weather.site is not None
    assert weather.site.name == "GREENSBORO PIEDMONT TRIAD INT"
    assert (weather.site.latitude_deg, weather.site.longitude_deg) == (36.1, -79.95)
    assert (weather.site.elevation_m, weather.site.utc_offset_h) == (273.0, -5.0)
    assert weather.starts_at == datetime(2025, 7, 1, tzinfo=EASTERN)
    assert weather.air_pressure_kpa == pytest.approx(98.1, abs=0.05)  # FAO-56 eq. 7, between 200 and 400 m


def test_straight_lines_keep_a_days_light_within_a_hundredth() -> None:
    """Sum of the 24 rows of 30 June in the file: 7948 Wh/m2."""
    weather = typical_year_day(month=6, day=30)

    total_wh = sum(weather.at(s).radiation_w_per_m2 / 60.0 for s in range(30, 86_400, 60))

    assert total_wh == pytest.approx(7948.0, rel=0.01)


def test_days_run_over_the_end_of_the_year() -> None:
    weather = typical_year_day(month=12, day=31, days=2)
    from_new_year = typical_year_day(month=1, day=1)

    assert weather.duration_s == 2 * 86_400.0
    assert weather.at(30 * HOUR_S) == from_new_year.at(6 * HOUR_S)
    assert weather.at(24 * HOUR_S).temperature_c == from_new_year.at(0.0).temperature_c


@pytest.mark.parametrize("name", ["723170TYA.CSV", "703165TY.csv"])
def test_no_hour_of_a_real_typical_year_is_refused(name: str) -> None:
    """Greensboro and Sand Point, Alaska: 8760 hours each, stamps, light and all."""
    weather = typical_year_day(packaged(name), month=1, day=1, days=365)

    assert weather.duration_s == 365 * 86_400.0


def damaged_copy(folder: Path, row: int, column: str, cell: str) -> Path:
    """The packaged file with one cell changed; `row` counts from 1 as an editor does."""
    lines = packaged("723170TYA.CSV").read_text().splitlines()
    cells = lines[row - 1].split(",")
    cells[lines[1].split(",").index(column)] = cell
    lines[row - 1] = ",".join(cells)
    path = folder / "damaged.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


# 1 January 02:00 stands in row 4: two rows of heading, then 01:00.
@pytest.mark.parametrize(
    ("column", "cell", "message"),
    [
        ("RHum (%)", "", r"damaged.csv row 4 \(01 January 02:00\): relative_humidity is missing"),
        ("GHI (W/m^2)", "250", "damaged.csv row 4 .*250 W/m2 while the sun is down"),
        ("Dry-bulb (C)", "-99.9", "damaged.csv row 4 .*temperature_c is -99.9"),
    ],
)
def test_a_damaged_row_is_named(tmp_path: Path, column: str, cell: str, message: str) -> None:
    path = damaged_copy(tmp_path, 4, column, cell)

    with pytest.raises(ValueError, match=message):
        typical_year_day(path, month=1, day=1)


def test_a_lost_row_is_a_gap(tmp_path: Path) -> None:
    lines = packaged("723170TYA.CSV").read_text().splitlines()
    path = tmp_path / "short.csv"
    path.write_text("\n".join(lines[:10] + lines[11:]) + "\n")  # row 11, 09:00 of 1 January

    with pytest.raises(ValueError, match=r"short.csv row 11 \(01 January 10:00\): 2:00:00 after"):
        typical_year_day(path, month=1, day=1)


def test_a_column_that_is_not_there_is_named(tmp_path: Path) -> None:
    path = damaged_copy(tmp_path, 2, "Wspd (m/s)", "Breeze")

    with pytest.raises(ValueError, match=r"damaged.csv has no column for wind_speed"):
        typical_year_day(path, month=1, day=1)


def test_a_typical_year_has_no_leap_day() -> None:
    with pytest.raises(ValueError, match="not 2028"):
        typical_year_day(month=2, day=28, year=2028)
    with pytest.raises(ValueError, match="day is out of range"):
        typical_year_day(month=2, day=29)


def test_offsets_other_than_the_files_own_are_not_needed() -> None:
    """A list of hours in UTC is as good: only the differences and the offset count."""
    rows = [hour_at(h, local_time=datetime(2025, 6, 30, h, tzinfo=UTC)) for h in (0, 1)]

    assert Weather(rows, site=None).at(1800.0).temperature_c == pytest.approx(20.5)
