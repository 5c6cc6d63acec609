"""Somebody at the broker who asks a house for things and remembers what it says; the client is not ours.

Answers for: requests with an id of their own, their answers, and every message of the house in the order in
which it came, with the instant. Does not know: what an answer should be.
Rule: every wait has a deadline.
"""

import json
import threading
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

WITHIN_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A message of the house."""

    at_s: float
    topic: str  # below the house's own
    says: dict[str, Any]


class Asker:
    """A client connected to the broker while inside the `with` block."""

    def __init__(self, port: int, house_name: str) -> None:
        self._root = f"mistd/{house_name}/"
        self._port = port
        self._changed = threading.Condition()
        self._is_subscribed = False
        self._heard: list[Heard] = []
        self._answers: dict[str, dict[str, Any]] = {}
        self.on_answer: Callable[[dict[str, Any]], None] = lambda _: None
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = self._subscribe
        self._client.on_subscribe = self._be_subscribed
        self._client.on_message = self._hear

    def _subscribe(self, *_: Any) -> None:
        self._client.subscribe(self._root + "#", qos=1)

    def _be_subscribed(self, *_: Any) -> None:
        with self._changed:
            self._is_subscribed = True
            self._changed.notify_all()

    def _hear(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        topic = message.topic.removeprefix(self._root)
        if topic.startswith("ask/"):
            return
        says = json.loads(message.payload or b"{}")  # a retained message that is cleared is empty
        heard = Heard(at_s=time.monotonic(), topic=topic, says=says)
        if topic == "answer":
            self.on_answer(heard.says)
        with self._changed:
            self._heard.append(heard)
            if topic == "answer":
                self._answers[heard.says["id"]] = heard.says
            self._changed.notify_all()

    def __enter__(self) -> Self:
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        with self._changed:
            assert self._changed.wait_for(lambda: self._is_subscribed, WITHIN_S), "not subscribed"
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def ask(self, what: str, **request: Any) -> str:
        """Send a request, issued now; its id."""
        request_id = uuid.uuid4().hex
        message = {"id": request_id, "issued_at": datetime.now(UTC).isoformat(), **request}
        self._client.publish(f"{self._root}ask/{what}", json.dumps(message), qos=1)
        return request_id

    def answered(self, request_id: str) -> dict[str, Any] | None:
        """The answer so far."""
        with self._changed:
            return self._answers.get(request_id)

    def answer(self, request_id: str, within_s: float = WITHIN_S) -> dict[str, Any]:
        """Wait for an answer."""
        with self._changed:
            self._changed.wait_for(lambda: request_id in self._answers, within_s)
            assert request_id in self._answers, f"no answer within {within_s} s"
            return self._answers[request_id]

    def mark(self) -> int:
        """A place in what was heard, for `first` to begin at."""
        with self._changed:
            return len(self._heard)

    def first(
        self, is_wanted: Callable[[Heard], bool], since: int = 0, within_s: float = WITHIN_S
    ) -> tuple[int, Heard]:
        """Wait for a message that is wanted, after a mark; and the mark behind it."""

        def found() -> tuple[int, Heard] | None:
            heard = enumerate(self._heard[since:], since + 1)
            return next(((place, each) for place, each in heard if is_wanted(each)), None)

        with self._changed:
            self._changed.wait_for(found, within_s)
            result = found()
            assert result is not None, f"not within {within_s} s; heard since: {self._heard[since:][-20:]}"
            return result

    def event(self, kind: str, since: int = 0) -> dict[str, Any]:
        """Wait for an event of this kind."""
        _, heard = self.first(lambda each: each.topic == "event" and each.says["event"] == kind, since)
        return heard.says
