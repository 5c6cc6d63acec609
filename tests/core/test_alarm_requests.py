"""What people ask of an alarm: what is refused and why, what is done, and when that ends."""

from math import inf, nan, nextafter

import pytest

from mistd.core.actions import Outcome
from mistd.core.events import EventKind
from tests.core.alarm_boards import (
    LONGEST_SHELF_S,
    PaperBoard,
    board_with,
    off,
    on,
    put_on,
)


@pytest.mark.parametrize("occurrence", [-1, 0, 1, 3])
def test_an_acknowledgement_of_another_occurrence_is_refused(occurrence: int) -> None:
    paper = board_with("dry", "returned")
    paper.sees(100.0, on())
    paper.waits(110.0)
    before = paper.alarm()

    step = paper.asks(111.0, "acknowledge", occurrence=occurrence)

    assert before.occurrence == 2
    assert step.outcome is Outcome.REFUSED
    assert ("there was no occurrence 3 yet" in step.reason) is (occurrence == 3)
    assert ("raised again since" in step.reason) is (occurrence < 2)
    assert "acknowledge" in step.reason
    assert "2" in step.reason
    assert paper.alarm() == before
    assert paper.sounds()


def test_acknowledging_without_naming_an_occurrence_is_refused() -> None:
    paper = board_with("dry", "unacknowledged")

    step = paper.asks(paper.now_s, "acknowledge", occurrence=None)

    assert step.outcome is Outcome.REFUSED
    assert paper.alarm().life == "unacknowledged"


def test_acknowledging_says_by_whom_and_is_done_once() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(20.0, "acknowledge", author="ilse")

    again = paper.asks(21.0, "acknowledge", author="jo")

    assert again.outcome is Outcome.DONE
    assert again.reason == "it was acknowledged already, by ilse"
    assert [event.reason for event in paper.told(EventKind.ALARM_ACKNOWLEDGED)] == [
        "Dry: seen by ilse, 15 s after"
    ]
    assert (paper.alarm().acknowledged_by, paper.alarm().acknowledged_s) == ("ilse", 20.0)
    assert paper.alarm().is_silenced


@pytest.mark.parametrize("for_s", [0.0, -1.0, nextafter(LONGEST_SHELF_S, inf), inf, nan])
def test_shelving_for_no_time_or_for_too_long_is_refused(for_s: float) -> None:
    paper = board_with("dry", "unacknowledged")
    before = paper.alarm()

    step = paper.asks(paper.now_s, "shelve", for_s=for_s)

    assert step.outcome is Outcome.REFUSED
    assert step.reason.endswith("at most 30 min: this kind may be put aside for 30 min at most")
    assert paper.alarm() == before


@pytest.mark.parametrize("for_s", [nextafter(0.0, 1.0), 1.0, 600.0, LONGEST_SHELF_S])
def test_shelving_within_the_limit_ends_by_itself(for_s: float) -> None:
    paper = board_with("dry", "unacknowledged", now_s=100.0)

    paper.does(200.0, "shelve", for_s=for_s)
    shelved = paper.alarm().mask
    paper.waits(200.0 + for_s)

    assert shelved == "shelved"
    assert paper.alarm().mask is None
    assert paper.raised()[-1] == (200.0 + for_s, "dry", "a")
    assert paper.sounds()


@pytest.mark.parametrize("now_s", [15395.064, 31200.416, 15981.166, 7254.818])
def test_the_longest_shelving_is_allowed_at_whatever_instant_it_is_asked(now_s: float) -> None:
    """An instant plus the limit minus the instant can come out a hair under the limit."""
    paper = board_with("dry", "unacknowledged", now_s=0.0)

    step = paper.asks(now_s, "shelve", for_s=LONGEST_SHELF_S)

    assert now_s + LONGEST_SHELF_S - now_s < LONGEST_SHELF_S
    assert step.outcome is Outcome.DONE


def test_shelving_without_a_time_is_refused() -> None:
    paper = board_with("dry", "unacknowledged")

    step = paper.asks(paper.now_s, "shelve")

    assert step.outcome is Outcome.REFUSED
    assert paper.alarm().mask is None


def test_however_often_it_is_shelved_it_is_back_within_the_limit_of_the_first_time() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=1000.0)
    paper.does(1000.0, "shelve", for_s=900.0)

    too_long = paper.asks(1500.0, "shelve", for_s=400.1)
    longest = paper.asks(1500.0, "shelve", for_s=400.0)
    paper.waits(1900.0)

    assert too_long.outcome is Outcome.REFUSED
    assert "at most 6.67 min" in too_long.reason
    assert too_long.reason.endswith("30 min at most, and it has been for 23.3 min")
    assert longest.outcome is Outcome.DONE
    assert paper.alarm().mask is None
    assert paper.told(EventKind.ALARM_UNSHELVED)[0].at_s == 1900.0


def test_a_shelving_asked_for_again_can_be_shortened() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=1000.0)

    paper.does(200.0, "shelve", for_s=300.0)
    paper.waits(500.0)

    assert paper.alarm().mask is None


def test_a_shelving_survives_its_alarm_coming_and_going() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=1000.0)
    paper.sees(200.0, off())
    paper.sees(300.0, on())
    paper.sees(400.0, off())
    paper.sees(1000.0, on())

    paper.waits(1099.0)

    assert paper.alarm().mask == "shelved"
    assert paper.alarm().unseen == 2
    assert [event.at_s for event in paper.told(EventKind.ALARM_SHELF_NEARLY_OVER)] == [980.0]


@pytest.mark.parametrize(("for_s", "warned_s"), [(600.0, [580.0]), (120.1, [100.1]), (120.0, []), (60.0, [])])
def test_a_shelving_says_two_minutes_before_that_the_alarm_is_coming_back(
    for_s: float, warned_s: list[float]
) -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=for_s)

    paper.waits(100.0 + for_s)

    warned = paper.told(EventKind.ALARM_SHELF_NEARLY_OVER)
    assert [event.at_s for event in warned] == pytest.approx(warned_s)
    assert all(event.reason == "Dry: comes back from the shelf in 2 min" for event in warned)


def test_a_shelving_that_is_prolonged_warns_again() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=300.0)
    paper.waits(290.0)
    paper.does(300.0, "shelve", for_s=600.0)

    paper.waits(900.0)

    assert [event.at_s for event in paper.told(EventKind.ALARM_SHELF_NEARLY_OVER)] == [280.0, 780.0]
    assert [event.at_s for event in paper.told(EventKind.ALARM_SHELVED)] == [100.0, 300.0]


def test_a_shelving_that_is_cut_to_two_minutes_or_less_needs_no_warning() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(100.0, "shelve", for_s=600.0)

    paper.does(200.0, "shelve", for_s=60.0)

    assert paper.told(EventKind.ALARM_SHELF_NEARLY_OVER) == []


def test_out_of_service_needs_a_reason_and_has_no_end() -> None:
    paper = board_with("dry", "unacknowledged")

    without = paper.asks(paper.now_s, "out_of_service", note=" ")
    paper.does(paper.now_s, "out_of_service", note="new nozzles")
    again = paper.asks(paper.now_s, "out_of_service", note="paint", author="jo")
    paper.waits(1e6)

    assert without.outcome is Outcome.REFUSED
    assert again.outcome is Outcome.DONE
    assert "ilse: new nozzles" in again.reason
    assert paper.alarm().mask == "out_of_service"


def test_silence_lasts_until_it_is_raised_anew_and_acknowledges_nothing() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(50.0, "silence")
    silent, life = not paper.sounds(), paper.alarm().life
    paper.sees(60.0, off())
    paper.sees(80.0, on())

    paper.waits(85.0)

    assert silent
    assert life == "unacknowledged"
    assert paper.sounds()


def test_a_reset_before_the_cause_is_gone_says_what_to_do_and_one_after_it_wants_an_acknowledgement() -> None:
    active, held = board_with("stuck", "acknowledged"), board_with("stuck", "latched_unacknowledged")

    too_soon = active.asks(active.now_s, "reset", "stuck")
    not_seen = held.asks(held.now_s, "reset", "stuck")
    never = PaperBoard().asks(0.0, "reset", "stuck")

    assert too_soon.reason == "its cause is still there: look at the bench"
    assert not_seen.reason == "acknowledge it first, then reset it"
    assert never.reason == "it is not latched: there is nothing to reset"


@pytest.mark.parametrize(
    ("kind", "life", "verb", "first", "again"),
    [
        (
            "dry",
            "unacknowledged",
            "acknowledge",
            "acknowledged; now: look at the bench",
            "it was acknowledged already, by ilse",
        ),
        (
            "stuck",
            "latched_unacknowledged",
            "acknowledge",
            "acknowledged; its cause is gone: reset it when you have understood it",
            "it was acknowledged already, by ilse",
        ),
        (
            "dry",
            "returned",
            "acknowledge",
            "acknowledged and cleared: its cause is gone",
            "there is nothing to acknowledge: it is over; nothing is left to do",
        ),
        (
            "dry",
            "unacknowledged",
            "silence",
            "silenced until it is raised again; not acknowledged",
            "it does not sound",
        ),
        ("dry", "unacknowledged", "shelve", "shelved for 5 min", "shelved for 5 min"),
        ("dry", "unacknowledged", "unshelve", "it was not shelved", "it was not shelved"),
        (
            "dry",
            "unacknowledged",
            "out_of_service",
            "out of service until you put it back: it will call nobody",
            "it was out of service already, by ilse: at work",
        ),
        ("dry", "unacknowledged", "in_service", "it was in service", "it was in service"),
        (
            "stuck",
            "latched",
            "reset",
            "reset and cleared",
            "it is not latched: there is nothing to reset",
        ),
    ],
)
def test_every_request_is_answered_in_words_and_once_more_as_it_stands(
    kind: str, life: str, verb: str, first: str, again: str
) -> None:
    paper = board_with(kind, life)

    answers = [paper.asks(paper.now_s, verb, kind, for_s=300.0).reason for _ in range(2)]

    assert answers == [first, again]


def test_what_is_taken_off_says_so() -> None:
    paper = board_with("dry", "unacknowledged")
    paper.does(paper.now_s, "shelve", for_s=300.0)
    paper.does(paper.now_s, "out_of_service")

    assert paper.asks(paper.now_s, "unshelve").reason == "off the shelf"
    assert paper.asks(paper.now_s, "in_service").reason == "back in service"


@pytest.mark.parametrize(
    ("mask", "what_to_do"),
    [
        ("shelved", "unshelve it before you acknowledge it"),
        ("suppressed_by_design", "see to that one before you acknowledge it"),
        ("out_of_service", "put it back in service before you acknowledge it"),
    ],
)
def test_a_masked_alarm_that_is_acknowledged_says_what_to_do_first(mask: str, what_to_do: str) -> None:
    paper = board_with("dry", "unacknowledged")
    put_on(paper, mask, "dry")

    assert paper.asks(paper.now_s, "acknowledge").reason.endswith(what_to_do)
