"""What makes bursts happen: for now the timed cycle, a burst and a gap for each part of the day.

A cycle answers two questions: how long is a burst in this part of the day, and at which reading of which
meter is the next one due. It does not know valves, the line or other zones.

The gap runs from the moment the water of one burst stops to the moment the next is due.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

from mistd.core.almanac import DayPart


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedPart:
    """Burst and gap for one part of the day."""

    burst_s: float
    gap_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedCycle:
    """A timetable by part of the day; a part that is None has no mist of its own."""

    parts: Mapping[DayPart, TimedPart | None]

    def burst_s(self, part: DayPart) -> float | None:
        """Length of a burst in this part of the day; None when the part has none."""
        timed = self.parts[part]
        return timed.burst_s if timed else None

    def due_after(self, shut_at: float, part: DayPart, trim: float = 0.0) -> float:
        """The reading of the elapsed-time meter at which the next burst is due; infinite when none is.

        Args:
            shut_at: the meter's reading when the last burst stopped, minus infinity when there was none.
            part: the part of the day it is now.
            trim: how much more water a grower wants, as a fraction (less when negative); it shortens the gap
                and leaves the burst, which has to fill the line.
        """
        timed = self.parts[part]
        return shut_at + timed.gap_s / (1.0 + trim) if timed else inf

    def any_burst_s(self) -> float:
        """The longest burst of any part: what a person gets who asks for a burst in a part without one."""
        return max(timed.burst_s for timed in self.parts.values() if timed)
