"""The daemon's end of the keeper: finds one, or starts one, and speaks with it over its socket.

Nothing in here waits on the control path: orders are written to a socket that the kernel empties, and what
the keeper says is collected as news. A keeper that does not answer is ended and replaced.

Rule: a keeper is only ever started apart from us (its own session, no shared pipe), so that neither Ctrl-C
nor our death ends it before it has shut the lines.
"""

import asyncio
import os
import select
import signal
import socket
import struct
import subprocess
from asyncio import StreamReader, StreamWriter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from math import inf
from pathlib import Path
from typing import Any

from mistd.core.observations import (
    KeeperLost,
    KeeperNews,
    KeeperReady,
    LineAccount,
    LineEdge,
    LineReport,
    LineTrouble,
)
from mistd.keeper.wire import KeeperSpec, WireError, decoded, encoded
from mistd.ports.errors import KeeperError
from mistd.ports.keeper import SignalTrouble

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.2, 5.0  # between two tries to get a keeper
SETTLED_S = 1.0  # one that is lost sooner than this is not followed by the next without a pause
RENEWALS_A_HEARTBEAT = 10  # passes may be far more frequent, and each renewal wakes the keeper
REAP_S = 0.2  # a keeper whose socket is gone has ended, or is about to
PEER = struct.Struct("iII")  # process, user and group: struct ucred of unix(7)
EDGES = {edge.value: edge for edge in LineEdge}


class KeeperClient:
    """A keeper at hand, as far as that can be had."""

    def __init__(
        self,
        spec: KeeperSpec,
        command: Sequence[str],
        *,
        answer_s: float = 2.0,
        start_s: float = 10.0,
        tell_signal_trouble: Callable[[SignalTrouble], None] = lambda _: None,
    ) -> None:
        """Know how to start a keeper.

        Args:
            spec: what the keeper is told at its start.
            command: the program that is a keeper; it reads the specification on its stdin.
            answer_s: a keeper that has not answered for so long, by the loop's clock, is taken for hung.
            start_s: and so is one that has said nothing of its start for so long, in real seconds.
            tell_signal_trouble: called when a signal line does not do as it was told; it may not wait.
        """
        self._spec = spec
        self._command = command
        self._answer_s = answer_s
        self._start_s = start_s
        self._tell_signal_trouble = tell_signal_trouble
        self._signals = dict.fromkeys(spec.rules.signals, False)  # what each is to be; every keeper is told
        self._writer: StreamWriter | None = None
        self._child: subprocess.Popen[bytes] | None = None
        self._pid = 0
        self._renewals = 0  # sent since the keeper last answered one
        self._renewed_s = -inf
        self._answered_s = 0.0  # when it last did, or the first of those was sent
        self._news: list[KeeperNews] = []
        self._wake: Callable[[], None] = lambda: None
        self._all_shut = asyncio.Event()
        self._left_open: tuple[str, ...] = ()  # when all was said to be shut
        self._is_retiring = False

    def open(self, line: str, ticket: int, for_s: float) -> None:
        self._send({"ask": "open", "line": line, "ticket": ticket, "for_s": for_s})

    def shut(self, line: str, reason: str) -> None:
        self._send({"ask": "shut", "line": line, "reason": reason})

    def signal(self, line: str, *, is_on: bool) -> None:
        if self._signals.get(line, is_on) is is_on:
            return  # said before, or no line of this house
        self._signals[line] = is_on
        self._send_signal(line)

    def renew(self) -> None:
        if self._writer is None:
            return
        now_s = asyncio.get_running_loop().time()
        if self._renewals == 0:
            if now_s - self._renewed_s < self._spec.rules.heartbeat_s / RENEWALS_A_HEARTBEAT:
                return
            self._answered_s = now_s
        elif self._renewals > 1 and now_s - self._answered_s > self._answer_s:
            self._end_hung_keeper()
            return
        self._renewals += 1
        self._renewed_s = now_s
        self._send({"ask": "renew"})

    def news(self) -> tuple[KeeperNews, ...]:
        news, self._news = tuple(self._news), []
        return news

    async def run(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        pause_s = FIRST_PAUSE_S
        while not self._is_retiring:
            try:
                kept_s = await self._kept()
            except HouseTakenError:
                raise
            except KeeperError as problem:
                self._tell(KeeperLost(reason=str(problem)))
                await asyncio.sleep(pause_s)
                pause_s = min(pause_s * 2.0, LONGEST_PAUSE_S)
                continue
            pause_s = FIRST_PAUSE_S
            if kept_s < SETTLED_S:
                await asyncio.sleep(FIRST_PAUSE_S)

    async def _kept(self) -> float:
        """Reach a keeper and listen to it until it is lost; for how long that was."""
        reader, writer = await self._reached()
        since_s = asyncio.get_running_loop().time()
        await self._listen(reader, writer)
        return asyncio.get_running_loop().time() - since_s

    async def retire(self, reason: str) -> bool:
        self._is_retiring = True
        self._send({"ask": "retire", "reason": reason})
        with suppress(TimeoutError, subprocess.TimeoutExpired):
            async with asyncio.timeout(self._answer_s):
                await self._all_shut.wait()
                if self._child:
                    await asyncio.to_thread(self._child.wait, self._answer_s)
        if not self._all_shut.is_set() and self._child and self._child.poll() is None:
            return await self._ended_child(self._child)
        return self._all_shut.is_set() and not self._left_open

    async def _ended_child(self, child: "subprocess.Popen[bytes]") -> bool:
        """End a keeper we started and cannot speak with: on SIGTERM it shuts every line and ends with 0."""
        child.terminate()
        with suppress(subprocess.TimeoutExpired):
            return await asyncio.to_thread(child.wait, self._answer_s) == 0
        return False

    async def _listen(self, reader: StreamReader, writer: StreamWriter) -> None:
        """Take in what the keeper says, until it says no more."""
        reason = "the keeper's connection closed"
        try:
            while line := await reader.readline():
                self._hear(decoded(line))
        except (OSError, ValueError, KeyError, TypeError) as problem:
            reason = f"the keeper is not understood: {problem!r}"
        finally:
            self._writer = None
            self._renewals = 0
            writer.close()
        self._tell(KeeperLost(reason=reason + self._how_child_ended()))

    def _how_child_ended(self) -> str:
        code = self._child.poll() if self._child else None
        return f" (its process ended with {code})" if code else ""

    def _hear(self, message: Mapping[str, Any]) -> None:
        told = message["told"]
        if told == "alive":
            self._renewals = 0
        elif told == "all_shut":
            self._left_open = tuple(message["open"])
            self._all_shut.set()
        elif told == "trouble":
            self._hear_trouble(message["line"], message["reason"])
        elif told in EDGES:
            self._tell(_report(EDGES[told], message))
        elif told != "no":
            raise WireError(f"nobody tells {told!r}")

    def _hear_trouble(self, line: str, reason: str) -> None:
        """A valve's is news for the core, which knows no other lines."""
        if line not in self._signals:
            self._tell(LineTrouble(line=line, reason=reason))
            return
        trouble = SignalTrouble(line=line, reason=reason)
        # Not called from here: a fault of the called would cost us the connection, and the house its mist.
        asyncio.get_running_loop().call_soon(self._tell_signal_trouble, trouble)

    def _tell(self, news: KeeperNews) -> None:
        self._news.append(news)
        self._wake()

    def _send(self, message: Mapping[str, Any]) -> None:
        if self._writer:
            self._writer.write(encoded(message))

    def _send_signal(self, line: str) -> None:
        self._send({"ask": "signal", "line": line, "is_on": self._signals[line]})

    def _end_hung_keeper(self) -> None:
        """A keeper that does not answer cannot be trusted to shut: its successor claims every line shut.

        One renewal alone is no proof: after we were stopped ourselves its answer lies unread.
        """
        with suppress(ProcessLookupError):
            os.kill(self._pid, signal.SIGKILL)
        self._renewals = 0

    async def _reached(self) -> tuple[StreamReader, StreamWriter]:
        """Connect to the keeper that is there, or to one we start, and take charge of it.

        Raises:
            KeeperError: neither could be had this time.
            HouseTakenError: another daemon is in charge of it.
        """
        try:
            return await self._taken()
        except OSError:
            await self._start()
        try:
            return await self._taken()
        except OSError as problem:
            raise KeeperError(f"the keeper that was started does not answer: {problem}") from None

    async def _taken(self) -> tuple[StreamReader, StreamWriter]:
        reader, writer = await asyncio.open_unix_connection(self._spec.socket_path)
        try:
            await self._take_charge(reader, writer)
        except TimeoutError:
            _end_listener(writer)
            raise KeeperError("a keeper is there and does not answer; it was ended") from None
        except (ValueError, KeyError, TypeError) as problem:
            raise KeeperError(f"whoever answers for the keeper is not understood: {problem!r}") from None
        finally:
            if self._writer is not writer:  # it did not come to that
                writer.close()
        return reader, writer

    async def _take_charge(self, reader: StreamReader, writer: StreamWriter) -> None:
        writer.write(encoded({"ask": "take", "fingerprint": self._spec.fingerprint}))
        async with asyncio.timeout(self._answer_s):
            answer = decoded(await reader.readline())
        if answer["told"] != "taken":
            await self._turned_away(writer, answer)
        accounts = tuple(
            LineAccount(line=line, opened_s=opened_s, shut_s=shut_s)
            for line, opened_s, shut_s in answer["accounts"]
        )
        self._writer, self._pid = writer, answer["pid"]
        for line in self._signals:
            self._send_signal(line)
        unproved = tuple(answer["unproved"])
        self._tell(KeeperReady(since_s=answer["since_s"], accounts=accounts, unproved=unproved))

    async def _turned_away(self, writer: StreamWriter, answer: Mapping[str, Any]) -> None:
        """The keeper will not have us: as one of another configuration it is retired, to start our own."""
        if answer["why"] == "configuration":
            writer.write(encoded({"ask": "retire", "reason": "the configuration was changed"}))
            await writer.drain()
        if answer["why"] == "taken":
            raise HouseTakenError(str(answer["reason"]))
        raise KeeperError(str(answer["reason"]))

    async def _start(self) -> None:
        """Start a keeper and wait until it holds the lines.

        Raises:
            KeeperError: it could not be started, or could not claim the lines.
        """
        try:
            line = await asyncio.to_thread(self._first_line)
        except OSError as problem:
            raise KeeperError(f"the keeper could not be started: {problem}") from None
        try:
            answer = decoded(line)
        except WireError:
            said = f"it said {line[:80]!r}" if line else "it ended at once"
            reason = f"{said}; see {self._errors_path()}"
        else:
            if answer.get("told") == "started":
                return
            reason = str(answer.get("reason"))
        raise KeeperError(f"the keeper could not hold the lines: {reason}")

    def _errors_path(self) -> Path:
        return Path(self._spec.lock_path).with_suffix(".errors")

    def _first_line(self) -> bytes:
        """Start a keeper; what it says of its start, empty when it said nothing.

        Raises:
            OSError: it could not be started.
            KeeperError: it goes on without saying anything, and was ended.
        """
        child = self._child = self._new_child()
        assert child.stdin is not None
        assert child.stdout is not None
        with suppress(BrokenPipeError), child.stdin:
            child.stdin.write(self._spec.to_json().encode())
        with child.stdout:
            if not select.select([child.stdout], [], [], self._start_s)[0]:
                child.kill()
                child.wait()
                raise KeeperError(f"the keeper did not start within {self._start_s:g} s; it was ended")
            line = child.stdout.readline()
        if not line:
            child.kill()
            child.wait()
        return line

    def _new_child(self) -> subprocess.Popen[bytes]:
        if self._child:
            with suppress(subprocess.TimeoutExpired):
                self._child.wait(REAP_S)
        with self._errors_path().open("w") as stderr:
            return subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=stderr,
                start_new_session=True,
            )


class HouseTakenError(KeeperError):
    """Another daemon is in charge of this house's keeper."""


def _report(edge: LineEdge, message: Mapping[str, Any]) -> LineReport:
    return LineReport(
        edge=edge,
        line=message["line"],
        ticket=message["ticket"],
        at_s=message["at_s"],
        open_s=message.get("open_s", 0.0),
        reason=message.get("reason", ""),
    )


async def shut_all_lines(socket_path: str, reason: str, answer_s: float = 2.0) -> tuple[str, ...] | None:
    """Ask whatever keeper is there to shut every line; one that does not answer is ended.

    Returns:
        The lines that are still open after it; None when no keeper answers at this path.
    """
    try:
        reader, writer = await asyncio.open_unix_connection(socket_path)
    except OSError:
        return None
    try:
        writer.write(encoded({"ask": "shut_all", "reason": reason}))
        async with asyncio.timeout(answer_s):
            answer = decoded(await reader.readline())
        return tuple(answer["open"])
    except TimeoutError:
        _end_listener(writer)
        return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    finally:
        writer.close()


def _end_listener(writer: StreamWriter) -> None:
    """End whoever listens at the other end: hung, it cannot be trusted to shut, and it keeps out the next."""
    peer = writer.get_extra_info("socket").getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, PEER.size)
    pid, _, _ = PEER.unpack(peer)
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
