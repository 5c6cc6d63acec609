"""Water vapour in air: saturation, deficits, dew point, wet bulb, humidity ratio, pressure, heat content.

Vapour pressures are over liquid water and in kPa, air pressure too; relative humidity is a fraction 0 to 1.

This file knows no sensor, and of a leaf only its temperature. It repairs nothing: a reading out of range is
the caller's to refuse, and a humidity above 1 gives a negative deficit rather than a quiet zero.
"""

from math import exp, log

STANDARD_PRESSURE_KPA = 101.325  # ASHRAE and ICAO standard atmosphere at sea level
KELVIN_OF_ZERO_C = 273.15

# Tetens' equation over water as FAO-56 eq. 11 prints it (Allen, Pereira, Raes & Smith 1998).
_AT_FREEZING_KPA = 0.6108
_TETENS_FACTOR = 17.27
_TETENS_OFFSET_C = 237.3

# FAO-56 eq. 7: a simplified ideal atmosphere, 293 K at sea level.
_SEA_LEVEL_KPA = 101.3
_SEA_LEVEL_K = 293.0
LAPSE_K_PER_M = 0.0065
_ATMOSPHERE_EXPONENT = 5.26

_PSYCHROMETRIC_PER_C = 0.665e-3  # FAO-56 eq. 8: latent heat 2.45 MJ/kg, specific heat 1.013 kJ/kg/C

# FAO-56 eq. 16: how much faster a wet bulb is cooled than the air is dried, by the draught over it.
ASPIRATED_PER_C = 0.000662  # about 5 m/s
NATURALLY_VENTILATED_PER_C = 0.000800  # about 1 m/s
INDOORS_PER_C = 0.001200  # not ventilated

# ASHRAE Handbook - Fundamentals (2017), ch. 1.
_WATER_TO_AIR_MASS = 0.621945  # eq. 20
_GAS_CONSTANT_KJ_PER_KG_K = 0.287042  # of dry air
_DRY_AIR_J_PER_KG_C = 1006.0  # eqs 27 and 30
_VAPOUR_AT_ZERO_J_PER_KG = 2.501e6
_VAPOUR_J_PER_KG_C = 1860.0
_LIQUID_J_PER_KG_C = 4186.0  # eq. 33

# The wet bulb is found by Newton's steps; four or five of them are the usual number.
_CLOSE_ENOUGH_C = 1e-6
_MOST_STEPS = 50


def saturation_vapour_pressure_kpa(temperature_c: float) -> float:
    """Pressure of water vapour over liquid water at saturation.

    Tetens' equation, FAO-56 eq. 11. From 0 to 50 C within 0.15 % of the steam-table values printed in the
    ASHRAE Handbook, 0.8 % high at 100 C. Below 0 C it stays over supercooled water, not ice: 5 % above the
    pressure over ice at -5 C.

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


def vapour_pressure_kpa(air_c: float, relative_humidity: float) -> float:
    """The vapour pressure that air at `air_c` has: FAO-56 eq. 10, the definition of relative humidity.

    >>> round(vapour_pressure_kpa(38.0, 0.52), 3)
    3.445
    """
    return relative_humidity * saturation_vapour_pressure_kpa(air_c)


def vapour_pressure_deficit_kpa(air_c: float, relative_humidity: float) -> float:
    """How much more vapour pressure air at `air_c` could hold; `relative_humidity` is 0 to 1.

    FAO-56 eq. 11 with the definition of relative humidity (eq. 10). Nought in saturated air.

    >>> round(vapour_pressure_deficit_kpa(25.0, 0.50), 3)
    1.584
    """
    return saturation_vapour_pressure_kpa(air_c) * (1.0 - relative_humidity)


def leaf_to_air_deficit_kpa(leaf_c: float, air_c: float, relative_humidity: float) -> float:
    """The pull on a leaf's water: saturation at the leaf's temperature less the vapour pressure of the air.

    A leaf in the sun is warmer than the air and pulls more than the air's own deficit; below the air's dew
    point it gathers dew and the answer is negative.

    >>> round(leaf_to_air_deficit_kpa(28.0, 25.0, 0.70), 3)
    1.562
    """
    return saturation_vapour_pressure_kpa(leaf_c) - vapour_pressure_kpa(air_c, relative_humidity)


def wet_bulb_vapour_pressure_kpa(
    dry_c: float, wet_c: float, pressure_kpa: float, psychrometer_per_c: float = ASPIRATED_PER_C
) -> float:
    """Vapour pressure from a pair of thermometers, one in a wet sleeve: FAO-56 eqs 15 and 16.

    `psychrometer_per_c` is how well the wet one is ventilated: one of the three constants above. Taking still
    air for aspirated gives some 0.3 kPa too much at 6 C of depression.

    >>> round(wet_bulb_vapour_pressure_kpa(25.6, 19.5, 87.9), 2)
    1.91
    """
    depression_c = dry_c - wet_c
    return saturation_vapour_pressure_kpa(wet_c) - psychrometer_per_c * pressure_kpa * depression_c


def dew_point_c(air_c: float, relative_humidity: float) -> float:
    """Temperature at which this air would be saturated: eq. 11 solved for temperature.

    By ASHRAE's own formulas the answer is within 0.02 C of this from 0 to 50 C, where it is above freezing.

    Raises:
        ValueError: the humidity is nought or less; perfectly dry air has no dew point.

    >>> round(dew_point_c(25.0, 0.50), 2)
    13.86
    """
    if relative_humidity <= 0.0:
        raise ValueError(f"relative humidity {relative_humidity:g}: a dew point needs more than 0")
    ratio = log(relative_humidity) + _TETENS_FACTOR * air_c / (air_c + _TETENS_OFFSET_C)
    return _TETENS_OFFSET_C * ratio / (_TETENS_FACTOR - ratio)


def humidity_ratio(vapour_kpa: float, pressure_kpa: float = STANDARD_PRESSURE_KPA) -> float:
    """Kilograms of vapour to a kilogram of dry air: ASHRAE Fundamentals 2017 ch. 1 eq. 20, ideal gases.

    The printed tables, which know real gases, are up to 0.8 % higher from 0 to 50 C.

    >>> round(humidity_ratio(3.1697, 95.461), 5)
    0.02136
    """
    return _WATER_TO_AIR_MASS * vapour_kpa / (pressure_kpa - vapour_kpa)


def enthalpy_j_per_kg(air_c: float, moisture: float) -> float:
    """Heat content of moist air to a kilogram of dry air, nought for dry air at 0 C: ASHRAE eq. 30.

    `moisture` is a humidity ratio. Within 1 % of the printed tables from 5 to 50 C.

    >>> round(enthalpy_j_per_kg(40.0, 0.0065))
    56980
    """
    return _DRY_AIR_J_PER_KG_C * air_c + moisture * (_VAPOUR_AT_ZERO_J_PER_KG + _VAPOUR_J_PER_KG_C * air_c)


def density_kg_per_m3(air_c: float, moisture: float, pressure_kpa: float = STANDARD_PRESSURE_KPA) -> float:
    """Mass of moist air in a cubic metre: ASHRAE eqs 25 and 26, ideal gases. `moisture` is a humidity ratio.

    >>> round(density_kg_per_m3(20.0, 0.0), 3)
    1.204
    """
    absolute_k = air_c + KELVIN_OF_ZERO_C
    dry_m3_per_kg = _GAS_CONSTANT_KJ_PER_KG_K * absolute_k / pressure_kpa
    return (1.0 + moisture) / (dry_m3_per_kg * (1.0 + moisture / _WATER_TO_AIR_MASS))


def wet_bulb_c(air_c: float, relative_humidity: float, pressure_kpa: float = STANDARD_PRESSURE_KPA) -> float:
    """Temperature of air brought to saturation by water that ends at that same temperature.

    The thermodynamic wet bulb, ASHRAE eq. 33: the enthalpy at saturation is that of the air and of the water
    it took up. With ASHRAE's own saturation formula the answer is within 0.01 C of this, with real gases
    within 0.03 C, from 0 to 50 C, 5 to 100 % and 70 to 102 kPa (tests/core/test_against_libraries.py), where
    the wet bulb is above freezing; below, this one stays wet and theirs is iced.

    >>> round(wet_bulb_c(25.0, 0.50), 2)
    17.89
    """
    moisture = humidity_ratio(vapour_pressure_kpa(air_c, relative_humidity), pressure_kpa)
    heat_j_per_kg = enthalpy_j_per_kg(air_c, moisture)
    wet_c = air_c  # the balance is convex and rising: from the warm side each step falls short of the answer
    for _ in range(_MOST_STEPS):
        step_c = _wet_bulb_step_c(wet_c, moisture, heat_j_per_kg, pressure_kpa)
        wet_c -= step_c
        if abs(step_c) < _CLOSE_ENOUGH_C:
            break
    return wet_c


def _wet_bulb_step_c(wet_c: float, moisture: float, heat_j_per_kg: float, pressure_kpa: float) -> float:
    """Newton's step: what the balance of heat is out by at `wet_c`, over how fast it grows."""
    saturated_kpa = saturation_vapour_pressure_kpa(wet_c)
    saturated = humidity_ratio(saturated_kpa, pressure_kpa)
    rise_kpa_per_c = saturation_vapour_pressure_slope_kpa_per_c(wet_c)
    rise_per_c = rise_kpa_per_c * _WATER_TO_AIR_MASS * pressure_kpa / (pressure_kpa - saturated_kpa) ** 2
    taken_up = saturated - moisture
    out_by = enthalpy_j_per_kg(wet_c, saturated) - heat_j_per_kg - taken_up * _LIQUID_J_PER_KG_C * wet_c
    grows_by = (
        _DRY_AIR_J_PER_KG_C
        + _VAPOUR_J_PER_KG_C * saturated
        + rise_per_c * (_VAPOUR_AT_ZERO_J_PER_KG + (_VAPOUR_J_PER_KG_C - _LIQUID_J_PER_KG_C) * wet_c)
        - _LIQUID_J_PER_KG_C * taken_up
    )
    return out_by / grows_by


def air_pressure_kpa(elevation_m: float) -> float:
    """Mean pressure at a height above the sea: FAO-56 eq. 7.

    Within 0.2 % of the ICAO standard atmosphere from -500 to 1000 m, 0.9 % high at 4000 m. Weather moves the
    true pressure by 3 % either way.

    >>> round(air_pressure_kpa(1800.0), 1)
    81.8
    """
    colder = (_SEA_LEVEL_K - LAPSE_K_PER_M * elevation_m) / _SEA_LEVEL_K
    share: float = colder**_ATMOSPHERE_EXPONENT
    return _SEA_LEVEL_KPA * share


def psychrometric_constant_kpa_per_c(pressure_kpa: float) -> float:
    """The vapour pressure that is worth as much heat as a degree of air: FAO-56 eq. 8.

    Latent heat is fixed at 2.45 MJ/kg in it, which makes it 2 % high at 0 C and 2 % low at 40 C.

    >>> round(psychrometric_constant_kpa_per_c(air_pressure_kpa(1800.0)), 3)
    0.054
    """
    return _PSYCHROMETRIC_PER_C * pressure_kpa


def latent_heat_j_per_kg(temperature_c: float) -> float:
    """Heat that turns a kilogram of water at this temperature into vapour: 2.501 - 0.002361 T MJ/kg.

    Harrison (1963), as FAO-56 annex 3 and the ASCE standard give it.

    >>> round(latent_heat_j_per_kg(20.0), -4)
    2450000.0
    """
    return 2.501e6 - 2361.0 * temperature_c
