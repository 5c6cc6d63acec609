"""The history of a house, to be looked at: what happened, who changed what, readings, water.

Read only, beside a running daemon or without one. Nothing in the daemon depends on it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from mistd.ports.store import Entry, KeptRevision, RolledReadings, WaterGiven


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which lines of the journal; an empty filter is all of them."""

    since: str | None = None  # UTC, ISO 8601, included
    until: str | None = None  # UTC, ISO 8601, not included
    subjects: tuple[str, ...] = ()  # any of these; empty: all
    kinds: tuple[str, ...] = ()
    last: int | None = None  # only so many, the newest


class Records(Protocol):
    """A house's history."""

    def journal(self, wanted: Wanted) -> Iterator[Entry]:
        """The lines of the journal that are wanted, oldest first.

        Raises:
            StoreError: there is none, or it cannot be read.
        """
        ...

    def revisions(self, subject: str | None = None, last: int | None = None) -> list[KeptRevision]:
        """Changes of settings, oldest first.

        Raises:
            StoreError: as above.
        """
        ...

    def readings(self, period_s: int, since: int, until: int) -> Iterator[RolledReadings]:
        """Readings rolled up to minutes (60) or hours (3600), from and to seconds since 1970, in order.

        Raises:
            StoreError: as above.
        """
        ...

    def water(self, since: int, until: int) -> Iterator[WaterGiven]:
        """Water by the hour, from and to seconds since 1970, in order.

        Raises:
            StoreError: as above.
        """
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...
