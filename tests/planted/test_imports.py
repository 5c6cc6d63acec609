"""Every import rule is broken once, by one line, and the rule meant for it says so."""

import tomllib
from pathlib import Path

import pytest

from tests.planted.copies import PROJECT, copied_project, run_in

RULES = [
    contract["id"]
    for contract in tomllib.loads((PROJECT / "pyproject.toml").read_text())["tool"]["importlinter"][
        "contracts"
    ]
]

# For each rule: the file that gets the line, and the line.
BREACHES: dict[str, list[tuple[str, str]]] = {
    "layers": [
        ("mistd/ports/clock.py", "import mistd.keeper.wire"),
        ("mistd/keeper/wire.py", "import mistd.app.topics"),
        ("mistd/core/units.py", "import mistd.ports.clock"),
    ],
    "core-is-pure": [
        ("mistd/core/decide.py", "import time"),
        ("mistd/core/zone.py", "import random"),
        ("mistd/core/plan.py", "import pydantic"),
        ("mistd/core/leases.py", "import logging"),
    ],
    "one-place-per-library": [
        ("mistd/app/daemon.py", "import aiomqtt"),
        ("mistd/app/saving.py", "import sqlite3"),
        ("mistd/keeper/process.py", "import gpiozero"),
    ],
    "keeper-is-small": [
        ("mistd/keeper/process.py", "import asyncio"),
        ("mistd/keeper/wire.py", "import pydantic"),
    ],
    "wiring": [("mistd/app/control_loop.py", "import mistd.adapters.system_clock")],
    "adapters-apart": [("mistd/adapters/sqlite/store.py", "import mistd.adapters.system_clock")],
    "no-simulators-in-the-program": [("mistd/app/cli.py", "import simulators.rig")],
    "plant-apart": [
        ("simulators/plant/plant.py", "import mistd.core.decide"),
        ("simulators/plant/leaves.py", "import mistd.core.cycles"),
    ],
    "no-cycles": [("mistd/core/meters.py", "import mistd.core.zone")],
}


def test_every_rule_has_a_breach_planted() -> None:
    assert sorted(BREACHES) == sorted(RULES)


@pytest.mark.real_time
@pytest.mark.parametrize("rule", RULES)
def test_a_breach_of_the_rule_is_caught(rule: str, tmp_path: Path) -> None:
    copy = copied_project(tmp_path)
    assert is_kept(copy, rule), "the rule is broken before anything was planted"

    for file, line in BREACHES[rule]:
        path = copy / file
        good = path.read_text()
        path.write_text(f"{good}\n{line}\n")

        assert not is_kept(copy, rule), f"{line!r} in {file} was not caught"
        path.write_text(good)


def is_kept(copy: Path, rule: str) -> bool:
    """Whether a rule holds in a copy of the project."""
    done = run_in(copy, ["tests.planted.lint", "--contract", rule, "--no-cache"])
    kept, broken = "1 kept, 0 broken" in done.stdout, "0 kept, 1 broken" in done.stdout
    assert kept or broken, done.stdout + done.stderr
    return kept


def test_the_plant_may_import_no_module_of_the_core_but_two() -> None:
    contracts = tomllib.loads((PROJECT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    forbidden = next(contract for contract in contracts if contract["id"] == "plant-apart")[
        "forbidden_modules"
    ]
    modules = {f"mistd.core.{path.stem}" for path in (PROJECT / "mistd" / "core").glob("[a-z]*.py")}

    assert modules - set(forbidden) == {"mistd.core.psychrometrics", "mistd.core.readings"}
