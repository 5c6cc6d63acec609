"""A small house on the rig whose alarms are watched: what happens to it, and a disk as a kill leaves it.

Does not know which alarms are right.
"""

import asyncio
import copy
import json
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from mistd.app.config import Config
from mistd.ports.bus import Incoming
from mistd.ports.errors import StoreError
from simulators.memory_store import MemoryStore
from simulators.rig import Rig
from tests.app.house_files import Change, loaded_house, set_to, several

NAME = "fern-house"
NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)  # twelve at the house
MIDNIGHT = datetime(2026, 6, 21, 22, tzinfo=UTC)
SIREN_S = 600.0  # for so long it sounds at most
NO_BROKER = f"no_broker/{NAME}"
ON_S, OFF_S = 30.0, 10.0  # the delays of `no_broker`
RAISED = "alarm_raised"
Story = Callable[[Rig], Coroutine[Any, Any, None]]

siren = set_to("siren", {"pin": 7, "longest_min": SIREN_S / 60.0})
no_sensors = set_to("sensors", [])


def house(place: Path, *changes: Change) -> Config:
    """The good house with a siren and, unless that is changed, nothing that would have to be heard."""
    return loaded_house(place, several(siren, no_sensors, *changes))


def lived(rig: Rig, story: Story) -> Rig:
    """Let a rig live until its story is told."""
    rig.run(None, story)
    return rig


def left_on_disk(store: MemoryStore, *, is_power_cut: bool = False) -> MemoryStore:
    """What the next start finds when the program is killed now, or the power fails."""
    disk = copy.deepcopy(store.disk)
    if is_power_cut:
        disk.noted.clear()
    return MemoryStore(disk=disk)


def states(rig: Rig) -> dict[str, str]:
    """The state of every alarm that is told, and its mask after a slash if it has one."""
    return {
        name: alarm["state"] + (f"/{alarm['mask']}" if alarm["mask"] else "")
        for name, alarm in rig.alarms().items()
    }


def told(rig: Rig, kind: str) -> list[tuple[str, str]]:
    """Every event of a kind: the alarm it is of, and its subject."""
    return [(event["figures"].get("alarm", ""), event["subject"]) for event in rig.events(kind)]


async def asked(rig: Rig, request_id: str, do: str, alarm: str = "", **request: Any) -> dict[str, Any]:
    """Ask something about an alarm; its answer."""
    rig.ask("alarm", request_id, alarm=alarm, do=do, **request)
    for _ in range(100):
        if request_id in rig.answers():
            break
        await asyncio.sleep(0.1)
    return rig.answers()[request_id]


async def heard(rig: Rig, for_s: float) -> None:
    """Every sensor of the good house sends for so long."""
    await asyncio.sleep(0.1)  # till the bus runs
    for _ in range(round(for_s / 10.0)):
        rig.bus.deliver(
            Incoming(topic="fern/air", payload=json.dumps({"temperature": 21.0, "humidity": 80.0}).encode())
        )
        rig.bus.deliver(Incoming(topic="fern/pressure", payload=b"3.1"))
        await asyncio.sleep(10.0)


async def without_broker(rig: Rig) -> None:
    """Long enough for the alarm."""
    await asyncio.sleep(1.0)  # till the bus runs
    rig.bus.lose()
    await asyncio.sleep(ON_S + 1.0)


def fail_disk(rig: Rig) -> None:
    rig.store.fail_with = StoreError("no space left")


def restarted(
    config: Config,
    store: MemoryStore,
    *,
    begins_s: float,
    boot_id: str = "bench",
    starts_at: datetime = NOON,
) -> Rig:
    """The next run, on what the one before left; its calendar says `starts_at` at its second 0."""
    return Rig(config, starts_at, store=store, begins_s=begins_s, boot_id=boot_id)
