"""For how long the siren calls: from the moment an alarm may be heard, and not without end.

Answers for: when it is on, given the alarms that want to be heard. Does not know lines, nights or masks.

Rule: whatever it sounds for, it stops by itself; only another alarm, or the same one raised again, starts it
anew. One that was not to be heard at night is heard in the morning.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import inf

from mistd.core.alarms import Alarm

Heard = tuple[str, str, int]  # kind, subject, occurrence


@dataclass(frozen=True, slots=True, kw_only=True)
class Siren:
    """One siren, or what would be one: whether people are called now."""

    longest_s: float
    since_s: Mapping[Heard, float] | None = None  # since when each was heard; None: nothing is known
    ends_s: float = -inf

    def hearing(self, audible: Iterable[Alarm], silent_for_now: Iterable[Alarm], now_s: float) -> "Siren":
        """The siren after it was looked at which alarms there are.

        Args:
            audible: the alarms that may be heard now.
            silent_for_now: those that want to be heard, and perhaps may not before morning.
            now_s: monotonic seconds.
        """
        before = self.since_s
        since_s = {
            _heard(alarm): alarm.raised_s if before is None else before.get(_heard(alarm), now_s)
            for alarm in audible
        }
        ends_s = max(since_s.values(), default=-inf) + self.longest_s
        for alarm in silent_for_now:
            if before and _heard(alarm) in before:
                since_s[_heard(alarm)] = before[_heard(alarm)]
        return Siren(longest_s=self.longest_s, since_s=since_s, ends_s=ends_s)

    def is_on(self, now_s: float) -> bool:
        """Whether it sounds."""
        return now_s < self.ends_s

    def wake_at_s(self, now_s: float) -> float:
        """When it stops by itself; infinite while it is off."""
        return self.ends_s if self.is_on(now_s) else inf


def _heard(alarm: Alarm) -> Heard:
    return alarm.row.kind, alarm.subject, alarm.occurrence
