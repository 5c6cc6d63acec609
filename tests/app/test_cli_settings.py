"""Setting, undoing and listing from the command line: what is wrong is told before anything is sent."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from mistd.app.cli import NOBODY, WRONG
from mistd.app.config_file import load_config
from mistd.app.cycle_words import POINTS
from mistd.app.setting_tables import history_table, settings_table, value_in_words
from tests.app.commands import bench_file, run
from tests.app.kept_houses import keep, revision
from tests.app.told_houses import NOW, TIMETABLE, change, setting

TRIM = {"percent": -20.0, "for_s": 172_800.0}


# --- wrong words


def wrong(tmp_path: Path, *words: str) -> list[str]:
    result = run(*words, "--house", bench_file(tmp_path))
    assert result.exit_code == WRONG, result.output
    return result.output.splitlines()


def test_everything_wrong_with_a_setting_is_told_at_once(tmp_path: Path) -> None:
    told = wrong(
        tmp_path,
        "set",
        "middle",
        "trim",
        "20%",
        "--for",
        "2x",
        "--expect",
        "x",
        "--note",
        "n" * 201,
        "--as",
        "",
    )

    assert [line.split(";")[0] for line in told[:4]] == [
        "there is no zone 'middle'",
        "'20%' is no trim",
        "--for: '2x' is no length of time",
        "--expect: 'x' is no revision",
    ]
    assert told[4].startswith("note: ")
    assert len(told) == 5


def test_a_setting_that_is_not_there_is_told_once_with_those_that_are(tmp_path: Path) -> None:
    assert wrong(tmp_path, "set", "left", "timetabel", "day=6s/8m") == [
        "no setting 'timetabel'; settings: timetable, cycle, trim, hold, closed, skip"
    ]


def test_an_option_that_is_mistyped_is_not_taken_for_a_word(tmp_path: Path) -> None:
    assert wrong(tmp_path, "set", "left", "trim", "-20%", "--four", "2d") == ["no option '--four'"]


@pytest.mark.parametrize(
    ("number", "told"), [("x", "'x' is no revision"), ("-1", ""), ("0", "there is nothing to undo")]
)
def test_an_undo_wants_the_number_of_a_revision(number: str, told: str, tmp_path: Path) -> None:
    assert told in wrong(tmp_path, "undo", number)[-1]


def test_settings_of_a_zone_that_is_not_there_are_refused(tmp_path: Path) -> None:
    assert wrong(tmp_path, "settings", "middle") == ["there is no zone 'middle'; zones: left, right"]


@pytest.mark.parametrize(
    "words",
    [
        ["timetable", "day=6s/8m", "night=off"],
        ["cycle", "film", "--dry-back", "40%", "--night", "sparse", "--day=2m..45m", "--dusk", "off"],
        ["cycle", "vpd", "--as-every", "10m", "--at", "1.5", "--burst", "6s", "--surface", "hairy"],
        ["cycle", "--set-point", "0.5", "vpd", "--dawn", "..30m"],
        ["cycle", "timed"],
        ["cycle", "none"],
        ["trim", "-20%", "--for", "2d", "--note", "overcast"],
        ["trim", "--for", "2d", "--", "-20%"],
        ["closed", "--for", "12h"],
        ["hold", "--for", "45m", "--expect", "3"],
        ["skip"],
        ["trim", "none"],
    ],
)
def test_right_words_go_as_far_as_the_broker(words: list[str], tmp_path: Path) -> None:
    result = run("set", "--house", bench_file(tmp_path), "left", *words)

    assert result.exit_code == NOBODY
    assert "cannot reach broker" in result.output


def test_what_is_wrong_with_a_cycle_and_its_options_is_told_at_once(tmp_path: Path) -> None:
    told = wrong(
        tmp_path,
        "set",
        "left",
        "cycle",
        "fog",
        "--dry-back",
        "40",
        "--day",
        "often",
        "--at",
        "nan",
        "--for",
        "2d",
    )

    assert [line.split(";")[0] for line in told] == [
        "--dry-back: '40' is no share",
        "--at: 'nan' is no number",
        "--day: 'often' says nothing of gaps",
        "a cycle stands until it is changed: leave out --for",
        "cycle: 'fog': allowed: 'timed', 'vpd', 'leaf_wetness', 'film'",
    ]


def test_a_set_point_of_another_setting_than_a_cycle_is_refused(tmp_path: Path) -> None:
    assert wrong(tmp_path, "set", "left", "hold", "--for", "45m", "--at", "1.5") == [
        "--at is of a cycle, not of a hold"
    ]


def test_set_tells_of_every_set_point_and_how_it_is_written() -> None:
    told = run("set", "--help").output

    assert all(f"--{option} " in told for option in POINTS)


# --- tables


def test_settings_are_a_table_by_whom_since_when_and_until_when() -> None:
    listed = [
        ("left", setting("timetable", TIMETABLE)),
        (
            "left",
            setting(
                "trim",
                TRIM,
                revision=17,
                by="Ana",
                at=NOW - timedelta(hours=3),
                until=NOW + timedelta(days=2),
                note="overcast",
            ),
        ),
        ("right", setting("hold", None)),
        ("right", setting("closed", None, revision=3, by="Ida", at=NOW - timedelta(days=9))),
    ]

    assert settings_table(listed, NOW) == [
        "zone   setting    since         by                until         revision  value"
        "                                                             note",
        "left   timetable  -             the house's file  -             0         "
        "night off, dawn 5 s / 15 min, day 6 s / 8 min, dusk 5 s / 15 min",
        "left   trim       09:00         Ana               23 Jun 12:00  17        "
        "water -20 % for 48 h                                              overcast",
        "right  hold       -             -                 -             0         never set",
        "right  closed     12 Jun 12:00  Ida               -             3         open to people",
    ]


def test_changes_are_a_table_that_names_what_was_undone() -> None:
    changes = [
        change(17, "trim", TRIM, by="Ana", until=NOW + timedelta(days=2), note="overcast"),
        change(18, "trim", None, undoes=17),
    ]

    assert history_table(changes, NOW) == [
        "revision  at     by   zone  setting  until         value                        note",
        "17        11:00  Ana  left  trim     23 Jun 12:00  water -20 % for 48 h         overcast",
        "18        11:00  Ida  left  trim     -             revision 17 undone: no trim",
    ]


@pytest.mark.parametrize(
    ("kind", "value", "words"),
    [
        ("timetable", {"day": {"burst_s": 6.0, "gap_min": 7.5}}, "day 6 s / 7.5 min"),
        ("timetable", None, "as in the house's file"),
        ("cycle", {"cycle": "film", "dry_back_percent": 40.0}, "film: dry-back 40 %"),
        ("cycle", {"cycle": "fog"}, '{"cycle": "fog"}'),
        ("cycle", None, "as in the house's file"),
        ("skip", {}, "the next burst is left out"),
        ("trim", {"percent": "much"}, '{"percent": "much"}'),
        ("sprayed", {"with": "oil"}, '{"with": "oil"}'),
        ("sprayed", None, "null"),
    ],
)
def test_a_value_is_said_in_words_and_shown_as_it_is_when_it_is_not_understood(
    kind: str, value: dict[str, Any] | None, words: str
) -> None:
    assert value_in_words(kind, value) == words


def test_no_words_of_a_stranger_move_the_cursor_or_make_a_line() -> None:
    bad = "\x1b[2J\nmistd: all is well\x07\u202e"
    listed = [("left", setting("trim", {bad: bad}, revision=1, by=bad, note=bad))]
    changes = [change(1, bad, {bad: bad}, by=bad, note=bad)]

    told = [*settings_table(listed, NOW), *history_table(changes, NOW)]

    assert len(told) == 4
    assert all(line.isprintable() for line in told)


# --- the history, from the database of this machine


def test_the_history_is_from_the_database_without_any_broker(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    keep(
        load_config(file),
        revisions=[
            revision(1, 0.0, "timetable", TIMETABLE),
            revision(2, 1.0, "trim", TRIM, zone="right", until=60.0, note="overcast"),
            revision(3, 2.0, "trim", None, zone="right", author="Ida", undoes=2),
            revision(4, 3.0, "moonlight", {"of_a": "later version"}),
        ],
    )

    everything = run("settings", "--history", "--house", file)
    of_right = run("settings", "right", "--history", "--last", "1", "--house", file)

    assert everything.exit_code == 0
    assert everything.stderr.startswith("every change, from the database on this machine; 1 left out")
    assert [line.split()[0] for line in everything.stdout.splitlines()] == ["revision", "1", "2", "3"]
    assert "night off, dawn 5 s / 15 min" in everything.stdout
    assert of_right.stdout.splitlines()[1].endswith("revision 2 undone: no trim")
    assert len(of_right.stdout.splitlines()) == 2


def test_a_history_without_a_change_says_so(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    keep(load_config(file))

    result = run("settings", "--history", "--house", file)

    assert (result.exit_code, result.stdout) == (0, "")
    assert result.stderr.startswith("no change of a setting is known; every change, from the database")


def test_without_a_database_the_history_is_asked_of_the_broker(tmp_path: Path) -> None:
    result = run("settings", "--history", "--house", bench_file(tmp_path))

    assert result.exit_code == NOBODY
    assert "cannot reach broker" in result.output
