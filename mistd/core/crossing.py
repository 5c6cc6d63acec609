"""Where a rising function reaches a value.

Bisection, because the functions of a pipe with nozzles have steps and kinks (a nozzle opens, a flow turns
turbulent) on which quicker methods stray. It is for commissioning, not for the control pass.
"""

from collections.abc import Callable

_MOST_HALVINGS = 200  # 60 do, but for a crossing very near nought, where floats lie denser


def narrowed(rising: Callable[[float], float], value: float, low: float, high: float) -> tuple[float, float]:
    """The two neighbouring floats between which `rising` reaches `value`.

    A step over the value lies between the two. A function that stays below narrows to `high`, one that stays
    above to `low`.
    """
    for _ in range(_MOST_HALVINGS):
        middle = (low + high) / 2.0
        if not low < middle < high:
            break
        if rising(middle) < value:
            low = middle
        else:
            high = middle
    return low, high


def crossing(rising: Callable[[float], float], value: float, low: float, high: float) -> float:
    """The place between `low` and `high` where `rising` reaches `value`, to the last bit of a float.

    >>> round(crossing(lambda x: x * x, 2.0, 0.0, 2.0), 12)
    1.414213562373
    """
    return narrowed(rising, value, low, high)[1]
