"""The journal for people and for other programs: readable, or whole to the last sign."""

import csv
import dataclasses
import io
import json
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mistd.app.journal_files import COLUMNS, csv_lines, json_lines, safe_cell
from mistd.app.journal_text import localised, readable_lines, said_entry
from mistd.app.recording import stamp
from mistd.core.events import EventKind
from mistd.ports.store import Entry
from tests.app.kept_houses import EVERY_8_MIN, at, burst, entry

K = EventKind
BRUSSELS = ZoneInfo("Europe/Brussels")
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
FIGURES = st.dictionaries(
    TEXT, st.floats(allow_nan=False, allow_infinity=False) | TEXT | st.integers(), max_size=4
)
ENTRIES = st.builds(
    Entry,
    at=st.datetimes(datetime(1970, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)).map(stamp),
    is_time_trusted=st.booleans(),
    kind=TEXT,
    subject=TEXT,
    reason=TEXT,
    figures=FIGURES.map(json.dumps),
)
FORMULAS = [
    "=1+1",
    "+1",
    "-70 %; allowed -50",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\n=1",
    "\uff1d1",
    "\uff0b1",
    "\uff0d1",
    "\uff20x",
]


# --- for people


def test_lines_are_told_in_the_time_of_the_house_under_their_date() -> None:
    held = entry(12.0 * 60.0 - 1.0, K.HOLD_STARTED, "held dry", subject="a-bench-of-a-long-name", for_s=90.0)
    frost = entry(12.0 * 60.0, K.FROST_BEGAN, "1.2 c", subject="fern-house", is_time_trusted=False)

    told = list(readable_lines([burst(0.0), held, frost], BRUSSELS))

    assert told == [
        "Sunday 21 June 2026, UTC+02:00",
        f"12:00:06  left           misted 6 s, 0.72 l: {EVERY_8_MIN}",
        "23:59:00  a-bench-of-a-long-name held dry (for 2 min)",
        "\nMonday 22 June 2026, UTC+02:00",
        "00:00:00? fern-house     frost began: 1.2 c",
    ]


def test_a_clock_that_is_set_back_is_seen_in_the_heading() -> None:
    """At 03:00 on 25 October 2026 the clocks of Brussels go back to 02:00."""
    change = datetime(2026, 10, 25, 1, 0, tzinfo=UTC)
    around = [
        Entry(at=stamp(change + shift), is_time_trusted=True, kind="x", subject="", reason="", figures="{}")
        for shift in (timedelta(seconds=-1), timedelta())
    ]

    told = list(readable_lines(around, BRUSSELS))

    assert [line[-9:] for line in told[::2]] == ["UTC+02:00", "UTC+01:00"]
    assert [line[:8] for line in told[1::2]] == ["02:59:59", "02:00:00"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (burst(0.0, "asked for by Ida"), "misted 6 s, 0.72 l: asked for by Ida"),
        (burst(0.0, open_s=6.1), f"misted 6.1 s, 0.72 l: {EVERY_8_MIN}"),
        (burst(0.0, open_s=6.11), f"misted 6.11 s, 0.72 l: {EVERY_8_MIN} (ordered 6 s; its time was over)"),
        (burst(0.0, "x", open_s=2.0, reason="held dry"), "misted 2 s, 0.72 l: x (ordered 6 s; held dry)"),
        (burst(0.0, "x", reason="by its own account"), "misted 6 s, 0.72 l: x (by its own account)"),
        (burst(0.0, open_s="?"), "burst ended: its time was over"),
        (entry(0.0, K.BURST_ENDED, "cut", open_s=2.0), "misted 2 s (cut)"),
        (
            entry(0.0, K.BURST_FOUND, "given 9 s ago", open_s=2.0, water_l=0.1),
            "a burst of 2 s, 0.10 l was found: given 9 s ago",
        ),
        (entry(0.0, K.BURST_FOUND, "given 9 s ago"), "a burst was found: given 9 s ago"),
        (entry(0.0, K.BURST_REFUSED, "frost", guard="frost"), "not misted: frost"),
        (entry(0.0, K.BURST_REFUSED, "frost", guard="frost", asked_by="Ana"), "refused Ana a burst: frost"),
        (entry(0.0, K.BURST_SKIPPED, "left out once for Ana"), "a burst was left out once for Ana"),
        (entry(0.0, K.HOLD_STARTED, "held dry by Ida"), "held dry by Ida"),
        (
            entry(0.0, K.HOLD_EXTENDED, "held dry by Ida", for_s=5400.0),
            "prolonged, held dry by Ida (for 1.5 h)",
        ),
        (
            entry(0.0, K.SETTING_CHANGED, "water -20 %, by Ana", revision=2),
            "water -20 %, by Ana (revision 2)",
        ),
        (entry(0.0, K.SETTING_UNDONE, "no trim, by Ana"), "no trim, by Ana"),
        (entry(0.0, K.SETTING_REFUSED, "too much", asked_by="Ana"), "refused Ana a change: too much"),
        (entry(0.0, K.SETTING_REFUSED, "too much"), "setting refused: too much"),
        (entry(0.0, K.DAY_PART_BEGAN, "dusk"), "the dusk part of the day begins"),
        (entry(0.0, K.DAY_ENDED, "9 bursts"), "the day: 9 bursts"),
        (
            entry(0.0, K.CYCLE_FELL_BACK, "air is lost: it is led by its own last week", lead="own_week"),
            "air is lost: it is led by its own last week",
        ),
        (
            entry(0.0, K.CYCLE_CAME_BACK, "it is led by its reckoned film again"),
            "it is led by its reckoned film again",
        ),
        (
            entry(0.0, K.WETNESS_DOUBTED, "it did not rise after 3 good bursts", subject="left-leaf"),
            "not believed any more: it did not rise after 3 good bursts",
        ),
        (
            entry(0.0, K.WETNESS_TRUSTED, "it has risen with every burst", subject="left-leaf"),
            "believed again: it has risen with every burst",
        ),
        (entry(0.0, "something_new", "of a later version"), "something new: of a later version"),
        (entry(0.0, "something_new"), "something new"),
    ],
)
def test_each_kind_of_line_has_its_words(line: Entry, said: str) -> None:
    assert said_entry(line) == said


@pytest.mark.parametrize("figures", ["", "[]", "null", "{", '{"open_s": NaN}', '{"for_s": 1e999}'])
@pytest.mark.parametrize("kind", [K.BURST_ENDED, K.BURST_REFUSED, K.HOLD_STARTED, K.SETTING_CHANGED])
def test_figures_that_cannot_be_read_cost_only_themselves(kind: str, figures: str) -> None:
    line = Entry(
        at=stamp(at(0.0)), is_time_trusted=True, kind=kind, subject="left", reason="why", figures=figures
    )

    assert "why" in said_entry(line)


@given(ENTRIES)
def test_a_line_is_one_line_whatever_it_says(line: Entry) -> None:
    told = list(readable_lines([line], BRUSSELS))

    assert len(told) == 2
    assert all(each.isprintable() for each in told)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("from 2026-06-21T10:05:00.123456+00:00 on", "from 12:05:00 on"),
        ("from 2026-06-20T10:05:00Z on", "from 20 Jun 12:05:00 on"),
        ("from 2026-06-21T10:05:00 on", "from 2026-06-21T10:05:00 on"),  # in which zone is not said
        ("2026-99-21T10:05:00Z", "2026-99-21T10:05:00Z"),
        ("9999-12-31T23:59:59Z", "9999-12-31T23:59:59Z"),  # which at the house is beyond the calendar
    ],
)
def test_instants_within_a_text_are_told_in_the_time_of_the_house(text: str, told: str) -> None:
    assert localised(text, at(0.0).astimezone(BRUSSELS)) == told


# --- for other programs


@settings(max_examples=50)
@given(st.lists(ENTRIES, max_size=4))
def test_json_lines_hold_all_of_each_line_in_ascii(entries: list[Entry]) -> None:
    lines = list(json_lines(entries))

    assert len(lines) == len(entries)
    for line, kept in zip(lines, entries, strict=True):
        assert line.isascii()
        assert line.endswith("}\n")
        read = json.loads(line)
        assert read.pop("figures") == json.loads(kept.figures)
        assert read == {
            name: getattr(kept, name) for name in ("at", "is_time_trusted", "kind", "subject", "reason")
        }


@pytest.mark.parametrize(
    "figures", ["", "{", '{"a": NaN}', '{"a": -Infinity}', '{"a": 1e999}', "[" * 100_000]
)
def test_figures_that_are_no_json_are_handed_on_as_text(figures: str) -> None:
    line = dataclasses.replace(entry(0.0, "x"), figures=figures)

    (told,) = json_lines([line])

    assert json.loads(told, parse_constant=pytest.fail)["figures"] == figures


def as_kept(row: dict[str, str]) -> Entry:
    """A row of CSV read by the rule: one leading apostrophe is taken away."""
    texts = {name: row[name].removeprefix("'") for name in ("kind", "subject", "reason", "figures")}
    return Entry(at=row["at"], is_time_trusted=row["is_time_trusted"] == "yes", **texts)


@settings(max_examples=50)
@given(st.lists(ENTRIES, max_size=4))
@example([entry(0.0, "x", formula) for formula in FORMULAS])
@example([entry(0.0, "x", "'quoted'"), entry(0.0, "x", 'a "b",\r\nc')])
def test_csv_holds_all_of_each_line_and_no_formula(entries: list[Entry]) -> None:
    text = "".join(csv_lines(entries, BRUSSELS))
    rows = list(csv.DictReader(io.StringIO(text, newline="")))

    assert text.startswith(",".join(COLUMNS) + "\r\n")
    assert text.endswith("\r\n")
    assert [as_kept(row) for row in rows] == entries
    for row in rows:
        assert datetime.fromisoformat(row["local_time"]) == datetime.fromisoformat(row["at"])
        assert not any(cell.startswith(tuple(sign[0] for sign in FORMULAS)) for cell in row.values())


@pytest.mark.parametrize("text", FORMULAS)
def test_a_text_that_a_spreadsheet_would_work_out_is_marked(text: str) -> None:
    assert safe_cell(text) == f"'{text}"


@pytest.mark.parametrize("text", ["", "70 %", "a=1", " =1", "8.0 min", "(=1)"])
def test_every_other_text_is_left_as_it_is(text: str) -> None:
    assert safe_cell(text) == text


def test_without_lines_csv_has_its_heading_and_json_nothing() -> None:
    assert list(csv_lines([], BRUSSELS)) == [",".join(COLUMNS) + "\r\n"]
    assert list(json_lines([])) == []
