"""Keeping what a restart needs: which rows have changed, when they are written, who waits for that.

Rule 1: misting never waits for the disk. What happens by itself is written every few seconds, together; what
a person was promised is written at once, and the promise is given after it.
Rule 2: a disk that fails is told once and tried again; it changes nothing else.
"""

import asyncio
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Any

from mistd.core.durable import HOUSE_ROW, ZONE_ROW, Row, house_row, zone_row
from mistd.core.house import House
from mistd.core.zone import Zone
from mistd.ports.clock import Clock
from mistd.ports.errors import StoreError
from mistd.ports.store import Store

SAVE_EVERY_S = 10.0
CLOCK_ROW = "clock"


class Saver:
    """Writes a house's durable rows as they change."""

    def __init__(
        self, store: Store, clock: Clock, boot_id: str, tell_trouble: Callable[[str | None], None]
    ) -> None:
        """Know where to write.

        Args:
            store: where the rows go.
            clock: stamps the rows, so that a restart of the machine can be reckoned with.
            boot_id: names this run of the machine's monotonic clock.
            tell_trouble: called with the reason when writing begins to fail, with None when it works again.
        """
        self._store = store
        self._clock = clock
        self._boot_id = boot_id
        self._tell_trouble = tell_trouble
        self._house: House | None = None
        self._saved_zones: dict[str, Zone] = {}
        self._saved_house_row: Row | None = None
        self._waiting: list[asyncio.Future[bool]] = []
        self._is_urgent = asyncio.Event()
        self._is_failing = False

    def offer(self, house: House) -> None:
        """The house as it is now, to be written in good time."""
        self._house = house

    def kept(self) -> "asyncio.Future[bool]":
        """True once the house last offered is on disk; False when it could not be written."""
        future: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self._waiting.append(future)
        self._is_urgent.set()
        return future

    async def run(self) -> None:
        """Write, every few seconds or at once when someone waits; returns only when cancelled."""
        while True:
            try:
                async with asyncio.timeout(SAVE_EVERY_S):
                    await self._is_urgent.wait()
            except TimeoutError:
                pass
            await self.save()

    async def save(self) -> None:
        """Write what has changed since the last time; everyone who waits is told how it went."""
        self._is_urgent.clear()
        waiting, self._waiting = self._waiting, []
        house = self._house
        is_kept = house is not None and await self._write(house)
        for future in waiting:
            if not future.done():
                future.set_result(is_kept)

    async def _write(self, house: House) -> bool:
        zones = {zone.plan.name: zone for zone in house.zones}
        rows = {
            ZONE_ROW + name: zone_row(zone)
            for name, zone in zones.items()
            if zone is not self._saved_zones.get(name)
        }
        row = house_row(house)
        if row != self._saved_house_row:
            rows[HOUSE_ROW] = row
        if not rows:
            return True
        rows[CLOCK_ROW] = self._clock_row()
        try:
            await self._store.save({name: json.dumps(self._stamped(row)) for name, row in rows.items()})
        except StoreError as problem:
            self._told(str(problem))
            return False
        self._saved_zones, self._saved_house_row = zones, row
        self._told(None)
        return True

    def _told(self, trouble: str | None) -> None:
        if self._is_failing is not (trouble is not None):
            self._is_failing = trouble is not None
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


def readable_rows(texts: Mapping[str, str]) -> tuple[dict[str, Row], list[str]]:
    """The rows of a store as the core wants them, and which could not be read."""
    rows: dict[str, Row] = {}
    unreadable: list[str] = []
    for name, text in texts.items():
        try:
            row: Any = json.loads(text)
        except (ValueError, RecursionError):
            row = None
        if isinstance(row, dict):
            rows[name] = row
        else:
            unreadable.append(f"{name}: not a JSON object")
    return _of_one_run(rows), unreadable


def _of_one_run(rows: dict[str, Row]) -> dict[str, Row]:
    """The rows that count in the same seconds as the last; one of a zone long out of the file may not."""
    run = rows.get(CLOCK_ROW, {}).get("boot_id")
    return {name: row for name, row in rows.items() if row.get("boot_id") == run}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """How the instants in the rows relate to the machine's monotonic clock now."""

    by_s: float  # to be added to them
    is_time_away_known: bool


def shift_of(rows: Mapping[str, Row], clock: Clock, boot_id: str) -> Shift:
    """What to add to the instants in the rows, which count from the start of the machine that wrote them.

    After a restart of the machine the time away is taken from the wall clock, when that was and is trusted.
    Else it is not known, and what is safe differs: see `restored`.
    """
    row = rows.get(CLOCK_ROW, {})
    saved_s = _saved_s(row)
    if row.get("boot_id") == boot_id or not rows:
        return Shift(by_s=0.0, is_time_away_known=True)
    if saved_s is None:
        return Shift(by_s=0.0, is_time_away_known=False)
    away_s = _away_s(row, clock)
    return Shift(by_s=clock.now_s() - saved_s - (away_s or 0.0), is_time_away_known=away_s is not None)


def _saved_s(row: Row) -> float | None:
    saved_s = row.get("now_s")
    if isinstance(saved_s, bool) or not isinstance(saved_s, int | float):
        return None
    try:
        return float(saved_s) if isfinite(saved_s) else None
    except OverflowError:  # a whole number beyond any float
        return None


def _away_s(row: Row, clock: Clock) -> float | None:
    if not (row.get("is_trusted") and clock.is_trusted() and clock.is_synchronised()):
        return None
    try:
        away_s = (clock.utc() - datetime.fromisoformat(str(row.get("utc")))).total_seconds()
    except (ValueError, TypeError):
        return None
    return away_s if away_s >= 0.0 else None
