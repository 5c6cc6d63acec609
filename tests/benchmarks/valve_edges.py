"""How late a valve shuts, beside bare timers on the same machine in the same seconds.

Lateness is the instant of the line's shut edge less the instant at which, by its report, the keeper opened
it plus the length ordered. The keeper is the real process on simulated lines. Conditions:

\b
    direct     no daemon: this benchmark drives the keeper's socket
    idle       through a real daemon, on a broker on which nothing else happens
    flood      the same while 1,000 messages/s arrive at the daemon's sensors and requests
    computing  the daemon hangs in a decide that adds numbers in C with the interpreter lock held
    stopped    the daemon is stopped by SIGSTOP

The goal is held against a bare `select` timer at ordinary priority. Where the keeper is allowed to come
before ordinary processes, the machine's load reaches that timer and not the keeper; so there is also the
ratio to a `select` timer that comes first as well, which tells what the keeper itself adds.

In "computing" and "stopped" only those edges count that fell due during a hang, and only those deadlines of
the bare timers.
"""

import json
import os
import signal
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from mistd.adapters.simulated_outputs import SimulatedOutputsView
from tests.benchmarks import bare_timers, houses, publishing
from tests.benchmarks.figures import Machine, spread, table
from tests.benchmarks.houses import RunningDaemon
from tests.benchmarks.keeper_driver import driven_keeper, lateness
from tests.broker import Mosquitto

CONDITIONS = ("direct", "idle", "flood", "computing", "stopped")
HUNG = {"computing", "stopped"}
GOAL = 1.5
ZONES, SENSORS = 16, 12
FLOOD_A_SECOND = 1000.0
BURST_S = 0.56  # no multiple of the pause: an order just before an edge would find the keeper awake
HANG_BURST_S = 1.0  # all zones have to be open before the first of them shuts
PAUSE_S, HANG_PAUSE_S = 0.1, 0.05
TIMER_EVERY_S, HANG_TIMER_EVERY_S = 0.125, 0.0625  # when it hangs only half of the time counts
STARTS_WITHIN_S, SLOWEST_EDGES_A_SECOND = 30.0, 2.0
LOOK_EVERY_S = 0.02
EARLY_S = -1e-6  # sums of floats

Windows = list[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One condition: how late the valves were and the bare timers, when, and what else is worth a line."""

    valves: list[float]
    timers: bare_timers.Timers
    windows: Windows
    comes_first: bool  # whether the keeper runs before ordinary processes
    remark: str = ""


def direct(edges: int) -> Measured:
    with (
        houses.directory() as place,
        driven_keeper(place) as driver,
        bare_timers.running(TIMER_EVERY_S) as timers,
    ):
        comes_first = _comes_first(driver.pid)
        begun_s = time.monotonic() + 1.0
        lines = SimulatedOutputsView(place / "outputs.sim")
        late = list(lateness(driver, lines, edges, begun_s))
        ended_s = time.monotonic()
    reported = spread(report_s for _, report_s in late)
    return Measured(
        valves=[edge_s for edge_s, _ in late],
        timers=timers,
        windows=[(begun_s, ended_s)],
        comes_first=comes_first,
        remark=f"by the keeper's reports {reported.in_ms()} ms",
    )


def through_daemon(condition: str, edges: int) -> Measured:
    """Let a real daemon mist until there were enough edges."""
    every_s = HANG_TIMER_EVERY_S if condition in HUNG else TIMER_EVERY_S
    with Mosquitto(settings=["log_type none"]) as broker, houses.directory() as place:
        with misting(place, broker.port, condition) as daemon, bare_timers.running(every_s) as timers:
            comes_first = _comes_first(daemon.keeper_pid())
            if condition == "flood":
                with publishing.running("everything", broker.port, FLOOD_A_SECOND, SENSORS) as flood:
                    window = _watched(daemon, edges)
            else:
                flood, window = None, _watched(daemon, edges, is_stopping=condition == "stopped")
        witnessed = json.loads((place / "witnessed.json").read_text())
    windows = [window]
    if condition in HUNG:
        windows = [(begin_s, end_s) for begin_s, end_s in witnessed["hangs"]]
    burst_s = HANG_BURST_S if condition in HUNG else BURST_S
    if witnessed["refused"]:
        raise SystemExit(f"the keeper refused {witnessed['refused']} bursts")
    valves = _late(witnessed["bursts"], burst_s, windows)
    remark = f"{len(windows)} hangs" if condition in HUNG else ""
    if flood:
        remark = (
            f"{flood.a_second:.0f} messages/s, at worst {flood.latest_s:.3f} s behind; {witnessed['lost']}"
        )
    return Measured(valves=valves, timers=timers, windows=windows, comes_first=comes_first, remark=remark)


def _comes_first(pid: int) -> bool:
    return os.sched_getscheduler(pid) in {os.SCHED_RR, os.SCHED_FIFO}


@contextmanager
def misting(place: Path, port: int, condition: str) -> Iterator[RunningDaemon]:
    """A daemon at work on a house of many zones and short bursts."""
    is_hung = condition in HUNG
    tables = houses.house_tables(
        place,
        port,
        zones=ZONES,
        sensors=SENSORS,
        burst_s=HANG_BURST_S if is_hung else BURST_S,
        gap_min=1.0 / 60.0 if is_hung else 1.5 / 60.0,
        shortest_rest_s=1.0,
    )
    hang, pause_s = (condition, HANG_PAUSE_S) if is_hung else ("never", PAUSE_S)
    with houses.bench_daemon(tables, pause_s=pause_s, hang=hang) as daemon:
        daemon.until(daemon.is_connected_and_ready, "connected, with a keeper", STARTS_WITHIN_S)
        daemon.until(lambda: daemon.openings() >= ZONES, "every zone was misted once", STARTS_WITHIN_S)
        yield daemon


def _watched(daemon: RunningDaemon, edges: int, *, is_stopping: bool = False) -> tuple[float, float]:
    """Wait for so many edges; a daemon that stopped itself goes on once its bursts should be over."""
    begun_s, before = time.monotonic(), daemon.openings()
    limit_s = begun_s + STARTS_WITHIN_S + edges / SLOWEST_EDGES_A_SECOND
    while daemon.openings() - before < edges:
        if daemon.process.poll() is not None or time.monotonic() > limit_s:
            raise SystemExit(f"only {daemon.openings() - before} edges\n{daemon.tail()}")
        if is_stopping and _is_stopped(daemon.pid):
            time.sleep(HANG_BURST_S + 2 * PAUSE_S)
            os.kill(daemon.pid, signal.SIGCONT)
        time.sleep(LOOK_EVERY_S if is_stopping else 10 * LOOK_EVERY_S)
    return begun_s, time.monotonic()


def _is_stopped(pid: int) -> bool:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"


def _late(bursts: Sequence[tuple[float, float]], burst_s: float, windows: Windows) -> list[float]:
    """How late every burst ended that was due in one of these spans of time."""
    ends = [(opened_s + burst_s, shut_s) for opened_s, shut_s in bursts]
    return [
        shut_s - due_s
        for due_s, shut_s in ends
        if any(begin_s <= due_s <= end_s for begin_s, end_s in windows)
    ]


def _row(condition: str, measured: Measured) -> list[str]:
    if min(measured.valves) < EARLY_S:
        raise SystemExit(f"{condition}: a valve shut {-min(measured.valves):.6f} s before its time")
    valves = spread(measured.valves)
    timers = {kind: spread(measured.timers.between(kind, measured.windows)) for kind in bare_timers.KINDS}
    ratio, like_for_like = (valves.p99 / timers[kind].p99 for kind in ("select", "select_first"))
    figures = [each.in_ms() for each in (valves, *timers.values())]
    verdict = "holds" if ratio <= GOAL else "MISSED"
    name = condition + (" *" if measured.comes_first else "")
    return [name, str(valves.count), *figures, f"{ratio:.2f}", verdict, f"{like_for_like:.2f}"]


@click.command(help=__doc__)
@click.option("--edges", default=500, show_default=True, help="Edges in each condition.")
@click.option("--only", type=click.Choice(CONDITIONS), multiple=True, help="These conditions and no others.")
def main(edges: int, only: tuple[str, ...]) -> None:
    rows, machine = [], Machine()
    for condition in only or CONDITIONS:
        here = Machine()
        measured = direct(edges) if condition == "direct" else through_daemon(condition, edges)
        rows.append(_row(condition, measured))
        print(f"{condition}: {measured.remark or 'done'}; {here.said()}", flush=True)
    heads = ["condition", "edges", "valve shut", "bare select", "bare call_at", "select, first"]
    print(
        f"\nlateness in ms, p50 / p99 / max; ratios of p99, to bare select (goal at most {GOAL:g}) and to the"
    )
    print("select timer that comes before ordinary processes; * so does the keeper\n")
    print(table([*heads, "ratio", "goal", "to first"], rows))
    print(f"\n{machine.said()}")


if __name__ == "__main__":
    main()
