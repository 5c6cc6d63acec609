"""What happened since the last save, one line of JSON for each note, in the run directory.

Answers for: a line that survives a kill of the program, for hardly a write to the disk: the run directory is
in memory on a real machine, and nothing here waits for a disk.
Does not know: the database, beyond its marks: up to which note of which start it is complete.
Rule: a note is in the database once or not at all. Every line names its writer and its number, the database
names the numbers it has taken, and only what it has taken is let go of here. And a row that was noted never
takes the place of one that a later start has saved.
"""

import json
import os
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from mistd.adapters.sqlite.places import inode
from mistd.adapters.sqlite.values import batch_as_json, batch_from_json, check_batch
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch

LARGEST_BYTES = 8 * 1024 * 1024  # days of notes, should the disk be gone for so long
OURS_ALONE = 0o600
LOOKS = 3  # what is not read is lost, so a disk is asked again


class HowFar(Protocol):
    """How far a database goes."""

    start: int  # the newest start that has saved
    marks: dict[str, int]  # the newest note of every writer that it has taken


@dataclass(slots=True)
class Notes:
    """What a tail holds beyond the marks it was read with."""

    batches: list[Batch] = field(default_factory=list)  # rows are left out that a later start has saved
    marks: dict[str, int] = field(default_factory=dict)  # to be kept once these are taken
    troubles: list[str] = field(default_factory=list)


class Tail:
    """The tail's file, as the thread that writes it sees it."""

    def __init__(self, path: Path) -> None:
        self.writer = os.urandom(6).hex()  # names the writer of every line
        self.start: int | None = None  # which start of the program it is, as soon as the database says
        self._path = path
        self._descriptor: int | None = None
        self._written = 0  # the number of the last line

    def write(self, number: int, batch: Batch) -> None:
        """Add a line.

        Raises:
            StoreError: there is no room, or no directory.
            ValueError: it is no batch that could be read again.
        """
        check_batch(batch)
        line = "\n" + json.dumps(
            {"writer": self.writer, "note": number, "start": self.start, **batch_as_json(batch)}
        )
        try:
            self._append(line.encode())
        except OSError as error:
            raise StoreError(f"{self._path}: {error.strerror or error}") from error
        self._written = number

    def empty(self, upto: int) -> str | None:
        """Let go of every line, unless there are newer ones than the note `upto`; say what hindered it."""
        if self._written > upto:
            return None
        try:
            with suppress(FileNotFoundError):
                if self._path.stat().st_size:
                    os.truncate(self._path, 0)
        except OSError as error:
            return f"{self._path}: cannot be emptied: {error.strerror or error}"
        return None

    def let_go(self) -> None:
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            with suppress(OSError):
                os.close(descriptor)

    def _append(self, line: bytes) -> None:
        descriptor = self._in_place()
        length = os.fstat(descriptor).st_size
        if length + len(line) > LARGEST_BYTES:
            raise StoreError(f"{self._path}: full ({LARGEST_BYTES // 1024**2} MB) until the next save")
        try:
            written = os.write(descriptor, line)
        except OSError:
            os.ftruncate(descriptor, length)
            raise
        if written < len(line):
            os.ftruncate(descriptor, length)
            raise StoreError(f"{self._path}: no room is left there")

    def _in_place(self) -> int:
        """The file that bears the name now; made if there is none."""
        if self._descriptor is not None:
            status = os.fstat(self._descriptor)
            if inode(self._path) == (status.st_dev, status.st_ino):
                return self._descriptor
            self.let_go()
        self._path.parent.mkdir(parents=True, exist_ok=True)
        how = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
        self._descriptor = os.open(self._path, how, OURS_ALONE)
        return self._descriptor


def tail_bytes(path: Path) -> bytes:
    """All of a tail; none is an empty one.

    Raises:
        OSError: it cannot be read.
    """
    problem = None
    for _ in range(LOOKS):
        try:
            return path.read_bytes()
        except FileNotFoundError:
            return b""
        except OSError as error:
            problem = error
    assert problem is not None
    raise problem


def notes_in(tail: bytes, path: Path, known: HowFar, *, leave_out: str | None = None) -> Notes:
    """The notes in a tail that a database has not taken yet.

    Args:
        tail: its bytes.
        path: its name, for words about it.
        known: how far the database goes.
        leave_out: a writer whose notes are not wanted.
    """
    notes = Notes()
    lines = [line for line in tail.split(b"\n") if line.strip(b"\0 \r")]
    for place, line in enumerate(lines):
        try:
            note = _parsed(line)
        except (ValueError, RecursionError) as error:
            if place < len(lines) - 1:  # the last may be torn by a kill
                notes.troubles.append(f"{path}: a note was left out, it cannot be read ({error})")
            continue
        taken = notes.marks.setdefault(note.writer, known.marks.get(note.writer, 0))
        if note.writer != leave_out and note.number > taken:
            is_newest = note.start is None or note.start >= known.start
            notes.batches.append(note.batch if is_newest else replace(note.batch, rows={}))
            notes.marks[note.writer] = note.number
    return notes


@dataclass(frozen=True, slots=True)
class _Note:
    writer: str
    number: int
    start: int | None
    batch: Batch


def _parsed(line: bytes) -> _Note:
    parsed = json.loads(line)
    if not isinstance(parsed, dict):
        raise ValueError("it is no object")
    writer, number, start = (parsed.get(name) for name in ("writer", "note", "start"))
    if not isinstance(writer, str) or type(number) is not int or type(start) not in (int, type(None)):
        raise ValueError("it has no number")
    return _Note(writer, number, start, batch_from_json(parsed))
