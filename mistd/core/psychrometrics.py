"""Water vapour in air: saturation pressure and its slope, the deficit, the dew point.

Pressures here are vapour pressures over liquid water, in kPa; relative humidity is a fraction 0 to 1.

This file knows no sensor and no leaf. It repairs nothing: a reading out of range is the caller's to refuse,
and a humidity above 1 gives a negative deficit rather than a quiet zero.
"""

from math import exp, log

# Tetens' equation over water as FAO-56 eq. 11 prints it (Allen, Pereira, Raes & Smith 1998).
_AT_FREEZING_KPA = 0.6108
_TETENS_FACTOR = 17.27
_TETENS_OFFSET_C = 237.3


def saturation_vapour_pressure_kpa(temperature_c: float) -> float:
    """Pressure of water vapour over liquid water at saturation.

    Tetens' equation, FAO-56 eq. 11. From 0 to 50 C within 0.15 % of the steam-table values printed in the
    ASHRAE Handbook (tests/core/test_psychrometrics.py). Below 0 C it stays over supercooled water, not ice.

    >>> round(saturation_vapour_pressure_kpa(25.0), 3)
    3.168
    """
    return _AT_FREEZING_KPA * exp(_TETENS_FACTOR * temperature_c / (temperature_c + _TETENS_OFFSET_C))


def saturation_vapour_pressure_slope_kpa_per_c(temperature_c: float) -> float:
    """Rise of the saturation pressure with temperature: FAO-56 eq. 13, the derivative of eq. 11.

    >>> round(saturation_vapour_pressure_slope_kpa_per_c(25.0), 3)
    0.189
    """
    # FAO-56 prints the product 17.27 x 237.3 as 4098.
    return 4098.0 * saturation_vapour_pressure_kpa(temperature_c) / (temperature_c + _TETENS_OFFSET_C) ** 2


def vapour_pressure_deficit_kpa(air_c: float, relative_humidity: float) -> float:
    """How much more vapour pressure air at `air_c` could hold; `relative_humidity` is 0 to 1.

    FAO-56 eq. 11 with the definition of relative humidity (eq. 10). Nought in saturated air.

    >>> round(vapour_pressure_deficit_kpa(25.0, 0.50), 3)
    1.584
    """
    return saturation_vapour_pressure_kpa(air_c) * (1.0 - relative_humidity)


def dew_point_c(air_c: float, relative_humidity: float) -> float:
    """Temperature at which this air would be saturated: eq. 11 solved for temperature.

    Raises:
        ValueError: the humidity is nought or less; perfectly dry air has no dew point.

    >>> round(dew_point_c(25.0, 0.50), 2)
    13.86
    """
    if relative_humidity <= 0.0:
        raise ValueError(f"relative humidity {relative_humidity:g}: a dew point needs more than 0")
    ratio = log(relative_humidity) + _TETENS_FACTOR * air_c / (air_c + _TETENS_OFFSET_C)
    return _TETENS_OFFSET_C * ratio / (_TETENS_FACTOR - ratio)
