"""The bus when the broker dies, hangs, is not there, and when it comes back."""

import asyncio
import random
import selectors
import time

import pytest

from mistd.adapters.mqtt.bus import Backoff
from mistd.adapters.mqtt.connection import connected
from mistd.adapters.mqtt.wire import Unread
from mistd.ports.bus import BusState
from tests import mosquitto_clients
from tests.adapters.running_bus import (
    LATEST_TURN_S,
    ONLINE,
    STATUS,
    RecordingJitter,
    address,
    both_protocols,
    event,
    open_descriptors,
    retained_becomes,
    running,
    silent_port,
    until,
    zone,
)
from tests.broker import Mosquitto, free_port

pytestmark = [pytest.mark.broker, pytest.mark.real_time]


@both_protocols
def test_all_state_is_told_again_to_a_broker_that_lost_everything(protocol: str) -> None:
    async def scenario(broker: Mosquitto) -> None:
        async with running(address(broker.port, protocol)) as bus:
            for message in (ONLINE, zone(1, b"1"), zone(2, b"2"), zone(1, b"1 newer")):
                bus.bus.publish(message)
            await bus.connected()
            broker.kill()
            await bus.noticed("lost")
            bus.bus.publish(zone(2, b"2 while away"))
            broker.start()
            await bus.connected(times=2)
            await retained_becomes(broker, STATUS, ONLINE.payload)
            await retained_becomes(broker, "house/zone/1", b"1 newer")
            await retained_becomes(broker, "house/zone/2", b"2 while away")

    with Mosquitto() as broker:
        asyncio.run(scenario(broker))


def test_each_loss_is_told_and_each_return() -> None:
    async def scenario(broker: Mosquitto) -> list[BusState]:
        async with running(address(broker.port)) as bus:
            for times in (1, 2):
                await bus.connected(times)
                broker.kill()
                await until(lambda: bus.notices[-1].state is BusState.LOST, "loss")
                broker.start()
            await bus.connected(times=3)
            return [notice.state for notice in bus.notices if "cannot reach" not in notice.reason]

    with Mosquitto() as broker:
        states = asyncio.run(scenario(broker))

    connected, lost = BusState.CONNECTED, BusState.LOST
    assert states == [connected, lost, connected, lost, connected]


@pytest.mark.parametrize(("lasted_s", "bound_s"), [(0.0, 0.4), (0.5, 0.05)])
def test_the_waits_begin_anew_only_after_a_connection_that_lasted(lasted_s: float, bound_s: float) -> None:
    jitter = RecordingJitter()

    async def scenario(broker: Mosquitto) -> None:
        async with running(
            address(broker.port), jitter=jitter, backoff_first_s=0.05, backoff_longest_s=0.4
        ) as bus:
            await jitter.tried(5)
            broker.start()
            await bus.connected()
            tries = len(jitter.bounds_s)
            await asyncio.sleep(lasted_s)
            broker.kill()
            await jitter.tried(tries + 2)
            assert jitter.bounds_s[tries : tries + 2] == [bound_s, min(2 * bound_s, 0.4)]

    with Mosquitto() as broker:
        broker.kill()
        asyncio.run(scenario(broker))

    assert jitter.bounds_s[:5] == [0.05, 0.1, 0.2, 0.4, 0.4]


def test_commands_arrive_again_after_the_broker_was_restarted() -> None:
    async def scenario(broker: Mosquitto) -> None:
        async with running(address(broker.port)) as bus:
            await bus.connected()
            broker.kill()
            broker.start()
            await bus.connected(times=2)
            mosquitto_clients.publish(broker.port, "house/set/zone", "{}")
            await until(lambda: bool(bus.delivered), "delivery")

    with Mosquitto() as broker:
        asyncio.run(scenario(broker))


@both_protocols
def test_a_frozen_broker_delays_nobody_is_noticed_and_told_all_when_it_thaws(protocol: str) -> None:
    async def scenario(broker: Mosquitto) -> tuple[float, float]:
        async with running(address(broker.port, protocol, keepalive_s=20)) as bus:
            bus.bus.publish(ONLINE)
            await bus.connected()
            broker.freeze()
            began_s = time.monotonic()
            latest_turn_s, longest_publish_s, number = 0.0, 0.0, 0
            while not bus.reasons(BusState.LOST):
                number += 1
                before_s = time.monotonic()
                bus.bus.publish(zone(1, b"%d" % number))
                bus.bus.publish(event(number))
                published_s = time.monotonic()
                await asyncio.sleep(0.01)
                longest_publish_s = max(longest_publish_s, published_s - before_s)
                latest_turn_s = max(latest_turn_s, time.monotonic() - published_s - 0.01)
                assert published_s - began_s < 4.0, "the frozen broker was not noticed"
            broker.thaw()
            await retained_becomes(broker, "house/zone/1", b"%d" % number)
            await retained_becomes(broker, STATUS, ONLINE.payload)
            return latest_turn_s, longest_publish_s

    with Mosquitto() as broker:
        latest_turn_s, longest_publish_s = asyncio.run(scenario(broker))

    assert latest_turn_s < LATEST_TURN_S
    assert longest_publish_s < LATEST_TURN_S


def test_a_broker_that_hangs_while_nothing_is_published_is_noticed_by_the_keepalive() -> None:
    async def scenario(broker: Mosquitto) -> float:
        async with running(address(broker.port, keepalive_s=1)) as bus:
            await bus.connected()
            broker.freeze()
            began_s = time.monotonic()
            await bus.noticed("stopped answering")
            return time.monotonic() - began_s

    with Mosquitto() as broker:
        assert asyncio.run(scenario(broker)) < 2 * 1 + 2.5  # the library looks once a second


@both_protocols
def test_a_broker_that_hangs_up_before_it_answers_is_not_waited_for(protocol: str) -> None:
    """Brokers do so to a protocol that they do not know."""

    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(100)
        writer.close()
        await writer.wait_closed()

    async def scenario() -> None:
        server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
        async with server:
            where = address(server.sockets[0].getsockname()[1], protocol)
            async with running(where, timeout_s=60.0) as bus:
                await bus.noticed("lost: it was closed without a word", within_s=5.0)

    asyncio.run(scenario())


@both_protocols
def test_a_broker_that_never_answers_is_said_once(protocol: str) -> None:
    jitter = RecordingJitter()

    async def scenario(port: int) -> list[str]:
        where = address(port, protocol)
        async with running(where, jitter=jitter, timeout_s=0.1) as bus:
            await jitter.tried(3)
            return bus.reasons(BusState.LOST)

    with silent_port() as port:
        reasons = asyncio.run(scenario(port))

    assert len(reasons) == 1
    assert f"broker 127.0.0.1:{port} did not answer within 0.1 s; next try in 0.0 s" in reasons[0]


@both_protocols
def test_without_a_broker_it_says_so_once_and_keeps_the_newest(protocol: str) -> None:
    port = free_port()
    jitter = RecordingJitter()

    async def scenario() -> tuple[list[str], int, str]:
        async with running(address(port, protocol), jitter=jitter, outbox_size=10) as bus:
            for number in range(25):
                bus.bus.publish(event(number))
            await jitter.tried(4)
            lost = bus.reasons(BusState.LOST)
            with Mosquitto(port=port) as broker:
                told = await bus.noticed("connected")
                await until(
                    lambda: broker.log().count("Received PUBLISH") >= 10, "the newest ten", broker.log
                )
                await bus.stop()
                return lost, told.dropped + bus.notices[0].dropped, broker.log()

    lost, dropped, log = asyncio.run(scenario())

    assert len(lost) == 1
    assert f"cannot reach broker 127.0.0.1:{port}: " in lost[0]
    assert "next try in" in lost[0]
    assert dropped == 15  # so ten were left
    received = log.count("Received PUBLISH") - 1  # the last is the farewell
    assert received in {10, 11}  # stopped before the tenth is acknowledged to us, it is sent once more


def test_a_host_that_nobody_knows_is_named() -> None:
    async def scenario() -> None:
        async with running(address(1883, host="no-such-broker.invalid"), timeout_s=5.0) as bus:
            await bus.noticed("cannot reach broker no-such-broker.invalid:1883")

    asyncio.run(scenario())


def test_a_connection_let_go_in_the_very_turn_of_a_publish_does_not_watch_its_socket_any_more() -> None:
    """The number of the socket is soon another one's: watched on, it would keep the processor busy."""

    async def scenario(broker: Mosquitto) -> list[dict[str, object]]:
        complaints: list[dict[str, object]] = []
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, complaint: complaints.append(complaint))
        where = address(broker.port)
        async with connected(where, timeout_s=1.0, unread=Unread(), inbox_size=10) as connection:
            publishing = asyncio.create_task(connection.publish(zone(1)))
            await asyncio.sleep(0)
        await asyncio.sleep(0)
        publishing.cancel()
        await asyncio.wait({publishing})
        return complaints

    with Mosquitto() as broker:
        assert asyncio.run(scenario(broker)) == []


@pytest.mark.parametrize("cycles", [5, pytest.param(30, marks=pytest.mark.campaign)])
def test_broker_kills_and_restarts_leave_no_descriptor_and_no_task(cycles: int) -> None:
    async def scenario(broker: Mosquitto) -> None:
        async with running(address(broker.port)) as bus:
            await bus.connected()
            tasks, descriptors = len(asyncio.all_tasks()), open_descriptors()
            for cycle in range(cycles):
                for number in range(10):
                    bus.bus.publish(zone(number, b"%d" % cycle))
                    bus.bus.publish(event(number))
                broker.kill()
                broker.start()
                await bus.connected(times=cycle + 2)
            await retained_becomes(broker, "house/zone/9", b"%d" % (cycles - 1))
            assert len(asyncio.all_tasks()) == tasks
            assert open_descriptors() == descriptors

    with Mosquitto() as broker:
        asyncio.run(scenario(broker))


class FastLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock runs twenty times as fast."""

    PACE = 20.0

    def __init__(self) -> None:
        super().__init__(_FastSelector())

    def time(self) -> float:
        return time.monotonic() * self.PACE


class _FastSelector(selectors.DefaultSelector):
    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        return super().select(None if timeout is None else timeout / FastLoop.PACE)


def test_in_a_loop_with_scaled_time_the_waits_are_scaled_too() -> None:
    async def scenario(broker: Mosquitto) -> float:
        broker.kill()
        began_s = time.monotonic()
        async with running(address(broker.port), backoff_first_s=8.0, backoff_longest_s=60.0) as bus:
            await bus.noticed("cannot reach", within_s=60.0)
            broker.start()
            bus.bus.publish(ONLINE)
            await bus.connected()
            took_s = time.monotonic() - began_s
            await retained_becomes(broker, STATUS, ONLINE.payload)
            return took_s

    with Mosquitto() as broker, asyncio.Runner(loop_factory=FastLoop) as runner:
        assert runner.run(scenario(broker)) < 2.0  # the first wait alone is 4 to 8 s of scaled time


def test_waits_double_up_to_the_longest_shortened_by_at_most_half() -> None:
    backoff = Backoff(first_s=1.0, longest_s=60.0, jitter=random.Random(7))

    waits_s = [backoff.next_s() for _ in range(2000)]  # a day and more of outage

    for wait_s, bound_s in zip(waits_s, [1, 2, 4, 8, 16, 32] + [60] * 1994, strict=True):
        assert bound_s / 2 <= wait_s <= bound_s
    backoff.reset()
    assert backoff.next_s() <= 1.0
