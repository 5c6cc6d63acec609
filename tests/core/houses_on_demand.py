"""Houses on paper with zones on demand: cycles, sensors, a source, and readings of evenly moving days."""

from collections.abc import Mapping
from itertools import pairwise

from mistd.core.almanac import Almanac, DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.film import drying_um
from mistd.core.plan import HousePlan, SensorPlan, SourcePlan
from mistd.core.readings import SensorKind
from mistd.core.thirst import film_um
from mistd.core.wetness_trust import SETTLES_S
from mistd.core.zone_demand import ZoneDemand
from tests.core.houses import (
    PaperHouse,
    almanac,
    ask_burst,
    house_at_work,
    house_plan,
    sensor_plan,
    shut,
    zone_plan,
)

FULL_UM = drying_um(50.0, 50.0)  # of what a leaf here holds


def bounds(
    shortest_gap_s: float = 120.0, longest_gap_s: float = 2700.0, *, is_sparse: bool = False
) -> DemandBounds:
    return DemandBounds(shortest_gap_s=shortest_gap_s, longest_gap_s=longest_gap_s, is_sparse=is_sparse)


# A zone that never asks by itself while a test looks on.
PATIENT = dict.fromkeys(DayPart, bounds(1e5, 1e6))


def demand_cycle(
    kind: CycleKind = CycleKind.FILM,
    *,
    source: int | None = 0,
    wetness: tuple[str, ...] = (),
    others: Mapping[DayPart, DemandBounds | None] | None = None,
    dry_back_wet: float = 0.4,
    set_point_kpa_s: float = 900.0,
    fixed_burst_s: float | None = None,
    fills_s: float = 1.0,
) -> DemandCycle:
    """A zone on demand: 50 um held, 10 um/s falling; every part has `bounds` but for the others.

    A vpd cycle has bursts of 5 s, as configuration always gives it a length.
    """
    is_vpd = kind is CycleKind.VPD
    return DemandCycle(
        kind=kind,
        bounds={**dict.fromkeys(DayPart, bounds()), **(others or {})},
        dry_back_wet=dry_back_wet,
        holds_um=50.0,
        rate_um_per_s=10.0,
        fills_s=fills_s,
        longest_burst_s=20.0,
        source=source,
        set_point_kpa_s=set_point_kpa_s if is_vpd else 0.0,
        fixed_burst_s=5.0 if is_vpd and fixed_burst_s is None else fixed_burst_s,
        wetness_sensors=wetness,
    )


AIR_AND_HUMIDITY = SourcePlan(air="air", humidity="humidity")


def wetness_plan(name: str, stale_after_s: float = 1e6) -> SensorPlan:
    """A leaf-wetness sensor that sends its wet share as it is."""
    return sensor_plan(name, SensorKind.LEAF_WETNESS, stale_after_s)


def demand_house_plan(
    *cycles: DemandCycle,
    source: SourcePlan = AIR_AND_HUMIDITY,
    stale_after_s: float = 1e6,
    wetness_stale_after_s: float = 1e6,
    timed: TimedCycle | None = None,
    valves_at_once: int = 1,
) -> HousePlan:
    """Zones a, b, ... on demand that share one source; sensors are never stale unless told otherwise."""
    kinds = {
        source.air: SensorKind.AIR_TEMPERATURE,
        source.humidity: SensorKind.RELATIVE_HUMIDITY,
        source.light: SensorKind.LIGHT,
        source.leaf: SensorKind.LEAF_TEMPERATURE,
    }
    sensors = [sensor_plan(name, kind, stale_after_s) for name, kind in kinds.items() if name]
    sensors += [
        wetness_plan(name, wetness_stale_after_s) for cycle in cycles for name in cycle.wetness_sensors
    ]
    zones = [zone_plan(name, timed, demand=cycle) for name, cycle in zip("abcdefgh", cycles, strict=False)]
    return house_plan(*zones, sensors=sensors, sources=[source], valves_at_once=valves_at_once)


def demand_house(plan: HousePlan, now_s: float = 0.0, *, part: Almanac | None = None) -> PaperHouse:
    """A house at work by day at noon, its air at 25 C and 60 % if it has such sensors."""
    paper = house_at_work(plan, now_s, part=part or almanac(day_began_s=now_s - 43_200.0))
    usual = {"air": 25.0, "humidity": 0.6}
    paper.decide(now_s, readings={name: value for name, value in usual.items() if name in plan.sensors})
    return paper


def live(
    paper: PaperHouse,
    until_s: float,
    readings: Mapping[str, float] | None = None,
    every_s: float = 60.0,
) -> None:
    """Let the house live with an obedient keeper and the same readings every so often."""
    at_s = paper.now_s + every_s
    while at_s <= until_s:
        paper.mist_until(at_s)
        if readings:
            paper.decide(at_s, readings=readings)
            paper.open_what_was_ordered()
        at_s += every_s
    paper.mist_until(until_s)


def gaps_s(paper: PaperHouse, zone: str = "a") -> list[float]:
    """From the end of each burst to the order of the next."""
    orders = [(at_s, for_s) for at_s, name, for_s in paper.orders() if name == zone]
    return [after_s - (at_s + for_s) for (at_s, for_s), (after_s, _) in pairwise(orders)]


def demand_of(paper: PaperHouse, zone: str = "a") -> ZoneDemand:
    demand = paper.zone(zone).demand
    assert demand is not None
    return demand


def film_now_um(paper: PaperHouse) -> float:
    cycle = paper.zone().demand_cycle
    assert cycle is not None
    return film_um(demand_of(paper).thirst, cycle, paper.house.sources[0].um_at(paper.now_s))


def give(paper: PaperHouse, at_s: float, for_s: float = 5.0) -> None:
    """A person's burst: asked for, opened and shut."""
    paper.decide(at_s, ask_burst(for_s=for_s, request_id=f"burst-{at_s:g}"))
    paper.open_what_was_ordered()
    paper.decide(at_s + for_s, shut("a", paper.zone().ticket, at_s + for_s, for_s))


def swing(paper: PaperHouse, at_s: float, before: float, after: float, *, sensor: str = "leaf-1") -> None:
    """A burst with one sensor's word a while before it and one after it has settled."""
    paper.decide(at_s - 20.0, readings={sensor: before})
    give(paper, at_s)
    paper.decide(at_s + 5.0 + SETTLES_S, readings={sensor: after})
