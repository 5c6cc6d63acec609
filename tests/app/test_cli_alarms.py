"""The commands about alarms: what is wrong is told before anything is sent."""

from pathlib import Path

import pytest

from mistd.app.cli import NOBODY, WRONG
from tests.app.commands import bench_file, run


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("acknowledge",), "name the alarm: KIND/SUBJECT, as `mistd alarms` lists it"),
        (("shelve", "no_broker"), "--for: say for how long to shelve it, and nothing else has an end"),
        (
            ("reset", "no_broker", "--for", "2h"),
            "--for: say for how long to shelve it, and nothing else has an end",
        ),
        (("reset", "no_broker", "--occurrence", "2"), "--occurrence: only an acknowledgement is of one"),
        (("shelve", "no_broker", "--for", "soon"), "'soon' is no length of time; write it as 5s, 45m"),
    ],
)
def test_what_is_wrong_is_told_before_anything_is_sent(
    words: tuple[str, ...], told: str, tmp_path: Path
) -> None:
    result = run("alarm", *words, "--house", bench_file(tmp_path))

    assert result.exit_code == WRONG
    assert result.output.startswith(told)


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    result = run("alarm", "reset", "--for", "2h", "--occurrence", "2", "--house", bench_file(tmp_path))

    assert result.exit_code == WRONG
    assert len(result.output.splitlines()) == 3


def test_an_action_that_is_none_is_told_with_those_that_are(tmp_path: Path) -> None:
    result = run("alarm", "ack", "--house", bench_file(tmp_path))

    assert result.exit_code == WRONG
    assert "out-of-service" in result.output


@pytest.mark.parametrize("words", [("alarms",), ("alarm", "silence"), ("alarm", "acknowledge", "no_broker")])
def test_without_a_broker_nobody_answers(words: tuple[str, ...], tmp_path: Path) -> None:
    result = run(*words, "--house", bench_file(tmp_path))

    assert (result.exit_code, result.stdout) == (NOBODY, "")
