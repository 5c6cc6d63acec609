"""Following what the leaves ask: readings into sources, trust and films, and what bursts did to those.

Called in every turn before zones are attended to; looks only at what was heard, lost or doubted since the
last. The arithmetic of films, meters and trust is in their own files. Nothing in here opens a valve.
"""

from collections.abc import Iterator
from dataclasses import replace

from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import DemandCycle
from mistd.core.demand_source import SourceState, went_on
from mistd.core.events import EventKind
from mistd.core.leading import led
from mistd.core.own_week import day_ended, with_burst
from mistd.core.readings import SensorKind
from mistd.core.thirst import driest_wet, misted, seen, slow_wet
from mistd.core.turn import Turn
from mistd.core.wetness_trust import (
    SETTLES_S,
    WetnessTrust,
    burst_begun,
    burst_given,
    compared,
    heard_share,
)
from mistd.core.zone import Phase, Zone
from mistd.core.zone_demand import (
    NO_READINGS,
    Lead,
    ZoneDemand,
    burst_on_demand_s,
    is_sensor_dry,
    source_of,
    sum_kpa_s,
    wetted,
)


def attend_demand(turn: Turn) -> None:
    """Take in what sensors have said or ceased to say since the last decision."""
    before = turn.house.sensors
    heard = turn.sensors is not before
    changed = (
        {name for name, state in turn.sensors.items() if state is not before[name]} if heard else set[str]()
    )
    is_new_part = turn.almanac is not turn.house.almanac
    if not changed and not is_new_part:
        return
    moved = _take_sources(turn, changed, is_new_part=is_new_part)
    wet = {name for name in changed if _has_wetness_news(turn, name)}
    if wet:
        _take_wetness(turn, wet)
    if not (moved or wet or is_new_part):
        return  # whatever spoke concerns no zone's demand
    for index in range(len(turn.house.zones)):
        zone = turn.zone(index)
        cycle, demand = zone.demand_cycle, zone.demand
        if cycle is None or demand is None:
            continue
        is_sensed = not wet.isdisjoint(cycle.wetness_sensors)
        is_moved = cycle.source in moved and not _is_untroubled(turn, zone, cycle, demand)
        if is_sensed or is_new_part or is_moved:
            _reconsider(turn, index, cycle, is_sensed=is_sensed)


def _is_untroubled(turn: Turn, zone: Zone, cycle: DemandCycle, demand: ZoneDemand) -> bool:
    """Whether a source's news changes nothing for a zone but the pace: its own cycle leads and goes on to."""
    source = source_of(cycle, turn.sources)
    if source is None or source.lost or demand.why or demand.better_lead is not None:
        return False
    return not _is_set_right(demand, zone.shut_s, source) and not _is_otherwise_sure(turn, cycle)


def _has_wetness_news(turn: Turn, name: str) -> bool:
    """Whether a leaf-wetness sensor said something or fell silent; nonsense is neither."""
    before, after = turn.house.sensors[name], turn.sensors[name]
    if after.plan.kind is not SensorKind.LEAF_WETNESS:
        return False
    return after.reading is not before.reading or after.is_lost is not before.is_lost


def _take_sources(turn: Turn, changed: set[str], *, is_new_part: bool) -> set[int]:
    """Let every source go on that heard something; which of them did."""
    moved = set[int]()
    sources = list(turn.sources)
    for place, plan in enumerate(turn.plan.sources):
        if is_new_part or not changed.isdisjoint(plan.sensors):
            sources[place] = went_on(sources[place], plan, turn.sensors, turn.almanac, turn.now_s)
            moved.add(place)
    if moved:
        turn.sources = tuple(sources)
        turn.is_changed = True
    return moved


def _take_wetness(turn: Turn, names: set[str]) -> None:
    trust = dict(turn.trust)
    for name in sorted(names):
        state, before = turn.sensors[name], trust[name]
        reading = state.reading
        if reading is None or state.is_lost:
            trust[name] = replace(before, share=None)
        else:
            trust[name] = heard_share(before, state.plan.wet_share(reading.value), reading.at_s)
        _tell_of_trust(turn, name, before, trust[name])
    turn.trust = trust
    turn.is_changed = True


def _reconsider(turn: Turn, index: int, cycle: DemandCycle, *, is_sensed: bool) -> None:
    """Whether anything is new for one zone: whom to believe, what leads, how wet the film is."""
    zone = turn.zone(index)
    demand = zone.demand
    if demand is None:
        return
    source = source_of(cycle, turn.sources)
    if source is not None and source is not turn.house.sources[cycle.source or 0]:
        demand = _set_right(demand, zone.shut_s, source)
    if is_sensed:
        _compare(turn, cycle, demand, source)
        demand = _corrected(turn, zone, cycle, demand, source)
    demand = led(turn, zone, cycle, demand, source)
    if demand is not zone.demand or _is_otherwise_sure(turn, cycle):
        zone = turn.touch(index)
        zone.demand = demand
        turn.is_changed = True
        if not zone.is_waiting:
            turn.set_mark(zone)


def _is_otherwise_sure(turn: Turn, cycle: DemandCycle) -> bool:
    """Whether the sun rose or set, or light came to be measured or not: what a film's pace may be off by."""
    if turn.almanac.is_light is not turn.house.almanac.is_light:
        return True
    before, after = source_of(cycle, turn.house.sources), source_of(cycle, turn.sources)
    return (before and before.rates.assumed_light) is not (after and after.rates.assumed_light)


def _is_set_right(demand: ZoneDemand, shut_s: float, source: SourceState) -> bool:
    """Whether a reading changed what the meters said since a zone's film was last wetted or seen."""
    revision = source.revision
    return revision is not None and max(shut_s, demand.thirst.seen_s) > revision.from_s


def _set_right(demand: ZoneDemand, shut_s: float, source: SourceState) -> ZoneDemand:
    """The zone with its marks on meters that a reading set right, as they would read had that been known.

    Else a film that was filled since the reading before would be taken for wetter than full as demand falls.
    """
    revision, thirst = source.revision, demand.thirst
    if revision is None or not _is_set_right(demand, shut_s, source):
        return demand
    of_sum = revision.share_at(shut_s, source.at_s) * revision.kpa_s
    of_film = revision.share_at(max(shut_s, thirst.seen_s), source.at_s) * revision.um
    return replace(
        demand,
        thirst=replace(thirst, at_um=thirst.at_um + of_film),
        sum_from_kpa_s=demand.sum_from_kpa_s + of_sum,
    )


def _compare(turn: Turn, cycle: DemandCycle, demand: ZoneDemand, source: SourceState | None) -> None:
    """Hold each sensor against the others of its bench and the film; tell whom nobody believes any more.

    A single sensor has nobody to be outvoted by.
    """
    if len(cycle.wetness_sensors) < 2:
        return
    said = {name: turn.trust[name].share for name in cycle.wetness_sensors if turn.trust[name].is_trusted}
    film = (
        [] if source is None or source.lost else [driest_wet(demand.thirst, cycle, source.um_at(turn.now_s))]
    )
    after = dict(turn.trust)
    for name in cycle.wetness_sensors:
        others = [share for other, share in said.items() if other != name and share is not None] + film
        if not after[name].doubt:
            after[name] = compared(after[name], others, turn.now_s)
            _tell_of_trust(turn, name, turn.trust[name], after[name])
    turn.trust = after


def _tell_of_trust(turn: Turn, name: str, before: WetnessTrust, after: WetnessTrust) -> None:
    if bool(before.doubt) is bool(after.doubt):
        return
    if after.doubt:
        turn.tell(
            EventKind.WETNESS_DOUBTED, name, f"{after.doubt}: it is left out; look at it, wipe it clean"
        )
    else:
        turn.tell(
            EventKind.WETNESS_TRUSTED, name, "it has risen with every burst and dried between them again"
        )


def _corrected(
    turn: Turn, zone: Zone, cycle: DemandCycle, demand: ZoneDemand, source: SourceState | None
) -> ZoneDemand:
    """The zone with what its driest trusted sensor says, once that has settled after a burst."""
    shares = [trust.share for trust in _trusted(turn, cycle) if trust.share is not None]
    wet = min(shares, default=None)
    if wet is None:
        return replace(demand, driest_wet=None, is_sensor_dry=False)
    if zone.phase is not Phase.RESTING or turn.now_s < zone.shut_s + SETTLES_S:
        return demand
    is_dry = is_sensor_dry(demand.is_sensor_dry, wet, cycle.sensor_dry_back_wet)
    thirst = demand.thirst
    if source is not None:
        thirst = seen(thirst, cycle, wet, source.um_at(turn.now_s), turn.now_s)
    return replace(demand, driest_wet=wet, is_sensor_dry=is_dry, thirst=thirst)


def _trusted(turn: Turn, cycle: DemandCycle) -> Iterator[WetnessTrust]:
    return (turn.trust[name] for name in cycle.wetness_sensors if turn.trust[name].is_trusted)


def take_burst(turn: Turn, zone: Zone, open_s: float) -> None:
    """What a burst that has ended did: for the film, the sum, the week, and what sensors have to show now."""
    cycle, demand = zone.demand_cycle, zone.demand
    if cycle is None or demand is None:
        return
    source = source_of(cycle, turn.sources)
    slow = None
    if source is not None and not source.lost and turn.almanac.part is DayPart.DAY:
        slow = slow_wet(demand.thirst, cycle, source.um_at(turn.now_s))
    _judge_sensors(turn, zone, cycle, open_s, slow)
    week = with_burst(demand.week, zone.shut_s - turn.almanac.day_began_s)
    if demand.lead in NO_READINGS:
        week = replace(week, is_sound=False)
    thirst, sum_from_kpa_s = demand.thirst, demand.sum_from_kpa_s
    if source is not None:
        left_kpa_s = sum_kpa_s(demand, source, zone.shut_s) * (1.0 - _given(turn, zone, cycle, open_s))
        thirst = misted(thirst, cycle, open_s, source.um_at(zone.shut_s))
        sum_from_kpa_s = source.kpa_s_at(zone.shut_s) - left_kpa_s
    zone.demand = wetted(demand, week, thirst, sum_from_kpa_s)


def begin_burst(turn: Turn, zone: Zone) -> None:
    """Note what the zone's sensors say as its valve opens: they are judged by what the burst does."""
    cycle = zone.demand_cycle
    if cycle and cycle.wetness_sensors:
        begun = {name: burst_begun(turn.trust[name], zone.opened_s) for name in cycle.wetness_sensors}
        turn.trust = {**turn.trust, **begun}


def _given(turn: Turn, zone: Zone, cycle: DemandCycle, open_s: float) -> float:
    """How much of a whole burst's water one was, 0 to 1: what fills the line wets nothing."""
    whole_s = cycle.fixed_burst_s or zone.cycle.burst_s(turn.almanac.part) or zone.cycle.any_burst_s()
    sprayed_s = max(0.0, open_s - cycle.fills_s)
    return min(1.0, sprayed_s / max(whole_s - cycle.fills_s, sprayed_s)) if sprayed_s else 0.0


def _judge_sensors(turn: Turn, zone: Zone, cycle: DemandCycle, open_s: float, slow: float | None) -> None:
    if not cycle.wetness_sensors:
        return
    is_good = open_s >= cycle.shortest_burst_s
    after = dict(turn.trust)
    for name in cycle.wetness_sensors:
        before = after[name]
        after[name] = burst_given(before, zone.shut_s, is_good=is_good, slow_wet=slow)
        _tell_of_trust(turn, name, before, after[name])
    turn.trust = after
    turn.is_changed = True


def end_day(zone: Zone) -> None:
    """Put a local day that is over to the zone's own week; of days by the timetable nothing is learnt."""
    if zone.demand is not None:
        week = day_ended(zone.demand.week)
        if zone.demand_cycle is None:
            week = replace(week, is_sound=False)
        zone.demand = replace(zone.demand, week=week)


def burst_length_s(turn: Turn, zone: Zone) -> float | None:
    """How long the burst that is due is; None where the zone has none in this part of the day."""
    part = turn.almanac.part
    cycle, demand = zone.demand_cycle, zone.demand
    if cycle is None or demand is None:
        return zone.cycle.burst_s(part)
    if not zone.mists_in(part):
        return None
    return burst_on_demand_s(demand, cycle, turn.sources, turn.now_s) or _usual_burst_s(zone, cycle, turn)


def _usual_burst_s(zone: Zone, cycle: DemandCycle, turn: Turn) -> float:
    """By the timetable; led by its own week, as long as the bursts of the day before were."""
    timed_s = zone.cycle.burst_s(turn.almanac.part) or zone.cycle.any_burst_s()
    if zone.demand is None or zone.demand.lead is not Lead.OWN_WEEK or not zone.yesterday.bursts:
        return timed_s
    usual_s = zone.yesterday.open_s / zone.yesterday.bursts
    return max(cycle.shortest_burst_s, min(usual_s, cycle.longest_burst_s))
