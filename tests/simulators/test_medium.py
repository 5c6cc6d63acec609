"""The medium: nothing lost, drains to what it can hold, sours when kept too wet, follows the bench."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from simulators.plant.cuttings import SOFT, Cuttings
from simulators.plant.medium import FloatArray, Medium, MediumPlan

HOUR_S = 3600.0
DAY_S = 86_400.0
PLAN = MediumPlan()
NO_EVAPORATION = replace(PLAN, surface_mol_per_m2_s=0.0)


class Air(NamedTuple):
    vapour_pressure_kpa: float
    pressure_kpa: float


class LeafSurroundings(NamedTuple):
    vapour_pressure_kpa: float
    pressure_kpa: float
    speed_m_per_s: float


HOUSE = Air(0.8 * saturation_vapour_pressure_kpa(23.0), 101.3)


def evenly(depth_um: float, zones: int = 1) -> FloatArray:
    return np.full((zones, 4), depth_um)


def rest(
    medium: Medium,
    seconds: float,
    *,
    fallen_um: float = 0.0,
    taken_up_um: float = 0.0,
    bench_c: float = 23.0,
    mist_c: float | None = None,
    dt_s: float = 60.0,
) -> None:
    """Let so long pass; depths are by step."""
    zones = len(medium.plans)
    for _ in range(round(seconds / dt_s)):
        medium.step(dt_s, evenly(fallen_um, zones), evenly(taken_up_um, zones), HOUSE, bench_c, mist_c)


# --- what it holds


def test_a_deeper_container_holds_more_air_when_drained() -> None:
    """Bilderback & Fonteno (1987): 12 % in a bedding plant cell, 28 % in a 1-gallon can; depths: memory."""
    assert MediumPlan(depth_mm=50.0).capacity_air_share == pytest.approx(0.12, abs=0.005)
    assert MediumPlan(depth_mm=165.0).capacity_air_share == pytest.approx(0.28, abs=0.005)


def test_drained_medium_in_a_tray_is_within_the_saturation_that_roots_best() -> None:
    """85 to 95 % saturation (Faust, Dole & Lopez 2017 p. 152), here of all pores."""
    medium = Medium([PLAN], 23.0)

    assert (medium.saturation_share >= 0.85).all()
    assert (medium.saturation_share <= 0.95).all()
    assert (medium.share == 1.0).all()
    assert medium.air_share == pytest.approx(evenly(PLAN.capacity_air_share))


def test_below_capacity_nothing_drains() -> None:
    medium = Medium([replace(PLAN, starts_share=0.8)], 23.0)

    rest(medium, HOUR_S, fallen_um=20.0)

    assert medium.drained_um[0] == 0.0


def test_what_stands_above_capacity_drains_with_its_time_constant() -> None:
    medium = Medium([NO_EVAPORATION], 23.0)
    medium.step(0.001, evenly(1000.0), evenly(0.0), HOUSE, 23.0)

    rest(medium, HOUR_S, dt_s=600.0)

    assert medium.water_um - PLAN.capacity_um == pytest.approx(evenly(1000.0 * np.exp(-1.0)), rel=1e-5)


@pytest.mark.parametrize("fallen_um_per_s", [0.0, 0.1, 0.5])
def test_under_steady_mist_it_stands_above_capacity_by_what_falls_in_one_time_constant(
    fallen_um_per_s: float,
) -> None:
    medium = Medium([NO_EVAPORATION], 23.0)

    rest(medium, 12 * HOUR_S, fallen_um=600.0 * fallen_um_per_s, dt_s=600.0)

    above_um = HOUR_S * fallen_um_per_s
    assert medium.water_um - PLAN.capacity_um == pytest.approx(evenly(above_um), rel=1e-4, abs=1e-9)


def test_it_never_holds_more_than_its_pores() -> None:
    medium = Medium([PLAN], 23.0)

    medium.step(60.0, evenly(50_000.0), evenly(0.0), HOUSE, 23.0)

    assert medium.saturation_share == pytest.approx(evenly(1.0))
    assert medium.air_share == pytest.approx(evenly(0.0), abs=1e-12)


def test_long_steps_drain_nearly_as_short_ones() -> None:
    """Filling, overflowing and drying down across capacity, in steps of 600 s and of 5 s."""
    long_way, short_way = (Medium([replace(PLAN, starts_share=0.99)], 23.0) for _ in range(2))

    for medium, dt_s in ((long_way, 600.0), (short_way, 5.0)):
        rest(medium, HOUR_S, fallen_um=0.2 * dt_s, dt_s=dt_s)
        rest(medium, 2 * HOUR_S, taken_up_um=0.1 * dt_s, dt_s=dt_s)

    assert short_way.drained_um[0] > 50.0
    assert long_way.water_um == pytest.approx(short_way.water_um, abs=20.0)


# --- the book


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(
        st.tuples(
            st.floats(0.001, 600.0),
            st.lists(st.floats(0.0, 3000.0), min_size=8, max_size=8),
            st.floats(0.0, 0.05),  # of what is there, taken up
            st.floats(0.0, 4.0),  # vapour pressure
            st.floats(5.0, 40.0),
        ),
        min_size=1,
        max_size=30,
    ),
    restuck=st.booleans(),
)
def test_no_water_is_lost(steps: list[tuple[float, list[float], float, float, float]], restuck: bool) -> None:
    medium = Medium([PLAN, replace(PLAN, depth_mm=25.0)], 20.0)

    for dt_s, fallen_um, taken_share, vapour_kpa, bench_c in steps:
        fallen = np.array(fallen_um).reshape(2, 4)
        medium.step(dt_s, fallen, taken_share * medium.water_um, Air(vapour_kpa, 101.3), bench_c, 12.0)
    if restuck:
        medium.restick(0)

    book_um = medium.brought_in_um + medium.fallen_um - medium.taken_up_um
    book_um -= medium.evaporated_um + medium.drained_um + medium.carried_out_um
    assert medium.water_um.mean(axis=1) == pytest.approx(book_um, rel=0.0, abs=1e-9)
    assert (medium.water_um >= 0.0).all()
    assert (medium.drained_um >= 0.0).all()


def test_more_taken_up_than_there_is_is_refused_and_changes_nothing() -> None:
    medium = Medium([PLAN], 23.0)
    before_um = medium.water_um.copy()

    with pytest.raises(ValueError, match="took up more than the medium held"):
        medium.step(60.0, evenly(0.0), evenly(PLAN.capacity_um + 1.0), HOUSE, 23.0)

    assert (medium.water_um == before_um).all()


def test_the_surface_evaporates_a_little() -> None:
    """Ours: under leaves in a humid house a tray loses well under a millimetre a day."""
    medium = Medium([PLAN], 23.0)

    rest(medium, DAY_S)

    assert 100.0 < medium.evaporated_um[0] < 1000.0


def test_air_at_saturation_dries_no_medium() -> None:
    medium = Medium([PLAN], 20.0)
    damp = Air(saturation_vapour_pressure_kpa(20.0), 101.3)

    evaporated_um = medium.step(600.0, evenly(0.0), evenly(0.0), damp, 20.0)

    assert evaporated_um[0] == 0.0


def test_four_weeks_of_generous_mist_leach_no_more_than_was_ever_measured() -> None:
    """Up to 46 L/m2 in a 4-week cycle (Santos et al. 2008).

    100 events a day falling to 5 on day 10, 22 L/m2 in all (Faust, Dole & Lopez 2017 p. 158), then 5 a day;
    half of each reaches the medium (40 to 50 % of mist is of use: Katsoulas, Baille & Kittas 2001).
    """
    medium = Medium([PLAN], 23.0)
    events = [100.0 - 95.0 * min(day, 9) / 9.0 for day in range(28)]
    event_um = 22_000.0 / sum(events[:10])

    for day_events in events:
        rest(medium, DAY_S, fallen_um=0.5 * event_um * day_events / 144.0, dt_s=600.0)

    assert 1.0 < medium.drained_um[0] / 1000.0 < 46.0


# --- air and sourness


def test_a_medium_kept_too_wet_sours_after_some_hours() -> None:
    medium = Medium([PLAN], 23.0)

    rest(medium, 5 * HOUR_S, fallen_um=20.0)
    sour_before_s = medium.sour_s.copy()
    rest(medium, 5 * HOUR_S, fallen_um=20.0)

    assert (medium.air_share < PLAN.sour_air_share).all()
    assert (sour_before_s == 0.0).all()
    # 6 h of grace, counted from when the air fell under 10 %, within the first half hour.
    assert medium.sour_s == pytest.approx(evenly(4 * HOUR_S), abs=0.5 * HOUR_S)


def test_a_drained_medium_does_not_sour() -> None:
    medium = Medium([PLAN], 23.0)

    rest(medium, 2 * DAY_S, fallen_um=1.0)

    assert (medium.air_share > PLAN.sour_air_share).all()
    assert (medium.sour_s == 0.0).all()


def test_a_shallow_tray_sours_as_it_stands() -> None:
    medium = Medium([replace(PLAN, depth_mm=25.0)], 23.0)

    rest(medium, 12 * HOUR_S, fallen_um=1.0)

    assert (medium.sour_s > 5 * HOUR_S).all()


def test_quarters_are_apart() -> None:
    medium = Medium([replace(PLAN, starts_share=0.9)], 23.0)
    fallen_um = np.array([[10.0, 20.0, 30.0, 40.0]])

    for _ in range(60):
        medium.step(60.0, fallen_um, evenly(0.0), HOUSE, 23.0)

    assert (np.diff(medium.water_um[0]) > 0.0).all()


# --- temperature


def test_medium_follows_the_bench_within_hours() -> None:
    medium = Medium([PLAN], 18.0)

    rest(medium, 5 * HOUR_S, bench_c=24.0, dt_s=600.0)

    assert medium.temperature_c == pytest.approx(evenly(24.0), abs=0.5)


def test_cold_water_chills_the_medium_for_an_hour_and_more() -> None:
    """Krauskopf (MSU): water at 10 C or less chills the medium for at least an hour. Here 5 mm of it."""
    medium = Medium([PLAN], 23.0)
    medium.step(60.0, evenly(5000.0), evenly(0.0), HOUSE, 23.0, 10.0)
    chilled_by_c = 23.0 - medium.temperature_c[0, 0]

    rest(medium, HOUR_S)

    assert chilled_by_c > 1.5
    assert 23.0 - medium.temperature_c[0, 0] > 0.4 * chilled_by_c


def test_water_as_warm_as_the_medium_chills_nothing() -> None:
    medium = Medium([PLAN], 23.0)

    rest(medium, HOUR_S, fallen_um=50.0, mist_c=23.0)

    assert medium.temperature_c == pytest.approx(evenly(23.0))


# --- plans and new trays


def test_fresh_trays_come_watered_and_only_where_stuck() -> None:
    medium = Medium([replace(PLAN, drains_over_s=1e6)] * 2, 23.0)
    rest(medium, 12 * HOUR_S, fallen_um=30.0)
    left_alone_um = medium.water_um[0].copy()

    medium.restick(1)

    assert medium.water_um[1] == pytest.approx(np.full(4, PLAN.capacity_um))
    assert (medium.water_um[0] == left_alone_um).all()


@pytest.mark.parametrize(
    "wrong", [{"depth_mm": 0.0}, {"cells_share": 1.5}, {"depth_mm": 2000.0}, {"pores_share": 0.1}]
)
def test_a_medium_that_cannot_be_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="medium"):
        replace(PLAN, **wrong)


# --- cuttings and medium together


@settings(max_examples=30, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.floats(1.0, 600.0), st.floats(0.0, 500.0), st.floats(0.0, 1.0), st.floats(0.0, 600.0)),
        min_size=5,
        max_size=60,
    )
)
def test_tissue_and_medium_and_what_left_are_what_came_in(
    steps: list[tuple[float, float, float, float]],
) -> None:
    """Came in: cuttings, trays, what fell and what leaves drank; left: transpired, drained, evaporated."""
    rooting = replace(SOFT, emerges_days=0.02, fills_days=0.05)
    cuttings, medium = Cuttings([SOFT, rooting]), Medium([PLAN, replace(PLAN, starts_share=0.3)], 23.0)

    for dt_s, fallen_um, wet, light_w_per_m2 in steps:
        around = LeafSurroundings(1.8, 101.3, 0.2)
        leaf_c, wet_fraction = np.full((2, 4, 2), 27.0), np.full((2, 4, 2, 2), wet)
        _, taken_up_um = cuttings.step(
            dt_s, around, leaf_c, wet_fraction, medium.temperature_c, medium.share, light_w_per_m2
        )
        medium.step(dt_s, evenly(fallen_um, 2), taken_up_um, around, 24.0)

    came_in_um = (
        cuttings.brought_in_um + medium.brought_in_um + medium.fallen_um + cuttings.absorbed_in_all_um
    )
    left_um = cuttings.transpired_um + medium.drained_um + medium.evaporated_um
    stands_um = cuttings.tissue_um.mean(axis=1) + medium.water_um.mean(axis=1)
    assert stands_um + left_um == pytest.approx(came_in_um, rel=0.0, abs=1e-9)
    assert (cuttings.taken_up_um > 0.0).all()
