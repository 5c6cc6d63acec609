"""Whose fault an error is, and what it is called in plain words.

Answers for: the difference between a file whose content is bad (it is set aside) and a place that cannot be
read or written (nothing is touched), and the one translation into the port's error.
Rule: nothing is set aside for a fault of the place, or for a mistake of ours.
"""

import errno
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mistd.ports.errors import StoreError

PRIMARY_CODE = 0xFF
PLACE_CODES = {
    sqlite3.SQLITE_BUSY: "another program keeps it locked",
    sqlite3.SQLITE_LOCKED: "another program keeps it locked",
    sqlite3.SQLITE_PROTOCOL: "another program keeps it locked",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened there; is the directory writable?",
    sqlite3.SQLITE_PERM: "no permission",
    sqlite3.SQLITE_AUTH: "no permission",
    sqlite3.SQLITE_READONLY: "it is read-only, or its directory is",
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_IOERR: "the disk failed to read or write",
    sqlite3.SQLITE_NOMEM: "out of memory",
}
READ_CODES = {sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_CORRUPTFS}
OUR_CODES = {sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_MISUSE, sqlite3.SQLITE_RANGE}


class Unreadable(Exception):
    """The file is there but its content is not what we wrote."""


class EarlierVersion(Exception):
    """The file is sound and of an earlier version."""

    def __init__(self, version: int) -> None:
        super().__init__(f"version {version}")
        self.version = version


def is_unreadable(error: Exception) -> bool:
    """Whether the content is at fault, rather than the place or we.

    A text that cannot be decoded carries no code; nor does a call that was wrong, which is a mistake of ours.
    """
    code = _code(error)
    if code is None:
        return isinstance(error, UnicodeDecodeError | sqlite3.OperationalError)
    return code not in PLACE_CODES and code not in OUR_CODES


def has_failed_to_read(error: Exception) -> bool:
    """Whether the disk would not give back what is on it; it may the next time, or never again."""
    if isinstance(error, OSError):
        return error.errno == errno.EIO
    return getattr(error, "sqlite_errorcode", None) in READ_CODES


def check_verdict(verdict: str) -> None:
    """Judge what `PRAGMA integrity_check` says; it calls a page unsound, too, that could not be read.

    Raises:
        Unreadable: the content is unsound.
        OSError: it could not be looked at.
    """
    if verdict == "ok":
        return
    code = re.search(r"error code=(\d+)", verdict)
    words = PLACE_CODES.get(int(code[1]) & PRIMARY_CODE) if code else None
    if words is not None:
        raise OSError(errno.EIO, words)
    raise Unreadable(" ".join(verdict.split()))


def may_have_been_written(error: Exception) -> bool:
    """Whether a commit that failed so may yet be found in the log: all of it was written, none is synced."""
    return _code(error) == sqlite3.SQLITE_IOERR


@contextmanager
def judged() -> Iterator[None]:
    """Raise `Unreadable` for an error that is the content's fault, and every other as it is."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as error:
        if is_unreadable(error):
            raise Unreadable(str(error)) from error
        raise


@contextmanager
def port_errors(path: Path) -> Iterator[None]:
    """Translate into the port's error, once."""
    try:
        yield
    except (Unreadable, sqlite3.Error, UnicodeDecodeError, OSError) as error:
        raise StoreError(f"{path}: {in_plain_words(error)}") from error


def in_plain_words(error: Exception) -> str:
    if isinstance(error, OSError):
        return error.strerror or str(error)
    return f"{PLACE_CODES.get(_code(error) or 0, 'it is unreadable')} ({error})"


def _code(error: Exception) -> int | None:
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & PRIMARY_CODE
