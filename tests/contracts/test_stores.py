"""The store contract on every store, and what MemoryStore adds to it."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch
from simulators.memory_store import MemoryDisk, MemoryStore
from tests.contracts import store_contract
from tests.contracts.store_contract import CHECKS, ENTRY, Check, OpenStore


def sqlite_place(directory: Path) -> OpenStore:
    return lambda: SqliteStore(directory / "state" / "state.db", directory / "run" / "tail")


def memory_place(_: Path) -> OpenStore:
    disk = MemoryDisk()
    return lambda: MemoryStore(disk=disk)


PLACES: dict[str, Callable[[Path], OpenStore]] = {"sqlite": sqlite_place, "memory": memory_place}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_every_store_keeps_the_contract(place: str, check: Check, tmp_path: Path) -> None:
    open_store = PLACES[place](tmp_path)

    async def run() -> None:
        await check(open_store)

    asyncio.run(run())


def test_no_check_of_the_contract_is_left_out() -> None:
    written = {name for name in vars(store_contract) if name.startswith("check_")}

    assert written == {check.__name__ for check in CHECKS}


def test_a_memory_store_fails_as_told_and_keeps_nothing() -> None:
    store = MemoryStore({"zones": "1"})
    store.fail_with = StoreError("the disk is full")

    for refused in (
        lambda: store.save(Batch(rows={"zones": "2"}, entries=(ENTRY,))),
        lambda: store.note(Batch(rows={"zones": "2"})),
        store.load,
        store.copy_to_backup,
    ):
        with pytest.raises(StoreError, match="the disk is full"):
            asyncio.run(refused())

    assert store.rows == {"zones": "1"}
    assert (store.entries, store.noted, store.backup) == ([], [], None)


def test_a_memory_store_serves_again_when_its_fault_is_taken_away() -> None:
    store = MemoryStore()
    store.fail_with = StoreError("the disk is full")
    with pytest.raises(StoreError):
        asyncio.run(store.save(Batch(rows={"zones": "1"})))

    store.fail_with = None
    asyncio.run(store.save(Batch(rows={"zones": "2"})))
    asyncio.run(store.copy_to_backup())

    assert store.rows == {"zones": "2"}
    assert store.backup == {"zones": "2"}


def test_a_memory_store_says_each_of_its_troubles_once() -> None:
    store = MemoryStore({"zones": "1"}, troubles=["set aside"])
    store.mended = "made anew"

    async def twice() -> tuple[list[tuple[str, ...]], list[str | None]]:
        return (
            [(await store.load()).troubles, (await store.load()).troubles],
            [await store.save(Batch()), await store.save(Batch())],
        )

    assert asyncio.run(twice()) == ([("set aside",), ()], ["made anew", None])


def test_a_memory_disk_shows_what_was_kept_and_what_only_noted() -> None:
    disk = MemoryDisk()
    noted = Batch(rows={"zones": "2"}, entries=(ENTRY,))

    async def save_and_note() -> None:
        store = MemoryStore(disk=disk)
        await store.save(Batch(rows={"zones": "1"}, entries=(ENTRY,)))
        await store.note(noted)

    asyncio.run(save_and_note())

    assert (disk.rows, disk.entries, disk.noted) == ({"zones": "1"}, [ENTRY], [noted])
