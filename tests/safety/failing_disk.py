"""A store on a disk that fails at the nth call, in one process that forks a life for every n.

`python -m tests.safety.failing_disk PLACE START HOW FIRST EVERY` runs under `failing_disk.so` (LD_PRELOAD).
For n from FIRST in steps of EVERY, until a life ends before its nth call: a fork lives (`store_life`) and the
nth call of it fails or kills it; another fork restarts and looks. Each n is a line of JSON: what the life
told, how it ended, and what was found or what was wrong with it.
"""

import asyncio
import contextlib
import ctypes
import json
import os
import shutil
import signal
import sqlite3
import sys
import traceback
from collections.abc import Callable
from dataclasses import asdict
from functools import partial
from pathlib import Path

from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.errors import StoreError
from tests.adapters.test_sqlite_version_1 import ROWS_AFTER, make_version_1_as_a_kill_leaves_it
from tests.safety.store_life import found_at, live

STEPS_BEFORE, STEPS = 6, 12
WAYS = {
    "eio": 1,
    "enospc": 2,
    "die before": 3,
    "die after": 4,
    "tear and die": 5,
    "read": 6,
    "eio, then die": 1,
    "eio, often": 1,
}
LOST = (5,)  # of a spoilt database: after its backup and before what was noted last
OFTEN = 7  # calls in a row: the overwriting commit fails too, and what is tried next
Tell = Callable[[str], None]


def paths(place: Path) -> tuple[Path, Path]:
    return place / "state.db", place / "tail"


def prepare(start: str, template: Path) -> None:
    """A place as it is before a life."""
    path, tail_path = paths(template)
    template.mkdir()
    if start == "version 1":
        make_version_1_as_a_kill_leaves_it(path)
        path.with_name("at work").unlink()
    elif start in ("killed", "spoilt"):
        in_a_fork(lambda tell: live_until_killed(path, tail_path, tell))
    if start == "spoilt":
        path.write_bytes(b"spoilt" * 1000)


def live_until_killed(path: Path, tail_path: Path, tell: Tell) -> None:
    """Some steps, the last of them noted and not saved."""

    def end(text: str) -> None:
        tell(text)
        if text == f"noted {STEPS_BEFORE}":
            os.kill(os.getpid(), signal.SIGKILL)

    asyncio.run(live(SqliteStore(path, tail_path), range(1, STEPS), end))


def live_on(place: Path, start: str, how: str, number: int, tell: Tell) -> None:
    """The life whose nth call fails."""
    libc = ctypes.CDLL(None)
    path, tail_path = paths(place)
    count = OFTEN if how == "eio, often" else 1
    libc.begin_counting(str(place).encode(), ctypes.c_long(number), ctypes.c_long(count), WAYS[how])

    def tell_and_end(text: str) -> None:
        tell(text)
        if how == "eio, then die" and text.startswith("refused save"):
            os.kill(os.getpid(), signal.SIGKILL)

    first = 1 if start in ("new", "version 1") else STEPS_BEFORE + 1
    last = first if start == "version 1" else STEPS
    asyncio.run(live(SqliteStore(path, tail_path), range(first, last), tell_and_end))
    tell(f"calls {libc.end_counting()}")


def look(place: Path, start: str, tell: Tell) -> None:
    """A restart after it."""
    path, tail_path = paths(place)
    try:
        if start == "version 1":
            found = {"step": 0, "troubles": check_version_1(path, tail_path)}
        else:
            found = asdict(found_at(path, tail_path, lost=LOST if start == "spoilt" else ()))
    except (AssertionError, StoreError, OSError, ValueError, KeyError, sqlite3.Error):
        found = {"wrong": traceback.format_exc(limit=-2)}
    tell(json.dumps(found))


def check_version_1(path: Path, tail_path: Path) -> list[str]:
    async def load() -> list[str]:
        store = SqliteStore(path, tail_path)
        loaded = await store.load()
        await store.close()
        assert dict(loaded.rows) == ROWS_AFTER
        return list(loaded.troubles)

    return asyncio.run(load())


def in_a_fork(work: Callable[[Tell], None]) -> tuple[list[str], int]:
    """What it told, and how it ended."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.close(reading)
            work(lambda text: _write_line(writing, text))
            code = 0
        except BaseException:
            _write_line(writing, "ended by " + json.dumps(traceback.format_exc(limit=-4)))
        finally:
            os._exit(code)
    os.close(writing)
    with os.fdopen(reading) as told:
        lines = told.read().splitlines()
    _, status = os.waitpid(child, 0)
    return lines, os.waitstatus_to_exitcode(status)


def _write_line(descriptor: int, text: str) -> None:
    os.write(descriptor, text.encode() + b"\n")


def main() -> None:
    place, start, how, first, every = Path(sys.argv[1]), sys.argv[2], sys.argv[3], *map(int, sys.argv[4:])
    template, life = place / "template", place / "life"
    prepare(start, template)
    number, calls = first, None
    while calls is None or number < calls:
        shutil.copytree(template, life)
        told, ended = in_a_fork(partial(live_on, life, start, how, number))
        found, _ = in_a_fork(partial(look, life, start))
        print(
            json.dumps({"n": number, "told": told, "ended": ended, "found": json.loads(found[-1])}),
            flush=True,
        )
        counted = [int(text.split()[1]) for text in told if text.startswith("calls ")]
        with contextlib.suppress(IndexError):
            calls = counted[0] if counted[0] <= number else calls
        shutil.rmtree(life)
        number += every


if __name__ == "__main__":
    main()
