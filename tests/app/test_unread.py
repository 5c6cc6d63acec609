"""A store that could not be read at the start: nothing is kept before it is known that there was nothing."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from mistd.app.unread import READ_AGAIN, UnreadStore
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Keeping, KeptAnswer, KeptRevision
from simulators.memory_store import MemoryDisk, MemoryStore

REVISION = KeptRevision(
    id=1,
    at="2026-06-21T10:00:00.000Z",
    kind="skip",
    subject="left",
    value='{"for_s": 60.0}',
    until=None,
    author="Ida",
    note="",
    request_id="r",
)
WRITINGS: dict[str, Callable[[UnreadStore], Coroutine[Any, Any, object]]] = {
    "save": lambda store: store.save(Batch(rows={"a": "2"})),
    "note": lambda store: store.note(Batch(rows={"a": "2"})),
    "copy_to_backup": lambda store: store.copy_to_backup(),
    "prune": lambda store: store.prune(Keeping(), "2026-06-21"),
}
KEPT_BEFORE = {
    "rows": lambda: MemoryDisk(rows={"a": "1"}),
    "revisions": lambda: MemoryDisk(revisions=[REVISION]),
    "answers": lambda: MemoryDisk(answers=[KeptAnswer(request_id="r", answer="{}")]),
    "notes": lambda: MemoryDisk(noted=[Batch(rows={"a": "1"})]),
}


@pytest.mark.parametrize("name", WRITINGS)
def test_nothing_is_written_while_it_cannot_be_read(name: str) -> None:
    inner = MemoryStore({"a": "1"})
    inner.fail_with = StoreError("no permission")
    store = UnreadStore(inner)

    for _ in range(2):
        with pytest.raises(StoreError, match="no permission"):
            asyncio.run(WRITINGS[name](store))

    assert inner.rows == {"a": "1"}


@pytest.mark.parametrize("what", KEPT_BEFORE)
@pytest.mark.parametrize("name", WRITINGS)
def test_nothing_is_written_over_what_was_there(name: str, what: str) -> None:
    inner = MemoryStore(disk=KEPT_BEFORE[what]())
    store = UnreadStore(inner)

    for _ in range(2):
        with pytest.raises(StoreError, match=READ_AGAIN):
            asyncio.run(WRITINGS[name](store))

    assert inner.rows.get("a") != "2"
    assert all("2" not in batch.rows.values() for batch in inner.noted)
    assert inner.backup is None


def test_what_was_mended_on_the_way_is_told_with_it() -> None:
    store = UnreadStore(MemoryStore({"a": "1"}, troubles=["it comes from the backup"]))

    with pytest.raises(StoreError, match="restart mistd; it comes from the backup"):
        asyncio.run(store.save(Batch()))


@pytest.mark.parametrize("name", WRITINGS)
def test_where_nothing_was_it_goes_on_as_any_store(name: str) -> None:
    inner = MemoryStore()
    store = UnreadStore(inner)

    async def live() -> None:
        await WRITINGS[name](store)
        await store.save(Batch(rows={"b": "3"}))  # no longer taken for what was kept before
        await WRITINGS[name](store)
        assert (await store.load()).rows["b"] == "3"
        await store.close()

    asyncio.run(live())

    with pytest.raises(StoreError, match="closed"):
        asyncio.run(inner.save(Batch()))
