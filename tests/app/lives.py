"""A house on the rig that lives, is stopped, killed or loses its power, and lives again with what was kept.

Answers for: one life after another on one wall clock, and what is on the disk between them.
Does not know what is promised. Rule: a kill leaves what was noted, a power cut only what was saved.
"""

import asyncio
import json
from collections.abc import Awaitable, Callable
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from mistd.app.config import Config
from mistd.ports.store import Batch, Entry
from simulators.memory_store import MemoryDisk, MemoryStore
from simulators.rig import Rig

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
LIFE_S = 600.0
Deeds = Callable[[Rig], Awaitable[None]]


class HangingStore(MemoryStore):
    """A store whose disk can hang, or have a fault that no store may have."""

    def __init__(self, disk: MemoryDisk | None = None) -> None:
        super().__init__(disk=disk)
        self.goes_on = asyncio.Event()
        self.goes_on.set()
        self.fault: Exception | None = None

    async def save(self, batch: Batch) -> str | None:
        await self.goes_on.wait()
        if self.fault:
            raise self.fault
        return await super().save(batch)


@dataclass
class Lives:
    """One house through several lives."""

    config: Config
    disk: MemoryDisk = field(default_factory=MemoryDisk)
    wall_s: float = 0.0  # since noon
    boot: int = 0
    booted_at_s: float = 0.0  # on the wall

    def live(
        self,
        deeds: Deeds | None = None,
        *,
        for_s: float = LIFE_S,
        is_killed: bool = False,
        store: MemoryStore | None = None,
    ) -> Rig:
        """Let it live for so long, and end it by a stop, which is told and written, or by a kill."""
        store = store or MemoryStore(disk=self.disk)
        begins_s = self.wall_s - self.booted_at_s
        rig = Rig(
            self.config,
            NOON + timedelta(seconds=self.booted_at_s),
            store=store,
            begins_s=begins_s,
            boot_id=f"boot-{self.boot}",
        )
        snapshots: list[MemoryDisk] = []

        async def during(rig: Rig) -> None:
            if deeds:
                await deeds(rig)
            await asyncio.sleep(begins_s + for_s - 0.001 - rig.clock.now_s())
            snapshots.append(deepcopy(store.disk))

        rig.run(for_s, during)
        (before_end,) = snapshots
        self.disk = before_end if is_killed else store.disk
        self.wall_s += for_s
        return rig

    def be_away(self, for_s: float) -> None:
        self.wall_s += for_s

    def lose_power(self) -> None:
        """What was only noted is gone, and the machine's clock begins anew."""
        self.disk.noted.clear()
        self.boot += 1
        self.booted_at_s = self.wall_s

    def entries(self, kind: str | None = None) -> list[Entry]:
        """Lines of the journal as they are read: saved, or only noted."""
        entries = [*self.disk.entries, *(each for batch in self.disk.noted for each in batch.entries)]
        return [each for each in entries if kind is None or each.kind == kind]


def settings_told(rig: Rig, zone: str = "left") -> dict[str, dict[str, Any]]:
    """How a zone's settings stand, as they were told last."""
    told = json.loads(rig.bus.states[rig.topics.settings(zone)])
    return {each["setting"]: each for each in told["settings"]}


def changes_told(rig: Rig) -> list[dict[str, Any]]:
    changes: list[dict[str, Any]] = json.loads(rig.bus.states[rig.topics.changes])["changes"]
    return changes


def answer_bytes(rig: Rig, request_id: str) -> list[bytes]:
    """Every answer to a request, as it was sent."""
    sent = [each.payload for each in rig.bus.published if each.topic == rig.topics.answer]
    return [payload for payload in sent if json.loads(payload)["id"] == request_id]


async def answered(rig: Rig, request_id: str, within_s: float = 60.0) -> dict[str, Any]:
    """Wait for an answer."""
    until_s = rig.clock.now_s() + within_s
    while request_id not in rig.answers():
        assert rig.clock.now_s() < until_s, f"no answer to {request_id} within {within_s} s"
        await asyncio.sleep(0.25)
    return rig.answers()[request_id]


async def happened(rig: Rig, kind: str, within_s: float = LIFE_S) -> None:
    """Wait for an event of this kind."""
    until_s = rig.clock.now_s() + within_s
    while not rig.events(kind):
        assert rig.clock.now_s() < until_s, f"no {kind} within {within_s} s"
        await asyncio.sleep(0.25)


async def set_everything(rig: Rig) -> None:
    """Each kind of setting once, each answered; then some life."""
    await asyncio.sleep(30.0)
    asked: dict[str, tuple[str, dict[str, Any]]] = {
        "timetable": ("left", {"day": {"burst_s": 7.0, "gap_min": 4.0}}),
        "trim": ("left", {"percent": 25.0, "for_s": 7200.0}),
        "skip": ("left", {"for_s": 7200.0}),
        "hold": ("right", {"for_s": 3600.0}),
    }
    for kind, (zone, value) in asked.items():
        rig.ask("set", kind, zone=zone, setting=kind, value=value, author="Ida", note=f"why {kind}")
        assert (await answered(rig, kind))["outcome"] == "done"


def near(one: str, other: str, within_s: float = 0.01) -> bool:
    """Whether two instants as told are the same but for the last digits."""
    return abs((datetime.fromisoformat(one) - datetime.fromisoformat(other)).total_seconds()) <= within_s
