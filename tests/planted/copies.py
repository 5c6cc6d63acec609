"""Copies of the project to plant mistakes in."""

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

PROJECT = Path(__file__).parents[2]
LEFT_OUT = shutil.ignore_patterns(".*cache", "__pycache__", ".hypothesis", ".venv", ".git", "run", "build")


def copied_project(into: Path) -> Path:
    """A copy of everything that is checked."""
    copy = into / "project"
    shutil.copytree(PROJECT, copy, ignore=LEFT_OUT)
    return copy


def plant(copy: Path, file: str, good: str, bad: str) -> None:
    """Replace a piece of code by a mistake.

    Raises:
        AssertionError: the piece is not there exactly once; the code has moved on and so must the plant.
    """
    path = copy / file
    text = path.read_text()
    assert text.count(good) == 1, f"{file} has {text.count(good)} times: {good!r}"
    path.write_text(text.replace(good, bad))


def run_in(copy: Path, command: Sequence[str]) -> "subprocess.CompletedProcess[str]":
    """Run a Python module in a copy, which comes before the installed project."""
    environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    environment.pop("MISTD_HOUSE", None)
    return subprocess.run(
        [sys.executable, "-m", *command],
        cwd=copy,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
