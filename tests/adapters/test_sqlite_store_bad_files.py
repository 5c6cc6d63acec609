"""SqliteStore on files that are not what it wrote: set aside, rescued from the backup, or refused."""

import asyncio
import contextlib
import random
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from mistd.adapters.sqlite_store import SET_ASIDE_KEPT, SqliteStore
from mistd.ports.errors import StoreError
from mistd.ports.store import Loaded
from tests.adapters.state_files import ROWS, load_once, save_once

VERSION_BYTES = range(60, 64)  # user_version in the header, sqlite.org/fileformat2.html section 1.3


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


Damage = Callable[[bytes], bytes]
DAMAGES: dict[str, Damage] = {
    "zeroes": lambda good: bytes(len(good)),
    "text": lambda _: b"zone 3: 4 bursts an hour\n" * 200,
    "header wiped": lambda good: bytes(100) + good[100:],
    "called read-only": lambda good: good[:18] + b"\x03" + good[19:],
    "last page wiped": lambda good: good[:-4096] + bytes(4096),
    "cut by one": lambda good: good[:-1],
    "cut to nothing": lambda _: b"",
    "cut in the magic": lambda good: good[:15],
    "cut short of the header": lambda good: good[:99],
    "cut after the header": lambda good: good[:100],
    "cut in the first page": lambda good: good[:4095],
    "cut to one page": lambda good: good[:4096],
    "cut to two pages": lambda good: good[:8192],
}


@pytest.mark.parametrize("kind", DAMAGES)
def test_an_unreadable_file_is_set_aside_whole_and_an_empty_one_begun(kind: str, path: Path) -> None:
    save_once(path, ROWS)
    damaged = DAMAGES[kind](path.read_bytes())
    path.write_bytes(damaged)

    loaded = load_once(path)

    aside = path.with_name("state.db.unreadable-1")
    assert dict(loaded.rows) == {}
    assert loaded.set_aside is not None
    assert loaded.set_aside.startswith(f"{aside}: unreadable (")
    assert loaded.set_aside.endswith("no backup to take rows from")
    assert aside.read_bytes() == damaged
    save_once(path, {"zones": "2"})
    assert load_once(path) == Loaded(rows={"zones": "2"})


@pytest.mark.parametrize("kind", DAMAGES)
def test_the_rows_of_an_unreadable_file_come_from_the_backup(kind: str, path: Path) -> None:
    save_once(path, ROWS, with_backup=True)
    path.write_bytes(DAMAGES[kind](path.read_bytes()))

    loaded = load_once(path)

    assert dict(loaded.rows) == ROWS
    assert loaded.set_aside is not None
    assert loaded.set_aside.endswith(f"rows come from {path}.backup")
    assert load_once(path) == Loaded(rows=ROWS)


def test_a_missing_file_is_filled_from_its_backup_and_says_so(path: Path) -> None:
    """A power cut between setting a file aside and naming the new one leaves just this."""
    save_once(path, ROWS, with_backup=True)
    path.unlink()

    loaded = load_once(path)

    assert loaded == Loaded(rows=ROWS, set_aside=f"{path}: missing; rows come from {path}.backup")


def test_a_backup_as_bad_as_the_file_is_not_believed(path: Path) -> None:
    save_once(path, ROWS, with_backup=True)
    for each in (path, path.with_name("state.db.backup")):
        each.write_bytes(bytes(8192))

    loaded = load_once(path)

    assert dict(loaded.rows) == {}
    assert loaded.set_aside is not None
    assert loaded.set_aside.endswith("no backup to take rows from")


def test_a_flipped_bit_in_the_header_page_never_stops_the_store(path: Path) -> None:
    """The rows are read, or the file is set aside; only the version may say: written by a later mistd."""
    save_once(path, ROWS)
    good = path.read_bytes()
    seed = 7
    dice = random.Random(seed)
    outcomes = {"rows": 0, "set aside": 0}
    flips = [(dice.randrange(100 if turn % 2 else 4096), dice.randrange(8)) for turn in range(120)]
    for byte, bit in [flip for flip in flips if flip[0] not in VERSION_BYTES]:
        damaged = bytearray(good)
        damaged[byte] ^= 1 << bit
        path.write_bytes(damaged)

        loaded = load_once(path)

        where = f"seed {seed}, byte {byte}, bit {bit}"
        assert dict(loaded.rows) == ({} if loaded.set_aside else ROWS), where
        outcomes["set aside" if loaded.set_aside else "rows"] += 1
        save_once(path, {"after": "1"})
        assert dict(load_once(path).rows) == {**loaded.rows, "after": "1"}, where
    assert min(outcomes.values()) > 10, outcomes


LOOSE = "CREATE TABLE state(name TEXT, value); INSERT INTO state VALUES"
BAD_TABLES = {
    "a number for a value": f"{LOOSE}('zones', 3)",
    "no name": f"{LOOSE}(NULL, '3')",
    "no text": f"{LOOSE}('zones', CAST(x'ff22' AS TEXT))",
    "no JSON": f"{LOOSE}('zones', '{{')",
    "no version": f"{LOOSE}('zones', '3'); PRAGMA user_version=0",
    "no value": "CREATE TABLE state(name TEXT)",
    "another table": "CREATE TABLE other(name TEXT, value TEXT)",
}


@pytest.mark.parametrize("kind", BAD_TABLES)
def test_a_table_that_is_none_of_ours_is_set_aside(kind: str, path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(f"PRAGMA user_version=1; {BAD_TABLES[kind]}")

    loaded = load_once(path)

    assert dict(loaded.rows) == {}
    assert loaded.set_aside is not None
    assert path.with_name("state.db.unreadable-1").exists()


def test_the_log_of_an_unreadable_file_goes_aside_with_it(path: Path, tmp_path: Path) -> None:
    """Left behind, SQLite would apply it to the new file."""
    elsewhere = tmp_path / "as a kill leaves it"
    elsewhere.mkdir()

    async def copy_while_open() -> None:
        store = SqliteStore(path)
        await store.save(ROWS)
        for suffix in ("", "-wal"):
            shutil.copy(f"{path}{suffix}", elsewhere / f"state.db{suffix}")
        await store.close()

    asyncio.run(copy_while_open())
    log = (elsewhere / "state.db-wal").read_bytes()
    (elsewhere / "state.db").write_bytes(bytes(8192))

    loaded = load_once(elsewhere / "state.db")

    assert len(log) > 0
    assert (elsewhere / "state.db.unreadable-1-wal").read_bytes() == log
    assert dict(loaded.rows) == {}


def test_a_log_left_without_its_file_is_not_applied_to_the_new_one(path: Path, tmp_path: Path) -> None:
    bereft = tmp_path / "bereft" / "state.db"
    bereft.parent.mkdir()

    async def copy_the_log_while_open() -> None:
        store = SqliteStore(path)
        await store.save(ROWS)
        shutil.copy(f"{path}-wal", f"{bereft}-wal")
        await store.close()

    asyncio.run(copy_the_log_while_open())

    assert load_once(bereft) == Loaded(rows={})


@pytest.mark.parametrize("suffix", [".new", ".new-journal", ".backup.part", ".backup.part-journal"])
def test_what_a_crash_left_half_made_is_not_in_the_way(suffix: str, path: Path) -> None:
    leftover = path.with_name(path.name + suffix)
    leftover.write_bytes(b"half made")

    save_once(path, ROWS, with_backup=True)

    assert load_once(path) == load_once(path.with_name("state.db.backup")) == Loaded(rows=ROWS)
    assert not leftover.exists()


def test_only_the_newest_files_set_aside_are_kept(path: Path) -> None:
    for number in range(1, SET_ASIDE_KEPT + 4):
        path.write_bytes(b"%d" % number)
        path.with_name("state.db-wal").write_bytes(b"log %d" % number)
        load_once(path)

    kept = sorted(each.name for each in path.parent.glob("*unreadable*"))

    numbers = range(4, SET_ASIDE_KEPT + 4)
    assert kept == sorted(f"state.db.unreadable-{n}{suffix}" for n in numbers for suffix in ("", "-wal"))
    assert path.with_name("state.db.unreadable-8").read_bytes() == b"8"


def test_a_file_of_a_later_version_is_refused_and_left_untouched(path: Path) -> None:
    save_once(path, ROWS, with_backup=True)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version=2")
    before = path.read_bytes()

    async def load_and_save() -> None:
        store = SqliteStore(path)
        with pytest.raises(StoreError, match=r"written by a later mistd .*upgrade mistd"):
            await store.load()
        with pytest.raises(StoreError, match="upgrade mistd"):
            await store.save({"zones": "2"})
        await store.close()

    asyncio.run(load_and_save())

    assert path.read_bytes() == before
    assert sorted(each.name for each in path.parent.iterdir()) == ["state.db", "state.db.backup"]
