"""A manifold cut off from every supply: how its pressure falls while the lines take what it is stretched by.

What gives C litres per bar through K sqrt(p) has sqrt(p) fall by K / 2C in a unit of time. It knows no lines
and keeps no books.
"""

from math import inf

from simulators.plant.line import LEAST_BAR
from simulators.plant.units import SECONDS_PER_MINUTE

EMPTY_BAR = 0.02  # a manifold that has fallen so low has run empty
ROOT_STEP = 0.8  # it is followed in one go while the root of its pressure falls by a fifth


def evenly_declining_s(bar: float, flow_l_per_min: float, gives_l_per_bar: float) -> float:
    """How long it may be followed in one go, from this pressure and flow on; inf when it loses no pressure.

    >>> round(evenly_declining_s(3.6, 0.36, 0.004), 3)
    0.96
    """
    if flow_l_per_min <= 0.0:
        return inf
    whole_s = _whole_s(bar, flow_l_per_min, gives_l_per_bar)
    return whole_s if bar < EMPTY_BAR else (1.0 - ROOT_STEP) * whole_s


def declined_bar(dt_s: float, bar: float, flow_l_per_min: float, gives_l_per_bar: float) -> float:
    """Its pressure so long after it stood at this pressure and gave this flow, which is more than 0.

    >>> round(declined_bar(2.4, 3.6, 0.36, 0.004), 3)
    0.9
    """
    gone = dt_s / _whole_s(bar, flow_l_per_min, gives_l_per_bar)
    left_bar = bar * max(0.0, 1.0 - gone) ** 2
    return left_bar if left_bar >= LEAST_BAR else 0.0


def _whole_s(bar: float, flow_l_per_min: float, gives_l_per_bar: float) -> float:
    """Until it has none."""
    return 2.0 * gives_l_per_bar * bar * SECONDS_PER_MINUTE / flow_l_per_min
