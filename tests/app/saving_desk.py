"""A saver at work in virtual time, its store, and what it is given to keep, for tests.

Answers for: a store that counts, and whose disk and notes can fail, hang or have a fault.
Does not know what is promised. Rule: what is kept twice is made twice, so that a test may change it.
"""

import asyncio
import json
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from mistd.app.house_plan import house_plan, place_of
from mistd.app.saving import (
    Saver,
)
from mistd.app.sun import almanac_at
from mistd.core.decide import decide
from mistd.core.durable import ZONE_ROW
from mistd.core.house import House, begun
from mistd.core.observations import KeeperReady, Observations
from mistd.core.requests import AskHold
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Entry, KeptAnswer, KeptRevision, RolledReadings, WaterGiven
from simulators.bench_clock import LoopClock
from simulators.memory_store import MemoryStore
from simulators.virtual_time import VirtualTimeLoop
from tests.app.house_files import loaded_house

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
BOOT = "boot-1"
LEFT, RIGHT = ZONE_ROW + "left", ZONE_ROW + "right"
FULL = StoreError("the disk is full")


class CountingStore(MemoryStore):
    """A store that remembers what was written each time and when, whose disk and notes can be spoilt."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        super().__init__()
        self.saves: list[tuple[float, Batch]] = []
        self.notes: list[tuple[float, Batch]] = []
        self.fault: Exception | None = None  # something that no store may raise
        self.notes_fail_with: Exception | None = None
        self.goes_on = asyncio.Event()  # cleared: the disk hangs
        self.goes_on.set()
        self._now_s = now_s

    async def save(self, batch: Batch) -> str | None:
        await self.goes_on.wait()
        if self.fault:
            raise self.fault
        found = await super().save(batch)
        self.saves.append((self._now_s(), batch))
        return found

    async def note(self, batch: Batch) -> None:
        if self.notes_fail_with:
            raise self.notes_fail_with
        await super().note(batch)
        self.notes.append((self._now_s(), batch))


@dataclass
class Desk:
    """A saver at work in virtual time, and the house it is offered."""

    house: House
    clock: LoopClock = field(default_factory=lambda: LoopClock(starts_at=NOON))
    troubles: list[str | None] = field(default_factory=list)
    found: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.store = CountingStore(self.clock.now_s)
        self.saver = Saver(self.store, self.clock, BOOT, self.troubles.append, self.found.append)

    def hold(self, zone: str, author: str = "Ida") -> None:
        """Change a zone, as a request does, and offer the house."""
        asked = AskHold(request_id="a", zone=zone, for_s=600.0, author=author)
        self.decide(Observations(requests=(asked,)))

    def decide(self, observations: Observations) -> None:
        self.house = decide(self.house, observations, self.clock.now_s()).house
        self.saver.offer(self.house)

    def run(self, beside: Callable[["Desk"], Coroutine[Any, Any, None]]) -> None:
        """Let the saver run while something is done beside it; it must not fail."""

        async def both() -> None:
            self.decide(Observations(keeper=(KeeperReady(since_s=0.0),)))
            saving = asyncio.create_task(self.saver.run())
            try:
                await beside(self)
            finally:
                if saving.done():
                    saving.result()
                saving.cancel()

        with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
            runner.run(both())


def desk_in(directory: Path) -> Desk:
    config = loaded_house(directory)
    almanac = almanac_at(place_of(config.place, config.day_parts), NOON, 0.0)
    return Desk(house=begun(house_plan(config), almanac, 0.0))


def entry(number: int) -> Entry:
    return Entry(
        at="2026-06-21T10:00:00.000Z",
        is_time_trusted=True,
        kind="burst_ended",
        subject="left",
        reason=f"number {number}",
        figures="{}",
    )


def revision(number: int) -> KeptRevision:
    return KeptRevision(
        id=number,
        at="2026-06-21T10:00:00.000Z",
        kind="skip",
        subject="left",
        value='{"for_s": 60.0}',
        until=None,
        author="Ida",
        note="",
        request_id=f"r{number}",
    )


def answer(number: int, text: str = "done") -> KeptAnswer:
    return KeptAnswer(request_id=f"r{number}", answer=json.dumps(text))


def rolled(begins: int) -> RolledReadings:
    return RolledReadings(period_s=60, begins=begins, sensor="air", least=1.0, mean=1.0, most=1.0, count=1)


def given(begins: int) -> WaterGiven:
    return WaterGiven(begins=begins, zone="left", bursts=1, open_s=6.0, water_l=0.7)


def row_names(written: list[tuple[float, Batch]]) -> list[set[str]]:
    return [set(batch.rows) for _, batch in written]


def reasons(entries: list[Entry]) -> list[str]:
    return [each.reason for each in entries]
