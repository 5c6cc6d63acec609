"""`mistd run` in a process forked from one that has imported everything: a start without the interpreter's.

A campaign starts hundreds of daemons, and three quarters of a start are imports. What runs from then on, and
what a signal meets, is the program itself in a process of its own; only the time of a start is not `mistd
run`'s, so that is measured elsewhere.
"""

import asyncio
import multiprocessing
import os
import sys
from multiprocessing.connection import Connection
from pathlib import Path
from typing import IO

import mistd.app.log_setup
import mistd.app.only_daemon
import mistd.app.wiring  # these three: what `run_house` imports when it is called
from mistd.app.cli import run_house
from mistd.app.config_file import load_config
from tests.keeper.processes import MARK

FORKING = multiprocessing.get_context("forkserver")
FORKING.set_forkserver_preload([__name__])
__all__ = ["ForkedDaemon", "mistd"]


class ForkedDaemon:
    """As much of `subprocess.Popen` as a test needs, of a daemon that was forked."""

    def __init__(self, file: Path, mark: str, errors: Path) -> None:
        reader, writer = FORKING.Pipe(duplex=False)
        self._process = FORKING.Process(target=_run, args=(file, mark, errors, writer))
        self._process.start()
        writer.close()
        assert self._process.pid is not None
        self.pid = self._process.pid
        self.stdout: IO[bytes] | None = os.fdopen(os.dup(reader.fileno()), "rb")
        reader.close()

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        self._process.join(timeout)
        code = self._process.exitcode
        assert code is not None, f"{self.pid} does not end"
        return code

    def kill(self) -> None:
        self._process.kill()


def _run(file: Path, mark: str, errors: Path, log: Connection) -> None:
    os.environ[MARK] = mark
    os.dup2(log.fileno(), 1)
    with errors.open("ab") as stderr:
        os.dup2(stderr.fileno(), 2)
    sys.exit(run_house(load_config(file), mistd.app.wiring.machine, "info", asyncio.new_event_loop))
