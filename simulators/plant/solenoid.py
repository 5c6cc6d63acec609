"""A zone's pilot-operated solenoid valve, and how valves break.

It moves as a whole, a lag after its coil was switched. Water pressure moves it, so it is quick under a large
difference and does not open at all without a small one. It does not know what flows through it. Shut, it
holds water only the way it was built for: that rule is kept by the waterworks, which know both sides.
"""

from dataclasses import dataclass
from math import inf, sqrt

LAGS_STATED_AT_BAR = 3.0  # difference of pressure at which the plan's lags hold
QUICKEST, SLOWEST = 0.5, 3.0  # ours: a lag is never less or more than so many times the plan's
SHORTEST_LAG_S, LONGEST_LAG_S = 0.01, 60.0
ARRIVED = 1.0 - 1e-9  # of the way


@dataclass(frozen=True, slots=True, kw_only=True)
class ValvePlan:
    """A zone's valve. The defaults are ours: a small diaphragm valve that loses 0.13 bar to 7.2 l/min."""

    factor: float = 20.0  # l/min per square root of the bar lost in it
    opens_after_s: float = 0.5  # at LAGS_STATED_AT_BAR
    shuts_after_s: float = 1.0
    opens_from_bar: float = 0.2  # least difference of pressure that lifts it

    def __post_init__(self) -> None:
        if not self.factor > 0.0:
            raise ValueError(f"valve: factor is {self.factor:g}, must be more than 0")
        for name in ("opens_after_s", "shuts_after_s"):
            if not SHORTEST_LAG_S <= getattr(self, name) <= LONGEST_LAG_S:
                raise ValueError(f"valve: {name} is {getattr(self, name):g} s, must be 0.01 to 60 s")


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveFault:
    """What is wrong with a valve; several things may be."""

    does_not_open: bool = False
    does_not_shut: bool = False
    shuts_late_s: float = 0.0  # on top of its lag
    passes_share: float = 0.0  # of its factor that it lets through while shut

    def __post_init__(self) -> None:
        if not 0.0 <= self.passes_share < 1.0 or not self.shuts_late_s >= 0.0:
            raise ValueError(
                f"passes_share is {self.passes_share:g}, must be 0 to below 1; "
                f"shuts_late_s is {self.shuts_late_s:g} s, must be 0 or more"
            )


SOUND = ValveFault()


class Solenoid:
    """One zone's valve: its coil and whether it stands open."""

    __slots__ = ("_done", "fault", "is_energised", "is_open", "plan")

    def __init__(self, plan: ValvePlan) -> None:
        self.plan = plan
        self.fault = SOUND
        self.is_energised = False
        self.is_open = False
        self._done = 0.0  # of the lag

    @property
    def moves(self) -> bool:
        """Whether it stands otherwise than its coil says and is able to follow."""
        if self.is_energised:
            return not self.is_open and not self.fault.does_not_open
        return self.is_open and not self.fault.does_not_shut

    def energise(self, is_on: bool) -> None:
        """Switch the coil; a change of mind before the valve moved begins its lag anew."""
        if is_on is not self.is_energised:
            self.is_energised = is_on
            self._done = 0.0

    def lag_s(self, before_bar: float, behind_bar: float) -> float:
        """The whole lag under these pressures; inf when they cannot lift it.

        The pilot passes water by the square root of the pressure, so lags go with its inverse. A valve that
        opens is lifted by the difference across it; one that shuts is pressed down by what stands before it.
        """
        plan = self.plan
        if self.is_energised:
            moved_by_bar = before_bar - behind_bar
            if moved_by_bar < plan.opens_from_bar:
                return inf
            return plan.opens_after_s * _slowness(moved_by_bar)
        return plan.shuts_after_s * _slowness(before_bar) + self.fault.shuts_late_s

    def move(self, dt_s: float, lag_s: float) -> bool:
        """Spend so long on the way under an even lag; return whether it has just opened or shut."""
        self._done += dt_s / lag_s
        if self._done < ARRIVED:
            return False
        self.is_open = self.is_energised
        self._done = 0.0
        return True

    def left_s(self, lag_s: float) -> float:
        """Until it has moved, under an even lag."""
        return (1.0 - self._done) * lag_s if lag_s < inf else inf


def _slowness(moved_by_bar: float) -> float:
    """A lag as a multiple of the plan's."""
    if moved_by_bar <= 0.0:
        return SLOWEST
    return max(QUICKEST, min(SLOWEST, sqrt(LAGS_STATED_AT_BAR / moved_by_bar)))
