"""Short visits to the broker: ask and wait for the answer, watch, take a picture of the state.

For the command line, the page and checks. Does not know what requests and answers mean, beyond an `id`
that is the same in both. Everything raises `BusError`, in words for a person, when the broker cannot be
reached, refuses us or is lost on the way.

Rule: a request is never retained, and expires with the patience of whoever asked.
"""

import asyncio
import json
from collections.abc import AsyncGenerator, Sequence
from contextlib import AbstractAsyncContextManager, suppress
from math import ceil

from mistd.adapters.mqtt.connection import QOS, BrokerAddress, Connection, connected
from mistd.adapters.mqtt.wire import Unread
from mistd.ports.bus import Incoming, Outgoing
from mistd.ports.errors import BusError

TIMEOUT_S = 5.0  # for the broker's own answers
INBOX_SIZE = 10_000  # every retained message of a site at once


async def ask(
    address: BrokerAddress,
    request_topic: str,
    answer_topic: str,
    payload: bytes,
    *,
    correlation: bytes,
    wait_s: float,
) -> bytes | None:
    """Send a JSON request and return the payload of its answer; None when none came within `wait_s`.

    Raises ValueError when the request has no `id`.
    """
    wanted = _id_of(payload)
    if wanted is None:
        raise ValueError("a request is a JSON object with an id")
    async with _visit(address) as connection:
        await _subscribe(connection, [answer_topic])
        why_refused = await connection.publish(
            Outgoing(topic=request_topic, payload=payload, correlation=correlation),
            response_topic=answer_topic,
            expires_in_s=ceil(wait_s),
        )
        if why_refused:
            raise BusError(f"broker {address.where} refused the request on {request_topic}: {why_refused}")
        answer = await _answer_to(wanted, connection, wait_s)
        await connection.disconnect()
        return answer


async def watch(address: BrokerAddress, filters: Sequence[str]) -> AsyncGenerator[Incoming, None]:
    """Everything that is retained on these filters, then everything that arrives, without end."""
    async with _visit(address) as connection:
        await _subscribe(connection, filters)
        while True:
            yield await connection.receive()


async def snapshot(
    address: BrokerAddress, filters: Sequence[str], quiet_s: float = 0.5, wait_s: float = 5.0
) -> dict[str, bytes]:
    """The retained messages by topic, read until no new one came for `quiet_s` or `wait_s` is over.

    MQTT does not say where the stored messages end, hence the quiet.
    """
    found: dict[str, bytes] = {}
    async with _visit(address) as connection:
        await _subscribe(connection, filters, qos=0)
        with suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await _collect(connection, found, quiet_s)
        await connection.disconnect()
    return found


async def _collect(connection: Connection, found: dict[str, bytes], quiet_s: float) -> None:
    loop = asyncio.get_running_loop()
    async with asyncio.timeout(quiet_s) as quiet:
        while True:
            known = len(found)
            _keep(await connection.receive(), found)
            if len(found) > known:  # what is only said again must not keep us here
                quiet.reschedule(loop.time() + quiet_s)


def _keep(message: Incoming, found: dict[str, bytes]) -> None:
    if message.is_retained and message.payload:
        found[message.topic] = message.payload
    elif message.is_retained:
        found.pop(message.topic, None)  # taken back while we looked


def _visit(address: BrokerAddress) -> AbstractAsyncContextManager[Connection]:
    return connected(address, timeout_s=TIMEOUT_S, unread=Unread(), inbox_size=INBOX_SIZE)


async def _subscribe(connection: Connection, filters: Sequence[str], *, qos: int = QOS) -> None:
    refused = await connection.subscribe(filters, qos=qos)
    if refused:
        raise BusError(f"the broker refused the subscription to {', '.join(refused)}")


async def _answer_to(wanted: object, connection: Connection, wait_s: float) -> bytes | None:
    with suppress(TimeoutError):
        async with asyncio.timeout(wait_s):
            while True:
                message = await connection.receive()
                if not message.is_retained and _id_of(message.payload) == wanted:
                    return message.payload
    return None


def _id_of(payload: bytes) -> object:
    """The `id` of a JSON object; None for anything else: answers come from strangers, too."""
    try:
        content = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return content.get("id") if isinstance(content, dict) else None
