"""What the store port keeps, as plain lists for JSON and for SQL, and back with every type looked at.

Rule: what is not of the type it should be is refused with ValueError: nothing of doubtful shape gets in.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import fields
from math import isfinite
from typing import Any, TypeVar, get_type_hints

from mistd.ports.store import Batch, Entry, KeptAnswer, KeptRevision, RolledReadings, WaterGiven

Kept = KeptRevision | KeptAnswer | Entry | RolledReadings | WaterGiven
K = TypeVar("K")
LARGEST_INTEGER = 2**63 - 1  # what SQLite keeps in eight bytes
LISTS: dict[str, type[Any]] = {
    "revisions": KeptRevision,
    "answers": KeptAnswer,
    "entries": Entry,
    "readings": RolledReadings,
    "water": WaterGiven,
}


FIELDS: dict[type[Any], dict[str, Any]] = {  # of each, in order, with their types
    kept: {field.name: get_type_hints(kept)[field.name] for field in fields(kept)} for kept in LISTS.values()
}


def values(item: Kept) -> list[Any]:
    """An item's fields, in order."""
    return [getattr(item, name) for name in FIELDS[type(item)]]


def item(kept: type[K], its_values: Sequence[Any]) -> K:
    """The item with these fields.

    Raises:
        ValueError: they are too many, too few or of the wrong type.
    """
    types = FIELDS[kept]
    if len(types) != len(its_values):
        raise ValueError(f"{kept.__name__} has {len(types)} fields, not {len(its_values)}")
    read: dict[str, Any] = {
        name: _read(value, type_) for (name, type_), value in zip(types.items(), its_values, strict=True)
    }
    return kept(**read)


def _read(value: object, type_: Any) -> object:
    if type_ is bool and value in (0, 1):
        return bool(value)
    if type_ is float and isinstance(value, int):
        value = float(value)
    if not isinstance(value, type_) or (isinstance(value, bool) and type_ is not bool):
        raise ValueError(f"{value!r} is no {type_}")
    return value


def check_batch(batch: Batch) -> None:
    """Refuse what could not be read again; on disk it would cost the whole file at the next start.

    Raises:
        ValueError: what is wrong, and where.
    """
    for name, value in batch.rows.items():
        _check_json(f"row {name!r}", value)
        _check_text(f"row {name!r}", name)
    for revision in batch.revisions:
        _check_json(f"revision {revision.id}", revision.value)
    for answer in batch.answers:
        _check_json(f"answer to {answer.request_id!r}", answer.answer)
    for entry in batch.entries:
        _check_json(f"figures of {entry.kind!r}", entry.figures)
    for rolled in batch.readings:
        _check_rolled(rolled)
    for begins in [rolled.begins for rolled in batch.readings] + [given.begins for given in batch.water]:
        if begins < 0:
            raise ValueError(f"{begins} s is before 1970")
    for kept in _items(batch):
        for name, value in zip(FIELDS[type(kept)], values(kept), strict=True):
            _check_value(f"{type(kept).__name__}.{name}", value)


def _items(batch: Batch) -> Iterable[Kept]:
    for name in LISTS:
        yield from getattr(batch, name)


def _check_rolled(rolled: RolledReadings) -> None:
    if rolled.period_s not in (60, 3600) or rolled.count < 1:
        raise ValueError(f"{rolled.sensor!r}: {rolled.count} readings of {rolled.period_s} s")


def _check_json(what: str, text: str | None) -> None:
    if text is None:
        return
    try:
        json.loads(text)
        text.encode()  # a lone surrogate is no text that a file can hold
    except (ValueError, RecursionError) as error:
        raise ValueError(f"{what} is not JSON text: {error}") from error


def _check_value(what: str, value: object) -> None:
    if isinstance(value, str):
        _check_text(what, value)
    elif isinstance(value, float) and not isfinite(value):
        raise ValueError(f"{what} is {value}")
    elif isinstance(value, int) and abs(value) > LARGEST_INTEGER:
        raise ValueError(f"{what} is {value}, beyond {LARGEST_INTEGER}")


def _check_text(what: str, text: str) -> None:
    try:
        text.encode()
    except ValueError as error:
        raise ValueError(f"{what} is not text: {error}") from error


def batch_as_json(batch: Batch) -> dict[str, Any]:
    """A batch for `json.dumps`, without its empty parts."""
    lists = {name: [values(each) for each in getattr(batch, name)] for name in LISTS}
    return {name: part for name, part in {"rows": dict(batch.rows), **lists}.items() if part}


def batch_from_json(parsed: dict[str, Any]) -> Batch:
    """A batch as `json.loads` gave it; other keys are not looked at.

    Raises:
        ValueError: it is not of the shape that `batch_as_json` makes.
    """
    rows = parsed.get("rows", {})
    if not isinstance(rows, dict):
        raise ValueError("its rows are no object")
    lists: dict[str, Any] = {
        name: _items_from_json(kept, parsed.get(name, [])) for name, kept in LISTS.items()
    }
    batch = Batch(rows=rows, **lists)
    for value in rows.values():
        _read(value, str | None)
    check_batch(batch)
    return batch


def _items_from_json(kept: type[K], lists: object) -> tuple[K, ...]:
    if not isinstance(lists, list) or not all(isinstance(each, list) for each in lists):
        raise ValueError(f"its {kept.__name__} are no lists")
    return tuple(item(kept, each) for each in lists)
