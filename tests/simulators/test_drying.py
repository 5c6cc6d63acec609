"""Films on both sides of a leaf: the one equation they come down to, against small steps and itself."""

from random import Random

import numpy as np
import pytest

from simulators.plant.drying import Drying
from simulators.plant.leaf_energy import Floats

TOP_HOLDS_UM, UNDER_HOLDS_UM = 50.0, 30.0


def drying(benches: int = 1) -> Drying:
    sides = np.array([TOP_HOLDS_UM, UNDER_HOLDS_UM])
    holds_um = np.broadcast_to(sides[:, None, None, None], (2, 4, benches, 2)).copy()
    return Drying(holds_um, np.ones((4, benches, 2)))


def roots_of(top_share: float, under_share: float) -> Floats:
    shares = np.array([top_share, under_share])[:, None, None, None]
    roots: Floats = np.broadcast_to(np.cbrt(shares), (2, 4, 1, 2)).copy()
    return roots


def dried(root: Floats, potential: Floats, cooling: Floats, dt_s: float) -> Floats:
    """Cube roots that are left of those, with potential and cooling by bench and layer."""
    room = drying(benches=root.shape[2])
    holds_um = np.array([TOP_HOLDS_UM, UNDER_HOLDS_UM])[:, None, None, None]
    film_um, left, leaves = root**3 * holds_um, root.copy(), np.ones_like(root[0])

    lost_um = room.dry(film_um, left, potential * leaves, cooling * leaves, dt_s)

    assert film_um == pytest.approx(left**3 * holds_um, abs=1e-12)
    assert lost_um == pytest.approx((root**3 * holds_um).sum(axis=0) - film_um.sum(axis=0), abs=1e-12)
    return left


def dried_shares(
    top: float, under: float, potential: float, cooling: float, dt_s: float
) -> tuple[float, float]:
    everywhere = np.ones((1, 2))
    left = dried(roots_of(top, under), potential * everywhere, cooling * everywhere, dt_s)
    return float(left[0, 0, 0, 0] ** 3), float(left[1, 0, 0, 0] ** 3)


def stepped_shares(
    top: float, under: float, potential: float, cooling: float, dt_s: float
) -> tuple[float, float]:
    """Heun's rule in 20,000 steps: a plain account of the two films that cool each other."""
    steps = 20_000
    holds = (TOP_HOLDS_UM, UNDER_HOLDS_UM)

    def rates(shares: tuple[float, float]) -> tuple[float, float]:
        wet = [share ** (2 / 3) for share in shares]
        first, second = (potential * f / (1.0 + cooling * sum(wet)) for f in wet)
        return first / holds[0], second / holds[1]

    shares = (top, under)
    for _ in range(steps):
        before = rates(shares)
        guess = tuple(max(0.0, x - r * dt_s / steps) for x, r in zip(shares, before, strict=True))
        after = rates((guess[0], guess[1]))
        shares = (
            max(0.0, shares[0] - 0.5 * (before[0] + after[0]) * dt_s / steps),
            max(0.0, shares[1] - 0.5 * (before[1] + after[1]) * dt_s / steps),
        )
    return shares


# Wet shares of the water held on top and under; potential um/s, as in full sun, a bright day and a mild one;
# cooling, as in warm still air and in cool moving air; seconds.
CASES = [
    (0.8, 0.3, 0.15, 1.0, 60.0, 1e-4),
    (0.8, 0.0, 0.30, 1.5, 60.0, 1e-3),
    (0.5, 0.9, 0.60, 2.0, 60.0, 3e-3),  # one round's worst: the minute takes half of it
    (0.8, 0.3, 0.15, 1.0, 300.0, 1e-4),
    (0.9, 0.1, 0.05, 2.0, 600.0, 1e-4),
    (0.9, 0.9, 0.15, 1.0, 600.0, 1e-4),
]


@pytest.mark.parametrize(("top", "under", "potential", "cooling", "dt_s", "within"), CASES)
def test_two_films_that_cool_each_other_dry_as_small_steps_say(
    top: float, under: float, potential: float, cooling: float, dt_s: float, within: float
) -> None:
    expected = stepped_shares(top, under, potential, cooling, dt_s)

    found = dried_shares(top, under, potential, cooling, dt_s)

    assert found == pytest.approx(expected, abs=within)
    assert found[0] < top


@pytest.mark.parametrize("pieces", [2, 7, 100])
def test_in_one_go_or_in_pieces_the_same_is_left(pieces: int) -> None:
    potential, cooling = np.full((1, 2), 0.1), np.full((1, 2), 1.2)
    at_once = dried(roots_of(0.9, 0.4), potential, cooling, 300.0)

    root = roots_of(0.9, 0.4)
    for _ in range(pieces):
        root = dried(root, potential, cooling, 300.0 / pieces)

    assert root**3 == pytest.approx(at_once**3, abs=2e-4)


@pytest.mark.parametrize("seed", range(5))
def test_a_film_never_grows_and_never_falls_under_nought(seed: int) -> None:
    rng = Random(seed)
    for _ in range(300):
        root = np.array([rng.random() for _ in range(48)]).reshape(2, 4, 3, 2)
        potential = np.array([rng.uniform(-0.5, 3.0) for _ in range(6)]).reshape(3, 2)
        cooling = np.array([rng.uniform(0.05, 5.0) for _ in range(6)]).reshape(3, 2)

        left = dried(root, potential, cooling, 10.0 ** rng.uniform(-3.0, 2.78))

        assert np.all(left >= 0.0), f"seed {seed}"
        assert np.all(left <= root), f"seed {seed}"


def test_air_that_takes_nothing_leaves_the_film_as_it_is() -> None:
    assert dried_shares(0.7, 0.2, -0.1, 1.0, 600.0) == pytest.approx((0.7, 0.2), abs=1e-6)


def test_a_film_is_gone_after_a_finite_time() -> None:
    assert dried_shares(1.0, 1.0, 0.3, 1.0, 3600.0) == (0.0, 0.0)
