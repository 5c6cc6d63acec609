"""How many alarms come at once: a flood is more than one person can take in.

Start and end values are those quoted from ISA-18.2: a flood begins with more than ten alarms within ten
minutes, and is over when fewer than five have come within ten. It changes nothing but what is told.
"""

from dataclasses import dataclass
from math import inf

FLOOD_WITHIN_S = 600.0
FLOOD_BEGINS_ABOVE = 10
FLOOD_ENDS_BELOW = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """The last few raisings that people were called to, and whether they add up to a flood."""

    raisings_s: tuple[float, ...] = ()  # in order; no more than it takes to tell
    is_on: bool = False
    raised: int = 0  # since it began, with those that made it one

    @property
    def ends_s(self) -> float:
        """When it will be over if no more come; infinite while there is none."""
        if not self.is_on:
            return inf
        return self.raisings_s[-FLOOD_ENDS_BELOW] + FLOOD_WITHIN_S


NO_FLOOD = Flood()


def after_raising(flood: Flood, now_s: float) -> Flood:
    """One more alarm was raised."""
    raisings_s = (*flood.raisings_s, now_s)[-(FLOOD_BEGINS_ABOVE + 1) :]
    if flood.is_on:
        return Flood(raisings_s=raisings_s, is_on=True, raised=flood.raised + 1)
    recent = sum(1 for at_s in raisings_s if now_s - at_s < FLOOD_WITHIN_S)
    if recent > FLOOD_BEGINS_ABOVE:
        return Flood(raisings_s=raisings_s, is_on=True, raised=recent)
    return Flood(raisings_s=raisings_s)


def after_time(flood: Flood, now_s: float) -> Flood:
    """Time alone ends a flood."""
    return Flood(raisings_s=flood.raisings_s) if flood.ends_s <= now_s else flood
