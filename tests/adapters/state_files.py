"""What the tests of the store share: a start that loads, one that saves, a second program looking in."""

import asyncio
import contextlib
import sqlite3
from pathlib import Path

from mistd.adapters.sqlite_store import SqliteStore
from mistd.ports.store import Loaded

ROOT = Path(__file__).parents[2]
ROWS = {"zones": '{"trim": 0.9}', "alarms": "[]"}


def load_once(path: Path) -> Loaded:
    async def run() -> Loaded:
        store = SqliteStore(path)
        try:
            return await store.load()
        finally:
            await store.close()

    return asyncio.run(run())


def save_once(path: Path, rows: dict[str, str], *, with_backup: bool = False) -> None:
    async def run() -> None:
        store = SqliteStore(path)
        try:
            await store.load()
            await store.save(rows)
            if with_backup:
                await store.copy_to_backup()
        finally:
            await store.close()

    asyncio.run(run())


def rows_seen_by_another(path: Path) -> dict[str, str]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return dict(connection.execute("SELECT name, value FROM state"))
