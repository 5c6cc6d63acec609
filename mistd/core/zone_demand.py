"""What is known of one zone that is misted on demand, and when its next burst is due by that.

A zone holds a mark on a meter of its source and two instants, the soonest and the latest; the instant at
which it is due follows from the meter as it runs now, so that a reading costs no zone a copy. While its
cycle's readings are dead it is led by what is next in a declared chain; the last in it is the house's own
timetable.

This file knows one zone and its source. It knows no line, no keeper and no doubt of a sensor: it is told.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf

from mistd.core.almanac import Almanac
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.demand_source import SourceState
from mistd.core.film import film_at_wet_fraction_um
from mistd.core.own_week import NO_WEEK, OwnWeek, due_after_s
from mistd.core.thirst import Thirst, due_at_um, held_otherwise, mean_film_um, surely_due_at_um, unsure
from mistd.core.units import S_PER_DAY, S_PER_HOUR


class Lead(StrEnum):
    """What a zone on demand is misted by at present; the value is the word used outside."""

    VPD = "vpd"
    LEAF_WETNESS = "leaf_wetness"
    FILM = "film"
    OWN_WEEK = "own_week"
    TIMETABLE = "timetable"


NO_READINGS = (Lead.OWN_WEEK, Lead.TIMETABLE)  # a zone led by these is misted blindly

# In which order each cycle's zone is led, as far as readings allow; after these its own week, or before that
# has seven days the timetable of a bright day.
CHAINS: Mapping[CycleKind, tuple[Lead, ...]] = {
    CycleKind.VPD: (Lead.VPD, Lead.LEAF_WETNESS),
    CycleKind.LEAF_WETNESS: (Lead.LEAF_WETNESS, Lead.FILM),
    CycleKind.FILM: (Lead.FILM, Lead.LEAF_WETNESS),
}
COMES_BACK_AFTER_S = 600.0  # readings have to be sound for so long before they lead again (ours)
WET_HYSTERESIS = 0.1  # a sensor that was dry counts as dry until it is wetter than its set point by so much


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneDemand:
    """The state of a zone on demand."""

    lead: Lead
    lead_since_s: float = -inf
    why: str = ""  # why another than its own cycle leads; empty while its own does
    better_since_s: float = inf  # since when something earlier in the chain could lead again
    better_lead: Lead | None = None  # what could all that time
    thirst: Thirst
    sum_from_kpa_s: float = 0.0  # the deficit meter's reading at which the zone's sum was nought
    is_sensor_dry: bool = False
    driest_wet: float | None = None  # share of the driest trusted sensor, as it last said
    week: OwnWeek = NO_WEEK
    mark: float = inf  # on the meter of the lead
    soonest_s: float = -inf


def begun_demand(cycle: DemandCycle, since_midnight_s: float = 0.0) -> ZoneDemand:
    """A zone on demand of which nothing is known; a day of which an hour was missed does not count."""
    week = replace(NO_WEEK, is_sound=since_midnight_s < S_PER_HOUR)
    return ZoneDemand(lead=CHAINS[cycle.kind][0], thirst=Thirst(at_um=0.0), week=week)


def begun_anew(
    demand: ZoneDemand,
    cycle: DemandCycle,
    before: DemandCycle | None,
    source: SourceState | None,
    now_s: float,
) -> ZoneDemand:
    """A zone that is given another cycle, led by that cycle's own readings as if they were all sound.

    Args:
        demand: as it was.
        cycle: its new one.
        before: the one it had; None: it was misted by its timetable, so of today its week knows too little,
            and of its sensors nothing that is still true.
        source: the zone's, if it has one.
        now_s: monotonic seconds.
    """
    wet = None if before is None else demand.driest_wet
    thirst = demand.thirst
    if before is not None and source is not None:
        thirst = held_otherwise(thirst, before, cycle, source.um_at(now_s))
    return ZoneDemand(
        lead=CHAINS[cycle.kind][0],
        thirst=thirst,
        sum_from_kpa_s=demand.sum_from_kpa_s,
        is_sensor_dry=wet is not None and is_sensor_dry(False, wet, cycle.sensor_dry_back_wet),
        driest_wet=wet,
        week=demand.week if before else replace(demand.week, is_sound=False),
    )


def chosen_lead(cycle: DemandCycle, week: OwnWeek, *, has_source: bool, has_sensor: bool) -> Lead:
    """What should lead, by what can be believed now."""
    for lead in CHAINS[cycle.kind]:
        if can_lead(lead, has_source=has_source, has_sensor=has_sensor):
            return lead
    return Lead.OWN_WEEK if week.is_known else Lead.TIMETABLE


def can_lead(lead: Lead, *, has_source: bool, has_sensor: bool) -> bool:
    """Whether what a lead rests on can be believed now."""
    if lead is Lead.LEAF_WETNESS:
        return has_sensor
    return has_source or lead in NO_READINGS


def rank(cycle: DemandCycle, lead: Lead) -> int:
    """How far down the chain a lead is; its own cycle is nought."""
    return (*CHAINS[cycle.kind], Lead.OWN_WEEK, Lead.TIMETABLE).index(lead)


def sum_kpa_s(demand: ZoneDemand, source: SourceState, now_s: float) -> float:
    """The deficit since the zone's sum was nought."""
    return max(0.0, source.kpa_s_at(now_s) - demand.sum_from_kpa_s)


def source_of(cycle: DemandCycle, sources: Sequence[SourceState]) -> SourceState | None:
    """The zone's source as it stands."""
    return None if cycle.source is None else sources[cycle.source]


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """When a zone was misted last, and what a grower wants of it: all that its bounds count from."""

    shut_s: float
    skipped_s: float
    trim: float  # more water, as a share
    timed_gap_s: float | None  # of the bright-day timetable in this part


def marked(
    demand: ZoneDemand,
    cycle: DemandCycle,
    since: Since,
    sources: Sequence[SourceState],
    almanac: Almanac,
    now_s: float,
) -> tuple[ZoneDemand, float]:
    """The zone with its mark set anew, and the latest instant at which its burst is due."""
    bounds = cycle.bounds[almanac.part]
    if bounds is None:
        return _with_mark(demand, inf, inf), inf
    from_s = max(since.shut_s, since.skipped_s)
    latest_s = from_s + bounds.longest_gap_s
    soonest_s = _soonest_s(bounds, since)
    if demand.lead in NO_READINGS:
        due_s = _blind_due_s(demand, since, from_s, latest_s, almanac)
        return _with_mark(demand, inf, -inf), min(latest_s, max(soonest_s, due_s))
    if bounds.is_sparse:
        return _with_mark(demand, inf, latest_s), latest_s
    mark = _mark(demand, cycle, since.trim, source_of(cycle, sources), almanac, now_s)
    return _with_mark(demand, mark, soonest_s), latest_s


def _with_mark(demand: ZoneDemand, mark: float, soonest_s: float) -> ZoneDemand:
    """The same with another mark: field by field, as this is done at every burst and every correction."""
    return ZoneDemand(
        lead=demand.lead,
        lead_since_s=demand.lead_since_s,
        why=demand.why,
        better_since_s=demand.better_since_s,
        better_lead=demand.better_lead,
        thirst=demand.thirst,
        sum_from_kpa_s=demand.sum_from_kpa_s,
        is_sensor_dry=demand.is_sensor_dry,
        driest_wet=demand.driest_wet,
        week=demand.week,
        mark=mark,
        soonest_s=soonest_s,
    )


def wetted(demand: ZoneDemand, week: OwnWeek, thirst: Thirst, sum_from_kpa_s: float) -> ZoneDemand:
    """The same after a burst, with no mark yet: field by field, as above."""
    return ZoneDemand(
        lead=demand.lead,
        lead_since_s=demand.lead_since_s,
        why=demand.why,
        better_since_s=demand.better_since_s,
        better_lead=demand.better_lead,
        thirst=thirst,
        sum_from_kpa_s=sum_from_kpa_s,
        driest_wet=demand.driest_wet,
        week=week,
    )


def _soonest_s(bounds: DemandBounds, since: Since) -> float:
    """Not before the shortest gap; after a burst left out, not before another gap like the one before it."""
    if since.skipped_s <= since.shut_s:
        return since.shut_s + bounds.shortest_gap_s
    before_s = since.skipped_s - since.shut_s
    return since.skipped_s + min(bounds.longest_gap_s, max(bounds.shortest_gap_s, before_s))


def _mark(
    demand: ZoneDemand,
    cycle: DemandCycle,
    trim: float,
    source: SourceState | None,
    almanac: Almanac,
    now_s: float,
) -> float:
    """The reading of the lead's meter at which the burst is due."""
    if source is None:
        return inf
    if demand.lead is Lead.VPD:
        return demand.sum_from_kpa_s + cycle.set_point_kpa_s / (1.0 + trim)
    if demand.lead is Lead.LEAF_WETNESS:
        return surely_due_at_um(demand.thirst, cycle, trim)
    sooner = (
        unsure(demand.thirst, now_s, assumed_light=source.rates.assumed_light) if almanac.is_light else 0.0
    )
    return due_at_um(demand.thirst, cycle, (1.0 + sooner) * (1.0 + trim) - 1.0)


def _blind_due_s(demand: ZoneDemand, since: Since, from_s: float, latest_s: float, almanac: Almanac) -> float:
    """When a zone is due that nothing is measured for."""
    if demand.lead is Lead.OWN_WEEK and from_s > -inf:
        midnight_s = almanac.day_began_s - S_PER_DAY * ((almanac.day_began_s - from_s) // S_PER_DAY)
        due_s = due_after_s(demand.week, from_s, midnight_s, latest_s)
        return from_s + (due_s - from_s) / (1.0 + since.trim)
    if since.timed_gap_s is None:
        return latest_s
    return from_s + since.timed_gap_s / (1.0 + since.trim)


def due_by_demand_s(
    demand: ZoneDemand, cycle: DemandCycle, latest_s: float, sources: Sequence[SourceState]
) -> float:
    """The instant at which the zone is due as its meter runs now."""
    if demand.lead in NO_READINGS:
        return latest_s
    source, mark_s = source_of(cycle, sources), inf
    if demand.lead is Lead.LEAF_WETNESS and demand.is_sensor_dry:
        mark_s = -inf
    elif source is not None and demand.mark < inf:
        is_vpd = demand.lead is Lead.VPD
        mark_s = source.kpa_s_reached_s(demand.mark) if is_vpd else source.um_reached_s(demand.mark)
    return min(max(mark_s, demand.soonest_s), latest_s)


def is_sensor_dry(was_dry: bool, wet: float, dry_back_wet: float) -> bool:
    """Whether a sensor's reading asks for a burst, with hysteresis.

    >>> [is_sensor_dry(was, 0.5, 0.45) for was in (False, True)]
    [False, True]
    """
    return wet <= dry_back_wet + (WET_HYSTERESIS if was_dry else 0.0)


def burst_on_demand_s(
    demand: ZoneDemand, cycle: DemandCycle, sources: Sequence[SourceState], now_s: float
) -> float | None:
    """The burst that fills the film without dripping; None where the lead does not reckon it."""
    if cycle.fixed_burst_s is not None and demand.lead not in NO_READINGS:
        return cycle.fixed_burst_s
    if demand.lead not in {Lead.FILM, Lead.LEAF_WETNESS}:
        return None
    source = source_of(cycle, sources)
    if source is not None:
        return cycle.refilling_s(mean_film_um(demand.thirst, cycle, source.um_at(now_s)))
    wet = demand.driest_wet
    if wet is None:
        return None
    return cycle.refilling_s(film_at_wet_fraction_um(min(1.0, max(0.0, wet)), cycle.holds_um))
