"""Refusing a plan with a figure that nothing real can have; the message names it."""

from collections.abc import Iterable


def require_more_than_nought(plan: object, names: Iterable[str], whose: str = "") -> None:
    """Raise ValueError for the first of these fields that is not more than 0, told as `whose`."""
    for name in names:
        value = getattr(plan, name)
        if not value > 0:
            raise ValueError(f"{whose}{name} is {value:g}, must be more than 0")


def require_shares(plan: object, names: Iterable[str]) -> None:
    """Raise ValueError for the first of these fields that is not from 0 to 1."""
    for name in names:
        value = getattr(plan, name)
        if not 0.0 <= value <= 1.0:
            raise ValueError(f"{name} is {value:g}, must be from 0 to 1")
