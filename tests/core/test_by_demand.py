"""Houses on demand, decided as the daemon does: what bounds hold, what bursts do, what a grower wants."""

from math import isfinite

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind
from mistd.core.demand_source import SHELTER, SHELTER_BY_NIGHT, USUAL_UM_PER_S, rates_of
from mistd.core.events import EventKind
from mistd.core.film import drying_um
from mistd.core.house_radiation import BenchReadings
from mistd.core.plan import SourcePlan
from mistd.core.settings import SettingKind, SkipSet, TrimSet
from mistd.core.thirst import UNSURE_ALONE, UNSURE_OF_LIGHT, dried, mean_film_um
from mistd.core.wetness_trust import STRIKES, TRUSTED_AFTER
from mistd.core.zone_demand import sum_kpa_s
from tests.core.houses import (
    account,
    almanac,
    ask_burst,
    ask_setting,
    house_at_work,
    new_house,
    opened,
    openings,
    ready,
    shut,
    timetable,
    told,
)
from tests.core.houses_on_demand import (
    FULL_UM,
    PATIENT,
    bounds,
    demand_cycle,
    demand_house,
    demand_house_plan,
    demand_of,
    gaps_s,
    give,
    live,
    swing,
)

FELL, CAME = EventKind.CYCLE_FELL_BACK, EventKind.CYCLE_CAME_BACK
DOUBTED, TRUSTED = EventKind.WETNESS_DOUBTED, EventKind.WETNESS_TRUSTED
FILM, VPD, WETNESS = CycleKind.FILM, CycleKind.VPD, CycleKind.LEAF_WETNESS


def test_all_four_are_told_with_finite_figures() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(WETNESS, wetness=("leaf-1",), others=PATIENT)))
    for place in range(STRIKES):
        swing(paper, 300.0 + 200.0 * place, 0.5, 0.5)
    for place in range(TRUSTED_AFTER):
        swing(paper, 2000.0 + 200.0 * place, 0.3, 0.9)
    paper.decide(5000.0, readings={"leaf-1": 0.8})

    assert {FELL, CAME, DOUBTED, TRUSTED} <= {event.kind for event in paper.events}
    figures = [figure for event in paper.events for figure in event.figures.values()]
    assert all(isinstance(figure, str) or isfinite(figure) for figure in figures)
    assert not [
        event.reason for event in paper.events if "inf" in event.reason.split() or "nan" in event.reason
    ]


# ---- bounds


def test_a_zone_that_is_off_at_night_is_not_asked_by_a_dry_sensor_and_is_misted_at_dawn() -> None:
    cycle = demand_cycle(WETNESS, wetness=("leaf-1",), others={DayPart.NIGHT: None})
    paper = demand_house(demand_house_plan(cycle), part=almanac(DayPart.NIGHT))

    for minute in range(1, 60):
        paper.decide(60.0 * minute, readings={"leaf-1": 0.1})
    at_night = paper.orders()
    paper.decide(3600.0, almanac(DayPart.DAWN))

    assert at_night == []
    assert paper.told(EventKind.BURST_REFUSED) == []
    assert [at_s for at_s, _, _ in paper.orders()] == [3600.0]


SAYS = st.dictionaries(
    st.sampled_from(["air", "humidity", "leaf-1", "leaf-2"]),
    st.one_of(
        st.sampled_from([-127.0, 0.0, 0.03, 0.5, 1.0, 1.2, 5.0, 25.0, 68.0, float("nan")]),
        st.floats(-1.0, 60.0),
    ),
    max_size=4,
)


@settings(max_examples=60, deadline=None)
@given(
    kind=st.sampled_from([FILM, VPD, WETNESS]),
    said=st.lists(st.tuples(st.floats(0.5, 900.0), SAYS), min_size=1, max_size=40),
    longest_s=st.sampled_from([600.0, 1500.0]),
    part=st.sampled_from([DayPart.DAWN, DayPart.DAY, DayPart.DUSK]),
    timed_gap_s=st.sampled_from([300.0, 5000.0]),
)
def test_in_the_light_no_zone_waits_longer_than_its_longest_gap_whatever_its_sensors_say(
    kind: CycleKind,
    said: list[tuple[float, dict[str, float]]],
    longest_s: float,
    part: DayPart,
    timed_gap_s: float,
) -> None:
    cycle = demand_cycle(kind, wetness=("leaf-1", "leaf-2"), others={part: bounds(60.0, longest_s)})
    plan = demand_house_plan(cycle, stale_after_s=700.0, timed=timetable(5.0, timed_gap_s))
    paper = house_at_work(plan, part=almanac(part))

    at_s = 0.0
    for passed_s, readings in said:
        at_s += passed_s
        paper.mist_until(at_s)
        paper.decide(at_s, readings=readings)
        paper.open_what_was_ordered()
    paper.mist_until(at_s + longest_s + 30.0)

    first_s = paper.orders()[0][0]
    assert first_s <= longest_s + 1e-6
    assert all(60.0 - 1e-6 <= gap_s <= longest_s + 1e-6 for gap_s in gaps_s(paper))


@settings(max_examples=40, deadline=None)
@given(
    said=st.lists(
        st.tuples(
            st.floats(0.5, 600.0), SAYS, st.sampled_from([None, DayPart.DAWN, DayPart.DAY, DayPart.DUSK])
        ),
        min_size=1,
        max_size=40,
    )
)
def test_zones_that_share_a_line_wait_no_longer_than_the_others_bursts_whatever_part_begins(
    said: list[tuple[float, dict[str, float], DayPart | None]],
) -> None:
    """Four zones, one valve at a time: at most three bursts of 20 s and their pauses before one's own."""
    longest = dict.fromkeys(DayPart, bounds(100.0, 900.0))
    kinds = [(FILM, "leaf-1"), (VPD, "leaf-2"), (WETNESS, "leaf-3"), (WETNESS, "leaf-4")]
    cycles = [demand_cycle(kind, wetness=(sensor,), others=longest) for kind, sensor in kinds]
    paper = house_at_work(demand_house_plan(*cycles, stale_after_s=700.0))

    at_s = 0.0
    for passed_s, readings, part in said:
        at_s += passed_s
        paper.mist_until(at_s)
        paper.decide(at_s, *([almanac(part)] if part else []), readings=readings)
        paper.open_what_was_ordered()
    paper.mist_until(at_s + 1000.0)

    queue_s = 3.0 * (20.0 + paper.plan.pause_s) + paper.plan.pause_s
    for zone in "abcd":
        assert all(100.0 - 1e-6 <= gap_s <= 900.0 + queue_s for gap_s in gaps_s(paper, zone))
        assert paper.zone(zone).shut_s > at_s - queue_s


@pytest.mark.parametrize(("set_point_kpa_s", "is_due"), [(1e5, False), (500.0, True)])
def test_a_reading_that_takes_the_sum_past_its_set_point_brings_the_burst_with_it(
    set_point_kpa_s: float, is_due: bool
) -> None:
    """Not in the next decision: one that is needed at once is one too many."""
    paper = demand_house(demand_house_plan(demand_cycle(VPD, set_point_kpa_s=set_point_kpa_s)))
    paper.decide(1.0, readings={"humidity": 1.0})

    decision = paper.decide(900.0, readings={"humidity": 0.03, "air": 25.1})

    assert bool(openings(decision)) is is_due


@settings(max_examples=40, deadline=None)
@given(
    kind=st.sampled_from([FILM, VPD, WETNESS]),
    extra_s=st.lists(st.floats(1.0, 7000.0), max_size=30).map(sorted),
)
def test_deciding_more_often_than_asked_for_changes_no_burst(kind: CycleKind, extra_s: list[float]) -> None:
    plan = demand_house_plan(demand_cycle(kind, wetness=("leaf-1",)))
    seldom, often = demand_house(plan), demand_house(plan)
    for paper, looks in ((seldom, []), (often, extra_s)):
        for hour in (1, 2):
            for look_s in looks:
                if 3600.0 * (hour - 1) < look_s < 3600.0 * hour:
                    paper.mist_until(look_s)
            paper.mist_until(3600.0 * hour)
            paper.decide(3600.0 * hour, readings={"air": 30.0, "humidity": 0.4 + 0.1 * hour, "leaf-1": 0.7})
            paper.open_what_was_ordered()

    assert len(often.orders()) == len(seldom.orders())
    for one, other in zip(often.orders(), seldom.orders(), strict=True):
        assert (one[0], one[2]) == pytest.approx((other[0], other[2]), abs=1e-6)
    assert len(seldom.orders()) > 2


@pytest.mark.parametrize("part", [DayPart.DAWN, DayPart.DUSK])
def test_from_sunrise_on_a_film_is_misted_sooner_though_the_part_of_the_day_is_the_same(
    part: DayPart,
) -> None:
    """Dawn begins before the sun is up: what was due by night's pace is not waited for in the light."""
    wide = demand_cycle(FILM, others=dict.fromkeys(DayPart, bounds(120.0, 1e6)))
    paper = demand_house(demand_house_plan(wide), part=almanac(part, is_light=False))
    give(paper, 90.0, 20.0)
    paper.decide(112.0, readings={"humidity": 0.61})
    dark_s = paper.wake_at_s

    paper.decide(113.0, almanac(part, is_light=True))

    rates = paper.house.sources[0].rates
    thirst = demand_of(paper).thirst
    mark_um = thirst.at_um + (FULL_UM - wide.dry_back_drying_um) / (1.0 + UNSURE_ALONE + UNSURE_OF_LIGHT)
    assert paper.wake_at_s == pytest.approx(paper.house.sources[0].um_reached_s(mark_um))
    assert paper.wake_at_s < 113.0 + (dark_s - 113.0) * SHELTER_BY_NIGHT / SHELTER
    assert rates.assumed_light


def test_when_light_is_no_longer_measured_a_film_is_misted_sooner() -> None:
    wide = demand_cycle(FILM, others=dict.fromkeys(DayPart, bounds(120.0, 1e6)))
    plan = demand_house_plan(wide, source=SourcePlan(air="air", humidity="humidity", light="light"))
    paper = demand_house(plan)
    paper.decide(0.5, readings={"light": 200.0})
    give(paper, 90.0, 20.0)
    measured = demand_of(paper).mark

    paper.decide(130.0, readings={"light": 0.0})

    share = (1.0 + UNSURE_ALONE) / (1.0 + UNSURE_ALONE + UNSURE_OF_LIGHT)
    at_um = demand_of(paper).thirst.at_um
    assert demand_of(paper).mark - at_um == pytest.approx(share * (measured - at_um))


# ---- what a grower wants


@pytest.mark.parametrize("fraction", [0.25, -0.2])
def test_a_trim_moves_the_next_burst_as_soon_as_it_is_set_and_back_as_it_ends(fraction: float) -> None:
    paper = demand_house(demand_house_plan(demand_cycle(VPD)))
    plain_s = 900.0 / paper.house.sources[0].rates.kpa

    trim = TrimSet(fraction=fraction, for_s=500.0)
    paper.decide(100.0, ask_setting(SettingKind.TRIM, trim))
    paper.mist_until(1000.0)

    assert paper.orders()[0][0] == pytest.approx(plain_s / 1.25 if fraction > 0.0 else plain_s)


def test_a_burst_that_is_left_out_is_not_asked_for_again_at_once() -> None:
    """The film is at its dry-back still: the next burst comes after another gap like the one before."""
    paper = demand_house(demand_house_plan(demand_cycle(VPD)))
    gap_s = 900.0 / paper.house.sources[0].rates.kpa
    paper.decide(10.0, ask_setting(SettingKind.SKIP, SkipSet(for_s=7200.0)))

    paper.mist_until(2.5 * gap_s)

    assert [event.at_s for event in paper.told(EventKind.BURST_SKIPPED)] == pytest.approx([gap_s])
    assert [at_s for at_s, _, _ in paper.orders()] == pytest.approx([2.0 * gap_s])


# ---- what bursts do


@pytest.mark.parametrize(
    ("open_s", "left"),
    [(0.5, 1.0), (1.0, 1.0), (2.0, 0.75), (3.0, 0.5), (5.0, 0.0), (9.0, 0.0)],
)
def test_the_sum_falls_in_proportion_to_what_a_burst_sprays(open_s: float, left: float) -> None:
    """A whole burst is 5 s, of which the first only fills the line."""
    paper = demand_house(demand_house_plan(demand_cycle(VPD)))
    paper.decide(400.0, ask_burst(for_s=max(open_s, 1.0)))
    paper.open_what_was_ordered()
    shut_s = 400.0 + open_s
    sum_before = sum_kpa_s(demand_of(paper), paper.house.sources[0], shut_s)

    paper.decide(shut_s, shut("a", paper.zone().ticket, shut_s, open_s, "a hold began"))

    sum_after = sum_kpa_s(demand_of(paper), paper.house.sources[0], shut_s)
    assert sum_before > 100.0
    assert sum_after == pytest.approx(left * sum_before, abs=1e-9)


def test_after_a_short_burst_the_next_comes_as_much_sooner() -> None:
    """900 kPa s at 1.27 kPa are 710 s; half of what had come by 400 s is left."""
    paper = demand_house(demand_house_plan(demand_cycle(VPD)))
    kpa = paper.house.sources[0].rates.kpa
    give(paper, 397.0, 3.0)

    paper.mist_until(2000.0)

    assert paper.orders()[1][0] == pytest.approx(400.0 + (900.0 - 0.5 * 400.0 * kpa) / kpa)


@pytest.mark.parametrize("kind", [FILM, VPD, WETNESS])
@pytest.mark.parametrize("open_s", [0.4, 1.0])
def test_a_burst_that_only_fills_the_line_wets_nothing_and_takes_nothing_off_the_sum(
    kind: CycleKind, open_s: float
) -> None:
    paper = demand_house(demand_house_plan(demand_cycle(kind)))
    paper.decide(300.0, ask_burst(for_s=5.0))
    paper.open_what_was_ordered()

    paper.decide(300.0 + open_s, shut("a", paper.zone().ticket, 300.0 + open_s, open_s, "cut short"))

    demand = demand_of(paper)
    assert (demand.thirst.driest_um, demand.thirst.mean_um, demand.thirst.slow_um) == (0.0, 0.0, 0.0)
    assert demand.sum_from_kpa_s == pytest.approx(0.0)


def test_a_burst_longer_than_the_set_one_leaves_no_credit() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(VPD)))

    give(paper, 400.0, 20.0)

    assert sum_kpa_s(demand_of(paper), paper.house.sources[0], 420.0) == 0.0
    assert demand_of(paper).sum_from_kpa_s == pytest.approx(paper.house.sources[0].kpa_s_at(420.0))


@pytest.mark.parametrize("fills_s", [5.0, 6.0])
def test_where_a_whole_burst_only_fills_the_line_nothing_breaks(fills_s: float) -> None:
    paper = demand_house(demand_house_plan(demand_cycle(VPD, fills_s=fills_s)))

    give(paper, 400.0, 5.0)
    unsprayed = sum_kpa_s(demand_of(paper), paper.house.sources[0], 405.0)
    give(paper, 600.0, 7.0)

    assert unsprayed > 100.0
    assert sum_kpa_s(demand_of(paper), paper.house.sources[0], 607.0) == 0.0


def test_a_burst_is_asked_for_at_the_dry_back_and_fills_the_film() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM)), part=almanac(DayPart.NIGHT))
    live(paper, 30_000.0)

    cycle = paper.zone().demand_cycle
    assert cycle is not None
    assert len(gaps_s(paper)) > 3
    rate = paper.house.sources[0].rates.um_per_s
    full_um = drying_um(min(50.0, cycle.dry_back_um + cycle.caught_um(paper.orders()[-1][2])), 50.0)
    due = (full_um - cycle.dry_back_drying_um) / rate
    assert gaps_s(paper)[-1] == pytest.approx(min(due, 2700.0), rel=0.05)


def test_a_burst_from_before_this_start_has_dried_since() -> None:
    """Taken from the keeper: given 600 s ago, filled the leaf, and the air has had it for 600 s."""
    paper = new_house(demand_house_plan(demand_cycle(FILM)), part=almanac(day_began_s=-43_200.0))

    paper.decide(1.0, ready(-1e5, account("a", -619.0, -599.0)))

    thirst = demand_of(paper).thirst
    assert thirst.at_um == pytest.approx(-599.0 * USUAL_UM_PER_S[True])
    now_um = dried(thirst, paper.house.sources[0].um_at(1.0)).mean_um
    assert now_um == pytest.approx(FULL_UM - 600.0 * USUAL_UM_PER_S[True])


# ---- readings that come seldom


@pytest.mark.parametrize("kind", [FILM, VPD])
@pytest.mark.parametrize("is_together", [True, False])
def test_a_film_filled_between_two_readings_an_hour_apart_is_not_taken_for_fuller_than_full(
    kind: CycleKind, is_together: bool
) -> None:
    """Demand falls over the hour: what the reading sets right belongs to the time before the burst."""
    paper = demand_house(demand_house_plan(demand_cycle(kind, others=PATIENT, set_point_kpa_s=1e9)))
    first, last = (
        rates_of(BenchReadings(air_c=air_c, relative_humidity=humidity), DayPart.DAY, has_light=False)
        for air_c, humidity in ((25.0, 0.6), (25.1, 0.95))
    )
    give(paper, 2680.0, 20.0)

    if is_together:
        paper.decide(3600.0, readings={"air": 25.1, "humidity": 0.95})
    else:
        paper.decide(3600.0, readings={"air": 25.1})
        paper.decide(3600.0, readings={"humidity": 0.95})

    source, demand = paper.house.sources[0], demand_of(paper)
    slope = (last.um_per_s - first.um_per_s) / 3600.0
    truly_um = first.um_per_s * 900.0 + 0.5 * slope * (3600.0**2 - 2700.0**2)
    assert source.um_at(3600.0) - demand.thirst.at_um == pytest.approx(truly_um, rel=1e-6)
    slope = (last.kpa - first.kpa) / 3600.0
    truly_kpa_s = first.kpa * 900.0 + 0.5 * slope * (3600.0**2 - 2700.0**2)
    assert sum_kpa_s(demand, source, 3600.0) == pytest.approx(truly_kpa_s, rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(
    humidities=st.lists(st.floats(0.05, 1.0), min_size=2, max_size=5),
    bursts_s=st.lists(st.floats(10.0, 3500.0), min_size=1, max_size=3),
)
def test_no_leaf_is_ever_reckoned_to_have_more_than_it_holds(
    humidities: list[float], bursts_s: list[float]
) -> None:
    cycle = demand_cycle(FILM, wetness=("leaf-1",))
    paper = demand_house(demand_house_plan(cycle))

    for hour, humidity in enumerate(humidities):
        for after_s in sorted(bursts_s):
            at_s = 3600.0 * hour + after_s
            paper.mist_until(max(paper.now_s, at_s))
            paper.decide(paper.now_s + 1.0, readings={"leaf-1": 0.9})
            paper.open_what_was_ordered()
        paper.mist_until(max(paper.now_s, 3600.0 * (hour + 1)))
        paper.decide(paper.now_s, readings={"air": 20.0 + hour, "humidity": humidity})
        paper.open_what_was_ordered()

        meter_um = paper.house.sources[0].um_at(paper.now_s)
        mean_um = mean_film_um(demand_of(paper).thirst, cycle, meter_um)
        assert mean_um <= 50.0 + 1e-6


def test_reports_of_a_zone_that_is_led_by_its_timetable_for_good_need_no_demand() -> None:
    paper = house_at_work()

    decision = paper.decide(10.0, opened("a", 0, 10.0))

    assert paper.zone().demand is None
    assert told(decision, FELL) == []
