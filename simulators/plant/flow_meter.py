"""A turbine that gives so many pulses a litre, and what comes of counting them over a window.

Few pulses fall into a window at low flow, so low flow is coarse; below its starting flow the turbine stands
still. It knows no pipe and no clock: it is told what flows past and for how long.
"""

from dataclasses import dataclass
from math import floor
from random import Random

from simulators.plant.instruments import InstrumentFault
from simulators.plant.units import SECONDS_PER_MINUTE


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowMeterPlan:
    """A small meter. 450 pulses a litre is a common size, from memory; the rest is ours."""

    pulses_per_l: float = 450.0  # as printed on it, and as its readings are worked out
    window_s: float = 1.0
    starts_l_per_min: float = 1.0  # below this it stands still
    highest_l_per_min: float = 60.0  # it turns no faster
    error_share: float = 0.0  # gives so many pulses too many


class PulseFlowMeter:
    """One meter. `rng` says only where between two pulses it begins."""

    __slots__ = ("_at_edge", "_counted", "_lived_s", "_plan", "_pulses", "_said", "fault")

    def __init__(self, plan: FlowMeterPlan, rng: Random) -> None:
        self._plan = plan
        self._pulses = rng.random()
        self._at_edge = floor(self._pulses)  # pulses at the end of the last whole window
        self._counted = 0  # in that window
        self._lived_s = 0.0
        self._said: float | None = None
        self.fault: InstrumentFault | None = None

    @property
    def pulses(self) -> int:
        """Counted since the start."""
        return floor(self._pulses)

    @property
    def measured_l(self) -> float:
        return self.pulses / self._plan.pulses_per_l

    def pulses_per_s(self, flow_l_per_min: float) -> float:
        """Frequency f = K Q.

        >>> PulseFlowMeter(FlowMeterPlan(pulses_per_l=1000.0), Random(1)).pulses_per_s(30.0)
        500.0
        """
        plan = self._plan
        if flow_l_per_min < plan.starts_l_per_min:
            return 0.0
        seen_l_per_min = min(flow_l_per_min, plan.highest_l_per_min) * (1.0 + plan.error_share)
        return plan.pulses_per_l * seen_l_per_min / SECONDS_PER_MINUTE

    def follow(self, flow_l_per_min: float, dt_s: float) -> None:
        """Let so much flow past evenly; windows end where they end, whatever the steps."""
        window_s, begins_s = self._plan.window_s, self._lived_s
        rate_per_s = self.pulses_per_s(flow_l_per_min)
        self._lived_s += dt_s
        last_edge = floor(self._lived_s / window_s)
        edges_passed = last_edge - floor(begins_s / window_s)
        if edges_passed > 0:
            at_last = floor(self._pulses + rate_per_s * (last_edge * window_s - begins_s))
            before_s = (last_edge - 1) * window_s - begins_s
            at_one_before = floor(self._pulses + rate_per_s * before_s) if edges_passed > 1 else self._at_edge
            self._counted, self._at_edge = at_last - at_one_before, at_last
        self._pulses += rate_per_s * dt_s

    def reading_l_per_min(self) -> float | None:
        """What the last whole window's pulses come to; None when nothing comes from it at all."""
        if self.fault is InstrumentFault.DROPPED_OUT:
            return None
        if self.fault is InstrumentFault.RAILED_LOW:
            return 0.0
        if self.fault is InstrumentFault.RAILED_HIGH:
            return self._plan.highest_l_per_min
        if self.fault is InstrumentFault.FROZEN and self._said is not None:
            return self._said
        litres = self._counted / self._plan.pulses_per_l
        self._said = litres / self._plan.window_s * SECONDS_PER_MINUTE
        return self._said
