"""The alarms on paper: nothing of the tables is left out, and nothing is said that is not in them."""

import re

from mistd.app.alarm_pages import HAPPENINGS, LETTERS, WORDS, kinds_table, life_cycle_diagram
from mistd.core.alarm_kinds import ROWS
from mistd.core.alarms import LATCHING, LEAVING_MASK, TRANSITIONS, Happening, Life, Mask

ARROW = re.compile(r"^    (\w+|\[\*\]) --> (\w+)(?: : (.+))?$")
STATE = re.compile(r"^ +([A-I]) : (.+)$")


def arrows() -> list[tuple[str, str, str]]:
    found = [ARROW.match(line) for line in life_cycle_diagram().splitlines()]
    return [(match[1], match[2], match[3] or "") for match in found if match]


def test_the_diagram_shows_every_life_and_every_mask_by_its_letter_and_in_words() -> None:
    found = [STATE.match(line) for line in life_cycle_diagram().splitlines()]
    shown = {match[1]: match[2] for match in found if match}

    assert shown == {LETTERS[state]: f"{LETTERS[state]} {WORDS[state]}" for state in [*Life, *Mask]}
    assert sorted(LETTERS.values()) == list("ABCDEFGHI")


def test_the_diagram_shows_every_entry_of_the_tables_and_no_other() -> None:
    held = {
        (LETTERS[begins], LETTERS[ends], HAPPENINGS[happening])
        for table in (TRANSITIONS, LATCHING)
        for begins, ways in table.items()
        for happening, ends in ways.items()
    }

    shown = {
        (begins, ends, label.partition(" (")[0])
        for begins, ends, label in arrows()
        if len(begins) == len(ends) == 1
    }

    assert shown == held
    assert set(HAPPENINGS) == set(Happening)


def test_what_only_one_table_says_is_marked() -> None:
    labels = {(begins, ends): label for begins, ends, label in arrows()}

    assert labels["B", "D"] == "condition off (not latching)"
    assert labels["B", "E"] == "condition off (latching)"
    assert labels["B", "C"] == "acknowledge"


def test_the_diagram_shows_how_masks_are_put_on_and_where_each_life_goes_when_they_leave() -> None:
    leaving = {ends for begins, ends, _ in arrows() if begins == "masked"}

    assert ("A", "masked", "a mask is put on, in any state") in arrows()
    assert leaving == {LETTERS[life] for life in LEAVING_MASK.values()}


def test_no_label_holds_what_mermaid_takes_for_its_own() -> None:
    for line in life_cycle_diagram().splitlines():
        label = line.partition(" : ")[2]
        assert not set(label) & set(':;{}[]"#%')


def test_the_table_has_a_line_for_every_kind_with_everything_a_grower_needs() -> None:
    lines = kinds_table().splitlines()

    assert len(lines) == 2 + len(ROWS)
    assert {line.count("|") for line in lines} == {7}
    for row, line in zip(ROWS, lines[2:], strict=True):
        for text in (row.title, f"`{row.kind}", row.cause, row.consequence, row.priority.value, *row.remedy):
            assert text in line
        assert f"| {'yes' if row.may_wake else 'no'} |" in line
        assert ("latches" in line) is row.is_latching
        assert all(f"`{cause}`" in line for cause in row.follows)


def test_the_table_tells_how_soon_in_minutes_and_hours() -> None:
    lengths = [line.split("|")[3].strip() for line in kinds_table().splitlines()[2:]]

    assert lengths[:4] == ["15 min", "15 min", "30 min", "1 h"]
