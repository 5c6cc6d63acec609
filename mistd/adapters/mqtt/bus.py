"""The bus over MQTT: a connection that keeps itself up.

Answers for: connecting again for ever, telling each new connection the whole state, the outbox, what is
said when the connection changes or the broker refuses something, and the farewell.
Does not know: what a topic or a payload means; how MQTT is spoken (`connection`, `wire`).

Rule: whatever the broker does, `publish` returns at once and `run` goes on.
"""

import asyncio
import random  # noqa: TID251 - the type only: we are handed one
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from mistd.adapters.mqtt.connection import BrokerAddress, Connection, connected
from mistd.adapters.mqtt.outbox import Outbox
from mistd.adapters.mqtt.wire import Unread
from mistd.ports.bus import BusNotice, BusState, Incoming, Outgoing
from mistd.ports.errors import BusError

INBOX_SIZE = 200  # at 32 KiB each, 6.4 MB at worst
MOST_REFUSED_TOPICS = 500  # remembered, so as to speak of each but once

# Together under the second that the port allows for the end.
FLUSH_S = 0.4
FAREWELL_S = 0.3
GOODBYE_S = 0.2


class MqttBus:
    """A `Bus` on an MQTT broker, to be used within one event loop."""

    def __init__(
        self,
        address: BrokerAddress,
        *,
        will: Outgoing,
        farewell: Outgoing,
        jitter: random.Random,
        timeout_s: float = 10.0,
        backoff_first_s: float = 1.0,
        backoff_longest_s: float = 60.0,
        outbox_size: int = 500,
    ) -> None:
        self._address = address
        self._will = will
        self._farewell = farewell
        self._timeout_s = timeout_s
        self._backoff = Backoff(first_s=backoff_first_s, longest_s=backoff_longest_s, jitter=jitter)
        self._outbox = Outbox(outbox_size)
        self._dropped_told = 0
        self._refused: set[str] = set()
        self.unread = Unread()

    @property
    def dropped(self) -> int:
        """Messages that the outbox has had to let go, in all."""
        return self._outbox.dropped

    def publish(self, message: Outgoing) -> None:
        """Queue a message; never blocks or raises, drops the oldest that is no state when full."""
        self._outbox.put(message)

    async def run(
        self,
        subscriptions: Sequence[str],
        deliver: Callable[[Incoming], None],
        notice: Callable[[BusNotice], None],
    ) -> None:
        """Stay connected until cancelled; then publish the farewell, if connected, within a second.

        An exception of `deliver` or `notice` is a fault of ours: it ends this, and the broker sends the will.
        """
        ends = _Ends(subscriptions=subscriptions, deliver=deliver, notice=notice)
        while True:
            try:
                await self._one_connection(ends)
            except BusError as error:
                await self._say_lost_and_wait(str(error), ends)

    async def _one_connection(self, ends: "_Ends") -> None:
        async with connected(
            self._address,
            timeout_s=self._timeout_s,
            unread=self.unread,
            inbox_size=INBOX_SIZE,
            will=self._will,
        ) as connection:
            try:
                await _first_to_end(_receive(connection, ends), self._transmit(connection, ends))
            except asyncio.CancelledError:
                await self._leave(connection, ends)
                raise

    async def _say_lost_and_wait(self, reason: str, ends: "_Ends") -> None:
        now_s = asyncio.get_running_loop().time()
        if ends.up_since_s is not None and now_s - ends.up_since_s > self._backoff.longest_s:
            self._backoff.reset()
        ends.up_since_s = None
        wait_s = self._backoff.next_s()
        if reason not in ends.said:
            ends.said.add(reason)
            self._say(ends, BusState.LOST, f"{reason}; next try in {wait_s:.1f} s")
        await asyncio.sleep(wait_s)

    async def _transmit(self, connection: Connection, ends: "_Ends") -> None:
        """Subscribe, then tell everything, then whatever comes."""
        for name in await connection.subscribe(ends.subscriptions):
            self._say(ends, BusState.CONNECTED, f"broker refused the subscription to {name}")
        ends.up_since_s = asyncio.get_running_loop().time()
        ends.said.clear()
        self._say(ends, BusState.CONNECTED, f"connected to broker {self._address.where}")
        for _ in range(self._outbox.queue_all_states()):
            await self._send(connection, self._outbox.take_state(), ends)
        while True:
            await self._send(connection, await self._outbox.next(), ends)

    async def _send(self, connection: Connection, message: Outgoing, ends: "_Ends") -> None:
        try:
            why_refused = await connection.publish(message)
        except BaseException:
            self._outbox.give_back(message)
            raise
        self._note_refusal(message.topic, why_refused, ends)

    def _note_refusal(self, topic: str, why: str | None, ends: "_Ends") -> None:
        if why is None:
            self._refused.discard(topic)
        elif topic not in self._refused:
            if len(self._refused) >= MOST_REFUSED_TOPICS:
                self._refused.clear()
            self._refused.add(topic)
            self._say(ends, BusState.CONNECTED, f"broker refused a message on {topic!r}: {why}")

    def _say(self, ends: "_Ends", state: BusState, reason: str) -> None:
        dropped = self._outbox.dropped - self._dropped_told
        self._dropped_told = self._outbox.dropped
        ends.notice(BusNotice(state=state, reason=reason, dropped=dropped))

    async def _leave(self, connection: Connection, ends: "_Ends") -> None:
        """Send what waits, the farewell and a goodbye, each for a short time and whatever came of the last.

        A broker that hangs may find them in its socket when it goes on; else it sends the will.
        """
        last_words: tuple[tuple[Callable[[], Awaitable[object]], float], ...] = (
            (lambda: self._flush(connection, ends), FLUSH_S),
            (lambda: connection.publish(self._farewell), FAREWELL_S),
            (connection.disconnect, GOODBYE_S),
        )
        for say, limit_s in last_words:
            with suppress(TimeoutError, BusError):
                async with asyncio.timeout(limit_s):
                    await say()

    async def _flush(self, connection: Connection, ends: "_Ends") -> None:
        while not self._outbox.is_empty():
            await self._send(connection, self._outbox.take(), ends)


@dataclass(slots=True, kw_only=True)
class _Ends:
    """Both ends of one run, and what was said to the one about the other."""

    subscriptions: Sequence[str]
    deliver: Callable[[Incoming], None]
    notice: Callable[[BusNotice], None]
    said: set[str] = field(default_factory=set)  # reasons, since the connection was last up
    up_since_s: float | None = None


class Backoff:
    """Waits that double from the first to the longest, each shortened by up to half at random."""

    def __init__(self, *, first_s: float, longest_s: float, jitter: random.Random) -> None:
        self.longest_s = longest_s
        self._first_s = first_s
        self._jitter = jitter
        self._bound_s = first_s

    def next_s(self) -> float:
        bound_s = min(self._bound_s, self.longest_s)
        self._bound_s = 2 * bound_s
        return self._jitter.uniform(bound_s / 2, bound_s)

    def reset(self) -> None:
        self._bound_s = self._first_s


async def _receive(connection: Connection, ends: _Ends) -> None:
    while True:
        ends.deliver(await connection.receive())


async def _first_to_end(*work: Coroutine[None, None, None]) -> None:
    """Run these side by side until one ends, stop the rest, and raise what ended it."""
    tasks = [asyncio.ensure_future(part) for part in work]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    for task in done:
        task.result()
