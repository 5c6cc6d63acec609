"""A thread that does one job after another, so that a slow disk never holds the event loop up.

Rule: the thread is a daemon thread: a disk that hangs for ever does not keep the program from ending.
"""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from queue import SimpleQueue
from threading import Thread
from typing import Any, TypeVar

T = TypeVar("T")
Job = tuple[Callable[[], Any], "asyncio.Future[Any]", asyncio.AbstractEventLoop]


class Writer:
    """Jobs in the order in which they were asked for."""

    def __init__(self, name: str) -> None:
        self._jobs: SimpleQueue[Job | None] = SimpleQueue()
        self._thread = Thread(target=self._work, name=name, daemon=True)

    async def do(self, job: Callable[[], T]) -> T:
        """Have a job done; it is done even when the caller is cancelled meanwhile."""
        loop = asyncio.get_running_loop()
        done: asyncio.Future[T] = loop.create_future()
        if self._thread.ident is None:
            self._thread.start()
        self._jobs.put((job, done, loop))
        return await done

    def stop(self) -> None:
        """End the thread after the jobs it has."""
        self._jobs.put(None)

    def _work(self) -> None:
        while (asked := self._jobs.get()) is not None:
            job, done, loop = asked
            result, problem = None, None
            try:
                result = job()
            except BaseException as error:  # it is the caller's
                problem = error
            with suppress(RuntimeError):  # the loop is closed: nobody waits any more
                loop.call_soon_threadsafe(_settle, done, result, problem)
            del asked, job, done, result, problem


def _settle(done: "asyncio.Future[Any]", result: object, problem: BaseException | None) -> None:
    if done.done():
        return
    if problem is not None:
        done.set_exception(problem)
    else:
        done.set_result(result)
