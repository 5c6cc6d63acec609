"""Strangers on the broker: whatever they send, nothing escapes, nothing acts that may not, nothing grows."""

import json
import tracemalloc
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

from mistd.app.inbox import LARGEST_PAYLOAD
from mistd.app.messages import Answer
from mistd.app.topics import LONGEST_CORRELATION
from mistd.ports.bus import Outgoing
from tests.app.inbox_desk import TOPICS, Desk, desk_in

MESSAGES = 20_000
SEED = 20_261_121
PASS_AFTER_MESSAGE = 0.03
MEAN_PASS_S = 2.0
MOST_BYTES = 5_000_000  # held by our own code at the end


@dataclass
class Stranger:
    """Makes messages of every kind, and keeps apart which of them may have been acted on."""

    desk: Desk
    rng: Random
    may_act: set[str] = field(default_factory=set)
    must_not: set[str] = field(default_factory=set)
    seen: list[dict[str, Any]] = field(default_factory=list)
    number: int = 0

    def one(self) -> tuple[str, bytes, dict[str, Any]]:
        """A topic, a payload and what comes with it."""
        self.number += 1
        kinds = (self.fair, self.fair, self.stale, self.spoilt, self.again, self.noise, self.reading)
        return self.rng.choice(kinds)()

    def fair(self) -> tuple[str, bytes, dict[str, Any]]:
        message = self._message(self.rng.uniform(-29.0, 29.0))
        about: dict[str, Any] = self.rng.choice(
            [
                {},
                {"expires_in_s": self.rng.randrange(60)},
                {"response_topic": f"{TOPICS.answer}/{self.rng.randrange(9)}"},
                {"correlation": self.rng.randbytes(self.rng.randrange(200))},
            ]
        )
        return self._sent(message, self.may_act, about)

    def stale(self) -> tuple[str, bytes, dict[str, Any]]:
        later_s = self.rng.choice([-1, 1]) * self.rng.choice([31.0, 3600.0, 3e8, 3e10])
        return self._sent(self._message(later_s), self.must_not, {})

    def spoilt(self) -> tuple[str, bytes, dict[str, Any]]:
        message = self._message(0.0)
        nonsense: list[Any] = [None, 0, -1, True, "", [], {}, float("nan"), float("inf"), 10**400, "x" * 500]
        about: dict[str, Any] = {}
        how = self.rng.randrange(4)
        if how == 0:
            # No author is among these that could be taken for a good one, and no length.
            message[self.rng.choice(["zone", "issued_at"])] = self.rng.choice(nonsense)
        elif how == 1:
            message[self.rng.choice(["for", "x", "ID", "\x1b[2J"])] = self.rng.choice(nonsense)
        elif how == 2:
            about = {"is_retained": True}
        else:
            about = {"response_topic": self.rng.choice(["a/b", "#", TOPICS.status, TOPICS.answer + "\0"])}
        return self._sent(message, self.must_not, about)

    def again(self) -> tuple[str, bytes, dict[str, Any]]:
        """Something that was sent before: acted on once or never."""
        if not self.seen:
            return self.noise()
        message = self.rng.choice(self.seen[-2000:])
        return TOPICS.ask(self._what(message)), json.dumps(message).encode(), {}

    def noise(self) -> tuple[str, bytes, dict[str, Any]]:
        payloads = [
            b"",
            self.rng.randbytes(self.rng.randrange(300)),
            b"[" * self.rng.randrange(5000),
            b'{"id":' * self.rng.randrange(800),
            b'{"id":"%d","zone":"left","for_s":1e999}' % self.number,
            b'{"id":%s}' % (b"9" * self.rng.randrange(1, 5000)),
            rb'{"id":"\ud800","zone":"\udfff"}',
            b"x" * self.rng.choice([LARGEST_PAYLOAD, LARGEST_PAYLOAD + 1, 30_000]),
        ]
        what = self.rng.choice(["burst", "hold", "release", "open", "", "burst/left", "é", "\x01"])
        about = {"is_retained": self.rng.random() < 0.2}
        return TOPICS.ask(what), self.rng.choice(payloads), about

    def reading(self) -> tuple[str, bytes, dict[str, Any]]:
        topic = self.rng.choice(["fern/air", "fern/pressure", "fern/attic", "fern/other", TOPICS.status, "x"])
        payloads = [b"3.1", b"NaN", b"-1e999", b'{"temperature": 1e400}', b'{"temperature":', b"[" * 4000]
        return topic, self.rng.choice([*payloads, self.rng.randbytes(40)]), {}

    def _message(self, later_s: float) -> dict[str, Any]:
        issued_at = self.desk.clock.utc() + timedelta(seconds=later_s)
        message = {"id": f"{self.rng.random()}", "zone": self.rng.choice(["left", "right"])}
        message |= {
            "issued_at": issued_at.isoformat(),
            "author": self.rng.choice(["Ida", "\x1b[2J\n", "é" * 60]),
        }
        return message | self.rng.choice([{}, {"for_s": 5}, {"for_s": 600.5}])

    def _what(self, message: dict[str, Any]) -> str:
        """Holds need a length; the others go by the id, so that a repeat goes to the same topic."""
        return ("hold" if sum(message["id"].encode()) % 2 else "burst") if "for_s" in message else "release"

    def _sent(
        self, message: dict[str, Any], list_of: set[str], about: dict[str, Any]
    ) -> tuple[str, bytes, dict[str, Any]]:
        what = self._what(message)
        list_of.add(message["id"])
        if list_of is self.may_act:
            self.seen.append(message)
        return TOPICS.ask(what), json.dumps(message).encode(), about


def test_20_000_hostile_messages_move_nothing_that_should_not_move(tmp_path: Path) -> None:
    rng = Random(SEED)
    desk = desk_in(tmp_path)
    stranger = Stranger(desk, rng)
    acted: list[str] = []
    to_be_answered = answered = 0

    tracemalloc.start()
    for _ in range(MESSAGES):
        topic, payload, about = stranger.one()
        desk.deliver(topic, payload, **about)
        to_be_answered += TOPICS.asked(topic) is not None and bool(payload)
        if rng.random() < PASS_AFTER_MESSAGE:
            desk.now_s += rng.expovariate(1 / MEAN_PASS_S)
            acted += [request.request_id for request in desk.grant_all()]
            desk.inbox.readings()
            answered += len(checked_answers(desk))
    acted += [request.request_id for request in desk.grant_all()]
    answered += len(checked_answers(desk))
    ours = tracemalloc.take_snapshot().filter_traces([tracemalloc.Filter(True, "*/mistd/app/*")])
    tracemalloc.stop()

    assert not set(acted) & stranger.must_not
    assert set(acted) <= stranger.may_act
    assert len(set(acted)) == len(acted) > MESSAGES / 10
    assert answered + desk.inbox.unanswered == to_be_answered
    assert sum(trace.size for trace in ours.traces) < MOST_BYTES


def checked_answers(desk: Desk) -> list[Outgoing]:
    """The answers since the last look, each of them what an answer has to be and where it may go."""
    answers = [each for each in desk.published if not each.is_clearing]
    desk.published.clear()
    for each in answers:
        answer = Answer.model_validate_json(each.payload)
        assert answer.reason.isprintable()
        assert each.topic == TOPICS.answer or each.topic[:-1] == f"{TOPICS.answer}/"
        assert len(each.correlation or b"") <= LONGEST_CORRELATION
        assert not each.is_state
    return answers
