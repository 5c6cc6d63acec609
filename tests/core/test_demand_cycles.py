"""A zone's cycle on demand: its dry-back, what bursts leave and how long they may be."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.demand_cycles import AFTER_FILLING_S, DRIEST_SHARE, CycleKind
from mistd.core.film import CAUGHT_SHARE, HOLDS_UM, film_left_um, wet_fraction
from tests.core.houses_on_demand import demand_cycle

CYCLE = demand_cycle()  # 50 um held, 10 um/s, 1 s to fill, 20 s at most
HOLDS = st.sampled_from(sorted(HOLDS_UM.values()))
SHARES = st.floats(0.0, 1.0)
DEPTHS_UM = st.floats(0.0, 100.0)


def test_the_words_for_cycles_are_the_growers() -> None:
    assert [kind.value for kind in CycleKind] == ["timed", "vpd", "leaf_wetness", "film"]


@given(wet=SHARES, holds_um=HOLDS)
def test_at_the_dry_back_depth_just_the_set_share_is_wet(wet: float, holds_um: float) -> None:
    cycle = replace(CYCLE, dry_back_wet=wet, holds_um=holds_um)

    assert wet_fraction(cycle.dry_back_um, holds_um) == pytest.approx(wet, abs=1e-12)


@given(wet=st.floats(0.01, 1.0), holds_um=HOLDS)
def test_the_drying_left_at_dry_back_takes_just_what_is_there(wet: float, holds_um: float) -> None:
    cycle = replace(CYCLE, dry_back_wet=wet, holds_um=holds_um)

    left_um = film_left_um(cycle.dry_back_um, cycle.dry_back_drying_um, holds_um)

    assert left_um == pytest.approx(0.0, abs=1e-9)
    assert film_left_um(cycle.dry_back_um, 0.99 * cycle.dry_back_drying_um, holds_um) > 0.0


@pytest.mark.parametrize(
    ("fills_s", "shortest_s"),
    [(0.0, 2.0), (1.0, 3.0), (17.9, 19.9), (18.0, 20.0), (18.1, 20.0), (25.0, 20.0)],
)
def test_the_shortest_burst_fills_the_line_and_is_no_longer_than_a_burst_may_be(
    fills_s: float, shortest_s: float
) -> None:
    cycle = replace(CYCLE, fills_s=fills_s)

    assert cycle.shortest_burst_s == pytest.approx(shortest_s)


@pytest.mark.parametrize("open_s", [0.0, 0.5, 1.0])
def test_a_burst_that_only_fills_the_line_leaves_nothing(open_s: float) -> None:
    assert CYCLE.caught_um(open_s) == 0.0


def test_the_driest_quarter_catches_its_share_of_what_falls_after_filling() -> None:
    """Four seconds of 10 um/s, seven tenths landing on leaves, seven tenths of that in the driest quarter."""
    assert CYCLE.caught_um(5.0) == pytest.approx(40.0 * 0.7 * 0.7)
    assert CYCLE.caught_um(5.0, 1.0) == pytest.approx(28.0)
    assert (CAUGHT_SHARE, DRIEST_SHARE) == (0.7, 0.7)


@pytest.mark.parametrize(
    ("film_um", "burst_s"),
    [
        (50.0, 3.0),  # full: the shortest
        (80.0, 3.0),  # fuller than full: no shorter than that
        (36.0, 3.0),  # two seconds of spraying fill it exactly
        (35.9, 1.0 + 14.1 / 7.0),
        (15.0, 6.0),
        (0.0, 1.0 + 50.0 / 7.0),
    ],
)
def test_a_refilling_burst_fills_the_mean_leaf(film_um: float, burst_s: float) -> None:
    assert CYCLE.refilling_s(film_um) == pytest.approx(burst_s)


@given(film_um=DEPTHS_UM, holds_um=HOLDS, fills_s=st.floats(0.0, 25.0), rate=st.floats(0.5, 50.0))
def test_a_refilling_burst_is_never_longer_than_a_burst_may_be_and_reaches_the_far_end_if_it_can(
    film_um: float, holds_um: float, fills_s: float, rate: float
) -> None:
    cycle = replace(CYCLE, holds_um=holds_um, fills_s=fills_s, rate_um_per_s=rate)

    burst_s = cycle.refilling_s(film_um)

    assert burst_s <= cycle.longest_burst_s
    assert burst_s >= min(fills_s + AFTER_FILLING_S, cycle.longest_burst_s)


@given(film_um=st.floats(0.0, 50.0))
def test_a_refilling_burst_drips_from_no_mean_leaf_but_for_the_least_that_reaches_it(film_um: float) -> None:
    burst_s = CYCLE.refilling_s(film_um)

    if burst_s > CYCLE.shortest_burst_s:
        assert film_um + CYCLE.caught_um(burst_s, 1.0) == pytest.approx(CYCLE.holds_um)
    else:
        assert film_um + CYCLE.caught_um(burst_s, 1.0) >= CYCLE.holds_um - 1e-9


@given(wetter_um=st.floats(0.0, 50.0), drier_um=st.floats(0.0, 50.0))
def test_the_drier_the_leaf_the_longer_the_burst(wetter_um: float, drier_um: float) -> None:
    low_um, high_um = sorted((wetter_um, drier_um))

    assert CYCLE.refilling_s(low_um) >= CYCLE.refilling_s(high_um)
