"""What waits to be published.

Answers for: the newest state of each topic, kept for every new connection; a bounded line of everything
else, from which the oldest is dropped and counted. Does not know: connections, time, protocols.

Rule: no message, however often it fails, keeps another one from being sent.
"""

import asyncio
from collections import deque

from mistd.ports.bus import Outgoing

MOST_TRIES = 3  # of a message that is no state: a broker may hang up on the very same message for ever


class Outbox:
    """One message is taken at a time, and then either forgotten or given back."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._states: dict[str, Outgoing] = {}  # all there is to tell a new broker
        self._waiting: dict[str, None] = {}  # topics of states to send, in order
        self._others: deque[Outgoing] = deque()
        self._is_states_turn = False
        self._given_back: Outgoing | None = None
        self._tries = 0
        self._filled = asyncio.Event()
        self.dropped = 0

    def put(self, message: Outgoing) -> None:
        """Add a message; a state replaces what waits for its topic, any other may push out the oldest."""
        if message.is_state:
            self._states[message.topic] = message
            self._waiting[message.topic] = None
        else:
            if len(self._others) >= self._size:
                self._others.popleft()
                self.dropped += 1
            self._others.append(message)
        self._filled.set()

    def queue_all_states(self) -> int:
        """Let every state wait again, as for a new connection; returns how many there are."""
        self._waiting = dict.fromkeys(self._states)
        if self._waiting:
            self._filled.set()
        return len(self._waiting)

    def take_state(self) -> Outgoing:
        """The state that has waited longest; there must be one."""
        topic = next(iter(self._waiting))
        del self._waiting[topic]
        return self._states[topic]

    def is_empty(self) -> bool:
        return not self._waiting and not self._others

    def take(self) -> Outgoing:
        """States and others by turns, so that neither holds up the other; one must be there."""
        self._is_states_turn = not self._is_states_turn
        if self._waiting and (self._is_states_turn or not self._others):
            return self.take_state()
        return self._others.popleft()

    async def next(self) -> Outgoing:
        """Wait for a message and take it."""
        while self.is_empty():
            self._filled.clear()
            await self._filled.wait()
        return self.take()

    def give_back(self, message: Outgoing) -> None:
        """The connection ended over this message: a state goes last, another is tried `MOST_TRIES` times."""
        if message.is_state:
            self._states[message.topic] = self._states.pop(message.topic)
            self._waiting.setdefault(message.topic)
            return
        self._tries = self._tries + 1 if message is self._given_back else 1
        self._given_back = message
        if self._tries >= MOST_TRIES or len(self._others) >= self._size:
            self.dropped += 1
        else:
            self._others.appendleft(message)
