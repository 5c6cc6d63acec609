"""Houses for the benchmarks, as the tables of their files, and the daemons that run them.

Answers for: a house with as many zones and sensors as wanted, misted as often as wanted, on simulated lines;
the real `mistd run` on one, and a bench daemon that can be made to hang (see `bench_daemon`); ending both
with their keeper. Rule: only processes started here are signalled.
"""

import json
import os
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from subprocess import Popen
from typing import Any

from mistd.adapters.simulated_outputs import SimulatedOutputsView
from mistd.ports.errors import LinesError
from tests.app.house_files import COMMAND, toml_of
from tests.keeper.processes import is_gone, listener_pid

HOUSE = "bench"
SENSOR_KINDS = {"air_temperature": 21.5, "relative_humidity": 84.0, "light": 310.0, "supply_pressure": 3.1}
ENDS_WITHIN_S = 15.0
LOOK_EVERY_S = 0.005

Tables = dict[str, Any]


def house_tables(
    directory: Path, port: int, *, zones: int, sensors: int, burst_s: float, gap_min: float, **more: float
) -> Tables:
    """A house of equal zones, `more` in each of them, that keeps its state in `directory`."""
    part = {"burst_s": burst_s, "gap_min": gap_min}
    return {
        "house": {"name": HOUSE},
        "place": {"latitude": 50.35, "longitude": 3.52, "elevation_m": 40.0, "time_zone": "Europe/Brussels"},
        "line": {"valves_at_once": min(zones, 16), "pause_s": 0.5},
        "outputs": {"driver": "simulated", "path": str(run_directory_of(directory) / "outputs.sim")},
        "broker": {"host": "127.0.0.1", "port": port},
        "state": {"directory": str(directory), "run_directory": str(run_directory_of(directory))},
        "zones": [_zone(f"z{number}", part, more) for number in range(zones)],
        "sensors": [_sensor(number) for number in range(sensors)],
    }


def _zone(name: str, part: Tables, more: dict[str, float]) -> Tables:
    return {
        "name": name,
        "nozzles": 12,
        "nozzle_flow_l_per_min": 0.6,
        "nozzle_pressure_bar": 3.0,
        "bench_area_m2": 14.0,
        "timed": dict.fromkeys(("night", "dawn", "day", "dusk"), part),
        **more,
    }


def _sensor(number: int) -> Tables:
    kind = list(SENSOR_KINDS)[number % len(SENSOR_KINDS)]
    return {"name": f"s{number}", "kind": kind, "topic": sensor_topic(number), "field": "value"}


def sensor_topic(number: int) -> str:
    return f"{HOUSE}/sensor/{number}"


@contextmanager
def directory() -> Iterator[Path]:
    """A short path on a real disk: a socket's is limited, and writes are counted."""
    with tempfile.TemporaryDirectory(prefix="mb-", dir="/tmp") as place:
        try:
            yield Path(place)
        finally:
            shutil.rmtree(run_directory_of(Path(place)), ignore_errors=True)


def run_directory_of(directory: Path) -> Path:
    """Its run directory, for the log and the simulated valves too: in memory, as it is where services run."""
    return Path("/dev/shm") / directory.name


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningDaemon:
    """A daemon in a process of its own, the log it writes, and its house's lines."""

    process: "Popen[bytes]"
    directory: Path
    started_s: float

    @property
    def pid(self) -> int:
        return self.process.pid

    @property
    def lines(self) -> SimulatedOutputsView:
        return SimulatedOutputsView(run_directory_of(self.directory) / "outputs.sim")

    def keeper_pid(self) -> int:
        pid = listener_pid(run_directory_of(self.directory) / "keeper.sock")
        assert pid is not None, "no keeper is there"
        return pid

    def log(self) -> list[dict[str, Any]]:
        """Every line it has logged so far."""
        text = (run_directory_of(self.directory) / "log").read_text()
        return [json.loads(line) for line in text.splitlines(keepends=True) if line.endswith("\n")]

    def openings(self) -> int:
        """How often any line was opened so far."""
        try:
            return sum(line.openings for line in self.lines.lines().values())
        except LinesError:
            return 0

    def until(self, is_so: Callable[[], bool], what: str, within_s: float) -> None:
        """Wait for a condition; a daemon that ends meanwhile is the end of the benchmark."""
        deadline_s = time.monotonic() + within_s
        while not is_so():
            if self.process.poll() is not None or time.monotonic() > deadline_s:
                raise SystemExit(f"not within {within_s:g} s: {what}\n{self.tail()}")
            time.sleep(LOOK_EVERY_S)

    def tail(self) -> str:
        """The end of what it said, for whoever has to find out."""
        texts = [
            path.read_text() for path in (run_directory_of(self.directory) / "log", self.directory / "errors")
        ]
        return "\n".join(text[-1500:] for text in texts)

    def has_logged(self, event: str) -> bool:
        return any(line["event"] == event for line in self.log())

    def is_connected_and_ready(self) -> bool:
        return self.has_logged("keeper ready") and self.has_logged("broker connected")

    def stop(self) -> None:
        """End it as the service would, and see that its keeper has gone."""
        keeper = listener_pid(run_directory_of(self.directory) / "keeper.sock")
        self.process.send_signal(signal.SIGCONT)
        self.process.terminate()
        try:
            self.process.wait(ENDS_WITHIN_S)
        finally:
            if self.process.poll() is None:
                self.process.kill()
                self.process.wait()
            if keeper and not is_gone(keeper):
                with suppress(ProcessLookupError):
                    os.kill(keeper, signal.SIGTERM)


@contextmanager
def started(
    command: list[str], directory: Path, environment: dict[str, str] | None = None
) -> Iterator[RunningDaemon]:
    """A daemon that logs into `directory`, ended at the end."""
    run_directory_of(directory).mkdir(mode=0o700, exist_ok=True)
    log_file = run_directory_of(directory) / "log"  # not on the disk whose writes are counted
    with log_file.open("wb") as log, (directory / "errors").open("wb") as errors:
        started_s = time.monotonic()
        process = Popen(command, stdout=log, stderr=errors, env=environment)
    daemon = RunningDaemon(process=process, directory=directory, started_s=started_s)
    try:
        yield daemon
    finally:
        daemon.stop()


@contextmanager
def mistd_run(tables: Tables, environment: dict[str, str] | None = None) -> Iterator[RunningDaemon]:
    """`mistd run` on a house, as a grower would start it."""
    place = Path(tables["state"]["directory"])
    (place / "house.toml").write_text(toml_of(tables))
    with started([*COMMAND, "run", str(place / "house.toml")], place, environment) as daemon:
        yield daemon


@contextmanager
def bench_daemon(tables: Tables, *, pause_s: float, hang: str = "never") -> Iterator[RunningDaemon]:
    """The daemon of `bench_daemon`; what it witnessed is in `witnessed.json` once it has ended."""
    place = Path(tables["state"]["directory"])
    (place / "house.json").write_text(json.dumps(tables))
    command = [sys.executable, "-m", "tests.benchmarks.bench_daemon", str(place), str(pause_s), hang]
    with started(command, place) as daemon:
        yield daemon
