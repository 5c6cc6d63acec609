"""Messages from outside: what gets through, what is refused and why, what is remembered."""

import json
from collections.abc import Callable
from datetime import timedelta
from math import isnan
from pathlib import Path
from typing import Any

import pytest

from mistd.app.inbox import (
    ANSWERS_REMEMBERED,
    LARGEST_PAYLOAD,
    MOST_REFUSED,
    MOST_REPLIES,
    MOST_REQUESTS,
    REMEMBERED_S,
    REQUEST_GOOD_S,
)
from mistd.app.topics import LONGEST_ANSWER_TOPIC, LONGEST_CORRELATION
from mistd.core.readings import Quality
from mistd.core.requests import AskBurst, AskHold, AskRelease
from tests.app.inbox_desk import NOON, TOPICS, Desk, desk_in


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return desk_in(tmp_path)


# --- what gets through


def test_requests_come_through_as_they_were_asked(desk: Desk) -> None:
    desk.ask("burst", desk.message("a", for_s=5, author="Ida"))
    desk.ask("hold", desk.message("b", zone="right", for_s=600.0, note="potting"))
    desk.ask("release", desk.message("c", zone="right"))

    assert desk.inbox.requests() == (
        AskBurst(request_id="a", zone="left", for_s=5.0, author="Ida", expires_at_s=100.0 + REQUEST_GOOD_S),
        AskHold(request_id="b", zone="right", for_s=600.0, author="unnamed", note="potting"),
        AskRelease(request_id="c", zone="right", author="unnamed"),
    )
    assert desk.inbox.requests() == ()
    assert desk.published == []


def test_every_message_wakes_the_control_loop(desk: Desk) -> None:
    woken: list[bool] = []
    desk.inbox.wake = lambda: woken.append(True)

    desk.ask("burst", desk.message("a"))
    desk.deliver("fern/pressure", b"310")

    assert len(woken) == 2


def test_a_burst_is_good_for_no_longer_than_its_message(desk: Desk) -> None:
    for request_id, expires_in_s in {"soon": 3, "late": 2**32 - 1, "now": 0}.items():
        desk.ask("burst", desk.message(request_id), expires_in_s=expires_in_s)

    until = {
        each.request_id: each.expires_at_s for each in desk.inbox.requests() if isinstance(each, AskBurst)
    }
    assert until == {"soon": 103.0, "late": 130.0, "now": 100.0}


def test_the_inbox_listens_to_requests_and_sensors_and_nothing_else(desk: Desk) -> None:
    assert desk.inbox.subscriptions() == [
        "mistd/fern-house/ask/+",
        "fern/air",
        "fern/pressure",
        "fern/attic",
    ]


# --- answers


def test_an_answer_goes_to_the_fixed_topic_or_where_the_request_says(desk: Desk) -> None:
    desk.ask("burst", desk.message("a"))
    desk.ask("burst", desk.message("b"), response_topic=f"{TOPICS.answer}/ida", correlation=b"\x00\xff")
    desk.grant_all()

    to = {json.loads(each.payload)["id"]: (each.topic, each.correlation) for each in desk.published}
    assert to == {"a": (TOPICS.answer, None), "b": (f"{TOPICS.answer}/ida", b"\x00\xff")}
    assert not any(each.is_state for each in desk.published)


def test_the_same_id_gets_the_same_answer_and_no_second_action(desk: Desk) -> None:
    desk.ask("burst", desk.message("a"))
    first = desk.grant_all()
    desk.now_s += 7.0

    desk.ask("burst", desk.message("a"))
    desk.ask("hold", desk.message("a", for_s=600.0), response_topic=f"{TOPICS.answer}/x", correlation=b"2")
    second = desk.grant_all()

    assert len(first) == 1
    assert second == []
    assert len({each.payload for each in desk.published}) == 1
    assert [each.topic for each in desk.published] == [TOPICS.answer, TOPICS.answer, f"{TOPICS.answer}/x"]


def test_a_repeat_before_the_answer_is_answered_with_it(desk: Desk) -> None:
    desk.ask("burst", desk.message("a"))
    desk.ask("burst", desk.message("a"), response_topic=f"{TOPICS.answer}/ida")

    requests = desk.grant_all()

    assert len(requests) == 1
    assert [each.topic for each in desk.published] == [TOPICS.answer, f"{TOPICS.answer}/ida"]


def test_one_request_repeated_without_end_is_answered_a_few_times_and_else_counted(desk: Desk) -> None:
    for _ in range(1000):
        desk.ask("burst", desk.message("a"))
    desk.grant_all()

    assert len(desk.published) == MOST_REPLIES
    assert desk.inbox.unanswered == 1000 - MOST_REPLIES


def test_a_flood_of_requests_does_not_make_an_answered_one_act_again(desk: Desk) -> None:
    """Whoever may ask could otherwise have us forget a burst within its 30 s, and repeat it."""
    kept = desk.message("kept", issued_at=(desk.clock.utc() + timedelta(seconds=29)).isoformat())
    desk.ask("burst", kept)
    desk.grant_all()
    for number in range(2 * ANSWERS_REMEMBERED):
        desk.now_s += 0.005
        desk.ask("release", desk.message(f"flood {number}"))
        desk.grant_all()

    desk.ask("burst", kept)

    assert desk.grant_all() == []
    assert desk.answers()[-1].id == "kept"
    assert "too many requests in a minute" in desk.answers()[-2].reason


def test_after_a_flood_there_is_room_again_once_the_oldest_can_be_forgotten(desk: Desk) -> None:
    for number in range(ANSWERS_REMEMBERED):
        desk.ask("release", desk.message(f"flood {number}"))
        desk.grant_all()
    desk.ask("burst", desk.message("too many"))
    assert desk.grant_all() == []

    desk.now_s += REMEMBERED_S
    desk.ask("burst", desk.message("now"))

    assert [each.request_id for each in desk.grant_all()] == ["now"]


def test_too_many_requests_at_once_are_refused_and_the_first_ones_go_on(desk: Desk) -> None:
    for number in range(MOST_REQUESTS + 1):
        desk.ask("release", desk.message(str(number)))

    assert "too many requests at once" in desk.only_answer().reason
    assert desk.only_answer().id == str(MOST_REQUESTS)
    assert len(desk.grant_all()) == MOST_REQUESTS


def test_a_refused_request_asked_again_the_right_way_is_granted(desk: Desk) -> None:
    desk.ask("burst", desk.message("a", zone="lefft"))
    desk.ask("burst", desk.message("a"))

    assert desk.only_answer().outcome == "refused"
    assert [each.request_id for each in desk.grant_all()] == ["a"]


# --- what is refused, each with a reason


def with_message(**content: Any) -> Callable[[Desk], None]:
    return lambda desk: desk.ask("burst", desk.message("a", **content))


def issued(later_s: float) -> Callable[[Desk], None]:
    def ask(desk: Desk) -> None:
        desk.ask(
            "burst", desk.message("a", issued_at=(desk.clock.utc() + timedelta(seconds=later_s)).isoformat())
        )

    return ask


def about(**properties: Any) -> Callable[[Desk], None]:
    return lambda desk: desk.ask("burst", desk.message("a"), **properties)


def raw(payload: bytes, what: str = "burst") -> Callable[[Desk], None]:
    return lambda desk: desk.deliver(TOPICS.ask(what), payload)


REFUSED: dict[str, tuple[Callable[[Desk], None], str]] = {
    "retained": (about(is_retained=True), "retained"),
    "unknown_zone": (with_message(zone="middle"), "no zone 'middle'; zones: left, right"),
    "issued_31_s_ago": (issued(-REQUEST_GOOD_S - 1), "issued 31 s ago, limit 30 s"),
    "issued_31_s_ahead": (issued(REQUEST_GOOD_S + 1), "issued 31 s ahead of this clock, limit 30 s"),
    "issued_in_the_year_1": (with_message(issued_at="0001-01-01T00:00:00+14:00"), "s ago"),
    "issued_in_the_year_9999": (with_message(issued_at="9999-12-31T23:59:59-14:00"), "s ahead"),
    "issued_without_an_offset": (with_message(issued_at="2026-06-21T12:00:00"), "with its offset"),
    "issued_as_a_number": (with_message(issued_at=NOON.timestamp()), "with its offset"),
    "issued_never": (with_message(issued_at=None), "with its offset"),
    "answer_elsewhere": (about(response_topic="fern/valve/3"), "answers go to mistd/fern-house/answer"),
    "answer_to_our_requests": (about(response_topic=TOPICS.ask("burst")), "answers go to"),
    "answer_to_a_wildcard": (about(response_topic=f"{TOPICS.answer}/#"), "answers go to"),
    "answer_too_far_down": (
        about(response_topic=f"{TOPICS.answer}/{'x' * LONGEST_ANSWER_TOPIC}"),
        "answers go to",
    ),
    "unknown_key": (
        with_message(hurry=True),
        "hurry: unknown key; known here: id, issued_at, author, zone, for_s",
    ),
    "id_too_long": (with_message(id="x" * 65), "id: "),
    "id_a_number": (with_message(id=7), "id: 7: allowed text of 1 to 64 characters"),
    "for_nan": (with_message(for_s=float("nan")), "for_s: nan: allowed above 0"),
    "for_1e999": (raw(b'{"id":"a","zone":"left","issued_at":"x","for_s":1e999}'), "for_s: inf"),
    "for_no_time": (with_message(for_s=0), "for_s: 0"),
    "for_less_than_no_time": (with_message(for_s=-5), "for_s: -5"),
    "for_ever": (with_message(for_s=1e300), "for_s: 1e+300"),
    "for_400_digits": (with_message(for_s=10**400), "for_s: a number of 1329 bits"),
    "for_text": (with_message(for_s="5"), "for_s: '5'"),
    "for_true": (with_message(for_s=True), "for_s: true"),
    "zone_a_list": (with_message(zone=["left"]), "zone: a list"),
    "not_json": (raw(b"mist please"), "not JSON"),
    "bytes": (raw(bytes(range(128, 256))), "not JSON"),
    "half_a_sign": (raw(rb'{"id":"\ud800"}'), "not JSON"),
    "nested_lists": (raw(b"[" * 2000 + b"]" * 2000), "not JSON"),
    "nested_objects": (raw(b'{"a":' * 800), "not JSON"),
    "a_list": (raw(b"[]"), "a list"),
    "a_number": (raw(b"1e999"), "inf"),
    "an_empty_object": (
        raw(b"{}"),
        "id: missing; allowed text of 1 to 64 characters; issued_at: missing; expected",
    ),
    "too_large": (raw(b" " * (LARGEST_PAYLOAD + 1)), f"{LARGEST_PAYLOAD + 1} bytes are too many"),
    "something_else": (
        raw(b"{}", "open"),
        "nobody can ask for 'open'; known: burst, hold, release, set, undo, alarm",
    ),
    "nothing": (raw(b"{}", ""), "nobody can ask for ''"),
    "a_deeper_topic": (raw(b"{}", "burst/left"), "nobody can ask for 'burst/left'"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_refused_gets_a_reason_and_goes_no_further(name: str, desk: Desk) -> None:
    send, words = REFUSED[name]

    send(desk)

    answer = desk.only_answer()
    assert answer.outcome == "refused"
    assert words in answer.reason
    assert answer.reason.isprintable()
    assert desk.inbox.requests() == ()


def test_the_limits_of_age_are_still_good(desk: Desk) -> None:
    issued(REQUEST_GOOD_S)(desk)
    (first,) = desk.grant_all()
    desk.ask(
        "burst",
        desk.message("b", issued_at=(desk.clock.utc() - timedelta(seconds=REQUEST_GOOD_S)).isoformat()),
    )

    assert first.request_id == "a"
    assert [each.request_id for each in desk.grant_all()] == ["b"]


def test_while_our_own_time_is_not_trusted_nobody_is_refused_for_theirs(desk: Desk) -> None:
    desk.clock.trusted = False

    issued(-86_400.0)(desk)

    assert len(desk.grant_all()) == 1


def test_a_retained_request_is_cleared_from_the_broker(desk: Desk) -> None:
    desk.ask("hold", desk.message("a", for_s=600), is_retained=True)

    clearing = desk.published[0]
    assert (clearing.topic, clearing.payload, clearing.is_clearing) == (TOPICS.ask("hold"), b"", True)


def test_the_clearing_itself_coming_back_is_passed_over(desk: Desk) -> None:
    """Over MQTT 3.1.1 the broker sends us what we publish ourselves."""
    desk.deliver(TOPICS.ask("hold"), b"")
    desk.deliver(TOPICS.ask("hold"), b"", is_retained=True)

    assert desk.published == []
    assert desk.inbox.requests() == ()


def test_a_correlation_beyond_all_measure_is_left_out_of_the_answer(desk: Desk) -> None:
    desk.ask("burst", desk.message("just"), correlation=b"x" * LONGEST_CORRELATION)
    desk.ask("burst", desk.message("over"), correlation=b"x" * (LONGEST_CORRELATION + 1))
    desk.grant_all()

    assert [each.correlation for each in desk.published] == [b"x" * LONGEST_CORRELATION, None]


def test_a_broken_message_is_answered_under_its_id_where_it_has_one(desk: Desk) -> None:
    desk.deliver(TOPICS.ask("burst"), b'{"id": "mine", "zone": 3}')
    desk.deliver(TOPICS.ask("burst"), b'{"id": {"a": 1}}')

    assert [answer.id for answer in desk.answers()] == ["mine", None]


def test_more_broken_messages_than_anyone_needs_answered_are_counted(desk: Desk) -> None:
    for _ in range(MOST_REFUSED + 30):
        desk.deliver(TOPICS.ask("burst"), b"nonsense")
    assert len(desk.published) == MOST_REFUSED
    assert desk.inbox.unanswered == 30

    desk.inbox.requests()  # a control pass later
    desk.deliver(TOPICS.ask("burst"), b"nonsense")

    assert len(desk.published) == MOST_REFUSED + 1


# --- readings


def reading_in(desk: Desk, topic: str, payload: bytes, **about: Any) -> dict[str, tuple[float, Quality]]:
    desk.deliver(topic, payload, **about)
    return {name: (reading.value, reading.quality) for name, reading in desk.inbox.readings()}


def test_readings_come_in_the_cores_own_units(desk: Desk) -> None:
    assert reading_in(desk, "fern/pressure", b"310") == {"manifold": (3.1, Quality.GOOD)}
    assert reading_in(desk, "fern/attic", b"77.0") == {"attic": (25.0, Quality.GOOD)}
    air = reading_in(desk, "fern/air", b'{"temperature": 21.5, "humidity": 88, "battery": "low"}')
    assert air == {"air": (21.5, Quality.GOOD), "damp": (0.88, Quality.GOOD)}


def test_a_reading_is_stamped_with_the_instant_it_came(desk: Desk) -> None:
    desk.now_s = 1234.5
    desk.deliver("fern/pressure", b"310")

    ((name, reading),) = desk.inbox.readings()
    assert (name, reading.at_s) == ("manifold", 1234.5)


def test_of_several_readings_the_newest_counts(desk: Desk) -> None:
    desk.deliver("fern/pressure", b"310")
    desk.deliver("fern/pressure", b"290")

    assert reading_in(desk, "fern/pressure", b"300") == {"manifold": (3.0, Quality.GOOD)}
    assert desk.inbox.readings() == ()


@pytest.mark.parametrize(
    "payload",
    [b"", b"n/a", b"NaN", b"Infinity", b"1e999", b"true", b'"310"', b"[310]", b"{}", b"\xff", b"1" * 4000],
    ids=repr,
)
def test_what_is_no_possible_number_is_a_bad_reading(payload: bytes, desk: Desk) -> None:
    readings = reading_in(desk, "fern/pressure", payload)

    (value, quality) = readings["manifold"]
    assert quality is Quality.BAD
    assert isnan(value) or not -0.5 <= value <= 16.0


@pytest.mark.parametrize("payload", [b'{"pressure": 3}', b"{}"])
def test_a_message_without_a_sensors_field_says_nothing_of_it(payload: bytes, desk: Desk) -> None:
    assert reading_in(desk, "fern/air", payload) == {}


def test_a_field_with_nonsense_spoils_only_its_own_sensor(desk: Desk) -> None:
    readings = reading_in(desk, "fern/air", b'{"temperature": null, "humidity": 88}')

    assert readings["damp"] == (0.88, Quality.GOOD)
    assert readings["air"][1] is Quality.BAD


@pytest.mark.parametrize("payload", [b"[" * 100_000, b"3" * (LARGEST_PAYLOAD + 1)])
def test_a_reading_beyond_all_measure_is_passed_over(payload: bytes, desk: Desk) -> None:
    assert reading_in(desk, "fern/pressure", payload) == {}


def test_a_retained_reading_is_of_unknown_age_and_not_used(desk: Desk) -> None:
    assert reading_in(desk, "fern/pressure", b"310", is_retained=True) == {}
