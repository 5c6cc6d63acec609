"""Messages to and from people and programs outside: the broker, as the program sees it.

The bus is never waited for by the control loop. `publish` only puts into a bounded outbox; what was
published as state is remembered per topic and sent again on each connection.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """A message to publish."""

    topic: str
    payload: bytes
    is_state: bool = False  # retained, and remembered by us: the newest for a topic replaces older ones; an
    # empty one leaves nothing retained there, on a broker that comes back later, too
    is_clearing: bool = False  # empty and retained: the broker forgets the topic's message, nor do we keep it
    correlation: bytes | None = None  # MQTT 5 only, returned unchanged from the request


@dataclass(frozen=True, slots=True, kw_only=True)
class Incoming:
    """A message that arrived on a topic we subscribe to."""

    topic: str
    payload: bytes
    is_retained: bool = False  # replayed from the broker's store or published with the retain flag set
    response_topic: str | None = None
    correlation: bytes | None = None
    expires_in_s: int | None = None  # what is left of the MQTT 5 expiry, None when the message has none


class BusState(StrEnum):
    """What is known of the connection."""

    CONNECTED = "connected"
    LOST = "lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class BusNotice:
    """The connection changed, or the broker refused something, with the reason in words."""

    state: BusState
    reason: str
    dropped: int = 0  # messages that the bounded outbox has had to let go since the last notice


class Bus(Protocol):
    """A connection that keeps itself up."""

    def publish(self, message: Outgoing) -> None:
        """Queue a message; never blocks, never raises for a lost connection, drops the oldest when full."""
        ...

    async def run(
        self,
        subscriptions: Sequence[str],
        deliver: Callable[[Incoming], None],
        notice: Callable[[BusNotice], None],
    ) -> None:
        """Connect, stay connected, deliver what arrives; returns only when cancelled.

        On cancellation the farewell of the bus is published, within a second, before the connection ends.
        """
        ...
