"""The memory of a house: one SQLite file, a tail of notes in the run directory, and what stands in for them.

Answers for: what was saved survives a power cut, what was noted a kill; a disk that is slow, full or gone
delays or fails the caller who waits for it, and nothing else.
Does not know: what a row, a change or a line of the journal means.
Rule: nothing here runs on the event loop: one thread writes the database and another the tail, so that a disk
that hangs does not keep a note from being taken.
"""

import asyncio
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from mistd.adapters.sqlite.database import PRAGMAS
from mistd.adapters.sqlite.state_file import StateFile
from mistd.adapters.sqlite.tail import Tail
from mistd.adapters.sqlite.writer import Writer
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Keeping, Loaded

LONGEST_WAIT_FOR_LOCK_S = 5.0  # another program may be copying the file
LONGEST_CLOSE_S = 3.0  # a disk that hangs longer is left to itself; the service is given 5 s to stop


class SqliteStore:
    """The Store port on one SQLite file and a tail."""

    def __init__(
        self,
        path: Path,
        tail_path: Path,
        *,
        longest_wait_for_lock_s: float = LONGEST_WAIT_FOR_LOCK_S,
        pragmas: Sequence[str] = PRAGMAS,
    ) -> None:
        """Know where; nothing is opened yet.

        Args:
            path: the database. Its backup, last-good file and files set aside stand beside it.
            tail_path: the tail, in a directory that is in memory and that a kill of the program leaves.
            longest_wait_for_lock_s: for a program that keeps the database locked.
            pragmas: how SQLite is to write; a test shows that others lose what was promised.
        """
        real_path = Path(os.path.realpath(path))  # SQLite keeps companions beside the real file
        self._tail = Tail(tail_path)
        self._file = StateFile(real_path, tail_path, self._tail.writer, longest_wait_for_lock_s, pragmas)
        self._writer, self._noter = Writer("store"), Writer("notes")
        self._noted = 0  # how many notes were asked for since the start
        self._is_closed = False

    async def load(self) -> Loaded:
        self._refuse_if_closed()
        upto = self._noted
        try:
            loaded = await self._writer.do(self._file.load)
        except StoreError as problem:  # a full or read-only disk can still be read
            problem.stand_in = await self._writer.do(self._file.stand_in)
            raise
        await self._empty_tail(upto)
        return loaded

    async def save(self, batch: Batch) -> str | None:
        self._refuse_if_closed()
        kept, upto = copied(batch), self._noted
        mended = await self._writer.do(lambda: self._file.save(kept, upto))
        hindered = await self._empty_tail(upto)
        return "; ".join(words for words in (mended, hindered) if words) or None

    async def note(self, batch: Batch) -> None:
        self._refuse_if_closed()
        self._noted += 1
        kept, number = copied(batch), self._noted
        await self._noter.do(lambda: self._tail.write(number, kept))

    async def copy_to_backup(self) -> None:
        self._refuse_if_closed()
        await self._writer.do(self._file.copy_to_backup)

    async def prune(self, keeping: Keeping, today: str | None) -> None:
        self._refuse_if_closed()
        while await self._writer.do(lambda: self._file.prune_some(keeping, today)):
            self._refuse_if_closed()

    async def close(self) -> None:
        """Let go of the files; a disk that hangs is waited for `LONGEST_CLOSE_S` and then left."""
        if self._is_closed:
            return
        self._is_closed = True
        with suppress(TimeoutError):
            async with asyncio.timeout(LONGEST_CLOSE_S):
                await self._noter.do(self._tail.let_go)
                await self._writer.do(self._file.let_go)
        self._writer.stop()
        self._noter.stop()

    async def _empty_tail(self, upto: int) -> str | None:
        self._tail.start = self._file.start
        if self._file.is_tail_unread:
            return None
        return await self._noter.do(lambda: self._tail.empty(upto))

    def _refuse_if_closed(self) -> None:
        if self._is_closed:
            raise StoreError("the store is closed")


def copied(batch: Batch) -> Batch:
    """The batch as it is now; the caller may go on changing its own rows."""
    return Batch(
        rows=dict(batch.rows),
        revisions=tuple(batch.revisions),
        answers=tuple(batch.answers),
        entries=tuple(batch.entries),
        readings=tuple(batch.readings),
        water=tuple(batch.water),
    )
