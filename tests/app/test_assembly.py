"""A daemon put together anew: what was set is in force, what happened is told, nothing is done twice."""

import asyncio
from dataclasses import replace
from math import isfinite
from pathlib import Path

import pytest

from mistd.app.assembly import LOAD_WITHIN_S
from mistd.app.config import Config
from mistd.app.unread import READ_AGAIN
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedPart
from mistd.ports.errors import StoreError
from mistd.ports.store import Loaded
from simulators.memory_store import MemoryStore
from simulators.rig import Rig
from tests.app.house_files import loaded_house, set_to
from tests.app.lives import (
    NOON,
    Lives,
    answered,
    changes_told,
    near,
    set_everything,
    settings_told,
)


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return loaded_house(tmp_path)


@pytest.fixture
def lives(config: Config) -> Lives:
    return Lives(config)


async def close_one(rig: Rig) -> None:
    await asyncio.sleep(30.0)
    rig.ask("set", "closed", zone="left", setting="closed", value={"for_s": 7200.0}, author="Ida")
    assert (await answered(rig, "closed"))["outcome"] == "done"


def is_as_before(first: Rig, second: Rig, zone: str) -> bool:
    """Whether a zone's settings are told alike by two lives."""
    before, after = settings_told(first, zone), settings_told(second, zone)
    for kind in before:
        ends = before[kind].pop("until"), after[kind].pop("until")
        if ends != (None, None) and not (ends[0] and ends[1] and near(*ends)):
            return False
    return before == after


class StoreThatNeverLoads(MemoryStore):
    async def load(self) -> Loaded:
        await asyncio.sleep(1e6)
        raise AssertionError("nobody waits for so long")


# --- in force again


@pytest.mark.parametrize("end", ["stopped", "killed", "without power"])
def test_what_was_set_is_in_force_again_and_told_alike(end: str, lives: Lives) -> None:
    first = lives.live(set_everything, for_s=100.0, is_killed=end != "stopped")
    if end == "without power":
        lives.lose_power()
    lives.be_away(50.0)

    second = lives.live(for_s=100.0)

    left, right = second.house.zones
    assert left.cycle.parts[DayPart.DAY] == TimedPart(burst_s=7.0, gap_s=240.0)
    assert left.cycle.parts[DayPart.NIGHT] == TimedPart(burst_s=4.0, gap_s=2400.0)
    assert left.trim is not None
    assert (left.trim.fraction, left.trim.author, left.trim.note) == (0.25, "Ida", "why trim")
    assert right.hold is not None
    assert (right.hold.author, right.hold.note) == ("Ida", "why hold")
    assert left.skip is not None or isfinite(left.skipped_s)  # to be left out, or left out: not forgotten
    assert is_as_before(first, second, "left")
    assert is_as_before(first, second, "right")
    assert changes_told(first) == changes_told(second)
    assert [change["setting"] for change in changes_told(second)] == ["hold", "skip", "trim", "timetable"]


@pytest.mark.parametrize("end", ["stopped", "killed", "without power"])
def test_a_closed_zone_is_closed_again_until_the_same_instant(end: str, lives: Lives) -> None:
    first = lives.live(close_one, for_s=100.0, is_killed=end != "stopped")
    if end == "without power":
        lives.lose_power()
    lives.be_away(600.0)

    second = lives.live(for_s=60.0)

    closed = second.house.zones[0].closed
    assert closed is not None
    assert is_as_before(first, second, "left")


def test_what_ended_while_nobody_looked_is_told_as_ended(lives: Lives) -> None:
    lives.live(set_everything, for_s=100.0)
    lives.be_away(3 * 3600.0)

    second = lives.live(for_s=60.0)

    assert (second.house.zones[0].trim, second.house.zones[0].skip) == (None, None)
    assert len(second.events("trim_ended")) == 1
    assert settings_told(second)["trim"]["value"] is None
    assert settings_told(second)["trim"]["revision"] == 2
    assert settings_told(second)["timetable"]["revision"] == 1


def test_ids_of_revisions_go_on_after_a_restart_and_none_is_given_twice(lives: Lives) -> None:
    lives.live(set_everything, for_s=100.0, is_killed=True)

    async def set_one_more(rig: Rig) -> None:
        await asyncio.sleep(30.0)
        value = {"percent": 10.0, "for_s": 600.0}
        rig.ask("set", "more", zone="left", setting="trim", value=value, author="Ana", expected_revision=2)
        assert (await answered(rig, "more"))["figures"]["revision"] == 5

    lives.live(set_one_more, for_s=100.0)

    assert [each.id for each in lives.disk.revisions] == [1, 2, 3, 4, 5]


def test_a_change_of_an_earlier_life_can_be_undone(lives: Lives) -> None:
    lives.live(set_everything, for_s=100.0, is_killed=True)

    async def undo(rig: Rig) -> None:
        await asyncio.sleep(30.0)
        rig.ask("undo", "undo", revision=1, author="Ana")
        assert (await answered(rig, "undo"))["outcome"] == "done"

    second = lives.live(undo, for_s=100.0)

    assert second.house.zones[0].cycle == second.house.zones[0].plan.cycle
    assert changes_told(second)[0]["undoes"] == 1


def test_a_zone_that_is_new_in_the_file_begins_without_settings_and_the_others_keep_theirs(
    lives: Lives, tmp_path: Path
) -> None:
    lives.live(set_everything, for_s=100.0)
    lives.config = loaded_house(tmp_path, set_to("zones.1.name", "middle"))

    second = lives.live(for_s=60.0)

    assert second.house.zones[0].timetable is not None
    assert second.house.zones[1].hold is None
    assert settings_told(second, "middle")["hold"]["revision"] == 0


# --- what cannot be put in force again


def test_a_setting_that_breaks_a_rule_of_the_file_by_now_is_told_and_the_zone_has_the_files_own(
    lives: Lives, tmp_path: Path
) -> None:
    lives.live(set_everything, for_s=100.0)
    lives.config = loaded_house(tmp_path, set_to("zones.0.longest_burst_s", 6.5))

    second = lives.live()

    (told,) = second.events("setting_not_applied")
    assert told["subject"] == "left"
    assert "it has the timetable of the house's file" in told["reason"]
    assert "6.5 s" in told["reason"]
    assert second.house.zones[0].cycle == second.house.zones[0].plan.cycle
    assert lives.entries("setting_not_applied")
    assert "left" in {line for _, line, is_open in second.keeper.edges if is_open}


def test_a_damaged_revision_is_told_and_costs_no_other(lives: Lives) -> None:
    lives.live(set_everything, for_s=100.0)
    lives.disk.revisions[0] = replace(lives.disk.revisions[0], value='{"day": 8}')

    second = lives.live(for_s=60.0)

    (told,) = second.events("state_unreadable")
    assert told["reason"].startswith("revision 1: ")
    assert second.house.zones[0].timetable is None
    assert second.house.zones[0].trim is not None
    assert second.house.settings.last_id == 4


def test_damaged_rows_are_told_and_cost_no_misting(lives: Lives) -> None:
    lives.live(for_s=100.0)
    lives.disk.rows.update({"zone/left": "[]", "house": '{"boot_id": "boot-0", "next_ticket": "x"}'})

    second = lives.live()

    reasons = [told["reason"] for told in second.events("state_unreadable")]
    assert [reason.split(":")[0] for reason in reasons] == ["zone/left", "house"]
    assert {line for _, line, is_open in second.keeper.edges if is_open} == {"left", "right"}


def test_a_store_that_cannot_be_read_is_told_and_the_house_begins_as_its_file_says(lives: Lives) -> None:
    lives.live(set_everything, for_s=100.0)
    store = MemoryStore(disk=lives.disk)
    store.fail_with = StoreError("no permission")

    second = lives.live(store=store)

    reasons = [told["reason"] for told in second.events("state_unreadable")]
    assert reasons == ["nothing is known of before this start: no permission"]
    assert second.house.zones[0].timetable is None
    assert {line for _, line, is_open in second.keeper.edges if is_open} == {"left", "right"}


def test_what_stands_in_for_a_store_that_cannot_be_opened_is_in_force(lives: Lives) -> None:
    """A full or read-only disk undoes no timetable and no hold: they can be read, and nothing is kept."""
    lives.live(set_everything, for_s=100.0)
    found = asyncio.run(MemoryStore(disk=lives.disk).load())
    store = MemoryStore(disk=lives.disk)
    store.fail_with = StoreError("the disk is full")
    store.fail_with.stand_in = replace(found, troubles=("settings and state come from a copy",))

    second = lives.live(store=store)

    reasons = [told["reason"] for told in second.events("state_unreadable")]
    assert reasons == ["the disk is full", "settings and state come from a copy"]
    assert second.house.zones[0].timetable is not None


def test_what_could_not_be_read_at_the_start_is_not_written_over_and_is_in_force_after_a_restart(
    lives: Lives,
) -> None:
    """A disk that was mounted late: who knows nothing of before must not give its numbers a second time."""
    lives.live(set_everything, for_s=100.0)
    store = MemoryStore(disk=lives.disk)
    store.fail_with = StoreError("no permission")

    async def change_then_mend(rig: Rig) -> None:
        await asyncio.sleep(30.0)
        for name in ("first", "second"):
            rig.ask("set", name, zone="left", setting="trim", value={"percent": 50.0, "for_s": 7200.0})
            assert (await answered(rig, name))["outcome"] == "not_kept"
            store.fail_with = None
        rig.daemon.saver.keep_row("more", {})
        await asyncio.sleep(30.0)

    second = lives.live(change_then_mend, for_s=120.0, store=store)
    assert [each.id for each in lives.disk.revisions] == [1, 2, 3, 4]
    assert lives.disk.noted == []
    told = [event["reason"] for event in second.events("state_not_kept")]
    assert told[0].startswith("no permission")
    assert told[1].startswith(READ_AGAIN)
    assert second.events("state_kept_again") == []

    third = lives.live(for_s=60.0)
    assert third.house.zones[0].trim is not None
    assert third.house.zones[0].trim.fraction == 0.25
    assert third.house.zones[1].hold is not None
    assert third.house.settings.last_id == 4


def test_a_disk_that_hangs_at_the_start_keeps_no_house_dry(config: Config) -> None:
    rig = Rig(config, NOON, store=StoreThatNeverLoads())

    rig.run(LOAD_WITHIN_S + 200.0, None)

    reasons = [told["reason"] for told in rig.events("state_unreadable")]
    assert reasons == ["nothing is known of before this start: the disk has not answered for 60 s"]
    assert {line for _, line, is_open in rig.keeper.edges if is_open} == {"left", "right"}
    assert len(rig.events("state_not_kept")) == 1


def test_a_place_that_could_not_be_read_and_turns_out_to_be_empty_is_written(config: Config) -> None:
    """The state directory of a first start had the wrong owner."""
    lives = Lives(config)
    store = MemoryStore(disk=lives.disk)
    store.fail_with = StoreError("no permission")

    async def mend(rig: Rig) -> None:
        await asyncio.sleep(30.0)
        store.fail_with = None
        rig.ask("set", "a", zone="left", setting="trim", value={"percent": 50.0, "for_s": 7200.0})
        assert (await answered(rig, "a"))["outcome"] == "done"

    rig = lives.live(mend, for_s=100.0, store=store)

    assert len(rig.events("state_kept_again")) == 1
    assert [each.id for each in lives.disk.revisions] == [1]
    assert lives.live(for_s=60.0).house.zones[0].trim is not None


def test_what_a_store_mended_at_the_start_is_told(lives: Lives) -> None:
    rig = lives.live(store=MemoryStore(troubles=["state.db: unreadable, set aside"]), for_s=60.0)

    assert [told["reason"] for told in rig.events("state_unreadable")] == ["state.db: unreadable, set aside"]
