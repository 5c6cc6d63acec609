"""What is around a running house goes away: its log's reader, its run directory. Misting goes on.

Each claim takes some seconds of waiting, so they are gone through side by side, once. For the disk see
`test_disk`.
"""

import os
import shutil
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress

import pytest

from tests.safety.disks import ZONES, after_restart, at_a_broker, is_undisturbed, kill
from tests.safety.harness import House, until
from tests.safety.watching import Watch

pytestmark = [pytest.mark.real_time, pytest.mark.broker]


def a_stalled_reader_of_the_log_does_not_hold_up_misting() -> None:
    with full_pipe() as writer, House(ZONES) as house, Watch(house) as watch:
        daemon = house.start("--log-level", "debug", stdout=writer)
        house.until_misted_again(6)

        daemon.send(signal.SIGTERM)

        assert daemon.ended() == 0, "nor does it hold up the end"
        assert house.open_lines() == set()
    assert is_undisturbed(watch)


@contextmanager
def full_pipe() -> Iterator[int]:
    """The writing end of a pipe that nobody reads and that has no room left: every write to it waits."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writing, b"x")
    os.set_blocking(writing, True)
    try:
        yield writing
    finally:
        os.close(writing)
        os.close(reading)


def a_run_directory_that_is_deleted_costs_no_burst_and_notes_are_taken_again() -> None:
    """As by a cleaner of temporary files; then the house is stopped in order, and its keeper with it."""
    with at_a_broker() as (house, daemon, asker):
        asker.answer(asker.ask("hold", zone="held", for_s=3600.0, note="at work"))
        tail = house.run_directory / "tail.jsonl"
        with Watch(house) as watch:
            shutil.rmtree(house.run_directory)
            house.until_misted_again(4)
            until(lambda: tail.exists() and tail.stat().st_size > 0, "a note", but=house.account)
        changed = asker.answer(asker.ask("set", zone="held", setting="skip", value={"for_s": 3600.0}))
        daemon.send(signal.SIGTERM)
        code = daemon.ended()
        _, zone = after_restart(house, asker)

        assert (code, changed["outcome"]) == (0, "done")
        assert daemon.logged("state not kept") == daemon.logged("task failed") == []
        assert (zone["hold"]["note"], zone["skip"] is not None) == ("at work", True)
        house.until_misted_again()
    assert is_undisturbed(watch)


def a_run_directory_that_is_deleted_before_a_kill_leaves_no_keeper_in_the_way_of_the_next() -> None:
    """The keeper that lives on can no longer be met; the next daemon has to get the lines all the same."""
    with at_a_broker() as (house, daemon, asker):
        asker.answer(asker.ask("hold", zone="held", for_s=3600.0, note="at work"))
        shutil.rmtree(house.run_directory)
        kill(daemon)
        _, zone = after_restart(house, asker)

        house.until_misted_again()
        assert zone["hold"]["note"] == "at work"


CLAIMS: tuple[Callable[[], None], ...] = (
    a_run_directory_that_is_deleted_before_a_kill_leaves_no_keeper_in_the_way_of_the_next,
    a_stalled_reader_of_the_log_does_not_hold_up_misting,
    a_run_directory_that_is_deleted_costs_no_burst_and_notes_are_taken_again,
)


@pytest.fixture(scope="module")
def gone_through() -> Iterator[dict[Callable[[], None], Future[None]]]:
    with ThreadPoolExecutor() as side_by_side:
        yield {claim: side_by_side.submit(claim) for claim in CLAIMS}


@pytest.mark.parametrize("claim", CLAIMS, ids=[claim.__name__ for claim in CLAIMS])
def test_that(gone_through: dict[Callable[[], None], Future[None]], claim: Callable[[], None]) -> None:
    gone_through[claim].result()
