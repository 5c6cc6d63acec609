"""What an alarm is, and the tables of its life: raised, acknowledged, returned, latched, masked, cleared.

An alarm needs a person's timely answer; anything else is an event. The life cycle is that of ISA-18.2 and
IEC 62682, in the words of their open counterpart OPC 10000-9: acknowledging is having seen, never having
mended; a mask hides from people and changes nothing else.

This file knows one alarm at a time, and neither clock nor house. `alarm_life` walks the tables.

Rule: the tables are the whole of it; what has no entry is refused or changes nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf

SHELF_WARNING_S = 120.0  # a shelving says this long before its end that the alarm is coming back
CHATTER_ALARMS = 3  # raised so often within a minute, it chatters (ISA-18.2 practice, start value)
CHATTER_WITHIN_S = 60.0
STALE_AFTER_S = 86_400.0  # an alarm active for more than a day is stale (ISA-18.2 practice)


class Priority(StrEnum):
    """How soon plants are harmed when nobody answers."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class About(StrEnum):
    """What the subject of a kind of alarm is."""

    HOUSE = "house"
    ZONE = "zone"
    SENSOR = "sensor"
    PART = "part"  # a part of the program, or a setting: named by whoever reports it


class Life(StrEnum):
    """Where an alarm stands; the letters are those of the standards' figure."""

    NORMAL = "normal"  # A
    UNACKNOWLEDGED = "unacknowledged"  # B: active, not seen
    ACKNOWLEDGED = "acknowledged"  # C: active, seen
    RETURNED = "returned"  # D: over before it was seen
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"  # E: over, held, not seen
    LATCHED = "latched"  # F: over, held, seen; a person resets it


class Happening(StrEnum):
    """What can happen to an alarm, masked or not."""

    CONDITION_ON = "condition_on"
    CONDITION_OFF = "condition_off"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"


class Mask(StrEnum):
    """Why an alarm is in a list of its own, not among the active ones; the first that holds is shown."""

    OUT_OF_SERVICE = "out_of_service"  # I
    BY_DESIGN = "suppressed_by_design"  # H
    SHELVED = "shelved"  # G


L, H = Life, Happening
Table = Mapping[Life, Mapping[Happening, Life]]

TRANSITIONS: Table = {
    L.NORMAL: {H.CONDITION_ON: L.UNACKNOWLEDGED},
    L.UNACKNOWLEDGED: {H.CONDITION_OFF: L.RETURNED, H.ACKNOWLEDGE: L.ACKNOWLEDGED},
    L.ACKNOWLEDGED: {H.CONDITION_OFF: L.NORMAL, H.ACKNOWLEDGE: L.ACKNOWLEDGED},
    L.RETURNED: {H.CONDITION_ON: L.UNACKNOWLEDGED, H.ACKNOWLEDGE: L.NORMAL},
}

LATCHING: Table = {
    L.NORMAL: {H.CONDITION_ON: L.UNACKNOWLEDGED},
    L.UNACKNOWLEDGED: {H.CONDITION_OFF: L.LATCHED_UNACKNOWLEDGED, H.ACKNOWLEDGE: L.ACKNOWLEDGED},
    L.ACKNOWLEDGED: {H.CONDITION_OFF: L.LATCHED, H.ACKNOWLEDGE: L.ACKNOWLEDGED},
    L.LATCHED_UNACKNOWLEDGED: {H.CONDITION_ON: L.UNACKNOWLEDGED, H.ACKNOWLEDGE: L.LATCHED},
    L.LATCHED: {H.CONDITION_ON: L.UNACKNOWLEDGED, H.ACKNOWLEDGE: L.LATCHED, H.RESET: L.NORMAL},
}

# Masked, an alarm goes the same ways unseen and counted, but cannot be acknowledged.
# When the last mask goes: still on, it is raised anew however it was left; over, only a latch is kept.
LEAVING_MASK: Mapping[Life, Life] = {
    L.NORMAL: L.NORMAL,
    L.UNACKNOWLEDGED: L.UNACKNOWLEDGED,
    L.ACKNOWLEDGED: L.UNACKNOWLEDGED,
    L.RETURNED: L.NORMAL,
    L.LATCHED_UNACKNOWLEDGED: L.LATCHED_UNACKNOWLEDGED,
    L.LATCHED: L.LATCHED,
}

ACTIVE = frozenset({L.UNACKNOWLEDGED, L.ACKNOWLEDGED})  # its condition is on
HEARD = frozenset({L.UNACKNOWLEDGED, L.LATCHED_UNACKNOWLEDGED})  # the lives that may sound


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow:
    """One kind of alarm: what it is, what it leads to, what to do, and how it behaves."""

    kind: str
    about: About
    priority: Priority
    title: str
    cause: str
    consequence: str  # for the plants
    remedy: tuple[str, ...]  # in steps
    respond_within_s: float
    longest_shelf_s: float
    on_delay_s: float = 0.0  # its condition has to hold for all of this before it is raised
    off_delay_s: float = 0.0  # and to be gone for all of this before it is over
    is_latching: bool = False  # over, it is held until a person resets it
    may_wake: bool = False  # may sound at night
    remind_after_s: float = (
        inf  # raised again when it was silenced or acknowledged and is still on after this
    )
    follows: tuple[str, ...] = ()  # kinds that, while on, explain this one
    settles_s: float = 0.0  # it stays explained for so long after they are over

    @property
    def table(self) -> Table:
        """The ways its life can go."""
        return LATCHING if self.is_latching else TRANSITIONS


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """Put aside by a person, for a time."""

    since_s: float
    until_s: float
    author: str
    note: str
    is_warned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfService:
    """Taken out of service by a person, for work on what it watches."""

    since_s: float
    author: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One alarm of one subject."""

    row: AlarmRow
    subject: str
    life: Life = Life.NORMAL
    occurrence: int = 0  # names the last time it was raised, seen or unseen
    raised_s: float = -inf
    over_s: float = -inf  # when its condition last went
    reason: str = ""
    figures: Mapping[str, float | str] = field(default_factory=dict)
    is_first: bool = False  # of a cascade: none that is kin to it was active when it was raised
    acknowledged: int = 0  # the last occurrence that was
    acknowledged_s: float = -inf
    acknowledged_by: str = ""
    is_silenced: bool = False
    put_off_s: float = -inf  # when it was last acknowledged or silenced
    is_wanted: bool = False  # the condition as it was last seen, before its delays
    wanted_s: float = -inf  # since when
    patience_s: float = 0.0  # what its condition asked for besides the on-delay of its kind
    is_looked_at: bool = True  # since the program started; until then time alone neither raises nor ends it
    shelf: Shelf | None = None
    service: OutOfService | None = None
    is_by_design: bool = False
    unseen: int = 0  # how often it was raised under the mask that is on it
    raisings_s: tuple[float, ...] = ()  # the last few, to tell chatter

    @property
    def is_on(self) -> bool:
        """Its condition, after the delays."""
        return self.life in ACTIVE

    @property
    def mask(self) -> Mask | None:
        """The mask that is shown; None for an alarm that people see."""
        if self.service:
            return Mask.OUT_OF_SERVICE
        if self.is_by_design:
            return Mask.BY_DESIGN
        return Mask.SHELVED if self.shelf else None

    @property
    def sounds(self) -> bool:
        """Whether it wants to be heard."""
        return self.life in HEARD and not self.is_silenced and self.mask is None

    @property
    def next_s(self) -> float:
        """When it has to be looked at though nothing new is seen; infinite when never."""
        return min(self.delay_ends_s, self.shelf_duty_s, self.reminder_s)

    @property
    def delay_ends_s(self) -> float:
        """When its condition will have held, or been gone, for long enough; infinite when it has."""
        if self.is_wanted is self.is_on or not self.is_looked_at:
            return inf
        if self.is_wanted:
            return self.wanted_s + self.row.on_delay_s + self.patience_s
        return self.wanted_s + self.row.off_delay_s

    @property
    def shelf_duty_s(self) -> float:
        """When its shelving has to speak, or ends."""
        if self.shelf is None:
            return inf
        return self.shelf.until_s if self.shelf.is_warned else self.shelf.until_s - SHELF_WARNING_S

    @property
    def reminder_s(self) -> float:
        """When it is raised again though nothing has changed, for nobody has mended it."""
        is_put_off = self.life is L.ACKNOWLEDGED or (self.life is L.UNACKNOWLEDGED and self.is_silenced)
        if not is_put_off or self.mask is not None:
            return inf
        return self.put_off_s + self.row.remind_after_s

    def is_stale(self, now_s: float) -> bool:
        """Whether it has been active for more than a day."""
        return self.is_on and now_s - self.raised_s > STALE_AFTER_S

    def chatters(self, now_s: float) -> bool:
        """Whether it has been raised three times within the last minute."""
        is_full = len(self.raisings_s) == CHATTER_ALARMS
        return is_full and now_s - self.raisings_s[0] < CHATTER_WITHIN_S
