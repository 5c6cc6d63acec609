"""What a restart needs, in one SQLite file with a safety copy beside it.

Answers for: rows that survive a kill or a power cut once `save` has returned, a bad file moved out of the way
instead of stopping a house, and the rows put back when the file is deleted or replaced while we run.
Does not know: what a row means, beyond that it is JSON text.
Rule: `save` returns only when the rows are on the disk, in the file that bears the name now; and nothing here
runs on the event loop: the connection lives in one writer thread, so a slow disk delays the saver alone.
"""

import asyncio
import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import TypeVar

from mistd.ports.errors import StoreError
from mistd.ports.store import Loaded

SCHEMA_VERSION = 1
LONGEST_WAIT_FOR_LOCK_S = 5.0  # another program may be copying the file
SET_ASIDE, SET_ASIDE_KEPT = ".unreadable-", 5
TRIES = 2  # the second is for a file that vanished or went bad under our feet
COMPANIONS = ("-wal", "-shm", "-journal")  # what SQLite keeps beside a file, under the file's own name
HEADER_BYTES = 100  # sqlite.org/fileformat2.html, section 1.3
MAGIC = b"SQLite format 3\0"
WRITE_VERSION_AT, NEWEST_WRITE_VERSION = 18, 2  # a higher one makes SQLite call the file read-only
PUT = "INSERT OR REPLACE INTO state(name, value) VALUES(?, ?)"
STRICT = " STRICT" if sqlite3.sqlite_version_info >= (3, 37) else ""

# The place's fault, not the file's content: nothing is set aside for these.
PLACE_CODES = {
    sqlite3.SQLITE_BUSY: "another program keeps it locked",
    sqlite3.SQLITE_PROTOCOL: "another program keeps it locked",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened there; is the directory writable?",
    sqlite3.SQLITE_PERM: "no permission",
    sqlite3.SQLITE_READONLY: "it is read-only, or its directory is",
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_IOERR: "the disk failed to read or write",
}
PRIMARY_CODE = 0xFF

T = TypeVar("T")
Identity = tuple[tuple[int, int] | None, ...]  # device and inode of the file and of its companions


class Unreadable(Exception):
    """The file is there but its content is not what we wrote."""


class SqliteStore:
    """The Store port on one SQLite file."""

    def __init__(self, path: Path, *, longest_wait_for_lock_s: float = LONGEST_WAIT_FOR_LOCK_S) -> None:
        self._file = _StateFile(path, longest_wait_for_lock_s)
        self._writer = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")
        self._is_closed = False

    async def load(self) -> Loaded:
        return await self._in_writer(self._file.load)

    async def save(self, rows: Mapping[str, str]) -> None:
        kept = dict(rows)  # the caller may go on changing its own
        await self._in_writer(lambda: self._file.save(kept))

    async def copy_to_backup(self) -> None:
        await self._in_writer(self._file.copy_to_backup)

    async def close(self) -> None:
        if self._is_closed:
            return
        self._is_closed = True
        await asyncio.get_running_loop().run_in_executor(self._writer, self._file.let_go)
        self._writer.shutdown(wait=False)

    async def _in_writer(self, job: Callable[[], T]) -> T:
        if self._is_closed:
            raise StoreError("the store is closed")
        return await asyncio.get_running_loop().run_in_executor(self._writer, job)


class _StateFile:
    """The file, its connection and every row known of it, as the writer thread alone sees them."""

    def __init__(self, path: Path, longest_wait_for_lock_s: float) -> None:
        self._path = Path(os.path.realpath(path))  # SQLite keeps companions beside the real file
        self._backup = _beside(self._path, ".backup")
        self._longest_wait_for_lock_s = longest_wait_for_lock_s
        self._connection: sqlite3.Connection | None = None
        self._identity: Identity = ()
        self._known: dict[str, str] = {}  # what was loaded or acknowledged; outlives the file

    def load(self) -> Loaded:
        self.let_go()
        with self._port_errors():
            set_aside = self._open()
            return Loaded(rows=dict(self._known), set_aside=set_aside)

    def save(self, rows: Mapping[str, str]) -> None:
        for name, value in rows.items():
            _check_json(name, value)
        with self._port_errors():
            if not any(self._written(rows) for _ in range(TRIES)):
                raise StoreError(f"{self._path}: the file vanishes or goes bad as soon as it is written")
            self._known |= rows

    def copy_to_backup(self) -> None:
        part = _beside(self._backup, ".part")
        with self._port_errors():
            connection = self._connection_in_place()
            try:
                _remove(part)
                with closing(sqlite3.connect(part)) as copy:
                    connection.backup(copy)
                _rows_of_copy(part)  # a bad copy must not replace a good one
                _replace(part, self._backup)
            finally:
                _remove(part)

    def let_go(self) -> None:
        """Close the connection; also clear away what a vanished file of ours has left beside it."""
        connection, self._connection = self._connection, None
        if connection is None:
            return
        has_vanished = self._identity[:1] != _identity(self._path)[:1]
        with suppress(sqlite3.Error):
            connection.close()
        if has_vanished:  # SQLite would apply these to whatever file stands there next
            self._remove_orphans()

    def _written(self, rows: Mapping[str, str]) -> bool:
        """Whether the rows are committed in the file that bears the name; False asks for another try."""
        connection = self._connection_in_place()
        try:
            _write(connection, rows)
        except sqlite3.DatabaseError as error:
            if not _is_unreadable(error):
                raise
            self.let_go()
            return False
        return self._is_in_place()

    def _connection_in_place(self) -> sqlite3.Connection:
        if not self._is_in_place():
            self.let_go()
            self._open()
        assert self._connection is not None
        return self._connection

    def _is_in_place(self) -> bool:
        return self._connection is not None and self._identity == _identity(self._path)

    def _open(self) -> str | None:
        """Connect to a file that holds every row known; say what happened if it is not the one we left."""
        self._make_place()
        what_happened = None
        try:
            found = self._connect()
        except (FileNotFoundError, Unreadable) as why:
            what_happened = self._begin_anew(why)
            found = self._connect()
        wanted = found | self._known
        if wanted != found and self._connection is not None:
            _write(self._connection, wanted)
        self._known = wanted
        return what_happened

    def _make_place(self) -> None:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        if self._path.exists() and not self._path.is_file():
            raise StoreError(f"{self._path}: something that is no file has that name")

    def _connect(self) -> dict[str, str]:
        """Open the file and answer its rows; FileNotFoundError and Unreadable ask for a new file."""
        _check_header(self._path, to_write=True)
        connection = _connected(self._path, "mode=rw", self._longest_wait_for_lock_s)
        try:
            found = _examined(connection, to_write=True)
        except BaseException:
            connection.close()
            raise
        self._connection, self._identity = connection, _identity(self._path)
        return found

    def _begin_anew(self, why: FileNotFoundError | Unreadable) -> str | None:
        """Put a new file in place holding what memory or the backup knows; say so unless it is a first start.

        A missing file is filled from the backup too: a crash between the two renames below leaves just that.
        """
        rescued = self._backup_rows()
        part = _beside(self._path, ".new")
        _build(part, rescued | self._known)
        moved_to = self._move_aside() if isinstance(why, Unreadable) else None
        _remove(self._path)  # a log left here would be applied to the new file
        _replace(part, self._path)
        source = f"rows come from {self._backup}" if rescued else "no backup to take rows from"
        if moved_to is not None:
            return f"{moved_to}: unreadable ({why}); {source}"
        return f"{self._path}: missing; {source}" if rescued else None

    def _backup_rows(self) -> dict[str, str]:
        """The backup's rows; none when it is missing, or no better than the file it should replace."""
        with suppress(OSError, sqlite3.Error, Unreadable, StoreError):
            return _rows_of_copy(self._backup)
        return {}

    def _move_aside(self) -> Path:
        numbers = _numbers_set_aside(self._path)
        moved_to = _beside(self._path, f"{SET_ASIDE}{max(numbers, default=0) + 1}")
        self._path.rename(moved_to)  # first: without its log it might pass for sound and old
        for companion, aside in zip(_companions(self._path), _companions(moved_to), strict=True):
            with suppress(FileNotFoundError):
                companion.rename(aside)
        for number in sorted(numbers)[: -(SET_ASIDE_KEPT - 1)]:
            _remove(_beside(self._path, f"{SET_ASIDE}{number}"))
        return moved_to

    def _remove_orphans(self) -> None:
        for companion, held in zip(_companions(self._path), self._identity[1:], strict=True):
            if held is not None and held == _inode(companion):
                with suppress(OSError):
                    companion.unlink()

    @contextmanager
    def _port_errors(self) -> Iterator[None]:
        """Translate once; after any failure the next call begins with a fresh connection."""
        try:
            yield
        except (Unreadable, sqlite3.Error, OSError) as error:
            self.let_go()
            raise StoreError(f"{self._path}: {_in_plain_words(error)}") from error


def _identity(path: Path) -> Identity:
    return tuple(_inode(each) for each in (path, *_companions(path)))


def _inode(path: Path) -> tuple[int, int] | None:
    with suppress(OSError):
        status = path.stat()
        return status.st_dev, status.st_ino
    return None


def _companions(path: Path) -> list[Path]:
    return [_beside(path, suffix) for suffix in COMPANIONS]


def _remove(path: Path) -> None:
    """The file and what SQLite keeps beside it, as far as they are there."""
    for each in (path, *_companions(path)):
        each.unlink(missing_ok=True)


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def _numbers_set_aside(path: Path) -> list[int]:
    prefix = path.name + SET_ASIDE
    names = [each.name for each in path.parent.iterdir() if each.name.startswith(prefix)]
    return [int(number) for name in names if (number := name.removeprefix(prefix)).isdecimal()]


def _connected(path: Path, how: str, wait_for_lock_s: float = LONGEST_WAIT_FOR_LOCK_S) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.as_uri()}?{how}", uri=True, timeout=wait_for_lock_s, isolation_level=None)


def _rows_of_copy(path: Path) -> dict[str, str]:
    """The rows of a file nobody is writing, read without leaving a trace beside it."""
    _check_header(path, to_write=False)
    with closing(_connected(path, "mode=ro&immutable=1")) as connection:
        return _examined(connection, to_write=False)


def _check_header(path: Path, *, to_write: bool) -> None:
    """Refuse early what SQLite would take for an empty database or for a read-only one.

    Only with no connection of ours on the file: closing it here would take SQLite's locks away.
    """
    with path.open("r+b" if to_write else "rb") as file:
        header = file.read(HEADER_BYTES)
    if len(header) < HEADER_BYTES or not header.startswith(MAGIC):
        raise Unreadable("not a database, or cut short")
    if not 1 <= header[WRITE_VERSION_AT] <= NEWEST_WRITE_VERSION:
        raise Unreadable("its header is damaged")


def _examined(connection: sqlite3.Connection, *, to_write: bool) -> dict[str, str]:
    """The rows, if all of the file is sound; the version is judged before anything is touched."""
    try:
        _check_version(connection)
        if to_write:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")  # on return a commit is on the disk itself
        (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()  # the file is small
        if verdict != "ok":
            raise Unreadable(" ".join(verdict.split()))
        return _checked(connection.execute("SELECT name, value FROM state").fetchall())
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # a message may quote the damaged text
        if _is_unreadable(error):
            raise Unreadable(str(error)) from error
        raise


def _check_version(connection: sqlite3.Connection) -> None:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"the state file was written by a later mistd (its version is {version}, this mistd knows "
            f"{SCHEMA_VERSION}): upgrade mistd; the file was not touched"
        )
    if version != SCHEMA_VERSION:
        raise Unreadable(f"version {version} is none of ours")


def _checked(rows: list[tuple[object, object]]) -> dict[str, str]:
    sound: dict[str, str] = {}
    for name, value in rows:
        if not isinstance(name, str) or not isinstance(value, str):
            raise Unreadable(f"row {name!r} is not text")
        try:
            _check_json(name, value)
        except ValueError as error:
            raise Unreadable(str(error)) from error
        sound[name] = value
    return sound


def _check_json(name: str, value: str) -> None:
    try:
        json.loads(value)
        (name + value).encode()  # a lone surrogate is no text that a file can hold
    except ValueError as error:
        raise ValueError(f"row {name!r} is not JSON text: {error}") from error


def _build(part: Path, rows: Mapping[str, str]) -> None:
    """A complete new file under a passing name; without WAL, so that all of it is in the one file."""
    _remove(part)
    try:
        with closing(sqlite3.connect(part, isolation_level=None)) as connection, connection:
            connection.execute("BEGIN IMMEDIATE")
            connection.execute(f"CREATE TABLE state(name TEXT PRIMARY KEY, value TEXT NOT NULL){STRICT}")
            connection.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
            connection.executemany(PUT, rows.items())
    except BaseException:
        _remove(part)
        raise


def _write(connection: sqlite3.Connection, rows: Mapping[str, str]) -> None:
    with connection:  # commits, or rolls back
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(PUT, rows.items())


def _replace(part: Path, path: Path) -> None:
    """Give a finished file its name, so that a power cut leaves the old one or the new one."""
    _sync(part)
    part.replace(path)
    _sync(path.parent)


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _is_unreadable(error: sqlite3.DatabaseError | UnicodeDecodeError) -> bool:
    """Whether the content is at fault rather than the place."""
    code = getattr(error, "sqlite_errorcode", None)  # none when a text could not be decoded
    return code is None or code & PRIMARY_CODE not in PLACE_CODES


def _in_plain_words(error: Exception) -> str:
    if isinstance(error, OSError):
        return error.strerror or str(error)
    code = getattr(error, "sqlite_errorcode", 0) & PRIMARY_CODE
    return f"{PLACE_CODES.get(code, 'it is unreadable')} ({error})"
