"""Houses misted on demand, lived by hand: air, leaf-wetness sensors and a keeper that obeys.

Answers for: plans with a source and sensors, and readings at steady intervals. Knows no test.
"""

from collections.abc import Collection, Mapping
from dataclasses import replace

from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.plan import HousePlan, SensorPlan, SourcePlan, ZonePlan
from mistd.core.readings import SensorKind
from tests.core.houses import PaperHouse, house_at_work, house_plan, sensor_plan, timetable, zone_plan

READS_EVERY_S = 60.0
BRIGHT = {"air": 27.0, "humidity": 0.55}
LEAVES = ("leaf-1", "leaf-2")
SHORTEST_GAP_S, LONGEST_GAP_S = 120.0, 2700.0


def demand_cycle(kind: CycleKind = CycleKind.FILM, *sensors: str, source: int | None = 0) -> DemandCycle:
    """Ordinary leaves under nozzles of 36 mm/h, misted by the same bounds all day."""
    bounds = DemandBounds(shortest_gap_s=SHORTEST_GAP_S, longest_gap_s=LONGEST_GAP_S)
    return DemandCycle(
        kind=kind,
        bounds=dict.fromkeys(DayPart, bounds),
        dry_back_wet=0.4,
        holds_um=50.0,
        rate_um_per_s=10.0,
        fills_s=1.0,
        longest_burst_s=15.0,
        source=source,
        set_point_kpa_s=1800.0 if kind is CycleKind.VPD else 0.0,
        fixed_burst_s=8.0 if kind is CycleKind.VPD else None,
        wetness_sensors=sensors,
    )


def demand_zone(name: str = "a", cycle: DemandCycle | None = None) -> ZonePlan:
    return replace(zone_plan(name, timetable(5.0, 600.0)), demand=cycle or demand_cycle())


def demand_plan(*zones: ZonePlan, leaves: Collection[str] | None = None) -> HousePlan:
    """A house with one source of demand, and the leaf-wetness sensors that its zones go by."""
    of_zones = [name for zone in zones if zone.demand for name in zone.demand.wetness_sensors]
    sensors: list[SensorPlan] = [
        sensor_plan("air"),
        sensor_plan("humidity", SensorKind.RELATIVE_HUMIDITY),
        *(sensor_plan(name, SensorKind.LEAF_WETNESS) for name in (of_zones if leaves is None else leaves)),
    ]
    plan = house_plan(*(zones or (demand_zone(),)), sensors=sensors)
    return replace(plan, sources=(SourcePlan(air="air", humidity="humidity"),))


def demand_house(*zones: ZonePlan, leaves: Collection[str] | None = None) -> PaperHouse:
    """At work since second 0, every zone last shut then."""
    return house_at_work(demand_plan(*zones, leaves=leaves), 0.0)


def live(paper: PaperHouse, until_s: float, readings: Mapping[str, float] = BRIGHT) -> PaperHouse:
    """Sensors read the same every minute, the keeper obeys; up to and with an instant.

    A value that never moves for hours would be frozen: each reading differs in the last digits.
    """
    at_s = paper.now_s
    while at_s + READS_EVERY_S <= until_s:
        at_s += READS_EVERY_S
        paper.mist_until(at_s)
        paper.decide(at_s, readings={name: value + 1e-7 * (at_s % 7) for name, value in readings.items()})
        paper.open_what_was_ordered()
    paper.mist_until(until_s)
    return paper
