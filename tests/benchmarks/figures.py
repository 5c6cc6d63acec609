"""Figures of a benchmark: spreads, a table to print, and how busy the machine was meanwhile.

Does not know what is measured. Rule: a percentile is a value that was measured, never one between two.
"""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path

MS_PER_S = 1000.0
FEWEST = 20  # below this a p99 is the largest value and says nothing of its own


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Some values, by rank."""

    count: int
    p50: float
    p99: float
    largest: float

    def in_ms(self) -> str:
        """Three figures of a lateness or length in seconds.

        >>> spread([0.001] * 98 + [0.002, 0.003]).in_ms()
        '1.000 / 2.000 / 3.000'
        """
        return " / ".join(f"{value * MS_PER_S:.3f}" for value in (self.p50, self.p99, self.largest))


def spread(values: Iterable[float]) -> Spread:
    """The spread of at least `FEWEST` values, by nearest rank."""
    ranked = sorted(values)
    if len(ranked) < FEWEST:
        raise SystemExit(f"only {len(ranked)} values were measured, at least {FEWEST} are needed")
    return Spread(count=len(ranked), p50=_rank(ranked, 0.50), p99=_rank(ranked, 0.99), largest=ranked[-1])


def _rank(ranked: Sequence[float], share: float) -> float:
    return ranked[ceil(share * len(ranked)) - 1]


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns as wide as their widest cell.

    >>> print(table(["what", "ms"], [["select", "0.1"]]))
    what    ms
    ------  ---
    select  0.1
    """
    widths = [max(len(row[column]) for row in [heads, *rows]) for column in range(len(heads))]
    lines = [heads, ["-" * width for width in widths], *rows]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )


class Machine:
    """How busy all cores together were since this was made, by whatever ran."""

    def __init__(self) -> None:
        self._busy, self._total = _ticks()

    def said(self) -> str:
        """The load average now, and the share of the cores that was busy since the start."""
        busy, total = _ticks()
        share = (busy - self._busy) / max(total - self._total, 1)
        load = Path("/proc/loadavg").read_text().split()[0]
        return f"machine: {os.cpu_count()} cores, {share:.0%} busy meanwhile (this run included), load {load}"


def _ticks() -> tuple[int, int]:
    """Busy and all ticks of all cores since the machine started."""
    user, nice, system, idle, iowait, irq, softirq, steal, *_ = map(
        int, Path("/proc/stat").read_text().splitlines()[0].split()[1:]
    )
    busy = user + nice + system + irq + softirq + steal
    return busy, busy + idle + iowait
