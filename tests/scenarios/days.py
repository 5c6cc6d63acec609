"""A day in the life of a house, as it was lived on the rig, and what may excuse a late burst.

Answers for: the example house under another sky, one record of what its lines did and what was told, made of
one rig or of several that followed each other.
Does not know what is promised; see `promises`. Rule: what a line did is taken from the keeper's edges.
"""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from mistd.app.config import Config
from mistd.app.config_file import load_config
from mistd.app.messages import (
    AlarmsTold,
    AlarmTold,
    Answer,
    ChangesTold,
    EventTold,
    HouseTold,
    Message,
    SensorTold,
    SettingsTold,
    Status,
    ZoneTold,
)
from mistd.app.topics import Topics
from mistd.core.almanac import DayPart
from mistd.ports.bus import Outgoing
from simulators.memory_bus import MemoryBus
from simulators.plant.weather import Weather
from simulators.rig import Beside, Rig
from tests.app.house_files import Change, several, timed_example, toml_of, written

S_PER_HOUR = 3600.0
S_PER_DAY = 86_400.0
MIDNIGHT = datetime(2025, 6, 12, 5, tzinfo=UTC)  # on standard time, as the weather file counts
CAROLINA = {"latitude": 36.1, "longitude": -79.95, "elevation_m": 270, "time_zone": "Etc/GMT+5"}
TOPICS = Topics(house_name="lower-glass")


class Burst(NamedTuple):
    """One opening of a line."""

    line: str
    opened_s: float
    shut_s: float


class Excuse(NamedTuple):
    """From when to when something is a reason for no mist, told beforehand; for which zone (None: all)."""

    zone: str | None
    from_s: float
    to_s: float


class Stamped(NamedTuple):
    """What was published, and when by the monotonic clock."""

    at_s: float
    outgoing: Outgoing


class Told(NamedTuple):
    """The same, understood."""

    at_s: float
    topic: str
    message: Message


class StampingBus(MemoryBus):
    """A bus in memory that writes the monotonic instant beside all it is given."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        super().__init__()
        self._now_s = now_s
        self.stamped: list[Stamped] = []

    def publish(self, message: Outgoing) -> None:
        super().publish(message)
        self.stamped.append(Stamped(self._now_s(), message))


@dataclass
class Day:
    """What was lived, in the order in which it was."""

    config: Config
    rigs: list[Rig] = field(default_factory=list)
    excuses: list[Excuse] = field(default_factory=list)
    asked: dict[str, float] = field(default_factory=dict)  # lengths of bursts asked for, by zone
    unseen: int = 0  # bursts whose end nobody could report, and which are counted as given in full
    ended_s: float = 0.0

    def live(self, rig: Rig, for_s: float, during: Beside | None = None) -> Rig:
        """Let a rig live until so many seconds after its beginning, and take it into the record."""
        if not isinstance(rig.bus, StampingBus):
            rig.bus = StampingBus(rig.clock.now_s)
        self.rigs.append(rig)
        rig.run(for_s, during)
        self.ended_s += for_s
        return rig

    @cached_property
    def bursts(self) -> list[Burst]:
        """Every burst of every line, in the order of opening."""
        bursts, opened = [], {}
        for at_s, line, is_open in self.edges():
            if is_open:
                opened[line] = at_s
            else:
                bursts.append(Burst(line, opened.pop(line), at_s))
        assert not opened
        return sorted(bursts, key=lambda burst: burst.opened_s)

    def edges(self) -> list[tuple[float, str, bool]]:
        """Instant, line, whether it opened: in the order in which it happened."""
        return [edge for rig in self.rigs for edge in rig.keeper.edges]

    def bursts_of(self, line: str) -> list[Burst]:
        return [burst for burst in self.bursts if burst.line == line]

    @cached_property
    def told(self) -> list[Told]:
        """All that was published, by the model of its topic, in order."""
        return [
            Told(each.at_s, each.outgoing.topic, read(each.outgoing))
            for rig in self.rigs
            for each in stamps_of(rig)
            if each.outgoing.payload
        ]

    def events(self, kind: str) -> list[tuple[float, EventTold]]:
        """Events of one kind with their monotonic instants."""
        return [
            (each.at_s, each.message)
            for each in self.told
            if isinstance(each.message, EventTold) and each.message.event == kind
        ]

    def states(self, topic: str) -> list[tuple[float, Message]]:
        """What was told as state on a topic, with its instant."""
        return [(each.at_s, each.message) for each in self.told if each.topic == topic]

    def answers(self) -> dict[str, Answer]:
        answers = [each.message for each in self.told if isinstance(each.message, Answer)]
        return {answer.id or "": answer for answer in answers}

    @cached_property
    def parts(self) -> list[tuple[float, DayPart]]:
        """From when on it was which part of the day, as told."""
        changes: list[tuple[float, DayPart]] = []
        for at_s, house in self.states(TOPICS.house):
            assert isinstance(house, HouseTold)
            part = DayPart(house.part)
            if not changes or changes[-1][1] is not part:
                changes.append((at_s, part))
        return changes

    def parts_between(self, from_s: float, to_s: float) -> set[DayPart]:
        """Every part of the day that had a share in a span of time."""
        changes = [*self.parts, (self.ended_s + 1.0, DayPart.NIGHT)]
        return {
            part
            for (begins_s, part), (ends_s, _) in pairwise(changes)
            if begins_s <= to_s and ends_s >= from_s
        }


def stamps_of(rig: Rig) -> list[Stamped]:
    assert isinstance(rig.bus, StampingBus)
    return rig.bus.stamped


def read(outgoing: Outgoing) -> Message:
    """A message by the model of its topic."""
    topic, payload = outgoing.topic, outgoing.payload
    fixed: dict[str, type[Message]] = {
        TOPICS.status: Status,
        TOPICS.house: HouseTold,
        TOPICS.event: EventTold,
        TOPICS.answer: Answer,
        TOPICS.changes: ChangesTold,
        TOPICS.alarms: AlarmsTold,
    }
    each_of: dict[str, type[Message]] = {
        TOPICS.zone(""): ZoneTold,
        TOPICS.sensor(""): SensorTold,
        TOPICS.settings(""): SettingsTold,
        TOPICS.any_alarm: AlarmTold,
    }
    if topic in fixed:
        return fixed[topic].model_validate_json(payload)
    (kind,) = (kind for root, kind in each_of.items() if topic.startswith(root))
    return kind.model_validate_json(payload)


@lru_cache
def carolina_house(directory: Path, *changes: Change) -> Config:
    """The example house by its timetables, standing where the weather of the file was measured."""
    tables = timed_example()
    tables["place"] = CAROLINA
    several(*changes)(tables)
    return load_config(written(directory, toml_of(tables)))


def lived(
    config: Config,
    during: Beside | None = None,
    *,
    starts_at: datetime = MIDNIGHT,
    weather: Weather | None = None,
    prepare: Callable[[Rig], None] = lambda _: None,
) -> Day:
    """A whole day on one rig."""
    day = Day(config)
    rig = Rig(config, starts_at, weather=weather)
    prepare(rig)
    day.live(rig, S_PER_DAY, during)
    return day


def hours(number: float) -> float:
    return number * S_PER_HOUR


async def until(is_so: Callable[[], bool]) -> None:
    """Look every quarter of a second of virtual time."""
    while not is_so():  # noqa: ASYNC110 - the rig tells nobody of its edges
        await asyncio.sleep(0.25)


def sums_by_line(bursts: Sequence[Burst]) -> dict[str, float]:
    """Seconds open in all, by line."""
    sums: dict[str, float] = {}
    for burst in bursts:
        sums[burst.line] = sums.get(burst.line, 0.0) + burst.shut_s - burst.opened_s
    return sums
