"""The command line: what it says and how it ends, for people who mistype and without daemon or broker."""

import signal
import socket
import stat
import subprocess
import sys
from pathlib import Path

import click
import pytest

from mistd.adapters.simulated_outputs import SimulatedOutputs, SimulatedOutputsView
from mistd.app.cli import NOBODY, REFUSED, WRONG, main, seconds
from mistd.app.version import VERSION
from tests.app.commands import bench_file, run
from tests.app.house_files import set_to

LEAVE_OPEN = """
import os, signal, sys
from pathlib import Path
from mistd.adapters.simulated_outputs import SimulatedOutputs

lines = SimulatedOutputs(("left", "right"), Path(sys.argv[1]), lambda: 0.0)
lines.claim()
lines.drive("left", is_open=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize(
    ("text", "length_s"),
    [("5s", 5.0), ("45m", 2700.0), ("1.5h", 5400.0), (" 2H ", 7200.0), ("0.5s", 0.5), ("1d", 86_400.0)],
)
def test_a_length_of_time_is_read_as_people_write_it(text: str, length_s: float) -> None:
    assert seconds(text) == length_s


@pytest.mark.parametrize("text", ["", "5", "m", "5w", "5 minutes", "-5s", "0s", "nans", "5ss", "5,5s"])
def test_what_is_no_length_of_time_is_refused_in_words(text: str, tmp_path: Path) -> None:
    result = run("hold", "left", "--house", bench_file(tmp_path), f"--for={text}")

    assert result.exit_code == WRONG
    assert "is no length of time; write it as 5s, 45m, 1.5h or 2d" in result.output


@pytest.mark.parametrize("text", ["1e9h", "24.1h", "2d"])
def test_a_length_beyond_any_limit_is_refused_at_once(text: str, tmp_path: Path) -> None:
    result = run("hold", "left", "--house", bench_file(tmp_path), f"--for={text}")

    assert result.exit_code == WRONG
    assert "too long to ask for" in result.output


def test_the_help_names_every_command_and_the_caution() -> None:
    result = run("--help")

    assert isinstance(main, click.Group)
    asking = {"status", "watch", "burst", "hold", "release", "set", "settings", "undo", "why"}
    assert set(main.commands) >= {"check", "run", "shut", "journal", "export", *asking}
    assert all(command in result.output for command in main.commands)
    assert "no safety rating" in result.output
    assert result.exit_code == 0


def test_the_version_is_told() -> None:
    assert VERSION in run("--version").output


@pytest.mark.parametrize(
    "command", [["check"], ["run"], ["burst"], ["hold"], ["set", "left"], ["undo"], ["why"], ["flood"]]
)
def test_half_a_command_is_wrong(command: list[str]) -> None:
    assert run(*command).exit_code == WRONG


# --- a bad file, by every command


def commands(file: Path) -> list[list[object]]:
    named: list[list[object]] = [["check", file], ["run", file], ["shut", file]]
    over_the_broker = (
        ["status"],
        ["watch"],
        ["burst", "left"],
        ["hold", "left"],
        ["release", "left"],
        ["set", "left", "trim", "-20%", "--for", "2d"],
        ["settings"],
        ["undo", "17"],
        ["why", "left"],
    )
    return named + [[*command, "--house", file] for command in over_the_broker]


def test_no_command_starts_with_a_bad_file(tmp_path: Path) -> None:
    file = bench_file(tmp_path, set_to("zones.0.nozzles", 0), set_to("place.latitude", 91))

    for command in commands(file):
        result = run(*command)
        assert result.exit_code == WRONG
        assert "2 problems" in result.output
        assert "zones[left].nozzles: 0" in result.output
    assert not (tmp_path / "run").exists()


def test_the_house_is_also_taken_from_the_environment(tmp_path: Path) -> None:
    missing = tmp_path / "nowhere.toml"

    result = run("status", environment={"MISTD_HOUSE": str(missing)})

    assert result.exit_code == WRONG
    assert str(missing) in result.output


@pytest.mark.parametrize("content", [None, b"\xff"], ids=["missing", "no text"])
def test_a_password_file_that_cannot_be_read_is_told_like_any_other_problem(
    content: bytes | None, tmp_path: Path
) -> None:
    if content is not None:
        (tmp_path / "password").write_bytes(content)
    file = bench_file(tmp_path, set_to("broker.password_file", str(tmp_path / "password")))

    for command in commands(file)[3:]:
        result = run(*command)
        assert result.exit_code == WRONG
        assert "broker.password_file: " in result.output
        assert "cannot be read" in result.output


# --- no broker


def test_without_a_broker_people_are_told_where_it_was_looked_for(tmp_path: Path) -> None:
    file = bench_file(tmp_path)

    for command in commands(file)[3:]:
        result = run(*command)
        assert result.exit_code == NOBODY
        assert "cannot reach broker 127.0.0.1:" in result.output
        assert "is it running" in result.output


def test_a_missing_authority_of_tls_is_told(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        tls = {"tls": True, "ca_file": str(tmp_path / "ca"), "port": server.getsockname()[1]}
        file = bench_file(tmp_path, set_to("broker", tls))

        result = run("status", "--house", file)

    assert result.exit_code == NOBODY
    assert "No such file" in result.output


# --- shutting, and a place to run in


def test_shut_without_a_keeper_claims_the_lines_shut_and_lets_them_go(tmp_path: Path) -> None:
    """A line was left open by something that is no more."""
    file = bench_file(tmp_path)
    path = tmp_path / "state" / "outputs.sim"
    leave_open = [sys.executable, "-c", LEAVE_OPEN, str(path)]
    assert subprocess.run(leave_open, check=False, timeout=10.0).returncode == -signal.SIGKILL
    assert SimulatedOutputsView(path).lines()["left"].is_open

    result = run("shut", file)

    assert result.exit_code == 0, result.output
    assert "every valve is shut" in result.output
    assert not any(line.is_open for line in SimulatedOutputsView(path).lines().values())
    again = SimulatedOutputs(("left", "right"), path, lambda: 0.0)
    again.claim()  # which raises while anybody holds them
    again.release()


def test_shut_says_when_it_cannot(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    other = SimulatedOutputs(("left", "right"), tmp_path / "state" / "outputs.sim", lambda: 0.0)
    other.claim()

    result = run("shut", file)
    other.release()

    assert result.exit_code == REFUSED
    assert "held by another program" in result.output
    assert "close the hand valves" in result.output


def test_the_run_directory_is_for_our_own_user_alone(tmp_path: Path) -> None:
    file = bench_file(tmp_path)

    run("shut", file)

    assert stat.S_IMODE((tmp_path / "run").stat().st_mode) == 0o700


@pytest.mark.parametrize("command", ["run", "shut"])
def test_a_run_directory_that_cannot_be_made_is_told(command: str, tmp_path: Path) -> None:
    (tmp_path / "a-file").write_text("")
    file = bench_file(tmp_path, set_to("state.run_directory", str(tmp_path / "a-file" / "run")))

    result = run(command, file)

    assert result.exit_code == REFUSED
    assert "Not a directory" in result.output
