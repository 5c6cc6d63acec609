"""What a house promises of its zones on demand, checked on a history that was lived.

Each check begins with what must not be: a burst too short or too long, a zone that is led by something
else and nobody was told, a sensor that is left out in silence.
"""

from mistd.core.demand_cycles import DemandCycle
from mistd.core.events import EventKind
from mistd.core.settings import SettingKind
from mistd.core.zone import Zone
from mistd.core.zone_demand import NO_READINGS, ZoneDemand, rank
from tests.core.lived import Lived, Step
from tests.core.looking_back import kept, orders, zone_of

HAIR_S = 1e-6
LEADS_TOLD = (EventKind.CYCLE_FELL_BACK, EventKind.CYCLE_CAME_BACK)
DOUBTS_TOLD = (EventKind.WETNESS_DOUBTED, EventKind.WETNESS_TRUSTED)


def check_bursts_on_demand_are_neither_too_short_nor_too_long(life: Lived) -> None:
    for step, order in orders(life):
        zone = zone_of(step.decision.house, order.zone)
        cycle, demand = zone.demand_cycle, zone.demand
        if cycle is None or demand is None or zone.asked:
            continue
        shortest_s = zone.plan.shortest_burst_s if is_by_timetable(cycle, demand) else cycle.shortest_burst_s
        assert shortest_s - HAIR_S <= order.for_s <= cycle.longest_burst_s + HAIR_S, (
            f"{order.zone} led by {demand.lead} was given {order.for_s} s at {step.now_s}"
        )


def is_by_timetable(cycle: DemandCycle, demand: ZoneDemand) -> bool:
    """Whether the burst is as long as the timetable has it: there is nothing to reckon another from."""
    is_unread = cycle.source is None and cycle.fixed_burst_s is None and demand.driest_wet is None
    return demand.lead in NO_READINGS or is_unread


def check_whatever_leads_a_zone_is_told_as_it_changes(life: Lived) -> None:
    for step in life.steps:
        for was, now in zip(step.before.zones, step.decision.house.zones, strict=True):
            if any(each.kind is SettingKind.CYCLE and each.zone == now.plan.name for each in kept(step)):
                continue  # it was set, perhaps there and back at one instant, and that is told
            assert lead_told(step, now.plan.name) == lead_changed(was, now), (
                f"{now.plan.name} at {step.now_s}"
            )


def lead_told(step: Step, name: str) -> list[tuple[EventKind, object]]:
    """The changes of lead that were told of a zone, each with the new lead."""
    told = [event for event in step.decision.events if event.kind in LEADS_TOLD and event.subject == name]
    return [(event.kind, event.figures["lead"]) for event in told]


def lead_changed(was: Zone, now: Zone) -> list[tuple[EventKind, object]]:
    """What should have been told of it."""
    if was.demand is None or now.demand is None or was.demand.lead is now.demand.lead:
        return []
    cycle = now.demand_cycle
    assert cycle is not None
    is_worse = rank(cycle, now.demand.lead) > rank(cycle, was.demand.lead)
    kind = EventKind.CYCLE_FELL_BACK if is_worse else EventKind.CYCLE_CAME_BACK
    return [(kind, now.demand.lead.value)]


def check_a_zone_not_led_by_its_own_cycle_says_why(life: Lived) -> None:
    for step in life.steps:
        for zone in step.decision.house.zones:
            if zone.demand is not None and zone.demand_cycle is not None:
                is_own = rank(zone.demand_cycle, zone.demand.lead) == 0
                assert bool(zone.demand.why) is not is_own, f"{zone.plan.name} at {step.now_s}"


def check_a_sensor_is_doubted_and_believed_again_aloud(life: Lived) -> None:
    for step in life.steps:
        told = [(e.kind, e.subject) for e in step.decision.events if e.kind in DOUBTS_TOLD]
        expected = []
        for name, was in step.before.trust.items():
            now = step.decision.house.trust[name]
            if bool(was.doubt) is not bool(now.doubt):
                kind = EventKind.WETNESS_DOUBTED if now.doubt else EventKind.WETNESS_TRUSTED
                expected.append((kind, name))
        assert sorted(told) == sorted(expected), f"at {step.now_s}"


CHECKS_ON_DEMAND = (
    check_bursts_on_demand_are_neither_too_short_nor_too_long,
    check_whatever_leads_a_zone_is_told_as_it_changes,
    check_a_zone_not_led_by_its_own_cycle_says_why,
    check_a_sensor_is_doubted_and_believed_again_aloud,
)
