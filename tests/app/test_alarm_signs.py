"""What the daemon finds amiss in itself, as conditions: what stands at a start, what events change."""

import pytest

from mistd.app.alarm_signs import (
    LONGEST_REASON,
    NOT_YET_CONNECTED,
    SIGNS,
    OwnConditions,
    Sign,
    is_left_out,
)
from mistd.core.alarm_kinds import AlarmKind, rows_by_kind
from mistd.core.alarms import About
from mistd.core.annunciator import begun_board, observed
from mistd.core.events import Event, EventKind
from mistd.core.settings import SettingKind
from tests.core.houses import ask_setting, house_at_work, house_plan, zone_plan
from tests.core.test_changes import BY_THE_TIMETABLE

HOUSE = "elm-house"
PLAN = house_plan(zone_plan("a"), zone_plan("b"))
ROWS = rows_by_kind()
every_sign = pytest.mark.parametrize(("event", "sign"), SIGNS.items(), ids=[event.value for event in SIGNS])


def event(kind: EventKind, reason: str = "why", subject: str = HOUSE) -> Event:
    return Event(kind=kind, at_s=5.0, subject=subject, reason=reason, figures={})


def looked_at() -> OwnConditions:
    own = OwnConditions(PLAN)
    own.news(None, 0.0)
    return own


# --- the table


def test_no_event_of_an_alarm_is_a_sign_of_one() -> None:
    """Else an alarm could raise itself."""
    assert not [kind for kind in SIGNS if kind.value.startswith("alarm_")]
    assert not [
        kind for kind in EventKind if kind.value.startswith("alarm_") and looked_at().take(event(kind))
    ]


@every_sign
def test_what_only_happens_is_a_pulse_and_latches_and_what_lasts_is_neither(
    event: EventKind, sign: Sign
) -> None:
    assert ROWS[sign.kind].is_latching is sign.is_pulse


@every_sign
def test_a_sign_is_of_what_its_alarm_is_about(event: EventKind, sign: Sign) -> None:
    assert (ROWS[sign.kind].about is About.HOUSE) is sign.is_of_house


def test_what_lasts_has_an_end() -> None:
    """A bad configuration has none in this run, and a setting's is seen in the house."""
    ends = {sign.kind for sign in SIGNS.values() if not sign.is_on}
    lasts = {sign.kind for sign in SIGNS.values() if sign.is_on and not sign.is_pulse}

    assert lasts - ends == {AlarmKind.CONFIGURATION_BAD, AlarmKind.SETTING_NOT_APPLIED}
    assert ends < lasts


@every_sign
def test_every_sign_is_of_an_alarm_that_the_board_knows(event: EventKind, sign: Sign) -> None:
    own = OwnConditions(PLAN)
    own.take(
        Event(kind=event, at_s=0.0, subject=HOUSE if sign.is_of_house else "a", reason="why", figures={})
    )

    step = observed(begun_board(PLAN), own.news(None, 0.0), 0.0)

    alarm = step.board.alarm(sign.kind, HOUSE if sign.is_of_house else "a")
    assert (alarm.is_wanted or alarm.occurrence == 1) is sign.is_on


# --- what stands


def test_at_a_start_everything_is_told_and_only_the_broker_is_not_there_yet() -> None:
    own = OwnConditions(PLAN)

    told = {(each.kind, each.subject): (each.is_on, each.reason) for each in own.news(None, 0.0)}

    assert told == {
        ("no_broker", HOUSE): (True, NOT_YET_CONNECTED),
        ("state_not_kept", HOUSE): (False, ""),
        ("configuration_bad", HOUSE): (False, ""),
        ("setting_not_applied", "a"): (False, ""),
        ("setting_not_applied", "b"): (False, ""),
    }


def test_what_was_told_is_not_told_again_until_somebody_knows_nothing_of_it() -> None:
    own = looked_at()
    assert own.news(None, 1.0) == []

    own.again()

    assert len(own.news(None, 1.0)) == 5


def test_of_what_came_and_went_meanwhile_only_the_last_is_told() -> None:
    own = looked_at()
    own.take(event(EventKind.BROKER_CONNECTED))
    own.take(event(EventKind.BROKER_LOST, "gone"))

    (told,) = own.news(None, 1.0)

    assert (told.kind, told.is_on, told.is_pulse, told.reason) == ("no_broker", True, False, "gone")


def test_what_happens_is_told_once() -> None:
    own = looked_at()
    own.take(event(EventKind.TASK_FAILED, "broken", subject="bus"))

    (told,) = own.news(None, 1.0)

    assert (told.kind, told.subject, told.is_pulse, told.reason) == ("task_failed", "bus", True, "broken")
    assert own.news(None, 1.0) == []


def test_the_same_reason_is_said_once_and_many_come_to_an_end() -> None:
    own = looked_at()
    for number in [0, 0, *range(1000)]:
        own.take(event(EventKind.BACKUP_FAILED, f"reason {number:04}"))

    (told,) = own.news(None, 1.0)

    assert told.reason.startswith("reason 0000; reason 0001; ")
    assert len(told.reason) <= LONGEST_REASON + 2


def test_what_is_no_sign_changes_nothing() -> None:
    own = looked_at()

    assert not own.take(event(EventKind.BURST_ENDED))
    assert own.news(None, 1.0) == []


# --- settings that are not in force


def test_a_cycle_that_was_set_and_is_not_in_force_is_left_out_until_it_is_set_anew() -> None:
    paper = house_at_work(PLAN)
    paper.decide(10.0, ask_setting(SettingKind.CYCLE, BY_THE_TIMETABLE))
    assert not is_left_out(paper.house, "a", 10.0)
    paper.house.zones[0].cycle_set = None  # as after a start with a file that forbids it

    assert is_left_out(paper.house, "a", 10.0)
    assert not is_left_out(paper.house, "b", 10.0)
    paper.decide(20.0, ask_setting(SettingKind.CYCLE, None, request_id="set-2"))
    assert not is_left_out(paper.house, "a", 20.0)
