"""The keeper's process: holds the output lines, ends every burst by its own clock, shuts all when left alone.

One thread, one `select`, the standard library and one output adapter: nothing in here waits for the daemon,
the disk or the network. It knows lines and lengths, not zones, cycles or people.

Rule 1: on every turn, what is over is shut before anything is read.
Rule 2: no way out of this process leaves a line open.
Rule 3: whoever is not the daemon in charge may only shut.
Rule 4: a siren is no valve: whether it sounds, and what fails in it, changes nothing that a valve does.
Rule 5: whoever cannot be met makes room: with no daemon and its socket's path cleared away, it ends.
"""

import json
import os
import select
import signal
import socket
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any

from mistd.core.leases import Ledger
from mistd.keeper.meeting import Door, listener, locked
from mistd.keeper.signals import SignalLines
from mistd.keeper.wire import KeeperSpec, LineBuffer, WireError, decoded, encoded
from mistd.ports.errors import LinesError
from mistd.ports.lines import Lines

RETRY_SHUT_S = 0.25  # a line that would not shut is tried again this often
MOST_CALLERS = 8
LONGEST_WAIT_S = 60.0
LOOK_FOR_DOOR_S = 1.0  # with no daemon connected


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperClock:
    """The keeper's own clock; a bench may run it faster than life."""

    now_s: Callable[[], float] = time.monotonic
    speed: float = 1.0


@dataclass(slots=True, eq=False)
class Caller:
    """Someone connected to the keeper's socket."""

    connection: socket.socket
    buffer: LineBuffer = field(default_factory=LineBuffer)

    def fileno(self) -> int:
        return self.connection.fileno()


class Keeper:
    """The lines, their ledger and whoever is connected."""

    def __init__(
        self,
        spec: KeeperSpec,
        lines: Lines,
        signals: SignalLines,
        listening: socket.socket,
        clock: KeeperClock,
    ) -> None:
        self._spec = spec
        self._lines = lines
        self._signals = signals
        self._listener = listening
        self._door = Door(listening)
        self._clock = clock
        self._ledger = Ledger(spec.rules, clock.now_s())
        self._callers: list[Caller] = []
        self._owner: Caller | None = None
        self._retry_s: dict[str, float] = {}
        self._is_retiring = False

    def keep(self, stop: socket.socket) -> None:
        """Keep the lines until told to retire, or until something arrives on `stop`."""
        while not self._is_retiring:
            self._shut_what_is_over()
            readers: list[socket.socket | Caller] = [stop, self._listener, *self._callers]
            ready, _, _ = select.select(readers, [], [], self._wait_s())
            self._shut_what_is_over()
            for reader in ready:
                self._attend(reader, stop)
            if self._owner is None and not self._ledger.open_lines() and not self._door.is_there():
                self._is_retiring = True  # no daemon can come: it would only keep the next keeper off
        self.shut_all("the keeper is ending")
        for line, problem in self._signals.switch_all_off():
            self._tell_trouble(line, problem)

    def shut_all(self, reason: str) -> None:
        """Shut every line that is open."""
        for line in self._ledger.open_lines():
            self._shut(line, reason)

    def _attend(self, reader: socket.socket | Caller, stop: socket.socket) -> None:
        if reader is stop:
            self._is_retiring = True
        elif isinstance(reader, Caller):
            self._hear(reader)
        else:
            self._welcome()

    def _wait_s(self) -> float:
        """Real seconds until something has to happen; the fine resolution of `select` is why it is used."""
        next_s = min(self._due_s().values(), default=inf)
        if self._owner:
            next_s = min(next_s, self._ledger.heard_s + self._spec.rules.heartbeat_s)
        wait_s = (next_s - self._clock.now_s()) / self._clock.speed
        return min(max(wait_s, 0.0), LONGEST_WAIT_S if self._owner else LOOK_FOR_DOOR_S)

    def _shut_what_is_over(self) -> None:
        now_s = self._clock.now_s()
        for line, due_s in self._due_s().items():
            if due_s <= now_s:
                is_late = line in self._retry_s
                self._shut(line, "it shut when it was tried again" if is_late else "its time was over")
        if self._owner and self._ledger.is_deaf(now_s):
            silent_s = now_s - self._ledger.heard_s
            self.shut_all(f"the daemon was not heard for {silent_s:.1f} s")
            self._dismiss(self._owner, "not heard for too long")

    def _due_s(self) -> dict[str, float]:
        """For every open line, when it has to be shut: at its end, or at the next try of one that failed."""
        return {line: self._retry_s.get(line, end_s) for line, end_s in self._ledger.ends_s().items()}

    def _shut(self, line: str, reason: str) -> None:
        try:
            self._drive(line, is_open=False)
        except LinesError as problem:
            self._try_again(line, problem)
            return
        self._retry_s.pop(line, None)
        now_s = self._clock.now_s()
        shutting = self._ledger.shut(line, reason, now_s)
        if shutting:
            self._tell(
                {
                    "told": "shut",
                    "line": line,
                    "ticket": shutting.ticket,
                    "at_s": now_s,
                    "open_s": shutting.open_s,
                    "reason": reason,
                }
            )

    def _try_again(self, line: str, problem: LinesError) -> None:
        """A line that does not shut is told once, and tried again and again."""
        if line not in self._retry_s:
            self._tell_trouble(line, f"it does not shut: {problem}")
        self._retry_s[line] = self._clock.now_s() + RETRY_SHUT_S

    def _drive(self, line: str, *, is_open: bool) -> None:
        """Drive a line and read it back.

        Raises:
            LinesError: it could not be driven, or does not read as it was driven.
        """
        self._lines.drive(line, is_open=is_open)
        if self._lines.read_back()[line] is not is_open:
            raise LinesError(f"line {line} was driven {'open' if is_open else 'shut'} and reads otherwise")

    def _welcome(self) -> None:
        with suppress(OSError):
            connection, _ = self._listener.accept()
            connection.setblocking(False)
            caller = Caller(connection)
            self._callers.append(caller)
            if len(self._callers) > MOST_CALLERS:
                self._dismiss(caller, f"{MOST_CALLERS} are connected already")

    def _hear(self, caller: Caller) -> None:
        try:
            received = caller.connection.recv(65_536)
            if not received:
                self._part_with(caller)
                return
            for line in caller.buffer.lines(received):
                self._shut_what_is_over()
                if self._is_retiring or caller not in self._callers:
                    return  # let go while its lines were read: what else it wrote no longer counts
                self._obey(caller, decoded(line))
        except BlockingIOError:
            return
        except OSError:
            self._part_with(caller)
        except (ValueError, KeyError, TypeError, OverflowError) as problem:
            self._dismiss(caller, f"not understood: {problem!r}")

    def _obey(self, caller: Caller, message: dict[str, Any]) -> None:
        ask = message["ask"]
        if ask == "take":
            self._take(caller, message["fingerprint"])
        elif ask == "shut_all":
            self.shut_all(str(message["reason"]))
            self._say(caller, {"told": "all_shut", "open": list(self._ledger.open_lines())})
        elif ask == "retire" and self._owner in {None, caller}:
            self.shut_all(str(message["reason"]))
            self._is_retiring = True
            self._say(caller, {"told": "all_shut", "open": list(self._ledger.open_lines())})
        elif caller is not self._owner:
            self._say(caller, {"told": "no", "why": "not_in_charge", "reason": "only the daemon may do this"})
        else:
            self._obey_owner(ask, message)

    def _obey_owner(self, ask: str, message: dict[str, Any]) -> None:
        if ask == "open":
            self._open(message["line"], int(message["ticket"]), float(message["for_s"]))
        elif ask == "shut":
            if message["line"] in self._ledger.open_lines():
                self._shut(message["line"], str(message["reason"]))
        elif ask == "signal":
            self._signal(message["line"], is_on=message["is_on"])
        elif ask == "renew":
            self._ledger.hear(self._clock.now_s())
            self._tell({"told": "alive"})
        else:
            raise WireError(f"nobody asks {ask!r}")

    def _take(self, caller: Caller, fingerprint: str) -> None:
        if self._owner:
            reason = "another daemon controls this house: stop it first"
            self._say(caller, {"told": "no", "why": "taken", "reason": reason})
            return
        if fingerprint != self._spec.fingerprint:
            reason = "this keeper was started for another configuration"
            self._say(caller, {"told": "no", "why": "configuration", "reason": reason})
            return
        self._owner = caller
        self._ledger.hear(self._clock.now_s())
        accounts = [[each.line, each.opened_s, each.shut_s] for each in self._ledger.accounts()]
        told = {
            "told": "taken",
            "since_s": self._ledger.since_s,
            "accounts": accounts,
            "unproved": list(self._retry_s),
            "pid": os.getpid(),
        }
        self._say(caller, told)
        for line, reason in self._signals.troubles:
            self._tell_trouble(line, reason)

    def _signal(self, line: str, *, is_on: bool) -> None:
        """Switch a siren or beacon; when the daemon is lost it stays as it was, for the next to say."""
        if not isinstance(line, str) or not isinstance(is_on, bool):
            raise WireError(f"a signal line {line!r} cannot be switched to {is_on!r}")
        problem = self._signals.switch(line, is_on=is_on)
        if problem:
            self._tell_trouble(line, problem)

    def _open(self, line: str, ticket: int, for_s: float) -> None:
        now_s = self._clock.now_s()
        no = self._ledger.why_not(line, for_s, now_s)
        if no is not None:
            self._refuse(line, ticket, no, now_s)
            return
        self._ledger.open(line, ticket, for_s, now_s)
        try:
            self._drive(line, is_open=True)
        except LinesError as problem:
            self._refuse(line, ticket, str(problem), now_s)  # first, or what follows would count as a burst
            self._undo_opening(line)
            return
        self._tell({"told": "opened", "line": line, "ticket": ticket, "at_s": now_s})

    def _undo_opening(self, line: str) -> None:
        """A line that could not be opened is driven shut; it was no burst, unless it does not shut either."""
        try:
            self._drive(line, is_open=False)
        except LinesError as problem:
            self._try_again(line, problem)
        else:
            self._ledger.cancel(line, self._clock.now_s())

    def _refuse(self, line: str, ticket: int, reason: str, now_s: float) -> None:
        self._tell({"told": "refused", "line": line, "ticket": ticket, "at_s": now_s, "reason": reason})

    def _tell_trouble(self, line: str, reason: str) -> None:
        self._tell({"told": "trouble", "line": line, "reason": reason})

    def _tell(self, message: dict[str, Any]) -> None:
        if self._owner:
            self._say(self._owner, message)

    def _say(self, caller: Caller, message: dict[str, Any]) -> None:
        """Send without ever waiting: who does not read is not listening, and is let go."""
        data = encoded(message)
        try:
            if caller.connection.send(data) < len(data):
                self._part_with(caller)
        except OSError:
            self._part_with(caller)

    def _dismiss(self, caller: Caller, reason: str) -> None:
        with suppress(OSError):
            caller.connection.send(encoded({"told": "no", "why": "dismissed", "reason": reason}))
        self._part_with(caller)

    def _part_with(self, caller: Caller) -> None:
        """The other end is gone, or has to go; when it was the daemon, everything shuts."""
        if caller not in self._callers:
            return
        self._callers.remove(caller)
        caller.connection.close()
        if caller is self._owner:
            self._owner = None
            self.shut_all("the daemon's connection closed")


def main() -> None:
    """Start as the daemon's child: the specification comes on stdin, one line of answer goes to stdout."""
    start(KeeperClock())


def start(clock: KeeperClock) -> None:
    """Claim the lines, say so, keep them; on the way out every line is shut and released."""
    spec = KeeperSpec.from_json(sys.stdin.read())
    stop = _stop_on_signals()
    with ExitStack() as held:
        try:
            held.callback(os.close, locked(spec.lock_path))
            lines, signals = outputs(spec, clock.now_s)
            lines.claim()
            listening = listener(spec.socket_path, MOST_CALLERS)
            held.callback(Door(listening).take_away)
            held.callback(signals.release)
            held.callback(lines.release)  # the last in here is the first to be done: the valves
        except (OSError, LinesError) as problem:
            _say_started({"told": "failed", "reason": str(problem)})
            sys.exit(1)
        signals.switch_all_off()  # claims them; who takes charge is told what is wrong with them
        _come_before_ordinary_processes()
        keeper = Keeper(spec, lines, signals, listening, clock)
        _say_started({"told": "started", "pid": os.getpid()})
        keeper.keep(stop)


def outputs(spec: KeeperSpec, now_s: Callable[[], float]) -> tuple[Lines, SignalLines]:
    """The valves' and the signals' lines on the driver that the configuration names; there is no other.

    Raises:
        LinesError: there is no such driver.
    """
    wanted, signals = spec.outputs, spec.rules.signals
    if wanted["driver"] == "gpiozero":
        from mistd.adapters.gpio.outputs import GpioOutputs, OutputPin  # noqa: PLC0415 - only when wired

        def on_pins(wired: Mapping[str, Any]) -> Lines:
            pins = {line: OutputPin(**pin) for line, pin in wired.items()}
            return GpioOutputs(pins, wanted["factory"])

        # Each owns its pins alone, so that the valves are claimed, read and released whatever the siren does.
        return on_pins(wanted["pins"]), SignalLines(signals, on_pins(wanted.get("signal_pins", {})))
    if wanted["driver"] == "simulated":
        from mistd.adapters.simulated_outputs import SimulatedOutputs  # noqa: PLC0415 - only when wired

        lines = SimulatedOutputs((*spec.rules.lines, *signals), Path(wanted["path"]), now_s)
        return lines, SignalLines(signals, lines, are_valves_too=True)
    raise LinesError(f"there is no output driver {wanted['driver']!r}")


def _stop_on_signals() -> socket.socket:
    """A socket on which something arrives when the process is asked to end."""
    stop, wake = socket.socketpair()
    wake.setblocking(False)
    signal.set_wakeup_fd(wake.detach(), warn_on_full_buffer=False)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: None)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    return stop


def _come_before_ordinary_processes() -> None:
    """Get our turn at once, however busy the machine is; where we may not ask for that, take it as it comes.

    Our turns are a few tenths of a millisecond. Without this, eight busy processes on two cores made a valve
    shut up to 176 ms late; with it, 0.1 ms.
    """
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))


def _say_started(message: dict[str, Any]) -> None:
    """Tell the parent how the start went, then let go of its pipes: a stalled reader must not stop us."""
    print(json.dumps(message), flush=True)  # noqa: T201 - this line is the parent's answer
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 0)
    os.dup2(nowhere, 1)
    os.close(nowhere)


if __name__ == "__main__":
    main()
