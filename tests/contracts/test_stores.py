"""The store contract on every store, and what MemoryStore adds to it."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from mistd.adapters.sqlite_store import SqliteStore
from mistd.ports.errors import StoreError
from simulators.memory_store import MemoryStore
from tests.contracts import store_contract
from tests.contracts.store_contract import CHECKS, Check, OpenStore


def sqlite_place(directory: Path) -> OpenStore:
    return lambda: SqliteStore(directory / "state" / "state.db")


def memory_place(_: Path) -> OpenStore:
    disk: dict[str, str] = {}
    return lambda: MemoryStore(disk)


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

    for refused in (lambda: store.save({"zones": "2"}), store.load, store.copy_to_backup):
        with pytest.raises(StoreError, match="the disk is full"):
            asyncio.run(refused())

    assert store.rows == {"zones": "1"}
    assert store.backup is None


def test_a_memory_store_serves_again_when_its_fault_is_taken_away() -> None:
    store = MemoryStore()
    store.fail_with = StoreError("the disk is full")
    with pytest.raises(StoreError):
        asyncio.run(store.save({"zones": "1"}))

    store.fail_with = None
    asyncio.run(store.save({"zones": "2"}))
    asyncio.run(store.copy_to_backup())

    assert store.rows == {"zones": "2"}
    assert store.backup == {"zones": "2"}


def test_a_memory_store_says_once_what_was_set_aside() -> None:
    store = MemoryStore({"zones": "1"}, set_aside="state.db.unreadable-1")

    first, second = asyncio.run(store.load()), asyncio.run(store.load())

    assert (first.set_aside, second.set_aside) == ("state.db.unreadable-1", None)
