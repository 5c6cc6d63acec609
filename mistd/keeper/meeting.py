"""Where a keeper is met, and that a house has one only: its socket and its lock, in the run directory.

Rule: neither is taken from a keeper that can be met; what a dead one left is no hindrance.
"""

import fcntl
import os
import socket
import stat
from contextlib import suppress
from pathlib import Path

from mistd.ports.errors import LinesError


def locked(path: str) -> int:
    """The one keeper of a house holds this lock; the kernel lets go of it when the keeper dies.

    Raises:
        LinesError: another keeper holds it.
    """
    lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(lock)
        raise LinesError(f"another keeper holds the lines of this house (lock {path})") from None
    return lock


def listener(path: str, most_callers: int) -> socket.socket:
    """The keeper's socket, for its own user alone; a socket left by a dead keeper is replaced."""
    with suppress(FileNotFoundError):
        if stat.S_ISSOCK(Path(path).lstat().st_mode):
            Path(path).unlink()
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    mask = os.umask(0o177)
    try:
        listening.bind(path)
    finally:
        os.umask(mask)
    listening.listen(most_callers)
    listening.setblocking(False)
    return listening


class Door:
    """The path by which callers find a socket: somebody may clear it away, and another's may stand there."""

    def __init__(self, listening: socket.socket) -> None:
        self._path: str = listening.getsockname()
        self._made = _inode(self._path)

    def is_there(self) -> bool:
        """Whether whoever calls at the path reaches this socket."""
        return self._made is not None and _inode(self._path) == self._made

    def take_away(self) -> None:
        """Leave no path that leads nowhere, and none that is another's."""
        if self.is_there():
            Path(self._path).unlink(missing_ok=True)


def _inode(path: str) -> tuple[int, int] | None:
    with suppress(OSError):
        status = os.lstat(path)
        return status.st_dev, status.st_ino
    return None
