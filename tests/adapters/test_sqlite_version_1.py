"""Files of version 1, made in the words in which version 1 made them: brought up to date or left alone.

What is here of version 1 is frozen: it must not follow the code.
"""

import asyncio
import contextlib
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from mistd.adapters.sqlite.records import SqliteRecords
from mistd.ports.errors import StoreError
from mistd.ports.records import Wanted
from mistd.ports.store import Batch, Loaded
from tests.adapters.state_files import (
    entry,
    load_once,
    note_once,
    reasons_seen_by_another,
    revision,
    rows_seen_by_another,
    save_once,
    seen_by_another,
    store_at,
    tail_of,
)

VERSION_1 = """
BEGIN IMMEDIATE;
CREATE TABLE state(name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
PRAGMA user_version=1;
INSERT OR REPLACE INTO state(name, value) VALUES('zone/bench-1', '{"is_held": true}');
INSERT OR REPLACE INTO state(name, value) VALUES('clock', '{"utc": "2026-11-01T06:30:00+00:00"}');
COMMIT;
"""
LATER_SAVE = """
PRAGMA journal_mode=WAL;
PRAGMA synchronous=FULL;
BEGIN IMMEDIATE;
INSERT OR REPLACE INTO state(name, value) VALUES('zone/bench-1', '{"is_held": false}');
COMMIT;
"""
ROWS_1 = {"zone/bench-1": '{"is_held": true}', "clock": '{"utc": "2026-11-01T06:30:00+00:00"}'}
ROWS_AFTER = {**ROWS_1, "zone/bench-1": '{"is_held": false}'}


def make_version_1(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.executescript(VERSION_1)


def make_version_1_as_a_kill_leaves_it(path: Path) -> None:
    """With a save in the log that is not in the file yet."""
    with contextlib.closing(sqlite3.connect(path.with_name("at work"), isolation_level=None)) as connection:
        connection.executescript(VERSION_1 + LATER_SAVE)
        for suffix in ("", "-wal"):
            shutil.copy(path.with_name(f"at work{suffix}"), f"{path}{suffix}")


def version_of(path: Path) -> int:
    return int(seen_by_another(path, "PRAGMA user_version")[0][0])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    place = tmp_path / "state"
    place.mkdir()
    return place / "state.db"


def test_a_file_of_version_1_is_brought_up_to_date_with_its_rows(path: Path) -> None:
    make_version_1(path)

    loaded = load_once(path)

    assert loaded == Loaded(rows=ROWS_1)
    assert version_of(path) == 2
    assert [each.name for each in path.parent.iterdir()] == ["state.db"]
    save_once(path, Batch(rows={"zone/bench-2": "1"}, revisions=(revision(1),), entries=(entry("first"),)))
    assert load_once(path) == Loaded(
        rows={**ROWS_1, "zone/bench-2": "1"}, revisions=(revision(1),), last_revision=1
    )


def test_what_is_only_in_the_log_of_version_1_is_brought_along(path: Path) -> None:
    make_version_1_as_a_kill_leaves_it(path)
    assert path.with_name("state.db-wal").stat().st_size > 0

    assert load_once(path) == Loaded(rows=ROWS_AFTER)
    assert not path.with_name("state.db-wal").exists()
    assert load_once(path) == Loaded(rows=ROWS_AFTER)


def test_what_was_noted_is_folded_into_a_file_that_was_of_version_1(path: Path) -> None:
    note_once(path, Batch(rows={"zone/bench-1": "2"}, entries=(entry("noted"),)))
    path.unlink()
    make_version_1(path)

    assert dict(load_once(path).rows) == {**ROWS_1, "zone/bench-1": "2"}
    assert reasons_seen_by_another(path) == ["noted"]


def test_a_save_without_a_load_brings_version_1_up_to_date_too(path: Path) -> None:
    make_version_1(path)

    async def save() -> None:
        store = store_at(path)
        await store.save(Batch(rows={"zone/bench-2": "1"}))
        await store.close()

    asyncio.run(save())

    assert load_once(path) == Loaded(rows={**ROWS_1, "zone/bench-2": "1"})


def test_a_bad_file_of_version_1_is_stood_in_for_by_its_backup_of_version_1(path: Path) -> None:
    make_version_1(path.with_name("state.db.backup"))
    make_version_1(path)
    whole = path.read_bytes()
    path.write_bytes(whole[:4096] + bytes(len(whole) - 4096))

    loaded = load_once(path)

    assert replace(loaded, troubles=()) == Loaded(rows=ROWS_1)
    assert "come from" in loaded.troubles[0]
    assert version_of(path) == 2


def test_a_file_of_version_1_that_another_keeps_open_is_refused_and_left_as_it_was(path: Path) -> None:
    """Its log could not be put away, and would be applied to the file in its place."""
    make_version_1(path)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.executescript(LATER_SAVE)
        other.execute("BEGIN")
        other.execute("SELECT * FROM state").fetchall()

        async def load() -> None:
            store = store_at(path, longest_wait_for_lock_s=0.05)
            with pytest.raises(StoreError, match=f"{path}: another program keeps it"):
                await store.load()
            await store.close()

        asyncio.run(load())

        assert version_of(path) == 1
    assert rows_seen_by_another(path) == ROWS_AFTER
    assert load_once(path) == Loaded(rows=ROWS_AFTER)


def test_the_history_of_a_file_of_version_1_is_told_to_be_none_yet(path: Path) -> None:
    make_version_1(path)

    with pytest.raises(StoreError, match="no journal yet"):
        SqliteRecords(path, tail_of(path)).journal(Wanted())

    assert version_of(path) == 1
