"""The tail: what was noted is in the database once, whatever ended the program and whenever."""

import asyncio
import json
import random
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from mistd.adapters.sqlite.store import SqliteStore
from mistd.adapters.sqlite.tail import LARGEST_BYTES
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Loaded
from tests.adapters.state_files import (
    ROOT,
    entry,
    given,
    load_once,
    note_once,
    reasons_seen_by_another,
    revision,
    rolled,
    save_once,
    seen_by_another,
    small_disk,
    store_at,
    tail_of,
)

NOTED = Batch(
    rows={"zones": "2"},
    entries=(entry("noted"),),
    readings=(rolled(60, 1.0, 2.0, 4.0, 3),),
    water=(given(3600, 1, 5.0, 0.4),),
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


def history_seen(path: Path) -> tuple[list[str], list[tuple[int, ...]]]:
    return reasons_seen_by_another(path), seen_by_another(path, "SELECT bursts FROM water_hour_0")


def test_what_was_noted_is_folded_in_at_the_next_start_and_let_go_of(path: Path) -> None:
    note_once(path, NOTED)

    assert load_once(path) == Loaded(rows={"zones": "2"})
    assert history_seen(path) == (["noted"], [(1,)])
    assert tail_of(path).stat().st_size == 0


def test_notes_are_no_writes_to_the_database(path: Path) -> None:
    async def note() -> tuple[int, int]:
        store = store_at(path)
        await store.save(Batch(rows={"zones": "1"}))
        log = path.with_name("state.db-wal")
        before = log.stat().st_size
        for _ in range(10):
            await store.note(NOTED)
        await store.close()
        return before, log.stat().st_size if log.exists() else before

    before, after = asyncio.run(note())

    assert before == after
    assert seen_by_another(path, "SELECT value FROM state") == [("1",)]


def test_a_save_empties_the_tail_and_is_not_counted_twice(path: Path) -> None:
    async def note_and_save() -> None:
        store = store_at(path)
        await store.note(NOTED)
        await store.save(NOTED)
        await store.close()

    asyncio.run(note_and_save())

    assert tail_of(path).stat().st_size == 0
    load_once(path)
    assert history_seen(path) == (["noted"], [(1,)])


def test_a_kill_between_the_save_and_the_emptying_counts_nothing_twice(path: Path) -> None:
    kept_tail = path.with_name("kept")

    async def note_and_save() -> None:
        store = store_at(path)
        await store.note(NOTED)
        await asyncio.to_thread(shutil.copy, tail_of(path), kept_tail)
        await store.save(NOTED)
        await store.close()

    asyncio.run(note_and_save())
    kept_tail.replace(tail_of(path))  # as if it had not been emptied

    load_once(path)

    assert history_seen(path) == (["noted"], [(1,)])


def test_a_kill_between_the_folding_and_the_emptying_counts_nothing_twice(path: Path) -> None:
    note_once(path, NOTED, NOTED)
    kept = tail_of(path).read_bytes()
    load_once(path)
    tail_of(path).write_bytes(kept)

    load_once(path)

    assert history_seen(path) == (["noted", "noted"], [(2,)])


def test_notes_of_several_starts_that_could_not_load_are_all_folded_in(path: Path) -> None:
    """A bad place for the state does not keep what happens from being noted."""
    save_once(path, {"zones": "1"})

    async def note_without_a_load(reason: str) -> None:
        store = store_at(path)
        await store.note(Batch(rows={"zones": "3"}, entries=(entry(reason),)))
        await store.close()

    for reason in ("second", "third"):
        asyncio.run(note_without_a_load(reason))

    assert load_once(path) == Loaded(rows={"zones": "3"})
    assert reasons_seen_by_another(path) == ["second", "third"]
    load_once(path)
    assert reasons_seen_by_another(path) == ["second", "third"]


def test_notes_of_a_start_before_are_folded_in_by_a_save_too(path: Path) -> None:
    note_once(path, NOTED)

    async def note_and_save() -> None:
        store = store_at(path)
        await store.note(Batch(entries=(entry("second start"),)))
        await store.save(Batch(entries=(entry("second start"),)))
        await store.close()

    asyncio.run(note_and_save())

    assert reasons_seen_by_another(path) == ["noted", "second start"]
    load_once(path)
    assert reasons_seen_by_another(path) == ["noted", "second start"]


def test_what_is_noted_during_a_save_is_not_taken_for_saved(path: Path) -> None:
    async def note_during_a_save() -> None:
        store = store_at(path)
        await store.note(Batch(entries=(entry("first"),)))
        saving = asyncio.create_task(store.save(Batch(entries=(entry("first"),))))
        await asyncio.sleep(0)
        await store.note(Batch(entries=(entry("second"),)))
        await saving
        await store.close()

    asyncio.run(note_during_a_save())
    load_once(path)

    assert reasons_seen_by_another(path) == ["first", "second"]


def test_a_save_that_fails_leaves_the_notes(path: Path) -> None:
    async def save_in_vain() -> None:
        store = store_at(path)
        await store.load()
        await store.note(NOTED)
        await asyncio.to_thread(path.unlink)
        await asyncio.to_thread(path.mkdir)
        with pytest.raises(StoreError):
            await store.save(NOTED)
        await store.close()

    asyncio.run(save_in_vain())
    path.rmdir()
    load_once(path)

    assert history_seen(path) == (["noted"], [(1,)])


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_torn_last_note_is_left_out_and_those_before_it_stand(cut: int, path: Path) -> None:
    note_once(path, Batch(entries=(entry("whole"),)), Batch(entries=(entry("torn"),)))
    tail_of(path).write_bytes(tail_of(path).read_bytes()[:-cut])

    assert load_once(path) == Loaded(rows={})
    assert reasons_seen_by_another(path) == ["whole"]


def test_notes_after_a_torn_one_stand(path: Path) -> None:
    note_once(path, Batch(entries=(entry("whole"),)), Batch(entries=(entry("torn"),)))
    tail_of(path).write_bytes(tail_of(path).read_bytes()[:-20])

    async def note_without_a_load() -> None:
        store = store_at(path)
        await store.note(Batch(entries=(entry("after"),)))
        await store.close()

    asyncio.run(note_without_a_load())
    loaded = load_once(path)

    assert reasons_seen_by_another(path) == ["whole", "after"]
    assert len(loaded.troubles) == 1
    assert loaded.troubles[0].startswith(f"{tail_of(path)}: a note was left out")


BAD_LINES = [
    b"rubbish",
    b"[]",
    b"{}",
    b'{"writer": 1, "note": 1}',
    b'{"writer": "a", "note": true}',
    b'{"writer": "a", "note": 1, "start": "1"}',
    b'{"writer": "a", "note": 1, "rows": []}',
    b'{"writer": "a", "note": 1, "rows": {"zones": 1}}',
    b'{"writer": "a", "note": 1, "rows": {"zones": "{"}}',
    b'{"writer": "a", "note": 1, "entries": [["at", 1]]}',
    b'{"writer": "a", "note": 1, "entries": [["at", "yes", "kind", "subject", "reason", "{}"]]}',
    b'{"writer": "a", "note": 1, "water": [[0, "bench-1", 1, 1e999, 0.4]]}',
    b'{"writer": "a", "note": 1, "readings": [[61, 0, "air", 1, 1, 1, 1]]}',
    b"\xff\xfe",
    b"[" * 100_000,
]


@pytest.mark.parametrize("line", BAD_LINES, ids=range(len(BAD_LINES)))
def test_a_note_that_cannot_be_read_is_told_and_costs_no_other(line: bytes, path: Path) -> None:
    note_once(path, NOTED)
    tail_of(path).write_bytes(line + b"\n" + tail_of(path).read_bytes())

    loaded = load_once(path)

    assert dict(loaded.rows) == {"zones": "2"}
    assert len(loaded.troubles) == 1
    assert "a note was left out" in loaded.troubles[0]
    assert history_seen(path) == (["noted"], [(1,)])


def test_a_tail_that_cannot_be_read_does_not_stop_a_start(path: Path) -> None:
    save_once(path, {"zones": "1"})
    tail_of(path).unlink(missing_ok=True)
    tail_of(path).mkdir()

    loaded = load_once(path)

    assert dict(loaded.rows) == {"zones": "1"}
    assert loaded.troubles == (f"{tail_of(path)}: what was noted cannot be read: Is a directory",)


def test_a_tail_that_could_not_be_read_is_left_and_folded_in_later_without_its_stale_rows(path: Path) -> None:
    """Permissions gone wrong for a start: what happened still counts, how things stood then does not."""
    save_once(path, {"zones": "1"})
    note_once(path, NOTED)
    kept = tail_of(path).with_name("kept")
    tail_of(path).replace(kept)
    tail_of(path).mkdir()
    save_once(path, {"zones": "3"})
    tail_of(path).rmdir()
    kept.replace(tail_of(path))

    assert load_once(path) == Loaded(rows={"zones": "3"})
    assert history_seen(path) == (["noted"], [(1,)])


def test_a_tail_that_cannot_be_read_is_not_emptied(path: Path) -> None:
    note_once(path, NOTED)
    whole = tail_of(path).read_bytes()

    async def save_while_it_cannot_be_read() -> None:
        store = SqliteStore(path, tail_of(path))
        kept = tail_of(path).with_name("kept")
        await asyncio.to_thread(tail_of(path).replace, kept)
        await asyncio.to_thread(tail_of(path).mkdir)
        await store.load()
        await asyncio.to_thread(tail_of(path).rmdir)
        await asyncio.to_thread(kept.replace, tail_of(path))
        await store.save(Batch(rows={"alarms": "1"}))
        await store.close()

    asyncio.run(save_while_it_cannot_be_read())

    assert tail_of(path).read_bytes() == whole


def test_a_note_that_cannot_be_taken_is_told(path: Path) -> None:
    tail_of(path).mkdir()

    with pytest.raises(StoreError, match=f"{tail_of(path)}: Is a directory"):
        note_once(path, NOTED)


def test_a_tail_of_the_largest_size_takes_no_more_until_the_next_save(path: Path) -> None:
    big = Batch(rows={"big": json.dumps("x" * 1_000_000)})

    async def note_until_full() -> None:
        store = store_at(path)
        await store.load()
        for _ in range(8):
            await store.note(big)
        with pytest.raises(StoreError, match=r"full \(8 MB\) until the next save"):
            await store.note(big)
        size = await asyncio.to_thread(lambda: tail_of(path).stat().st_size)
        assert size <= LARGEST_BYTES
        await store.save(big)
        await store.note(NOTED)
        await store.close()

    asyncio.run(note_until_full())
    assert dict(load_once(path).rows)["zones"] == "2"


def test_the_tail_is_for_its_owner_alone(path: Path) -> None:
    note_once(path, NOTED)

    assert stat.S_IMODE(tail_of(path).stat().st_mode) == 0o600


def test_a_tail_that_is_deleted_is_begun_again(path: Path) -> None:
    async def note_delete_note() -> None:
        store = store_at(path)
        await store.load()
        await store.note(Batch(entries=(entry("gone"),)))
        await asyncio.to_thread(tail_of(path).unlink)
        await store.note(Batch(entries=(entry("kept"),)))
        await store.close()

    asyncio.run(note_delete_note())
    load_once(path)

    assert reasons_seen_by_another(path) == ["kept"]


def test_a_restart_of_the_machine_empties_the_run_directory_and_numbers_begin_again(path: Path) -> None:
    for reason in ("before", "after"):
        note_once(path, Batch(entries=(entry(reason),)))
        load_once(path)
        tail_of(path).unlink()

    assert reasons_seen_by_another(path) == ["before", "after"]


def test_the_marks_of_starts_long_over_are_not_kept(path: Path) -> None:
    for number in range(20):
        note_once(path, Batch(rows={"zones": str(number)}))

    load_once(path)
    save_once(path, {"zones": "last"} | {"zones": "21"})

    ((marks,),) = seen_by_another(path, "SELECT value FROM bookkeeping WHERE name = 'noted'")
    assert len(json.loads(marks)) <= 1


NOTER = """
import asyncio, sys
from pathlib import Path
from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.store import Batch, Entry

def entry(number):
    return Entry(at="2026-11-01T00:00:00.000Z", is_time_trusted=True, kind="burst ended", subject="bench-1",
                 reason=str(number), figures="{}")

async def note_for_ever():
    store = SqliteStore(Path(sys.argv[1]), Path(sys.argv[1] + ".tail"))
    await store.load()
    number = int(sys.argv[2])
    unsaved = []
    while True:
        number += 1
        unsaved.append(entry(number))
        if number % 5:
            await store.note(Batch(rows={"last": str(number)}, entries=(unsaved[-1],)))
        else:
            await store.save(Batch(rows={"last": str(number)}, entries=tuple(unsaved)))
            unsaved = []
        print(number, flush=True)

asyncio.run(note_for_ever())
"""


@pytest.mark.real_time
def test_every_line_noted_before_a_kill_is_in_the_journal_once(path: Path) -> None:
    seed = 20261102
    dice, number = random.Random(seed), 0
    for kill in range(15):
        command = [sys.executable, "-c", NOTER, str(path), str(number)]
        with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as noter:
            assert noter.stdout is not None
            first = noter.stdout.readline()
            time.sleep(dice.uniform(0.0, 0.02))  # the random instant itself, no wait for a condition
            noter.send_signal(signal.SIGKILL)
            told = first + noter.stdout.read()
        acknowledged = int(told[: told.rindex(b"\n")].split()[-1])

        number = int(load_once(path).rows["last"])

        where = f"seed {seed}, kill {kill}"
        assert number in (acknowledged, acknowledged + 1), where
        assert reasons_seen_by_another(path) == [str(each) for each in range(1, number + 1)][:4999], where


def test_a_change_that_was_noted_counts(path: Path) -> None:
    note_once(path, Batch(revisions=(revision(7),)))

    assert load_once(path) == Loaded(rows={}, revisions=(revision(7),), last_revision=7)


def test_a_full_run_directory_is_told_and_leaves_no_half_note(tmp_path: Path) -> None:
    path = tmp_path / "run" / "state.db"
    big = Batch(rows={"big": json.dumps("x" * 10_000)})

    async def note_past_the_end() -> None:
        store = store_at(path)
        await store.note(Batch(entries=(entry("first"),)))
        await store.note(big)
        for _ in range(2):
            with pytest.raises(StoreError, match=r"No space left|no room"):
                await store.note(big)
        await store.note(Batch(entries=(entry("second"),)))
        await store.close()

    with small_disk(path.parent, "16k"):
        asyncio.run(note_past_the_end())

        notes = [json.loads(line) for line in tail_of(path).read_text().splitlines() if line]
        assert [note["note"] for note in notes] == [1, 2, 5]
