"""Seconds that a rehearsed year takes, and what the plant's steps do to its outcome.

Eight zones on timers of 4 to 15 minutes by day in the Greensboro year, the whole controller and plant, on one
core. Prints seconds, steps, microseconds a step, decisions and bursts; `--profile` where the time goes, by
file; `--halved` runs the year again with the plant's steps halved and prints how far water and dry minutes
move (goal: 1 %, of dry minutes 1 % or 5 minutes, whichever is more); `--cycle` has all eight on demand.
"""

import cProfile
import pstats
import time
from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import click

from mistd.core.demand_cycles import CycleKind
from simulators.plant.plant import LONGEST_STEP_S
from simulators.plant.weather import Weather
from simulators.rehearsal.engine import rehearsed
from simulators.rehearsal.result import HouseRun, ZoneResult
from tests.benchmarks.figures import Machine, table
from tests.benchmarks.rehearsed_houses import FIRST_DAY, Timer, house_with, typical_year

GAPS_MIN = (4.0, 5.0, 6.0, 8.0, 8.0, 10.0, 12.0, 15.0)
TIMERS = tuple(
    Timer(burst_s=6.0, day_gap_min=gap, shoulder_gap_min=2.0 * gap, night_gap_min=40.0) for gap in GAPS_MIN
)
GOAL_S, US_PER_S = 60.0, 1e6
MOVED_SHARE, MOVED_DRY_MIN = 0.01, 5.0
FILES_SHOWN = 20
DAYS_OF_YEAR = 365
PROJECT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed:
    """A run, and the seconds of processor it took."""

    run: HouseRun
    took_s: float


def timed_run(
    weather: Weather, first_day: date, days: int, longest_step_s: float, cycle: str = "timed"
) -> Timed:
    """The benchmark's house over some days of the year."""
    config = house_with(TIMERS, cycle)
    begun_s = time.process_time()
    run = rehearsed(
        config,
        weather,
        label="benchmark",
        seed=1,
        first_day=first_day,
        last_day=first_day + timedelta(days=days - 1),
        longest_step_s=longest_step_s,
    )
    return Timed(run=run, took_s=time.process_time() - begun_s)


def said(timed: Timed, days: int) -> str:
    """The figures of one run."""
    run = timed.run
    bursts = sum(zone.bursts for zone in run.zones)
    year = timedelta(days=365) / timedelta(days=days)
    return (
        f"{days} days, {len(run.zones)} zones: {timed.took_s:.1f} s of processor, a year "
        f"{timed.took_s * year:.0f} s (goal {GOAL_S:g}); {run.steps} steps of the house, all told "
        f"{timed.took_s / run.steps * US_PER_S:.0f} us each; {run.decisions} decisions, {bursts} bursts"
    )


def moved(whole: HouseRun, halved: HouseRun) -> str:
    """How far the outcome moves when the plant's steps are halved, zone by zone."""
    rows = [_moved_row(one, other) for one, other in zip(whole.zones, halved.zones, strict=True)]
    return table(
        ["zone", "l/m2", "moved %", "evaporated l/m2", "moved %", "dry min", "moved min", "within"], rows
    )


def _moved_row(one: ZoneResult, other: ZoneResult) -> list[str]:
    water = other.applied_mm / one.applied_mm - 1.0
    evaporated = other.evaporated_mm / one.evaporated_mm - 1.0
    dry_min = other.dry_min - one.dry_min
    is_within = abs(water) < MOVED_SHARE and abs(dry_min) < max(MOVED_DRY_MIN, MOVED_SHARE * one.dry_min)
    return [
        one.name,
        f"{one.applied_mm:.1f}",
        f"{water:+.3%}",
        f"{one.evaporated_mm:.1f}",
        f"{evaporated:+.3%}",
        f"{one.dry_min:.0f}",
        f"{dry_min:+.0f}",
        "yes" if is_within else "NO",
    ]


def where_time_goes(profile: cProfile.Profile) -> str:
    """Share of the time by file; what C code took is its caller's."""
    shares: Counter[str] = Counter()
    for (file, _, _), (_, _, own_s, _, callers) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        if file.startswith("~"):
            for (caller, _, _), figures in callers.items():
                shares[_short(caller)] += figures[2]
        else:
            shares[_short(file)] += own_s
    whole_s = sum(shares.values())
    rows = [[file, f"{own_s / whole_s:.1%}"] for file, own_s in shares.most_common(FILES_SHOWN)]
    return table(["file", "of the time"], rows)


def _short(file: str) -> str:
    path = Path(file)
    return str(path.relative_to(PROJECT)) if path.is_relative_to(PROJECT) else path.name


@click.command(help=__doc__)
@click.option("--days", type=click.IntRange(1, 365), default=365, show_default=True)
@click.option("--from-day", type=click.IntRange(1, 365), default=1, show_default=True, help="Of the year.")
@click.option("--halved", is_flag=True, help="Run again with half the steps, and compare.")
@click.option(
    "--profile", "is_profiled", is_flag=True, help="Say where the time goes; it then takes twice as long."
)
@click.option(
    "--cycle", type=click.Choice([kind.value for kind in CycleKind]), default="timed", show_default=True
)
def main(days: int, from_day: int, halved: bool, is_profiled: bool, cycle: str) -> None:
    if from_day + days > DAYS_OF_YEAR + 1:
        raise click.BadParameter(f"{days} days from day {from_day} on go past the year's end")
    machine, weather = Machine(), typical_year()
    first_day = FIRST_DAY + timedelta(days=from_day - 1)
    profile = cProfile.Profile()
    if is_profiled:
        profile.enable()
    whole = timed_run(weather, first_day, days, LONGEST_STEP_S, cycle)
    profile.disable()
    click.echo(said(whole, days))
    if is_profiled:
        click.echo(where_time_goes(profile))
    if halved:
        half = timed_run(weather, first_day, days, LONGEST_STEP_S / 2.0, cycle)
        click.echo(said(half, days))
        click.echo(moved(whole.run, half.run))
    click.echo(machine.said())


if __name__ == "__main__":
    main()
