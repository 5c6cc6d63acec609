"""What the board tells: floods, and every change in words with its figures."""

from math import nextafter

import pytest

from mistd.core.alarms import Priority
from mistd.core.events import EventKind
from tests.core.alarm_boards import (
    HOUSE,
    ON_DELAY_S,
    POWER,
    POWER_KEY,
    PaperBoard,
    off,
    on,
    trip,
    without_power,
)


def raised_one_by_one(*at_s: float) -> PaperBoard:
    """One alarm raised at each instant."""
    paper = PaperBoard()
    for index, each_s in enumerate(at_s):
        paper.sees(each_s, trip(f"relay-{index}"))
    return paper


def test_more_than_ten_alarms_in_ten_minutes_are_a_flood() -> None:
    ten = raised_one_by_one(*[60.0 * index for index in range(10)])
    eleven = raised_one_by_one(*[59.0 * index for index in range(11)])

    assert ten.told(EventKind.ALARM_FLOOD_BEGAN) == []
    began = eleven.told(EventKind.ALARM_FLOOD_BEGAN)
    assert [(event.at_s, event.subject, event.figures) for event in began] == [(590.0, HOUSE, {"raised": 11})]
    assert eleven.board.flood.is_on


@pytest.mark.parametrize(("last_s", "is_flood"), [(nextafter(600.0, 0.0), True), (600.0, False)])
def test_the_eleventh_alarm_counts_within_ten_minutes_of_the_first(last_s: float, is_flood: bool) -> None:
    paper = raised_one_by_one(0.0, *[10.0] * 9, last_s)

    assert paper.board.flood.is_on is is_flood


def test_a_flood_is_over_when_fewer_than_five_came_in_ten_minutes() -> None:
    paper = raised_one_by_one(*[float(index) for index in range(20)])
    paper.waits(nextafter(615.0, 0.0))
    goes_on = paper.board.flood.is_on

    paper.waits(615.0)

    assert goes_on
    assert not paper.board.flood.is_on
    ended = paper.told(EventKind.ALARM_FLOOD_ENDED)
    assert [(event.at_s, event.figures) for event in ended] == [(615.0, {"raised": 20})]


def test_a_flood_begins_once_and_can_begin_again() -> None:
    paper = raised_one_by_one(
        *[float(index) for index in range(15)], *[2000.0 + index for index in range(15)]
    )

    assert [event.at_s for event in paper.told(EventKind.ALARM_FLOOD_BEGAN)] == [10.0, 2010.0]
    assert [event.at_s for event in paper.told(EventKind.ALARM_FLOOD_ENDED)] == [610.0]


def test_a_flood_goes_on_though_time_brings_other_things() -> None:
    paper = raised_one_by_one(*[float(index) for index in range(11)])
    paper.sees(20.0, on())

    paper.waits(20.0 + ON_DELAY_S)

    assert paper.board.flood.is_on
    assert paper.told(EventKind.ALARM_FLOOD_ENDED) == []


def test_what_nobody_is_called_to_is_no_flood() -> None:
    paper = PaperBoard()
    paper.does(0.0, "shelve", "tripped", "relay", for_s=1000.0)

    for at_s in range(20):
        paper.sees(float(at_s), trip())

    assert not paper.board.flood.is_on
    assert paper.alarm("tripped", "relay").unseen == 20


def an_eventful_life() -> PaperBoard:
    """A board on which everything happens."""
    paper = without_power(0.0)
    paper.does(100.0, "silence", *POWER_KEY)
    paper.does(100.0, "acknowledge", *POWER_KEY, author="jo")
    paper.does(101.0, "shelve", *POWER_KEY, for_s=300.0, note="")
    paper.does(102.0, "out_of_service", *POWER_KEY)
    paper.does(103.0, "in_service", *POWER_KEY)
    paper.waits(500.0)
    paper.sees(501.0, off("no_pump", "a"))
    paper.sees(502.0, off(*POWER_KEY))
    paper.waits(600.0)
    paper.does(701.0, "shelve", "tripped", "relay", for_s=600.0)
    for at_s in (702.0, 703.0):
        paper.sees(at_s, trip())
    paper.does(705.0, "unshelve", "tripped", "relay")
    paper.sees(710.0, trip())
    paper.does(720.0, "acknowledge", "tripped", "relay")
    paper.does(721.0, "reset", "tripped", "relay")
    return paper


def test_every_change_is_told_in_words_with_who_and_how_long() -> None:
    told = [(event.at_s, event.kind.name, event.subject, event.reason) for event in an_eventful_life().events]

    assert told == [
        (30.0, "ALARM_RAISED", HOUSE, "Power: it is so"),
        (60.0, "ALARM_RAISED_UNSEEN", "a", "No pump, suppressed by design: it is so"),
        (60.0, "ALARM_RAISED_UNSEEN", "b", "No pump, suppressed by design: it is so"),
        (100.0, "ALARM_SILENCED", HOUSE, "Power: silenced by ilse, not acknowledged"),
        (100.0, "ALARM_ACKNOWLEDGED", HOUSE, "Power: seen by jo, 70 s after"),
        (101.0, "ALARM_SHELVED", HOUSE, "Power: put aside by ilse for 5 min"),
        (102.0, "ALARM_OUT_OF_SERVICE", HOUSE, "Power: out of service, by ilse: at work"),
        (102.0, "ALARM_UNSUPPRESSED", "a", "No pump: no longer explained by another; raised once meanwhile"),
        (102.0, "ALARM_RAISED", "a", "No pump, still there: it is so"),
        (102.0, "ALARM_UNSUPPRESSED", "b", "No pump: no longer explained by another; raised once meanwhile"),
        (102.0, "ALARM_RAISED", "b", "No pump, still there: it is so"),
        (103.0, "ALARM_IN_SERVICE", HOUSE, "Power: back in service, by ilse"),
        (103.0, "ALARM_SUPPRESSED", "a", "No pump: hidden, for another alarm explains it"),
        (103.0, "ALARM_SUPPRESSED", "b", "No pump: hidden, for another alarm explains it"),
        (281.0, "ALARM_SHELF_NEARLY_OVER", HOUSE, "Power: comes back from the shelf in 2 min"),
        (401.0, "ALARM_UNSHELVED", HOUSE, "Power: off the shelf, its time is over"),
        (401.0, "ALARM_RAISED", HOUSE, "Power, still there: it is so"),
        (501.0, "ALARM_RETURNED", "a", "No pump: over after 399 s; wants to be acknowledged"),
        (502.0, "ALARM_RETURNED", HOUSE, "Power: over after 101 s; wants to be acknowledged"),
        (562.0, "ALARM_UNSUPPRESSED", "a", "No pump: no longer explained by another"),
        (562.0, "ALARM_CLEARED", "a", "No pump: cleared"),
        (562.0, "ALARM_UNSUPPRESSED", "b", "No pump: no longer explained by another"),
        (562.0, "ALARM_RAISED", "b", "No pump, still there: it is so"),
        (701.0, "ALARM_SHELVED", "relay", "Tripped: put aside by ilse for 10 min: at work"),
        (702.0, "ALARM_RAISED_UNSEEN", "relay", "Tripped, shelved: it went off"),
        (702.0, "ALARM_RETURNED", "relay", "Tripped: over after 0 s; held until it is reset"),
        (703.0, "ALARM_RAISED_UNSEEN", "relay", "Tripped, shelved, 2 times so far: it went off"),
        (703.0, "ALARM_RETURNED", "relay", "Tripped: over after 0 s; held until it is reset"),
        (705.0, "ALARM_UNSHELVED", "relay", "Tripped: off the shelf, by ilse; raised 2 times meanwhile"),
        (710.0, "ALARM_RAISED", "relay", "Tripped: it went off"),
        (
            710.0,
            "ALARM_CHATTERS",
            "relay",
            "Tripped: raised 3 times within 60 s; find what makes it come and go",
        ),
        (710.0, "ALARM_RETURNED", "relay", "Tripped: over after 0 s; held until it is reset"),
        (720.0, "ALARM_ACKNOWLEDGED", "relay", "Tripped: seen by ilse, 10 s after"),
        (721.0, "ALARM_RESET", "relay", "Tripped: reset by ilse"),
        (721.0, "ALARM_CLEARED", "relay", "Tripped: cleared"),
    ]


def test_the_board_tells_every_kind_of_event_there_is_of_alarms() -> None:
    flood = raised_one_by_one(*[float(index) for index in range(11)])
    flood.waits(2000.0)

    told = {event.kind for event in [*an_eventful_life().events, *flood.events]}
    assert told == {kind for kind in EventKind if kind.value.startswith("alarm_")}


def test_a_reminder_says_that_it_is_one() -> None:
    paper = PaperBoard()
    paper.sees(0.0, on("nagging"))
    paper.does(1.0, "acknowledge", "nagging")

    paper.waits(1000.0)

    again = paper.told(EventKind.ALARM_RAISED)[1]
    assert again.reason == "Nagging again, not mended yet: it is so"
    assert again.figures["is_first"] == "yes"


def test_every_event_of_an_alarm_names_its_kind_its_occurrence_and_its_priority() -> None:
    for event in without_power().events:
        assert event.figures["alarm"] in {POWER.kind, "no_pump"}
        assert event.figures["occurrence"] == 1
        assert event.figures["priority"] in {priority.value for priority in Priority}
    raised = without_power().told(EventKind.ALARM_RAISED)
    assert [event.reason for event in raised] == ["Power: it is so"]
    assert type(raised[0].figures["alarm"]) is str
    assert all(
        ("is_first" in event.figures) is (event.kind is EventKind.ALARM_RAISED)
        for event in an_eventful_life().events
    )


def test_the_figures_of_a_condition_are_told_when_it_is_raised() -> None:
    paper = PaperBoard()

    paper.sees(0.0, on("nagging", figures={"gap_s": 720.0}))

    assert paper.told(EventKind.ALARM_RAISED)[0].figures["gap_s"] == 720.0
