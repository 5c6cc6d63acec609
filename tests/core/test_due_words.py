"""Why a burst on demand is due, in words: whatever leads, and by whichever of its marks or bounds."""

from dataclasses import replace
from math import inf
from typing import Any

import pytest

from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind, DemandCycle
from mistd.core.demand_source import Rates, SourceState
from mistd.core.due_words import film_words, why_due_on_demand
from mistd.core.film import drying_um
from mistd.core.thirst import Thirst
from mistd.core.turn import Turn
from mistd.core.zone import Trim
from mistd.core.zone_demand import Lead, ZoneDemand
from tests.core.houses import PaperHouse, almanac
from tests.core.houses_on_demand import bounds, demand_cycle, demand_house, demand_house_plan

HALF_UM = drying_um(25.0, 50.0)
SOONER = "sooner in the light as leaves may dry 28 % faster"
HALF = Thirst(at_um=0.0, driest_um=HALF_UM, mean_um=HALF_UM, slow_um=HALF_UM)
SOURCE = SourceState(at_s=0.0, rates=Rates(kpa=1.5, um_per_s=0.0), is_measured=True)
FILM, VPD = demand_cycle(CycleKind.FILM), demand_cycle(CycleKind.VPD, set_point_kpa_s=900.0)
WETNESS = demand_cycle(CycleKind.LEAF_WETNESS, wetness=("leaf-1",))
HALF_WET = "the driest quarter's film is 25 of 50 um, 63 % wet"


def words(
    cycle: DemandCycle,
    lead: Lead,
    *,
    now_s: float = 600.0,
    waiting_since_s: float | None = None,
    trim: Trim | None = None,
    part: DayPart = DayPart.DAY,
    source: SourceState = SOURCE,
    **more: Any,
) -> str:
    """Of a zone last shut at nought, its film half gone and the meter standing still."""
    paper: PaperHouse = demand_house(demand_house_plan(cycle), part=almanac(part))
    zone = paper.zone()
    zone.waiting_since_s = now_s if waiting_since_s is None else waiting_since_s
    zone.trim = trim
    turn = Turn(paper.house, now_s)
    turn.sources = (source,)
    demand = replace(ZoneDemand(lead=lead, thirst=HALF), **more)
    return why_due_on_demand(turn, zone, cycle, demand)


def test_a_film_at_its_dry_back_is_told_with_its_depth_and_its_set_point() -> None:
    assert words(FILM, Lead.FILM, mark=0.0) == (
        f"10.0 min since the last burst: {HALF_WET}, set point 40 %, {SOONER}"
    )


def test_a_sum_at_its_set_point_is_told_with_both() -> None:
    assert words(VPD, Lead.VPD, mark=900.0) == (
        "10.0 min since the last burst: the deficit adds up to 0.25 kPa.h, set point 0.25 kPa.h"
    )


def test_a_dry_sensor_is_told_with_what_it_reads_beside_the_film() -> None:
    assert words(WETNESS, Lead.LEAF_WETNESS, is_sensor_dry=True, driest_wet=0.38) == (
        f"10.0 min since the last burst: the driest trusted sensor reads 38 % wet, set point 40 %; {HALF_WET}"
    )


@pytest.mark.parametrize(
    ("driest_wet", "said"), [(None, "no sensor says so"), (0.9, "its sensor reads 90 % wet")]
)
def test_a_film_gone_in_the_slowest_air_overrules_a_wet_sensor_and_says_so(
    driest_wet: float | None, said: str
) -> None:
    assert words(WETNESS, Lead.LEAF_WETNESS, mark=0.0, driest_wet=driest_wet) == (
        "10.0 min since the last burst: the film must be gone by now even in the slowest air, "
        f"though {said}; {HALF_WET}"
    )


@pytest.mark.parametrize(("mark_um", "is_by_mark"), [(0.0, True), (1e-7, True), (1e-5, False)])
def test_the_mark_is_the_reason_from_the_instant_it_is_reached(mark_um: float, is_by_mark: bool) -> None:
    said = words(FILM, Lead.FILM, mark=mark_um)

    assert ("set point" in said) is is_by_mark
    assert ("the longest gap, 45 min by day, is over" in said) is not is_by_mark


@pytest.mark.parametrize(
    ("part", "when"),
    [
        (DayPart.NIGHT, "at night"),
        (DayPart.DAWN, "at dawn"),
        (DayPart.DAY, "by day"),
        (DayPart.DUSK, "at dusk"),
    ],
)
@pytest.mark.parametrize(("is_sparse", "what"), [(True, "sparse mist"), (False, "the longest gap")])
def test_a_longest_gap_is_told_with_its_part_of_the_day(
    part: DayPart, when: str, is_sparse: bool, what: str
) -> None:
    cycle = demand_cycle(CycleKind.FILM, others={part: bounds(120.0, 5400.0, is_sparse=is_sparse)})

    said = words(cycle, Lead.FILM, now_s=5400.0, part=part, mark=inf)

    assert said == f"90.0 min since the last burst: {what}, 90 min {when}, is over; {HALF_WET}"


def test_in_sparse_mist_a_dry_sensor_is_not_the_reason() -> None:
    cycle = demand_cycle(CycleKind.LEAF_WETNESS, others={DayPart.DAY: bounds(120.0, 3600.0, is_sparse=True)})

    said = words(cycle, Lead.LEAF_WETNESS, is_sensor_dry=True, driest_wet=0.1)

    assert "sparse mist, 60 min by day, is over" in said


@pytest.mark.parametrize(
    ("lead", "what", "by"),
    [
        (Lead.OWN_WEEK, "by its own last week", "its own last week, a fifth wetter"),
        (Lead.TIMETABLE, "by the timetable", "the timetable of a bright day"),
    ],
)
def test_led_blindly_it_says_by_what_and_what_for(lead: Lead, what: str, by: str) -> None:
    assert words(FILM, lead, why="air is lost") == (
        f"10.0 min since the last burst: {what}; led by {by}, for air is lost"
    )


def test_led_by_another_reading_it_says_so_too() -> None:
    said = words(WETNESS, Lead.FILM, mark=0.0, why="leaf-1 is lost")

    assert said.endswith(f"set point 25 %, {SOONER}; led by its reckoned film, for leaf-1 is lost")


@pytest.mark.parametrize(
    ("late_s", "told"),
    [(0.0, ""), (0.9, ""), (1.0, ", after 1 s of waiting for the line"), (42.0, ", after 42 s of")],
)
def test_a_wait_for_the_line_is_told_from_a_second_on(late_s: float, told: str) -> None:
    said = words(FILM, Lead.FILM, mark=0.0, waiting_since_s=600.0 - late_s)

    assert said.startswith(f"10.0 min since the last burst{told}")
    assert ("waiting" in said) is bool(told)


@pytest.mark.parametrize(("fraction", "told"), [(0.2, "+20 %"), (-0.125, "-12.5 %")])
def test_a_trim_is_told_with_whose_it_is(fraction: float, told: str) -> None:
    trim = Trim(fraction=fraction, ends_s=1e6, author="ilse", note="")

    said = words(FILM, Lead.FILM, mark=0.0, trim=trim)

    assert said.endswith(f"set point 40 %, {SOONER}, with {told} water for ilse")


@pytest.mark.parametrize("lead", list(Lead))
@pytest.mark.parametrize("kind", [CycleKind.FILM, CycleKind.VPD, CycleKind.LEAF_WETNESS])
@pytest.mark.parametrize("part", list(DayPart))
def test_there_are_words_for_every_lead_of_every_cycle_in_every_part(
    kind: CycleKind, lead: Lead, part: DayPart
) -> None:
    for mark in (0.0, inf):
        said = words(demand_cycle(kind), lead, mark=mark, part=part)

        assert said.startswith("10.0 min since the last burst: ")
        assert not {"inf", "nan", "None"} & set(said.replace(";", " ").split())


def test_a_zone_without_a_source_has_no_film_to_tell() -> None:
    assert film_words(WETNESS, ZoneDemand(lead=Lead.LEAF_WETNESS, thirst=HALF), None, 0.0) == (
        "its film is not reckoned"
    )


def test_the_film_told_is_that_of_the_instant() -> None:
    drying = replace(SOURCE, rates=Rates(kpa=1.0, um_per_s=HALF_UM / 600.0))

    assert film_words(FILM, ZoneDemand(lead=Lead.FILM, thirst=HALF), drying, 600.0) == (
        "the driest quarter's film is 0 of 50 um, 0 % wet"
    )


def test_the_reason_of_a_burst_as_it_is_ordered_carries_the_words() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(CycleKind.VPD)))

    paper.mist_until(2000.0)

    assert paper.zone().last_reason == (
        "11.8 min since the last burst: the deficit adds up to 0.25 kPa.h, set point 0.25 kPa.h"
    )
