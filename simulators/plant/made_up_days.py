"""Days of weather made up from a seed, minute by minute: what a propagator fears, and what is pleasant.

It answers for days that hang together: light under the clear sky's curve (but for the bright edges of clouds,
up to `EDGE_PEAK` times it), air that warms after the light and is warmest in mid-afternoon, a humidity that
follows from a dew point, wind that rises with the day. The same kind, days, site, date and seed give the same
bytes. The figures of each kind stand in `day_characters`.
"""

from collections.abc import Sequence
from datetime import date, datetime, timedelta, timezone
from math import exp
from random import Random

import numpy as np

from simulators.plant.day_characters import CHARACTERS, FOLLOWS, DayCharacter, MadeUpKind
from simulators.plant.sky import clear_sky_w_per_m2, sun_sines
from simulators.plant.weather import Weather
from simulators.plant.weather_rows import Column, Site, WeatherRows
from simulators.plant.weather_tables import humidity_of_dew_point

__all__ = ["EDGE_PEAK", "MadeUpKind", "made_up_weather"]

MINUTE_S = 60.0
MINUTES_A_DAY = 1440
COOLEST_MINUTE = 360  # 06:00: where each day's coolest temperature and dew point stand

EDGE_PEAK = 1.25  # of the clear sky, beside a cloud; more has been measured, for seconds
EDGE_MINUTES = 2
DARKEST_CLEARNESS = 0.05
FULL_SUN_W_PER_M2 = 1000.0
LAG_MINUTES = 180.0  # of the air behind the light: warmest some two and a half hours after noon
WANDER_MINUTES = 40.0  # how long a haze or a thinning of cloud lasts
GUST_MINUTES = 6.0
GUST_STRENGTH = 0.3  # of the logarithm of the wind
STRONGEST_WIND_M_PER_S = 30.0
DAY_TO_DAY_C = 0.8
FARTHEST_DRAWS = 2.0  # standard deviations: no day strays farther
HALF = 0.5


def made_up_weather(kind: MadeUpKind, *, days: int, seed: int, site: Site, starts_on: date) -> Weather:
    """Whole days of this kind, minute by minute, from local midnight on.

    The season is that of `starts_on` at the site for the light, and the kind's own for the air: a heat wave
    asked for in December has a low sun.

    Raises:
        ValueError: fewer days than one.
    """
    if days < 1:
        raise ValueError(f"made-up weather takes at least one day, not {days}")
    draws = Random(seed)
    zone = timezone(timedelta(hours=site.utc_offset_h))
    starts_at = datetime(starts_on.year, starts_on.month, starts_on.day, tzinfo=zone)
    kinds = _kinds(kind, days, draws)
    # Row 0 is the first midnight and its light that of the minute before, so each row has its own minute.
    minutes = np.arange(days * MINUTES_A_DAY + 1, dtype=np.float64)
    sines = sun_sines(
        starts_at,
        (minutes - HALF) * MINUTE_S,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
    )
    light = _clearness(kinds, draws) * clear_sky_w_per_m2(sines)
    return Weather.of_rows(_rows(kinds, light, minutes, draws, site, starts_at))


def _kinds(kind: MadeUpKind, days: int, draws: Random) -> list[MadeUpKind]:
    """The kind of each day: the one asked for, or a chain in which each day's depends on the day before."""
    if kind is not MadeUpKind.CHANGEABLE:
        return [kind] * days
    chain = [draws.choice(sorted(FOLLOWS))]
    while len(chain) < days:
        following = FOLLOWS[chain[-1]]
        chain += draws.choices(list(following), weights=list(following.values()))
    return chain


def _clearness(kinds: Sequence[MadeUpKind], draws: Random) -> Column:
    """Share of the clear sky's light that comes through, for each minute; one more than the days have."""
    values: list[float] = []
    for kind in kinds:
        character = CHARACTERS[kind]
        day = _wandering(character, draws)
        values += _broken(day, character, draws) if character.cloud_minutes else day
    return np.array([values[0], *values], dtype=np.float64)


def _wandering(character: DayCharacter, draws: Random) -> list[float]:
    """A day's haze or thickness of cloud, which wanders about its mean and never beyond the clear sky."""
    keeps = exp(-1.0 / WANDER_MINUTES)
    stirs = character.clearness_wanders * (1.0 - keeps**2) ** HALF
    strays = draws.gauss(0.0, character.clearness_wanders)
    values = []
    for _ in range(MINUTES_A_DAY):
        strays = keeps * strays + draws.gauss(0.0, stirs)
        values.append(min(1.0, max(DARKEST_CLEARNESS, character.clearness + strays)))
    return values


def _broken(day: Sequence[float], character: DayCharacter, draws: Random) -> list[float]:
    """The day with clouds passing: sun and shade for some minutes each, the sun brightest beside a cloud."""
    values: list[float] = []
    in_cloud = draws.random() < character.cloud_fraction
    while len(values) < MINUTES_A_DAY:
        mean_minutes = character.cloud_minutes if in_cloud else character.sun_minutes
        lasts = 1 + int(draws.expovariate(1.0 / mean_minutes))
        brightens = draws.uniform(0.0, EDGE_PEAK - 1.0)
        deepens = draws.uniform(0.6, 1.4)
        for minute in range(lasts):
            edge = min(minute, lasts - 1 - minute) < EDGE_MINUTES
            sun = day[min(len(values), MINUTES_A_DAY - 1)] + (brightens if edge else 0.0)
            values.append(character.cloud_clearness * deepens if in_cloud else min(EDGE_PEAK, sun))
        in_cloud = not in_cloud
    return values[:MINUTES_A_DAY]


def _rows(
    kinds: Sequence[MadeUpKind],
    light: Column,
    minutes: Column,
    draws: Random,
    site: Site,
    starts_at: datetime,
) -> WeatherRows:
    """The air that belongs to this light: warmth, dew point and wind of the days' kinds."""
    characters = [CHARACTERS[kind] for kind in kinds]
    warmth = _warmth(light)
    coolest_c, dew_below_c = _coolest_c(kinds, draws), _draws(len(kinds), 0.3, draws)
    dew_c = [
        cool - character.dew_below_coolest_c - abs(extra)
        for cool, character, extra in zip(coolest_c, characters, dew_below_c, strict=True)
    ]
    temperature_c = _by_day(coolest_c, minutes) + warmth * _by_day(
        [character.sun_warms_by_c for character in characters], minutes
    )
    dries_by_c = _by_day([character.dries_by_c for character in characters], minutes)
    dew_c_by_minute = np.minimum(_by_day(dew_c, minutes) - dries_by_c * warmth, temperature_c)
    return WeatherRows(
        starts_at=starts_at,
        step_s=MINUTE_S,
        site=site,
        temperature_c=temperature_c,
        relative_humidity=humidity_of_dew_point(temperature_c, dew_c_by_minute),
        wind_m_per_s=_wind(characters, warmth, minutes, draws),
        radiation_w_per_m2=light,
        cloud_fraction=_by_day([character.cloud_fraction for character in characters], minutes),
        sky_below_air_c=np.full(len(minutes), np.nan),
        row_name=_row_name,
    )


def _row_name(index: int) -> str:
    return f"made-up minute {index}"


def _coolest_c(kinds: Sequence[MadeUpKind], draws: Random) -> list[float]:
    """Each day's coolest: half the kind's own, half the day's before, as no day turns wholly at midnight.

    Days all of a kind stay at that kind's own.
    """
    base_c = CHARACTERS[kinds[0]].coolest_c
    values = []
    for kind, strays_c in zip(kinds, _draws(len(kinds), DAY_TO_DAY_C, draws), strict=True):
        base_c = HALF * (base_c + CHARACTERS[kind].coolest_c)
        values.append(base_c + strays_c)
    return values


def _draws(count: int, spread: float, draws: Random) -> list[float]:
    """Numbers about nought, none farther than `FARTHEST_DRAWS` spreads."""
    farthest = FARTHEST_DRAWS * spread
    return [max(-farthest, min(farthest, draws.gauss(0.0, spread))) for _ in range(count)]


def _by_day(values: Sequence[float], minutes: Column) -> Column:
    """A figure of each day, by straight lines from one morning to the next."""
    mornings = np.arange(len(values), dtype=np.float64) * MINUTES_A_DAY + COOLEST_MINUTE
    return np.asarray(np.interp(minutes, mornings, np.array(values, dtype=np.float64)), dtype=np.float64)


def _warmth(light: Column) -> Column:
    """How far the sun has warmed the air, 0 to about 1: the light, followed with a lag.

    dw/dt = (light / full sun - w) / lag, solved for each minute of steady light; the first day begins with
    the warmth its own evening leaves.
    """
    share = (light / FULL_SUN_W_PER_M2).tolist()
    keeps = exp(-1.0 / LAG_MINUTES)
    warm = 0.0
    for sun in share[: MINUTES_A_DAY + 1]:
        warm = sun + (warm - sun) * keeps
    values = []
    for sun in share:
        warm = sun + (warm - sun) * keeps
        values.append(warm)
    return np.array(values, dtype=np.float64)


def _wind(characters: Sequence[DayCharacter], warmth: Column, minutes: Column, draws: Random) -> Column:
    """A steady wind that rises with the day, in gusts of a few minutes."""
    keeps = exp(-1.0 / GUST_MINUTES)
    stirs = GUST_STRENGTH * (1.0 - keeps**2) ** HALF
    strays, gusts = 0.0, []
    for _ in range(len(minutes)):
        strays = keeps * strays + draws.gauss(0.0, stirs)
        gusts.append(strays)
    steady = _by_day([character.night_wind_m_per_s for character in characters], minutes)
    rising = _by_day([character.sun_wind_m_per_s for character in characters], minutes)
    wind = (steady + warmth * rising) * np.exp(np.array(gusts, dtype=np.float64))
    return np.minimum(wind, STRONGEST_WIND_M_PER_S)
