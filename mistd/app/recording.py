"""What goes into the record: events as lines of the journal, readings and water by the minute and the hour.

Rule: the record never asks for anything and never waits; while the time is not trusted nothing is rolled up,
for it would stand under a wrong hour.
"""

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from mistd.app.setting_forms import FORMS
from mistd.core.events import Event, EventKind
from mistd.core.house import House
from mistd.core.readings import Reading
from mistd.core.settings import Revision
from mistd.ports.clock import Clock
from mistd.ports.store import Entry, KeptRevision, RolledReadings, WaterGiven

MINUTE_S, HOUR_S = 60, 3600
MOST_READINGS = 20_000  # that wait to be handed over while the disk hangs
NOT_JOURNALLED = {EventKind.BURST_STARTED}  # its end tells everything, and why; it would double the journal


def stamp(at: datetime) -> str:
    """An instant as it is kept: UTC, ISO 8601, to the millisecond, so that text sorts as time does.

    >>> stamp(datetime(2026, 3, 1, 12, 0, tzinfo=UTC))
    '2026-03-01T12:00:00.000Z'
    """
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def wall_of(at_s: float, clock: Clock) -> datetime:
    """The wall time of a monotonic instant, as the clock stands now."""
    return clock.utc() + timedelta(seconds=at_s - clock.now_s())


def entry_of(event: Event, clock: Clock) -> Entry | None:
    """A line of the journal; None for what is told again in full."""
    if event.kind in NOT_JOURNALLED:
        return None
    return Entry(
        at=stamp(wall_of(event.at_s, clock)),
        is_time_trusted=clock.is_trusted(),
        kind=event.kind.value,
        subject=event.subject,
        reason=event.reason,
        figures=json.dumps(dict(event.figures)),
    )


def kept_revision(revision: Revision, clock: Clock) -> KeptRevision:
    """A change of a setting as it is kept."""
    value = revision.value
    ends = revision.ends_s
    return KeptRevision(
        id=revision.id,
        at=stamp(clock.utc()),
        kind=revision.kind.value,
        subject=revision.zone,
        value=None if value is None else json.dumps(FORMS[revision.kind].plain(value)),
        until=None if ends == float("inf") else stamp(wall_of(ends, clock)),
        author=revision.author,
        note=revision.note,
        request_id=revision.request_id,
        undoes=revision.undoes,
    )


@dataclass(slots=True)
class _Minute:
    """Readings of one sensor so far in one minute."""

    begins: int
    least: float
    most: float
    total: float
    count: int = 1

    def plus(self, value: float) -> None:
        self.least, self.most = min(self.least, value), max(self.most, value)
        self.total += value
        self.count += 1

    def rolled(self, sensor: str, period_s: int) -> RolledReadings:
        """As the minute, or as a part of its hour."""
        return RolledReadings(
            period_s=period_s,
            begins=self.begins - self.begins % period_s,
            sensor=sensor,
            least=self.least,
            mean=self.total / self.count,
            most=self.most,
            count=self.count,
        )


@dataclass(slots=True)
class RollUp:
    """Readings by the minute and the hour, water by the hour, handed over when a minute is complete.

    An hour is handed over minute by minute and put together on disk: a kill costs the running minute of it.
    """

    clock: Clock
    _seen: dict[str, Reading | None] = field(default_factory=dict)
    _running: dict[str, _Minute] = field(default_factory=dict)
    _readings: list[RolledReadings] = field(default_factory=list)
    _water: dict[tuple[int, str], WaterGiven] = field(default_factory=dict)

    def take_house(self, house: House) -> None:
        """Add every reading that is new."""
        for name, sensor in house.sensors.items():
            reading = sensor.reading
            if reading is not self._seen.get(name):
                self._seen[name] = reading
                if reading is not None and self.clock.is_trusted():
                    self._add(name, reading)

    def _add(self, name: str, reading: Reading) -> None:
        at = int(wall_of(reading.at_s, self.clock).timestamp())
        begins, value = at - at % MINUTE_S, reading.value
        running = self._running.get(name)
        if running is not None and running.begins == begins:
            running.plus(value)
            return
        self._complete(name)
        self._running[name] = _Minute(begins=begins, least=value, most=value, total=value)

    def _complete(self, name: str) -> None:
        running = self._running.pop(name, None)
        if running is not None:
            self._readings += [running.rolled(name, period_s) for period_s in (MINUTE_S, HOUR_S)]
            del self._readings[:-MOST_READINGS]

    def take_event(self, event: Event) -> None:
        """Add the water of a burst that has ended."""
        open_s = event.figures.get("open_s")
        water_l = event.figures.get("water_l")
        if not isinstance(open_s, int | float) or not isinstance(water_l, int | float):
            return
        if not self.clock.is_trusted():
            return
        at = int(wall_of(event.at_s, self.clock).timestamp())
        key = at - at % HOUR_S, event.subject
        before = self._water.get(key)
        self._water[key] = WaterGiven(
            begins=key[0],
            zone=event.subject,
            bursts=1 + (before.bursts if before else 0),
            open_s=open_s + (before.open_s if before else 0.0),
            water_l=water_l + (before.water_l if before else 0.0),
        )

    def handed_over(self) -> tuple[list[RolledReadings], list[WaterGiven]]:
        """What is complete since the last call."""
        readings, self._readings = self._readings, []
        water, self._water = list(self._water.values()), {}
        return readings, water

    def all_handed_over(self) -> tuple[list[RolledReadings], list[WaterGiven]]:
        """The same with what is still running, at the end of the program."""
        for name in tuple(self._running):
            self._complete(name)
        return self.handed_over()
