"""Keeping what a restart needs and what people want to read later: when what is written, and who waits.

Rule 1: misting never waits for the disk. What a person was promised is written at once, all the way to the
disk, and the promise is given after it.
Rule 2: what happens by itself is noted every few seconds, so that it survives a kill, and goes to the disk
with the next promise, at the latest after a quarter of an hour: a memory card is worn out by writing.
Rule 3: a disk that fails is told once and tried again; it changes nothing else. What waits for it is bounded.
"""

import asyncio
import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from math import inf
from typing import Any

from mistd.core.demand_rows import is_worth_writing
from mistd.core.durable import HOUSE_ROW, ZONE_ROW, demand_rows, house_row, trust_rows, zone_row
from mistd.core.house import House
from mistd.core.rows import Row
from mistd.core.zone import Zone
from mistd.ports.clock import Clock
from mistd.ports.errors import StoreError
from mistd.ports.store import (
    ANSWERS_LOADED,
    Batch,
    Entry,
    KeptAnswer,
    KeptRevision,
    RolledReadings,
    Store,
    WaterGiven,
)

NOTE_EVERY_S = 10.0
SAVES_APART_S = 1.0  # at least, for what is to be saved soon and nobody waits for
SAVE_EVERY_S = 900.0
HANGS_AFTER_S = 20.0  # a save that takes longer is told of as one that fails, and waited for
HANGS = f"the disk has not answered for {HANGS_AFTER_S:.0f} s"
MOST_ENTRIES = 20_000  # waiting for a disk that fails: a fortnight of bursts
MOST_ANSWERS = ANSWERS_LOADED  # a start reads no more
MOST_TROUBLES = 5  # that are told of a disk before it works again: its words may hold numbers
MOST_REVISIONS = 5000  # waiting likewise: 2 MB, and more than people change in years
ENTRIES_A_SAVE = 2000  # that many are written without waiting for the quarter of an hour
CLOCK_ROW = "clock"
RUN_ROW = "run"


@dataclass(slots=True)
class Pending:
    """What is still to be written."""

    rows: dict[str, str | None] = field(default_factory=dict)
    revisions: list[KeptRevision] = field(default_factory=list)
    answers: list[KeptAnswer] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    readings: list[RolledReadings] = field(default_factory=list)
    water: list[WaterGiven] = field(default_factory=list)

    def batch(self) -> Batch:
        return Batch(
            rows=dict(self.rows),
            revisions=tuple(self.revisions),
            answers=tuple(self.answers),
            entries=tuple(self.entries),
            readings=tuple(self.readings),
            water=tuple(self.water),
        )

    def take(self, other: "Pending") -> None:
        """Add what came after."""
        self.rows |= other.rows
        self.revisions += other.revisions
        self.answers += other.answers
        self.entries += other.entries
        self.readings += other.readings
        self.water += other.water

    def without_surplus(self) -> int:
        """Let the oldest go where there is too much; how many lines of the journal that were."""
        surplus = max(len(self.entries) - MOST_ENTRIES, 0)
        limits: tuple[tuple[list[Any], int], ...] = (
            (self.entries, MOST_ENTRIES),
            (self.readings, MOST_ENTRIES),
            (self.water, MOST_ENTRIES),
            (self.answers, MOST_ANSWERS),
            (self.revisions, MOST_REVISIONS),
        )
        for waiting, most in limits:
            del waiting[: max(len(waiting) - most, 0)]
        return surplus


class Saver:
    """Writes down a house as it goes on."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        boot_id: str,
        tell_trouble: Callable[[str | None], None],
        tell_found: Callable[[str], None] = lambda _: None,
        *,
        speed: float = 1.0,
    ) -> None:
        """Know where to write.

        Args:
            store: where everything goes.
            clock: stamps the rows, so that a restart of the machine can be reckoned with.
            boot_id: names this run of the machine's monotonic clock.
            tell_trouble: called with the reason when writing begins to fail, with None when it works again.
            tell_found: called with what was found amiss, and mended, while writing.
            speed: how much faster than life the loop's clock runs; a disk does not.
        """
        self.roll_up: Callable[[], tuple[list[RolledReadings], list[WaterGiven]]] = lambda: ([], [])
        self.lost_entries = 0  # lines of the journal that no longer fitted while the disk failed
        self._store = store
        self._clock = clock
        self._boot_id = boot_id
        self._tell_trouble = tell_trouble
        self._tell_found = tell_found
        self._speed = speed
        self._house: House | None = None
        self._written_zones: dict[str, Zone] = {}
        self._written: dict[str, Row] = {}  # of the house, as last handed on
        self._fresh = Pending()  # since the last note
        self._unsaved = Pending()  # noted, and not on the disk yet
        self._saved_s = -inf
        self._tried_s = -inf  # when the last save began, whatever came of it
        self._save_at_s = inf
        self._waiting: list[asyncio.Future[bool]] = []
        self._is_urgent = asyncio.Event()
        self._troubles: set[str] = set()  # told of the disk since it last worked
        self._is_without_notes = False

    def offer(self, house: House) -> None:
        """The house as it is now, to be written in good time."""
        self._house = house

    def keep_entry(self, entry: Entry) -> None:
        """One more line of the journal."""
        self._fresh.entries.append(entry)
        if len(self._fresh.entries) > MOST_ENTRIES:  # the disk hangs
            self.lost_entries += self._fresh.without_surplus()

    def keep_revision(self, revision: KeptRevision) -> None:
        """A change of a setting; written with the next promise."""
        self._fresh.revisions.append(revision)

    def keep_row(self, name: str, row: Row | None) -> None:
        """Something else that a restart needs, under a name of its own; None when it is over."""
        self._fresh.rows[name] = None if row is None else json.dumps(self._stamped(row))

    def keep_whole_house(self) -> None:
        """Every row of the house as it stands then goes with the next writing: the last before an end."""
        self._written_zones.clear()
        self._written.clear()

    def keep_answer(self, answer: KeptAnswer) -> None:
        """How a request was answered, for whoever repeats it; of several answers the last is kept."""
        self._fresh.answers.append(answer)
        if len(self._fresh.answers) > MOST_ANSWERS:  # the disk hangs
            del self._fresh.answers[0]

    def kept(self) -> "asyncio.Future[bool]":
        """True once everything up to now is on the disk itself; False when it could not be written.

        A disk that hangs leaves it open: whoever waits sets a limit of his own.
        """
        future: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self._waiting.append(future)
        self._is_urgent.set()
        return future

    def save_soon(self) -> None:
        """Have everything up to now on the disk itself, though nobody waits for it.

        That is at once; asked again and again, it is done once in `SAVES_APART_S`.
        """
        self._save_at_s = min(self._save_at_s, max(self._clock.now_s(), self._tried_s + SAVES_APART_S))
        self._is_urgent.set()

    async def run(self) -> None:
        """Note every few seconds, save when someone waits or it is time; returns only when cancelled."""
        while True:
            await self._wait()
            if self._waiting or self._is_time_to_save():
                if self._is_failing:
                    await self._note(or_save=False)  # in memory there may be room, and kills do not wait
                await self.save()
            else:
                await self._note()

    async def _wait(self) -> None:
        """Until somebody waits for us, or it is time to save or to note."""
        note_s = self._clock.now_s() + NOTE_EVERY_S
        while not self._waiting:
            left_s = min(note_s, self._save_at_s) - self._clock.now_s()
            if left_s <= 0.0:
                return
            self._is_urgent.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(left_s):
                    await self._is_urgent.wait()

    def _is_time_to_save(self) -> bool:
        now_s = self._clock.now_s()
        waited_s = now_s - self._saved_s
        is_much = len(self._unsaved.entries) + len(self._fresh.entries) >= ENTRIES_A_SAVE
        is_soon = now_s >= self._save_at_s
        return self._is_failing or is_much or is_soon or waited_s >= SAVE_EVERY_S

    async def save(self) -> None:
        """Write everything that is not on the disk; everyone who waits is told how it went."""
        self._is_urgent.clear()
        self._tried_s, self._save_at_s = self._clock.now_s(), inf
        waiting, self._waiting = self._waiting, []
        is_kept = False
        try:
            is_kept = await self._saved()
        finally:
            for future in waiting:
                if not future.done():
                    future.set_result(is_kept)

    async def _saved(self) -> bool:
        self._gather()
        self._unsaved.take(self._fresh)
        self._fresh = Pending()
        writing, self._unsaved = self._unsaved, Pending()
        hanging = asyncio.get_running_loop().call_later(HANGS_AFTER_S * self._speed, self._told, HANGS)
        try:
            found = await self._store.save(writing.batch())
        except Exception as problem:  # a fault of ours, too: nobody who waits may wait for ever
            self._put_back(writing)
            self._told(in_words(problem))
            return False
        finally:
            hanging.cancel()
        self._saved_s = self._clock.now_s()
        self._told(None)
        if found:
            self._tell_found(found)
        return True

    def _put_back(self, writing: Pending) -> None:
        """What could not be written waits for the next try, before what came meanwhile."""
        writing.take(self._unsaved)
        self.lost_entries += writing.without_surplus()
        self._unsaved = writing

    async def _note(self, *, or_save: bool = True) -> None:
        self._is_urgent.clear()
        self._gather()
        noting, self._fresh = self._fresh, Pending()
        self._unsaved.take(noting)
        try:
            await self._store.note(noting.batch())
        except Exception as problem:  # as above
            if not or_save:
                return
            await self.save()
            if not self._is_failing and not self._is_without_notes:
                self._is_without_notes = True
                words = f"{in_words(problem)}; the disk is written every {NOTE_EVERY_S:.0f} s instead"
                self._tell_found(words)
        else:
            self._is_without_notes = False

    def _gather(self) -> None:
        """Put in what has changed of the house since the last time, and the clock it is counted by."""
        if self._house is not None:
            self._gather_house(self._house)
        self.keep_row(CLOCK_ROW, self._clock_row())
        readings, water = self.roll_up()
        self._fresh.readings += readings
        self._fresh.water += water

    def _gather_house(self, house: House) -> None:
        """Put in the rows that say something new; a zone on demand is another object at every reading."""
        for zone in house.zones:
            if zone is not self._written_zones.get(zone.plan.name):
                self._written_zones[zone.plan.name] = zone
                self._keep_if_new(ZONE_ROW + zone.plan.name, zone_row(zone))
        self._keep_if_new(HOUSE_ROW, house_row(house))
        for name, row in demand_rows(house).items():
            if is_worth_writing(row, self._written.get(name)):
                self._keep_if_new(name, row)
        for name, row in trust_rows(house).items():
            self._keep_if_new(name, row)

    def _keep_if_new(self, name: str, row: Row) -> None:
        if row != self._written.get(name):
            self._written[name] = row
            self.keep_row(name, row)

    @property
    def _is_failing(self) -> bool:
        return bool(self._troubles)

    def _told(self, trouble: str | None) -> None:
        """Tell what is wrong with the disk once, and once when it works again."""
        if trouble is None and self._troubles:
            self._troubles.clear()
            self._tell_trouble(None)
        if trouble is not None and trouble not in self._troubles and len(self._troubles) < MOST_TROUBLES:
            self._troubles.add(trouble)
            self._tell_trouble(trouble)

    def _stamped(self, row: Row) -> Row:
        """A row with the run of the machine in whose seconds it is written."""
        return {**row, "boot_id": self._boot_id}

    def _clock_row(self) -> Row:
        return {
            "now_s": self._clock.now_s(),
            "utc": self._clock.utc().isoformat(),
            "is_trusted": self._clock.is_trusted(),
        }


def in_words(problem: Exception) -> str:
    """What a store said, or what is wrong with us."""
    return str(problem) if isinstance(problem, StoreError) else f"a fault in the program: {problem!r}"
