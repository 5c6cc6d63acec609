"""What a house has to remember, kept on disk: its state, what people set, what was answered, what happened.

Two ways to keep something. `save` is for what a person was promised: on return it is on the disk itself, and
a power cut does not take it. `note` is for what happens by itself: it survives a kill of the program, costs
hardly a write to the disk, and a power cut may take it. Whatever was noted is saved sooner or later too, by
the one who noted it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRevision:
    """One change of one setting; never altered once written."""

    id: int  # counts from 1 through the life of the house
    at: str  # UTC, ISO 8601 to the millisecond
    kind: str  # which setting
    subject: str  # of which zone
    value: str | None  # JSON text; None: none, or as the house's file says
    until: str | None  # when it ends by itself, UTC as above; None when it does not
    author: str
    note: str
    request_id: str
    undoes: int | None = None  # the revision that this one takes back


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptAnswer:
    """How a request was answered, so that it is answered the same when it is repeated."""

    request_id: str
    answer: str  # JSON text


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the journal."""

    at: str  # UTC, ISO 8601 to the millisecond
    is_time_trusted: bool
    kind: str
    subject: str
    reason: str
    figures: str  # a JSON object


@dataclass(frozen=True, slots=True, kw_only=True)
class RolledReadings:
    """A sensor's readings over a minute or an hour, or over a part of it: parts are put together on disk."""

    period_s: int  # 60 or 3600
    begins: int  # seconds since 1970, UTC; a multiple of the period
    sensor: str
    least: float
    mean: float
    most: float
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterGiven:
    """What a zone was given in an hour, or in a part of it: parts are added up on disk."""

    begins: int  # seconds since 1970, UTC; a multiple of 3600
    zone: str
    bursts: int
    open_s: float
    water_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Everything to be kept at once: all of it or nothing."""

    rows: Mapping[str, str | None] = field(default_factory=dict)  # JSON text by name; None takes the row away
    revisions: tuple[KeptRevision, ...] = ()
    answers: tuple[KeptAnswer, ...] = ()
    entries: tuple[Entry, ...] = ()
    readings: tuple[RolledReadings, ...] = ()
    water: tuple[WaterGiven, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What was found on disk."""

    rows: Mapping[str, str]
    revisions: tuple[KeptRevision, ...] = ()  # by id; the newest `REVISIONS_LOADED` of every setting
    last_revision: int = 0  # the highest id ever given
    answers: tuple[KeptAnswer, ...] = ()  # oldest first; the newest `ANSWERS_LOADED`
    troubles: tuple[str, ...] = ()  # in words: which unreadable file was moved where, what stands in for it


REVISIONS_LOADED = 20  # of every setting: as far back as it can be undone
ANSWERS_LOADED = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeping:
    """How much history is kept."""

    journal_days: float = 731.0
    journal_largest_mb: float = 200.0
    minutes_days: float = 60.0  # readings by the minute
    hours_days: float = 1462.0  # readings and water by the hour


class Store(Protocol):
    """The memory of a house."""

    async def load(self) -> Loaded:
        """Everything a restart needs. An unreadable file is set aside and stood in for, as well as can be.

        Raises:
            StoreError: the place itself cannot be read or written (no directory, no permission).
        """
        ...

    async def save(self, batch: Batch) -> str | None:
        """Keep a batch, all or none; on return it is on the disk itself.

        It stands for everything that was noted since the last save: the caller has put all of it in again.

        Returns:
            None, or in words what was found and mended on the way (the file had vanished, say).

        Raises:
            StoreError: nothing was kept; what was kept before is unharmed.
        """
        ...

    async def note(self, batch: Batch) -> None:
        """Keep a batch so that it survives a kill of the program, though perhaps not a power cut.

        Raises:
            StoreError: it is not kept.
        """
        ...

    async def copy_to_backup(self) -> None:
        """Write a consistent copy of all but the history beside the file, replacing the copy before it.

        Raises:
            StoreError: the copy before is unharmed.
        """
        ...

    async def prune(self, keeping: Keeping, today: str | None) -> None:
        """Let go of the oldest history.

        Args:
            keeping: how much to keep.
            today: the date, ISO 8601; None when the time is not trusted: then only the size counts.

        Raises:
            StoreError: the disk failed.
        """
        ...

    async def close(self) -> None:
        """Let go of the file."""
        ...
