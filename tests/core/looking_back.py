"""What to look at in a history that was lived: answers, orders, events, and everything in its order."""

from collections.abc import Iterator

from mistd.core.actions import AnswerRequest, KeepRevision, OpenValve
from mistd.core.almanac import DayPart
from mistd.core.events import Event
from mistd.core.house import House
from mistd.core.settings import Revision
from mistd.core.zone import Zone
from tests.core.lived import Lived, Step


def answered(life: Lived) -> Iterator[tuple[float, AnswerRequest]]:
    for step in life.steps:
        for action in step.decision.actions:
            if isinstance(action, AnswerRequest):
                yield step.now_s, action


def orders(life: Lived) -> Iterator[tuple[Step, OpenValve]]:
    for step in life.steps:
        for action in step.decision.actions:
            if isinstance(action, OpenValve):
                yield step, action


def events(life: Lived) -> Iterator[Event]:
    for step in life.steps:
        yield from step.decision.events


def kept(step: Step) -> list[Revision]:
    return [action.revision for action in step.decision.actions if isinstance(action, KeepRevision)]


def timeline(life: Lived) -> list[tuple[float, int, Step | tuple[str, bool] | None]]:
    """Edges, decisions and kills (None) in the order in which they were."""
    edges = [(at_s, 0, (line, opens)) for at_s, line, opens in life.edges]
    kills = [(away.killed_s, 1, None) for away in life.restarts]
    steps = [(step.now_s, 2, step) for step in life.steps]
    return sorted([*edges, *kills, *steps], key=lambda each: each[:2])


def zone_of(house: House, name: str) -> Zone:
    return house.zones[house.plan.index[name]]


def gap_in_force_s(zone: Zone, part: DayPart) -> float | None:
    """The longest gap of a zone that was told; None when it has no mist in this part.

    By its timetable and its trim; of a zone on demand by its bounds, which no trim moves.
    """
    if zone.demand_cycle is not None:
        bounds = zone.demand_cycle.bounds[part]
        return bounds.longest_gap_s if bounds else None
    return timed_gap_s(zone, part)


def timed_gap_s(zone: Zone, part: DayPart) -> float | None:
    """The gap of a zone's timetable with its trim, whatever leads it; None when that is off in this part."""
    timed = zone.cycle.parts[part]
    if timed is None:
        return None
    return timed.gap_s / (1.0 + zone.trim.fraction) if zone.trim else timed.gap_s


def soonest_gap_s(zone: Zone, part: DayPart) -> float | None:
    """How soon after the last burst the next may be by itself; None when it has no mist in this part."""
    if zone.demand_cycle is not None:
        bounds = zone.demand_cycle.bounds[part]
        return bounds.shortest_gap_s if bounds else None
    return timed_gap_s(zone, part)
