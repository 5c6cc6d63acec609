"""A bus without a broker: what is published is kept to be looked at, and anything can be delivered."""

import asyncio
from collections import deque
from collections.abc import Callable, Sequence

from mistd.ports.bus import BusNotice, BusState, Incoming, Outgoing

MOST_KEPT = 100_000


class MemoryBus:
    """A `Bus` inside the process."""

    def __init__(self) -> None:
        self.published: deque[Outgoing] = deque(maxlen=MOST_KEPT)
        self.states: dict[str, bytes] = {}
        self.subscriptions: Sequence[str] = ()
        self.is_there_at_first = True  # else it is found when a test says so
        self._deliver: Callable[[Incoming], None] | None = None
        self._notice: Callable[[BusNotice], None] = lambda _: None

    def publish(self, message: Outgoing) -> None:
        self.published.append(message)
        if message.is_state:
            self.states[message.topic] = message.payload

    async def run(
        self,
        subscriptions: Sequence[str],
        deliver: Callable[[Incoming], None],
        notice: Callable[[BusNotice], None],
    ) -> None:
        self.subscriptions = subscriptions
        self._deliver = deliver
        self._notice = notice
        if self.is_there_at_first:
            self.find()
        await asyncio.Event().wait()

    def deliver(self, message: Incoming) -> None:
        """Have a message arrive.

        Raises:
            RuntimeError: nobody runs the bus.
        """
        if self._deliver is None:
            raise RuntimeError("the bus is not running")
        self._deliver(message)

    def find(self) -> None:
        """The connection is up."""
        self._notice(BusNotice(state=BusState.CONNECTED, reason="in memory"))

    def lose(self, reason: str = "the broker is gone") -> None:
        """The connection is down, as far as anybody is told; what is published is kept all the same."""
        self._notice(BusNotice(state=BusState.LOST, reason=reason))
