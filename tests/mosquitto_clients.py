"""The programs mosquitto_pub and mosquitto_sub: what somebody else's client sees and does.

Answers for: running them with either protocol, and waiting for what they print.
Does not know what the messages mean. Rule: nothing of mistd is used to judge mistd's traffic.
"""

import json
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import IO, Any, Self

from tests.broker import program

VERSION_OPTION = {"5": "5", "3.1.1": "311"}
WITHIN_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A message as mosquitto_sub printed it."""

    topic: str
    payload: str
    is_retained: bool
    qos: int
    properties: Mapping[str, Any]  # MQTT 5's, by mosquitto's names


def _where(port: int, protocol: str, options: Sequence[str]) -> list[str]:
    return ["-h", "127.0.0.1", "-p", str(port), "-V", VERSION_OPTION[protocol], *options]


def publish(
    port: int,
    topic: str,
    payload: str,
    *,
    protocol: str = "5",
    is_retained: bool = False,
    properties: Mapping[str, str] | None = None,
    options: Sequence[str] = (),
) -> None:
    """Publish with QoS 1 and wait for the broker's acknowledgement."""
    command = [
        program("mosquitto_pub"),
        *_where(port, protocol, options),
        "-q",
        "1",
        "-t",
        topic,
        "-m",
        payload,
    ]
    command += ["-r"] if is_retained else []
    for name, value in (properties or {}).items():
        command += ["-D", "PUBLISH", name, value]
    subprocess.run(command, check=True, capture_output=True, timeout=WITHIN_S)


class Subscriber:
    """mosquitto_sub in the background; inside the `with` block the broker has confirmed the subscription."""

    def __init__(self, port: int, topic: str, *, protocol: str = "5", options: Sequence[str] = ()) -> None:
        where = _where(port, protocol, options)
        by_line = [program("stdbuf"), "-oL"]  # into a pipe it would keep what it saw to itself for long
        self._command = [*by_line, program("mosquitto_sub"), *where, "-q", "1", "-t", topic, "-F", "%j", "-d"]
        self._changed = threading.Condition()
        self._is_subscribed = False
        self._is_over = False
        self.seen: list[Seen] = []

    def wait_for(self, is_wanted: Callable[[Seen], bool], within_s: float = WITHIN_S) -> Seen:
        """The first message so far, or to come, that is wanted."""
        with self._changed:
            self._changed.wait_for(lambda: any(map(is_wanted, self.seen)) or self._is_over, within_s)
            for message in self.seen:
                if is_wanted(message):
                    return message
        raise AssertionError(f"not seen within {within_s} s; seen: {self.seen}")

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(self._command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        assert self._process.stdout is not None
        self._reader = threading.Thread(target=self._read, args=(self._process.stdout,))
        self._reader.start()
        with self._changed:
            self._changed.wait_for(lambda: self._is_subscribed or self._is_over, WITHIN_S)
        if not self._is_subscribed:
            self.__exit__(None, None, None)
            raise AssertionError("mosquitto_sub could not subscribe")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.kill()
        self._process.wait()
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()

    def _read(self, output: IO[bytes]) -> None:
        for line in output:
            with self._changed:
                self._take(line)
                self._changed.notify_all()
        with self._changed:
            self._is_over = True
            self._changed.notify_all()

    def _take(self, line: bytes) -> None:
        if line.startswith(b"Subscribed"):
            self._is_subscribed = True
        if not line.startswith(b"{"):
            return  # one of its own remarks
        said = json.loads(line)
        self.seen.append(
            Seen(
                topic=said["topic"],
                payload=said.get("payload", ""),
                is_retained=bool(said["retain"]),
                qos=said["qos"],
                properties=said.get("properties", {}),
            )
        )


def retained(port: int, topic: str, *, protocol: str = "5", options: Sequence[str] = ()) -> Seen:
    """What the broker keeps on a topic; fails when it keeps nothing."""
    with Subscriber(port, topic, protocol=protocol, options=options) as subscriber:
        return subscriber.wait_for(lambda message: message.is_retained)
