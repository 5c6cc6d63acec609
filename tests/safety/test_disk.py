"""The disk under our feet: it is full, fails, is slow, or its files are spoilt or gone while a house runs.

Misting goes on as if nothing were; the trouble is told; nothing is promised that is not kept; what was
promised is in force after the next restart. Each claim takes some seconds of waiting, so they are gone
through side by side, once.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from typing import Any

import pytest

from tests.safety.asking import Asker, Heard
from tests.safety.disks import (
    DAMAGES,
    after_restart,
    ailing,
    at_a_broker,
    disk_of,
    fill,
    is_undisturbed,
    keep_a_copy,
    kill,
    start_without_roots_right,
)
from tests.safety.harness import House, Program
from tests.safety.watching import Watch

pytestmark = [pytest.mark.real_time, pytest.mark.broker]
HOLD: dict[str, Any] = {"zone": "held", "for_s": 3600.0}
TOO_LONG: dict[str, Any] = {"zone": "held", "setting": "hold", "value": {"for_s": 80_000.0}}


def trim(asker: Asker, minutes: int) -> dict[str, Any]:
    """Change a setting of the zone that is held: it moves no burst; the answer."""
    value = {"percent": -20.0, "for_s": 60.0 * minutes}
    return asker.answer(asker.ask("set", zone="held", setting="trim", value=value, author="Ida"))


def trims_told(asker: Asker, since: int) -> dict[str, Any]:
    """How the trim stands, as the first message after a mark has it."""
    _, told = asker.first(lambda each: each.topic == "settings/held", since)
    return next(each for each in told.says["settings"] if each["setting"] == "trim")


def a_database_that_is_spoilt_or_gone_costs_no_burst_and_nothing_that_was_promised(
    damages: Sequence[str],
) -> None:
    """Damage after damage, each followed by a change, a kill and a restart."""
    with at_a_broker() as (house, daemon, asker):
        assert asker.answer(asker.ask("hold", note="at work", **HOLD))["outcome"] == "done"
        keep_a_copy(house)
        assert trim(asker, 60)["figures"]["revision"] == 2
        running = daemon
        for number, damage in enumerate(damages, 3):
            running = survive(house, running, asker, damage, number)


def survive(house: House, daemon: Program, asker: Asker, damage: str, number: int) -> Program:
    """One damage, and the daemon after the restart that follows."""
    before = asker.mark()
    spoil, words = DAMAGES[damage]
    with Watch(house) as watch:
        spoil(house)
        changed = trim(asker, 60 + number)
        house.until_misted_again(4)
    assert is_undisturbed(watch), damage
    assert (changed["outcome"], changed["figures"]["revision"]) == ("done", number), damage

    kill(daemon)
    restarted = asker.mark()
    daemon, held = after_restart(house, asker)
    standing = trims_told(asker, restarted)
    told = asker.event("state_unreadable", before)
    assert words in told["reason"], damage
    assert held["hold"]["note"] == "at work", damage
    assert held["trim"]["percent"] == -20.0, damage
    assert (standing["revision"], standing["value"]["for_s"]) == (number, 60.0 * (60 + number)), damage
    return daemon


def a_full_disk_is_told_and_what_is_not_kept_is_not_promised() -> None:
    with disk_of(bytes_=256 * 1024) as disk, at_a_broker(disk / "state") as (house, daemon, asker):
        trim(asker, 60)
        with Watch(house) as watch:
            before = asker.mark()
            ballast = fill(disk)
            refused = asker.answer(asker.ask("hold", **HOLD))
            told = asker.event("state_not_kept", before)
            house.until_misted_again(4)
            ballast.unlink()
            held = asker.answer(asker.ask("hold", note="kept again", **HOLD))
            asker.event("state_kept_again", before)

        assert refused["outcome"] == "not_kept"
        assert "the disk is full" in told["reason"]
        assert daemon.logged("state not kept")[0]["level"] == "warning"
        assert held["outcome"] == "done"
        kill(daemon)
        _, zone = after_restart(house, asker)
        assert (zone["hold"]["note"], zone["trim"]["percent"]) == ("kept again", -20.0)
    assert is_undisturbed(watch)


def a_directory_that_may_not_be_written_is_stood_in_for_and_told_and_read_by_the_next_start() -> None:
    start = start_without_roots_right()
    with at_a_broker(start=start) as (house, daemon, asker):
        asker.answer(asker.ask("hold", note="at work", **HOLD))
        with Watch(house) as watch:
            permit(house, 0o555, 0o555)
            house.until_misted_again(4)
        kill(daemon)
        before = asker.mark()

        second, meanwhile = after_restart(house, asker, start)
        place, told = asker.first(is_unreadable, before)
        _, stand_in = asker.first(is_unreadable, place)
        unkept = trim(asker, 60)
        permit(house, 0o755, 0o644)
        still_unkept = trim(asker, 61)
        house.until_misted_again()
        kill(second)
        _, zone = after_restart(house, asker, start)

        assert "Permission denied" in told.says["reason"]
        assert "settings and state come from" in stand_in.says["reason"]
        assert meanwhile["hold"]["note"] == "at work"
        assert (unkept["outcome"], still_unkept["outcome"]) == ("not_kept", "not_kept")
        assert (zone["hold"]["note"], zone["trim"]) == ("at work", None)
    assert is_undisturbed(watch)


def is_unreadable(heard: Heard) -> bool:
    return heard.topic == "event" and heard.says["event"] == "state_unreadable"


def permit(house: House, directory: int, file: int) -> None:
    house.state_directory.chmod(0o755)
    for each in house.state_directory.iterdir():
        each.chmod(file)
    house.state_directory.chmod(directory)


def a_disk_that_fails_to_write_is_told_and_written_again_when_it_works() -> None:
    with at_a_broker() as (house, daemon, asker):
        asker.answer(asker.ask("hold", note="at work", **HOLD))
        before = asker.mark()
        with Watch(house) as watch:
            with ailing(daemon, "error=EIO"):
                unkept = trim(asker, 60)
                told = asker.event("state_not_kept", before)
                house.until_misted_again(4)
            kept = trim(asker, 61)
            asker.event("state_kept_again", before)

        assert unkept["outcome"] == "not_kept"
        assert "the disk failed" in told["reason"]
        assert kept["outcome"] == "done"
        kill(daemon)
        _, zone = after_restart(house, asker)
        assert (zone["hold"]["note"], zone["trim"]["percent"]) == ("at work", -20.0)
    assert is_undisturbed(watch)


def a_slow_disk_is_waited_for_by_who_was_promised_something_and_by_nobody_else() -> None:
    with at_a_broker() as (house, daemon, asker):
        with Watch(house) as watch, ailing(daemon, "delay_enter=3s"):
            began_s = time.monotonic()
            promised = asker.ask("hold", note="at work", **HOLD)
            refused = asker.answer(asker.ask("set", **TOO_LONG))
            refused_s = time.monotonic() - began_s
            assert asker.answered(promised) is None, "it was promised before it was on the disk"
            held = asker.answer(promised)
            held_s = time.monotonic() - began_s
            house.until_misted_again(2)

        assert (refused["outcome"], held["outcome"]) == ("refused", "done")
        assert refused_s < 3.0 <= held_s
        assert daemon.logged("state not kept") == []
        kill(daemon)
        _, zone = after_restart(house, asker)
        assert zone["hold"]["note"] == "at work"
    assert is_undisturbed(watch)


SPOILT = a_database_that_is_spoilt_or_gone_costs_no_burst_and_nothing_that_was_promised
NAMES = sorted(DAMAGES)
CLAIMS: dict[str, Callable[[], None]] = {
    f"{SPOILT.__name__}_{number}": partial(SPOILT, NAMES[number - 1 :: 3]) for number in (1, 2, 3)
} | {
    claim.__name__: claim
    for claim in (
        a_full_disk_is_told_and_what_is_not_kept_is_not_promised,
        a_directory_that_may_not_be_written_is_stood_in_for_and_told_and_read_by_the_next_start,
        a_disk_that_fails_to_write_is_told_and_written_again_when_it_works,
        a_slow_disk_is_waited_for_by_who_was_promised_something_and_by_nobody_else,
    )
}


@pytest.fixture(scope="module")
def gone_through() -> Iterator[dict[str, Future[None]]]:
    with ThreadPoolExecutor() as side_by_side:
        yield {name: side_by_side.submit(claim) for name, claim in CLAIMS.items()}


@pytest.mark.parametrize("claim", CLAIMS)
def test_that(gone_through: dict[str, Future[None]], claim: str) -> None:
    gone_through[claim].result()
