"""How far the films on both sides of many leaves dry in a time, exactly, while air and light stand still.

With x the share of what a side holds and f = x^(2/3) its wet share (Deardorff 1978), a side loses
f potential / (1 + cooling F), F the wet shares of both sides together (`leaf_energy`). Let b be what a side
that stayed wet all over would have lost by then: the cube root of x falls evenly with it, for each side by
itself, and potential dt = b + cooling (what both sides lost). So the two films, each of which cools the
other, come down to one equation in b for each leaf; Newton's rule solves it for all at once.

Rule: a film never falls under nought, and a leaf dried in one go or in many pieces ends alike.
Arrays are (2, ...) for sides, (...) for leaves: all of one shape, and worked out in place, for numpy takes
three times as long over a pair of unlike shapes.
"""

import numpy as np
from numpy import add, divide, maximum, multiply, subtract

from simulators.plant.leaf_energy import Floats

THIRD = 1.0 / 3.0  # x = y^3, so dy = dx / (3 y^2)
# Newton's rule closes in on the root from below. In a minute of full sun one round after the first guess is
# within 0.2 % of what such a leaf loses, three rounds in ten minutes within 1e-5 (the tests measure it).
SHORT_S = 60.0
ROUNDS_IF_SHORT = 1
ROUNDS = 3

# Where nothing evaporates rounding could let a film grow: 0.0004 um in 12 hours that dries instead.
LEAST_POTENTIAL_UM_PER_S = np.array(1e-8)

# As arrays, because numpy takes twice as long over a number of Python's.
NOUGHT = np.array(0.0)
ONE = np.array(1.0)


class Drying:
    """Room to let films dry, on leaves that hold so much on each side; depths are over a bench."""

    __slots__ = (
        "_before",
        "_fall",
        "_falls",
        "_falls_by_side",
        "_holds",
        "_leaf_area",
        "_short",
        "_slope",
        "_square",
        "_squares_by_side",
        "_supply",
        "_third_of_holds",
        "_thirds_by_side",
        "_uncooled",
    )

    def __init__(self, holds_um: Floats, leaf_area: Floats) -> None:
        """`holds_um` is (side, ...), `leaf_area` what each leaf, one side, has to an area of bench."""
        self._leaf_area = leaf_area.copy()
        self._holds = holds_um.copy()
        self._third_of_holds = THIRD / holds_um
        self._falls, self._square = np.zeros_like(holds_um), np.zeros_like(holds_um)
        self._before, self._fall, self._short, self._slope, self._supply, self._uncooled = (
            np.zeros_like(holds_um[0]) for _ in range(6)
        )
        self._falls_by_side, self._squares_by_side, self._thirds_by_side = (
            (pair[0], pair[1]) for pair in (self._falls, self._square, self._third_of_holds)
        )

    def dry(
        self, film_um: Floats, root: Floats, potential_um_per_s: Floats, cooling: Floats, dt_s: float
    ) -> Floats:
        """Let films dry for `dt_s`.

        Args:
            film_um: by side; left as they are then.
            root: the cube roots of the shares of what the sides hold, 0 to 1; likewise.
            potential_um_per_s: by leaf, over its own area; below nought counts as next to nought.
            cooling: by leaf, more than 0.
            dt_s: how long.

        Returns:
            What each leaf lost, in an array that the next call writes over.
        """
        slope, supply, square = self._slope, self._supply, self._square
        before: Floats = self._before
        divide(ONE, cooling, self._uncooled)
        maximum(potential_um_per_s, LEAST_POTENTIAL_UM_PER_S, out=supply)
        multiply(supply, self._leaf_area, supply)
        multiply(supply, dt_s, supply)
        multiply(supply, self._uncooled, supply)
        add(film_um[0], film_um[1], before)
        subtract(supply, before, self._short)

        multiply(root, root, square)
        add(*self._squares_by_side, slope)
        add(slope, self._uncooled, slope)
        divide(supply, slope, self._fall)
        for _ in range(ROUNDS_IF_SHORT if dt_s <= SHORT_S else ROUNDS):
            self._draw_nearer(root)

        self._let_fall(root, root)
        multiply(root, root, square)
        multiply(square, root, film_um)
        multiply(film_um, self._holds, film_um)
        add(film_um[0], film_um[1], slope)
        subtract(before, slope, before)
        return before

    def _let_fall(self, root: Floats, left: Floats) -> None:
        """Put in `left` the cube roots when a side wet all over would have lost `_fall`."""
        (top, under), (third_of_top, third_of_under) = self._falls_by_side, self._thirds_by_side
        multiply(third_of_top, self._fall, top)
        multiply(third_of_under, self._fall, under)
        subtract(root, self._falls, left)
        maximum(left, NOUGHT, out=left)

    def _draw_nearer(self, root: Floats) -> None:
        """One round of Newton's rule for fall / cooling + before - left = supply.

        The slope of its left side is 1 / cooling + F, so that the next fall is
        (supply - before + left + fall F) / (1 / cooling + F).
        """
        fall, square, slope, left = self._fall, self._square, self._slope, self._falls
        self._let_fall(root, left)
        multiply(left, left, square)
        add(*self._squares_by_side, slope)
        multiply(square, left, left)
        multiply(left, self._holds, left)
        multiply(fall, slope, fall)
        add(fall, self._short, fall)
        add(fall, self._falls_by_side[0], fall)
        add(fall, self._falls_by_side[1], fall)
        add(slope, self._uncooled, slope)
        divide(fall, slope, fall)
