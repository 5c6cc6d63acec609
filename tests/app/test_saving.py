"""What a restart needs, written as it changes, and who was promised something."""

import asyncio
import json
from pathlib import Path

import pytest

from mistd.app.resuming import readable_rows
from mistd.app.saving import (
    CLOCK_ROW,
    ENTRIES_A_SAVE,
    NOTE_EVERY_S,
    SAVE_EVERY_S,
)
from mistd.core.durable import HOUSE_ROW, restored
from tests.app.saving_desk import (
    BOOT,
    FULL,
    LEFT,
    NOON,
    RIGHT,
    Desk,
    answer,
    desk_in,
    entry,
    given,
    reasons,
    revision,
    rolled,
    row_names,
)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return desk_in(tmp_path)


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
