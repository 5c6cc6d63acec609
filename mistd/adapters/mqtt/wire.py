"""The MQTT library, and everything that has to be known of its insides.

Answers for: a client on a socket that we opened ourselves, so that opening it can be given up at any
moment; saying why a publish was refused and why a connection ended; letting go of a socket at once.
Does not know: what the messages mean, when to connect again, the errors of our ports.

Rule: nobody else touches a name of aiomqtt or paho that begins with an underscore.
"""

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import aiomqtt
import paho.mqtt.client as paho
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

LARGEST_PAYLOAD_BYTES = 32 * 1024  # nothing that we understand comes near it

UNEXPLAINED = "it was closed without a word"
WHY_ENDED = {
    0x80: UNEXPLAINED,  # what the library makes of a socket that was simply closed
    0x8B: "the broker is shutting down",
    0x8D: "the broker stopped answering",
    0x8E: "another client connected with the same client id",
    0x95: "a message was larger than the broker takes",
    0x98: "the broker's administrator ended it",
}


@dataclass(slots=True)
class Unread:
    """Messages that arrived and were not handed on, counted over all connections."""

    too_large: int = 0
    malformed: int = 0  # a topic that is no UTF-8, or no topic at all
    overrun: int = 0  # pushed out of the inbox by newer ones


class Inbox(asyncio.Queue[aiomqtt.Message]):
    """A bounded queue that lets the oldest go: an old reading or command is worth least."""

    unread: Unread | None = None

    def put_nowait(self, item: aiomqtt.Message) -> None:
        if self.full():
            self.get_nowait()
            if self.unread is not None:
                self.unread.overrun += 1
        super().put_nowait(item)


class Client(aiomqtt.Client):
    """aiomqtt's client, for one connection only: used again it would deliver the last one's messages."""

    def __init__(self, *, unread: Unread, **settings: Any) -> None:
        super().__init__(**settings, queue_type=Inbox, logger=_silent_logger())
        self.inbox = self._queue
        if isinstance(self.inbox, Inbox):
            self.inbox.unread = unread
        self._unread = unread
        self.refusal: ReasonCode | None = None  # what the broker said of the latest publish, if it was a no
        self.ended: str | None = None  # why the connection ended, in plain words
        self.largest_packet_bytes: int | None = None  # the broker's limit, where it names one

    async def start(self, sock: socket.socket) -> None:
        """Take over a connected socket and say hello; returns when the broker has agreed."""
        self._client._create_socket_connection = lambda: sock  # type: ignore[method-assign]
        super()._client_connect()
        await self.__aenter__()

    async def stop(self) -> None:
        """Say goodbye, so that the will is not sent; may wait for ever for a broker that hangs."""
        await self.__aexit__(None, None, None)

    async def drop(self) -> None:
        """Let go of the socket without a word; harmless when it is gone already."""
        self._client._sock_close()
        for future in (self._connected, self._disconnected):
            if future.done() and not future.cancelled():
                future.exception()  # asked for, or asyncio complains that nobody did
        if self._misc_task is not None:
            await asyncio.gather(self._misc_task, return_exceptions=True)

    def _client_connect(self) -> None:
        """Do nothing: aiomqtt calls this in a thread, which a cancellation would leave behind."""

    def _on_socket_register_write(self, client: paho.Client, userdata: Any, sock: Any) -> None:  # noqa: ARG002
        """Watch the socket now: aiomqtt does it in the next turn of the loop, when it may be closed."""
        self._loop.add_writer(sock.fileno(), self._write)

    def _write(self) -> None:
        try:
            self._client.loop_write()
        except Exception as error:  # whatever it was, this connection is over
            if not self._disconnected.done():
                self._disconnected.set_exception(error)

    def _on_connect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.largest_packet_bytes = getattr(properties, "MaximumPacketSize", None)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.ended = WHY_ENDED.get(reason_code.value, f"the broker ended it: {reason_code}")
        if not self._connected.done():  # aiomqtt would wait for its whole timeout
            self._connected.set_exception(aiomqtt.MqttError("closed before it was accepted"))
        elif not self._connected.cancelled():
            super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_publish(
        self, client: paho.Client, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        if reason_code.is_failure:  # aiomqtt drops it
            self.refusal = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        if len(message.payload) > LARGEST_PAYLOAD_BYTES:
            self._unread.too_large += 1
            return
        try:
            super()._on_message(client, userdata, message)
        except ValueError:  # one stranger's bad topic must not cost us the connection
            self._unread.malformed += 1


def _silent_logger() -> logging.Logger:
    """The library prints each lost connection as an error: our notices say it, once and in words."""
    logger = logging.getLogger("mistd.adapters.mqtt")
    logger.setLevel(logging.CRITICAL + 1)
    return logger


async def open_socket(host: str, port: int) -> socket.socket:
    """Connect over TCP to the first address of the host that takes us, without Nagle's delay.

    Raises OSError (the last address's) when none does.
    """
    loop = asyncio.get_running_loop()
    problem: OSError = ConnectionError(f"no address found for {host}")
    for family, kind, number, _, where in await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM):
        sock = socket.socket(family, kind, number)
        try:
            sock.setblocking(False)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            await loop.sock_connect(sock, where)
        except BaseException as error:
            sock.close()
            if not isinstance(error, OSError):
                raise
            problem = error
        else:
            return sock
    raise problem


async def secured(sock: socket.socket, host: str, ca_file: str | None) -> ssl.SSLSocket:
    """Put TLS on a connected socket, checking the broker's certificate against its name.

    `ca_file` None means the system's authorities. Raises OSError; the socket is closed then.
    """
    with contextlib.ExitStack() as on_failure:
        on_failure.callback(sock.close)
        context = await asyncio.to_thread(ssl.create_default_context, cafile=ca_file)
        wrapped = context.wrap_socket(sock, server_hostname=host, do_handshake_on_connect=False)
        on_failure.callback(wrapped.close)
        await _shake_hands(wrapped)
        on_failure.pop_all()
        return wrapped


async def _shake_hands(wrapped: ssl.SSLSocket) -> None:
    loop = asyncio.get_running_loop()
    while True:
        try:
            wrapped.do_handshake()
        except ssl.SSLWantReadError:
            await _wait_for(loop.add_reader, loop.remove_reader, wrapped)
        except ssl.SSLWantWriteError:
            await _wait_for(loop.add_writer, loop.remove_writer, wrapped)
        else:
            return


async def _wait_for(
    watch: Callable[..., None], unwatch: Callable[[ssl.SSLSocket], object], sock: ssl.SSLSocket
) -> None:
    ready = asyncio.Event()
    watch(sock, ready.set)
    try:
        await ready.wait()
    finally:
        unwatch(sock)
