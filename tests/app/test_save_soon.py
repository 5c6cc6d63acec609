"""What is to be saved soon though nobody waits for it: at once, and never more than once a second."""

import asyncio
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from typing import Any

from mistd.app.saving import NOTE_EVERY_S, SAVES_APART_S, Saver
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch
from simulators.bench_clock import LoopClock
from simulators.memory_store import MemoryStore
from simulators.virtual_time import VirtualTimeLoop

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)


class TimedStore(MemoryStore):
    """A store that remembers when it was asked to save, whatever came of it."""

    def __init__(self) -> None:
        super().__init__()
        self.saved_s: list[float] = []

    async def save(self, batch: Batch) -> str | None:
        self.saved_s.append(asyncio.get_running_loop().time())
        return await super().save(batch)


def saved_s(story: Callable[[Saver, TimedStore], Coroutine[Any, Any, None]]) -> list[float]:
    """When a store was asked to save after the first save of a start."""
    store = TimedStore()

    async def told() -> None:
        saver = Saver(store, LoopClock(starts_at=NOON), "boot", lambda _: None)
        saving = asyncio.create_task(saver.run())
        await asyncio.sleep(NOTE_EVERY_S + 5.0)
        store.saved_s.clear()
        await story(saver, store)
        saving.cancel()

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        runner.run(told())
    return store.saved_s


BEGINS_S = NOTE_EVERY_S + 5.0


def test_it_is_saved_at_once() -> None:
    async def story(saver: Saver, store: TimedStore) -> None:
        saver.keep_row("alarm/a", {"life": "normal"})
        saver.save_soon()
        await asyncio.sleep(0.01)
        assert "alarm/a" in store.rows
        await asyncio.sleep(60.0)

    assert saved_s(story) == [BEGINS_S]


def test_asked_again_and_again_it_is_saved_once_a_second() -> None:
    async def story(saver: Saver, store: TimedStore) -> None:
        for number in range(50):
            saver.keep_row("alarm/a", {"number": number})
            saver.save_soon()
            await asyncio.sleep(0.1)
        await asyncio.sleep(SAVES_APART_S)
        assert '"number": 49' in store.rows["alarm/a"]

    assert saved_s(story) == [BEGINS_S + number * SAVES_APART_S for number in range(6)]


def test_a_disk_that_fails_is_not_tried_more_often_for_it() -> None:
    async def story(saver: Saver, store: TimedStore) -> None:
        store.fail_with = StoreError("full")
        for _ in range(45):
            saver.save_soon()
            await asyncio.sleep(0.1)

    assert saved_s(story) == [BEGINS_S + number * SAVES_APART_S for number in range(5)]


def test_who_waits_for_a_promise_does_not_wait_for_that() -> None:
    async def story(saver: Saver, store: TimedStore) -> None:
        saver.save_soon()
        await asyncio.sleep(0.1)
        saver.save_soon()
        assert await saver.kept()

    assert saved_s(story) == [BEGINS_S, BEGINS_S + 0.1]
