"""Time that runs faster than the clock on the wall, alike in every process of the machine.

`ScaledSeconds` is the clock; `ScaledTimeLoop` is an asyncio event loop that lives by it, with real sockets
and real processes around it. Two processes that are given the same speed and epoch read the same seconds.
Waits shrink by the speed, but work does not: what takes a real millisecond takes `speed` simulated ones, and
timers are late by that much.
"""

import asyncio
import math
import selectors
import time
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaledSeconds:
    """Monotonic seconds that run `speed` times as fast, and agree with the machine's at `epoch_s`.

    `epoch_s` is a reading of `time.monotonic()`, taken once and given to every process.

    Raises:
        ValueError: the speed is not a number above 0, or the epoch is not a number.
    """

    speed: float
    epoch_s: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.speed) and self.speed > 0.0):
            raise ValueError(f"speed is {self.speed:g}, must be more than 0")
        if not math.isfinite(self.epoch_s):
            raise ValueError(f"epoch_s is {self.epoch_s:g}, must be a reading of the monotonic clock")

    def __call__(self) -> float:
        return self.epoch_s + (time.monotonic() - self.epoch_s) * self.speed

    def real_s(self, scaled_s: float) -> float:
        """How long so many scaled seconds take on the wall."""
        return scaled_s / self.speed


class ScaledSelector(selectors.SelectSelector):
    """Waits for the real length of a scaled timeout.

    Plain `select`, because epoll rounds every wait up to a whole millisecond: at 60 times the speed, half of
    all timers came 50 ms late and more under epoll and 20 ms under select.
    """

    def __init__(self, seconds: ScaledSeconds) -> None:
        super().__init__()
        self._seconds = seconds

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        return super().select(None if timeout is None else self._seconds.real_s(timeout))


class ScaledTimeLoop(asyncio.SelectorEventLoop):
    """An event loop whose `time()` is scaled; every sleep and timeout in it is in scaled seconds."""

    def __init__(self, speed: float, epoch_s: float) -> None:
        self._seconds = ScaledSeconds(speed=speed, epoch_s=epoch_s)
        super().__init__(ScaledSelector(self._seconds))

    def time(self) -> float:
        """Scaled monotonic seconds."""
        return self._seconds()
