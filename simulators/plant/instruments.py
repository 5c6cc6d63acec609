"""What instruments make of the truth: lag, noise, steps of the last digit, wear, and instruments that break.

An instrument follows the truth all the time and is read now and then. It knows no sensor bus and no clock;
its randomness is its own, handed in, so that reading one instrument never changes what another says.
"""

from dataclasses import dataclass
from enum import Enum
from math import exp, isfinite
from random import Random

from mistd.core.readings import SensorKind
from simulators.plant.units import SECONDS_PER_DAY


class InstrumentFault(Enum):
    """Ways to break that can be injected."""

    DROPPED_OUT = "dropped out"  # says nothing
    FROZEN = "frozen"  # repeats what it said last
    RAILED_LOW = "railed low"  # stands at the low end of its range
    RAILED_HIGH = "railed high"  # stands at the high end


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentPlan:
    """How good an instrument is, in the unit of its kind."""

    lag_s: float  # time constant, first order
    noise: float  # standard deviation of one reading
    last_digit: float  # readings are multiples of this
    lowest: float = float("-inf")
    highest: float = float("inf")
    offset: float = 0.0  # reads so much too high from the first day
    drift_per_day: float = 0.0  # and so much more each day, until recalibrated
    fouling_share_per_day: float = 0.0  # reads high by a share that grows so much a day, until cleaned
    lost_share: float = 0.0  # of single readings that never arrive


# Ours: middling digital instruments as a nursery would buy, in a ventilated screen; no data sheet is copied.
PRESSURE_TRANSDUCER = InstrumentPlan(lag_s=0.05, noise=0.01, last_digit=0.01, lowest=0.0, highest=10.0)
INSTRUMENTS: dict[SensorKind, InstrumentPlan] = {
    SensorKind.AIR_TEMPERATURE: InstrumentPlan(
        lag_s=60.0, noise=0.05, last_digit=0.1, lowest=-40.0, highest=80.0
    ),
    SensorKind.RELATIVE_HUMIDITY: InstrumentPlan(
        lag_s=30.0, noise=0.004, last_digit=0.001, lowest=0.0, highest=1.0
    ),
    SensorKind.LIGHT: InstrumentPlan(lag_s=1.0, noise=1.0, last_digit=1.0, lowest=0.0, highest=2000.0),
    SensorKind.SUPPLY_PRESSURE: PRESSURE_TRANSDUCER,
    SensorKind.FLOW: InstrumentPlan(lag_s=0.3, noise=0.02, last_digit=0.05, lowest=0.0, highest=200.0),
}


class Instrument:
    """One instrument, following one quantity."""

    __slots__ = (
        "_calibrated_s",
        "_cleaned_s",
        "_followed",
        "_last_reading",
        "_lived_s",
        "_plan",
        "_rng",
        "fault",
    )

    def __init__(self, plan: InstrumentPlan, truth: float, rng: Random) -> None:
        self._plan = plan
        self._rng = rng
        self._followed = truth
        self._last_reading: float | None = None
        self._lived_s = self._calibrated_s = self._cleaned_s = 0.0
        self.fault: InstrumentFault | None = None

    @property
    def drift(self) -> float:
        """How much it reads too high by drift alone, in its unit."""
        return self._plan.drift_per_day * (self._lived_s - self._calibrated_s) / SECONDS_PER_DAY

    @property
    def fouling_share(self) -> float:
        """By what share it reads too high through dirt; below nought: too low."""
        return self._plan.fouling_share_per_day * (self._lived_s - self._cleaned_s) / SECONDS_PER_DAY

    def follow(self, truth: float, dt_s: float) -> None:
        """Spend so long beside a truth that stands still: first-order lag, exact for any step."""
        self._followed = truth + (self._followed - truth) * exp(-dt_s / self._plan.lag_s)
        self._lived_s += dt_s

    def recalibrate(self) -> None:
        """Take the drift out; the offset it was made with stays."""
        self._calibrated_s = self._lived_s

    def clean(self) -> None:
        self._cleaned_s = self._lived_s

    def reading(self) -> float | None:
        """What it says now; None when it says nothing.

        Raises:
            ValueError: it stands at an end of its range and its plan gives no such end.
        """
        if self.fault is InstrumentFault.DROPPED_OUT:
            return None
        if self.fault is InstrumentFault.RAILED_LOW:
            return _end_of_range(self._plan.lowest)
        if self.fault is InstrumentFault.RAILED_HIGH:
            return _end_of_range(self._plan.highest)
        if self.fault is InstrumentFault.FROZEN and self._last_reading is not None:
            return self._last_reading
        return self._honest_reading()

    def _honest_reading(self) -> float | None:
        """As well as it can; a reading that is lost on the way was made all the same."""
        plan = self._plan
        fouled = self._followed * max(0.0, 1.0 + self.fouling_share)
        noisy = fouled + plan.offset + self.drift + self._rng.gauss(0.0, plan.noise)
        stepped = plan.last_digit * round(noisy / plan.last_digit)
        if plan.lost_share > 0.0 and self._rng.random() < plan.lost_share:
            return None
        self._last_reading = max(plan.lowest, min(plan.highest, stepped))
        return self._last_reading


def _end_of_range(end: float) -> float:
    if not isfinite(end):
        raise ValueError("an instrument without an end of range cannot stand at it")
    return end
