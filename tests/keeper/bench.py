"""A keeper on the bench: its real loop in a thread, lines that can be made to fail, a caller who speaks raw.

Answers for: a keeper whose lines are in this process, so that a test can inject faults; every wait bounded.
Does not know: the daemon's own client. Rule: what the keeper hears and says goes through a real socket.
"""

import json
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from mistd.core.leases import KeeperRules, LineRule
from mistd.keeper.process import Keeper, KeeperClock
from mistd.keeper.signals import SignalLines
from mistd.keeper.wire import KeeperSpec
from mistd.ports.errors import LinesError

WITHIN_S = 10.0
LOOK_EVERY_S = 0.002
FINGERPRINT = "bench"
LATE_S = 0.1  # promise 1: no line stays on past its length plus this


def until(is_so: Callable[[], bool], what: str, within_s: float = WITHIN_S) -> None:
    """Wait for a condition."""
    deadline_s = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < deadline_s, f"not within {within_s} s: {what}"
        time.sleep(LOOK_EVERY_S)


@contextmanager
def run_directory() -> Iterator[Path]:
    """A short path: a socket's is limited."""
    with tempfile.TemporaryDirectory(prefix="mk-", dir="/tmp") as place:
        yield Path(place)


def spec_in(
    directory: Path,
    *,
    lines: tuple[str, ...] = ("left", "right", "back"),
    signals: tuple[str, ...] = (),
    longest_open_s: float = 30.0,
    shortest_rest_s: float = 0.0,
    open_at_once: int = 2,
    heartbeat_s: float = 30.0,
    fingerprint: str = FINGERPRINT,
    outputs: Mapping[str, Any] | None = None,
) -> KeeperSpec:
    """What a keeper of three valves is told."""
    rule = LineRule(longest_open_s=longest_open_s, shortest_rest_s=shortest_rest_s)
    return KeeperSpec(
        house="bench",
        socket_path=str(directory / "keeper.sock"),
        lock_path=str(directory / "keeper.lock"),
        rules=KeeperRules(
            lines=dict.fromkeys(lines, rule),
            open_at_once=open_at_once,
            heartbeat_s=heartbeat_s,
            signals=signals,
        ),
        outputs=outputs or {"driver": "simulated", "path": str(directory / "outputs.sim")},
        fingerprint=fingerprint,
    )


@dataclass(slots=True)
class FaultyLines:
    """Lines in memory that record their edges; by name, one can be made not to drive or to read wrong."""

    states: dict[str, bool]
    edges: list[tuple[float, str, bool]] = field(default_factory=list)
    driven: list[tuple[float, str, bool]] = field(default_factory=list)  # every try, also of one that failed
    will_not_open: set[str] = field(default_factory=set)
    will_not_shut: set[str] = field(default_factory=set)
    reads_wrong: set[str] = field(default_factory=set)  # driven as told, read as the opposite
    busy: threading.Lock = field(default_factory=threading.Lock)  # whoever holds it holds up the next drive
    is_held_elsewhere: bool = False
    claims: int = 0

    def claim(self) -> None:
        if self.is_held_elsewhere:
            raise LinesError("held by another program")
        self.claims += 1
        self.states = dict.fromkeys(self.states, False)

    def drive(self, line: str, *, is_open: bool) -> None:
        with self.busy:
            now_s = time.monotonic()
        self.driven.append((now_s, line, is_open))
        if line in (self.will_not_open if is_open else self.will_not_shut):
            raise LinesError(f"{line} does not answer")
        if self.states[line] is not is_open:
            self.states[line] = is_open
            self.edges.append((now_s, line, is_open))

    def read_back(self) -> Mapping[str, bool]:
        return {line: state is not (line in self.reads_wrong) for line, state in self.states.items()}

    def release(self) -> None:
        self.states = dict.fromkeys(self.states, False)

    def open_lines(self) -> set[str]:
        return {line for line, is_open in self.states.items() if is_open}

    def edge_s(self, line: str, *, is_open: bool) -> float:
        """When the line last had this edge."""
        return max(at_s for at_s, other, state in self.edges if (other, state) == (line, is_open))


class BenchKeeper:
    """`Keeper.keep` in a thread; inside the `with` block it listens."""

    def __init__(self, spec: KeeperSpec) -> None:
        self.spec = spec
        self.lines = FaultyLines(dict.fromkeys(spec.rules.lines, False))
        self.signals = FaultyLines(dict.fromkeys(spec.rules.signals, False))
        self.failure: BaseException | None = None
        self._stop, self._stopped = socket.socketpair()

    def __enter__(self) -> Self:
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listener.bind(self.spec.socket_path)
        listener.listen()
        listener.setblocking(False)
        self._listener = listener
        signals = SignalLines(self.spec.rules.signals, self.signals)
        self.keeper = Keeper(self.spec, self.lines, signals, listener, KeeperClock())
        self._thread = threading.Thread(target=self._keep)
        self._thread.start()
        return self

    def _keep(self) -> None:
        try:
            self.keeper.keep(self._stopped)
        except BaseException as failure:
            self.failure = failure

    @property
    def is_keeping(self) -> bool:
        return self._thread.is_alive()

    def stop(self) -> None:
        """Ask it to end, as a signal does, and wait until it has."""
        self._stop.send(b"\0")
        self._thread.join(WITHIN_S)
        assert not self.is_keeping

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        left = [caller.connection for caller in self.keeper._callers]  # the end of its process closes these
        for each in (self._listener, self._stop, self._stopped, *left):
            each.close()
        if self.failure is not None and error is None:
            raise self.failure


class RawCaller:
    """Someone at the keeper's socket who writes what a test wants, and reads objects line by line."""

    def __init__(self, socket_path: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.socket.settimeout(WITHIN_S)
        self.socket.connect(socket_path)
        self._reader = self.socket.makefile("rb")

    def write(self, data: bytes) -> None:
        self.socket.sendall(data)

    def ask(self, ask: Any, **more: Any) -> None:
        self.write(json.dumps({"ask": ask, **more}).encode() + b"\n")

    def hear(self) -> dict[str, Any] | None:
        """The next thing the keeper says; None when it has hung up."""
        try:
            line = self._reader.readline()
        except ConnectionResetError:
            return None
        return json.loads(line) if line else None

    def hear_told(self, told: str) -> dict[str, Any]:
        """The next thing of this kind, passing over others."""
        while (said := self.hear()) is not None:
            if said["told"] == told:
                return said
        raise AssertionError(f"hung up without having told {told!r}")

    def take(self, fingerprint: str = FINGERPRINT) -> dict[str, Any]:
        self.ask("take", fingerprint=fingerprint)
        said = self.hear()
        assert said is not None
        return said

    def open(self, line: Any, for_s: Any, ticket: Any = 1) -> None:
        self.ask("open", line=line, ticket=ticket, for_s=for_s)

    def signal(self, line: Any, is_on: Any) -> None:
        self.ask("signal", line=line, is_on=is_on)

    def has_been_heard(self) -> list[dict[str, Any]]:
        """What the keeper has said to all that was asked of it before; only for whoever is in charge."""
        self.ask("renew")
        said = []
        while (each := self.hear()) != {"told": "alive"}:
            assert each is not None, "it hung up"
            said.append(each)
        return said

    def ask_until_let_go(self) -> None:
        """Go on asking, without ever reading an answer."""
        while True:
            self.ask("renew")

    def close(self) -> None:
        self._reader.close()
        self.socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


@contextmanager
def kept(**settings: Any) -> Iterator[BenchKeeper]:
    """A keeper at work on faulty lines."""
    with run_directory() as directory, BenchKeeper(spec_in(directory, **settings)) as bench:
        yield bench


@contextmanager
def owned(**settings: Any) -> Iterator[tuple[BenchKeeper, RawCaller]]:
    """The same, with a caller in charge of it."""
    with kept(**settings) as bench, RawCaller(bench.spec.socket_path) as daemon:
        assert daemon.take()["told"] == "taken"
        yield bench, daemon


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))
