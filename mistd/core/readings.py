"""What an instrument said, when, and whether it can be believed.

This file knows the kinds of instrument, their units inside the program and the range in which a value is
possible at all. It does not know how a reading travels. A value outside its range is never used: it is
BAD, whatever the sender thinks of it.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite


class Quality(StrEnum):
    """How far a reading may be believed."""

    GOOD = "good"
    BAD = "bad"


class SensorKind(StrEnum):
    """What is measured; the value is the kind's name in configuration and on the bus."""

    AIR_TEMPERATURE = "air_temperature"
    RELATIVE_HUMIDITY = "relative_humidity"
    LIGHT = "light"
    SUPPLY_PRESSURE = "supply_pressure"
    FLOW = "flow"
    LEAF_TEMPERATURE = "leaf_temperature"
    LEAF_WETNESS = "leaf_wetness"


@dataclass(frozen=True, slots=True, kw_only=True)
class PossibleRange:
    """The values a working instrument of one kind in a propagation house can give, ends included."""

    lowest: float
    highest: float
    unit: str

    def has(self, value: float) -> bool:
        return isfinite(value) and self.lowest <= value <= self.highest


# Wide on purpose: a value outside is a broken wire or a wrong unit, not weather. The temperature's lower end
# leaves out the -127 that a common digital probe gives when it is not there (common practice, no source).
POSSIBLE: dict[SensorKind, PossibleRange] = {
    SensorKind.AIR_TEMPERATURE: PossibleRange(lowest=-40.0, highest=70.0, unit="c"),
    SensorKind.RELATIVE_HUMIDITY: PossibleRange(lowest=0.0, highest=1.0, unit="fraction"),
    SensorKind.LIGHT: PossibleRange(lowest=-5.0, highest=1500.0, unit="w_per_m2"),
    SensorKind.SUPPLY_PRESSURE: PossibleRange(lowest=-0.5, highest=16.0, unit="bar"),
    SensorKind.FLOW: PossibleRange(lowest=0.0, highest=1000.0, unit="l_per_min"),
    SensorKind.LEAF_TEMPERATURE: PossibleRange(lowest=-40.0, highest=70.0, unit="c"),
    # As the sensor sends it: each has a dry and a wet value of its own, and there is no value that means wet.
    SensorKind.LEAF_WETNESS: PossibleRange(lowest=-1e6, highest=1e6, unit="raw"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value of one sensor, in the unit of its kind, with the monotonic instant it was received."""

    value: float
    at_s: float
    quality: Quality = Quality.GOOD


def reading_of(kind: SensorKind, value: float, at_s: float) -> Reading:
    """Return the reading, BAD when the value is impossible for the kind (or not a finite number).

    >>> reading_of(SensorKind.AIR_TEMPERATURE, -127.0, 0.0).quality.value
    'bad'
    """
    quality = Quality.GOOD if POSSIBLE[kind].has(value) else Quality.BAD
    return Reading(value=value, at_s=at_s, quality=quality)
