"""What a house tells on the broker: each part when it changes, in its model's words, and every event."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from mistd.app.house_plan import place_of
from mistd.app.messages import EventTold
from mistd.app.sun import almanac_at, uncertain_almanac
from mistd.app.telling import SENSOR_EVERY_S
from mistd.core.events import Event, EventKind
from mistd.core.observations import KeeperLost, KeeperReady, LineEdge
from mistd.core.requests import AskBurst, AskHold
from tests.app.house_files import set_to
from tests.app.telling_desk import NOON, TOPICS, Desk, desk_for, rested


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """Its sensors may keep silent for two hours, so that a test need not speak for them."""
    patient = [set_to(f"sensors.{number}.stale_after_s", 7200) for number in range(3)]
    return desk_for(tmp_path, *patient)


# --- when


def test_at_first_everything_is_told(desk: Desk) -> None:
    told = desk.tell()

    assert sorted(told) == [
        "changes",
        "house",
        "sensor/air",
        "sensor/damp",
        "sensor/manifold",
        "settings/left",
        "settings/right",
        "zone/left",
        "zone/right",
    ]
    assert all(each.is_state for each in desk.published)


def test_the_same_house_is_not_told_again(desk: Desk) -> None:
    desk.tell()

    assert desk.tell() == []
    assert desk.turn(1.0) == []


def test_a_burst_is_told_of_its_own_zone_and_of_the_houses_water_only(desk: Desk) -> None:
    rested(desk)

    assert desk.turn(8 * 60 - 8.0) == ["zone/left"]  # ordered
    assert desk.report(LineEdge.OPENED) == ["zone/left"]
    assert sorted(desk.report(LineEdge.SHUT, after_s=5.0, open_s=5.0)) == ["house", "zone/left"]


def test_a_hold_is_told_of_its_own_zone_only(desk: Desk) -> None:
    rested(desk)

    told = desk.turn(1.0, requests=(AskHold(request_id="a", zone="right", for_s=600.0, author="Ida"),))

    assert told == ["zone/right"]


def test_a_new_part_of_the_day_is_told_of_house_and_zones(desk: Desk) -> None:
    rested(desk)
    place = place_of(desk.config.place, desk.config.day_parts)

    told = desk.turn(1.0, almanac=almanac_at(place, NOON + timedelta(hours=9), desk.now_s + 1.0))

    assert sorted(told) == ["house", "zone/left", "zone/right"]
    assert desk.told("house")["part"] == "dusk"


def test_losing_the_keeper_is_told_of_house_and_zones(desk: Desk) -> None:
    rested(desk)

    told = desk.turn(1.0, keeper=(KeeperLost(reason="it was killed"),))

    assert sorted(told) == ["house", "zone/left", "zone/right"]
    assert desk.told("house")["keeper_trouble"] == "it was killed"
    assert desk.told("zone/left")["doing"] == "waiting"


def test_a_step_of_the_clock_alone_tells_nothing_anew(desk: Desk) -> None:
    rested(desk)
    desk.clock.stepped_by = timedelta(hours=1)

    assert desk.tell() == []


def test_a_sensor_is_told_at_most_every_ten_seconds(desk: Desk) -> None:
    desk.tell()

    told = [bool(desk.hear("air", 20.0 + number / 10, after_s=1.0)) for number in range(40)]

    assert told.count(True) == 40 / SENSOR_EVERY_S
    assert desk.hear("manifold", 3.0, after_s=0.0) == ["sensor/manifold"]


def test_a_sensor_that_is_lost_or_back_is_told_at_once(tmp_path: Path) -> None:
    desk = desk_for(tmp_path)
    desk.tell()
    desk.hear("air", 20.0, after_s=SENSOR_EVERY_S)

    lost = desk.turn(300.0)
    lost_told = desk.told("sensor/air")
    back = desk.hear("air", 21.0, after_s=0.1)

    assert "sensor/air" in lost
    assert (lost_told["is_good"], lost_told["value"]) == (False, 20.0)
    assert back == ["sensor/air"]
    assert (desk.told("sensor/air")["is_good"], desk.told("sensor/air")["value"]) == (True, 21.0)


# --- what


def test_a_zone_is_told_from_order_to_rest(desk: Desk) -> None:
    rested(desk)

    desk.turn(8 * 60 - 8.0)
    ordered = desk.told("zone/left")
    desk.report(LineEdge.OPENED, after_s=0.25)
    misting = desk.told("zone/left")
    desk.report(LineEdge.SHUT, after_s=6.0, open_s=6.0)
    resting = desk.told("zone/left")

    opened_at = NOON + timedelta(seconds=desk.now_s - 6.0)
    shut_at = NOON + timedelta(seconds=desk.now_s)
    assert (ordered["doing"], misting["doing"], resting["doing"]) == ("ordered", "misting", "resting")
    assert ordered["why"] == misting["why"] == resting["why"] == desk.house.zones[0].last_reason
    assert "8.0 min since the last burst" in ordered["why"]
    assert (ordered["next_burst_at"], misting["next_burst_at"]) == (None, None)
    assert misting["last_burst"] == {"began_at": opened_at, "ended_at": None, "lasted_s": None}
    assert resting["last_burst"] == {"began_at": opened_at, "ended_at": shut_at, "lasted_s": 6.0}
    assert resting["next_burst_at"] == shut_at + timedelta(minutes=8)


def test_water_is_told_as_seconds_times_nozzles_times_flow(desk: Desk) -> None:
    """Two bursts of 6 s through 12 nozzles of 0.6 l/min: 12 s x 7.2 / 60 = 1.44 l."""
    rested(desk)
    desk.turn(8 * 60 - 8.0)
    desk.report(LineEdge.OPENED)
    desk.report(LineEdge.SHUT, after_s=6.0, open_s=6.0)

    assert desk.told("zone/left")["today"] == {"bursts": 2, "open_s": 12.0, "water_l": 1.44}
    assert desk.told("house")["water_today_l"] == pytest.approx(1.44 + 0.72)


def test_a_held_zone_says_by_whom_until_when_and_when_mist_comes_next(desk: Desk) -> None:
    rested(desk)

    desk.turn(
        1.0, requests=(AskHold(request_id="a", zone="left", for_s=1800.0, author="Ida", note="potting"),)
    )
    zone = desk.told("zone/left")

    until = NOON + timedelta(seconds=desk.now_s + 1800.0)
    assert (zone["doing"], zone["why"]) == ("held", "held dry by Ida: potting")
    assert zone["hold"] == {"until": until, "by": "Ida", "note": "potting"}
    assert zone["next_burst_at"] == until


def test_a_zone_that_is_due_behind_another_says_so(desk: Desk) -> None:
    desk.turn(keeper=(KeeperReady(since_s=0.0),))  # both were never misted, and there is one line

    assert (desk.told("zone/left")["doing"], desk.told("zone/right")["doing"]) == ("ordered", "waiting")
    assert desk.told("zone/right")["why"] == "due; waiting for the line"


def test_a_zone_without_mist_in_this_part_is_off(tmp_path: Path) -> None:
    desk = desk_for(tmp_path, set_to("zones.0.timed.day", {"off": True}))
    desk.turn(keeper=(KeeperReady(since_s=0.0),))
    desk.report(LineEdge.OPENED)
    desk.report(LineEdge.SHUT, after_s=6.0, open_s=6.0)
    desk.turn(
        2.0, requests=(AskBurst(request_id="a", zone="left", for_s=None, author="Ida", expires_at_s=9e9),)
    )
    desk.report(LineEdge.OPENED)
    desk.report(LineEdge.SHUT, after_s=6.0, open_s=6.0)

    zone = desk.told("zone/left")
    assert (zone["doing"], zone["next_burst_at"]) == ("off", None)
    assert "no mist in the day part" in zone["why"]


def test_a_zone_that_was_never_misted_has_no_last_burst(desk: Desk) -> None:
    desk.tell()

    zone = desk.told("zone/left")
    assert zone["last_burst"] is None
    assert zone["title"] == ""


def test_the_house_tells_what_it_stands_on(desk: Desk) -> None:
    desk.tell()
    assert desk.told("house") == {
        "house": "fern-house",
        "title": "Fern house",
        "part": "day",
        "local_date": "2026-06-21",
        "is_light": True,
        "time_trusted": True,
        "frost": False,
        "keeper_ready": False,
        "keeper_trouble": "",
        "water_today_l": 0.0,
        "zones": ["left", "right"],
        "sensors": ["air", "damp", "manifold"],
    }


def test_a_distrusted_clock_is_told(desk: Desk) -> None:
    rested(desk)
    place = place_of(desk.config.place, desk.config.day_parts)

    desk.turn(1.0, almanac=uncertain_almanac(place, NOON, desk.now_s + 1.0, is_light=False))

    assert (desk.told("house")["time_trusted"], desk.told("house")["part"]) == (False, "night")


def test_a_sensor_is_told_in_the_cores_unit(desk: Desk) -> None:
    desk.tell()
    desk.hear("damp", 0.876543, after_s=SENSOR_EVERY_S)

    assert desk.told("sensor/damp") == {
        "sensor": "damp",
        "kind": "relative_humidity",
        "value": 0.8765,
        "unit": "fraction",
        "at": NOON + timedelta(seconds=desk.now_s),
        "is_good": True,
        "wet_percent": None,
        "doubt": None,
    }


def test_a_sensor_never_heard_has_no_value(desk: Desk) -> None:
    desk.tell()

    assert desk.told("sensor/air")["value"] is None
    assert desk.told("sensor/air")["is_good"] is False


# --- events


def test_an_event_is_published_with_its_figures_and_not_kept(desk: Desk) -> None:
    event = Event(
        kind=EventKind.BURST_STARTED,
        at_s=desk.now_s - 2.5,
        subject="left",
        reason="film gone",
        figures={"for_s": 6.0, "part": "day"},
    )

    desk.teller.tell_event(event)

    (sent,) = desk.published
    assert (sent.topic, sent.is_state) == (TOPICS.event, False)
    assert EventTold.model_validate_json(sent.payload) == EventTold(
        event="burst_started",
        at=NOON + timedelta(seconds=desk.now_s - 2.5),
        subject="left",
        reason="film gone",
        figures={"for_s": 6.0, "part": "day"},
    )


def test_a_board_without_a_clock_battery_tells_of_1970(desk: Desk) -> None:
    desk.clock.starts_at = datetime(1970, 1, 1, tzinfo=UTC) - timedelta(seconds=desk.now_s)

    desk.teller.tell_event(
        Event(kind=EventKind.DAEMON_STARTED, at_s=desk.now_s - 60.0, subject="x", reason="y", figures={})
    )
    desk.tell()

    waits_s = desk.house.zones[0].held_until_s - desk.now_s
    told_at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=waits_s)
    assert desk.told("zone/left")["next_burst_at"] == told_at


@pytest.mark.parametrize("kind", EventKind)
def test_every_kind_of_event_can_be_told(kind: EventKind, desk: Desk) -> None:
    desk.teller.tell_event(Event(kind=kind, at_s=desk.now_s, subject="x", reason="y", figures={}))

    assert json.loads(desk.published[0].payload)["event"] == kind.value
