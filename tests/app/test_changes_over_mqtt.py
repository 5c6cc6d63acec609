"""Settings changed over a real broker: told, refused, undone, repeated; and all of it after kill -9."""

import json
import signal
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest

from mistd.app.messages import Answer, ChangesTold, SettingsTold
from tests.app.running_daemon import ANSWER, MqttHouse, Told, is_answer_to
from tests.mosquitto_clients import Subscriber
from tests.safety.harness import Zone

pytestmark = [pytest.mark.real_time, pytest.mark.broker]

# Each is misted once at the start and then rests for longer than any test here takes. Every test has a zone
# of its own, so that it does not matter what the others set.
NAMES = ("timed", "trimmed", "wrong", "stale", "undone", "again", "forth", "back")
ZONES = [Zone(name=name, burst_s=0.5, gap_s=1200.0) for name in NAMES]
PROTOCOLS = ["5", "3.1.1"]
TRIM: Told = {"setting": "trim", "value": {"percent": -20.0, "for_s": 7200.0}, "author": "Ida"}


@pytest.fixture(scope="module")
def houses() -> Iterator[dict[str, MqttHouse]]:
    """A running house for each protocol, both from the start."""
    with ExitStack() as ending:
        running = {each: ending.enter_context(MqttHouse(ZONES, protocol=each)) for each in PROTOCOLS}
        for house in running.values():
            house.told("house", lambda told: told["keeper_ready"])
        yield running


@pytest.fixture(params=PROTOCOLS, ids=lambda protocol: f"daemon-{protocol}")
def house(request: pytest.FixtureRequest, houses: dict[str, MqttHouse]) -> MqttHouse:
    return houses[request.param]


def answer_text(house: MqttHouse, what: str, message: Told, *, client: str = "5") -> str:
    """Ask; the answer as it came, to the byte."""
    with Subscriber(house.broker.port, ANSWER, protocol=client) as subscriber:
        house.ask(what, message, client=client)
        return subscriber.wait_for(is_answer_to(message)).payload


def settings(house: MqttHouse, zone: str, kind: str, revision: int) -> Told:
    """One setting as it is retained, once it stands at this revision."""

    def is_there(told: Told) -> bool:
        return any((each["setting"], each["revision"]) == (kind, revision) for each in told["settings"])

    told = house.told(f"settings/{zone}", is_there)
    SettingsTold.model_validate_json(json.dumps(told))
    return next(each for each in told["settings"] if each["setting"] == kind)


def undo(house: MqttHouse, revision: int, **content: Any) -> Told:
    message = house.message("none", revision=revision, **content)
    del message["zone"]
    return house.answer_to("undo", message)


@pytest.mark.parametrize("client", PROTOCOLS)
def test_a_change_is_answered_with_its_revision_and_retained_for_whoever_comes(
    client: str, house: MqttHouse
) -> None:
    zone = "timed" if client == "5" else "trimmed"
    value = {"day": {"burst_s": 0.7, "gap_min": 15.0}, "night": {"off": True}}
    wish: Told = {"setting": "timetable", "value": value, "author": "Ana", "note": "warm"}

    answer = house.answer_to("set", house.message(zone, **wish), client=client)
    told = settings(house, zone, "timetable", answer["figures"]["revision"])
    newest = house.told("changes")["changes"][0]

    assert answer["outcome"] == "done"
    Answer.model_validate_json(json.dumps(answer))
    assert told["value"] == {
        "night": {"off": True},
        "dawn": {"burst_s": 0.5, "gap_min": 20.0},
        "day": {"burst_s": 0.7, "gap_min": 15.0},
        "dusk": {"burst_s": 0.5, "gap_min": 20.0},
    }
    assert (told["by"], told["note"], told["until"]) == ("Ana", "warm", None)
    assert (newest["revision"], newest["zone"], newest["value"]) == (told["revision"], zone, told["value"])
    ChangesTold.model_validate_json(json.dumps(house.told("changes")))


def test_what_would_break_a_promise_is_refused_with_every_reason(house: MqttHouse) -> None:
    value = {"day": {"burst_s": 25.0, "gap_min": 8.0}, "night": {"burst_s": 3.0, "gap_min": 0.01}}

    answer = house.answer_to("set", house.message("wrong", setting="timetable", value=value))
    form = house.answer_to("set", house.message("wrong", setting="timetable", value={"noon": 3}))

    assert (answer["outcome"], form["outcome"]) == ("refused", "refused")
    for reason in (
        "night burst_s: 3 s; allowed below the gap of 0.6 s",
        "night gap_min: 0.01 min; allowed from this zone's shortest_rest_s of 1 s",
        "day burst_s: 25 s; allowed up to this zone's longest_burst_s of 20 s",
    ):
        assert reason in answer["reason"]
    assert "value.noon: unknown key" in form["reason"]
    assert settings(house, "wrong", "timetable", 0)["by"] == "the house's file"


def test_who_saw_an_older_revision_is_refused_and_told_the_newest(house: MqttHouse) -> None:
    first = house.answer_to("set", house.message("stale", **TRIM, expected_revision=0))
    late = house.answer_to("set", house.message("stale", **TRIM, expected_revision=0))
    seen = first["figures"]["revision"]
    fresh = house.answer_to("set", house.message("stale", **TRIM, expected_revision=seen))

    assert [each["outcome"] for each in (first, late, fresh)] == ["done", "refused", "done"]
    assert f"it stands at revision {seen} by Ida, not at 0" in late["reason"]
    assert fresh["figures"]["revision"] > seen


def test_a_change_is_undone_once_and_the_undoing_is_a_change_itself(house: MqttHouse) -> None:
    done = house.answer_to("set", house.message("undone", **TRIM))
    number = done["figures"]["revision"]

    undone = undo(house, number, author="Ana", note="sun is back")
    again = undo(house, number)
    newest = house.told("changes", lambda told: told["changes"][0]["undoes"] == number)["changes"][0]

    assert (undone["outcome"], again["outcome"]) == ("done", "refused")
    assert (newest["revision"], newest["value"]) == (undone["figures"]["revision"], None)
    assert (newest["by"], newest["note"]) == ("Ana", "sun is back")
    assert house.told("zone/undone")["trim"] is None


def test_a_change_sent_twice_is_made_once_and_answered_twice_to_the_byte(house: MqttHouse) -> None:
    message = house.message("again", **TRIM)

    first = answer_text(house, "set", message)
    second = answer_text(house, "set", message, client="3.1.1")
    changed = house.answer_to("set", house.message("again", setting="skip", value={}))

    assert json.loads(first)["outcome"] == "done"
    assert second == first
    assert changed["figures"]["revision"] == json.loads(first)["figures"]["revision"] + 1


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_after_kill_9_a_repeat_is_answered_to_the_byte_and_changes_and_mists_nothing(protocol: str) -> None:
    """A burst, a change, a refusal and a hold are answered; the daemon is killed, and all are repeated."""
    with MqttHouse(ZONES[-2:], protocol=protocol) as house:
        house.until_all_misted()
        house.until_rested("forth")
        asked: list[tuple[str, Told]] = [
            ("burst", house.message("forth", for_s=0.6, author="Ida")),
            ("set", house.message("back", **TRIM)),
            ("set", house.message("back", setting="closed", value={"for_s": 1.0})),
            ("hold", house.message("back", for_s=600.0, author="Ida", note="potting")),
        ]
        before = [answer_text(house, *each) for each in asked]
        house.until_shut("forth")
        openings = house.openings("forth")

        house.daemon.send(signal.SIGKILL)
        house.daemon.ended()
        house.daemon = house.house.start()
        house.told("status", lambda told: told["state"] == "online")
        house.told("house", lambda told: told["keeper_ready"])
        after = [answer_text(house, *each, client="3.1.1") for each in reversed(asked)]
        unseen = house.answer_to("burst", house.message("forth", issued_s_ago=25.0, for_s=0.6))
        released = house.answer_to("release", house.message("back"))

        assert [json.loads(each)["outcome"] for each in before] == ["done", "done", "refused", "done"]
        assert after[::-1] == before
        assert [change["revision"] for change in house.told("changes")["changes"]] == [3, 2, 1]
        assert (unseen["outcome"], released["outcome"]) == ("refused", "done")
        assert "issued before this start" in unseen["reason"]
        assert house.openings("forth") == openings
        assert house.told("zone/back")["trim"]["percent"] == -20.0
