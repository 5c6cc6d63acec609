"""The machine's own clocks.

Answers for: monotonic seconds, wall time, and whether the wall time can be believed.
Does not know: time zones, the sun, or what is done about an uncertain time.
Rule: a board without a clock battery starts with an old but plausible time; while anything says so, the wall
time is not trusted.
"""

import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

RELEASED = datetime(2026, 11, 1, tzinfo=UTC)  # a wall time before this program existed is certainly wrong
TIMESYNC_DIRECTORY = Path("/run/systemd/timesync")  # there while systemd-timesyncd runs
SYNCHRONIZED = "synchronized"  # it makes this file once it has set the clock, systemd-timesyncd.service(8)
LOOK_AGAIN_AFTER_S = 10.0


def wall_time() -> datetime:
    return datetime.now(UTC)


class SystemClock:
    """The Clock port on the operating system.

    Args:
        timesync_directory: where the time service leaves its mark; a machine without it is believed.
        monotonic_s: where monotonic seconds come from.
        wall_time: where the aware wall time comes from.
    """

    def __init__(
        self,
        timesync_directory: Path = TIMESYNC_DIRECTORY,
        *,
        monotonic_s: Callable[[], float] = time.monotonic,
        wall_time: Callable[[], datetime] = wall_time,
    ) -> None:
        self._timesync_directory = timesync_directory
        self._monotonic_s = monotonic_s
        self._wall_time = wall_time
        self._is_synchronized = False
        self._look_again_at_s = self._monotonic_s()

    def now_s(self) -> float:
        return self._monotonic_s()

    def utc(self) -> datetime:
        return self._wall_time()

    def is_trusted(self) -> bool:
        return self._wall_time() >= RELEASED and self._is_synchronized_lately()

    def is_synchronised(self) -> bool:
        """Only the time service leaves a mark that we can read; another one may have set the clock unseen."""
        with suppress(OSError):
            return self._wall_time() >= RELEASED and (self._timesync_directory / SYNCHRONIZED).exists()
        return False

    def age_s(self, issued_at: datetime) -> float | None:
        """See the port.

        Raises:
            ValueError: the instant carries no time zone.
        """
        if issued_at.tzinfo is None:
            raise ValueError(f"{issued_at} carries no time zone")
        if not self.is_trusted():
            return None
        return (self._wall_time() - issued_at).total_seconds()

    def _is_synchronized_lately(self) -> bool:
        now_s = self._monotonic_s()
        if now_s >= self._look_again_at_s:
            self._look_again_at_s = now_s + LOOK_AGAIN_AFTER_S
            self._is_synchronized = self._is_set_by_the_time_service()
        return self._is_synchronized

    def _is_set_by_the_time_service(self) -> bool:
        with suppress(OSError):  # a directory we may not look into says nothing against the time
            return not self._timesync_directory.is_dir() or (self._timesync_directory / SYNCHRONIZED).exists()
        return True
