"""The mains at the house: their pressure through day and night, their resistance, and what befalls them.

The pressure swings once a day, may wander slowly, and may sag or fail; a pipe that narrows shows only under
flow. It knows nothing of what the house draws. The same seed gives the same wandering however it is looked
at.
"""

from dataclasses import dataclass
from math import cos, exp, pi, sqrt
from random import Random

from simulators.plant.units import SECONDS_PER_HOUR

HOURS_PER_DAY = 24.0
TURN_PER_H = 2.0 * pi / HOURS_PER_DAY
GROUND_FOLLOWS_S = 30.0 * 86_400.0  # ours: a buried pipe lags the air by about a month


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsPlan:
    """The supply at the house. The defaults are ours: a rural connection that loses 0.3 bar to 7 l/min."""

    mean_bar: float = 3.6
    swing_bar: float = 0.3  # above and below the mean
    highest_at_h: float = 3.0  # people sleep
    loss_bar_per_l_per_min2: float = 0.006
    wander_bar: float = 0.0  # standard deviation of a slow wandering about the daily swing
    wander_over_h: float = 1.0  # what it does now is two thirds forgotten after so long
    water_c: float = 14.0  # at the start; it follows the air outside within months
    has_check_valve: bool = False  # without one, a stronger supply pushes water back into the street

    def __post_init__(self) -> None:
        if min(self.loss_bar_per_l_per_min2, self.wander_bar) < 0.0:
            raise ValueError("mains: loss_bar_per_l_per_min2 and wander_bar must be 0 or more")
        if not self.wander_over_h > 0.0:
            raise ValueError(f"mains: wander_over_h is {self.wander_over_h:g}, must be more than 0")

    def static_bar(self, hour_of_day: float) -> float:
        """Pressure with nothing flowing; lowest twelve hours from its highest.

        >>> round(MainsPlan().static_bar(15.0), 3)
        3.3
        """
        return self.mean_bar + self.swing_bar * cos(TURN_PER_H * (hour_of_day - self.highest_at_h))


class Mains:
    """The mains as they stand: what the plan says, less what has befallen them. `rng` seeds the wandering."""

    __slots__ = ("_knots_bar", "_rng", "is_failed", "narrowed", "plan", "sag_bar", "water_c")

    def __init__(self, plan: MainsPlan, rng: Random | None = None) -> None:
        if plan.wander_bar > 0.0 and rng is None:
            raise ValueError("mains that wander need a seeded generator")
        self.plan = plan
        self._rng = rng
        self._knots_bar: list[float] = []
        self.sag_bar = 0.0
        self.is_failed = False
        self.narrowed = 1.0  # the resistance is so many times the plan's
        self.water_c = plan.water_c

    @property
    def resistance(self) -> float:
        """Bar lost per (l/min) squared."""
        return self.plan.loss_bar_per_l_per_min2 * self.narrowed

    def static_bar(self, hour_of_day: float, at_s: float) -> float:
        """Pressure in the street, so long after the beginning; never below 0."""
        if self.is_failed:
            return 0.0
        plan = self.plan
        swing_bar = plan.swing_bar * cos(TURN_PER_H * (hour_of_day - plan.highest_at_h))
        pressure_bar = plan.mean_bar + swing_bar - self.sag_bar
        if plan.wander_bar > 0.0:
            pressure_bar += self._wandered_bar(at_s)
        return pressure_bar if pressure_bar > 0.0 else 0.0

    def sag(self, by_bar: float) -> None:
        """Stand so much lower until mended."""
        self.sag_bar = by_bar

    def fail(self) -> None:
        """Give no pressure at all until mended."""
        self.is_failed = True

    def narrow(self, times: float) -> None:
        """Have so many times the resistance until mended: sound at rest, weak as soon as water flows."""
        if not times > 0.0:
            raise ValueError(f"mains narrowed {times:g} times, must be more than 0")
        self.narrowed = times

    def mend(self) -> None:
        self.sag_bar = 0.0
        self.is_failed = False
        self.narrowed = 1.0

    def follow(self, dt_s: float, outdoors_c: float) -> None:
        """Let the water in the buried pipe take on the season."""
        self.water_c += (outdoors_c - self.water_c) * dt_s / (dt_s + GROUND_FOLLOWS_S)

    def _wandered_bar(self, at_s: float) -> float:
        """A first-order autoregression at knots a memory apart, straight between them."""
        knots = at_s / (self.plan.wander_over_h * SECONDS_PER_HOUR)
        place = int(knots)
        while len(self._knots_bar) < place + 2:
            self._add_knot()
        before_bar, after_bar = self._knots_bar[place], self._knots_bar[place + 1]
        return before_bar + (after_bar - before_bar) * (knots - place)

    def _add_knot(self) -> None:
        assert self._rng is not None
        fresh_bar = self._rng.gauss(0.0, self.plan.wander_bar)
        if not self._knots_bar:
            self._knots_bar.append(fresh_bar)
            return
        kept = exp(-1.0)
        self._knots_bar.append(kept * self._knots_bar[-1] + sqrt(1.0 - kept * kept) * fresh_bar)
