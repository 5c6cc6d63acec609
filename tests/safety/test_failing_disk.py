"""A disk that fails, or a program that dies, at every call that changes a file, one after the other.

Whatever the call: what was acknowledged is found again, once, and nothing is found that is a mixture.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.adapters.state_files import ROOT

SHIM = Path(__file__).with_name("failing_disk.c")
IN_MEMORY = Path("/dev/shm")  # its syncs cost nothing; what is synced is another test's to ask
WITHIN_S = 1200.0
STEPS_BEFORE, LAST_STEP = 6, 11

pytestmark = pytest.mark.real_time


@pytest.fixture(scope="module")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The failing calls, compiled."""
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not there to compile the calls that fail")
    library = tmp_path_factory.mktemp("shim") / "failing_disk.so"
    subprocess.run(
        ["gcc", "-shared", "-fPIC", "-O1", "-Wall", "-Wextra", "-Werror", "-o", library, SHIM, "-ldl"],
        check=True,
    )
    return library


@pytest.fixture
def place() -> Iterator[Path]:
    where = IN_MEMORY if os.access(IN_MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="failing-disk-", dir=where) as directory:
        yield Path(directory)


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """What became of one n."""

    number: int
    told: list[str]
    ended: int
    found: dict[str, Any]

    def kept(self) -> int:
        """The last step that was acknowledged, as saved or as noted."""
        told = (text.split() for text in self.told)
        return max((int(words[1]) for words in told if words[0] in ("noted", "kept")), default=0)

    def begun(self) -> int:
        return max((int(text.split()[1]) for text in self.told if text.startswith("began")), default=0)

    def refused(self) -> list[str]:
        return [text for text in self.told if text.startswith("refused")]

    def is_complete(self) -> bool:
        return "closed" in self.told


def lives(shim: Path, place: Path, start: str, how: str, every: int) -> list[Life]:
    """One for each n, and each looked at for what holds however it ended."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.safety.failing_disk", place, start, how, "0", str(every)],
        cwd=ROOT,
        env={**os.environ, "LD_PRELOAD": str(shim)},
        check=True,
        capture_output=True,
        text=True,
        timeout=WITHIN_S,
    )
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    all_lives = [Life(number=each.pop("n"), **each) for each in lines]
    before = STEPS_BEFORE if start in ("killed", "spoilt") else 0
    for life in all_lives:
        where = f"{start}, {how}, call {life.number}: {life}"
        assert "wrong" not in life.found, where
        assert life.found["step"] in {max(life.kept(), before), max(life.begun(), before)}, where
    return all_lives


WAYS_TO_DIE = ["die before", "die after", "tear and die"]
STARTS = ["new", "killed", "spoilt", "version 1"]
ALL_CALLS = {"new": 350, "killed": 180, "spoilt": 240, "version 1": 80}  # there are more; fewer prove less


def check_deaths(shim: Path, place: Path, start: str, how: str, every: int) -> None:
    all_lives = lives(shim, place, start, how, every)

    assert len(all_lives) * every >= ALL_CALLS[start]
    assert [life for life in all_lives if life.is_complete()] == all_lives[-1:]
    assert all(life.ended == -9 for life in all_lives[:-1])


def check_failures(shim: Path, place: Path, start: str, how: str, every: int) -> None:
    """Each is told, and got over by asking again."""
    all_lives = lives(shim, place, start, how, every)

    assert len(all_lives) * every >= (60 if how == "read" else ALL_CALLS[start])
    assert all(life.is_complete() and life.ended == 0 for life in all_lives)
    if start != "version 1":
        assert all(life.found["step"] == LAST_STEP for life in all_lives)
    assert sum(bool(life.refused()) for life in all_lives) >= len(all_lives) / 10
    if how == "read" and start == "killed":
        assert all(life.found["troubles"] == [] for life in all_lives)  # nothing was set aside for it


def check_refusals(shim: Path, place: Path, every: int) -> None:
    """What was refused is not found when the program dies then and there."""
    all_lives = lives(shim, place, "killed", "eio, then die", every)

    died = [life for life in all_lives if not life.is_complete()]
    assert len(died) >= len(all_lives) / 5
    for life in died:
        assert life.found["step"] == max(life.kept(), STEPS_BEFORE), life


@pytest.mark.parametrize(
    ("start", "how", "every"),
    [
        ("killed", "die before", 7),
        ("killed", "tear and die", 17),
        ("new", "die after", 40),
        ("spoilt", "die before", 13),
        ("version 1", "die before", 5),
    ],
)
def test_a_death_at_the_nth_call_loses_nothing_acknowledged(
    start: str, how: str, every: int, shim: Path, place: Path
) -> None:
    check_deaths(shim, place, start, how, every)


@pytest.mark.parametrize(
    ("start", "how", "every"),
    [("killed", "eio", 8), ("killed", "enospc", 23), ("killed", "eio, often", 17), ("killed", "read", 8)],
)
def test_a_failure_of_the_nth_call_is_told_and_got_over(
    start: str, how: str, every: int, shim: Path, place: Path
) -> None:
    check_failures(shim, place, start, how, every)


def test_what_was_refused_at_the_nth_call_is_not_found_after_a_death(shim: Path, place: Path) -> None:
    check_refusals(shim, place, 11)


@pytest.mark.campaign
@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("how", WAYS_TO_DIE)
def test_a_death_at_any_call_loses_nothing_acknowledged(
    start: str, how: str, shim: Path, place: Path
) -> None:
    check_deaths(shim, place, start, how, 1)


@pytest.mark.campaign
@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("how", ["eio", "enospc", "eio, often"])
def test_a_failure_of_any_call_is_told_and_got_over(start: str, how: str, shim: Path, place: Path) -> None:
    check_failures(shim, place, start, how, 1)


@pytest.mark.campaign
def test_a_read_that_fails_at_any_call_is_got_over_and_nothing_set_aside(shim: Path, place: Path) -> None:
    check_failures(shim, place, "killed", "read", 1)


@pytest.mark.campaign
def test_what_was_refused_at_any_call_is_not_found_after_a_death(shim: Path, place: Path) -> None:
    check_refusals(shim, place, 1)
