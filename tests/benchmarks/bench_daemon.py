"""The real daemon with a witness around its `decide`, which can also make it hang.

    python -m tests.benchmarks.bench_daemon DIRECTORY PAUSE_S never|computing|stopped

Everything but the witness is the program's own: wiring, loop, broker, disk, log and the keeper's process. The
pause between two valves may be shorter than a house's file allows, so that enough edges fit into a minute.
What was witnessed is written to DIRECTORY/witnessed.json at the end, as `Witnessed` has it.

Hanging: each time every zone is open, the pass does not return until the last of their bursts should be over,
either computing in C with the interpreter lock held, or stopped by SIGSTOP (the parent lets it go on).
"""

import asyncio
import json
import os
import signal
import sys
import time
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from math import inf
from pathlib import Path

import structlog

from mistd.adapters.simulated_outputs import SimulatedOutputsView
from mistd.app.config import Config
from mistd.app.log_setup import start_logging
from mistd.app.wiring import machine, wired
from mistd.core.decide import decide
from mistd.core.house import Decision, House
from mistd.core.observations import LineEdge, LineReport, Observations
from mistd.core.zone import Phase

MARGIN_S = 0.1  # a hang goes on for so long after the last burst in it should be over
A_WHILE = 2_000_000  # numbers to add in one call that holds the interpreter lock: some 30 ms


@dataclass(slots=True)
class Witnessed:
    """What the daemon's passes saw, in monotonic seconds, and what was lost on the way."""

    bursts: list[tuple[float, float]] = field(
        default_factory=list
    )  # opened by its report, shut by the line's edge
    refused: int = 0
    passes: list[tuple[float, float]] = field(
        default_factory=list
    )  # at, and how late when its instant had come
    passes_in_all: int = 0
    hangs: list[tuple[float, float]] = field(default_factory=list)
    lost: dict[str, int] = field(default_factory=dict)


class Witness:
    """Decides as the core does, and writes down what it is told and when it is asked."""

    def __init__(self, hang: str, lines: SimulatedOutputsView) -> None:
        self.witnessed = Witnessed()
        self._hang = hang
        self._lines = lines
        self._due_s = inf
        self._last_hung = 0

    def decide(self, house: House, observations: Observations, now_s: float) -> Decision:
        self.witnessed.passes_in_all += 1
        if self._due_s <= now_s:
            self.witnessed.passes.append((now_s, now_s - self._due_s))
        self._look_at_edges([news for news in observations.keeper if isinstance(news, LineReport)])
        decision = decide(house, observations, now_s)
        self._due_s = decision.wake_at_s
        if self._hang != "never":
            self._hang_when_all_are_open(decision.house)
        return decision

    def _look_at_edges(self, reports: list[LineReport]) -> None:
        """The line's own edge is still there: it is not opened again before we have heard that it shut."""
        self.witnessed.refused += sum(report.edge is LineEdge.REFUSED for report in reports)
        shut = [report for report in reports if report.edge is LineEdge.SHUT]
        if shut:
            lines = self._lines.lines()
            for report in shut:
                opened_s = report.at_s - report.open_s
                self.witnessed.bursts.append((opened_s, lines[report.line].last_edge_s))

    def _hang_when_all_are_open(self, house: House) -> None:
        is_new_round = house.line.next_ticket > self._last_hung
        if not is_new_round or any(zone.phase is not Phase.OPEN for zone in house.zones):
            return
        self._last_hung = house.line.next_ticket
        begun_s = time.monotonic()
        if self._hang == "stopped":
            os.kill(os.getpid(), signal.SIGSTOP)
        else:
            compute_until(max(zone.opened_s + zone.ordered_for_s for zone in house.zones) + MARGIN_S)
        self.witnessed.hangs.append((begun_s, time.monotonic()))


def compute_until(end_s: float) -> None:
    """Hold the processor and the interpreter lock."""
    while time.monotonic() < end_s:
        sum(range(A_WHILE))


async def control(config: Config, witness: Witness) -> None:
    stop: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    asyncio.get_running_loop().add_signal_handler(
        signal.SIGTERM, partial(stop.set_result, "the benchmark is over")
    )
    daemon = await wired(config, replace(machine(), decide=witness.decide), structlog.get_logger())
    await daemon.run(stop)
    witness.witnessed.lost = {
        "outbox: let go": getattr(daemon.bus, "dropped", 0),
        "inbox: pushed out by newer": daemon.bus.unread.overrun,  # type: ignore[attr-defined]
        "inbox: not answered, only counted": daemon.inbox.unanswered,
    }


def main() -> None:
    directory, pause_s, hang = Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3]
    config = Config.model_validate_json((directory / "house.json").read_text())
    config = config.model_copy(update={"line": config.line.model_copy(update={"pause_s": pause_s})})
    witness, around = Witness(hang, SimulatedOutputsView(directory / config.outputs.path)), machine()
    logs = start_logging(sys.stdout, utc=around.clock.utc, is_terminal=False, level="info")
    asyncio.run(control(config, witness))
    logs.close(timeout_s=1.0)
    witness.witnessed.lost["log: lines dropped"] = logs.dropped
    (directory / "witnessed.json").write_text(json.dumps(asdict(witness.witnessed)))


if __name__ == "__main__":
    main()
