"""What people ask about alarms, and how they are called: the whole daemon in virtual time."""

import asyncio
import json
from pathlib import Path

import pytest

from mistd.app.config import Config
from mistd.core.events import EventKind
from simulators.rig import Rig
from tests.app.alarm_house import (
    MIDNIGHT,
    NAME,
    NO_BROKER,
    NOON,
    OFF_S,
    SIREN_S,
    asked,
    fail_disk,
    house,
    lived,
    states,
    without_broker,
)
from tests.app.house_files import set_to


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return house(tmp_path)


# --- what people ask


def test_an_acknowledgement_is_of_the_occurrence_that_was_seen(config: Config) -> None:
    async def raised_again(rig: Rig) -> None:
        await without_broker(rig)
        rig.bus.find()
        await asyncio.sleep(OFF_S + 1.0)
        await asked(rig, "0", "acknowledge", NO_BROKER, occurrence=1, author="Ana")
        await without_broker(rig)
        assert rig.alarms()[NO_BROKER]["acknowledged_by"] is None
        old = await asked(rig, "a", "acknowledge", NO_BROKER, occurrence=1, author="Ida")
        assert (old["outcome"], states(rig)[NO_BROKER]) == ("refused", "unacknowledged")
        assert "raised again since occurrence 1" in old["reason"]
        none = await asked(rig, "b", "acknowledge", NO_BROKER, author="Ida")
        assert (none["outcome"], none["reason"]) == (
            "refused",
            "name the occurrence that you saw; the last one is 2",
        )
        new = await asked(rig, "c", "acknowledge", NO_BROKER, occurrence=2, author="Ida")
        assert new["outcome"] == "done"
        assert new["figures"] == {"alarm": NO_BROKER, "occurrence": 2}

    rig = lived(Rig(config, NOON), raised_again)

    alarm = rig.alarms()[NO_BROKER]
    assert (alarm["state"], alarm["acknowledged_by"]) == ("acknowledged", "Ida")
    assert alarm["acknowledged_at"] > alarm["since"]
    assert rig.all_alarms()["unacknowledged"] == 0
    assert len(rig.events("alarm_acknowledged")) == 2


def test_the_same_id_gets_the_same_answer_and_no_second_action(config: Config) -> None:
    async def twice(rig: Rig) -> None:
        await without_broker(rig)
        first = await asked(rig, "a", "shelve", NO_BROKER, for_s=600.0, author="Ida")
        await asyncio.sleep(5.0)
        await asked(rig, "b", "unshelve", NO_BROKER, author="Ida")
        rig.ask("alarm", "a", alarm=NO_BROKER, do="shelve", for_s=600.0, author="Ida")
        await asyncio.sleep(1.0)
        again = [json.loads(each.payload) for each in rig.bus.published if each.topic == rig.topics.answer]
        assert again == [first, rig.answers()["b"], first]

    rig = lived(Rig(config, NOON), twice)

    assert states(rig) == {NO_BROKER: "unacknowledged"}
    assert len(rig.events("alarm_shelved")) == 1


def test_a_shelving_hides_and_ends_by_itself(config: Config) -> None:
    async def shelve(rig: Rig) -> None:
        await without_broker(rig)
        answer = await asked(rig, "a", "shelve", NO_BROKER, for_s=600.0, author="Ida", note="new router")
        assert answer["outcome"] == "done"
        await asyncio.sleep(590.0)
        assert states(rig) == {NO_BROKER: "unacknowledged/shelved"}
        assert (rig.all_alarms()["medium"], rig.all_alarms()["masked"]) == (0, 1)
        shelved = rig.alarms()[NO_BROKER]["shelved"]
        assert (shelved["by"], shelved["note"]) == ("Ida", "new router")
        await asyncio.sleep(20.0)

    rig = lived(Rig(config, NOON), shelve)

    assert states(rig) == {NO_BROKER: "unacknowledged"}
    assert rig.alarms()[NO_BROKER]["occurrence"] == 2
    assert len(rig.events("alarm_shelf_nearly_over")) == len(rig.events("alarm_unshelved")) == 1


def test_an_alarm_at_rest_is_told_while_it_is_put_aside(config: Config) -> None:
    async def put_aside(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        answer = await asked(rig, "a", "out_of_service", "line_trouble/left", note="new valve", author="Ida")
        assert answer["outcome"] == "done"
        assert states(rig) == {"line_trouble/left": "normal/out_of_service"}
        assert rig.alarms()["line_trouble/left"]["since"] is None
        await asked(rig, "b", "in_service", "line_trouble/left", author="Ida")

    rig = lived(Rig(config, NOON), put_aside)

    assert rig.alarms() == {}


@pytest.mark.parametrize(
    ("alarm", "says"),
    [
        ("no_brokers", "there is no kind of alarm 'no_brokers'; known: zone_not_misted, "),
        ("zone_not_misted", "name the subject, too: zone_not_misted/left, zone_not_misted/right"),
        ("zone_not_misted/middle", "there is no alarm zone_not_misted of middle"),
        ("task_failed", "there is no alarm task_failed now"),
        ("", "name the alarm, its kind and its subject"),
    ],
)
def test_who_does_not_name_one_alarm_is_told_which_there_are(alarm: str, says: str, config: Config) -> None:
    async def ask(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        answer = await asked(rig, "a", "shelve", alarm, for_s=60.0)
        assert answer["outcome"] == "refused"
        assert answer["reason"].startswith(says)

    lived(Rig(config, NOON), ask)


def test_the_kind_alone_is_enough_where_one_alarm_has_anything_to_tell(config: Config) -> None:
    async def ask(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        rig.daemon.outlets.tell(EventKind.TASK_FAILED, "broken", subject="bus")
        await asyncio.sleep(1.0)
        answer = await asked(rig, "a", "acknowledge", "task_failed", occurrence=1)
        assert (answer["outcome"], answer["figures"]["alarm"]) == ("done", "task_failed/bus")

    lived(Rig(config, NOON), ask)


def test_what_could_not_be_kept_is_answered_so(config: Config) -> None:
    async def ask(rig: Rig) -> None:
        await without_broker(rig)
        fail_disk(rig)
        answer = await asked(rig, "a", "acknowledge", NO_BROKER, occurrence=1)
        assert answer["outcome"] == "not_kept"
        assert states(rig)[NO_BROKER] == "acknowledged"

    lived(Rig(config, NOON), ask)


def test_many_requests_about_alarms_leave_room_for_those_that_move_water(config: Config) -> None:
    """Those that a desk at a standstill has not taken do not stand in the way of a hold."""

    async def flood(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        for number in range(150):
            rig.ask("alarm", f"a{number}", do="silence")
        rig.ask("hold", "hold", zone="left", for_s=60.0)
        await asyncio.sleep(1.0)

    rig = lived(Rig(config, NOON), flood)

    outcomes = [
        rig.answers()[f"a{number}"]["outcome"] for number in range(150) if f"a{number}" in rig.answers()
    ]
    assert (outcomes.count("done"), outcomes.count("refused")) == (100, 20)
    assert rig.answers()["hold"]["outcome"] == "done"


# --- the siren


def test_the_siren_sounds_until_somebody_has_seen_what_it_is_for(config: Config) -> None:
    async def acknowledge(rig: Rig) -> None:
        await asyncio.sleep(5.0)
        assert rig.keeper.signals == {"siren": False}
        await without_broker(rig)
        assert (rig.keeper.signals, rig.all_alarms()["is_sounding"]) == ({"siren": True}, True)
        await asked(rig, "a", "acknowledge", NO_BROKER, occurrence=1)
        assert (rig.keeper.signals, rig.all_alarms()["is_sounding"]) == ({"siren": False}, False)

    lived(Rig(config, NOON), acknowledge)


def test_silence_stops_it_until_another_alarm_is_raised_and_acknowledges_nothing(config: Config) -> None:
    async def silence(rig: Rig) -> None:
        await without_broker(rig)
        answer = await asked(rig, "a", "silence")
        assert answer["reason"] == "1 silenced until one is raised again; not acknowledged"
        assert (rig.keeper.signals, states(rig)) == ({"siren": False}, {NO_BROKER: "unacknowledged"})
        rig.daemon.outlets.tell(EventKind.BACKUP_FAILED, "no space")
        await asyncio.sleep(0.1)
        assert rig.keeper.signals == {"siren": True}

    lived(Rig(config, NOON), silence)


def test_it_stops_by_itself_and_sounds_again_for_a_new_alarm(config: Config) -> None:
    async def wait(rig: Rig) -> None:
        await without_broker(rig)
        await asyncio.sleep(SIREN_S - 2.0)
        assert rig.keeper.signals == {"siren": True}
        await asyncio.sleep(2.0)
        assert (rig.keeper.signals, rig.all_alarms()["is_sounding"]) == ({"siren": False}, False)
        rig.daemon.outlets.tell(EventKind.BACKUP_FAILED, "no space")
        await asyncio.sleep(0.1)
        assert rig.keeper.signals == {"siren": True}

    lived(Rig(config, NOON), wait)


def test_at_night_only_what_may_wake_sounds_and_the_rest_in_the_morning(tmp_path: Path) -> None:
    is_dry_till_day = [
        set_to(f"zones.{n}.timed.{p}", {"off": True}) for n in (0, 1) for p in ("night", "dawn")
    ]
    config = house(tmp_path, *is_dry_till_day)  # so that nothing but the morning itself is news

    async def night(rig: Rig) -> None:
        await without_broker(rig)
        assert (states(rig), rig.keeper.signals) == ({NO_BROKER: "unacknowledged"}, {"siren": False})
        await asyncio.sleep(rig.house.almanac.ends_s - rig.clock.now_s() - 0.1)
        assert (rig.house.almanac.part.value, rig.keeper.signals) == ("night", {"siren": False})
        await asyncio.sleep(0.2)
        assert (rig.house.almanac.part.value, rig.keeper.signals) == ("dawn", {"siren": True})

    async def keeper_dies(rig: Rig) -> None:
        await asyncio.sleep(60.0)
        rig.keeper.die()
        await asyncio.sleep(40.0)
        assert rig.house.almanac.part.value == "night"
        assert rig.daemon.alarms.board.alarms["keeper_away", NAME].sounds
        assert rig.all_alarms()["is_sounding"] is True
        rig.keeper.begin()
        assert rig.keeper.signals == {"siren": True}  # the next keeper is told

    lived(Rig(config, MIDNIGHT), night)
    lived(Rig(config, MIDNIGHT), keeper_dies)


def test_a_house_without_a_siren_tells_all_the_same_when_people_are_to_be_called(tmp_path: Path) -> None:
    config = house(tmp_path, set_to("siren", None))

    rig = lived(Rig(config, NOON), without_broker)

    assert rig.keeper.signals == {}
    assert rig.all_alarms()["is_sounding"] is True
