"""A house through several lives: gaps are told, ids remembered, and the record has everything once."""

import asyncio
import json
from copy import deepcopy
from datetime import timedelta
from pathlib import Path

import pytest

from mistd.app.config import Config
from mistd.app.saving import CLOCK_ROW, MOST_ENTRIES, RUN_ROW
from mistd.ports.bus import Incoming
from mistd.ports.errors import StoreError
from simulators.memory_store import MemoryDisk
from simulators.rig import Rig
from tests.app.house_files import loaded_house
from tests.app.lives import (
    LIFE_S,
    NOON,
    Lives,
    answer_bytes,
    answered,
    happened,
    near,
    set_everything,
)


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return loaded_house(tmp_path)


@pytest.fixture
def lives(config: Config) -> Lives:
    return Lives(config)


# --- gaps of the journal


def test_a_first_start_tells_of_no_gap(lives: Lives) -> None:
    assert lives.live(for_s=60.0).events("journal_gap") == []


def test_after_an_orderly_end_no_gap_is_told(lives: Lives) -> None:
    lives.live()
    lives.be_away(3600.0)

    assert lives.live(for_s=60.0).events("journal_gap") == []
    assert json.loads(lives.disk.rows[RUN_ROW])["state"] == "ended"


def test_after_a_kill_a_gap_is_told_from_the_last_note_to_the_start(lives: Lives) -> None:
    lives.live(is_killed=True)
    lives.be_away(20.0)

    second = lives.live(for_s=60.0)

    (told,) = second.events("journal_gap")
    assert "killed or without power" in told["reason"]
    begins, ends = (word for word in told["reason"].split() if word.startswith("2026"))
    assert near(begins, (NOON + timedelta(seconds=LIFE_S)).isoformat(), within_s=10.1)
    assert near(ends, (NOON + timedelta(seconds=LIFE_S + 20.0)).isoformat())
    assert len(lives.entries("journal_gap")) == 1


def test_a_kill_in_the_first_seconds_of_a_life_is_told_too(lives: Lives) -> None:
    lives.live(for_s=60.0)
    lives.live(for_s=2.0, is_killed=True)
    lives.be_away(3600.0)

    third = lives.live(for_s=60.0)

    assert len(third.events("journal_gap")) == 1
    assert len(lives.entries("daemon_started")) == 3


def test_after_a_power_cut_a_gap_is_told_from_the_last_save_to_the_start(lives: Lives) -> None:
    lives.live(is_killed=True)
    lives.lose_power()
    saved_at = json.loads(lives.disk.rows[CLOCK_ROW])["utc"]
    lives.be_away(600.0)

    second = lives.live(for_s=60.0)

    (told,) = second.events("journal_gap")
    begins, ends = (word for word in told["reason"].split() if word.startswith("2026"))
    assert begins == saved_at < (NOON + timedelta(seconds=LIFE_S - 60.0)).isoformat()
    assert near(ends, (NOON + timedelta(seconds=LIFE_S + 600.0)).isoformat())


def test_an_end_that_could_not_be_written_counts_as_a_kill(lives: Lives) -> None:
    """Its last minutes are not on the disk."""

    async def fill_the_disk(rig: Rig) -> None:
        await asyncio.sleep(300.0)
        rig.store.fail_with = StoreError("the disk is full")

    lives.live(fill_the_disk)

    assert len(lives.live(for_s=60.0).events("journal_gap")) == 1


# --- the same id over a restart


@pytest.mark.parametrize("end", ["stopped", "killed", "without power"])
def test_a_request_repeated_after_a_restart_is_answered_the_same_and_changes_nothing(
    end: str, lives: Lives
) -> None:
    first = lives.live(set_everything, for_s=100.0, is_killed=end != "stopped")
    if end == "without power":
        lives.lose_power()

    async def repeat(rig: Rig) -> None:
        await asyncio.sleep(30.0)
        rig.ask("set", "trim", zone="left", setting="trim", value={"percent": 99.0, "for_s": 60.0})
        await answered(rig, "trim")

    second = lives.live(repeat, for_s=100.0)

    assert answer_bytes(second, "trim") == answer_bytes(first, "trim")
    assert len(lives.disk.revisions) == 4
    assert second.events("setting_changed") == []


def test_refused_ones_too_are_answered_the_same_after_a_restart(lives: Lives) -> None:
    """Also when by now it could be granted: whoever asks anew takes a new id."""

    async def too_long(rig: Rig) -> None:
        await asyncio.sleep(30.0)
        rig.ask("set", "no", zone="left", setting="hold", value={"for_s": 80_000.0}, author="Ida")
        await answered(rig, "no")

    first = lives.live(too_long, for_s=100.0, is_killed=True)
    second = lives.live(too_long, for_s=100.0)

    assert json.loads(answer_bytes(first, "no")[0])["outcome"] == "refused"
    assert answer_bytes(second, "no") == answer_bytes(first, "no")


def test_a_burst_repeated_after_a_kill_is_not_given_again(lives: Lives) -> None:
    async def ask(rig: Rig) -> None:
        await asyncio.sleep(180.0)
        rig.ask("burst", "wet", zone="left", for_s=3.0, author="Ida")
        assert (await answered(rig, "wet"))["outcome"] == "done"

    first = lives.live(ask, for_s=190.0, is_killed=True)
    second = lives.live(ask, for_s=190.0)

    assert answer_bytes(second, "wet") == answer_bytes(first, "wet")
    of_3_s = [
        [event for event in rig.events("burst_started") if event["figures"]["for_s"] == 3.0]
        for rig in (first, second)
    ]
    assert [len(events) for events in of_3_s] == [1, 0]


# --- the record


def test_the_journal_has_every_burst_once_through_stops_and_kills(lives: Lives) -> None:
    given: list[tuple[float, str]] = []
    for is_killed in (False, True, False):
        begins_s = lives.wall_s
        rig = lives.live(for_s=3600.0, is_killed=is_killed)
        until_s = begins_s + 3600.0 - (10.1 if is_killed else 0.0)
        given += [(at_s, line) for at_s, line, is_open in rig.keeper.edges if not is_open and at_s < until_s]

    noted = [
        (each.at, each.subject) for each in lives.entries() if each.kind in {"burst_ended", "burst_found"}
    ]

    assert len(noted) == len(set(noted)) >= 40
    by_hand = {
        ((NOON + timedelta(seconds=at_s)).isoformat(timespec="seconds")[:19], line) for at_s, line in given
    }
    assert by_hand <= {(at[:19], subject) for at, subject in noted}
    assert [each.at for each in lives.entries()] == sorted(each.at for each in lives.entries())


def test_readings_and_water_are_rolled_up_through_a_kill(lives: Lives) -> None:
    async def send(rig: Rig) -> None:
        while True:
            await asyncio.sleep(10.0)
            payload = b'{"temperature": 20.5, "humidity": 90}'
            rig.bus.deliver(Incoming(topic="fern/air", payload=payload))

    async def send_for_a_while(rig: Rig) -> None:
        sending = asyncio.create_task(send(rig))
        await asyncio.sleep(1000.0)
        sending.cancel()

    for is_killed in (True, False):
        lives.live(send_for_a_while, for_s=1001.0, is_killed=is_killed)

    hour = int(NOON.timestamp())
    air = lives.disk.readings[3600, hour, "air"]
    assert (air.least, air.most) == (20.5, 20.5)
    assert 200 - 7 <= air.count <= 200  # a kill costs the running minute and what was not noted
    minutes = [each.count for key, each in lives.disk.readings.items() if key[0] == 60 and key[2] == "air"]
    assert sum(minutes) == air.count
    water = lives.disk.water[3600, hour, "left"]
    ended = [each for each in lives.entries("burst_ended") if each.subject == "left"]
    assert water.bursts == len(ended)
    assert water.water_l == pytest.approx(sum(json.loads(each.figures)["water_l"] for each in ended))


# --- a disk that fails in a life


def test_lines_of_the_journal_that_no_longer_fitted_are_counted_when_it_is_written_again(
    lives: Lives,
) -> None:
    async def fail_for_long(rig: Rig) -> None:
        await asyncio.sleep(30.0)
        rig.store.fail_with = StoreError("the disk is full")
        await asyncio.sleep(10.0)
        entry = lives.disk.entries[0]
        for _ in range(MOST_ENTRIES + 500):
            rig.daemon.saver.keep_entry(entry)
        await asyncio.sleep(10.0)
        rig.store.fail_with = None

    rig = lives.live(fail_for_long, for_s=100.0)

    (told,) = rig.events("state_kept_again")
    assert told["reason"].startswith("the state is written again; 5")
    assert told["reason"].endswith("lines of the journal were too many to wait for that")
    assert rig.daemon.saver.lost_entries == 0


def test_a_disk_that_failed_for_a_moment_lost_nothing_and_says_so_by_saying_nothing(lives: Lives) -> None:
    async def fail_shortly(rig: Rig) -> None:
        await asyncio.sleep(30.0)
        rig.store.fail_with = StoreError("the disk is full")
        await asyncio.sleep(60.0)
        rig.store.fail_with = None

    rig = lives.live(fail_shortly)

    assert [told["reason"] for told in rig.events("state_kept_again")] == ["the state is written again"]
    assert len(rig.events("state_not_kept")) == 1
    assert [each.kind for each in lives.entries()].count("state_not_kept") == 1


def test_a_burst_that_was_left_out_is_not_left_out_again_after_a_power_cut(lives: Lives) -> None:
    cut: list[MemoryDisk] = []

    async def skip_left(rig: Rig) -> None:
        await set_everything(rig)
        await happened(rig, "burst_skipped")
        await asyncio.sleep(1.0)
        cut.append(deepcopy(rig.store.disk))

    first = lives.live(skip_left)
    assert first.house.zones[0].skip is None
    lives.disk = cut[0]
    lives.lose_power()

    second = lives.live(for_s=30.0)

    assert second.house.zones[0].skip is None
    assert second.house.zones[0].trim is not None
