"""Every message of a house, as closed models: they check what comes in and make what goes out.

A key that is not in a model is refused. Instants are ISO 8601 with an offset; lengths of time are seconds.
"""

from datetime import UTC, datetime
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

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
LONGEST_ASKED_S = 86_400.0  # far above any limit of a house: the house itself says what its limit is


class Message(BaseModel):
    """A closed message."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Asked(Message):
    """What every request carries: an id of the asker's own, the zone, when it was issued, by whom."""

    id: RequestId
    zone: ZoneName
    issued_at: Instant
    author: Author = "unnamed"


class BurstAsked(Asked):
    """One burst now; without a length, as long as the cycle's own."""

    for_s: float | None = Field(default=None, gt=0, le=LONGEST_ASKED_S, strict=True)


class HoldAsked(Asked):
    """Keep a zone dry while people work in it."""

    for_s: float = Field(gt=0, le=LONGEST_ASKED_S, strict=True)
    note: Note = ""


class ReleaseAsked(Asked):
    """End a hold before its time."""


REQUESTS: dict[str, type[Asked]] = {"burst": BurstAsked, "hold": HoldAsked, "release": ReleaseAsked}


class Answer(Message):
    """How a request ended."""

    id: str | None  # None when the request was so broken that its id could not be read
    outcome: Literal["done", "refused", "not_kept"]
    reason: str
    figures: dict[str, float | str]
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
    figures: dict[str, float | str]


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


class DayCount(Message):
    """What a zone was given in one local day."""

    bursts: int
    open_s: float
    water_l: float


class ZoneTold(Message):
    """One zone."""

    zone: str
    title: str
    doing: Literal["resting", "ordered", "misting", "waiting", "held", "off"]
    why: str
    next_burst_at: Moment | None
    last_burst: LastBurst | None
    hold: HoldTold | None
    today: DayCount
    yesterday: DayCount


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
