"""What arrives from outside, sorted: requests to be decided, readings, and what is refused at the door.

Rule 1: nothing in here raises for what a message says, and nothing grows without bound.
Rule 2: no retained, expired or repeated request gets through. The same id gets the same answer, also after a
restart; it is forgotten when thousands of others have been answered since, and never within a minute.
Rule 3: a retained reading is of unknown age and is not used.
"""

import json
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import inf
from typing import Any

from pydantic import ValidationError

from mistd.app.core_requests import UnfitValueError, core_request
from mistd.app.demand_plan import Benches
from mistd.app.messages import REQUESTS, AlarmAsked, Answer, Asked, BurstAsked, ZoneAsked
from mistd.app.problems import problems_of
from mistd.app.topics import LONGEST_CORRELATION, Topics
from mistd.core.actions import Outcome
from mistd.core.plan import HousePlan
from mistd.core.readings import Reading, SensorKind, reading_of
from mistd.core.requests import Request
from mistd.core.units import SENSOR_UNITS
from mistd.ports.bus import Incoming, Outgoing
from mistd.ports.clock import Clock

REQUEST_GOOD_S = 30.0  # an older request is refused, and one that could not begin by then is too late
STAMPED_TO_S = 1.0  # how finely people's machines may stamp a request
MOST_REQUESTS = 100  # between two control passes
MOST_REFUSED = 20  # broken or surplus messages that are answered between two control passes
MOST_REPLIES = 8  # to a request that is repeated while it is decided
ANSWERS_REMEMBERED = 5000  # 3 MB; more requests than this in REMEMBERED_S are refused
REMEMBERED_S = 2 * REQUEST_GOOD_S + 1.0  # at least: one issued ahead of our clock is good for as long as this
LARGEST_PAYLOAD = 4096  # bytes; the longest of ours is below 700


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorTopic:
    """Where a sensor's readings come from, and in which unit."""

    name: str
    kind: SensorKind
    field: str | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplyTo:
    """Where an answer goes."""

    topic: str
    correlation: bytes | None


class Inbox:
    """Messages in, requests and readings out; answers find their way back through it."""

    def __init__(
        self,
        plan: HousePlan,
        topics: Topics,
        sensors: Mapping[str, tuple[SensorTopic, ...]],
        benches: Benches,
        clock: Clock,
        publish: Callable[[Outgoing], None],
        answered: Mapping[str, bytes] | None = None,
    ) -> None:
        """Know what may arrive.

        Args:
            plan: which zones there are.
            topics: the topics of the house.
            sensors: by topic, the sensors that read it.
            benches: what settings come to on them.
            clock: for the age of requests and the instant of readings.
            publish: where answers go; must not block.
            answered: requests that were answered before this start, oldest first, and how.
        """
        self.wake: Callable[[], None] = lambda: None
        self.wake_desk: Callable[[], None] = lambda: None  # for what people ask about alarms
        self.unanswered = 0  # broken or surplus messages that were only counted
        self._plan = plan
        self._topics = topics
        self._sensors = sensors
        self._benches = benches
        self._clock = clock
        self._publish = publish
        self._began_s = clock.now_s()
        self._requests: list[Request] = []
        self._alarm_requests: list[AlarmAsked] = []
        self._readings: dict[str, Reading] = {}
        self._refused = 0
        self._waiting: OrderedDict[str, list[ReplyTo]] = OrderedDict()
        self._answers: OrderedDict[str, tuple[bytes, float]] = OrderedDict(
            (request_id, (answer, clock.now_s())) for request_id, answer in (answered or {}).items()
        )  # and when each was given or, after a start, read

    def subscriptions(self) -> list[str]:
        """Every topic filter that matters."""
        return [self._topics.ask("+"), *self._sensors]

    def deliver(self, incoming: Incoming) -> None:
        """Take one message, whatever it is."""
        asked = self._topics.asked(incoming.topic)
        if asked is not None:
            self._take_request(asked, incoming)
        else:
            self._take_readings(incoming)
        self.wake()

    def requests(self) -> tuple[Request, ...]:
        """The requests since the last call."""
        requests, self._requests = tuple(self._requests), []
        self._refused = 0
        return requests

    def alarm_requests(self) -> tuple[AlarmAsked, ...]:
        """What people asked about alarms since the last call."""
        requests, self._alarm_requests = tuple(self._alarm_requests), []
        return requests

    def readings(self) -> tuple[tuple[str, Reading], ...]:
        """The newest reading of every sensor that was heard since the last call."""
        readings, self._readings = tuple(self._readings.items()), {}
        return readings

    def answer(self, request_id: str, payload: bytes) -> None:
        """Answer a request, and remember the answer for whoever repeats it."""
        self._answers[request_id] = payload, self._clock.now_s()
        self._answers.move_to_end(request_id)
        for reply_to in self._waiting.pop(request_id, []):
            self._send(reply_to, payload)

    def _take_request(self, asked: str, incoming: Incoming) -> None:
        if not incoming.payload:
            return  # a retained request being cleared, by us or by someone else
        reply_to = self._reply_to(incoming)
        message = self._understood(asked, incoming, reply_to)
        if message is None:
            return
        known = self._answers.get(message.id)
        if known is not None:
            self._send(reply_to, known[0])
        elif message.id in self._waiting:
            self._reply_as_well(self._waiting[message.id], reply_to)
        else:
            self._admit(message, incoming, reply_to)

    def _reply_as_well(self, waiting: list[ReplyTo], reply_to: ReplyTo) -> None:
        if len(waiting) < MOST_REPLIES:
            waiting.append(reply_to)
        else:
            self.unanswered += 1

    def _understood(self, asked: str, incoming: Incoming, reply_to: ReplyTo) -> Asked | None:
        """The request as a model; None when it was refused here."""
        model = REQUESTS.get(asked)
        if incoming.is_retained:
            self._publish(Outgoing(topic=incoming.topic, payload=b"", is_state=False, is_clearing=True))
            reason = "a retained request is never acted on; publish it without the retain flag"
        elif model is None:
            reason = f"nobody can ask for {asked[:40]!r}; known: {', '.join(REQUESTS)}"
        elif len(incoming.payload) > LARGEST_PAYLOAD:
            reason = f"{len(incoming.payload)} bytes are too many, at most {LARGEST_PAYLOAD}"
        else:
            try:
                return model.model_validate_json(incoming.payload)
            except ValidationError as error:
                problems = problems_of(error, model, "")[:5]
                reason = "; ".join(str(problem) for problem in problems)
        self._refuse(_id_in(incoming.payload), reason, reply_to)
        return None

    def _admit(self, message: Asked, incoming: Incoming, reply_to: ReplyTo) -> None:
        reason = self._why_not(message, incoming) or self._why_too_many(message)
        if reason:
            self._refuse(message.id, reason, reply_to)
            return
        if isinstance(message, AlarmAsked):
            self._alarm_requests.append(message)
            self.wake_desk()
        else:
            try:
                self._requests.append(core_request(message, self._good_until_s(incoming), self._benches))
            except UnfitValueError as problem:
                self._refuse(message.id, str(problem), reply_to)
                return
        self._waiting[message.id] = [reply_to]

    def _why_not(self, message: Asked, incoming: Incoming) -> str | None:
        if isinstance(message, ZoneAsked) and message.zone not in self._plan.index:
            return f"there is no zone {message.zone!r}; zones: {', '.join(self._plan.index)}"
        if incoming.response_topic and not self._topics.may_answer_on(incoming.response_topic):
            return f"answers go to {self._topics.answer} or below it, not to another topic"
        age_s = self._clock.age_s(message.issued_at)
        if age_s is not None and abs(age_s) > REQUEST_GOOD_S:
            when = f"{age_s:.0f} s ago" if age_s > 0 else f"{-age_s:.0f} s ahead of this clock"
            return f"issued {when}, limit {REQUEST_GOOD_S:.0f} s: ask again, and check both clocks"
        here_s = self._clock.now_s() - self._began_s
        if age_s is not None and age_s > here_s + STAMPED_TO_S and isinstance(message, BurstAsked):
            return "issued before this start, so it may have been given: look at the zone, then ask again"
        return None

    def _why_too_many(self, message: Asked) -> str | None:
        """Nothing is forgotten while it could be repeated: what cannot be remembered is refused."""
        waiting = len(self._alarm_requests if isinstance(message, AlarmAsked) else self._requests)
        if waiting >= MOST_REQUESTS:  # counted apart: a desk that fails leaves room for what moves water
            return "too many requests at once; ask again in a second"
        while len(self._answers) + len(self._waiting) >= ANSWERS_REMEMBERED:
            oldest_s = next(iter(self._answers.values()))[1] if self._answers else inf
            if self._clock.now_s() - oldest_s < REMEMBERED_S:
                return "too many requests in a minute; ask again in another"
            self._answers.popitem(last=False)
        return None

    def _good_until_s(self, incoming: Incoming) -> float:
        expires_s = REQUEST_GOOD_S if incoming.expires_in_s is None else incoming.expires_in_s
        return self._clock.now_s() + min(expires_s, REQUEST_GOOD_S)

    def _refuse(self, request_id: str | None, reason: str, reply_to: ReplyTo) -> None:
        """Refuse without remembering: nothing was changed, and asked again it is looked at again."""
        self._refused += 1
        if self._refused > MOST_REFUSED:
            self.unanswered += 1
            return
        self._send(reply_to, self.answer_payload(request_id, Outcome.REFUSED, reason, {}))

    def _reply_to(self, incoming: Incoming) -> ReplyTo:
        correlation = incoming.correlation
        if correlation and len(correlation) > LONGEST_CORRELATION:
            correlation = None
        if incoming.response_topic and self._topics.may_answer_on(incoming.response_topic):
            return ReplyTo(topic=incoming.response_topic, correlation=correlation)
        return ReplyTo(topic=self._topics.answer, correlation=correlation)

    def answer_payload(
        self, request_id: str | None, outcome: Outcome, reason: str, figures: Mapping[str, float | str]
    ) -> bytes:
        answer = Answer(
            id=request_id,
            outcome=outcome.value,
            reason=reason,
            figures=dict(figures),
            answered_at=self._clock.utc(),
        )
        return answer.model_dump_json().encode()

    def _send(self, reply_to: ReplyTo, payload: bytes) -> None:
        self._publish(Outgoing(topic=reply_to.topic, payload=payload, correlation=reply_to.correlation))

    def _take_readings(self, incoming: Incoming) -> None:
        if incoming.is_retained or len(incoming.payload) > LARGEST_PAYLOAD:
            return
        now_s = self._clock.now_s()
        for sensor in self._sensors.get(incoming.topic, ()):
            value = _value_in(incoming.payload, sensor)
            if value is not None:
                self._readings[sensor.name] = reading_of(sensor.kind, value, now_s)


def _id_in(payload: bytes) -> str | None:
    """The id of a message that is otherwise refused, so that its sender can tell which it was."""
    plain = _plain(payload[:LARGEST_PAYLOAD])
    request_id = plain.get("id") if isinstance(plain, dict) else None
    if not isinstance(request_id, str) or any("\ud800" <= sign <= "\udfff" for sign in request_id):
        return None  # half a sign, which JSON can spell and UTF-8 cannot
    return request_id[:64]


def _value_in(payload: bytes, sensor: SensorTopic) -> float | None:
    """The number that a message holds for a sensor; NaN when it should hold one and does not."""
    plain = _plain(payload)
    if sensor.field is not None:
        if not isinstance(plain, dict):
            return float("nan")
        if sensor.field not in plain:
            return None  # another sensor's message on the same topic
        plain = plain[sensor.field]
    if isinstance(plain, bool) or not isinstance(plain, int | float):
        return float("nan")
    try:
        return SENSOR_UNITS[sensor.kind][sensor.unit](float(plain))
    except OverflowError:
        return float("nan")


def _plain(payload: bytes) -> Any:
    try:
        return json.loads(payload)
    except (ValueError, RecursionError):
        return None
