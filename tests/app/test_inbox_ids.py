"""The same id gets the same answer: for long, over a restart, and however many others come in between."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from mistd.app.inbox import ANSWERS_REMEMBERED, MOST_REQUESTS, REMEMBERED_S, STAMPED_TO_S
from mistd.core.requests import AskBurst, AskHold
from mistd.ports.store import ANSWERS_LOADED
from tests.app.inbox_desk import TOPICS, Desk, desk_in


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return desk_in(tmp_path)


def restarted(desk: Desk, directory: Path, *, up_s: float = 0.0) -> Desk:
    """The next start, which reads from the disk what was answered before."""
    return desk_in(directory, answered=desk.given, up_s=up_s)


def issued(desk: Desk, request_id: str, ago_s: float, **content: Any) -> dict[str, Any]:
    at = desk.clock.utc() - timedelta(seconds=ago_s)
    return desk.message(request_id, issued_at=at.isoformat(), **content)


def payloads(desk: Desk) -> list[bytes]:
    return [each.payload for each in desk.published]


# --- for how long


def test_an_id_gets_the_same_answer_days_later(desk: Desk) -> None:
    desk.ask("hold", desk.message("a", for_s=600.0))
    desk.grant_all()
    desk.now_s += 3 * 86_400.0

    desk.ask("hold", desk.message("a", for_s=600.0))

    assert desk.grant_all() == []
    assert payloads(desk) == [desk.given["a"]] * 2


def test_a_repeat_is_answered_the_same_though_it_is_too_old_by_now(desk: Desk) -> None:
    """Whoever lost the answer and asks with the very message of an hour ago shall learn how it ended."""
    message = desk.message("a", for_s=600.0)
    desk.ask("hold", message)
    desk.grant_all()
    desk.now_s += 3600.0

    desk.ask("hold", message)

    assert payloads(desk) == [desk.given["a"]] * 2


def test_thousands_of_ids_are_remembered_and_the_oldest_forgotten_first(desk: Desk) -> None:
    for number in range(ANSWERS_REMEMBERED + 10):
        desk.now_s += 1.0
        desk.ask("release", desk.message(f"id {number}"))
        desk.grant_all()
    desk.published.clear()

    for number in (10, ANSWERS_REMEMBERED + 9, 9):
        desk.ask("release", desk.message(f"id {number}"))

    assert [request.request_id for request in desk.grant_all()] == ["id 9"]
    assert payloads(desk)[:2] == [desk.given["id 10"], desk.given[f"id {ANSWERS_REMEMBERED + 9}"]]


# --- over a restart


def test_after_a_restart_the_same_id_gets_the_same_answer_to_the_byte_and_no_second_action(
    desk: Desk, tmp_path: Path
) -> None:
    for what, name in (("burst", "a"), ("hold", "b"), ("release", "c")):
        desk.ask(what, desk.message(name, **({"for_s": 600.0} if what == "hold" else {})))
    desk.grant_all()

    again = restarted(desk, tmp_path)
    again.ask("burst", again.message("a"))
    again.ask("hold", again.message("b", for_s=600.0), response_topic=f"{TOPICS.answer}/x", correlation=b"7")
    again.ask("release", again.message("c"))

    assert again.grant_all() == []
    assert payloads(again) == [desk.given[name] for name in ("a", "b", "c")]
    assert [(each.topic, each.correlation) for each in again.published] == [
        (TOPICS.answer, None),
        (f"{TOPICS.answer}/x", b"7"),
        (TOPICS.answer, None),
    ]


def test_what_a_store_loads_leaves_room_for_new_requests_at_once(tmp_path: Path) -> None:
    answered = {f"id {number}": b"{}" for number in range(ANSWERS_LOADED)}
    desk = desk_in(tmp_path, answered=answered, up_s=0.0)

    for number in range(ANSWERS_REMEMBERED - ANSWERS_LOADED):
        desk.ask("release", desk.message(f"new {number}"))
        desk.grant_all()
    desk.ask("release", desk.message("one more"))

    assert "too many requests in a minute" in desk.answers()[-1].reason
    assert len(desk.answers()) == ANSWERS_REMEMBERED - ANSWERS_LOADED + 1


def test_what_a_store_loaded_is_not_forgotten_within_a_minute_and_after_it_oldest_first(
    tmp_path: Path,
) -> None:
    """One issued ahead of our clock just before the restart could be repeated for as long."""
    answered = {f"id {number}": b"{}" for number in range(ANSWERS_REMEMBERED)}
    desk = desk_in(tmp_path, answered=answered, up_s=0.0)

    desk.now_s += REMEMBERED_S - 0.1
    desk.ask("release", desk.message("early"))
    desk.now_s += 0.1
    desk.ask("release", desk.message("now"))
    desk.ask("release", desk.message("id 1"))
    desk.ask("release", desk.message("id 0"))

    assert b"too many requests in a minute" in desk.published[0].payload
    assert desk.published[1].payload == b"{}"
    assert [request.request_id for request in desk.grant_all()] == ["now", "id 0"]


def test_an_answer_given_again_after_a_restart_is_kept_in_the_place_of_the_old(desk: Desk) -> None:
    """As when an answer is refused first and the store has it from before: the last one counts."""
    desk.ask("hold", desk.message("a", for_s=600.0))
    desk.grant_all()
    desk.inbox.answer("a", b'"another"')

    desk.ask("hold", desk.message("a", for_s=600.0))

    assert payloads(desk)[-1] == b'"another"'


# --- bursts of before this start


@pytest.mark.parametrize("up_s", [0.0, 5.0])
def test_a_burst_issued_before_this_start_is_refused_to_the_second(up_s: float, tmp_path: Path) -> None:
    """It may have been given just before a kill that left no time to write the answer down."""
    desk = desk_in(tmp_path, up_s=up_s)

    desk.ask("burst", issued(desk, "just", up_s + STAMPED_TO_S))
    desk.ask("burst", issued(desk, "before", up_s + STAMPED_TO_S + 0.01))
    desk.ask("burst", issued(desk, "after", 0.0))

    assert [request.request_id for request in desk.grant_all()] == ["just", "after"]
    refused = next(answer for answer in desk.answers() if answer.id == "before")
    assert refused.outcome == "refused"
    assert "issued before this start, so it may have been given" in refused.reason


def test_what_moves_no_water_is_taken_though_it_was_issued_before_this_start(tmp_path: Path) -> None:
    desk = desk_in(tmp_path, up_s=0.0)

    desk.ask("hold", issued(desk, "a", 20.0, for_s=600.0))
    desk.ask("release", issued(desk, "b", 20.0))
    desk.ask("set", issued(desk, "c", 20.0, setting="skip", value={}))
    desk.ask(
        "undo", {key: each for key, each in issued(desk, "d", 20.0, revision=3).items() if key != "zone"}
    )

    assert [request.request_id for request in desk.grant_all()] == ["a", "b", "c", "d"]


def test_a_burst_that_was_refused_for_coming_before_this_start_may_be_asked_for_anew(tmp_path: Path) -> None:
    desk = desk_in(tmp_path, up_s=0.0)
    desk.ask("burst", issued(desk, "a", 20.0))

    desk.ask("burst", issued(desk, "a", 0.0))

    assert [request.request_id for request in desk.grant_all()] == ["a"]


def test_without_a_trusted_clock_no_burst_is_taken_for_one_of_before_this_start(tmp_path: Path) -> None:
    """Else nobody could ask for a burst on a board without a time; the keeper's rest stands all the same."""
    desk = desk_in(tmp_path, up_s=0.0)
    desk.clock.trusted = False

    desk.ask("burst", issued(desk, "a", 20.0))

    assert isinstance(desk.grant_all()[0], AskBurst)


# --- settings and alarms at the door


def test_a_value_that_does_not_fit_is_refused_with_everything_that_is_wrong_with_it(desk: Desk) -> None:
    value = {"day": {"burst_s": 0.4, "gap_min": 0}, "noon": {}, "night": {"off": True, "burst_s": 4}}

    desk.ask("set", desk.message("a", setting="timetable", value=value))

    answer = desk.only_answer()
    assert answer.outcome == "refused"
    for words in (
        "value.day.burst_s: 0.4: allowed 0.5 to 30 s",
        "value.day.gap_min: 0: allowed above 0 up to 1440 min",
        "value.noon: unknown key; known here: night, dawn, day, dusk",
        "value.night: a table: needs burst_s and gap_min, or off = true and neither",
    ):
        assert words in answer.reason
    assert desk.inbox.requests() == ()


def test_a_refused_value_asked_again_the_right_way_is_taken(desk: Desk) -> None:
    desk.ask("set", desk.message("a", setting="hold", value={"for_s": -1}))
    desk.ask("set", desk.message("a", setting="hold", value={"for_s": 600.0}))

    assert len(desk.grant_all()) == 1


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ({"setting": "colour", "value": None}, "setting: 'colour': allowed: 'timetable', 'cycle', 'trim'"),
        ({"setting": "trim"}, "value: missing"),
        ({"setting": "trim", "value": 5}, "value: 5"),
        ({"setting": "trim", "value": None, "expected_revision": -1}, "expected_revision: -1"),
        ({"setting": "trim", "value": None, "expected_revision": 2**53 + 1}, "expected_revision"),
        ({"setting": "trim", "value": None, "expected_revision": 1.5}, "expected_revision: 1.5"),
        ({"setting": "trim", "value": None, "note": "x" * 201}, "note: "),
        ({"setting": "trim", "value": None, "author": ""}, "author: ''"),
        ({"setting": "cycle", "value": {"cycle": "fog"}}, "value.cycle: 'fog': allowed: 'timed', 'vpd'"),
        (
            {"setting": "cycle", "value": {"cycle": "vpd", "at_kpa": float("nan")}},
            "value.at_kpa: nan: allowed 0.1",
        ),
        ({"setting": "trim", "value": {"percent": 1e999, "for_s": 600.0}}, "value.percent: inf"),
    ],
    ids=str,
)
def test_a_request_to_set_that_is_broken_says_where(content: dict[str, Any], words: str, desk: Desk) -> None:
    desk.ask("set", desk.message("a", **content))

    assert desk.only_answer().outcome == "refused"
    assert words in desk.only_answer().reason
    assert desk.inbox.requests() == ()


@pytest.mark.parametrize("revision", [0, -1, 2**53 + 1, 1.5, "3", True, None])
def test_only_a_number_that_could_be_a_revision_can_be_undone(revision: Any, desk: Desk) -> None:
    message = {"id": "a", "issued_at": desk.clock.utc().isoformat(), "revision": revision}

    desk.ask("undo", message)

    assert desk.only_answer().reason.startswith("revision: ")


def test_requests_about_alarms_are_kept_aside(desk: Desk) -> None:
    desk.ask("hold", desk.message("a", for_s=600.0))
    about_alarm = {"issued_at": desk.clock.utc().isoformat(), "alarm": "no_broker", "do": "acknowledge"}
    desk.ask("alarm", {"id": "b", **about_alarm})

    assert [type(request) for request in desk.inbox.requests()] == [AskHold]
    assert [(each.id, each.action) for each in desk.inbox.alarm_requests()] == [("b", "acknowledge")]
    assert desk.inbox.alarm_requests() == ()
    desk.answer("b")
    assert desk.only_answer().id == "b"


def test_alarm_requests_that_nobody_takes_leave_room_for_the_others(desk: Desk) -> None:
    for number in range(MOST_REQUESTS + 1):
        about = {"issued_at": desk.clock.utc().isoformat(), "do": "silence"}
        desk.ask("alarm", {"id": f"alarm {number}", **about})
    desk.ask("hold", desk.message("a", for_s=600.0))

    assert len(desk.inbox.alarm_requests()) == MOST_REQUESTS
    assert desk.only_answer().id == f"alarm {MOST_REQUESTS}"
    assert [request.request_id for request in desk.grant_all()] == ["a"]
