"""Units at the edges of the program: what people and instruments say, into what the core uses.

Inside, every name ends in its unit; a conversion elsewhere than in this file is a mistake.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from mistd.core.readings import SensorKind

S_PER_MIN = 60.0
S_PER_HOUR = 3600.0
S_PER_DAY = 86_400.0
PERCENT = 100.0
KPA_PER_BAR = 100.0
BAR_PER_PSI = 0.0689476  # NIST SP 811, 6.894757 kPa


def seconds_of_minutes(minutes: float) -> float:
    return minutes * S_PER_MIN


def minutes_of_seconds(seconds: float) -> float:
    return seconds / S_PER_MIN


def celsius_of_fahrenheit(fahrenheit: float) -> float:
    """Degrees Celsius.

    >>> celsius_of_fahrenheit(77.0)
    25.0
    """
    return (fahrenheit - 32.0) / 1.8


def _same(value: float) -> float:
    return value


# For each kind, what an instrument may send and how it becomes the core's unit; the first is the default.
SENSOR_UNITS: Mapping[SensorKind, Mapping[str, Callable[[float], float]]] = MappingProxyType(
    {
        SensorKind.AIR_TEMPERATURE: {"c": _same, "f": celsius_of_fahrenheit},
        SensorKind.RELATIVE_HUMIDITY: {"percent": lambda percent: percent / 100.0, "fraction": _same},
        SensorKind.LIGHT: {"w_per_m2": _same},
        SensorKind.SUPPLY_PRESSURE: {
            "bar": _same,
            "kpa": lambda kpa: kpa / KPA_PER_BAR,
            "psi": lambda psi: psi * BAR_PER_PSI,
        },
        SensorKind.FLOW: {"l_per_min": _same},
    }
)
