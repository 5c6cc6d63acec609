"""Where the sun stands over a site, what light a sky without cloud lets through, how cold the sky radiates.

The sun is that of the Astronomical Almanac's short formulas (within 0.02 degrees), for whole arrays of
moments. It knows no weather file and no row. Ratios are fractions; arrays in, arrays of the same shape out.
"""

from datetime import UTC, datetime
from math import cos, pi, radians, sin

import numpy as np
from numpy.typing import NDArray

from simulators.plant.units import SECONDS_PER_DAY

Numbers = NDArray[np.float64]

J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
HOURS_A_DAY = 24.0
SOLAR_CONSTANT_W_PER_M2 = 1361.0  # Kopp & Lean 2011, from memory

# With the sun this far down the sky gives next to nothing; the slack covers refraction (0.6 degrees), typical
# years dated with another year than they were measured in, and stations that stand on a hill.
TWILIGHT_ENDS_DEG = -2.0
TWILIGHT_SHARE = 0.003  # light with the sun on the horizon, as a share of the light with it overhead; ours
LIGHT_POWER = 1.2  # light goes as the sine of the sun's height to this power: the shape of the BSRN limits

FREEZING_K = 273.15
SEA_LEVEL_MBAR = 1000.0  # of the pressure term in Martin & Berdahl
CLOUD_AS_BLACK = 0.9  # how much of the clear gap low opaque cloud closes; see `sky_below_air_c`


def sun_sines(begins_at: datetime, seconds: Numbers, *, latitude_deg: float, longitude_deg: float) -> Numbers:
    """Sines of the sun's height at so many seconds after `begins_at` (aware); negative below the horizon.

    The Astronomical Almanac's low-precision formulas (Michalsky 1988, Solar Energy 40: 227-235; coefficients
    from memory). No refraction. Within 0.02 degrees of pvlib's solar position (test_weather.py).
    """
    days = (begins_at - J2000).total_seconds() / SECONDS_PER_DAY + seconds / SECONDS_PER_DAY
    mean_longitude = np.radians((280.460 + 0.9856474 * days) % 360.0)
    anomaly = np.radians((357.528 + 0.9856003 * days) % 360.0)
    longitude = mean_longitude + np.radians(1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    tilt = radians(23.439 - 4e-7 * float(days.flat[0]))
    right_ascension = np.arctan2(cos(tilt) * np.sin(longitude), np.cos(longitude))
    declination_sine = sin(tilt) * np.sin(longitude)
    sidereal_h = (18.697374558 + 24.06570982441908 * days) % HOURS_A_DAY
    hour_angle = np.radians(sidereal_h * 15.0 + longitude_deg) - right_ascension
    latitude = radians(latitude_deg)
    level: Numbers = np.sqrt(1.0 - declination_sine**2) * np.cos(hour_angle)
    return np.asarray(sin(latitude) * declination_sine + cos(latitude) * level, dtype=np.float64)


def light_shape(sines: Numbers) -> Numbers:
    """How light goes with the sun's height, in no unit: nought from `TWILIGHT_ENDS_DEG` down."""
    dusk_sine = sin(radians(-TWILIGHT_ENDS_DEG))
    twilight = np.clip((sines + dusk_sine) / dusk_sine, 0.0, 1.0)
    return np.asarray(np.maximum(sines, 0.0) ** LIGHT_POWER + TWILIGHT_SHARE * twilight, dtype=np.float64)


def clear_sky_w_per_m2(sines: Numbers) -> Numbers:
    """Global radiation on the level under a cloudless sky: Haurwitz 1945 (as pvlib has it).

    For mean clear air near sea level; some 10 % either way with haze and height.

    >>> round(float(clear_sky_w_per_m2(np.array([0.5]))[0]), 1)
    487.9
    """
    above = np.maximum(sines, 1e-6)
    return np.asarray(np.where(sines > 0.0, 1098.0 * above * np.exp(-0.059 / above), 0.0), dtype=np.float64)


def above_the_air_w_per_m2(local_time: datetime) -> float:
    """Radiation square to the sun outside the atmosphere on this day: FAO-56 eq. 23 for the distance."""
    day_of_year = local_time.timetuple().tm_yday
    return SOLAR_CONSTANT_W_PER_M2 * (1.0 + 0.033 * cos(2.0 * pi * day_of_year / 365.0))


def rarest_w_per_m2(sines: Numbers, above_the_air: float) -> Numbers:
    """Global radiation that is "extremely rare": QCRad, Long & Shi 2008, from memory."""
    shape = np.maximum(sines, 0.0) ** LIGHT_POWER
    return np.asarray(1.2 * above_the_air * shape + 50.0, dtype=np.float64)


def possible_w_per_m2(sines: Numbers, above_the_air: float) -> Numbers:
    """Global radiation that is "physically possible": QCRad, Long & Shi 2008, from memory."""
    shape = np.maximum(sines, 0.0) ** LIGHT_POWER
    return np.asarray(1.5 * above_the_air * shape + 100.0, dtype=np.float64)


def cloud_fraction_of_clearness(clearness: Numbers) -> Numbers:
    """Cloud that warms the sky as much as FAO-56 has it for this share of the clear sky's light.

    FAO-56 eq. 39 weakens the net loss of heat to the sky by 1.35 Rs/Rso - 0.35: the rest is the cloud's. Over
    the three typical years that pvlib carries it comes to 0.06 less cloud than was observed, on the average.

    >>> [round(float(n), 2) for n in cloud_fraction_of_clearness(np.array([1.2, 0.6, 0.1]))]
    [0.0, 0.54, 1.0]
    """
    return np.asarray(1.0 - np.clip(1.35 * clearness - 0.35, 0.0, 1.0), dtype=np.float64)


def sky_below_air_c(
    temperature_c: Numbers, dew_c: Numbers, cloud_fraction: Numbers, solar_h: Numbers, pressure_kpa: float
) -> Numbers:
    """By how much colder than the air the sky radiates, as a black body.

    The clear sky by Martin & Berdahl 1984 (Solar Energy 33: 321-336), for dew points of -20 to 30 C:
    e0 = 0.711 + 0.56 d + 0.73 d2 + 0.013 cos(2 pi h / 24) + 0.00012 (P - 1000 mbar), d the dew point in
    hundreds of degrees, h hours after solar midnight. Cloud closes the gap: e = e0 + 0.9 (1 - e0) N. Their
    factor goes with the height of the cloud (exp(-height / 8.2 km): 0.88 at 1 km); 0.784 and 0.9 are in use
    in building simulation (second-hand: the sources of two such programs). From memory otherwise.
    """
    hundreds = dew_c / 100.0
    clear = 0.711 + 0.56 * hundreds + 0.73 * hundreds**2
    clear = clear + 0.013 * np.cos(2.0 * pi * solar_h / HOURS_A_DAY)
    clear = clear + 0.00012 * (10.0 * pressure_kpa - SEA_LEVEL_MBAR)
    emissivity = clear + CLOUD_AS_BLACK * (1.0 - clear) * cloud_fraction
    below = (temperature_c + FREEZING_K) * (1.0 - np.clip(emissivity, 0.0, 1.0) ** 0.25)
    return np.asarray(below, dtype=np.float64)
