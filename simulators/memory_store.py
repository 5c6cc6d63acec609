"""A store in memory, for a simulated house and for tests: the Store port with faults to inject.

Answers for: the same behaviour as a disk that never fails, until `fail_with` is set.
Does not know: files, or what a row means.
Rule: a refused save changes nothing, as on the real disk.
"""

import dataclasses
import json
from collections.abc import Iterable, MutableMapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from mistd.ports.errors import StoreError
from mistd.ports.store import (
    ANSWERS_LOADED,
    REVISIONS_LOADED,
    Batch,
    Entry,
    Keeping,
    KeptAnswer,
    KeptRevision,
    Loaded,
    RolledReadings,
    WaterGiven,
)

Key = tuple[int, int, str]  # period, beginning, sensor or zone
LINE_OVERHEAD_BYTES = 20  # of a line of the journal, beside its texts


@dataclass(slots=True)
class MemoryDisk:
    """What outlives a store: hand it to the next one, as to the next start."""

    rows: MutableMapping[str, str] = field(default_factory=dict)
    revisions: list[KeptRevision] = field(default_factory=list)
    answers: list[KeptAnswer] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    readings: dict[Key, RolledReadings] = field(default_factory=dict)
    water: dict[Key, WaterGiven] = field(default_factory=dict)
    noted: list[Batch] = field(default_factory=list)  # since the last save; a power cut clears it


class MemoryStore:
    """Everything kept in lists that a test may read.

    Args:
        rows: the rows on the disk, written in place, so that they outlive the store.
        disk: all of the disk, likewise.
        troubles: what the next load says was found amiss.
    """

    def __init__(
        self,
        rows: MutableMapping[str, str] | None = None,
        *,
        disk: MemoryDisk | None = None,
        troubles: Iterable[str] = (),
    ) -> None:
        self.disk = MemoryDisk() if disk is None else disk
        if rows is not None:
            self.disk.rows = rows
        self.rows, self.revisions, self.answers = self.disk.rows, self.disk.revisions, self.disk.answers
        self.entries, self.readings, self.water = self.disk.entries, self.disk.readings, self.disk.water
        self.noted = self.disk.noted
        self.backup: dict[str, str] | None = None
        self.fail_with: StoreError | None = None
        self.mended: str | None = None  # what the next save says
        self._troubles = tuple(troubles)
        self._is_closed = False

    async def load(self) -> Loaded:
        self._refuse_if_failing()
        for batch in self.noted:
            self._put(batch)
        self.noted.clear()
        troubles, self._troubles = self._troubles, ()
        return Loaded(
            rows=dict(self.rows),
            revisions=tuple(newest_of_each_setting(self.revisions)),
            last_revision=max((revision.id for revision in self.revisions), default=0),
            answers=tuple(self.answers[-ANSWERS_LOADED:]),
            troubles=troubles,
        )

    async def save(self, batch: Batch) -> str | None:
        _check(batch)
        self._refuse_if_failing()
        self._put(batch)
        self.noted.clear()
        mended, self.mended = self.mended, None
        return mended

    async def note(self, batch: Batch) -> None:
        _check(batch)
        self._refuse_if_failing()
        self.noted.append(dataclasses.replace(batch, rows=dict(batch.rows)))

    async def copy_to_backup(self) -> None:
        self._refuse_if_failing()
        self.backup = dict(self.rows)

    async def prune(self, keeping: Keeping, today: str | None) -> None:
        self._refuse_if_failing()
        while _journal_bytes(self.entries) > keeping.journal_largest_mb * 1e6:
            del self.entries[0]
        if today is None:
            return
        before = _day_before(today, keeping.journal_days).strftime("%Y-%m-%dT%H:%M:%S")
        while self.entries and self.entries[0].is_time_trusted and self.entries[0].at < before:
            del self.entries[0]
        minutes_s, hours_s = (
            _day_before(today, days).timestamp() for days in (keeping.minutes_days, keeping.hours_days)
        )
        for key in [key for key in self.readings if key[1] < (minutes_s if key[0] == 60 else hours_s)]:
            del self.readings[key]
        for key in [key for key in self.water if key[1] < hours_s]:
            del self.water[key]

    async def close(self) -> None:
        self._is_closed = True

    def _put(self, batch: Batch) -> None:
        for name, value in batch.rows.items():
            if value is None:
                self.rows.pop(name, None)
            else:
                self.rows[name] = value
        self.revisions += batch.revisions
        for answer in batch.answers:
            self.answers[:] = [each for each in self.answers if each.request_id != answer.request_id]
            self.answers.append(answer)
        self.entries += batch.entries
        for rolled in batch.readings:
            key = rolled.period_s, rolled.begins, rolled.sensor
            self.readings[key] = _together(self.readings[key], rolled) if key in self.readings else rolled
        for given in batch.water:
            key = 3600, given.begins, given.zone
            self.water[key] = _added(self.water[key], given) if key in self.water else given

    def _refuse_if_failing(self) -> None:
        if self._is_closed:
            raise StoreError("the store is closed")
        if self.fail_with is not None:
            raise self.fail_with


def newest_of_each_setting(revisions: Iterable[KeptRevision]) -> list[KeptRevision]:
    """As a load answers them: by id, so many of each."""
    by_setting: dict[tuple[str, str], list[KeptRevision]] = {}
    for revision in sorted(revisions, key=lambda each: each.id):
        by_setting.setdefault((revision.kind, revision.subject), []).append(revision)
    newest = [each for changes in by_setting.values() for each in changes[-REVISIONS_LOADED:]]
    return sorted(newest, key=lambda each: each.id)


def _together(one: RolledReadings, other: RolledReadings) -> RolledReadings:
    count = one.count + other.count
    return dataclasses.replace(
        one,
        least=min(one.least, other.least),
        mean=(one.mean * one.count + other.mean * other.count) / count,
        most=max(one.most, other.most),
        count=count,
    )


def _added(one: WaterGiven, other: WaterGiven) -> WaterGiven:
    return dataclasses.replace(
        one,
        bursts=one.bursts + other.bursts,
        open_s=one.open_s + other.open_s,
        water_l=one.water_l + other.water_l,
    )


def _journal_bytes(entries: list[Entry]) -> int:
    texts = sum(len(e.at + e.kind + e.subject + e.reason + e.figures) for e in entries)
    return texts + LINE_OVERHEAD_BYTES * len(entries)


def _day_before(today: str, days: float) -> datetime:
    return datetime.fromisoformat(f"{today}T00:00:00+00:00") - timedelta(days=days)


def _check(batch: Batch) -> None:
    texts = [(f"row {name!r}", value, name) for name, value in batch.rows.items() if value is not None]
    texts += [(f"answer to {each.request_id!r}", each.answer, "") for each in batch.answers]
    texts += [(f"figures of {each.kind!r}", each.figures, "") for each in batch.entries]
    texts += [(f"revision {each.id}", each.value, "") for each in batch.revisions if each.value is not None]
    for what, text, name in texts:
        try:
            json.loads(text)
            (name + text).encode()
        except ValueError as error:
            raise ValueError(f"{what} is not JSON text: {error}") from error
