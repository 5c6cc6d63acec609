"""The processes that a test has started, itself or through others: which are there, and ending them all.

Answers for: a mark in the environment that children and their children inherit, orphans included, so that
every process of a test is found again and no other is ever touched; who listens on a socket.
Does not know what the processes are. Rule: only a process that carries the mark is signalled.
"""

import os
import signal
import socket
import struct
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

MARK = "MISTD_TEST_MARK"
END_WITHIN_S = 10.0
PEER = struct.Struct("iII")  # pid, uid and gid: struct ucred of unix(7)


def new_mark() -> str:
    return uuid.uuid4().hex


def environment(mark: str) -> dict[str, str]:
    """What a marked process is started with."""
    return {**os.environ, MARK: mark}


@contextmanager
def marked() -> Iterator[str]:
    """Everything started inside, by whatever code of ours, carries a mark; at the end it is ended."""
    mark, before = new_mark(), os.environ.get(MARK)
    os.environ[MARK] = mark
    try:
        yield mark
    finally:
        os.environ.pop(MARK)
        if before is not None:
            os.environ[MARK] = before
        end_all(mark)


def pids(mark: str) -> list[int]:
    """Every process with this mark that has not ended."""
    return [int(each.name) for each in Path("/proc").iterdir() if each.name.isdigit() and _has(each, mark)]


def _has(process: Path, mark: str) -> bool:
    with suppress(OSError):
        if f"{MARK}={mark}".encode() in (process / "environ").read_bytes().split(b"\0"):
            return int(process.name) != os.getpid() and not is_gone(int(process.name))
    return False


def end_all(mark: str) -> None:
    """SIGKILL to every process with this mark, until none is left."""
    deadline_s = time.monotonic() + END_WITHIN_S
    while left := pids(mark):
        assert time.monotonic() < deadline_s, f"these do not end: {left}"
        for pid in left:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        time.sleep(0.005)


def is_gone(pid: int) -> bool:
    """Whether a process has ended, reaped or not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return True
    return state in {"Z", "X"}


def listener_pid(socket_path: Path | str) -> int | None:
    """The process that listens on a Unix socket, by the kernel's word; None when none does."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as caller:
        try:
            caller.connect(str(socket_path))
        except OSError:
            return None
        pid, _, _ = PEER.unpack(caller.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, PEER.size))
        return int(pid)
