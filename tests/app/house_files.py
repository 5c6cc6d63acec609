"""Files that describe houses, for tests: a good one as plain tables, changed and written as TOML.

Answers for: a small house that passes every check, and TOML text of whatever tables a test makes of it.
Does not know what a house may say. Rule: each call gives tables of its own, free to be changed.
"""

import json
import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from mistd.app.cli import main
from mistd.app.config import Config
from mistd.app.config_file import checked_config, load_config
from mistd.app.demand_plan import Benches
from mistd.app.problems import ConfigError

Tables = dict[str, Any]
Change = Callable[[Tables], object]

COMMAND = [sys.executable, "-W", "error", "-c", "from mistd.app.cli import main; main()"]
EXAMPLE = Path(__file__).parents[2] / "config" / "example-house.toml"


def good_zone(name: str, pin: int) -> Tables:
    return {
        "name": name,
        "pin": pin,
        "nozzles": 12,
        "nozzle_flow_l_per_min": 0.6,
        "nozzle_pressure_bar": 3.0,
        "bench_area_m2": 14.0,
        "line_volume_l": 0.25,
        "timed": {
            "night": {"burst_s": 4, "gap_min": 40},
            "dawn": {"burst_s": 5, "gap_min": 15},
            "day": {"burst_s": 6, "gap_min": 8},
            "dusk": {"burst_s": 5, "gap_min": 15},
        },
    }


def good_house() -> Tables:
    """Two zones and three sensors; nothing is wrong with it."""
    return {
        "house": {"name": "fern-house", "title": "Fern house"},
        "place": {
            "latitude": 50.35,
            "longitude": 3.52,
            "elevation_m": 40,
            "time_zone": "Europe/Brussels",
        },
        "day_parts": {"dawn_begins_min": -30, "day_begins_min": 90},
        "line": {"valves_at_once": 1, "pause_s": 2.0},
        "outputs": {"driver": "gpiozero"},
        "broker": {"host": "127.0.0.1", "port": 1883},
        "state": {"directory": "/var/lib/mistd", "run_directory": "/run/mistd"},
        "zones": [good_zone("left", 5), good_zone("right", 6)],
        "sensors": [
            {"name": "air", "kind": "air_temperature", "topic": "fern/air", "field": "temperature"},
            {
                "name": "damp",
                "kind": "relative_humidity",
                "topic": "fern/air",
                "field": "humidity",
                "unit": "percent",
            },
            {"name": "manifold", "kind": "supply_pressure", "topic": "fern/pressure"},
        ],
    }


def timed_example() -> Tables:
    """The example house with every zone by its timetable, for tests that reckon by gaps.

    Without the sensors that nothing but demand goes by.
    """
    tables = tomllib.loads(EXAMPLE.read_text())
    for zone in tables["zones"]:
        zone.pop("cycle", None)
        zone.pop("demand", None)
    tables["sensors"] = [each for each in tables["sensors"] if each["kind"] not in {"light", "leaf_wetness"}]
    return tables


def set_to(path: str, value: Any) -> Change:
    """A change: the key at `zones.0.timed.day.gap_min` gets a value; None takes it away."""

    def change(tables: Tables) -> None:
        *steps, last = path.split(".")
        inside: Any = tables
        for step in steps:
            inside = inside[int(step)] if isinstance(inside, list) else inside.setdefault(step, {})
        if value is None:
            del inside[last]
        else:
            inside[last] = value

    return change


def changed(*changes: Change) -> Tables:
    """The good house after some changes."""
    tables = good_house()
    for change in changes:
        change(tables)
    return tables


def toml_of(tables: Mapping[str, Any]) -> str:
    """TOML text: every top-level table in one line, which needs no knowledge of what is in it."""
    return "".join(f"{_key(name)} = {_value(value)}\n" for name, value in tables.items())


def _key(name: str) -> str:
    return json.dumps(name).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(name)} = {_value(inner)}" for name, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _key(value)
    return repr(value)  # numbers, with TOML's own words for nan and inf


def written(directory: Path, content: str | bytes | Mapping[str, Any], name: str = "house.toml") -> Path:
    """A file in a directory, of text, bytes or tables."""
    if isinstance(content, Mapping):
        content = toml_of(content)
    path = directory / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def loaded_house(directory: Path, *changes: Change) -> Config:
    """The good house after some changes, checked."""
    return load_config(written(directory, changed(*changes)))


def benches_of(*changes: Change) -> Benches:
    """What settings come to in the good house after some changes."""
    return Benches(checked_config(toml_of(changed(*changes)), Path("house.toml")))


def several(*changes: Change) -> Change:
    """Some changes as one."""

    def change(tables: Tables) -> None:
        for each in changes:
            each(tables)

    return change


def problems_of(path: Path) -> dict[str, str]:
    """What is wrong with a file: text by key."""
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    return {problem.key: problem.text for problem in caught.value.problems}


def check(path: Path) -> Result:
    """What `mistd check` says of a file."""
    return CliRunner().invoke(main, ["check", str(path)])
