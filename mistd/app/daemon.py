"""The daemon: everything that runs while a house is under control, and how it ends.

Two tasks are vital, the keeper's client and the control loop: if one fails the program ends, and the keeper
shuts every line on hearing of it. The others (bus, saving, housekeeping) may fail and are begun again; a
house is misted without them.

Rule: every way out shuts the valves first and says so.
"""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from apscheduler.schedulers.asyncio import AsyncIOScheduler

from mistd.app.control_loop import ControlLoop
from mistd.app.inbox import Inbox
from mistd.app.outlets import Outlets
from mistd.app.saving import Saver
from mistd.core.events import EventKind
from mistd.ports.bus import Bus, BusNotice, BusState
from mistd.ports.errors import StoreError
from mistd.ports.keeper import LineKeeper
from mistd.ports.store import Store

TRY_AGAIN_S = 5.0  # before a side task that failed is begun again


@dataclass(frozen=True, slots=True, kw_only=True)
class Daemon:
    """The parts of a running house, wired."""

    control: ControlLoop
    keeper: LineKeeper
    bus: Bus
    inbox: Inbox
    outlets: Outlets
    saver: Saver
    store: Store
    duties: AsyncIOScheduler | None
    greeting: str
    troubles: Sequence[str]  # what was found wrong while wiring, to be told first

    async def run(self, stop: "asyncio.Future[str]") -> None:
        """Control the house until `stop` is given a reason.

        Raises:
            KeeperError: another daemon controls this house.
            Exception: a fault of our own in a vital task, after every valve was ordered shut.
        """
        self.inbox.wake = self.control.wake
        self.outlets.tell(EventKind.DAEMON_STARTED, self.greeting)
        for trouble in self.troubles:
            self.outlets.tell(EventKind.STATE_UNREADABLE, trouble)
        vital = [
            asyncio.create_task(self.keeper.run(self.control.wake), name="keeper"),
            asyncio.create_task(self.control.run(), name="control"),
        ]
        side = [
            asyncio.create_task(self._again_and_again("bus", self._run_bus)),
            asyncio.create_task(self._again_and_again("saver", self.saver.run)),
        ]
        if self.duties:
            self.duties.start()
        reason = "a fault in the program"
        try:
            ends: list[asyncio.Future[Any]] = [*vital, stop]
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            if stop.done():
                reason = stop.result()
        finally:
            await self._end(reason, vital, side)

    async def _end(
        self, reason: str, vital: "list[asyncio.Task[None]]", side: "list[asyncio.Task[None]]"
    ) -> None:
        keeper_task, control_task = vital
        await _cancelled([control_task])
        are_shut = await self.keeper.retire(reason)
        await _cancelled([keeper_task])
        said = "every valve is shut" if are_shut else "the keeper did not confirm that every valve is shut"
        self.outlets.tell(EventKind.DAEMON_STOPPED, f"{reason}; {said}")
        if self.duties:
            self.duties.shutdown(wait=False)
        await self.saver.save()
        await _cancelled(side)
        await self.store.close()
        for task in vital:
            if not task.cancelled():
                task.result()  # a fault of ours is not swallowed

    async def _run_bus(self) -> None:
        await self.bus.run(self.inbox.subscriptions(), self.inbox.deliver, self._notice)

    def _notice(self, notice: BusNotice) -> None:
        is_connected = notice.state is BusState.CONNECTED
        kind = EventKind.BROKER_CONNECTED if is_connected else EventKind.BROKER_LOST
        figures: dict[str, float | str] = {"dropped": notice.dropped} if notice.dropped else {}
        self.outlets.tell(kind, notice.reason, figures)

    async def _again_and_again(self, name: str, task: Callable[[], Awaitable[None]]) -> None:
        """Run a side task for ever: a fault in it is told, and it is begun again."""
        while True:
            try:
                await task()
            except Exception as fault:  # a side task must not take the house down
                self.outlets.tell(EventKind.TASK_FAILED, f"{name}: {fault!r}; begun again")
            await asyncio.sleep(TRY_AGAIN_S)


async def _cancelled(tasks: "list[asyncio.Task[None]]") -> None:
    """End tasks and wait until they have ended; what they died of is looked at elsewhere."""
    for task in tasks:
        task.cancel()
    for task in tasks:
        with suppress(asyncio.CancelledError, Exception):
            await task


async def backup(store: Store, outlets: Outlets) -> None:
    """Copy what a restart needs; a copy that fails is told, and the one before it stands."""
    try:
        await store.copy_to_backup()
    except StoreError as problem:
        outlets.tell(EventKind.STATE_NOT_KEPT, f"no backup copy: {problem}")
