"""Structured log lines that can never hold up a house.

Answers for: lines on one stream, JSON for machines and aligned text on a terminal, from our own code and from
libraries that use the standard `logging`; and the count of lines that had to be dropped.
Does not know: what is worth a line, or who reads the stream.
Rule: a log call never waits for a reader. The caller renders its line and puts it into a bounded queue; one
daemon thread writes. The stream's own buffer is passed over: a thread stuck inside it would hold up the exit.
"""

import json
import logging
import os
import queue
import select
import threading
from collections.abc import Callable, Mapping, MutableMapping
from contextlib import suppress
from datetime import datetime
from typing import Any, TextIO

import structlog

LOG_LINES_DROPPED = "log lines dropped"
LEVELS = ("debug", "info", "warning", "error", "critical")
EVENT_WIDTH = 32  # a terminal line's figures begin in one column
LEVEL_WIDTH = 8

Event = MutableMapping[str, Any]
RenderLine = Callable[[Mapping[str, Any]], str]
MakeLine = Callable[[str, Event], str]  # of a level and an event: the finished line


class LogQueue:
    """Finished lines on their way out, and the thread that writes them.

    When full, a new line is dropped and counted; once half of the queue is free, one line tells how many.
    A line that the stream refuses (its reader gone, its disk full) is dropped and counted as well.
    """

    def __init__(self, descriptor: int, *, lines_waiting: int, notice: Callable[[int], str]) -> None:
        self._descriptor = os.dup(descriptor)  # ours, whatever becomes of the stream
        self._lines_waiting = lines_waiting
        self._notice = notice
        # SimpleQueue and RLock: a line logged inside `put`, by a destructor or a signal, must not deadlock.
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._counting = threading.RLock()
        self._dropped = 0
        self._untold = 0  # dropped, and not yet told on the stream
        self._is_closed = False
        self._is_writing = False
        self._is_mid_line = False
        self._writer = threading.Thread(target=self._write_lines, name="log writer", daemon=True)
        self._writer.start()

    @property
    def dropped(self) -> int:
        """Lines that were logged and will not be read, since the start."""
        return self._dropped

    def put(self, line: str) -> None:
        """Queue a line without its line end; never waits."""
        with self._counting:
            if self._is_closed or self._lines.qsize() >= self._lines_waiting:
                self._count_dropped(1)
            else:
                self._lines.put(line)

    def close(self, timeout_s: float) -> None:
        """Write what is waiting, for so long at most; what is left counts as dropped. Later lines do too."""
        with self._counting:
            if self._is_closed:
                return
            self._is_closed = True
            self._lines.put(None)
        self._writer.join(timeout_s)
        if self._writer.is_alive():
            self._give_up()

    def _give_up(self) -> None:
        left = int(self._is_writing)
        with suppress(queue.Empty):
            while True:
                left += self._lines.get_nowait() is not None
        self._count_dropped(left)
        self._lines.put(None)  # should the stream move again, the writer ends

    def _count_dropped(self, lines: int) -> None:
        with self._counting:
            self._dropped += lines
            self._untold += lines

    def _write_lines(self) -> None:
        while (line := self._lines.get()) is not None:
            self._is_writing = True
            if not self._is_written(line):
                self._count_dropped(1)
            self._is_writing = False
            if self._untold and self._lines.qsize() <= self._lines_waiting // 2:
                self._tell_dropped()
        if self._untold:
            self._tell_dropped()
        os.close(self._descriptor)

    def _tell_dropped(self) -> None:
        with self._counting:
            count, self._untold = self._untold, 0
        if not self._is_written(self._notice(count)):
            with self._counting:
                self._untold += count

    def _is_written(self, line: str) -> bool:
        data = ("\n" if self._is_mid_line else "") + line + "\n"
        left = memoryview(data.encode("utf-8", "backslashreplace"))
        whole = len(left)
        try:
            while left:
                left = left[self._write_some(left) :]
        except OSError:
            self._is_mid_line = self._is_mid_line or len(left) < whole
            return False
        self._is_mid_line = False
        return True

    def _write_some(self, data: memoryview) -> int:
        try:
            return os.write(self._descriptor, data)
        except BlockingIOError:  # a terminal or pipe that another program made non-blocking
            writable = select.poll()
            writable.register(self._descriptor, select.POLLOUT)
            writable.poll()
            return 0


def start_logging(
    stream: TextIO,
    *,
    utc: Callable[[], datetime],
    is_terminal: bool,
    level: str,
    lines_waiting: int = 2000,
) -> LogQueue:
    """Send structlog's lines, and the warnings of libraries that use `logging`, to the stream.

    Args:
        stream: has a file descriptor underneath; its own buffer is passed over.
        utc: the calendar of the Clock port.
        is_terminal: aligned text for a person, instead of JSON.
        level: the least that is written, one of `LEVELS`.
        lines_waiting: how many lines may wait for a reader.

    Raises:
        ValueError: there is no such level.
    """
    if level not in LEVELS:
        raise ValueError(f"log level {level!r}: must be one of {', '.join(LEVELS)}")
    least = logging.getLevelNamesMapping()[level.upper()]
    make_line = _line_maker(utc, _plain_line if is_terminal else _json_line)
    lines = LogQueue(
        stream.fileno(),
        lines_waiting=lines_waiting,
        notice=lambda count: make_line("warning", {"event": LOG_LINES_DROPPED, "count": count}),
    )
    structlog.configure(
        processors=[lambda _, method, event: make_line(method, event)],
        wrapper_class=structlog.make_filtering_bound_logger(least),
        context_class=dict,
        logger_factory=lambda *_: _Sink(lines.put),
        cache_logger_on_first_use=False,
    )
    _take_library_lines(_LibraryLines(make_line, lines.put, least))
    return lines


class _Sink:
    """What structlog hands a finished line to, by the name of its level."""

    def __init__(self, put: Callable[[str], None]) -> None:
        self.debug = self.info = self.warning = self.error = self.critical = put


class _LibraryLines(logging.Handler):
    """The warnings of libraries; without it they would block on standard error."""

    def __init__(self, make_line: MakeLine, put: Callable[[str], None], least: int) -> None:
        super().__init__(max(least, logging.WARNING))
        self._make_line = make_line
        self._put = put

    def emit(self, record: logging.LogRecord) -> None:
        try:
            message = record.getMessage()
        except (TypeError, ValueError):  # its arguments do not fit its text
            message = str(record.msg)
        event: Event = {"event": message, "library": record.name, "exc_info": record.exc_info}
        self._put(self._make_line(record.levelname.lower(), event))


def _take_library_lines(handler: _LibraryLines) -> None:
    root = logging.getLogger()
    for former in [each for each in root.handlers if isinstance(each, _LibraryLines)]:
        root.removeHandler(former)
    root.addHandler(handler)


def _line_maker(utc: Callable[[], datetime], render: RenderLine) -> MakeLine:
    def make_line(level: str, event: Event) -> str:
        event = structlog.processors.format_exc_info(None, level, event)
        head = {"time": _iso(utc()), "level": level, "event": event.pop("event")}
        rest = {f"{key}_" if key in head else key: value for key, value in event.items()}
        return render(head | rest)

    return make_line


def _iso(utc: datetime) -> str:
    return utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _json_line(event: Mapping[str, Any]) -> str:
    try:
        return json.dumps(event, default=str, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError):  # not a number, a key that is no text, a loop: tell it as text
        return json.dumps({key: str(value) for key, value in event.items()}, ensure_ascii=False)


def _plain_line(event: Mapping[str, Any]) -> str:
    figures = dict(event)
    time, level, name = (str(figures.pop(key)) for key in ("time", "level", "event"))
    exception = str(figures.pop("exception", ""))
    pairs = " ".join(f"{key}={_plain(value)}" for key, value in figures.items())
    first = f"{time} {level:<{LEVEL_WIDTH}} {_printable(name):<{EVENT_WIDTH}} {pairs}".rstrip()
    return "\n".join([first, *(f"    {_printable(line)}" for line in exception.splitlines())])


def _plain(value: object) -> str:
    text = str(value)
    is_bare = bool(text) and text.isprintable() and not set(text) & set(' "=')
    return text if is_bare else json.dumps(text, ensure_ascii=not text.isprintable())


def _printable(text: str) -> str:
    """Text that cannot move a terminal's cursor, whoever wrote it."""
    return text if text.isprintable() else json.dumps(text)[1:-1]
