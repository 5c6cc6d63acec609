"""How zones on demand fare beside a timer, in one house, over a typical year; and when instruments lie.

Five equal zones of unrooted cuttings, never weaned, share a house and its air: one left to a timer, and one
on each cycle with its default settings, `film_seen` being a film zone with a leaf-wetness sensor. The timer
is the best four-part timer that `best_timer` found for at most ten dry hours a year, and what the others
fall back to.

"score" is the dry daylight minutes times the deficit, each day's above what a zone is allowed; "over" is
what ran out of the medium, whose leaching is what over-misting does; "sour" the hours its wettest quarter
stood too wet. Exit 1: a mark is missed. The marks of issue and design: no worse a score, longest dry spell
or wilted hours than the timer; at most half its water (vpd: 70 %) and a tenth of its over-misting.

With --faults one instrument after another breaks in each way on the eighth midnight, for good; a zone is
held against its own healthy run and the timer's zone. With --robust the plant is 30 % off either way in
what the controller is not told. Both are run over --days from --from-day (1 is the first of January).
"""

import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import product
from pathlib import Path

import click

from mistd.app.config import Config
from mistd.core.readings import SensorKind
from simulators.house_on_the_bench import plant_plan
from simulators.plant.instrument_board import BENCH_KINDS
from simulators.plant.instruments import InstrumentFault
from simulators.plant.plant import Plant, PlantPlan, PlantZone
from simulators.plant.weather_files import read_weather
from simulators.plant.wetness_sensor import WetnessPlan
from simulators.rehearsal.engine import rehearsed
from simulators.rehearsal.result import ZoneResult
from tests.benchmarks.figures import Machine, table
from tests.benchmarks.rehearsed_houses import FIRST_DAY, YEAR, Timer, house_on_demand

SITES = {"greensboro": None, "miami": Path("miami")}
TIMERS = {
    "greensboro": Timer(burst_s=4.0, day_gap_min=5.0, shoulder_gap_min=10.0, night_gap_min=60.0),
    "miami": Timer(burst_s=4.0, day_gap_min=5.0, shoulder_gap_min=10.0, night_gap_min=60.0),
}
LEAF = SensorKind.LEAF_TEMPERATURE
BREAKS_ON_DAY = 8  # once a zone has a week of its own
OFF_BY = 0.3
MIN_PER_H = 60.0
WATER_MARK = {"film": 0.5, "film_seen": 0.5, "leaf_wetness": 0.5, "vpd": 0.7}
OVER_MARK = {"film": 0.1, "film_seen": 0.1, "leaf_wetness": 0.1}
TWICE = 2.0  # a faulty run may over-mist so many times what the healthy one did
HAIR_MIN = 1.0  # of wilting, between two runs: rounding, not a difference

HEADS = [
    "zone", "score kPa.h", "dry h", "worst day min", "longest min", "wilted h", "water l/m2", "of timer",
    "over l/m2", "of timer", "sour h", "night wet h", "dry by dusk", "bursts",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One run: where, when, and what is wrong with the house."""

    site: str
    from_day: int
    days: int
    seed: int
    broken: tuple[SensorKind, InstrumentFault] | None = None
    off: tuple[str, float] | None = None
    on_leaf: bool = False  # the vpd zone has a thermometer on a leaf


def run_of(asked: Asked) -> tuple[ZoneResult, ...]:
    """What became of each zone."""
    config = house_on_demand(TIMERS[asked.site], on_leaf=asked.on_leaf)
    first_day = FIRST_DAY + timedelta(days=asked.from_day - 1)
    run = rehearsed(
        config,
        read_weather(SITES[asked.site], year=YEAR),
        label="on demand",
        seed=asked.seed,
        first_day=first_day,
        last_day=first_day + timedelta(days=asked.days - 1),
        plan=_plan(config, asked.off),
        at_midnight=_breaking(asked.broken),
    )
    return run.zones


def _breaking(
    broken: tuple[SensorKind, InstrumentFault] | None,
) -> Callable[[int, Plant], None] | None:
    if broken is None:
        return None
    kind, fault = broken

    def breaks(day: int, plant: Plant) -> None:
        if day != BREAKS_ON_DAY:
            return
        if kind not in BENCH_KINDS:
            plant.break_instrument(kind, fault)
            return
        is_plate = kind is SensorKind.LEAF_WETNESS
        on_benches = plant.on_benches
        for name in on_benches.wetness_sensors if is_plate else on_benches.thermometers:
            on_benches.break_one(name, fault)

    return breaks


def _plan(config: Config, off: tuple[str, float] | None) -> PlantPlan:
    plan = plant_plan(config)
    if off is None:
        return plan
    what, factor = off
    if what == "air speed":
        fans = tuple(replace(fan, air_m_per_s=fan.air_m_per_s * factor) for fan in plan.shell.fans)
        still = plan.shell.still_air_m_per_s * factor
        shell = replace(
            plan.shell, fans=fans, still_air_m_per_s=still, wind_share=plan.shell.wind_share * factor
        )
        return replace(plan, shell=shell)
    return replace(plan, zones=[OFF[what](zone, factor) for zone in plan.zones])


def _leafier(zone: PlantZone, factor: float) -> PlantZone:
    """More leaf to the same mist: each leaf catches less of it."""
    leaf = zone.leaf
    area, lower = leaf.upper_leaf_area * factor, leaf.lower_leaf_area * factor
    return replace(zone, leaf=replace(leaf, upper_leaf_area=area, lower_leaf_area=lower))


def _stronger(zone: PlantZone, factor: float) -> PlantZone:
    return replace(zone, nozzle_flow_l_per_min=zone.nozzle_flow_l_per_min * factor)


def _steeper(zone: PlantZone, factor: float) -> PlantZone:
    """Sensors that answer more to the same wetness than when they were calibrated."""
    return replace(
        zone, wetness_sensors={name: _with_gain(plan, factor) for name, plan in zone.wetness_sensors.items()}
    )


def _with_gain(plan: WetnessPlan, factor: float) -> WetnessPlan:
    return replace(plan, wet_mv=plan.dry_mv + (plan.wet_mv - plan.dry_mv) * factor)


OFF: dict[str, Callable[[PlantZone, float], PlantZone]] = {
    "leaf area": _leafier,
    "nozzle rate": _stronger,
    "sensor gain": _steeper,
}


def rows(zones: Sequence[ZoneResult], days: int) -> Iterator[list[str]]:
    timer = zones[0]
    for zone in zones:
        yield [
            zone.name,
            f"{zone.dry_score_kpa_min / MIN_PER_H:.2f}",
            f"{zone.dry_min / MIN_PER_H:.2f}",
            f"{zone.worst_day_dry_min:.0f}",
            f"{zone.longest_dry_min:.1f}",
            f"{zone.wilted_min / MIN_PER_H:.1f}",
            f"{zone.applied_mm:.0f}",
            f"{zone.applied_mm / timer.applied_mm:.0%}",
            f"{zone.leached_mm:.0f}",
            f"{zone.leached_mm / timer.leached_mm:.0%}",
            f"{zone.sour_h:.0f}",
            f"{zone.night_wet_h:.0f}",
            f"{zone.dry_by_dusk_days / days:.0%}",
            str(zone.bursts),
        ]


def missed(zones: Sequence[ZoneResult]) -> Iterator[str]:
    """Every mark that a zone misses, in words with figures."""
    timer = zones[0]
    for zone in zones[1:]:
        for what, value, limit in _limits(zone, timer):
            if value > limit:
                yield f"{zone.name}: {what} {value:.3g}, mark {limit:.3g}"


def _limits(zone: ZoneResult, timer: ZoneResult) -> Iterator[tuple[str, float, float]]:
    yield "dry score kPa.min", zone.dry_score_kpa_min, timer.dry_score_kpa_min
    yield "longest dry spell min", zone.longest_dry_min, timer.longest_dry_min
    yield "wilted min", zone.wilted_min, timer.wilted_min + HAIR_MIN
    yield "water l/m2", zone.applied_mm, WATER_MARK[zone.name] * timer.applied_mm
    if zone.name in OVER_MARK:
        yield "over-misted l/m2", zone.leached_mm, OVER_MARK[zone.name] * timer.leached_mm
        yield "sour h", zone.sour_h, OVER_MARK[zone.name] * timer.sour_h


FAULT_HEADS = [
    "instrument",
    "fault",
    "zone",
    "dry h",
    "longest min",
    "wilted h",
    "timer's",
    "over l/m2",
    "healthy",
    "",
]


def fault_rows(
    broken: tuple[SensorKind, InstrumentFault], zones: Sequence[ZoneResult], healthy: Sequence[ZoneResult]
) -> Iterator[list[str]]:
    """A row for each zone, the last cell saying what is missed."""
    kind, fault = broken
    for zone, well in zip(zones[1:], healthy[1:], strict=True):
        is_dry = zone.wilted_min > max(zones[0].wilted_min, well.wilted_min) + HAIR_MIN
        is_wet = zone.leached_mm > TWICE * well.leached_mm
        yield [
            kind.value,
            fault.value,
            zone.name,
            f"{zone.dry_min / MIN_PER_H:.2f}",
            f"{zone.longest_dry_min:.1f}",
            f"{zone.wilted_min / MIN_PER_H:.1f}",
            f"{zones[0].wilted_min / MIN_PER_H:.1f}",
            f"{zone.leached_mm:.0f}",
            f"{well.leached_mm:.0f}",
            " ".join(["WILTED"] * is_dry + ["OVER"] * is_wet),
        ]


def off_ones() -> list[tuple[str, float]]:
    return list(product([*OFF, "air speed"], (1.0 - OFF_BY, 1.0 + OFF_BY)))


def with_fault(plain: Asked, broken: tuple[SensorKind, InstrumentFault]) -> Asked:
    """The same with an instrument broken; a leaf's thermometer is fitted to be broken."""
    return replace(plain, broken=broken, on_leaf=broken[0] is LEAF)


def broken_ones() -> list[tuple[SensorKind, InstrumentFault]]:
    kinds = (
        SensorKind.AIR_TEMPERATURE,
        SensorKind.RELATIVE_HUMIDITY,
        SensorKind.LIGHT,
        SensorKind.LEAF_WETNESS,
        SensorKind.LEAF_TEMPERATURE,
    )
    return list(product(kinds, InstrumentFault))


@click.command(help=__doc__)
@click.option("--site", type=click.Choice(sorted(SITES)), default="greensboro", show_default=True)
@click.option("--from-day", type=click.IntRange(1, 365), default=1, show_default=True)
@click.option("--days", type=click.IntRange(1, 365), default=365, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--faults", is_flag=True, help="Break every instrument in every way.")
@click.option("--robust", is_flag=True, help="Let the plant be 30 % off.")
@click.option("--at-once", type=click.IntRange(1), default=2, show_default=True, help="Runs at a time.")
def main(site: str, from_day: int, days: int, seed: int, faults: bool, robust: bool, at_once: int) -> None:
    machine = Machine()
    plain = Asked(site=site, from_day=from_day, days=days, seed=seed)
    with ProcessPoolExecutor(at_once) as pool:
        healthy = pool.submit(run_of, plain)
        broken, off = broken_ones() if faults else [], off_ones() if robust else []
        on_leaf = pool.submit(run_of, replace(plain, on_leaf=True)) if faults else healthy
        with_faults = pool.map(run_of, [with_fault(plain, each) for each in broken])
        with_off = pool.map(run_of, [replace(plain, off=each) for each in off])
        click.echo(f"{site}, {days} days from day {from_day}, seed {seed}, timer {TIMERS[site].said()}")
        click.echo(table(HEADS, list(rows(healthy.result(), days))))
        misses = list(missed(healthy.result()))
        faulty = [row for each, zones in zip(broken, with_faults, strict=True)
                  for row in fault_rows(
                      each, zones, (on_leaf if each[0] is LEAF else healthy).result()
                  )]  # fmt: skip
        if faults:
            click.echo("\n" + table(FAULT_HEADS, faulty))
            misses += [" ".join(row) for row in faulty if row[-1]]
        for (what, factor), zones in zip(off, with_off, strict=True):
            click.echo(f"\n{what} x {factor:g}\n{table(HEADS, list(rows(zones, days)))}")
            misses += [f"{what} x {factor:g}: {each}" for each in missed(zones)]
    click.echo("\n" + ("\n".join(["missed:", *misses]) if misses else "every mark is met"))
    click.echo(machine.said())
    sys.exit(1 if misses else 0)


if __name__ == "__main__":
    main()
