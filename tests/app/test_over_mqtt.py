"""The daemon over a real broker: told, asked and answered, through clients that are none of ours."""

import json
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack
from random import Random

import pytest

from mistd.app.messages import Answer, HouseTold, Status, ZoneTold
from tests.app.running_daemon import ANSWER, NAME, ROOT, WITHIN_S, MqttHouse, Told, is_answer_to
from tests.broker import program
from tests.mosquitto_clients import Subscriber
from tests.safety.harness import Zone, until

pytestmark = [pytest.mark.real_time, pytest.mark.broker]

LATE_S = 0.1
FLOW_L_PER_S = 4 * 0.6 / 60  # nozzles of every zone, by their rated flow
# Each is misted once at the start and then rests for longer than any test here takes; there are so many that
# one of them has always rested.
ZONES = [Zone(name=name, burst_s=0.5, gap_s=1200.0) for name in ("a", "b", "c", "d", "e")]
NAMES = [zone.name for zone in ZONES]
PROTOCOLS = ["5", "3.1.1"]


@pytest.fixture(scope="module")
def houses() -> Iterator[dict[str, MqttHouse]]:
    """A running house for each protocol, both from the start."""
    with ExitStack() as ending:
        running = {each: ending.enter_context(MqttHouse(ZONES, protocol=each)) for each in PROTOCOLS}
        for house in running.values():
            house.until_all_misted()
        yield running


@pytest.fixture(params=PROTOCOLS, ids=lambda protocol: f"daemon-{protocol}")
def house(request: pytest.FixtureRequest, houses: dict[str, MqttHouse]) -> MqttHouse:
    return houses[request.param]


@pytest.fixture
def zone(house: MqttHouse) -> str:
    """A zone that may be misted now."""
    return house.ready_zone()


# --- what is told


@pytest.mark.parametrize("client", PROTOCOLS)
def test_the_state_is_retained_as_json_for_whoever_comes(client: str, house: MqttHouse) -> None:
    status = house.told("status", client=client)
    whole = house.told("house", client=client)
    zones = [house.told(f"zone/{name}", client=client) for name in NAMES]

    assert (status["state"], status["house"], status["driver"]) == ("online", NAME, "simulated")
    assert (whole["zones"], whole["keeper_ready"]) == (NAMES, True)
    assert [zone["zone"] for zone in zones] == NAMES
    assert all(zone["doing"] == "resting" for zone in zones)
    Status.model_validate_json(json.dumps(status))
    HouseTold.model_validate_json(json.dumps(whole))
    for zone in zones:
        ZoneTold.model_validate_json(json.dumps(zone))


# --- what is asked


@pytest.mark.parametrize("client", PROTOCOLS)
def test_a_burst_asked_for_opens_the_valve_for_as_long_as_asked(
    client: str, house: MqttHouse, zone: str
) -> None:
    openings, total_s = house.openings(zone), house.open_total_s(zone)

    answer = house.answer_to("burst", house.message(zone, for_s=0.8, author="Ida"), client=client)
    house.until_shut(zone)

    assert (answer["outcome"], answer["figures"]) == ("done", {"for_s": 0.8})
    assert house.openings(zone) == openings + 1
    assert 0.8 <= house.open_total_s(zone) - total_s <= 0.8 + LATE_S
    assert "Ida" in house.told(f"zone/{zone}", lambda told: told["doing"] == "resting")["why"]
    Answer.model_validate_json(json.dumps(answer))


def test_a_burst_is_told_as_events_with_reason_and_figures(house: MqttHouse, zone: str) -> None:
    with Subscriber(house.broker.port, f"{ROOT}/event") as events:
        house.answer_to("burst", house.message(zone, for_s=0.6, author="Ida"))
        started_seen = events.wait_for(lambda seen: "burst_started" in seen.payload)
        ended_seen = events.wait_for(lambda seen: "burst_ended" in seen.payload)

    started, ended = json.loads(started_seen.payload), json.loads(ended_seen.payload)
    assert (started["subject"], started["figures"]["for_s"]) == (zone, 0.6)
    assert "Ida" in started["reason"]
    assert ended["figures"]["water_l"] == pytest.approx(0.6 * FLOW_L_PER_S, abs=LATE_S * FLOW_L_PER_S)
    assert not started_seen.is_retained
    assert not ended_seen.is_retained


def test_a_request_may_name_where_its_answer_goes(house: MqttHouse, zone: str) -> None:
    """Over 3.1.1 the daemon sees no such wish, and answers where it always does."""
    message, where = house.message(zone, for_s=0.5), f"{ANSWER}/bench-7"
    wishes = {"response-topic": where, "correlation-data": "seven", "message-expiry-interval": "20"}

    with Subscriber(house.broker.port, f"{ANSWER}/#") as answers:
        house.ask("burst", message, properties=wishes)
        seen = answers.wait_for(is_answer_to(message))

    assert json.loads(seen.payload)["outcome"] == "done"
    if house.protocol == "5":
        assert (seen.topic, seen.properties["correlation-data"]) == (where, "seven")
        assert seen.properties["content-type"] == "application/json"
    else:
        assert seen.topic == ANSWER
        assert "correlation-data" not in seen.properties


def test_a_client_made_for_requests_and_answers_gets_its_answer(house: MqttHouse, zone: str) -> None:
    """It names a topic for the answer; a daemon on 3.1.1 cannot see it, so it asks for the fixed one."""
    message = house.message(zone, for_s=0.5)
    where = ["-p", str(house.broker.port), "-t", f"{ROOT}/ask/burst"]
    where += ["-e", f"{ANSWER}/rr" if house.protocol == "5" else ANSWER]

    done = subprocess.run(
        [program("mosquitto_rr"), *where, "-m", json.dumps(message), "-W", "8"],
        capture_output=True,
        text=True,
        timeout=WITHIN_S,
        check=True,
    )

    assert json.loads(done.stdout)["id"] == message["id"]
    assert json.loads(done.stdout)["outcome"] == "done"


def test_nothing_is_sent_to_a_strangers_topic(house: MqttHouse, zone: str) -> None:
    """Over 3.1.1 the wish is not seen, and the burst is given; the answer never goes astray."""
    message = house.message(zone, for_s=0.5)

    with Subscriber(house.broker.port, "#") as everything:
        house.ask("burst", message, properties={"response-topic": "boiler/setpoint"})
        answer = everything.wait_for(lambda seen: seen.topic == ANSWER and is_answer_to(message)(seen))

    assert not any(seen.topic == "boiler/setpoint" for seen in everything.seen)
    assert json.loads(answer.payload)["outcome"] == ("refused" if house.protocol == "5" else "done")


def test_a_stale_request_moves_no_water(house: MqttHouse, zone: str) -> None:
    openings = house.openings(zone)

    old = house.answer_to("burst", house.message(zone, issued_s_ago=31.5))
    early = house.answer_to("burst", house.message(zone, issued_s_ago=-31.5))
    fresh = house.answer_to("release", house.message(zone, issued_s_ago=25.0))

    assert (old["outcome"], early["outcome"], fresh["outcome"]) == ("refused", "refused", "done")
    assert "limit 30 s" in old["reason"]
    assert "ahead" in early["reason"]
    assert house.openings(zone) == openings


def test_a_request_sent_twice_acts_once_and_is_answered_twice_the_same(house: MqttHouse, zone: str) -> None:
    openings, message = house.openings(zone), house.message(zone, for_s=0.5)

    first = house.answer_to("burst", message)
    house.until_shut(zone)
    house.until_rested(zone)  # so that nothing but its id stands in the way of the second
    second = house.answer_to("burst", message, client="3.1.1")
    house.answer_to("release", house.message(zone))  # comes after it, so the second has had its turn

    assert first == second
    assert first["outcome"] == "done"
    assert house.openings(zone) == openings + 1


def test_a_burst_too_soon_or_too_long_is_refused_with_figures(house: MqttHouse, zone: str) -> None:
    house.answer_to("burst", house.message(zone, for_s=0.5))
    house.until_shut(zone)

    soon = house.answer_to("burst", house.message(zone, for_s=0.5))
    long = house.answer_to("burst", house.message(house.ready_zone(), for_s=21))

    assert (soon["outcome"], soon["figures"]["shortest_rest_s"]) == ("refused", 1.0)
    assert (long["outcome"], long["figures"]["longest_burst_s"]) == ("refused", 20.0)


def test_a_held_zone_gets_no_water_until_it_is_released(house: MqttHouse, zone: str) -> None:
    openings = house.openings(zone)

    held = house.answer_to("hold", house.message(zone, for_s=600, author="Ida", note="potting"))
    told = house.told(f"zone/{zone}", lambda told: told["doing"] == "held")
    refused = house.answer_to("burst", house.message(zone))
    dry_openings = house.openings(zone)
    released = house.answer_to("release", house.message(zone, author="Ida"))
    wet = house.answer_to("burst", house.message(zone, for_s=0.5))

    assert [answer["outcome"] for answer in (held, refused, released, wet)] == [
        "done",
        "refused",
        "done",
        "done",
    ]
    assert (told["hold"]["by"], told["hold"]["note"]) == ("Ida", "potting")
    assert "held dry by Ida" in refused["reason"]
    assert (dry_openings, house.openings(zone)) == (openings, openings + 1)
    assert house.told(f"zone/{zone}")["hold"] is None


def test_a_request_published_with_the_retain_flag_does_not_stay(house: MqttHouse, zone: str) -> None:
    """Over 3.1.1 only a replay can be told from a request that is made now; see the restart below."""
    if house.protocol != "5":
        pytest.skip("MQTT 3.1.1 does not show it")
    openings, message = house.openings(zone), house.message(zone)

    answer = house.answer_to("burst", message, is_retained=True)

    assert answer["outcome"] == "refused"
    assert "retained" in answer["reason"]
    assert house.openings(zone) == openings
    until(lambda: house.kept_by_broker(f"{ROOT}/ask/#") == "", "nothing retained on the requests' topics")


def test_strangers_do_not_stop_the_daemon(house: MqttHouse, zone: str) -> None:
    """Lines of anything, through the broker; then somebody asks for something as usual."""
    rng, openings = Random(7), house.openings(zone)
    nonsense = [b'{"id":"\\ud800"}', b'{"id":' * 300, b"[" * 3000, b'{"for_s":1e999}', b"NaN", b"\xff\xfe"]
    lines = [rng.choice([*nonsense, rng.randbytes(60).replace(b"\n", b" ")]) for _ in range(1000)]
    for what in ("burst", "hold", "open"):
        command = [program("mosquitto_pub"), "-p", str(house.broker.port), "-t", f"{ROOT}/ask/{what}", "-l"]
        subprocess.run(command, input=b"\n".join(lines), check=True, timeout=WITHIN_S, capture_output=True)

    answer = house.answer_to("burst", house.message(zone, for_s=0.5))

    assert answer["outcome"] == "done"
    assert house.openings(zone) == openings + 1
    assert not house.daemon.logged("task failed")


# --- from the command line


def test_the_command_line_shows_the_house(house: MqttHouse) -> None:
    done = house.command("status")

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith(f"{NAME}   ")
    assert "daemon online, simulated outputs" in done.stdout.splitlines()[0]
    assert all(any(line.startswith(f"{name} ") for line in done.stdout.splitlines()) for name in NAMES)


def test_the_command_line_asks_for_a_burst(house: MqttHouse, zone: str) -> None:
    openings, total_s = house.openings(zone), house.open_total_s(zone)

    done = house.command("burst", zone, "--for", "0.7s", "--as", "Ida")
    house.until_shut(zone)

    assert (done.returncode, done.stdout, done.stderr) == (0, "done: misting for 0.7 s\n", "")
    assert house.openings(zone) == openings + 1
    assert 0.7 <= house.open_total_s(zone) - total_s <= 0.7 + LATE_S


def test_the_command_line_holds_and_releases(house: MqttHouse, zone: str) -> None:
    held = house.command("hold", zone, "--for", "45m", "--as", "Ida", "--note", "potting")
    refused = house.command("burst", zone)
    released = house.command("release", zone)

    assert (held.returncode, held.stdout.split("; revision ")[0]) == (0, "done: held dry for 45 min")
    assert refused.returncode == 1
    assert refused.stderr.startswith("refused: held dry by Ida for 45 min more")
    assert released.returncode == 0
    assert released.stdout.startswith("done: released; mist goes on by its cycle; revision ")


def test_the_command_line_tells_of_a_zone_that_is_not_there(house: MqttHouse) -> None:
    done = house.command("burst", "z")

    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == f"refused: there is no zone 'z'; zones: {', '.join(NAMES)}\n"


def test_the_command_line_watches_events_as_lines(house: MqttHouse, zone: str) -> None:
    watching = house.watch()
    deadline_s = time.monotonic() + WITHIN_S
    while not any("hold started" in line for line in watching.said):  # it does not say when it is there
        assert time.monotonic() < deadline_s, watching.account()
        house.answer_to("hold", house.message(zone, for_s=600, author="Ida"))
        house.answer_to("release", house.message(zone, author="Ida"))

    watching.send(signal.SIGINT)

    assert watching.ended() == 0
    assert any(line.endswith(f"{zone}: hold started. held dry by Ida") for line in watching.said)
    assert "Traceback" not in watching.errors()


# --- its end


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_killed_daemon_is_told_offline_by_its_last_will(protocol: str) -> None:
    with MqttHouse(ZONES[:1], protocol=protocol) as house:
        house.told("house", lambda told: told["keeper_ready"])

        house.daemon.send(signal.SIGKILL)

        house.told("status", lambda told: told["state"] == "offline")
        house.house.until_all_shut()
        assert "daemon offline" in house.command("status").stdout


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_daemon_told_to_stop_says_offline_and_ends_well(protocol: str) -> None:
    with MqttHouse(ZONES[:1], protocol=protocol) as house:
        house.told("house", lambda told: told["keeper_ready"])
        with Subscriber(house.broker.port, f"{ROOT}/event") as events:
            house.daemon.send(signal.SIGTERM)
            farewell = events.wait_for(lambda seen: "daemon_stopped" in seen.payload)
            code = house.daemon.ended()

        assert code == 0, house.daemon.account()
        assert "stopped by SIGTERM; every valve is shut" in json.loads(farewell.payload)["reason"]
        assert house.told("status")["state"] == "offline"
        assert house.house.open_lines() == set()
        assert house.house.keeper_pid() is None


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_request_retained_while_the_daemon_was_away_is_refused_and_cleared(protocol: str) -> None:
    with MqttHouse(ZONES[:1], protocol=protocol) as house:
        house.until_all_misted()
        house.daemon.send(signal.SIGTERM)
        house.daemon.ended()
        openings, message = house.openings("a"), house.message("a")
        house.ask("burst", message, is_retained=True)

        with Subscriber(house.broker.port, ANSWER) as answers:
            house.house.start()
            seen = answers.wait_for(is_answer_to(message))

        answer: Told = json.loads(seen.payload)
        assert answer["outcome"] == "refused"
        assert "retained" in answer["reason"]
        until(lambda: house.kept_by_broker(f"{ROOT}/ask/#") == "", "nothing retained on its topic")
        assert house.openings("a") == openings
