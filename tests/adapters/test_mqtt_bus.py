"""The bus on a real broker: what it publishes, what it delivers and how it ends."""

import asyncio
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path

import pytest
from aiomqtt import Message

from mistd.adapters.mqtt.wire import LARGEST_PAYLOAD_BYTES, Inbox, Unread
from mistd.ports.bus import BusNotice, Incoming, Outgoing
from tests import mosquitto_clients
from tests.adapters.running_bus import (
    COMMANDS,
    FAREWELL,
    LATEST_TURN_S,
    ONLINE,
    STATUS,
    WILL,
    address,
    both_protocols,
    bus_at,
    event,
    retained_becomes,
    running,
    silent_port,
    until,
    zone,
)
from tests.broker import Mosquitto
from tests.mosquitto_clients import Seen, Subscriber

pytestmark = [pytest.mark.broker, pytest.mark.real_time]


ROOT = Path(__file__).parents[2]


async def retained(broker: Mosquitto, topic: str, protocol: str = "5") -> Seen:
    return await asyncio.to_thread(mosquitto_clients.retained, broker.port, topic, protocol=protocol)


@both_protocols
def test_state_is_retained_for_whoever_comes_later(protocol: str) -> None:
    async def scenario(broker: Mosquitto) -> Seen:
        async with running(address(broker.port, protocol)) as bus:
            bus.bus.publish(zone(3))
            await retained_becomes(broker, "house/zone/3", zone(3).payload)
            return await retained(broker, "house/zone/3", protocol)

    with Mosquitto() as broker:
        seen = asyncio.run(scenario(broker))

    assert seen.payload == '{"film_um":40}'
    assert seen.qos == 1


def test_messages_say_that_they_are_json_text() -> None:
    async def scenario(broker: Mosquitto) -> Seen:
        async with running(address(broker.port)) as bus:
            bus.bus.publish(zone(3))
            await retained_becomes(broker, "house/zone/3", zone(3).payload)
            return await retained(broker, "house/zone/3")

    with Mosquitto() as broker:
        seen = asyncio.run(scenario(broker))

    assert seen.properties == {"content-type": "application/json", "payload-format-indicator": 1}


@both_protocols
def test_an_answer_is_not_retained_and_carries_its_correlation_where_it_can(protocol: str) -> None:
    answer = Outgoing(topic="house/answers/page", payload=b'{"id":"7"}', correlation=b"abc")

    async def scenario(broker: Mosquitto, subscriber: Subscriber) -> Seen:
        async with running(address(broker.port, protocol)) as bus:
            bus.bus.publish(answer)
            return await asyncio.to_thread(subscriber.wait_for, lambda seen: seen.topic == answer.topic)

    with Mosquitto() as broker, Subscriber(broker.port, "house/answers/#") as subscriber:
        seen = asyncio.run(scenario(broker, subscriber))
        with Subscriber(broker.port, "house/answers/#") as later:
            stored = list(later.seen)

    assert stored == []
    assert seen.properties.get("correlation-data") == ("abc" if protocol == "5" else None)


@both_protocols
def test_a_command_retained_before_we_came_is_marked_so(protocol: str) -> None:
    async def scenario(broker: Mosquitto) -> list[Incoming]:
        async with running(address(broker.port, protocol)) as bus:
            await until(lambda: bool(bus.delivered), "delivery")
            return bus.delivered

    with Mosquitto() as broker:
        mosquitto_clients.publish(broker.port, "house/set/zone", "{}", is_retained=True)
        delivered = asyncio.run(scenario(broker))

    assert delivered == [Incoming(topic="house/set/zone", payload=b"{}", is_retained=True)]


@pytest.mark.parametrize("is_retained", [True, False])
def test_a_live_command_is_marked_retained_exactly_if_it_was_sent_so(is_retained: bool) -> None:
    """Only MQTT 5 lets us see it; it would come again on each connection."""

    async def scenario(broker: Mosquitto) -> bool:
        async with running(address(broker.port)) as bus:
            await bus.connected()
            mosquitto_clients.publish(broker.port, "house/set/zone", "{}", is_retained=is_retained)
            await until(lambda: bool(bus.delivered), "delivery")
            return bus.delivered[0].is_retained

    with Mosquitto() as broker:
        assert asyncio.run(scenario(broker)) == is_retained


def test_what_we_publish_ourselves_does_not_come_back() -> None:
    """MQTT 5 only: a 3.1.1 broker sends it, and the topics must keep the two apart."""

    async def scenario(broker: Mosquitto) -> list[bytes]:
        async with running(address(broker.port)) as bus:
            await bus.connected()
            bus.bus.publish(Outgoing(topic="house/set/zone", payload=b"ours", is_state=True))
            await retained_becomes(broker, "house/set/zone", b"ours")
            mosquitto_clients.publish(broker.port, "house/set/zone", "theirs")
            await until(lambda: bool(bus.delivered), "delivery")
            return [message.payload for message in bus.delivered]

    with Mosquitto() as broker:
        assert asyncio.run(scenario(broker)) == [b"theirs"]


def test_where_to_answer_and_how_long_it_holds_are_delivered() -> None:
    reply = {"response-topic": "house/answers/x", "correlation-data": "abc", "message-expiry-interval": "20"}

    async def scenario(broker: Mosquitto) -> Incoming:
        async with running(address(broker.port)) as bus:
            await bus.connected()
            mosquitto_clients.publish(broker.port, "house/set/zone", "{}", properties=reply)
            await until(lambda: bool(bus.delivered), "delivery")
            return bus.delivered[0]

    with Mosquitto() as broker:
        delivered = asyncio.run(scenario(broker))

    assert delivered.response_topic == "house/answers/x"
    assert delivered.correlation == b"abc"
    assert delivered.expires_in_s == 20


@both_protocols
def test_a_message_without_properties_is_delivered_without_them(protocol: str) -> None:
    async def scenario(broker: Mosquitto) -> Incoming:
        async with running(address(broker.port, protocol)) as bus:
            await bus.connected()
            mosquitto_clients.publish(broker.port, "house/set/zone", "{}", protocol="3.1.1")
            await until(lambda: bool(bus.delivered), "delivery")
            return bus.delivered[0]

    with Mosquitto() as broker:
        assert asyncio.run(scenario(broker)) == Incoming(topic="house/set/zone", payload=b"{}")


@both_protocols
def test_a_payload_over_the_limit_is_counted_and_not_delivered(protocol: str) -> None:
    async def scenario(broker: Mosquitto) -> tuple[list[int], int]:
        async with running(address(broker.port, protocol)) as bus:
            await bus.connected()
            for size in (LARGEST_PAYLOAD_BYTES, LARGEST_PAYLOAD_BYTES + 1, 1):
                mosquitto_clients.publish(broker.port, "house/set/zone", "x" * size)
            await until(lambda: len(bus.delivered) == 2, "the two that fit")
            return [len(message.payload) for message in bus.delivered], bus.bus.unread.too_large

    with Mosquitto() as broker:
        assert asyncio.run(scenario(broker)) == ([LARGEST_PAYLOAD_BYTES, 1], 1)


def test_a_full_inbox_lets_the_oldest_go_and_counts_it() -> None:
    inbox, unread = Inbox(maxsize=3), Unread()
    inbox.unread = unread

    for number in range(5):
        inbox.put_nowait(Message("house/set/zone", b"%d" % number, 1, False, 1, None))

    assert [inbox.get_nowait().payload for _ in range(3)] == [b"2", b"3", b"4"]
    assert unread.overrun == 2


def test_a_fault_of_ours_in_deliver_ends_the_run_and_lets_the_will_speak() -> None:
    def fail(message: Incoming) -> None:
        raise ZeroDivisionError(message.topic)

    async def scenario(broker: Mosquitto) -> None:
        bus = bus_at(address(broker.port))
        notices: list[BusNotice] = []
        bus.publish(ONLINE)
        task = asyncio.create_task(bus.run([COMMANDS], fail, notices.append))
        await retained_becomes(broker, STATUS, ONLINE.payload)
        mosquitto_clients.publish(broker.port, "house/set/zone", "{}")
        with pytest.raises(ZeroDivisionError):
            await asyncio.wait_for(task, 5.0)
        await retained_becomes(broker, STATUS, WILL.payload)

    with Mosquitto() as broker:
        asyncio.run(scenario(broker))


PROGRAM = """
import asyncio, sys
from tests.adapters.running_bus import ONLINE, address, bus_at
bus = bus_at(address(int(sys.argv[1]), sys.argv[2]))
bus.publish(ONLINE)
asyncio.run(bus.run([], print, print))
"""


@both_protocols
def test_the_last_will_is_seen_when_our_process_is_killed(protocol: str) -> None:
    with Mosquitto() as broker, Subscriber(broker.port, STATUS) as subscriber:
        command = [sys.executable, "-c", PROGRAM, str(broker.port), protocol]
        with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL) as process:
            subscriber.wait_for(lambda seen: seen.payload == ONLINE.payload.decode())

            process.kill()

            subscriber.wait_for(lambda seen: seen.payload == WILL.payload.decode())
        assert mosquitto_clients.retained(broker.port, STATUS).payload == WILL.payload.decode()


@both_protocols
def test_cancelled_it_sends_what_waits_then_the_farewell_and_no_will(protocol: str) -> None:
    """The one message that was under way is sent again, as QoS 1 allows."""

    async def scenario(broker: Mosquitto, subscriber: Subscriber) -> float:
        async with running(address(broker.port, protocol)) as bus:
            bus.bus.publish(ONLINE)
            await bus.connected()
            for number in range(20):
                bus.bus.publish(event(number))
            took_s = await bus.stop()
        await asyncio.to_thread(subscriber.wait_for, lambda seen: seen.payload == FAREWELL.payload.decode())
        return took_s

    with Mosquitto() as broker, Subscriber(broker.port, "house/#") as subscriber:
        took_s = asyncio.run(scenario(broker, subscriber))
        mosquitto_clients.publish(broker.port, "house/after", "all of ours came before this")
        subscriber.wait_for(lambda seen: seen.topic == "house/after")
        seen = list(dict.fromkeys(message.payload for message in subscriber.seen))

    assert seen[:-1] == [
        ONLINE.payload.decode(),
        *(event(number).payload.decode() for number in range(20)),
        FAREWELL.payload.decode(),
    ]
    assert took_s < 1.0


@both_protocols
def test_cancelled_on_a_frozen_broker_it_ends_within_a_second_and_is_not_left_online(protocol: str) -> None:
    """Which of farewell and will the broker finds when it thaws depends on where it was stopped."""

    async def scenario(broker: Mosquitto) -> float:
        async with running(address(broker.port, protocol)) as bus:
            bus.bus.publish(ONLINE)
            await bus.connected()
            await retained_becomes(broker, STATUS, ONLINE.payload)
            broker.freeze()
            bus.bus.publish(zone(1))
            return await bus.stop()

    with Mosquitto() as broker:
        assert asyncio.run(scenario(broker)) < 1.0
        broker.thaw()
        with Subscriber(broker.port, STATUS) as subscriber:
            ends = [FAREWELL.payload.decode(), WILL.payload.decode()]
            subscriber.wait_for(lambda seen: seen.payload in ends)


@contextmanager
def deaf_port() -> Iterator[int]:
    """A port with a full queue: the kernel drops our first packet, as a dead machine would."""
    with ExitStack() as stack:
        server = stack.enter_context(socket.create_server(("127.0.0.1", 0), backlog=0))
        for _ in range(2):
            filler = stack.enter_context(socket.socket())
            filler.setblocking(False)
            filler.connect_ex(server.getsockname())
        yield server.getsockname()[1]


@pytest.mark.parametrize(
    ("a_port", "is_tls"), [(silent_port, False), (silent_port, True), (deaf_port, False)]
)
@pytest.mark.parametrize("turns", [0, 1, 3, 30])
def test_cancelled_while_connecting_it_leaves_nothing(
    a_port: Callable[[], AbstractContextManager[int]], is_tls: bool, turns: int
) -> None:
    """`running` checks that no task and no descriptor is left; after 30 turns an answer is waited for."""

    async def scenario(port: int) -> float:
        async with running(address(port, is_tls=is_tls), timeout_s=10.0) as bus:
            for _ in range(turns):
                await asyncio.sleep(0.001)
            return await bus.stop()

    with a_port() as port:
        assert asyncio.run(scenario(port)) < LATEST_TURN_S
