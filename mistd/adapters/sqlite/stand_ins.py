"""What a lost database is begun anew from: the last-good file or the backup, whichever is the newer.

Rule: settings and state come from one source together, so that they belong to one instant; only the highest
revision is taken from all, since it never goes back.
"""

from collections.abc import Callable, Iterable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from mistd.adapters.sqlite.faults import EarlierVersion, Unreadable, judged
from mistd.adapters.sqlite.known import Known
from mistd.adapters.sqlite.last_good import read_last_good
from mistd.adapters.sqlite.schema import (
    build,
    check_header,
    check_version,
    connected,
    known_in,
    rows_of_version_1,
)
from mistd.ports.errors import StoreError
from mistd.ports.store import KeptRevision


@dataclass(frozen=True, slots=True)
class StandIn:
    """Something to begin from."""

    known: Known
    source: Path

    def __str__(self) -> str:
        last_revision, utc = self.known.age()
        return f"{self.source} (up to change {last_revision}{f', {utc}' if utc else ''})"


def stand_in(backup: Path, last_good: Path) -> StandIn | None:
    """The newer of the two; None when neither can be read."""
    sources: list[tuple[Path, Callable[[Path], Known]]] = [
        (last_good, read_last_good),
        (backup, known_in_copy),
    ]
    found: list[StandIn] = []
    for source, read in sources:
        with suppress(OSError, Unreadable, StoreError):
            found.append(StandIn(read(source), source))
    if not found:
        return None
    newest = max(found, key=lambda each: each.known.age())
    newest.known.last_revision = max(each.known.last_revision for each in found)
    return newest


def known_in_copy(path: Path) -> Known:
    """What a file says that nobody is writing, read without leaving a trace beside it.

    Raises:
        OSError: it is not there, or cannot be read.
        Unreadable: it is unsound.
        StoreError: a later mistd wrote it.
    """
    check_header(path, to_write=False)
    with judged(), closing(connected(path, "mode=ro&immutable=1")) as connection:
        try:
            check_version(connection)
        except EarlierVersion:
            return Known(rows=rows_of_version_1(connection))
        return known_in(connection)


def build_copy(part: Path, known: Known, revisions: Iterable[KeptRevision]) -> None:
    """A new file that has been read again: a bad copy must not replace a good one."""
    build(part, known, revisions)
    known_in_copy(part)
