"""The documents say what the program does: keys, commands, topics and files are named as they are."""

import re
from pathlib import Path

import pytest

from mistd.app.alarm_pages import page
from mistd.app.cli import main as mistd
from mistd.app.config import Config
from mistd.app.config_file import SECTIONS, TABLES
from mistd.app.messages import REQUESTS
from mistd.core.settings import SettingKind

PROJECT = Path(__file__).parents[1]
README = (PROJECT / "README.md").read_text()
DEVELOPERS = (PROJECT / "DEVELOPERS.md").read_text()
TABLE_KEYS = [
    (table, key)
    for table, model in {**SECTIONS, **TABLES}.items()
    for key in model.model_fields
    if key != "timed"  # told by its four parts
]


def row_of(table: str) -> str:
    """The README's row of a table of the house's file."""
    head = f"[[{table}]]" if table in TABLES else f"[{table}]"
    rows = [line for line in README.splitlines() if line.startswith(f"| `{head}`")]
    assert len(rows) == 1, f"README.md has {len(rows)} rows for {head}"
    return rows[0]


@pytest.mark.parametrize(("table", "key"), TABLE_KEYS)
def test_the_readme_names_every_key_of_the_house_file(table: str, key: str) -> None:
    assert f"`{key}`" in row_of(table)


@pytest.mark.parametrize(("table", "key"), TABLE_KEYS)
def test_the_readme_gives_each_default_as_it_is(table: str, key: str) -> None:
    field = {**SECTIONS, **TABLES}[table].model_fields[key]
    told = re.search(rf"`{key}` \(([^):;,]+)", row_of(table))

    if told is None or field.is_required() or field.default in {None, "", False}:
        return
    said = told[1].split(",")[0].strip().strip('"')
    default = field.default
    assert said == (
        str(default).lower()
        if isinstance(default, bool)
        else f"{default:g}"
        if isinstance(default, float)
        else str(default)
    )


def test_every_table_of_the_file_is_in_the_readme() -> None:
    for table in Config.model_fields:
        assert row_of(table)


@pytest.mark.parametrize("command", sorted(mistd.commands))
def test_the_readme_names_every_command(command: str) -> None:
    assert f"`mistd {command}" in README


def test_the_page_of_alarms_is_what_the_program_would_write() -> None:
    assert (PROJECT / "config" / "alarms.md").read_text() == page()  # python -m mistd.app.alarm_pages


@pytest.mark.parametrize("setting", [kind.value for kind in SettingKind])
def test_the_readme_has_a_row_for_every_setting(setting: str) -> None:
    assert f"| `{setting}` |" in README


@pytest.mark.parametrize("request_name", sorted(REQUESTS))
def test_the_readme_names_every_request(request_name: str) -> None:
    assert f"ask/{request_name}" in README


@pytest.mark.parametrize(
    "path", sorted(set(re.findall(r"`((?:mistd|simulators|tests|deploy|config)/[\w./*-]+)`", DEVELOPERS)))
)
def test_every_path_in_the_developers_document_is_there(path: str) -> None:
    assert list(PROJECT.glob(path.rstrip("/")))


def test_the_readme_opens_with_the_job_and_the_two_commands() -> None:
    head = README.split("## ")[0]

    assert "cuttings" in head.splitlines()[2]
    assert "deploy/demo" in head
    assert "deploy/test" in head


def test_the_cautions_claim_no_safety_rating() -> None:
    cautions = README.split("## Cautions")[1]

    for word in (
        "no rating",
        "Backflow",
        "Legionella",
        "Electricity",
        "Sudden start",
        "Pressure",
        "codes of your country",
    ):
        assert word in cautions
