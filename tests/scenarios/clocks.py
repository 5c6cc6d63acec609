"""Days in which the wall clock is moved, distrusted or wrong from the start, and what it really was.

Answers for: what happens to a clock, as a list of moves, and the day that a house lives with it. The truth is
the list: what the wall clock says at each instant is worked out here, not by the house.
Does not know what is promised; see `clock_promises`. Rule: the monotonic clock is never touched.
"""

import asyncio
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from itertools import accumulate
from math import inf
from zoneinfo import ZoneInfo

from simulators.bench_clock import LoopClock
from simulators.memory_store import MemoryDisk, MemoryStore
from simulators.rig import Rig
from tests.scenarios.days import S_PER_DAY, Day, Excuse, hours, until

STEP_S = 2.0  # a smaller move of the clock is no step
BRUSSELS = ZoneInfo("Europe/Brussels")
STARTS_AT = datetime(2025, 3, 27, 21, tzinfo=UTC)  # ten in the evening; most stories play on the next day
LIVES_FOR_S = hours(50.5)  # over three midnights; summer time begins after the third
LOOK_S = 120.0  # how often the house looks at its clock at least; on a machine it is every few seconds
LAST_S = 15.0  # of a story; longer than any burst
MOST_LOOKS = 2000  # at one instant: a house whose loop no longer waits would hang the test


class BusyLoopError(AssertionError):
    """Time does not go on, and the house looks at its clock again and again."""


@dataclass(slots=True, kw_only=True)
class WatchedClock(LoopClock):
    """A clock that ends the run when it is looked at without end at one instant."""

    looked_at_s: float = -inf
    looks: int = 0

    def utc(self) -> datetime:
        now_s = self.now_s()
        self.looks = self.looks + 1 if now_s == self.looked_at_s else 0
        self.looked_at_s = now_s
        if self.looks > MOST_LOOKS:
            raise BusyLoopError(f"more than {MOST_LOOKS} looks at {now_s} s")
        return LoopClock.utc(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """What happens to the wall clock at a monotonic instant."""

    at_s: float
    by_s: float = 0.0
    is_trusted: bool = True
    is_synchronised: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Somebody asks to have a zone held dry."""

    zone: str
    at_s: float
    for_s: float


@dataclass
class ClockDay(Day):
    """What was lived, and what the wall clock did meanwhile."""

    starts_at: datetime = datetime(2025, 1, 1, tzinfo=UTC)  # the true time at second 0
    moves: Sequence[Move] = ()
    holds: list[Held] = field(default_factory=list)
    look_s: float = LOOK_S
    begins_s: list[float] = field(default_factory=list)  # of each rig
    ends_s: list[float] = field(default_factory=list)

    @property
    def lived_s(self) -> float:
        """For how long a house was running in all."""
        return sum(self.ends_s) - sum(self.begins_s)

    @property
    def time_zone(self) -> ZoneInfo:
        return ZoneInfo(self.config.place.time_zone)

    def true_time(self, at_s: float) -> datetime:
        """Local time by a clock that is right."""
        return (self.starts_at + timedelta(seconds=at_s)).astimezone(self.time_zone)

    def off_by_s(self, at_s: float) -> float:
        """How far ahead the wall clock is at an instant."""
        return self._sums_s[bisect_right(self._moved_s, at_s)]

    @cached_property
    def _moved_s(self) -> list[float]:
        return [move.at_s for move in self.moves]

    @cached_property
    def _sums_s(self) -> list[float]:
        return list(accumulate((move.by_s for move in self.moves), initial=0.0))

    def wall_time(self, at_s: float) -> datetime:
        """Local time by the house's own clock."""
        return (self.starts_at + timedelta(seconds=at_s + self.off_by_s(at_s))).astimezone(self.time_zone)

    @cached_property
    def jumps(self) -> list[Move]:
        """The moves that the house has to notice: steps, and changes of trust."""
        pairs = zip([Move(at_s=-inf), *self.moves], self.moves, strict=False)
        return [
            move
            for before, move in pairs
            if abs(move.by_s) > STEP_S or move.is_trusted is not before.is_trusted
        ]

    def is_living(self, at_s: float) -> bool:
        """Whether a house was running at an instant."""
        return any(begin_s < at_s < end_s for begin_s, end_s in zip(self.begins_s, self.ends_s, strict=True))

    def ahead_s(self, at_s: float) -> float:
        """How far the time of day by the house's clock is ahead of the true one; summer time counts."""
        off = self.wall_time(at_s).replace(tzinfo=None) - self.true_time(at_s).replace(tzinfo=None)
        return (off.total_seconds() + S_PER_DAY / 2) % S_PER_DAY - S_PER_DAY / 2

    def since_midnight_s(self, at_s: float) -> float:
        """How long the local date has lasted by the house's clock."""
        wall = self.wall_time(at_s)
        return (wall.astimezone(UTC) - self._midnight(wall.date())).total_seconds()

    def is_trusted(self, at_s: float) -> bool:
        """Whether the house may believe its clock at an instant."""
        number = bisect_right(self._moved_s, at_s)
        return self.moves[number - 1].is_trusted if number else True

    def true_midnights_s(self) -> list[float]:
        """Every local midnight that passed, by a clock that is right."""
        return [(midnight - self.starts_at).total_seconds() for midnight in self._midnights()]

    def _midnights(self) -> Iterator[datetime]:
        day = self.true_time(0.0).date()
        end = self.true_time(self.ended_s)
        while True:
            day += timedelta(days=1)
            midnight = self._midnight(day)
            if midnight > end:
                return
            yield midnight

    def _midnight(self, day: date) -> datetime:
        return datetime.combine(day, time(), self.time_zone).astimezone(UTC)

    def live_on(
        self,
        for_s: float,
        *,
        disk: MemoryDisk | None = None,
        begins_s: float = 0.0,
        boot_id: str = "bench",
        is_cut: bool = False,
    ) -> MemoryDisk:
        """Let a rig live for so long from `begins_s` on, by its moves and holds.

        Returns what it has kept: all, or of a rig that is cut off what a failing power leaves of it.
        """
        rig = self._rig(disk, begins_s, boot_id)
        disks = list[MemoryDisk]()

        async def beside(rig: Rig) -> None:
            await asyncio.gather(
                self._hands(rig, begins_s),
                self._people(rig, begins_s),
                self._end_quietly(rig, begins_s + for_s, disks),
            )

        self.ended_s = begins_s
        self.live(rig, for_s, beside)
        self.begins_s.append(begins_s)
        self.ends_s.append(self.ended_s)
        if is_cut:
            disks[0].noted.clear()
        return disks[0] if is_cut else rig.store.disk

    def _rig(self, disk: MemoryDisk | None, begins_s: float, boot_id: str) -> Rig:
        rig = Rig(
            self.config,
            self.starts_at,
            store=MemoryStore(disk=disk),
            begins_s=begins_s,
            boot_id=boot_id,
            longest_wait_s=self.look_s,
        )
        rig.clock = WatchedClock(starts_at=self.starts_at)
        for move in self.moves:
            if move.at_s <= begins_s:
                _apply(rig, move)
        return rig

    async def _hands(self, rig: Rig, begins_s: float) -> None:
        for move in self.moves:
            if move.at_s > begins_s:
                await asyncio.sleep(move.at_s - rig.clock.now_s())
                _apply(rig, move)

    async def _people(self, rig: Rig, begins_s: float) -> None:
        for number, held in enumerate(self.holds):
            if held.at_s > begins_s:
                await asyncio.sleep(held.at_s - rig.clock.now_s())
                rig.ask("hold", f"hold-{number}", zone=held.zone, for_s=held.for_s, author="Ida")
                self.excuses.append(Excuse(held.zone, held.at_s, held.at_s + held.for_s))

    async def _end_quietly(self, rig: Rig, ends_s: float, disks: list[MemoryDisk]) -> None:
        """The keeper goes when no line is open, so that the end of the story cuts no burst."""
        await asyncio.sleep(ends_s - LAST_S - rig.clock.now_s())
        await until(lambda: not rig.keeper.open_lines())
        self.excuses.append(Excuse(None, rig.clock.now_s(), ends_s))
        rig.keeper.die()
        disks.append(deepcopy(rig.store.disk))


def _apply(rig: Rig, move: Move) -> None:
    rig.clock.stepped_by += timedelta(seconds=move.by_s)
    rig.clock.trusted, rig.clock.synchronised = move.is_trusted, move.is_synchronised


def second_of(local: str) -> float:
    """When it is so late, by the true time, on the day of most stories."""
    at = datetime.fromisoformat(f"2025-03-28T{local}").replace(tzinfo=BRUSSELS)
    return (at - STARTS_AT).total_seconds()
