"""What a restart needs, written as it changes; who was promised something; a disk that fails and returns."""

import asyncio
import json
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from math import inf, nan
from pathlib import Path
from typing import Any

import pytest

from mistd.app.house_plan import house_plan, place_of
from mistd.app.saving import CLOCK_ROW, SAVE_EVERY_S, Saver, Shift, readable_rows, shift_of
from mistd.app.sun import almanac_at
from mistd.core.decide import decide
from mistd.core.durable import HOUSE_ROW, ZONE_ROW, Row, restored
from mistd.core.house import House, begun
from mistd.core.observations import KeeperReady, Observations
from mistd.core.requests import AskHold, AskRelease
from mistd.ports.errors import StoreError
from simulators.bench_clock import LoopClock
from simulators.memory_store import MemoryStore
from simulators.virtual_time import VirtualTimeLoop
from tests.app.house_files import loaded_house

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
BOOT = "boot-1"


class CountingStore(MemoryStore):
    """A store that remembers the names of what was written each time."""

    def __init__(self) -> None:
        super().__init__()
        self.saves: list[set[str]] = []

    async def save(self, rows: Mapping[str, str]) -> None:
        await super().save(rows)
        self.saves.append(set(rows))


@dataclass
class Desk:
    """A saver at work in virtual time, and the house it is offered."""

    house: House
    store: CountingStore = field(default_factory=CountingStore)
    clock: LoopClock = field(default_factory=lambda: LoopClock(starts_at=NOON))
    troubles: list[str | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.saver = Saver(self.store, self.clock, BOOT, self.troubles.append)

    def hold(self, zone: str, author: str = "Ida") -> None:
        """Change a zone, as a request does, and offer the house."""
        asked = AskHold(request_id="a", zone=zone, for_s=600.0, author=author)
        self.decide(Observations(requests=(asked,)))

    def decide(self, observations: Observations) -> None:
        self.house = decide(self.house, observations, self.clock.now_s()).house
        self.saver.offer(self.house)

    def run(self, beside: Callable[["Desk"], Coroutine[Any, Any, None]]) -> None:
        """Let the saver run while something is done beside it."""

        async def both() -> None:
            self.decide(Observations(keeper=(KeeperReady(since_s=0.0),)))
            saving = asyncio.create_task(self.saver.run())
            try:
                await beside(self)
            finally:
                saving.cancel()

        with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
            runner.run(both())


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    config = loaded_house(tmp_path)
    almanac = almanac_at(place_of(config.place, config.day_parts), NOON, 0.0)
    return Desk(house=begun(house_plan(config), almanac, 0.0))


LEFT, RIGHT = ZONE_ROW + "left", ZONE_ROW + "right"


# --- what is written, and when


def test_at_first_every_row_is_written(desk: Desk) -> None:
    async def wait(desk: Desk) -> None:
        await asyncio.sleep(SAVE_EVERY_S + 0.1)

    desk.run(wait)

    assert desk.store.saves == [{LEFT, RIGHT, HOUSE_ROW, CLOCK_ROW}]


def test_only_what_changed_is_written_after_that(desk: Desk) -> None:
    async def hold_one(desk: Desk) -> None:
        await asyncio.sleep(SAVE_EVERY_S + 0.1)
        desk.hold("left")
        await asyncio.sleep(5 * SAVE_EVERY_S)

    desk.run(hold_one)

    assert desk.store.saves[1:] == [{LEFT, CLOCK_ROW}]


def test_a_house_that_does_not_change_writes_nothing(desk: Desk) -> None:
    async def wait_an_hour(desk: Desk) -> None:
        await asyncio.sleep(3600.0)

    desk.run(wait_an_hour)

    assert len(desk.store.saves) == 1


def test_many_changes_are_written_together_every_few_seconds(desk: Desk) -> None:
    async def change_all_the_time(desk: Desk) -> None:
        for number in range(1000):
            desk.hold("left", author=f"number {number}")
            await asyncio.sleep(0.1)

    desk.run(change_all_the_time)

    assert 9 <= len(desk.store.saves) <= 100 / SAVE_EVERY_S
    assert json.loads(desk.store.rows[LEFT])["hold_author"].startswith("number 9")


def test_the_rows_make_the_same_house_again(desk: Desk) -> None:
    async def hold_one(desk: Desk) -> None:
        desk.hold("left")
        await asyncio.sleep(SAVE_EVERY_S + 0.1)

    desk.run(hold_one)

    rows, unreadable = readable_rows(desk.store.rows)
    back = restored(desk.house.plan, rows, desk.house.almanac, 20.0)
    assert (unreadable, back.unreadable) == ([], ())
    assert back.house.zones[0].hold == desk.house.zones[0].hold
    assert back.house.zones[1].hold is None


def test_nothing_offered_is_nothing_kept(desk: Desk) -> None:
    asyncio.run(desk.saver.save())

    assert desk.store.saves == []


# --- who was promised something


def test_a_promise_is_kept_at_once_and_then_said_so(desk: Desk) -> None:
    when: list[float] = []

    async def hold_and_wait(desk: Desk) -> None:
        await asyncio.sleep(SAVE_EVERY_S + 1.0)
        desk.hold("left")
        assert await desk.saver.kept()
        when.append(desk.clock.now_s())

    desk.run(hold_and_wait)

    assert when == [pytest.approx(SAVE_EVERY_S + 1.0)]
    assert json.loads(desk.store.rows[LEFT])["hold_author"] == "Ida"


def test_several_promises_are_kept_with_one_writing(desk: Desk) -> None:
    async def hold_two(desk: Desk) -> None:
        desk.hold("left")
        first = desk.saver.kept()
        desk.hold("right")
        second = desk.saver.kept()
        assert await first
        assert await second

    desk.run(hold_two)

    assert len(desk.store.saves) == 1


def test_a_promise_that_needs_no_writing_is_kept(desk: Desk) -> None:
    async def ask_twice(desk: Desk) -> None:
        desk.hold("left")
        assert await desk.saver.kept()
        assert await desk.saver.kept()

    desk.run(ask_twice)

    assert len(desk.store.saves) == 1


def test_what_was_not_written_was_not_kept(desk: Desk) -> None:
    async def hold_with_a_full_disk(desk: Desk) -> None:
        desk.store.fail_with = StoreError("the disk is full")
        desk.hold("left")
        assert not await desk.saver.kept()

    desk.run(hold_with_a_full_disk)

    assert desk.store.rows == {}


def test_whoever_stops_waiting_is_not_told(desk: Desk) -> None:
    async def hold_and_leave(desk: Desk) -> None:
        desk.hold("left")
        desk.saver.kept().cancel()
        assert await desk.saver.kept()

    desk.run(hold_and_leave)


# --- a disk that fails


def test_a_failing_disk_is_told_once_and_again_when_it_is_back(desk: Desk) -> None:
    async def fail_for_an_hour(desk: Desk) -> None:
        await asyncio.sleep(SAVE_EVERY_S + 0.1)
        desk.store.fail_with = StoreError("the disk is full")
        for _ in range(360):
            desk.hold("left", author=f"at {desk.clock.now_s():.0f}")
            await asyncio.sleep(10.0)
        desk.store.fail_with = None
        await asyncio.sleep(SAVE_EVERY_S)

    desk.run(fail_for_an_hour)

    assert desk.troubles == ["the disk is full", None]
    assert json.loads(desk.store.rows[LEFT])["hold_author"] == desk.house.zones[0].hold.author  # type: ignore[union-attr]


def test_what_changed_back_while_the_disk_failed_is_written_as_it_is(desk: Desk) -> None:
    async def hold_and_release(desk: Desk) -> None:
        desk.hold("left")
        await asyncio.sleep(SAVE_EVERY_S + 0.1)
        desk.store.fail_with = StoreError("it was pulled out")
        desk.decide(Observations(requests=(AskRelease(request_id="b", zone="left", author="Ida"),)))
        await asyncio.sleep(SAVE_EVERY_S)
        desk.store.fail_with = None
        await asyncio.sleep(SAVE_EVERY_S)

    desk.run(hold_and_release)

    assert json.loads(desk.store.rows[LEFT])["hold_ends_s"] is None


def test_a_disk_that_never_failed_is_not_told(desk: Desk) -> None:
    async def change(desk: Desk) -> None:
        desk.hold("left")
        await asyncio.sleep(100.0)

    desk.run(change)

    assert desk.troubles == []


# --- what is read at a start


def test_a_row_that_is_no_object_is_named_and_costs_no_other() -> None:
    texts = {"a": '{"x": 1}', "b": "[1]", "c": "not json", "d": "[" * 100_000, "e": "null", "f": '"text"'}

    rows, unreadable = readable_rows(texts)

    assert rows == {"a": {"x": 1}}
    assert [line.split(":")[0] for line in unreadable] == ["b", "c", "d", "e", "f"]


def clock_row(**changes: Any) -> dict[str, Row]:
    row: dict[str, Any] = {"boot_id": BOOT, "now_s": 5000.0, "utc": NOON.isoformat(), "is_trusted": True}
    return {CLOCK_ROW: row | changes}


def clock_at(later: timedelta, now_s: float, *, is_trusted: bool = True) -> LoopClock:
    """A clock whose machine has been up for so long, and which says so much later than the rows."""
    starts_at = NOON + later - timedelta(seconds=now_s)
    return LoopClock(starts_at=starts_at, trusted=is_trusted, loop_time=lambda: now_s)


def test_in_the_same_run_of_the_machine_instants_stand_as_they_are() -> None:
    clock = clock_at(timedelta(minutes=10), 5600.0)

    assert shift_of(clock_row(), clock, BOOT) == Shift(by_s=0.0, is_time_away_known=True)


def test_in_the_same_run_neither_a_step_nor_lost_trust_matters() -> None:
    stepped = clock_at(timedelta(days=-3000), 5600.0, is_trusted=False)

    assert shift_of(clock_row(), stepped, BOOT) == Shift(by_s=0.0, is_time_away_known=True)


def test_after_a_restart_of_the_machine_the_time_away_is_taken_from_the_calendar() -> None:
    """Written at 5000 s; ten minutes later by the calendar the machine has been up for 40 s."""
    clock = clock_at(timedelta(minutes=10), 40.0)

    shift = shift_of(clock_row(), clock, "boot-2")

    assert shift.is_time_away_known
    assert 5000.0 + shift.by_s == pytest.approx(40.0 - 600.0)  # ten minutes ago, by the new clock


@pytest.mark.parametrize("was_trusted", [True, False])
@pytest.mark.parametrize("is_trusted", [True, False])
def test_without_trust_at_both_ends_the_time_away_is_not_known(was_trusted: bool, is_trusted: bool) -> None:
    clock = clock_at(timedelta(minutes=10), 40.0, is_trusted=is_trusted)

    shift = shift_of(clock_row(is_trusted=was_trusted), clock, "boot-2")

    assert shift.is_time_away_known is (was_trusted and is_trusted)
    if not shift.is_time_away_known:
        assert shift.by_s == 40.0 - 5000.0  # as if no time had passed


def test_a_calendar_that_went_back_says_nothing_of_the_time_away() -> None:
    shift = shift_of(clock_row(), clock_at(timedelta(minutes=-1), 40.0), "boot-2")

    assert not shift.is_time_away_known


@pytest.mark.parametrize(
    "broken",
    [
        {"utc": "yesterday"},
        {"utc": None},
        {"utc": 12},
        {"utc": "2026-06-21T10:00:00"},  # without an offset it could be any hour
        {"is_trusted": None},
    ],
    ids=str,
)
def test_a_clock_row_that_is_half_readable_leaves_the_time_away_unknown(broken: dict[str, Any]) -> None:
    shift = shift_of(clock_row(**broken), clock_at(timedelta(minutes=10), 40.0), "boot-2")

    assert not shift.is_time_away_known


@pytest.mark.parametrize("now_s", [None, "5", nan, inf, True, 10**400])
def test_an_instant_that_cannot_be_read_leaves_the_time_away_unknown(now_s: Any) -> None:
    """Else a zone would pass for misted just now, by the clock of another run of the machine."""
    shift = shift_of(clock_row(now_s=now_s), clock_at(timedelta(minutes=10), 40.0), "boot-2")

    assert not shift.is_time_away_known


def test_rows_without_a_clock_leave_the_time_away_unknown() -> None:
    assert not shift_of({HOUSE_ROW: {}}, clock_at(timedelta(), 40.0), BOOT).is_time_away_known


def test_at_the_very_first_start_there_was_no_time_away() -> None:
    assert shift_of({}, clock_at(timedelta(), 40.0), BOOT) == Shift(by_s=0.0, is_time_away_known=True)


def test_a_row_in_the_seconds_of_an_earlier_run_of_the_machine_is_left_out() -> None:
    """A zone that was out of the file for a while comes back as new, not as held by a clock long gone."""
    texts = {
        CLOCK_ROW: json.dumps({"boot_id": "now", "now_s": 50.0}),
        LEFT: json.dumps({"boot_id": "now", "shut_s": 40.0}),
        RIGHT: json.dumps({"boot_id": "before", "hold_ends_s": 90_000.0}),
    }

    rows, unreadable = readable_rows(texts)

    assert set(rows) == {CLOCK_ROW, LEFT}
    assert unreadable == []


def test_a_clock_that_nobody_has_set_says_nothing_of_the_time_away() -> None:
    """A board whose clock stood still boots with an old time that looks right."""
    row: dict[str, Any] = {"boot_id": BOOT, "now_s": 5000.0, "utc": NOON.isoformat(), "is_trusted": True}
    clock = clock_at(timedelta(seconds=20), 40.0)
    clock.synchronised = False

    assert not shift_of({CLOCK_ROW: row}, clock, "another").is_time_away_known
