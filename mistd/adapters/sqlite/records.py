"""The history of a house as it stands in the database and its tail, for someone who looks.

Answers for: a history that is up to date to the last note, read beside a running daemon without holding it
up.
Rule: nothing is written and nothing left behind, for whoever looks may be another user than the daemon; and
no reading lasts: a long look is many short ones, so that the daemon's log can be put away meanwhile.
"""

import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from heapq import merge
from pathlib import Path
from typing import Any

from mistd.adapters.sqlite.faults import EarlierVersion, judged, port_errors
from mistd.adapters.sqlite.history import JOURNAL, LINES_A_VOLUME, READINGS, WATER, R, Rolled, last_line
from mistd.adapters.sqlite.parts import readings_of_parts, water_of_parts
from mistd.adapters.sqlite.places import beside
from mistd.adapters.sqlite.schema import (
    ALL_REVISIONS,
    check_header,
    check_version,
    connected,
    how_far,
    read_items,
)
from mistd.adapters.sqlite.tail import notes_in, tail_bytes
from mistd.ports.errors import StoreError
from mistd.ports.records import Wanted
from mistd.ports.store import Batch, Entry, KeptRevision, RolledReadings, WaterGiven

AT_ONCE, PERIODS_AT_ONCE = 1000, 240  # rows, or minutes or hours, in one short look

Key = tuple[int, str]
Condition = tuple[str, list[Any]]  # SQL with its values

ENTRIES = """SELECT seq, at, is_time_trusted, kind, subject, reason, figures FROM {table}
    WHERE seq > ? AND seq <= ?"""
SOME_FROM = """SELECT {columns} FROM {table} JOIN named ON id = key & 65535
    WHERE key >= :first AND key < :end
    AND key < ((SELECT min(key) FROM {table} WHERE key >= :first) / 65536 + :periods) * 65536
    ORDER BY key / 65536, name"""
OF_KEY = """SELECT {columns} FROM {table} JOIN named ON id = key & 65535
    WHERE name = ? AND key = ? + id"""


class SqliteRecords:
    """The Records port on the file and the tail of a `SqliteStore`."""

    def __init__(self, path: Path, tail_path: Path) -> None:
        self._path = Path(os.path.realpath(path))
        self._tail_path = tail_path

    def journal(self, wanted: Wanted) -> Iterator[Entry]:
        with self._looking() as (connection, noted):
            newest = last_line(connection)
        recent = [entry for batch in noted for entry in batch.entries if _is_wanted(entry, wanted)]
        if wanted.last is None:
            return self._all_entries(wanted, newest, recent)
        older = self._newest_entries(wanted, newest, wanted.last - len(recent))
        return iter([*older, *recent][max(0, len(older) + len(recent) - wanted.last) :])

    def revisions(self, subject: str | None = None, last: int | None = None) -> list[KeptRevision]:
        with self._looking() as (connection, noted):
            found = list(read_items(KeptRevision, connection.execute(ALL_REVISIONS)))
        found += [revision for batch in noted for revision in batch.revisions]
        wanted = [revision for revision in found if subject is None or revision.subject == subject]
        return wanted if last is None else wanted[max(0, len(wanted) - last) :]

    def readings(self, period_s: int, since: int, until: int) -> Iterator[RolledReadings]:
        rolled = READINGS[period_s]
        with self._looking() as (connection, noted):
            parts = [part for batch in noted for part in batch.readings if part.period_s == period_s]
            parts += _stored_of(connection, rolled, [_key(part) for part in parts])
        return self._rolled(rolled, readings_of_parts(parts), since, until)

    def water(self, since: int, until: int) -> Iterator[WaterGiven]:
        with self._looking() as (connection, noted):
            parts = [part for batch in noted for part in batch.water]
            parts += _stored_of(connection, WATER, [_key(part) for part in parts])
        return self._rolled(WATER, water_of_parts(parts), since, until)

    def close(self) -> None:
        """Nothing is held between two looks."""

    def _all_entries(self, wanted: Wanted, newest: int, recent: list[Entry]) -> Iterator[Entry]:
        condition, values = _condition(wanted)
        after = 0
        while after < newest:
            with self._connected() as connection:
                volume = next(_of_these(JOURNAL.numbers(connection), (after + 1) // LINES_A_VOLUME), None)
                if volume is None:
                    break
                sql = f"{ENTRIES.format(table=JOURNAL.table(volume))}{condition} ORDER BY seq LIMIT {AT_ONCE}"
                rows = connection.execute(sql, [after, newest, *values]).fetchall()
                entries = read_items(Entry, (row[1:] for row in rows))
            yield from entries
            after = rows[-1][0] if len(rows) == AT_ONCE else (volume + 1) * LINES_A_VOLUME - 1
        yield from recent

    def _newest_entries(self, wanted: Wanted, newest: int, how_many: int) -> list[Entry]:
        condition, values = _condition(wanted)
        found: list[Any] = []
        with self._connected() as connection:
            for volume in reversed(JOURNAL.numbers(connection)):
                if len(found) >= how_many:
                    break
                sql = f"{ENTRIES.format(table=JOURNAL.table(volume))}{condition} ORDER BY seq DESC LIMIT ?"
                found += connection.execute(sql, [0, newest, *values, how_many - len(found)])
            return list(read_items(Entry, (row[1:] for row in reversed(found))))

    def _rolled(self, rolled: Rolled[R], noted: dict[Key, R], since: int, until: int) -> Iterator[R]:
        """What is stored and what is noted beyond it, in order; the noted is whole, with its stored part."""
        older = (item for item in self._stored(rolled, since, until) if _key(item) not in noted)
        yield from merge(older, [noted[key] for key in sorted(noted) if since <= key[0] < until], key=_key)

    def _stored(self, rolled: Rolled[R], since: int, until: int) -> Iterator[R]:
        while since < until:
            with self._connected() as connection:
                volume = next(_of_these(rolled.series.numbers(connection), rolled.volume(since)), None)
                if volume is None:
                    break
                items = _some_stored(connection, rolled, volume, since, until)
            yield from items
            since = items[-1].begins + 1 if items else rolled.volume_begins(volume + 1)

    @contextmanager
    def _looking(self) -> Iterator[tuple[sqlite3.Connection, list[Batch]]]:
        """The file, and the notes that are not in it yet, at one instant."""
        with port_errors(self._tail_path):
            tail = tail_bytes(self._tail_path)  # first: what is saved from now on the file will say it has
        with self._connected() as connection:
            connection.execute("BEGIN")
            yield connection, notes_in(tail, self._tail_path, how_far(connection)).batches

    @contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        """One short look at the file."""
        with port_errors(self._path), judged():
            if not self._path.exists():
                raise StoreError(f"{self._path}: there is none")
            with closing(connected(self._path, self._how())) as connection:
                try:
                    check_version(connection)
                except EarlierVersion as earlier:
                    raise StoreError(
                        f"{self._path}: no journal yet, mistd makes one at its start"
                    ) from earlier
                yield connection

    def _how(self) -> str:
        """Where nobody has the file open there is no log, and SQLite would make one and leave it."""
        if beside(self._path, "-wal").exists():
            return "mode=ro"
        check_header(self._path, to_write=False)
        return "mode=ro&immutable=1"


def _of_these(volumes: list[int], first: int) -> Iterator[int]:
    return (volume for volume in volumes if volume >= first)


def _some_stored(
    connection: sqlite3.Connection, rolled: Rolled[R], volume: int, since: int, until: int
) -> tuple[R, ...]:
    """The next few minutes or hours of a volume."""
    sql = SOME_FROM.format(columns=rolled.columns, table=rolled.series.table(volume))
    bounds = {"first": rolled.first_key(since), "end": rolled.first_key(until), "periods": PERIODS_AT_ONCE}
    return read_items(rolled.kept, connection.execute(sql, bounds))


def _stored_of(connection: sqlite3.Connection, rolled: Rolled[R], keys: Iterable[Key]) -> list[R]:
    """What is stored of these very minutes or hours."""
    volumes, found = rolled.series.numbers(connection), list[Any]()
    for begins, name in sorted(set(keys)):
        if rolled.volume(begins) in volumes:
            table = rolled.series.table(rolled.volume(begins))
            sql = OF_KEY.format(columns=rolled.columns, table=table)
            found += connection.execute(sql, (name, rolled.first_key(begins)))
    return list(read_items(rolled.kept, found))


def _key(item: RolledReadings | WaterGiven) -> Key:
    return item.begins, item.sensor if isinstance(item, RolledReadings) else item.zone


def _condition(wanted: Wanted) -> Condition:
    """What SQL has to hold to, beside the order."""
    sql, values = "", list[Any]()
    for column, chosen in (("subject", wanted.subjects), ("kind", wanted.kinds)):
        if chosen:
            sql += f" AND {column} IN ({', '.join('?' * len(chosen))})"
            values += chosen
    for bound, instant in ((">=", wanted.since), ("<", wanted.until)):
        if instant is not None:
            sql += f" AND at {bound} ?"
            values.append(_prefix(instant))
    return sql, values


def _is_wanted(entry: Entry, wanted: Wanted) -> bool:
    """As `_condition`, for a line of the tail."""
    return (
        (not wanted.subjects or entry.subject in wanted.subjects)
        and (not wanted.kinds or entry.kind in wanted.kinds)
        and (wanted.since is None or entry.at >= _prefix(wanted.since))
        and (wanted.until is None or entry.at < _prefix(wanted.until))
    )


def _prefix(instant: str) -> str:
    """An instant as the lines of the journal begin with it, to the millisecond and without what says UTC."""
    when = datetime.fromisoformat(instant)
    when = when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
    return when.isoformat(timespec="milliseconds")[: len("2000-01-01T00:00:00.000")]
