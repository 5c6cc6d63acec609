"""Delays, reminders, chatter: what time does to an alarm, on both sides of each limit and exactly on it."""

from math import inf, nextafter

import pytest

from mistd.core.events import EventKind
from tests.core.alarm_boards import (
    OFF_DELAY_S,
    ON_DELAY_S,
    REMIND_S,
    PaperBoard,
    board_with,
    off,
    on,
)


@pytest.mark.parametrize(
    ("held_s", "is_raised"),
    [(nextafter(ON_DELAY_S, 0.0), False), (ON_DELAY_S, True), (ON_DELAY_S + 1.0, True)],
)
def test_a_condition_has_to_hold_for_all_of_its_on_delay(held_s: float, is_raised: bool) -> None:
    paper = PaperBoard()
    paper.sees(0.0, on())

    paper.sees(held_s, off())
    paper.waits(1000.0)

    assert paper.raised() == ([(ON_DELAY_S, "dry", "a")] if is_raised else [])


def test_the_on_delay_begins_anew_when_the_condition_went_meanwhile() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on())
    paper.sees(4.0, off())
    paper.sees(4.5, on())

    paper.waits(9.0)
    too_soon = paper.raised()
    paper.waits(9.5)

    assert too_soon == []
    assert paper.raised() == [(9.5, "dry", "a")]


def test_a_condition_that_is_told_again_and_again_is_one() -> None:
    paper = PaperBoard()
    for at_s in range(20):
        paper.sees(float(at_s), on(reason=f"for the {at_s}th time"))

    assert paper.raised() == [(ON_DELAY_S, "dry", "a")]
    assert paper.alarm().reason == "for the 19th time"


def test_what_is_over_keeps_the_reason_for_which_it_was_raised() -> None:
    paper = board_with("dry", "returned")

    assert paper.alarm().reason == "it is so"


def test_patience_adds_to_the_on_delay() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on(patience_s=7.0))

    paper.waits(nextafter(12.0, 0.0))
    too_soon = paper.raised()
    paper.waits(12.0)

    assert too_soon == []
    assert paper.raised() == [(12.0, "dry", "a")]


@pytest.mark.parametrize(
    ("at_s", "life"),
    [(nextafter(200.0 + OFF_DELAY_S, 0.0), "unacknowledged"), (200.0 + OFF_DELAY_S, "returned")],
)
def test_a_condition_has_to_be_gone_for_all_of_its_off_delay(at_s: float, life: str) -> None:
    paper = board_with("dry", "unacknowledged", now_s=100.0)
    paper.sees(200.0, off())

    paper.waits(at_s)

    assert paper.alarm().life == life


def test_a_condition_that_comes_back_within_its_off_delay_is_the_same_occurrence() -> None:
    paper = board_with("dry", "acknowledged")
    paper.sees(100.0, off())
    paper.sees(109.0, on())

    paper.waits(500.0)

    assert paper.alarm().life == "acknowledged"
    assert len(paper.raised()) == 1


@pytest.mark.parametrize("verb", ["acknowledge", "silence"])
@pytest.mark.parametrize(("waited_s", "calls"), [(nextafter(REMIND_S, 0.0), 1), (REMIND_S, 2)])
def test_what_was_put_off_and_not_mended_is_raised_again(verb: str, waited_s: float, calls: int) -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging"))
    paper.does(0.0, verb, "nagging")

    paper.waits(waited_s)

    assert len(paper.raised()) == calls
    assert paper.sounds() is (calls == 2)


def test_a_reminder_counts_from_the_acknowledgement_and_comes_once_each_time() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging"))
    paper.does(100.0, "acknowledge", "nagging")
    paper.waits(800.0)
    unanswered = len(paper.raised())
    paper.waits(3000.0)

    assert unanswered == 2
    assert [at_s for at_s, _, _ in paper.raised()] == [0.0, 700.0]


def test_what_is_silenced_late_is_not_raised_again_at_once() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging"))
    paper.does(2.0 * REMIND_S, "silence", "nagging")

    paper.waits(nextafter(3.0 * REMIND_S, 0.0))
    silent = not paper.sounds()
    paper.waits(3.0 * REMIND_S)

    assert silent
    assert [at_s for at_s, _, _ in paper.raised()] == [0.0, 3.0 * REMIND_S]


def test_nothing_reminds_of_what_is_over_or_masked() -> None:
    over, shelved = PaperBoard(), PaperBoard()
    over.sees(0.0, on("nagging"))
    over.does(1.0, "acknowledge", "nagging")
    over.sees(2.0, off("nagging"))
    shelved.sees(0.0, on("nagging"))
    shelved.does(1.0, "acknowledge", "nagging")
    shelved.does(2.0, "shelve", "nagging", for_s=1700.0)

    over.waits(1000.0)
    shelved.waits(1000.0)

    assert len(over.raised()) == len(shelved.raised()) == 1
    assert (shelved.alarm("nagging").life, shelved.alarm("nagging").occurrence) == ("acknowledged", 1)


@pytest.mark.parametrize(("third_s", "is_told"), [(nextafter(60.0, 0.0), True), (60.0, False)])
def test_three_raisings_within_a_minute_are_chatter(third_s: float, is_told: bool) -> None:
    paper = PaperBoard()
    for at_s in (0.0, 30.0, third_s):
        paper.sees(at_s, on("nagging"))
        paper.sees(at_s, off("nagging"))

    assert bool(paper.told(EventKind.ALARM_CHATTERS)) is is_told
    assert paper.alarm("nagging").chatters(third_s) is is_told


def test_chatter_is_told_once_until_it_has_calmed_down() -> None:
    paper = PaperBoard()
    bursts = [*range(0, 200, 10), *range(1000, 1050, 10)]
    for at_s in bursts:
        paper.sees(float(at_s), on("nagging"))
        paper.sees(float(at_s) + 1.0, off("nagging"))

    assert [event.at_s for event in paper.told(EventKind.ALARM_CHATTERS)] == [20.0, 1020.0]


@pytest.mark.parametrize(("after_s", "is_stale"), [(86_400.0, False), (nextafter(86_400.0, inf), True)])
def test_an_alarm_active_for_more_than_a_day_is_stale(after_s: float, is_stale: bool) -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging"))

    assert paper.alarm("nagging").is_stale(after_s) is is_stale
    paper.sees(after_s, off("nagging"))
    assert not paper.alarm("nagging").is_stale(1e6)
