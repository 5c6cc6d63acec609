"""Zones on demand from the house's file to the core's own values: sensors, set points, bounds, bursts."""

from pathlib import Path
from typing import Any

import pytest

from mistd.app.demand_plan import demand_cycle, demand_sources, usual_rates
from mistd.app.house_plan import house_plan
from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.demand_source import SHELTER, SHELTER_BY_LEAF, reference_rates
from mistd.core.film import drying_um
from mistd.core.plan import HousePlan, SourcePlan
from mistd.core.sequence import worst_wait_in_part_s
from mistd.core.thirst import Thirst, dried, driest_wet, mean_film_um, misted
from tests.app.house_files import Change, Tables, loaded_house, set_to

FILLS_S = 0.25 / (12 * 0.6 / 60.0)  # the line of the good house, at its nozzles' flow
RATE_UM_PER_S = 12 * 0.6 / 60.0 / 14.0 * 1000.0  # litres a second on 14 m2 are millimetres a second
CAUGHT = 0.7  # of the mist by the leaves


def on(cycle: str, place: int = 0, demand: Tables | None = None) -> Change:
    """A zone gets a cycle, and a table `demand` where one is given."""

    def change(tables: Tables) -> None:
        tables["zones"][place]["cycle"] = cycle
        if demand is not None:
            tables["zones"][place]["demand"] = demand

    return change


def sensor(name: str, kind: str, **more: Any) -> Change:
    return lambda tables: tables["sensors"].append(
        {"name": name, "kind": kind, "topic": f"fern/{name}", **more}
    )


def plate(name: str, zone: str = "left") -> Change:
    return sensor(name, "leaf_wetness", zone=zone, dry_reads=450, wet_reads=1100)


def planned(directory: Path, *changes: Change) -> HousePlan:
    return house_plan(loaded_house(directory, *changes))


def cycle_of(directory: Path, *changes: Change) -> DemandCycle:
    """The left zone's cycle."""
    cycle = planned(directory, *changes).zones[0].demand
    assert cycle is not None
    return cycle


# --- what is not written


def test_a_zone_on_a_timetable_has_no_cycle_and_no_source(tmp_path: Path) -> None:
    plan = planned(tmp_path)

    assert [zone.demand for zone in plan.zones] == [None, None]
    assert plan.sources == ()


def test_a_film_cycle_has_the_values_that_are_stated_where_none_are_written(tmp_path: Path) -> None:
    cycle = cycle_of(tmp_path, on("film"))

    hour = DemandBounds(shortest_gap_s=120.0, longest_gap_s=3600.0)
    by_day = DemandBounds(shortest_gap_s=120.0, longest_gap_s=2700.0)
    assert cycle.kind is CycleKind.FILM
    assert cycle.bounds == {
        DayPart.NIGHT: hour,
        DayPart.DAWN: hour,
        DayPart.DAY: by_day,
        DayPart.DUSK: hour,
    }
    assert (cycle.dry_back_wet, cycle.holds_um) == (0.36, 50.0)
    assert (cycle.fixed_burst_s, cycle.wetness_sensors, cycle.source) == (None, (), 0)


@pytest.mark.parametrize(("cycle", "wet"), [("film", 0.36), ("leaf_wetness", 0.65), ("vpd", 0.40)])
def test_each_cycle_has_a_dry_back_of_its_own(cycle: str, wet: float, tmp_path: Path) -> None:
    assert cycle_of(tmp_path, plate("plate"), on(cycle)).dry_back_wet == wet


@pytest.mark.parametrize("cycle", ["film", "leaf_wetness"])
def test_a_dry_back_that_is_written_counts(cycle: str, tmp_path: Path) -> None:
    demand: Tables = {"dry_back_percent": 20}

    assert cycle_of(tmp_path, plate("plate"), on(cycle, demand=demand)).dry_back_wet == 0.2


@pytest.mark.parametrize(("surface", "holds_um"), [("waxy", 20.0), ("ordinary", 50.0), ("hairy", 100.0)])
def test_a_surface_says_what_a_leaf_holds(surface: str, holds_um: float, tmp_path: Path) -> None:
    assert cycle_of(tmp_path, on("film", demand={"surface": surface})).holds_um == holds_um


def test_nozzles_bench_and_line_become_a_rate_and_a_time_to_fill(tmp_path: Path) -> None:
    cycle = cycle_of(tmp_path, on("film"), set_to("zones.0.longest_burst_s", 15))

    assert cycle.rate_um_per_s == pytest.approx(RATE_UM_PER_S)
    assert cycle.fills_s == pytest.approx(FILLS_S)
    assert cycle.longest_burst_s == 15.0


# --- which sensors


def test_a_zone_goes_by_the_houses_sensors_where_it_has_none_of_its_own(tmp_path: Path) -> None:
    plan = planned(
        tmp_path, on("film"), sensor("sun", "light"), sensor("leaf", "leaf_temperature", zone="right")
    )

    assert plan.sources == (SourcePlan(air="air", humidity="damp", light="sun"),)


def test_its_own_sensors_go_before_the_houses_kind_by_kind(tmp_path: Path) -> None:
    plan = planned(
        tmp_path,
        on("film"),
        sensor("sun", "light"),
        sensor("own-sun", "light", zone="left"),
        sensor("own-air", "air_temperature", zone="left"),
        sensor("own-leaf", "leaf_temperature", zone="left"),
    )

    assert plan.sources == (SourcePlan(air="own-air", humidity="damp", light="own-sun", leaf="own-leaf"),)


def test_another_zones_sensors_are_not_gone_by(tmp_path: Path) -> None:
    plan = planned(tmp_path, on("film"), sensor("sun", "light", zone="right"))

    assert plan.sources == (SourcePlan(air="air", humidity="damp"),)


def test_zones_that_share_their_sensors_share_one_source(tmp_path: Path) -> None:
    plan = planned(tmp_path, on("film"), on("vpd", 1))

    assert len(plan.sources) == 1
    assert [zone.demand.source for zone in plan.zones if zone.demand] == [0, 0]


def test_zones_with_sensors_of_their_own_have_sources_of_their_own(tmp_path: Path) -> None:
    plan = planned(tmp_path, on("film"), on("film", 1), sensor("air-r", "air_temperature", zone="right"))

    assert plan.sources == (
        SourcePlan(air="air", humidity="damp"),
        SourcePlan(air="air-r", humidity="damp"),
    )
    assert [zone.demand.source for zone in plan.zones if zone.demand] == [0, 1]


def test_a_timed_zone_makes_no_source_of_its_own_sensors(tmp_path: Path) -> None:
    config = loaded_house(tmp_path, on("film", 1), sensor("air-l", "air_temperature", zone="left"))

    sources = demand_sources(config)

    assert sources == (SourcePlan(air="air", humidity="damp"),)
    assert demand_cycle(config.zones[0], config, sources) is None


def test_a_leaf_wetness_cycle_needs_no_air(tmp_path: Path) -> None:
    def without_air(tables: Tables) -> None:
        tables["sensors"] = tables["sensors"][1:]

    plan = planned(tmp_path, without_air, plate("plate"), on("leaf_wetness"))

    assert plan.sources == ()
    assert plan.zones[0].demand is not None
    assert plan.zones[0].demand.source is None


@pytest.mark.parametrize("cycle", ["film", "vpd", "leaf_wetness"])
def test_every_cycle_knows_all_leaf_wetness_sensors_of_its_zone(cycle: str, tmp_path: Path) -> None:
    plan = planned(tmp_path, plate("one"), plate("other", "right"), plate("two"), on(cycle), on("film", 1))

    assert [zone.demand.wetness_sensors for zone in plan.zones if zone.demand] == [("one", "two"), ("other",)]


def test_a_leaf_wetness_sensor_is_read_by_its_own_two_values(tmp_path: Path) -> None:
    falling = sensor("rising-dry", "leaf_wetness", zone="left", dry_reads=1000, wet_reads=0)

    sensors = planned(tmp_path, plate("plate"), falling).sensors

    assert sensors["plate"].zone == "left"
    assert [sensors["plate"].wet_share(reads) for reads in (450, 775, 1100)] == [0.0, 0.5, 1.0]
    assert [sensors["rising-dry"].wet_share(reads) for reads in (1000, 250, 0)] == [0.0, 0.75, 1.0]


# --- bounds by part


def test_a_part_without_a_table_is_off_where_the_timetable_is(tmp_path: Path) -> None:
    bounds = cycle_of(tmp_path, on("film"), set_to("zones.0.timed.night", {"off": True})).bounds

    assert bounds[DayPart.NIGHT] is None
    assert all(bounds[part] is not None for part in DayPart if part is not DayPart.NIGHT)


def test_a_part_with_a_table_is_misted_whatever_the_timetable_says(tmp_path: Path) -> None:
    demand: Tables = {"night": {}, "day": {"mist": "off"}}

    bounds = cycle_of(
        tmp_path, on("film", demand=demand), set_to("zones.0.timed.night", {"off": True})
    ).bounds

    assert bounds[DayPart.NIGHT] == DemandBounds(shortest_gap_s=120.0, longest_gap_s=3600.0)
    assert bounds[DayPart.DAY] is None
    assert bounds[DayPart.DUSK] is not None


def test_gaps_that_are_written_count_for_their_part(tmp_path: Path) -> None:
    demand: Tables = {
        "night": {"mist": "sparse", "longest_gap_min": 90},
        "day": {"shortest_gap_min": 3, "longest_gap_min": 20},
    }

    bounds = cycle_of(tmp_path, on("film", demand=demand)).bounds

    assert bounds[DayPart.NIGHT] == DemandBounds(shortest_gap_s=120.0, longest_gap_s=5400.0, is_sparse=True)
    assert bounds[DayPart.DAY] == DemandBounds(shortest_gap_s=180.0, longest_gap_s=1200.0)
    assert bounds[DayPart.DAWN] == DemandBounds(shortest_gap_s=120.0, longest_gap_s=3600.0)


def test_no_gap_is_shorter_than_the_rest_of_the_valve(tmp_path: Path) -> None:
    bounds = cycle_of(tmp_path, on("film"), set_to("zones.0.shortest_rest_s", 300)).bounds

    assert {each.shortest_gap_s for each in bounds.values() if each} == {300.0}


# --- the set point of a vpd cycle


@pytest.mark.parametrize(
    "demand",
    [{"set_point_kpa_h": 0.5}, {"as_every_min": 20, "at_kpa": 1.5}, {"as_every_min": 15, "at_kpa": 2}],
)
def test_both_forms_of_a_set_point_are_one_sum(demand: Tables, tmp_path: Path) -> None:
    """Half an hour of 1 kPa, 20 min of 1.5 kPa, a quarter of an hour of 2 kPa: 1800 kPa.s each."""
    assert cycle_of(tmp_path, on("vpd", demand=demand)).set_point_kpa_s == pytest.approx(1800.0)


MEASURED: dict[str, tuple[Change, ...]] = {
    "air alone": (),
    "light": (sensor("sun", "light"),),
    "leaf": (sensor("leaf", "leaf_temperature", zone="left"),),
    "light and leaf": (sensor("sun", "light"), sensor("leaf", "leaf_temperature", zone="left")),
}


@pytest.mark.parametrize("surface", ["waxy", "ordinary", "hairy"])
@pytest.mark.parametrize("measured", MEASURED)
def test_a_set_point_that_is_not_written_dries_the_driest_quarter_back_to_40_percent(
    measured: str, surface: str, tmp_path: Path
) -> None:
    """Burst after burst on a usual day: 40 % is wet as each is due, and each fills the mean leaf."""
    cycle = cycle_of(tmp_path, *MEASURED[measured], on("vpd", demand={"surface": surface}))
    usual = reference_rates(has_light="light" in measured, has_leaf="leaf" in measured)
    between_um = cycle.set_point_kpa_s / usual.kpa * usual.um_per_s
    assert cycle.fixed_burst_s is not None

    full_um = drying_um(cycle.holds_um, cycle.holds_um)
    thirst = Thirst(at_um=0.0, driest_um=full_um, mean_um=full_um)
    for number in range(1, 60):
        filled = misted(thirst, cycle, cycle.fixed_burst_s, thirst.at_um)
        thirst = dried(filled, number * between_um)

    assert driest_wet(thirst, cycle, thirst.at_um) == pytest.approx(0.40, abs=0.005)
    assert mean_film_um(filled, cycle, filled.at_um) == pytest.approx(cycle.holds_um, rel=1e-3)


@pytest.mark.parametrize("measured", MEASURED)
def test_on_a_usual_day_a_set_point_comes_to_as_many_minutes_whatever_is_measured(
    measured: str, tmp_path: Path
) -> None:
    """Weighed by light the deficit counts for more, from a wet leaf for less: so does what is waited for.

    A measured leaf warms as it dries, and its sum comes the sooner: it is waited for by so much longer.
    """
    plan, alone = planned(tmp_path, *MEASURED[measured], on("vpd")), cycle_of(tmp_path, on("vpd"))
    cycle, [source] = plan.zones[0].demand, plan.sources
    assert cycle is not None

    usual_gap_s = cycle.set_point_kpa_s / usual_rates(source).kpa

    longer = SHELTER / SHELTER_BY_LEAF if "leaf" in measured else 1.0
    assert usual_gap_s == pytest.approx(longer * alone.set_point_kpa_s / usual_rates(None).kpa, rel=1e-6)
    assert cycle.fixed_burst_s == pytest.approx(alone.fixed_burst_s, rel=1e-6)


def test_a_set_point_is_higher_weighed_by_light_and_heeds_no_light_beside_a_leaf(tmp_path: Path) -> None:
    by = {name: cycle_of(tmp_path, *more, on("vpd")).set_point_kpa_s for name, more in MEASURED.items()}

    assert by["light"] > 1.1 * by["air alone"]
    assert by["leaf"] == by["light and leaf"] < 0.9 * by["light"]


def test_another_zones_light_does_not_weigh(tmp_path: Path) -> None:
    alone = cycle_of(tmp_path, on("vpd"))

    assert cycle_of(tmp_path, on("vpd"), sensor("sun", "light", zone="right")) == alone


def test_a_set_point_that_is_written_does_not_move_with_light(tmp_path: Path) -> None:
    written = on("vpd", demand={"set_point_kpa_h": 0.5})

    assert cycle_of(tmp_path, written, sensor("sun", "light")).set_point_kpa_s == pytest.approx(1800.0)


# --- how long a burst is


def test_a_vpd_burst_makes_good_what_its_set_point_dries(tmp_path: Path) -> None:
    cycle = cycle_of(tmp_path, on("vpd", demand={"set_point_kpa_h": 0.4}))
    usual = reference_rates(has_light=False)
    dried_um = 0.4 * 3600.0 / usual.kpa * usual.um_per_s

    assert cycle.fixed_burst_s is not None
    left_um = cycle.holds_um - (cycle.fixed_burst_s - FILLS_S) * RATE_UM_PER_S * CAUGHT

    assert drying_um(50.0, 50.0) - drying_um(left_um, 50.0) == pytest.approx(dried_um, rel=1e-6)


def test_a_small_set_point_still_gets_a_burst_that_wets_the_far_end(tmp_path: Path) -> None:
    cycle = cycle_of(tmp_path, on("vpd", demand={"set_point_kpa_h": 0.01}))

    assert cycle.fixed_burst_s == pytest.approx(FILLS_S + 2.0)


def test_a_large_set_point_gets_no_more_than_fills_a_dry_leaf(tmp_path: Path) -> None:
    cycle = cycle_of(tmp_path, on("vpd", demand={"set_point_kpa_h": 20}))

    assert cycle.fixed_burst_s == pytest.approx(FILLS_S + 50.0 / (RATE_UM_PER_S * CAUGHT))


@pytest.mark.parametrize("cycle", ["film", "vpd", "leaf_wetness"])
def test_a_burst_that_is_written_is_the_burst(cycle: str, tmp_path: Path) -> None:
    got = cycle_of(tmp_path, plate("plate"), on(cycle, demand={"burst_s": 7}))

    assert (got.fixed_burst_s, got.longest_asked_s) == (7.0, 7.0)


@pytest.mark.parametrize(
    ("surface", "longest_s", "asked_s"),
    [
        ("ordinary", 20, FILLS_S + 50.0 / (RATE_UM_PER_S * CAUGHT)),  # 10.4 s
        ("hairy", 20, FILLS_S + 100.0 / (RATE_UM_PER_S * CAUGHT)),  # 18.8 s
        ("hairy", 12, 12.0),
        ("waxy", 20, FILLS_S + 20.0 / (RATE_UM_PER_S * CAUGHT)),  # 5.4 s
    ],
)
def test_the_longest_burst_fills_a_dry_leaf_within_the_zones_longest(
    surface: str, longest_s: float, asked_s: float, tmp_path: Path
) -> None:
    zone = set_to("zones.0.longest_burst_s", longest_s)

    assert cycle_of(tmp_path, zone, on("film", demand={"surface": surface})).longest_asked_s == pytest.approx(
        asked_s
    )


def test_the_wait_for_the_line_counts_the_longest_burst_that_may_come(tmp_path: Path) -> None:
    """On demand, or by the timetable in its stead; a part that is off counts for nothing."""
    off_by_night = {"surface": "waxy", "night": {"mist": "off"}, "dusk": {}}

    plan = planned(
        tmp_path,
        on("film", demand=off_by_night),
        set_to("zones.0.timed.dusk", {"off": True}),
        set_to("zones.0.timed.day.burst_s", 6),
    )

    left, fills_leaf_s = plan.zones[0], FILLS_S + 20.0 / (RATE_UM_PER_S * CAUGHT)
    assert left.longest_burst_in_s(DayPart.NIGHT) is None
    assert left.longest_burst_in_s(DayPart.DAWN) == pytest.approx(fills_leaf_s)  # 5.4 s, and 5 s by timetable
    assert left.longest_burst_in_s(DayPart.DAY) == 6.0
    assert left.longest_burst_in_s(DayPart.DUSK) == 6.0  # its timetable has none then: its longest
    assert plan.zones[1].longest_burst_in_s(DayPart.NIGHT) == 4.0
    assert worst_wait_in_part_s(plan, DayPart.NIGHT) == 4.0 + 2.0
    assert worst_wait_in_part_s(plan, DayPart.DAY) == 6.0 + 2.0 + 6.0 + 2.0
