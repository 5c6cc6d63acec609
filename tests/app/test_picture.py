"""A house as a page of text, from what it told: nothing guessed, nothing that moves the cursor."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from mistd.app.messages import ChangesTold, Message
from mistd.app.picture import EVENTS_SHOWN, VALUES, event_line, lines
from mistd.core.readings import SensorKind
from tests.app.told_houses import (
    NOW,
    TOPICS,
    change,
    demand,
    event,
    house,
    picture_of,
    sensor,
    settings,
    status,
    zone,
)


def page(*messages: Message, **more: Any) -> list[str]:
    return lines(picture_of(*messages), NOW, **more)


def test_a_page_of_a_house() -> None:
    told = page(
        status(),
        house(),
        zone("right", doing="misting", why="asked for by Ida", next_burst_at=None),
        zone("left"),
        sensor(),
        event(),
    )

    assert told == [
        "Fern house   21 Jun 12:00:00   day   daemon online",
        "air 21.5 C",
        "",
        "zone   doing    next     last burst        today             why",
        "left   resting  in 75 s  6.0 s, 5 min ago  12 bursts, 8.6 l  by the timetable",
        "right  misting  -        6.0 s, 5 min ago  12 bursts, 8.6 l  asked for by Ida",
        "",
        "12:00:00  left: hold started. potting",
    ]


def test_without_a_word_of_a_house_the_page_says_so() -> None:
    assert page(zone("left"), status()) == [
        "no house has told of itself on this broker; is the daemon running?"
    ]


def test_what_is_told_of_a_house_without_a_daemon_is_said_to_be_from_before() -> None:
    assert page(status(state="offline"), house())[1].startswith("! the daemon is offline")
    assert not any("offline" in line for line in page(status(), house()))


def test_a_dead_daemon_and_simulated_outputs_are_shown_in_the_first_line() -> None:
    assert (
        "daemon offline, simulated outputs" in page(status(state="offline", driver="simulated"), house())[0]
    )
    assert "daemon unknown" in page(house())[0]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"keeper_ready": False, "keeper_trouble": "it was killed"}, "nobody holds the output lines: it was"),
        ({"keeper_ready": False}, "a keeper is being started"),
        ({"frost": True}, "frost"),
        ({"time_trusted": False}, "time uncertain"),
    ],
)
def test_what_keeps_a_house_from_misting_rightly_is_a_warning(changes: dict[str, Any], words: str) -> None:
    warnings = [line for line in page(house(**changes)) if line.startswith("!")]

    assert len(warnings) == 1
    assert words in warnings[0]


@pytest.mark.parametrize(
    ("changes", "shown"),
    [
        ({"kind": "relative_humidity", "value": 0.876}, "air 88 %"),
        ({"kind": "light", "value": 612.4}, "air 612 W/m2"),
        ({"kind": "supply_pressure", "value": 3.051}, "air 3.05 bar"),
        ({"kind": "flow", "value": 7.24}, "air 7.2 l/min"),
        ({"kind": "leaf_temperature", "value": 24.98}, "air 25.0 C"),
        ({"kind": "leaf_wetness", "value": 853.0, "unit": "raw"}, "air 853 raw"),
        ({"kind": "leaf_wetness", "value": 853.0, "wet_percent": 62.4}, "air 62 % wet"),
        (
            {"kind": "leaf_wetness", "value": 853.0, "wet_percent": 62.0, "doubt": "x"},
            "air 62 % wet, doubted",
        ),
        ({"kind": "leaf_wetness", "value": 853.0, "wet_percent": 62.0, "is_good": False}, "air lost"),
        ({"kind": "something_new", "value": 5.25, "unit": "dS"}, "air 5.25 dS"),
        ({"is_good": False}, "air lost"),
        ({"value": None, "is_good": False}, "air not heard yet"),
    ],
)
def test_readings_are_shown_in_the_growers_units(changes: dict[str, Any], shown: str) -> None:
    assert page(house(), sensor(**changes))[1] == shown


def test_every_kind_of_sensor_has_a_way_to_be_shown() -> None:
    assert set(VALUES) == {kind.value for kind in SensorKind}


@pytest.mark.parametrize(
    ("changes", "shown"),
    [
        ({"doing": "off", "next_burst_at": None}, "-"),
        ({"doing": "ordered"}, "-"),
        ({"next_burst_at": NOW}, "due"),
        ({"next_burst_at": NOW - timedelta(hours=1)}, "due"),
        ({"next_burst_at": NOW + timedelta(seconds=89)}, "in 89 s"),
        ({"next_burst_at": NOW + timedelta(seconds=91)}, "in 2 min"),
        ({"next_burst_at": NOW + timedelta(hours=2)}, "in 2 h"),
        ({"next_burst_at": NOW.astimezone(UTC) + timedelta(seconds=30)}, "in 30 s"),
        ({"hold": {"until": NOW + timedelta(minutes=30), "by": "Ida", "note": ""}}, "after the hold, 30 min"),
        ({"last_burst": None}, "never"),
        ({"last_burst": {"began_at": NOW, "ended_at": None, "lasted_s": None}}, "now"),
    ],
)
def test_times_are_told_as_people_tell_them(changes: dict[str, Any], shown: str) -> None:
    row = page(house(zones=["left"]), zone("left", **changes))[3]

    assert shown in [cell.strip() for cell in row.split("  ") if cell]


def test_a_column_of_the_callers_own_stands_before_the_reasons() -> None:
    told = page(house(zones=["left"]), zone("left"), extra={"left": "42 um"}, extra_head="film")

    assert told[2].split() == ["zone", "doing", "next", "last", "burst", "today", "film", "why"]
    assert "42 um  by the timetable" in told[3]


UNTIL = {"until": NOW + timedelta(days=2), "by": "Ana", "note": "overcast"}


@pytest.mark.parametrize(
    ("changes", "shown"),
    [
        ({"trim": {"percent": -20.0, **UNTIL}}, "-20 % until 23 Jun 12:00"),
        ({"trim": {"percent": 12.5, **UNTIL}}, "+12.5 % until 23 Jun 12:00"),
        ({"closed": UNTIL | {"until": NOW + timedelta(hours=3)}}, "closed until 15:00"),
        ({"skip": UNTIL}, "next one skipped"),
        (
            {"trim": {"percent": -20.0, **UNTIL}, "closed": UNTIL, "skip": UNTIL},
            "-20 % until 23 Jun 12:00, closed until 23 Jun 12:00, next one skipped",
        ),
    ],
)
def test_what_people_have_set_for_a_while_is_a_column_before_the_reasons(
    changes: dict[str, Any], shown: str
) -> None:
    told = page(house(), zone("left", **changes), zone("right"))

    assert told[2].split() == ["zone", "doing", "next", "last", "burst", "today", "set", "why"]
    assert f"8.6 l  {shown}  by the timetable" in told[3]
    assert told[4].endswith("-" + " " * (len(shown) + 1) + "by the timetable")


def test_where_nothing_is_set_there_is_no_column_for_it() -> None:
    held = {"until": NOW + timedelta(minutes=30), "by": "Ida", "note": ""}

    assert "set" not in page(house(), zone("left", hold=held))[2].split()


def test_a_column_of_the_callers_own_and_what_is_set_stand_side_by_side() -> None:
    told = page(house(zones=["left"]), zone("left", skip=UNTIL), extra={"left": "42 um"}, extra_head="film")

    assert told[2].split()[-3:] == ["film", "set", "why"]
    assert "42 um  next one skipped  by the timetable" in told[3]


def test_what_leads_a_zone_is_a_column_where_any_is_on_demand() -> None:
    told = page(house(), zone("left", demand=demand(led_by="film")), zone("right"))

    assert told[2].split() == ["zone", "doing", "next", "last", "burst", "today", "led", "by", "why"]
    assert "8.6 l  film       by the timetable" in told[3]
    assert "8.6 l  timetable  by the timetable" in told[4]
    assert not any(line.startswith("!") for line in told)


def test_zones_that_are_led_by_other_than_their_own_cycle_are_marked_with_the_reason() -> None:
    fallen = demand(led_by="own_week", why="air is lost")

    told = page(
        house(zones=["left", "right", "nave"]),
        zone("left", demand=fallen),
        zone("right", demand=demand(led_by="leaf_wetness", why="air is lost")),
        zone("nave", demand=fallen),
    )

    assert told[1:3] == [
        "! not by its own cycle: left, nave; led by its own last week, a fifth wetter, for air is lost",
        "! not by its own cycle: right; led by its leaf-wetness sensors, for air is lost",
    ]
    assert "8.6 l  ! own week      by the timetable" in told[5]
    assert "8.6 l  ! leaf wetness  by the timetable" in told[6]


def test_settings_and_changes_are_kept_by_their_topics() -> None:
    told = picture_of(
        settings("left"), settings("right"), ChangesTold(changes=[change(3, "skip", {"for_s": 60.0})])
    )

    assert list(told.settings) == ["left", "right"]
    assert told.changes is not None
    assert [each.revision for each in told.changes.changes] == [3]


@pytest.mark.parametrize(("state", "is_online"), [("online", True), ("offline", False), (None, False)])
def test_a_daemon_is_there_when_it_says_so(state: str | None, is_online: bool) -> None:
    assert picture_of(*([status(state=state)] if state else [])).is_online is is_online


def test_bursts_are_left_to_the_table_and_old_events_fall_off_the_page() -> None:
    events = [event(event="burst_started"), *(event(reason=f"number {n}") for n in range(EVENTS_SHOWN + 2))]

    told = [line for line in page(house(zones=[]), *events) if ": " in line]

    assert [line.rsplit(". ", 1)[1] for line in told] == [f"number {n}" for n in range(2, EVENTS_SHOWN + 2)]


def test_an_event_is_told_in_the_houses_own_time() -> None:
    at = datetime(2026, 6, 21, 10, 30, tzinfo=UTC)

    assert event_line(event(at=at), NOW) == "12:30:00  left: hold started. potting"


EVERY_TOPIC = (
    TOPICS.status,
    TOPICS.house,
    TOPICS.zone("left"),
    TOPICS.sensor("air"),
    TOPICS.event,
    TOPICS.settings("left"),
    TOPICS.changes,
)


def told_at(at: str) -> bytes:
    """A zone whose next burst comes at an instant that no calendar of ours holds."""
    return json.dumps(json.loads(zone("left").model_dump_json()) | {"next_burst_at": at}).encode()


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{}",
        b"\xff",
        b"[" * 100_000,
        b'{"zone": 3}',
        b"null",
        told_at("2026-06-21T12:00:00"),
        told_at("0001-01-01T00:00:00Z"),
        told_at("9999-12-31T23:59:59-12:00"),
    ],
    ids=lambda payload: repr(payload[:20]),
)
def test_a_message_that_is_not_understood_changes_nothing(payload: bytes) -> None:
    picture = picture_of(
        status(), house(), zone("left"), sensor(), event(), settings("left"), ChangesTold(changes=[])
    )
    before, settings_before = lines(picture, NOW), picture.settings["left"]

    for topic in EVERY_TOPIC:
        picture.take(topic, payload)
    picture.take("another/house", zone("left", doing="off").model_dump_json().encode())

    assert lines(picture, NOW) == before
    assert picture.settings == {"left": settings_before}
    assert picture.changes == ChangesTold(changes=[])


def test_no_words_of_a_stranger_move_the_cursor_or_make_a_line() -> None:
    bad = "\x1b[2J\nmistd: all is well\x07\u202e"
    told = page(
        house(title=bad, keeper_ready=False, keeper_trouble=bad, zones=["left"]),
        zone("left", why=bad, trim={"percent": 5.0, **UNTIL, "by": bad, "note": bad}),
        event(subject=bad, reason=bad, event=bad),
        sensor(sensor="air", kind="x", unit=bad),
    )
    told += page(house(zones=["left"]), zone("left", demand=demand(why=bad)))

    assert all(line.isprintable() for line in told)
    assert not any(line.startswith("mistd") for line in told)


def test_a_picture_does_not_grow_with_the_events_it_is_told() -> None:
    picture = picture_of(house(), *(event(reason=str(number)) for number in range(200)))

    assert len(picture.events) <= 50
    assert picture.events[-1].reason == "199"
