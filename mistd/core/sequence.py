"""Who gets the line, and when: as many slots as valves may be open at once, the most overdue zone first.

A slot is taken from the order to open until a pause after the valve has shut, so that pressure settles and
the line is not hammered; and no valve opens sooner than that pause after the one before it.

This file knows slots and instants. It does not know why a zone is due or whether it may be misted.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import inf

from mistd.core.almanac import DayPart
from mistd.core.plan import HousePlan


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The state of the shared line: from when each slot is free (infinite: taken), and the last opening."""

    free_s: tuple[float, ...]
    last_opening_s: float = -inf
    opening_before_s: float = -inf  # the one before the last
    next_ticket: int = 1

    def start_s(self, pause_s: float) -> float:
        """The earliest instant at which a valve may open; infinite while every slot is taken."""
        return max(min(self.free_s), self.last_opening_s + pause_s)

    def taken(self, now_s: float) -> tuple["Line", int]:
        """The line with its freest slot taken, and which slot that is."""
        slot = self.free_s.index(min(self.free_s))
        taken = Line(
            free_s=(*self.free_s[:slot], inf, *self.free_s[slot + 1 :]),
            last_opening_s=now_s,
            opening_before_s=self.last_opening_s,
            next_ticket=self.next_ticket + 1,
        )
        return taken, slot

    def given_back(self, slot: int, free_s: float) -> "Line":
        """The line with a slot free again from an instant on."""
        return Line(
            free_s=(*self.free_s[:slot], free_s, *self.free_s[slot + 1 :]),
            last_opening_s=self.last_opening_s,
            opening_before_s=self.opening_before_s,
            next_ticket=self.next_ticket,
        )

    def unopened(self, ordered_s: float) -> "Line":
        """The line when what was ordered at an instant did not open: no pause is owed after it."""
        if self.last_opening_s != ordered_s:
            return self
        return replace(self, last_opening_s=self.opening_before_s)

    def resumed(self, *, next_ticket: int, last_opening_s: float) -> "Line":
        """The line with tickets and the last opening carried over a restart of the program."""
        return Line(free_s=self.free_s, last_opening_s=last_opening_s, next_ticket=next_ticket)


def worst_wait_s(burst_s: Iterable[float], valves_at_once: int, pause_s: float) -> float:
    """The longest a due zone can wait for the line when every zone falls due at once.

    The sum of burst and pause over the zones, divided by the slots. With several slots a free one may have
    to wait for the pause after the last opening; during that pause at least the slot just opened is taken,
    so each of those waits adds no more than the other slots' share of a pause.

    >>> worst_wait_s([6.0] * 6, valves_at_once=1, pause_s=2.0)
    48.0
    """
    bursts = list(burst_s)
    line_time = sum(burst + pause_s for burst in bursts) / valves_at_once
    apart_s = max(len(bursts) - 1, 0) * pause_s * (1.0 - 1.0 / valves_at_once)
    return line_time + apart_s


def worst_wait_in_part_s(plan: HousePlan, part: DayPart) -> float:
    """The same for one part of a house's day, by its timetables and the longest bursts on demand."""
    lengths = (zone.longest_burst_in_s(part) for zone in plan.zones)
    return worst_wait_s((length for length in lengths if length), plan.valves_at_once, plan.pause_s)
