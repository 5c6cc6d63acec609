"""The keeper's own rules: how long a line may be open, how it must rest, how many at once, and who is heard.

This is the last gate before the lines. It is dumber than the core on purpose: it knows lines, lengths and its
own clock, and nothing of zones, cycles or people. The keeper's process drives it by the machine's clock; the
simulated rig drives the same code inside its loop.

Rule 1: every opening has its end in here before the line is driven; nothing can take it away or put it off.
Rule 2: an order that breaks a limit is refused, never clipped.
Rule 3: when the daemon is not heard for a heartbeat, everything shuts.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, isfinite

from mistd.core.observations import LineAccount

# A line that does not shut gives its place among those open at once to the others after so long, or one
# failed output would dry out the whole house; it stays in trouble, told, and is driven shut again and again.
STUCK_S = 10.0
EDGE_S = 1e-6  # instants this close are the same: sums of floats


@dataclass(frozen=True, slots=True, kw_only=True)
class LineRule:
    """The limits of one line."""

    longest_open_s: float
    shortest_rest_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperRules:
    """The limits of all lines together."""

    lines: Mapping[str, LineRule]
    open_at_once: int
    heartbeat_s: float  # the longest silence of the daemon before everything shuts
    signals: tuple[str, ...] = ()  # a siren's line: no valve, so nothing in this file is about it


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A line that is open, by whose ticket, since when and until when."""

    ticket: int
    opened_s: float
    ends_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shutting:
    """A line that has to shut, how long it was open, and why."""

    line: str
    ticket: int
    open_s: float
    reason: str


class Ledger:
    """What every line did last and does now. It outlives the daemon; a new keeper begins a new one."""

    def __init__(self, rules: KeeperRules, now_s: float) -> None:
        """Begin with every line shut from now on: what a line did before is not known, so it rests first."""
        self.rules = rules
        self.since_s = now_s
        self.heard_s = -inf
        self._open: dict[str, Opening] = {}
        self._shut_s: dict[str, float] = dict.fromkeys(rules.lines, now_s)
        self._accounts: dict[str, LineAccount] = {}

    def why_not(self, line: str, for_s: float, now_s: float) -> str | None:
        """The limit that an opening would break, in words with its figures; None when it may be."""
        rule = self.rules.lines.get(line)
        if rule is None:
            return f"line {line!r} is not wired"
        if not isfinite(for_s) or for_s <= 0.0:
            return f"{for_s:g} s is no length of a burst"
        if for_s > rule.longest_open_s + EDGE_S:
            return f"{for_s:g} s is too long, longest {rule.longest_open_s:g} s"
        return self._why_not_now(line, rule, now_s)

    def _why_not_now(self, line: str, rule: LineRule, now_s: float) -> str | None:
        if line in self._open:
            return "it is open already"
        counted = sum(now_s < opening.ends_s + STUCK_S for opening in self._open.values())
        if counted >= self.rules.open_at_once:
            return f"{counted} valves are open, at once at most {self.rules.open_at_once}"
        rested_s = now_s - self._shut_s[line]
        if rested_s < rule.shortest_rest_s - EDGE_S:
            return f"shut for {rested_s:.1f} s only, shortest rest {rule.shortest_rest_s:g} s"
        return None

    def open(self, line: str, ticket: int, for_s: float, now_s: float) -> None:
        """Enter an opening that `why_not` has nothing against; to be called before the line is driven."""
        self._open[line] = Opening(ticket=ticket, opened_s=now_s, ends_s=now_s + for_s)

    def cancel(self, line: str, now_s: float) -> None:
        """Enter that a line never opened: it rests, and there was no burst to account for."""
        self._open.pop(line, None)
        self._shut_s[line] = now_s

    def shut(self, line: str, reason: str, now_s: float) -> Shutting | None:
        """Enter that a line is shut; None when it was shut already."""
        opening = self._open.pop(line, None)
        if opening is None:
            return None
        self._shut_s[line] = now_s
        self._accounts[line] = LineAccount(line=line, opened_s=opening.opened_s, shut_s=now_s)
        open_s = now_s - opening.opened_s
        return Shutting(line=line, ticket=opening.ticket, open_s=open_s, reason=reason)

    def open_lines(self) -> tuple[str, ...]:
        """The lines that are open, longest first."""
        return tuple(self._open)

    def hear(self, now_s: float) -> None:
        """The daemon has finished a control pass."""
        self.heard_s = now_s

    def is_deaf(self, now_s: float) -> bool:
        """Whether the daemon has been silent for longer than a heartbeat."""
        return now_s - self.heard_s > self.rules.heartbeat_s

    def ends_s(self) -> dict[str, float]:
        """For every open line, the instant at which its time is over."""
        return {line: opening.ends_s for line, opening in self._open.items()}

    def accounts(self) -> tuple[LineAccount, ...]:
        """The last burst of every line that had one under this ledger."""
        return tuple(self._accounts.values())
