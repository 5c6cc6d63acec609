"""A bare timer in a process of its own, for comparison: deadlines on a grid, and how late each was seen.

    python -m tests.benchmarks.bare_timers select|call_at|select_first EVERY_S PHASE_S

Runs until SIGTERM, then prints a JSON list of [deadline, lateness] in monotonic seconds. Nothing else happens
in it: that is what makes it a measure of the machine. `select_first` asks to come before ordinary processes,
as the keeper does; where that is refused it is a second `select`.
"""

import asyncio
import json
import os
import select
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from math import floor
from subprocess import PIPE, Popen
from typing import Any

KINDS = ("select", "call_at", "select_first")
ENDS_WITHIN_S = 10.0

Lateness = list[tuple[float, float]]


@dataclass(slots=True)
class Timers:
    """The bare timers of one run; filled when they have ended."""

    lateness: dict[str, Lateness] = field(default_factory=dict)

    def between(self, kind: str, windows: list[tuple[float, float]]) -> list[float]:
        """How late this timer was at every deadline inside one of these spans of time."""
        return [
            late_s
            for deadline_s, late_s in self.lateness[kind]
            if any(begin_s <= deadline_s <= end_s for begin_s, end_s in windows)
        ]


@contextmanager
def running(every_s: float) -> Iterator[Timers]:
    """One timer of each kind, their deadlines apart; stopped and read at the end."""
    timers = Timers()
    children = {
        kind: Popen(
            [sys.executable, "-m", __name__, kind, str(every_s), str(every_s * place / len(KINDS))],
            stdout=PIPE,
            start_new_session=True,  # as a keeper has: schedulers share out time among sessions
        )
        for place, kind in enumerate(KINDS)
    }
    try:
        yield timers
    finally:
        for child in children.values():
            child.terminate()
        for kind, child in children.items():
            said, _ = child.communicate(timeout=ENDS_WITHIN_S)
            timers.lateness[kind] = [(deadline_s, late_s) for deadline_s, late_s in json.loads(said)]


@dataclass(slots=True)
class _Grid:
    """Deadlines at every multiple of a length, shifted by a phase."""

    every_s: float
    phase_s: float
    seen: Lateness = field(default_factory=list)
    is_over: bool = False

    def next_s(self) -> float:
        now_s = time.monotonic()
        return (floor((now_s - self.phase_s) / self.every_s) + 1) * self.every_s + self.phase_s

    def see(self, deadline_s: float) -> None:
        self.seen.append((deadline_s, time.monotonic() - deadline_s))

    def end(self, *_: Any) -> None:
        self.is_over = True


def with_select(grid: _Grid) -> None:
    while not grid.is_over:
        deadline_s = grid.next_s()
        while (wait_s := deadline_s - time.monotonic()) > 0.0:
            select.select([], [], [], wait_s)
        grid.see(deadline_s)


async def with_call_at(grid: _Grid) -> None:
    loop = asyncio.get_running_loop()
    over = asyncio.Event()

    def ring(deadline_s: float) -> None:
        grid.see(deadline_s)
        if grid.is_over:
            over.set()
        else:
            arm()

    def arm() -> None:
        deadline_s = grid.next_s()
        loop.call_at(deadline_s, ring, deadline_s)

    arm()
    await over.wait()


def main() -> None:
    kind, every_s, phase_s = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
    grid = _Grid(every_s=every_s, phase_s=phase_s)
    signal.signal(signal.SIGTERM, grid.end)
    if kind == "select_first":
        with suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
    if kind.startswith("select"):
        with_select(grid)
    else:
        asyncio.run(with_call_at(grid))
    print(json.dumps(grid.seen))


if __name__ == "__main__":
    main()
