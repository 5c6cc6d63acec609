"""What a zone on demand is led by: by its own cycle, by another reading when that dies, by none at the last.

Worse at once, better once it could have led for ten minutes without a break; every change is told, with the
readings that died. This file reckons no film and believes no sensor: it is told which can be believed.
"""

from dataclasses import replace
from math import inf

from mistd.core.demand_cycles import DemandCycle
from mistd.core.demand_source import SourceState
from mistd.core.events import EventKind
from mistd.core.turn import Turn
from mistd.core.zone import Zone
from mistd.core.zone_demand import (
    COMES_BACK_AFTER_S,
    Lead,
    ZoneDemand,
    begun_anew,
    begun_demand,
    can_lead,
    chosen_lead,
    rank,
    source_of,
)

LEAD_WORDS = {
    Lead.VPD: "the vapour pressure deficit",
    Lead.LEAF_WETNESS: "its leaf-wetness sensors",
    Lead.FILM: "its reckoned film",
    Lead.OWN_WEEK: "its own last week, a fifth wetter",
    Lead.TIMETABLE: "the timetable of a bright day",
}


def led(
    turn: Turn, zone: Zone, cycle: DemandCycle, demand: ZoneDemand, source: SourceState | None
) -> ZoneDemand:
    """The zone led by what can lead it: better once that has held for a while, else at once."""
    can = {"has_source": source is not None and not source.lost, "has_sensor": _has_sensor(turn, cycle)}
    lead = chosen_lead(cycle, demand.week, **can)
    if lead is demand.lead:
        return demand if demand.better_lead is None else replace(demand, better_since_s=inf, better_lead=None)
    is_better = rank(cycle, lead) < rank(cycle, demand.lead)
    if not is_better or not can_lead(demand.lead, **can) or lead is Lead.OWN_WEEK:
        return _change_lead(turn, zone, cycle, demand, lead)
    return _waiting_for(turn, zone, cycle, demand, lead, **can)


def _waiting_for(
    turn: Turn,
    zone: Zone,
    cycle: DemandCycle,
    demand: ZoneDemand,
    lead: Lead,
    **can: bool,
) -> ZoneDemand:
    """The zone while something better could lead it; what leads at last could all the time, and still can."""
    noted = demand.better_lead
    if noted is None or not can_lead(noted, **can):
        return replace(demand, better_since_s=turn.now_s, better_lead=lead)
    worst = max(noted, lead, key=lambda each: rank(cycle, each))
    if turn.now_s - demand.better_since_s >= COMES_BACK_AFTER_S:
        after = _change_lead(turn, zone, cycle, demand, worst)
        return after if worst is lead else replace(after, better_since_s=turn.now_s, better_lead=lead)
    return demand if worst is noted else replace(demand, better_lead=worst)


def _change_lead(turn: Turn, zone: Zone, cycle: DemandCycle, demand: ZoneDemand, lead: Lead) -> ZoneDemand:
    is_own = rank(cycle, lead) == 0
    why = "" if is_own else _why_not_own(turn, cycle)
    figures = {"cycle": cycle.kind.value, "lead": lead.value, "before": demand.lead.value}
    if rank(cycle, lead) > rank(cycle, demand.lead):
        turn.tell(
            EventKind.CYCLE_FELL_BACK, zone.plan.name, f"{why}: it is led by {LEAD_WORDS[lead]}", figures
        )
    else:
        more = "" if is_own else f", for {why}"
        turn.tell(
            EventKind.CYCLE_CAME_BACK, zone.plan.name, f"it is led by {LEAD_WORDS[lead]} again{more}", figures
        )
    fell_s = turn.now_s if demand.lead_since_s == -inf else demand.lead_since_s
    since_s = -inf if is_own else fell_s
    return replace(demand, lead=lead, lead_since_s=since_s, why=why, better_since_s=inf, better_lead=None)


def _why_not_own(turn: Turn, cycle: DemandCycle) -> str:
    """Which readings died, in words."""
    source = source_of(cycle, turn.sources)
    said = [source.lost] if source and source.lost else []
    for name in cycle.wetness_sensors:
        if turn.sensors[name].is_lost:
            said.append(f"{name} is lost")
        elif turn.trust[name].doubt:
            said.append(f"{name} is doubted: {turn.trust[name].doubt}")
    return "; ".join(said)


def _has_sensor(turn: Turn, cycle: DemandCycle) -> bool:
    """Whether a sensor is trusted, or not heard yet since the start and not lost either."""
    return any(
        not turn.trust[name].doubt and not turn.sensors[name].is_lost for name in cycle.wetness_sensors
    )


def take_cycle(turn: Turn, zone: Zone, before: DemandCycle | None) -> None:
    """Go on by another cycle: the film and the week are kept, what leads the zone is chosen afresh.

    Args:
        turn: this decision.
        zone: touched, with its new cycle in force.
        before: the cycle it had; None: its timetable led it, and what that gave was not followed.
    """
    cycle, demand = zone.demand_cycle, zone.demand
    if cycle == before:
        return
    if cycle is None:
        if demand is not None:
            zone.demand = replace(demand, week=replace(demand.week, is_sound=False))
        return
    source = source_of(cycle, turn.sources)
    demand = begun_anew(demand or begun_demand(cycle), cycle, before, source, turn.now_s)
    zone.demand = led(turn, zone, cycle, demand, source)
