"""The day as the core sees it: which part it is, until when, and whether the calendar is believed.

The shell works this out from the sun at the house; the core only reads it. Instants are monotonic seconds,
so that a step of the wall clock reaches the core as a new almanac and as nothing else.
"""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum


class DayPart(StrEnum):
    """The four parts of a day, in order from midnight on (night comes round again after dusk)."""

    NIGHT = "night"
    DAWN = "dawn"
    DAY = "day"
    DUSK = "dusk"


@dataclass(frozen=True, slots=True, kw_only=True)
class Almanac:
    """One part of one day at the house."""

    part: DayPart
    ends_s: float  # monotonic instant at which the next almanac is due
    local_date: date
    day_began_s: float  # monotonic instant of the midnight before, by the clock as it stands now
    is_light: bool  # the sun is up, by calendar or, while that is not trusted, by the light reading
    is_trusted: bool  # whether the calendar was believed when this was made
