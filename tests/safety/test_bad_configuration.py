"""Promise 12: a house that ran before is misted on when its file has gone bad, by the last one that ran.

What may befall a file is gone through side by side, once; each is a house of its own with a real daemon.
"""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest

from mistd.app.config_file import house_text
from mistd.app.last_good import COPY_NAME, Origin, keep, last_good
from tests.broker import Mosquitto
from tests.safety.asking import Asker
from tests.safety.disks import WITHOUT_ROOTS_RIGHT
from tests.safety.harness import LOCAL, ROOT, RUN, House, Program, Zone, until

pytestmark = [pytest.mark.real_time, pytest.mark.broker]
ZONES = (Zone(name="left", burst_s=0.5), Zone(name="right", burst_s=0.5))
LONG = (Zone(name="left", burst_s=15.0, gap_s=60.0), Zone(name="right", burst_s=15.0, gap_s=60.0))
A_DAY = datetime(2026, 6, 1, 6, 12, tzinfo=LOCAL)
RUNS_ON = "the last good configuration, of 01 June 2026 06:12, runs in its place"
LONGEST_TEXT = 900_000  # characters: long enough for a kill to meet the writing of it


# --- what becomes of a file


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate:
    """What happened to a house's file, how the daemon is started after it, and what it has to say."""

    befalls: Callable[[House], object]
    problem: str
    needs_hint: bool = False  # nothing is left of the file that names the state directory
    program: Sequence[str] = RUN


def is_misspelt(house: House) -> None:
    """A bracket is missing, in the middle of the file."""
    text = house.file.read_text()
    assert "[outputs]" in text
    house.file.write_text(text.replace("[outputs]", "[outputs", 1))


def is_missing(house: House) -> None:
    house.file.unlink()


def is_emptied(house: House) -> None:
    house.file.write_bytes(b"")


def may_not_be_read(house: House) -> None:
    house.file.chmod(0)


def has_a_burst_in_milliseconds(house: House) -> None:
    text = house.file.read_text()
    assert "burst_s = 0.5" in text
    house.file.write_text(text.replace("burst_s = 0.5", "burst_s = 400", 1))


def has_two_zones_on_one_pin(house: House) -> None:
    text = house.file.read_text().replace('driver = "simulated"', 'driver = "gpiozero"')
    house.file.write_text(text.replace("nozzles = 4", "nozzles = 4\npin = 17"))


def is_garbage(house: House) -> None:
    house.file.write_bytes(random.Random(12).randbytes(20_000))


def is_garbage_to_its_half(house: House) -> None:
    """As a bad block leaves it: zeros to the end of the file, from the middle of the zones on."""
    content = house.file.read_bytes()
    kept = content.index(b"[[zones]]") + 20
    house.file.write_bytes(content[:kept] + bytes(len(content) - kept))


def is_a_directory(house: House) -> None:
    house.file.unlink()
    house.file.mkdir()


FATES: Mapping[str, Fate] = {
    fate.befalls.__name__: fate
    for fate in (
        Fate(befalls=is_misspelt, problem="is not TOML: "),
        Fate(befalls=is_missing, problem="there is no such file", needs_hint=True),
        Fate(befalls=is_emptied, problem="zones: missing", needs_hint=True),
        Fate(
            befalls=may_not_be_read,
            problem="cannot be read: Permission denied",
            needs_hint=True,
            program=WITHOUT_ROOTS_RIGHT,
        ),
        Fate(
            befalls=has_a_burst_in_milliseconds,
            problem="zones[left].timed.night.burst_s: 400: allowed 0.5 to 30 s",
        ),
        Fate(befalls=has_two_zones_on_one_pin, problem="zones[right].pin: 17 is wired to left and right"),
        Fate(befalls=is_garbage, problem="is not UTF-8 text", needs_hint=True),
        Fate(befalls=is_garbage_to_its_half, problem="is not TOML: "),
        Fate(befalls=is_a_directory, problem="is a directory", needs_hint=True),
    )
}


def have_run(house: House) -> str:
    """Leave the house as a good run of it does; its text."""
    house.state_directory.mkdir(exist_ok=True)
    text = house_text(house.file)
    assert keep(house.state_directory, Origin(file=house.file, text=text), house.name, A_DAY)
    return text


def misted_on_after(fate: Fate) -> None:
    """Every other house is told of its state directory by its service unit, the others by an option."""
    with House(ZONES) as house:
        text = have_run(house)
        fate.befalls(house)
        hint = ("--state-directory", str(house.state_directory)) if fate.needs_hint else ()

        daemon = house.start(*hint, program=fate.program)

        told = daemon.wait_for("configuration bad")
        house.until_misted_again(3)
        assert set(house.lines()) == {"left", "right"}
        assert told["level"] == "warning"
        assert told["subject"] == house.name
        assert fate.problem in told["reason"]
        assert RUNS_ON in told["reason"]
        assert str(house.file) in daemon.errors()
        assert fate.problem in daemon.errors()
        assert f"{RUNS_ON}: {house.state_directory / COPY_NAME}\n" in daemon.errors()
        daemon.send(signal.SIGTERM)
        assert daemon.ended() == 0
        assert copied(house) == (text, A_DAY), "what stands in is not kept anew"


def copied(house: House) -> tuple[str, datetime]:
    copy = last_good(house.state_directory)
    assert copy is not None
    return copy.text, copy.kept_at


# --- other stories


def a_good_start_is_kept_and_a_mended_file_runs_again() -> None:
    with (
        Mosquitto() as broker,
        House(ZONES, broker_port=broker.port) as house,
        Asker(broker.port, house.name) as asker,
    ):
        good = "# émis by Ilse\n" + house_text(house.file)
        house.file.write_text(good)
        first = house.start()
        until_kept(house, good)
        house.until_misted_again(1)
        first.send(signal.SIGKILL)
        first.ended()

        has_a_burst_in_milliseconds(house)
        before = asker.mark()
        second = house.start()
        told = asker.event("configuration_bad", before)
        house.until_misted_again(2)
        second.send(signal.SIGTERM)
        assert second.ended() == 0

        mended = good.replace("pause_s = 0.5", "pause_s = 0.6")
        house.file.write_text(mended)
        third = house.start()
        until_kept(house, mended)
        house.until_misted_again(1)
        assert first.logged("configuration bad") == third.logged("configuration bad") == []
        assert first.errors() == third.errors() == ""
        assert "burst_s: 400: allowed 0.5 to 30 s" in told["reason"]
        assert "the last good configuration, of " in told["reason"]


def until_kept(house: House, text: str) -> None:
    def is_kept() -> bool:
        copy = last_good(house.state_directory)
        return copy is not None and copy.text == text

    until(is_kept, "the configuration kept", but=house.account)


def a_service_unit_that_names_the_state_directory_is_enough() -> None:
    with House(ZONES) as house:
        have_run(house)
        is_missing(house)

        daemon = house.start(program=("env", f"STATE_DIRECTORY={house.state_directory}", *RUN))

        daemon.wait_for("configuration bad")
        house.until_misted_again(1)


def a_first_start_with_a_bad_file_starts_nothing() -> None:
    with House(ZONES) as house:
        has_a_burst_in_milliseconds(house)

        daemon = house.start()

        assert daemon.ended() == 2
        assert "zones[left].timed.night.burst_s: 400: allowed 0.5 to 30 s" in daemon.errors()
        starts_nothing(house, daemon)


def the_bad_file_of_another_house_does_not_open_this_ones_valves() -> None:
    with House(ZONES) as house:
        have_run(house)
        text = house.file.read_text().replace(f'name = "{house.name}"', 'name = "moss-house"')
        house.file.write_text(text.replace("burst_s = 0.5", "burst_s = 400"))

        daemon = house.start()

        assert daemon.ended() == 2
        assert f"is of another house, {house.name}" in daemon.errors()
        starts_nothing(house, daemon)


def the_copy_of_another_file_opens_no_valve() -> None:
    """A disk was cloned, and its file has another name here."""
    with House(ZONES) as house:
        have_run(house)
        house.file = house.file.rename(house.directory / "second.toml")
        is_misspelt(house)

        daemon = house.start()

        assert daemon.ended() == 2
        assert f"was taken from another file, {house.directory / 'house.toml'}" in daemon.errors()
        starts_nothing(house, daemon)


def starts_nothing(house: House, daemon: Program) -> None:
    assert daemon.log == []
    assert not house.run_directory.exists()
    assert not house.outputs_path.exists()


def a_state_directory_that_takes_no_copy_is_told_and_misting_goes_on() -> None:
    with House(ZONES) as house:
        (house.state_directory / f"{COPY_NAME}.new").mkdir(parents=True)

        daemon = house.start()

        told = daemon.wait_for("backup failed")
        house.until_misted_again(2)
        assert told["reason"] == "no copy of the configuration that runs: Is a directory"
        assert len(daemon.logged("backup failed")) == 1


def a_house_that_gets_no_keeper_is_not_kept() -> None:
    """Its file may be good TOML; whether it can be run is not known until its lines are claimed."""
    with House(ZONES) as house:
        text = have_run(house)
        house.file.write_text(text.replace("pause_s = 0.5", "pause_s = 0.6"))
        house.outputs_path.mkdir()

        daemon = house.start()

        daemon.wait_for("keeper lost")
        daemon.send(signal.SIGTERM)
        daemon.ended()
        assert copied(house) == (text, A_DAY)


def valves_left_open_are_shut_by_the_configuration_that_opened_them() -> None:
    """The stop step of a service unit, when daemon and keeper were both killed."""
    with House(LONG) as house:
        have_run(house)
        is_misspelt(house)
        daemon = house.start()
        house.until_open("left", "right")
        house.kill_keeper(signal.SIGSTOP)  # else it would shut them itself
        daemon.send(signal.SIGKILL)
        house.kill_keeper()
        assert house.open_lines() == {"left", "right"}

        done = house.run("shut")

        assert done.returncode == 0
        assert RUNS_ON in done.stderr
        assert house.open_lines() == set()


def a_password_that_is_gone_costs_the_broker_and_no_burst() -> None:
    with Mosquitto() as broker, House(ZONES, broker_port=broker.port) as house:
        password = house.directory / "password"
        text = house.file.read_text()
        house.file.write_text(
            text.replace("[broker]\n", f'[broker]\nusername = "mistd"\npassword_file = "{password}"\n')
        )
        first = house.start()
        assert first.ended() == 2, "a first start refuses"
        assert f"broker.password_file: '{password}' cannot be read: No such file" in first.errors()
        have_run(house)

        second = house.start()

        lost = second.wait_for("broker lost")
        house.until_misted_again(2)
        assert f"the password file '{password}' cannot be read: No such file or directory" in lost["reason"]
        password.write_text("secret\n")
        second.wait_for("broker connected")


STORIES: tuple[Callable[[], None], ...] = (
    a_good_start_is_kept_and_a_mended_file_runs_again,
    a_service_unit_that_names_the_state_directory_is_enough,
    a_first_start_with_a_bad_file_starts_nothing,
    the_bad_file_of_another_house_does_not_open_this_ones_valves,
    the_copy_of_another_file_opens_no_valve,
    a_state_directory_that_takes_no_copy_is_told_and_misting_goes_on,
    a_house_that_gets_no_keeper_is_not_kept,
    valves_left_open_are_shut_by_the_configuration_that_opened_them,
    a_password_that_is_gone_costs_the_broker_and_no_burst,
)
SIDE_BY_SIDE = 6  # daemons starting on two cores


@pytest.fixture(scope="module")
def gone_through() -> Iterator[dict[str, Future[None]]]:
    with ThreadPoolExecutor(SIDE_BY_SIDE) as side_by_side:
        yield {
            **{name: side_by_side.submit(misted_on_after, fate) for name, fate in FATES.items()},
            **{story.__name__: side_by_side.submit(story) for story in STORIES},
        }


@pytest.mark.parametrize("name", FATES)
def test_a_house_is_misted_on_and_says_so_when_its_file(
    gone_through: dict[str, Future[None]], name: str
) -> None:
    gone_through[name].result()


@pytest.mark.parametrize("name", [story.__name__ for story in STORIES])
def test_that(gone_through: dict[str, Future[None]], name: str) -> None:
    gone_through[name].result()


# --- a kill while the copy is being written

KILLED_AT_A_LINE = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from mistd.app import last_good
from mistd.app.last_good import Origin, keep

directory = Path(sys.argv[1])

def write(text):
    keep(directory, Origin(file=Path("/etc/house.toml"), text=text), "fern-house", datetime.now(UTC))

def write_and_be_killed_at(left):
    def trace(frame, event, _):
        nonlocal left
        if frame.f_code.co_filename != last_good.__file__:
            return None
        left -= event == "line"
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return trace
    sys.settrace(trace)
    write("new")
    os._exit(0)

line, code = 0, None
while code != 0:
    write("old")
    child = os.fork()
    if child == 0:
        write_and_be_killed_at(line)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, -signal.SIGKILL), code
    print(last_good.last_good(directory).text, flush=True)
    line += 1
"""

WRITING_ON_AND_ON = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from mistd.app.last_good import Origin, keep

directory, length = Path(sys.argv[1]), int(sys.argv[2])
print("begun", flush=True)
while True:
    for sign in "ab":
        origin = Origin(file=Path("/etc/house.toml"), text=sign * length)
        keep(directory, origin, "fern-house", datetime.now(UTC))
"""


def test_a_kill_at_any_line_of_the_writing_leaves_the_old_copy_or_the_new(tmp_path: Path) -> None:
    command = [sys.executable, "-c", KILLED_AT_A_LINE, str(tmp_path)]

    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=60.0, check=False)

    assert (done.returncode, done.stderr) == (0, "")
    found = done.stdout.split()
    assert found == ["old"] * found.count("old") + ["new"] * found.count("new")
    assert found.count("old") > 20, "kills before the new one has its name"
    assert found.count("new") > 3, "and after it"
    assert [each.name for each in tmp_path.iterdir()] == [COPY_NAME]


def test_a_kill_at_any_instant_of_a_long_writing_leaves_a_whole_copy(tmp_path: Path) -> None:
    chance = random.Random(4)
    was_half_written = 0
    for _ in range(12):
        command = [sys.executable, "-c", WRITING_ON_AND_ON, str(tmp_path), str(LONGEST_TEXT)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT) as writer:
            assert writer.stdout is not None
            assert writer.stdout.readline() == b"begun\n"
            until((tmp_path / COPY_NAME).exists, "a first copy")
            time.sleep(chance.uniform(0.0, 0.05))
            os.kill(writer.pid, signal.SIGKILL)

        copy = last_good(tmp_path)

        assert copy is not None
        assert copy.text in {"a" * LONGEST_TEXT, "b" * LONGEST_TEXT}
        was_half_written += (tmp_path / f"{COPY_NAME}.new").exists()
    assert was_half_written > 0, "no kill met the writing"
