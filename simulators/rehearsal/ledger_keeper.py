"""The keeper in a rehearsal: the real one's ledger, driven at exact instants instead of by a clock.

It holds no lines itself: whoever runs it opens and shuts the plant's valves by its reports. Rule: no line is
opened that the ledger has something against, and every line is shut when its time is over.
"""

from math import inf

from mistd.core.actions import OpenValve
from mistd.core.leases import KeeperRules, Ledger
from mistd.core.observations import LineEdge, LineReport


class LedgerKeeper:
    """Takes orders and gives the reports that a keeper would send."""

    __slots__ = ("_ledger", "next_end_s")

    def __init__(self, rules: KeeperRules, now_s: float) -> None:
        self._ledger = Ledger(rules, now_s)
        self.next_end_s = inf  # when the next line shuts

    @property
    def since_s(self) -> float:
        return self._ledger.since_s

    def order(self, order: OpenValve, now_s: float) -> LineReport:
        """Open a line, or say why not."""
        no = self._ledger.why_not(order.zone, order.for_s, now_s)
        if no:
            return LineReport(
                edge=LineEdge.REFUSED, line=order.zone, ticket=order.ticket, at_s=now_s, reason=no
            )
        self._ledger.open(order.zone, order.ticket, order.for_s, now_s)
        self.next_end_s = min(self.next_end_s, now_s + order.for_s)
        return LineReport(edge=LineEdge.OPENED, line=order.zone, ticket=order.ticket, at_s=now_s)

    def shut(self, line: str, reason: str, now_s: float) -> LineReport | None:
        """Shut a line before or at its time; None when it was shut already."""
        shutting = self._ledger.shut(line, reason, now_s)
        self.next_end_s = min(self._ledger.ends_s().values(), default=inf)
        if shutting is None:
            return None
        return LineReport(
            edge=LineEdge.SHUT,
            line=line,
            ticket=shutting.ticket,
            at_s=now_s,
            open_s=shutting.open_s,
            reason=reason,
        )

    def shut_due(self, now_s: float) -> list[LineReport]:
        """Shut every line whose time is over."""
        due = [line for line, end_s in self._ledger.ends_s().items() if end_s <= now_s]
        reports = [self.shut(line, "its time was over", now_s) for line in due]
        return [report for report in reports if report is not None]
