"""Zones on demand in words, for `mistd check`: what makes their bursts, how often, by which sensors.

It knows the file and the plan that was made of it; it judges nothing.
"""

from collections.abc import Iterator

from mistd.app.config import Config, ZoneSection
from mistd.app.demand_plan import NO_DEMAND, usual_rates
from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.plan import HousePlan, SourcePlan
from mistd.core.units import PERCENT, S_PER_HOUR, minutes_of_seconds

HEAD = "on demand; the timetable above is what each falls back to when no reading can be believed:"


def on_demand(config: Config, plan: HousePlan) -> str:
    """A block of lines for the zones on demand; empty when there is none."""
    lines = [
        line
        for section, zone in zip(config.zones, plan.zones, strict=True)
        if zone.demand
        for line in _zone(section, zone.demand, plan)
    ]
    return "\n".join([HEAD, *lines]) if lines else ""


def _zone(section: ZoneSection, cycle: DemandCycle, plan: HousePlan) -> Iterator[str]:
    source = None if cycle.source is None else plan.sources[cycle.source]
    surface = (section.demand or NO_DEMAND).surface
    yield f"  {section.name}: {cycle.kind.value}; {surface.value} leaves hold {cycle.holds_um:g} um"
    yield f"    due when {_due(section, cycle, source)}"
    yield f"    bursts: {_bursts(cycle)}"
    gaps = ", ".join(f"{part.value} {_gap(cycle.bounds[part])}" for part in DayPart)
    yield f"    gaps in min: {gaps}"
    yield f"    goes by {_sensors(cycle, source)}"


def _due(section: ZoneSection, cycle: DemandCycle, source: SourcePlan | None) -> str:
    if cycle.kind is CycleKind.VPD:
        return _deficit(section, cycle, source)
    wet = f"{cycle.dry_back_wet * PERCENT:g} % wet, {cycle.dry_back_um:.1f} um on a leaf"
    if cycle.kind is CycleKind.FILM:
        return f"the film reckoned for the driest quarter is down to {wet}"
    slow = "" if source is None else ", or the film must be gone even in slow air"
    return f"the driest trusted sensor reads no more than {wet}{slow}"


def _deficit(section: ZoneSection, cycle: DemandCycle, source: SourcePlan | None) -> str:
    """The set point as a sum, and as every so many minutes at a deficit: the file's, else a usual day's."""
    demand = section.demand or NO_DEMAND
    at_kpa = demand.at_kpa or usual_rates(source).kpa
    every_min = minutes_of_seconds(cycle.set_point_kpa_s / at_kpa)
    is_set = demand.set_point_kpa_h is not None or demand.at_kpa is not None
    whence = "" if is_set else "; not set: what dries a leaf back on a usual bright day"
    return (
        f"the deficit{_counted(source)} adds up to {cycle.set_point_kpa_s / S_PER_HOUR:.3g} kPa.h, "
        f"as every {every_min:.3g} min at {at_kpa:.3g} kPa{whence}"
    )


def _counted(source: SourcePlan | None) -> str:
    if source is not None and source.leaf is not None:
        return " from leaf to air"
    return " weighed by light" if source is not None and source.light is not None else ""


def _bursts(cycle: DemandCycle) -> str:
    if cycle.fixed_burst_s is not None:
        return f"{cycle.fixed_burst_s:.1f} s"
    return f"as long as refills the film, {cycle.shortest_burst_s:.1f} to {cycle.longest_asked_s:.1f} s"


def _gap(bounds: DemandBounds | None) -> str:
    if bounds is None:
        return "off"
    longest = f"{minutes_of_seconds(bounds.longest_gap_s):g}"
    if bounds.is_sparse:
        return f"sparse {longest}"
    return f"{minutes_of_seconds(bounds.shortest_gap_s):g} to {longest}"


def _sensors(cycle: DemandCycle, source: SourcePlan | None) -> str:
    of_air = () if source is None else source.sensors
    named = ", ".join((*of_air, *cycle.wetness_sensors))
    if source is None:
        return f"{named}; without air_temperature and relative_humidity no film is reckoned"
    if source.light or source.leaf:
        return named
    instead = "the deficit alone counts" if cycle.kind is CycleKind.VPD else "it is taken to be usual"
    return f"{named}; no light is measured: {instead}"
