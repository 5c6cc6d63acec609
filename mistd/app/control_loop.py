"""The control loop: gather, decide, apply, wait.

It wakes at the instant the decision names, or when something new arrives; never on a coarse tick. It waits
for nothing else: not for the broker, the disk, the page or the log.

Rule: the keeper's lease is renewed at the end of a whole pass and nowhere else.
"""

import asyncio
from collections.abc import Callable
from typing import Protocol

from mistd.app.calendar import Calendar
from mistd.core.actions import Action, AnswerRequest, KeepRevision, OpenValve, ShutValve
from mistd.core.decide import decide as core_decide
from mistd.core.events import Event, EventKind
from mistd.core.house import Decision, House
from mistd.core.observations import NOTHING_NEW, Observations
from mistd.core.readings import Reading
from mistd.core.requests import Request
from mistd.core.settings import Revision
from mistd.ports.clock import Clock
from mistd.ports.keeper import LineKeeper

Decide = Callable[[House, Observations, float], Decision]


class Arrivals(Protocol):
    """What has come in from outside since it was last asked."""

    def requests(self) -> tuple[Request, ...]: ...

    def readings(self) -> tuple[tuple[str, Reading], ...]: ...


class Consequences(Protocol):
    """Where the rest of a decision goes: none of these may wait."""

    def tell_event(self, event: Event) -> None: ...

    def tell_state(self, house: House) -> None: ...

    def keep_revision(self, revision: Revision) -> None: ...

    def answer(self, answer: AnswerRequest) -> None: ...


class ControlLoop:
    """One house under control."""

    def __init__(
        self,
        *,
        house: House,
        clock: Clock,
        calendar: Calendar,
        keeper: LineKeeper,
        arrivals: Arrivals,
        consequences: Consequences,
        longest_wait_s: float,
        decide: Decide = core_decide,
    ) -> None:
        """Take charge of a house.

        Args:
            house: as it was left, or at its beginning.
            clock: monotonic seconds, the same as the keeper's.
            calendar: gives the core its almanac.
            keeper: takes orders and gives news.
            arrivals: requests and readings.
            consequences: where events, state and answers go.
            longest_wait_s: a pass is made at least this often, for the keeper's lease.
            decide: the decision; another one than the core's only in tests of what a failing one does.
        """
        self.house = house
        self.passes = 0
        self.clock_steady_since_s = clock.now_s()  # since the start, or the last step of the wall clock
        self.in_charge = asyncio.Event()  # set after the first whole pass with a keeper that is ready
        self._clock = clock
        self._calendar = calendar
        self._keeper = keeper
        self._arrivals = arrivals
        self._consequences = consequences
        self._longest_wait_s = longest_wait_s
        self._decide = decide
        self._news = asyncio.Event()

    def wake(self) -> None:
        """Something new has arrived."""
        self._news.set()

    async def run(self) -> None:
        """Make pass after pass; returns only when cancelled."""
        while True:
            wake_at_s = self.control_pass()
            await self._wait_until(wake_at_s)

    def control_pass(self) -> float:
        """Gather, decide, apply; return the instant of the next pass at the latest."""
        self._news.clear()
        now_s = self._clock.now_s()
        decision = self._decide(self.house, self._gathered(now_s), now_s)
        self.house = decision.house
        self._apply(decision)
        self._keeper.renew()
        self.passes += 1
        if self.house.is_keeper_ready:
            self.in_charge.set()
        return decision.wake_at_s

    def _gathered(self, now_s: float) -> Observations:
        almanac = self._calendar.news(self.house, now_s)
        if self._calendar.stepped_s:
            self._tell_of_step(now_s)
        keeper, readings = self._keeper.news(), self._arrivals.readings()
        requests = self._arrivals.requests()
        if almanac is None and not keeper and not readings and not requests:
            return NOTHING_NEW
        return Observations(almanac=almanac, keeper=keeper, readings=readings, requests=requests)

    def _tell_of_step(self, now_s: float) -> None:
        stepped_s = self._calendar.stepped_s
        self.clock_steady_since_s = now_s
        event = Event(
            kind=EventKind.CLOCK_STEPPED,
            at_s=now_s,
            subject=self.house.plan.name,
            reason=f"the wall clock was moved by {stepped_s:+.0f} s; cycles and guards go on undisturbed",
            figures={"by_s": round(stepped_s, 1)},
        )
        self._consequences.tell_event(event)

    def _apply(self, decision: Decision) -> None:
        for action in decision.actions:
            self._act(action)
        for event in decision.events:
            self._consequences.tell_event(event)
        self._consequences.tell_state(decision.house)
        for action in decision.actions:
            if isinstance(action, AnswerRequest):
                self._consequences.answer(action)

    def _act(self, action: Action) -> None:
        if isinstance(action, OpenValve):
            self._keeper.open(action.zone, action.ticket, action.for_s)
        elif isinstance(action, ShutValve):
            self._keeper.shut(action.zone, action.reason)
        elif isinstance(action, KeepRevision):
            self._consequences.keep_revision(action.revision)

    async def _wait_until(self, wake_at_s: float) -> None:
        wait_s = min(wake_at_s - self._clock.now_s(), self._longest_wait_s)
        try:
            async with asyncio.timeout(max(wait_s, 0.0)):
                await self._news.wait()
        except TimeoutError:
            pass
