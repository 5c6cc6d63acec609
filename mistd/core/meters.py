"""Meters: quantities that only grow, integrated exactly between readings.

A zone holds marks against a meter ("due when it reads X"), so that a cycle driven by demand costs what a
timed one does: nothing until its mark. A meter's rate is constant between two changes, so both questions,
what does it read at an instant and when will it read a value, have closed answers.
"""

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """A growing quantity: its reading at one instant and its rate since, in units of the meter per second."""

    reading: float
    at_s: float
    rate_per_s: float

    def reads(self, now_s: float) -> float:
        """The meter's reading at an instant not before its last change."""
        return self.reading + self.rate_per_s * (now_s - self.at_s)

    def reaches_at_s(self, mark: float) -> float:
        """The instant at which the meter reads `mark`; infinite when at this rate it never will.

        A mark already passed gives the instant at which it was passed, as if the present rate had held.

        >>> Meter(reading=10.0, at_s=100.0, rate_per_s=0.5).reaches_at_s(40.0)
        160.0
        """
        if self.rate_per_s > 0.0:
            return self.at_s + (mark - self.reading) / self.rate_per_s
        return self.at_s if mark <= self.reading else inf

    def changed(self, rate_per_s: float, now_s: float) -> "Meter":
        """The same meter with another rate from now on.

        Raises:
            ValueError: the rate is negative: a meter only grows.
        """
        if rate_per_s < 0.0:
            raise ValueError(f"a meter only grows, not at {rate_per_s} per second")
        return Meter(reading=self.reads(now_s), at_s=now_s, rate_per_s=rate_per_s)


# Reads the monotonic clock: the meter of the timed cycle.
ELAPSED_TIME = Meter(reading=0.0, at_s=0.0, rate_per_s=1.0)
