"""The keeper's real process, driven over its socket by a benchmark instead of a daemon.

Answers for: bursts ordered on a steady grid, and how late each was shut by the line's own edge and by the
keeper's report. Does not know: daemons, brokers. Rule: what the keeper says is read as it comes, or it lets
us go; a refusal ends the benchmark.
"""

import json
import select
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from math import ceil
from pathlib import Path
from subprocess import PIPE, Popen
from typing import Any

from mistd.adapters.simulated_outputs import SimulatedOutputsView
from mistd.keeper.wire import KeeperSpec, LineBuffer, decoded, encoded
from tests.keeper.bench import FINGERPRINT, spec_in

KEEPER = (sys.executable, "-m", "mistd.keeper.process")
LINES = 16
EVERY_S, FOR_S = 0.125, 0.56  # no multiple: an order just before an edge would find the keeper awake
RENEW_EVERY = 8  # edges: once a second


class Driver:
    """In charge of a keeper: orders out, reports in, never in step."""

    def __init__(self, spec: KeeperSpec, pid: int) -> None:
        self.pid = pid  # the keeper's
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.connect(spec.socket_path)
        self._buffer = LineBuffer()
        self.ask(ask="take", fingerprint=FINGERPRINT)

    def ask(self, **message: Any) -> None:
        self._socket.sendall(encoded(message))

    def heard_until(self, end_s: float) -> Iterator[dict[str, Any]]:
        """Everything that is said up to an instant."""
        while (wait_s := end_s - time.monotonic()) > 0.0:
            if select.select([self._socket], [], [], wait_s)[0]:
                for line in self._buffer.lines(self._socket.recv(65_536)):
                    yield decoded(line)

    def close(self) -> None:
        self._socket.close()


@contextmanager
def driven_keeper(directory: Path) -> Iterator[Driver]:
    """A keeper of `LINES` simulated lines, and its driver."""
    spec = spec_in(directory, lines=tuple(f"z{number}" for number in range(LINES)), open_at_once=LINES)
    child = Popen(KEEPER, stdin=PIPE, stdout=PIPE, start_new_session=True)
    assert child.stdin is not None
    assert child.stdout is not None
    with child.stdin:
        child.stdin.write(spec.to_json().encode())
    with child.stdout:
        assert json.loads(child.stdout.readline())["told"] == "started"
    driver = Driver(spec, child.pid)
    try:
        yield driver
    finally:
        driver.close()
        child.terminate()
        child.wait()


def lateness(
    driver: Driver, lines: SimulatedOutputsView, edges: int, begun_s: float
) -> Iterator[tuple[float, float]]:
    """For each burst: how late its edge was, and how late the keeper's report says it was."""
    due_s: dict[int, float] = {}
    for number in range(edges + ceil(2.0 * FOR_S / EVERY_S)):
        for message in driver.heard_until(begun_s + number * EVERY_S):
            if message["told"] == "opened":
                due_s[message["ticket"]] = message["at_s"] + FOR_S
            elif message["told"] == "shut":
                end_s = due_s.pop(message["ticket"])
                yield lines.lines()[message["line"]].last_edge_s - end_s, message["at_s"] - end_s
            elif message["told"] not in {"taken", "alive"}:
                raise SystemExit(f"the keeper says {message}")
        if number < edges:
            driver.ask(ask="open", line=f"z{number % LINES}", ticket=number, for_s=FOR_S)
        if number % RENEW_EVERY == 0:
            driver.ask(ask="renew")
