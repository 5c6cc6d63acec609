"""What timers come to over a typical year, and the best of them for each limit on dry hours.

Six equal zones of unrooted cuttings in the Greensboro year (pvlib's 723170TYA.CSV), never weaned, all six on
the same timer of four day parts. First a row of timers from about 20 s of mist an hour up; then, for each
limit on dry daylight hours a year, the timer with the least over-misting of a bounded search: for every burst
length and ratio of the shoulders' gap to the day's, the longest day gap that keeps the limit, found by
halving. The night is the same for all: a burst every 60 min, which no daylight hour is counted for.

"dry" is the daylight time with the film gone (under 5 um) from the upper leaves of a bench's driest quarter;
"over-misted" is water that missed the leaves or dripped off them, which is what wets the medium, not what the
air takes; "sour" is the time the medium of the wettest quarter stood too wet. All are means over the zones.
"""

from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product

import click

from mistd.core.units import S_PER_HOUR, S_PER_MIN
from simulators.rehearsal.engine import rehearsed
from simulators.rehearsal.result import HouseRun
from tests.benchmarks.figures import Machine, table
from tests.benchmarks.rehearsed_houses import FIRST_DAY, LAST_DAY, Timer, house_with, typical_year

ZONES = 6
NIGHT_GAP_MIN = 60.0
DRY_LIMITS_H = (100.0, 30.0, 10.0)
LADDER_S_PER_H = (20.0, 30.0, 45.0, 60.0, 90.0, 120.0)
LADDER_BURST_S = 5.0
BURSTS_S = (4.0, 6.0)
SHOULDER_RATIOS = (1.0, 2.0)
SHORTEST_GAP_MIN, LONGEST_GAP_MIN, GAP_STEP_MIN = 1.0, 16.0, 0.5

SEED = 1
MIN_PER_H = S_PER_HOUR / S_PER_MIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Fared:
    """How the cuttings fared under a timer in a year, as means over the zones."""

    timer: Timer
    dry_h: float
    longest_dry_min: float
    water_mm: float
    over_misted_mm: float
    sour_h: float
    wilted_h: float

    def row(self) -> list[str]:
        return [
            self.timer.said(),
            f"{self.timer.day_s_per_h:.0f}",
            f"{self.dry_h:.1f}",
            f"{self.longest_dry_min:.0f}",
            f"{self.wilted_h:.1f}",
            f"{self.water_mm:.0f}",
            f"{self.over_misted_mm:.0f}",
            f"{self.sour_h:.0f}",
        ]


HEADS = [
    "burst: day / shoulder / night",
    "s/h",
    "dry h",
    "longest min",
    "wilted h",
    "l/m2",
    "over l/m2",
    "sour h",
]


class Years:
    """Runs years, several at a time, none twice."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool
        self._known: dict[Timer, Fared] = {}

    @property
    def count(self) -> int:
        return len(self._known)

    def known(self, timer: Timer) -> Fared | None:
        """What is known already."""
        return self._known.get(timer)

    def fared(self, timers: Iterable[Timer]) -> list[Fared]:
        asked = list(timers)
        fresh = [timer for timer in dict.fromkeys(asked) if timer not in self._known]
        for fared in self._pool.map(fared_under, fresh):
            self._known[fared.timer] = fared
        return [self._known[timer] for timer in asked]


def fared_under(timer: Timer) -> Fared:
    """One year under one timer."""
    config = house_with([timer] * ZONES)
    run = rehearsed(config, typical_year(), label="timer", seed=SEED, first_day=FIRST_DAY, last_day=LAST_DAY)
    return _means(timer, run)


def _means(timer: Timer, run: HouseRun) -> Fared:
    zones = run.zones
    return Fared(
        timer=timer,
        dry_h=_mean(zone.dry_min for zone in zones) / MIN_PER_H,
        longest_dry_min=max(zone.longest_dry_min for zone in zones),
        water_mm=_mean(zone.applied_mm for zone in zones),
        over_misted_mm=_mean(zone.over_misted_mm for zone in zones),
        sour_h=_mean(zone.sour_h for zone in zones),
        wilted_h=_mean(zone.wilted_min for zone in zones) / MIN_PER_H,
    )


def _mean(values: Iterable[float]) -> float:
    counted = list(values)
    return sum(counted) / len(counted)


@dataclass(slots=True)
class Bracket:
    """The gaps, in steps, between which the longest that keeps a limit lies, for one shape of timer."""

    burst_s: float
    ratio: float
    limit_h: float
    keeps: int = round(SHORTEST_GAP_MIN / GAP_STEP_MIN) - 1  # the longest gap known to keep the limit
    breaks: int = round(LONGEST_GAP_MIN / GAP_STEP_MIN) + 1  # the shortest known to break it
    best: Fared | None = None

    @property
    def is_found(self) -> bool:
        return self.breaks - self.keeps <= 1

    @property
    def tried(self) -> Timer:
        return self.timer((self.keeps + self.breaks) // 2)

    def timer(self, steps: int) -> Timer:
        return timer_of(self.burst_s, steps * GAP_STEP_MIN, self.ratio)

    def learn(self, fared: Fared) -> None:
        """Narrow it by a year under a timer of this shape."""
        steps = round(fared.timer.day_gap_min / GAP_STEP_MIN)
        if fared.dry_h > self.limit_h:
            self.breaks = min(self.breaks, steps)
        elif steps > self.keeps:
            self.keeps, self.best = steps, fared


def timer_of(burst_s: float, day_gap_min: float, ratio: float) -> Timer:
    return Timer(
        burst_s=burst_s,
        day_gap_min=day_gap_min,
        shoulder_gap_min=min(day_gap_min * ratio, NIGHT_GAP_MIN),
        night_gap_min=NIGHT_GAP_MIN,
    )


def best_under(limit_h: float, years: Years) -> Fared | None:
    """The timer of the search with the least over-misting among those that keep the limit."""
    shapes = product(BURSTS_S, SHOULDER_RATIOS)
    brackets = [Bracket(burst_s=burst_s, ratio=ratio, limit_h=limit_h) for burst_s, ratio in shapes]
    for bracket in brackets:
        for steps in range(bracket.keeps, bracket.breaks + 1):
            if (known := years.known(bracket.timer(steps))) is not None:
                bracket.learn(known)
    while open_ones := [bracket for bracket in brackets if not bracket.is_found]:
        for bracket, fared in zip(open_ones, years.fared(each.tried for each in open_ones), strict=True):
            bracket.learn(fared)
    kept = [bracket.best for bracket in brackets if bracket.best is not None]
    return min(kept, key=lambda fared: fared.over_misted_mm, default=None)


def ladder() -> Sequence[Timer]:
    """Timers of one burst from about 20 s of mist an hour by day up."""
    gaps_min = [(S_PER_HOUR / s_per_h - 1.0) * LADDER_BURST_S / S_PER_MIN for s_per_h in LADDER_S_PER_H]
    return [timer_of(LADDER_BURST_S, round(gap, 2), 2.0) for gap in gaps_min]


@click.command(help=__doc__)
@click.option("--at-once", type=click.IntRange(1), default=2, show_default=True, help="Years run at a time.")
@click.option("--ladder-only", is_flag=True, help="Leave the search out.")
def main(at_once: int, ladder_only: bool) -> None:
    machine = Machine()
    with ProcessPoolExecutor(at_once) as pool:
        years = Years(pool)
        click.echo(table(HEADS, [fared.row() for fared in years.fared(ladder())]))
        for limit_h in () if ladder_only else DRY_LIMITS_H:
            best = best_under(limit_h, years)
            click.echo(f"\nat most {limit_h:g} dry daylight hours a year:")
            click.echo(table(HEADS, [best.row()]) if best else "none of the search keeps it")
    click.echo(f"\n{years.count} years were run; {machine.said()}")


if __name__ == "__main__":
    main()
