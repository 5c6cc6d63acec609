"""What is told of alarms: each there is anything to know of under a topic of its own, and all of them in sum.

A topic is emptied when its alarm is at rest. At first those of all that are at rest are emptied, for whoever
ran before us may have left some.
"""

from collections import Counter
from collections.abc import Callable, Iterable

from mistd.app.alarm_asking import is_told
from mistd.app.messages import AlarmsTold, AlarmTold, Message, OutOfServiceTold, ShelfTold
from mistd.app.recording import wall_of
from mistd.app.topics import Topics
from mistd.core.alarms import HEARD, Alarm, Life, Priority
from mistd.core.annunciator import AlarmKey, Board, listed, masked
from mistd.ports.bus import Outgoing
from mistd.ports.clock import Clock


class AlarmsTeller:
    """Tells what has changed on the board since it was last told."""

    def __init__(self, topics: Topics, clock: Clock, publish: Callable[[Outgoing], None]) -> None:
        self._topics = topics
        self._clock = clock
        self._publish = publish
        self._told: dict[AlarmKey, Alarm] = {}
        self._sum: AlarmsTold | None = None

    def tell_at_first(self, board: Board, gone: Iterable[AlarmKey]) -> None:
        """Empty the topic of every alarm at rest, and of those that can no longer be."""
        possible = {
            (row.kind, subject)
            for row in board.rows.values()
            for subject in board.subjects.get(row.about, ())
        }
        for kind, subject in sorted({*possible, *board.alarms, *gone}):
            alarm = board.alarms.get((kind, subject))
            if alarm is None or not is_told(alarm):
                self._empty(kind, subject)

    def tell(self, board: Board, *, is_sounding: bool) -> None:
        """Publish every alarm that is not the same object as when it was last told, and the sum of all."""
        for key, alarm in board.alarms.items():
            was = self._told.get(key)
            if alarm is was:
                continue
            if is_told(alarm):
                self._state(self._topics.alarm(*key), self._alarm(alarm))
            elif was is not None and is_told(was):
                self._empty(*key)
            self._told[key] = alarm
        told = _sum(board, is_sounding=is_sounding)
        if told != self._sum:
            self._state(self._topics.alarms, told)
            self._sum = told

    def _state(self, topic: str, message: Message) -> None:
        self._publish(Outgoing(topic=topic, payload=message.model_dump_json().encode(), is_state=True))

    def _empty(self, kind: str, subject: str) -> None:
        """Take back what is retained; as a state, so that a broker that is away now is told so later."""
        topic = self._topics.alarm(kind, subject)
        self._publish(Outgoing(topic=topic, payload=b"", is_state=True))

    def _alarm(self, alarm: Alarm) -> AlarmTold:
        row, shelf, service = alarm.row, alarm.shelf, alarm.service
        is_raised = alarm.occurrence > 0
        is_seen = is_raised and alarm.acknowledged == alarm.occurrence
        return AlarmTold(
            alarm=name_of(alarm),
            kind=row.kind,
            subject=alarm.subject,
            title=row.title,
            priority=row.priority.value,
            state=alarm.life.value,
            mask=alarm.mask.value if alarm.mask else None,
            occurrence=alarm.occurrence,
            since=wall_of(alarm.raised_s, self._clock) if is_raised else None,
            over_at=wall_of(alarm.over_s, self._clock) if _is_over(alarm) else None,
            reason=alarm.reason,
            figures=dict(alarm.figures),
            is_first=alarm.is_first,
            cause=row.cause,
            consequence=row.consequence,
            what_to_do=list(row.remedy),
            respond_within_s=row.respond_within_s,
            may_wake=row.may_wake,
            acknowledged_by=alarm.acknowledged_by if is_seen else None,
            acknowledged_at=wall_of(alarm.acknowledged_s, self._clock) if is_seen else None,
            is_silenced=alarm.is_silenced,
            shelved=None
            if shelf is None
            else ShelfTold(
                since=wall_of(shelf.since_s, self._clock),
                until=wall_of(shelf.until_s, self._clock),
                by=shelf.author,
                note=shelf.note,
            ),
            out_of_service=None
            if service is None
            else OutOfServiceTold(
                since=wall_of(service.since_s, self._clock), by=service.author, note=service.note
            ),
            raised_unseen=alarm.unseen,
        )


def name_of(alarm: Alarm) -> str:
    """How an alarm is named in requests and topics."""
    return f"{alarm.row.kind}/{alarm.subject}"


def _is_over(alarm: Alarm) -> bool:
    return alarm.life in {Life.RETURNED, Life.LATCHED, Life.LATCHED_UNACKNOWLEDGED}


def _is_unseen(alarm: Alarm) -> bool:
    return alarm.life in HEARD or alarm.life is Life.RETURNED


def _sum(board: Board, *, is_sounding: bool) -> AlarmsTold:
    shown = listed(board)
    counts = Counter(alarm.row.priority for alarm in shown)
    unseen = [alarm for alarm in shown if _is_unseen(alarm)]
    first = min(
        (alarm for alarm in unseen if alarm.is_first and alarm.is_on),
        key=lambda alarm: alarm.raised_s,
        default=None,
    )
    return AlarmsTold(
        high=counts[Priority.HIGH],
        medium=counts[Priority.MEDIUM],
        low=counts[Priority.LOW],
        unacknowledged=len(unseen),
        masked=len(masked(board)),
        is_sounding=is_sounding,
        is_flood=board.flood.is_on,
        first=name_of(first) if first else None,
        topmost=name_of(shown[0]) if shown else None,
        topmost_said=_said(shown[0]) if shown else "",
    )


def _said(alarm: Alarm) -> str:
    return f"{alarm.row.title}, {alarm.subject}: {alarm.reason}"
