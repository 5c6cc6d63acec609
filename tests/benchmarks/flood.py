"""A daemon under 1,000 messages a second beside the same daemon left alone, in one run.

A house of 16 zones and 12 sensors is misted eight times a second. Half of the time a client publishes
readings and requests at the daemon (see `publishing`), in turns with quiet times. A control pass is late by
the time from the instant the pass before named to its own beginning; beside it the lateness of a bare
`loop.call_at` timer. Memory is the daemon's PSS; what any queue had to let go is counted.
"""

import json
import time
from contextlib import nullcontext

import click

from tests.benchmarks import bare_timers, houses, publishing
from tests.benchmarks.figures import Machine, spread, table
from tests.benchmarks.houses import RunningDaemon
from tests.benchmarks.processes import cost, pss_mib
from tests.benchmarks.valve_edges import FLOOD_A_SECOND, SENSORS, TIMER_EVERY_S, Windows, misting
from tests.broker import Mosquitto

TURNS = 3  # of quiet and flood
SETTLE_S = 1.0


def _turn(
    daemon: RunningDaemon, port: int, for_s: float, *, is_flood: bool
) -> tuple[tuple[float, float], str]:
    """One quiet time or flood: when it was, and what it cost the daemon."""
    client = publishing.running("everything", port, FLOOD_A_SECOND, SENSORS) if is_flood else nullcontext()
    with client as published:
        time.sleep(SETTLE_S)
        before, begun_s = cost(daemon.pid), time.monotonic()
        time.sleep(for_s)
        spent, ended_s = cost(daemon.pid).since(before), time.monotonic()
    said = f"{published.a_second:.0f} messages/s" if published else "quiet"
    cpu = spent.cpu_s / (ended_s - begun_s)
    return (begun_s, ended_s), f"{said}: CPU {cpu:.1%} of a core, PSS {pss_mib(daemon.pid):.2f} MiB after it"


def turns(daemon: RunningDaemon, port: int, for_s: float) -> dict[str, Windows]:
    """Quiet and flood by turns, `for_s` of each in all."""
    windows: dict[str, Windows] = {"quiet": [], "flood": []}
    for _ in range(TURNS):
        for name, spans in windows.items():
            window, said = _turn(daemon, port, for_s / TURNS, is_flood=name == "flood")
            spans.append(window)
            print(said, flush=True)
    return windows


@click.command(help=__doc__)
@click.option(
    "--for", "for_s", default=60.0, show_default=True, help="Seconds of flood, and as many of quiet."
)
def main(for_s: float) -> None:
    machine = Machine()
    with Mosquitto(settings=["log_type none"]) as broker, houses.directory() as place:
        with misting(place, broker.port, "flood") as daemon, bare_timers.running(TIMER_EVERY_S) as timers:
            windows = turns(daemon, broker.port, for_s)
        witnessed = json.loads((place / "witnessed.json").read_text())
    rows = []
    for name, spans in windows.items():
        late = [
            late_s
            for at_s, late_s in witnessed["passes"]
            if any(begin <= at_s <= end for begin, end in spans)
        ]
        passes, bare = spread(late), spread(timers.between("call_at", spans))
        rows.append([name, str(passes.count), passes.in_ms(), bare.in_ms(), f"{passes.p99 / bare.p99:.2f}"])
    print("\nlateness of control passes whose instant had come, p50 / p99 / max\n")
    print(table(["", "passes", "control pass ms", "bare call_at ms", "p99 ratio"], rows))
    print(
        f"\n{witnessed['passes_in_all']} passes in all, {witnessed['refused']} bursts refused by the keeper"
    )
    print(f"let go: {witnessed['lost']}")
    print(machine.said())


if __name__ == "__main__":
    main()
