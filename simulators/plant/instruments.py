"""What instruments make of the truth: lag, noise, steps of the last digit, and instruments that break.

An instrument follows the truth all the time and is read now and then. It knows no sensor bus and no clock;
its randomness is its own, handed in, so that reading one instrument never changes what another says.
"""

from dataclasses import dataclass
from enum import Enum
from math import exp
from random import Random

from mistd.core.readings import SensorKind


class InstrumentFault(Enum):
    """Ways to break that can be injected."""

    DROPPED_OUT = "dropped out"  # says nothing
    FROZEN = "frozen"  # repeats what it said last


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentPlan:
    """How good an instrument is, in the unit of its kind."""

    lag_s: float  # time constant, first order
    noise: float  # standard deviation of one reading
    last_digit: float  # readings are multiples of this
    lowest: float = float("-inf")
    highest: float = float("inf")


# Ours: middling digital instruments as a nursery would buy, in a ventilated screen; no data sheet is copied.
INSTRUMENTS: dict[SensorKind, InstrumentPlan] = {
    SensorKind.AIR_TEMPERATURE: InstrumentPlan(lag_s=60.0, noise=0.05, last_digit=0.1),
    SensorKind.RELATIVE_HUMIDITY: InstrumentPlan(
        lag_s=30.0, noise=0.004, last_digit=0.001, lowest=0.0, highest=1.0
    ),
    SensorKind.LIGHT: InstrumentPlan(lag_s=1.0, noise=1.0, last_digit=1.0, lowest=0.0),
    SensorKind.SUPPLY_PRESSURE: InstrumentPlan(lag_s=0.05, noise=0.01, last_digit=0.01, lowest=0.0),
    SensorKind.FLOW: InstrumentPlan(lag_s=0.3, noise=0.02, last_digit=0.05, lowest=0.0),
}


class Instrument:
    """One instrument, following one quantity."""

    __slots__ = ("_followed", "_last_reading", "_plan", "_rng", "fault")

    def __init__(self, plan: InstrumentPlan, truth: float, rng: Random) -> None:
        self._plan = plan
        self._rng = rng
        self._followed = truth
        self._last_reading: float | None = None
        self.fault: InstrumentFault | None = None

    def follow(self, truth: float, dt_s: float) -> None:
        """Spend so long beside a truth that stands still: first-order lag, exact for any step."""
        self._followed = truth + (self._followed - truth) * exp(-dt_s / self._plan.lag_s)

    def reading(self) -> float | None:
        """What it says now; None when it says nothing."""
        if self.fault is InstrumentFault.DROPPED_OUT:
            return None
        if self.fault is InstrumentFault.FROZEN and self._last_reading is not None:
            return self._last_reading
        plan = self._plan
        noisy = self._followed + self._rng.gauss(0.0, plan.noise)
        stepped = plan.last_digit * round(noisy / plan.last_digit)
        self._last_reading = max(plan.lowest, min(plan.highest, stepped))
        return self._last_reading
