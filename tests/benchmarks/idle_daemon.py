"""What an idle daemon and its keeper cost: start, memory, processor, disk.

`mistd run` on a simulated house of 8 zones, each misted for 5 s every 10 min, with 12 sensors that each send
once a second over a real mosquitto. "Start" is from the start of the process to the log line of the control
pass in which a keeper was ready. It is taken several times: the first without bytecode of anything (as after
an installation that compiled none), then with it. Writes are the kernel's count for the disk that holds the
state; the log and the simulated valves are in memory, for in a service they are not on it. They come every
quarter of an hour, so they are told when `--for` is long enough for two of those: 1810 or more.
"""

import os
import time
from dataclasses import dataclass
from pathlib import Path

import click

from mistd.app.saving import NOTE_EVERY_S, SAVE_EVERY_S
from mistd.core.units import S_PER_DAY, S_PER_MIN
from tests.benchmarks import houses, publishing
from tests.benchmarks.figures import Machine, table
from tests.benchmarks.houses import RunningDaemon, Tables
from tests.benchmarks.processes import KIB, cost, pss_mib
from tests.broker import Mosquitto

ZONES, SENSORS, SENSORS_A_SECOND = 8, 12, 12.0
BURST_S, GAP_MIN = 5.0, 10.0
START_GOAL_S, CPU_GOAL, PSS_GOAL_MIB, WRITTEN_GOAL_MB = 2.0, 0.01, 60.0, 5.0
STARTS, STARTS_WITHIN_S = 5, 30.0
LOOK_EVERY_S = 1.0
BYTES_PER_MB = 1e6
BURSTS_A_DAY = ZONES * S_PER_DAY / (BURST_S + GAP_MIN * S_PER_MIN)
ROUND_WITHIN_S = STARTS_WITHIN_S + ZONES * (BURST_S + 2.0) + 60.0  # a zone rests for a minute first

Row = list[str]


def environment(bytecode: Path) -> dict[str, str]:
    """Bytecode is kept, and in a place that is empty at first."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPYCACHEPREFIX": str(bytecode)}


def start_s(tables: Tables, bytecode: Path) -> float:
    """From the start of the process to control."""
    with houses.mistd_run(tables, environment(bytecode)) as daemon:
        daemon.until(lambda: daemon.has_logged("keeper ready"), "a keeper is ready", STARTS_WITHIN_S)
        return time.monotonic() - daemon.started_s


def starts(port: int) -> tuple[float, list[float]]:
    """The first start and some more, each of a house without a past."""
    with houses.directory() as bytecode:
        taken_s = []
        for _ in range(STARTS + 1):
            with houses.directory() as place:
                taken_s.append(start_s(tables(place, port), bytecode))
    return taken_s[0], sorted(taken_s[1:])


def tables(place: Path, port: int) -> Tables:
    return houses.house_tables(
        place, port, zones=ZONES, sensors=SENSORS, burst_s=BURST_S, gap_min=GAP_MIN
    ) | {"line": {"valves_at_once": 1, "pause_s": 2.0}}


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What daemon and keeper together cost over some seconds."""

    seconds: float
    bursts: int
    cpu_s: float
    written_bytes: int


class Meter:
    """Daemon, keeper, and what they have cost since this was made or last read."""

    def __init__(self, daemon: RunningDaemon) -> None:
        self._daemon = daemon
        self.pids = {"daemon": daemon.pid, "keeper": daemon.keeper_pid()}
        self._before = self._now()

    def _now(self) -> Spent:
        costs = [cost(pid) for pid in self.pids.values()]
        written_bytes = sum(each.written_bytes for each in costs)
        return Spent(
            seconds=time.monotonic(),
            bursts=self._daemon.openings(),
            cpu_s=sum(each.cpu_s for each in costs),
            written_bytes=written_bytes,
        )

    def spent(self) -> Spent:
        before, self._before = self._before, self._now()
        return Spent(
            seconds=self._before.seconds - before.seconds,
            bursts=self._before.bursts - before.bursts,
            cpu_s=self._before.cpu_s - before.cpu_s,
            written_bytes=self._before.written_bytes - before.written_bytes,
        )


def lived(daemon: RunningDaemon, for_s: float) -> list[Row]:
    """One round of bursts through all zones, then a time with as many bursts as it happens to have."""
    daemon.until(daemon.is_connected_and_ready, "connected, with a keeper", STARTS_WITHIN_S)
    meter = Meter(daemon)
    daemon.until(lambda: daemon.openings() >= ZONES, "every zone misted once", ROUND_WITHIN_S)
    time.sleep(BURST_S + NOTE_EVERY_S + 1.0)
    a_round = meter.spent()
    memory_mib = _memory_mib(meter.pids, for_s)
    idle = meter.spent()
    for name, spent in (("a round of bursts", a_round), ("idle", idle)):
        print(
            f"{name}: {spent.seconds:.0f} s, {spent.bursts} bursts, CPU {spent.cpu_s:.2f} s, "
            f"written {spent.written_bytes / KIB:.0f} KiB"
        )
    for name, each_mib in memory_mib.items():
        print(f"{name}: PSS {min(each_mib):.1f} to {max(each_mib):.1f} MiB")
    rows = [
        _row("summed PSS at most, MiB", max(map(sum, zip(*memory_mib.values(), strict=True))), PSS_GOAL_MIB),
        _row("CPU while idle, % of one core", 100.0 * idle.cpu_s / idle.seconds, 100.0 * CPU_GOAL),
    ]
    if idle.seconds >= 2.0 * SAVE_EVERY_S:
        a_day_mb = idle.written_bytes / BYTES_PER_MB * S_PER_DAY / idle.seconds
        rows.append(_row(f"written, MB a day of {BURSTS_A_DAY:.0f} bursts", a_day_mb, WRITTEN_GOAL_MB))
    return rows


def _memory_mib(pids: dict[str, int], for_s: float) -> dict[str, list[float]]:
    """The PSS of each process, once a second."""
    found: dict[str, list[float]] = {name: [] for name in pids}
    end_s = time.monotonic() + for_s
    while time.monotonic() < end_s:
        for name, pid in pids.items():
            found[name].append(pss_mib(pid))
        time.sleep(LOOK_EVERY_S)
    return found


def _row(what: str, value: float, goal: float) -> Row:
    return [what, f"{value:.2f}", f"{goal:g}", "holds" if value < goal else "MISSED"]


@click.command(help=__doc__)
@click.option("--for", "for_s", default=60.0, show_default=True, help="Seconds of idling.")
def main(for_s: float) -> None:
    machine = Machine()
    with Mosquitto(settings=["log_type none"]) as broker:
        first_s, later_s = starts(broker.port)
        print(
            f"start: without bytecode {first_s:.2f} s; then {', '.join(f'{each:.2f}' for each in later_s)} s"
        )
        rows = [_row("start to control, slowest, s", later_s[-1], START_GOAL_S)]
        here = Machine()
        with (
            houses.directory() as place,
            publishing.running("readings", broker.port, SENSORS_A_SECOND, SENSORS),
            houses.mistd_run(tables(place, broker.port)) as daemon,
        ):
            rows += lived(daemon, for_s)
        print(f"while idle: {here.said()}")
    print("\n" + table(["what", "measured", "goal below", ""], rows))
    print(f"\n{machine.said()}")


if __name__ == "__main__":
    main()
