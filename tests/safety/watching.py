"""Watching a house's outputs file from outside: every burst of a line, by the keeper's own instants.

Answers for: the bursts of each line, and the rests between them, though the watcher is not always scheduled
in time: either edge of a burst is enough, for the file also counts the openings and the seconds open in all.
Does not know which bursts are allowed. Rule: a burst that was missed altogether fails the watch.
"""

import threading
import time
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import TracebackType
from typing import Self

from mistd.adapters.simulated_outputs import LineView
from tests.safety.harness import House

WATCH_EVERY_S = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """One opening of a line, from its edges in the file."""

    line: str
    opened_s: float
    shut_s: float


class Watch:
    """Looks at the file again and again while inside the `with` block."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._seen: dict[str, list[LineView]] = defaultdict(list)
        self._looked_s: list[float] = []
        self._is_over = threading.Event()
        self._thread = threading.Thread(target=self._watch)

    def _watch(self) -> None:
        while not self._is_over.wait(WATCH_EVERY_S):
            self._look()

    def _look(self) -> None:
        self._looked_s.append(time.monotonic())
        for name, line in self._house.lines().items():
            if not self._seen[name] or self._seen[name][-1] != line:
                self._seen[name].append(line)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._is_over.set()
        self._thread.join()
        self._look()

    def late_s(self, begins_s: float, ends_s: float) -> float:
        """By how much this thread, which asks for its turn every 10 ms, came late at worst in a span.

        It is what an ordinary process of the machine had to wait for its turn then; idle, about nothing.
        """
        gaps_s = [
            later_s - sooner_s - WATCH_EVERY_S
            for sooner_s, later_s in pairwise(self._looked_s)
            if later_s > begins_s and sooner_s < ends_s
        ]
        return max(gaps_s, default=0.0)

    def rests_s(self) -> Mapping[str, list[float]]:
        """For each line, how long it was shut between its bursts."""
        return {
            name: [later.opened_s - sooner.shut_s for sooner, later in pairwise(bursts)]
            for name, bursts in self.bursts().items()
        }

    def bursts(self) -> Mapping[str, list[Burst]]:
        """Every burst that is over, by line, in order; to be asked after the watch."""
        return {name: _bursts(name, views) for name, views in self._seen.items()}


def _bursts(name: str, views: list[LineView]) -> list[Burst]:
    """No opening is left out; what was not seen of one follows from the totals before and after it."""
    total_s = {view.openings - view.is_open: view.open_total_s for view in views}  # by openings that are over
    opened_s = {view.openings: view.last_edge_s for view in views if view.is_open}
    shut_s = {view.openings: view.last_edge_s for view in views if not view.is_open and view.openings}
    numbers = sorted({*opened_s, *shut_s})
    missed = set(range(min(numbers, default=0), max(numbers, default=0))) - set(numbers)
    assert not missed, f"bursts of {name} were missed: {missed}"
    bursts = []
    for number in numbers:
        if {number - 1, number} <= total_s.keys():
            open_s = total_s[number] - total_s[number - 1]
            began_s = opened_s[number] if number in opened_s else shut_s[number] - open_s
            bursts.append(Burst(line=name, opened_s=began_s, shut_s=began_s + open_s))
    return bursts
