"""The board: who explains whom, which came first, what sounds, and what people see of it."""

from dataclasses import replace
from math import inf, nextafter

import pytest

from mistd.core.actions import Outcome
from mistd.core.alarms import Priority
from mistd.core.annunciator import attended, listed, masked, observed, sounding, stale, wake_at_s
from mistd.core.events import EventKind
from tests.core.alarm_boards import (
    CAUSE_DELAY_S,
    EFFECT_DELAY_S,
    HOUSE,
    ON_DELAY_S,
    POWER_KEY,
    SETTLES_S,
    TRIAL_ROWS,
    PaperBoard,
    board_with,
    off,
    on,
    row,
    trial_board,
    trip,
    without_power,
)

# One cause, one alarm


def test_one_cause_is_one_alarm() -> None:
    paper = without_power(100.0)

    assert paper.raised() == [(100.0 + CAUSE_DELAY_S, *POWER_KEY)]
    assert [(alarm.row.kind, alarm.mask) for alarm in masked(paper.board)] == [
        ("no_pump", "suppressed_by_design"),
        ("no_pump", "suppressed_by_design"),
    ]
    assert [alarm.row.kind for alarm in listed(paper.board)] == ["power"]


def test_the_cause_itself_is_never_hidden_by_what_it_explains() -> None:
    paper = without_power()

    assert paper.alarm(*POWER_KEY).mask is None
    assert paper.alarm(*POWER_KEY).life == "unacknowledged"
    assert paper.sounds(is_night=True)


def test_a_consequence_raised_before_its_cause_is_hidden_when_the_cause_is_known() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("no_pump"))
    paper.waits(EFFECT_DELAY_S)
    paper.sees(100.0, on(*POWER_KEY))
    seen_first = [alarm.row.kind for alarm in listed(paper.board)]

    paper.waits(100.0 + CAUSE_DELAY_S)

    assert seen_first == ["no_pump"]
    assert [alarm.row.kind for alarm in listed(paper.board)] == ["power"]
    assert [event.subject for event in paper.told(EventKind.ALARM_SUPPRESSED)] == ["a"]


def test_at_one_instant_the_cause_comes_first_whatever_the_order_of_the_conditions() -> None:
    rows = [replace(each, on_delay_s=0.0) for each in TRIAL_ROWS]
    conditions = [on("no_pump", "a"), on(*POWER_KEY), on("no_pump", "b")]
    for order in (conditions, conditions[::-1]):
        paper = PaperBoard(board=trial_board(rows))

        paper.sees(5.0, *order)

        assert paper.raised() == [(5.0, *POWER_KEY)]


def test_delays_that_end_together_hide_the_consequence_before_it_is_raised() -> None:
    rows = [replace(each, on_delay_s=10.0) for each in TRIAL_ROWS]
    paper = PaperBoard(board=trial_board(rows))
    paper.sees(0.0, on("no_pump"), on(*POWER_KEY))

    paper.waits(10.0)

    assert paper.raised() == [(10.0, *POWER_KEY)]
    assert paper.alarm("no_pump").unseen == 1


def test_when_the_cause_is_over_its_consequences_have_time_to_settle() -> None:
    paper = without_power(100.0)
    paper.sees(300.0, off(*POWER_KEY))
    paper.waits(nextafter(300.0 + SETTLES_S, 0.0))
    still_hidden = paper.alarm("no_pump", "a").mask
    paper.sees(350.0, off("no_pump", "a"))

    paper.waits(300.0 + SETTLES_S)

    assert still_hidden == "suppressed_by_design"
    assert paper.raised()[1:] == [(300.0 + SETTLES_S, "no_pump", "b")]
    assert paper.alarm("no_pump", "a").life == "normal"


def test_patience_lengthens_the_settling() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on(*POWER_KEY), on("no_pump", patience_s=40.0))
    paper.waits(EFFECT_DELAY_S + 40.0)
    paper.sees(300.0, off(*POWER_KEY))

    paper.waits(500.0)

    assert paper.raised()[1:] == [(300.0 + SETTLES_S + 40.0, "no_pump", "a")]


def test_a_cause_that_comes_back_while_things_settle_goes_on_explaining() -> None:
    paper = without_power(100.0)
    paper.sees(300.0, off(*POWER_KEY))
    paper.sees(310.0, on(*POWER_KEY))
    paper.waits(310.0 + CAUSE_DELAY_S)

    paper.waits(1000.0)

    assert [kind for _, kind, _ in paper.raised()] == ["power", "power"]


def test_a_consequence_that_begins_while_its_cause_is_on_is_hidden_from_the_start() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on(*POWER_KEY))
    paper.sees(100.0, on("no_pump"))

    paper.waits(100.0 + EFFECT_DELAY_S)

    assert paper.alarm("no_pump").mask == "suppressed_by_design"
    assert [event.at_s for event in paper.told(EventKind.ALARM_RAISED_UNSEEN)] == [160.0]


def test_what_two_causes_explain_shows_when_the_last_of_them_has_settled() -> None:
    leak = row(
        kind="leak", on_delay_s=0.0, off_delay_s=0.0, follows=("power", "nagging"), settles_s=SETTLES_S
    )
    rows = [replace(each, on_delay_s=0.0) for each in TRIAL_ROWS]
    paper = PaperBoard(board=trial_board([*rows, leak]))
    paper.sees(0.0, on(*POWER_KEY), on("nagging"), on("leak"))
    paper.sees(10.0, off("nagging"))
    paper.sees(100.0, off(*POWER_KEY))

    paper.waits(1000.0)

    assert [at_s for at_s, kind, _ in paper.raised() if kind == "leak"] == [100.0 + SETTLES_S]


def test_a_cause_that_is_out_of_service_explains_nothing() -> None:
    """Nobody would be called for as long as the work lasts, and that has no end of its own."""
    paper = without_power(100.0)

    paper.does(200.0, "out_of_service", *POWER_KEY)
    shown = [(at_s, kind, subject) for at_s, kind, subject in paper.raised() if kind == "no_pump"]
    paper.does(300.0, "in_service", *POWER_KEY)

    assert shown == [(200.0, "no_pump", "a"), (200.0, "no_pump", "b")]
    assert [alarm.row.kind for alarm in listed(paper.board)] == ["power"]


def test_a_cause_that_is_shelved_still_explains() -> None:
    paper = without_power(100.0)

    paper.does(200.0, "shelve", *POWER_KEY, for_s=600.0)
    paper.waits(799.0)

    assert listed(paper.board) == ()
    assert not paper.sounds()


def test_what_is_hidden_by_another_cannot_be_acknowledged_and_says_why() -> None:
    paper = without_power()

    step = paper.asks(paper.now_s, "acknowledge", "no_pump")

    assert step.outcome is Outcome.REFUSED
    assert "another alarm explains it" in step.reason


# First-out


def test_the_first_of_a_cascade_is_marked() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("no_pump", "b"))
    paper.sees(1.0, on("no_pump", "a"))
    paper.sees(1.0, on("nagging"))
    paper.waits(EFFECT_DELAY_S + 1.0)

    assert paper.alarm("no_pump", "b").is_first
    assert not paper.alarm("no_pump", "a").is_first
    assert paper.alarm("nagging").is_first, "it has nothing to do with the others"
    figures = {event.subject: event.figures["is_first"] for event in paper.told(EventKind.ALARM_RAISED)[1:]}
    assert figures == {"b": "yes", "a": "no"}


def test_the_first_stays_the_first_whatever_becomes_of_it() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging", "a"))
    paper.sees(1.0, on("nagging", "b"))

    paper.does(2.0, "acknowledge", "nagging", "a")
    paper.sees(3.0, off("nagging", "a"))
    paper.does(4.0, "acknowledge", "nagging", "b")

    assert paper.alarm("nagging", "a").is_first
    assert not paper.alarm("nagging", "b").is_first


def test_what_is_over_or_masked_leaves_the_next_to_be_the_first() -> None:
    for verb in ("shelve", "out_of_service"):
        paper = PaperBoard()
        paper.sees(0.0, on("nagging", "a"))
        paper.does(1.0, verb, "nagging", "a", for_s=600.0)
        paper.sees(2.0, on("nagging", "b"))

        assert paper.alarm("nagging", "b").is_first
    paper = PaperBoard()
    paper.sees(0.0, on("nagging", "a"))
    paper.sees(1.0, off("nagging", "a"))
    paper.sees(2.0, on("nagging", "b"))
    assert paper.alarm("nagging", "b").is_first


# The siren


def test_at_night_only_kinds_that_may_wake_sound() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging"))
    by_day, by_night = paper.sounds(), paper.sounds(is_night=True)

    paper.sees(10.0, on("dry"))
    paper.waits(10.0 + ON_DELAY_S)

    assert (by_day, by_night) == (True, False)
    assert paper.sounds(is_night=True)
    assert [alarm.row.kind for alarm in sounding(paper.board, is_night=True)] == ["dry"]


def test_silencing_all_quiets_everything_and_the_next_one_is_heard() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging", "a"), on("nagging", "b"))
    told = paper.asks(1.0, "silence", None, None).reason
    silent = not paper.sounds()
    again = paper.asks(2.0, "silence", None, None)

    paper.sees(3.0, trip())

    assert told == "2 silenced until one is raised again; not acknowledged"
    assert silent
    assert (again.outcome, again.reason, again.events) == (Outcome.DONE, "nothing sounds", ())
    assert [alarm.row.kind for alarm in sounding(paper.board, is_night=False)] == ["tripped"]


@pytest.mark.parametrize(
    "verb", ["acknowledge", "shelve", "unshelve", "reset", "out_of_service", "in_service"]
)
def test_only_silence_takes_all_at_once(verb: str) -> None:
    paper = board_with("dry", "unacknowledged")

    step = paper.asks(paper.now_s, verb, None, None, for_s=60.0)

    assert step.outcome is Outcome.REFUSED
    assert "name the alarm" in step.reason
    assert paper.alarm().life == "unacknowledged"


# Pulses


def test_a_pulse_is_held_until_it_was_seen_and_reset() -> None:
    paper = PaperBoard()
    paper.sees(1.0, trip())
    held = paper.alarm("tripped", "relay").life
    paper.does(2.0, "acknowledge", "tripped", "relay")

    paper.does(3.0, "reset", "tripped", "relay")

    assert held == "latched_unacknowledged"
    assert paper.alarm("tripped", "relay").life == "normal"
    assert [event.kind for event in paper.events] == [
        EventKind.ALARM_RAISED,
        EventKind.ALARM_RETURNED,
        EventKind.ALARM_ACKNOWLEDGED,
        EventKind.ALARM_RESET,
        EventKind.ALARM_CLEARED,
    ]


def test_another_pulse_is_another_occurrence() -> None:
    paper = PaperBoard()
    paper.sees(1.0, trip())
    paper.does(2.0, "acknowledge", "tripped", "relay")

    paper.sees(3.0, trip())

    assert paper.alarm("tripped", "relay").occurrence == 2
    assert paper.sounds()
    assert paper.asks(4.0, "reset", "tripped", "relay").outcome is Outcome.REFUSED


def test_a_pulse_of_a_kind_with_an_on_delay_is_our_mistake() -> None:
    with pytest.raises(ValueError, match="shorter than its on-delay"):
        observed(trial_board(), [replace(trip(), kind="stuck", subject="a")], 0.0)


# The board as a value


def test_a_delay_that_ended_before_anyone_looked_counts() -> None:
    """The program was late: the condition held for its delay and is gone when it is looked at again."""
    board = observed(trial_board(), [on()], 0.0).board

    step = observed(board, [off()], ON_DELAY_S + 1.0)

    assert [event.kind for event in step.events] == [EventKind.ALARM_RAISED]


def test_what_changes_nothing_hands_back_the_same_board() -> None:
    paper = board_with("dry", "acknowledged")
    board = paper.board

    assert attended(board, 50.0).board is board
    assert observed(board, [on(), off("dry", "b"), off("stuck")], 50.0).board is board
    assert paper.asks(50.0, "unshelve").board is board
    assert paper.asks(50.0, "silence").board is board
    assert paper.asks(50.0, "reset").board is board


def test_a_step_leaves_the_board_it_was_given_as_it_was() -> None:
    board = trial_board()

    observed(board, [on("nagging")], 0.0)

    assert board == trial_board()


def test_a_quiet_board_is_never_woken() -> None:
    assert wake_at_s(trial_board()) == inf
    assert wake_at_s(board_with("dry", "acknowledged").board) == inf


@pytest.mark.parametrize(
    ("kind", "subject"),
    [("dry", "c"), ("dry", HOUSE), ("power", "a"), ("damp", "a"), ("dry", ""), ("reading_lost", "north")],
)
def test_an_alarm_that_cannot_be_is_refused_to_people_and_is_our_mistake_as_a_condition(
    kind: str, subject: str
) -> None:
    paper = PaperBoard()

    step = paper.asks(0.0, "shelve", kind, subject, for_s=60.0)

    assert step.outcome is Outcome.REFUSED
    assert "there is no alarm" in step.reason
    with pytest.raises(ValueError, match="no alarm"):
        observed(paper.board, [on(kind, subject)], 0.0)


def test_the_list_shows_what_is_active_before_what_is_over_and_the_most_pressing_first() -> None:
    low = row(kind="low", priority=Priority.LOW, on_delay_s=0.0, off_delay_s=0.0)
    high = row(kind="high", priority=Priority.HIGH, on_delay_s=0.0, off_delay_s=0.0)
    paper = PaperBoard(board=trial_board([low, high]))
    paper.sees(0.0, on("high", "b"), on("low", "b"))
    paper.sees(1.0, off("high", "b"))
    paper.sees(2.0, on("low", "a"), on("high", "a"))

    shown = [(alarm.row.kind, alarm.subject) for alarm in listed(paper.board)]

    assert shown == [("high", "a"), ("low", "b"), ("low", "a"), ("high", "b")]


def test_what_people_put_aside_is_in_a_list_of_its_own_though_it_is_at_rest() -> None:
    paper = PaperBoard()
    paper.does(0.0, "shelve", "dry", "b", for_s=600.0)
    paper.does(0.0, "out_of_service", "stuck", "a")

    assert [(alarm.row.kind, alarm.mask) for alarm in masked(paper.board)] == [
        ("dry", "shelved"),
        ("stuck", "out_of_service"),
    ]
    assert listed(paper.board) == ()


def test_what_is_explained_before_it_was_ever_raised_is_in_no_list() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on(*POWER_KEY), on("no_pump"))

    paper.waits(CAUSE_DELAY_S)

    assert paper.alarm("no_pump").mask == "suppressed_by_design"
    assert masked(paper.board) == ()
    paper.sees(40.0, off(*POWER_KEY), off("no_pump"))
    paper.waits(1000.0)
    assert paper.alarm("no_pump").mask is None
    assert {event.subject for event in paper.events} == {HOUSE}


def test_stale_alarms_are_listed() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging", "a"))
    paper.sees(10.0, on("nagging", "b"))

    assert [alarm.subject for alarm in stale(paper.board, 86_405.0)] == ["a"]
