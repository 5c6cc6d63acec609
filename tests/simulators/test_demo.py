"""The demo as a newcomer runs it: real processes, a real connection, a real Ctrl-C."""

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from mistd.adapters.simulated_outputs import SimulatedOutputsView
from mistd.ports.errors import LinesError
from tests.broker import free_port

pytestmark = pytest.mark.real_time
PROJECT = Path(__file__).parents[2]
WAIT_S = 30.0


class RunningDemo:
    """A demo in a process of its own, in a directory of its own."""

    def __init__(self, directory: Path, *options: str) -> None:
        self.directory = directory
        self.house = directory / "house.toml"
        self.port = free_port()
        text = (PROJECT / "config" / "demo-house.toml").read_text()
        text = text.replace('"run/demo"', f'"{directory}"').replace("port = 18883", f"port = {self.port}")
        self.house.write_text(text)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "simulators.cli", "demo", str(self.house), *options],
            cwd=PROJECT,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def wait_for_openings(self, least: int) -> None:
        """Until the valves have opened so often."""
        view = SimulatedOutputsView(self.directory / "outputs.sim")
        deadline_s = time.monotonic() + WAIT_S
        while time.monotonic() < deadline_s:
            try:
                if sum(line.openings for line in view.lines().values()) >= least:
                    return
            except LinesError:  # the outputs are not there yet
                pass
            time.sleep(0.05)
        raise AssertionError(f"fewer than {least} bursts in {WAIT_S} s: {self.log('daemon')}")

    def log(self, name: str) -> str:
        return (self.directory / f"{name}.log").read_text()

    def children(self) -> set[int]:
        """Every process that has this demo's house or port on its command line, but the demo itself."""
        marks = (str(self.house).encode(), str(self.port).encode())
        found = set()
        for entry in Path("/proc").glob("[0-9]*/cmdline"):
            try:
                words = entry.read_bytes().split(b"\0")
            except OSError:
                continue
            if any(mark in words for mark in marks) and int(entry.parent.name) != self.process.pid:
                found.add(int(entry.parent.name))
        return found

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()
        for pid in self.children():
            os.kill(pid, signal.SIGTERM)


@pytest.fixture
def directory() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="md", dir="/tmp") as name:
        yield Path(name)


def test_the_demo_mists_and_ends_by_itself_with_every_valve_shut(directory: Path) -> None:
    demo = RunningDemo(directory, "--for", "9")

    try:
        output, _ = demo.process.communicate(timeout=WAIT_S)
    finally:
        demo.end()

    assert demo.process.returncode == 0, output
    ended = re.search(r"ended; every valve is shut; (\d+) bursts and (\d+) l of mist today", output)
    assert ended
    assert int(ended[1]) > 0
    assert "Long Ridge, the mist bay" in output
    assert "% wet" in output
    assert "every valve is shut" in demo.log("daemon")


def test_ctrl_c_shuts_the_valves_and_leaves_no_process_behind(directory: Path) -> None:
    demo = RunningDemo(directory)

    try:
        demo.wait_for_openings(3)
        demo.process.send_signal(signal.SIGINT)
        output, _ = demo.process.communicate(timeout=WAIT_S)
        left = demo.children()
    finally:
        demo.end()

    assert demo.process.returncode == 0, output
    assert "ended; every valve is shut" in output
    assert not left


def test_a_killed_demo_takes_its_daemon_and_broker_with_it(directory: Path) -> None:
    demo = RunningDemo(directory)

    try:
        demo.wait_for_openings(1)
        assert demo.children()
        demo.process.kill()
        demo.process.wait()
        deadline_s = time.monotonic() + WAIT_S
        while demo.children() and time.monotonic() < deadline_s:
            time.sleep(0.05)
        left = demo.children()
        lines = SimulatedOutputsView(directory / "outputs.sim").lines()
    finally:
        demo.end()

    assert not left
    assert not any(line.is_open for line in lines.values())


def test_a_taken_port_is_told_and_nothing_starts(directory: Path) -> None:
    first = RunningDemo(directory)

    try:
        first.wait_for_openings(1)
        second = subprocess.run(
            [sys.executable, "-m", "simulators.cli", "demo", str(first.house)],
            capture_output=True,
            text=True,
            timeout=WAIT_S,
            check=False,
        )
    finally:
        first.end()

    assert second.returncode == 1
    assert f"port {first.port} is taken" in second.stderr


def test_the_bench_refuses_a_house_with_real_outputs() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "simulators.cli", "demo", "config/example-house.toml"],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        timeout=WAIT_S,
        check=False,
    )

    assert done.returncode == 2
    assert "the bench drives simulated ones only" in done.stderr
