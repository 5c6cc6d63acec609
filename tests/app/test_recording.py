"""What goes into the record: events as lines, readings by the minute and the hour, water by the hour."""

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from math import inf
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.app.config import Config
from mistd.app.house_plan import house_plan, place_of
from mistd.app.recording import MOST_READINGS, RollUp
from mistd.app.sun import almanac_at
from mistd.core.decide import decide
from mistd.core.events import Event, EventKind
from mistd.core.house import begun
from mistd.core.observations import Observations
from mistd.core.readings import reading_of
from mistd.ports.store import Batch, RolledReadings, WaterGiven
from simulators.bench_clock import LoopClock
from simulators.memory_store import MemoryDisk, MemoryStore
from tests.app.house_files import loaded_house

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
HOUR = int(NOON.timestamp())  # a full hour


@dataclass
class Desk:
    """A house that hears its sensors, on a clock that the test moves; and what is rolled up of it."""

    config: Config
    now_s: float = 5000.0
    handed: list[RolledReadings] = field(default_factory=list)
    watered: list[WaterGiven] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.clock = LoopClock(starts_at=NOON - timedelta(seconds=self.now_s), loop_time=lambda: self.now_s)
        almanac = almanac_at(place_of(self.config.place, self.config.day_parts), NOON, self.now_s)
        self.house = begun(house_plan(self.config), almanac, self.now_s)
        self.roll_up = RollUp(self.clock)

    def hear(self, after_s: float, value: float, sensor: str = "air", *, at_s: float | None = None) -> None:
        """A reading comes in, so many seconds after the full hour."""
        self.now_s = 5000.0 + after_s
        kind = self.house.plan.sensors[sensor].kind
        reading = reading_of(kind, value, self.now_s if at_s is None else at_s)
        self.house = decide(self.house, Observations(readings=((sensor, reading),)), self.now_s).house
        self.roll_up.take_house(self.house)

    def burst(self, after_s: float, open_s: Any = 6.0, water_l: Any = 0.72, zone: str = "left") -> None:
        self.now_s = 5000.0 + after_s
        self.roll_up.take_event(self.event(EventKind.BURST_ENDED, zone, open_s=open_s, water_l=water_l))

    def event(self, kind: EventKind, subject: str = "left", **figures: Any) -> Event:
        return Event(kind=kind, at_s=self.now_s, subject=subject, reason="as ordered", figures=figures)

    def take(self) -> None:
        """As the saver does, every few seconds."""
        readings, water = self.roll_up.handed_over()
        self.handed += readings
        self.watered += water

    def end(self) -> None:
        readings, water = self.roll_up.all_handed_over()
        self.handed += readings
        self.watered += water

    def of(self, period_s: int, sensor: str = "air") -> list[RolledReadings]:
        return [each for each in self.handed if (each.period_s, each.sensor) == (period_s, sensor)]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(config=loaded_house(tmp_path))


def on_disk(desk: Desk, disk: MemoryDisk | None = None) -> MemoryDisk:
    """What becomes of it where parts are put together; a second start goes on with the same disk."""
    store = MemoryStore(disk=disk)
    asyncio.run(store.save(Batch(readings=tuple(desk.handed), water=tuple(desk.watered))))
    return store.disk


def said(rolled: Iterable[RolledReadings]) -> list[tuple[int, float, float, float, int]]:
    """Seconds after the full hour, least, mean, most, count."""
    return [(each.begins - HOUR, each.least, each.mean, each.most, each.count) for each in rolled]


# --- readings


def test_a_minute_is_handed_over_once_the_next_one_has_begun(desk: Desk) -> None:
    for after_s, value in ((0.0, 20.0), (20.0, 23.0), (40.0, 21.5)):
        desk.hear(after_s, value)
    desk.take()
    assert desk.handed == []

    desk.hear(60.0, 30.0)
    desk.take()

    assert said(desk.of(60)) == [(0, 20.0, 21.5, 23.0, 3)]
    assert said(desk.of(3600)) == [(0, 20.0, 21.5, 23.0, 3)]


def test_a_reading_on_the_boundary_belongs_to_what_begins_there(desk: Desk) -> None:
    for after_s, value in ((59.999, 20.0), (60.0, 21.0), (3599.999, 22.0), (3600.0, 23.0), (3660.0, 24.0)):
        desk.hear(after_s, value)
    desk.end()

    assert said(desk.of(60)) == [
        (0, 20.0, 20.0, 20.0, 1),
        (60, 21.0, 21.0, 21.0, 1),
        (3540, 22.0, 22.0, 22.0, 1),
        (3600, 23.0, 23.0, 23.0, 1),
        (3660, 24.0, 24.0, 24.0, 1),
    ]
    hours = on_disk(desk).readings
    assert said([hours[3600, HOUR, "air"]]) == [(0, 20.0, 21.0, 22.0, 3)]
    assert said([hours[3600, HOUR + 3600, "air"]]) == [(3600, 23.0, 23.5, 24.0, 2)]


def test_a_reading_is_filed_under_when_it_was_received_not_when_it_was_seen(desk: Desk) -> None:
    desk.hear(61.0, 20.0, at_s=5059.0)
    desk.end()

    assert said(desk.of(60)) == [(0, 20.0, 20.0, 20.0, 1)]


def test_the_same_reading_is_counted_once_however_often_the_house_is_seen(desk: Desk) -> None:
    desk.hear(0.0, 20.0)
    for _ in range(5):
        desk.roll_up.take_house(desk.house)
    desk.end()

    assert [each.count for each in desk.of(60)] == [1]


def test_an_impossible_reading_is_not_rolled_up(desk: Desk) -> None:
    for after_s, value in ((0.0, 20.0), (10.0, -127.0), (20.0, inf), (30.0, 22.0)):
        desk.hear(after_s, value)
    desk.end()

    assert said(desk.of(60)) == [(0, 20.0, 21.0, 22.0, 2)]


def test_each_sensor_is_rolled_up_by_itself_in_the_cores_unit(desk: Desk) -> None:
    for after_s in (0.0, 30.0, 60.0):
        desk.hear(after_s, 20.0)
        desk.hear(after_s, 0.5 + after_s / 200.0, "damp")
    desk.take()

    assert said(desk.of(60)) == [(0, 20.0, 20.0, 20.0, 2)]
    assert said(desk.of(60, "damp")) == [(0, 0.5, 0.575, 0.65, 2)]


def test_what_was_handed_over_is_not_handed_over_again(desk: Desk) -> None:
    desk.hear(0.0, 20.0)
    desk.hear(60.0, 21.0)
    desk.take()
    desk.take()
    desk.end()
    desk.end()

    assert [each.begins - HOUR for each in desk.of(60)] == [0, 60]


def test_what_nobody_takes_while_the_disk_hangs_is_bounded_and_the_newest_stay(desk: Desk) -> None:
    minutes = MOST_READINGS // 2 + 5
    for minute in range(minutes + 1):
        desk.hear(60.0 * minute, 20.0)

    readings, _ = desk.roll_up.handed_over()

    assert len(readings) == MOST_READINGS
    assert readings[0].begins == HOUR + 5 * 60
    assert readings[-2].begins == HOUR + (minutes - 1) * 60


def test_while_the_time_is_not_trusted_nothing_is_rolled_up(desk: Desk) -> None:
    desk.hear(0.0, 20.0)
    desk.clock.trusted = False
    desk.hear(10.0, 90.0 / 3)
    desk.hear(70.0, 31.0)
    desk.burst(75.0)
    desk.clock.trusted = True
    desk.roll_up.take_house(desk.house)  # the last one of before is not filed under the hour of now
    desk.hear(80.0, 22.0)
    desk.burst(85.0)
    desk.end()

    assert said(desk.of(60)) == [(0, 20.0, 20.0, 20.0, 1), (60, 22.0, 22.0, 22.0, 1)]
    assert [each.bursts for each in desk.watered] == [1]


def test_an_hour_lived_twice_by_the_wall_clock_stands_once_with_all_that_was_read_in_it(desk: Desk) -> None:
    for after_s in (0.0, 60.0, 120.0):
        desk.hear(after_s, 20.0)
    desk.clock.stepped_by = timedelta(seconds=-150.0)
    for after_s in (150.0, 210.0, 270.0):
        desk.hear(after_s, 30.0)
    desk.end()

    disk = on_disk(desk)
    assert said([disk.readings[60, HOUR, "air"]]) == [(0, 20.0, 25.0, 30.0, 2)]
    assert said([disk.readings[3600, HOUR, "air"]]) == [(0, 20.0, 25.0, 30.0, 6)]


def test_a_clock_that_is_stepped_ten_years_and_back_files_under_each_time_what_was_read_in_it(
    desk: Desk,
) -> None:
    years = timedelta(days=3652)
    for after_s, step in ((0.0, timedelta()), (1.0, years), (2.0, -years), (3.0, timedelta())):
        desk.clock.stepped_by = step
        desk.hear(after_s, 20.0 + after_s)
    desk.end()

    away = int(years.total_seconds())
    assert said(desk.of(60)) == [
        (0, 20.0, 20.0, 20.0, 1),
        (away, 21.0, 21.0, 21.0, 1),
        (-away, 22.0, 22.0, 22.0, 1),
        (0, 23.0, 23.0, 23.0, 1),
    ]
    assert said([on_disk(desk).readings[60, HOUR, "air"]]) == [(0, 20.0, 21.5, 23.0, 2)]


@pytest.mark.parametrize("is_orderly", [True, False], ids=["stopped", "killed"])
def test_an_hour_with_a_restart_in_its_middle_is_put_together_on_disk(
    is_orderly: bool, desk: Desk, tmp_path: Path
) -> None:
    """A kill costs what was read since the last full minute, and no more."""
    for minute in range(30):
        desk.hear(60.0 * minute, 20.0)
        desk.take()
    if is_orderly:
        desk.end()
    disk = on_disk(desk)
    again = Desk(config=loaded_house(tmp_path))
    for minute in range(31, 60):
        again.hear(60.0 * minute, 30.0)
    again.end()

    whole = on_disk(again, disk).readings[3600, HOUR, "air"]

    before = 30 if is_orderly else 29
    assert (whole.least, whole.most, whole.count) == (20.0, 30.0, before + 29)
    assert whole.mean == pytest.approx((20.0 * before + 30.0 * 29) / (before + 29))


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Config:
    return loaded_house(tmp_path_factory.mktemp("house"))


@settings(max_examples=60)
@given(
    values=st.lists(
        st.tuples(st.floats(0.1, 900.0), st.floats(-40.0, 70.0), st.booleans()), min_size=1, max_size=30
    )
)
def test_however_it_is_cut_up_the_record_has_every_reading_once(
    values: list[tuple[float, float, bool]], config: Config
) -> None:
    """By hand: grouped by the minute and the hour, with nothing of the roll-up's own arithmetic."""
    desk = Desk(config=config)
    after_s, read = 0.0, list[tuple[float, float]]()
    for gap_s, value, is_taken in values:
        after_s += gap_s
        desk.hear(after_s, value)
        read.append((after_s, value))
        if is_taken:
            desk.take()
    desk.end()

    found = on_disk(desk).readings

    for period_s in (60, 3600):
        grouped: dict[int, list[float]] = {}
        for at_s, value in read:
            begins = int((NOON + timedelta(seconds=at_s)).timestamp() // period_s) * period_s
            grouped.setdefault(begins, []).append(value)
        assert {key[1] for key in found if key[0] == period_s} == set(grouped)
        for begins, group in grouped.items():
            rolled = found[period_s, begins, "air"]
            assert (rolled.least, rolled.most, rolled.count) == (min(group), max(group), len(group))
            assert rolled.mean == pytest.approx(sum(group) / len(group), abs=1e-9)


# --- water


def test_water_is_added_up_by_the_hour_and_zone(desk: Desk) -> None:
    desk.burst(3599.999)
    desk.burst(3600.0, 5.0, 0.5)
    desk.take()
    desk.burst(3700.0, 4.0, 0.25)
    desk.burst(3710.0, zone="right")
    desk.take()

    water = on_disk(desk).water
    assert {(key[1] - HOUR, key[2]): (w.bursts, w.open_s, w.water_l) for key, w in water.items()} == {
        (0, "left"): (1, 6.0, 0.72),
        (3600, "left"): (2, 9.0, 0.75),
        (3600, "right"): (1, 6.0, 0.72),
    }


def test_a_burst_counts_in_the_hour_in_which_it_ended(desk: Desk) -> None:
    """Also one that the keeper gave while we were away, and which we hear of later."""
    desk.now_s = 5000.0 + 3700.0
    event = Event(
        kind=EventKind.BURST_FOUND,
        at_s=5000.0 + 3500.0,
        subject="left",
        reason="",
        figures={"open_s": 6, "water_l": 1},
    )
    desk.roll_up.take_event(event)
    desk.take()

    assert [(w.begins - HOUR, w.bursts, w.open_s, w.water_l) for w in desk.watered] == [(0, 1, 6.0, 1.0)]


@pytest.mark.parametrize("figures", [{}, {"open_s": 6.0}, {"water_l": 1.0}, {"open_s": "6", "water_l": 1.0}])
def test_an_event_without_both_figures_is_no_water(figures: dict[str, Any], desk: Desk) -> None:
    desk.roll_up.take_event(desk.event(EventKind.BURST_ENDED, **figures))
    desk.end()

    assert desk.watered == []
