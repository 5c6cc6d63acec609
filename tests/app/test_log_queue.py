"""What happens to log lines when nobody reads them, and to the program that logs them."""

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from mistd.app.log_setup import LOG_LINES_DROPPED, LogQueue
from tests.app.log_pipe import LONGEST_WAIT_S, ROOT, Pipe, run_to_the_end

LOGGED = 20_000
LONG = "x" * 200_000  # more than a pipe holds: the writer stands in the middle of it until somebody reads


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    made.stream.close()
    made.reader.close()


def notice(count: int) -> str:
    return f"{LOG_LINES_DROPPED}: {count}"


def queue_on(pipe: Pipe, lines_waiting: int) -> LogQueue:
    return LogQueue(
        pipe.stream.fileno(),
        lines_waiting=lines_waiting,
        notice=lambda count: f"{LOG_LINES_DROPPED}: {count}",
    )


def stall(lines: LogQueue, pipe: Pipe) -> None:
    """Return once the writer has begun a line too long for the pipe."""
    lines.put(LONG)
    readable, _, _ = select.select([pipe.reader], [], [], LONGEST_WAIT_S)
    assert readable


def test_the_newest_lines_are_dropped_and_told_in_one_line_once_half_is_free(pipe: Pipe) -> None:
    lines = queue_on(pipe, lines_waiting=10)
    stall(lines, pipe)

    for number in range(25):
        lines.put(f"line {number}")
    dropped_while_stalled = lines.dropped
    read = [pipe.reader.readline().decode().strip() for _ in range(12)]
    lines.put("after")
    lines.close(LONGEST_WAIT_S)

    assert dropped_while_stalled == lines.dropped == 15
    older, newer = [f"line {number}" for number in range(5)], [f"line {number}" for number in range(5, 10)]
    assert read == [LONG, *older, f"{LOG_LINES_DROPPED}: 15", *newer]
    assert pipe.read_all() == ["after"]


def test_each_stall_is_told_by_itself(pipe: Pipe) -> None:
    lines = queue_on(pipe, lines_waiting=2)
    told = []
    for dropped in (1, 3):
        stall(lines, pipe)
        for number in range(2 + dropped):
            lines.put(str(number))
        told.append([pipe.reader.readline().decode().strip() for _ in range(4)][2])
    lines.close(LONGEST_WAIT_S)

    assert told == [f"{LOG_LINES_DROPPED}: 1", f"{LOG_LINES_DROPPED}: 3"]
    assert lines.dropped == 4


def test_lines_dropped_are_told_at_the_close_at_the_latest(pipe: Pipe) -> None:
    lines = queue_on(pipe, lines_waiting=1)
    stall(lines, pipe)
    for number in range(3):
        lines.put(str(number))
    read: list[str] = []
    reading = threading.Thread(target=lambda: read.extend(pipe.read_all()))

    reading.start()
    lines.close(LONGEST_WAIT_S)
    reading.join(LONGEST_WAIT_S)

    assert read == [LONG, "0", f"{LOG_LINES_DROPPED}: 2"]


def test_what_is_left_at_a_close_that_times_out_counts_as_dropped(pipe: Pipe) -> None:
    lines = queue_on(pipe, lines_waiting=10)
    stall(lines, pipe)
    for number in range(12):
        lines.put(str(number))

    lines.close(0.05)
    lines.close(0.05)

    assert lines.dropped == 13
    assert pipe.read_all()[1:] == [f"{LOG_LINES_DROPPED}: 13"]


def test_a_line_after_the_close_counts_as_dropped(pipe: Pipe) -> None:
    lines = queue_on(pipe, lines_waiting=10)
    lines.put("before")
    lines.close(LONGEST_WAIT_S)

    lines.put("after")

    assert lines.dropped == 1
    assert pipe.read_all() == ["before"]


def test_many_threads_lose_no_count(pipe: Pipe) -> None:
    lines = queue_on(pipe, lines_waiting=100)
    stall(lines, pipe)

    def put_many() -> None:
        for _ in range(3000):
            lines.put("x")

    callers = [threading.Thread(target=put_many) for _ in range(4)]
    for caller in callers:
        caller.start()
    for caller in callers:
        caller.join(LONGEST_WAIT_S)

    assert lines.dropped == 4 * 3000 - 100
    lines.close(0.0)


def test_a_stream_made_non_blocking_by_another_program_loses_nothing(pipe: Pipe) -> None:
    os.set_blocking(pipe.stream.fileno(), False)
    lines = queue_on(pipe, lines_waiting=10)
    read: list[str] = []
    reading = threading.Thread(target=lambda: read.extend(pipe.read_all()))
    stall(lines, pipe)
    for number in range(5):
        lines.put(LONG + str(number))

    reading.start()
    lines.close(LONGEST_WAIT_S)
    reading.join(LONGEST_WAIT_S)

    assert read == [LONG, *(LONG + str(number) for number in range(5))]
    assert lines.dropped == 0


def test_a_queue_outlives_the_stream_it_was_given(pipe: Pipe) -> None:
    lines = queue_on(pipe, lines_waiting=10)
    pipe.stream.close()

    lines.put("still here")
    lines.close(LONGEST_WAIT_S)

    assert pipe.read_all() == ["still here"]


TALKER = """
import json, sys, time
from datetime import datetime, UTC
import structlog
from mistd.app.log_setup import start_logging

logged, timeout_s = int(sys.argv[1]), float(sys.argv[2])
lines = start_logging(sys.stdout, utc=lambda: datetime.now(UTC), is_terminal=False, level="info")
log = structlog.get_logger()
sys.stdin.readline()
calls_s = []
for number in range(logged):
    before_s = time.perf_counter()
    log.info("burst started", zone=number % 8, number=number, duration_s=6.0, reason="film gone")
    calls_s.append(time.perf_counter() - before_s)
print(json.dumps({"all_s": sum(calls_s), "worst_s": max(calls_s)}), file=sys.stderr, flush=True)
sys.stdin.readline()
before_s = time.perf_counter()
lines.close(timeout_s)
print(json.dumps({"close_s": time.perf_counter() - before_s, "dropped": lines.dropped}), file=sys.stderr)
"""


@contextlib.contextmanager
def talker(timeout_s: float) -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-W", "error", "-c", TALKER, str(LOGGED), str(timeout_s)]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        late = threading.Timer(LONGEST_WAIT_S, process.kill)  # a hang fails instead of hanging the tests
        late.start()
        try:
            yield process
        finally:
            late.cancel()
            process.kill()


def go_on(process: subprocess.Popen[bytes]) -> dict[str, float]:
    """Let it go on, and return what it says when it has."""
    assert process.stdin is not None
    assert process.stderr is not None
    process.stdin.write(b"\n")
    process.stdin.flush()
    said: dict[str, float] = json.loads(process.stderr.readline())
    return said


def read_to_the_end(process: subprocess.Popen[bytes]) -> tuple[list[int], list[int]]:
    """The numbers of the lines written, and the counts told of lines dropped (one for each stall)."""
    assert process.stdout is not None
    events: list[dict[str, Any]] = [json.loads(line) for line in process.stdout.read().splitlines()]
    told = [event["count"] for event in events if event["event"] == LOG_LINES_DROPPED]
    return [event["number"] for event in events if event["event"] == "burst started"], told


@pytest.mark.real_time
def test_a_stdout_that_nobody_reads_stops_neither_the_calls_nor_the_exit() -> None:
    with talker(timeout_s=0.5) as process:
        calls = go_on(process)
        end = go_on(process)
        exit_code = process.wait(LONGEST_WAIT_S)
        written, _ = read_to_the_end(process)
        assert process.stderr is not None
        complaints = process.stderr.read()

    assert calls["all_s"] < 10.0, calls  # 500 us a call: some 10 are usual, on a busy machine more
    assert calls["worst_s"] < 1.0, calls
    assert 0.5 <= end["close_s"] < 5.0
    assert exit_code == 0
    assert complaints == b""
    assert written == sorted(set(written))
    assert len(written) + end["dropped"] == LOGGED


@pytest.mark.real_time
def test_a_reader_that_comes_late_is_told_how_many_lines_it_missed() -> None:
    with talker(timeout_s=LONGEST_WAIT_S) as process:
        go_on(process)
        ends: list[dict[str, float]] = []
        ending = threading.Thread(target=lambda: ends.append(go_on(process)))
        ending.start()
        written, told = read_to_the_end(process)
        ending.join(LONGEST_WAIT_S)
        exit_code = process.wait(LONGEST_WAIT_S)

    assert exit_code == 0
    assert written == sorted(set(written))
    assert ends[0]["dropped"] == sum(told) > 0
    assert len(written) + sum(told) == LOGGED


@pytest.mark.real_time
def test_a_reader_that_has_gone_is_survived_and_every_line_counted() -> None:
    with talker(timeout_s=LONGEST_WAIT_S) as process:
        assert process.stdout is not None
        process.stdout.close()
        go_on(process)
        end = go_on(process)
        exit_code = process.wait(LONGEST_WAIT_S)
        assert process.stderr is not None
        complaints = process.stderr.read()

    assert end["dropped"] == LOGGED
    assert exit_code == 0
    assert complaints == b""


ON_A_FULL_DISK = """
import resource, sys
from mistd.app.log_setup import LogQueue

stream = open(sys.argv[1], "w")
lines = LogQueue(stream.fileno(), lines_waiting=10, notice=lambda count: f"dropped {count}")
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, resource.RLIM_INFINITY))
lines.put("a" * 600)
lines.put("b" * 600)
while lines.dropped < 1:
    pass
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
lines.put("c")
lines.close(10.0)
"""


def test_a_line_broken_by_a_full_disk_does_not_spoil_the_next(tmp_path: Path) -> None:
    run_to_the_end(ON_A_FULL_DISK, str(tmp_path / "log"))

    whole, broken, *rest = (tmp_path / "log").read_text().splitlines()

    assert whole == "a" * 600
    assert broken == "b" * 399
    assert sorted(rest) == ["c", "dropped 1"]


FROM_A_SIGNAL = """
import os, signal, sys
from mistd.app.log_setup import LogQueue

lines = LogQueue(sys.stdout.fileno(), lines_waiting=10**6, notice=str)
ticks = 0

def on_tick(*_):
    global ticks
    ticks += 1
    lines.put("tick")

signal.signal(signal.SIGALRM, on_tick)
signal.setitimer(signal.ITIMER_REAL, 0.0001, 0.0001)
while ticks < 2000:
    lines.put("line")
signal.setitimer(signal.ITIMER_REAL, 0)
lines.put(f"ticks {ticks}")
lines.close(10.0)
"""


def test_a_line_logged_in_the_middle_of_another_does_not_deadlock() -> None:
    """So does a destructor that the garbage collector runs inside a log call."""
    lines = run_to_the_end(FROM_A_SIGNAL)[0].splitlines()

    assert lines[-1] == f"ticks {lines.count('tick')}"
