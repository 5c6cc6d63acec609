"""The database under its name: opened, made anew when it is lost, and the one connection to it.

Answers for: a bad file moved out of the way instead of stopping a house, and everything known put back when
the file is deleted, cut short or replaced while we run.
Does not know: what is saved when, or the tail.
Rule: a file is believed only after a look at all of its small tables; and none is moved or replaced for a
fault of the place.
"""

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import TypeVar

from mistd.adapters.sqlite.faults import (
    EarlierVersion,
    Unreadable,
    has_failed_to_read,
    in_plain_words,
    judged,
    may_have_been_written,
)
from mistd.adapters.sqlite.history import look_at_history
from mistd.adapters.sqlite.known import Known
from mistd.adapters.sqlite.places import (
    Identity,
    beside,
    companions,
    identity,
    inode,
    make_place,
    move_aside,
    put_in_place,
    remove,
    replace,
    sync,
)
from mistd.adapters.sqlite.schema import (
    FAILED_COMMITS,
    LAST_WORK,
    build,
    check_header,
    check_version,
    connected,
    known_in,
    last_work,
    put,
    put_book,
    put_books,
    rows_of_version_1,
)
from mistd.adapters.sqlite.stand_ins import StandIn, stand_in
from mistd.ports.errors import StoreError

T = TypeVar("T")

ASIDE_AT_MOST = 2  # in one run: a disk that spoils whatever it is given must not push out the first
FAILURES_BORNE = 2  # on one connection, before a fresh one is tried
LOOKS = 3
PRAGMAS = (
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",  # on return a commit is on the disk itself
    "PRAGMA secure_delete=OFF",  # else what is let go of would be written once more, as zeroes
    "PRAGMA wal_autocheckpoint=4000",  # pages; the longer the log, the fewer are written twice
    "PRAGMA journal_size_limit=8000000",
)


class Database:
    """The file, its connection and all that is known of it but the history."""

    def __init__(
        self, path: Path, last_good: Path, longest_wait_for_lock_s: float, pragmas: Sequence[str]
    ) -> None:
        self.path, self.backup = path, beside(path, ".backup")
        self.known: Known | None = None  # what was found or acknowledged; outlives the file
        self._last_good, self._pragmas = last_good, pragmas
        self._longest_wait_for_lock_s = longest_wait_for_lock_s
        self._connection: sqlite3.Connection | None = None
        self._identity = Identity((), 0)
        self._set_aside = self._failures = self._failed_commits = 0
        self._doubtful: set[str | None] = set()  # work of which it is not known whether it is in the file

    def connection(self) -> sqlite3.Connection:
        assert self._connection is not None
        return self._connection

    def is_in_place(self) -> bool:
        """Whether the file that we have open bears the name now."""
        if self._connection is None:
            return False
        now = identity(self.path)
        is_ours = now.has_come_of(self._identity)
        if is_ours:
            self._identity = now
        return is_ours

    def open(self, told: list[str]) -> None:
        """Connect to a file that holds all that is known; say what happened if it is not the one we left."""
        self.let_go()
        make_place(self.path)
        try:
            found = self._connect()
        except EarlierVersion:
            found = self._brought_up_to_date(told)
        except (FileNotFoundError, Unreadable) as why:
            self.begin_anew(why, told)
            found = self._connect()
        if self.known is None or last_work(self.connection()) in self._doubtful:
            self.known = found
        elif not found.says_the_same_as(self.known):
            told.append(f"{self.path}: not as it was left; all that is known was put into it")
            self._put_into(found, self.known)

    def transaction(self, work: Callable[[], T], name: str | None) -> T:
        """Do all of some work on the disk itself, or none of it.

        Args:
            work: writes.
            name: by which it is known again, should it be doubtful whether it is in the file; it stays there.
        """
        connection = self.connection()
        try:
            connection.execute("BEGIN IMMEDIATE")
            result = work()
            if name is not None:
                put_book(connection, LAST_WORK, name)
            connection.execute("COMMIT")
        except Exception as error:
            self._roll_back(connection, error, name)
            raise
        self._failures = 0
        self._doubtful.clear()
        return result

    def let_go(self) -> None:
        """Close the connection; also clear away what a vanished file of ours has left beside it."""
        connection, self._connection, self._failures = self._connection, None, 0
        if connection is None:
            return
        has_vanished = not identity(self.path).is_of_the_same_file(self._identity)
        with suppress(sqlite3.Error):
            connection.close()
        if has_vanished:  # SQLite would apply these to whatever file stands there next
            self._remove_orphans()

    def begin_anew(self, why: FileNotFoundError | Unreadable, told: list[str]) -> None:
        """Put a new file in place, holding what memory knows or what stands in; say so.

        A missing file is stood in for too: a crash between the renames below leaves just that.
        """
        self.let_go()
        if self._set_aside >= ASIDE_AT_MOST and isinstance(why, Unreadable):
            raise StoreError(f"{self.path}: goes bad again and again ({why}); is the disk worn out?")
        source = stand_in(self.backup, self._last_good) if self.known is None else None
        known = self.known or (source.known if source else Known())
        part = beside(self.path, ".new")
        remove(part)
        try:
            build(part, known)
            moved_to = self._moved_aside(why)
            remove(self.path)  # a log left here would be applied to the new file
            sync(self.path.parent)
            replace(part, self.path)
        finally:
            with suppress(OSError):
                remove(part)
        told += self._words(why, moved_to, source)

    def _roll_back(self, connection: sqlite3.Connection, error: Exception, name: str | None) -> None:
        """Make sure that what failed is not found after a kill: it was told that it is not kept.

        A commit that failed may lie whole in the log. This connection does not count it, and writes over it
        with the next commit; a fresh one would count it. So this one is kept, and commits something at once.
        """
        self._failures += 1
        with suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        if may_have_been_written(error):
            self._doubtful |= {name} - {None}
            self._failed_commits += 1
            with suppress(sqlite3.Error):
                put_book(connection, FAILED_COMMITS, str(self._failed_commits))
                self._doubtful.clear()
        if not may_have_been_written(error) or self._failures >= FAILURES_BORNE:
            self.let_go()

    def _put_into(self, found: Known, known: Known) -> None:
        found.take_over(known)

        def put_all() -> None:
            put(self.connection(), known.as_batch())
            put_books(self.connection(), found)

        self.transaction(put_all, None)
        self.known = found

    def _connect(self) -> Known:
        """Open the file and answer what is in it; FileNotFoundError and Unreadable ask for a new file.

        What the disk does not give back SQLite calls malformed, so a file is bad only at the third look; and
        what cannot be read at the third either is as good as gone.
        """
        for _ in range(LOOKS):
            try:
                return self._connect_once()
            except (Unreadable, OSError, sqlite3.Error) as error:
                if not isinstance(error, Unreadable) and not has_failed_to_read(error):
                    raise
                why = (
                    Unreadable(str(error))
                    if isinstance(error, Unreadable)
                    else Unreadable(in_plain_words(error))
                )
        raise why

    def _connect_once(self) -> Known:
        check_header(self.path, to_write=True)
        connection = connected(self.path, "mode=rw", self._longest_wait_for_lock_s)
        try:
            found = self._examined(connection)
        except BaseException:
            connection.close()
            raise
        self._connection, self._identity = connection, identity(self.path)
        return found

    def _examined(self, connection: sqlite3.Connection) -> Known:
        with judged():
            check_version(connection)
            for pragma in self._pragmas:
                connection.execute(pragma)
        found = known_in(connection)
        try:
            look_at_history(connection)
        except Unreadable:
            self.known = self.known or found  # only the history is lost
            raise
        return found

    def _brought_up_to_date(self, told: list[str]) -> Known:
        try:
            self._migrate()
        except Unreadable as why:
            self.begin_anew(why, told)
        return self._connect()

    def _migrate(self) -> None:
        """Put a file of this version in place of one of version 1, which has to be whole without its log."""
        with closing(connected(self.path, "mode=rw", self._longest_wait_for_lock_s)) as connection:
            rows = rows_of_version_1(connection)
            (mode,) = connection.execute("PRAGMA journal_mode=DELETE").fetchone()
        if mode != "delete":
            raise StoreError(f"{self.path}: another program keeps it open; its log cannot be put away")
        sync(self.path.parent)  # the log must not come back beside the new file
        put_in_place(self.path, beside(self.path, ".new"), lambda part: build(part, Known(rows=rows)))

    def _moved_aside(self, why: FileNotFoundError | Unreadable) -> Path | None:
        if isinstance(why, FileNotFoundError):
            return None
        self._set_aside += 1
        return move_aside(self.path)

    def _words(
        self, why: FileNotFoundError | Unreadable, moved_to: Path | None, source: StandIn | None
    ) -> list[str]:
        if moved_to is None and self.known is None and source is None:
            return []  # a first start
        history = f"the history before is in {moved_to}" if moved_to else "the history before is lost"
        if self.known is not None:
            begun = f"begun anew with all settings and the state; {history}"
        elif source is not None:
            begun = f"settings and state come from {source}; {history}"
        else:
            begun = "nothing to take settings and state from"
        what = f"unreadable ({why}), set aside as {moved_to}" if moved_to else "missing"
        return [f"{self.path}: {what}; {begun}"]

    def _remove_orphans(self) -> None:
        for companion, held in zip(companions(self.path), self._identity.inodes[1:], strict=True):
            if held is not None and held == inode(companion):
                with suppress(OSError):
                    companion.unlink()
