"""How long a tank lasts on a day of bursts, and how long it takes to fill again.

Volumes in litres, flows in l/min. A day is a list of stretches, each with the bursts that run in it; after
the last it begins again. Bursts are short beside a day, so their draw is spread evenly over their stretch:
the answer is right to within one round of bursts.

This file knows no pump, level sensor or clock. Rule: what lies under the low level is not counted.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, inf

from mistd.core.refusals import refuse_unless_between, refuse_unless_positive
from mistd.core.units import S_PER_HOUR, S_PER_MIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Bursts:
    """One zone's bursts: their length, the gap from one's end to the next one's start, the zone's flow."""

    burst_s: float
    gap_s: float
    flow_l_per_min: float

    def __post_init__(self) -> None:
        refuse_unless_positive("burst", self.burst_s, "s")
        refuse_unless_between("gap", self.gap_s, "s", 0.0)
        refuse_unless_between("zone's flow", self.flow_l_per_min, "l/min", 0.0)

    @property
    def draw_l_per_hour(self) -> float:
        """Mean draw over burst and gap."""
        burst_l = self.flow_l_per_min * self.burst_s / S_PER_MIN
        return burst_l * S_PER_HOUR / (self.burst_s + self.gap_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of the day and the bursts of every zone in it; none when all rest."""

    for_hours: float
    bursts: tuple[Bursts, ...]

    def __post_init__(self) -> None:
        refuse_unless_positive("stretch of the day", self.for_hours, "h")

    @property
    def draw_l_per_hour(self) -> float:
        """Mean draw of all zones together."""
        return sum(bursts.draw_l_per_hour for bursts in self.bursts)

    @property
    def draw_l(self) -> float:
        """Water drawn in the whole stretch."""
        return self.draw_l_per_hour * self.for_hours


def litres_left(level_l: float, day: Sequence[Stretch], after_hours: float) -> float:
    """What is in the tank so many hours on, nothing running in; nought when it has run dry.

    Raises:
        ValueError: a negative level or time, or a day without stretches.

    >>> noon = Stretch(for_hours=24.0, bursts=(Bursts(burst_s=6.0, gap_s=594.0, flow_l_per_min=10.0),))
    >>> litres_left(100.0, [noon], 5.0)
    70.0
    """
    refuse_unless_between("tank's level", level_l, "l", 0.0)
    refuse_unless_between("hours on", after_hours, "h", 0.0)
    days, into_hours = divmod(after_hours, _hours(day))
    drawn_l = days * sum(stretch.draw_l for stretch in day)
    for stretch in day:
        hours = min(stretch.for_hours, into_hours)
        drawn_l += stretch.draw_l_per_hour * hours
        into_hours -= hours
    return max(0.0, level_l - drawn_l)


def hours_until_low(level_l: float, low_l: float, day: Sequence[Stretch]) -> float:
    """Hours until the tank is down to its low level, nothing running in; infinite when nothing is drawn.

    Nought when it is there already.

    Raises:
        ValueError: a negative level, or a day without stretches.

    >>> noon = Stretch(for_hours=24.0, bursts=(Bursts(burst_s=6.0, gap_s=594.0, flow_l_per_min=10.0),))
    >>> hours_until_low(100.0, 10.0, [noon])
    15.0
    """
    refuse_unless_between("tank's level", level_l, "l", 0.0)
    refuse_unless_between("tank's low level", low_l, "l", 0.0)
    day_hours, day_l = _hours(day), sum(stretch.draw_l for stretch in day)
    usable_l = level_l - low_l
    if usable_l <= 0.0:
        return 0.0
    if day_l <= 0.0:
        return inf
    # Whole days, but never the last: a tank that ends with its day is low when that day's last burst ends.
    days = ceil(usable_l / day_l) - 1
    usable_l -= days * day_l
    hours = days * day_hours
    for stretch in day:
        if usable_l <= stretch.draw_l and stretch.draw_l > 0.0:
            return hours + usable_l / stretch.draw_l_per_hour
        usable_l -= stretch.draw_l
        hours += stretch.for_hours
    return hours


def refill_s(level_l: float, full_l: float, inflow_l_per_min: float, draw_l_per_min: float = 0.0) -> float:
    """Time to fill a tank from its level while some is drawn; infinite when as much is drawn as runs in.

    Nought when it is full already.

    Raises:
        ValueError: a negative volume or flow.

    >>> refill_s(200.0, 500.0, 12.0, draw_l_per_min=2.0)
    1800.0
    """
    refuse_unless_between("tank's level", level_l, "l", 0.0)
    refuse_unless_between("full tank", full_l, "l", 0.0)
    refuse_unless_between("flow into the tank", inflow_l_per_min, "l/min", 0.0)
    refuse_unless_between("draw from the tank", draw_l_per_min, "l/min", 0.0)
    if level_l >= full_l:
        return 0.0
    gain_l_per_min = inflow_l_per_min - draw_l_per_min
    return (full_l - level_l) / gain_l_per_min * S_PER_MIN if gain_l_per_min > 0.0 else inf


def _hours(day: Sequence[Stretch]) -> float:
    """Length of the day's stretches together."""
    if not day:
        raise ValueError("day of bursts: no stretch, needs at least 1")
    return sum(stretch.for_hours for stretch in day)
