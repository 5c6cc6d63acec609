"""The file: how it is told from another, its tables, and what a restart needs of them.

Answers for: version 2 of the file, and reading what a restart needs from version 1.
Does not know: which file is in place, or what stands in for it.
Rule: all of the small tables is looked at before anything of them is believed, and none of the long ones.
"""

import json
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path
from typing import TypeVar

from mistd.adapters.sqlite import history
from mistd.adapters.sqlite.faults import EarlierVersion, Unreadable, check_verdict, judged
from mistd.adapters.sqlite.known import Known
from mistd.adapters.sqlite.places import beside
from mistd.adapters.sqlite.values import check_batch, item, values
from mistd.ports.errors import StoreError
from mistd.ports.store import (
    ANSWERS_LOADED,
    REVISIONS_LOADED,
    Batch,
    KeptAnswer,
    KeptRevision,
)

K = TypeVar("K")

SCHEMA_VERSION = 2
PAGE_BYTES = 1024  # a save touches many tables, a little of each
HEADER_BYTES = 100  # sqlite.org/fileformat2.html, section 1.3
MAGIC = b"SQLite format 3\0"
WRITE_VERSION_AT, NEWEST_WRITE_VERSION = 18, 2  # a higher one makes SQLite call the file read-only
PAGE_BYTES_AT = slice(16, 18)  # 1 for 65536
STRICT = " STRICT" if sqlite3.sqlite_version_info >= (3, 37) else ""

TABLES = """
CREATE TABLE state(name TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL){strict};
CREATE TABLE bookkeeping(name TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL){strict};
CREATE TABLE revision(id INTEGER PRIMARY KEY, at TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,
    value TEXT, until TEXT, author TEXT NOT NULL, note TEXT NOT NULL, request_id TEXT NOT NULL,
    undoes INTEGER){strict};
CREATE TABLE answer(seq INTEGER PRIMARY KEY, request_id TEXT NOT NULL UNIQUE, answer TEXT NOT NULL){strict};
"""

SMALL_TABLES = ("state", "bookkeeping", "revision", "answer")  # all of each is looked at, at every start

PUT_ROW = """INSERT INTO state(name, value) VALUES(?, ?)
    ON CONFLICT(name) DO UPDATE SET value = excluded.value"""
PUT_BOOKKEEPING = PUT_ROW.replace("state", "bookkeeping")
TAKE_ROW_AWAY = "DELETE FROM state WHERE name = ?"
PUT_REVISION = """INSERT OR REPLACE INTO
    revision(id, at, kind, subject, value, until, author, note, request_id, undoes)
    VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"""
PUT_ANSWER = "INSERT OR REPLACE INTO answer(request_id, answer) VALUES(?, ?)"

ALL_REVISIONS = """SELECT id, at, kind, subject, value, until, author, note, request_id, undoes
    FROM revision ORDER BY id"""
NEWEST_REVISIONS = f"{ALL_REVISIONS} DESC LIMIT 1000"  # as many as a backup holds
OF_EACH_SETTING = """SELECT id, at, kind, subject, value, until, author, note, request_id, undoes
    FROM (SELECT *, row_number() OVER (PARTITION BY kind, subject ORDER BY id DESC) AS age FROM revision)
    WHERE age <= ? ORDER BY id"""
NEWEST_ANSWERS = """SELECT request_id, answer FROM (SELECT * FROM answer ORDER BY seq DESC LIMIT ?)
    ORDER BY seq"""
LAST_REVISION, MARKS, START, LAST_WORK = "last_revision", "noted", "start", "last_work"
FAILED_COMMITS = "failed_commits"


def check_header(path: Path, *, to_write: bool) -> None:
    """Refuse early what SQLite would take for an empty database or for a read-only one.

    Only with no connection of ours on the file: closing it here would take SQLite's locks away.
    """
    with path.open("r+b" if to_write else "rb") as file:
        header = file.read(HEADER_BYTES)
    if len(header) < HEADER_BYTES or not header.startswith(MAGIC):
        raise Unreadable("not a database, or cut short")
    if not 1 <= header[WRITE_VERSION_AT] <= NEWEST_WRITE_VERSION:
        raise Unreadable("its header is damaged")
    page_bytes = int.from_bytes(header[PAGE_BYTES_AT])
    has_log = beside(path, "-wal").exists()  # which may have what the file lacks
    if page_bytes > 1 and path.stat().st_size % page_bytes and not has_log:
        raise Unreadable("cut short")


def connected(path: Path, how: str, wait_for_lock_s: float = 5.0) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{path.as_uri()}?{how}",
        uri=True,
        timeout=wait_for_lock_s,
        isolation_level=None,
        check_same_thread=False,
    )


def check_version(connection: sqlite3.Connection) -> None:
    """Judge the version before anything is touched.

    Raises:
        StoreError: a later mistd wrote it.
        EarlierVersion: an earlier one did.
        Unreadable: none of ours did.
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"the state file was written by a later mistd (its version is {version}, this mistd knows "
            f"{SCHEMA_VERSION}): upgrade mistd; the file was not touched"
        )
    if version < 1:
        raise Unreadable(f"version {version} is none of ours")
    if version != SCHEMA_VERSION:
        raise EarlierVersion(version)


def known_in(connection: sqlite3.Connection) -> Known:
    """All but the history, if it is sound; every page of the small tables is looked at, and none of the long.

    Raises:
        Unreadable: it is not.
    """
    with judged():
        for table in SMALL_TABLES:
            _check_whole(connection, table)
        batch = Batch(
            rows=_named(connection, "state"),
            revisions=read_items(KeptRevision, connection.execute(OF_EACH_SETTING, (REVISIONS_LOADED,))),
            answers=read_items(KeptAnswer, connection.execute(NEWEST_ANSWERS, (ANSWERS_LOADED,))),
        )
        known = how_far(connection)
    try:
        check_batch(batch)
    except ValueError as error:
        raise Unreadable(str(error)) from error
    known.absorb(batch)
    return known


def rows_of_version_1(connection: sqlite3.Connection) -> dict[str, str]:
    """What version 1 knew.

    Raises:
        Unreadable: it is not sound.
    """
    with judged():
        _check_whole(connection, "1")
        rows = _named(connection, "state")
    try:
        check_batch(Batch(rows=rows))
    except ValueError as error:
        raise Unreadable(str(error)) from error
    return rows


def _check_whole(connection: sqlite3.Connection, which: str) -> None:
    (verdict,) = connection.execute(f"PRAGMA integrity_check({which})").fetchone()
    check_verdict(verdict)


def _named(connection: sqlite3.Connection, table: str) -> dict[str, str]:
    rows = connection.execute(f"SELECT name, value FROM {table}").fetchall()  # noqa: S608
    for name, value in rows:
        if not isinstance(name, str) or not isinstance(value, str):
            raise Unreadable(f"row {name!r} is not text")
    return dict(rows)


def read_items(kept: type[K], rows: Iterable[Sequence[object]]) -> tuple[K, ...]:
    """Rows of SQL as the port has them.

    Raises:
        Unreadable: a value is not of its type.
    """
    try:
        return tuple(item(kept, row) for row in rows)
    except ValueError as error:
        raise Unreadable(str(error)) from error


def how_far(connection: sqlite3.Connection) -> Known:
    """What the file says of how far it goes, and nothing else of it.

    Raises:
        Unreadable: it does not say.
    """
    books = _named(connection, "bookkeeping")
    try:
        known = Known(marks=_marks_of(books))
        known.last_revision, known.start = (int(books.get(name, "0")) for name in (LAST_REVISION, START))
    except ValueError as error:
        raise Unreadable(str(error)) from error
    return known


def _marks_of(books: dict[str, str]) -> dict[str, int]:
    marks = json.loads(books.get(MARKS, "{}"))
    if not isinstance(marks, dict) or not all(type(number) is int for number in marks.values()):
        raise ValueError("its marks are none")
    return marks


def put(connection: sqlite3.Connection, batch: Batch) -> None:
    """Write a batch, inside a transaction."""
    for name, value in batch.rows.items():
        if value is None:
            connection.execute(TAKE_ROW_AWAY, (name,))
        else:
            connection.execute(PUT_ROW, (name, value))
    connection.executemany(PUT_REVISION, map(values, batch.revisions))
    connection.executemany(PUT_ANSWER, map(values, batch.answers))
    history.put_history(connection, batch)


def put_books(connection: sqlite3.Connection, known: Known) -> None:
    put_book(connection, LAST_REVISION, str(known.last_revision))
    put_book(connection, START, str(known.start))
    put_book(connection, MARKS, json.dumps(known.marks))


def put_book(connection: sqlite3.Connection, name: str, value: str) -> None:
    connection.execute(PUT_BOOKKEEPING, (name, value))


def last_work(connection: sqlite3.Connection) -> str | None:
    """The name of the last piece of work that is in the file."""
    found = connection.execute("SELECT value FROM bookkeeping WHERE name = ?", (LAST_WORK,)).fetchone()
    return None if found is None else str(found[0])


def build(part: Path, known: Known, revisions: Iterable[KeptRevision] = ()) -> None:
    """A complete new file, without WAL, so that all of it is in the one file.

    Args:
        part: its passing name.
        known: what goes into it.
        revisions: more of them than are known, older ones.
    """
    with closing(sqlite3.connect(part, isolation_level=None)) as connection, connection:
        connection.execute(f"PRAGMA page_size={PAGE_BYTES}")
        connection.execute("BEGIN IMMEDIATE")
        for statement in TABLES.format(strict=STRICT).split(";"):
            connection.execute(statement)
        connection.execute(history.NAMES)
        connection.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
        connection.executemany(PUT_REVISION, map(values, revisions))
        put(connection, known.as_batch())
        put_books(connection, known)
