"""The life of one alarm, as a table: every state, every happening, every mask."""

from itertools import product

import pytest

from mistd.core.actions import Outcome
from mistd.core.alarms import LATCHING, LEAVING_MASK, TRANSITIONS, Happening, Life
from mistd.core.events import EventKind
from tests.core.alarm_boards import (
    PaperBoard,
    board_with,
    happen,
    put_on,
    take_off,
)

# The oracle, by hand from the standards' figure (ISA-18.2; OPC 10000-9 5.8 and B.1), in its letters.
# For each state: condition on, condition off, acknowledge, reset; "-" is no change, "x" is refused.
PLAIN = {
    "A": ("B", "-", "x", "x"),
    "B": ("-", "D", "C", "x"),
    "C": ("-", "A", "-", "x"),
    "D": ("B", "-", "A", "x"),
}
LATCHED = {
    "A": ("B", "-", "x", "x"),
    "B": ("-", "E", "C", "x"),
    "C": ("-", "F", "-", "x"),
    "E": ("B", "-", "F", "x"),
    "F": ("B", "-", "-", "A"),
}
# Leaving the last mask: with the condition on, and off.
LEFT = {
    "A": ("B", "A"),
    "B": ("B", None),
    "C": ("B", None),
    "D": ("B", "A"),
    "E": ("B", "E"),
    "F": ("B", "F"),
}
LETTERS = {
    "A": "normal",
    "B": "unacknowledged",
    "C": "acknowledged",
    "D": "returned",
    "E": "latched_unacknowledged",
    "F": "latched",
}
HAPPENINGS = ("condition_on", "condition_off", "acknowledge", "reset")
MASKS = ("shelved", "suppressed_by_design", "out_of_service")
CASES = [
    (kind, letter, place)
    for kind, oracle in (("dry", PLAIN), ("stuck", LATCHED))
    for letter, place in product(oracle, range(len(HAPPENINGS)))
]


def oracle_of(kind: str) -> dict[str, tuple[str, str, str, str]]:
    return PLAIN if kind == "dry" else LATCHED


def letter_of(paper: PaperBoard, kind: str) -> str:
    return next(letter for letter, life in LETTERS.items() if paper.alarm(kind).life == life)


def raised_of(paper: PaperBoard, kind: str) -> list[float]:
    return [at_s for at_s, of, _ in paper.raised() if of == kind]


def test_the_tables_hold_every_life_and_no_other_entry_than_the_figure() -> None:
    for table, oracle in ((TRANSITIONS, PLAIN), (LATCHING, LATCHED)):
        held = {
            (life.value, happening.value): after.value
            for life, ways in table.items()
            for happening, after in ways.items()
            if after is not life
        }
        figure = {
            (LETTERS[letter], happening): LETTERS[after]
            for letter, line in oracle.items()
            for happening, after in zip(HAPPENINGS, line, strict=True)
            if after not in {"-", "x"}
        }
        assert held == figure
        assert {life.value for life in table} == {LETTERS[letter] for letter in oracle}
    assert set(LEAVING_MASK) == set(Life)
    assert {happening.value for happening in Happening} == set(HAPPENINGS)


@pytest.mark.parametrize(("kind", "letter", "place"), CASES)
def test_every_life_and_happening_without_a_mask(kind: str, letter: str, place: int) -> None:
    paper = board_with(kind, LETTERS[letter])
    before = paper.alarm(kind)

    outcome = happen(paper, kind, HAPPENINGS[place])

    after = oracle_of(kind)[letter][place]
    assert letter_of(paper, kind) == (letter if after in {"-", "x"} else after)
    assert (outcome is Outcome.REFUSED) is (after == "x")
    assert paper.alarm(kind).occurrence == before.occurrence + (after == "B")
    if after == "x":
        assert paper.alarm(kind) == before


@pytest.mark.parametrize("mask", MASKS)
@pytest.mark.parametrize(("kind", "letter", "place"), CASES)
def test_every_life_and_happening_under_every_mask(kind: str, letter: str, place: int, mask: str) -> None:
    """The condition is followed unseen; nobody is called, and only a latch that was seen may be reset."""
    paper = board_with(kind, LETTERS[letter])
    put_on(paper, mask, kind)
    before, calls = paper.alarm(kind), raised_of(paper, kind)

    outcome = happen(paper, kind, HAPPENINGS[place])

    after = oracle_of(kind)[letter][place]
    alarm = paper.alarm(kind)
    assert alarm.mask == mask
    assert raised_of(paper, kind) == calls
    assert not alarm.sounds
    assert alarm.unseen == before.unseen + (after == "B")
    if HAPPENINGS[place] == "acknowledge":
        assert outcome is Outcome.REFUSED
        assert alarm == before
    else:
        assert letter_of(paper, kind) == (letter if after in {"-", "x"} else after)
        assert (outcome is Outcome.REFUSED) is (after == "x")


@pytest.mark.parametrize("mask", MASKS)
@pytest.mark.parametrize(("kind", "letter"), [(kind, letter) for kind, letter, place in CASES if place == 0])
def test_every_life_leaves_its_last_mask_as_the_figure_says(kind: str, letter: str, mask: str) -> None:
    paper = board_with(kind, LETTERS[letter])
    put_on(paper, mask, kind)
    before = paper.alarm(kind)

    take_off(paper, mask, kind)

    when_on, when_off = LEFT[letter]
    is_on = letter in {"B", "C"}
    assert paper.alarm(kind).mask is None
    assert letter_of(paper, kind) == (when_on if is_on else when_off)
    assert paper.alarm(kind).occurrence == before.occurrence + is_on
    if is_on:
        assert raised_of(paper, kind)[-1] == paper.now_s
        assert paper.alarm(kind).sounds


@pytest.mark.parametrize("mask", MASKS)
@pytest.mark.parametrize(("kind", "letter"), [(kind, letter) for kind, letter, place in CASES if place == 0])
def test_what_came_on_under_a_mask_is_raised_when_the_mask_goes(kind: str, letter: str, mask: str) -> None:
    paper = board_with(kind, LETTERS[letter])
    put_on(paper, mask, kind)
    happen(paper, kind, "condition_on")

    take_off(paper, mask, kind)

    assert letter_of(paper, kind) == "B"
    assert paper.sounds()


@pytest.mark.parametrize("mask", MASKS)
@pytest.mark.parametrize(("kind", "after"), [("dry", "A"), ("stuck", "E")])
def test_what_came_and_went_under_a_mask_is_counted_and_a_latch_is_held(
    kind: str, after: str, mask: str
) -> None:
    paper = board_with(kind, "normal")
    put_on(paper, mask, kind)
    for _ in range(2):
        happen(paper, kind, "condition_on")
        happen(paper, kind, "condition_off")
    assert paper.alarm(kind).unseen == 2

    take_off(paper, mask, kind)

    assert letter_of(paper, kind) == after
    assert paper.alarm(kind).unseen == 0
    assert paper.alarm(kind).sounds is (after == "E")
    assert any("raised 2 times meanwhile" in event.reason for event in paper.events)


@pytest.mark.parametrize("first", MASKS)
@pytest.mark.parametrize("second", MASKS)
def test_masks_are_apart_and_the_alarm_shows_when_the_last_goes(first: str, second: str) -> None:
    if first == second:
        return
    paper = board_with("dry", "acknowledged")
    put_on(paper, first, "dry")
    put_on(paper, second, "dry")

    take_off(paper, first, "dry")
    under_one = paper.alarm()
    take_off(paper, second, "dry")

    assert under_one.mask == second
    assert under_one.life == "acknowledged"
    assert letter_of(paper, "dry") == "B"


def test_what_was_raised_meanwhile_is_told_when_the_last_mask_goes() -> None:
    paper = PaperBoard()
    put_on(paper, "shelved", "dry")
    put_on(paper, "out_of_service", "dry")
    happen(paper, "dry", "condition_on")

    take_off(paper, "shelved", "dry")
    take_off(paper, "out_of_service", "dry")

    assert [event.reason for event in paper.told(EventKind.ALARM_UNSHELVED, EventKind.ALARM_IN_SERVICE)] == [
        "Dry: off the shelf, by ilse",
        "Dry: back in service, by ilse; raised once meanwhile",
    ]


def test_the_mask_that_is_shown_is_out_of_service_then_by_design_then_shelved() -> None:
    paper = board_with("dry", "unacknowledged")
    shown = []
    for mask in MASKS:
        put_on(paper, mask, "dry")
        shown.append(paper.alarm().mask)

    assert shown == list(MASKS)


def test_a_latch_that_was_silenced_before_the_mask_stays_silent_after_it() -> None:
    paper = board_with("stuck", "latched_unacknowledged")
    paper.does(paper.now_s, "silence", "stuck")
    put_on(paper, "shelved", "stuck")

    take_off(paper, "shelved", "stuck")

    assert letter_of(paper, "stuck") == "E"
    assert not paper.sounds()
