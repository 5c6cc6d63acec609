"""What a house tells of a zone on demand: what leads it, its film, its forecast; and not at every reading."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from mistd.app.sun import almanac_at
from mistd.app.telling import SENSOR_EVERY_S, Teller
from mistd.app.telling_demand import AT_MOST_EVERY_S, FIGURES_LAST_S, MOVED_BY_S
from mistd.core.film import drying_um
from mistd.core.observations import KeeperReady, LineEdge
from mistd.core.requests import AskHold
from mistd.core.wetness_trust import UNHEARD
from tests.app.house_files import Change, Tables, set_to, several
from tests.app.telling_desk import NOON, TOPICS, Desk, desk_for

LEAF = {
    "name": "left-leaf",
    "kind": "leaf_wetness",
    "topic": "fern/left/leaf",
    "zone": "left",
    "dry_reads": 450,
    "wet_reads": 1100,
}
HUMID = {"air": 20.0, "damp": 0.97}
DRY = {"air": 34.0, "damp": 0.25}


def with_sensor(sensor: dict[str, Any]) -> Change:
    def change(tables: Tables) -> None:
        tables["sensors"].append(sensor)

    return change


def on_demand(directory: Path, cycle: str = "film", *changes: Change) -> Desk:
    """A house whose left zone is on demand; sensors may keep silent for two hours."""

    def patient(tables: Tables) -> None:
        for sensor in tables["sensors"]:
            sensor["stale_after_s"] = 7200

    return desk_for(directory, set_to("zones.0.cycle", cycle), *changes, patient)


def misted(desk: Desk, said: dict[str, float] = HUMID) -> None:
    """The air heard and both zones misted once, the left one first."""
    desk.turn(keeper=(KeeperReady(since_s=0.0),))
    for name, value in said.items():
        desk.hear(name, value)
    for _ in desk.house.zones:
        desk.report(LineEdge.OPENED)
        desk.report(LineEdge.SHUT, after_s=6.0, open_s=6.0, reason="its time was over")
        desk.turn(2.0)


def told(desk: Desk, name: str = "zone/left") -> dict[str, Any]:
    """A message as whoever comes to listen now would get it, from a teller that has told nothing yet."""
    desk.teller = Teller(desk.config, TOPICS, desk.clock, desk.published.append)
    desk.tell()
    return desk.told(name)


def wall(at_s: float) -> datetime:
    return NOON + timedelta(seconds=at_s)


def demand(desk: Desk) -> dict[str, Any]:
    found = told(desk)["demand"]
    assert isinstance(found, dict)
    return found


# --- what


def test_a_timed_zone_has_no_demand_to_tell(tmp_path: Path) -> None:
    desk = on_demand(tmp_path)

    assert told(desk, "zone/right")["demand"] is None


def test_a_zone_by_its_film_tells_what_the_burst_left_on_the_driest_quarter(tmp_path: Path) -> None:
    """0.25 l at 0.12 l/s fill in 2.08 s; then 8.57 um/s fall, half of it (0.7 x 0.7) on leaves: 16.45 um."""
    desk = on_demand(tmp_path)
    desk.turn(keeper=(KeeperReady(since_s=0.0),))
    desk.report(LineEdge.OPENED)
    desk.report(LineEdge.SHUT, after_s=6.0, open_s=6.0, reason="its time was over")

    found = demand(desk)

    assert (found["cycle"], found["led_by"], found["led_since"], found["why"]) == ("film", "film", None, "")
    assert found["film_um"] == pytest.approx(16.45, abs=0.06)
    assert found["wet_percent"] == pytest.approx(100.0 * (16.45 / 50.0) ** (2.0 / 3.0), abs=0.2)
    assert (found["holds_um"], found["dry_back_percent"]) == (50.0, 36.0)
    assert found["film_unsure_percent"] == pytest.approx(38.0)  # no sensor on the leaves, light not measured
    assert found["as_of"] == wall(desk.now_s)
    assert (found["shortest_gap_s"], found["longest_gap_s"], found["is_sparse"]) == (120.0, 2700.0, False)
    assert found["latest_at"] == wall(desk.now_s + 2700.0)
    assert found["mists_in"] == ["night", "dawn", "day", "dusk"]
    assert (found["sum_kpa_h"], found["set_point_kpa_h"], found["deficit_kpa"]) == (None, None, None)


def test_the_next_burst_is_told_as_the_meter_runs_not_as_the_longest_gap(tmp_path: Path) -> None:
    """From 16.45 um down to 36 % wet, so much sooner as the pace may be off, at a usual bright day's pace."""
    desk = on_demand(tmp_path)
    desk.turn(keeper=(KeeperReady(since_s=0.0),))
    desk.report(LineEdge.OPENED)
    desk.report(LineEdge.SHUT, after_s=6.0, open_s=6.0, reason="its time was over")

    pace_um_per_s = demand(desk)["drying_um_per_h"] / 3600.0
    to_dry_um = drying_um(16.45, 50.0) - drying_um(50.0 * 0.36**1.5, 50.0)
    waits_s = (told(desk)["next_burst_at"] - wall(desk.now_s)).total_seconds()

    assert pace_um_per_s == pytest.approx(0.035)
    assert waits_s == pytest.approx(to_dry_um / 1.38 / pace_um_per_s, abs=1.0)
    assert waits_s < 300.0


def test_a_zone_by_deficit_tells_its_sum_and_set_point(tmp_path: Path) -> None:
    """At 25 C and 60 % the deficit is 1.267 kPa (Tetens): in a quarter of an hour 0.317 kPa.h."""
    desk = on_demand(tmp_path, "vpd", set_to("zones.0.demand.set_point_kpa_h", 0.8))
    misted(desk, {"air": 25.0, "damp": 0.6})
    before = demand(desk)

    desk.turn(900.0)
    after = demand(desk)

    assert (after["cycle"], after["led_by"], after["set_point_kpa_h"]) == ("vpd", "vpd", 0.8)
    assert after["deficit_kpa"] == pytest.approx(1.267, abs=0.005)
    assert after["sum_kpa_h"] - before["sum_kpa_h"] == pytest.approx(1.267 / 4.0, abs=0.002)


def test_sparse_mist_is_told_as_such_and_due_after_its_gap(tmp_path: Path) -> None:
    desk = on_demand(
        tmp_path, "film", set_to("zones.0.demand.day", {"mist": "sparse", "longest_gap_min": 30})
    )
    misted(desk, DRY)

    zone = told(desk)

    shut_s = desk.house.zones[0].shut_s
    assert zone["demand"]["is_sparse"] is True
    assert zone["next_burst_at"] == zone["demand"]["latest_at"] == wall(shut_s + 1800.0)


def test_a_zone_whose_readings_died_tells_what_leads_it_since_when_and_no_film(tmp_path: Path) -> None:
    desk = on_demand(tmp_path)
    misted(desk)
    fell_s = desk.house.sensors["air"].stale_s

    desk.turn(fell_s - desk.now_s)
    zone = desk.told("zone/left")

    found = zone["demand"]
    assert (found["cycle"], found["led_by"]) == ("film", "timetable")
    assert found["led_since"] == wall(fell_s)
    assert "air is lost" in found["why"]
    unknown = ("film_um", "wet_percent", "film_unsure_percent", "drying_um_per_h")
    assert [found[name] for name in unknown] == [None] * 4


def test_what_a_zone_does_without_is_told_while_its_own_cycle_leads(tmp_path: Path) -> None:
    desk = on_demand(tmp_path, "film", with_sensor(LEAF))
    misted(desk)
    desk.house = replace(desk.house, trust={"left-leaf": replace(UNHEARD, doubt="lime")})

    assert demand(desk)["doubts"] == ["left-leaf is doubted: lime"]
    assert demand(desk)["led_by"] == "film"


def test_what_made_it_fall_back_is_not_told_twice(tmp_path: Path) -> None:
    desk = on_demand(tmp_path, "leaf_wetness", with_sensor(LEAF))
    misted(desk, HUMID | {"left-leaf": 2000.0})

    found = demand(desk)

    assert (found["led_by"], found["doubts"]) == ("film", [])
    assert "left-leaf is doubted" in found["why"]


@pytest.mark.parametrize(("after_s", "percent"), [(29.0, None), (30.0, 60.0)])
def test_a_sensors_word_is_told_once_it_has_settled_after_a_burst(
    tmp_path: Path, after_s: float, percent: float | None
) -> None:
    desk = on_demand(tmp_path, "leaf_wetness", with_sensor(LEAF))
    desk.hear("left-leaf", 450.0 + 0.1 * 650.0)
    misted(desk)
    shut_s = desk.house.zones[0].shut_s

    desk.hear("left-leaf", 450.0 + 0.6 * 650.0, after_s=shut_s + after_s - desk.now_s)

    assert demand(desk)["sensor_wet_percent"] == percent


def test_a_burst_by_the_film_before_its_set_point_says_why_it_is_sooner(tmp_path: Path) -> None:
    desk = on_demand(tmp_path)
    misted(desk, {"air": 25.0, "damp": 0.6})

    desk.turn(desk.house.attention_s[0] - desk.now_s)
    why = desk.told("zone/left")["why"]

    assert desk.told("zone/left")["doing"] == "ordered"
    assert "set point 36 %, sooner in the light as leaves may dry 38 % faster" in why


def test_a_dry_sensor_brings_no_burst_forward_where_mist_is_sparse(tmp_path: Path) -> None:
    sparse = {"mist": "sparse", "longest_gap_min": 30}
    seldom = set_to("zones.1.timed.day.gap_min", 60)
    desk = on_demand(
        tmp_path, "leaf_wetness", with_sensor(LEAF), set_to("zones.0.demand.day", sparse), seldom
    )
    misted(desk)
    shut_s = desk.house.zones[0].shut_s

    desk.hear("left-leaf", 460.0, after_s=900.0)
    zone = told(desk)
    desk.turn(shut_s + 1800.0 - desk.now_s)

    assert desk.house.zones[0].demand is not None
    assert desk.house.zones[0].demand.is_sensor_dry
    assert (zone["doing"], zone["next_burst_at"]) == ("resting", wall(shut_s + 1800.0))
    assert desk.told("zone/left")["doing"] == "ordered"
    assert "sparse mist, 30 min by day, is over" in desk.told("zone/left")["why"]


def test_a_dry_sensor_asks_for_no_burst_where_there_is_no_mist(tmp_path: Path) -> None:
    off = set_to("zones.0.demand.day.mist", "off")
    desk = on_demand(tmp_path, "leaf_wetness", with_sensor(LEAF), off)
    desk.turn(keeper=(KeeperReady(since_s=0.0),))

    desk.hear("left-leaf", 460.0, after_s=60.0)

    assert desk.house.zones[0].demand is not None
    assert desk.house.zones[0].demand.is_sensor_dry
    assert (told(desk)["doing"], told(desk)["next_burst_at"]) == ("off", None)
    assert "left" not in [order.zone for order in desk.orders]


# --- off


def test_a_zone_on_demand_is_off_by_its_own_bounds_and_speaks_of_no_timetable(tmp_path: Path) -> None:
    desk = on_demand(tmp_path, "film", set_to("zones.0.demand.day.mist", "off"))
    desk.turn(keeper=(KeeperReady(since_s=0.0),))

    zone = told(desk)

    assert (zone["doing"], zone["why"]) == ("off", "it has no mist in the day part of the day")
    assert zone["next_burst_at"] is None
    found = zone["demand"]
    assert (found["shortest_gap_s"], found["longest_gap_s"], found["latest_at"]) == (None, None, None)
    assert found["mists_in"] == ["night", "dawn", "dusk"]


def test_a_timetable_without_mist_does_not_put_a_zone_on_demand_off(tmp_path: Path) -> None:
    desk = on_demand(
        tmp_path,
        "film",
        several(set_to("zones.0.timed.day", {"off": True}), set_to("zones.0.demand.day.mist", "on_demand")),
    )
    misted(desk)

    assert told(desk)["doing"] == "resting"


# --- when


def readings_of(desk: Desk, for_s: float, **said: float) -> Iterator[list[str]]:
    """Topics told as sensors repeat themselves every ten seconds."""
    for number in range(round(for_s / 10.0)):
        for name, value in said.items():
            wobble = 1.0 + 1e-4 * (number % 2)
            yield desk.hear(name.replace("_", "-"), value * wobble, after_s=10.0 / len(said))


def test_readings_that_move_nothing_republish_no_zone_until_its_figures_are_old(tmp_path: Path) -> None:
    """A wet sensor's every word makes another zone of it; what it says after a burst is told once."""
    desk = on_demand(tmp_path, "vpd", with_sensor(LEAF), set_to("zones.1.timed.day.gap_min", 60))
    misted(desk, HUMID | {"left-leaf": 1100.0})
    list(readings_of(desk, 120.0, air=20.0, damp=0.97, left_leaf=1100.0))
    desk.turn(1.0, requests=(AskHold(request_id="a", zone="left", for_s=3600.0, author="Ida"),))

    soon = list(readings_of(desk, FIGURES_LAST_S - 10.0, air=20.0, damp=0.97, left_leaf=1100.0))
    later = list(readings_of(desk, 20.0, air=20.0, damp=0.97, left_leaf=1100.0))

    assert not any("zone/left" in each or "zone/right" in each for each in soon)
    assert sum("zone/left" in each for each in later) == 1


def test_however_the_air_swings_a_zone_is_told_for_it_once_a_minute(tmp_path: Path) -> None:
    desk = on_demand(tmp_path, "vpd", set_to("zones.0.demand.set_point_kpa_h", 0.5))
    misted(desk, {"air": 25.0, "damp": 0.6})

    told_s = [
        desk.now_s
        for number in range(60)
        if "zone/left" in desk.hear("damp", 0.5 + 0.2 * (number // 3 % 2), after_s=10.0)
    ]

    assert len(told_s) >= 5
    assert min(later_s - sooner_s for sooner_s, later_s in pairwise(told_s)) >= AT_MOST_EVERY_S


@pytest.mark.parametrize("humidity", [0.45, 0.75])
def test_a_forecast_that_has_moved_is_told_after_a_minute(tmp_path: Path, humidity: float) -> None:
    desk = on_demand(tmp_path, "vpd", set_to("zones.0.demand.set_point_kpa_h", 0.3))
    misted(desk, {"air": 25.0, "damp": 0.6})
    before = told(desk)["next_burst_at"]

    at_once = desk.hear("damp", humidity, after_s=AT_MOST_EVERY_S - 1.0)
    later = desk.hear("damp", humidity, after_s=1.0)

    assert "zone/left" not in at_once
    assert "zone/left" in later
    assert abs(desk.told("zone/left")["next_burst_at"] - before) > timedelta(seconds=MOVED_BY_S)


def test_a_forecast_that_has_hardly_moved_is_not_told(tmp_path: Path) -> None:
    desk = on_demand(tmp_path)
    misted(desk, {"air": 20.0, "damp": 0.90})
    desk.hear("air", 20.0, after_s=AT_MOST_EVERY_S)
    before = told(desk)["next_burst_at"]

    topics = desk.hear("air", 20.02, after_s=AT_MOST_EVERY_S)

    assert "zone/left" not in topics
    assert abs(told(desk)["next_burst_at"] - before) < timedelta(seconds=MOVED_BY_S)


def test_a_burst_that_is_overdue_under_a_hold_is_not_told_at_every_minute(tmp_path: Path) -> None:
    """Its meter has passed the mark, so each word of its sensor finds it due at that very instant."""
    set_point = set_to("zones.0.demand.set_point_kpa_h", 0.1)
    desk = on_demand(tmp_path, "vpd", set_point, with_sensor(LEAF))
    misted(desk, {"air": 25.0, "damp": 0.6, "left-leaf": 800.0})
    desk.turn(1.0, requests=(AskHold(request_id="a", zone="left", for_s=7200.0, author="Ida"),))
    list(readings_of(desk, 600.0, air=25.0, damp=0.6, left_leaf=800.0))

    topics = list(readings_of(desk, FIGURES_LAST_S, air=25.0, damp=0.6, left_leaf=800.0))

    assert sum("zone/left" in each for each in topics) == 1


def test_a_burst_and_a_hold_of_a_zone_on_demand_are_told_at_once(tmp_path: Path) -> None:
    desk = on_demand(tmp_path)
    misted(desk)

    held = desk.turn(1.0, requests=(AskHold(request_id="a", zone="left", for_s=600.0, author="Ida"),))

    assert held == ["zone/left"]


def test_a_new_part_of_the_day_tells_its_own_bounds(tmp_path: Path) -> None:
    desk = on_demand(tmp_path, "film", set_to("zones.0.demand.dusk.longest_gap_min", 33))
    misted(desk)

    at = NOON + timedelta(hours=9)
    desk.turn(1.0, almanac=almanac_at(desk.place, at, desk.now_s + 1.0))

    assert desk.told("zone/left")["demand"]["longest_gap_s"] == 33 * 60.0


# --- sensors


def test_a_leaf_wetness_sensor_tells_how_wet_it_is_by_its_own_values(tmp_path: Path) -> None:
    desk = on_demand(tmp_path, "film", with_sensor(LEAF))
    desk.tell()

    desk.hear("left-leaf", 450.0 + 0.62 * 650.0, after_s=SENSOR_EVERY_S)

    sensor = desk.told("sensor/left-leaf")
    assert (sensor["wet_percent"], sensor["doubt"], sensor["is_good"]) == (62.0, None, True)


def test_a_doubt_is_told_at_once_and_so_is_its_end(tmp_path: Path) -> None:
    desk = on_demand(tmp_path, "film", with_sensor(LEAF))
    desk.hear("left-leaf", 800.0)
    desk.tell()

    desk.house = replace(desk.house, trust={"left-leaf": replace(UNHEARD, share=0.5, doubt="lime")})
    doubted, why = desk.tell(), desk.told("sensor/left-leaf")["doubt"]
    desk.house = replace(desk.house, trust={"left-leaf": replace(UNHEARD, share=0.5)})
    trusted = desk.tell()

    assert doubted == trusted == ["sensor/left-leaf"]
    assert why == "lime"
    assert desk.told("sensor/left-leaf")["doubt"] is None


def test_a_lost_leaf_wetness_sensor_says_no_percent(tmp_path: Path) -> None:
    desk = on_demand(tmp_path, "film", with_sensor(LEAF))
    desk.hear("left-leaf", 800.0)

    desk.turn(7200.0)

    assert desk.told("sensor/left-leaf")["wet_percent"] is None
