"""One house under test from outside: real daemons, a real keeper, its lines in a file, kills by process id.

Answers for: a house's file in a short directory, programs started on it, waiting for conditions, and ending
every process that was started, orphaned keepers included.
Does not know what is promised. Rule: what a line did is judged by the outputs file, whose instants the keeper
writes by the machine's monotonic clock; never by what a daemon says of it.
"""

import json
import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Protocol, Self
from zoneinfo import ZoneInfo

from mistd.adapters.simulated_outputs import LineView, SimulatedOutputsView
from mistd.app.config_file import load_config
from mistd.app.sun import DEGREES_PER_HOUR
from mistd.ports.errors import LinesError
from tests.broker import free_port
from tests.keeper.processes import end_all, environment, is_gone, listener_pid, new_mark
from tests.safety.forked_daemon import ForkedDaemon

ROOT = Path(__file__).parents[2]
MISTD = str(Path(sys.executable).with_name("mistd"))
RUN = (MISTD, "run")
FAILING = (sys.executable, "-m", "tests.safety.failing_daemon")
WITHIN_S = 20.0
LOOK_EVERY_S = 0.002
LATE_S = 0.1  # promise 1: no line stays on past its ordered length plus this
# The houses stand where it is about noon: by night a house is quieter, and no test may care when it is run.
HOURS_WEST = datetime.now(UTC).hour - 12
LOCAL = ZoneInfo(f"Etc/GMT{HOURS_WEST:+d}")
PARTS = ("night", "dawn", "day", "dusk")


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """What a test says of a zone; the same in every part of the day, so that no test depends on the hour."""

    name: str
    burst_s: float = 0.9
    gap_s: float = 1.5
    longest_burst_s: float = 20.0
    shortest_rest_s: float = 1.0


def until(
    is_so: Callable[[], bool], what: str, within_s: float = WITHIN_S, but: Callable[[], object] = str
) -> None:
    """Wait for a condition; when it does not come, say what was wanted and what there is instead."""
    deadline_s = time.monotonic() + within_s
    while not is_so():
        if time.monotonic() > deadline_s:
            raise AssertionError(f"not within {within_s} s: {what}; {but()}")
        time.sleep(LOOK_EVERY_S)


class Process(Protocol):
    """As much of `subprocess.Popen` as is used here."""

    pid: int
    stdout: IO[bytes] | None

    def poll(self) -> int | None: ...

    def wait(self, timeout: float | None = None) -> int: ...

    def kill(self) -> None: ...


class Program:
    """A program that was started on a house: its log as it comes, its signals, its end."""

    def __init__(self, process: Process, started_s: float, errors: Path) -> None:
        self.started_s = started_s
        self.pid = process.pid
        self._process = process
        self._death = os.pidfd_open(self.pid)  # readable from then on
        self._errors = errors
        self.log: list[dict[str, Any]] = []  # as the program wrote it, with "seen_s" of our own clock
        self.said: list[str] = []  # lines that are no JSON
        self._reader = threading.Thread(target=self._read, args=(self._process.stdout or (),), daemon=True)
        self._reader.start()

    def _read(self, stdout: Iterable[bytes]) -> None:
        for line in stdout:
            try:
                self.log.append({**json.loads(line), "seen_s": time.monotonic()})
            except ValueError:
                self.said.append(line.decode(errors="replace").rstrip())

    def logged(self, event: str, **figures: Any) -> list[dict[str, Any]]:
        """Every line so far of this event that carries these figures."""
        return [
            line
            for line in list(self.log)
            if line["event"] == event and all(line.get(key) == value for key, value in figures.items())
        ]

    def wait_for(
        self, event: str, times: int = 1, within_s: float = WITHIN_S, **figures: Any
    ) -> dict[str, Any]:
        """Wait for an event in the log; the last of so many."""

        def is_there() -> bool:
            return len(self.logged(event, **figures)) >= times or self._process.poll() is not None

        until(is_there, f"{event!r} {figures} in the log", within_s, self.account)
        found = self.logged(event, **figures)
        assert len(found) >= times, f"it ended without {event!r}; {self.account()}"
        return found[times - 1]

    def account(self) -> str:
        """What there is to say of it when a test fails."""
        lines = "\n".join(str(line) for line in self.log[-30:])
        return f"ended with {self._process.poll()}; log:\n{lines}\n{self.errors()}"

    def errors(self) -> str:
        return self._errors.read_text(errors="replace")

    def send(self, number: signal.Signals) -> float:
        """Signal it; the instant just before."""
        sent_s = time.monotonic()
        os.kill(self.pid, number)
        return sent_s

    def died_s(self) -> float:
        """Wait for its death, which is when the last of it, its sockets too, is gone; the instant."""
        death = select.poll()  # not `select`: a long campaign has more descriptors than that can take
        death.register(self._death, select.POLLIN)
        death.poll(WITHIN_S * 1e3)
        return time.monotonic()

    def ended(self, within_s: float = WITHIN_S) -> int:
        """Wait for its end; the exit code, or minus the signal."""
        code = self._process.wait(within_s)
        self._reader.join(within_s)
        return code

    @property
    def is_over(self) -> bool:
        return self._process.poll() is not None

    def end(self) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._death)
        self._reader.join(WITHIN_S)
        if self._process.stdout:
            self._process.stdout.close()


class House:
    """A house in a directory of its own; on leaving the `with` block nothing of it is left."""

    def __init__(
        self,
        zones: Sequence[Zone],
        *,
        name: str = "kill-house",
        valves_at_once: int = 4,
        pause_s: float = 0.5,
        broker_port: int | None = None,
        state_directory: Path | None = None,
    ) -> None:
        self.name = name
        self.directory = Path(tempfile.mkdtemp(prefix="mk-", dir="/tmp"))
        self.run_directory = self.directory / "run"
        self.state_directory = state_directory or self.directory / "state"
        self.outputs_path = self.directory / "outputs.sim"  # not in the state directory: tests take that away
        self.file = self.directory / "house.toml"
        self.file.write_text(self._toml(zones, valves_at_once, pause_s, broker_port or free_port()))
        load_config(self.file)  # a house that cannot be is told here, not by a daemon that ends at once
        self._mark = new_mark()
        self._view = SimulatedOutputsView(self.outputs_path)
        self._programs: list[Program] = []
        self._started = 0

    def _toml(self, zones: Sequence[Zone], valves_at_once: int, pause_s: float, broker_port: int) -> str:
        return f"""
[house]
name = "{self.name}"
[place]
latitude = 50.4
longitude = {-HOURS_WEST * DEGREES_PER_HOUR}
elevation_m = 40
time_zone = "{LOCAL}"
[line]
valves_at_once = {valves_at_once}
pause_s = {pause_s}
[outputs]
driver = "simulated"
path = "{self.outputs_path}"
[broker]
port = {broker_port}
keepalive_s = 2
[state]
directory = "{self.state_directory}"
run_directory = "{self.run_directory}"
{"".join(_zone_toml(zone) for zone in zones)}"""

    def start(self, *options: str, program: Sequence[str] = RUN, stdout: int | None = None) -> Program:
        """Start a daemon.

        Args:
            options: what comes after the house's file.
            program: what comes before it.
            stdout: where its log goes; None for a pipe that is read as it fills.
        """
        errors, started_s = self._next_errors(), time.monotonic()
        with errors.open("ab") as stderr:
            process = subprocess.Popen(
                [*program, str(self.file), *options],
                stdout=stdout or subprocess.PIPE,
                stderr=stderr,
                env=environment(self._mark),
                cwd=ROOT,
            )
        self._programs.append(Program(process, started_s, errors))
        return self._programs[-1]

    def start_forked(self) -> Program:
        """Start a daemon as `mistd run` does, without the time its imports take."""
        errors, started_s = self._next_errors(), time.monotonic()
        self._programs.append(Program(ForkedDaemon(self.file, self._mark, errors), started_s, errors))
        return self._programs[-1]

    def _next_errors(self) -> Path:
        self._started += 1
        return self.directory / f"errors-{self._started}"

    def run(self, *command: str) -> "subprocess.CompletedProcess[str]":
        """Run a short command of mistd on the house to its end."""
        return subprocess.run(
            [MISTD, *command, str(self.file)],
            env=environment(self._mark),
            capture_output=True,
            text=True,
            timeout=WITHIN_S,
            check=False,
        )

    def forget(self, program: Program) -> None:
        """Let go of a program that has ended, with its descriptors: there may be hundreds."""
        self._programs.remove(program)
        program.end()

    def lines(self) -> Mapping[str, LineView]:
        """Every line as the outputs file has it now; none before there is such a file."""
        try:
            return self._view.lines()
        except LinesError:
            return {}

    def open_lines(self) -> set[str]:
        return {name for name, line in self.lines().items() if line.is_open}

    def openings(self) -> int:
        """How often any line was opened, in all."""
        return sum(line.openings for line in self.lines().values())

    def until_open(self, *names: str) -> None:
        """Wait until these lines are open at one moment."""
        until(lambda: set(names) <= self.open_lines(), f"{names} open", but=self.account)

    def until_all_shut(self, within_s: float = WITHIN_S) -> None:
        until(lambda: not self.open_lines(), "every line shut", within_s, self.account)

    def until_misted_again(self, bursts: int = 2) -> None:
        """Wait until so many bursts have been begun from now on."""
        wanted = self.openings() + bursts
        until(lambda: self.openings() >= wanted, f"{bursts} more bursts", but=self.account)

    def account(self) -> str:
        last = self._programs[-1].account() if self._programs else "nothing was started"
        return f"lines: {dict(self.lines())}; {last}"

    def keeper_pid(self) -> int | None:
        """The keeper that listens on the house's socket, by the kernel's word."""
        return listener_pid(self.run_directory / "keeper.sock")

    def kill_keeper(self, number: signal.Signals = signal.SIGKILL) -> float:
        """Signal the keeper; the instant just before."""
        pid = self.keeper_pid()
        assert pid is not None, "no keeper listens"
        sent_s = time.monotonic()
        os.kill(pid, number)
        if number is signal.SIGKILL:
            until(lambda: is_gone(pid), "the keeper gone")
        return sent_s

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for program in self._programs:
            program.end()
        end_all(self._mark)
        shutil.rmtree(self.directory, ignore_errors=True)


def _zone_toml(zone: Zone) -> str:
    part = f"{{ burst_s = {zone.burst_s}, gap_min = {zone.gap_s / 60.0!r} }}"
    timed = "\n".join(f"timed.{name} = {part}" for name in PARTS)
    return f"""
[[zones]]
name = "{zone.name}"
nozzles = 4
nozzle_flow_l_per_min = 0.6
nozzle_pressure_bar = 3.0
bench_area_m2 = 4.0
longest_burst_s = {zone.longest_burst_s}
shortest_rest_s = {zone.shortest_rest_s}
{timed}
"""
