"""Alarms in the whole daemon, in virtual time: raised and cleared by what is truly amiss, and told."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from mistd.app.alarm_desk import LOOK_AGAIN_S
from mistd.app.config import Config
from mistd.app.messages import AlarmsTold, AlarmTold
from mistd.core.alarm_kinds import ROWS, AlarmKind
from mistd.core.alarms import About
from mistd.core.events import EventKind
from simulators.memory_store import MemoryStore
from simulators.rig import Rig
from tests.app.alarm_house import (
    NAME,
    NO_BROKER,
    NOON,
    OFF_S,
    ON_S,
    RAISED,
    asked,
    fail_disk,
    heard,
    house,
    left_on_disk,
    lived,
    restarted,
    siren,
    states,
    told,
    without_broker,
)
from tests.app.house_files import loaded_house, set_to


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return house(tmp_path)


# --- raised and cleared by what is truly amiss


def test_a_house_that_is_well_has_no_alarm(config: Config) -> None:
    async def wait(rig: Rig) -> None:
        await asyncio.sleep(7200.0)

    rig = lived(Rig(config, NOON), wait)

    assert rig.alarms() == {}
    assert rig.events(RAISED) == []
    assert rig.all_alarms() == {
        "high": 0,
        "medium": 0,
        "low": 0,
        "unacknowledged": 0,
        "masked": 0,
        "is_sounding": False,
        "is_flood": False,
        "first": None,
        "topmost": None,
        "topmost_said": "",
    }


@dataclass(frozen=True)
class Cause:
    """Something amiss: how it comes and goes, when its alarm is due, and how long it may take to be over."""

    alarm: str
    comes: Callable[[Rig], None]
    goes: Callable[[Rig], None]
    not_before_s: float
    by_s: float
    over_by_s: float


def disk_works(rig: Rig) -> None:
    rig.store.fail_with = None


def keeper_refuses(rig: Rig) -> None:
    rig.keeper.refuses = "a fault of its own"


def keeper_obeys(rig: Rig) -> None:
    rig.keeper.refuses = ""


def time_is_lost(rig: Rig) -> None:
    rig.clock.trusted = False


def time_is_found(rig: Rig) -> None:
    rig.clock.trusted = True


GAP_S, NOTE_S, BURST_S = 480.0, 10.0, 6.0
CAUSES = (
    Cause(NO_BROKER, lambda rig: rig.bus.lose(), lambda rig: rig.bus.find(), ON_S, ON_S + 0.2, OFF_S + 0.2),
    Cause(f"state_not_kept/{NAME}", fail_disk, disk_works, 30.0, 30.0 + NOTE_S + 0.2, 30.0 + NOTE_S + 0.2),
    Cause(
        f"keeper_away/{NAME}", lambda rig: rig.keeper.die(), lambda rig: rig.keeper.begin(), 30.0, 30.2, 0.2
    ),
    Cause("zone_not_misted/left", keeper_refuses, keeper_obeys, 120.0, GAP_S + 150.0, 2 * GAP_S),
    Cause(f"time_untrusted/{NAME}", time_is_lost, time_is_found, 600.0, 600.0 + GAP_S, GAP_S),
)


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.alarm)
def test_an_alarm_is_raised_by_its_true_cause_and_over_when_that_is_gone(
    cause: Cause, config: Config
) -> None:
    async def comes_and_goes(rig: Rig) -> None:
        await asyncio.sleep(120.0)
        assert rig.alarms() == {}
        cause.comes(rig)
        await asyncio.sleep(cause.not_before_s - 1.0)
        assert cause.alarm not in rig.alarms()
        await asyncio.sleep(cause.by_s - cause.not_before_s + 1.0)
        assert states(rig)[cause.alarm] == "unacknowledged"
        cause.goes(rig)
        await asyncio.sleep(cause.over_by_s)
        assert states(rig)[cause.alarm] == "returned"
        answer = await asked(
            rig, "a", "acknowledge", cause.alarm, occurrence=rig.alarms()[cause.alarm]["occurrence"]
        )
        assert answer["outcome"] == "done"
        assert cause.alarm not in rig.alarms()

    rig = lived(Rig(config, NOON), comes_and_goes)

    kind, subject = cause.alarm.split("/")
    assert told(rig, RAISED).count((kind, subject)) == 1
    assert (kind, subject) in told(rig, "alarm_cleared")
    assert rig.bus.states[rig.topics.alarm(kind, subject)] == b""


def test_a_sensor_that_falls_silent_is_an_alarm_until_it_is_heard_again(tmp_path: Path) -> None:
    config = loaded_house(tmp_path, siren)
    names = {"reading_lost/air", "reading_lost/damp", "reading_lost/manifold"}

    async def silent_for_a_while(rig: Rig) -> None:
        await heard(rig, 100.0)
        await asyncio.sleep(300.0 + 30.0 - 11.0)
        assert rig.alarms() == {}
        await asyncio.sleep(3.0)
        assert set(states(rig)) == names
        await heard(rig, 80.0)
        assert set(states(rig).values()) == {"returned"}

    lived(Rig(config, NOON), silent_for_a_while)


def test_a_broker_that_was_never_there_is_an_alarm_after_a_normal_start_s_time(config: Config) -> None:
    async def wait(rig: Rig) -> None:
        await asyncio.sleep(ON_S - 1.0)
        assert rig.alarms() == {}
        await asyncio.sleep(2.0)

    rig = Rig(config, NOON)
    rig.bus.is_there_at_first = False
    lived(rig, wait)

    assert rig.alarms()[NO_BROKER]["reason"] == "not connected since the start"


def test_one_cause_is_one_alarm(config: Config) -> None:
    """A zone that gets no water for want of a keeper is no second alarm; told it is, as hidden."""

    async def no_keeper(rig: Rig) -> None:
        await asyncio.sleep(60.0)
        rig.keeper.die()
        await asyncio.sleep(2 * GAP_S)

    rig = lived(Rig(config, NOON), no_keeper)

    assert told(rig, RAISED) == [("keeper_away", NAME)]
    assert states(rig)["zone_not_misted/left"] == "unacknowledged/suppressed_by_design"
    assert (rig.all_alarms()["high"], rig.all_alarms()["masked"]) == (1, 2)
    assert rig.all_alarms()["first"] == f"keeper_away/{NAME}"


def test_a_keeper_that_was_replaced_is_held_until_it_is_reset_and_the_first_of_a_start_is_none(
    config: Config,
) -> None:
    async def replaced(rig: Rig) -> None:
        await asyncio.sleep(60.0)
        assert rig.alarms() == {}
        rig.keeper.die()
        await asyncio.sleep(1.0)
        rig.keeper.begin()
        await asyncio.sleep(1.0)
        assert states(rig) == {f"keeper_restarted/{NAME}": "latched_unacknowledged"}
        assert rig.all_alarms()["first"] is None  # it is over
        await asked(rig, "a", "acknowledge", "keeper_restarted", occurrence=1)
        assert states(rig) == {f"keeper_restarted/{NAME}": "latched"}
        await asked(rig, "b", "reset", "keeper_restarted")
        assert states(rig) == {}

    lived(Rig(config, NOON), replaced)


PULSES = (
    (EventKind.STATE_UNREADABLE, NAME, f"state_set_aside/{NAME}"),
    (EventKind.BACKUP_FAILED, NAME, f"backup_failed/{NAME}"),
    (EventKind.SIREN_TROUBLE, NAME, f"siren_trouble/{NAME}"),
    (EventKind.TASK_FAILED, "bus", "task_failed/bus"),
)


@pytest.mark.parametrize(("event", "subject", "alarm"), PULSES, ids=[pulse[2] for pulse in PULSES])
def test_what_happened_once_is_held_with_its_reason(
    event: EventKind, subject: str, alarm: str, config: Config
) -> None:
    async def happens(rig: Rig) -> None:
        await asyncio.sleep(20.0)
        rig.daemon.outlets.tell(event, "it happened", subject=subject)
        await asyncio.sleep(0.1)

    rig = lived(Rig(config, NOON), happens)

    assert states(rig) == {alarm: "latched_unacknowledged"}
    assert rig.alarms()[alarm]["reason"] == "it happened"


def test_several_at_once_are_one_alarm_with_the_reasons_of_all(config: Config) -> None:
    async def wait(rig: Rig) -> None:
        await asyncio.sleep(1.0)

    rig = lived(Rig(config, NOON, store=MemoryStore(troubles=["one file", "another"])), wait)

    alarm = rig.alarms()[f"state_set_aside/{NAME}"]
    assert (alarm["occurrence"], alarm["reason"]) == (1, "one file; another")


# --- configuration and settings


def test_a_bad_configuration_is_an_alarm_for_the_whole_run_and_over_with_the_next(config: Config) -> None:
    left: list[MemoryStore] = []

    async def bad(rig: Rig) -> None:
        await asyncio.sleep(3600.0)
        assert states(rig) == {f"configuration_bad/{NAME}": "unacknowledged"}
        assert rig.alarms()[f"configuration_bad/{NAME}"]["reason"] == "line 3: no key"
        left.append(left_on_disk(rig.store))

    async def good(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        assert states(rig) == {f"configuration_bad/{NAME}": "returned"}

    rig = Rig(config, NOON)
    rig.configuration_trouble = "line 3: no key"
    lived(rig, bad)
    lived(restarted(config, left[0], begins_s=4000.0), good)


async def set_of_left(rig: Rig, request_id: str, setting: str, value: dict[str, Any]) -> None:
    rig.ask("set", request_id, zone="left", setting=setting, value=value, author="Ida")
    await asyncio.sleep(1.0)
    assert rig.answers()[request_id]["outcome"] == "done", rig.answers()[request_id]


async def set_day(rig: Rig, request_id: str, burst_s: float) -> None:
    await set_of_left(rig, request_id, "timetable", {"day": {"burst_s": burst_s, "gap_min": 8}})


def test_a_setting_that_the_file_forbids_by_now_is_an_alarm_until_it_is_set_again(tmp_path: Path) -> None:
    (tmp_path / "tight").mkdir()
    tight = house(tmp_path / "tight", set_to("zones.0.longest_burst_s", 10))
    name = "setting_not_applied/left"
    left: list[MemoryStore] = []

    async def before(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        await set_day(rig, "a", 15.0)
        left.append(left_on_disk(rig.store))

    async def after(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        assert states(rig) == {name: "unacknowledged"}
        assert rig.alarms()[name]["reason"].startswith("it has the timetable of the house's file: ")
        await set_of_left(rig, "b", "skip", {"for_s": 600.0})
        assert states(rig) == {name: "unacknowledged"}
        await set_day(rig, "c", 8.0)
        assert states(rig) == {name: "returned"}

    lived(Rig(house(tmp_path), NOON), before)
    lived(restarted(tight, left[0], begins_s=40.0), after)


def test_a_trim_that_the_file_forbids_by_now_is_an_alarm_until_it_would_have_ended(
    tmp_path: Path,
) -> None:
    """And when its timetable is not in force either, both are one alarm."""
    (tmp_path / "tight").mkdir()
    rests = set_to("zones.0.shortest_rest_s", 400)
    tight = house(tmp_path / "tight", rests, set_to("zones.0.longest_burst_s", 10))
    name = "setting_not_applied/left"
    left: list[MemoryStore] = []

    async def before(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        await set_of_left(rig, "a", "trim", {"percent": 50, "for_s": 3600.0})
        await set_day(rig, "b", 15.0)
        left.append(left_on_disk(rig.store))

    async def after(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        assert states(rig)[name] == "unacknowledged"
        timetable, trim = rig.alarms()[name]["reason"].split("; its trim is dropped: ")
        assert timetable.startswith("it has the timetable of the house's file: ")
        assert trim
        await set_day(rig, "c", 8.0)
        assert states(rig)[name] == "unacknowledged"
        await asyncio.sleep(3500.0)
        assert states(rig)[name] == "unacknowledged"
        await asyncio.sleep(500.0)
        assert states(rig)[name] == "returned"

    lived(Rig(house(tmp_path), NOON), before)
    lived(restarted(tight, left[0], begins_s=40.0), after)


# --- many at once


def test_a_flood_is_told_and_its_end(tmp_path: Path) -> None:
    sensors = [{"name": f"s{n}", "kind": "light", "topic": f"fern/{n}"} for n in range(12)]
    config = loaded_house(tmp_path, set_to("sensors", sensors))

    async def all_silent(rig: Rig) -> None:
        await asyncio.sleep(340.0)
        assert rig.all_alarms()["is_flood"] is True
        assert rig.all_alarms()["first"] == "reading_lost/s0"
        await asked(rig, "a", "acknowledge", "reading_lost/s0", occurrence=1)
        assert (rig.all_alarms()["first"], rig.all_alarms()["unacknowledged"]) == (None, 11)
        await asyncio.sleep(700.0)
        assert (rig.all_alarms()["is_flood"], rig.all_alarms()["low"]) == (False, 12)

    rig = lived(Rig(config, NOON), all_silent)

    assert len(rig.events("alarm_flood_began")) == len(rig.events("alarm_flood_ended")) == 1


# --- what is told of one


def test_an_alarm_tells_what_it_is_what_it_leads_to_and_what_to_do(config: Config) -> None:
    rig = lived(Rig(config, NOON), without_broker)

    alarm = AlarmTold.model_validate(rig.alarms()[NO_BROKER])
    (row,) = (row for row in ROWS if row.kind is AlarmKind.NO_BROKER)
    assert (alarm.title, alarm.priority, alarm.cause, alarm.consequence) == (
        row.title,
        "medium",
        row.cause,
        row.consequence,
    )
    assert alarm.what_to_do == list(row.remedy)
    assert (alarm.occurrence, alarm.reason, alarm.respond_within_s) == (1, "the broker is gone", 3600.0)
    assert alarm.since is not None
    assert (alarm.since - NOON).total_seconds() == pytest.approx(1.0 + ON_S, abs=2 * LOOK_AGAIN_S)
    assert (alarm.acknowledged_by, alarm.over_at, alarm.shelved, alarm.out_of_service) == (None,) * 4
    AlarmsTold.model_validate(rig.all_alarms())


def test_an_alarm_is_logged_published_and_in_the_journal(config: Config) -> None:
    rig = lived(Rig(config, NOON), without_broker)

    (event,) = rig.events(RAISED)
    assert (event["subject"], event["figures"]["alarm"], event["figures"]["occurrence"]) == (
        NAME,
        "no_broker",
        1,
    )
    assert [line["reason"] for line in rig.log.lines if line["event"] == "alarm raised"] == [event["reason"]]
    (entry,) = [entry for entry in rig.store.entries if entry.kind == RAISED]
    assert (entry.subject, entry.reason) == (NAME, event["reason"])


def test_the_topic_of_every_alarm_at_rest_is_emptied_at_a_start(config: Config) -> None:
    """A run before this one may have left its alarms on the broker, and lost all it knew of them."""

    async def wait(rig: Rig) -> None:
        await asyncio.sleep(1.0)

    rig = lived(Rig(config, NOON), wait)

    emptied = {topic for topic, payload in rig.bus.states.items() if payload == b""}
    subjects = {About.HOUSE: [NAME], About.ZONE: ["left", "right"]}
    assert emptied == {
        rig.topics.alarm(row.kind, subject) for row in ROWS for subject in subjects.get(row.about, [])
    }
