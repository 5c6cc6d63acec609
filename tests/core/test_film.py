"""The film on the leaves: what published bursts leave, how it goes, and that each way has its way back."""

from itertools import pairwise
from math import inf

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from mistd.core.film import (
    HOLDS_UM,
    USUAL_COOLING,
    LeafSurface,
    applied_um,
    demand_until_film_um,
    film_at_wet_fraction_um,
    film_lasts_s,
    film_left_um,
    spraying_s_until,
    wet_fraction,
    wetting,
)
from mistd.core.psychrometrics import vapour_pressure_kpa
from mistd.core.wet_leaf import Leaf, LeafAir, evaporative_cooling, leaf_evaporation

# LeBude, Goldfarb & Blazich (2004), HortScience 39: 890: mL/m2 (um) a boom pass; with seven tenths caught and
# 50 um held, by hand: what is left and what drips.
BOOM_PASSES = [
    (45.0, 31.5, 0.0),
    (61.0, 42.7, 0.0),
    (73.0, 50.0, 1.1),
    (102.0, 50.0, 21.4),
    (147.0, 50.0, 52.9),
    (310.0, 50.0, 167.0),
]
# Faust, Dole & Lopez (2017), Hort. Rev. 44: 22 and 5 L/m2 over ten days, from 100 events down to 5.
MIST_EVENTS_UM = (22_000.0 / 525.0, 5_000.0 / 525.0)

CAPACITIES = st.floats(5.0, 300.0)
SHARES = st.floats(0.0, 1.0)
COOLINGS = st.one_of(st.just(0.0), st.floats(1e-6, 6.0))

# Air of a propagation house on very different days: C, humidity, m/s, W/m2 net.
DAYS = [
    (20.0, 0.80, 0.3, 0.0), (25.0, 0.70, 0.3, 100.0), (25.0, 0.50, 0.3, 200.0),
    (30.0, 0.40, 0.3, 300.0), (35.0, 0.30, 1.0, 200.0), (15.0, 0.90, 0.1, 20.0),
]  # fmt: skip


@pytest.mark.parametrize("event_um", MIST_EVENTS_UM, ids=["usual house", "best house"])
def test_a_mist_event_of_published_size_drips_nothing_from_a_dry_leaf(event_um: float) -> None:
    """42 and 9.5 mL/m2 an event; 10 to 40 um is what real bursts leave."""
    after = wetting(film_um=0.0, applied_um=event_um, capacity_um=HOLDS_UM[LeafSurface.ORDINARY])

    assert after.dripped_um == 0.0
    assert 6.0 < after.film_um < 40.0


@pytest.mark.parametrize(("pass_um", "left_um", "drips_um"), BOOM_PASSES)
def test_a_boom_pass_of_published_size_fills_the_leaf_and_drips(
    pass_um: float, left_um: float, drips_um: float
) -> None:
    after = wetting(film_um=0.0, applied_um=pass_um, capacity_um=50.0, caught_share=0.7)

    assert after.film_um == pytest.approx(left_um, abs=0.01)
    assert after.dripped_um == pytest.approx(drips_um, abs=0.01)


def test_a_leaf_holds_20_50_or_100_micrometres() -> None:
    """Inside the 0.05 mm of MIKE SHE and the 0.05 to 0.20 of Wang et al. (2015), waxy leaves below them."""
    assert HOLDS_UM == {LeafSurface.WAXY: 20.0, LeafSurface.ORDINARY: 50.0, LeafSurface.HAIRY: 100.0}


def test_a_rate_of_36_mm_an_hour_puts_down_ten_micrometres_a_second() -> None:
    assert applied_um(rate_mm_per_h=36.0, spraying_s=4.0) == pytest.approx(40.0)


@given(film_share=SHARES, applied=st.floats(0.0, 500.0), capacity_um=CAPACITIES, caught=SHARES)
def test_all_the_water_of_a_burst_is_accounted_for(
    film_share: float, applied: float, capacity_um: float, caught: float
) -> None:
    film_um = film_share * capacity_um

    after = wetting(film_um, applied, capacity_um, caught)

    assert after.missed_um + after.dripped_um + after.gained_um == pytest.approx(applied, abs=1e-9)
    assert after.film_um == pytest.approx(film_um + after.gained_um, abs=1e-9)
    assert film_um <= after.film_um <= capacity_um
    assert after.missed_um >= 0.0
    assert after.dripped_um >= -1e-9


def test_a_film_deeper_than_the_leaf_holds_drips_down_to_that() -> None:
    """When a batch of hairy leaves gives way to one of waxy ones, say."""
    after = wetting(film_um=80.0, applied_um=10.0, capacity_um=20.0)

    assert after.film_um == 20.0
    assert after.gained_um == -60.0
    assert after.dripped_um == pytest.approx(67.0)


@given(film_share=SHARES, target_share=SHARES, capacity_um=CAPACITIES, rate=st.floats(1.0, 200.0))
def test_spraying_as_long_as_it_says_brings_the_film_there_and_drips_nothing(
    film_share: float, target_share: float, capacity_um: float, rate: float
) -> None:
    film_um, target_um = film_share * capacity_um, target_share * capacity_um
    assume(film_um <= target_um)

    spraying_s = spraying_s_until(target_um, film_um, rate)
    after = wetting(film_um, applied_um(rate, spraying_s), capacity_um)

    assert after.film_um == pytest.approx(target_um, abs=1e-9)
    assert after.dripped_um == pytest.approx(0.0, abs=1e-9)


def test_a_film_that_is_there_needs_no_spraying() -> None:
    assert spraying_s_until(target_um=20.0, film_um=30.0, rate_mm_per_h=36.0) == 0.0


@pytest.mark.parametrize(("rate", "caught"), [(0.0, 0.7), (36.0, 0.0), (-1.0, 0.7)])
def test_where_nothing_lands_no_spraying_is_long_enough(rate: float, caught: float) -> None:
    with pytest.raises(ValueError, match="no film ever grows"):
        spraying_s_until(20.0, 0.0, rate, caught)


@pytest.mark.parametrize(
    ("share", "wet"), [(0.0, 0.0), (0.125, 0.25), (0.35355, 0.5), (0.6495, 0.75), (1.0, 1.0), (2.0, 1.0)]
)
def test_wet_fraction_is_the_two_thirds_power(share: float, wet: float) -> None:
    """Deardorff (1978): an eighth of the water wets a quarter."""
    assert wet_fraction(share * 40.0, 40.0) == pytest.approx(wet, abs=0.0001)


@given(wet=SHARES, capacity_um=CAPACITIES)
def test_the_film_at_a_wet_fraction_has_that_wet_fraction(wet: float, capacity_um: float) -> None:
    assert wet_fraction(film_at_wet_fraction_um(wet, capacity_um), capacity_um) == pytest.approx(
        wet, abs=1e-12
    )


@given(film_share=SHARES, target_share=SHARES, capacity_um=CAPACITIES, cooling=COOLINGS)
def test_after_the_demand_until_a_film_that_film_is_left(
    film_share: float, target_share: float, capacity_um: float, cooling: float
) -> None:
    film_um, target_um = film_share * capacity_um, target_share * capacity_um
    assume(target_um <= film_um)

    demanded_um = demand_until_film_um(target_um, film_um, capacity_um, cooling)

    left_um = film_left_um(film_um, demanded_um, capacity_um, cooling)
    assert left_um == pytest.approx(target_um, rel=1e-9, abs=1e-12 * capacity_um)


@given(film_share=SHARES, taken=SHARES, capacity_um=CAPACITIES, cooling=COOLINGS)
def test_the_demand_until_what_is_left_is_what_was_demanded(
    film_share: float, taken: float, capacity_um: float, cooling: float
) -> None:
    film_um = film_share * capacity_um
    demanded_um = taken * demand_until_film_um(0.0, film_um, capacity_um, cooling)

    left_um = film_left_um(film_um, demanded_um, capacity_um, cooling)

    back_um = demand_until_film_um(left_um, film_um, capacity_um, cooling)
    assert back_um == pytest.approx(demanded_um, rel=1e-9, abs=1e-9 * capacity_um)


@given(
    film_share=SHARES,
    first_um=st.floats(0.0, 100.0),
    then_um=st.floats(0.0, 100.0),
    capacity_um=CAPACITIES,
    cooling=COOLINGS,
)
def test_drying_in_two_steps_is_drying_in_one(
    film_share: float, first_um: float, then_um: float, capacity_um: float, cooling: float
) -> None:
    film_um = film_share * capacity_um
    between_um = film_left_um(film_um, first_um, capacity_um, cooling)

    at_once_um = film_left_um(film_um, first_um + then_um, capacity_um, cooling)

    in_two_um = film_left_um(between_um, then_um, capacity_um, cooling)
    assert in_two_um == pytest.approx(at_once_um, rel=1e-6, abs=1e-9 * capacity_um)


@given(film_share=SHARES, demanded_um=st.floats(0.0, 500.0), capacity_um=CAPACITIES, cooling=COOLINGS)
def test_no_more_leaves_than_was_there_nor_than_was_demanded_of_drier_leaves(
    film_share: float, demanded_um: float, capacity_um: float, cooling: float
) -> None:
    """Patches left wet give up to 1 + cooling times what they would on a fully wet leaf, never more."""
    film_um = film_share * capacity_um

    gone_um = film_um - film_left_um(film_um, demanded_um, capacity_um, cooling)

    assert -1e-9 <= gone_um <= film_um
    assert gone_um <= demanded_um * (1.0 + cooling) + 1e-9


def test_without_cooling_a_full_film_lasts_three_times_its_depth() -> None:
    """dW/dD = -(W/C)^(2/3) by hand: the cube root falls evenly, from 1 to 0 over 3 C."""
    assert demand_until_film_um(0.0, 50.0, 50.0, cooling=0.0) == pytest.approx(150.0)
    assert film_left_um(50.0, 75.0, 50.0, cooling=0.0) == pytest.approx(50.0 / 8.0)


def test_the_last_of_a_film_goes_and_stays_gone() -> None:
    lasts_um = demand_until_film_um(0.0, 30.0, 50.0)

    assert film_left_um(30.0, lasts_um - 0.001, 50.0) > 0.0
    assert film_left_um(30.0, lasts_um + 0.001, 50.0) == 0.0
    assert film_left_um(30.0, 1e6, 50.0) == 0.0
    assert film_left_um(0.0, 1.0, 50.0) == 0.0


def test_a_film_deeper_than_the_leaf_holds_dries_from_what_it_holds() -> None:
    assert film_left_um(80.0, 20.0, 50.0) == film_left_um(50.0, 20.0, 50.0)


def test_a_film_goes_ever_more_slowly() -> None:
    depths_um = [film_left_um(50.0, 5.0 * step, 50.0) for step in range(16)]
    lost_um = [before - after for before, after in pairwise(depths_um)]

    assert lost_um == sorted(lost_um, reverse=True)
    assert lost_um[0] > 3.0 * lost_um[-1] > 0.0


@pytest.mark.parametrize(("air_c", "humidity", "speed", "net"), DAYS)
@pytest.mark.parametrize("down_to_wet", [0.5, 0.05])
def test_the_closed_form_takes_as_long_as_a_leaf_in_balance(
    air_c: float, humidity: float, speed: float, net: float, down_to_wet: float
) -> None:
    """Within 6 % with the leaf's own cooling, 12 % with the usual one; without, 10 to 55 % too long."""
    air = LeafAir(
        air_c=air_c,
        vapour_kpa=vapour_pressure_kpa(air_c, humidity),
        speed_m_per_s=speed,
        net_w_per_m2=net,
    )
    whole_um_per_s = leaf_evaporation(air, Leaf()).um_per_s
    until_um = film_at_wet_fraction_um(down_to_wet, 50.0)
    stepped_s = _stepped_s(air, until_um, 50.0)

    def longer(cooling: float) -> float:
        return film_lasts_s(until_um, 50.0, 50.0, whole_um_per_s, cooling) / stepped_s - 1.0

    assert abs(longer(evaporative_cooling(air, Leaf()))) < 0.06
    assert abs(longer(USUAL_COOLING)) < 0.12
    assert 0.10 < longer(0.0) < 0.55


def _stepped_s(air: LeafAir, until_um: float, capacity_um: float, steps: int = 1000) -> float:
    """Seconds in which a full film goes, leaf solved anew at each of many equal steps of its cube root."""
    lowest = (until_um / capacity_um) ** (1.0 / 3.0)
    step = (1.0 - lowest) / steps
    total_s = 0.0
    for index in range(steps):
        root = lowest + (index + 0.5) * step
        rate_um_per_s = leaf_evaporation(air, Leaf(wet_fraction=root**2)).um_per_s
        total_s += 3.0 * capacity_um * root**2 * step / rate_um_per_s
    return total_s


def test_the_usual_cooling_is_that_of_a_leaf_in_the_usual_air() -> None:
    """1.1 at 25 C and 0.3 m/s; 0.7 at 15 C, 1.8 at 35 C."""
    coolings = [
        evaporative_cooling(LeafAir(air_c=air_c, vapour_kpa=1.0, speed_m_per_s=0.3, net_w_per_m2=0.0), Leaf())
        for air_c in (15.0, 25.0, 35.0)
    ]

    assert coolings == pytest.approx([0.7, USUAL_COOLING, 1.8], abs=0.05)


def test_at_a_steady_demand_the_time_is_the_demand_over_its_rate() -> None:
    until_um = demand_until_film_um(10.0, 40.0, 50.0)

    assert film_lasts_s(10.0, 40.0, 50.0, demand_um_per_s=0.1) == pytest.approx(until_um / 0.1)


def test_a_film_lasts_for_ever_where_nothing_is_demanded_and_no_time_where_it_is_down_already() -> None:
    assert film_lasts_s(10.0, 40.0, 50.0, demand_um_per_s=0.0) == inf
    assert film_lasts_s(40.0, 40.0, 50.0, demand_um_per_s=0.0) == 0.0
    assert film_lasts_s(40.0, 10.0, 50.0, demand_um_per_s=0.1) == 0.0


@pytest.mark.parametrize(
    ("film_um", "demanded_um", "capacity_um"), [(-1.0, 1.0, 50.0), (1.0, -1.0, 50.0), (1.0, 1.0, 0.0)]
)
def test_a_depth_below_nought_and_a_leaf_that_holds_nothing_are_refused(
    film_um: float, demanded_um: float, capacity_um: float
) -> None:
    with pytest.raises(ValueError, match="depths are not negative"):
        film_left_um(film_um, demanded_um, capacity_um)


@pytest.mark.parametrize("share", [-0.01, 1.01])
def test_a_share_is_from_nought_to_one(share: float) -> None:
    with pytest.raises(ValueError, match="from 0 to 1"):
        film_at_wet_fraction_um(share, 50.0)
    with pytest.raises(ValueError, match="from 0 to 1"):
        wetting(0.0, 10.0, 50.0, caught_share=share)
