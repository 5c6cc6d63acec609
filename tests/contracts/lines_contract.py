"""What every implementation of the `Lines` port must do, whatever its lines are made of.

Each check takes lines that nobody holds and leaves them released. The checks name no line: they take the
names from `read_back`, so they run on any house of two lines or more.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

import pytest

from mistd.ports.errors import LinesError
from mistd.ports.lines import Lines


def check_is_shut_when_claimed(lines: Lines) -> None:
    with _claimed(lines) as names:
        assert lines.read_back() == dict.fromkeys(names, False)


def check_opens_and_shuts(lines: Lines) -> None:
    with _claimed(lines) as names:
        for name in names:
            lines.drive(name, is_open=True)
            assert lines.read_back() == {other: other == name for other in names}

            lines.drive(name, is_open=False)
            assert lines.read_back() == dict.fromkeys(names, False)


def check_shut_twice_is_harmless(lines: Lines) -> None:
    with _claimed(lines) as (first, *others):
        lines.drive(first, is_open=True)
        lines.drive(first, is_open=False)

        lines.drive(first, is_open=False)

        assert lines.read_back() == dict.fromkeys([first, *others], False)


def check_second_owner_is_refused(make: Callable[[], Lines]) -> None:
    """The second is refused without harm to the first, and has its turn when the first is done."""
    first, second = make(), make()
    with _claimed(first) as (name, *others):
        first.drive(name, is_open=True)

        with pytest.raises(LinesError):
            second.claim()

        assert first.read_back() == {name: True, **dict.fromkeys(others, False)}
        first.drive(name, is_open=False)
        assert not first.read_back()[name]
    check_is_shut_when_claimed(second)


def check_release_shuts(lines: Lines, seen_open: Callable[[], Mapping[str, bool]]) -> None:
    """Args: seen_open: what somebody sees who looks at the outputs from outside, not through `lines`."""
    with _claimed(lines) as names:
        for name in names:
            lines.drive(name, is_open=True)
        assert seen_open() == dict.fromkeys(names, True)

        lines.release()

        assert seen_open() == dict.fromkeys(names, False)


def check_release_is_harmless_when_nothing_is_held(lines: Lines) -> None:
    lines.release()
    lines.claim()
    lines.release()
    lines.release()


def check_released_lines_refuse_to_be_driven(lines: Lines) -> None:
    with _claimed(lines) as names:
        lines.release()

        for name in names:
            for is_open in (True, False):
                with pytest.raises(LinesError):
                    lines.drive(name, is_open=is_open)
        with pytest.raises(LinesError):
            lines.read_back()


def check_unknown_line_is_refused(lines: Lines) -> None:
    with _claimed(lines) as names:
        with pytest.raises(LinesError):
            lines.drive("no line is called this", is_open=True)

        assert lines.read_back() == dict.fromkeys(names, False)


@contextmanager
def _claimed(lines: Lines) -> Iterator[tuple[str, ...]]:
    """The names of the lines while they are held."""
    lines.claim()
    try:
        names = tuple(lines.read_back())
        assert len(names) > 1, "one line cannot show that the others are left alone"
        yield names
    finally:
        lines.release()
