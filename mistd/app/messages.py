"""Every message of a house, as closed models: they check what comes in and make what goes out.

A key that is not in a model is refused. Instants are ISO 8601 with an offset; lengths of time are seconds.
"""

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

from mistd.core.settings import SettingKind

RequestId = Annotated[str, StringConstraints(min_length=1, max_length=64, strict=True)]
ZoneName = Annotated[str, StringConstraints(min_length=1, max_length=31, strict=True)]
Author = Annotated[str, StringConstraints(min_length=1, max_length=60, strict=True)]
Note = Annotated[str, StringConstraints(max_length=200, strict=True)]
Instant = Annotated[
    AwareDatetime, Field(strict=True, description="an instant with its offset, as 2026-06-21T12:00:00Z")
]
Moment = Annotated[
    AwareDatetime, Field(ge=datetime(1900, 1, 1, tzinfo=UTC), le=datetime(9000, 1, 1, tzinfo=UTC))
]  # so far from the ends of the calendar that it can be told in any zone
LARGEST_ID = 2**53  # whole numbers that every JSON reader takes as they are
LONGEST_ASKED_S = 86_400.0  # far above any limit of a house: the house itself says what its limit is


class Message(BaseModel):
    """A closed message."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Asked(Message):
    """What every request carries: an id of the asker's own, when it was issued, by whom."""

    id: RequestId
    issued_at: Instant
    author: Author = "unnamed"


class ZoneAsked(Asked):
    """Something is asked of a zone."""

    zone: ZoneName


class BurstAsked(ZoneAsked):
    """One burst now; without a length, as long as the cycle's own."""

    for_s: float | None = Field(default=None, gt=0, le=LONGEST_ASKED_S, strict=True)


class HoldAsked(ZoneAsked):
    """Keep a zone dry while people work in it."""

    for_s: float = Field(gt=0, le=LONGEST_ASKED_S, strict=True)
    note: Note = ""


class ReleaseAsked(ZoneAsked):
    """End a hold before its time."""


class SettingAsked(ZoneAsked):
    """Set something of a zone; without a value, back to what the house's file says."""

    setting: SettingKind
    value: dict[str, Any] | None  # as the setting's own form says
    note: Note = ""
    expected_revision: int | None = Field(default=None, ge=0, le=LARGEST_ID, strict=True)


class UndoAsked(Asked):
    """Take a change back."""

    revision: int = Field(ge=1, le=LARGEST_ID, strict=True)
    note: Note = ""


class AlarmAsked(Asked):
    """Do something about an alarm."""

    alarm: str = Field(default="", max_length=80, strict=True)  # KIND or KIND/SUBJECT; empty: all (silence)
    action: Literal[
        "acknowledge", "silence", "shelve", "unshelve", "reset", "out_of_service", "in_service"
    ] = Field(alias="do")
    occurrence: int | None = Field(default=None, ge=1, le=LARGEST_ID, strict=True)  # the one that was seen
    for_s: float | None = Field(default=None, gt=0, le=LONGEST_ASKED_S, strict=True)
    note: Note = ""


REQUESTS: dict[str, type[Asked]] = {
    "burst": BurstAsked,
    "hold": HoldAsked,
    "release": ReleaseAsked,
    "set": SettingAsked,
    "undo": UndoAsked,
    "alarm": AlarmAsked,
}


class Answer(Message):
    """How a request ended."""

    id: str | None  # None when the request was so broken that its id could not be read
    outcome: Literal["done", "refused", "not_kept"]
    reason: str
    figures: dict[str, int | float | str]
    answered_at: Moment


class BenchClock(Message):
    """The clock of a simulated house: what it said at a real instant, and how fast it runs."""

    house_at: Moment
    real_at: Moment
    speed: float

    def house_time(self, real: datetime) -> datetime:
        """What the house's clock says at a real instant.

        Raises:
            OverflowError: such a clock has run off the calendar.
        """
        return self.house_at + (real - self.real_at) * self.speed


class Status(Message):
    """Whether the daemon is there."""

    state: Literal["online", "offline"]
    house: str
    version: str
    driver: str  # what drives the valves; "simulated" moves no water
    since: Moment | None
    bench: BenchClock | None = None  # only for a simulated house


class EventTold(Message):
    """Something that happened."""

    event: str
    at: Moment
    subject: str
    reason: str
    figures: dict[str, int | float | str]


class LastBurst(Message):
    """The last burst of a zone."""

    began_at: Moment
    ended_at: Moment | None
    lasted_s: float | None


class HoldTold(Message):
    """A hold in force."""

    until: Moment
    by: str
    note: str


class TrimTold(Message):
    """A trim in force."""

    percent: float
    until: Moment
    by: str
    note: str


class SkipTold(Message):
    """The next burst is to be left out, if it falls due by then."""

    until: Moment
    by: str
    note: str


class DayCount(Message):
    """What a zone was given in one local day."""

    bursts: int
    open_s: float
    water_l: float


class DemandTold(Message):
    """What leads a zone on demand, how far its leaves have dried, and its bounds in this part of the day.

    Film and sum go on from `as_of` at the pace that is told with them.
    """

    cycle: Literal["vpd", "leaf_wetness", "film"]
    led_by: Literal["vpd", "leaf_wetness", "film", "own_week", "timetable"]
    led_since: Moment | None  # since when not by its own cycle; None while that leads
    why: str  # not by its own cycle; empty while that leads
    doubts: list[str]  # readings that it does without, in words
    as_of: Moment
    film_um: float | None = Field(
        ge=0
    )  # of the driest quarter, as reckoned; None: there are no readings to reckon by
    holds_um: float = Field(gt=0)  # what a leaf holds before it drips
    film_unsure_percent: float | None  # how far the reckoned pace of drying may be off
    drying_um_per_h: float | None = Field(ge=0)  # what the air asks of a leaf that is wet all over
    wet_percent: float | None  # of the driest quarter, as reckoned
    sensor_wet_percent: float | None  # of the driest trusted sensor; None until it has settled after a burst
    dry_back_percent: float  # a burst is due when no more is wet
    sum_kpa_h: float | None  # vpd only, as are the next two
    set_point_kpa_h: float | None  # without a trim
    deficit_kpa: float | None  # at which the sum grows; weighed by light where that is measured
    shortest_gap_s: float | None  # in this part of the day; None where the zone has no mist in it
    longest_gap_s: float | None
    is_sparse: bool  # a burst after each longest gap and no other
    latest_at: Moment | None  # the end of the longest gap; led by no readings, when the next burst is due
    mists_in: list[Literal["night", "dawn", "day", "dusk"]]  # parts of the day with mist


class ZoneTold(Message):
    """One zone."""

    zone: str
    title: str
    doing: Literal["resting", "ordered", "misting", "waiting", "held", "off"]
    why: str
    next_burst_at: Moment | None
    last_burst: LastBurst | None
    hold: HoldTold | None
    closed: HoldTold | None
    trim: TrimTold | None
    skip: SkipTold | None
    today: DayCount
    yesterday: DayCount
    demand: DemandTold | None = None  # None: a timed zone


class SettingTold(Message):
    """One setting of a zone, as it stands."""

    setting: str
    value: dict[str, Any] | None
    revision: int  # 0: nobody ever set it, the house's file says so
    by: str
    at: Moment | None
    until: Moment | None
    note: str


class SettingsTold(Message):
    """Every setting of a zone."""

    zone: str
    settings: list[SettingTold]


class ChangeTold(Message):
    """One change of a setting."""

    revision: int
    zone: str
    setting: str
    value: dict[str, Any] | None
    said: str
    until: Moment | None
    by: str
    note: str
    at: Moment
    undoes: int | None


class ChangesTold(Message):
    """The newest changes, newest first."""

    changes: list[ChangeTold]


class HouseTold(Message):
    """The house as a whole."""

    house: str
    title: str
    part: Literal["night", "dawn", "day", "dusk"]
    local_date: str
    is_light: bool
    time_trusted: bool
    frost: bool
    keeper_ready: bool
    keeper_trouble: str
    water_today_l: float
    zones: list[str]
    sensors: list[str]


class SensorTold(Message):
    """A sensor's last good reading."""

    sensor: str
    kind: str
    value: float | None
    unit: str
    at: Moment | None
    is_good: bool
    wet_percent: float | None = None  # of a leaf-wetness sensor, by its own dry and wet value
    doubt: str | None = None  # why such a sensor is not believed; None while it is


class ShelfTold(Message):
    """An alarm put aside for a time."""

    since: Moment
    until: Moment
    by: str
    note: str


class OutOfServiceTold(Message):
    """An alarm taken out of service, until it is put back."""

    since: Moment
    by: str
    note: str


class AlarmTold(Message):
    """One alarm, while there is something to know of it; its topic is emptied when there is not."""

    alarm: str  # KIND/SUBJECT, as requests name it
    kind: str
    subject: str
    title: str
    priority: Literal["high", "medium", "low"]
    state: Literal[
        "normal", "unacknowledged", "acknowledged", "returned", "latched_unacknowledged", "latched"
    ]
    mask: Literal["out_of_service", "suppressed_by_design", "shelved"] | None
    occurrence: int  # what an acknowledgement has to name
    since: Moment | None  # when it was last raised
    over_at: Moment | None  # when its cause went, while it waits for people
    reason: str
    figures: dict[str, float | str]
    is_first: bool  # of a cascade
    cause: str
    consequence: str
    what_to_do: list[str]
    respond_within_s: float
    may_wake: bool
    acknowledged_by: str | None  # this occurrence
    acknowledged_at: Moment | None
    is_silenced: bool
    shelved: ShelfTold | None
    out_of_service: OutOfServiceTold | None
    raised_unseen: int  # how often under the mask that is on it


class AlarmsTold(Message):
    """All alarms in sum: those that are to be seen, by priority, and whether people are called now."""

    high: int
    medium: int
    low: int
    unacknowledged: int
    masked: int
    is_sounding: bool
    is_flood: bool
    first: str | None  # KIND/SUBJECT of what came first of those that nobody has seen yet
    topmost: str | None  # KIND/SUBJECT of the most pressing
    topmost_said: str

    @property
    def count(self) -> int:
        """How many are to be seen."""
        return self.high + self.medium + self.low
