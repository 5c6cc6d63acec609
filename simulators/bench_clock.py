"""The clock of a house on the bench: it begins on a day of our choosing and may run faster than life."""

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from mistd.app.messages import BenchClock
from simulators.scaled_time import ScaledSeconds


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaledClock:
    """A `Clock` that all processes of a bench agree on."""

    seconds: ScaledSeconds
    starts_at: datetime  # what the house's calendar says at the epoch, aware

    def now_s(self) -> float:
        return self.seconds()

    def utc(self) -> datetime:
        return self.starts_at.astimezone(UTC) + timedelta(seconds=self.seconds() - self.seconds.epoch_s)

    def is_trusted(self) -> bool:
        return True

    def is_synchronised(self) -> bool:
        return True

    def age_s(self, issued_at: datetime) -> float | None:
        """By the real clock: whoever asks something of the house lives by that one."""
        return (datetime.now(UTC) - issued_at).total_seconds()

    def bench(self) -> BenchClock:
        """Where this clock stands against the real one, to be told on the broker."""
        return BenchClock(house_at=self.utc(), real_at=datetime.now(UTC), speed=self.seconds.speed)


@dataclass(slots=True, kw_only=True)
class LoopClock:
    """A `Clock` by an event loop in virtual time, whose wall clock can be stepped and distrusted."""

    starts_at: datetime
    trusted: bool = True
    synchronised: bool = True
    stepped_by: timedelta = timedelta()
    loop_time: Callable[[], float] | None = None

    def now_s(self) -> float:
        return self.loop_time() if self.loop_time else asyncio.get_running_loop().time()

    def utc(self) -> datetime:
        return self.starts_at.astimezone(UTC) + timedelta(seconds=self.now_s()) + self.stepped_by

    def is_trusted(self) -> bool:
        return self.trusted

    def is_synchronised(self) -> bool:
        return self.trusted and self.synchronised

    def age_s(self, issued_at: datetime) -> float | None:
        return (self.utc() - issued_at).total_seconds() if self.trusted else None


def scaled_clock(speed: float, epoch_s: float | None, starts_at: datetime) -> ScaledClock:
    """A clock that begins now, or at an epoch that another process has begun."""
    epoch_s = time.monotonic() if epoch_s is None else epoch_s
    return ScaledClock(seconds=ScaledSeconds(speed=speed, epoch_s=epoch_s), starts_at=starts_at)
