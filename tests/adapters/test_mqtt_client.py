"""Asking, watching and taking a picture of the state, on real brokers."""

import asyncio
import json
import time
from contextlib import aclosing

import pytest

from mistd.adapters.mqtt.bus import MqttBus
from mistd.adapters.mqtt.client import ask, snapshot, watch
from mistd.ports.bus import BusNotice, BusState, Incoming, Outgoing
from mistd.ports.errors import BusError
from tests import mosquitto_clients
from tests.adapters.running_bus import COMMANDS, RunningBus, address, bus_at, open_descriptors, running, until
from tests.broker import Amqtt, BrokerProcess, Mosquitto, free_port
from tests.mosquitto_clients import Subscriber

pytestmark = [pytest.mark.broker, pytest.mark.real_time]

both_protocols = pytest.mark.parametrize("protocol", ["5", "3.1.1"])
REQUEST_TOPIC = "house/set/zone"
ANSWER_TOPIC = "house/answers/test"
REQUEST = b'{"id":"r-7","hold":true}'


class AnsweringHouse:
    """A bus that answers each request, after answers that are meant for others."""

    def __init__(self, bus: MqttBus) -> None:
        self._bus = bus
        self.asked: list[Incoming] = []
        self.is_up = False

    def start(self) -> "asyncio.Task[None]":
        return asyncio.create_task(self._bus.run([COMMANDS], self._answer, self._notice))

    def _notice(self, notice: BusNotice) -> None:
        self.is_up = notice.state is BusState.CONNECTED

    def _answer(self, request: Incoming) -> None:
        self.asked.append(request)
        wanted = json.loads(request.payload)["id"]
        for payload in (
            b"no JSON",
            b"[" * 20_000,
            b'["r-7"]',
            b'{"id":"r-6"}',
            b'{"id":"%s"}' % wanted.encode(),
        ):
            topic = request.response_topic or ANSWER_TOPIC
            self._bus.publish(Outgoing(topic=topic, payload=payload, correlation=request.correlation))


async def asked(broker: BrokerProcess, protocol: str) -> tuple[bytes | None, Incoming]:
    """Ask an answering house; returns the answer and the request as the house got it."""
    house = AnsweringHouse(bus_at(address(broker.port, protocol)))
    task = house.start()
    await until(lambda: house.is_up, "house")
    answer = await ask(
        address(broker.port, protocol, client_id="page"),
        REQUEST_TOPIC,
        ANSWER_TOPIC,
        REQUEST,
        correlation=b"c-1",
        wait_s=5.0,
    )
    task.cancel()
    await asyncio.wait({task})
    return answer, house.asked[0]


@both_protocols
def test_the_answer_with_our_id_is_found_among_others(protocol: str) -> None:
    with Mosquitto() as broker:
        answer, request = asyncio.run(asked(broker, protocol))

    assert answer == b'{"id":"r-7"}'
    assert request.payload == REQUEST
    assert not request.is_retained


def test_on_the_embedded_broker_an_answer_is_found_too() -> None:
    with Amqtt() as broker:
        answer, _ = asyncio.run(asked(broker, "3.1.1"))

    assert answer == b'{"id":"r-7"}'


@both_protocols
def test_a_request_says_where_to_answer_and_how_long_it_holds_where_it_can(protocol: str) -> None:
    async def ask_nobody(port: int) -> bytes | None:
        where = address(port, protocol, client_id="page")
        return await ask(where, REQUEST_TOPIC, ANSWER_TOPIC, REQUEST, correlation=b"c-1", wait_s=0.2)

    with Mosquitto() as broker, Subscriber(broker.port, REQUEST_TOPIC) as subscriber:
        answer = asyncio.run(ask_nobody(broker.port))
        seen = subscriber.wait_for(lambda message: message.topic == REQUEST_TOPIC)
        with Subscriber(broker.port, REQUEST_TOPIC) as later:
            stored = list(later.seen)

    assert answer is None
    assert stored == []
    assert seen.properties.get("response-topic") == (ANSWER_TOPIC if protocol == "5" else None)
    assert seen.properties.get("correlation-data") == ("c-1" if protocol == "5" else None)
    assert seen.properties.get("message-expiry-interval") == (1 if protocol == "5" else None)


@both_protocols
def test_an_answer_that_somebody_retained_is_not_taken_for_ours(protocol: str) -> None:
    async def ask_nobody(port: int) -> bytes | None:
        where = address(port, protocol, client_id="page")
        return await ask(where, REQUEST_TOPIC, ANSWER_TOPIC, REQUEST, correlation=b"c-1", wait_s=0.3)

    with Mosquitto() as broker:
        mosquitto_clients.publish(broker.port, ANSWER_TOPIC, '{"id":"r-7"}', is_retained=True)

        assert asyncio.run(ask_nobody(broker.port)) is None


@pytest.mark.parametrize("payload", [b"", b"{}", b"[1]", b'{"id":null}', b"\xff"])
def test_a_request_without_an_id_is_our_own_mistake(payload: bytes) -> None:
    with pytest.raises(ValueError, match="id"):
        asyncio.run(ask(address(1), REQUEST_TOPIC, ANSWER_TOPIC, payload, correlation=b"", wait_s=1.0))


def test_a_request_that_the_broker_refuses_is_an_error_and_not_a_silence() -> None:
    async def scenario(port: int) -> None:
        where = address(port, client_id="page")
        await ask(where, REQUEST_TOPIC, ANSWER_TOPIC, REQUEST, correlation=b"c-1", wait_s=5.0)

    with (
        Mosquitto(acl="topic read #\n") as broker,
        pytest.raises(BusError, match="refused the request on house"),
    ):
        asyncio.run(scenario(broker.port))


@both_protocols
def test_a_picture_holds_what_is_retained_and_nothing_else(protocol: str) -> None:
    async def scenario(port: int) -> dict[str, bytes]:
        return await snapshot(address(port, protocol, client_id="page"), ["house/#"], quiet_s=0.2)

    with Mosquitto() as broker:
        mosquitto_clients.publish(broker.port, "house/zone/1", "1", is_retained=True)
        mosquitto_clients.publish(broker.port, "house/zone/2", "2", is_retained=True)
        mosquitto_clients.publish(broker.port, "house/events", "3")
        mosquitto_clients.publish(broker.port, "elsewhere", "4", is_retained=True)

        assert asyncio.run(scenario(broker.port)) == {"house/zone/1": b"1", "house/zone/2": b"2"}


@both_protocols
def test_a_picture_of_many_topics_is_whole(protocol: str) -> None:
    """By default mosquitto silently drops what is queued with QoS 1 beyond 1,000 messages for a client."""
    count = 1500

    async def scenario(port: int) -> dict[str, bytes]:
        async with running(address(port, protocol)) as house:
            for number in range(count):
                house.bus.publish(Outgoing(topic=f"house/n/{number}", payload=b"%d" % number, is_state=True))
            await house.connected()
            house.bus.publish(Outgoing(topic="house/last", payload=b"!", is_state=True))
            await seen_retained(port, "house/last")
            return await snapshot(address(port, protocol, client_id="page"), ["house/n/#"])

    with Mosquitto() as broker:
        found = asyncio.run(scenario(broker.port))

    assert found == {f"house/n/{number}": b"%d" % number for number in range(count)}


async def seen_retained(port: int, topic: str) -> None:
    def wait() -> None:
        with Subscriber(port, topic) as subscriber:
            subscriber.wait_for(lambda message: message.topic == topic)

    await asyncio.to_thread(wait)


def test_a_picture_ends_although_somebody_keeps_talking() -> None:
    async def scenario(port: int) -> tuple[dict[str, bytes], float]:
        async with running(address(port)) as house:
            talking = asyncio.create_task(keep_talking(house))
            await seen_retained(port, "house/zone/1")
            began_s = time.monotonic()
            found = await snapshot(address(port, client_id="page"), ["house/#"], quiet_s=0.2)
            took_s = time.monotonic() - began_s
            talking.cancel()
            await asyncio.wait({talking})
            return found, took_s

    with Mosquitto() as broker:
        found, took_s = asyncio.run(scenario(broker.port))

    assert list(found) == ["house/zone/1"]
    assert took_s < 2.0


def test_a_picture_is_not_finished_while_new_topics_keep_coming() -> None:
    async def scenario(port: int) -> dict[str, bytes]:
        async with running(address(port)) as house:
            await house.connected()
            taking = asyncio.create_task(snapshot(address(port, client_id="page"), ["house/#"], quiet_s=0.5))
            for number in range(6):
                house.bus.publish(Outgoing(topic=f"house/n/{number}", payload=b"1", is_state=True))
                await asyncio.sleep(0.15)
            return await taking

    with Mosquitto() as broker:
        found = asyncio.run(scenario(broker.port))

    assert len(found) == 6


async def keep_talking(house: RunningBus) -> None:
    while True:
        house.bus.publish(Outgoing(topic="house/zone/1", payload=b"1", is_state=True))
        await asyncio.sleep(0.02)


@both_protocols
def test_watching_shows_what_is_kept_and_then_what_comes(protocol: str) -> None:
    async def scenario(port: int) -> list[Incoming]:
        seen = []
        async with aclosing(watch(address(port, protocol, client_id="page"), ["house/#"])) as messages:
            async for message in messages:
                seen.append(message)
                if len(seen) == 2:
                    break
                mosquitto_clients.publish(port, "house/events", "2")
        return seen

    with Mosquitto() as broker:
        mosquitto_clients.publish(broker.port, "house/zone/1", "1", is_retained=True)
        seen = asyncio.run(scenario(broker.port))

    assert seen == [
        Incoming(topic="house/zone/1", payload=b"1", is_retained=True),
        Incoming(topic="house/events", payload=b"2"),
    ]


def test_watching_ends_with_an_error_when_the_broker_dies() -> None:
    async def scenario(broker: Mosquitto) -> None:
        async for _ in watch(address(broker.port, client_id="page"), ["house/#"]):
            broker.kill()

    with Mosquitto() as broker:
        mosquitto_clients.publish(broker.port, "house/zone/1", "1", is_retained=True)
        with pytest.raises(BusError, match=f"connection to broker 127.0.0.1:{broker.port} lost"):
            asyncio.run(scenario(broker))


def test_every_visit_to_a_broker_that_is_not_there_says_where_it_looked() -> None:
    port = free_port()
    where = address(port, client_id="page")

    async def first_watched() -> None:
        async for _ in watch(where, ["#"]):
            pass

    for visit in (
        lambda: ask(where, REQUEST_TOPIC, ANSWER_TOPIC, REQUEST, correlation=b"", wait_s=1.0),
        lambda: snapshot(where, ["#"]),
        first_watched,
    ):
        with pytest.raises(BusError, match=f"cannot reach broker 127.0.0.1:{port}: .*; is it running"):
            asyncio.run(visit())


def test_fifty_visits_leave_no_descriptor_and_no_task() -> None:
    async def scenario(port: int) -> None:
        where = address(port, client_id="page")
        await snapshot(where, ["house/#"], quiet_s=0.0)
        before, tasks = open_descriptors(), asyncio.all_tasks()
        for _ in range(50):
            await snapshot(where, ["house/#"], quiet_s=0.0)
        assert open_descriptors() == before
        assert asyncio.all_tasks() == tasks

    with Mosquitto() as broker:
        asyncio.run(scenario(broker.port))
