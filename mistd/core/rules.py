"""What a timetable must keep to, so that every promise can be kept: checked before it is adopted.

The same rules judge the house's file and every change that is asked for while the house runs. A rule that is
broken is told with what was asked, what is allowed, the unit and what to do; nothing is ever clipped.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Protocol

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.sequence import worst_wait_s
from mistd.core.units import S_PER_MIN


class Limits(Protocol):
    """What is wired of a zone, as far as it limits a burst."""

    @property
    def longest_burst_s(self) -> float: ...

    @property
    def shortest_rest_s(self) -> float: ...


def burst_and_gap_problems(limits: Limits, burst_s: float, gap_s: float) -> Iterator[tuple[str, str]]:
    """Every rule that one burst and gap break: which of the two (`burst_s` or `gap_min`), and in words."""
    if burst_s >= gap_s:
        text = f"{burst_s:g} s; allowed below the gap of {gap_s:g} s: shorten the burst or lengthen gap_min"
        yield "burst_s", text
    if burst_s > limits.longest_burst_s:
        text = f"{burst_s:g} s; allowed up to this zone's longest_burst_s of {limits.longest_burst_s:g} s"
        yield "burst_s", text
    if gap_s < limits.shortest_rest_s:
        text = (
            f"{gap_s / S_PER_MIN:.4g} min; allowed from this zone's shortest_rest_s of "
            f"{limits.shortest_rest_s:g} s"
        )
        yield "gap_min", text


def filling_problem(burst_s: float, line_volume_l: float, fills_s: float) -> str | None:
    """A burst has to outlast the filling of its line, or it wets nothing."""
    if burst_s > fills_s:
        return None
    return (
        f"{burst_s:g} s would wet nothing: the line of {line_volume_l:g} l takes {fills_s:.1f} s "
        "to fill; lengthen the burst"
    )


def wait_problem(
    part: DayPart, bursts_s: Sequence[float], gaps_s: Iterable[float], valves_at_once: int, pause_s: float
) -> str | None:
    """When every zone falls due at once, none may wait for the line longer than the shortest gap.

    Args:
        part: the part of the day, for the words.
        bursts_s: of every zone that mists in it.
        gaps_s: of the same zones; of a zone with a trim, also the gap without it.
        valves_at_once: what the supply carries.
        pause_s: between two bursts.
    """
    wait_s = worst_wait_s(bursts_s, valves_at_once, pause_s)
    shortest_s = min(gaps_s, default=None)
    if shortest_s is None or wait_s <= shortest_s:
        return None
    return (
        f"by {part.value} the {len(bursts_s)} zones take {wait_s:.0f} s of the line for one round, and "
        f"the shortest gap is {shortest_s:.0f} s: shorten bursts or pause_s, lengthen the gap, or "
        "open more valves at once if the supply carries them"
    )


def is_never_on(timetable: TimedCycle) -> bool:
    """Whether a timetable has no mist in any part of the day."""
    return all(timed is None for timed in timetable.parts.values())
