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
BAR_PER_M = 0.0980665  # conventional metre of water: 1000 kg/m3 at 9.80665 m/s2; 1 bar is 10.197 m
UM_PER_MM = 1000.0  # of water: a kilogram on a square metre is a millimetre deep


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


def mm_per_h_of_um_per_s(rate_um_per_s: float) -> float:
    """Micrometres a second as millimetres (litres to a square metre) an hour.

    >>> mm_per_h_of_um_per_s(1.0)
    3.6
    """
    return rate_um_per_s * S_PER_HOUR / UM_PER_MM


def um_per_s_of_mm_per_h(rate_mm_per_h: float) -> float:
    """Millimetres (litres to a square metre) an hour as micrometres a second.

    >>> um_per_s_of_mm_per_h(7.2)
    2.0
    """
    return rate_mm_per_h * UM_PER_MM / S_PER_HOUR


def head_m_of_bar(pressure_bar: float) -> float:
    """Height of a column of conventional water with this pressure at its foot.

    >>> round(head_m_of_bar(1.0), 3)
    10.197
    """
    return pressure_bar / BAR_PER_M


def bar_of_head_m(head_m: float) -> float:
    """Pressure at the foot of a column of conventional water; water at 20 C weighs 0.2 % less."""
    return head_m * BAR_PER_M


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
        SensorKind.LEAF_TEMPERATURE: {"c": _same, "f": celsius_of_fahrenheit},
        SensorKind.LEAF_WETNESS: {"raw": _same},
    }
)
