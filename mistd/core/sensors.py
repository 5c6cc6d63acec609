"""What each sensor last said, and whether its word still stands.

An impossible value is counted and never used. A sensor is lost when no good reading has come for as long as
its word stands, and back with the next good one.
"""

from dataclasses import dataclass
from math import inf

from mistd.core.plan import SensorPlan
from mistd.core.readings import POSSIBLE, Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorState:
    """The last good reading of a sensor and what has come since."""

    plan: SensorPlan
    heard_s: float  # the last good reading, or the start when there was none
    reading: Reading | None = None
    bad_since: int = 0
    last_bad_value: float = 0.0
    is_lost: bool = False
    same_since_s: float = -inf  # since when it has said the very same value
    same_readings: int = 0  # and how often

    @property
    def stale_s(self) -> float:
        """The instant at which its word no longer stands; infinite when it is already lost."""
        return inf if self.is_lost else self.heard_s + self.plan.stale_after_s

    @property
    def good_value(self) -> float | None:
        """The value to work with; None when there is none to trust."""
        return None if self.is_lost or self.reading is None else self.reading.value


def heard(state: SensorState, reading: Reading) -> SensorState:
    """The state after a good reading."""
    before = state.reading
    is_same = before is not None and before.value == reading.value
    return SensorState(
        plan=state.plan,
        heard_s=reading.at_s,
        reading=reading,
        same_since_s=state.same_since_s if is_same else reading.at_s,
        same_readings=state.same_readings + 1 if is_same else 1,
    )


def heard_nonsense(state: SensorState, reading: Reading) -> SensorState:
    """The state after an impossible value: the last good one stands until it is old."""
    return SensorState(
        plan=state.plan,
        heard_s=state.heard_s,
        reading=state.reading,
        bad_since=state.bad_since + 1,
        last_bad_value=reading.value,
        is_lost=state.is_lost,
        same_since_s=state.same_since_s,
        same_readings=state.same_readings,
    )


def lost(state: SensorState) -> SensorState:
    """The state once its word no longer stands."""
    return SensorState(
        plan=state.plan,
        heard_s=state.heard_s,
        reading=state.reading,
        bad_since=state.bad_since,
        last_bad_value=state.last_bad_value,
        is_lost=True,
        same_since_s=state.same_since_s,
        same_readings=state.same_readings,
    )


def why_lost(state: SensorState, now_s: float) -> str:
    """In words: how long there was no good reading, the limit, and what came instead."""
    plan = state.plan
    silence = f"no good reading for {now_s - state.heard_s:.0f} s, limit {plan.stale_after_s:.0f} s"
    if not state.bad_since:
        return f"{silence}: check that the sensor is powered and sends"
    possible = POSSIBLE[plan.kind]
    return (
        f"{silence}; {state.bad_since} impossible values since, the last {state.last_bad_value:g}, "
        f"possible {possible.lowest:g} to {possible.highest:g} {possible.unit}: check wiring and unit"
    )
