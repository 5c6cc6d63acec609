"""A store that could not be read at the start: nothing is written over what may be in it.

Whoever knows nothing of before would give numbers of revisions a second time, and hold nothing that was held.
So until it is known that there was nothing, nothing is kept; once what was there can be read again, a restart
goes on with it.
"""

from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Keeping, Loaded, Store

READ_AGAIN = "what was kept before this start can be read again, and is not written over: restart mistd"


class UnreadStore:
    """Stands before a store whose `load` has failed, and keeps nothing before it was read."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._is_known_empty = False
        self._found: str | None = None

    async def load(self) -> Loaded:
        return await self._store.load()

    async def save(self, batch: Batch) -> str | None:
        await self._find_out()
        return await self._store.save(batch)

    async def note(self, batch: Batch) -> None:
        await self._find_out()
        await self._store.note(batch)

    async def copy_to_backup(self) -> None:
        await self._find_out()
        await self._store.copy_to_backup()

    async def prune(self, keeping: Keeping, today: str | None) -> None:
        await self._find_out()
        await self._store.prune(keeping, today)

    async def close(self) -> None:
        await self._store.close()

    async def _find_out(self) -> None:
        """Return when nothing was kept before.

        Raises:
            StoreError: that is still not known, or something was.
        """
        if not self._is_known_empty and self._found is None:
            loaded = await self._store.load()
            self._is_known_empty = not (loaded.rows or loaded.last_revision or loaded.answers)
            self._found = None if self._is_known_empty else "; ".join((READ_AGAIN, *loaded.troubles))
        if self._found is not None:
            raise StoreError(self._found)
