"""SqliteStore on files that are not what it wrote: set aside, stood in for, or refused."""

import asyncio
import contextlib
import random
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from mistd.adapters.sqlite.places import SET_ASIDE_KEPT
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Loaded
from tests.adapters.state_files import (
    ROWS,
    answer,
    entry,
    load_once,
    reasons_seen_by_another,
    revision,
    rows_seen_by_another,
    save_once,
    store_at,
)

PAGE = 1024
VERSION_BYTES = range(60, 64)  # user_version in the header, sqlite.org/fileformat2.html section 1.3
FULL = Batch(
    rows=ROWS, revisions=(revision(1), revision(2)), answers=(answer("a"),), entries=(entry("first"),)
)
FULL_LOADED = Loaded(rows=ROWS, revisions=FULL.revisions, last_revision=2, answers=FULL.answers)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


def without_stand_ins(path: Path) -> None:
    for stand_in in (path.with_name("state.db.backup"), path.with_name("last-good.json")):
        stand_in.unlink(missing_ok=True)


Damage = Callable[[bytes], bytes]
DAMAGES: dict[str, Damage] = {
    "zeroes": lambda good: bytes(len(good)),
    "text": lambda _: b"zone 3: 4 bursts an hour\n" * 200,
    "header wiped": lambda good: bytes(100) + good[100:],
    "called read-only": lambda good: good[:18] + b"\x03" + good[19:],
    "second page wiped": lambda good: good[:PAGE] + bytes(PAGE) + good[2 * PAGE :],
    "cut by one": lambda good: good[:-1],
    "cut to nothing": lambda _: b"",
    "cut in the magic": lambda good: good[:15],
    "cut short of the header": lambda good: good[:99],
    "cut after the header": lambda good: good[:100],
    "cut in the first page": lambda good: good[: PAGE - 1],
    "cut to one page": lambda good: good[:PAGE],
    "cut to two pages": lambda good: good[: 2 * PAGE],
}


@pytest.mark.parametrize("kind", DAMAGES)
def test_an_unreadable_file_is_set_aside_whole_and_an_empty_one_begun(kind: str, path: Path) -> None:
    save_once(path, Batch(rows=ROWS))
    damaged = DAMAGES[kind](path.read_bytes())
    path.write_bytes(damaged)

    loaded = load_once(path)

    aside = path.with_name("state.db.unreadable-1")
    assert loaded == Loaded(rows={}, troubles=loaded.troubles)
    assert loaded.troubles[0].startswith(f"{path}: unreadable (")
    assert loaded.troubles[0].endswith(f"set aside as {aside}; nothing to take settings and state from")
    assert aside.read_bytes() == damaged
    save_once(path, {"zones": "2"})
    assert load_once(path) == Loaded(rows={"zones": "2"})


@pytest.mark.parametrize("kind", DAMAGES)
def test_all_but_the_history_of_an_unreadable_file_comes_from_the_backup(kind: str, path: Path) -> None:
    save_once(path, FULL, with_backup=True)
    path.with_name("last-good.json").unlink()
    path.write_bytes(DAMAGES[kind](path.read_bytes()))

    loaded = load_once(path)

    aside = path.with_name("state.db.unreadable-1")
    assert replace(loaded, troubles=()) == FULL_LOADED
    assert len(loaded.troubles) == 1
    assert loaded.troubles[0].endswith(
        f"settings and state come from {path}.backup (up to change 2); the history before is in {aside}"
    )
    assert load_once(path) == FULL_LOADED


def test_a_missing_file_is_filled_from_its_backup_and_says_so(path: Path) -> None:
    """A power cut between setting a file aside and naming the new one leaves just this."""
    save_once(path, ROWS, with_backup=True)
    path.unlink()

    loaded = load_once(path)

    trouble = (
        f"{path}: missing; settings and state come from {path}.backup (up to change 0); "
        "the history before is lost"
    )
    assert loaded == Loaded(rows=ROWS, troubles=(trouble,))


def test_a_backup_as_bad_as_the_file_is_not_believed(path: Path) -> None:
    save_once(path, ROWS, with_backup=True)
    for each in (path, path.with_name("state.db.backup")):
        each.write_bytes(bytes(8192))

    loaded = load_once(path)

    assert dict(loaded.rows) == {}
    assert loaded.troubles[0].endswith("nothing to take settings and state from")


def test_a_flipped_bit_in_the_header_page_never_stops_the_store(path: Path) -> None:
    """All is read, or the file is set aside; only the version may say: written by a later mistd."""
    save_once(path, ROWS)
    good = path.read_bytes()
    seed = 7
    dice = random.Random(seed)
    outcomes = {"rows": 0, "set aside": 0}
    flips = [(dice.randrange(100 if turn % 2 else PAGE), dice.randrange(8)) for turn in range(70)]
    for byte, bit in [flip for flip in flips if flip[0] not in VERSION_BYTES]:
        damaged = bytearray(good)
        damaged[byte] ^= 1 << bit
        path.write_bytes(damaged)

        loaded = load_once(path)

        where = f"seed {seed}, byte {byte}, bit {bit}"
        is_read = dict(loaded.rows) == ROWS
        assert is_read or (dict(loaded.rows) == {} and loaded.troubles), where
        outcomes["rows" if is_read else "set aside"] += 1
        save_once(path, {"after": "1"})
        assert dict(load_once(path).rows) == {**loaded.rows, "after": "1"}, where
    assert min(outcomes.values()) > 5, outcomes


def test_what_stands_in_for_a_file_with_a_flipped_bit_is_as_new_as_the_file(path: Path) -> None:
    """A bit within a text is not noticed; one that is costs nothing but the history."""
    save_once(path, FULL, with_backup=True)
    good = path.read_bytes()
    seed = 11
    dice = random.Random(seed)
    noticed = 0
    for byte in [
        byte for byte in (dice.randrange(len(good)) for _ in range(60)) if byte not in VERSION_BYTES
    ]:
        damaged = bytearray(good)
        damaged[byte] ^= 1 << dice.randrange(8)
        path.write_bytes(damaged)

        loaded = load_once(path)

        if loaded.troubles:
            noticed += 1
            assert replace(loaded, troubles=()) == FULL_LOADED, f"seed {seed}, byte {byte}"
    assert noticed > 3


LOOSE = "CREATE TABLE state(name TEXT, value); INSERT INTO state VALUES"
BAD_OLD_TABLES = {
    "a number for a value": f"{LOOSE}('zones', 3)",
    "no name": f"{LOOSE}(NULL, '3')",
    "no text": f"{LOOSE}('zones', CAST(x'ff22' AS TEXT))",
    "no JSON": f"{LOOSE}('zones', '{{')",
    "no version": f"{LOOSE}('zones', '3'); PRAGMA user_version=0",
    "no value": "CREATE TABLE state(name TEXT)",
    "another table": "CREATE TABLE other(name TEXT, value TEXT)",
}


@pytest.mark.parametrize("kind", BAD_OLD_TABLES)
def test_a_table_that_is_none_of_ours_is_set_aside(kind: str, path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(f"PRAGMA user_version=1; {BAD_OLD_TABLES[kind]}")

    loaded = load_once(path)

    assert dict(loaded.rows) == {}
    assert len(loaded.troubles) == 1
    assert path.with_name("state.db.unreadable-1").exists()


MEDDLINGS = {
    "a state table lost": "DROP TABLE state",
    "a revision table lost": "DROP TABLE revision",
    "an answer table lost": "DROP TABLE answer",
    "no bookkeeping": "DROP TABLE bookkeeping",
    "marks that are none": "UPDATE bookkeeping SET value = '[]' WHERE name = 'noted'",
    "a last revision that is no number": "UPDATE bookkeeping SET value = 'x' WHERE name = 'last_revision'",
    "a value that is no JSON": "UPDATE revision SET value = '{'",
    "an answer that is no JSON": "UPDATE answer SET answer = '{'",
    "a row that is no JSON": "UPDATE state SET value = '{'",
    "another version without its tables": "PRAGMA user_version = 0",
}


@pytest.mark.parametrize("kind", MEDDLINGS)
def test_a_file_meddled_with_is_set_aside_and_stood_in_for(kind: str, path: Path) -> None:
    save_once(path, FULL)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(MEDDLINGS[kind])

    loaded = load_once(path)

    assert replace(loaded, troubles=()) == FULL_LOADED
    assert len(loaded.troubles) == 1
    assert f"come from {path.with_name('last-good.json')} (up to change 2)" in loaded.troubles[0]


@pytest.mark.parametrize("kind", ["names", "pages"])
def test_a_file_whose_history_alone_is_bad_keeps_all_else_without_a_stand_in(kind: str, path: Path) -> None:
    save_once(path, FULL)
    without_stand_ins(path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'journal_0'").fetchone()
        if kind == "names":
            connection.execute("DROP TABLE named")
    if kind == "pages":
        with path.open("r+b") as file:
            file.seek((root - 1) * PAGE)
            file.write(bytes(PAGE))

    loaded = load_once(path)

    aside = path.with_name("state.db.unreadable-1")
    assert replace(loaded, troubles=()) == FULL_LOADED
    assert loaded.troubles[0].endswith(
        f"begun anew with all settings and the state; the history before is in {aside}"
    )
    save_once(path, Batch(entries=(entry("after"),)))
    assert reasons_seen_by_another(path) == ["after"]


def test_the_log_of_an_unreadable_file_goes_aside_with_it(path: Path, tmp_path: Path) -> None:
    """Left behind, SQLite would apply it to the new file."""
    elsewhere = tmp_path / "as a kill leaves it"
    elsewhere.mkdir()

    async def copy_while_open() -> None:
        store = store_at(path)
        await store.save(Batch(rows=ROWS))
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
        store = store_at(path)
        await store.save(Batch(rows=ROWS))
        shutil.copy(f"{path}-wal", f"{bereft}-wal")
        await store.close()

    asyncio.run(copy_the_log_while_open())

    assert load_once(bereft) == Loaded(rows={})


LEFTOVERS = [".new", ".new-journal", ".backup.part", ".backup.part-journal"]


@pytest.mark.parametrize("suffix", LEFTOVERS)
def test_what_a_crash_left_half_made_is_not_in_the_way(suffix: str, path: Path) -> None:
    leftover = path.with_name(path.name + suffix)
    leftover.write_bytes(b"half made")

    save_once(path, FULL, with_backup=True)

    assert load_once(path) == load_once(path.with_name("state.db.backup")) == FULL_LOADED
    assert not leftover.exists()


def test_only_the_newest_files_set_aside_are_kept(path: Path) -> None:
    for number in range(1, SET_ASIDE_KEPT + 4):
        path.write_bytes(b"%d" % number)
        path.with_name("state.db-wal").write_bytes(b"log %d" % number)
        load_once(path)

    kept = sorted(each.name for each in path.parent.glob("*unreadable*"))

    numbers = range(4, SET_ASIDE_KEPT + 4)
    assert kept == sorted(f"state.db.unreadable-{n}{suffix}" for n in numbers for suffix in ("", "-wal"))
    newest = SET_ASIDE_KEPT + 3
    assert path.with_name(f"state.db.unreadable-{newest}").read_bytes() == b"%d" % newest


def test_a_disk_that_spoils_every_file_does_not_push_out_the_first_one_set_aside(path: Path) -> None:
    """Else a worn-out card would cost the years that could still be read from the first."""

    async def spoil_again_and_again() -> list[str]:
        store, told = store_at(path), list[str]()
        await store.save(FULL)
        for number in range(6):
            await asyncio.to_thread(path.with_name("rubbish").write_bytes, b"rubbish %d" % number * 1000)
            await asyncio.to_thread(path.with_name("rubbish").replace, path)
            try:
                told.append(await store.save(Batch(rows={"zones": str(number)})) or "")
            except StoreError as error:
                told.append(str(error))
        await store.close()
        return told

    told = asyncio.run(spoil_again_and_again())

    assert all("set aside as" in words for words in told[:2])
    assert all("goes bad again and again" in words for words in told[2:])
    assert sorted(each.name for each in path.parent.glob("*unreadable*")) == [
        "state.db.unreadable-1",
        "state.db.unreadable-2",
    ]


def test_a_file_of_a_later_version_is_refused_and_left_untouched(path: Path) -> None:
    save_once(path, ROWS, with_backup=True)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version=3")
    before = path.read_bytes()

    async def load_and_save() -> None:
        store = store_at(path)
        with pytest.raises(StoreError, match=r"written by a later mistd .*upgrade mistd"):
            await store.load()
        with pytest.raises(StoreError, match="upgrade mistd"):
            await store.save(Batch(rows={"zones": "2"}))
        await store.close()

    asyncio.run(load_and_save())

    assert path.read_bytes() == before
    assert sorted(each.name for each in path.parent.iterdir()) == ["state.db", "state.db.backup"]


def test_a_backup_of_a_later_version_does_not_stand_in(path: Path) -> None:
    save_once(path, ROWS, with_backup=True)
    with contextlib.closing(sqlite3.connect(path.with_name("state.db.backup"))) as connection:
        connection.execute("PRAGMA user_version=3")
    path.unlink()

    assert load_once(path) == Loaded(rows={})
    assert rows_seen_by_another(path) == {}
