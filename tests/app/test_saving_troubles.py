"""Keeping by a disk that fails, hangs or has a fault, by notes that fail, and how much waits for it."""

import asyncio
import json
from pathlib import Path

import pytest

from mistd.app.saving import (
    HANGS,
    HANGS_AFTER_S,
    MOST_ANSWERS,
    MOST_ENTRIES,
    MOST_REVISIONS,
    MOST_TROUBLES,
    NOTE_EVERY_S,
    Pending,
)
from mistd.core.observations import Observations
from mistd.core.requests import AskRelease
from mistd.ports.errors import StoreError
from simulators.virtual_time import VirtualTimeLoop
from tests.app.saving_desk import FULL, LEFT, Desk, answer, desk_in, entry, given, reasons, revision, rolled


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return desk_in(tmp_path)


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
