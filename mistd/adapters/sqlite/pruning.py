"""Letting go of the oldest history, a volume at a time.

Does not know: what day it is; it is told, or told that nobody is sure.
Rule: what may be recent is kept. A volume of the journal goes by its age only with those before it, up to the
first that has a young line by a trusted clock: a clock that was wrong for an hour costs no line.
"""

import sqlite3
from datetime import UTC, datetime, timedelta
from typing import Any

from mistd.adapters.sqlite.history import (
    HOURS,
    JOURNAL,
    LINES_A_VOLUME,
    MINUTES,
    WATER,
    Rolled,
    last_line,
)
from mistd.adapters.sqlite.schema import PAGE_BYTES
from mistd.adapters.sqlite.volumes import Series
from mistd.ports.store import ANSWERS_LOADED, Keeping

MB = 1_000_000
LINE_OVERHEAD_BYTES = 16  # what SQLite adds to a line

LINE_BYTES = """SELECT avg(length(CAST(at AS BLOB)) + length(CAST(kind AS BLOB))
    + length(CAST(subject AS BLOB)) + length(CAST(reason AS BLOB)) + length(CAST(figures AS BLOB)))
    FROM (SELECT * FROM {table} ORDER BY seq DESC LIMIT 200)"""
NEWEST_TRUSTED = "SELECT max(at) FROM {table} WHERE is_time_trusted"


def prune_some(connection: sqlite3.Connection, keeping: Keeping, today: str | None) -> bool:
    """Let go of a volume that is over the limits, inside a transaction; whether there was one."""
    connection.execute("DELETE FROM answer WHERE seq <= (SELECT max(seq) FROM answer) - ?", (ANSWERS_LOADED,))
    surplus = _surplus_by_size(connection, int(keeping.journal_largest_mb * MB))
    if surplus is None and today is not None:
        surplus = _surplus_by_age(connection, keeping, today)
    if surplus is None:
        return False
    series, number = surplus
    series.let_go(connection, number)
    return True


def _surplus_by_size(connection: sqlite3.Connection, largest_bytes: int) -> tuple[Series, int] | None:
    """A volume too many of the journal, or else of what is not the journal, which may be as large again."""
    volumes = JOURNAL.numbers(connection)
    sizes = [_journal_bytes(connection, number) for number in volumes]
    if len(volumes) > 1 and sum(sizes) > largest_bytes:
        return JOURNAL, volumes[0]
    minutes = MINUTES.series.numbers(connection)
    if len(minutes) > 1 and _used_bytes(connection) - sum(sizes) > largest_bytes:
        return MINUTES.series, minutes[0]
    return None


def _journal_bytes(connection: sqlite3.Connection, number: int) -> float:
    """How much a volume takes, by the length of its last lines: they are all alike."""
    (text_bytes,) = connection.execute(LINE_BYTES.format(table=JOURNAL.table(number))).fetchone()
    line_bytes = (text_bytes or 0) + LINE_OVERHEAD_BYTES
    left_empty = min(line_bytes, PAGE_BYTES) / 2  # at the end of a page, where the next line had no room
    lines = min(LINES_A_VOLUME, last_line(connection) - number * LINES_A_VOLUME + 1)
    return float(lines * line_bytes * PAGE_BYTES / (PAGE_BYTES - left_empty))


def _used_bytes(connection: sqlite3.Connection) -> int:
    pages, free, page_bytes = (
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    return int((pages - free) * page_bytes)


def _surplus_by_age(
    connection: sqlite3.Connection, keeping: Keeping, today: str
) -> tuple[Series, int] | None:
    old = _old_journal(connection, _days_before(today, keeping.journal_days))
    if old is not None:
        return JOURNAL, old
    tables: tuple[tuple[Rolled[Any], float], ...] = (
        (MINUTES, keeping.minutes_days),
        (HOURS, keeping.hours_days),
        (WATER, keeping.hours_days),
    )
    for rolled, days in tables:
        before = _days_before(today, days).timestamp()
        oldest = rolled.series.numbers(connection)[:1]
        if oldest and rolled.volume_begins(oldest[0] + 1) <= before:
            return rolled.series, oldest[0]
    return None


def _days_before(today: str, days: float) -> datetime:
    return datetime.fromisoformat(today).replace(tzinfo=UTC) - timedelta(days=days)


def _old_journal(connection: sqlite3.Connection, before: datetime) -> int | None:
    """The oldest volume, if an old one by a trusted clock comes before the first young one."""
    volumes, at = JOURNAL.numbers(connection), before.strftime("%Y-%m-%dT%H:%M:%S")
    for number in volumes[:-1]:
        (newest,) = connection.execute(NEWEST_TRUSTED.format(table=JOURNAL.table(number))).fetchone()
        if newest is not None:
            return volumes[0] if newest < at else None
    return None
