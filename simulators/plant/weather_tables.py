"""What lies between two rows of weather: tables with a point for each minute or less, worked out at once.

It answers for four rules. Temperature, dew point and wind run straight from stamp to stamp (the dew point and
not the humidity or the vapour pressure, so that air never comes out wetter than saturated). Light follows the
sun within each row, keeps the row's mean to rounding, and is nought with the sun down. The sky's cold comes
from cloud; where cloud is not known, from how much light the last two hours of daylight let through,
carried through the night. It knows no file, and no row that was refused comes here.
"""

from typing import NamedTuple

import numpy as np

from simulators.plant.sky import (
    HOURS_A_DAY,
    J2000,
    clear_sky_w_per_m2,
    cloud_fraction_of_clearness,
    light_shape,
    sky_below_air_c,
)
from simulators.plant.weather_checks import DAYLIGHT_W_PER_M2, mean_over_rows
from simulators.plant.weather_rows import HOUR_S, Column, WeatherRows

DRIEST = (
    0.005  # below it the dew point is that of this humidity: it lies beyond -40 C and nothing asks for it
)
CLEARNESS_OVER_S = 2.0 * HOUR_S  # FAO-56 takes Rs/Rso of the last hours before sunset through the night
UNKNOWN_CLOUD = 0.5  # where there was no daylight to judge by
DEGREES_AN_HOUR = 15.0

# Tetens' equation, FAO-56 eqs 10 and 11, for arrays; mistd.core.psychrometrics has it for single numbers.
TETENS_FACTOR = 17.27
TETENS_OFFSET_C = 237.3


class Tables(NamedTuple):
    """Columns at even points; light is the mean of each stretch between two points, so one fewer."""

    temperature_c: Column
    relative_humidity: Column
    wind_m_per_s: Column
    radiation_w_per_m2: Column
    sky_below_air_c: Column


def tables(rows: WeatherRows, sines: Column | None) -> Tables:
    """The tables of these rows; `sines` are the rows' own, None without a site."""
    points = rows.points_per_row
    return Tables(
        temperature_c=_straight(rows.temperature_c, points),
        relative_humidity=_humidity(rows, points),
        wind_m_per_s=_straight(rows.wind_m_per_s, points),
        radiation_w_per_m2=_light(rows.radiation_w_per_m2, sines, points),
        sky_below_air_c=_straight(_sky(rows, sines), points),
    )


def _straight(values: Column, points: int) -> Column:
    """Straight lines from row to row; at each row exactly the row's value."""
    along = np.arange(points) / points
    between = values[:-1, None] + along * np.diff(values)[:, None]
    return np.append(between.reshape(-1), values[-1])


def _exponent(temperature_c: Column) -> Column:
    return TETENS_FACTOR * temperature_c / (temperature_c + TETENS_OFFSET_C)


def dew_points_c(temperature_c: Column, relative_humidity: Column) -> Column:
    """FAO-56 eq. 11 solved for temperature; air drier than `DRIEST` is taken as that dry."""
    ratio = np.log(np.maximum(relative_humidity, DRIEST)) + _exponent(temperature_c)
    return np.asarray(TETENS_OFFSET_C * ratio / (TETENS_FACTOR - ratio), dtype=np.float64)


def humidity_of_dew_point(temperature_c: Column, dew_c: Column) -> Column:
    """FAO-56 eqs 10 and 11: the vapour pressure over the saturation pressure; not above 1."""
    return np.minimum(1.0, np.exp(_exponent(dew_c) - _exponent(temperature_c)))


def _humidity(rows: WeatherRows, points: int) -> Column:
    """Humidity of the straight dew point and the straight temperature.

    It is put as a bend laid over the straight line, so that the rows' own figures come back to the last bit.
    """
    temperature_c, humidity = rows.temperature_c, rows.relative_humidity
    dew_c = dew_points_c(temperature_c, humidity)
    curve = humidity_of_dew_point(_straight(temperature_c, points), _straight(dew_c, points))
    chord = _straight(humidity_of_dew_point(temperature_c, dew_c), points)
    return np.clip(_straight(humidity, points) + (curve - chord), 0.0, 1.0)


def _light(means: Column, sines: Column | None, points: int) -> Column:
    """Each row's mean spread over its points by the sun's height, or evenly where there is no sun."""
    if sines is None:
        return np.repeat(means[1:], points)
    shape = light_shape(sines[1:])
    total = shape.mean(axis=1)
    share = np.divide(shape, total[:, None], out=np.zeros_like(shape), where=total[:, None] > 0.0)
    return np.asarray((means[1:, None] * share).reshape(-1), dtype=np.float64)


def _sky(rows: WeatherRows, sines: Column | None) -> Column:
    """How much colder than the air the sky is at each stamp: as given, or from cloud, or nought indoors."""
    given = rows.sky_below_air_c
    if rows.site is None or sines is None:
        return np.where(np.isnan(given), 0.0, given)
    stamps_s = np.arange(len(rows), dtype=np.float64) * rows.step_s
    # J2000 is a noon at Greenwich, so twelve hours after a midnight there.
    first_h = (rows.starts_at - J2000).total_seconds() / HOUR_S + HOURS_A_DAY / 2.0
    solar_h: Column = (first_h + rows.site.longitude_deg / DEGREES_AN_HOUR + stamps_s / HOUR_S) % HOURS_A_DAY
    worked_out = sky_below_air_c(
        rows.temperature_c,
        dew_points_c(rows.temperature_c, rows.relative_humidity),
        _cloud(rows, sines),
        solar_h,
        rows.site.air_pressure_kpa,
    )
    return np.where(np.isnan(given), worked_out, given)


def _cloud(rows: WeatherRows, sines: Column) -> Column:
    """Cloud as the rows have it; where they have none, from the last two hours of daylight."""
    known = ~np.isnan(rows.cloud_fraction)
    if known.all():
        return rows.cloud_fraction
    clear = mean_over_rows(clear_sky_w_per_m2(sines))
    daylight = np.flatnonzero(clear >= DAYLIGHT_W_PER_M2)
    if not daylight.size:
        return np.where(known, rows.cloud_fraction, UNKNOWN_CLOUD)
    over = max(1, round(CLEARNESS_OVER_S / rows.step_s))
    clearness = _sum_of_last(rows.radiation_w_per_m2[daylight], over) / _sum_of_last(clear[daylight], over)
    latest = np.maximum(np.searchsorted(daylight, np.arange(len(rows)), side="right") - 1, 0)
    return np.where(known, rows.cloud_fraction, cloud_fraction_of_clearness(clearness)[latest])


def _sum_of_last(values: Column, count: int) -> Column:
    """At each place the sum of the last `count` values, or of as many as there were.

    >>> _sum_of_last(np.array([1.0, 2.0, 3.0]), 2).tolist()
    [1.0, 3.0, 5.0]
    """
    sums = np.cumsum(values)
    sums[count:] -= sums[:-count].copy()
    return sums
