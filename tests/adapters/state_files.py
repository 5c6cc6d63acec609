"""What the tests of the store share: a start that loads, one that saves, a second program looking in."""

import asyncio
import contextlib
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.store import Batch, Entry, KeptAnswer, KeptRevision, Loaded, RolledReadings, WaterGiven

ROOT = Path(__file__).parents[2]
ROWS = {"zones": '{"trim": 0.9}', "alarms": "[]"}
AT = "2026-11-01T06:30:00.000Z"
MIDNIGHT_S = 1_793_491_200  # 2026-11-01T00:00:00Z
assert MIDNIGHT_S % 86_400 == 0


def tail_of(path: Path) -> Path:
    """Where the tail of a database is in these tests."""
    return path.with_name(path.name + ".tail")


def store_at(path: Path, *, longest_wait_for_lock_s: float = 5.0) -> SqliteStore:
    return SqliteStore(path, tail_of(path), longest_wait_for_lock_s=longest_wait_for_lock_s)


def revision(
    id_: int, value: str | None = "0.9", *, kind: str = "trim", subject: str = "bench-1"
) -> KeptRevision:
    return KeptRevision(
        id=id_,
        at=AT,
        kind=kind,
        subject=subject,
        value=value,
        until=None,
        author="Ida",
        note="they look dry",
        request_id=f"ask-{id_}",
    )


def answer(request_id: str, text: str = '{"is_done": true}') -> KeptAnswer:
    return KeptAnswer(request_id=request_id, answer=text)


def entry(reason: str, *, at: str = AT, is_time_trusted: bool = True, subject: str = "bench-1") -> Entry:
    return Entry(
        at=at,
        is_time_trusted=is_time_trusted,
        kind="burst ended",
        subject=subject,
        reason=reason,
        figures='{"open_s": 6.0}',
    )


def rolled(
    begins: int, least: float, mean: float, most: float, count: int, *, period_s: int = 60
) -> RolledReadings:
    return RolledReadings(
        period_s=period_s, begins=begins, sensor="air", least=least, mean=mean, most=most, count=count
    )


def given(begins: int, bursts: int, open_s: float, water_l: float) -> WaterGiven:
    return WaterGiven(begins=begins, zone="bench-1", bursts=bursts, open_s=open_s, water_l=water_l)


def load_once(path: Path) -> Loaded:
    async def run() -> Loaded:
        store = store_at(path)
        try:
            return await store.load()
        finally:
            await store.close()

    return asyncio.run(run())


def save_once(path: Path, rows: Mapping[str, str | None] | Batch, *, with_backup: bool = False) -> str | None:
    """Start, load, save and end; what the save said."""
    batch = rows if isinstance(rows, Batch) else Batch(rows=rows)

    async def run() -> str | None:
        store = store_at(path)
        try:
            await store.load()
            mended = await store.save(batch)
            if with_backup:
                await store.copy_to_backup()
            return mended
        finally:
            await store.close()

    return asyncio.run(run())


def note_once(path: Path, *batches: Batch) -> None:
    """Start, load, note and end without a save, as a kill leaves it."""

    async def run() -> None:
        store = store_at(path)
        try:
            await store.load()
            for batch in batches:
                await store.note(batch)
        finally:
            await store.close()

    asyncio.run(run())


def rows_seen_by_another(path: Path) -> dict[str, str]:
    return dict(seen_by_another(path, "SELECT name, value FROM state"))


def reasons_seen_by_another(path: Path) -> list[str]:
    """The reasons of all lines of the journal, in the first volume of it."""
    return [reason for (reason,) in seen_by_another(path, "SELECT reason FROM journal_0 ORDER BY seq")]


def seen_by_another(path: Path, sql: str) -> list[Any]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql).fetchall()


@contextlib.contextmanager
def small_disk(directory: Path, size: str = "512k") -> Iterator[Path]:
    """A disk of its own, soon full. It is not mounted where pytest clears up: a killed run would leave it."""
    place = Path(tempfile.mkdtemp(prefix="mistd-disk-"))
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
    mounted = subprocess.run(mount, check=False, capture_output=True)
    if mounted.returncode != 0:
        place.rmdir()
        pytest.skip(f"no right to mount a small disk: {mounted.stderr.decode().strip()}")
    directory.symlink_to(place)
    try:
        yield directory
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)
        place.rmdir()
