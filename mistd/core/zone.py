"""The state of one zone: what its valve does, when its next burst is due, who keeps it dry.

This file knows one zone at a time. It does not know the line, the other zones or the weather. All instants
are monotonic seconds; minus infinity stands for never, plus infinity for not until something else happens.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf

from mistd.core.almanac import Almanac, DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.demand_cycles import DemandCycle
from mistd.core.demand_source import SourceState
from mistd.core.meters import ELAPSED_TIME
from mistd.core.plan import ZonePlan
from mistd.core.requests import AskBurst, AskHold
from mistd.core.settings import CycleSet
from mistd.core.zone_demand import Since, ZoneDemand, due_by_demand_s, marked

HOLD_WARNING_S = 120.0  # a hold says this long before its end that mist is coming (design, section 4)
REPORT_GRACE_S = 2.0  # the keeper's word on a burst is overdue this long after the burst should be over


class Phase(StrEnum):
    """What the zone's valve does, as far as the keeper has told us."""

    RESTING = "resting"
    ORDERED = "ordered"  # the keeper was asked to open it and has not answered yet
    OPEN = "open"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """A zone kept dry for people at work in it."""

    ends_s: float
    author: str
    note: str
    is_warned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """A grower's plus or minus on a zone's water, for a while."""

    fraction: float  # of the water: 0.1 is a tenth more
    ends_s: float
    author: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """Nobody may come into the zone, after a spray say; mist goes on."""

    ends_s: float
    author: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Skip:
    """The next burst is to be left out, if it falls due in time."""

    ends_s: float
    author: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterCount:
    """What a zone was given in one local day."""

    bursts: int = 0
    open_s: float = 0.0
    water_l: float = 0.0

    def plus(self, open_s: float, water_l: float) -> "WaterCount":
        return WaterCount(bursts=self.bursts + 1, open_s=self.open_s + open_s, water_l=self.water_l + water_l)


@dataclass(slots=True, kw_only=True)
class Zone:
    """The state of one zone. A decision copies it once before it changes it."""

    plan: ZonePlan
    phase: Phase = Phase.RESTING
    ticket: int = 0
    slot: int = 0
    ordered_s: float = -inf
    ordered_for_s: float = 0.0
    burst_reason: str = ""  # why the burst that was ordered last was due
    last_reason: str = ""  # why the burst that began last was due
    asked: AskBurst | None = None  # the request that the running burst answers
    opened_s: float = -inf
    shut_s: float = -inf
    mark: float = -inf  # reading of the cycle's meter at which the next burst is due
    due_s: float = -inf  # the same as an instant
    held_until_s: float = -inf  # a guard has spoken: not before this
    refused_s: float = -inf  # when the keeper last refused the burst that is due
    is_waiting: bool = False  # due, and waiting for the line
    waiting_since_s: float = -inf
    is_unproved: bool = False  # its valve was not reported shut when it should have been
    timetable: TimedCycle | None = None  # None: as the house's file says
    cycle_set: CycleSet | None = None  # None: as the house's file says
    trim: Trim | None = None
    closed: Closed | None = None
    skip: Skip | None = None
    skipped_s: float = -inf  # when a burst was last left out on request: the gap counts from then
    hold: Hold | None = None
    held_when_shut: tuple[AskHold, ...] = ()  # asked for while it mists: answered when the valve is shut
    today: WaterCount = WaterCount()
    yesterday: WaterCount = WaterCount()
    demand: ZoneDemand | None = None  # None: led by its timetable since the start

    @property
    def cycle(self) -> TimedCycle:
        """Its timetable as it is set now: of a zone on demand, what leads when nothing else can."""
        return self.timetable or self.plan.cycle

    @property
    def demand_cycle(self) -> DemandCycle | None:
        """What leads it as it is set now; None: its timetable does, whatever is remembered in `demand`."""
        return self.cycle_set.cycle if self.cycle_set else self.plan.demand

    def mists_in(self, part: DayPart) -> bool:
        """Whether it has any mist of its own in this part of the day."""
        cycle = self.demand_cycle
        if cycle is None:
            return self.cycle.burst_s(part) is not None
        return cycle.bounds[part] is not None

    def copied(self) -> "Zone":
        """A copy to change, while whoever holds this one keeps it as it was.

        Field by field: every burst copies its zone some times, and a call with all fields takes four times as
        long.
        """
        copy = object.__new__(Zone)
        copy.plan = self.plan
        copy.phase = self.phase
        copy.ticket = self.ticket
        copy.slot = self.slot
        copy.ordered_s = self.ordered_s
        copy.ordered_for_s = self.ordered_for_s
        copy.burst_reason = self.burst_reason
        copy.last_reason = self.last_reason
        copy.asked = self.asked
        copy.opened_s = self.opened_s
        copy.shut_s = self.shut_s
        copy.mark = self.mark
        copy.due_s = self.due_s
        copy.held_until_s = self.held_until_s
        copy.refused_s = self.refused_s
        copy.is_waiting = self.is_waiting
        copy.waiting_since_s = self.waiting_since_s
        copy.is_unproved = self.is_unproved
        copy.timetable = self.timetable
        copy.cycle_set = self.cycle_set
        copy.trim = self.trim
        copy.closed = self.closed
        copy.skip = self.skip
        copy.skipped_s = self.skipped_s
        copy.hold = self.hold
        copy.held_when_shut = self.held_when_shut
        copy.today = self.today
        copy.yesterday = self.yesterday
        copy.demand = self.demand
        return copy


def set_mark(zone: Zone, part: DayPart) -> None:
    """Work out anew when the next burst is due; a zone that was never misted has been due for ever."""
    since_s = zone.shut_s if zone.shut_s >= zone.skipped_s else zone.skipped_s
    trim = zone.trim.fraction if zone.trim else 0.0
    zone.mark = zone.cycle.due_after(ELAPSED_TIME.reads(since_s), part, trim)
    zone.due_s = ELAPSED_TIME.reaches_at_s(zone.mark)


def mark(zone: Zone, almanac: Almanac, sources: Sequence[SourceState], now_s: float) -> None:
    """The same for any zone; `due_s` of one on demand is the latest instant, its meter may be sooner."""
    cycle, demand = zone.demand_cycle, zone.demand
    if cycle is None or demand is None:
        set_mark(zone, almanac.part)
        return
    timed = zone.cycle.parts[almanac.part]
    since = Since(
        shut_s=zone.shut_s,
        skipped_s=zone.skipped_s,
        trim=zone.trim.fraction if zone.trim else 0.0,
        timed_gap_s=timed.gap_s if timed else None,
    )
    zone.demand, zone.due_s = marked(demand, cycle, since, sources, almanac, now_s)
    zone.mark = zone.due_s


def due_s(zone: Zone, sources: Sequence[SourceState]) -> float:
    """The instant at which the zone is due, as the meters run now."""
    demand, cycle = zone.demand, zone.demand_cycle
    if demand is None or cycle is None or zone.is_waiting:
        return zone.due_s
    return due_by_demand_s(demand, cycle, zone.due_s, sources)


def attention_s(zone: Zone, sources: Sequence[SourceState] = ()) -> float:
    """The next instant at which this zone needs a decision; infinite while it only waits for the line."""
    attention = inf
    if zone.phase is not Phase.RESTING:
        attention = zone.ordered_s + zone.ordered_for_s + REPORT_GRACE_S
    elif not zone.is_waiting:
        attention = max(zone.due_s if zone.demand is None else due_s(zone, sources), zone.held_until_s)
    if zone.hold:
        attention = min(attention, next_hold_duty_s(zone.hold))
    if zone.trim or zone.closed or zone.skip:
        passing = (zone.trim, zone.closed, zone.skip)
        attention = min(attention, *(each.ends_s for each in passing if each))
    return attention


def next_hold_duty_s(hold: Hold) -> float:
    """When the hold has to speak next: two minutes before its end, then at its end."""
    return hold.ends_s if hold.is_warned else hold.ends_s - HOLD_WARNING_S
