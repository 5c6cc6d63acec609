"""What a house tells, as messages for tests: each good as it is, and changed by whoever needs it otherwise.

Does not know what is made of them. Rule: everything is told of one instant, `NOW`.
"""

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from mistd.app.messages import (
    ChangesTold,
    ChangeTold,
    EventTold,
    HouseTold,
    Message,
    SensorTold,
    SettingsTold,
    SettingTold,
    Status,
    ZoneTold,
)
from mistd.app.picture import Picture
from mistd.app.topics import Topics

TOPICS = Topics(house_name="fern-house")
NOW = datetime(2026, 6, 21, 12, 0, tzinfo=ZoneInfo("Europe/Brussels"))
NO_WATER = {"bursts": 0, "open_s": 0.0, "water_l": 0.0}


def house(**changes: Any) -> HouseTold:
    told = {
        "house": "fern-house",
        "title": "Fern house",
        "part": "day",
        "local_date": "2026-06-21",
        "is_light": True,
        "time_trusted": True,
        "frost": False,
        "keeper_ready": True,
        "keeper_trouble": "",
        "water_today_l": 4.5,
        "zones": ["left", "right"],
        "sensors": ["air"],
    }
    return HouseTold.model_validate(told | changes)


def zone(name: str, **changes: Any) -> ZoneTold:
    told = {
        "zone": name,
        "title": "",
        "doing": "resting",
        "why": "by the timetable",
        "next_burst_at": NOW + timedelta(seconds=75),
        "last_burst": {
            "began_at": NOW - timedelta(seconds=306),
            "ended_at": NOW - timedelta(seconds=300),
            "lasted_s": 6.0,
        },
        "hold": None,
        "closed": None,
        "trim": None,
        "skip": None,
        "today": {"bursts": 12, "open_s": 72.0, "water_l": 8.64},
        "yesterday": NO_WATER,
    }
    return ZoneTold.model_validate(told | changes)


def demand(**changes: Any) -> dict[str, Any]:
    """What leads a zone by its film, which has dried for a while; longest gap 45 min by day."""
    told = {
        "cycle": "film",
        "led_by": "film",
        "led_since": None,
        "why": "",
        "doubts": [],
        "as_of": NOW,
        "film_um": 23.0,
        "holds_um": 50.0,
        "film_unsure_percent": 28.0,
        "drying_um_per_h": 126.0,
        "wet_percent": 59.6,
        "sensor_wet_percent": None,
        "dry_back_percent": 35.0,
        "sum_kpa_h": None,
        "set_point_kpa_h": None,
        "deficit_kpa": None,
        "shortest_gap_s": 120.0,
        "longest_gap_s": 2700.0,
        "is_sparse": False,
        "latest_at": NOW + timedelta(minutes=40),
        "mists_in": ["night", "dawn", "day", "dusk"],
    }
    return told | changes


def sensor(**changes: Any) -> SensorTold:
    told = {
        "sensor": "air",
        "kind": "air_temperature",
        "value": 21.46,
        "unit": "c",
        "at": NOW,
        "is_good": True,
    }
    return SensorTold.model_validate(told | changes)


def event(**changes: Any) -> EventTold:
    told = {"event": "hold_started", "at": NOW, "subject": "left", "reason": "potting", "figures": {}}
    return EventTold.model_validate(told | changes)


def status(**changes: Any) -> Status:
    told = {"state": "online", "house": "fern-house", "version": "1", "driver": "gpiozero", "since": NOW}
    return Status.model_validate(told | changes)


def setting(kind: str, value: dict[str, Any] | None, **changes: Any) -> SettingTold:
    told = {
        "setting": kind,
        "value": value,
        "revision": 0,
        "by": "the house's file",
        "at": None,
        "until": None,
        "note": "",
    }
    return SettingTold.model_validate(told | changes)


TIMETABLE = {
    "night": {"off": True},
    "dawn": {"burst_s": 5.0, "gap_min": 15.0},
    "day": {"burst_s": 6.0, "gap_min": 8.0},
    "dusk": {"burst_s": 5.0, "gap_min": 15.0},
}


def settings(name: str, *changed: SettingTold) -> SettingsTold:
    """Every setting of a zone: those that are given, the others as nobody ever set them."""
    known = {"timetable": setting("timetable", TIMETABLE)}
    known |= {kind: setting(kind, None) for kind in ("trim", "hold", "closed", "skip")}
    return SettingsTold(zone=name, settings=list((known | {each.setting: each for each in changed}).values()))


def change(revision: int, kind: str, value: dict[str, Any] | None, **changes: Any) -> ChangeTold:
    told = {
        "revision": revision,
        "zone": "left",
        "setting": kind,
        "value": value,
        "said": "",
        "until": None,
        "by": "Ida",
        "note": "",
        "at": NOW - timedelta(hours=1),
        "undoes": None,
    }
    return ChangeTold.model_validate(told | changes)


def topic_of(message: Message) -> str:
    if isinstance(message, ZoneTold):
        return TOPICS.zone(message.zone)
    if isinstance(message, SettingsTold):
        return TOPICS.settings(message.zone)
    if isinstance(message, SensorTold):
        return TOPICS.sensor(message.sensor)
    return {
        HouseTold: TOPICS.house,
        EventTold: TOPICS.event,
        Status: TOPICS.status,
        ChangesTold: TOPICS.changes,
    }[type(message)]


def picture_of(*messages: Message) -> Picture:
    picture = Picture(topics=TOPICS)
    for message in messages:
        picture.take(topic_of(message), message.model_dump_json().encode())
    return picture
