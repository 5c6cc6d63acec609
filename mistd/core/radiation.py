"""Sun and sky in the open: what reaches the earth, what a surface keeps of it, what it loses to the sky.

Chapter 3 of FAO-56 (Allen, Pereira, Raes & Smith 1998) for periods of about an hour and for days, in mean
watts per square metre of level ground. Angles are in radians but for the place's own, which are in degrees,
north and east positive. `utc_hour` is the middle of the period, 0 to 24, and `day_of_year` counts from 1.

This file knows no house, no leaf, no calendar and no horizon but a level one.
"""

from dataclasses import dataclass
from math import acos, asin, cos, pi, radians, sin, sqrt, tan

HOURS_A_DAY = 24.0
DAYS_A_YEAR = 365.0
DEGREES_AN_HOUR = 15.0
SOLAR_NOON_H = 12.0

SOLAR_CONSTANT_W_PER_M2 = 0.0820e6 / 60.0  # FAO-56 prints 0.0820 MJ/m2/min
STEFAN_BOLTZMANN_W_PER_M2_K4 = 4.903e-3 / 86_400.0  # FAO-56 prints 4.903e-9 MJ/K4/m2/d
FAO_KELVIN_OF_ZERO_C = 273.16  # as FAO-56 prints it in eq. 39

GRASS_REFLECTS = 0.23  # FAO-56 eq. 38: the reference crop

# FAO-56 eqs 36 and 37: shares of extraterrestrial radiation reaching the ground.
OVERCAST_SHARE = 0.25
SUNSHINE_SHARE = 0.50
CLEARER_PER_M = 2e-5

# The clearness eq. 39 was fitted to. FAO-56 names the upper end; ASCE-EWRI (2005) eq. 45 the lower.
LEAST_CLEARNESS = 0.3
MOST_CLEARNESS = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A point on the earth: degrees north, degrees east and metres above the sea."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0


def inverse_relative_distance(day_of_year: int) -> float:
    """How much stronger than its yearly mean the sun shines on this day: FAO-56 eq. 23.

    >>> round(inverse_relative_distance(246), 3)
    0.985
    """
    return 1.0 + 0.033 * cos(2.0 * pi * day_of_year / DAYS_A_YEAR)


def declination_rad(day_of_year: int) -> float:
    """How far north of the equator the sun stands: FAO-56 eq. 24.

    >>> round(declination_rad(246), 3)
    0.12
    """
    return 0.409 * sin(2.0 * pi * day_of_year / DAYS_A_YEAR - 1.39)


def sunset_hour_angle_rad(latitude_deg: float, day_of_year: int) -> float:
    """Half the day's length as an angle: FAO-56 eq. 25; 0 in polar night and pi where the sun does not set.

    >>> round(sunset_hour_angle_rad(-20.0, 246), 3)
    1.527
    """
    cosine = -tan(radians(latitude_deg)) * tan(declination_rad(day_of_year))
    return acos(min(1.0, max(-1.0, cosine)))


def daylight_h(latitude_deg: float, day_of_year: int) -> float:
    """Hours from sunrise to sunset: FAO-56 eq. 34, without the sun's width and refraction.

    >>> round(daylight_h(50.8, 187), 1)
    16.1
    """
    return HOURS_A_DAY / pi * sunset_hour_angle_rad(latitude_deg, day_of_year)


def seasonal_correction_h(day_of_year: int) -> float:
    """How far a sundial is ahead of the mean sun: FAO-56 eqs 32 and 33.

    >>> round(seasonal_correction_h(274), 4)
    0.1889
    """
    angle = 2.0 * pi * (day_of_year - 81) / 364.0
    return 0.1645 * sin(2.0 * angle) - 0.1255 * cos(angle) - 0.025 * sin(angle)


def hour_angle_rad(longitude_deg: float, day_of_year: int, utc_hour: float) -> float:
    """The sun's angle from its noon, -pi to pi: FAO-56 eq. 31, with its zone time turned to universal time.

    >>> round(hour_angle_rad(-16.25, 274, 15.5), 3)
    0.682
    """
    solar_h = utc_hour + longitude_deg / DEGREES_AN_HOUR + seasonal_correction_h(day_of_year)
    return (solar_h % HOURS_A_DAY - SOLAR_NOON_H) * 2.0 * pi / HOURS_A_DAY


def sun_elevation_rad(spot: Spot, day_of_year: int, utc_hour: float) -> float:
    """Height of the sun's centre above a level horizon, below it negative: ASCE-EWRI (2005) eq. 62.

    >>> round(sun_elevation_rad(Spot(latitude_deg=16.2167, longitude_deg=-16.25), 274, 15.5), 2)
    0.81
    """
    latitude = radians(spot.latitude_deg)
    declination = declination_rad(day_of_year)
    angle = hour_angle_rad(spot.longitude_deg, day_of_year, utc_hour)
    return asin(sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(angle))


def extraterrestrial_w_per_m2(spot: Spot, day_of_year: int, utc_hour: float, period_h: float = 1.0) -> float:
    """Mean sunshine above the atmosphere over a period about `utc_hour`: FAO-56 eqs 28 to 30.

    A period that the sun rises or sets in counts from or to that moment (ASCE-EWRI 2005 eq. 56), so nothing
    shines from below the horizon. Where the night is shorter than the period, only the light on the middle's
    own side of midnight counts.

    >>> spot = Spot(latitude_deg=16.2167, longitude_deg=-16.25)
    >>> round(0.0036 * extraterrestrial_w_per_m2(spot, 274, 15.5), 3)
    3.543
    """
    sunset = sunset_hour_angle_rad(spot.latitude_deg, day_of_year)
    middle = hour_angle_rad(spot.longitude_deg, day_of_year, utc_hour)
    half = period_h * pi / HOURS_A_DAY
    begins, ends = middle - half, middle + half
    if sunset < pi:
        begins, ends = (min(sunset, max(-sunset, angle)) for angle in (begins, ends))
    return _mean_w_per_m2(spot.latitude_deg, day_of_year, begins, ends) * pi / half


def daily_extraterrestrial_w_per_m2(latitude_deg: float, day_of_year: int) -> float:
    """The same as the mean of a whole day, night included: FAO-56 eq. 21.

    >>> round(0.0864 * daily_extraterrestrial_w_per_m2(-20.0, 246), 1)
    32.2
    """
    sunset = sunset_hour_angle_rad(latitude_deg, day_of_year)
    return _mean_w_per_m2(latitude_deg, day_of_year, -sunset, sunset)


def _mean_w_per_m2(latitude_deg: float, day_of_year: int, begins: float, ends: float) -> float:
    """What shines between two hour angles, spread over a day."""
    latitude, declination = radians(latitude_deg), declination_rad(day_of_year)
    steady = (ends - begins) * sin(latitude) * sin(declination)
    swinging = (sin(ends) - sin(begins)) * cos(latitude) * cos(declination)
    beam_w_per_m2 = SOLAR_CONSTANT_W_PER_M2 * inverse_relative_distance(day_of_year)
    return beam_w_per_m2 * (steady + swinging) / (2.0 * pi)


def global_w_per_m2(extraterrestrial_w_per_m2: float, sunshine: float) -> float:
    """Sun and sky on level ground, for a share `sunshine` of the daylight with bright sun: FAO-56 eq. 35.

    Angstrom's formula with the constants FAO-56 gives where none were fitted. For whole days.

    >>> round(global_w_per_m2(100.0, 1.0), 1)
    75.0
    """
    return (OVERCAST_SHARE + SUNSHINE_SHARE * sunshine) * extraterrestrial_w_per_m2


def clear_sky_w_per_m2(extraterrestrial_w_per_m2: float, elevation_m: float) -> float:
    """Sun and sky on level ground under a clear sky: FAO-56 eq. 37. Too much when the sun is low.

    >>> round(clear_sky_w_per_m2(100.0, 1000.0), 1)
    77.0
    """
    share = OVERCAST_SHARE + SUNSHINE_SHARE + CLEARER_PER_M * elevation_m
    return share * extraterrestrial_w_per_m2


def clearness(global_w_per_m2: float, clear_sky_w_per_m2: float) -> float:
    """Global radiation as a share of a clear sky's, kept to 0.3 to 1, the range eq. 39 was fitted to.

    Raises:
        ValueError: there is no clear-sky radiation: at night the clearness has to come from elsewhere, such
            as the late afternoon before (FAO-56, chapter 4, on hours).

    >>> clearness(300.0, 600.0)
    0.5
    """
    if clear_sky_w_per_m2 <= 0.0:
        raise ValueError(f"clear-sky radiation {clear_sky_w_per_m2:g} W/m2: no clearness without sun")
    return min(MOST_CLEARNESS, max(LEAST_CLEARNESS, global_w_per_m2 / clear_sky_w_per_m2))


def net_shortwave_w_per_m2(global_w_per_m2: float, reflects: float = GRASS_REFLECTS) -> float:
    """What a surface keeps of sun and sky: FAO-56 eq. 38.

    >>> round(net_shortwave_w_per_m2(100.0), 1)
    77.0
    """
    return (1.0 - reflects) * global_w_per_m2


def net_longwave_w_per_m2(air_c: float, vapour_kpa: float, clearness: float) -> float:
    """What a surface at air temperature loses to the sky, a loss being positive: FAO-56 eq. 39.

    For a whole day FAO-56 takes the mean of the answers at its highest and lowest temperature. An empirical
    fit to days in the open, used for hours as FAO-56 does.

    >>> round(0.0036 * net_longwave_w_per_m2(28.0, 3.402, 0.8), 3)
    0.1
    """
    emitted_w_per_m2 = STEFAN_BOLTZMANN_W_PER_M2_K4 * (air_c + FAO_KELVIN_OF_ZERO_C) ** 4
    return emitted_w_per_m2 * (0.34 - 0.14 * sqrt(vapour_kpa)) * (1.35 * clearness - 0.35)
