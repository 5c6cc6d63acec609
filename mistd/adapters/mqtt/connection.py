"""One connection to the broker, from its opening to its end.

Answers for: the same settings at every connection (no session kept, limits on what may arrive), what
goes into a message in either protocol, and every failure as a `BusError` that says where and why.
Does not know: what to do about a lost connection, or what the messages mean.

Rule: no error of an outside library leaves this module.
"""

import asyncio
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from mistd.adapters.mqtt.wire import UNEXPLAINED, Client, Unread, open_socket, secured
from mistd.ports.bus import Incoming, Outgoing
from mistd.ports.errors import BusError

QOS = 1  # at least once: our messages bear repeating
RECEIVE_MAXIMUM = 20  # messages the broker may have under way to us
LARGEST_PACKET_BYTES = 65536
LONGEST_BINARY_BYTES = 65535  # of any string or binary field in MQTT
HEADER_ROOM_BYTES = 64  # more than the fields of our messages besides topic, payload and correlation
IS_TEXT = 1  # MQTT 5 payload format indicator: UTF-8

WHY_REFUSED = {
    0x84: "it does not speak this version of MQTT",
    0x85: "it does not accept the client id",
    0x86: "wrong user name or password",
    0x87: "not authorized: check the user name and password",
    0x88: "it is not available now",
    0x89: "it is busy",
    0x8A: "this client is banned",
    0x9A: "it does not keep retained messages, which we need",
    0x9B: "it does not offer QoS 1, which we need",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerAddress:
    """Where the broker is and as whom we speak to it."""

    host: str
    port: int
    client_id: str  # two clients with one id throw each other out for ever
    protocol: Literal["5", "3.1.1"] = "5"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    password_file: str | None = None  # read anew at every connection, in place of `password`
    is_tls: bool = False
    ca_file: str | None = None  # None: the system's authorities
    keepalive_s: int = 20

    @property
    def is_v5(self) -> bool:
        return self.protocol == "5"

    @property
    def where(self) -> str:
        return f"{self.host}:{self.port}"


class Connection:
    """An open connection; every method raises `BusError` when it turns out to be lost."""

    def __init__(self, address: BrokerAddress, client: Client, timeout_s: float) -> None:
        self._address = address
        self._client = client
        self._timeout_s = timeout_s
        self._plain = content_properties() if address.is_v5 else None

    async def subscribe(self, filters: Sequence[str], *, qos: int = QOS) -> list[str]:
        """Subscribe, with what is stored already; returns the filters that the broker refused.

        QoS 0 is for reading a large store: brokers silently drop what they must queue for acknowledgement
        beyond some length.
        """
        if not filters:
            return []
        wanted = [(name, self._subscription(qos)) for name in filters]
        with plain_words(self._address, self._timeout_s, self._client):
            async with asyncio.timeout(self._timeout_s):
                answers = await self._client.subscribe(wanted)  # type: ignore[arg-type]
        return [name for name, answer in zip(filters, answers, strict=True) if _number(answer) >= 0x80]

    def _subscription(self, qos: int) -> SubscribeOptions | int:
        if not self._address.is_v5:
            return qos
        # The flag as published shows a retained command even when it comes live: it would come again.
        always = SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE
        return SubscribeOptions(qos=qos, noLocal=True, retainAsPublished=True, retainHandling=always)

    async def publish(
        self, message: Outgoing, *, response_topic: str | None = None, expires_in_s: int | None = None
    ) -> str | None:
        """Publish and wait for the broker's word; returns why it was refused, None when it was taken.

        With MQTT 3.1.1 the broker has no way to refuse, and the last two arguments have none to travel.
        """
        why_not = self._why_unfit(message)
        if why_not:
            return why_not
        properties = self._properties(message, response_topic, expires_in_s)
        self._client.refusal = None
        with plain_words(self._address, self._timeout_s, self._client):
            async with asyncio.timeout(self._timeout_s):
                await self._client.publish(
                    message.topic, message.payload, QOS, retain=is_retained(message), properties=properties
                )
        return None if self._client.refusal is None else str(self._client.refusal)

    def _why_unfit(self, message: Outgoing) -> str | None:
        """Why the broker would end the connection over this message; it would come again and again."""
        topic = message.topic.encode(errors="surrogatepass")
        correlation = message.correlation or b""
        if not topic or any(sign in message.topic for sign in "+#\0") or not message.topic.isprintable():
            return "not a topic that can be published to"
        if max(len(topic), len(correlation)) > LONGEST_BINARY_BYTES:
            return "its topic or correlation data is too long"
        size = len(topic) + len(correlation) + len(message.payload) + HEADER_ROOM_BYTES
        limit = self._client.largest_packet_bytes
        return None if limit is None or size <= limit else f"larger than the broker's limit of {limit} bytes"

    def _properties(
        self, message: Outgoing, response_topic: str | None, expires_in_s: int | None
    ) -> Properties | None:
        extras = (message.correlation, response_topic, expires_in_s)
        if self._plain is None or all(extra is None for extra in extras):
            return self._plain
        properties = content_properties()
        if message.correlation is not None:
            properties.CorrelationData = message.correlation
        if response_topic is not None:
            properties.ResponseTopic = response_topic
        if expires_in_s is not None:
            properties.MessageExpiryInterval = expires_in_s
        return properties

    async def receive(self) -> Incoming:
        """The next message that arrives."""
        if not self._client.inbox.empty():
            return _incoming(self._client.inbox.get_nowait())
        with plain_words(self._address, self._timeout_s, self._client):
            return _incoming(await anext(self._client.messages))

    async def disconnect(self) -> None:
        """Say goodbye, so that the broker does not send our will."""
        with plain_words(self._address, self._timeout_s, self._client):
            await self._client.stop()


@asynccontextmanager
async def connected(
    address: BrokerAddress, *, timeout_s: float, unread: Unread, inbox_size: int, will: Outgoing | None = None
) -> AsyncIterator[Connection]:
    """Connect, and let go of the socket at the end: without a goodbye, unless one was said.

    Raises `BusError` when no connection can be made within `timeout_s`.
    """
    client = _client(address, will, unread, inbox_size)
    try:
        with plain_words(address, timeout_s, client):
            async with asyncio.timeout(timeout_s):
                sock = await open_socket(address.host, address.port)
                if address.is_tls:
                    sock = await secured(sock, address.host, address.ca_file)
                await client.start(sock)
        yield Connection(address, client, timeout_s)
    finally:
        await client.drop()


def _client(address: BrokerAddress, will: Outgoing | None, unread: Unread, inbox_size: int) -> Client:
    version = aiomqtt.ProtocolVersion.V5 if address.is_v5 else aiomqtt.ProtocolVersion.V311
    only_in_its_version = (
        {"clean_start": True, "properties": _limits()} if address.is_v5 else {"clean_session": True}
    )
    return Client(
        unread=unread,
        hostname=address.host,
        port=address.port,
        username=address.username,
        password=_password(address),
        identifier=address.client_id,
        protocol=version,
        keepalive=address.keepalive_s,
        max_queued_incoming_messages=inbox_size,
        timeout=float("inf"),  # ours are around each call
        will=None if will is None else _will(will, address.is_v5),
        **only_in_its_version,
    )


def _password(address: BrokerAddress) -> str | None:
    if address.password_file is None:
        return address.password
    try:
        return Path(address.password_file).read_text().strip()
    except (OSError, UnicodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        file = f"the password file {address.password_file!r}"
        raise BusError(f"cannot speak to broker {address.where}: {file} cannot be read: {why}") from error


def is_retained(message: Outgoing) -> bool:
    """Whether the broker is to keep the message; an empty one to keep is one to forget."""
    return message.is_state or message.is_clearing


def _will(message: Outgoing, is_v5: bool) -> aiomqtt.Will:
    properties = content_properties(PacketTypes.WILLMESSAGE) if is_v5 else None
    return aiomqtt.Will(message.topic, message.payload, QOS, message.is_state, properties)


def _limits() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 0  # no commands kept for us while we are away
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    properties.MaximumPacketSize = LARGEST_PACKET_BYTES
    return properties


def content_properties(packet: int = PacketTypes.PUBLISH) -> Properties:
    """What every message of ours says of its content in MQTT 5."""
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    properties.ContentType = "application/json"
    properties.PayloadFormatIndicator = IS_TEXT
    return properties


def _incoming(message: aiomqtt.Message) -> Incoming:
    properties = message.properties  # an absent one is no attribute at all
    return Incoming(
        topic=message.topic.value,
        payload=bytes(message.payload),
        is_retained=bool(message.retain),
        response_topic=getattr(properties, "ResponseTopic", None),
        correlation=getattr(properties, "CorrelationData", None),
        expires_in_s=getattr(properties, "MessageExpiryInterval", None),
    )


def _number(answer: object) -> int:
    return int(getattr(answer, "value", answer))  # type: ignore[call-overload, no-any-return]


@contextmanager
def plain_words(address: BrokerAddress, timeout_s: float, client: Client) -> Iterator[None]:
    """Turn what the libraries raise into a `BusError` that names the broker and says what to check."""
    broker = f"broker {address.where}"
    try:
        yield
    except TimeoutError as error:
        raise BusError(f"{broker} did not answer within {timeout_s:g} s") from error
    except aiomqtt.MqttCodeError as error:
        raise BusError(_refused_or_lost(address, error, client)) from error
    except aiomqtt.MqttError as error:
        raise BusError(_lost(address, error, client)) from error
    except OSError as error:
        why = error.strerror or str(error)
        raise BusError(f"cannot reach {broker}: {why}; is it running, is the address right?") from error


def _refused_or_lost(address: BrokerAddress, error: aiomqtt.MqttCodeError, client: Client) -> str:
    if isinstance(error, MqttConnectError):
        return f"broker {address.where} refused us: {WHY_REFUSED.get(_number(error.rc), str(error.rc))}"
    return _lost(address, error, client)


def _lost(address: BrokerAddress, error: aiomqtt.MqttError, client: Client) -> str:
    why = client.ended or str(error)
    if why == UNEXPLAINED:  # brokers close so on a client whose id another one uses, and say nothing
        why += f" (if this goes on, look for another client with the id {address.client_id!r})"
    return f"connection to broker {address.where} lost: {why}"
