"""Guards: what forbids a burst, whoever asked for it. A guard vetoes, it never asks for one.

Rule 1: every burst, of a cycle or of a person, passes every guard at the moment it would begin.
Rule 2: a guard says what it measured, its limit and until when, so that a refusal can be told and timed.
Rule 3: the keeper checks the limits that protect people and equipment once more, on its own.

The valves open at once are counted by the sequence, which gives no slot beyond them.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import inf

from mistd.core.zone import Phase, Zone

EDGE_S = 1e-6  # instants this close are the same: sums of floats


class Guard(StrEnum):
    """Who may veto a burst; the value is the word told outside."""

    KEEPER_AWAY = "keeper_away"
    HOLD = "hold"
    FROST = "frost"
    MISTING_NOW = "misting_now"
    SHORTEST_REST = "shortest_rest"
    LONGEST_BURST = "longest_burst"
    SHORTEST_BURST = "shortest_burst"


@dataclass(frozen=True, slots=True, kw_only=True)
class Veto:
    """One guard's no: its reason in words, its figures, and when to ask again (infinite: when told)."""

    guard: Guard
    reason: str
    figures: Mapping[str, float | str]
    until_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What the guards look at besides the zone itself."""

    now_s: float
    is_keeper_ready: bool
    keeper_since_s: float  # what a line did before this is not known to anyone
    is_frost: bool


def veto(zone: Zone, for_s: float, circumstances: Circumstances) -> Veto | None:
    """The first guard that forbids this burst now, None when all agree."""
    for guard in GUARDS:
        forbidden = guard(zone, for_s, circumstances)
        if forbidden:
            return forbidden
    return None


def _keeper_away(_zone: Zone, _for_s: float, around: Circumstances) -> Veto | None:
    if around.is_keeper_ready:
        return None
    reason = "no keeper holds the output lines; a new one is being started"
    return Veto(guard=Guard.KEEPER_AWAY, reason=reason, figures={}, until_s=inf)


def _held(zone: Zone, _for_s: float, around: Circumstances) -> Veto | None:
    if zone.hold is None:
        return None
    left_s = zone.hold.ends_s - around.now_s
    return Veto(
        guard=Guard.HOLD,
        reason=f"held dry by {zone.hold.author} for {left_s / 60.0:.0f} min more; release it to mist sooner",
        figures={"hold_left_s": round(left_s, 1)},
        until_s=zone.hold.ends_s,
    )


def _frost(_zone: Zone, _for_s: float, around: Circumstances) -> Veto | None:
    if not around.is_frost:
        return None
    reason = "frost in the house: water would freeze on leaves and in the line"
    return Veto(guard=Guard.FROST, reason=reason, figures={}, until_s=inf)


def _misting(zone: Zone, _for_s: float, _around: Circumstances) -> Veto | None:
    if zone.phase is Phase.RESTING:
        return None
    reason = f"it is misting now, for {zone.ordered_for_s:g} s"
    return Veto(guard=Guard.MISTING_NOW, reason=reason, figures={"for_s": zone.ordered_for_s}, until_s=inf)


def _too_soon(zone: Zone, _for_s: float, around: Circumstances) -> Veto | None:
    rests_until_s = rested_s(zone, around.keeper_since_s)
    if around.now_s >= rests_until_s - EDGE_S:
        return None
    so_far_s = around.now_s - (rests_until_s - zone.plan.shortest_rest_s)
    known = "shut" if zone.shut_s >= around.keeper_since_s else "known to be shut"
    return Veto(
        guard=Guard.SHORTEST_REST,
        reason=f"{known} for {so_far_s:.1f} s only, shortest rest {zone.plan.shortest_rest_s:g} s; "
        f"ask again in {rests_until_s - around.now_s:.0f} s",
        figures={"rested_s": round(so_far_s, 3), "shortest_rest_s": zone.plan.shortest_rest_s},
        until_s=rests_until_s,
    )


def rested_s(zone: Zone, keeper_since_s: float) -> float:
    """The instant at which the zone's line has rested; what it did before the keeper began is not known."""
    return max(zone.shut_s, keeper_since_s) + zone.plan.shortest_rest_s


def _too_long(zone: Zone, for_s: float, _around: Circumstances) -> Veto | None:
    if for_s <= zone.plan.longest_burst_s:
        return None
    return Veto(
        guard=Guard.LONGEST_BURST,
        reason=f"{for_s:g} s is too long, longest burst {zone.plan.longest_burst_s:g} s",
        figures={"for_s": for_s, "longest_burst_s": zone.plan.longest_burst_s},
        until_s=inf,
    )


def _too_short(zone: Zone, for_s: float, _around: Circumstances) -> Veto | None:
    if for_s >= zone.plan.shortest_burst_s:
        return None
    return Veto(
        guard=Guard.SHORTEST_BURST,
        reason=f"{for_s:g} s would not fill the line, shortest burst {zone.plan.shortest_burst_s:g} s",
        figures={"for_s": for_s, "shortest_burst_s": zone.plan.shortest_burst_s},
        until_s=inf,
    )


GUARDS: tuple[Callable[[Zone, float, Circumstances], Veto | None], ...] = (
    _keeper_away,
    _held,
    _frost,
    _misting,
    _too_soon,
    _too_long,
    _too_short,
)
