"""The journal, the reasons and the export from the command line, on a house whose daemon is not there."""

import csv
import io
import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from mistd.app.cli import NOBODY, REFUSED, WRONG
from mistd.app.config_file import load_config
from mistd.core.events import EventKind
from mistd.ports.store import Entry
from tests.app.commands import bench_file, run
from tests.app.house_files import Tables, check
from tests.app.kept_houses import at, burst, entry, keep, revision

K = EventKind
MISTD = [sys.executable, "-W", "error", "-c", "from mistd.app.cli import main; main()"]
DAY = {"burst_s": 7.0, "gap_min": 9.5}
TIMETABLE = {"night": {"off": True}, "dawn": DAY, "day": DAY, "dusk": DAY}
STORY = [
    entry(0.0, K.DAEMON_STARTED, "mistd 1", subject="fern-house"),
    burst(4.0),
    entry(5.0, K.HOLD_STARTED, "held dry by Ida: =1+1", for_s=600.0),
    entry(6.0, K.SETTING_REFUSED, "-70 %; allowed -50 to +100 %", asked_by="Ana"),
    entry(15.0, K.HOLD_ENDED, "its time is over"),
    burst(15.0, "11.0 min since the last burst, by the timetable"),
    burst(16.0, subject="right"),
]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A house's file, and its record."""
    path = bench_file(tmp_path)
    keep(load_config(path), STORY, [revision(1, 5.0, "hold", {"for_s": 600.0}, until=15.0, author="Ida")])
    return path


def journal(file: Path, *words: str) -> list[str]:
    result = run("journal", *words, "--house", file)
    assert (result.exit_code, result.stderr) == (0, "")
    return result.stdout.splitlines()


# --- the journal


def test_the_journal_is_told_in_words_under_its_date(file: Path) -> None:
    assert journal(file)[:3] == [
        "Sunday 21 June 2026, UTC+02:00",
        "12:00:00  fern-house     daemon started: mistd 1",
        "12:04:06  left           misted 6 s, 0.72 l: 8.0 min since the last burst, by the timetable",
    ]
    assert len(journal(file)) == 1 + len(STORY)


@pytest.mark.parametrize(
    ("words", "count"),
    [
        (["--zone", "left"], 5),
        (["--zone", "left", "--zone", "right"], 6),
        (["--zone", "fern-house"], 1),
        (["--zone", "air"], 0),  # a sensor of the file of which nothing is told yet
        (["--kind", "burst_ended"], 3),
        (["--kind", "Burst ended", "--kind", "hold-ended"], 4),
        (["--kind", "burst_ended", "--zone", "right"], 1),
        (["--since", "2026-06-21 12:04:06"], 6),
        (["--since", "2026-06-21 12:04:06.001"], 5),
        (["--until", "2026-06-21 12:04:06"], 1),
        (["--since", "2026-06-21", "--until", "2026-06-22"], 7),
        (["--since", "2026-06-21T10:05Z", "--until", "2026-06-21T10:15Z"], 2),
        (["--last", "2"], 2),
        (["--last", "100"], 7),
    ],
)
def test_the_journal_is_chosen_from(words: list[str], count: int, file: Path) -> None:
    assert len(journal(file, *words, "--json")) == count


def test_everything_wrong_with_a_choice_is_told_with_what_there_is(file: Path) -> None:
    result = run(
        "journal",
        *("--zone", "middle", "--zone", "nave", "--kind", "rain"),
        *("--since", "tomorrow", "--until", "x", "--csv", "--json", "--house", file),
    )

    told = result.stderr.splitlines()
    assert result.exit_code == WRONG
    assert [line.split(";")[0] for line in told] == [
        "--since: 'tomorrow' is no instant",
        "--until: 'x' is no instant",
        "nothing is known of 'middle'",
        "nothing is known of 'nave'",
        "no line is of the kind 'rain'",
        "either --csv or --json",
    ]
    assert told[2].endswith("known: fern-house, left, right, air, damp, manifold")
    assert "burst_ended, " in told[4]


def test_a_subject_and_a_kind_that_only_the_journal_knows_can_be_asked_for(tmp_path: Path) -> None:
    """A zone that was taken out of the file, and a line of another version."""
    file = bench_file(tmp_path)
    keep(load_config(file), [*STORY, entry(20.0, "moon_rose", "full", subject="middle")])

    assert len(journal(file, "--zone", "middle", "--kind", "moon_rose", "--json")) == 1
    assert (
        "known: fern-house, left, right, air, damp, manifold, middle"
        in run("journal", "--zone", "nave", "--house", file).output
    )


@pytest.mark.parametrize("until", ["12:00", "11:59"])
def test_an_empty_span_is_told(until: str, file: Path) -> None:
    result = run("journal", "--since", "2026-06-21 12:00", "--until", f"2026-06-21 {until}", "--house", file)

    assert result.exit_code == WRONG
    assert "nothing lies between 2026-06-21 12:00:00 and" in result.output


def as_told(line: Entry) -> dict[str, object]:
    return {
        "at": line.at,
        "is_time_trusted": line.is_time_trusted,
        "kind": line.kind,
        "subject": line.subject,
        "reason": line.reason,
        "figures": json.loads(line.figures),
    }


def test_json_lines_are_all_there_is(file: Path) -> None:
    assert [json.loads(line) for line in journal(file, "--json")] == [as_told(line) for line in STORY]


def test_csv_is_all_there_is(file: Path) -> None:
    result = run("journal", "--csv", "--house", file)

    rows = list(csv.DictReader(io.StringIO(result.stdout_bytes.decode(), newline="")))
    assert [row["reason"].removeprefix("'") for row in rows] == [line.reason for line in STORY]
    assert [json.loads(row["figures"]) for row in rows] == [json.loads(line.figures) for line in STORY]
    assert rows[3]["reason"] == "'-70 %; allowed -50 to +100 %"
    assert rows[1]["local_time"] == "2026-06-21T12:04:06.000+02:00"


@pytest.mark.parametrize("form", [[], ["--csv"], ["--json"]], ids=str)
def test_output_into_a_pipe_that_is_closed_ends_quietly(form: list[str], tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    keep(load_config(file), [entry(each / 1000.0, K.HOLD_STARTED, "x" * 500) for each in range(1000)])

    with subprocess.Popen(
        [*MISTD, "journal", *form, "--house", str(file)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        errors = process.stderr.read()
        code = process.wait(10.0)

    assert (code, errors) == (0, b"")


def on_a_terminal(*words: str) -> str:
    """What a command prints where it is looked at by people."""
    ours, theirs = os.openpty()
    with subprocess.Popen([*MISTD, *words], stdout=theirs, stderr=subprocess.PIPE) as process:
        os.close(theirs)
        assert process.stderr is not None
        said = b""
        try:
            while part := os.read(ours, 65536):
                said += part
        except OSError:
            pass  # how a terminal says that the last who wrote to it is gone
        os.close(ours)
        return said.decode() + process.stderr.read().decode()


def test_on_a_terminal_the_newest_lines_are_told_unless_more_is_asked_for(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    keep(load_config(file), [entry(each / 100.0, K.HOLD_STARTED, f"number {each}") for each in range(60)])

    newest = on_a_terminal("journal", "--house", str(file))
    more = on_a_terminal("journal", "--since", "2026-06-21", "--house", str(file))

    assert newest.count("number") == 50
    assert "the newest 50 at most; more by --last N or --since TIME" in newest
    assert more.count("number") == 60
    assert "at most" not in more


def test_on_a_terminal_no_form_moves_the_cursor(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    keep(load_config(file), [entry(0.0, K.HOLD_STARTED, "\x1b[2J all is well\x07")])

    for form in ([], ["--csv"], ["--json"]):
        told = on_a_terminal("journal", *form, "--house", str(file))

        assert "all is well" in told
        assert not {"\x1b", "\x07"} & set(told)


def test_without_a_database_people_are_told_where_it_is(tmp_path: Path) -> None:
    for words in (["journal"], ["why", "left", "--at", "12:00"]):
        result = run(*words, "--house", bench_file(tmp_path))

        assert result.exit_code == REFUSED
        assert result.output.startswith("no journal can be read here: ")
        assert "the machine that runs the house" in result.output


# --- why, at a time that is past


def test_why_at_a_time_is_told_from_the_journal_alone(file: Path) -> None:
    result = run("why", "left", "--at", "2026-06-21 12:10", "--house", file)

    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "At 12:10:00 on Sunday 21 June 2026:",
        "left had last misted at 12:04:00, 6 s, 0.72 l: 8.0 min since the last burst, by the timetable.",
        "left misted next at 12:15:00, 6 s, 0.72 l: 11.0 min since the last burst, by the timetable.",
        "In force then: held dry for 10 min; until 12:15:00; by Ida, revision 1.",
        "What bears on it:",
        "  12:05:00  held dry by Ida: =1+1 (for 10 min)",
        "  12:06:00  refused Ana a change: -70 %; allowed -50 to +100 %",
        "  12:15:00  hold ended: its time is over",
    ]


def on_demand(tables: Tables) -> None:
    """The left zone goes by its film, and has a sensor on its leaves."""
    tables["zones"][0]["cycle"] = "film"
    leaf = {"name": "left-leaf", "kind": "leaf_wetness", "topic": "fern/leaf", "zone": "left"}
    tables["sensors"].append(leaf | {"dry_reads": 450, "wet_reads": 1100})


@pytest.mark.parametrize(("zone", "is_told"), [("left", True), ("right", False)])
def test_why_tells_what_befell_the_sensors_of_a_zone_on_demand_and_of_no_other(
    zone: str, is_told: bool, tmp_path: Path
) -> None:
    file = bench_file(tmp_path, on_demand)
    befell = [
        entry(5.0, K.WETNESS_DOUBTED, "it did not rise after 3 good bursts", subject="left-leaf"),
        entry(6.0, K.READING_LOST, "no good reading for 300 s", subject="damp"),
        entry(7.0, K.READING_LOST, "no good reading for 300 s", subject="manifold"),
    ]
    keep(load_config(file), [*STORY, *befell])

    told = run("why", zone, "--at", "2026-06-21 12:10", "--house", file).stdout

    assert ("left-leaf: not believed any more: it did not rise after 3 good bursts" in told) is is_told
    assert ("damp: reading lost: no good reading for 300 s" in told) is is_told
    assert "manifold" not in told


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ["middle", "--at", "then"],
            ["there is no zone 'middle'; zones: left, right", "--at: 'then' is no instant"],
        ),
        (["left", "--at", "2999-01-01"], ["--at: 2999-01-01 lies ahead"]),
    ],
)
def test_what_cannot_be_asked_is_told(words: list[str], told: list[str], file: Path) -> None:
    result = run("why", *words, "--house", file)

    assert result.exit_code == WRONG
    lines = result.stderr.splitlines()
    assert len(lines) == len(told)
    assert all(line.startswith(expected) for line, expected in zip(lines, told, strict=True))


def test_a_simulated_house_may_be_ahead_of_the_clock_as_far_as_its_journal_goes(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    far = 60.0 * 24 * 365 * 300
    keep(load_config(file), [burst(far)])

    there = run("why", "left", "--at", f"{at(far):%Y-%m-%d %H:%M}Z", "--house", file)
    ahead = run("why", "left", "--at", f"{at(far + 1.0):%Y-%m-%d %H:%M}Z", "--house", file)

    assert (there.exit_code, ahead.exit_code) == (0, WRONG)


# --- the export


def export(file: Path, *words: object) -> Result:
    return run("export", *words, "--house", file)


def test_the_export_is_a_house_file_with_what_is_in_force(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    keep(
        load_config(file),
        revisions=[
            revision(1, 0.0, "timetable", TIMETABLE, note="hot days"),
            revision(2, 1.0, "timetable", TIMETABLE, zone="right"),
            revision(3, 2.0, "timetable", None, zone="right"),
            revision(4, 3.0, "trim", {"percent": -20.0, "for_s": 86_400.0}, until=1e7, note="overcast"),
            revision(5, 4.0, "closed", {"for_s": 60.0}, until=5.0),
            revision(6, 5.0, "timetable", TIMETABLE, zone="middle"),
            revision(7, 6.0, "moonlight", {"of_a": "later version"}),
        ],
    )

    result = export(file)
    (tmp_path / "exported.toml").write_text(result.stdout)

    assert result.exit_code == 0, result.output
    assert "the database (cannot reach broker" in result.stderr
    assert "1 of a later version of mistd is left out" in result.stderr
    checked = load_config(tmp_path / "exported.toml")
    before = load_config(file)
    assert (checked.zones[0].timed.day.burst_s, checked.zones[0].timed.day.gap_min) == (7.0, 9.5)
    assert checked.zones[0].timed.night.off
    assert checked.zones[1] == before.zones[1]
    remarks = [line for line in result.stdout.splitlines() if line.startswith("# ")]
    assert remarks[0].startswith("# exported ")
    assert remarks[1] == "# left: timetable set by Ana 2026-06-21 12:00, revision 1 (hot days)"
    assert remarks[2].startswith("# left: water -20 % for ")
    assert remarks[2].endswith("set by Ana 2026-06-21 12:03, revision 4 (overcast); not said by this file")
    assert remarks[3].startswith("# middle: night off, dawn 7 s / 9.5 min")
    assert len(remarks) == 4


def exported_timetable(result: Result) -> dict[str, object]:
    """Of the first zone."""
    timed: dict[str, object] = tomllib.loads(result.stdout)["zones"][0]["timed"]
    return timed


def without_the_database(file: Path) -> None:
    directory = Path(load_config(file).state.directory)
    for path in directory.glob("state.db*"):
        path.unlink()


def with_a_database_of_nonsense(file: Path) -> None:
    without_the_database(file)
    (Path(load_config(file).state.directory) / "state.db").write_bytes(b"nonsense" * 1000)


@pytest.mark.parametrize("lose", [without_the_database, with_a_database_of_nonsense])
def test_a_lost_database_is_stood_in_for_by_the_copy_beside_it(
    lose: Callable[[Path], None], tmp_path: Path
) -> None:
    file = bench_file(tmp_path)
    keep(load_config(file), revisions=[revision(1, 0.0, "timetable", TIMETABLE)])
    lose(file)

    result = export(file)

    assert result.exit_code == 0, result.output
    assert "last-good.json" in result.stderr
    assert exported_timetable(result)["day"] == {"burst_s": 7, "gap_min": 9.5}


def test_where_nobody_knows_what_is_in_force_nothing_is_exported(tmp_path: Path) -> None:
    result = export(bench_file(tmp_path))

    assert (result.exit_code, result.stdout) == (NOBODY, "")
    assert "nobody knows what is in force" in result.stderr


def test_what_the_file_does_not_allow_is_not_exported(tmp_path: Path) -> None:
    """The file was changed since: its longest burst is below what had been set."""
    file = bench_file(tmp_path)
    long = {part: {"burst_s": 25.0, "gap_min": 30.0} for part in TIMETABLE}
    keep(load_config(file), revisions=[revision(1, 0.0, "timetable", long)])

    result = export(file)

    assert (result.exit_code, result.stdout) == (WRONG, "")
    assert f"{file} with what is in force: " in result.stderr
    assert "zones[left].timed." in result.stderr


def test_the_export_writes_a_new_file_and_overwrites_none(file: Path, tmp_path: Path) -> None:
    to = tmp_path / "exported.toml"

    first, second = export(file, "--output", to), export(file, "--output", to)

    assert (first.exit_code, first.stdout) == (0, "")
    assert check(to).exit_code == 0
    assert second.exit_code == REFUSED
    assert f"{to} is there already" in second.stderr


def test_a_file_that_cannot_be_written_is_told(file: Path, tmp_path: Path) -> None:
    result = export(file, "--output", tmp_path / "nowhere" / "exported.toml")

    assert result.exit_code == REFUSED
    assert "cannot be written: No such file or directory" in result.stderr
