"""What a restart needs of zones on demand: films, sums, leads, weeks and whom they trust."""

import json
from collections.abc import Mapping
from dataclasses import replace
from math import inf, nan

import pytest

from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind
from mistd.core.demand_rows import (
    AIR_WRITTEN_AFTER_S,
    DAY_UNSOUND_AFTER_S,
    DEMAND_ROW,
    OF_THE_AIR,
    TRUST_ROW,
    is_worth_writing,
)
from mistd.core.demand_source import USUAL_KPA, USUAL_UM_PER_S
from mistd.core.durable import ZONE_ROW, Restored, durable, restored
from mistd.core.house import House
from mistd.core.own_week import DAYS, HOURS, OwnWeek
from mistd.core.plan import HousePlan, ZonePlan
from mistd.core.rows import Plain, Row
from mistd.core.thirst import SLOWEST_PACE, dried
from mistd.core.wetness_trust import WetnessTrust
from mistd.core.zone import Zone, due_s
from mistd.core.zone_demand import Lead, ZoneDemand
from tests.core.demand_houses import (
    BRIGHT,
    LEAVES,
    SHORTEST_GAP_S,
    demand_cycle,
    demand_house,
    demand_plan,
    demand_zone,
    live,
)
from tests.core.houses import PaperHouse, almanac, house_at_work, lost, ready, zone_plan

KILLED_S = 3 * 3600.0
A_ROW, LEAF_ROW = DEMAND_ROW + "a", TRUST_ROW + LEAVES[0]
LIVELY_WEEK = OwnWeek(
    today=(*range(HOURS),), days=tuple((day, *[2] * 23) for day in range(DAYS)), is_sound=True
)
Rows = dict[str, Row]


def rows_of(house: House) -> Rows:
    return {name: json.loads(json.dumps(row)) for name, row in durable(house).items()}


def lived_house(kind: CycleKind = CycleKind.FILM, *sensors: str, **more: float) -> PaperHouse:
    """Three bright hours of a zone; its sensors read what `more` says."""
    return live(demand_house(demand_zone("a", demand_cycle(kind, *sensors))), KILLED_S, {**BRIGHT, **more})


def demand_of(zone: Zone) -> ZoneDemand:
    assert zone.demand is not None
    return zone.demand


def back_from(
    rows: Mapping[str, Row],
    plan: HousePlan | None = None,
    now_s: float = KILLED_S,
    part: DayPart = DayPart.DAY,
    **how: float,
) -> Restored:
    return restored(plan or demand_plan(leaves=LEAVES), rows, almanac(part), now_s, **how)  # type: ignore[arg-type]


def again(rows: Mapping[str, Row], now_s: float = KILLED_S, part: DayPart = DayPart.DAY) -> ZoneDemand:
    """The zone's demand after a restart in which nothing was unreadable."""
    back = back_from(rows, now_s=now_s, part=part)
    assert back.unreadable == ()
    return demand_of(back.house.zones[0])


def spoilt(rows: Rows, name: str, field: str, value: object) -> Rows:
    return {**rows, name: {**rows[name], field: value}}  # type: ignore[dict-item]


# What is written


def test_zones_on_demand_and_leaf_wetness_sensors_have_rows_and_a_timetable_has_none() -> None:
    house = demand_house(demand_zone("a"), zone_plan("b"), leaves=LEAVES).house

    names = {name for name in durable(house) if name.startswith((DEMAND_ROW, TRUST_ROW))}

    assert names == {A_ROW, *(TRUST_ROW + name for name in LEAVES)}


def test_a_house_without_demand_has_the_rows_it_always_had() -> None:
    assert set(durable(house_at_work().house)) == {"house", "zone/a"}


@pytest.mark.parametrize("kind", [CycleKind.FILM, CycleKind.VPD, CycleKind.LEAF_WETNESS])
def test_what_comes_back_at_once_gives_the_same_rows_again(kind: CycleKind) -> None:
    paper = lived_house(kind, LEAVES[0], **{LEAVES[0]: 0.6})
    rows = rows_of(paper.house)

    back = back_from(rows, paper.plan)

    assert back.unreadable == ()
    after = rows_of(back.house)
    of_rates = {"um_per_s", "kpa"}  # what was measured is not measured yet
    assert after.keys() == rows.keys()
    for name, row in rows.items():
        for field in row.keys() - of_rates:
            assert after[name][field] == pytest.approx(row[field]), (name, field)


@pytest.mark.parametrize(
    ("kind", "sensors"),
    [(CycleKind.FILM, {}), (CycleKind.VPD, {}), (CycleKind.LEAF_WETNESS, {LEAVES[0]: 0.6})],
)
def test_a_restored_house_decides_as_one_that_was_never_away(
    kind: CycleKind, sensors: Mapping[str, float]
) -> None:
    """Alike but for what the air did until the first readings, half a minute of it."""
    paper = lived_house(kind, *sensors, **sensors)
    rows, killed = rows_of(paper.house), len(paper.orders())
    new = PaperHouse(house=back_from(rows, paper.plan, KILLED_S + 3.0).house, now_s=KILLED_S + 3.0)

    paper.decide(KILLED_S + 1.0, lost())
    for house in (paper, new):
        house.decide(KILLED_S + 3.0, ready())
        live(house, KILLED_S + 7200.0, {**BRIGHT, **sensors})

    never_away, made_again = paper.orders()[killed:], new.orders()
    assert len(made_again) == len(never_away) >= 5
    for (never_s, _, never_for_s), (again_s, _, again_for_s) in zip(never_away, made_again, strict=True):
        assert again_s == pytest.approx(never_s, abs=30.0)
        assert again_for_s == pytest.approx(never_for_s, abs=0.5)
    assert demand_of(new.zone()).lead is demand_of(paper.zone()).lead


# The time away


@pytest.mark.parametrize("part", [DayPart.DAY, DayPart.NIGHT])
def test_the_time_away_dries_and_adds_up_as_is_usual_in_light_and_in_the_dark(part: DayPart) -> None:
    rows = rows_of(lived_house().house)
    slow_air = {**rows[A_ROW], "um_per_s": 0.0, "kpa": 0.0}
    is_light = part is DayPart.DAY
    by_um = USUAL_UM_PER_S[is_light] * 600.0

    after = again({**rows, A_ROW: slow_air}, KILLED_S + 600.0, part)

    before = {name: value for name, value in slow_air.items() if isinstance(value, float)}
    dried_um, film = before["dried_um"] + by_um, dried(after.thirst, 0.0)
    assert film.driest_um == pytest.approx(before["driest_um"] - dried_um)
    assert film.mean_um == pytest.approx(before["mean_um"] - dried_um)
    assert film.slow_um == pytest.approx(before["slow_um"] - SLOWEST_PACE * dried_um)
    assert after.sum_from_kpa_s == pytest.approx(-before["sum_kpa_s"] - 600.0 * USUAL_KPA[is_light])


def test_air_that_took_more_than_is_usual_went_on_doing_so() -> None:
    rows = rows_of(lived_house().house)
    driest_um = dried(again(rows).thirst, 0.0).driest_um

    after = again(spoilt(rows, A_ROW, "um_per_s", 0.1), KILLED_S + 300.0)

    assert dried(after.thirst, 0.0).driest_um == pytest.approx(driest_um - 30.0)


def test_a_house_long_away_comes_back_with_dry_leaves() -> None:
    film = dried(again(rows_of(lived_house().house), KILLED_S + 7200.0).thirst, 0.0)

    assert (film.driest_um, film.mean_um, film.slow_um) == (0.0, 0.0, 0.0)


def test_while_the_time_away_is_not_known_leaves_are_dry_and_the_zone_is_due() -> None:
    rows = rows_of(lived_house().house)

    back = back_from(rows, now_s=KILLED_S + 60.0, is_time_away_known=False)

    demand = demand_of(back.house.zones[0])
    assert demand.thirst.driest_um == demand.thirst.slow_um == 0.0
    assert not demand.week.is_sound
    paper = PaperHouse(house=back.house, now_s=KILLED_S + 60.0)
    paper.decide(KILLED_S + 60.0, ready())
    assert [(at_s, name) for at_s, name, _ in paper.orders()] == [(KILLED_S + 60.0, "a")]


def test_a_day_of_which_an_hour_was_slept_through_is_no_day_to_go_by() -> None:
    rows = rows_of(lived_house().house)

    assert again(rows, KILLED_S + DAY_UNSOUND_AFTER_S - 1.0).week.is_sound
    assert not again(rows, KILLED_S + DAY_UNSOUND_AFTER_S).week.is_sound


def test_instants_are_shifted_with_the_machine_s_clock() -> None:
    rows = rows_of(lived_house(CycleKind.LEAF_WETNESS, LEAVES[0], **{LEAVES[0]: 0.6}).house)
    cycle = demand_cycle(CycleKind.LEAF_WETNESS, LEAVES[0])
    since_s, driest_um = rows[A_ROW]["lead_since_s"], rows[A_ROW]["driest_um"]
    assert isinstance(since_s, float)

    back = back_from(rows, demand_plan(demand_zone("a", cycle)), now_s=20.0, shift_s=20.0 - KILLED_S)

    demand = demand_of(back.house.zones[0])
    assert demand.lead_since_s == pytest.approx(since_s + 20.0 - KILLED_S)
    assert demand.thirst.driest_um == pytest.approx(driest_um)


def test_a_restart_puts_off_no_burst_part_of_the_way_to_its_mark() -> None:
    paper = lived_house()
    paper.mist_until(KILLED_S + 200.0)
    never_away_s = due_s(paper.zone(), paper.house.sources)

    back = back_from(rows_of(paper.house), now_s=KILLED_S + 200.0)

    made_again_s = due_s(back.house.zones[0], back.house.sources)
    assert made_again_s == pytest.approx(never_away_s, abs=20.0)


# Leads, weeks and changed files


def test_a_zone_that_was_led_by_the_timetable_still_is_and_says_why() -> None:
    paper = lived_house()
    live(paper, KILLED_S + 1200.0, {})
    before = demand_of(paper.zone())
    assert before.lead is Lead.TIMETABLE

    after = again(rows_of(paper.house), KILLED_S + 1200.0)

    assert (after.lead, after.lead_since_s, after.why) == (before.lead, before.lead_since_s, before.why)
    assert (after.week, after.week.is_sound) == (before.week, False)


def with_week(zone: ZonePlan, week: OwnWeek) -> PaperHouse:
    paper = demand_house(zone)
    paper.zone().demand = replace(demand_of(paper.zone()), week=week)
    return paper


def test_the_own_week_comes_back_whole() -> None:
    rows = rows_of(with_week(demand_zone(), LIVELY_WEEK).house)

    assert again(rows, 0.0).week == LIVELY_WEEK


def test_a_zone_whose_cycle_changed_in_the_file_starts_afresh_with_its_week() -> None:
    rows = rows_of(with_week(demand_zone("a", demand_cycle(CycleKind.VPD)), LIVELY_WEEK).house)

    after = again(rows, 0.0)

    assert after.week == LIVELY_WEEK
    assert (after.lead, after.thirst.driest_um) == (Lead.FILM, 0.0)


def test_leaves_that_hold_less_by_the_file_come_back_no_wetter_than_full() -> None:
    rows = spoilt(rows_of(lived_house().house), A_ROW, "mean_um", 500.0)

    assert again(rows).thirst.mean_um == pytest.approx(97.619, abs=0.001)


def test_a_zone_misted_by_a_timetable_now_takes_nothing_from_a_row_of_demand() -> None:
    back = back_from(rows_of(lived_house().house), demand_plan(zone_plan("a")))

    assert back.unreadable == ()
    assert back.house.zones[0].demand is None


@pytest.mark.parametrize("kind", [CycleKind.FILM, CycleKind.VPD])
def test_rows_of_a_version_without_demand_mist_after_the_shortest_gap_and_are_no_trouble(
    kind: CycleKind,
) -> None:
    rows = {name: row for name, row in rows_of(lived_house(kind).house).items() if "/" not in name}
    rows[ZONE_ROW + "a"] = {**rows_of(lived_house(kind).house)[ZONE_ROW + "a"], "shut_s": KILLED_S - 10.0}

    back = back_from(rows, demand_plan(demand_zone("a", demand_cycle(kind))))

    assert back.unreadable == ()
    paper = PaperHouse(house=back.house, now_s=KILLED_S)
    paper.decide(KILLED_S, ready())
    paper.wait_until(KILLED_S + SHORTEST_GAP_S)
    assert [at_s for at_s, _, _ in paper.orders()] == [KILLED_S - 10.0 + SHORTEST_GAP_S]


# Damage

SPOILT: list[Plain] = ["text", True, inf, -inf, nan, 1e300, 10**400, None]
SPOILS_DEMAND: dict[str, list[Plain]] = {
    "cycle": [None, 3, True],
    "lead": ["vpd", "moon", "", None, 3],
    "lead_since_s": ["text", True, nan, 1e300],
    "at_s": ["text", True, nan, 1e300, 10**400],
    "seen_s": ["text", True, nan, 1e300],
    "is_sensor_dry": ["no", 0, None],
    "is_sound": ["no", 0, None],
    "sum_kpa_s": SPOILT,
    "dried_um": SPOILT,
    **{name: [*SPOILT, -1.0] for name in ("driest_um", "mean_um", "slow_um", "um_per_s", "kpa")},
    "today": ["", "1 2", "x " * 23 + "x", "-1 " * 23 + "1", "9999 " * 23 + "1", "1 " * 24 + "1", 3, None],
    "days": ["1 2", ";", ";".join(["1 " * 23 + "1"] * (DAYS + 1)), 3, None],
}
SPOILS_TRUST: dict[str, list[Plain]] = {
    "doubt": [3, None, True],
    "apart_since_s": ["text", True, nan, 1e300],
    **{name: [*SPOILT, -1, 1.5] for name in ("swings", "flat_bursts", "wet_bursts")},
}


def fallen_house() -> PaperHouse:
    """Two zones; the sensor of a is doubted, so that its film leads."""
    cycle = demand_cycle(CycleKind.LEAF_WETNESS, LEAVES[0])
    house = demand_house(demand_zone("a", cycle), demand_zone("b"))
    return live(house, KILLED_S, {**BRIGHT, LEAVES[0]: 0.6})


FALLEN = fallen_house()


@pytest.mark.parametrize(
    ("name", "field", "values"),
    [
        *((A_ROW, field, values) for field, values in SPOILS_DEMAND.items() if field not in {"lead", "why"}),
        *((LEAF_ROW, field, values) for field, values in SPOILS_TRUST.items()),
        (A_ROW, "lead", SPOILS_DEMAND["lead"]),
        (A_ROW, "why", [3, None, True]),
    ],
)
def test_a_damaged_field_costs_that_row_alone_and_is_told(name: str, field: str, values: list[Plain]) -> None:
    whole = rows_of(FALLEN.house)
    unspoilt = rows_of(back_from(whole, FALLEN.plan).house)

    for value in values:
        back = back_from(spoilt(whole, name, field, value), FALLEN.plan)

        assert [words.split(":")[0] for words in back.unreadable] == [name], (field, value)
        assert field in back.unreadable[0]
        after = rows_of(back.house)
        assert {n: row for n, row in after.items() if n != name} == {
            n: row for n, row in unspoilt.items() if n != name
        }, (field, value)


@pytest.mark.parametrize("field", [*SPOILS_DEMAND, "why"])
def test_a_zone_whose_row_lacks_a_field_counts_as_dry_and_can_decide(field: str) -> None:
    rows = rows_of(FALLEN.house)
    row = {name: value for name, value in rows[A_ROW].items() if name != field}

    back = back_from({**rows, A_ROW: row}, FALLEN.plan)

    assert [words.split(":")[0] for words in back.unreadable] == [A_ROW]
    assert demand_of(back.house.zones[0]).thirst.driest_um == 0.0
    paper = PaperHouse(house=back.house, now_s=KILLED_S)
    paper.decide(KILLED_S, ready())
    live(paper, KILLED_S + 1800.0)
    assert {name for _, name, _ in paper.orders()} == {"a", "b"}


def test_a_zone_led_by_a_week_that_is_not_there_is_no_zone_of_ours() -> None:
    """It would be misted by the mean of no days."""
    back = back_from(spoilt(rows_of(lived_house().house), A_ROW, "lead", "own_week"))

    assert back.unreadable == (f"{A_ROW}: lead is 'own_week', with 0 days, needed 7",)
    assert demand_of(back.house.zones[0]).lead is Lead.FILM


def test_a_fallen_lead_without_its_instant_counts_from_now() -> None:
    back = back_from(spoilt(rows_of(FALLEN.house), A_ROW, "lead_since_s", None), FALLEN.plan)

    assert back.unreadable == ()
    assert demand_of(back.house.zones[0]).lead_since_s == KILLED_S


# Trust


def test_a_doubted_sensor_is_doubted_after_a_restart_and_does_not_lead_again() -> None:
    before = FALLEN.house.trust[LEAVES[0]]
    assert before.doubt
    back = back_from(rows_of(FALLEN.house), FALLEN.plan)
    new = PaperHouse(house=back.house, now_s=KILLED_S)
    new.decide(KILLED_S, ready())

    live(new, KILLED_S + 1800.0, {**BRIGHT, LEAVES[0]: 0.6})

    after = back.house.trust[LEAVES[0]]
    assert (after.doubt, after.swings, after.flat_bursts, after.wet_bursts) == (
        before.doubt,
        before.swings,
        before.flat_bursts,
        before.wet_bursts,
    )
    assert new.house.trust[LEAVES[0]].doubt == before.doubt
    assert demand_of(new.zone()).lead is Lead.FILM


APART = WetnessTrust(doubt="", swings=2, flat_bursts=1, wet_bursts=4, apart_since_s=100.0)


def apart_rows() -> Rows:
    house = demand_house(leaves=LEAVES).house
    house.trust = {**house.trust, LEAVES[0]: APART}
    return rows_of(house)


def test_strikes_and_how_long_a_sensor_was_apart_come_back() -> None:
    assert back_from(apart_rows(), now_s=200.0).house.trust[LEAVES[0]] == APART


def test_how_long_a_sensor_was_apart_is_forgotten_when_the_time_away_is_not_known() -> None:
    back = back_from(apart_rows(), now_s=200.0, is_time_away_known=False)

    assert back.house.trust[LEAVES[0]] == replace(APART, apart_since_s=inf)


def test_the_trust_of_what_is_no_leaf_wetness_sensor_any_more_is_forgotten() -> None:
    rows = {**rows_of(FALLEN.house), TRUST_ROW + "air": {}, TRUST_ROW + "gone": {}}

    back = back_from(rows, FALLEN.plan)

    assert back.unreadable == ()
    assert set(back.house.trust) == {LEAVES[0]}


# What is worth writing


def test_what_only_the_air_changed_is_written_again_once_it_is_old() -> None:
    row = rows_of(FALLEN.house)[A_ROW]
    at_s = row["at_s"]
    assert isinstance(at_s, float)
    dried = {**row, **dict.fromkeys(OF_THE_AIR - {"is_sensor_dry"}, 1.0), "is_sensor_dry": True}

    young = {**dried, "at_s": at_s + AIR_WRITTEN_AFTER_S - 1.0}
    old = {**dried, "at_s": at_s + AIR_WRITTEN_AFTER_S}

    assert not is_worth_writing(young, row)
    assert is_worth_writing(old, row)
    assert is_worth_writing(row, None)


@pytest.mark.parametrize("field", ["lead", "lead_since_s", "why", "today", "days", "is_sound"])
def test_what_is_not_of_the_air_is_written_at_once(field: str) -> None:
    row = rows_of(FALLEN.house)[A_ROW]

    assert is_worth_writing({**row, field: "another"}, row)


def test_a_zone_that_goes_by_sensors_alone_is_not_written_for_its_readings() -> None:
    cycle = demand_cycle(CycleKind.LEAF_WETNESS, LEAVES[0], source=None)
    rows = rows_of(demand_house(demand_zone("a", cycle)).house)

    assert rows[A_ROW]["at_s"] is None
    assert not is_worth_writing({**rows[A_ROW], "is_sensor_dry": True}, rows[A_ROW])
    assert back_from(rows, demand_plan(demand_zone("a", cycle)), 1.0).unreadable == ()
