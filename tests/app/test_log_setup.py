"""How a log line reads, and that whatever is logged makes one."""

import json
import logging
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

import pytest
import structlog

from mistd.app.log_setup import start_logging
from tests.app.log_pipe import LONGEST_WAIT_S, Pipe, run_to_the_end

NOON = datetime(2026, 11, 20, 12, 0, 0, 123_456, tzinfo=UTC)


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    made.stream.close()
    made.reader.close()
    structlog.reset_defaults()


def lines_of(
    pipe: Pipe, log_some: Callable[[Any], None], *, is_terminal: bool = False, level: str = "info"
) -> list[str]:
    lines = start_logging(pipe.stream, utc=lambda: NOON, is_terminal=is_terminal, level=level)
    log_some(structlog.get_logger())
    lines.close(LONGEST_WAIT_S)
    assert lines.dropped == 0
    return pipe.read_all()


class Cycle(StrEnum):
    FILM = "film"


def test_a_line_for_machines_is_json_with_time_level_and_event_first(pipe: Pipe) -> None:
    (line,) = lines_of(pipe, lambda log: log.info("burst started", zone=3, duration_s=6.0, cycle=Cycle.FILM))

    assert line == (
        '{"time": "2026-11-20T12:00:00.123Z", "level": "info", "event": "burst started", '
        '"zone": 3, "duration_s": 6.0, "cycle": "film"}'
    )


def test_a_line_for_people_is_aligned_and_quotes_only_what_needs_it(pipe: Pipe) -> None:
    def log_some(log: Any) -> None:
        log.info("burst started", cycle=Cycle.FILM, why="dry leaf")
        log.warning("supply changed", to="tank", note="")
        log.info("started")

    assert lines_of(pipe, log_some, is_terminal=True) == [
        '2026-11-20T12:00:00.123Z info     burst started                    cycle=film why="dry leaf"',
        '2026-11-20T12:00:00.123Z warning  supply changed                   to=tank note=""',
        "2026-11-20T12:00:00.123Z info     started",
    ]


def test_text_from_outside_cannot_move_the_cursor_or_forge_a_line(pipe: Pipe) -> None:
    def log_some(log: Any) -> None:
        log.info("command refused", topic="a\x1b[2J\nb\x9b1m")
        log.info("two\nlines")

    first, second = lines_of(pipe, log_some, is_terminal=True)

    assert first.endswith(r'topic="a\u001b[2J\nb\u009b1m"')
    assert second.endswith(r"two\nlines")


def test_the_level_keeps_lesser_lines_out(pipe: Pipe) -> None:
    def log_at_every_level(log: Any) -> None:
        for level in ("debug", "info", "warning", "error", "critical"):
            getattr(log, level)("happened")

    lines = lines_of(pipe, log_at_every_level, level="warning")

    assert [json.loads(line)["level"] for line in lines] == ["warning", "error", "critical"]


def test_an_unknown_level_is_refused_with_those_allowed(pipe: Pipe) -> None:
    with pytest.raises(ValueError, match="'loud': must be one of debug, info, warning, error, critical"):
        start_logging(pipe.stream, utc=lambda: NOON, is_terminal=False, level="loud")


@pytest.mark.parametrize("is_terminal", [False, True])
def test_a_traceback_is_kept_with_its_line(is_terminal: bool, pipe: Pipe) -> None:
    def log_some(log: Any) -> None:
        try:
            _ = 1 / 0
        except ZeroDivisionError:
            log.exception("pass failed", zone=3)

    text = "\n".join(lines_of(pipe, log_some, is_terminal=is_terminal))

    assert "pass failed" in text
    assert "Traceback (most recent call last)" in text
    assert "ZeroDivisionError: division by zero" in text
    assert ("\n    ZeroDivisionError" in text) is is_terminal


def test_whatever_is_logged_stays_valid_json(pipe: Pipe) -> None:
    """A reading that is not a number is the likeliest of these."""
    loop: dict[str, object] = {}
    loop["self"] = loop

    def log_some(log: Any) -> None:
        log.info("read", deficit_kpa=float("nan"), zone=3)
        log.info("read", keys={(1, 2): 3})
        log.info("read", loop=loop)
        log.info("read", at=NOON, place=Path("/x"), name="Süd \udc80")
        log.info("read", level=0.4, time=5)

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    events = [json.loads(line, parse_constant=refuse) for line in lines_of(pipe, log_some)]

    assert events[0]["deficit_kpa"] == "nan"
    assert events[1]["keys"] == "{(1, 2): 3}"
    assert "{...}" in events[2]["loop"]
    assert (events[3]["at"], events[3]["place"]) == ("2026-11-20 12:00:00.123456+00:00", "/x")
    assert events[3]["name"] == "Süd \udc80"
    assert (events[4]["level"], events[4]["level_"], events[4]["time_"]) == ("info", 0.4, 5)


LIBRARY = """
import logging, sys
from datetime import datetime, UTC
from mistd.app.log_setup import start_logging

lines = start_logging(sys.stdout, utc=lambda: datetime.now(UTC), is_terminal=False, level="debug")
library = logging.getLogger("some.library")
library.info("not wanted")
library.warning("lost %s of %d", "one", 3)
library.error("arguments that do not fit %d %d", 1)
try:
    1 / 0
except ZeroDivisionError:
    library.exception("broke")
lines.close(10.0)
"""


def test_warnings_of_libraries_become_lines_and_nothing_else_is_said() -> None:
    """Apart from this process, where pytest listens to `logging` too."""
    said, complaints = run_to_the_end(LIBRARY)

    events = [json.loads(line) for line in said.splitlines()]
    assert [(event["level"], event["event"]) for event in events] == [
        ("warning", "lost one of 3"),
        ("error", "arguments that do not fit %d %d"),
        ("error", "broke"),
    ]
    assert {event["library"] for event in events} == {"some.library"}
    assert ["exception" in event for event in events] == [False, False, True]
    assert complaints == ""


def test_the_level_holds_for_libraries_too(pipe: Pipe) -> None:
    def log_some(_: Any) -> None:
        logging.getLogger("some.library").warning("not wanted")
        logging.getLogger("some.library").error("wanted")

    (line,) = lines_of(pipe, log_some, level="error")

    assert json.loads(line)["event"] == "wanted"


def test_a_second_start_takes_over_from_the_first(pipe: Pipe) -> None:
    first = start_logging(pipe.stream, utc=lambda: NOON, is_terminal=False, level="info")
    second = start_logging(pipe.stream, utc=lambda: NOON, is_terminal=False, level="info")

    logging.getLogger("some.library").warning("told once")
    for lines in (first, second):
        lines.close(LONGEST_WAIT_S)

    assert len(pipe.read_all()) == 1
