"""The tank behind the mains and the pump that draws from it.

The tank is filled from the mains by a float valve and runs over at its brim. The pump has a head that falls
with the square of its flow and goes with the square of its speed (affinity); it speeds up and slows down
evenly, gives nothing below the suction level, and must be primed again after that. A check valve behind it
lets nothing back.

Neither knows the manifold. The float valve's branch leaves the mains before the house's own pipe, so that
filling the tank does not lower the pressure at the manifold; what it takes passes no meter of ours.
"""

from dataclasses import dataclass
from enum import Enum
from math import inf, sqrt

from simulators.plant.lateral import BAR_PER_M
from simulators.plant.plan_checks import require_more_than_nought
from simulators.plant.units import SECONDS_PER_MINUTE

L_PER_M3 = 1000.0
TANK_FOLLOWS_S = 86_400.0  # ours: half a cubic metre takes on the air's temperature within days
ARRIVED = 1e-9  # of full speed or of priming
ROUNDING_L = 1e-9
LEAST_SUCTION_L = 1.0  # no pump draws the last of it
RAMP_STEPS = 24  # a pump that speeds up is followed in so many steps


class FloatFault(Enum):
    """Ways for the float valve to break."""

    STAYS_OPEN = "stays open"
    STAYS_SHUT = "stays shut"


@dataclass(frozen=True, slots=True, kw_only=True)
class TankPlan:
    """A tank; the defaults are ours. Levels are given in the litres that stand below them."""

    brim_l: float = 500.0
    full_l: float = 480.0  # the float valve shuts
    float_opens_l: float = 460.0
    low_l: float = 100.0
    suction_l: float = 40.0  # the pump draws air below
    starts_with_l: float = 480.0
    area_m2: float = 0.5
    refill_l_per_min: float = 12.0  # at refill_at_bar of static pressure, by its square root otherwise
    refill_at_bar: float = 3.0
    water_c: float = 16.0  # at the start

    def __post_init__(self) -> None:
        rising = (0.0, self.suction_l, self.low_l, self.float_opens_l, self.full_l, self.brim_l)
        if list(rising) != sorted(rising):
            raise ValueError(
                "tank: suction_l, low_l, float_opens_l, full_l and brim_l must rise in this order from 0"
            )
        if self.suction_l < LEAST_SUCTION_L:
            raise ValueError(f"tank: suction_l is {self.suction_l:g}, must be {LEAST_SUCTION_L:g} or more")
        if not 0.0 <= self.starts_with_l <= self.brim_l:
            raise ValueError(f"tank: starts_with_l is {self.starts_with_l:g}, must be 0 to {self.brim_l:g}")
        require_more_than_nought(self, ("area_m2", "refill_at_bar"), "tank: ")
        if not self.refill_l_per_min >= 0.0:
            raise ValueError(f"tank: refill_l_per_min is {self.refill_l_per_min:g}, must be 0 or more")


class Tank:
    """The tank as it stands; totals run from the start."""

    __slots__ = (
        "drawn_l",
        "float_fault",
        "float_is_open",
        "level_l",
        "overflowed_l",
        "plan",
        "refilled_l",
        "water_c",
    )

    def __init__(self, plan: TankPlan) -> None:
        self.plan = plan
        self.level_l = plan.starts_with_l
        self.float_is_open = self.level_l < plan.float_opens_l
        self.float_fault: FloatFault | None = None
        self.refilled_l = 0.0
        self.drawn_l = 0.0
        self.overflowed_l = 0.0
        self.water_c = plan.water_c

    @property
    def is_low(self) -> bool:
        return self.level_l < self.plan.low_l

    @property
    def level_m(self) -> float:
        return self.level_l / L_PER_M3 / self.plan.area_m2

    @property
    def above_suction_l(self) -> float:
        return self.level_l - self.plan.suction_l

    @property
    def covers_suction(self) -> bool:
        return self.above_suction_l > ROUNDING_L

    def draw(self, litres: float) -> None:
        """Lose water to the pump; never more than there is."""
        self.level_l -= litres
        self.drawn_l += litres

    def run(self, dt_s: float, mains_bar: float, mains_c: float, outdoors_c: float) -> None:
        """Be refilled for so long at an even rate; what comes over the brim is lost."""
        self.water_c += (outdoors_c - self.water_c) * dt_s / (dt_s + TANK_FOLLOWS_S)
        came_l = self._refill_l(dt_s, mains_bar)
        if came_l <= 0.0:
            return
        self.refilled_l += came_l
        self.level_l += came_l
        self.water_c += (mains_c - self.water_c) * came_l / self.level_l
        over_l = max(0.0, self.level_l - self.plan.brim_l)
        self.level_l -= over_l
        self.overflowed_l += over_l

    def _refill_l(self, dt_s: float, mains_bar: float) -> float:
        plan = self.plan
        if self.level_l < plan.float_opens_l:
            self.float_is_open = True
        is_open = (
            self.float_is_open if self.float_fault is None else self.float_fault is FloatFault.STAYS_OPEN
        )
        if not is_open or mains_bar <= 0.0:
            return 0.0
        l_per_s = plan.refill_l_per_min * sqrt(mains_bar / plan.refill_at_bar) / SECONDS_PER_MINUTE
        room_l = inf if self.float_fault is FloatFault.STAYS_OPEN else max(0.0, plan.full_l - self.level_l)
        if l_per_s * dt_s < room_l:
            return l_per_s * dt_s
        self.float_is_open = False
        return room_l


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpPlan:
    """A centrifugal pump by two points of its curve; the defaults are ours."""

    shut_off_bar: float = 4.2  # against shut valves
    rated_bar: float = 3.0
    rated_l_per_min: float = 20.0
    manifold_above_m: float = 1.0  # the manifold above the tank's floor
    starts_over_s: float = 1.5
    stops_over_s: float = 1.0
    primes_over_s: float = 5.0  # running, once it has drawn air and water stands above the suction again

    def __post_init__(self) -> None:
        if not 0.0 < self.rated_bar < self.shut_off_bar:
            raise ValueError(
                f"pump: rated_bar is {self.rated_bar:g}, must be more than 0 and below shut_off_bar"
            )
        require_more_than_nought(
            self, ("rated_l_per_min", "starts_over_s", "stops_over_s", "primes_over_s"), "pump: "
        )

    @property
    def resistance(self) -> float:
        """Bar of head lost per (l/min) squared: the curve between its two points."""
        return (self.shut_off_bar - self.rated_bar) / self.rated_l_per_min**2


class Pump:
    """The pump as it stands; totals run from the start."""

    __slots__ = (
        "_primed_share",
        "dry_s",
        "is_commanded",
        "plan",
        "ran_s",
        "speed",
        "starts",
        "will_not_run",
    )

    def __init__(self, plan: PumpPlan) -> None:
        self.plan = plan
        self.is_commanded = False
        self.will_not_run = False
        self.speed = 0.0  # share of full speed
        self._primed_share = 1.0
        self.starts = 0
        self.ran_s = 0.0
        self.dry_s = 0.0  # ran without water

    @property
    def is_primed(self) -> bool:
        return self._primed_share >= 1.0 - ARRIVED

    @property
    def is_driven(self) -> bool:
        return self.is_commanded and not self.will_not_run

    @property
    def is_still(self) -> bool:
        return self.speed == 0.0 and not self.is_driven

    @property
    def ramps(self) -> bool:
        return self.speed < 1.0 if self.is_driven else self.speed > 0.0

    def command(self, runs: bool) -> None:
        if runs and not self.is_commanded:
            self.starts += 1
        self.is_commanded = runs

    def static_bar(self, in_s: float, level_m: float) -> float:
        """Pressure it would hold a shut manifold at, so long from now; 0 or below: it gives nothing."""
        speed = self._speed_in(in_s)
        if speed <= 0.0 or not self.is_primed:
            return 0.0
        plan = self.plan
        return plan.shut_off_bar * speed * speed + (level_m - plan.manifold_above_m) * BAR_PER_M

    def longest_step_s(self, has_water: bool) -> float:
        """How long it may be taken to run as it does now, with water above the suction or without."""
        if self.ramps:
            full_s = self.plan.starts_over_s if self.is_driven else self.plan.stops_over_s
            return min(full_s / RAMP_STEPS, self._ramp_left_s())
        if self.is_driven and has_water and not self.is_primed:
            return (1.0 - self._primed_share) * self.plan.primes_over_s
        return inf

    def run(self, dt_s: float, has_water: bool) -> None:
        """Run or stop for so long, with water above the suction or without."""
        if self.is_still:
            return
        self.speed = self._speed_in(dt_s)
        self.ran_s += dt_s
        if not has_water:
            self._primed_share = 0.0
            self.dry_s += dt_s
        elif not self.is_primed:
            self.dry_s += dt_s
            self._primed_share = min(1.0, self._primed_share + dt_s / self.plan.primes_over_s)

    def _ramp_left_s(self) -> float:
        if self.is_driven:
            return (1.0 - self.speed) * self.plan.starts_over_s
        return self.speed * self.plan.stops_over_s

    def _speed_in(self, dt_s: float) -> float:
        if not self.is_driven:
            speed = self.speed - dt_s / self.plan.stops_over_s
            return speed if speed > ARRIVED else 0.0
        speed = self.speed + dt_s / self.plan.starts_over_s
        return speed if speed < 1.0 - ARRIVED else 1.0
