"""What a restart needs, written as it changes; who was promised something; a disk that fails or hangs."""

import asyncio
import json
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from mistd.app.house_plan import house_plan, place_of
from mistd.app.resuming import readable_rows
from mistd.app.saving import (
    CLOCK_ROW,
    ENTRIES_A_SAVE,
    HANGS,
    HANGS_AFTER_S,
    MOST_ANSWERS,
    MOST_ENTRIES,
    MOST_REVISIONS,
    MOST_TROUBLES,
    NOTE_EVERY_S,
    SAVE_EVERY_S,
    Pending,
    Saver,
)
from mistd.app.sun import almanac_at
from mistd.core.decide import decide
from mistd.core.durable import HOUSE_ROW, ZONE_ROW, restored
from mistd.core.house import House, begun
from mistd.core.observations import KeeperReady, Observations
from mistd.core.requests import AskHold, AskRelease
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Entry, KeptAnswer, KeptRevision, RolledReadings, WaterGiven
from simulators.bench_clock import LoopClock
from simulators.memory_store import MemoryStore
from simulators.virtual_time import VirtualTimeLoop
from tests.app.house_files import loaded_house

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
BOOT = "boot-1"
LEFT, RIGHT = ZONE_ROW + "left", ZONE_ROW + "right"
FULL = StoreError("the disk is full")


class CountingStore(MemoryStore):
    """A store that remembers what was written each time and when, whose disk and notes can be spoilt."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        super().__init__()
        self.saves: list[tuple[float, Batch]] = []
        self.notes: list[tuple[float, Batch]] = []
        self.fault: Exception | None = None  # something that no store may raise
        self.notes_fail_with: Exception | None = None
        self.goes_on = asyncio.Event()  # cleared: the disk hangs
        self.goes_on.set()
        self._now_s = now_s

    async def save(self, batch: Batch) -> str | None:
        await self.goes_on.wait()
        if self.fault:
            raise self.fault
        found = await super().save(batch)
        self.saves.append((self._now_s(), batch))
        return found

    async def note(self, batch: Batch) -> None:
        if self.notes_fail_with:
            raise self.notes_fail_with
        await super().note(batch)
        self.notes.append((self._now_s(), batch))


@dataclass
class Desk:
    """A saver at work in virtual time, and the house it is offered."""

    house: House
    clock: LoopClock = field(default_factory=lambda: LoopClock(starts_at=NOON))
    troubles: list[str | None] = field(default_factory=list)
    found: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.store = CountingStore(self.clock.now_s)
        self.saver = Saver(self.store, self.clock, BOOT, self.troubles.append, self.found.append)

    def hold(self, zone: str, author: str = "Ida") -> None:
        """Change a zone, as a request does, and offer the house."""
        asked = AskHold(request_id="a", zone=zone, for_s=600.0, author=author)
        self.decide(Observations(requests=(asked,)))

    def decide(self, observations: Observations) -> None:
        self.house = decide(self.house, observations, self.clock.now_s()).house
        self.saver.offer(self.house)

    def run(self, beside: Callable[["Desk"], Coroutine[Any, Any, None]]) -> None:
        """Let the saver run while something is done beside it; it must not fail."""

        async def both() -> None:
            self.decide(Observations(keeper=(KeeperReady(since_s=0.0),)))
            saving = asyncio.create_task(self.saver.run())
            try:
                await beside(self)
            finally:
                if saving.done():
                    saving.result()
                saving.cancel()

        with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
            runner.run(both())


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    config = loaded_house(tmp_path)
    almanac = almanac_at(place_of(config.place, config.day_parts), NOON, 0.0)
    return Desk(house=begun(house_plan(config), almanac, 0.0))


def entry(number: int) -> Entry:
    return Entry(
        at="2026-06-21T10:00:00.000Z",
        is_time_trusted=True,
        kind="burst_ended",
        subject="left",
        reason=f"number {number}",
        figures="{}",
    )


def revision(number: int) -> KeptRevision:
    return KeptRevision(
        id=number,
        at="2026-06-21T10:00:00.000Z",
        kind="skip",
        subject="left",
        value='{"for_s": 60.0}',
        until=None,
        author="Ida",
        note="",
        request_id=f"r{number}",
    )


def answer(number: int, text: str = "done") -> KeptAnswer:
    return KeptAnswer(request_id=f"r{number}", answer=json.dumps(text))


def rolled(begins: int) -> RolledReadings:
    return RolledReadings(period_s=60, begins=begins, sensor="air", least=1.0, mean=1.0, most=1.0, count=1)


def given(begins: int) -> WaterGiven:
    return WaterGiven(begins=begins, zone="left", bursts=1, open_s=6.0, water_l=0.7)


def row_names(written: list[tuple[float, Batch]]) -> list[set[str]]:
    return [set(batch.rows) for _, batch in written]


def reasons(entries: list[Entry]) -> list[str]:
    return [each.reason for each in entries]


# --- what is written, and when


def test_the_first_save_comes_soon_and_has_every_row(desk: Desk) -> None:
    async def wait(_: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)

    desk.run(wait)

    assert [at_s for at_s, _ in desk.store.saves] == [NOTE_EVERY_S]
    assert row_names(desk.store.saves) == [{LEFT, RIGHT, HOUSE_ROW, CLOCK_ROW}]
    assert desk.store.notes == []


def test_only_what_changed_is_noted_after_that_every_ten_seconds(desk: Desk) -> None:
    async def hold_one(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.hold("left")
        await asyncio.sleep(3 * NOTE_EVERY_S)

    desk.run(hold_one)

    assert [at_s for at_s, _ in desk.store.notes] == [20.0, 30.0, 40.0]
    assert row_names(desk.store.notes) == [{LEFT, CLOCK_ROW}, {CLOCK_ROW}, {CLOCK_ROW}]
    assert len(desk.store.saves) == 1


def test_what_was_noted_is_on_the_disk_within_a_quarter_of_an_hour(desk: Desk) -> None:
    async def wait_an_hour(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.hold("left", author="Ana")
        desk.saver.keep_entry(entry(1))
        await asyncio.sleep(3600.0)

    desk.run(wait_an_hour)

    instants = [at_s for at_s, _ in desk.store.saves]
    assert instants == [10.0, 910.0, 1810.0, 2710.0, 3610.0]
    assert SAVE_EVERY_S == 900.0
    assert LEFT in desk.store.saves[1][1].rows
    assert reasons(list(desk.store.saves[1][1].entries)) == ["number 1"]
    assert row_names(desk.store.saves)[2:] == [{CLOCK_ROW}] * 3


def test_a_save_stands_for_every_note_since_the_last(desk: Desk) -> None:
    """So that nothing is lost when the run directory is, and nothing is in twice."""

    async def tell_a_little_at_a_time(desk: Desk) -> None:
        for number in range(200):
            desk.saver.keep_entry(entry(number))
            await asyncio.sleep(5.0)

    desk.run(tell_a_little_at_a_time)

    first, second = (batch for _, batch in desk.store.saves)
    noted = [each for at_s, batch in desk.store.notes if 10.0 < at_s < 910.0 for each in batch.entries]
    assert list(second.entries)[: len(noted)] == noted
    assert reasons(desk.store.entries) == [f"number {number}" for number in range(len(desk.store.entries))]
    assert len(first.entries) + len(second.entries) == len(desk.store.entries) >= 180


def test_very_many_lines_of_the_journal_do_not_wait_for_the_quarter_of_an_hour(desk: Desk) -> None:
    async def tell_much(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        for number in range(ENTRIES_A_SAVE - 1):
            desk.saver.keep_entry(entry(number))
        await asyncio.sleep(NOTE_EVERY_S)
        assert len(desk.store.saves) == 1
        desk.saver.keep_entry(entry(ENTRIES_A_SAVE - 1))
        await asyncio.sleep(NOTE_EVERY_S)

    desk.run(tell_much)

    assert [at_s for at_s, _ in desk.store.saves] == [10.0, 30.0]
    assert len(desk.store.entries) == ENTRIES_A_SAVE


def test_many_changes_are_written_together_every_few_seconds(desk: Desk) -> None:
    async def change_all_the_time(desk: Desk) -> None:
        for number in range(800):
            desk.hold("left", author=f"number {number}")
            await asyncio.sleep(0.125)

    desk.run(change_all_the_time)

    assert len(desk.store.saves) + len(desk.store.notes) == 100.0 / NOTE_EVERY_S
    assert json.loads(str(desk.store.notes[-1][1].rows[LEFT]))["hold_author"] == "number 799"


def test_the_rows_make_the_same_house_again(desk: Desk) -> None:
    async def hold_one(desk: Desk) -> None:
        desk.hold("left")
        await asyncio.sleep(NOTE_EVERY_S + 0.1)

    desk.run(hold_one)

    rows, unreadable = readable_rows(desk.store.rows)
    back = restored(desk.house.plan, rows, desk.house.almanac, 20.0)
    assert (unreadable, back.unreadable) == ([], ())
    assert back.house.zones[0].hold == desk.house.zones[0].hold
    assert back.house.zones[1].hold is None


def test_every_row_names_the_run_of_the_machine_in_whose_seconds_it_is(desk: Desk) -> None:
    async def keep_one_more(desk: Desk) -> None:
        desk.saver.keep_row("more", {"x": 1})
        await desk.saver.kept()

    desk.run(keep_one_more)

    assert {json.loads(text)["boot_id"] for text in desk.store.rows.values()} == {BOOT}
    assert json.loads(desk.store.rows["more"]) == {"x": 1, "boot_id": BOOT}
    assert json.loads(desk.store.rows[CLOCK_ROW]) == {
        "now_s": 0.0,
        "utc": NOON.isoformat(),
        "is_trusted": True,
        "boot_id": BOOT,
    }


def test_a_row_is_taken_away_once_it_is_over(desk: Desk) -> None:
    async def keep_and_take_away(desk: Desk) -> None:
        desk.saver.keep_row("more", {"x": 1})
        await desk.saver.kept()
        desk.saver.keep_row("more", None)
        await desk.saver.kept()

    desk.run(keep_and_take_away)

    assert "more" in desk.store.saves[0][1].rows
    assert "more" not in desk.store.rows


def test_of_a_row_kept_twice_before_a_save_the_later_counts(desk: Desk) -> None:
    async def keep_twice(desk: Desk) -> None:
        desk.store.fail_with = FULL
        desk.saver.keep_row("more", {"x": 1})
        assert not await desk.saver.kept()
        desk.saver.keep_row("more", {"x": 2})
        desk.store.fail_with = None
        assert await desk.saver.kept()

    desk.run(keep_twice)

    assert json.loads(desk.store.rows["more"])["x"] == 2


def test_roll_ups_are_taken_with_every_note_and_written_with_the_next_save(desk: Desk) -> None:
    parts = iter(range(1000))
    desk.saver.roll_up = lambda: ([rolled(60 * next(parts))], [given(0)])

    async def wait(desk: Desk) -> None:
        await asyncio.sleep(3 * NOTE_EVERY_S + 0.1)
        await desk.saver.kept()

    desk.run(wait)

    assert sorted(begins for _, begins, _ in desk.store.readings) == [0, 60, 120, 180]
    assert desk.store.water[3600, 0, "left"].bursts == 4


# --- who was promised something


def test_a_promise_is_kept_at_once_and_then_said_so(desk: Desk) -> None:
    when: list[float] = []

    async def hold_and_wait(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 1.0)
        desk.hold("left")
        assert await desk.saver.kept()
        when.append(desk.clock.now_s())

    desk.run(hold_and_wait)

    assert when == [NOTE_EVERY_S + 1.0]
    assert json.loads(desk.store.rows[LEFT])["hold_author"] == "Ida"


def test_a_promise_takes_along_what_was_only_noted(desk: Desk) -> None:
    async def note_then_promise(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.saver.keep_entry(entry(1))
        await asyncio.sleep(NOTE_EVERY_S)
        desk.saver.keep_revision(revision(1))
        desk.saver.keep_answer(answer(1))
        assert await desk.saver.kept()

    desk.run(note_then_promise)

    assert reasons(desk.store.entries) == ["number 1"]
    assert (desk.store.revisions, desk.store.answers) == ([revision(1)], [answer(1)])
    assert desk.store.noted == []


def test_a_change_and_its_answer_are_in_the_same_save(desk: Desk) -> None:
    """Else a kill between the two would leave a change that is made once more when it is asked for again."""

    async def change(desk: Desk) -> None:
        desk.saver.keep_revision(revision(1))
        desk.saver.keep_answer(answer(1))
        await desk.saver.kept()

    desk.run(change)

    (batch,) = [batch for _, batch in desk.store.saves if batch.revisions or batch.answers]
    assert (batch.revisions, batch.answers) == ((revision(1),), (answer(1),))


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


def test_a_promise_puts_the_next_save_of_its_own_accord_off(desk: Desk) -> None:
    async def promise_after_ten_minutes(desk: Desk) -> None:
        await asyncio.sleep(600.0)
        await desk.saver.kept()
        await asyncio.sleep(SAVE_EVERY_S + NOTE_EVERY_S)

    desk.run(promise_after_ten_minutes)

    assert [at_s for at_s, _ in desk.store.saves] == [10.0, 600.0, 1500.0]


def test_what_was_not_written_was_not_kept(desk: Desk) -> None:
    async def hold_with_a_full_disk(desk: Desk) -> None:
        desk.store.fail_with = FULL
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


def test_what_comes_while_the_disk_is_written_waits_for_the_next_writing(desk: Desk) -> None:
    async def promise_during_a_save(desk: Desk) -> None:
        desk.store.goes_on.clear()
        first = desk.saver.kept()
        await asyncio.sleep(1.0)
        desk.saver.keep_revision(revision(1))
        second = desk.saver.kept()
        await asyncio.sleep(1.0)
        assert not first.done()
        desk.store.goes_on.set()
        assert await first
        assert await second

    desk.run(promise_during_a_save)

    assert [len(batch.revisions) for _, batch in desk.store.saves] == [0, 1]


# --- a disk that fails


def test_a_failing_disk_is_told_once_and_again_when_it_is_back(desk: Desk) -> None:
    async def fail_for_an_hour(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.store.fail_with = FULL
        for _ in range(360):
            desk.hold("left", author=f"at {desk.clock.now_s():.0f}")
            await asyncio.sleep(10.0)
        desk.store.fail_with = None
        await asyncio.sleep(NOTE_EVERY_S)

    desk.run(fail_for_an_hour)

    assert desk.troubles == ["the disk is full", None]
    hold = desk.house.zones[0].hold
    assert hold is not None
    assert json.loads(desk.store.rows[LEFT])["hold_author"] == hold.author


def test_another_trouble_of_a_failing_disk_is_told_too_but_not_without_end(desk: Desk) -> None:
    async def fail_in_many_ways(desk: Desk) -> None:
        for number in (1, 2, 1, 2, *range(3, 100)):
            desk.store.fail_with = StoreError(f"trouble {number}")
            assert not await desk.saver.kept()
        desk.store.fail_with = None
        assert await desk.saver.kept()
        desk.store.fail_with = StoreError("trouble 1")
        assert not await desk.saver.kept()

    desk.run(fail_in_many_ways)

    first = [f"trouble {number}" for number in range(1, MOST_TROUBLES + 1)]
    assert desk.troubles == [*first, None, "trouble 1"]


def test_a_failing_disk_is_tried_every_ten_seconds_not_every_quarter_of_an_hour(desk: Desk) -> None:
    async def fail_once(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.store.fail_with = FULL
        assert not await desk.saver.kept()
        desk.store.fail_with = None
        await asyncio.sleep(NOTE_EVERY_S + 0.1)

    desk.run(fail_once)

    assert [at_s for at_s, _ in desk.store.saves] == [10.0, pytest.approx(20.1)]


def test_while_the_disk_fails_what_happens_is_noted_all_the_same(desk: Desk) -> None:
    """The notes are in memory: a kill while the card is full must not take days of the journal."""

    async def fail_to_save(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.store.fault = OSError("no room")
        assert not await desk.saver.kept()
        desk.saver.keep_entry(entry(1))
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.saver.keep_entry(entry(2))
        await asyncio.sleep(NOTE_EVERY_S + 0.1)

    desk.run(fail_to_save)

    noted = [each for _, batch in desk.store.notes for each in batch.entries]
    assert reasons(noted) == ["number 1", "number 2"]


def test_what_could_not_be_written_is_written_in_order_with_what_came_after(desk: Desk) -> None:
    async def fail_twice(desk: Desk) -> None:
        desk.store.fail_with = FULL
        for number in (1, 2):
            desk.saver.keep_revision(revision(number))
            desk.saver.keep_answer(answer(number))
            desk.saver.keep_entry(entry(number))
            assert not await desk.saver.kept()
        desk.store.fail_with = None
        desk.saver.keep_revision(revision(3))
        assert await desk.saver.kept()

    desk.run(fail_twice)

    assert [each.id for each in desk.store.revisions] == [1, 2, 3]
    assert desk.store.answers == [answer(1), answer(2)]
    assert reasons(desk.store.entries) == ["number 1", "number 2"]


def test_an_answer_that_had_to_be_changed_is_kept_as_it_was_given(desk: Desk) -> None:
    """Promised with "done", then told "not kept" since the disk failed: repeated later it is the latter."""

    async def fail_and_tell(desk: Desk) -> None:
        desk.store.fail_with = FULL
        desk.saver.keep_answer(answer(1, "done"))
        assert not await desk.saver.kept()
        desk.saver.keep_answer(answer(1, "not kept"))
        desk.store.fail_with = None
        assert await desk.saver.kept()

    desk.run(fail_and_tell)

    assert desk.store.answers == [answer(1, "not kept")]


def test_what_changed_back_while_the_disk_failed_is_written_as_it_is(desk: Desk) -> None:
    async def hold_and_release(desk: Desk) -> None:
        desk.hold("left")
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.store.fail_with = StoreError("it was pulled out")
        desk.decide(Observations(requests=(AskRelease(request_id="b", zone="left", author="Ida"),)))
        await asyncio.sleep(NOTE_EVERY_S)
        desk.store.fail_with = None
        await asyncio.sleep(NOTE_EVERY_S)

    desk.run(hold_and_release)

    assert json.loads(desk.store.rows[LEFT])["hold_ends_s"] is None


def test_a_disk_that_never_failed_is_not_told(desk: Desk) -> None:
    async def change(desk: Desk) -> None:
        desk.hold("left")
        await asyncio.sleep(100.0)

    desk.run(change)

    assert (desk.troubles, desk.found) == ([], [])


def test_what_was_mended_while_writing_is_told(desk: Desk) -> None:
    async def mend(desk: Desk) -> None:
        desk.store.mended = "the file had vanished"
        await desk.saver.kept()
        await desk.saver.kept()

    desk.run(mend)

    assert desk.found == ["the file had vanished"]
    assert desk.troubles == []


def test_a_fault_of_the_store_lets_nobody_wait_and_is_told_and_tried_again(desk: Desk) -> None:
    async def meet_a_fault(desk: Desk) -> None:
        desk.store.fault = ZeroDivisionError("as ordered")
        desk.saver.keep_revision(revision(1))
        asked_s = desk.clock.now_s()
        assert not await desk.saver.kept()
        assert desk.clock.now_s() == asked_s
        desk.store.fault = None
        await asyncio.sleep(NOTE_EVERY_S)

    desk.run(meet_a_fault)

    assert desk.troubles == ["a fault in the program: ZeroDivisionError('as ordered')", None]
    assert desk.store.revisions == [revision(1)]


def test_a_disk_that_hangs_keeps_what_came_meanwhile_for_its_return(desk: Desk) -> None:
    async def hang_for_an_hour(desk: Desk) -> None:
        desk.store.goes_on.clear()
        first = desk.saver.kept()
        for number in range(360):
            await asyncio.sleep(10.0)
            desk.saver.keep_entry(entry(number))
        assert not first.done()
        desk.store.goes_on.set()
        assert await first
        assert await desk.saver.kept()

    desk.run(hang_for_an_hour)

    assert reasons(desk.store.entries) == [f"number {number}" for number in range(360)]


@pytest.mark.parametrize(
    ("hangs_for_s", "told"),
    [(HANGS_AFTER_S - 0.1, []), (HANGS_AFTER_S + 0.1, [HANGS, None]), (3 * 86_400.0, [HANGS, None])],
)
def test_a_disk_that_hangs_is_told_though_nobody_waits_for_it(
    hangs_for_s: float, told: list[str | None], desk: Desk
) -> None:
    async def hang(desk: Desk) -> None:
        desk.store.goes_on.clear()
        await asyncio.sleep(NOTE_EVERY_S)  # then the first save begins
        await asyncio.sleep(hangs_for_s)
        assert desk.troubles == told[:1]
        desk.store.goes_on.set()
        await asyncio.sleep(1.0)

    desk.run(hang)

    assert desk.troubles == told


def test_a_saver_that_is_ended_while_it_writes_lets_nobody_wait(desk: Desk) -> None:
    async def end_in_the_middle() -> None:
        desk.store.goes_on.clear()
        saving = asyncio.create_task(desk.saver.run())
        kept = desk.saver.kept()
        await asyncio.sleep(1.0)
        saving.cancel()
        assert not await kept

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        runner.run(end_in_the_middle())


# --- what waits is bounded


def test_while_the_disk_fails_the_oldest_lines_of_the_journal_go_and_are_counted(desk: Desk) -> None:
    async def fail_for_long(desk: Desk) -> None:
        desk.store.fail_with = FULL
        for number in range(MOST_ENTRIES + 3):
            desk.saver.keep_entry(entry(number))
            if number % 5000 == 0:
                assert not await desk.saver.kept()
        assert not await desk.saver.kept()
        assert desk.saver.lost_entries == 3
        desk.store.fail_with = None
        assert await desk.saver.kept()

    desk.run(fail_for_long)

    assert reasons(desk.store.entries) == [f"number {number}" for number in range(3, MOST_ENTRIES + 3)]


def test_while_the_disk_hangs_the_oldest_lines_of_the_journal_go_and_are_counted(desk: Desk) -> None:
    async def hang_for_long(desk: Desk) -> None:
        desk.store.goes_on.clear()
        first = desk.saver.kept()
        await asyncio.sleep(1.0)
        for number in range(MOST_ENTRIES + 3):
            desk.saver.keep_entry(entry(number))
            desk.saver.keep_answer(answer(number))
        desk.store.goes_on.set()
        assert await first
        assert await desk.saver.kept()

    desk.run(hang_for_long)

    assert desk.saver.lost_entries == 3
    assert reasons(desk.store.entries) == [f"number {number}" for number in range(3, MOST_ENTRIES + 3)]
    assert desk.store.answers[0] == answer(MOST_ENTRIES + 3 - MOST_ANSWERS)
    assert len(desk.store.answers) == MOST_ANSWERS


@pytest.mark.parametrize("over", [-1, 0, 1])
def test_everything_that_waits_has_its_limit(over: int) -> None:
    pending = Pending(
        revisions=[revision(number) for number in range(MOST_REVISIONS + over)],
        answers=[answer(number) for number in range(MOST_ANSWERS + over)],
        entries=[entry(number) for number in range(MOST_ENTRIES + over)],
        readings=[rolled(60 * number) for number in range(MOST_ENTRIES + over)],
        water=[given(3600 * number) for number in range(MOST_ENTRIES + over)],
    )

    lost = pending.without_surplus()

    gone = max(over, 0)
    assert lost == gone
    assert (len(pending.revisions), pending.revisions[0].id) == (MOST_REVISIONS + min(over, 0), gone)
    assert (len(pending.answers), pending.answers[0]) == (MOST_ANSWERS + min(over, 0), answer(gone))
    assert (len(pending.entries), pending.entries[0]) == (MOST_ENTRIES + min(over, 0), entry(gone))
    assert (len(pending.readings), pending.readings[0]) == (MOST_ENTRIES + min(over, 0), rolled(60 * gone))
    assert (len(pending.water), pending.water[0]) == (MOST_ENTRIES + min(over, 0), given(3600 * gone))


# --- notes that fail


@pytest.mark.parametrize("how", [StoreError("no room in the run directory"), ValueError("a fault")])
def test_without_notes_the_disk_is_written_every_ten_seconds_and_that_is_told_once(
    how: Exception, desk: Desk
) -> None:
    async def live_without_notes(desk: Desk) -> None:
        desk.store.notes_fail_with = how
        desk.saver.keep_entry(entry(1))
        await asyncio.sleep(5 * NOTE_EVERY_S + 0.1)

    desk.run(live_without_notes)

    assert [at_s for at_s, _ in desk.store.saves] == [10.0, 20.0, 30.0, 40.0, 50.0]
    assert len(desk.found) == 1
    assert str(how) in desk.found[0]
    assert "the disk is written every 10 s instead" in desk.found[0]
    assert desk.troubles == []


def test_notes_that_work_again_spare_the_disk_again_and_their_next_failure_is_told(desk: Desk) -> None:
    async def fail_now_and_then(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        for fails in (True, False, False, True, False):
            desk.store.notes_fail_with = StoreError("no room") if fails else None
            await asyncio.sleep(NOTE_EVERY_S)

    desk.run(fail_now_and_then)

    assert [at_s for at_s, _ in desk.store.saves] == [10.0, 20.0, 50.0]
    assert [at_s for at_s, _ in desk.store.notes] == [30.0, 40.0, 60.0]
    assert len(desk.found) == 2


def test_a_disk_that_fails_together_with_the_notes_is_told_as_a_disk_that_fails(desk: Desk) -> None:
    async def lose_both(desk: Desk) -> None:
        await asyncio.sleep(NOTE_EVERY_S + 0.1)
        desk.store.notes_fail_with = StoreError("no room")
        desk.store.fail_with = FULL
        await asyncio.sleep(5 * NOTE_EVERY_S)

    desk.run(lose_both)

    assert desk.troubles == ["the disk is full"]
    assert desk.found == []
