"""What a house's file may not say of zones on demand: each rule on both sides, told with what to do.

Rule: beside every change that is refused stands its nearest neighbour that is taken.
"""

from dataclasses import dataclass
from math import inf, nan
from pathlib import Path
from typing import Any

import pytest

from mistd.app.config_file import load_config
from mistd.app.house_plan import house_plan
from tests.app.house_files import (
    Change,
    Tables,
    changed,
    check,
    good_zone,
    problems_of,
    set_to,
    several,
    toml_of,
    written,
)

PARTS = ("night", "dawn", "day", "dusk")
OFF = {"off": True}


def on(cycle: str, **demand: Any) -> Change:
    """The left zone, or that at `place`, gets a cycle, and a table `demand` where anything is to be in it."""
    place = demand.pop("place", 0)
    table = [set_to(f"zones.{place}.demand", demand)] if demand else []
    return several(set_to(f"zones.{place}.cycle", cycle), *table)


def sensor(name: str, kind: str, **more: Any) -> Change:
    """One more sensor."""
    entry = {"name": name, "kind": kind, "topic": f"fern/{name}", **more}
    return lambda tables: tables["sensors"].append(entry)


def plate(**changes: Any) -> Change:
    """A leaf-wetness sensor of the left zone, changed; a key that is None is left out."""
    name = changes.pop("name", "plate")
    entry = {"zone": "left", "dry_reads": 450, "wet_reads": 1100, **changes}
    return sensor(name, "leaf_wetness", **{key: value for key, value in entry.items() if value is not None})


def without_sensors(tables: Tables) -> None:
    tables["sensors"] = []


def fern_of_8(*changes: Change) -> Change:
    """Eight zones alike; each fills a dry hairy leaf in 18.7 s, and 8 x (18.7 + 2) is 166 s."""

    def change(tables: Tables) -> None:
        tables["zones"] = [good_zone(f"z{number}", number) for number in range(8)]
        for each in changes:
            each(tables)

    return change


def all_hairy(*, but_the_first: bool, **demand: Any) -> Change:
    places = range(1 if but_the_first else 0, 8)
    return fern_of_8(*(on("film", place=place, surface="hairy", **demand) for place in places))


def long_by_day_only(**night: Any) -> Change:
    """Eight zones that the timetable gives 20 s by day and nothing by night; 8 x (20 + 2) is 176 s."""
    long = [set_to(f"zones.{place}.timed.day.burst_s", 20) for place in range(8)]
    off = [set_to(f"zones.{place}.timed.night", OFF) for place in range(8)]
    return fern_of_8(
        *long, *off, *(on("film", place=place, surface="waxy", night=night) for place in range(8))
    )


@dataclass(frozen=True)
class Rule:
    """A change that is taken, one that is refused, the key that is told and words that must be told."""

    good: Change
    bad: Change
    key: str
    words: tuple[str, ...]


DEMAND = "zones[left].demand"
VPD = on("vpd", set_point_kpa_h=0.4)
WET = several(plate(), on("leaf_wetness"))

RULES: dict[str, Rule] = {
    # --- the table and its set points
    "both_forms_of_a_set_point": Rule(
        on("vpd", as_every_min=15, at_kpa=1.5),
        on("vpd", as_every_min=15, at_kpa=1.5, set_point_kpa_h=0.4),
        f"{DEMAND}.set_point_kpa_h",
        ("0.4 kPa.h", "as_every_min and at_kpa", "keep one"),
    ),
    "a_set_point_and_half_of_another": Rule(
        VPD,
        on("vpd", set_point_kpa_h=0.4, at_kpa=1.5),
        f"{DEMAND}.set_point_kpa_h",
        ("0.4 kPa.h and at_kpa at once", "keep one"),
    ),
    "every_so_often_at_no_deficit": Rule(
        on("vpd", as_every_min=15, at_kpa=1.5),
        on("vpd", as_every_min=15),
        f"{DEMAND}.as_every_min",
        ("15 min without at_kpa", "write both"),
    ),
    "a_deficit_at_no_time": Rule(
        on("vpd", as_every_min=15, at_kpa=1.5),
        on("vpd", at_kpa=1.5),
        f"{DEMAND}.at_kpa",
        ("1.5 kPa without as_every_min", "write both"),
    ),
    "a_deficit_for_a_film": Rule(
        VPD,
        on("film", set_point_kpa_h=0.4),
        f"{DEMAND}.set_point_kpa_h",
        ("0.4 kPa.h", "'vpd'", "film goes by dry_back_percent", "leave this out"),
    ),
    "a_time_for_a_sensor": Rule(
        several(plate(), on("leaf_wetness", dry_back_percent=50)),
        several(plate(), on("leaf_wetness", as_every_min=15)),
        f"{DEMAND}.as_every_min",
        ("15 min", "leaf_wetness goes by dry_back_percent", "5 to 90 %"),
    ),
    "a_dry_back_for_a_deficit": Rule(
        on("film", dry_back_percent=35),
        on("vpd", dry_back_percent=35),
        f"{DEMAND}.dry_back_percent",
        ("35 %", "set_point_kpa_h", "kPa.h", "as_every_min and at_kpa"),
    ),
    # --- bursts: the line takes 0.25 l / (12 x 0.6 l/min) = 2.08 s, and the far nozzles 2 s more
    "a_burst_that_fills_the_line_only": Rule(
        on("film", burst_s=4.1),
        on("film", burst_s=4.08),
        f"{DEMAND}.burst_s",
        ("4.08 s would wet nothing", "0.25 l", "2.1 s", "allowed from 4.1 s", "lengthen"),
    ),
    "a_burst_over_the_zones_longest": Rule(
        on("film", burst_s=20),
        on("film", burst_s=20.1),
        f"{DEMAND}.burst_s",
        ("20.1 s", "longest_burst_s of 20 s", "shorten"),
    ),
    "a_longest_burst_that_fills_the_line_only": Rule(
        several(
            on("film"),
            set_to("zones.0.longest_burst_s", 6),
            set_to("zones.0.timed.night.burst_s", 5),
            set_to("zones.0.line_volume_l", 0.47),
        ),
        several(
            on("film"),
            set_to("zones.0.longest_burst_s", 6),
            set_to("zones.0.timed.night.burst_s", 5),
            set_to("zones.0.line_volume_l", 0.49),
        ),
        "zones[left].longest_burst_s",
        ("6 s would wet nothing", "0.49 l", "4.1 s", "allowed from 6.1 s"),
    ),
    # --- gaps
    "a_shortest_gap_as_long_as_the_longest": Rule(
        on("film", day={"shortest_gap_min": 19.9, "longest_gap_min": 20}),
        on("film", day={"shortest_gap_min": 20, "longest_gap_min": 20}),
        f"{DEMAND}.day.shortest_gap_min",
        ("20 min", "below longest_gap_min (20 min)", "shorten it"),
    ),
    "a_shortest_gap_as_long_as_the_longest_that_is_not_written": Rule(
        on("film", day={"shortest_gap_min": 44.9}),
        on("film", day={"shortest_gap_min": 45}),
        f"{DEMAND}.day.shortest_gap_min",
        ("45 min", "as it is when not written"),
    ),
    "a_longest_gap_no_longer_than_the_shortest_that_is_not_written": Rule(
        on("film", dawn={"longest_gap_min": 2.1}),
        on("film", dawn={"longest_gap_min": 2}),
        f"{DEMAND}.dawn.longest_gap_min",
        ("2 min", "above the shortest gap", "lengthen"),
    ),
    "a_rest_as_long_as_the_longest_gap": Rule(
        several(on("film", night={"longest_gap_min": 10}), set_to("zones.0.shortest_rest_s", 480)),
        several(on("film", night={"longest_gap_min": 8}), set_to("zones.0.shortest_rest_s", 480)),
        f"{DEMAND}.night.longest_gap_min",
        ("8 min", "shortest_rest_s (8 min)", "lengthen"),
    ),
    "a_shortest_gap_under_the_rest": Rule(
        on("film", day={"shortest_gap_min": 1}),
        on("film", day={"shortest_gap_min": 0.9}),
        f"{DEMAND}.day.shortest_gap_min",
        ("0.9 min", "shortest_rest_s of 60 s", "lengthen"),
    ),
    "off_with_a_gap": Rule(
        on("film", night={"mist": "off"}),
        on("film", night={"mist": "off", "longest_gap_min": 60}),
        f"{DEMAND}.night",
        ("off", "keep one"),
    ),
    "off_in_every_part": Rule(
        on("film", **{part: {"mist": "off"} for part in PARTS[:3]}),
        on("film", **{part: {"mist": "off"} for part in PARTS}),
        DEMAND,
        ("off in every part", "on_demand or sparse"),
    ),
    "off_in_every_part_by_the_timetable_too": Rule(
        several(
            on("film", day={"mist": "off"}), *(set_to(f"zones.0.timed.{part}", OFF) for part in PARTS[:2])
        ),
        several(
            on("film", day={"mist": "off"}),
            *(set_to(f"zones.0.timed.{part}", OFF) for part in ("night", "dawn", "dusk")),
        ),
        DEMAND,
        ("off in every part",),
    ),
    # --- the line
    "long_bursts_over_the_longest_gap": Rule(
        all_hairy(but_the_first=False, day={"longest_gap_min": 2.8}),
        all_hairy(but_the_first=False, day={"longest_gap_min": 2.75}),
        "line.valves_at_once",
        ("longest bursts", "by day the 8 zones take 166 s", "165 s", "pause_s"),
    ),
    "long_bursts_over_another_zones_timed_gap": Rule(
        several(all_hairy(but_the_first=True), set_to("zones.0.timed.day.gap_min", 2.6)),
        several(all_hairy(but_the_first=True), set_to("zones.0.timed.day.gap_min", 2.5)),
        "line.valves_at_once",
        ("longest bursts", "by day the 8 zones take 153 s", "150 s"),
    ),
    "the_timetables_longest_burst_where_it_has_none": Rule(  # what comes when readings die in that part
        long_by_day_only(longest_gap_min=2.95),
        long_by_day_only(longest_gap_min=2.9),
        "line.valves_at_once",
        ("by night the 8 zones take 176 s", "174 s"),
    ),
    # --- sensors that are missing
    "a_film_without_air": Rule(
        on("film"),
        several(on("film"), set_to("sensors.0.kind", "leaf_temperature")),
        "zones[left].cycle",
        ("'film'", "no air_temperature", "own or the house's", "[[sensors]]"),
    ),
    "a_deficit_without_humidity": Rule(
        several(VPD, set_to("sensors.1.zone", "left")),
        several(VPD, set_to("sensors.1.zone", "right")),
        "zones[left].cycle",
        ("'vpd'", "no relative_humidity", "[[sensors]]"),
    ),
    "a_film_without_any": Rule(
        on("film"),
        several(on("film"), without_sensors),
        "zones[left].cycle",
        ("no air_temperature and no relative_humidity",),
    ),
    "leaf_wetness_without_a_sensor": Rule(
        WET,
        on("leaf_wetness"),
        "zones[left].cycle",
        ("'leaf_wetness'", "a leaf_wetness sensor whose zone is 'left'", "[[sensors]]"),
    ),
    "leaf_wetness_with_another_zones_sensor": Rule(
        several(plate(), on("leaf_wetness")),
        several(plate(zone="right"), on("leaf_wetness")),
        "zones[left].cycle",
        ("'leaf_wetness'", "whose zone is 'left'"),
    ),
    # --- sensors between which nobody could choose
    "two_of_the_house": Rule(
        several(on("film"), sensor("air-2", "air_temperature", zone="right")),
        several(on("film"), sensor("air-2", "air_temperature")),
        "sensors[air-2].zone",
        ("missing", "air and air-2 each are air_temperature of the whole house", "left can go by one"),
    ),
    "two_of_one_zone": Rule(
        several(on("film"), sensor("sun", "light", zone="left"), sensor("sun-2", "light")),
        several(on("film"), sensor("sun", "light", zone="left"), sensor("sun-2", "light", zone="left")),
        "sensors[sun-2].zone",
        ("'left'", "sun and sun-2 each are light of this zone", "leave them out"),
    ),
    "two_for_several_zones": Rule(
        several(on("timed"), on("timed", place=1), sensor("leaf", "leaf_temperature"), sensor("l2", "light")),
        several(
            on("film"),
            on("vpd", place=1),
            sensor("leaf", "leaf_temperature"),
            sensor("l2", "leaf_temperature"),
        ),
        "sensors[l2].zone",
        ("leaf and l2", "left and right can go by one"),
    ),
    "two_of_the_house_for_a_timetable": Rule(
        several(on("timed"), sensor("air-2", "air_temperature")),
        several(WET, sensor("air-2", "air_temperature")),
        "sensors[air-2].zone",
        ("air and air-2", "left can go by one"),
    ),
    # --- where a sensor belongs
    "a_sensor_of_no_zone": Rule(
        sensor("sun", "light", zone="right"),
        sensor("sun", "light", zone="rigth"),
        "sensors[sun].zone",
        ("'rigth'", "no zone has this name", "'left', 'right'"),
    ),
    "pressure_of_one_zone": Rule(
        sensor("low", "supply_pressure"),
        sensor("low", "supply_pressure", zone="left"),
        "sensors[low].zone",
        ("'left'", "supply_pressure", "whole house", "leave it out"),
    ),
    "flow_of_one_zone": Rule(
        sensor("meter", "flow"),
        sensor("meter", "flow", zone="nowhere"),
        "sensors[meter].zone",
        ("'nowhere'", "flow", "whole house"),
    ),
    "wetness_of_no_zone": Rule(
        plate(), plate(zone=None), "sensors[plate].zone", ("missing", "one zone's own", "write the name")
    ),
    # --- what a leaf-wetness sensor sends
    "wetness_without_a_dry_value": Rule(
        plate(dry_reads=0), plate(dry_reads=None), "sensors[plate].dry_reads", ("missing", "when dry")
    ),
    "wetness_without_a_wet_value": Rule(
        plate(wet_reads=0), plate(wet_reads=None), "sensors[plate].wet_reads", ("missing", "wet all over")
    ),
    "dry_as_wet": Rule(
        plate(dry_reads=1100, wet_reads=450),  # some send less the wetter they are
        plate(dry_reads=450, wet_reads=450),
        "sensors[plate].wet_reads",
        ("450, and dry_reads is 450", "apart", "read both off again"),
    ),
    "dry_nearly_as_wet": Rule(
        plate(dry_reads=950, wet_reads=1000),
        plate(dry_reads=951, wet_reads=1000),
        "sensors[plate].wet_reads",
        ("1000, and dry_reads is 951", "from 50 apart", "5 % of the larger"),
    ),
    "dry_nearly_as_wet_below_nought": Rule(
        plate(dry_reads=-950, wet_reads=-1000),
        plate(dry_reads=-951, wet_reads=-1000),
        "sensors[plate].wet_reads",
        ("from 50 apart",),
    ),
    "nought_dry_and_wet": Rule(
        plate(dry_reads=0, wet_reads=1),
        plate(dry_reads=0, wet_reads=0),
        "sensors[plate].wet_reads",
        ("0, and dry_reads is 0",),
    ),
    "next_to_nought_when_wet": Rule(
        plate(dry_reads=0, wet_reads=1e-6),
        plate(dry_reads=0, wet_reads=9e-7),
        "sensors[plate].wet_reads",
        ("9e-07", "from 1e-06 apart"),
    ),
    "a_dry_value_of_air": Rule(
        sensor("sun", "light"),
        sensor("sun", "light", dry_reads=450),
        "sensors[sun].dry_reads",
        ("450", "'leaf_wetness'", "leave it out"),
    ),
    "a_wet_value_of_air": Rule(
        sensor("sun", "light"),
        sensor("sun", "light", wet_reads=0),
        "sensors[sun].wet_reads",
        ("0;", "'leaf_wetness'", "leave it out"),
    ),
}


@pytest.mark.parametrize("name", RULES)
def test_what_breaks_a_rule_is_told_with_key_value_and_what_to_do(name: str, tmp_path: Path) -> None:
    rule = RULES[name]
    path = written(tmp_path, changed(rule.bad))

    result = check(path)

    told = problems_of(path)
    assert list(told) == [rule.key]  # and nothing that would send the grower elsewhere
    for words in rule.words:
        assert words in told[rule.key]
        assert words in result.output
    assert result.exit_code == 2


@pytest.mark.parametrize("name", RULES)
def test_its_nearest_neighbour_is_taken(name: str, tmp_path: Path) -> None:
    path = written(tmp_path, changed(RULES[name].good))

    result = check(path)

    assert result.exit_code == 0, result.output


# --- one key alone

VALUES: dict[str, tuple[Change, str, tuple[str, ...]]] = {
    "no_deficit": (on("vpd", set_point_kpa_h=0), "set_point_kpa_h", ("0:", "0.01 to 20 kPa.h")),
    "a_deficit_below_nought": (
        on("vpd", set_point_kpa_h=-1.5),
        "set_point_kpa_h",
        ("-1.5", "0.01 to 20 kPa.h"),
    ),
    "a_deficit_that_is_no_number": (
        on("vpd", set_point_kpa_h=nan),
        "set_point_kpa_h",
        ("nan", "0.01 to 20 kPa.h"),
    ),
    "a_deficit_without_end": (on("vpd", set_point_kpa_h=inf), "set_point_kpa_h", ("inf", "0.01 to 20 kPa.h")),
    "a_deficit_in_words": (
        on("vpd", set_point_kpa_h="1.5"),
        "set_point_kpa_h",
        ("'1.5'", "0.01 to 20 kPa.h"),
    ),
    "a_deficit_that_is_true": (
        on("vpd", set_point_kpa_h=True),
        "set_point_kpa_h",
        ("true", "0.01 to 20 kPa.h"),
    ),
    "a_time_of_nought": (on("vpd", as_every_min=0, at_kpa=1), "as_every_min", ("0:", "1 to 240 min")),
    "at_no_deficit": (on("vpd", as_every_min=9, at_kpa=0.09), "at_kpa", ("0.09", "0.1 to 8 kPa")),
    "a_dry_back_of_nought": (on("film", dry_back_percent=0), "dry_back_percent", ("0:", "5 to 90 %")),
    "a_dry_back_of_all": (on("film", dry_back_percent=90.1), "dry_back_percent", ("90.1", "5 to 90 %")),
    "a_dry_back_that_is_no_number": (
        on("film", dry_back_percent=nan),
        "dry_back_percent",
        ("nan", "5 to 90 %"),
    ),
    "no_such_surface": (on("film", surface="furry"), "surface", ("'furry'", "'waxy', 'ordinary', 'hairy'")),
    "a_surface_in_numbers": (on("film", surface=50), "surface", ("50", "'waxy', 'ordinary', 'hairy'")),
    "a_burst_over_30_s": (on("film", burst_s=30.1), "burst_s", ("30.1", "0.5 to 30 s")),
    "no_such_mist": (on("film", night={"mist": "some"}), "night.mist", ("'some'", "'sparse'")),
    "a_gap_without_end": (
        on("film", day={"longest_gap_min": inf}),
        "day.longest_gap_min",
        ("inf", "1 to 720 min"),
    ),
    "a_shortest_gap_of_nought": (
        on("film", day={"shortest_gap_min": 0}),
        "day.shortest_gap_min",
        ("0:", "0.1 to 240 min"),
    ),
    "a_part_that_is_no_table": (on("film", day="off"), "day", ("'off'", "a table")),
    "an_unknown_key": (on("film", dry_back=35), "dry_back", ("unknown key", "dry_back_percent")),
    "an_unknown_key_of_a_part": (
        on("film", day={"gap_min": 5}),
        "day.gap_min",
        ("unknown key", "longest_gap_min"),
    ),
}


@pytest.mark.parametrize("name", VALUES)
def test_a_value_that_cannot_be_is_told_with_its_limits(name: str, tmp_path: Path) -> None:
    change, key, words = VALUES[name]
    path = written(tmp_path, changed(change))

    result = check(path)

    told = problems_of(path)
    assert list(told) == [f"{DEMAND}.{key}"]
    for each in words:
        assert each in told[f"{DEMAND}.{key}"]
        assert each in result.output


@pytest.mark.parametrize("cycle", ["mist", "", "FILM", 3, True, ["film"]])
def test_an_unknown_cycle_is_told_with_those_there_are(cycle: object, tmp_path: Path) -> None:
    path = written(tmp_path, changed(set_to("zones.0.cycle", cycle)))

    result = check(path)

    assert list(problems_of(path)) == ["zones[left].cycle"]
    assert "allowed: 'timed', 'vpd', 'leaf_wetness', 'film'" in result.output


@pytest.mark.parametrize("value", [1.1e6, -1.1e6, inf, nan, "450"])
@pytest.mark.parametrize("key", ["dry_reads", "wet_reads"])
def test_a_dry_or_wet_value_that_no_reading_could_have_is_refused(
    key: str, value: object, tmp_path: Path
) -> None:
    """A leaf-wetness reading beyond a million is taken for a broken one."""
    path = written(tmp_path, changed(plate(**{key: value})))

    told = problems_of(path)

    assert list(told) == [f"sensors[plate].{key}"]
    assert "-1e+06 to 1e+06" in told[f"sensors[plate].{key}"]


@pytest.mark.parametrize("key", ["set_point_kpa_h", "as_every_min", "dry_back_percent"])
def test_the_ends_of_a_range_are_taken(key: str, tmp_path: Path) -> None:
    ends: dict[str, tuple[dict[str, float], dict[str, float], str]] = {
        "set_point_kpa_h": ({"set_point_kpa_h": 0.01}, {"set_point_kpa_h": 20}, "vpd"),
        "as_every_min": ({"as_every_min": 1, "at_kpa": 0.1}, {"as_every_min": 240, "at_kpa": 8}, "vpd"),
        "dry_back_percent": ({"dry_back_percent": 5}, {"dry_back_percent": 90}, "film"),
    }
    low, high, cycle = ends[key]

    for demand in (low, high):
        result = check(written(tmp_path, changed(on(cycle, **demand))))
        assert result.exit_code == 0, result.output


# --- all at once, and none invented


def test_mistakes_of_several_kinds_are_told_at_once(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        changed(
            on("vpd", dry_back_percent=35, as_every_min=15, burst_s=3, day={"shortest_gap_min": 50}),
            on("leaf_wetness", place=1, at_kpa=1.0),
            plate(zone="middle", wet_reads=None),
            sensor("air-2", "air_temperature"),
            set_to("sensors.2.zone", "left"),
        ),
    )

    told = problems_of(path)

    assert set(told) == {
        f"{DEMAND}.dry_back_percent",
        f"{DEMAND}.as_every_min",
        f"{DEMAND}.burst_s",
        f"{DEMAND}.day.shortest_gap_min",
        "zones[right].demand.at_kpa",
        "zones[right].cycle",
        "sensors[plate].zone",
        "sensors[plate].wet_reads",
        "sensors[air-2].zone",
        "sensors[manifold].zone",
    }


def test_a_sensor_that_could_not_be_read_is_not_told_as_missing_as_well(tmp_path: Path) -> None:
    path = written(tmp_path, changed(on("film"), set_to("sensors.1.kind", "humidity")))

    assert list(problems_of(path)) == ["sensors[damp].kind"]


def test_a_zone_that_could_not_be_read_is_not_told_as_unknown_as_well(tmp_path: Path) -> None:
    path = written(tmp_path, changed(plate(), set_to("zones.0.nozzles", 0)))

    assert list(problems_of(path)) == ["zones[left].nozzles"]


def test_sensors_that_are_no_list_hide_no_zone(tmp_path: Path) -> None:
    path = written(tmp_path, toml_of(changed(on("film", burst_s=3), set_to("sensors", {"name": "air"}))))

    assert set(problems_of(path)) == {"sensors", f"{DEMAND}.burst_s"}


def test_zones_on_a_timetable_ask_for_no_sensor(tmp_path: Path) -> None:
    tables = changed(without_sensors)

    assert load_config(written(tmp_path, tables)).sensors == ()


def test_two_of_a_kind_are_no_matter_where_every_zone_on_demand_has_its_own(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        changed(
            on("film"), sensor("air-2", "air_temperature"), sensor("own", "air_temperature", zone="left")
        ),
    )

    assert [each.name for each in load_config(path).sensors if each.zone == "left"] == ["own"]


def test_a_zone_may_have_several_leaf_wetness_sensors(tmp_path: Path) -> None:
    path = written(
        tmp_path, changed(plate(), plate(name="plate-2"), plate(name="plate-3"), on("leaf_wetness"))
    )

    assert len(load_config(path).sensors) == 6


def test_a_long_line_is_told_for_a_zone_on_demand_only(tmp_path: Path) -> None:
    """On a timetable a burst has to outlast the filling, and no more."""
    timed = several(set_to("zones.0.longest_burst_s", 4), *_timed_bursts(4))
    load_config(written(tmp_path, changed(timed)))

    told = problems_of(written(tmp_path, changed(timed, on("film"))))

    assert list(told) == ["zones[left].longest_burst_s"]
    assert "4 s would wet nothing" in told["zones[left].longest_burst_s"]


def _timed_bursts(burst_s: float) -> list[Change]:
    return [set_to(f"zones.0.timed.{part}.burst_s", burst_s) for part in PARTS]


def test_a_table_may_stand_by_while_the_timetable_leads(tmp_path: Path) -> None:
    """Its cycle may be set while the house runs, and its sensors are heard for that."""
    config = load_config(written(tmp_path, changed(on("timed", surface="waxy", set_point_kpa_h=0.4))))

    assert house_plan(config).zones[0].demand is None
    assert len(house_plan(config).sources) == 1
