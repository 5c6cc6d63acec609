"""The pressure at the manifold: where what the supplies give equals what the lines take.

A supply gives p = p_static - r q^2. Every line passes q = K sqrt(p) with a K of its own that hardly changes
with the pressure (`Line.factor`). So the common pressure follows at once from the sum of the K, the lines are
fitted to it, and the two are repeated until they agree; a second round is seldom needed. Nozzles that shut by
themselves make it a game of steps: those that can open do, then the weakest give up, one after the other.

It moves no water and knows no time.
"""

from collections.abc import Callable, Sequence
from math import sqrt
from typing import NamedTuple

from simulators.plant.line import Line

MOST_ROUNDS = 12  # one or two are the rule; a trickle against some pressure may swing to and fro
MOST_FITS = 100
HALVINGS = 60  # of the interval in which the pressure lies: 4 bar to 1e-17
LEAST_RESISTANCE = 1e-6  # bar per (l/min)^2, of two supplies joined


class Source(NamedTuple):
    """One supply as the manifold sees it."""

    static_bar: float
    resistance: float  # bar per (l/min)^2
    lets_back: bool  # takes water in when the manifold stands higher
    is_mains: bool

    def flow_l_per_min(self, manifold_bar: float) -> float:
        """What it gives against this pressure; below 0 when water runs back into it."""
        spare_bar = self.static_bar - manifold_bar
        resistance = max(self.resistance, LEAST_RESISTANCE)
        if spare_bar >= 0.0:
            return sqrt(spare_bar / resistance)
        return -sqrt(-spare_bar / resistance) if self.lets_back else 0.0


def balanced_bar(sources: Sequence[Source], lines: Sequence[Line]) -> float:
    """Find the pressure at the manifold and fit every line to it.

    Args:
        sources: at least one.
        lines: those that are let water; their nozzles open and shut here.
    """
    for line in lines:
        line.begin()
    shut = [line for line in lines if line.may_open_nozzles]
    if shut:
        before_bar = _fitted_bar(sources, lines)
        for line in shut:
            line.tempt_nozzles(before_bar)
    manifold_bar = _fitted_bar(sources, lines)
    while (weak := _weakest(lines)) is not None:
        weak.shut_weakest_nozzle()
        manifold_bar = _fitted_bar(sources, lines)
    return manifold_bar


def alone_bar(static_bar: float, resistance: float, line: Line) -> float:
    """The same for one line on one supply, to the last bit and by a shorter way: nearly all water flows so.

    Args:
        static_bar: of the supply.
        resistance: of the supply, bar per (l/min)^2.
        line: is let water; its nozzles open and shut here.
    """
    fit = line.begin()
    if line.may_open_nozzles:
        if line.would_open_nozzles(static_bar, resistance):
            line.open_all_nozzles()
        else:
            line.tempt_nozzles(_fitted_alone_bar(static_bar, resistance, line, fit))
    manifold_bar = _fitted_alone_bar(static_bar, resistance, line, fit)
    while line.spare_bar < 0.0:
        line.shut_weakest_nozzle()
        manifold_bar = _fitted_alone_bar(static_bar, resistance, line, fit)
    return manifold_bar


def _weakest(lines: Sequence[Line]) -> Line | None:
    """The line whose nozzles fall furthest below their shutting pressure; None when none do."""
    weakest, least_bar = None, 0.0
    for line in lines:
        if line.spare_bar < least_bar:
            weakest, least_bar = line, line.spare_bar
    return weakest


def _fitted_bar(sources: Sequence[Source], lines: Sequence[Line]) -> float:
    for _ in range(MOST_ROUNDS):
        factor = 0.0
        for line in lines:
            factor += line.factor
        manifold_bar = _common_bar(sources, factor)
        is_fitted = True
        for line in lines:
            if not line.fit(manifold_bar):
                is_fitted = False
        if is_fitted:
            return manifold_bar
    return _halved_bar(sources, lines)


def _fitted_alone_bar(
    static_bar: float, resistance: float, line: Line, fit: Callable[[float], bool]
) -> float:
    for _ in range(MOST_ROUNDS):
        factor = line.factor
        manifold_bar = static_bar / (1.0 + resistance * factor * factor)
        if fit(manifold_bar):
            return manifold_bar
    return _halved_bar([Source(static_bar, resistance, False, False)], [line])


def _halved_bar(sources: Sequence[Source], lines: Sequence[Line]) -> float:
    """The same by halving: surer and slower."""
    low_bar, high_bar = 0.0, max(source.static_bar for source in sources)
    for _ in range(HALVINGS):
        middle_bar = 0.5 * (low_bar + high_bar)
        if _common_bar(sources, _factor_at(middle_bar, lines)) > middle_bar:
            low_bar = middle_bar
        else:
            high_bar = middle_bar
    _factor_at(low_bar, lines)
    return low_bar


def _factor_at(manifold_bar: float, lines: Sequence[Line]) -> float:
    """All lines together, each fitted to this pressure."""
    for line in lines:
        for _ in range(MOST_FITS):
            if line.fit(manifold_bar):
                break
        else:
            raise ArithmeticError(f"{line.plan.name}: no flow fits {manifold_bar:g} bar")
    return sum(line.factor for line in lines)


def _common_bar(sources: Sequence[Source], factor: float) -> float:
    """Solve the supplies against K sqrt(p); p = p_static - r (K sqrt p)^2 is a straight line in p."""
    if len(sources) == 1:
        return sources[0].static_bar / (1.0 + sources[0].resistance * factor * factor)
    low_bar, high_bar = 0.0, max(source.static_bar for source in sources)
    for _ in range(HALVINGS):
        middle_bar = 0.5 * (low_bar + high_bar)
        given = sum(source.flow_l_per_min(middle_bar) for source in sources)
        if given > factor * sqrt(middle_bar):
            low_bar = middle_bar
        else:
            high_bar = middle_bar
    return 0.5 * (low_bar + high_bar)
