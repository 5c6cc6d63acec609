"""What a restart needs, kept on disk: a few named rows of JSON text."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """The rows found on disk, and what had to be set aside to get at them."""

    rows: Mapping[str, str]
    set_aside: str | None = None  # in words: which unreadable file was moved where, and what stands in for it


class Store(Protocol):
    """Named rows that survive a power cut once `save` has returned."""

    async def load(self) -> Loaded:
        """Every row. An unreadable file is set aside under another name and counts as empty.

        Raises:
            StoreError: the place itself cannot be read or written (no directory, no permission).
        """
        ...

    async def save(self, rows: Mapping[str, str]) -> None:
        """Write these rows, all or none; on return they are on the disk itself.

        Raises:
            StoreError: nothing was kept; the rows before are unharmed.
        """
        ...

    async def copy_to_backup(self) -> None:
        """Write a consistent copy beside the file, replacing the copy before it.

        Raises:
            StoreError: the copy before is unharmed.
        """
        ...

    async def close(self) -> None:
        """Let go of the file."""
        ...
