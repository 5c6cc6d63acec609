"""What is told of a zone on demand: what leads it, how far its leaves have dried, within which bounds.

Its film and its forecast move with every reading, so this file also says when they are worth telling anew.
Rule: however often sensors speak, a zone is told for their sake at most once a minute.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Any

from mistd.app.messages import DemandTold
from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind, DemandCycle
from mistd.core.demand_source import SourceState
from mistd.core.film import wet_fraction
from mistd.core.house import House
from mistd.core.thirst import film_um, unsure
from mistd.core.units import PERCENT, S_PER_HOUR
from mistd.core.wetness_trust import SETTLES_S
from mistd.core.zone import Phase, Zone, due_s
from mistd.core.zone_demand import Lead, ZoneDemand, source_of, sum_kpa_s

MOVED_BY_S = 30.0  # a forecast that has moved by no more is as good as the one that was told
WET_BY = 0.05  # and so is a sensor's word, as a share
AT_MOST_EVERY_S = 60.0
FIGURES_LAST_S = 600.0  # after so long they are told anew though the forecast has not moved

Wall = Callable[[float], datetime]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldZone:
    """A zone as it was told last."""

    zone: Zone
    at_s: float
    due_s: float
    source: SourceState | None
    doubts: tuple[str, ...]
    sensor_wet: float | None


def told_zone(house: House, zone: Zone, now_s: float) -> ToldZone:
    """A zone as it is told now."""
    return ToldZone(
        zone=zone,
        at_s=now_s,
        due_s=due_s(zone, house.sources),
        source=_source(house, zone),
        doubts=doubts_of(house, zone),
        sensor_wet=_sensor_wet(zone, now_s),
    )


def is_news(told: ToldZone, house: House, zone: Zone, now_s: float) -> bool:
    """Whether a zone is to be told again: at once when anything but its film has changed."""
    if zone is told.zone and _source(house, zone) is told.source:
        return False
    if zone is not told.zone and not _is_same_but_for_film(told.zone, zone):
        return True
    passed_s = now_s - told.at_s
    if passed_s < AT_MOST_EVERY_S:
        return False
    is_old = passed_s >= FIGURES_LAST_S
    is_other = doubts_of(house, zone) != told.doubts or _is_sensor_elsewhere(told, zone, now_s)
    return is_old or is_other or _has_moved(told, house, zone, now_s)


def _source(house: House, zone: Zone) -> SourceState | None:
    cycle = zone.demand_cycle
    return source_of(cycle, house.sources) if cycle else None


def _is_same_but_for_film(before: Zone, zone: Zone) -> bool:
    if before.demand is None or zone.demand is None or zone.demand_cycle is None:
        return False
    if (before.demand.lead, before.demand.why) != (zone.demand.lead, zone.demand.why):
        return False
    as_before = zone.copied()
    as_before.demand, as_before.mark, as_before.due_s = before.demand, before.mark, before.due_s
    return as_before == before


def _has_moved(told: ToldZone, house: House, zone: Zone, now_s: float) -> bool:
    """Whether the burst is due at another time; one that is overdue stays so, however the meter runs."""
    due_now_s = due_s(zone, house.sources)
    was_due, is_due = told.due_s <= told.at_s, due_now_s <= now_s
    return not (was_due and is_due) and abs(due_now_s - told.due_s) > MOVED_BY_S


def _sensor_wet(zone: Zone, now_s: float) -> float | None:
    """What the driest trusted sensor says; None until it has settled after a burst."""
    has_settled = zone.phase is Phase.RESTING and now_s >= zone.shut_s + SETTLES_S
    return zone.demand.driest_wet if zone.demand and has_settled else None


def _is_sensor_elsewhere(told: ToldZone, zone: Zone, now_s: float) -> bool:
    wet = _sensor_wet(zone, now_s)
    if wet is None or told.sensor_wet is None:
        return wet is not told.sensor_wet
    return abs(wet - told.sensor_wet) > WET_BY


def doubts_of(house: House, zone: Zone) -> tuple[str, ...]:
    """Readings that a zone goes without while something leads it, in words: what is lost or not believed."""
    cycle, source = zone.demand_cycle, _source(house, zone)
    if cycle is None or zone.demand is None:
        return ()
    said = list(source.doubts) if source else []
    for name in cycle.wetness_sensors:
        if house.sensors[name].is_lost:
            said.append(f"{name} is lost")
        elif house.trust[name].doubt:
            said.append(f"{name} is doubted: {house.trust[name].doubt}")
    return tuple(each for each in said if each not in zone.demand.why)


def _dry_back_wet(cycle: DemandCycle, demand: ZoneDemand) -> float:
    """The set point as what leads reads it: a sensor's plate is wetter than the leaf beside it."""
    is_by_sensor = demand.lead is Lead.LEAF_WETNESS
    return cycle.sensor_dry_back_wet if is_by_sensor else cycle.film_dry_back_wet


def demand_told(house: House, zone: Zone, now_s: float, wall: Wall) -> DemandTold | None:
    """A zone's demand; None of a timed zone."""
    cycle, demand = zone.demand_cycle, zone.demand
    if cycle is None or demand is None:
        return None
    source = source_of(cycle, house.sources)
    bounds = cycle.bounds[house.almanac.part]
    wet = _sensor_wet(zone, now_s)
    return DemandTold(
        cycle=cycle.kind.value,
        led_by=demand.lead.value,
        led_since=wall(demand.lead_since_s) if isfinite(demand.lead_since_s) else None,
        why=demand.why,
        doubts=list(doubts_of(house, zone)),
        as_of=wall(now_s),
        holds_um=cycle.holds_um,
        sensor_wet_percent=None if wet is None else round(wet * PERCENT, 1),
        dry_back_percent=round(_dry_back_wet(cycle, demand) * PERCENT, 1),
        shortest_gap_s=bounds.shortest_gap_s if bounds else None,
        longest_gap_s=bounds.longest_gap_s if bounds else None,
        is_sparse=bounds is not None and bounds.is_sparse,
        latest_at=wall(zone.due_s) if isfinite(zone.due_s) else None,
        mists_in=[part.value for part in DayPart if zone.mists_in(part)],
        **_film(cycle, demand, source, now_s),
        **_sum(cycle, demand, source, now_s),
    )


def _film(cycle: DemandCycle, demand: ZoneDemand, source: SourceState | None, now_s: float) -> dict[str, Any]:
    """The film as reckoned; nothing of it while the readings it rests on are dead."""
    if source is None or source.lost:
        unknown = ("film_um", "film_unsure_percent", "drying_um_per_h", "wet_percent")
        return dict.fromkeys(unknown)
    depth_um = film_um(demand.thirst, cycle, source.um_at(now_s))
    off = unsure(demand.thirst, now_s, assumed_light=source.rates.assumed_light)
    return {
        "film_um": round(depth_um, 1),
        "film_unsure_percent": round(off * PERCENT, 1),
        "drying_um_per_h": round(source.rates.um_per_s * S_PER_HOUR, 1),
        "wet_percent": round(wet_fraction(depth_um, cycle.holds_um) * PERCENT, 1),
    }


def _sum(cycle: DemandCycle, demand: ZoneDemand, source: SourceState | None, now_s: float) -> dict[str, Any]:
    """What a VPD cycle has added up, and its set point."""
    if cycle.kind is not CycleKind.VPD:
        return dict.fromkeys(("sum_kpa_h", "set_point_kpa_h", "deficit_kpa"))
    is_known = source is not None and not source.lost
    return {
        "sum_kpa_h": round(sum_kpa_s(demand, source, now_s) / S_PER_HOUR, 3) if source and is_known else None,
        "set_point_kpa_h": round(cycle.set_point_kpa_s / S_PER_HOUR, 3),
        "deficit_kpa": round(source.rates.kpa, 3) if source and is_known else None,
    }
