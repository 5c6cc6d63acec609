"""Plain rows, in which parts of the core are written down for a restart, and how a value is read from one.

A row that is damaged is never half believed: whoever reads one that is not what was written gets
`UnreadableRowError` and decides what that costs. This file knows no part of a house.
"""

from collections.abc import Mapping
from math import inf, isfinite
from typing import TypeVar

LARGEST = 1e9  # seconds, bursts or litres: 31 years of them; a number beyond is damage, not ours

Plain = str | float | int | bool | None
Row = Mapping[str, Plain]
Wanted = TypeVar("Wanted", str, float, int, bool)


class UnreadableRowError(ValueError):
    """A row is not what was written."""


def wanted(row: Row, name: str, kind: type[Wanted]) -> Wanted:
    """A value of a row, of the kind that it has to be.

    Raises:
        UnreadableRowError: it is missing, of another kind, or beyond what can be.
    """
    value = row.get(name)
    if isinstance(value, int | float) and not abs(value) <= LARGEST:
        raise UnreadableRowError(f"{name} is not a number within {LARGEST:g}")
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
        raise UnreadableRowError(f"{name} is {value!r}, not {kind.__name__}")
    return value


def is_none(row: Row, name: str) -> bool:
    """Whether the row says "never"; a row that says nothing is not one of ours."""
    return name in row and row[name] is None


def or_none(instant_s: float) -> float | None:
    """An instant as a row has it: none for never."""
    return instant_s if isfinite(instant_s) else None


def shifted(row: Row, name: str, shift_s: float) -> float:
    """An instant by this machine's clock.

    Raises:
        UnreadableRowError: as of `wanted`, or it lies beyond what can be once it is shifted.
    """
    at_s = wanted(row, name, float) + shift_s
    if not abs(at_s) <= LARGEST:
        raise UnreadableRowError(f"{name} is {at_s!r} by this machine's clock, limit {LARGEST:g} s")
    return at_s


def past_instant(row: Row, name: str, shift_s: float, now_s: float) -> float:
    """A past instant; None stands for never, and one that lies ahead (a shifted clock) counts as now."""
    if is_none(row, name):
        return -inf
    return min(shifted(row, name, shift_s), now_s)
