"""A keeper inside the event loop: the same ledger as the keeper's process, driven by the loop's timers.

For virtual time, where no other process can follow. It has what the process has no need of: faults to inject.
"""

import asyncio
from collections.abc import Callable
from math import inf

from mistd.core.leases import KeeperRules, Ledger
from mistd.core.observations import KeeperLost, KeeperNews, KeeperReady, LineEdge, LineReport
from mistd.ports.clock import Clock


class InlineKeeper:
    """A `LineKeeper` whose lines are entries in a ledger, and whose signals are what they were told last."""

    def __init__(self, rules: KeeperRules, clock: Clock) -> None:
        self._rules = rules
        self._clock = clock
        self._ledger: Ledger | None = None
        self._news: list[KeeperNews] = []
        self._wake: Callable[[], None] = lambda: None
        self._timers: dict[str, asyncio.TimerHandle] = {}
        self.open_total_s: dict[str, float] = dict.fromkeys(rules.lines, 0.0)
        self.edges: list[tuple[float, str, bool]] = []  # instant, line, is open: what an outsider saw
        self.signals: dict[str, bool] = dict.fromkeys(rules.signals, False)  # what an outsider hears now
        self._wanted_signals = dict(self.signals)
        self.refuses = ""  # a fault: the reason for which no order is carried out

    def open_lines(self) -> tuple[str, ...]:
        return self._ledger.open_lines() if self._ledger else ()

    def open_seconds(self, line: str) -> float:
        """Seconds the line has been open in all, up to now."""
        running_s = 0.0
        if line in self.open_lines():
            opened_s = next(at_s for at_s, other, _ in reversed(self.edges) if other == line)
            running_s = self._clock.now_s() - opened_s
        return self.open_total_s[line] + running_s

    def open(self, line: str, ticket: int, for_s: float) -> None:
        if self._ledger is None:
            return
        now_s = self._clock.now_s()
        no = self.refuses or self._ledger.why_not(line, for_s, now_s)
        if no:
            self._tell(LineReport(edge=LineEdge.REFUSED, line=line, ticket=ticket, at_s=now_s, reason=no))
            return
        self._ledger.open(line, ticket, for_s, now_s)
        self.edges.append((now_s, line, True))
        loop = asyncio.get_running_loop()
        self._timers[line] = loop.call_at(loop.time() + for_s, self.shut, line, "its time was over")
        self._tell(LineReport(edge=LineEdge.OPENED, line=line, ticket=ticket, at_s=now_s))

    def shut(self, line: str, reason: str) -> None:
        if self._ledger is None:
            return
        now_s = self._clock.now_s()
        shutting = self._ledger.shut(line, reason, now_s)
        if shutting is None:
            return
        self._timers.pop(line).cancel()
        self.edges.append((now_s, line, False))
        self.open_total_s[line] += shutting.open_s
        self._tell(
            LineReport(
                edge=LineEdge.SHUT,
                line=line,
                ticket=shutting.ticket,
                at_s=now_s,
                open_s=shutting.open_s,
                reason=reason,
            )
        )

    def signal(self, line: str, *, is_on: bool) -> None:
        if line not in self._wanted_signals:
            return
        self._wanted_signals[line] = is_on
        if self._ledger is not None:
            self.signals[line] = is_on

    def renew(self) -> None:
        if self._ledger:
            self._ledger.hear(self._clock.now_s())

    def news(self) -> tuple[KeeperNews, ...]:
        news, self._news = tuple(self._news), []
        return news

    async def run(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self.begin()
        await asyncio.Event().wait()

    async def retire(self, reason: str) -> bool:
        self.shut_all(reason)
        self.signals = dict.fromkeys(self.signals, False)
        self._wanted_signals.clear()  # nobody is left to be told
        return True

    def begin(self) -> None:
        """A keeper begins: every line is shut and has to rest, every signal is as it was last told to be."""
        self._ledger = Ledger(self._rules, self._clock.now_s())
        self.signals = dict(self._wanted_signals)
        self._tell(KeeperReady(since_s=self._ledger.since_s))

    def die(self) -> None:
        """The keeper dies; its lines fall shut unreported, as a board's pull-downs would have it."""
        now_s = self._clock.now_s()
        for line in self.open_lines():
            assert self._ledger is not None
            shutting = self._ledger.shut(line, "died", now_s)
            assert shutting is not None
            self._timers.pop(line).cancel()
            self.edges.append((now_s, line, False))
            self.open_total_s[line] += shutting.open_s
        self._ledger = None
        self.signals = dict.fromkeys(self.signals, False)
        self._news.clear()
        self._tell(KeeperLost(reason="the keeper died"))

    def shut_all(self, reason: str) -> None:
        for line in self.open_lines():
            self.shut(line, reason)

    def longest_open_s(self) -> float:
        """The longest any line was open in one go."""
        opened: dict[str, float] = {}
        longest_s = -inf
        for at_s, line, is_open in self.edges:
            if is_open:
                opened[line] = at_s
            else:
                longest_s = max(longest_s, at_s - opened.pop(line))
        return longest_s

    def _tell(self, news: KeeperNews) -> None:
        self._news.append(news)
        self._wake()
