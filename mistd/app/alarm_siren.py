"""For how long the siren calls: from the moment an alarm may be heard, and not without end.

Answers for: when it is on, given the alarms that want to be heard. Does not know lines, nights or masks.

Rule: whatever it sounds for, it stops by itself; only another alarm, or the same one raised again, starts it
anew. One that was not to be heard at night is heard in the morning.
"""

from collections.abc import Iterable
from math import inf

from mistd.core.alarms import Alarm

Heard = tuple[str, str, int]  # kind, subject, occurrence


class Siren:
    """One siren, or what would be one: whether people are called now."""

    def __init__(self, longest_s: float) -> None:
        self._longest_s = longest_s
        self._since_s: dict[Heard, float] | None = None  # since when each was heard; None: nothing is known
        self._ends_s = -inf

    def is_on(self, audible: Iterable[Alarm], silent_for_now: Iterable[Alarm], now_s: float) -> bool:
        """Whether it sounds now.

        Args:
            audible: the alarms that may be heard now.
            silent_for_now: those that want to be heard and may not before morning.
            now_s: monotonic seconds.
        """
        before, since_s = self._since_s, {}
        for alarm in audible:
            began_s = alarm.raised_s if before is None else before.get(_heard(alarm), now_s)
            since_s[_heard(alarm)] = began_s
        self._ends_s = max(since_s.values(), default=-inf) + self._longest_s
        kept = [_heard(alarm) for alarm in silent_for_now if before and _heard(alarm) in before]
        self._since_s = since_s | {heard: before[heard] for heard in kept if before}
        return now_s < self._ends_s

    def wake_at_s(self, now_s: float) -> float:
        """When it stops by itself; infinite while it is off."""
        return self._ends_s if self._ends_s > now_s else inf


def _heard(alarm: Alarm) -> Heard:
    return alarm.row.kind, alarm.subject, alarm.occurrence
