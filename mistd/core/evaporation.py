"""How fast water leaves a surface that is never short of it: reference crops, and what the units come to.

Penman-Monteith with named constants (FAO-56, ASCE-EWRI) and Priestley-Taylor, over an hour, half an hour or a
day. A reference crop is a yardstick from the open field, with its own roughness and pores; water on a leaf is
in mistd.core.wet_leaf. Heat is in W/m2 and water in mm (litres to a square metre) over the period.

This file knows no sensor, no house and no leaf. A negative answer is dew, and is not hidden.
"""

from dataclasses import dataclass, replace
from math import log

from mistd.core.psychrometrics import (
    latent_heat_j_per_kg,
    psychrometric_constant_kpa_per_c,
    saturation_vapour_pressure_slope_kpa_per_c,
)
from mistd.core.units import S_PER_DAY, S_PER_HOUR, UM_PER_MM

FAO_LATENT_HEAT_J_PER_KG = 2.45e6  # FAO-56 and ASCE-EWRI fix it, and print 1 / 2.45 as 0.408
FAO_MM_PER_MJ_PER_M2 = 0.408
J_PER_MJ = 1e6
FAO_KELVIN_IN_WIND_TERM = 273.0  # as printed under the wind term of FAO-56 eq. 6

PRIESTLEY_TAYLOR_ALPHA = 1.26  # Priestley & Taylor (1972)

# FAO-56 eq. 47: the logarithmic wind profile over clipped grass.
WIND_AT_2_M_FACTOR = 4.87


def um_per_s_of_w_per_m2(heat_w_per_m2: float, water_c: float) -> float:
    """The depth of water that a flow of latent heat carries off.

    >>> round(um_per_s_of_w_per_m2(681.6, 20.0), 4)
    0.2778
    """
    return heat_w_per_m2 / latent_heat_j_per_kg(water_c) * UM_PER_MM


def wind_at_2_m_m_per_s(wind_m_per_s: float, height_m: float) -> float:
    """Wind at two metres over clipped grass, from wind at another height: FAO-56 eq. 47.

    Raises:
        ValueError: `height_m` is at or below the height where the profile's wind is nought (about 0.095 m).

    >>> round(wind_at_2_m_m_per_s(3.2, 10.0), 1)
    2.4
    """
    return wind_m_per_s * WIND_AT_2_M_FACTOR / log(67.8 * height_m - 5.42)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceSurface:
    """The constants of one standard crop for one length of period.

    The numerator (K mm s3/Mg over the period) and the resistances (s/m) are the standards' Cn and Cd; the
    ground's share is of net radiation. By night means while net radiation is negative (ASCE-EWRI 2005).
    """

    period_s: float
    numerator: float
    resistance_by_day: float
    resistance_by_night: float
    ground_by_day: float
    ground_by_night: float


# FAO-56 eq. 53 with eqs 45 and 46, and eq. 6; the half hour has half of the hour that goes into 900 a day.
FAO_HOURLY = ReferenceSurface(
    period_s=S_PER_HOUR,
    numerator=37.0,
    resistance_by_day=0.34,
    resistance_by_night=0.34,
    ground_by_day=0.1,
    ground_by_night=0.5,
)
FAO_DAILY = replace(FAO_HOURLY, period_s=S_PER_DAY, numerator=900.0, ground_by_day=0.0, ground_by_night=0.0)
FAO_HALF_HOURLY = replace(FAO_HOURLY, period_s=S_PER_HOUR / 2.0, numerator=900.0 / 48.0)

# ASCE-EWRI (2005), table 1 and eqs 65 and 66: clipped grass 0.12 m high (ETo) and alfalfa 0.5 m high (ETr).
ASCE_SHORT_HOURLY = replace(FAO_HOURLY, resistance_by_day=0.24, resistance_by_night=0.96)
ASCE_TALL_HOURLY = ReferenceSurface(
    period_s=S_PER_HOUR,
    numerator=66.0,
    resistance_by_day=0.25,
    resistance_by_night=1.7,
    ground_by_day=0.04,
    ground_by_night=0.2,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Means of one period over open ground; heat into the ground is the surface's share where it is None."""

    air_c: float
    deficit_kpa: float
    wind_2_m_m_per_s: float
    pressure_kpa: float
    net_w_per_m2: float
    ground_w_per_m2: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceEvaporation:
    """The two halves of a reference evaporation, in mm over the period."""

    by_radiation_mm: float
    by_air_mm: float

    @property
    def total_mm(self) -> float:
        """Both together."""
        return self.by_radiation_mm + self.by_air_mm


def reference_evaporation(weather: Weather, surface: ReferenceSurface) -> ReferenceEvaporation:
    """Evaporation of a standard crop over one period: FAO-56 eqs 6 and 53, ASCE-EWRI (2005) eq. 1.

    Whatever numbers go in come out: the constants were fitted to well-watered crops in the open field, for
    winds over about 0.5 m/s; in a house it is a yardstick between hours, no more.

    >>> afternoon = Weather(air_c=38.0, deficit_kpa=3.180, wind_2_m_m_per_s=3.3, pressure_kpa=101.2,
    ...                     net_w_per_m2=485.8)
    >>> round(reference_evaporation(afternoon, FAO_HOURLY).total_mm, 2)
    0.63
    """
    by_night = weather.net_w_per_m2 < 0.0
    resistance = surface.resistance_by_night if by_night else surface.resistance_by_day
    slope = saturation_vapour_pressure_slope_kpa_per_c(weather.air_c)
    psychrometric = psychrometric_constant_kpa_per_c(weather.pressure_kpa)
    below = slope + psychrometric * (1.0 + resistance * weather.wind_2_m_m_per_s)
    wind = surface.numerator / (weather.air_c + FAO_KELVIN_IN_WIND_TERM) * weather.wind_2_m_m_per_s
    available_mm = FAO_MM_PER_MJ_PER_M2 * _available_mj_per_m2(weather, surface)
    return ReferenceEvaporation(
        by_radiation_mm=slope * available_mm / below,
        by_air_mm=psychrometric * wind * weather.deficit_kpa / below,
    )


def _available_mj_per_m2(weather: Weather, surface: ReferenceSurface) -> float:
    """Net radiation less what goes into the ground, over the period."""
    ground_w_per_m2 = weather.ground_w_per_m2
    if ground_w_per_m2 is None:
        share = surface.ground_by_night if weather.net_w_per_m2 < 0.0 else surface.ground_by_day
        ground_w_per_m2 = share * weather.net_w_per_m2
    return (weather.net_w_per_m2 - ground_w_per_m2) * surface.period_s / J_PER_MJ


def priestley_taylor_mm(
    available_w_per_m2: float,
    air_c: float,
    pressure_kpa: float,
    period_s: float = S_PER_DAY,
    alpha: float = PRIESTLEY_TAYLOR_ALPHA,
) -> float:
    """Evaporation of a wide wet surface from radiation alone: Priestley & Taylor (1972).

    The air enters only through `alpha`; in dry moving air, as from a fan, the answer is far too low.

    >>> round(priestley_taylor_mm(100.0, 11.5, 94.9), 3)
    2.61
    """
    slope = saturation_vapour_pressure_slope_kpa_per_c(air_c)
    share = slope / (slope + psychrometric_constant_kpa_per_c(pressure_kpa))
    return alpha * share * available_w_per_m2 * period_s / FAO_LATENT_HEAT_J_PER_KG
