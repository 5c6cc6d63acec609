"""Made-up days: the same from the same seed, under the sky they claim, and as bad as they promise."""

from datetime import date
from functools import cache

import numpy as np
import pytest

from simulators.plant.day_characters import CHARACTERS, FOLLOWS
from simulators.plant.made_up_days import EDGE_PEAK, MadeUpKind, made_up_weather
from simulators.plant.sky import clear_sky_w_per_m2
from simulators.plant.weather import Site, Weather
from simulators.plant.weather_rows import Column
from simulators.plant.weather_tables import dew_points_c

VALE = Site(name="Made-up Vale", latitude_deg=50.35, longitude_deg=7.6, elevation_m=80.0, utc_offset_h=1.0)
DAYS = 12
SOLAR_NOON_H = 12.5  # local standard time, 7.4 degrees west of the zone's meridian
K = MadeUpKind
STEADY_KINDS = [kind for kind in K if kind is not K.CHANGEABLE]


@cache
def weather_of(kind: MadeUpKind, seed: int = 7) -> Weather:
    starts_on = date(2025, 4, 12) if kind is K.FROST_NIGHT else date(2025, 6, 10)
    return made_up_weather(kind, days=DAYS, seed=seed, site=VALE, starts_on=starts_on)


def by_day(column: Column) -> Column:
    """Days x minutes, each row of the minute that ends at its stamp."""
    return column[1:].reshape(DAYS, 1440)


def light_mj_per_m2(kind: MadeUpKind) -> Column:
    light = by_day(weather_of(kind).rows.radiation_w_per_m2)
    return np.asarray(light.sum(axis=1) * 60.0 / 1e6, dtype=np.float64)


@pytest.mark.parametrize("kind", list(K))
def test_the_same_seed_gives_the_same_bytes(kind: MadeUpKind) -> None:
    again = made_up_weather(kind, days=DAYS, seed=7, site=VALE, starts_on=weather_of(kind).starts_at.date())

    for name in ("temperature_c", "relative_humidity", "wind_m_per_s", "radiation_w_per_m2"):
        assert getattr(again.rows, name).tobytes() == getattr(weather_of(kind).rows, name).tobytes()
    assert again.at(123_456.7) == weather_of(kind).at(123_456.7)


@pytest.mark.parametrize("kind", list(K))
def test_another_seed_gives_other_days(kind: MadeUpKind) -> None:
    assert weather_of(kind, seed=8).at(45_000.0) != weather_of(kind).at(45_000.0)


def test_whole_days_begin_at_local_midnight() -> None:
    weather = weather_of(K.OVERCAST)

    assert weather.starts_at.isoformat() == "2025-06-10T00:00:00+01:00"
    assert weather.duration_s == DAYS * 86_400.0


def test_no_day_at_all_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one day, not 0"):
        made_up_weather(K.OVERCAST, days=0, seed=1, site=VALE, starts_on=date(2025, 6, 1))


@pytest.mark.parametrize("kind", list(K))
def test_no_light_is_above_the_clear_sky_but_for_the_edges_of_clouds(kind: MadeUpKind) -> None:
    rows = weather_of(kind).rows
    clear = clear_sky_w_per_m2(rows.sines().reshape(-1))
    has_edges = kind in {K.STORM_CLOUDS, K.CHANGEABLE}

    most = EDGE_PEAK if has_edges else 1.0

    assert np.all(rows.radiation_w_per_m2 <= most * clear + 1e-9)
    assert np.all(rows.radiation_w_per_m2[clear == 0.0] == 0.0)
    assert rows.radiation_w_per_m2.max() > 200.0


@pytest.mark.parametrize("kind", list(K))
def test_the_air_is_warmest_after_noon_and_coolest_about_sunrise(kind: MadeUpKind) -> None:
    """In the mean of the days; the changeable are mixed and judged by their parts."""
    if kind is K.CHANGEABLE:
        kind = K.STORM_CLOUDS
    mean_day = by_day(weather_of(kind).rows.temperature_c).mean(axis=0)

    warmest_h, coolest_h = mean_day.argmax() / 60.0, mean_day.argmin() / 60.0

    assert SOLAR_NOON_H + 1.0 < warmest_h < SOLAR_NOON_H + 4.0
    assert 3.5 < coolest_h < 6.5


@pytest.mark.parametrize("kind", list(K))
def test_air_is_not_wetter_than_saturated_nor_drier_than_a_desert(kind: MadeUpKind) -> None:
    humidities = weather_of(kind).rows.relative_humidity

    assert humidities.min() > 0.1
    assert humidities.max() <= 1.0


@pytest.mark.parametrize("kind", STEADY_KINDS)
def test_the_dew_point_stays_far_steadier_than_the_air(kind: MadeUpKind) -> None:
    rows = weather_of(kind).rows

    dew_swing_c = np.ptp(by_day(dew_points_c(rows.temperature_c, rows.relative_humidity)), axis=1)
    air_swing_c = np.ptp(by_day(rows.temperature_c), axis=1)

    assert np.all(dew_swing_c < air_swing_c)


def test_a_bright_dry_spell_is_bright_and_dry() -> None:
    rows = weather_of(K.BRIGHT_DRY).rows

    assert light_mj_per_m2(K.BRIGHT_DRY).min() > 26.0
    assert np.all(by_day(rows.relative_humidity).min(axis=1) < 0.45)


def test_an_overcast_day_gives_a_third_of_the_light_at_most_and_little_warmth() -> None:
    rows = weather_of(K.OVERCAST).rows

    assert np.all(light_mj_per_m2(K.OVERCAST) < light_mj_per_m2(K.BRIGHT_DRY) / 3.0)
    assert np.all(np.ptp(by_day(rows.temperature_c), axis=1) < 6.0)


def test_a_heat_wave_is_above_thirty_three_each_day_and_warm_each_night() -> None:
    temperatures = by_day(weather_of(K.HEAT_WAVE).rows.temperature_c)

    assert temperatures.max(axis=1).min() > 33.0
    assert temperatures.min() > 17.0
    assert temperatures.max() < 45.0


def test_a_frost_night_freezes_each_night_and_thaws_each_day() -> None:
    temperatures = by_day(weather_of(K.FROST_NIGHT).rows.temperature_c)

    assert temperatures.min(axis=1).max() < -1.0
    assert temperatures.max(axis=1).min() > 3.0


def test_a_frosty_sky_is_colder_than_an_overcast_one() -> None:
    at_three_s = 3 * 3600.0

    assert weather_of(K.FROST_NIGHT).at(at_three_s).sky_below_air_c > 15.0
    assert weather_of(K.OVERCAST).at(at_three_s).sky_below_air_c < 3.0


def test_storm_clouds_switch_the_sun_within_a_minute_many_times_a_day() -> None:
    """From three quarters of the clear sky to less than half and back, in the eight hours about noon."""
    rows = weather_of(K.STORM_CLOUDS).rows
    clear = clear_sky_w_per_m2(rows.sines().reshape(-1))
    about_noon = slice(round(60 * (SOLAR_NOON_H - 4)), round(60 * (SOLAR_NOON_H + 4)))

    shares = by_day(rows.radiation_w_per_m2 / np.maximum(clear, 1.0))[:, about_noon]

    falls = ((shares[:, :-1] > 0.75) & (shares[:, 1:] < 0.5)).sum(axis=1)
    assert falls.min() > 15
    assert 1.1 < shares.max() <= EDGE_PEAK
    assert 0.3 < np.mean(shares > 0.5) < 0.7


def test_the_light_at_an_instant_is_that_of_its_minute() -> None:
    weather = weather_of(K.STORM_CLOUDS)

    light = [weather.at(43_200.0 + s).radiation_w_per_m2 for s in (0.0, 30.0, 59.9, 60.0)]

    assert light[0] == light[1] == light[2] == weather.rows.radiation_w_per_m2[721]
    assert light[3] == weather.rows.radiation_w_per_m2[722]


def test_changeable_days_are_a_mixture() -> None:
    """Sixty days: bright ones and dull ones, and no jump of the air at midnight."""
    weather = made_up_weather(K.CHANGEABLE, days=60, seed=3, site=VALE, starts_on=date(2025, 5, 1))
    rows = weather.rows

    light_mj = rows.radiation_w_per_m2[1:].reshape(60, 1440).sum(axis=1) * 60.0 / 1e6

    assert light_mj.max() > 26.0
    assert light_mj.min() < 10.0
    assert np.abs(np.diff(rows.temperature_c)).max() < 0.5


def test_the_chain_of_kinds_is_whole() -> None:
    """Each kind is followed by kinds there are, in shares that add up, and every kind can be come to."""
    assert set(FOLLOWS) == set(CHARACTERS) == set(STEADY_KINDS)
    assert {kind for following in FOLLOWS.values() for kind in following} == set(FOLLOWS)
    for following in FOLLOWS.values():
        assert sum(following.values()) == pytest.approx(1.0)


def test_no_frost_follows_a_heat_wave() -> None:
    assert K.FROST_NIGHT not in FOLLOWS[K.HEAT_WAVE]
