"""The settings and the state as last acknowledged, in a file of JSON lines beside the database.

Answers for: something to begin from when the database is lost. The first line is all of it; with every
change of a setting comes a line with the change and the state then, so that a change costs some pages of the
disk and not the whole; when they are many, the file is written anew.
Does not know: the database, or the history.
Rule: it is written anew as a whole or not at all, and a line that is torn counts for nothing.
"""

import json
import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

from mistd.adapters.sqlite.faults import Unreadable
from mistd.adapters.sqlite.known import Known
from mistd.adapters.sqlite.places import beside, put_in_place
from mistd.adapters.sqlite.values import batch_as_json, batch_from_json
from mistd.ports.store import Batch, KeptAnswer, KeptRevision

FORMAT = 1
LINES_AT_MOST = 100


class LastGood:
    """The file as the writer thread sees it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._length: int | None = None  # as we left it; None: it has to be written whole
        self._lines = 0

    def keep(self, known: Known, batch: Batch) -> None:
        """Keep what is known, which came to be so by this batch.

        Raises:
            OSError: it is not kept; what the file said before it still says.
        """
        length, self._length = self._length, None
        if length is None or self._lines >= LINES_AT_MOST or self._size() != length:
            self._write_whole(known)
        else:
            self._append(_line(known, batch.revisions, batch.answers), length)
        self._length = self._size()

    def _write_whole(self, known: Known) -> None:
        line = _line(known, known.revisions(), known.shortened().answers.values())
        put_in_place(self.path, beside(self.path, ".part"), lambda part: _write(part, line))
        self._lines = 1

    def _append(self, line: bytes, length: int) -> None:
        descriptor = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC)
        try:
            if os.write(descriptor, line) < len(line):
                os.ftruncate(descriptor, length)
                raise OSError(None, "no room is left there")
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        self._lines += 1

    def _size(self) -> int | None:
        with suppress(OSError):
            return self.path.stat().st_size
        return None


def _write(part: Path, line: bytes) -> None:
    part.write_bytes(line)


def _line(known: Known, revisions: Iterable[KeptRevision], answers: Iterable[KeptAnswer]) -> bytes:
    batch = Batch(rows=known.rows, revisions=tuple(revisions), answers=tuple(answers))
    how_far = {"format": FORMAT, "last_revision": known.last_revision, "start": known.start}
    line = json.dumps(
        {**how_far, "noted": known.marks, **batch_as_json(batch)}, ensure_ascii=False, separators=(",", ":")
    )
    return line.encode() + b"\n"


def read_last_good(path: Path) -> Known:
    """What the file holds.

    Raises:
        OSError: it cannot be read, or is not there.
        Unreadable: it is not what we wrote.
    """
    first, *others = path.read_bytes().split(b"\n")
    known = Known()
    try:
        _learn(known, first)
    except (ValueError, RecursionError) as error:
        raise Unreadable(str(error)) from error
    with suppress(ValueError, RecursionError):
        for line in others:
            _learn(known, line)
    return known


def _learn(known: Known, line: bytes) -> None:
    """Take in a line, all of it or nothing."""
    content: Any = json.loads(line)
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise ValueError("its format is none of ours")
    batch, marks = batch_from_json(content), content.get("noted")
    last_revision, start = content.get("last_revision"), content.get("start")
    if type(last_revision) is not int or type(start) is not int or not isinstance(marks, dict):
        raise ValueError("it does not say how far it goes")
    if not all(type(number) is int for number in marks.values()):
        raise ValueError("its marks are none")
    known.rows.clear()  # a line has all of them, so that they belong to one instant
    known.absorb(batch)
    known.last_revision, known.start = max(known.last_revision, last_revision), start
    known.marks = marks
