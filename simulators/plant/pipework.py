"""Water from the mains to the nozzles: what flows and at what pressure, solved and not looked up.

Everything is a square-root law: the mains give p = p_static - r q^2, a line loses r_line q^2, a nozzle passes
q = k sqrt(p). One zone open or many, all follow from one sum. After opening, a line must fill before its
nozzles spray; after shutting it runs empty again, slowly. Every litre is accounted for: supplied = sprayed +
drained + standing in the lines.

It knows no tank, no pump, no leak and no valve that takes time or sticks: a line is open or shut as told.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from math import cos, pi, sqrt

HOURS_PER_DAY = 24.0
SECONDS_PER_MINUTE = 60.0
ROUNDING_L = 1e-9  # a line this close to full is full; a drop is 50,000 times more


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsPlan:
    """The water supply at the house: static pressure with a daily swing, and the resistance of its pipe.

    The defaults are ours: an ordinary rural connection that loses 0.3 bar to 7 l/min.
    """

    mean_bar: float = 3.6
    swing_bar: float = 0.3  # above and below the mean
    highest_at_h: float = 3.0  # people sleep
    loss_bar_per_l_per_min2: float = 0.006

    def static_bar(self, hour_of_day: float) -> float:
        """Pressure with nothing flowing; lowest twelve hours from its highest."""
        turn = 2.0 * pi * (hour_of_day - self.highest_at_h) / HOURS_PER_DAY
        return self.mean_bar + self.swing_bar * cos(turn)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlan:
    """One zone's valve, lateral and nozzles."""

    name: str
    nozzles: int
    nozzle_flow_l_per_min: float  # of one nozzle, at nozzle_pressure_bar
    nozzle_pressure_bar: float
    volume_l: float
    loss_bar: float = 0.15  # from manifold to nozzles when all nozzles give their rated flow
    nozzle_opens_bar: float = 1.0
    nozzle_shuts_bar: float = 0.7
    drains_over_s: float = 300.0  # a full line is empty so long after its valve shuts; inf: it holds

    @property
    def rated_flow_l_per_min(self) -> float:
        return self.nozzles * self.nozzle_flow_l_per_min

    @property
    def spray_factor(self) -> float:
        """All nozzles together: l/min per square root of bar at the nozzle."""
        return self.rated_flow_l_per_min / sqrt(self.nozzle_pressure_bar)

    @property
    def line_factor(self) -> float:
        """Valve and lateral: l/min per square root of the bar lost on the way to the nozzles."""
        return self.rated_flow_l_per_min / sqrt(self.loss_bar)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flowing:
    """A stretch of time in which nothing in the pipes changed."""

    duration_s: float
    pressure_bar: float  # at the manifold
    flow_l_per_min: float  # through the meter at the manifold
    sprayed_l: dict[str, float]  # by line


class Line:
    """The water standing in one line, and whether its nozzles spray."""

    __slots__ = ("drained_l", "filled_l", "is_spraying", "plan", "sprayed_l", "through_factor")

    def __init__(self, plan: LinePlan) -> None:
        self.plan = plan
        self.filled_l = 0.0
        self.sprayed_l = 0.0
        self.drained_l = 0.0
        self.is_spraying = False
        # Line and nozzles one after the other: their losses at equal flow add up.
        self.through_factor = 1.0 / sqrt(1.0 / plan.line_factor**2 + 1.0 / plan.spray_factor**2)

    @property
    def is_full(self) -> bool:
        return self.filled_l >= self.plan.volume_l - ROUNDING_L

    def nozzle_bar(self, manifold_bar: float) -> float:
        """Pressure at the nozzles while they spray."""
        return manifold_bar * (self.through_factor / self.plan.spray_factor) ** 2

    def drain(self, dt_s: float) -> None:
        """Run empty through the lowest nozzle, at an even rate."""
        gone_l = min(self.filled_l, self.plan.volume_l * dt_s / self.plan.drains_over_s)
        self.filled_l -= gone_l
        self.drained_l += gone_l
        self.is_spraying = False


class Pipework:
    """The manifold and its lines; `supplied_l` is what a perfect meter at the manifold shows."""

    __slots__ = ("_lines", "_loss", "supplied_l")

    def __init__(self, mains: MainsPlan, plans: Sequence[LinePlan]) -> None:
        self._loss = mains.loss_bar_per_l_per_min2
        self._lines = {plan.name: Line(plan) for plan in plans}
        self.supplied_l = 0.0

    def line(self, name: str) -> Line:
        return self._lines[name]

    def flow(self, dt_s: float, static_bar: float, open_lines: Collection[str]) -> list[Flowing]:
        """Let these lines be open for so long; the stretches end where a line has just filled."""
        for name, line in self._lines.items():
            if name not in open_lines:
                line.drain(dt_s)
        stretches: list[Flowing] = []
        left_s = dt_s
        while left_s > 0.0:
            stretch = self._flow_until_a_line_is_full(left_s, static_bar, open_lines)
            stretches.append(stretch)
            left_s -= stretch.duration_s
        return stretches

    def present(self, static_bar: float, open_lines: Collection[str]) -> tuple[float, float]:
        """Pressure at the manifold (bar) and flow into it (l/min) with these lines open now."""
        factors = self._open_factors(static_bar, open_lines)
        pressure_bar = self._manifold_bar(static_bar, factors)
        return pressure_bar, sum(factors.values()) * sqrt(pressure_bar)

    def _flow_until_a_line_is_full(
        self, longest_s: float, static_bar: float, open_lines: Collection[str]
    ) -> Flowing:
        factors = self._open_factors(static_bar, open_lines)
        pressure_bar = self._manifold_bar(static_bar, factors)
        root = sqrt(pressure_bar)
        l_per_s = {name: factor * root / SECONDS_PER_MINUTE for name, factor in factors.items()}
        duration_s = min([longest_s, *self._filling_times_s(l_per_s)])
        sprayed_l: dict[str, float] = {}
        for name, rate in l_per_s.items():
            line = self._lines[name]
            line.is_spraying = line.is_full and rate > 0.0
            sprayed_l[name] = self._give(line, rate, duration_s)
        return Flowing(
            duration_s=duration_s,
            pressure_bar=pressure_bar,
            flow_l_per_min=sum(factors.values()) * root,
            sprayed_l=sprayed_l,
        )

    def _filling_times_s(self, l_per_s: dict[str, float]) -> list[float]:
        lines = self._lines
        return [
            (lines[name].plan.volume_l - lines[name].filled_l) / rate
            for name, rate in l_per_s.items()
            if rate > 0.0 and not lines[name].is_full
        ]

    def _give(self, line: Line, l_per_s: float, duration_s: float) -> float:
        """Put water into a line for so long; return the litres that came out of its nozzles."""
        water_l = l_per_s * duration_s
        self.supplied_l += water_l
        if line.is_full:
            line.sprayed_l += water_l
            return water_l
        line.filled_l += water_l
        return 0.0

    def _open_factors(self, static_bar: float, open_lines: Collection[str]) -> dict[str, float]:
        """The square-root factor of every open line: filling, spraying, or 0 for nozzles held shut.

        Nozzles open at the pressure that stands before they do, and stay open while they keep more than
        their shutting pressure; when several cannot, the weakest give up first.
        """
        # In the plan's order, never a set's: sums of floats must come out the same in every run.
        opened = {name: line for name, line in self._lines.items() if name in open_lines}
        factors = {name: 0.0 if line.is_full else line.plan.line_factor for name, line in opened.items()}
        before_bar = self._manifold_bar(static_bar, factors)
        for name, line in opened.items():
            if line.is_full and (line.is_spraying or before_bar >= line.plan.nozzle_opens_bar):
                factors[name] = line.through_factor
        while (weak := self._weakest_nozzles(static_bar, factors)) is not None:
            factors[weak] = 0.0
        return factors

    def _weakest_nozzles(self, static_bar: float, factors: dict[str, float]) -> str | None:
        """The spraying line that falls furthest below its shutting pressure; None when none does."""
        manifold_bar = self._manifold_bar(static_bar, factors)
        spare_bar = {
            name: self._lines[name].nozzle_bar(manifold_bar) - self._lines[name].plan.nozzle_shuts_bar
            for name, factor in factors.items()
            if factor > 0.0 and self._lines[name].is_full
        }
        weakest = min(spare_bar, key=lambda name: spare_bar[name], default=None)
        return weakest if weakest is not None and spare_bar[weakest] < 0.0 else None

    def _manifold_bar(self, static_bar: float, factors: dict[str, float]) -> float:
        """Solve p = p_static - r (K sqrt p)^2, K the sum over the lines: a straight line in p."""
        return max(0.0, static_bar) / (1.0 + self._loss * sum(factors.values()) ** 2)
