"""A zone's cycle as a setting: what it goes on with, what leads it, what is refused, and its way back."""

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from math import inf, nextafter

import pytest

from mistd.core.actions import Outcome
from mistd.core.almanac import Almanac, DayPart
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.durable import Restored, durable, restored
from mistd.core.events import EventKind
from mistd.core.film import drying_um, film_of_drying_um
from mistd.core.plan import HousePlan, SourcePlan, ZonePlan
from mistd.core.readings import SensorKind
from mistd.core.settings import CycleSet, CycleWanted, SettingKind
from mistd.core.zone_demand import Lead, ZoneDemand
from tests.core.houses import (
    A_DATE,
    PaperHouse,
    almanac,
    answers,
    ask_setting,
    ask_undo,
    house_at_work,
    house_plan,
    kept,
    ready,
    sensor_plan,
    timetable,
    told,
    zone_plan,
)
from tests.core.test_changes import the_refusal

SOURCE = SourcePlan(air="air", humidity="rh")
BOUNDS = DemandBounds(shortest_gap_s=120.0, longest_gap_s=2700.0)
A_DRY_DAY = {"air": 30.0, "rh": 0.3}


def cycle(kind: CycleKind = CycleKind.FILM, **other: object) -> DemandCycle:
    known: dict[str, object] = {
        "kind": kind,
        "bounds": dict.fromkeys(DayPart, BOUNDS),
        "dry_back_wet": 0.4,
        "holds_um": 50.0,
        "rate_um_per_s": 2.5,
        "fills_s": 1.0,
        "longest_burst_s": 20.0,
        "source": 0,
        "set_point_kpa_s": 1800.0,
        "wetness_sensors": ("leaf",),
    }
    return DemandCycle(**{**known, **other})  # type: ignore[arg-type]


def bounded(**parts: DemandBounds | None) -> Mapping[DayPart, DemandBounds | None]:
    return {part: parts.get(part.value, BOUNDS) for part in DayPart}


def wanted(value: DemandCycle | None) -> CycleSet:
    kind = value.kind if value else CycleKind.TIMED
    return CycleSet(cycle=value, wanted=CycleWanted(written={"cycle": kind.value}, words=kind.value))


FILM, VPD, WETNESS = (wanted(cycle(kind)) for kind in (CycleKind.FILM, CycleKind.VPD, CycleKind.LEAF_WETNESS))
TIMED = wanted(None)


def house(*zones: ZonePlan) -> HousePlan:
    sensors = [
        sensor_plan("air", stale_after_s=1e6),
        sensor_plan("rh", SensorKind.RELATIVE_HUMIDITY, 1e6),
        replace(sensor_plan("leaf", SensorKind.LEAF_WETNESS, 1e6), zone="a"),
    ]
    return replace(house_plan(*zones, sensors=sensors), sources=(SOURCE,))


TIMED_IN_THE_FILE = house(zone_plan("a"), zone_plan("b"))
FILM_IN_THE_FILE = house(replace(zone_plan("a"), demand=cycle()), zone_plan("b"))


def put(paper: PaperHouse, now_s: float, value: CycleSet | None, request_id: str = "set-1") -> None:
    decision = paper.decide(now_s, ask_setting(SettingKind.CYCLE, value, request_id=request_id))
    assert [answer.outcome for answer in answers(decision)] == [Outcome.DONE]


def demand_of(paper: PaperHouse) -> ZoneDemand:
    demand = paper.zone().demand
    assert demand is not None
    return demand


def refusal(value: CycleSet, plan: HousePlan = TIMED_IN_THE_FILE) -> str:
    return the_refusal(house_at_work(plan), 10.0, ask_setting(SettingKind.CYCLE, value))


# In force.


@pytest.mark.parametrize(
    ("value", "lead"), [(FILM, Lead.FILM), (VPD, Lead.VPD), (WETNESS, Lead.LEAF_WETNESS)]
)
def test_a_timed_zone_that_is_set_to_a_cycle_is_led_by_it(value: CycleSet, lead: Lead) -> None:
    paper = house_at_work(TIMED_IN_THE_FILE)

    put(paper, 10.0, value)

    assert paper.zone().demand_cycle == value.cycle
    assert demand_of(paper).lead is lead
    assert paper.zone("b").demand_cycle is None


def test_a_zone_set_to_film_is_misted_when_its_film_is_gone_long_before_its_timetable() -> None:
    paper = house_at_work(TIMED_IN_THE_FILE)
    paper.decide(5.0, readings=A_DRY_DAY)
    put(paper, 10.0, FILM)

    paper.mist_until(500.0)

    assert {zone for _, zone, _ in paper.orders()} == {"a"}
    (began, *_) = paper.told(EventKind.BURST_STARTED)
    assert "film" in began.reason


def test_a_zone_set_back_to_its_timetable_is_misted_by_that_alone() -> None:
    paper = house_at_work(FILM_IN_THE_FILE)
    paper.decide(5.0, readings=A_DRY_DAY)

    put(paper, 10.0, TIMED)

    assert paper.zone().demand_cycle is None
    assert paper.zone().due_s == paper.zone("b").due_s == 600.0
    paper.mist_until(620.0)
    assert [(zone, for_s) for _, zone, for_s in paper.orders()] == [("a", 5.0), ("b", 5.0)]


def test_none_is_the_files_cycle_again() -> None:
    paper = house_at_work(FILM_IN_THE_FILE)
    put(paper, 10.0, TIMED)

    put(paper, 20.0, None, "set-2")

    assert paper.zone().demand_cycle is paper.plan.zones[0].demand


def test_a_part_that_the_new_cycle_leaves_off_has_no_mist() -> None:
    paper = house_at_work(TIMED_IN_THE_FILE)

    put(paper, 10.0, wanted(cycle(bounds=bounded(day=None))))

    assert not paper.zone().mists_in(DayPart.DAY)
    assert paper.zone().mists_in(DayPart.NIGHT)
    assert paper.zone().due_s == inf


# What is kept, and what begins afresh.


def lived_by_film() -> PaperHouse:
    """A zone on film that was misted and has dried since."""
    paper = house_at_work(FILM_IN_THE_FILE)
    paper.decide(5.0, readings=A_DRY_DAY)
    paper.mist_until(900.0)
    assert paper.zone().today.bursts > 0
    return paper


def test_the_film_and_the_week_go_on_under_another_cycle() -> None:
    paper = lived_by_film()
    before = demand_of(paper)

    put(paper, 900.0, VPD)

    after = demand_of(paper)
    assert (after.thirst, after.week) == (before.thirst, before.week)
    assert after.week.is_sound
    assert after.sum_from_kpa_s == before.sum_from_kpa_s > 0.0
    assert after.lead is Lead.VPD
    assert after.mark == pytest.approx(after.sum_from_kpa_s + 1800.0)


def test_a_leaf_that_is_taken_to_hold_more_has_the_same_depth_of_water_on_it() -> None:
    paper = lived_by_film()
    meter_um = paper.house.sources[0].um_at(900.0)
    before = demand_of(paper)
    depth_um = film_of_drying_um(before.thirst.driest_um - (meter_um - before.thirst.at_um), 50.0)

    put(paper, 900.0, wanted(cycle(holds_um=100.0)))

    after = demand_of(paper)
    assert after.thirst.at_um == meter_um
    assert film_of_drying_um(after.thirst.driest_um, 100.0) == pytest.approx(depth_um)


def test_a_leaf_that_is_taken_to_hold_less_is_full_at_most() -> None:
    paper = lived_by_film()
    paper.decide(905.0, ready(-1e5))

    put(paper, 905.0, wanted(cycle(holds_um=1.0)))

    after = demand_of(paper)
    assert after.thirst.mean_um <= drying_um(1.0, 1.0)


def midnight(day: int) -> Almanac:
    return almanac(day_began_s=day * 86_400.0, local_date=A_DATE + timedelta(days=day))


def test_a_day_of_which_part_was_by_the_timetable_is_none_of_its_own_week() -> None:
    """Else the days without a burst on demand would have it misted by a week of them."""
    paper = lived_by_film()
    put(paper, 900.0, TIMED)
    for day in (1, 2):
        paper.decide(day * 86_400.0 + 1.0, midnight(day))

    put(paper, 2 * 86_400.0 + 10.0, FILM, "set-2")
    paper.decide(3 * 86_400.0 + 1.0, midnight(3))
    demand = demand_of(paper)
    assert demand.week.days == ()
    assert demand.week.is_sound

    paper.decide(4 * 86_400.0 + 1.0, midnight(4))

    demand = demand_of(paper)
    assert len(demand.week.days) == 1


def test_a_new_cycle_whose_readings_are_dead_is_led_by_what_is_left_and_tells_it() -> None:
    plan = house(zone_plan("a"), zone_plan("b"))
    plan = replace(
        plan, sensors={name: replace(each, stale_after_s=60.0) for name, each in plan.sensors.items()}
    )
    paper = house_at_work(plan)
    paper.wait_until(100.0)

    put(paper, 110.0, FILM)

    assert demand_of(paper).lead is Lead.TIMETABLE
    (fell,) = paper.told(EventKind.CYCLE_FELL_BACK)
    assert "air is lost" in fell.reason
    assert paper.zone().due_s == 600.0


def test_a_cycle_that_was_led_by_another_begins_with_its_own_readings_when_it_is_set_anew() -> None:
    paper = house_at_work(FILM_IN_THE_FILE)
    doubtful = replace(demand_of(paper), lead=Lead.TIMETABLE, why="air is lost")
    paper.house.zones[0].demand = doubtful

    put(paper, 10.0, wanted(cycle(dry_back_wet=0.5)))

    demand = demand_of(paper)
    assert (demand.lead, demand.why) == (Lead.FILM, "")


def test_a_running_burst_is_left_to_its_end_and_counts_for_the_new_cycle() -> None:
    paper = house_at_work(TIMED_IN_THE_FILE)
    paper.mist_until(600.0)
    assert paper.zone().phase == "open"

    put(paper, 602.0, FILM)
    paper.mist_until(606.0)

    assert paper.zone().phase == "resting"
    assert demand_of(paper).thirst.driest_um > 0.0


# What is refused, with what is allowed.


@pytest.mark.parametrize("kind", [CycleKind.FILM, CycleKind.VPD])
def test_a_cycle_without_air_and_humidity_is_refused_with_what_is_missing(kind: CycleKind) -> None:
    reason = refusal(wanted(cycle(kind, source=None)))

    assert reason.startswith(f"{kind.value} needs air_temperature and relative_humidity sensors")
    assert "timed, or leaf_wetness" in reason


def test_leaf_wetness_without_a_sensor_of_the_zone_is_refused_with_what_is_missing() -> None:
    reason = refusal(wanted(cycle(CycleKind.LEAF_WETNESS, wetness_sensors=())))

    assert reason.startswith("leaf_wetness needs a leaf_wetness sensor with zone = 'a'")
    assert "vpd, film or timed" in reason


def test_leaf_wetness_needs_no_air_and_film_no_leaf() -> None:
    put(house_at_work(TIMED_IN_THE_FILE), 10.0, wanted(cycle(CycleKind.LEAF_WETNESS, source=None)))
    put(house_at_work(TIMED_IN_THE_FILE), 10.0, wanted(cycle(wetness_sensors=())))


def test_a_longest_gap_like_the_shortest_is_refused_and_a_longer_one_is_not() -> None:
    alike = DemandBounds(shortest_gap_s=120.0, longest_gap_s=120.0)
    longer = DemandBounds(shortest_gap_s=120.0, longest_gap_s=nextafter(120.0, 999.0))

    reason = refusal(wanted(cycle(bounds=bounded(dusk=alike))))
    assert reason == "dusk longest_gap_min: 2 min; allowed above this zone's shortest gap of 2 min"
    put(house_at_work(TIMED_IN_THE_FILE), 10.0, wanted(cycle(bounds=bounded(dusk=longer))))


def test_a_cycle_that_never_mists_is_refused() -> None:
    reason = refusal(wanted(cycle(bounds=dict.fromkeys(DayPart, None))))

    assert reason == "off in every part of the day; a zone that needs no mist is closed by its hand valve"


@pytest.mark.parametrize(
    ("burst_s", "words"),
    [
        (nextafter(20.0, 99.0), "burst_s: 20 s; allowed up to this zone's longest_burst_s of 20 s"),
        (nextafter(3.0, 0.0), "burst_s: 3 s would wet nothing at the far end; allowed from 3 s"),
    ],
)
def test_a_fixed_burst_beyond_what_is_wired_is_refused(burst_s: float, words: str) -> None:
    assert refusal(wanted(cycle(fixed_burst_s=burst_s))) == words


@pytest.mark.parametrize("burst_s", [20.0, 3.0])
def test_a_fixed_burst_on_the_limit_is_given(burst_s: float) -> None:
    put(house_at_work(TIMED_IN_THE_FILE), 10.0, wanted(cycle(fixed_burst_s=burst_s)))


def test_a_zone_whose_longest_burst_reaches_no_far_nozzle_is_left_timed() -> None:
    reason = refusal(wanted(cycle(fills_s=nextafter(18.0, 99.0))))

    assert reason.startswith("on demand it needs bursts of 20 s or more, and its longest_burst_s")
    put(house_at_work(TIMED_IN_THE_FILE), 10.0, wanted(cycle(fills_s=18.0)))


def test_a_zone_on_demand_counts_with_the_burst_it_falls_back_to_where_that_is_longer() -> None:
    """Bursts of 5 s and 16 s by timetable, though 4 s on demand, and two pauses of 2 s take 25 s."""
    plan = house(zone_plan("a", timetable(16.0, 600.0, off=[DayPart.DAY])), zone_plan("b"))
    tight = DemandBounds(shortest_gap_s=20.0, longest_gap_s=24.9)

    reason = refusal(wanted(cycle(fixed_burst_s=4.0, bounds=bounded(day=tight))), plan)

    assert reason.startswith("by day the 2 zones take 25 s of the line")


def test_a_longest_gap_that_the_line_cannot_keep_beside_the_others_is_refused() -> None:
    """Two bursts, of 5 s and 20 s, and two pauses of 2 s take 29 s."""
    kept_by_the_line = DemandBounds(shortest_gap_s=20.0, longest_gap_s=29.0)
    beyond = replace(kept_by_the_line, longest_gap_s=nextafter(29.0, 0.0))

    reason = refusal(wanted(cycle(fixed_burst_s=20.0, bounds=bounded(day=beyond))))
    assert reason.startswith(
        "by day the 2 zones take 29 s of the line for one round, and the shortest gap is"
    )
    put(
        house_at_work(TIMED_IN_THE_FILE),
        10.0,
        wanted(cycle(fixed_burst_s=20.0, bounds=bounded(day=kept_by_the_line))),
    )


def test_every_reason_is_told_at_once() -> None:
    bad = DemandBounds(shortest_gap_s=600.0, longest_gap_s=300.0)

    reason = refusal(wanted(cycle(source=None, fixed_burst_s=30.0, bounds=bounded(day=bad))))

    assert all(word in reason for word in ("film needs", "day longest_gap_min", "burst_s: 30 s"))


def test_another_zones_timetable_is_judged_beside_the_cycle_that_is_set() -> None:
    plan = house(zone_plan("a"), zone_plan("b", shortest_rest_s=1.0))
    paper = house_at_work(plan)
    put(paper, 10.0, wanted(cycle(fixed_burst_s=20.0)))

    decision = paper.decide(
        20.0, ask_setting(SettingKind.TIMETABLE, timetable(5.0, 20.0), "b", request_id="set-2")
    )

    assert [answer.outcome for answer in answers(decision)] == [Outcome.REFUSED]
    assert "the 2 zones take 29 s" in answers(decision)[0].reason


# Undo.


def test_a_cycle_goes_back_to_the_one_before_it_and_then_to_the_files() -> None:
    paper = house_at_work(TIMED_IN_THE_FILE)
    put(paper, 10.0, FILM)
    put(paper, 20.0, VPD, "set-2")

    undone = paper.decide(30.0, ask_undo(2))
    assert paper.zone().cycle_set == FILM
    assert kept(undone)[0].value == FILM
    assert demand_of(paper).lead is Lead.FILM
    paper.decide(40.0, ask_undo(1, request_id="undo-2"))

    assert paper.zone().cycle_set is None
    assert paper.zone().demand_cycle is None
    assert paper.zone().due_s == 600.0
    assert [event.reason for event in told(undone, EventKind.SETTING_UNDONE)] == [
        "revision 2 undone: cycle film, by ilse"
    ]


def test_going_back_to_the_files_cycle_is_judged_beside_what_was_set_since() -> None:
    """A burst of 20 s in a gap of 29 s fits beside one of 5 s, and not beside one of 20 s."""
    tight = {DayPart.DAY: DemandBounds(shortest_gap_s=20.0, longest_gap_s=29.0)}
    of_file = cycle(fixed_burst_s=20.0, bounds={**bounded(), **tight})
    paper = house_at_work(house(replace(zone_plan("a"), demand=of_file), zone_plan("b")))
    put(paper, 10.0, TIMED)
    paper.decide(20.0, ask_setting(SettingKind.TIMETABLE, timetable(8.0, 600.0), "b", request_id="set-2"))

    reason = the_refusal(paper, 30.0, ask_undo(1))

    assert reason.startswith("by day the 2 zones take 32 s")


# At a start.


def started(paper: PaperHouse, plan: HousePlan) -> Restored:
    rows = json.loads(json.dumps(durable(paper.house)))
    return restored(plan, rows, almanac(), 30.0, settings=paper.house.settings)


def test_a_cycle_that_was_set_is_in_force_again_after_a_start() -> None:
    paper = house_at_work(TIMED_IN_THE_FILE)
    put(paper, 10.0, VPD)

    back = started(paper, TIMED_IN_THE_FILE)

    assert back.not_applied == ()
    assert [zone.cycle_set for zone in back.house.zones] == [VPD, None]
    demand = back.house.zones[0].demand
    assert demand is not None
    assert demand.lead is Lead.VPD


def test_a_zone_on_demand_that_was_set_to_its_timetable_is_led_by_that_after_a_start() -> None:
    paper = house_at_work(FILM_IN_THE_FILE)
    put(paper, 10.0, TIMED)

    back = started(paper, FILM_IN_THE_FILE)

    assert back.house.zones[0].demand_cycle is None
    assert back.house.zones[0].due_s == 600.0


def test_a_cycle_that_the_file_forbids_by_now_gives_way_to_the_files_and_is_told() -> None:
    """Its sensor is gone from the file, and reckoned by that the cycle has none."""
    paper = house_at_work(TIMED_IN_THE_FILE)
    put(paper, 10.0, VPD)
    (revision,) = paper.house.settings.stacks[SettingKind.CYCLE, "a"]
    without = replace(revision, value=wanted(cycle(CycleKind.VPD, source=None)))
    paper.house.settings = replace(paper.house.settings, stacks={revision.key: (without,)})

    back = started(paper, TIMED_IN_THE_FILE)

    ((zone, why),) = back.not_applied
    assert zone == "a"
    assert why.startswith("it has the cycle of the house's file: vpd needs air_temperature")
    assert back.house.zones[0].cycle_set is None


def test_cycles_that_want_more_of_the_line_than_there_is_by_now_go_back_to_the_file() -> None:
    tight = DemandBounds(shortest_gap_s=20.0, longest_gap_s=29.0)
    paper = house_at_work(TIMED_IN_THE_FILE)
    put(paper, 10.0, wanted(cycle(fixed_burst_s=20.0, bounds=bounded(day=tight))))

    back = started(paper, replace(TIMED_IN_THE_FILE, pause_s=2.1))

    ((zone, why),) = back.not_applied
    assert zone == "a"
    assert why.startswith("it has the cycle of the house's file: by day the 2 zones take")
    assert back.house.zones[0].demand_cycle is None


def test_a_burst_that_only_just_fills_its_line_counts_as_none() -> None:
    """A timetable may be set whose burst takes exactly as long as filling: it wets nothing."""
    paper = house_at_work(house(replace(zone_plan("a", timetable(1.0, 600.0)), demand=cycle(CycleKind.VPD))))
    paper.decide(5.0, readings=A_DRY_DAY)

    paper.mist_until(4000.0)

    assert {for_s for _, zone, for_s in paper.orders() if zone == "a"} == {1.0}
    assert demand_of(paper).sum_from_kpa_s == 0.0
