"""Whatever is named as a house's file, `mistd check` says in words what is wrong with it and exits with 2."""

import os
import socket
import stat
import subprocess
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mistd.app.config import Config
from mistd.app.config_file import LARGEST_FILE, load_config
from mistd.app.house_plan import house_plan
from mistd.app.problems import ConfigError
from mistd.app.summary import summary
from tests.app.house_files import COMMAND, EXAMPLE, check, good_house, problems_of, toml_of, written

LONGEST_CHECK_S = 20.0
DAY = date(2026, 6, 1)


def check_in_a_process(path: Path) -> "subprocess.CompletedProcess[str]":
    command = [*COMMAND, "check", str(path)]
    return subprocess.run(command, capture_output=True, text=True, timeout=LONGEST_CHECK_S, check=False)


def toml_with(old: str, new: str) -> str:
    text = toml_of(good_house())
    assert old in text
    return text.replace(old, new, 1)


BAD_CONTENT: dict[str, tuple[str | bytes, str]] = {
    "bad_utf_8": (toml_of(good_house()).encode() + b"\n# caf\xe9\n", "is not UTF-8 text"),
    "not_toml": ("mist often, but not too much\n", "is not TOML"),
    "half_a_table": (toml_of(good_house())[:-40], "is not TOML"),
    "zero_bytes": (b"\0" * 100, "is not TOML"),
    "a_picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "is not UTF-8 text"),
    "nested_lists": ("x = " + "[" * 100_000 + "]" * 100_000, "nested too deeply"),
    "nested_tables": ("x = " + "{a=" * 5_000 + "1" + "}" * 5_000, "nested too deeply"),
    "deep_dotted_key": (
        toml_with('"latitude" = 50.35', "latitude" + ".a" * 5_000 + " = 1"),
        "place.latitude",
    ),
    "deep_unknown_key": (toml_with('"latitude"', "x" + ".a" * 5_000 + ' = 1, "latitude"'), "place.x"),
    "5000_digits": (toml_with("14.0", "1" + "0" * 5_000), "thousands of digits"),
    "a_date": (toml_with("50.35", "2026-11-02"), "2026-11-02"),
    "a_date_that_is_none": (toml_with("50.35", "2026-02-30"), "is not TOML"),
    "another_programs": ('[build-system]\nrequires = ["x"]\n', "unknown key"),
    "one_key_twice": (toml_of(good_house()) * 2, "is not TOML"),
}


@pytest.mark.parametrize("name", BAD_CONTENT)
def test_whatever_is_in_a_file_it_is_told_in_words(name: str, tmp_path: Path) -> None:
    content, words = BAD_CONTENT[name]

    result = check(written(tmp_path, content))

    assert words in result.output
    assert result.exit_code == 2
    assert isinstance(result.exception, SystemExit)


def test_bad_utf_8_is_told_with_its_line(tmp_path: Path) -> None:
    assert problems_of(written(tmp_path, b"\xef\xbb\xbf# one\n# two\n# caf\xe9\n")) == {
        "the file": "line 3 is not UTF-8 text; save the file as UTF-8"
    }


def test_an_empty_file_is_told_what_it_needs(tmp_path: Path) -> None:
    told = problems_of(written(tmp_path, ""))

    assert set(told) == {"house", "place", "outputs", "zones"}
    assert all(text.startswith("missing") for text in told.values())


def test_a_file_of_50_mb_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "house.toml"
    with path.open("wb") as file:
        file.truncate(50_000_000)

    assert problems_of(path) == {"the file": "50.0 MB is too large, at most 1 MB"}


def test_the_largest_file_is_read_and_a_byte_more_is_not(tmp_path: Path) -> None:
    text = toml_of(good_house())
    just = written(tmp_path, text + "#" * (LARGEST_FILE - len(text)), "just.toml")
    over = written(tmp_path, text + "#" * (LARGEST_FILE - len(text) + 1), "over.toml")

    load_config(just)

    assert list(problems_of(over)) == ["the file"]


def no_file(place: Path) -> Path:
    return place / "house.toml"


def a_directory(place: Path) -> Path:
    return place


def a_fifo(place: Path) -> Path:
    os.mkfifo(place / "fifo")
    return place / "fifo"


def a_socket(place: Path) -> Path:
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(place / "socket"))
    return place / "socket"


def a_device(place: Path) -> Path:
    return Path("/dev/zero")


def a_loop_of_links(place: Path) -> Path:
    (place / "loop").symlink_to(place / "loop")
    return place / "loop"


def a_file_as_a_directory(place: Path) -> Path:
    return written(place, "") / "house.toml"


def a_name_too_long(place: Path) -> Path:
    return place / ("x" * 300)


NO_FILES = {
    no_file: "there is no such file",
    a_directory: "is a directory",
    a_fifo: "is not a plain file",
    a_socket: "is not a plain file",
    a_device: "is not a plain file",
    a_loop_of_links: "cannot be read: Too many levels of symbolic links",
    a_file_as_a_directory: "cannot be read: Not a directory",
    a_name_too_long: "cannot be read: File name too long",
}


@pytest.mark.parametrize("make", NO_FILES, ids=lambda make: make.__name__)
def test_what_is_no_readable_file_is_told_in_words(make: Any, tmp_path: Path) -> None:
    result = check(make(tmp_path))

    assert NO_FILES[make] in result.output
    assert "1 problem" in result.output
    assert result.exit_code == 2
    assert isinstance(result.exception, SystemExit)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_told_so(tmp_path: Path) -> None:
    path = written(tmp_path, good_house())
    path.chmod(stat.S_IWUSR)

    assert problems_of(path) == {"the file": "cannot be read: Permission denied"}


# --- in a process of its own: nothing of click between us and the end


@pytest.mark.parametrize("name", ["bad_utf_8", "nested_lists", "deep_dotted_key", "5000_digits"])
def test_a_bad_file_ends_the_process_with_2_and_no_traceback(name: str, tmp_path: Path) -> None:
    content, words = BAD_CONTENT[name]

    done = check_in_a_process(written(tmp_path, content))

    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_a_fifo_does_not_hold_the_process_up(tmp_path: Path) -> None:
    done = check_in_a_process(a_fifo(tmp_path))

    assert (done.returncode, done.stdout) == (2, "")


def test_a_good_file_ends_the_process_with_0(tmp_path: Path) -> None:
    done = check_in_a_process(EXAMPLE)

    assert (done.returncode, done.stderr) == (0, "")
    assert "sun on" in done.stdout


# --- any file at all

KEYS = ["name", "timed", "pin", "burst_s", "gap_min", "off", "latitude", "x", "", "\x1b[2J", "kind", "unit"]
SCALARS = st.one_of(
    st.booleans(),
    st.integers(min_value=-(2**80), max_value=2**80),
    st.floats(),
    st.sampled_from(["", "left", "Europe/Brussels", "simulated", "#", "a\nb\x1b", "é" * 40, "x" * 400]),
    st.dates().map(str),
)
ANYTHING = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=4),
    max_leaves=6,
)


def places_in(inside: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every path to a value in nested tables."""
    steps: list[Any] = []
    if isinstance(inside, dict):
        steps = list(inside)
    elif isinstance(inside, list):
        steps = list(range(len(inside)))
    return [path, *(found for step in steps for found in places_in(inside[step], (*path, step)))][
        0 if path else 1 :
    ]


PLACES = places_in(good_house())
NUMBERS = st.one_of(st.floats(allow_nan=True), st.integers(-100, 100_000), st.floats(0.0, 60.0))
MISTAKES = st.lists(st.tuples(st.sampled_from(PLACES), NUMBERS | ANYTHING), min_size=1, max_size=4)


def spoil(tables: dict[str, Any], place: tuple[Any, ...], value: Any) -> None:
    """Put a value at a place, as far as an earlier one has left the place there."""
    inside: Any = tables
    for step in place[:-1]:
        try:
            inside = inside[step]
        except (KeyError, IndexError, TypeError):
            return
    if isinstance(inside, dict) or (isinstance(inside, list) and place[-1] in range(len(inside))):
        inside[place[-1]] = value


def found_in(path: Path) -> Config | ConfigError:
    try:
        return load_config(path)
    except ConfigError as error:
        return error


@settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(mistakes=MISTAKES)
def test_any_mutation_of_a_good_file_is_taken_or_told(mistakes: list[Any], tmp_path: Path) -> None:
    tables = good_house()
    for place, value in mistakes:
        spoil(tables, place, value)
    text = toml_of(tables)
    tomllib.loads(text)  # else this would only ever test the parser

    found = found_in(written(tmp_path, text))

    if isinstance(found, ConfigError):
        assert found.problems
        assert all(problem.key and problem.text for problem in found.problems)
        assert all(line.isprintable() for line in str(found).splitlines())
    else:
        assert len(house_plan(found).zones) == len(found.zones) > 0
        assert summary(found, DAY)
