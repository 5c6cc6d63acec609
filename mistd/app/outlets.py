"""Where a decision goes besides the valves: the log, the bus, the disk, and back to whoever asked.

Rule: nothing in here waits. An answer that has to be kept first is sent by a task of its own.
"""

import asyncio
from collections.abc import Mapping
from typing import Any, Protocol

from mistd.app.alarm_desk import AlarmDesk
from mistd.app.inbox import Inbox
from mistd.app.recording import RollUp, entry_of, kept_revision
from mistd.app.saving import Saver
from mistd.app.telling import Teller
from mistd.core.actions import AnswerRequest, Outcome
from mistd.core.events import Event, EventKind
from mistd.core.house import House
from mistd.core.settings import Revision
from mistd.ports.clock import Clock
from mistd.ports.store import KeptAnswer

TROUBLES = {
    EventKind.ALARM_FLOOD_BEGAN,
    EventKind.ALARM_RAISED,
    EventKind.BROKER_LOST,
    EventKind.BURST_REFUSED,
    EventKind.BACKUP_FAILED,
    EventKind.CONFIGURATION_BAD,
    EventKind.FROST_BEGAN,
    EventKind.KEEPER_LOST,
    EventKind.LINE_TROUBLE,
    EventKind.READING_LOST,
    EventKind.SIREN_TROUBLE,
    EventKind.SETTING_NOT_APPLIED,
    EventKind.STATE_NOT_KEPT,
    EventKind.STATE_UNREADABLE,
    EventKind.TASK_FAILED,
    EventKind.TIME_DISTRUSTED,
}


ANSWER_ANYWAY_S = 2.0  # an answer that promises nothing does not wait for a slow disk for longer
PROMISE_WITHIN_S = 20.0  # one that does is given up then: a disk takes seconds at worst, unless it hangs
WATERED = {EventKind.BURST_ENDED, EventKind.BURST_FOUND}


class Log(Protocol):
    """As much of a structured logger as is needed here."""

    def info(self, event: str, **figures: Any) -> Any: ...

    def warning(self, event: str, **figures: Any) -> Any: ...


class Outlets:
    """Events, state and answers, each to everyone who wants them."""

    def __init__(
        self,
        *,
        house_name: str,
        clock: Clock,
        log: Log,
        teller: Teller,
        saver: Saver,
        inbox: Inbox,
        roll_up: RollUp,
        speed: float = 1.0,
        alarms: AlarmDesk,
    ) -> None:
        self._house_name = house_name
        self._clock = clock
        self._log = log
        self._teller = teller
        self._saver = saver
        self._inbox = inbox
        self._roll_up = roll_up
        self._speed = speed
        self._alarms = alarms
        self._answering: set[asyncio.Task[None]] = set()

    def tell_event(self, event: Event) -> None:
        """Log, publish and write down what happened."""
        write = self._log.warning if event.kind in TROUBLES else self._log.info
        words = event.kind.value.replace("_", " ")
        write(words, subject=event.subject, reason=event.reason, **_safe(event.figures))
        self._teller.tell_event(event)
        entry = entry_of(event, self._clock)
        if entry is not None:
            self._saver.keep_entry(entry)
        if event.kind in WATERED:
            self._roll_up.take_event(event)
        if event.kind is EventKind.BURST_SKIPPED:
            self._saver.save_soon()  # else a power cut could have another left out
        self._alarms.take_event(event)

    def tell(
        self,
        kind: EventKind,
        reason: str,
        figures: Mapping[str, float | str] | None = None,
        *,
        subject: str = "",
    ) -> None:
        """Tell of something that the daemon did or found; unless named otherwise the house is the subject."""
        self.tell_event(
            Event(
                kind=kind,
                at_s=self._clock.now_s(),
                subject=subject or self._house_name,
                reason=reason,
                figures=figures or {},
            )
        )

    def tell_state(self, house: House) -> None:
        """Publish what has changed and have it written down."""
        self._saver.offer(house)
        self._roll_up.take_house(house)
        self._teller.tell_state(house)
        self._alarms.offer(house)

    def keep_revision(self, revision: Revision) -> None:
        """A change of a setting, to be written with its answer, and told to everyone after that."""
        kept = kept_revision(revision, self._clock)
        self._saver.keep_revision(kept)
        self._saver.kept().add_done_callback(lambda _: self._teller.tell_change(kept))

    def answer(self, answer: AnswerRequest) -> None:
        """Answer a request once the answer is on disk: repeated after a restart it gets the same again."""
        payload = self._payload(answer, answer.outcome, answer.reason)
        self._saver.keep_answer(KeptAnswer(request_id=answer.request_id, answer=payload.decode()))
        kept = self._saver.kept()
        task = asyncio.get_running_loop().create_task(self._answer_when_kept(answer, payload, kept))
        self._answering.add(task)
        task.add_done_callback(self._answering.discard)

    async def _answer_when_kept(
        self, answer: AnswerRequest, payload: bytes, kept: "asyncio.Future[bool]"
    ) -> None:
        within_s = PROMISE_WITHIN_S if answer.must_be_kept else ANSWER_ANYWAY_S
        done, _ = await asyncio.wait([kept], timeout=within_s * self._speed)
        is_kept = bool(done) and kept.result()
        if answer.must_be_kept and not is_kept:
            reason = f"{answer.reason}; but it could not be written down: a restart would forget it"
            payload = self._payload(answer, Outcome.NOT_KEPT, reason)
            self._saver.keep_answer(KeptAnswer(request_id=answer.request_id, answer=payload.decode()))
        self._inbox.answer(answer.request_id, payload)

    def _payload(self, answer: AnswerRequest, outcome: Outcome, reason: str) -> bytes:
        return self._inbox.answer_payload(answer.request_id, outcome, reason, answer.figures)


def _safe(figures: Mapping[str, float | str]) -> dict[str, float | str]:
    """Figures under names that cannot clash with the log's own."""
    return {name: value for name, value in figures.items() if name not in {"event", "subject", "reason"}}
