"""Alarms as text: the line on a page, and the list."""

from datetime import timedelta
from typing import Any

import pytest

from mistd.app.alarm_text import alarm_lines, alarms_line, pressing_first
from mistd.app.messages import AlarmsTold, AlarmTold
from mistd.app.picture import Picture, lines
from tests.app.told_houses import NOW, TOPICS, house, status, zone

AGO = timedelta(minutes=10)


def alarm(name: str = "no_broker/fern-house", **changes: Any) -> AlarmTold:
    kind, subject = name.split("/")
    plain: dict[str, Any] = {
        "alarm": name,
        "kind": kind,
        "subject": subject,
        "title": "No broker",
        "priority": "medium",
        "state": "unacknowledged",
        "mask": None,
        "occurrence": 3,
        "since": NOW - AGO,
        "over_at": None,
        "reason": "connection refused",
        "figures": {},
        "is_first": False,
        "cause": "It cannot be reached.",
        "consequence": "Frost would go unseen.",
        "what_to_do": ["Check the broker.", "Check the network."],
        "respond_within_s": 3600.0,
        "may_wake": False,
        "acknowledged_by": None,
        "acknowledged_at": None,
        "is_silenced": False,
        "shelved": None,
        "out_of_service": None,
        "raised_unseen": 0,
    }
    return AlarmTold.model_validate(plain | changes)


def in_sum(**changes: Any) -> AlarmsTold:
    plain: dict[str, Any] = {
        "high": 0,
        "medium": 0,
        "low": 0,
        "unacknowledged": 0,
        "masked": 0,
        "is_sounding": False,
        "is_flood": False,
        "first": None,
        "topmost": None,
        "topmost_said": "",
    }
    return AlarmsTold.model_validate(plain | changes)


# --- one line


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (None, ""),
        (in_sum(), ""),
        (in_sum(masked=2), "no alarms but 2 put aside or hidden: mistd alarms --all"),
        (
            in_sum(high=1, low=1, unacknowledged=1, is_sounding=True, topmost_said="Dry, left: why"),
            "! 2 alarms, 1 not acknowledged, sounding: Dry, left: why",
        ),
        (
            in_sum(medium=1, masked=1, topmost_said="Dry, left: why"),
            "! 1 alarm, all acknowledged, 1 put aside or hidden: Dry, left: why",
        ),
        (
            in_sum(low=12, unacknowledged=12, is_flood=True, first="x/y", topmost_said="X\x1b[2J"),
            "! 12 alarms, 12 not acknowledged, a flood, first came x/y: X\\x1b[2J",
        ),
    ],
)
def test_all_alarms_in_one_line(told: AlarmsTold | None, said: str) -> None:
    assert alarms_line(told) == said


def test_the_page_of_a_house_has_the_line_only_while_there_is_something_to_say() -> None:
    picture = Picture(topics=TOPICS)
    for message, topic in (
        (status(), TOPICS.status),
        (house(), TOPICS.house),
        (zone("left"), TOPICS.zone("left")),
    ):
        picture.take(topic, message.model_dump_json().encode())
    quiet = lines(picture, NOW)

    picture.take(
        TOPICS.alarms, in_sum(low=1, unacknowledged=1, topmost_said="Dry").model_dump_json().encode()
    )

    assert set(lines(picture, NOW)) - set(quiet) == {"! 1 alarm, 1 not acknowledged: Dry"}


# --- the picture


def test_an_alarm_is_taken_in_and_let_go_of_when_its_topic_is_emptied() -> None:
    picture, topic = Picture(topics=TOPICS), TOPICS.alarm("no_broker", "fern-house")
    picture.take(topic, alarm().model_dump_json().encode())
    assert list(picture.alarms) == ["no_broker/fern-house"]

    picture.take(topic, b"nonsense")
    assert list(picture.alarms) == ["no_broker/fern-house"]
    picture.take(topic, b"")

    assert picture.alarms == {}


def test_an_alarm_under_another_s_topic_is_not_taken_in() -> None:
    picture = Picture(topics=TOPICS)

    picture.take(TOPICS.alarm("no_broker", "other"), alarm().model_dump_json().encode())

    assert picture.alarms == {}


# --- the list


def test_an_alarm_says_what_since_when_why_what_to_do_and_by_when() -> None:
    assert alarm_lines([alarm(figures={"away_s": 1.5})], NOW) == [
        "MEDIUM  no_broker/fern-house  No broker: there, not acknowledged",
        "    since 11:50 (10 min), occurrence 3: connection refused (away_s 1.5)",
        "    Frost would go unseen.",
        "    to do: 1. Check the broker. 2. Check the network.",
        "    answer within 60 min: by 12:50",
    ]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"respond_within_s": 300.0}, "    answer within 5 min: by 11:55, which is 5 min ago"),
        ({"is_silenced": True}, "    answer within 60 min: by 12:50; silenced"),
        (
            {"state": "acknowledged", "acknowledged_by": "Ida", "acknowledged_at": NOW - AGO / 2},
            "    acknowledged by Ida at 11:55",
        ),
        ({"state": "latched"}, "    to be answered within 60 min"),
    ],
)
def test_who_has_seen_it_or_by_when_somebody_must(changes: dict[str, Any], said: str) -> None:
    assert alarm_lines([alarm(**changes)], NOW)[-1] == said


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"state": "returned", "over_at": NOW}, "    11:50 to 12:00, occurrence 3: connection refused"),
        (
            {"since": NOW - timedelta(hours=24)},
            "    since 20 Jun 12:00 (24 h), occurrence 3: connection refused",
        ),
        (
            {"since": NOW - timedelta(hours=24, seconds=1)},
            "    since 20 Jun 11:59 (24 h), for more than a day, occurrence 3: connection refused",
        ),
        ({"reason": ""}, "    since 11:50 (10 min), occurrence 3: It cannot be reached."),
    ],
)
def test_since_when_it_is_or_was(changes: dict[str, Any], said: str) -> None:
    assert alarm_lines([alarm(**changes)], NOW)[1] == said


def test_the_most_pressing_comes_first_and_of_many_the_first_is_marked() -> None:
    alarms = [
        alarm("a/h", state="returned", priority="high"),
        alarm("b/h", priority="low"),
        alarm("c/h", priority="high", since=NOW),
        alarm("d/h", priority="high", state="acknowledged", is_first=True),
    ]

    page = alarm_lines(alarms, NOW)

    assert [each.alarm for each in pressing_first(alarms)] == ["d/h", "c/h", "b/h", "a/h"]
    heads = [line for line in page if line and not line.startswith(" ")]
    assert heads == [
        "HIGH  d/h  No broker: there, acknowledged; the first of those that came together",
        "HIGH  c/h  No broker: there, not acknowledged",
        "LOW  b/h  No broker: there, not acknowledged",
        "HIGH  a/h  No broker: over, not acknowledged",
    ]


SHELVED = {"since": NOW - AGO, "until": NOW + AGO, "by": "Ida", "note": ""}
OUT = {"since": NOW - AGO, "by": "Ana", "note": "new valve"}


def test_what_people_put_aside_is_apart_with_who_and_until_when() -> None:
    page = alarm_lines(
        [
            alarm("a/h", mask="shelved", shelved=SHELVED, raised_unseen=2),
            alarm("b/h", mask="out_of_service", out_of_service=OUT, state="normal", since=None),
        ],
        NOW,
    )

    assert page == [
        "no alarms",
        "",
        "put aside:",
        "    MEDIUM  a/h  No broker: there, not acknowledged; raised 2 times meanwhile",
        "        shelved until 12:10, by Ida",
        "    MEDIUM  b/h  No broker: at rest",
        "        out of service since 11:50, by Ana: new valve",
    ]


def test_what_another_alarm_explains_is_counted_and_told_when_asked_for() -> None:
    hidden = [alarm("a/h", mask="suppressed_by_design"), alarm("b/h")]

    assert alarm_lines(hidden, NOW)[-1] == (
        "1 more hidden, for another alarm explains them: mistd alarms --all"
    )
    assert alarm_lines(hidden, NOW, is_all=True)[-3:] == [
        "hidden, for another alarm explains them:",
        "    MEDIUM  a/h  No broker: there, not acknowledged",
        "        since 11:50 (10 min), occurrence 3: connection refused",
    ]


def test_what_people_wrote_cannot_move_the_cursor() -> None:
    told = alarm(reason="\x1b[2J", mask="shelved", shelved=SHELVED | {"note": "\x1b[H"})

    assert not any("\x1b" in line for line in alarm_lines([told, alarm(reason="\x1b[2J")], NOW))
