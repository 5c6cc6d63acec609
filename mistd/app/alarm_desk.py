"""The desk where alarms are attended: conditions and people's requests in; rows, events, topics, siren out.

A side task of the daemon. The control loop hands it the house it was left with and goes on; what alarms there
are is worked out here, later, and control never asks.

Rule 1: `offer`, `take_event` and `wake` cost next to nothing and never raise: control calls them.
Rule 2: at one instant conditions come before what people ask.
Rule 3: whatever is told of an alarm is on its way to the disk. Begun again after a fault, the desk goes on
with the board as it was, and looks at everything anew.
"""

import asyncio
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from math import inf

from mistd.app.alarm_asking import UnclearAlarmError, alarm_request
from mistd.app.alarm_signs import OwnConditions
from mistd.app.messages import AlarmAsked
from mistd.app.saving import Saver
from mistd.app.telling_alarms import AlarmsTeller, name_of
from mistd.core.actions import AnswerRequest, Outcome
from mistd.core.alarm_conditions import NOTHING_SEEN, watched
from mistd.core.alarm_rows import ALARM_ROW, alarm_rows, restored_board, row_name
from mistd.core.alarms import Alarm
from mistd.core.almanac import DayPart
from mistd.core.annunciator import AlarmKey, Step, asked, begun_board, observed, sounding, wake_at_s
from mistd.core.events import Event, EventKind
from mistd.core.house import House
from mistd.core.plan import HousePlan
from mistd.core.rows import Row
from mistd.core.siren import Siren
from mistd.ports.clock import Clock

LOOK_AGAIN_S = 0.05  # no more often, whatever goes on: nobody sees sooner, and control has the processor
LOOK_AFTER_DUE_S = 0.5  # after a burst falls due, so that control has given it where all is well
LONGEST_WAIT_S = 3600.0
FAULT = "a fault in the program: look whether it was done, then ask again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What a run before this one left."""

    rows: Mapping[str, Row]
    shift_s: float  # to be added to the instants in them
    is_time_away_known: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskOutlets:
    """Where everything goes that follows; none of these may wait."""

    tell_event: Callable[[Event], None]
    answer: Callable[[AnswerRequest], None]
    signal: Callable[[bool], None]  # the siren's line
    saver: Saver
    teller: AlarmsTeller


class AlarmDesk:
    """The alarms of one house, attended."""

    def __init__(
        self,
        *,
        plan: HousePlan,
        left: Left,
        clock: Clock,
        requests: Callable[[], tuple[AlarmAsked, ...]],
        outlets: DeskOutlets,
        siren: Siren,
    ) -> None:
        """Know the house; what was left is read by the desk's own task, lest a fault in it stop a start.

        Args:
            plan: of the house.
            left: by the run before.
            clock: monotonic seconds.
            requests: what people asked since the last call.
            outlets: where things go.
            siren: for how long it sounds.
        """
        self.board = begun_board(plan)
        self._left: Left | None = left  # until it was read
        self._clock = clock
        self._requests = requests
        self._outlets = outlets
        self._siren = siren
        self._own = OwnConditions(plan)
        self._house: House | None = None
        self._watch = NOTHING_SEEN
        self._is_night = False
        self._is_sounding = False
        self._due_s = -inf  # when the board or the siren has to be looked at though nothing is new
        self._asked: deque[AlarmAsked] = deque()
        self._news = asyncio.Event()

    # --- from control

    def offer(self, house: House) -> None:
        """The house as control left it."""
        if house is not self._house:
            self._house = house
            self._news.set()

    def take_event(self, event: Event) -> None:
        """Something happened; most of it is no sign of any alarm."""
        if self._own.take(event):
            self._news.set()

    def wake(self) -> None:
        """People have asked something."""
        self._news.set()

    # --- the desk's own task

    async def run(self) -> None:
        """Attend the alarms; returns only when cancelled."""
        if self._left is not None:
            self._restore(self._left)
            self._left = None
        for name, row in alarm_rows(self.board).items():
            self._outlets.saver.keep_row(name, row)  # anew: in the seconds of this run of the machine
        self._watch, self._due_s = NOTHING_SEEN, -inf
        self._own.again()
        while True:
            self._news.clear()
            self._look()
            await self._attend_requests()
            await asyncio.sleep(LOOK_AGAIN_S)
            await self._wait()

    def _restore(self, left: Left) -> None:
        """Go on with the alarms of the run before."""
        now_s = self._clock.now_s()
        back = restored_board(
            self.board,
            left.rows,
            now_s,
            shift_s=left.shift_s,
            is_time_away_known=left.is_time_away_known,
        )
        self.board = back.board
        for name in back.gone:
            self._outlets.saver.keep_row(name, None)
        for trouble in back.unreadable:
            self._outlets.tell_event(_unreadable(trouble, back.board.house, now_s))
        self._outlets.teller.tell_at_first(back.board, map(_key, back.gone))

    def _look(self) -> None:
        """Take in what has changed, and what time alone does."""
        now_s = self._clock.now_s()
        conditions = self._own.news(self._house, now_s)
        if self._house is not None:
            seen = watched(self._watch, self._house, now_s)
            self._watch = seen.watch
            conditions += seen.conditions
        is_night = self._house is not None and self._house.almanac.part is DayPart.NIGHT
        if conditions or now_s >= self._due_s or is_night is not self._is_night:
            self._is_night = is_night
            self._take(observed(self.board, conditions, now_s), now_s)

    async def _attend_requests(self) -> None:
        self._asked.extend(self._requests())
        while self._asked:
            self._attend_request(self._asked.popleft())
            await asyncio.sleep(0)  # control first, however many ask

    def _attend_request(self, message: AlarmAsked) -> None:
        """Do what was asked and answer; whoever asks is answered whatever happens to the desk."""
        now_s = self._clock.now_s()
        outcome, reason, figures = Outcome.REFUSED, FAULT, dict[str, float | str]()
        try:
            request = alarm_request(message, self.board)
            step = asked(self.board, request, now_s)
            self._take(step, now_s)
            outcome, reason = step.outcome or Outcome.DONE, step.reason
            if request.kind is not None:
                alarm = self.board.alarm(request.kind, request.subject or "")
                figures = {"alarm": name_of(alarm), "occurrence": alarm.occurrence}
        except UnclearAlarmError as problem:
            reason = str(problem)
        finally:
            answer = AnswerRequest(
                request_id=message.id,
                outcome=outcome,
                reason=reason,
                figures=figures,
                must_be_kept=outcome is Outcome.DONE,
            )
            self._outlets.answer(answer)

    def _take(self, step: Step, now_s: float) -> None:
        """Go on with the board after a step: keep it, tell it, sound it."""
        before, self.board = self.board, step.board
        changed = [a for key, a in step.board.alarms.items() if a is not before.alarms.get(key)]
        self._keep(changed, now_s, is_told=bool(step.events))
        for event in step.events:
            self._outlets.tell_event(event)
        audible = sounding(step.board, is_night=self._is_night)
        self._siren = self._siren.hearing(audible, sounding(step.board, is_night=False), now_s)
        is_sounding = self._siren.is_on(now_s)
        if is_sounding is not self._is_sounding:
            self._outlets.signal(is_sounding)
            self._is_sounding = is_sounding
        self._outlets.teller.tell(step.board, is_sounding=is_sounding)
        self._due_s = min(wake_at_s(step.board), self._siren.wake_at_s(now_s))

    def _keep(self, changed: list[Alarm], now_s: float, *, is_told: bool) -> None:
        """Write down what changed: at once what is told, but not for one that comes and goes all the time."""
        rows = alarm_rows(self.board) if changed else {}
        for alarm in changed:
            self._outlets.saver.keep_row(row_name(alarm), rows.get(row_name(alarm)))
        if is_told and not all(alarm.chatters(now_s) for alarm in changed):
            self._outlets.saver.save_soon()

    async def _wait(self) -> None:
        """Until there is news, or something is due."""
        now_s = self._clock.now_s()
        look_s = self._watch.wake_at_s + LOOK_AFTER_DUE_S if self._watch.house else inf
        wake_s = min(self._due_s, look_s)
        with suppress(TimeoutError):
            async with asyncio.timeout(min(max(wake_s - now_s, 0.0), LONGEST_WAIT_S)):
                await self._news.wait()


def _key(row: str) -> AlarmKey:
    kind, _, subject = row.removeprefix(ALARM_ROW).partition("/")
    return kind, subject


def _unreadable(trouble: str, house: str, now_s: float) -> Event:
    return Event(kind=EventKind.STATE_UNREADABLE, at_s=now_s, subject=house, reason=trouble, figures={})
