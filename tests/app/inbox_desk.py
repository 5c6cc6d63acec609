"""An inbox at work in a test: what arrives, what is passed on, what is answered.

Answers for: a clock that the test moves, and answers given as a control pass would.
Does not know which messages are good. Rule: every answer is checked against its model when it is read.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from mistd.app.config_file import load_config
from mistd.app.demand_plan import Benches
from mistd.app.house_plan import house_plan
from mistd.app.inbox import Inbox
from mistd.app.messages import Answer
from mistd.app.sensor_topics import sensor_topics
from mistd.app.topics import Topics
from mistd.core.actions import Outcome
from mistd.core.requests import Request
from mistd.ports.bus import Incoming, Outgoing
from simulators.bench_clock import LoopClock
from tests.app.house_files import changed, set_to, written

TOPICS = Topics(house_name="fern-house")
NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)


@dataclass
class Desk:
    """An inbox on a clock that the test moves; what it published; answers as they would be given."""

    inbox: Inbox
    clock: LoopClock
    published: list[Outgoing] = field(default_factory=list)
    given: dict[str, bytes] = field(default_factory=dict)  # as a store keeps them
    now_s: float = 100.0

    def ask(self, what: str, message: dict[str, Any], **about: Any) -> None:
        self.deliver(TOPICS.ask(what), json.dumps(message).encode(), **about)

    def deliver(self, topic: str, payload: bytes, **about: Any) -> None:
        self.inbox.deliver(Incoming(topic=topic, payload=payload, **about))

    def message(self, request_id: str, **content: Any) -> dict[str, Any]:
        return {"id": request_id, "zone": "left", "issued_at": self.clock.utc().isoformat(), **content}

    def grant_all(self) -> list[Request]:
        """Take the requests, as a control pass does, and answer each as done."""
        requests = list(self.inbox.requests())
        for request in requests:
            self.answer(request.request_id)
        return requests

    def answer(self, request_id: str) -> None:
        payload = self.inbox.answer_payload(request_id, Outcome.DONE, "as asked", {})
        self.inbox.answer(request_id, payload)
        self.given[request_id] = payload

    def answers(self) -> list[Answer]:
        return [Answer.model_validate_json(each.payload) for each in self.published if not each.is_clearing]

    def only_answer(self) -> Answer:
        (answer,) = self.answers()
        return answer


def desk_in(directory: Path, *, answered: Mapping[str, bytes] | None = None, up_s: float = 90.0) -> Desk:
    """A desk for the small house, with one sensor more in another unit.

    Args:
        directory: for the house's file.
        answered: what was answered before this start.
        up_s: for how long the inbox has been there.
    """
    fahrenheit = {"name": "attic", "kind": "air_temperature", "topic": "fern/attic", "unit": "f"}
    tables = changed(set_to("sensors.2.unit", "kpa"))
    tables["sensors"].append(fahrenheit)
    config = load_config(written(directory, tables))
    published: list[Outgoing] = []
    clock = LoopClock(starts_at=NOON)
    clock.loop_time = lambda: Desk.now_s - up_s
    inbox = Inbox(
        house_plan(config), TOPICS, sensor_topics(config), Benches(config), clock, published.append, answered
    )
    desk = Desk(inbox=inbox, clock=clock, published=published)
    clock.loop_time = lambda: desk.now_s
    return desk
