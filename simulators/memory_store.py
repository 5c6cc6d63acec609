"""A store in memory, for a simulated house and for tests: the Store port with faults to inject.

Answers for: the same behaviour as a disk that never fails, until `fail_with` is set.
Does not know: files, or what a row means.
Rule: a refused save changes nothing, as on the real disk.
"""

import json
from collections.abc import Mapping, MutableMapping

from mistd.ports.errors import StoreError
from mistd.ports.store import Loaded


class MemoryStore:
    """Rows in a mapping that the test may read, and may hand to a second store as to a second start.

    Args:
        rows: the "disk": read and written in place, so that it outlives the store.
        set_aside: what the next load says was moved out of the way.
    """

    def __init__(self, rows: MutableMapping[str, str] | None = None, *, set_aside: str | None = None) -> None:
        self.rows: MutableMapping[str, str] = {} if rows is None else rows
        self.backup: dict[str, str] | None = None
        self.fail_with: StoreError | None = None
        self._set_aside = set_aside
        self._is_closed = False

    async def load(self) -> Loaded:
        self._refuse_if_failing()
        set_aside, self._set_aside = self._set_aside, None
        return Loaded(rows=dict(self.rows), set_aside=set_aside)

    async def save(self, rows: Mapping[str, str]) -> None:
        kept = dict(rows)
        for name, value in kept.items():
            _check_json(name, value)
        self._refuse_if_failing()
        self.rows.update(kept)

    async def copy_to_backup(self) -> None:
        self._refuse_if_failing()
        self.backup = dict(self.rows)

    async def close(self) -> None:
        self._is_closed = True

    def _refuse_if_failing(self) -> None:
        if self._is_closed:
            raise StoreError("the store is closed")
        if self.fail_with is not None:
            raise self.fail_with


def _check_json(name: str, value: str) -> None:
    try:
        json.loads(value)
        (name + value).encode()
    except ValueError as error:
        raise ValueError(f"row {name!r} is not JSON text: {error}") from error
