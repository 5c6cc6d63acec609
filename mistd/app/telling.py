"""What is told outside of a house: its state as retained messages, its events as they happen.

A message is published when what it says has changed. Instants are told in wall time, as the clock stands when
the message is made, so that a change of the clock alone republishes nothing.
"""

from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from math import isfinite
from typing import Literal

from mistd.app.config import Config
from mistd.app.cycle_forms import cycle_in_file
from mistd.app.messages import (
    DayCount,
    EventTold,
    HoldTold,
    HouseTold,
    LastBurst,
    Message,
    SensorTold,
    SkipTold,
    TrimTold,
    ZoneTold,
)
from mistd.app.telling_demand import ToldZone, demand_told, is_news, told_zone
from mistd.app.telling_settings import SettingsTeller
from mistd.app.topics import Topics
from mistd.core.events import Event
from mistd.core.house import House
from mistd.core.readings import POSSIBLE
from mistd.core.sensors import SensorState
from mistd.core.units import PERCENT
from mistd.core.wetness_trust import UNHEARD, WetnessTrust
from mistd.core.zone import Phase, WaterCount, Zone, due_s
from mistd.ports.bus import Outgoing
from mistd.ports.clock import Clock
from mistd.ports.store import KeptRevision

Doing = Literal["resting", "ordered", "misting", "waiting", "held", "off"]
SENSOR_EVERY_S = 10.0  # a sensor's reading is told at most this often, unless it is lost or back


class Teller:
    """Tells what has changed since it was last told."""

    def __init__(
        self,
        config: Config,
        topics: Topics,
        clock: Clock,
        publish: Callable[[Outgoing], None],
        revisions: Iterable[KeptRevision] = (),
    ) -> None:
        self._topics = topics
        self._clock = clock
        self._publish = publish
        self._titles = {zone.name: zone.title for zone in config.zones}
        self._house_title = config.house.title
        self._told: House | None = None
        self._house_message: HouseTold | None = None
        self._sensor_told_s: dict[str, float] = {}
        self._zones_told: dict[str, ToldZone] = {}
        self._settings = SettingsTeller(
            topics, clock, self._tell, {zone.name: cycle_in_file(zone) for zone in config.zones}, revisions
        )

    def tell_state(self, house: House) -> None:
        """Publish every part that is not the same object as when it was last told.

        A zone on demand is another object at each word of its sensors: see `telling_demand.is_news`.
        """
        before, self._told = self._told, house
        if house is before:
            return
        is_new_round = before is None or (
            before.almanac is not house.almanac
            or before.is_keeper_ready is not house.is_keeper_ready
            or before.frost.is_on is not house.frost.is_on
        )
        now_s = self._clock.now_s()
        for zone in house.zones:
            if is_new_round or is_news(self._zones_told[zone.plan.name], house, zone, now_s):
                self._zones_told[zone.plan.name] = told_zone(house, zone, now_s)
                self._tell(self._topics.zone(zone.plan.name), self._zone(house, zone))
        message = self._house(house)
        if message != self._house_message:
            self._house_message = message
            self._tell(self._topics.house, message)
        for name, sensor in house.sensors.items():
            self._tell_sensor(name, sensor, house.trust.get(name, UNHEARD), before)
        self._settings.tell_state(house)

    def tell_change(self, revision: KeptRevision) -> None:
        """A change of a setting that is kept."""
        self._settings.tell_change(revision)

    def tell_event(self, event: Event) -> None:
        """Publish an event."""
        message = EventTold(
            event=event.kind.value,
            at=self._wall(event.at_s),
            subject=event.subject,
            reason=event.reason,
            figures=dict(event.figures),
        )
        self._publish(Outgoing(topic=self._topics.event, payload=message.model_dump_json().encode()))

    def _tell(self, topic: str, message: Message) -> None:
        self._publish(Outgoing(topic=topic, payload=message.model_dump_json().encode(), is_state=True))

    def _tell_sensor(self, name: str, sensor: SensorState, trust: WetnessTrust, before: House | None) -> None:
        was = before.sensors[name] if before else None
        is_doubt_new = before is not None and before.trust.get(name, UNHEARD).doubt != trust.doubt
        if sensor is was and not is_doubt_new:
            return
        now_s = self._clock.now_s()
        is_urgent = was is None or was.is_lost is not sensor.is_lost or is_doubt_new
        if is_urgent or now_s - self._sensor_told_s.get(name, -SENSOR_EVERY_S) >= SENSOR_EVERY_S:
            self._sensor_told_s[name] = now_s
            self._tell(self._topics.sensor(name), self._sensor(sensor, trust))

    def _wall(self, at_s: float) -> datetime:
        """The wall time of a monotonic instant, to the millisecond."""
        wall = self._clock.utc() + timedelta(seconds=at_s - self._clock.now_s())
        return wall.replace(microsecond=wall.microsecond // 1000 * 1000)

    def _sensor(self, sensor: SensorState, trust: WetnessTrust) -> SensorTold:
        reading = sensor.reading
        return SensorTold(
            sensor=sensor.plan.name,
            kind=sensor.plan.kind.value,
            value=round(reading.value, 4) if reading else None,
            unit=POSSIBLE[sensor.plan.kind].unit,
            at=self._wall(reading.at_s) if reading else None,
            is_good=sensor.good_value is not None,
            wet_percent=None if trust.share is None else round(trust.share * PERCENT, 1),
            doubt=trust.doubt or None,
        )

    def _house(self, house: House) -> HouseTold:
        return HouseTold(
            house=house.plan.name,
            title=self._house_title,
            part=house.almanac.part.value,
            local_date=house.almanac.local_date.isoformat(),
            is_light=house.almanac.is_light,
            time_trusted=house.almanac.is_trusted,
            frost=house.frost.is_on,
            keeper_ready=house.is_keeper_ready,
            keeper_trouble=house.keeper_trouble,
            water_today_l=round(sum(zone.today.water_l for zone in house.zones), 2),
            zones=[zone.plan.name for zone in house.zones],
            sensors=list(house.sensors),
        )

    def _zone(self, house: House, zone: Zone) -> ZoneTold:
        doing, why = what_it_does(house, zone)
        hold = zone.hold
        return ZoneTold(
            zone=zone.plan.name,
            title=self._titles[zone.plan.name],
            doing=doing,
            why=why,
            next_burst_at=self._next_burst_at(house, zone),
            last_burst=self._last_burst(zone),
            hold=HoldTold(until=self._wall(hold.ends_s), by=hold.author, note=hold.note) if hold else None,
            closed=self._closed(zone),
            trim=self._trim(zone),
            skip=self._skip(zone),
            today=_day_count(zone.today),
            yesterday=_day_count(zone.yesterday),
            demand=demand_told(house, zone, self._clock.now_s(), self._wall),
        )

    def _closed(self, zone: Zone) -> HoldTold | None:
        closed = zone.closed
        if closed is None:
            return None
        return HoldTold(until=self._wall(closed.ends_s), by=closed.author, note=closed.note)

    def _trim(self, zone: Zone) -> TrimTold | None:
        trim = zone.trim
        if trim is None:
            return None
        percent = round(trim.fraction * PERCENT, 6)
        return TrimTold(percent=percent, until=self._wall(trim.ends_s), by=trim.author, note=trim.note)

    def _skip(self, zone: Zone) -> SkipTold | None:
        skip = zone.skip
        if skip is None:
            return None
        return SkipTold(until=self._wall(skip.ends_s), by=skip.author, note=skip.note)

    def _next_burst_at(self, house: House, zone: Zone) -> datetime | None:
        """When the next burst is expected: at its mark, or when the guard that spoke last lets go."""
        if zone.phase is not Phase.RESTING:
            return None
        expected_s = due_s(zone, house.sources)
        ends_s = zone.hold.ends_s if zone.hold else expected_s
        at_s = max(expected_s, zone.held_until_s, ends_s)
        return self._wall(at_s) if isfinite(at_s) else None

    def _last_burst(self, zone: Zone) -> LastBurst | None:
        if not isfinite(zone.opened_s):
            return None
        is_over = zone.shut_s >= zone.opened_s
        return LastBurst(
            began_at=self._wall(zone.opened_s),
            ended_at=self._wall(zone.shut_s) if is_over else None,
            lasted_s=round(zone.shut_s - zone.opened_s, 3) if is_over else None,
        )


def what_it_does(house: House, zone: Zone) -> tuple[Doing, str]:
    """What a zone does now, in a word, and why, in a sentence."""
    if zone.phase is not Phase.RESTING:
        return ("misting" if zone.phase is Phase.OPEN else "ordered"), zone.burst_reason
    if zone.hold:
        return "held", f"held dry by {zone.hold.author}" + (f": {zone.hold.note}" if zone.hold.note else "")
    waits_for = _what_it_waits_for(house, zone)
    if waits_for:
        return "waiting", waits_for
    part = house.almanac.part
    if not zone.mists_in(part):
        whose = "it" if zone.demand_cycle else "its timetable"
        return "off", f"{whose} has no mist in the {part.value} part of the day"
    return "resting", zone.last_reason


def _what_it_waits_for(house: House, zone: Zone) -> str | None:
    if not house.is_keeper_ready:
        return "no keeper holds the output lines"
    if house.frost.is_on:
        return "frost in the house"
    return "due; waiting for the line" if zone.is_waiting else None


def _day_count(count: WaterCount) -> DayCount:
    return DayCount(bursts=count.bursts, open_s=round(count.open_s, 2), water_l=round(count.water_l, 2))
