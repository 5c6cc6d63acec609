"""One daemon a house: a lock in the run directory, held for as long as the daemon runs.

The keeper too takes orders from one daemon only, but by the time it refuses a second one that one has spoken
to the broker under the first one's name, and would write down its own idea of the house on its way out.

Rule: it is taken before the state is read, the keeper looked for or the broker spoken to. The kernel lets go
of it when the daemon dies.
"""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mistd.app.config import Config
from mistd.keeper.client import HouseTakenError


@contextmanager
def only_daemon(config: Config) -> Iterator[None]:
    """Be the one daemon of a house.

    Raises:
        HouseTakenError: another one is, or the lock cannot be taken.
    """
    path = Path(config.state.run_directory) / "daemon.lock"
    try:
        lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as problem:
        raise HouseTakenError(f"the lock {path} cannot be taken: {problem.strerror}") from None
    try:
        _take(lock)
        yield
    finally:
        os.close(lock)


def _take(lock: int) -> None:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise HouseTakenError("another daemon controls this house: stop it first") from None
