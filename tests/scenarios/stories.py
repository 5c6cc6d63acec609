"""The stories: what happens in each day, beside the house's own life.

Answers for: a day lived for each name in `STORIES`, and which of them may not move a single burst.
Does not know what is promised. Rule: a story only does what the world could do to a house: ask, send, fail.
"""

import asyncio
import json
from collections.abc import Callable, Sequence
from copy import deepcopy
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

from mistd.ports.bus import BusNotice, Incoming
from mistd.ports.errors import StoreError
from simulators.memory_store import MemoryDisk, MemoryStore
from simulators.plant.weather import typical_year_day
from simulators.rig import Rig
from tests.app.house_files import set_to
from tests.scenarios.days import (
    MIDNIGHT,
    S_PER_DAY,
    TOPICS,
    Day,
    Excuse,
    StampingBus,
    carolina_house,
    hours,
    lived,
    until,
)


def plain(place: Path) -> Day:
    """Nothing happens: no weather, no readings, nobody. What the others are held against."""
    return lived(carolina_house(place))


def june_weather(place: Path) -> Day:
    """The house on a real June day, with the plant's own instruments."""
    weather = typical_year_day(month=6, day=12, days=2)
    assert weather.starts_at == MIDNIGHT
    return lived(carolina_house(place), weather=weather)


HELD, HELD_FROM_S, HELD_FOR_S = "door-left", hours(11), hours(1)


def held_at_noon(place: Path) -> Day:
    """One zone is held for an hour, another for long and then released."""
    day = Day(carolina_house(place))

    async def people(rig: Rig) -> None:
        await asyncio.sleep(HELD_FROM_S)
        rig.ask("hold", "first", zone=HELD, for_s=HELD_FOR_S, author="Ida", note="potting")
        rig.ask("hold", "second", zone="back-right", for_s=hours(3), author="Ida")
        await asyncio.sleep(hours(0.75))
        rig.ask("burst", "wet", zone=HELD, for_s=5, author="Jo")
        rig.ask("release", "third", zone="back-right", author="Ida")

    day.excuses = [
        Excuse(HELD, HELD_FROM_S, HELD_FROM_S + HELD_FOR_S),
        Excuse("back-right", HELD_FROM_S, HELD_FROM_S + hours(0.75)),
    ]
    day.live(Rig(day.config, MIDNIGHT), S_PER_DAY, people)
    return day


CUT_FROM_S = hours(14)


def held_in_the_middle_of_a_burst(place: Path) -> Day:
    """Somebody goes in just as it mists: the valve shuts at once."""
    day = Day(carolina_house(place))

    async def people(rig: Rig) -> None:
        await asyncio.sleep(CUT_FROM_S)
        await until(lambda: "middle-left" in rig.keeper.open_lines())
        rig.ask("hold", "cut", zone="middle-left", for_s=600, author="Ida")
        now_s = rig.clock.now_s()
        day.excuses.append(Excuse("middle-left", now_s, now_s + 600.0))

    day.live(Rig(day.config, MIDNIGHT), S_PER_DAY, people)
    return day


def burst_asked_for(place: Path) -> Day:
    """People ask for bursts by day and by night, some of them too soon."""
    day = Day(carolina_house(place), asked={"back-left": 7.0, "door-left": 3.0})

    async def people(rig: Rig) -> None:
        for hour, zone in ((2, "back-left"), (10, "door-left"), (15, "back-left"), (23, "back-left")):
            await asyncio.sleep(hours(hour) - rig.clock.now_s())
            rig.ask("burst", f"at {hour}", zone=zone, for_s=day.asked[zone], author="Ida")
        await asyncio.sleep(30.0)
        rig.ask("burst", "too soon", zone="back-left", for_s=5, author="Ida")
        rig.ask("burst", "too long", zone="door-left", for_s=21, author="Ida")

    day.live(Rig(day.config, MIDNIGHT), S_PER_DAY, people)
    return day


RESTART_S = hours(12)
AWAY_S = 20.0


def restarted_at_noon(place: Path) -> Day:
    """Stopped in good order and started again, with what it had written."""
    day = Day(carolina_house(place))
    first = day.live(Rig(day.config, MIDNIGHT), RESTART_S)
    follow_on(day, first.store.disk)
    return day


def killed_at_noon(place: Path) -> Day:
    """Daemon and keeper are gone at once; what was noted is up to ten seconds old."""
    day, disks = Day(carolina_house(place)), list[MemoryDisk]()

    async def kill(rig: Rig) -> None:
        await asyncio.sleep(RESTART_S - 0.001)
        disks.append(deepcopy(rig.store.disk))

    day.live(Rig(day.config, MIDNIGHT), RESTART_S, kill)
    follow_on(day, *disks)
    return day


def follow_on(day: Day, disk: MemoryDisk) -> None:
    """A second rig goes on where the first has ended; a new keeper lets every line rest first."""
    again_s = RESTART_S + AWAY_S
    day.ended_s = again_s
    day.excuses.append(Excuse(None, RESTART_S, again_s + rest_s(day)))
    second = Rig(day.config, MIDNIGHT, store=MemoryStore(disk=disk), begins_s=again_s)
    day.live(second, S_PER_DAY - again_s)


def rest_s(day: Day) -> float:
    return max(zone.shortest_rest_s for zone in day.config.zones)


def disk_full_all_day(place: Path) -> Day:
    """Nothing can be written until the evening."""

    async def trouble(rig: Rig) -> None:
        rig.store.fail_with = StoreError("the disk is full")
        await asyncio.sleep(hours(20))
        rig.store.fail_with = None

    return lived(carolina_house(place), trouble)


def held_with_a_full_disk(place: Path) -> Day:
    """The hold is in force all the same, and whoever asked is told that a restart would forget it."""
    day = Day(carolina_house(place))

    async def people(rig: Rig) -> None:
        await asyncio.sleep(hours(9))
        rig.store.fail_with = StoreError("the disk is full")
        rig.ask("hold", "unkept", zone=HELD, for_s=1800, author="Ida")
        await asyncio.sleep(hours(1))
        rig.store.fail_with = None

    day.excuses.append(Excuse(HELD, hours(9), hours(9.5)))
    day.live(Rig(day.config, MIDNIGHT), S_PER_DAY, people)
    return day


class BreakingBus(StampingBus):
    """A bus with a fault of its own: it ends with it again and again, for as long as it is broken."""

    is_broken = True

    async def run(
        self,
        subscriptions: Sequence[str],
        deliver: Callable[[Incoming], None],
        notice: Callable[[BusNotice], None],
    ) -> None:
        if self.is_broken:
            raise RuntimeError("a fault in the bus")
        await super().run(subscriptions, deliver, notice)


def bus_has_a_fault(place: Path) -> Day:
    """All morning the bus ends as soon as it is begun."""
    day = Day(carolina_house(place))
    rig = Rig(day.config, MIDNIGHT)
    bus = rig.bus = BreakingBus(rig.clock.now_s)

    async def mend(_rig: Rig) -> None:
        await asyncio.sleep(hours(12))
        bus.is_broken = False

    day.live(rig, S_PER_DAY, mend)
    return day


def clock_stepped(forth: timedelta) -> Callable[[Path], Day]:
    """The wall clock is set wrong at ten and right again at three."""

    def scenario(place: Path) -> Day:
        async def hands(rig: Rig) -> None:
            await asyncio.sleep(hours(10))
            rig.clock.stepped_by = forth
            await asyncio.sleep(hours(5))
            rig.clock.stepped_by = timedelta()

        return lived(carolina_house(place), hands)

    return scenario


def clock_distrusted_by_day(place: Path) -> Day:
    async def doubt(rig: Rig) -> None:
        await asyncio.sleep(hours(9))
        rig.clock.trusted = False
        await asyncio.sleep(hours(7))
        rig.clock.trusted = True

    return lived(carolina_house(place), doubt)


def clock_distrusted_by_night(place: Path) -> Day:
    """Without a light sensor it is taken to be day: wetter than need be, and no cutting wilts."""

    def untrusted(rig: Rig) -> None:
        rig.clock.trusted = False

    async def trust(rig: Rig) -> None:
        await asyncio.sleep(hours(3))
        rig.clock.trusted = True

    return lived(carolina_house(place), trust, prepare=untrusted)


FROST_FROM_S, FROST_TO_S = hours(1), hours(4)
JANUARY = datetime(2025, 1, 15, 5, tzinfo=UTC)


def frosty_night(place: Path) -> Day:
    """The air falls under 2 C at one, rises at four; at eleven, in the light, a probe reads cold again."""
    day = Day(carolina_house(place))

    async def thermometer(rig: Rig) -> None:
        while True:
            await asyncio.sleep(60.0)
            now_s = rig.clock.now_s()
            is_cold = FROST_FROM_S <= now_s < FROST_TO_S or hours(11) <= now_s < hours(12)
            send(rig, "lower-glass/air", {"temperature": 0.5 if is_cold else 6.0, "humidity": 80})

    day.excuses.append(Excuse(None, FROST_FROM_S + 600.0, FROST_TO_S))
    day.live(Rig(day.config, JANUARY), S_PER_DAY, thermometer)
    return day


def send(rig: Rig, topic: str, content: Any) -> None:
    rig.bus.deliver(Incoming(topic=topic, payload=json.dumps(content).encode()))


def sensors_fall_silent(place: Path) -> Day:
    """They send until nine, then nothing; one comes back at three."""

    async def sensors(rig: Rig) -> None:
        while True:
            await asyncio.sleep(50.0)
            hour = rig.clock.now_s() / hours(1)
            if hour < 9:
                send(rig, "lower-glass/air", {"temperature": 20, "humidity": 85})
            if hour < 9 or hour >= 15:
                send(rig, "lower-glass/water/pressure", 3.1)

    return lived(carolina_house(place), sensors)


def hostile_messages(place: Path) -> Day:
    """Every twenty seconds somebody sends what may not be acted on."""

    async def stranger(rig: Rig) -> None:
        rng = Random(5)
        while True:
            await asyncio.sleep(20.0)
            rig.bus.deliver(one_hostile_message(rig, rng))

    return lived(carolina_house(place), stranger)


def one_hostile_message(rig: Rig, rng: Random) -> Incoming:
    zone = rng.choice(["door-left", "back-right"])

    def asked(issued_s_ago: float = 0.0, **content: Any) -> bytes:
        issued_at = (rig.clock.utc() - timedelta(seconds=issued_s_ago)).isoformat()
        request = {"id": str(rng.random()), "zone": zone, "issued_at": issued_at, "for_s": 5}
        return json.dumps(request | content).encode()

    burst, hold = TOPICS.ask("burst"), TOPICS.ask("hold")
    return rng.choice(
        [
            Incoming(topic=burst, payload=asked(), is_retained=True),
            Incoming(topic=burst, payload=asked(), expires_in_s=0),
            Incoming(topic=burst, payload=asked(), response_topic="boiler/setpoint"),
            Incoming(topic=burst, payload=asked(issued_s_ago=31)),
            Incoming(topic=burst, payload=asked(issued_s_ago=-31)),
            Incoming(topic=burst, payload=asked(zone="nowhere")),
            Incoming(topic=burst, payload=asked(for_s=1e308)),
            Incoming(topic=burst, payload=asked(for_s=0.001)),
            Incoming(topic=burst, payload=asked(for_s=float("nan"))),
            Incoming(topic=hold, payload=asked(for_s=59.9)),
            Incoming(topic=hold, payload=asked(for_s=99_999)),
            Incoming(topic=burst, payload=rng.randbytes(50)),
            Incoming(topic=hold, payload=b'{"id":"\\ud800"}'),
            Incoming(topic="lower-glass/air", payload=b"[" * 3000),
            Incoming(topic="lower-glass/water/pressure", payload=b"1e999"),
            Incoming(topic="mistd/another-house/ask/burst", payload=asked()),
        ]
    )


DEATHS_S = (hours(2), hours(9), hours(13), hours(21))
KEEPERLESS_S = 30.0


def keeper_dies(place: Path) -> Day:
    """Four times, each in the middle of a burst; half a minute later there is another."""
    day = Day(carolina_house(place), unseen=len(DEATHS_S))

    async def fate(rig: Rig) -> None:
        for death_s in DEATHS_S:
            await asyncio.sleep(death_s - rig.clock.now_s())
            await until(lambda: bool(rig.keeper.open_lines()))
            now_s = rig.clock.now_s()
            day.excuses.append(Excuse(None, now_s, now_s + KEEPERLESS_S + rest_s(day)))
            rig.keeper.die()
            await asyncio.sleep(KEEPERLESS_S)
            rig.keeper.begin()

    day.live(Rig(day.config, MIDNIGHT), S_PER_DAY, fate)
    return day


def two_valves_at_once(place: Path) -> Day:
    return lived(carolina_house(place, TWO_AT_ONCE))


TWO_AT_ONCE = set_to("line.valves_at_once", 2)

STORIES: dict[str, Callable[[Path], Day]] = {
    "plain": plain,
    "june_weather": june_weather,
    "held_at_noon": held_at_noon,
    "held_in_the_middle_of_a_burst": held_in_the_middle_of_a_burst,
    "burst_asked_for": burst_asked_for,
    "restarted_at_noon": restarted_at_noon,
    "killed_at_noon": killed_at_noon,
    "disk_full_all_day": disk_full_all_day,
    "held_with_a_full_disk": held_with_a_full_disk,
    "bus_has_a_fault": bus_has_a_fault,
    "clock_an_hour_ahead": clock_stepped(timedelta(hours=1)),
    "clock_an_hour_behind": clock_stepped(timedelta(hours=-1)),
    "clock_ten_years_ahead": clock_stepped(timedelta(days=3652)),
    "clock_ten_years_behind": clock_stepped(timedelta(days=-3652)),
    "clock_distrusted_by_day": clock_distrusted_by_day,
    "clock_distrusted_by_night": clock_distrusted_by_night,
    "frosty_night": frosty_night,
    "sensors_fall_silent": sensors_fall_silent,
    "hostile_messages": hostile_messages,
    "keeper_dies": keeper_dies,
    "two_valves_at_once": two_valves_at_once,
}
# Whatever happens in these, no burst begins or ends a moment sooner or later for it.
UNDISTURBED = (
    "june_weather",
    "disk_full_all_day",
    "bus_has_a_fault",
    "clock_an_hour_ahead",
    "clock_an_hour_behind",
    "clock_ten_years_ahead",
    "clock_ten_years_behind",
    "clock_distrusted_by_day",
    "sensors_fall_silent",
    "hostile_messages",
)
