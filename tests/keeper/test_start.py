"""The keeper as a process of its own: how it starts, what it says of that, and how it ends."""

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from mistd.adapters.simulated_outputs import SimulatedOutputsView
from mistd.keeper.wire import KeeperSpec
from tests.keeper.bench import LATE_S, WITHIN_S, RawCaller, run_directory, spec_in
from tests.keeper.processes import end_all, environment, listener_pid, new_mark

pytestmark = pytest.mark.real_time
COMMAND = (sys.executable, "-m", "mistd.keeper.process")
WITH_A_CLOCK_THAT_BREAKS_ONCE = """
import os, sys, time
from mistd.keeper.process import KeeperClock, start

def now_s():
    try:
        os.unlink(sys.argv[1])
    except FileNotFoundError:
        return time.monotonic()
    raise RuntimeError("the clock broke")

start(KeeperClock(now_s=now_s))
"""


class Process:
    """A keeper started as the daemon starts it."""

    def __init__(self, spec: KeeperSpec, mark: str, command: tuple[str, ...]) -> None:
        self.spec = spec
        self._errors = Path(tempfile.gettempdir()) / f"mk-{mark}.errors"
        with self._errors.open("w") as errors:
            self.child = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=errors,
                text=True,
                start_new_session=True,
                env=environment(mark),
            )
        assert self.child.stdin is not None
        assert self.child.stdout is not None
        self.child.stdin.write(spec.to_json())
        self.child.stdin.close()
        self.said: dict[str, Any] = json.loads(self.child.stdout.readline() or "{}")

    def errors(self) -> str:
        return self._errors.read_text()

    def ended(self) -> int:
        return self.child.wait(WITHIN_S)

    def close(self) -> None:
        self.child.kill()
        self.child.wait()
        assert self.child.stdout is not None
        self.child.stdout.close()
        self._errors.unlink()


@contextmanager
def started(directory: Path, command: tuple[str, ...] = COMMAND, **settings: Any) -> Iterator[Process]:
    mark = new_mark()
    process = Process(spec_in(directory, **settings), mark, command)
    try:
        yield process
    finally:
        process.close()
        end_all(mark)


def view_of(spec: KeeperSpec) -> SimulatedOutputsView:
    return SimulatedOutputsView(Path(spec.outputs["path"]))


def open_lines(spec: KeeperSpec) -> set[str]:
    return {line for line, state in view_of(spec).lines().items() if state.is_open}


def test_a_keeper_says_that_it_holds_every_line_shut_and_answers() -> None:
    with run_directory() as directory, started(directory) as keeper, daemon_of(keeper) as daemon:
        assert keeper.said == {"told": "started", "pid": keeper.child.pid}
        assert set(view_of(keeper.spec).lines()) == set(keeper.spec.rules.lines)
        daemon.open("left", 0.05)
        assert daemon.hear_told("shut")["line"] == "left"
        assert listener_pid(keeper.spec.socket_path) == keeper.child.pid


@contextmanager
def daemon_of(keeper: Process) -> Iterator[RawCaller]:
    with RawCaller(keeper.spec.socket_path) as daemon:
        assert daemon.take()["told"] == "taken"
        yield daemon


def test_a_line_left_open_by_a_dead_keeper_is_shut_at_the_next_ones_start() -> None:
    with run_directory() as directory:
        with started(directory) as first, daemon_of(first) as daemon:
            daemon.open("left", 30.0)
            daemon.hear_told("opened")
            os.kill(first.child.pid, signal.SIGKILL)
            first.ended()
            assert open_lines(first.spec) == {"left"}

        with started(directory) as second:
            assert second.said["told"] == "started"
            assert open_lines(second.spec) == set()
            with RawCaller(second.spec.socket_path) as successor:
                assert successor.take()["accounts"] == []


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda number: number.name)
def test_a_signal_to_end_shuts_all_and_ends_the_keeper_well(number: signal.Signals) -> None:
    with run_directory() as directory, started(directory) as keeper, daemon_of(keeper) as daemon:
        for line in ("left", "right"):
            daemon.open(line, 30.0)
            daemon.hear_told("opened")
        asked_s = time.monotonic()

        os.kill(keeper.child.pid, number)

        assert keeper.ended() == 0
        edges = [state.last_edge_s for state in view_of(keeper.spec).lines().values() if state.openings]
        assert len(edges) == 2
        assert all(asked_s <= edge_s < asked_s + LATE_S for edge_s in edges)
        assert open_lines(keeper.spec) == set()
        assert not Path(keeper.spec.socket_path).exists()
        assert keeper.errors() == ""


def test_a_keeper_that_ends_by_a_fault_of_its_own_leaves_nothing_on() -> None:
    with run_directory() as directory:
        breaks = directory / "breaks"
        command = (sys.executable, "-c", WITH_A_CLOCK_THAT_BREAKS_ONCE, str(breaks))
        with started(directory, command, signals=("siren",)) as keeper, daemon_of(keeper) as daemon:
            daemon.signal("siren", True)
            daemon.open("left", 30.0)
            daemon.hear_told("opened")
            assert open_lines(keeper.spec) == {"left", "siren"}

            breaks.touch()
            daemon.ask("renew")

            assert keeper.ended() == 1
            assert "the clock broke" in keeper.errors()
            assert open_lines(keeper.spec) == set()
            assert not Path(keeper.spec.socket_path).exists()


def test_a_hangup_does_not_end_the_keeper() -> None:
    with run_directory() as directory, started(directory) as keeper, daemon_of(keeper) as daemon:
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        os.kill(keeper.child.pid, signal.SIGHUP)
        daemon.ask("renew")

        assert daemon.hear() == {"told": "alive"}
        assert open_lines(keeper.spec) == {"left"}


def test_a_second_keeper_of_one_house_fails_with_the_reason_and_disturbs_nothing() -> None:
    with run_directory() as directory, started(directory) as first, daemon_of(first) as daemon:
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        with started(directory) as second:
            assert second.said == {
                "told": "failed",
                "reason": f"another keeper holds the lines of this house (lock {first.spec.lock_path})",
            }
            assert second.ended() == 1
            assert second.errors() == ""

        assert open_lines(first.spec) == {"left"}
        daemon.ask("renew")
        assert daemon.hear() == {"told": "alive"}
        with RawCaller(first.spec.socket_path) as caller:
            assert caller.take()["why"] == "taken"


def test_lock_and_socket_of_a_killed_keeper_are_free_for_the_next() -> None:
    with run_directory() as directory:
        with started(directory) as first:
            os.kill(first.child.pid, signal.SIGKILL)
            first.ended()
            assert Path(first.spec.socket_path).exists()

        with started(directory) as second, daemon_of(second):
            assert second.said["told"] == "started"


def test_a_keeper_that_nobody_can_meet_any_more_makes_room_for_the_next() -> None:
    """Somebody cleared the run directory away, then the daemon died: else the house would stay dry."""
    with run_directory() as directory, started(directory) as first:
        with daemon_of(first):
            Path(first.spec.socket_path).unlink()
            Path(first.spec.lock_path).unlink()

        assert first.ended() == 0
        with started(directory) as second:
            assert second.said["told"] == "started"
            assert listener_pid(second.spec.socket_path) == second.child.pid


def test_a_keeper_that_ends_leaves_anothers_socket_alone() -> None:
    with run_directory() as directory, started(directory) as keeper:
        with daemon_of(keeper) as daemon:
            Path(keeper.spec.socket_path).unlink()
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
                other.bind(keeper.spec.socket_path)
            daemon.open("left", 30.0)
            daemon.hear_told("opened")

        assert keeper.ended() == 0
        assert open_lines(keeper.spec) == set()
        assert Path(keeper.spec.socket_path).exists()


def test_a_keeper_with_a_daemon_goes_on_though_its_socket_is_cleared_away() -> None:
    with run_directory() as directory, started(directory) as keeper, daemon_of(keeper) as daemon:
        Path(keeper.spec.socket_path).unlink()
        daemon.open("left", 1.5)  # longer than it waits before it looks for the path

        assert daemon.hear_told("shut")["open_s"] >= 1.5
        assert keeper.child.poll() is None


def test_two_houses_may_not_share_one_file_of_lines() -> None:
    with run_directory() as directory, run_directory() as other, started(directory) as first:
        outputs = first.spec.outputs
        with started(other, outputs=outputs) as second:
            assert second.said["told"] == "failed"
            assert "held by another program" in second.said["reason"]


@pytest.mark.parametrize(
    ("outputs", "says"),
    [
        ({"driver": "valves-by-radio"}, "there is no output driver 'valves-by-radio'"),
        ({"driver": "simulated", "path": "/nonexistent/outputs.sim"}, "No such file or directory"),
    ],
)
def test_a_keeper_that_cannot_hold_its_lines_says_why_and_ends(outputs: dict[str, str], says: str) -> None:
    with run_directory() as directory, started(directory, outputs=outputs) as keeper:
        assert keeper.said["told"] == "failed"
        assert says in keeper.said["reason"]
        assert keeper.ended() == 1
        assert not Path(keeper.spec.socket_path).exists()


def test_a_keeper_whose_run_directory_is_missing_says_so() -> None:
    with run_directory() as directory, started(directory / "nowhere") as keeper:
        assert keeper.said["told"] == "failed"
        assert "No such file or directory" in keeper.said["reason"]


def test_a_keeper_holds_pins_by_gpiozero() -> None:
    pins = {"left": {"pin": 5, "is_active_high": False}, "right": {"pin": 6, "is_active_high": False}}
    outputs = {"driver": "gpiozero", "factory": "mock", "pins": pins}
    with run_directory() as directory, started(directory, lines=("left", "right"), outputs=outputs) as keeper:
        assert keeper.said["told"] == "started", keeper.errors()
        with daemon_of(keeper) as daemon:
            daemon.open("left", 0.05)
            assert daemon.hear_told("opened")["line"] == "left"
            assert daemon.hear_told("shut")["open_s"] < 0.05 + LATE_S
        keeper.child.terminate()
        assert keeper.ended() == 0, keeper.errors()


def outputs_on_pins(siren_pin: int) -> dict[str, Any]:
    def wired(**pins: int) -> dict[str, Any]:
        return {line: {"pin": pin, "is_active_high": True} for line, pin in pins.items()}

    return {
        "driver": "gpiozero",
        "factory": "mock",
        "pins": wired(left=5, right=6),
        "signal_pins": wired(siren=siren_pin),
    }


@pytest.mark.parametrize(
    ("siren_pin", "troubles"),
    [(12, []), (5, ["it does not switch off: pin 5 (siren) is held by this program already"])],
    ids=["a pin of its own", "a pin that is held already"],
)
def test_a_siren_on_a_pin_costs_no_valve_its_own(siren_pin: int, troubles: list[str]) -> None:
    settings: dict[str, Any] = {"lines": ("left", "right"), "signals": ("siren",)}
    with (
        run_directory() as directory,
        started(directory, **settings, outputs=outputs_on_pins(siren_pin)) as keeper,
    ):
        assert keeper.said["told"] == "started", keeper.errors()
        with daemon_of(keeper) as daemon:
            daemon.signal("siren", True)
            told = [each["reason"].partition(": give")[0] for each in daemon.has_been_heard()]
            assert told == troubles
            daemon.open("left", 0.05)
            assert daemon.hear_told("opened")["line"] == "left"
            assert daemon.hear_told("shut")["open_s"] < 0.05 + LATE_S
        keeper.child.terminate()
        assert keeper.ended() == 0, keeper.errors()
        assert keeper.errors() == ""


def test_a_simulated_siren_is_one_more_line_in_the_file_and_off_when_the_keeper_starts() -> None:
    with run_directory() as directory:
        with started(directory, signals=("siren",)) as first, daemon_of(first) as daemon:
            assert list(view_of(first.spec).lines()) == [*first.spec.rules.lines, "siren"]
            daemon.signal("siren", True)
            assert daemon.has_been_heard() == []
            os.kill(first.child.pid, signal.SIGKILL)
            first.ended()
            assert open_lines(first.spec) == {"siren"}

        with started(directory, signals=("siren",)) as second:
            assert second.said["told"] == "started"
            assert open_lines(second.spec) == set()


def test_a_signal_to_end_switches_the_siren_off_too() -> None:
    with run_directory() as directory, started(directory, signals=("siren",)) as keeper:
        with daemon_of(keeper) as daemon:
            daemon.signal("siren", True)
            assert daemon.has_been_heard() == []

        keeper.child.terminate()

        assert keeper.ended() == 0
        assert open_lines(keeper.spec) == set()
        assert keeper.errors() == ""


def test_a_file_in_the_place_of_its_socket_is_left_alone() -> None:
    with run_directory() as directory:
        path = Path(spec_in(directory).socket_path)
        path.write_text("somebody's notes")

        with started(directory) as keeper:
            assert keeper.said["told"] == "failed"
            assert "Address already in use" in keeper.said["reason"]
            assert keeper.ended() == 1

        assert path.read_text() == "somebody's notes"


def test_a_keeper_gets_its_turn_before_ordinary_processes_where_that_is_allowed() -> None:
    ask = "import os; os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))"
    is_allowed = subprocess.run([sys.executable, "-c", ask], capture_output=True, check=False).returncode == 0

    with run_directory() as directory, started(directory) as keeper:
        policy = os.sched_getscheduler(keeper.child.pid)

        assert policy == (os.SCHED_RR if is_allowed else os.SCHED_OTHER)


def test_only_its_own_user_may_speak_with_a_keeper() -> None:
    with run_directory() as directory, started(directory) as keeper:
        assert Path(keeper.spec.socket_path).stat().st_mode & 0o777 == 0o600
        assert Path(keeper.spec.lock_path).stat().st_mode & 0o777 == 0o600


def test_a_keeper_lets_go_of_the_pipes_of_the_one_who_started_it() -> None:
    """Its parent may die or never read: neither may hold up or end the keeper."""
    with run_directory() as directory, started(directory) as keeper:
        assert keeper.child.stdout is not None

        assert keeper.child.stdout.read() == "", "its end of the pipe is closed"
        assert keeper.child.poll() is None


def test_a_keeper_that_nobody_listens_to_at_its_start_ends_with_its_lines_shut() -> None:
    with run_directory() as directory:
        spec, mark = spec_in(directory), new_mark()
        reading, writing = os.pipe()
        os.close(reading)
        keeper = subprocess.Popen(
            COMMAND, stdin=subprocess.PIPE, stdout=writing, stderr=subprocess.DEVNULL, env=environment(mark)
        )
        os.close(writing)
        keeper.communicate(spec.to_json().encode(), timeout=WITHIN_S)

        assert keeper.returncode != 0
        assert open_lines(spec) == set()
        with started(directory) as successor:
            assert successor.said["told"] == "started"


@pytest.mark.parametrize("text", ["", "no JSON", "{}", "[]"])
def test_a_keeper_without_a_specification_touches_nothing(text: str) -> None:
    done = subprocess.run(COMMAND, input=text, capture_output=True, text=True, timeout=WITHIN_S, check=False)

    assert done.returncode != 0
    assert done.stdout == ""
