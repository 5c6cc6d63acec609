"""Weather files read as they mean it, and refused when they cannot be true."""

import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from mistd.core.psychrometrics import dew_point_c
from simulators.plant.sky import clear_sky_w_per_m2, cloud_fraction_of_clearness, sky_below_air_c, sun_sines
from simulators.plant.weather import (
    HOUR,
    HOUR_S,
    Outdoors,
    Site,
    Weather,
    WeatherFileError,
    WeatherHour,
    steady_weather,
    typical_year_day,
)
from tests.simulators.fao_sun import (
    seasonal_correction_h,
    solar_time_angle_rad,
    sun_declination_rad,
    sun_elevation_deg,
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


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg"), [(36.1, -79.95), (55.317, -160.517), (-33.9, 18.4)]
)
def test_the_sun_of_the_tables_stands_where_pvlib_puts_it(latitude_deg: float, longitude_deg: float) -> None:
    """A year at 97-minute steps against NREL's solar position algorithm, without refraction."""
    import pandas as pd  # noqa: PLC0415
    from pvlib.solarposition import get_solarposition  # noqa: PLC0415

    begins_at = datetime(2025, 1, 1, tzinfo=UTC)
    seconds = np.arange(0.0, 365 * 86_400.0, 97 * 60.0)
    moments = pd.DatetimeIndex(pd.Timestamp(begins_at) + pd.to_timedelta(seconds, unit="s"))
    theirs = get_solarposition(moments, latitude_deg, longitude_deg)["elevation"].to_numpy()

    sines = sun_sines(begins_at, seconds, latitude_deg=latitude_deg, longitude_deg=longitude_deg)

    assert np.abs(np.degrees(np.arcsin(sines)) - theirs).max() < 0.02


def test_the_clear_sky_is_haurwitz_as_pvlib_has_it() -> None:
    import pandas as pd  # noqa: PLC0415
    from pvlib.clearsky import haurwitz  # noqa: PLC0415

    heights_deg = np.arange(-5.0, 90.1, 5.0)

    ours = clear_sky_w_per_m2(np.sin(np.radians(heights_deg)))

    assert ours == pytest.approx(haurwitz(pd.Series(90.0 - heights_deg))["ghi"].to_numpy(), abs=1e-6)


# --- the sky's cold


def test_a_clear_night_sky_radiates_as_martin_and_berdahl_have_it() -> None:
    """Worked by hand at midnight, 1000 mbar, dew point 10 C: 0.711 + 0.056 + 0.0073 + 0.013 = 0.7873.

    293.15 K x (1 - 0.7873 ^ 0.25) = 17.01 K.
    """
    none, air, dew = np.zeros(1), np.array([20.0]), np.array([10.0])

    clear_c = sky_below_air_c(air, dew, none, solar_h=none, pressure_kpa=100.0)
    covered_c = sky_below_air_c(air, dew, none + 1.0, solar_h=none, pressure_kpa=100.0)

    assert float(clear_c[0]) == pytest.approx(17.01, abs=0.01)
    assert 0.0 < float(covered_c[0]) < 2.0


def test_cloud_is_what_fao_56_eq_39_takes_off_the_heat_lost_to_the_sky() -> None:
    """FAO-56 example 11 (from memory): Rs/Rso = 14.5/18.8 = 0.77 leaves 1.35 x 0.77 - 0.35 = 0.69."""
    assert float(cloud_fraction_of_clearness(np.array([0.77]))[0]) == pytest.approx(1.0 - 0.69, abs=0.005)


def june_days(clearness: float, **changed: object) -> Weather:
    """Two June days at Greensboro at 20 C under so much of the clear sky's light."""
    rows = [
        hour_at(h, radiation_w_per_m2=clearness * CLEAR_HOURS[h % 24], temperature_c=20.0, **changed)
        for h in range(49)
    ]
    return Weather(rows, site=GREENSBORO)


def clear_hours() -> list[float]:
    """Means of the hours that end at 00:00, 01:00 .. 23:00 under a clear sky, to the whole watt."""
    middles = np.arange(-59.5, 23 * 60.0) * 60.0
    sines = sun_sines(MIDNIGHT, middles, latitude_deg=36.1, longitude_deg=-79.95)
    return [round(float(mean)) for mean in clear_sky_w_per_m2(sines).reshape(24, 60).mean(axis=1)]


CLEAR_HOURS = clear_hours()


def test_the_cloud_of_the_last_daylight_is_carried_through_the_night() -> None:
    after_sun, after_cloud = june_days(1.0), june_days(0.2)

    assert after_sun.at(24 * HOUR_S).sky_below_air_c > 15.0
    assert after_cloud.at(24 * HOUR_S).sky_below_air_c < 5.0
    assert after_sun.at(27 * HOUR_S).sky_below_air_c == pytest.approx(
        after_sun.at(24 * HOUR_S).sky_below_air_c, abs=0.5
    )


def test_a_clear_sky_is_warmest_at_solar_midnight() -> None:
    """Of unchanging air, by the daily term: at Greensboro solar midnight is at 00:20, solar noon at 12:20.

    0.026 of emissivity between them, a little over 2 K.
    """
    steady = june_days(1.0, cloud_fraction=0.0)

    at_h = {hour: steady.at(hour * HOUR_S).sky_below_air_c for hour in range(24)}

    assert min(range(24), key=at_h.__getitem__) == 0
    assert max(range(24), key=at_h.__getitem__) == 12
    assert at_h[12] - at_h[0] == pytest.approx(2.3, abs=0.3)


def test_cloud_that_is_known_goes_before_the_light() -> None:
    covered = june_days(1.0, cloud_fraction=1.0)

    assert covered.at(24 * HOUR_S).sky_below_air_c < 3.0


# --- between hours


def test_temperature_dew_point_and_wind_run_straight_from_stamp_to_stamp() -> None:
    weather = Weather([hour_at(0), hour_at(1, relative_humidity=0.7, wind_m_per_s=4.0)], site=None)

    outdoors = weather.at(0.25 * HOUR_S)
    first_c, last_c = dew_point_c(20.0, 0.5), dew_point_c(21.0, 0.7)

    assert outdoors.temperature_c == pytest.approx(20.25)
    assert outdoors.wind_m_per_s == pytest.approx(2.5)
    dew_c = dew_point_c(outdoors.temperature_c, outdoors.relative_humidity)
    assert dew_c == pytest.approx(first_c + 0.25 * (last_c - first_c), abs=1e-9)


def test_air_between_two_saturated_hours_is_saturated_and_not_more() -> None:
    """A straight vapour pressure would give 120 % half way: (0.611 + 2.338) / 2 over 1.228 kPa."""
    weather = Weather(
        [
            hour_at(0, temperature_c=0.0, relative_humidity=1.0),
            hour_at(1, temperature_c=20.0, relative_humidity=1.0),
        ],
        site=None,
    )

    humidities = [weather.at(float(s)).relative_humidity for s in range(0, 3601, 7)]

    assert max(humidities) <= 1.0
    assert min(humidities) == pytest.approx(1.0, abs=1e-9)


def test_perfectly_dry_air_stays_so_at_its_stamp() -> None:
    weather = Weather([hour_at(0, relative_humidity=0.0), hour_at(1, relative_humidity=0.4)], site=None)

    assert weather.at(0.0).relative_humidity == 0.0
    assert 0.0 < weather.at(1800.0).relative_humidity < 0.4


def test_lamps_burn_evenly_through_the_hour_before_their_stamp() -> None:
    rows = [hour_at(hour, radiation_w_per_m2=watts) for hour, watts in enumerate([0.0, 100.0, 300.0, 50.0])]
    weather = Weather(rows, site=None)

    light = [weather.at(place * HOUR_S).radiation_w_per_m2 for place in (0.0, 0.99, 1.0, 1.99, 2.5, 3.0)]

    assert light == [100.0, 100.0, 300.0, 300.0, 50.0, 50.0]


def minute_light(weather: Weather, hours: int) -> "np.ndarray[tuple[int, int], np.dtype[np.float64]]":
    """Light of each minute, hours x 60; it stands still for a minute, so their mean is the hour's."""
    return np.array([weather.at(60.0 * m + 30.0).radiation_w_per_m2 for m in range(60 * hours)]).reshape(
        hours, 60
    )


def test_each_hour_keeps_its_mean_of_light() -> None:
    weather = june_days(0.7)

    means = minute_light(weather, 48).mean(axis=1)

    assert max(means) > 500.0
    assert means == pytest.approx([0.7 * CLEAR_HOURS[h % 24] for h in range(1, 49)], rel=1e-9, abs=1e-9)


def test_light_rises_through_a_morning_hour_and_falls_through_an_evening_one() -> None:
    light = minute_light(june_days(0.7), 24)

    assert all(np.diff(light[8]) > 0.0)
    assert all(np.diff(light[17]) < 0.0)


def test_rows_may_be_finer_than_an_hour() -> None:
    """Ten-minute rows: the light changes on the ten minutes and each keeps its mean."""
    ten = timedelta(minutes=10)
    watts = [0.0, 600.0, 100.0, 700.0]
    noon = MIDNIGHT + 12 * HOUR
    rows = [hour_at(12, local_time=noon + i * ten, radiation_w_per_m2=w) for i, w in enumerate(watts)]
    weather = Weather(rows, site=GREENSBORO, step=ten)

    light = np.array([weather.at(60.0 * m + 30.0).radiation_w_per_m2 for m in range(30)]).reshape(3, 10)

    assert weather.duration_s == 1800.0
    assert light.mean(axis=1) == pytest.approx(watts[1:], rel=1e-9)


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


def test_a_steady_cold_sky_stays_as_cold() -> None:
    night = Outdoors(5.0, 0.8, 0.5, 0.0, 18.0)

    weather = steady_weather(night, starts_at=MIDNIGHT, hours=2)

    assert weather.at(4321.0) == night


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


def test_a_little_light_by_night_is_taken_as_none_and_said() -> None:
    """A radiometer's offset; the sun rises at about 05:05."""
    weather = Weather(
        [hour_at(0), hour_at(1, radiation_w_per_m2=4.0), hour_at(2, radiation_w_per_m2=3.0), hour_at(3)],
        site=GREENSBORO,
    )

    assert minute_light(weather, 3).max() == 0.0
    assert weather.notes == (
        "hour 1 (30 June 01:00) to hour 2 (30 June 02:00): radiation of 3 to 4 W/m2 by night taken as 0",
    )


def test_five_watts_by_night_are_a_radiometers_and_more_are_a_wrong_clock() -> None:
    for_radiometer = Weather([hour_at(0), hour_at(1, radiation_w_per_m2=5.0)], site=GREENSBORO)

    assert for_radiometer.at(1800.0).radiation_w_per_m2 == 0.0
    with pytest.raises(ValueError, match=r"5\.1 W/m2 while the sun is down"):
        Weather([hour_at(0), hour_at(1, radiation_w_per_m2=5.1)], site=GREENSBORO)


def test_everything_wrong_is_said_at_once_up_to_a_limit() -> None:
    rows = [hour_at(h, temperature_c=80.0, relative_humidity=3.0) for h in range(30)]

    with pytest.raises(WeatherFileError) as refused:
        Weather(rows, site=None)

    assert refused.value.problems[:2] == (
        "hour 0 (30 June 00:00): relative_humidity is 3, possible are 0 to 1",
        "hour 0 (30 June 00:00): temperature_c is 80, possible are -60 to 60",
    )
    assert len(refused.value.problems) == 20
    assert refused.value.left_out == 40
    assert str(refused.value).endswith("and 40 more")


def test_more_light_than_the_sun_can_give_is_refused() -> None:
    """Half an hour after sunrise."""
    with pytest.raises(ValueError, match="1100 W/m2, with the sun so high"):
        Weather([hour_at(5), hour_at(6, radiation_w_per_m2=1100.0)], site=GREENSBORO)


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
    means = minute_light(weather, 24).mean(axis=1)

    assert [o.temperature_c for o in stamps] == pytest.approx([27.8, 28.3, 27.8, 27.8])
    assert [o.relative_humidity for o in stamps] == pytest.approx([0.46, 0.46, 0.41, 0.41])
    assert [o.wind_m_per_s for o in stamps] == pytest.approx([2.1, 4.1, 0.0, 4.1])
    assert means[11:15] == pytest.approx([448.0, 831.0, 458.0, 555.0], rel=1e-9)


def test_the_site_comes_with_the_file() -> None:
    weather = typical_year_day(month=7, day=1)

    assert weather.site is not None
    assert weather.site.name == "GREENSBORO PIEDMONT TRIAD INT"
    assert (weather.site.latitude_deg, weather.site.longitude_deg) == (36.1, -79.95)
    assert (weather.site.elevation_m, weather.site.utc_offset_h) == (273.0, -5.0)
    assert weather.starts_at == datetime(2025, 7, 1, tzinfo=EASTERN)
    assert weather.air_pressure_kpa == pytest.approx(98.1, abs=0.05)  # FAO-56 eq. 7, between 200 and 400 m


def test_a_days_light_is_kept() -> None:
    """Sum of the 24 rows of 30 June in the file: 7948 Wh/m2."""
    weather = typical_year_day(month=6, day=30)

    total_wh = minute_light(weather, 24).sum() / 60.0

    assert total_wh == pytest.approx(7948.0, rel=1e-9)


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
