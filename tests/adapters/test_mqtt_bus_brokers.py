"""The bus on brokers that refuse something, on TLS, and on the embedded broker."""

import asyncio
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from mistd.adapters.mqtt.connection import BrokerAddress
from mistd.ports.bus import BusState, Incoming, Outgoing
from tests import mosquitto_clients
from tests.adapters.running_bus import (
    COMMANDS,
    FAREWELL,
    ONLINE,
    STATUS,
    RecordingJitter,
    address,
    both_protocols,
    retained_becomes,
    running,
    until,
    zone,
)
from tests.broker import Amqtt, Mosquitto, program

pytestmark = [pytest.mark.broker, pytest.mark.real_time]


@both_protocols
def test_a_wrong_password_is_said_once_in_plain_words(protocol: str) -> None:
    jitter = RecordingJitter()

    async def scenario(broker: Mosquitto) -> list[str]:
        wrong = address(broker.port, protocol, username="house", password="guess")
        async with running(wrong, jitter=jitter) as bus:
            await jitter.tried(3)
            return bus.reasons(BusState.LOST)

    with Mosquitto(users={"house": "secret"}) as broker:
        reasons = asyncio.run(scenario(broker))

    assert len(reasons) == 1
    assert f"broker 127.0.0.1:{broker.port} refused us" in reasons[0]
    assert "user name and password" in reasons[0] or "user name or password" in reasons[0]


def test_the_right_password_is_accepted() -> None:
    async def scenario(broker: Mosquitto) -> None:
        right = address(broker.port, username="house", password="secret")
        async with running(right) as bus:
            await bus.connected()

    with Mosquitto(users={"house": "secret"}) as broker:
        asyncio.run(scenario(broker))


def test_another_client_with_our_id_is_suspected_when_we_are_thrown_out() -> None:
    async def scenario(broker: Mosquitto) -> None:
        async with running(address(broker.port)) as bus:
            await bus.connected()
            await asyncio.to_thread(
                mosquitto_clients.publish, broker.port, "a", "b", options=["-i", "mistd-under-test"]
            )
            await bus.noticed("look for another client with the id 'mistd-under-test'")
            await bus.connected(times=2)

    with Mosquitto() as broker:  # 2.0 closes the older connection without giving a reason
        asyncio.run(scenario(broker))


def test_a_topic_that_the_broker_refuses_is_said_once_and_the_others_go_on() -> None:
    async def scenario(broker: Mosquitto) -> list[str]:
        async with running(address(broker.port)) as bus:
            for number in range(3):
                bus.bus.publish(Outgoing(topic="elsewhere", payload=b"{}", is_state=True))
                bus.bus.publish(zone(number))
                await retained_becomes(broker, f"house/zone/{number}", zone(number).payload)
            return [reason for reason in bus.reasons(BusState.CONNECTED) if "refused" in reason]

    with Mosquitto(acl="topic readwrite house/#\n") as broker:
        reasons = asyncio.run(scenario(broker))

    assert reasons == ["broker refused a message on 'elsewhere': Not authorized"]


@both_protocols
def test_a_state_too_large_for_the_broker_holds_up_no_other(protocol: str) -> None:
    """MQTT 5 names the limit beforehand; with 3.1.1 the broker hangs up on it, again and again."""

    async def scenario(broker: Mosquitto) -> list[str]:
        async with running(address(broker.port, protocol)) as bus:
            bus.bus.publish(zone(1, b"x" * 5000))
            bus.bus.publish(zone(2))
            await retained_becomes(broker, "house/zone/2", zone(2).payload)
            return [notice.reason for notice in bus.notices]

    with Mosquitto(settings=["max_packet_size 2000"]) as broker:
        reasons = asyncio.run(scenario(broker))

    expected = "larger than the broker's limit of 2000 bytes" if protocol == "5" else "lost"
    assert any(expected in reason for reason in reasons)


@pytest.mark.parametrize(
    "topic", ["house/+/x", "house/#", "", "house/\0", "house/\ud800", "house/" + "x" * 65536]
)
@both_protocols
def test_a_topic_that_cannot_be_published_to_is_refused_by_ourselves(protocol: str, topic: str) -> None:
    """It may be the response topic of a stranger's request."""

    async def scenario(broker: Mosquitto) -> list[str]:
        async with running(address(broker.port, protocol)) as bus:
            bus.bus.publish(Outgoing(topic=topic, payload=b"{}"))
            bus.bus.publish(zone(1))
            await bus.noticed("broker refused a message")
            await retained_becomes(broker, "house/zone/1", zone(1).payload)
            return bus.reasons(BusState.LOST)

    with Mosquitto() as broker:
        assert asyncio.run(scenario(broker)) == []


class ScriptedBroker:
    """Just enough of a broker to accept us and then do what mosquitto cannot be made to do."""

    def __init__(self, protocol: str, *, suback: bytes, afterwards: bytes = b"") -> None:
        self._connack = b"\x20\x03\x00\x00\x00" if protocol == "5" else b"\x20\x02\x00\x00"
        self._suback = suback
        self._afterwards = afterwards

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while header := await reader.read(2):
            body = await reader.readexactly(
                header[1]
            )  # our packets in these tests are shorter than 128 bytes
            if header[0] == 0x10:
                writer.write(self._connack)
            elif header[0] == 0x82:
                suback = body[:2] + self._suback
                writer.write(bytes([0x90, len(suback)]) + suback + self._afterwards)
        writer.close()
        await writer.wait_closed()

    async def first_reasons(self, protocol: str, count: int) -> list[str]:
        """What a bus says of this broker."""
        async with self.serving(protocol) as where, running(where) as bus:
            await until(lambda: len(bus.notices) >= count, f"{count} notices", lambda: bus.notices)
            return [notice.reason for notice in bus.notices[:count]]

    @asynccontextmanager
    async def serving(self, protocol: str) -> AsyncIterator[BrokerAddress]:
        server = await asyncio.start_server(self.serve, "127.0.0.1", 0)
        async with server:
            yield address(server.sockets[0].getsockname()[1], protocol)


@pytest.mark.parametrize(("protocol", "refusal"), [("5", b"\x00\x87"), ("3.1.1", b"\x80")])
def test_a_refused_subscription_is_named(protocol: str, refusal: bytes) -> None:
    broker = ScriptedBroker(protocol, suback=refusal)

    reasons = asyncio.run(broker.first_reasons(protocol, 2))

    assert reasons[0] == f"broker refused the subscription to {COMMANDS}"
    assert reasons[1].startswith("connected")


@pytest.mark.parametrize("topic", [b"house/\xff", b"house/#"])
def test_a_message_with_a_topic_that_is_none_is_counted_and_costs_no_connection(topic: bytes) -> None:
    message = len(topic).to_bytes(2, "big") + topic + b"\x00{}"
    good = b"\x30\x0b\x00\x06house/\x00{}"
    broker = ScriptedBroker("5", suback=b"\x00\x01", afterwards=bytes([0x30, len(message)]) + message + good)

    async def scenario() -> tuple[list[Incoming], int]:
        async with broker.serving("5") as where, running(where) as bus:
            await until(lambda: bool(bus.delivered), "delivery", lambda: bus.notices)
            assert bus.reasons(BusState.LOST) == []
            return bus.delivered, bus.bus.unread.malformed

    assert asyncio.run(scenario()) == ([Incoming(topic="house/", payload=b"{}")], 1)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (0x8E, "another client connected with the same client id"),
        (0x8B, "the broker is shutting down"),
        (0x93, "the broker ended it: Receive maximum exceeded"),
    ],
)
def test_the_reason_that_a_broker_gives_for_ending_is_told(code: int, words: str) -> None:
    broker = ScriptedBroker("5", suback=b"\x00\x01", afterwards=bytes([0xE0, 2, code, 0]))

    reasons = asyncio.run(broker.first_reasons("5", 2))

    assert words in reasons[1]


def certificates(directory: Path) -> None:
    """An authority of our own, and a certificate of it for 127.0.0.1."""
    make = [program("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"]
    make += ["-nodes", "-days", "2", "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
    make += ["-keyout", str(directory / "key.pem"), "-out", str(directory / "certificate.pem")]
    subprocess.run(make, check=True, capture_output=True)


def test_over_tls_a_certificate_that_we_trust_is_needed(tmp_path: Path) -> None:
    certificates(tmp_path)
    certificate = str(tmp_path / "certificate.pem")
    settings = [f"certfile {certificate}", f"keyfile {tmp_path / 'key.pem'}"]

    async def scenario(broker: Mosquitto) -> str:
        trusting = address(broker.port, is_tls=True, ca_file=certificate)
        async with running(trusting, timeout_s=5.0) as bus:
            bus.bus.publish(ONLINE)
            await bus.connected()
        async with running(address(broker.port, is_tls=True), timeout_s=5.0) as bus:
            return (await bus.noticed("cannot reach")).reason

    with Mosquitto(settings=settings) as broker:
        reason = asyncio.run(scenario(broker))
        tls = ["--cafile", certificate]
        seen = mosquitto_clients.retained(broker.port, STATUS, options=tls)

    assert "certificate verify failed" in reason.lower()
    assert seen.payload == FAREWELL.payload.decode()


def test_on_the_embedded_broker_state_is_kept_and_commands_arrive() -> None:
    async def scenario(broker: Amqtt) -> None:
        async with running(address(broker.port, "3.1.1")) as bus:
            bus.bus.publish(zone(1))
            await bus.connected()
            seen = await asyncio.to_thread(
                mosquitto_clients.retained, broker.port, "house/zone/1", protocol="3.1.1"
            )
            assert seen.payload == zone(1).payload.decode()
            await asyncio.to_thread(
                mosquitto_clients.publish, broker.port, "house/set/zone", "{}", protocol="3.1.1"
            )
            await until(lambda: bool(bus.delivered), "delivery")
            assert bus.delivered == [Incoming(topic="house/set/zone", payload=b"{}")]

    with Amqtt() as broker:
        asyncio.run(scenario(broker))
