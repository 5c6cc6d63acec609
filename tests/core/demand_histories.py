"""Random histories of a house with zones on demand: small films, quick air, and sensors that lie.

Everything that happens in `histories` happens here too. Films hold little and dry fast, so that within a
history of minutes zones are due by their film, their sum or their sensors; and every sensor may be silent,
impossible, frozen, in another unit, at a rail or apart from its neighbours.
"""

from dataclasses import replace

from hypothesis import strategies as st

from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.plan import HousePlan, SensorPlan, SourcePlan, ZonePlan
from mistd.core.readings import SensorKind
from tests.core.histories import (
    CHANGES,
    ELSE,
    PAUSES_S,
    PEOPLE,
    RESTARTS,
    Happening,
    History,
    Plate,
    Restarts,
    Spell,
    Timed,
    Wakes,
    changes_of_mind,
    cycles,
    quick_successions,
)
from tests.core.houses import house_plan, sensor_plan, zone_plan

AIR, HUMIDITY, LIGHT = "north", "damp", "bright"
DRY_READS, WET_READS = 450.0, 1100.0  # of every plate
LONGEST_BURST_S = 20.0
SOUND_TIMES = 60  # of readings, enough for a whole history


def bounds() -> st.SearchStrategy[DemandBounds]:
    return st.builds(
        DemandBounds,
        shortest_gap_s=st.sampled_from([60.0, 90.0, 200.0]),
        longest_gap_s=st.sampled_from([800.0, 400.0, 1200.0]),
        is_sparse=st.sampled_from([False, False, False, True]),
    )


@st.composite
def part_bounds(draw: st.DrawFn) -> dict[DayPart, DemandBounds | None]:
    """Bounds for every part, of which some are off, but not all."""
    each = bounds()
    found: dict[DayPart, DemandBounds | None] = {
        part: draw(st.one_of(each, each, each, st.none())) for part in DayPart
    }
    if not any(found.values()):
        found[DayPart.DAY] = draw(each)
    return found


@st.composite
def demand_cycles(draw: st.DrawFn, kind: CycleKind, wetness_sensors: tuple[str, ...]) -> DemandCycle:
    fills_s = draw(st.sampled_from([0.0, 1.0, 2.0]))
    fixed_s = [fills_s + 4.0, fills_s + 2.0]
    lengths_s = st.sampled_from(fixed_s if kind is CycleKind.VPD else [None, None, *fixed_s])
    has_source = kind is not CycleKind.LEAF_WETNESS or draw(st.sampled_from([True, True, True, False]))
    return DemandCycle(
        kind=kind,
        bounds=draw(part_bounds()),
        dry_back_wet=draw(st.sampled_from([0.63, 0.36, 0.9])),
        holds_um=draw(st.sampled_from([20.0, 50.0])),
        rate_um_per_s=draw(st.sampled_from([10.0, 5.0])),
        fills_s=fills_s,
        longest_burst_s=LONGEST_BURST_S,
        source=0 if has_source else None,
        set_point_kpa_s=draw(st.sampled_from([300.0, 100.0, 900.0])) if kind is CycleKind.VPD else 0.0,
        fixed_burst_s=draw(lengths_s),
        wetness_sensors=wetness_sensors,
    )


SENSORS_OF: dict[CycleKind, st.SearchStrategy[int]] = {
    CycleKind.TIMED: st.just(0),
    CycleKind.VPD: st.sampled_from([0, 0, 1]),
    CycleKind.FILM: st.sampled_from([0, 1, 2]),
    CycleKind.LEAF_WETNESS: st.sampled_from([1, 2, 3]),
}
WITHOUT_SENSORS = (CycleKind.FILM, CycleKind.VPD, CycleKind.TIMED)


@st.composite
def zones_of_any_kind(draw: st.DrawFn, name: str, *, with_wetness: bool) -> ZonePlan:
    kind = draw(st.sampled_from([*CycleKind] if with_wetness else WITHOUT_SENSORS))
    count = draw(SENSORS_OF[kind]) if with_wetness else 0
    timed = zone_plan(
        name,
        draw(cycles()),
        shortest_rest_s=draw(st.sampled_from([60.0, 30.0])),
        longest_burst_s=LONGEST_BURST_S,
    )
    if kind is CycleKind.TIMED:
        return timed
    plates = tuple(f"{name}-leaf-{number}" for number in range(count))
    cycle = draw(demand_cycles(kind, plates))
    return replace(timed, demand=cycle, shortest_burst_s=max(1.0, cycle.fills_s))


@st.composite
def demand_plans(draw: st.DrawFn, *, with_wetness: bool = True) -> HousePlan:
    """One to four zones of any cycle, at one reckoning of demand."""
    names = "abcd"[: draw(st.integers(min_value=1, max_value=4))]
    zones = [draw(zones_of_any_kind(name, with_wetness=with_wetness)) for name in names]
    light = draw(st.sampled_from([LIGHT, None]))
    plates = [plate for zone in zones if zone.demand for plate in zone.demand.wetness_sensors]
    sensors = [
        sensor_plan(HUMIDITY, SensorKind.RELATIVE_HUMIDITY),
        *([sensor_plan(LIGHT, SensorKind.LIGHT)] if light else []),
        *(plate_plan(plate) for plate in plates),
    ]
    plan = house_plan(
        *zones,
        probes=(AIR,),
        sensors=sensors,
        valves_at_once=draw(st.sampled_from([1, 2])),
        pause_s=draw(st.sampled_from([2.0, 0.5])),
    )
    return replace(plan, sources=(SourcePlan(air=AIR, humidity=HUMIDITY, light=light),))


def plate_plan(name: str) -> SensorPlan:
    plan = sensor_plan(name, SensorKind.LEAF_WETNESS)
    return replace(plan, zone=name[0], dry_reads=DRY_READS, wet_reads=WET_READS)


def raw(share: float) -> float:
    """What a plate sends that is so wet."""
    return DRY_READS + share * (WET_READS - DRY_READS)


TIMES = st.sampled_from([8, 30, 3, 1])
EVERY_S = st.sampled_from([60.0, 20.0, 150.0])
# Believed and not: no probe there, Fahrenheit, a wick gone dry, percent, lime, wires, daylight that is not.
AIRS_C = st.sampled_from([25.0, 33.0, 18.0, -127.0, 77.0, 60.0, 1.0, 0.5])
HUMIDITIES = st.sampled_from([0.6, 0.3, 0.9, 1.0, 0.0, 1.04, 65.0])
LIGHTS = st.sampled_from([200.0, 60.0, 450.0, 0.0, -4.0, 2000.0])
SHARES = st.sampled_from([1.0, 0.9, 0.5, 0.3, 0.0, -0.1, -0.4, 1.3, 0.7, 1e5])
RAW = SHARES.map(raw)
DRIFTS = {AIR: [0.01, 0.0, -0.05], HUMIDITY: [0.0005, 0.0, -0.002], LIGHT: [0.5, 0.0]}
VALUES = {AIR: AIRS_C, HUMIDITY: HUMIDITIES, LIGHT: LIGHTS}


@st.composite
def spells_of(draw: st.DrawFn, name: str) -> Spell | Plate:
    """One sensor says something for a while, instead of what it said before."""
    is_plate = name not in VALUES
    if is_plate and draw(st.booleans()):
        return working_plate(name, draw(st.sampled_from([300.0, 120.0, 900.0])), draw(TIMES))
    return Spell(
        sensors=(name,),
        value=draw(RAW if is_plate else VALUES[name]),
        times=draw(TIMES),
        every_s=draw(EVERY_S),
        drift=draw(st.sampled_from([0.0, 2.0, -4.0] if is_plate else DRIFTS[name])),
        is_instead=draw(st.sampled_from([True, True, False])),
    )


def working_plate(name: str, dries_s: float, times: int) -> Plate:
    return Plate(sensor=name, zone=name[0], dries_s=dries_s, times=times)


@st.composite
def sound_beginnings(draw: st.DrawFn, plan: HousePlan) -> tuple[Timed, ...]:
    """Most sensors work from the start on, as long as nothing is said of them."""
    found: list[Timed] = []
    for name in plan.sensors:
        if draw(st.sampled_from([*[True] * 7, False])):
            found.append((0.0, draw(sound_spells(name))))
    return tuple(found)


@st.composite
def sound_spells(draw: st.DrawFn, name: str) -> Spell | Plate:
    if name not in VALUES:
        return working_plate(name, draw(st.sampled_from([300.0, 120.0, 900.0])), 3 * SOUND_TIMES)
    value, drift = {AIR: (25.0, 0.05), HUMIDITY: (0.6, -0.002), LIGHT: (200.0, 2.0)}[name]
    is_hot = draw(st.booleans())
    return Spell(
        sensors=(name,),
        value={AIR: 34.0, HUMIDITY: 0.3, LIGHT: 450.0}[name] if is_hot else value,
        times=SOUND_TIMES,
        drift=drift,
    )


@st.composite
def troubles_that_pass(draw: st.DrawFn, names: list[str]) -> tuple[Timed, ...]:
    """A sensor sends nonsense until it counts as lost, and is well again for longer than leads wait for."""
    name = draw(st.sampled_from(names))
    nonsense = Spell(sensors=(name,), value=1e9, times=3, is_instead=True)
    return (draw(PAUSES_S), nonsense), (1300.0, Wakes())


STUCK_FOR_S = st.sampled_from([7400.0, 2400.0, 7400.0])  # past any patience: apart, and frozen


@st.composite
def troubles_that_last(draw: st.DrawFn, names: list[str]) -> tuple[Timed, ...]:
    """A sensor reads one sound value for longer than it is believed."""
    name = draw(st.sampled_from(names))
    values = {AIR: [25.0], HUMIDITY: [0.6], LIGHT: [200.0, 0.0]}.get(name, [raw(1.0), raw(0.9), raw(0.1)])
    value = draw(st.sampled_from(values))
    stuck = Spell(sensors=(name,), value=value, times=SOUND_TIMES, is_instead=True)
    return (draw(PAUSES_S), stuck), (draw(STUCK_FOR_S), Wakes())


@st.composite
def demand_histories(
    draw: st.DrawFn, *, with_restarts: bool, most: int = 16, with_wetness: bool = True
) -> History:
    """A history of so many happenings at most, or a few more, and half as many at least."""
    hour = draw(st.sampled_from([12.0, 8.5, 2.0, 4.8, 23.8, 19.8, 7.9]))  # what is drawn last varies least
    tail_s = draw(st.sampled_from([900.0, 2700.0]))
    plan = draw(demand_plans(with_wetness=with_wetness))
    sound = draw(sound_beginnings(plan))
    lasting = draw(st.one_of(st.just(()), st.just(()), troubles_that_last([*plan.sensors])))
    spells: st.SearchStrategy[Happening] = st.sampled_from([*plan.sensors]).flatmap(spells_of)
    kinds = [PEOPLE, CHANGES, spells, spells, spells, ELSE, *([RESTARTS] if with_restarts else [])]
    single = st.tuples(PAUSES_S, st.one_of(*kinds)).map(lambda each: (each,))
    several = quick_successions().filter(lambda each: with_restarts or not isinstance(each[-1][1], Restarts))
    passing = troubles_that_pass([*plan.sensors])
    group = st.one_of(single, single, single, single, several, changes_of_mind(), passing)
    groups = draw(st.lists(group, min_size=most // 2, max_size=most))
    return History(
        plan=plan,
        starts_at_hour=hour,
        happenings=(*sound, *(each for group in groups for each in group), *lasting),
        tail_s=tail_s,
    )
