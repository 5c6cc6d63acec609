"""A bus at work in a test: what it delivered and noticed, and waiting for either.

Answers for: short timeouts, a clean end, and that no task and no file descriptor is left behind.
Does not know any broker. Rule: every wait has a deadline and says what it waited for.
"""

import asyncio
import random
import socket
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from mistd.adapters.mqtt.bus import MqttBus
from mistd.adapters.mqtt.connection import BrokerAddress
from mistd.ports.bus import BusNotice, BusState, Incoming, Outgoing
from tests.broker import Mosquitto
from tests.mosquitto_clients import Subscriber

STATUS = "house/status"
WILL = Outgoing(topic=STATUS, payload=b'{"status":"lost"}', is_state=True)
FAREWELL = Outgoing(topic=STATUS, payload=b'{"status":"stopped"}', is_state=True)
ONLINE = Outgoing(topic=STATUS, payload=b'{"status":"online"}', is_state=True)
COMMANDS = "house/set/#"
WITHIN_S = 10.0
LOOK_EVERY_S = 0.005
LATEST_TURN_S = 0.25  # a coroutine that waits longer for its turn was held up; generous for a busy machine

both_protocols = pytest.mark.parametrize("protocol", ["5", "3.1.1"])


class RecordingJitter(random.Random):
    """Records the longest wait allowed before each further try."""

    def __init__(self) -> None:
        super().__init__(1)
        self.bounds_s: list[float] = []

    def uniform(self, a: float, b: float) -> float:
        self.bounds_s.append(b)
        return super().uniform(a, b)

    async def tried(self, times: int) -> None:
        await until(lambda: len(self.bounds_s) >= times, f"{times} tries", lambda: self.bounds_s)


def address(port: int, protocol: str = "5", **settings: Any) -> BrokerAddress:
    fixed: dict[str, Any] = {"client_id": "mistd-under-test", "keepalive_s": 2, "host": "127.0.0.1"}
    return BrokerAddress(port=port, protocol=protocol, **(fixed | settings))  # type: ignore[arg-type]


def bus_at(where: BrokerAddress, jitter: random.Random | None = None, **settings: Any) -> MqttBus:
    quick = {"timeout_s": 1.0, "backoff_first_s": 0.05, "backoff_longest_s": 0.2}
    return MqttBus(
        where, will=WILL, farewell=FAREWELL, jitter=jitter or random.Random(1), **(quick | settings)
    )


@dataclass(slots=True)
class RunningBus:
    """A bus whose `run` is under way, with its records."""

    bus: MqttBus
    delivered: list[Incoming] = field(default_factory=list)
    notices: list[BusNotice] = field(default_factory=list)
    task: "asyncio.Task[None] | None" = None

    def start(self) -> None:
        work = self.bus.run([COMMANDS], self.delivered.append, self.notices.append)
        self.task = asyncio.create_task(work)

    async def stop(self) -> float:
        """Cancel it; returns how many seconds it took to end."""
        assert self.task is not None
        began_s = time.monotonic()
        self.task.cancel()
        await asyncio.wait({self.task})
        took_s = time.monotonic() - began_s
        if not self.task.cancelled():
            self.task.result()  # raises what ended it, if it was not our cancellation
            raise AssertionError("run returned without having been cancelled")
        return took_s

    def reasons(self, state: BusState) -> list[str]:
        return [notice.reason for notice in self.notices if notice.state is state]

    async def connected(self, times: int = 1) -> None:
        def count() -> int:
            return sum(reason.startswith("connected") for reason in self.reasons(BusState.CONNECTED))

        await until(lambda: count() >= times, f"{times} connections", lambda: self.notices)

    async def noticed(self, words: str, within_s: float = WITHIN_S) -> BusNotice:
        def those() -> list[BusNotice]:
            return [notice for notice in self.notices if words in notice.reason]

        await until(lambda: bool(those()), f"notice of {words!r}", lambda: self.notices, within_s)
        return those()[0]


@asynccontextmanager
async def running(where: BrokerAddress, **settings: Any) -> AsyncIterator[RunningBus]:
    """Run a bus, and afterwards check that nothing of it is left."""
    tasks = asyncio.all_tasks()
    descriptors = open_descriptors()
    bus = RunningBus(bus_at(where, **settings))
    bus.start()
    try:
        yield bus
    finally:
        assert bus.task is not None
        bus.task.cancel()
        await asyncio.wait({bus.task})
    assert asyncio.all_tasks() == tasks
    # A thread that was reading certificates or asking for a name is let finish.
    await until(lambda: open_descriptors() == descriptors, f"return to {descriptors} file descriptors")


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def until(
    condition: Callable[[], bool],
    what: str,
    evidence: Callable[[], object] = lambda: "",
    within_s: float = WITHIN_S,
) -> None:
    """Wait for a condition; the failure says for which, and shows the evidence."""
    deadline_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline_s, f"no {what} within {within_s} s: {evidence()}"
        await asyncio.sleep(LOOK_EVERY_S)


def zone(number: int, payload: bytes = b'{"film_um":40}') -> Outgoing:
    return Outgoing(topic=f"house/zone/{number}", payload=payload, is_state=True)


def event(number: int) -> Outgoing:
    return Outgoing(topic="house/events", payload=b'{"n":%d}' % number)


async def retained_becomes(broker: Mosquitto, topic: str, payload: bytes) -> None:
    """Wait until the broker keeps this payload (mosquitto_sub sees later changes, too)."""

    def wait() -> None:
        with Subscriber(broker.port, topic) as subscriber:
            subscriber.wait_for(lambda seen: seen.payload == payload.decode())

    await asyncio.to_thread(wait)


@contextmanager
def silent_port() -> Iterator[int]:
    """A port whose connections are taken by the kernel and never answered."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]
