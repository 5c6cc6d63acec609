"""The kinds of made-up days, in figures: the air, the wind and what the sky does to the light.

All figures are ours: weather for trials, of no place and no climate. It knows no seed and makes no day.
"""

from dataclasses import dataclass
from enum import StrEnum


class MadeUpKind(StrEnum):
    """What sort of days."""

    BRIGHT_DRY = "bright dry spell"
    OVERCAST = "overcast"
    HEAT_WAVE = "heat wave"
    FROST_NIGHT = "frost night"
    STORM_CLOUDS = "storm clouds"
    CHANGEABLE = "changeable"


K = MadeUpKind


@dataclass(frozen=True, slots=True, kw_only=True)
class DayCharacter:
    """A day of one kind: the air, the wind and what the sky does to the light."""

    coolest_c: float
    sun_warms_by_c: float  # were full sun to shine for ever
    dew_below_coolest_c: float
    dries_by_c: float  # fall of the dew point in full sun, as dry air is mixed down
    night_wind_m_per_s: float
    sun_wind_m_per_s: float  # more in full sun
    cloud_fraction: float
    clearness: float  # of the clear sky, in the mean; between clouds where they are broken
    clearness_wanders: float
    cloud_minutes: float = 0.0  # the mean passing of a cloud; 0: the sky is all of one kind
    sun_minutes: float = 0.0
    cloud_clearness: float = 0.0  # under a passing cloud


CHARACTERS = {
    K.BRIGHT_DRY: DayCharacter(
        coolest_c=11.0,
        sun_warms_by_c=21.0,
        dew_below_coolest_c=3.0,
        dries_by_c=4.0,
        night_wind_m_per_s=0.8,
        sun_wind_m_per_s=2.5,
        cloud_fraction=0.05,
        clearness=0.97,
        clearness_wanders=0.02,
    ),
    K.OVERCAST: DayCharacter(
        coolest_c=11.5,
        sun_warms_by_c=16.0,
        dew_below_coolest_c=0.8,
        dries_by_c=0.0,
        night_wind_m_per_s=2.0,
        sun_wind_m_per_s=3.0,
        cloud_fraction=1.0,
        clearness=0.25,
        clearness_wanders=0.07,
    ),
    K.HEAT_WAVE: DayCharacter(
        coolest_c=21.0,
        sun_warms_by_c=24.0,
        dew_below_coolest_c=7.0,
        dries_by_c=3.0,
        night_wind_m_per_s=0.6,
        sun_wind_m_per_s=2.0,
        cloud_fraction=0.1,
        clearness=0.95,
        clearness_wanders=0.03,
    ),
    K.FROST_NIGHT: DayCharacter(
        coolest_c=-3.5,
        sun_warms_by_c=20.0,
        dew_below_coolest_c=0.6,
        dries_by_c=1.0,
        night_wind_m_per_s=0.3,
        sun_wind_m_per_s=1.5,
        cloud_fraction=0.0,
        clearness=0.98,
        clearness_wanders=0.01,
    ),
    K.STORM_CLOUDS: DayCharacter(
        coolest_c=15.0,
        sun_warms_by_c=20.0,
        dew_below_coolest_c=1.0,
        dries_by_c=1.0,
        night_wind_m_per_s=1.5,
        sun_wind_m_per_s=5.0,
        cloud_fraction=0.6,
        clearness=1.0,
        clearness_wanders=0.02,
        cloud_minutes=6.0,
        sun_minutes=5.0,
        cloud_clearness=0.22,
    ),
}

# Which kind of day follows which when it is changeable, in shares. A frost does not follow a heat wave.
FOLLOWS: dict[MadeUpKind, dict[MadeUpKind, float]] = {
    K.BRIGHT_DRY: {
        K.BRIGHT_DRY: 0.45,
        K.HEAT_WAVE: 0.15,
        K.STORM_CLOUDS: 0.2,
        K.OVERCAST: 0.15,
        K.FROST_NIGHT: 0.05,
    },
    K.HEAT_WAVE: {K.HEAT_WAVE: 0.5, K.STORM_CLOUDS: 0.35, K.BRIGHT_DRY: 0.15},
    K.STORM_CLOUDS: {K.STORM_CLOUDS: 0.35, K.OVERCAST: 0.35, K.BRIGHT_DRY: 0.3},
    K.OVERCAST: {K.OVERCAST: 0.45, K.STORM_CLOUDS: 0.25, K.BRIGHT_DRY: 0.25, K.FROST_NIGHT: 0.05},
    K.FROST_NIGHT: {K.FROST_NIGHT: 0.3, K.BRIGHT_DRY: 0.4, K.OVERCAST: 0.3},
}
