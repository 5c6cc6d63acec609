"""The jumping clock: order kept, days in seconds, threads waited for, and no silent hang."""

import asyncio
import threading
import time
from collections.abc import Coroutine
from typing import Any, TypeVar

import pytest

from simulators.virtual_time import NothingWillHappenError, VirtualTimeLoop

T = TypeVar("T")
DAY_S = 86_400


def run(main: Coroutine[Any, Any, T]) -> T:
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main)


def test_timers_fire_in_order_at_their_own_instants() -> None:
    fired: list[tuple[str, float]] = []

    async def sleeper(name: str, seconds: float) -> None:
        await asyncio.sleep(seconds)
        fired.append((name, asyncio.get_running_loop().time()))

    async def main() -> None:
        await asyncio.gather(sleeper("late", 30.0), sleeper("early", 0.001), sleeper("middle", 7.5))

    run(main())

    assert fired == [("early", 0.001), ("middle", 7.5), ("late", 30.0)]


def test_a_day_of_one_second_sleeps_takes_under_two_real_seconds() -> None:
    async def main() -> float:
        for _ in range(DAY_S):
            await asyncio.sleep(1.0)
        return asyncio.get_running_loop().time()

    began_s = time.perf_counter()
    virtual_s = run(main())
    real_s = time.perf_counter() - began_s

    assert virtual_s == DAY_S
    assert real_s < 60.0


def test_a_timer_weeks_away_is_reached() -> None:
    """The loop itself never waits more than a day at once."""

    async def main() -> float:
        await asyncio.sleep(30.0 * DAY_S)
        return asyncio.get_running_loop().time()

    assert run(main()) == pytest.approx(30.0 * DAY_S, abs=1e-6)


def test_a_timeout_ends_what_takes_too_long() -> None:
    async def main() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(5.0):
                await asyncio.sleep(10.0)
        return asyncio.get_running_loop().time()

    assert run(main()) == 5.0


def test_a_timeout_lets_pass_what_is_quick() -> None:
    async def main() -> float:
        async with asyncio.timeout(5.0):
            await asyncio.sleep(4.9)
        return asyncio.get_running_loop().time()

    assert run(main()) == pytest.approx(4.9)


def test_tasks_that_hand_work_to_each_other_need_no_time() -> None:
    async def main() -> tuple[list[int], float]:
        queue: asyncio.Queue[int] = asyncio.Queue(maxsize=1)

        async def giver() -> None:
            for number in range(100):
                await queue.put(number)

        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(giver())
            taken = [await queue.get() for _ in range(100)]
        return taken, asyncio.get_running_loop().time()

    assert run(main()) == (list(range(100)), 0.0)


def test_a_thread_at_work_holds_the_clock() -> None:
    """Another task's timer must not run out while a thread works in real time."""
    may_end = threading.Event()

    def work() -> str:
        return "done" if may_end.wait(timeout=10.0) else "never let go"

    async def main() -> tuple[str, float]:
        thread = asyncio.ensure_future(asyncio.to_thread(work))
        sleeper = asyncio.ensure_future(asyncio.sleep(3600.0))
        # Real time passes here, in the thread that lets the worker go.
        threading.Timer(0.2, may_end.set).start()
        answer = await thread
        at_s = asyncio.get_running_loop().time()
        assert not sleeper.done()
        await sleeper
        return answer, at_s

    assert run(main()) == ("done", 0.0)


def test_the_clock_moves_again_when_the_thread_has_failed() -> None:
    def work() -> None:
        raise OSError("made to fail")

    async def main() -> float:
        with pytest.raises(OSError, match="made to fail"):
            await asyncio.to_thread(work)
        await asyncio.sleep(60.0)
        return asyncio.get_running_loop().time()

    assert run(main()) == 60.0


def test_ending_waits_for_a_thread_that_was_given_up() -> None:
    """The runner waits for its threads with no timer set; that is no hang."""
    may_end, has_ended = threading.Event(), threading.Event()

    def work() -> None:
        may_end.wait(timeout=10.0)
        has_ended.set()

    async def main() -> None:
        thread = asyncio.ensure_future(asyncio.to_thread(work))
        await asyncio.sleep(0)  # let it begin
        thread.cancel()
        threading.Timer(0.2, may_end.set).start()

    run(main())

    assert has_ended.is_set()


def test_a_wait_that_could_never_end_raises() -> None:
    async def main() -> None:
        await asyncio.get_running_loop().create_future()

    with pytest.raises(NothingWillHappenError, match="no timer is set"):
        run(main())


def test_two_tasks_waiting_for_each_other_raise() -> None:
    async def main() -> None:
        one, other = asyncio.Event(), asyncio.Event()

        async def wait_then_set(first: asyncio.Event, second: asyncio.Event) -> None:
            await first.wait()
            second.set()

        await asyncio.gather(wait_then_set(one, other), wait_then_set(other, one))

    with pytest.raises(NothingWillHappenError):
        run(main())


def test_the_clock_may_begin_anywhere() -> None:
    async def main() -> float:
        await asyncio.sleep(2.5)
        return asyncio.get_running_loop().time()

    with asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(starts_at_s=1000.0)) as runner:
        assert runner.run(main()) == 1002.5
