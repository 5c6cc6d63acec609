"""The plan of a bench's leaves: what cannot be is refused, and a spread is as uniform as it was made."""

import pytest

from simulators.plant.leaves import LeafPlan, spread_of_uniformity


@pytest.mark.parametrize("uniformity", [0.5, 0.8, 0.95, 1.0])
def test_a_spread_has_the_uniformity_it_was_made_for(uniformity: float) -> None:
    """Christiansen (1942): CU = 1 - sum |x - mean| / (n mean)."""
    spread = spread_of_uniformity(uniformity)

    mean = sum(spread) / len(spread)
    found = 1.0 - sum(abs(factor - mean) for factor in spread) / (len(spread) * mean)
    assert mean == pytest.approx(1.0, abs=1e-15)
    assert found == pytest.approx(uniformity)
    assert LeafPlan(spread=spread).spread == spread


@pytest.mark.parametrize(
    ("field", "value", "word"),
    [
        ("width_m", 0.0, "width_m is 0"),
        ("lower_leaf_area", 0.0, "lower_leaf_area is 0"),
        ("upper_catches", 0.9, "layers catch 0.9 and 0.15"),
        ("under_share", 1.1, "under_share is 1.1"),
        ("spread", (1.0, 1.0, 1.0), "must be 4 factors"),
        ("spread", (0.7, 0.9, 1.1, 1.4), "its mean must be 1"),
        ("spread", (-0.1, 1.1, 1.5, 1.5), "must be 4 factors of 0 or more"),
    ],
)
def test_a_bench_that_cannot_be_is_refused(field: str, value: object, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        LeafPlan(**{field: value})  # type: ignore[arg-type]
