"""One zone on demand: what leads it, and when it is due by that, within its bounds."""

from dataclasses import replace
from math import inf
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind, DemandCycle
from mistd.core.demand_source import Rates, SourceState
from mistd.core.film import drying_um
from mistd.core.own_week import DAYS, HOURS, NO_WEEK, OwnWeek
from mistd.core.thirst import SLOWEST_PACE, UNSURE_ALONE, UNSURE_OF_LIGHT, UNSURE_SEEN, Thirst
from mistd.core.zone_demand import (
    CHAINS,
    NO_READINGS,
    WET_HYSTERESIS,
    Lead,
    Since,
    ZoneDemand,
    begun_demand,
    burst_on_demand_s,
    chosen_lead,
    due_by_demand_s,
    is_sensor_dry,
    marked,
    rank,
    sum_kpa_s,
)
from tests.core.houses import almanac
from tests.core.houses_on_demand import bounds, demand_cycle

VPD, WETNESS, FILM = (demand_cycle(kind) for kind in (CycleKind.VPD, CycleKind.LEAF_WETNESS, CycleKind.FILM))
ON_DEMAND = [CycleKind.VPD, CycleKind.LEAF_WETNESS, CycleKind.FILM]
FULL_UM = drying_um(50.0, 50.0)
FULL = Thirst(at_um=0.0, driest_um=FULL_UM, mean_um=FULL_UM, slow_um=FULL_UM)
TO_DRY_BACK_UM = FULL_UM - FILM.dry_back_drying_um
A_WEEK = OwnWeek(days=((6,) * HOURS,) * DAYS)  # with a fifth more, one every 500 s
SOURCE = SourceState(at_s=0.0, rates=Rates(kpa=1.0, um_per_s=0.05), is_measured=True)
DAY = almanac()


def since(
    shut_s: float = 0.0, skipped_s: float = -inf, trim: float = 0.0, timed_gap_s: float | None = 600.0
) -> Since:
    return Since(shut_s=shut_s, skipped_s=skipped_s, trim=trim, timed_gap_s=timed_gap_s)


def led(lead: Lead, **more: Any) -> ZoneDemand:
    return replace(ZoneDemand(lead=lead, thirst=FULL), **more)


def due_s(
    demand: ZoneDemand,
    cycle: DemandCycle,
    *,
    after: Since | None = None,
    source: SourceState = SOURCE,
    part: DayPart = DayPart.DAY,
    now_s: float = 0.0,
) -> float:
    marks, latest_s = marked(demand, cycle, after or since(), (source,), almanac(part), now_s)
    return due_by_demand_s(marks, cycle, latest_s, (source,))


# ---- what leads

V, W, F, OWN, T = Lead.VPD, Lead.LEAF_WETNESS, Lead.FILM, Lead.OWN_WEEK, Lead.TIMETABLE
LED_BY: list[tuple[CycleKind, bool, bool, bool, Lead]] = [
    # cycle, source, sensor, week known: lead
    (CycleKind.VPD, True, True, True, V),
    (CycleKind.VPD, True, True, False, V),
    (CycleKind.VPD, True, False, True, V),
    (CycleKind.VPD, True, False, False, V),
    (CycleKind.VPD, False, True, True, W),
    (CycleKind.VPD, False, True, False, W),
    (CycleKind.VPD, False, False, True, OWN),
    (CycleKind.VPD, False, False, False, T),
    (CycleKind.LEAF_WETNESS, True, True, True, W),
    (CycleKind.LEAF_WETNESS, True, True, False, W),
    (CycleKind.LEAF_WETNESS, True, False, True, F),
    (CycleKind.LEAF_WETNESS, True, False, False, F),
    (CycleKind.LEAF_WETNESS, False, True, True, W),
    (CycleKind.LEAF_WETNESS, False, True, False, W),
    (CycleKind.LEAF_WETNESS, False, False, True, OWN),
    (CycleKind.LEAF_WETNESS, False, False, False, T),
    (CycleKind.FILM, True, True, True, F),
    (CycleKind.FILM, True, True, False, F),
    (CycleKind.FILM, True, False, True, F),
    (CycleKind.FILM, True, False, False, F),
    (CycleKind.FILM, False, True, True, W),
    (CycleKind.FILM, False, True, False, W),
    (CycleKind.FILM, False, False, True, OWN),
    (CycleKind.FILM, False, False, False, T),
]


@pytest.mark.parametrize(("kind", "has_source", "has_sensor", "is_week", "lead"), LED_BY)
def test_what_leads_follows_from_what_can_be_believed(
    kind: CycleKind, has_source: bool, has_sensor: bool, is_week: bool, lead: Lead
) -> None:
    week = A_WEEK if is_week else NO_WEEK

    chosen = chosen_lead(demand_cycle(kind), week, has_source=has_source, has_sensor=has_sensor)

    assert chosen is lead


@pytest.mark.parametrize("kind", ON_DEMAND)
def test_every_chain_begins_with_its_own_cycle_and_ends_with_the_timetable(kind: CycleKind) -> None:
    cycle = demand_cycle(kind)
    chain = [*CHAINS[kind], *NO_READINGS]

    assert chain[0].value == kind.value
    assert [rank(cycle, lead) for lead in chain] == list(range(len(chain)))
    assert chain[-2:] == [Lead.OWN_WEEK, Lead.TIMETABLE]
    assert begun_demand(cycle).lead is chain[0]


@pytest.mark.parametrize(("since_midnight_s", "is_sound"), [(0.0, True), (3599.9, True), (3600.0, False)])
def test_the_day_a_zone_begins_counts_unless_an_hour_of_it_was_missed(
    since_midnight_s: float, is_sound: bool
) -> None:
    assert begun_demand(FILM, since_midnight_s).week.is_sound is is_sound


# ---- due by its lead


def test_a_vpd_zone_is_due_when_its_sum_reaches_the_set_point() -> None:
    """900 kPa s at 1 kPa, of which 100 were there as the zone's sum began."""
    demand = led(Lead.VPD, sum_from_kpa_s=-100.0)

    assert due_s(demand, VPD) == pytest.approx(800.0)
    assert sum_kpa_s(demand, SOURCE, 800.0) == pytest.approx(900.0)


def test_a_sum_is_never_less_than_nought() -> None:
    assert sum_kpa_s(led(Lead.VPD, sum_from_kpa_s=50.0), SOURCE, 20.0) == 0.0


@pytest.mark.parametrize(
    ("seen_s", "assumed_light", "sooner"),
    [
        (-inf, False, UNSURE_ALONE),
        (0.0, False, UNSURE_SEEN),
        (-inf, True, UNSURE_ALONE + UNSURE_OF_LIGHT),
        (0.0, True, UNSURE_SEEN + UNSURE_OF_LIGHT),
    ],
)
def test_a_film_zone_is_due_sooner_in_the_light_by_what_its_pace_may_be_off(
    seen_s: float, assumed_light: bool, sooner: float
) -> None:
    demand = led(Lead.FILM, thirst=replace(FULL, seen_s=seen_s))
    source = replace(SOURCE, rates=Rates(kpa=1.0, um_per_s=0.05, assumed_light=assumed_light))

    by_day_s = due_s(demand, FILM, source=source)
    by_night_s = due_s(demand, FILM, source=source, part=DayPart.NIGHT)

    assert by_day_s == pytest.approx(TO_DRY_BACK_UM / 0.05 / (1.0 + sooner))
    assert by_night_s == pytest.approx(TO_DRY_BACK_UM / 0.05)


def test_a_leaf_wetness_zone_is_due_when_its_sensor_says_so_but_not_before_the_shortest_gap() -> None:
    dry, wet = led(Lead.LEAF_WETNESS, is_sensor_dry=True), led(Lead.LEAF_WETNESS)

    assert due_s(dry, WETNESS) == 120.0
    to_dry_back_um = FULL_UM - WETNESS.dry_back_drying_um
    assert due_s(wet, WETNESS) == pytest.approx(to_dry_back_um / 0.05 / SLOWEST_PACE)


def test_without_a_source_a_leaf_wetness_zone_waits_for_its_sensor_or_the_longest_gap() -> None:
    cycle = demand_cycle(CycleKind.LEAF_WETNESS, source=None)
    marks, latest_s = marked(led(Lead.LEAF_WETNESS), cycle, since(), (), DAY, 0.0)

    assert due_by_demand_s(marks, cycle, latest_s, ()) == 2700.0
    assert due_by_demand_s(replace(marks, is_sensor_dry=True), cycle, latest_s, ()) == 120.0


@pytest.mark.parametrize("kind", ON_DEMAND)
def test_by_its_own_week_a_zone_is_due_as_often_as_then_and_a_fifth_more(kind: CycleKind) -> None:
    demand = led(Lead.OWN_WEEK, week=A_WEEK)

    assert due_s(demand, demand_cycle(kind), after=since(36_000.0)) == pytest.approx(36_500.0)


def test_the_own_week_goes_by_the_hours_of_the_day_the_last_burst_was_in() -> None:
    """The last burst 20 min before midnight; at night nothing, but for the hour after it: every 300 s."""
    days = (tuple(10 if hour == 0 else 0 for hour in range(HOURS)),) * DAYS
    demand = led(Lead.OWN_WEEK, week=OwnWeek(days=days))

    assert due_s(demand, FILM, after=since(-1200.0)) == pytest.approx(300.0)
    assert due_s(demand, FILM, after=since(86_400.0 - 1200.0)) == pytest.approx(86_700.0)


def test_by_the_timetable_a_zone_is_due_after_its_gap() -> None:
    assert due_s(led(Lead.TIMETABLE), FILM) == 600.0
    assert due_s(led(Lead.TIMETABLE), FILM, after=since(timed_gap_s=None)) == 2700.0
    assert due_s(led(Lead.TIMETABLE), FILM, after=since(timed_gap_s=5000.0)) == 2700.0
    assert due_s(led(Lead.TIMETABLE), FILM, after=since(timed_gap_s=60.0)) == 120.0


@pytest.mark.parametrize("lead", list(Lead))
def test_a_zone_that_was_never_misted_is_due_at_once(lead: Lead) -> None:
    demand = led(lead, week=A_WEEK)

    assert due_s(demand, VPD, after=since(shut_s=-inf)) == -inf


# ---- bounds


@pytest.mark.parametrize(
    ("kpa", "gap_s"),
    [
        (900.0, 120.0),
        (7.5, 120.0),
        (7.4, 900.0 / 7.4),
        (0.34, 900.0 / 0.34),
        (1.0 / 3.0, 2700.0),
        (0.3, 2700.0),
        (0.0, 2700.0),
    ],
)
def test_no_gap_is_shorter_than_the_shortest_or_longer_than_the_longest(kpa: float, gap_s: float) -> None:
    source = replace(SOURCE, rates=Rates(kpa=kpa, um_per_s=0.05))

    assert due_s(led(Lead.VPD), VPD, source=source) == pytest.approx(gap_s)


@given(
    lead=st.sampled_from(list(Lead)),
    kpa=st.floats(0.0, 10.0),
    um_per_s=st.floats(0.0, 1.0),
    driest_um=st.floats(0.0, FULL_UM),
    is_dry=st.booleans(),
    trim=st.floats(-0.5, 1.0),
    part=st.sampled_from(list(DayPart)),
    meter=st.floats(-1000.0, 1000.0),
    timed_gap_s=st.one_of(st.none(), st.floats(10.0, 10_000.0)),
)
def test_whatever_leads_and_whatever_it_says_the_bounds_hold(
    lead: Lead,
    kpa: float,
    um_per_s: float,
    driest_um: float,
    is_dry: bool,
    trim: float,
    part: DayPart,
    meter: float,
    timed_gap_s: float | None,
) -> None:
    source = SourceState(at_s=0.0, kpa_s=meter, um=meter, rates=Rates(kpa=kpa, um_per_s=um_per_s))
    thirst = Thirst(at_um=0.0, driest_um=driest_um, mean_um=driest_um, slow_um=driest_um)
    demand = led(lead, thirst=thirst, is_sensor_dry=is_dry, week=A_WEEK)

    at_s = due_s(demand, VPD, after=since(0.0, trim=trim, timed_gap_s=timed_gap_s), source=source, part=part)

    assert 120.0 <= at_s <= 2700.0


@pytest.mark.parametrize("lead", [Lead.VPD, Lead.FILM, Lead.LEAF_WETNESS])
def test_sparse_mist_comes_at_the_longest_gap_however_dry_the_air(lead: Lead) -> None:
    sparse = demand_cycle(CycleKind.VPD, others={DayPart.NIGHT: bounds(120.0, 3600.0, is_sparse=True)})
    source = replace(SOURCE, rates=Rates(kpa=50.0, um_per_s=5.0))

    assert due_s(led(lead), sparse, source=source, part=DayPart.NIGHT) == 3600.0
    assert due_s(led(lead), sparse, source=source, part=DayPart.DUSK) == 120.0


def test_in_sparse_mist_a_dry_sensor_gets_no_more_than_a_dry_film() -> None:
    cycle = demand_cycle(CycleKind.LEAF_WETNESS, others={DayPart.DAY: bounds(120.0, 3600.0, is_sparse=True)})

    assert due_s(led(Lead.LEAF_WETNESS, is_sensor_dry=True), cycle) == 3600.0


@pytest.mark.parametrize("lead", list(Lead))
def test_a_part_that_is_off_has_no_mist_whatever_leads(lead: Lead) -> None:
    off = demand_cycle(CycleKind.VPD, others={DayPart.NIGHT: None})
    demand = led(lead, is_sensor_dry=True, week=A_WEEK)

    assert due_s(demand, off, part=DayPart.NIGHT) == inf
    assert due_s(demand, off, part=DayPart.DAWN) < inf


# ---- a burst left out


@pytest.mark.parametrize(
    ("gap_before_s", "soonest_s"),
    [
        (60.0, 120.0),  # not before the shortest gap
        (500.0, 500.0),  # not before another like the one before
        (9000.0, 2700.0),  # but at the longest at the latest
        (inf, 2700.0),
    ],
)
def test_after_a_burst_left_out_the_next_comes_no_sooner_than_a_gap_like_the_one_before(
    gap_before_s: float, soonest_s: float
) -> None:
    demand = led(Lead.VPD, sum_from_kpa_s=-1e6)

    at_s = due_s(demand, VPD, after=since(10_000.0 - gap_before_s, skipped_s=10_000.0))

    assert at_s == pytest.approx(10_000.0 + soonest_s)


def test_a_burst_left_out_before_the_last_one_no_longer_counts() -> None:
    demand = led(Lead.VPD, sum_from_kpa_s=-1e6)

    assert due_s(demand, VPD, after=since(10_000.0, skipped_s=9000.0)) == 10_120.0


# ---- the grower's trim


@pytest.mark.parametrize("trim", [-0.5, -0.2, 0.0, 0.2, 1.0])
@pytest.mark.parametrize(
    ("lead", "gap_s"),
    [
        (Lead.VPD, 900.0),
        (Lead.FILM, TO_DRY_BACK_UM / 0.05 / (1.0 + UNSURE_ALONE)),
        (Lead.LEAF_WETNESS, TO_DRY_BACK_UM / 0.05 / SLOWEST_PACE),
        (Lead.OWN_WEEK, 500.0),
        (Lead.TIMETABLE, 600.0),
    ],
)
def test_a_fifth_more_water_comes_a_sixth_sooner_whatever_leads(
    lead: Lead, gap_s: float, trim: float
) -> None:
    cycle = demand_cycle(CycleKind.VPD, others={DayPart.DAY: bounds(1.0, 1e6)})

    at_s = due_s(led(lead, week=A_WEEK), cycle, after=since(0.0, trim=trim))

    assert at_s == pytest.approx(gap_s / (1.0 + trim))


def test_no_trim_goes_beyond_the_bounds() -> None:
    assert due_s(led(Lead.TIMETABLE), FILM, after=since(trim=-0.5, timed_gap_s=2000.0)) == 2700.0
    assert due_s(led(Lead.TIMETABLE), FILM, after=since(trim=1.0, timed_gap_s=130.0)) == 120.0


# ---- hysteresis of a sensor


@pytest.mark.parametrize(
    ("was_dry", "wet", "is_dry"),
    [
        (False, 0.4, True),
        (False, 0.4 + 1e-9, False),
        (False, 0.0, True),
        (True, 0.4 + WET_HYSTERESIS, True),
        (True, 0.4 + WET_HYSTERESIS + 1e-9, False),
        (True, 0.4, True),
    ],
)
def test_a_sensor_is_dry_at_its_set_point_and_wet_again_a_tenth_above_it(
    was_dry: bool, wet: float, is_dry: bool
) -> None:
    assert is_sensor_dry(was_dry, wet, 0.4) is is_dry


# ---- how long


def test_a_fixed_burst_is_given_by_any_reading_and_left_to_others_without() -> None:
    for lead in Lead:
        burst_s = burst_on_demand_s(led(lead), VPD, (SOURCE,), 0.0)
        assert burst_s == (None if lead in NO_READINGS else 5.0)


@pytest.mark.parametrize("lead", [Lead.FILM, Lead.LEAF_WETNESS])
def test_a_burst_without_a_set_length_refills_the_mean_leaf(lead: Lead) -> None:
    gone_s = FULL_UM / 0.05

    assert burst_on_demand_s(led(lead), FILM, (SOURCE,), 0.0) == FILM.shortest_burst_s
    assert burst_on_demand_s(led(lead), FILM, (SOURCE,), gone_s) == pytest.approx(1.0 + 50.0 / 7.0)


@pytest.mark.parametrize(
    ("wet", "film_um"), [(0.0, 0.0), (-0.2, 0.0), (0.5, 50.0 * 0.5**1.5), (1.0, 50.0), (1.2, 50.0)]
)
def test_without_a_source_the_burst_refills_what_the_driest_sensor_lacks(wet: float, film_um: float) -> None:
    cycle = demand_cycle(CycleKind.LEAF_WETNESS, source=None)

    burst_s = burst_on_demand_s(led(Lead.LEAF_WETNESS, driest_wet=wet), cycle, (), 0.0)

    assert burst_s == pytest.approx(cycle.refilling_s(film_um))


def test_with_neither_source_nor_word_of_a_sensor_the_length_is_left_to_the_timetable() -> None:
    cycle = demand_cycle(CycleKind.LEAF_WETNESS, source=None)

    assert burst_on_demand_s(led(Lead.LEAF_WETNESS), cycle, (), 0.0) is None
