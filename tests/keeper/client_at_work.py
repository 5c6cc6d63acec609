"""A keeper client at work in a test: its task, the news it gave, and waiting for either.

Answers for: ending the client, and reaping the keepers it started once `processes` has ended them: they
outlive a client by design. Rule: every wait has a deadline and says what it waited for.
"""

import asyncio
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path
from typing import TypeVar

from mistd.adapters.simulated_outputs import SimulatedOutputsView
from mistd.core.observations import KeeperLost, KeeperNews, KeeperReady, LineReport
from mistd.keeper.client import KeeperClient
from mistd.keeper.wire import KeeperSpec
from mistd.ports.keeper import SignalTrouble
from tests.keeper.bench import WITHIN_S
from tests.keeper.processes import listener_pid, marked

KEEPER = (sys.executable, "-m", "mistd.keeper.process")
STARTED: list[KeeperClient] = []
News = TypeVar("News", bound=KeeperNews)


@contextmanager
def clients_of_a_test() -> Iterator[None]:
    """Every keeper started inside carries a mark, is ended at the end and waited for."""
    try:
        with marked():
            yield
    finally:
        for client in STARTED:
            if client._child:
                client._child.wait(WITHIN_S)
        STARTED.clear()


class ClientAtWork:
    """A client, the task it runs in, and all it has told so far."""

    def __init__(self, spec: KeeperSpec, command: Sequence[str], **limits: float) -> None:
        self.troubles: list[SignalTrouble] = []
        self.when_troubled: Callable[[SignalTrouble], None] = self.troubles.append
        self.client = KeeperClient(spec, command, tell_signal_trouble=self._take_trouble, **limits)
        STARTED.append(self.client)
        self.told: list[KeeperNews] = []
        self.wakes = 0
        self._news = asyncio.Event()
        self.task = asyncio.create_task(self.client.run(self._wake))

    def _take_trouble(self, trouble: SignalTrouble) -> None:
        self._news.set()
        self.when_troubled(trouble)

    def _wake(self) -> None:
        self.wakes += 1
        self.told += self.client.news()
        self._news.set()

    def of(self, kind: type[News]) -> list[News]:
        return [each for each in self.told if isinstance(each, kind)]

    async def until(self, is_so: Callable[[], bool], what: str, within_s: float = WITHIN_S) -> None:
        """Wait until what was told makes a condition true; a client that has ended is the end of it."""
        deadline_s = time.monotonic() + within_s
        while not is_so():
            assert time.monotonic() < deadline_s, f"not within {within_s} s: {what}; told: {self.told}"
            if self.task.done():
                self.task.result()
            self._news.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(0.05):
                    await self._news.wait()

    async def ready(self, times: int = 1) -> KeeperReady:
        await self.until(lambda: len(self.of(KeeperReady)) >= times, f"ready {times} times")
        return self.of(KeeperReady)[-1]

    async def lost(self, says: str = "") -> KeeperLost:
        await self.until(lambda: any(says in each.reason for each in self.of(KeeperLost)), f"lost: {says}")
        return next(each for each in reversed(self.of(KeeperLost)) if says in each.reason)

    async def report(self, edge: str, line: str) -> LineReport:
        def found() -> list[LineReport]:
            return [each for each in self.of(LineReport) if (each.edge.value, each.line) == (edge, line)]

        await self.until(lambda: bool(found()), f"{line} {edge}")
        return found()[-1]

    async def end(self) -> None:
        self.task.cancel()
        with suppress(asyncio.CancelledError, Exception):
            await self.task


@asynccontextmanager
async def at_work(
    spec: KeeperSpec, command: Sequence[str] = KEEPER, **limits: float
) -> AsyncIterator[ClientAtWork]:
    """A client that finds or starts a keeper; inside `processes.marked`, so that its keepers end."""
    work = ClientAtWork(spec, command, **limits)
    try:
        yield work
    finally:
        await work.end()


def keeper_pid(spec: KeeperSpec) -> int:
    pid = listener_pid(spec.socket_path)
    assert pid is not None
    return pid


def open_lines(spec: KeeperSpec) -> set[str]:
    lines = SimulatedOutputsView(Path(spec.outputs["path"])).lines()
    return {line for line, state in lines.items() if state.is_open}
