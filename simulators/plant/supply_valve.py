"""The motorised valve of a supply: where it stands, and what it costs the water to pass.

It travels for seconds, needs no pressure and seals both ways. It knows neither pump nor mains.
"""

from dataclasses import dataclass
from math import inf

from simulators.plant.plan_checks import require_more_than_nought
from simulators.plant.solenoid import SOUND

ARRIVED = 1e-9  # of the travel: nearer than this it is there


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyValvePlan:
    """A motorised valve. The defaults are ours: a small ball valve with an electric drive."""

    factor: float = 60.0  # l/min per square root of the bar lost in it, full open
    travel_s: float = 12.0  # from shut to open

    def __post_init__(self) -> None:
        require_more_than_nought(self, ("factor", "travel_s"), "supply valve: ")


class SupplyValve:
    """One motorised valve: where it stands, 0 shut to 1 open, and where it is driven to."""

    __slots__ = ("fault", "is_driven_open", "plan", "position")

    def __init__(self, plan: SupplyValvePlan) -> None:
        self.plan = plan
        self.fault = SOUND
        self.is_driven_open = False
        self.position = 0.0

    @property
    def moves(self) -> bool:
        if self.is_driven_open:
            return self.position < 1.0 and not self.fault.does_not_open
        return self.position > 0.0 and not self.fault.does_not_shut

    @property
    def left_s(self) -> float:
        """Until it arrives; inf when it does not move."""
        if not self.moves:
            return inf
        return self.plan.travel_s * (1.0 - self.position if self.is_driven_open else self.position)

    def resistance_in(self, dt_s: float) -> float:
        """Bar lost per (l/min) squared, at the middle of the next `dt_s`; inf when it is shut.

        The free area of a ball valve grows about as the square of its travel (ours, no valve was measured).
        """
        position = self._position_after(0.5 * dt_s)
        factor = self.plan.factor * position * position
        if self.fault.passes_share > 0.0:
            factor = max(factor, self.plan.factor * self.fault.passes_share)
        return 1.0 / (factor * factor) if factor > 0.0 else inf

    def run(self, dt_s: float) -> None:
        self.position = self._position_after(dt_s)

    def _position_after(self, dt_s: float) -> float:
        if not self.moves:
            return self.position
        travelled = dt_s / self.plan.travel_s
        if self.is_driven_open:
            reached = self.position + travelled
            return reached if reached < 1.0 - ARRIVED else 1.0
        left = self.position - travelled
        return left if left > ARRIVED else 0.0
