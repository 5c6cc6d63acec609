"""Alarms on the disk, over a restart and over a fault of the desk: the whole daemon in virtual time."""

import asyncio
import json
from datetime import timedelta
from pathlib import Path

import pytest

from mistd.app.config import Config
from mistd.app.daemon import TRY_AGAIN_S
from mistd.app.messages import AlarmTold
from mistd.core.events import EventKind
from mistd.ports.bus import Outgoing
from mistd.ports.store import Batch
from simulators.memory_bus import MemoryBus
from simulators.memory_store import MemoryStore
from simulators.rig import Rig
from tests.app.alarm_house import (
    NAME,
    NO_BROKER,
    NOON,
    OFF_S,
    RAISED,
    asked,
    house,
    left_on_disk,
    lived,
    restarted,
    states,
    without_broker,
)
from tests.app.house_files import good_zone, set_to


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return house(tmp_path)


# --- on disk


class CountingStore(MemoryStore):
    """A store that counts its saves."""

    saves = 0

    async def save(self, batch: Batch) -> str | None:
        self.saves += 1
        return await super().save(batch)


def test_an_alarm_is_on_the_disk_at_once(config: Config) -> None:
    rows: list[str] = []

    async def look(rig: Rig) -> None:
        await without_broker(rig)
        rows.append(left_on_disk(rig.store, is_power_cut=True).rows[f"alarm/{NO_BROKER}"])

    lived(Rig(config, NOON), look)

    assert json.loads(rows[0])["life"] == "unacknowledged"


def test_a_storm_of_alarms_is_saved_no_more_than_once_a_second(config: Config) -> None:
    store = CountingStore()

    async def storm(rig: Rig) -> None:
        await asyncio.sleep(60.0)
        before = store.saves
        for number in range(300):
            rig.daemon.outlets.tell(EventKind.TASK_FAILED, "broken", subject=f"part-{number}")
            await asyncio.sleep(0.1)
        assert 25 <= store.saves - before <= 31

    lived(Rig(config, NOON, store=store), storm)


def test_one_alarm_that_comes_and_goes_all_the_time_is_hardly_saved(config: Config) -> None:
    store = CountingStore()

    async def chatter(rig: Rig) -> None:
        await asyncio.sleep(60.0)
        before = store.saves
        for _ in range(120):
            rig.daemon.outlets.tell(EventKind.TASK_FAILED, "broken", subject="bus")
            await asyncio.sleep(5.0)
        assert 2 <= store.saves - before <= 4
        assert rig.alarms()["task_failed/bus"]["occurrence"] == 120

    lived(Rig(config, NOON, store=store), chatter)


def test_zones_that_wait_their_turn_for_the_line_cost_no_save(tmp_path: Path) -> None:
    """Each is due for some seconds, which is no alarm yet."""
    config = house(tmp_path, set_to("zones", [good_zone(f"z{n}", 10 + n) for n in range(6)]))
    store = CountingStore()

    async def wait(rig: Rig) -> None:
        await asyncio.sleep(3600.0)

    rig = lived(Rig(config, NOON, store=store), wait)

    assert len(rig.keeper.edges) > 80
    assert store.saves <= 6  # one every quarter of an hour, and the end's


# --- over a restart

BEGINS_AGAIN_S = 40.0


@pytest.mark.parametrize("is_power_cut", [False, True], ids=["killed", "power-cut"])
def test_what_was_acknowledged_and_shelved_still_is_and_nothing_is_raised_twice(
    is_power_cut: bool, config: Config
) -> None:
    left: list[MemoryStore] = []

    async def before(rig: Rig) -> None:
        await without_broker(rig)
        await asked(rig, "a", "acknowledge", NO_BROKER, occurrence=1, author="Ida")
        await asked(rig, "b", "shelve", "line_trouble/left", for_s=6000.0)
        rig.daemon.outlets.tell(EventKind.BACKUP_FAILED, "no space")
        await asyncio.sleep(1.1)  # saves are a second apart
        left.append(left_on_disk(rig.store, is_power_cut=is_power_cut))

    async def after(rig: Rig) -> None:
        await asyncio.sleep(100.0)
        assert states(rig) == {
            NO_BROKER: "acknowledged",
            "line_trouble/left": "normal/shelved",
            f"backup_failed/{NAME}": "latched_unacknowledged",
        }
        assert rig.alarms()[NO_BROKER]["acknowledged_by"] == "Ida"
        repeated = await asked(rig, "a", "acknowledge", NO_BROKER, occurrence=1, author="Ida")
        assert repeated["outcome"] == "done"

    lived(Rig(config, NOON), before)
    rig = restarted(config, left[0], begins_s=BEGINS_AGAIN_S, boot_id="next" if is_power_cut else "bench")
    rig.bus.is_there_at_first = False
    lived(rig, after)

    assert rig.events(RAISED) == rig.events("alarm_acknowledged") == []
    topic = rig.topics.alarm("no_broker", NAME)
    assert all(each.payload for each in rig.bus.published if each.topic == topic)  # at no moment taken back


def test_an_alarm_whose_cause_went_while_nobody_looked_is_over(config: Config) -> None:
    left: list[MemoryStore] = []

    async def before(rig: Rig) -> None:
        await without_broker(rig)
        left.append(left_on_disk(rig.store))

    async def after(rig: Rig) -> None:
        await asyncio.sleep(OFF_S + 1.0)

    lived(Rig(config, NOON), before)
    rig = lived(restarted(config, left[0], begins_s=BEGINS_AGAIN_S), after)

    assert states(rig) == {NO_BROKER: "returned"}


def test_the_topic_of_an_alarm_that_is_long_over_is_emptied_at_the_next_start_too(config: Config) -> None:
    """The run before may have died between the two, or without a broker."""
    left: list[MemoryStore] = []

    async def before(rig: Rig) -> None:
        await asyncio.sleep(1.0)
        rig.daemon.outlets.tell(EventKind.TASK_FAILED, "broken", subject="bus")
        await asyncio.sleep(1.0)
        await asked(rig, "a", "acknowledge", "task_failed/bus", occurrence=1)
        await asked(rig, "b", "reset", "task_failed/bus")
        left.append(left_on_disk(rig.store))

    async def after(rig: Rig) -> None:
        await asyncio.sleep(1.0)

    lived(Rig(config, NOON), before)
    rig = lived(restarted(config, left[0], begins_s=BEGINS_AGAIN_S), after)

    assert rig.bus.states[rig.topics.alarm("task_failed", "bus")] == b""


def test_an_alarm_of_a_zone_that_is_no_more_is_gone_from_disk_and_broker(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    left: list[MemoryStore] = []

    async def before(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        await asked(rig, "a", "shelve", "line_trouble/right", for_s=6000.0)
        left.append(left_on_disk(rig.store))

    async def after(rig: Rig) -> None:
        await asyncio.sleep(60.0)

    lived(Rig(house(tmp_path), NOON), before)
    one_zone = house(tmp_path / "one", set_to("zones", [good_zone("left", 5)]))
    rig = lived(restarted(one_zone, left[0], begins_s=BEGINS_AGAIN_S), after)

    assert rig.alarms() == {}
    assert rig.bus.states[rig.topics.alarm("line_trouble", "right")] == b""
    assert "alarm/line_trouble/right" not in rig.store.rows


def test_an_alarm_outlives_two_restarts_of_the_machine_though_nothing_of_it_changes(config: Config) -> None:
    """Its row is written anew in the seconds of each run, or the second start would not know its age."""
    left, name = list[MemoryStore](), f"backup_failed/{NAME}"

    async def before(rig: Rig) -> None:
        await asyncio.sleep(100.0)
        rig.daemon.outlets.tell(EventKind.BACKUP_FAILED, "no space")
        await asyncio.sleep(1.0)
        await asked(rig, "a", "acknowledge", name, occurrence=1, author="Ida")
        left.append(left_on_disk(rig.store, is_power_cut=True))

    async def between(rig: Rig) -> None:
        await asyncio.sleep(1000.0)
        left.append(left_on_disk(rig.store, is_power_cut=True))

    async def after(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        assert states(rig) == {name: "latched"}
        alarm = AlarmTold.model_validate(rig.alarms()[name])
        assert alarm.acknowledged_by == "Ida"
        assert alarm.since is not None
        assert (alarm.since - NOON).total_seconds() == pytest.approx(100.0, abs=0.2)

    lived(Rig(config, NOON), before)
    second, third = NOON + timedelta(seconds=500), NOON + timedelta(seconds=2000)
    lived(restarted(config, left[0], begins_s=0.0, boot_id="second", starts_at=second), between)
    lived(restarted(config, left[1], begins_s=0.0, boot_id="third", starts_at=third), after)


@pytest.mark.parametrize("is_known", [True, False])
def test_a_shelving_goes_on_over_a_restart_of_the_machine_only_if_it_is_known_how_long_that_took(
    is_known: bool, config: Config
) -> None:
    left: list[MemoryStore] = []

    async def before(rig: Rig) -> None:
        await asyncio.sleep(100.0)
        await asked(rig, "a", "shelve", "line_trouble/left", for_s=600.0)
        left.append(left_on_disk(rig.store, is_power_cut=True))

    async def after(rig: Rig) -> None:
        await asyncio.sleep(300.0)
        assert states(rig) == ({"line_trouble/left": "normal/shelved"} if is_known else {})
        await asyncio.sleep(200.0)
        assert states(rig) == {}

    lived(Rig(config, NOON), before)
    rig = restarted(config, left[0], begins_s=0.0, boot_id="next", starts_at=NOON + timedelta(seconds=300))
    rig.clock.synchronised = is_known
    lived(rig, after)

    assert len(rig.events("alarm_unshelved")) == 1


def test_a_row_that_cannot_be_read_is_an_alarm_that_nobody_has_seen(config: Config) -> None:
    store = MemoryStore(
        {"alarm/" + NO_BROKER: '{"occurrence": 4, "boot_id": "x"}', "clock": '{"boot_id": "x"}'}
    )

    async def wait(rig: Rig) -> None:
        await asyncio.sleep(60.0)

    rig = lived(restarted(config, store, begins_s=BEGINS_AGAIN_S), wait)

    assert (states(rig)[NO_BROKER], rig.alarms()[NO_BROKER]["occurrence"]) == ("returned", 5)
    assert f"alarm/{NO_BROKER}" in rig.alarms()[f"state_set_aside/{NAME}"]["reason"]


# --- a desk that fails


class FaultyBus(MemoryBus):
    """A bus that breaks whoever tells it of alarms, for a while."""

    def __init__(self) -> None:
        super().__init__()
        self.faults = 0
        self.faults_left = 0

    def publish(self, message: Outgoing) -> None:
        if self.faults_left and "/alarm" in message.topic:
            self.faults += 1
            self.faults_left -= 1
            raise RuntimeError("a fault of ours")
        super().publish(message)


def edges_of(config: Config, for_s: float, bus: MemoryBus) -> list[tuple[float, str, bool]]:
    rig = Rig(config, NOON)
    rig.bus = bus
    rig.run(for_s)
    return rig.keeper.edges


def test_a_desk_that_fails_is_begun_again_and_control_goes_on(config: Config) -> None:
    faulty = FaultyBus()
    faulty.faults_left = 100
    never = edges_of(config, 7200.0, MemoryBus())

    always = edges_of(config, 7200.0, faulty)

    assert faulty.faults == 100
    assert always == never
    assert len(always) > 40


def test_who_asks_of_a_desk_that_fails_is_answered_and_after_that_it_is_an_alarm(config: Config) -> None:
    rig = Rig(config, NOON)
    rig.bus = bus = FaultyBus()

    async def fail_once(rig: Rig) -> None:
        await without_broker(rig)
        bus.faults_left = 1
        answer = await asked(rig, "a", "acknowledge", NO_BROKER, occurrence=1)
        assert answer["outcome"] in {"done", "refused"}
        await asyncio.sleep(TRY_AGAIN_S + 1.0)
        assert bus.faults == 1
        assert states(rig)["task_failed/alarms"] == "latched_unacknowledged"
        assert NO_BROKER in rig.alarms()
        later = await asked(rig, "b", "acknowledge", NO_BROKER, occurrence=1)
        assert (later["outcome"], states(rig)[NO_BROKER]) == ("done", "acknowledged")

    lived(rig, fail_once)

    assert [event["subject"] for event in rig.events("task_failed")] == ["alarms"]
