"""What is saved, folded in, copied and let go of; as the writer thread alone sees it.

Answers for: a batch that is in the database once, however often it was tried, and what was noted before a
kill in it once, too.
Does not know: the event loop, or what a row means.
Rule: a batch counts as written only when it is on the disk, in the file that bears the name now.
"""

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from mistd.adapters.sqlite.database import Database
from mistd.adapters.sqlite.faults import Unreadable, in_plain_words, is_unreadable, judged, port_errors
from mistd.adapters.sqlite.known import Known
from mistd.adapters.sqlite.last_good import LastGood
from mistd.adapters.sqlite.places import beside, put_in_place
from mistd.adapters.sqlite.pruning import prune_some
from mistd.adapters.sqlite.schema import (
    NEWEST_REVISIONS,
    known_in,
    last_work,
    put,
    put_books,
    read_items,
)
from mistd.adapters.sqlite.stand_ins import build_copy, stand_in
from mistd.adapters.sqlite.tail import Notes, notes_in, tail_bytes
from mistd.adapters.sqlite.values import check_batch
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Keeping, KeptRevision, Loaded

T = TypeVar("T")

TRIES = 3  # for a file that vanished or went bad under our feet, or could not be read once


class StateFile:
    """The database with its tail, its last-good file and its backup."""

    def __init__(
        self,
        path: Path,
        tail_path: Path,
        writer: str,
        longest_wait_for_lock_s: float,
        pragmas: Sequence[str],
    ) -> None:
        self._path, self._tail_path = path, tail_path
        self._writer = writer
        self.start: int | None = None  # which start of the program this is, as soon as it is known
        self.is_tail_unread = False  # then it must not be emptied
        self._last_good = LastGood(path.with_name("last-good.json"))
        self._is_last_good_due = False
        self._database = Database(path, self._last_good.path, longest_wait_for_lock_s, pragmas)
        self._works = 0
        self._doubtful: dict[str | None, Batch] = {}  # saves that failed since the last that did not, by name

    def load(self) -> Loaded:
        troubles: list[str] = []
        with port_errors(self._path):
            self._tried(lambda: self._open_and_fold(troubles), troubles)
            return self._known().loaded(troubles)

    def stand_in(self) -> Loaded | None:
        """What can be begun from when the file cannot be opened to write; nothing is touched."""
        found = stand_in(self._database.backup, self._last_good.path)
        return found.known.loaded([f"settings and state come from {found}"]) if found else None

    def save(self, batch: Batch, upto: int) -> str | None:
        """Write a batch that stands for all notes of this start up to a number; say what was mended."""
        check_batch(batch)
        mended: list[str] = []
        name = self._new_name()
        with port_errors(self._path):
            self._tried(lambda: self._is_written(batch, upto, name, mended), mended)
        self._database.known = self._after(batch, upto)
        self._doubtful.clear()
        self._is_last_good_due |= bool(batch.revisions)
        if self._is_last_good_due:
            self._keep_last_good(batch, mended)
        return "; ".join(mended) or None

    def copy_to_backup(self) -> None:
        backup = self._database.backup
        with port_errors(self._path):
            self._put_in_place([])
            try:
                known, revisions = self._to_be_copied(self._database.connection())
            except Unreadable:
                self._database.let_go()  # so that the next save looks at the file and mends it
                raise
            put_in_place(backup, beside(backup, ".part"), lambda part: build_copy(part, known, revisions))

    def prune_some(self, keeping: Keeping, today: str | None) -> bool:
        """Let go of some of the oldest history; whether there may be more to let go of."""
        with port_errors(self._path):
            self._put_in_place([])
            connection = self._database.connection()
            return self._database.transaction(lambda: prune_some(connection, keeping, today), None)

    def let_go(self) -> None:
        self._database.let_go()

    def _known(self) -> Known:
        assert self._database.known is not None
        return self._database.known

    def _after(self, batch: Batch, upto: int) -> Known:
        return self._known().after(batch, {self._writer: upto} if upto else {})

    def _put_in_place(self, mended: list[str]) -> None:
        """See that the file that bears the name is open and knows what we know."""
        if not self._database.is_in_place():
            self._database.open(mended)
            self._fold(mended, leave_out=self._writer)  # what we noted ourselves comes with the next save

    def _tried(self, is_done: Callable[[], bool], told: list[str]) -> None:
        """Try until it is done; a file unreadable at a second look is set aside and begun anew."""
        for number in range(TRIES):
            try:
                if is_done():
                    return
            except (sqlite3.Error, UnicodeDecodeError) as error:
                if not is_unreadable(error):
                    raise
                self._database.let_go()
                if number > 0:
                    self._database.begin_anew(Unreadable(str(error)), told)
        raise StoreError(f"{self._path}: the file vanishes or goes bad as soon as it is written")

    def _open_and_fold(self, told: list[str]) -> bool:
        self._database.open(told)
        self._fold(told, leave_out=None)
        return True

    def _is_written(self, batch: Batch, upto: int, name: str, mended: list[str]) -> bool:
        """Whether the batch is committed in the file that bears the name; False asks for another try."""
        self._put_in_place(mended)
        self._write(self._database.connection(), batch, upto, name)
        return self._database.is_in_place()

    def _write(self, connection: sqlite3.Connection, batch: Batch, upto: int, name: str) -> None:
        fresh = self._known().changes_in(self._beyond_what_came_in(connection, batch))
        after = self._after(batch, upto)
        is_there = fresh == Batch() and after.marks == self._known().marks
        if is_there or last_work(connection) == name:  # the first try is in this file after all
            return

        def put_all() -> None:
            put(connection, fresh)
            put_books(connection, after)

        self._doubtful[name] = batch
        self._database.transaction(put_all, name)

    def _beyond_what_came_in(self, connection: sqlite3.Connection, batch: Batch) -> Batch:
        """The batch without the history of the one before, which was refused and is in the file after all.

        Whoever was refused has put all of that in again, first and in the same order.
        """
        before = self._doubtful.get(last_work(connection))
        if before is None:
            return batch
        return replace(
            batch,
            entries=_beyond(batch.entries, before.entries),
            readings=_beyond(batch.readings, before.readings),
            water=_beyond(batch.water, before.water),
        )

    def _new_name(self) -> str:
        """For a piece of work, to know it again in the file."""
        self._works += 1
        return f"{self._writer} {self._works}"

    def _fold(self, told: list[str], *, leave_out: str | None) -> None:
        """Take what a start before noted and could not save any more; and count this start as one more."""
        known, connection = self._known(), self._database.connection()
        after = known.copy()
        try:
            notes = notes_in(tail_bytes(self._tail_path), self._tail_path, known, leave_out=leave_out)
        except OSError as error:
            told.append(f"{self._tail_path}: what was noted cannot be read: {in_plain_words(error)}")
            notes, self.is_tail_unread = Notes(marks=known.marks), True
        told += notes.troubles
        for batch in notes.batches:
            after.absorb(batch)
        after.marks = notes.marks
        after.start = known.start + 1 if self.start is None else self.start

        def put_all() -> None:
            for batch in notes.batches:
                put(connection, batch)
            put_books(connection, after)

        if notes.batches or after.start != known.start:
            self._database.transaction(put_all, self._new_name())
        self._database.known, self.start = after, after.start

    def _to_be_copied(self, connection: sqlite3.Connection) -> tuple[Known, tuple[KeptRevision, ...]]:
        with judged():
            newest = connection.execute(NEWEST_REVISIONS)
            return known_in(connection).shortened(), read_items(KeptRevision, newest)

    def _keep_last_good(self, batch: Batch, mended: list[str]) -> None:
        try:
            self._last_good.keep(self._known(), batch)
        except OSError as error:
            mended.append(f"{self._last_good.path}: cannot be written: {in_plain_words(error)}")
        else:
            self._is_last_good_due = False


def _beyond(items: tuple[T, ...], known: tuple[T, ...]) -> tuple[T, ...]:
    """What comes after the known, if they begin with it."""
    return items[len(known) :] if items[: len(known)] == known else items
