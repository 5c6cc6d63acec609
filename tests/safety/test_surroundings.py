"""What is around a running house goes away: its log's reader, its disk. Misting goes on and it is told.

Each claim takes some seconds of waiting, so they are gone through side by side, once.
"""

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from tests.broker import Mosquitto
from tests.safety.asking import Asker
from tests.safety.harness import RUN, House, Program, Zone
from tests.safety.watching import Watch

pytestmark = [pytest.mark.real_time, pytest.mark.broker]
GAP_S = 2.0
ZONES = (Zone(name="left", gap_s=GAP_S), Zone(name="right", gap_s=GAP_S), Zone(name="held", gap_s=300.0))
UNDISTURBED_S = GAP_S + 1.0  # a burst that comes later than this after the last was held up
NOT_ROOT = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")  # else root writes where nobody may
WITHOUT_ROOTS_RIGHT = (*NOT_ROOT, *RUN) if os.geteuid() == 0 else RUN


def a_stalled_reader_of_the_log_does_not_hold_up_misting() -> None:
    with full_pipe() as writer, House(ZONES) as house, Watch(house) as watch:
        daemon = house.start("--log-level", "debug", stdout=writer)
        house.until_misted_again(6)

        daemon.send(signal.SIGTERM)

        assert daemon.ended() == 0, "nor does it hold up the end"
        assert house.open_lines() == set()
    assert max(watch.rests_s()["left"]) < UNDISTURBED_S


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


def a_state_directory_that_is_deleted_costs_no_burst_and_no_hold() -> None:
    with at_a_broker() as (house, daemon, asker):
        with Watch(house) as watch:
            shutil.rmtree(house.state_directory)
            house.until_misted_again(4)
        held = asker.answer(asker.ask("hold", zone="held", for_s=3600.0, note="kept anew"))

        assert held["outcome"] == "done"
        daemon.send(signal.SIGKILL)
        daemon.ended()
        assert hold_after_restart(house, asker) == "kept anew"
    assert max(watch.rests_s()["left"]) < UNDISTURBED_S


def a_state_directory_that_is_full_is_told_and_what_is_not_kept_is_not_promised() -> None:
    with disk_of(bytes_=256 * 1024) as disk, at_a_broker(disk / "state") as (house, daemon, asker):
        with Watch(house) as watch:
            before = asker.mark()
            ballast = fill(disk)
            refused = asker.answer(asker.ask("hold", zone="held", for_s=3600.0))
            told = asker.event("state_not_kept", before)
            house.until_misted_again(4)
            ballast.unlink()
            held = asker.answer(asker.ask("hold", zone="held", for_s=3600.0, note="kept again"))
            asker.event("state_kept_again", before)

        assert refused["outcome"] == "not_kept"
        assert "the disk is full" in told["reason"]
        assert daemon.logged("state not kept")[0]["level"] == "warning"
        assert held["outcome"] == "done"
        daemon.send(signal.SIGKILL)
        daemon.ended()
        assert hold_after_restart(house, asker) == "kept again"
    assert max(watch.rests_s()["left"]) < UNDISTURBED_S


def a_state_directory_made_read_only_costs_no_burst_and_a_restart_without_it_says_so() -> None:
    with at_a_broker(program=WITHOUT_ROOTS_RIGHT) as (house, daemon, asker):
        with Watch(house) as watch:
            for each in (*house.state_directory.iterdir(), house.state_directory):
                each.chmod(0o555)
            house.until_misted_again(4)
        daemon.send(signal.SIGKILL)
        daemon.ended()
        before = asker.mark()

        house.start(program=WITHOUT_ROOTS_RIGHT)

        told = asker.event("state_unreadable", before)
        assert "nothing is known of before this start" in told["reason"]
        house.until_misted_again()
    assert max(watch.rests_s()["left"]) < UNDISTURBED_S


@contextmanager
def at_a_broker(
    state_directory: Path | None = None, program: Sequence[str] = RUN
) -> Iterator[tuple[House, Program, Asker]]:
    """A house that mists and a person at its broker."""
    with (
        Mosquitto() as broker,
        House(ZONES, broker_port=broker.port, state_directory=state_directory) as house,
        Asker(broker.port, house.name) as asker,
    ):
        daemon = house.start(program=program)
        daemon.wait_for("broker connected")
        house.until_misted_again()
        yield house, daemon, asker


def hold_after_restart(house: House, asker: Asker) -> str:
    """The note of the hold in force, as the next daemon tells it."""
    before = asker.mark()
    house.start()
    online, _ = asker.first(lambda each: each.topic == "status" and each.says["state"] == "online", before)
    _, told = asker.first(lambda each: each.topic == "zone/held", online)
    return str(told.says["hold"] and told.says["hold"]["note"])


@contextmanager
def disk_of(bytes_: int) -> Iterator[Path]:
    """A small disk of its own; the test is skipped where none can be mounted."""
    directory = Path(tempfile.mkdtemp(prefix="mk-", dir="/tmp"))
    mount = ["mount", "-t", "tmpfs", "-o", f"size={bytes_}", "tmpfs", str(directory)]
    try:
        if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
            pytest.skip("no small disk can be mounted here: needs root")
        try:
            yield directory
        finally:
            subprocess.run(["umount", "--lazy", str(directory)], check=True)
    finally:
        directory.rmdir()


def fill(disk: Path) -> Path:
    """Fill a disk to its last byte; the file that does it."""
    ballast = disk / "ballast"
    with ballast.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * 512)
    assert os.statvfs(disk).f_bavail == 0
    return ballast


CLAIMS: tuple[Callable[[], None], ...] = (
    a_stalled_reader_of_the_log_does_not_hold_up_misting,
    a_state_directory_that_is_deleted_costs_no_burst_and_no_hold,
    a_state_directory_that_is_full_is_told_and_what_is_not_kept_is_not_promised,
    a_state_directory_made_read_only_costs_no_burst_and_a_restart_without_it_says_so,
)


@pytest.fixture(scope="module")
def gone_through() -> Iterator[dict[Callable[[], None], Future[None]]]:
    with ThreadPoolExecutor() as side_by_side:
        yield {claim: side_by_side.submit(claim) for claim in CLAIMS}


@pytest.mark.parametrize("claim", CLAIMS, ids=[claim.__name__ for claim in CLAIMS])
def test_that(gone_through: dict[Callable[[], None], Future[None]], claim: Callable[[], None]) -> None:
    gone_through[claim].result()
