"""An asyncio event loop whose clock jumps to the next timer instead of waiting.

Code under it keeps its plain `asyncio.sleep` and `asyncio.timeout`; a day of them takes a second. It answers
for the order of timers and for saying so when nothing can ever happen again. It does not know other
processes: a socket or a pipe that another process answers would be overtaken by the next timer. Work handed
to a thread by `asyncio.to_thread` or `run_in_executor` holds the clock until it is done or cancelled.
"""

import asyncio
import selectors
from collections.abc import Callable
from concurrent.futures import Executor
from typing import Any, TypeVarTuple

Ts = TypeVarTuple("Ts")
THREAD_LOOK_S = 0.05  # real seconds; a thread that ends wakes the loop at once, this is only a look round


class NothingWillHappenError(RuntimeError):
    """Every task is waiting and no timer is set: with a real clock this would hang for ever."""


class JumpingSelector(selectors.DefaultSelector):
    """Looks at its files without waiting; instead of waiting it moves the clock."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0
        self.threads_in_flight = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if self.threads_in_flight:  # real work is going on: do not jump over it
            return super().select(THREAD_LOOK_S)
        if timeout is None:
            raise NothingWillHappenError("all tasks are waiting and no timer is set")
        self.now_s += timeout
        return []


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """An event loop in virtual time; `asyncio.Runner(loop_factory=VirtualTimeLoop)` runs a test in it."""

    def __init__(self, starts_at_s: float = 0.0) -> None:
        self._jumping = JumpingSelector()
        self._jumping.now_s = starts_at_s
        super().__init__(self._jumping)

    def time(self) -> float:
        """Virtual monotonic seconds."""
        return self._jumping.now_s

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[*Ts], Any], *args: *Ts
    ) -> asyncio.Future[Any]:
        future = super().run_in_executor(executor, func, *args)
        self._jumping.threads_in_flight += 1
        future.add_done_callback(self._thread_done)
        return future

    async def shutdown_default_executor(self, timeout: float | None = None) -> None:  # noqa: ARG002, ASYNC109
        """Wait, in real time, for the threads to end; the ending itself is a thread in flight."""
        self._jumping.threads_in_flight += 1
        try:
            await super().shutdown_default_executor()
        finally:
            self._jumping.threads_in_flight -= 1

    def _thread_done(self, _future: "asyncio.Future[Any]") -> None:
        self._jumping.threads_in_flight -= 1
