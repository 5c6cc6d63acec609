"""What a house has kept, for tests: lines of a journal, changes of settings, and a database with them in it.

Does not know what is read of it. Rule: instants are told in minutes after `BEGINS`, so that a story is read
with its times.
"""

import asyncio
import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from mistd.adapters.sqlite.store import SqliteStore
from mistd.app.config import Config
from mistd.app.journal_text import USUAL_END
from mistd.app.recording import stamp
from mistd.app.wiring import database_of, tail_of
from mistd.core.events import EventKind
from mistd.ports.store import Batch, Entry, KeptRevision

BEGINS = datetime(2026, 6, 21, 10, 0, tzinfo=UTC)  # noon at the house of `house_files`
EVERY_8_MIN = "8.0 min since the last burst, by the timetable"


def at(minutes: float) -> datetime:
    return BEGINS + timedelta(minutes=minutes)


def entry(
    minutes: float,
    kind: str,
    reason: str = "",
    *,
    subject: str = "left",
    is_time_trusted: bool = True,
    **figures: float | str,
) -> Entry:
    return Entry(
        at=stamp(at(minutes)),
        is_time_trusted=is_time_trusted,
        kind=kind,
        subject=subject,
        reason=reason,
        figures=json.dumps(figures),
    )


def burst(minutes: float, why: str = EVERY_8_MIN, *, reason: str = USUAL_END, **more: Any) -> Entry:
    """A burst of 6 s that began at this minute."""
    figures = {"open_s": 6.0, "water_l": 0.72, "for_s": 6.0, "why": why, **more}
    return entry(minutes + 0.1, EventKind.BURST_ENDED, reason, **figures)


def revision(
    number: int,
    minutes: float,
    kind: str,
    value: dict[str, Any] | None,
    *,
    zone: str = "left",
    until: float | None = None,
    author: str = "Ana",
    note: str = "",
    undoes: int | None = None,
) -> KeptRevision:
    return KeptRevision(
        id=number,
        at=stamp(at(minutes)),
        kind=kind,
        subject=zone,
        value=None if value is None else json.dumps(value),
        until=None if until is None else stamp(at(until)),
        author=author,
        note=note,
        request_id=f"request-{number}",
        undoes=undoes,
    )


def keep(config: Config, entries: Sequence[Entry] = (), revisions: Sequence[KeptRevision] = ()) -> None:
    """Have a house's database hold this, as a daemon that has ended leaves it."""

    async def written() -> None:
        store = SqliteStore(database_of(config), tail_of(config))
        await store.load()
        await store.save(Batch(entries=tuple(entries), revisions=tuple(revisions)))
        await store.close()

    asyncio.run(written())
