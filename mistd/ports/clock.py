"""Time as the program sees it.

Cycles, guards and leases use `now_s` alone. The calendar is for the almanac and for people to read.
"""

from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """The monotonic clock, the calendar and how far the calendar can be believed."""

    def now_s(self) -> float:
        """Monotonic seconds; never steps, the same for every process of the machine until it restarts."""
        ...

    def utc(self) -> datetime:
        """Aware wall time, in UTC; may step at any moment."""
        ...

    def is_trusted(self) -> bool:
        """Whether the wall time is believed: false after a start without a clock battery, until it is set."""
        ...

    def is_synchronised(self) -> bool:
        """Whether somebody outside has set the wall time since the machine started; False when unknown.

        Trusted is enough for the time of day. For how long the machine was off it takes more: a board whose
        clock stood still boots with an old time that looks right.
        """
        ...

    def age_s(self, issued_at: datetime) -> float | None:
        """Seconds since an aware instant that a person's machine stamped (negative: it lies ahead).

        None when our own calendar is not trusted and the age cannot be known.
        """
        ...
