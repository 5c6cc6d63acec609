"""Disks and directories that go wrong under a running house: full, failing, slow, spoilt, gone.

Answers for: a house that mists with a person at its broker, small disks, what is done to the files of its
memory, and a disk that fails or is slow for as long as somebody holds the daemon's system calls up.
Does not know what is promised. Rule: what cannot be done on this machine skips the test and says why.
"""

import os
import shutil
import signal
import sqlite3
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from functools import partial
from math import inf
from pathlib import Path
from typing import Any

import pytest

from tests.broker import Mosquitto
from tests.safety.asking import Asker
from tests.safety.harness import RUN, House, Program, Zone, until
from tests.safety.watching import Watch

GAP_S = 1.6
ZONES = (
    Zone(name="left", burst_s=0.5, gap_s=GAP_S),
    Zone(name="right", burst_s=0.5, gap_s=GAP_S),
    Zone(name="held", gap_s=300.0),
)
UNDISTURBED_S = GAP_S + 1.0  # a burst that comes later than this after the last was held up
NOT_ROOT = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")  # else root writes where nobody may
WITHOUT_ROOTS_RIGHT = (*NOT_ROOT, *RUN) if os.geteuid() == 0 else RUN
ATTACHED_WITHIN_S = DETACHED_WITHIN_S = 10.0


@contextmanager
def at_a_broker(
    state_directory: Path | None = None, start: Callable[[House], Program] = House.start_forked
) -> Iterator[tuple[House, Program, Asker]]:
    """A house that mists and a person at its broker."""
    with (
        Mosquitto() as broker,
        House(ZONES, broker_port=broker.port, state_directory=state_directory) as house,
        Asker(broker.port, house.name) as asker,
    ):
        daemon = start(house)
        daemon.wait_for("broker connected")
        house.until_misted_again()
        yield house, daemon, asker


def kill(daemon: Program) -> None:
    daemon.send(signal.SIGKILL)
    daemon.ended()


def after_restart(
    house: House, asker: Asker, start: Callable[[House], Program] = House.start_forked
) -> tuple[Program, dict[str, Any]]:
    """The next daemon, and what it tells first of the zone that is held."""
    before = asker.mark()
    daemon = start(house)
    online, _ = asker.first(lambda each: each.topic == "status" and each.says["state"] == "online", before)
    _, told = asker.first(lambda each: each.topic == "zone/held", online)
    return daemon, told.says


def is_undisturbed(watch: Watch) -> bool:
    """Whether the zone that is misted all the time was misted in time, by the lines' own edges.

    On a machine so busy that we ourselves do not get our turn, it may be later by as much.
    """
    rests_s = watch.rests_s()["left"]
    assert rests_s, "it was not watched for long enough"
    return max(rests_s) < UNDISTURBED_S + watch.late_s(-inf, inf)


# --- what is done to the database


def delete(house: House) -> None:
    _database(house).unlink()


def settle(house: House) -> None:
    """Have everything in the database itself and nothing in its log, so that damage to it is damage."""
    with closing(sqlite3.connect(_database(house), timeout=ATTACHED_WITHIN_S)) as connection:
        (is_busy, _, _) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert not is_busy


def cut_to_nothing(house: House) -> None:
    settle(house)
    os.truncate(_database(house), 0)


def cut_in_half(house: House) -> None:
    settle(house)
    os.truncate(_database(house), _database(house).stat().st_size // 2)


def overwrite(house: House) -> None:
    settle(house)
    with _database(house).open("r+b") as file:
        file.write(os.urandom(_database(house).stat().st_size))


def replace_by_something_else(house: House) -> None:
    other = house.directory / "other"
    other.write_text("this is no database\n" * 1000)
    other.replace(_database(house))


def keep_a_copy(house: House) -> None:
    """As a person does before trying something; with the log that belongs to it."""
    for each in house.state_directory.glob("state.db*"):
        shutil.copy(each, house.directory / f"old-{each.name}")


def put_the_copy_back(house: House) -> None:
    """As a person does who does not stop the daemon first."""
    for each in house.state_directory.glob("state.db*"):
        each.unlink()
    for each in house.directory.glob("old-*"):
        shutil.move(each, house.state_directory / each.name.removeprefix("old-"))


def delete_the_directory(house: House) -> None:
    shutil.rmtree(house.state_directory)


def _database(house: House) -> Path:
    return house.state_directory / "state.db"


MISSING = "missing; begun anew with all settings and the state"
UNREADABLE = "unreadable"
DAMAGES: Mapping[str, tuple[Callable[[House], None], str]] = {  # what is done, and what is told of it
    "deleted": (delete, MISSING),
    "cut to nothing": (cut_to_nothing, UNREADABLE),
    "cut in half": (cut_in_half, UNREADABLE),
    "overwritten": (overwrite, UNREADABLE),
    "replaced by something else": (replace_by_something_else, UNREADABLE),
    "replaced by an old copy": (put_the_copy_back, "not as it was left; all that is known was put into it"),
    "deleted with its directory": (delete_the_directory, MISSING),
}


# --- disks


def needs(*programs: str) -> None:
    """Skip where a program is missing."""
    for program in programs:
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not installed")


def start_without_roots_right() -> Callable[[House], Program]:
    """A way to start a daemon to which permissions of files mean something."""
    if WITHOUT_ROOTS_RIGHT is not RUN:
        needs("setpriv")
    return partial(House.start, program=WITHOUT_ROOTS_RIGHT)


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


@contextmanager
def ailing(daemon: Program, how: str) -> Iterator[None]:
    """Every write and sync of the daemon's database goes as strace is told: `error=EIO`, `delay_enter=1s`.

    SQLite alone calls these: the log, the tail and the broker are written otherwise, the keeper is another
    process.
    """
    needs("strace")
    calls = "pwrite64,fsync,fdatasync" if how.startswith("error") else "fsync,fdatasync"
    command = ["strace", "-q", "-f", "-p", str(daemon.pid), "-e", f"trace={calls}", "-o", os.devnull]
    tracer = subprocess.Popen([*command, "-e", f"inject={calls}:{how}"], stderr=subprocess.PIPE)
    try:
        until(lambda: _is_traced(daemon) or tracer.poll() is not None, "strace attached", ATTACHED_WITHIN_S)
        if tracer.poll() is not None:
            pytest.skip(f"no process can be traced here: {tracer.communicate()[1].decode()}")
        yield
    finally:
        _let_go(tracer)


def _let_go(tracer: "subprocess.Popen[bytes]") -> None:
    """It detaches when it is asked to, but not from a call that it holds up; the end of it lets go of all."""
    with suppress(ProcessLookupError):
        tracer.send_signal(signal.SIGINT)
    try:
        tracer.communicate(timeout=DETACHED_WITHIN_S)
    except subprocess.TimeoutExpired:
        tracer.kill()
        tracer.communicate()


def _is_traced(daemon: Program) -> bool:
    threads = Path(f"/proc/{daemon.pid}/task").glob("*/status")
    return all("TracerPid:\t0\n" not in thread.read_text() for thread in threads)
