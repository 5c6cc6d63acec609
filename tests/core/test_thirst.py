"""One zone's film as it is reckoned: drying, bursts, what a sensor may say of it, and when it is due."""

from dataclasses import replace
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.demand_cycles import LEAF_TO_PLATE, DemandCycle
from mistd.core.film import drying_um, film_left_um
from mistd.core.thirst import (
    FULL_WET,
    GAIN_DOWN,
    GAIN_UP,
    SEEN_FOR_S,
    SLOWEST_PACE,
    UNSURE_ALONE,
    UNSURE_OF_LIGHT,
    UNSURE_SEEN,
    Thirst,
    dried,
    driest_wet,
    due_at_um,
    film_um,
    mean_film_um,
    misted,
    seen,
    slow_wet,
    surely_due_at_um,
    unsure,
)
from tests.core.houses_on_demand import demand_cycle

CYCLE = demand_cycle(dry_back_wet=0.4)  # 50 um held, 10 um/s, a second to fill
FULL_UM = drying_um(CYCLE.holds_um, CYCLE.holds_um)
DRY = Thirst(at_um=0.0)
FULL = Thirst(at_um=0.0, driest_um=FULL_UM, mean_um=FULL_UM, slow_um=FULL_UM)

STEPS_UM = st.floats(0.0, 150.0)
WET = st.floats(-0.2, 1.2)


def films(thirst: Thirst, meter_um: float) -> tuple[float, float, float]:
    now = dried(thirst, meter_um)
    return now.driest_um, now.mean_um, now.slow_um


def said_um(wet: float) -> float:
    """The drying left on a leaf where a plate is so wet."""
    return drying_um(LEAF_TO_PLATE * 50.0 * wet**1.5, 50.0)


# ---- drying


@given(first_um=STEPS_UM, then_um=STEPS_UM)
def test_dried_in_two_steps_is_dried_in_one(first_um: float, then_um: float) -> None:
    twice = dried(dried(FULL, first_um), first_um + then_um)
    once = dried(FULL, first_um + then_um)

    assert films(twice, twice.at_um) == pytest.approx(films(once, once.at_um), abs=1e-9)
    assert twice.at_um == once.at_um


@pytest.mark.parametrize("by_um", [0.0, FULL_UM - 1e-6, FULL_UM, FULL_UM + 1e-6, 1000.0])
def test_a_film_is_gone_when_the_air_has_taken_it_and_is_never_less_than_gone(by_um: float) -> None:
    driest_um, mean_um, slow_um = films(FULL, by_um)

    assert driest_um == mean_um == pytest.approx(max(0.0, FULL_UM - by_um))
    assert slow_um == pytest.approx(max(0.0, FULL_UM - SLOWEST_PACE * by_um))


@given(by_um=STEPS_UM)
def test_the_film_goes_as_the_leaf_film_by_itself_would(by_um: float) -> None:
    assert film_um(FULL, CYCLE, by_um) == pytest.approx(film_left_um(50.0, by_um, 50.0), abs=1e-9)


def test_a_meter_that_is_set_back_makes_no_film_wetter_and_dries_on_from_there() -> None:
    before = replace(FULL, at_um=40.0, driest_um=30.0)

    back = dried(before, 25.0)

    assert films(back, 25.0) == films(before, 40.0)
    assert dried(back, 35.0).driest_um == pytest.approx(20.0)


# ---- bursts


@pytest.mark.parametrize("open_s", [0.0, 0.5, 1.0])
def test_a_burst_that_only_fills_the_line_wets_nothing(open_s: float) -> None:
    assert films(misted(DRY, CYCLE, open_s, 7.0), 7.0) == (0.0, 0.0, 0.0)


def test_a_burst_leaves_on_every_leaf_what_it_catches() -> None:
    """Four seconds of 10 um/s: 28 um on the mean leaf, 19.6 on the driest quarter's."""
    after = misted(DRY, CYCLE, 5.0, 0.0)

    assert film_um(after, CYCLE, 0.0) == pytest.approx(19.6)
    assert mean_film_um(after, CYCLE, 0.0) == pytest.approx(28.0)
    assert after.slow_um == after.driest_um


@given(open_s=st.floats(0.0, 60.0), before_um=STEPS_UM)
def test_no_leaf_ever_has_more_than_it_holds(open_s: float, before_um: float) -> None:
    after = misted(FULL, CYCLE, open_s, before_um)

    assert max(films(after, before_um)) <= FULL_UM + 1e-9


@given(open_s=st.floats(1.0, 8.0), then_s=st.floats(1.0, 8.0), before_um=STEPS_UM)
def test_two_bursts_at_once_are_one_that_filled_the_line_once_more(
    open_s: float, then_s: float, before_um: float
) -> None:
    start = dried(FULL, before_um)

    twice = misted(misted(start, CYCLE, open_s, before_um), CYCLE, then_s, before_um)
    once = misted(start, CYCLE, open_s + then_s - CYCLE.fills_s, before_um)

    assert films(twice, before_um) == pytest.approx(films(once, before_um), abs=1e-6)


def test_a_burst_dries_what_was_there_before_it_wets() -> None:
    after = misted(FULL, CYCLE, 1.0, 30.0)

    assert films(after, 30.0) == pytest.approx(films(FULL, 30.0))


# ---- what a sensor says


def test_a_drier_sensor_pulls_the_film_down_by_half_and_a_wetter_one_up_by_a_hundredth() -> None:
    thirst = replace(FULL, driest_um=60.0)
    drier, wetter = 0.3, 0.94

    down = seen(thirst, CYCLE, drier, 0.0, 5.0)
    up = seen(thirst, CYCLE, wetter, 0.0, 5.0)

    assert said_um(drier) < 60.0 < said_um(wetter)
    assert down.driest_um == pytest.approx(60.0 + 0.5 * (said_um(drier) - 60.0))
    assert up.driest_um == pytest.approx(60.0 + 0.01 * (said_um(wetter) - 60.0))
    assert (GAIN_DOWN, GAIN_UP) == (0.5, 0.01)


def test_a_sensor_that_says_what_is_reckoned_moves_nothing() -> None:
    thirst = replace(FULL, driest_um=said_um(0.6))

    after = seen(thirst, CYCLE, 0.6, 0.0, 5.0)

    assert after.driest_um == pytest.approx(thirst.driest_um)
    assert after.seen_s == 5.0


@pytest.mark.parametrize("wet", [FULL_WET, 1.0, 1.2])
def test_a_sensor_as_wet_as_can_be_says_no_more_than_that_it_is_there(wet: float) -> None:
    thirst = replace(FULL, driest_um=5.0)

    after = seen(thirst, CYCLE, wet, 0.0, 77.0)

    assert after == replace(thirst, seen_s=77.0)


def test_just_below_full_a_sensor_has_its_say() -> None:
    thirst = replace(FULL, driest_um=5.0)

    assert seen(thirst, CYCLE, FULL_WET - 0.001, 0.0, 77.0).driest_um > 5.0


@pytest.mark.parametrize("wet", [0.0, -0.2])
def test_a_sensor_beyond_dry_says_dry(wet: float) -> None:
    assert seen(FULL, CYCLE, wet, 0.0, 1.0).driest_um == pytest.approx(0.5 * FULL_UM)


@given(wet=WET, before_um=STEPS_UM, driest_share=st.floats(0.0, 1.0), times=st.integers(1, 400))
def test_no_sensor_talks_the_film_above_the_slow_one(
    wet: float, before_um: float, driest_share: float, times: int
) -> None:
    slow_um = dried(FULL, before_um).slow_um
    thirst = Thirst(at_um=before_um, driest_um=driest_share * slow_um, mean_um=slow_um, slow_um=slow_um)

    for at_s in range(times):
        thirst = seen(thirst, CYCLE, wet, before_um, float(at_s))

    assert thirst.driest_um <= slow_um + 1e-9
    assert thirst.slow_um == slow_um
    assert thirst.mean_um >= thirst.driest_um >= 0.0


def test_a_sensor_wetter_for_long_brings_the_film_up_to_the_slow_one_and_no_further() -> None:
    slow_um = 20.0
    thirst = Thirst(at_um=0.0, driest_um=0.0, mean_um=0.0, slow_um=slow_um)

    for at_s in range(1000):
        thirst = seen(thirst, CYCLE, 0.9, 0.0, float(at_s))

    assert said_um(0.9) > slow_um
    assert thirst.driest_um == pytest.approx(slow_um)


# ---- when it is due


@pytest.mark.parametrize("sooner", [0.0, 0.25, 1.0, -0.5])
def test_a_burst_is_due_when_the_driest_quarter_is_down_to_its_dry_back(sooner: float) -> None:
    due_um = due_at_um(FULL, CYCLE, sooner)

    assert due_um * (1.0 + sooner) == pytest.approx(FULL_UM - CYCLE.dry_back_drying_um)
    if sooner == 0.0:
        assert driest_wet(FULL, CYCLE, due_um) == pytest.approx(CYCLE.dry_back_wet)
        assert (
            driest_wet(FULL, CYCLE, due_um - 0.01)
            > CYCLE.dry_back_wet
            > driest_wet(FULL, CYCLE, due_um + 0.01)
        )


@pytest.mark.parametrize("driest_um", [0.0, CYCLE.dry_back_drying_um - 1.0, CYCLE.dry_back_drying_um])
def test_a_film_at_its_dry_back_or_below_is_due_at_once(driest_um: float) -> None:
    thirst = Thirst(at_um=12.0, driest_um=driest_um, slow_um=driest_um)

    assert due_at_um(thirst, CYCLE, 0.25) == 12.0
    assert surely_due_at_um(thirst, CYCLE, 0.25) == 12.0


def test_it_is_surely_due_when_even_in_the_slowest_air_the_driest_quarter_is_down_to_its_dry_back() -> None:
    due_um = surely_due_at_um(FULL, CYCLE, 0.0)

    assert slow_wet(FULL, CYCLE, due_um) == pytest.approx(CYCLE.dry_back_wet)
    assert due_um == pytest.approx(due_at_um(FULL, CYCLE, 0.0) / SLOWEST_PACE)


@given(
    readings=st.lists(st.tuples(st.floats(0.0, 30.0), WET), min_size=1, max_size=15),
    times=st.integers(1, 80),
    sooner=st.floats(0.0, 0.5),
)
def test_no_run_of_readings_delays_a_burst_beyond_the_slow_film(
    readings: list[tuple[float, float]], times: int, sooner: float
) -> None:
    """However often each is said over."""
    never_later_um = surely_due_at_um(FULL, CYCLE, 0.0)
    thirst, meter_um = FULL, 0.0

    for by_um, wet in readings:
        meter_um += by_um
        for _ in range(times):
            thirst = seen(thirst, CYCLE, wet, meter_um, meter_um)
        assert due_at_um(thirst, CYCLE, sooner) <= max(never_later_um, meter_um) + 1e-9
        assert surely_due_at_um(thirst, CYCLE, 0.0) == pytest.approx(max(never_later_um, meter_um))


@pytest.mark.parametrize("wet", [0.9, FULL_WET, 1.0, 1.2])
def test_a_sensor_wet_for_ever_delays_no_burst_beyond_the_slow_film(wet: float) -> None:
    """It speaks every 0.1 um; the burst of an unseen film would have been due at 1/1.28 of the way."""
    meter_um, thirst = 0.0, FULL

    while due_at_um(thirst, CYCLE, UNSURE_SEEN) > meter_um:
        meter_um += 0.1
        thirst = seen(thirst, CYCLE, wet, meter_um, meter_um)

    assert meter_um <= surely_due_at_um(FULL, CYCLE, 0.0) + 0.1


def test_after_a_burst_the_slow_film_is_as_full_as_the_driest_quarter_that_was_as_full() -> None:
    after = misted(dried(FULL, 500.0), CYCLE, 20.0, 500.0)

    assert after.slow_um == after.driest_um == pytest.approx(FULL_UM)


# ---- how sure


@pytest.mark.parametrize(
    ("seen_s", "alone"),
    [(-inf, UNSURE_ALONE), (0.0, UNSURE_SEEN), (-0.1, UNSURE_ALONE), (SEEN_FOR_S, UNSURE_SEEN)],
)
@pytest.mark.parametrize(("assumed_light", "more"), [(False, 0.0), (True, UNSURE_OF_LIGHT)])
def test_a_film_seen_within_half_an_hour_is_surer_and_one_without_a_light_reading_less_sure(
    seen_s: float, alone: float, assumed_light: bool, more: float
) -> None:
    off = unsure(replace(FULL, seen_s=seen_s), SEEN_FOR_S, assumed_light=assumed_light)

    assert off == pytest.approx(alone + more)


@given(film=st.floats(0.0, 50.0), cycle=st.sampled_from([CYCLE, demand_cycle(dry_back_wet=0.7)]))
def test_a_drier_film_is_due_no_later(film: float, cycle: DemandCycle) -> None:
    drier, wetter = (
        Thirst(at_um=0.0, driest_um=left_um, slow_um=left_um)
        for left_um in (0.9 * drying_um(film, 50.0), drying_um(film, 50.0))
    )

    assert due_at_um(drier, cycle, 0.2) <= due_at_um(wetter, cycle, 0.2)
    assert surely_due_at_um(drier, cycle, 0.2) <= surely_due_at_um(wetter, cycle, 0.2)
