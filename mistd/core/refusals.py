"""Refusing figures no calculation may start from: what, measured, limit, unit, in one sentence.

Rule: these raise and never repair. Not-a-number and infinity are refused by each of them.
"""

from math import inf, isfinite


def refuse_unless_positive(what: str, value: float, unit: str) -> None:
    """Let pass only a finite value above nought.

    Raises:
        ValueError: it is nought, negative, infinite or not a number.
    """
    if not (isfinite(value) and value > 0.0):
        raise ValueError(f"{what}: {_figure(value, unit)}, must be more than {_figure(0.0, unit)}")


def refuse_unless_between(what: str, value: float, unit: str, low: float, high: float = inf) -> None:
    """Let pass only a finite value from `low` to `high`, both allowed.

    Raises:
        ValueError: it lies outside, is infinite or is not a number.
    """
    if not (isfinite(value) and low <= value <= high):
        limit = f"at least {_figure(low, unit)}" if high == inf else f"{low:g} to {_figure(high, unit)}"
        raise ValueError(f"{what}: {_figure(value, unit)}, must be {limit}")


def _figure(value: float, unit: str) -> str:
    return f"{value:g} {unit}" if unit else f"{value:g}"
