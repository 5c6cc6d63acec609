"""A house as a page of text, from what it tells on the broker: for `mistd status` and `mistd watch`.

Pure: messages in, lines out. A message that is not understood is left out, never guessed at; what people
wrote into one cannot move the terminal's cursor.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TypeVar

from pydantic import ValidationError

from mistd.app.alarm_text import alarms_line
from mistd.app.messages import (
    AlarmsTold,
    AlarmTold,
    ChangesTold,
    EventTold,
    HouseTold,
    Message,
    SensorTold,
    SettingsTold,
    Status,
    ZoneTold,
)
from mistd.app.problems import printable
from mistd.app.spoken import said_instant, said_length
from mistd.app.topics import Topics
from mistd.core.leading import LEAD_WORDS
from mistd.core.zone_demand import Lead

EVENTS_SHOWN = 6
QUIET_EVENTS = {"burst_started", "burst_ended"}  # the table of zones shows these already
Kind = TypeVar("Kind", bound=Message)

VALUES = {
    "air_temperature": lambda value: f"{value:.1f} C",
    "relative_humidity": lambda value: f"{value * 100.0:.0f} %",
    "light": lambda value: f"{value:.0f} W/m2",
    "supply_pressure": lambda value: f"{value:.2f} bar",
    "flow": lambda value: f"{value:.1f} l/min",
    "leaf_temperature": lambda value: f"{value:.1f} C",
    "leaf_wetness": lambda value: f"{value:g} raw",  # told as percent wet wherever that is known
}


@dataclass(slots=True, kw_only=True)
class Picture:
    """What has been told of a house so far."""

    topics: Topics
    status: Status | None = None
    house: HouseTold | None = None
    zones: dict[str, ZoneTold] = field(default_factory=dict)
    sensors: dict[str, SensorTold] = field(default_factory=dict)
    events: list[EventTold] = field(default_factory=list)
    settings: dict[str, SettingsTold] = field(default_factory=dict)
    changes: ChangesTold | None = None
    alarms: dict[str, AlarmTold] = field(default_factory=dict)  # by KIND/SUBJECT
    all_alarms: AlarmsTold | None = None

    @property
    def is_online(self) -> bool:
        """Whether the daemon is there."""
        return self.status is not None and self.status.state == "online"

    def take(self, topic: str, payload: bytes) -> None:
        """Take in a message of the house; anything else is passed over."""
        if topic == self.topics.status:
            self.status = _read(Status, payload) or self.status
        elif topic == self.topics.house:
            self.house = _read(HouseTold, payload) or self.house
        elif topic == self.topics.event:
            event = _read(EventTold, payload)
            self.events = [*self.events, event][-50:] if event else self.events
        elif topic == self.topics.changes:
            self.changes = _read(ChangesTold, payload) or self.changes
        elif topic == self.topics.alarms:
            self.all_alarms = _read(AlarmsTold, payload) or self.all_alarms
        else:
            self._take_one_of_many(topic, payload)

    def _take_one_of_many(self, topic: str, payload: bytes) -> None:
        if topic.startswith(self.topics.zone("")):
            zone = _read(ZoneTold, payload)
            self.zones |= {zone.zone: zone} if zone else {}
        elif topic.startswith(self.topics.sensor("")):
            sensor = _read(SensorTold, payload)
            self.sensors |= {sensor.sensor: sensor} if sensor else {}
        elif topic.startswith(self.topics.settings("")):
            settings = _read(SettingsTold, payload)
            self.settings |= {settings.zone: settings} if settings else {}
        elif topic.startswith(self.topics.any_alarm):
            self._take_alarm(topic.removeprefix(self.topics.any_alarm), payload)

    def _take_alarm(self, name: str, payload: bytes) -> None:
        """An alarm, or an empty message: there is nothing to know of it any more."""
        alarm = _read(AlarmTold, payload)
        if alarm and alarm.alarm == name:
            self.alarms[name] = alarm
        elif not payload:
            self.alarms.pop(name, None)


def _read(kind: type[Kind], payload: bytes) -> Kind | None:
    try:
        return kind.model_validate_json(payload)
    except ValidationError:
        return None


def lines(
    picture: Picture, now: datetime, extra: Mapping[str, str] | None = None, extra_head: str = ""
) -> list[str]:
    """The picture as lines of text.

    Args:
        picture: what has been told.
        now: aware; instants are shown in its zone and as time to go from it.
        extra: one more column for the zones, by zone.
        extra_head: the heading of that column.
    """
    if picture.house is None:
        return ["no house has told of itself on this broker; is the daemon running?"]
    page = [
        *_head(picture, picture.house, now),
        "",
        *_zone_table(picture, picture.house, now, extra or {}, extra_head),
        "",
        *_events(picture, now),
    ]
    return [printable(line) for line in page]


def _head(picture: Picture, house: HouseTold, now: datetime) -> list[str]:
    state = picture.status.state if picture.status else "unknown"
    simulated = ", simulated outputs" if picture.status and picture.status.driver == "simulated" else ""
    title = f"{house.title or house.house}   {now:%d %b %H:%M:%S}   {house.part}   daemon {state}{simulated}"
    readings = "   ".join(
        _reading(picture.sensors[name]) for name in house.sensors if name in picture.sensors
    )
    is_away = picture.status is not None and picture.status.state == "offline"
    away = ["! the daemon is offline: nothing will mist; what follows is from before"] if is_away else []
    alarms = alarms_line(picture.all_alarms)
    lines = [title, *away, readings, *_warnings(house), *_fallen_back(picture, house), alarms]
    return [line for line in lines if line]


def _warnings(house: HouseTold) -> list[str]:
    warnings = []
    if not house.keeper_ready:
        warnings.append(
            f"! nobody holds the output lines: {house.keeper_trouble or 'a keeper is being started'}"
        )
    if house.frost:
        warnings.append("! frost: no mist until it is over")
    if not house.time_trusted:
        warnings.append("! time uncertain: set the clock, or wait for the network")
    return warnings


def _fallen_back(picture: Picture, house: HouseTold) -> list[str]:
    """Zones that are led by other than their own cycle, those for the same reason in one line."""
    zones: dict[tuple[str, str], list[str]] = {}
    for name in house.zones:
        demand = picture.zones[name].demand if name in picture.zones else None
        if demand and demand.why:
            zones.setdefault((demand.led_by, demand.why), []).append(name)
    return [
        f"! not by its own cycle: {', '.join(names)}; led by {LEAD_WORDS[Lead(led_by)]}, for {why}"
        for (led_by, why), names in zones.items()
    ]


def _reading(sensor: SensorTold) -> str:
    if sensor.value is None:
        return f"{sensor.sensor} not heard yet"
    if not sensor.is_good:
        return f"{sensor.sensor} lost"
    doubted = ", doubted" if sensor.doubt else ""
    if sensor.wet_percent is not None:
        return f"{sensor.sensor} {sensor.wet_percent:.0f} % wet{doubted}"
    show = VALUES.get(sensor.kind)
    return f"{sensor.sensor} {show(sensor.value) if show else f'{sensor.value:g} {sensor.unit}'}"


def _zone_table(
    picture: Picture, house: HouseTold, now: datetime, extra: Mapping[str, str], extra_head: str
) -> list[str]:
    head = ["zone", "doing", "next", "last burst", "today"] + ([extra_head] if extra_head else [])
    zones = [picture.zones[name] for name in house.zones if name in picture.zones]
    is_any_set = any(passing(zone, now) for zone in zones)
    is_any_on_demand = any(zone.demand for zone in zones)
    head += ["led by"] if is_any_on_demand else []
    rows = [[*head, *(["set"] if is_any_set else []), "why"]]
    for zone in zones:
        cells = [zone.zone, zone.doing, _next(zone, now), _last(zone, now), _today(zone)]
        cells += [extra.get(zone.zone, "")] if extra_head else []
        cells += [_led_by(zone)] if is_any_on_demand else []
        cells += [passing(zone, now) or "-"] if is_any_set else []
        rows.append([*cells, zone.why])
    return aligned(rows)


def _led_by(zone: ZoneTold) -> str:
    """What makes its bursts happen, marked where that is not its own cycle."""
    if zone.demand is None:
        return "timetable"
    return ("! " if zone.demand.why else "") + zone.demand.led_by.replace("_", " ")


def passing(zone: ZoneTold, now: datetime) -> str:
    """What people have set of a zone for a while, but for a hold: that is what the zone does."""
    told = []
    if zone.trim:
        told.append(f"{zone.trim.percent:+g} % until {said_instant(zone.trim.until, now)}")
    if zone.closed:
        told.append(f"closed until {said_instant(zone.closed.until, now)}")
    if zone.skip:
        told.append("next one skipped")
    return ", ".join(told)


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows of text in columns; the last is as long as it is."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]) - 1)]
    return [_row(row, widths) for row in rows]


def _row(row: Sequence[str], widths: Sequence[int]) -> str:
    cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
    return "  ".join([*cells, row[-1]]).rstrip()


def _next(zone: ZoneTold, now: datetime) -> str:
    if zone.hold:
        return f"after the hold, {said_length(zone.hold.until - now)}"
    if zone.doing in {"misting", "ordered", "off"} or zone.next_burst_at is None:
        return "-"
    left = zone.next_burst_at - now
    return "due" if left <= timedelta() else f"in {said_length(left)}"


def _last(zone: ZoneTold, now: datetime) -> str:
    burst = zone.last_burst
    if burst is None:
        return "never"
    if burst.ended_at is None or burst.lasted_s is None:
        return "now"
    return f"{burst.lasted_s:.1f} s, {said_length(now - burst.ended_at)} ago"


def _today(zone: ZoneTold) -> str:
    bursts = "1 burst" if zone.today.bursts == 1 else f"{zone.today.bursts} bursts"
    return f"{bursts}, {zone.today.water_l:.1f} l"


def _events(picture: Picture, now: datetime) -> list[str]:
    told = [event for event in picture.events if event.event not in QUIET_EVENTS][-EVENTS_SHOWN:]
    return [event_line(event, now) for event in told]


def event_line(event: EventTold, now: datetime) -> str:
    """One event as a line."""
    at = event.at.astimezone(now.tzinfo)
    return printable(f"{at:%H:%M:%S}  {event.subject}: {event.event.replace('_', ' ')}. {event.reason}")
