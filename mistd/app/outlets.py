"""Where a decision goes besides the valves: the log, the bus, the disk, and back to whoever asked.

Rule: nothing in here waits. An answer that has to be kept first is sent by a task of its own.
"""

import asyncio
from collections.abc import Mapping
from typing import Any, Protocol

from mistd.app.inbox import Inbox
from mistd.app.saving import Saver
from mistd.app.telling import Teller
from mistd.core.actions import AnswerRequest, Outcome
from mistd.core.events import Event, EventKind
from mistd.core.house import House
from mistd.ports.clock import Clock

TROUBLES = {
    EventKind.BROKER_LOST,
    EventKind.BURST_REFUSED,
    EventKind.FROST_BEGAN,
    EventKind.KEEPER_LOST,
    EventKind.LINE_TROUBLE,
    EventKind.READING_LOST,
    EventKind.STATE_NOT_KEPT,
    EventKind.STATE_UNREADABLE,
    EventKind.TASK_FAILED,
    EventKind.TIME_DISTRUSTED,
}


class Log(Protocol):
    """As much of a structured logger as is needed here."""

    def info(self, event: str, **figures: Any) -> Any: ...

    def warning(self, event: str, **figures: Any) -> Any: ...


class Outlets:
    """Events, state and answers, each to everyone who wants them."""

    def __init__(
        self, *, house_name: str, clock: Clock, log: Log, teller: Teller, saver: Saver, inbox: Inbox
    ) -> None:
        self._house_name = house_name
        self._clock = clock
        self._log = log
        self._teller = teller
        self._saver = saver
        self._inbox = inbox
        self._answering: set[asyncio.Task[None]] = set()

    def tell_event(self, event: Event) -> None:
        """Log and publish what happened."""
        write = self._log.warning if event.kind in TROUBLES else self._log.info
        words = event.kind.value.replace("_", " ")
        write(words, subject=event.subject, reason=event.reason, **_safe(event.figures))
        self._teller.tell_event(event)

    def tell(self, kind: EventKind, reason: str, figures: Mapping[str, float | str] | None = None) -> None:
        """Log and publish something that happened to the daemon itself."""
        self.tell_event(
            Event(
                kind=kind,
                at_s=self._clock.now_s(),
                subject=self._house_name,
                reason=reason,
                figures=figures or {},
            )
        )

    def tell_state(self, house: House) -> None:
        """Publish what has changed and have it written down."""
        self._saver.offer(house)
        self._teller.tell_state(house)

    def answer(self, answer: AnswerRequest) -> None:
        """Answer a request; one that promises something is answered once that is on disk."""
        if not answer.must_be_kept:
            self._inbox.answer(answer.request_id, answer.outcome, answer.reason, answer.figures)
            return
        task = asyncio.get_running_loop().create_task(self._answer_when_kept(answer, self._saver.kept()))
        self._answering.add(task)
        task.add_done_callback(self._answering.discard)

    async def _answer_when_kept(self, answer: AnswerRequest, kept: "asyncio.Future[bool]") -> None:
        outcome, reason = answer.outcome, answer.reason
        if not await kept:
            outcome = Outcome.NOT_KEPT
            reason = f"{reason}; but it could not be written down: a restart would forget it"
        self._inbox.answer(answer.request_id, outcome, reason, answer.figures)


def _safe(figures: Mapping[str, float | str]) -> dict[str, float | str]:
    """Figures under names that cannot clash with the log's own."""
    return {name: value for name, value in figures.items() if name not in {"event", "subject", "reason"}}
