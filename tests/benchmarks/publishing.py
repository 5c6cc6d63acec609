"""A client in a process of its own that publishes at a daemon, at a steady rate.

    python -m tests.benchmarks.publishing readings|everything PORT A_SECOND SENSORS

`readings`: each sensor in turn sends a good value. `everything`: half readings, half requests of every kind
that moves no water: broken, for an unknown zone, stale, and well-formed releases of zones that nobody holds,
which go through the whole decision. QoS 0, so that nothing slows the client down. Ends at SIGTERM with a line
of JSON: how many were sent, in how many seconds, and how late the worst of them was.
"""

import json
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from itertools import count
from subprocess import PIPE, Popen

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from mistd.app.topics import Topics
from tests.benchmarks.houses import HOUSE, SENSOR_KINDS, sensor_topic

TOPICS = Topics(house_name=HOUSE)
ENDS_WITHIN_S = 15.0
BATCHES_A_SECOND = 100


@dataclass(slots=True)
class Published:
    """What a client has sent; filled when it has ended."""

    sent: int = 0
    for_s: float = 0.0
    latest_s: float = 0.0  # how far it fell behind its own timetable at worst

    @property
    def a_second(self) -> float:
        return self.sent / self.for_s


@contextmanager
def running(what: str, port: int, a_second: float, sensors: int) -> Iterator[Published]:
    """A client at work; read when it has ended."""
    published = Published()
    command = [sys.executable, "-m", __name__, what, str(port), str(a_second), str(sensors)]
    child = Popen(command, stdout=PIPE)
    try:
        yield published
    finally:
        child.terminate()
        said, _ = child.communicate(timeout=ENDS_WITHIN_S)
        for name, value in json.loads(said).items():
            setattr(published, name, value)


def readings(sensors: int) -> Iterator[tuple[str, bytes]]:
    """Values that change a little each time."""
    values = list(SENSOR_KINDS.values())
    for number in count():
        sensor = number % sensors
        value = values[sensor % len(values)] * (1.0 + 0.001 * (number // sensors % 10))
        yield sensor_topic(sensor), json.dumps({"value": round(value, 3)}).encode()


def requests() -> Iterator[tuple[str, bytes]]:
    """Every kind in turn; each id is new."""
    for number in count():
        yield TOPICS.ask("burst"), b'{"id": "broken'
        yield TOPICS.ask("burst"), _request(number, "nowhere", age_s=0.0)
        yield TOPICS.ask("burst"), _request(number, "z0", age_s=600.0)
        yield TOPICS.ask("release"), _request(number, "z0", age_s=0.0)


def _request(number: int, zone: str, *, age_s: float) -> bytes:
    issued_at = datetime.now(UTC) - timedelta(seconds=age_s)
    content = {"id": f"flood-{number}-{age_s:g}-{zone}", "zone": zone, "issued_at": issued_at.isoformat()}
    return json.dumps(content).encode()


def everything(sensors: int) -> Iterator[tuple[str, bytes]]:
    for reading, request in zip(readings(sensors), requests(), strict=True):
        yield reading
        yield request


def publish(client: paho.Client, messages: Iterator[tuple[str, bytes]], a_second: float) -> Published:
    """Send in small batches on a grid until told to stop; what was missed is made up for at once."""
    is_over = False

    def end(*_: object) -> None:
        nonlocal is_over
        is_over = True

    signal.signal(signal.SIGTERM, end)
    published, begun_s = Published(), time.monotonic()
    every_s = max(1.0 / a_second, 1.0 / BATCHES_A_SECOND)
    while not is_over:
        due = int((time.monotonic() - begun_s) * a_second)
        published.latest_s = max(published.latest_s, (due - published.sent) / a_second - every_s)
        while published.sent < due:
            client.publish(*next(messages))
            published.sent += 1
        time.sleep(every_s)
    published.for_s = time.monotonic() - begun_s
    return published


def main() -> None:
    what, port, a_second, sensors = sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    messages = readings(sensors) if what == "readings" else everything(sensors)
    published = publish(client, messages, a_second)
    client.disconnect()
    client.loop_stop()
    print(json.dumps(asdict(published)))


if __name__ == "__main__":
    main()
