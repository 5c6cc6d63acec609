"""The daemon: everything that runs while a house is under control, and how it ends.

Two tasks are vital, the keeper's client and the control loop: if one fails the program ends, and the keeper
shuts every line on hearing of it. The others (alarms, bus, saving, housekeeping) may fail and are begun
again; a house is misted without them.

Rule: every way out shuts the valves first and says so.
"""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from apscheduler.schedulers.asyncio import AsyncIOScheduler

from mistd.app.alarm_desk import AlarmDesk
from mistd.app.config import Config
from mistd.app.control_loop import ControlLoop
from mistd.app.housekeeping import LOOK_EVERY_S, replan, scheduler
from mistd.app.inbox import Inbox
from mistd.app.last_good import Origin, keep
from mistd.app.outlets import Outlets
from mistd.app.recording import RollUp
from mistd.app.saving import RUN_ROW, Saver, in_words
from mistd.core.events import EventKind
from mistd.ports.bus import Bus, BusNotice, BusState
from mistd.ports.clock import Clock
from mistd.ports.keeper import LineKeeper
from mistd.ports.store import Keeping, Store

TRY_AGAIN_S = 5.0  # before a side task that failed is begun again
BELIEVED_AFTER_S = 86_400.0  # of a clock that nobody moved: then things are let go of by their age
LAST_SAVE_WITHIN_S = 10.0  # a disk that hangs longer does not keep the program from ending
KEEP_AGAIN_S = 86_400.0  # the state directory may have been emptied or full


@dataclass(frozen=True, slots=True, kw_only=True)
class Daemon:
    """The parts of a running house, wired."""

    clock: Clock
    control: ControlLoop
    keeper: LineKeeper
    bus: Bus
    inbox: Inbox
    outlets: Outlets
    alarms: AlarmDesk
    saver: Saver
    store: Store
    roll_up: RollUp
    is_housekept: bool  # whether the nightly duties are done, by the machine's own clock
    greeting: str
    beginnings: Sequence[tuple[EventKind, str, str]]  # kind, subject, reason: what is to be told first
    configuration_trouble: str | None = None  # why it is not the house's file that runs
    keep_configuration: Callable[[], Awaitable[None]] | None = None  # as the last that ran

    async def run(self, stop: "asyncio.Future[str]") -> None:
        """Control the house until `stop` is given a reason.

        Raises:
            KeeperError: another daemon controls this house.
            Exception: a fault of our own in a vital task, after every valve was ordered shut.
        """
        self.inbox.wake = self.control.wake
        self.inbox.wake_desk = self.alarms.wake
        self.outlets.tell(EventKind.DAEMON_STARTED, self.greeting)
        if self.configuration_trouble:
            self.outlets.tell(EventKind.CONFIGURATION_BAD, self.configuration_trouble)
        for kind, subject, reason in self.beginnings:
            self.outlets.tell(kind, reason, subject=subject)
        self.saver.roll_up = self.roll_up.handed_over
        self.saver.keep_row(RUN_ROW, {"state": "running"})
        self.saver.save_soon()  # else a kill within the first seconds would leave no gap to be told of
        vital = [
            asyncio.create_task(self.keeper.run(self.control.wake), name="keeper"),
            asyncio.create_task(self.control.run(), name="control"),
        ]
        side = [
            asyncio.create_task(self._again_and_again("alarms", self.alarms.run)),
            asyncio.create_task(self._again_and_again("bus", self._run_bus)),
            asyncio.create_task(self._again_and_again("saver", self.saver.run)),
        ]
        if self.keep_configuration:
            keeping = partial(self._keep_configuration, self.keep_configuration)
            side.append(asyncio.create_task(self._again_and_again("configuration", keeping)))
        duties = scheduler(self.nightly) if self.is_housekept else None
        if duties:
            duties.start()
            side.append(asyncio.create_task(self._again_and_again("duties", partial(self._replan, duties))))
        reason = "a fault in the program"
        try:
            ends: list[asyncio.Future[Any]] = [*vital, stop]
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            if stop.done():
                reason = stop.result()
        finally:
            if duties:
                duties.shutdown(wait=False)
            await self._end(reason, vital, side)

    async def _replan(self, duties: AsyncIOScheduler) -> None:
        """Look every hour whether the clock was moved from under the duties."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            replan(duties, self.clock.utc())

    async def nightly(self) -> None:
        """Let go of what is too old, then copy what a restart needs; a disk that cannot is told."""
        try:
            await self.store.prune(Keeping(), self._today())
            await self.store.copy_to_backup()
        except Exception as problem:  # a fault of ours, too: the scheduler would tell nobody
            self.outlets.tell(EventKind.BACKUP_FAILED, f"no backup copy: {in_words(problem)}")

    def _today(self) -> str | None:
        """The date, once it is beyond doubt: by a clock years ahead the whole journal would be too old."""
        almanac = self.control.house.almanac
        steady_s = self.clock.now_s() - self.control.clock_steady_since_s
        is_beyond_doubt = almanac.is_trusted and steady_s >= BELIEVED_AFTER_S
        return almanac.local_date.isoformat() if is_beyond_doubt else None

    async def _end(
        self, reason: str, vital: "list[asyncio.Task[None]]", side: "list[asyncio.Task[None]]"
    ) -> None:
        keeper_task, control_task = vital
        await _cancelled([control_task])
        are_shut = await self.keeper.retire(reason)
        await _cancelled([keeper_task])
        said = "every valve is shut" if are_shut else "the keeper did not confirm that every valve is shut"
        self.outlets.tell(EventKind.DAEMON_STOPPED, f"{reason}; {said}")
        self.saver.roll_up = self.roll_up.all_handed_over
        self.saver.keep_row(RUN_ROW, {"state": "ended"})
        self.saver.keep_whole_house()
        await asyncio.wait([self.saver.kept()], timeout=LAST_SAVE_WITHIN_S)
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

    async def _keep_configuration(self, keep_it: Callable[[], Awaitable[None]]) -> None:
        """Keep what runs as the last good configuration: once its lines are claimed and under control."""
        await self.control.in_charge.wait()
        await keep_it()
        await asyncio.sleep(KEEP_AGAIN_S)

    async def _again_and_again(self, name: str, task: Callable[[], Awaitable[None]]) -> None:
        """Run a side task for ever: a fault in it is told, and it is begun again."""
        ourselves = asyncio.current_task()
        while True:
            try:
                await task()
            except (Exception, asyncio.CancelledError) as fault:  # it must not take the house down
                if ourselves and ourselves.cancelling():
                    raise
                self.outlets.tell(EventKind.TASK_FAILED, f"{name}: {fault!r}; begun again", subject=name)
            await asyncio.sleep(TRY_AGAIN_S)


async def _cancelled(tasks: "list[asyncio.Task[None]]") -> None:
    """End tasks and wait until they have ended; what they died of is looked at elsewhere."""
    for task in tasks:
        task.cancel()
    for task in tasks:
        with suppress(asyncio.CancelledError, Exception):
            await task


async def keep_configuration(config: Config, origin: Origin, clock: Clock, outlets: Outlets) -> None:
    """Keep the configuration that runs as the last good one; a disk that cannot is told."""
    directory = Path(config.state.directory)
    try:
        await asyncio.to_thread(keep, directory, origin, config.house.name, clock.utc())
    except OSError as problem:
        outlets.tell(EventKind.BACKUP_FAILED, f"no copy of the configuration that runs: {problem.strerror}")
