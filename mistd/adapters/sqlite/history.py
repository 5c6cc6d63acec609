"""The history: the journal, readings by the minute and the hour, water by the hour.

Answers for: how it is written, in little room. Of a minute or an hour the key holds when it begins and, by
number, which sensor or zone it is of, so that what comes later lies behind what came before; readings are
whole hundred-thousandths.
Rule: parts of a minute or an hour are put together on disk, so that a part is written and never read first.
"""

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Generic, TypeVar

from mistd.adapters.sqlite.faults import judged
from mistd.adapters.sqlite.values import values
from mistd.adapters.sqlite.volumes import Series
from mistd.ports.store import Batch, Entry, RolledReadings, WaterGiven

R = TypeVar("R", RolledReadings, WaterGiven)

NAMES = "CREATE TABLE named(id INTEGER PRIMARY KEY CHECK(id < 65536), name TEXT NOT NULL UNIQUE)"
NAMES_AT_MOST = 65536
PUT_NAME = "INSERT INTO named(name) VALUES(?) ON CONFLICT(name) DO NOTHING"
KEY = "? * 65536 + (SELECT id FROM named WHERE name = ?)"

LINES_A_VOLUME = 5000  # of the journal: four days of bursts
JOURNAL = Series(
    "journal",
    "seq INTEGER PRIMARY KEY, at TEXT NOT NULL, is_time_trusted INTEGER NOT NULL, kind TEXT NOT NULL,"
    " subject TEXT NOT NULL, reason TEXT NOT NULL, figures TEXT NOT NULL",
)
PUT_ENTRY = """INSERT INTO {table}(seq, at, is_time_trusted, kind, subject, reason, figures)
    VALUES(?, ?, ?, ?, ?, ?, ?)"""

PARTS_OF_ONE = 100_000  # a reading is kept to so little
LARGEST_READING = 9.0e13  # parts of more do not fit into eight bytes
READING_COLUMNS = """key INTEGER PRIMARY KEY, least INTEGER NOT NULL, mean INTEGER NOT NULL,
    most INTEGER NOT NULL, count INTEGER NOT NULL"""
PUT_READINGS = f"""INSERT INTO {{table}}(key, least, mean, most, count) VALUES({KEY}, ?, ?, ?, ?)
    ON CONFLICT(key) DO UPDATE SET
    least = min(least, excluded.least),
    mean = CAST(round((1.0 * mean * count + 1.0 * excluded.mean * excluded.count)
        / (count + excluded.count)) AS INTEGER),
    most = max(most, excluded.most),
    count = count + excluded.count"""
PUT_WATER = f"""INSERT INTO {{table}}(key, bursts, open_s, water_l) VALUES({KEY}, ?, ?, ?)
    ON CONFLICT(key) DO UPDATE SET bursts = bursts + excluded.bursts,
    open_s = open_s + excluded.open_s, water_l = water_l + excluded.water_l"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolled(Generic[R]):
    """A long table of minutes or hours."""

    series: Series
    days_a_volume: int
    period_s: int
    kept: type[R]
    put: str
    columns: str  # what the port wants of a row, in order
    parameters: Callable[[R], tuple[Any, ...]]  # of a part: when it begins, its name and the rest

    def volume(self, begins: int) -> int:
        return begins // (self.days_a_volume * 86_400)

    def volume_begins(self, number: int) -> int:
        return number * self.days_a_volume * 86_400

    def first_key(self, begins: int) -> int:
        """The least key of what begins then or later."""
        return -(-begins // self.period_s) * NAMES_AT_MOST


def _readings_table(name: str, period_s: int, days_a_volume: int) -> Rolled[RolledReadings]:
    figures = ", ".join(f"{figure} / {PARTS_OF_ONE}.0" for figure in ("least", "mean", "most"))
    return Rolled(
        series=Series(name, READING_COLUMNS),
        days_a_volume=days_a_volume,
        period_s=period_s,
        kept=RolledReadings,
        put=PUT_READINGS,
        columns=f"{period_s}, key / {NAMES_AT_MOST} * {period_s}, name, {figures}, count",
        parameters=_of_reading,
    )


def _of_reading(part: RolledReadings) -> tuple[Any, ...]:
    figures = (_parts_of_one(value) for value in (part.least, part.mean, part.most))
    return part.begins, part.sensor, *figures, part.count


def _parts_of_one(value: float) -> int:
    """A sensor that says more than anything can be is said to say the most that can be kept."""
    return round(min(max(value, -LARGEST_READING), LARGEST_READING) * PARTS_OF_ONE)


def _of_water(part: WaterGiven) -> tuple[Any, ...]:
    return part.begins, part.zone, part.bursts, part.open_s, part.water_l


MINUTES = _readings_table("reading_minute", 60, days_a_volume=4)
HOURS = _readings_table("reading_hour", 3600, days_a_volume=128)
READINGS = {rolled.period_s: rolled for rolled in (MINUTES, HOURS)}
WATER = Rolled(
    series=Series(
        "water_hour",
        "key INTEGER PRIMARY KEY, bursts INTEGER NOT NULL, open_s REAL NOT NULL, water_l REAL NOT NULL",
    ),
    days_a_volume=128,
    period_s=3600,
    kept=WaterGiven,
    put=PUT_WATER,
    columns=f"key / {NAMES_AT_MOST} * 3600, name, bursts, open_s, water_l",
    parameters=_of_water,
)


def put_history(connection: sqlite3.Connection, batch: Batch) -> None:
    """Write what happened, inside a transaction."""
    _put_entries(connection, batch.entries)
    names = {part.sensor for part in batch.readings} | {part.zone for part in batch.water}
    connection.executemany(PUT_NAME, [(name,) for name in sorted(names)])
    for period_s, rolled in READINGS.items():
        _put_parts(connection, rolled, [part for part in batch.readings if part.period_s == period_s])
    _put_parts(connection, WATER, batch.water)


def last_line(connection: sqlite3.Connection) -> int:
    """The number of the newest line of the journal; 0 when there is none yet."""
    volumes = JOURNAL.numbers(connection)
    if not volumes:
        return 0
    newest = connection.execute(f"SELECT max(seq) FROM {JOURNAL.table(volumes[-1])}").fetchone()  # noqa: S608
    return int(newest[0] or volumes[-1] * LINES_A_VOLUME)


def _put_entries(connection: sqlite3.Connection, entries: Iterable[Entry]) -> None:
    numbered = enumerate(entries, last_line(connection) + 1)
    for volume, lines in groupby(numbered, key=lambda line: line[0] // LINES_A_VOLUME):
        table = JOURNAL.begin(connection, volume)
        rows = [(seq, *values(entry)) for seq, entry in lines]
        connection.executemany(PUT_ENTRY.format(table=table), rows)


def _put_parts(connection: sqlite3.Connection, rolled: Rolled[R], parts: Iterable[R]) -> None:
    rows = sorted(map(rolled.parameters, parts))
    for volume, in_it in groupby(rows, key=lambda row: rolled.volume(row[0])):
        table = rolled.series.begin(connection, volume)
        numbered = [(begins // rolled.period_s, *rest) for begins, *rest in in_it]
        connection.executemany(rolled.put.format(table=table), numbered)


def look_at_history(connection: sqlite3.Connection) -> None:
    """See that what will be written next to can be read: the end of every newest volume.

    Raises:
        Unreadable: it cannot.
    """
    with judged():
        connection.execute("SELECT id, name FROM named ORDER BY id DESC LIMIT 1").fetchone()
        for series in (JOURNAL, MINUTES.series, HOURS.series, WATER.series):
            for number in series.numbers(connection)[-1:]:
                table = series.table(number)
                connection.execute(f"SELECT * FROM {table} ORDER BY rowid DESC LIMIT 1").fetchone()  # noqa: S608
