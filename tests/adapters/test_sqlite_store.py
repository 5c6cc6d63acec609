"""SqliteStore at work: kills, slow disks, backups, and hands that delete things while it runs."""

import asyncio
import contextlib
import json
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Loaded
from tests.adapters.state_files import (
    ROOT,
    ROWS,
    answer,
    entry,
    given,
    load_once,
    reasons_seen_by_another,
    revision,
    rows_seen_by_another,
    save_once,
    seen_by_another,
    store_at,
)
from tests.benchmarks.disk_writes import SAVE_EVERY_MIN, HouseLife


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


WRITER = """
import asyncio, json, sys
from pathlib import Path
from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.store import Batch

async def write_for_ever():
    store = SqliteStore(Path(sys.argv[1]), Path(sys.argv[1] + '.tail'))
    await store.load()
    number = int(sys.argv[2])
    while True:
        number += 1
        both = {"left": str(number), "right": str(number)}
        await store.save(Batch(rows={**both, f"row-{number}": json.dumps("x" * 300)}))
        print(number, flush=True)
        if number % 7 == 0:
            await store.copy_to_backup()

asyncio.run(write_for_ever())
"""


def last_acknowledged_of_a_killed_writer(path: Path, number: int, dice: random.Random) -> int:
    command = [sys.executable, "-c", WRITER, str(path), str(number)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        first = writer.stdout.readline()
        time.sleep(dice.uniform(0.0, 0.03))  # the random instant itself, no wait for a condition
        writer.send_signal(signal.SIGKILL)
        acknowledged = first + writer.stdout.read()
    return int(acknowledged[: acknowledged.rindex(b"\n")].split()[-1])


@pytest.mark.real_time
def test_no_acknowledged_row_is_lost_when_the_writer_is_killed(path: Path) -> None:
    seed = 20261101
    dice = random.Random(seed)
    number = 0
    for kill in range(20):
        acknowledged = last_acknowledged_of_a_killed_writer(path, number, dice)

        loaded = load_once(path)

        where = f"seed {seed}, kill {kill}, acknowledged {acknowledged}"
        number = int(loaded.rows["left"])
        assert loaded.troubles == (), where
        assert number in (acknowledged, acknowledged + 1), where  # one more may be written and not yet told
        assert loaded.rows["right"] == loaded.rows["left"], where
        assert set(loaded.rows) == {"left", "right", *(f"row-{n}" for n in range(1, number + 1))}, where
    backup = load_once(path.with_name("state.db.backup"))
    copied = int(backup.rows["left"])
    assert backup.troubles == ()
    assert copied <= number
    assert set(backup.rows) == {"left", "right", *(f"row-{n}" for n in range(1, copied + 1))}


def test_a_file_locked_by_another_program_is_told_and_saved_to_afterwards(path: Path) -> None:
    async def save_against_a_lock() -> None:
        store = store_at(path, longest_wait_for_lock_s=0.05)
        await store.save(Batch(rows=ROWS))
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreError, match="another program keeps it locked"):
                await store.save(Batch(rows={"zones": "2", "refused": "2"}))
        assert dict((await store.load()).rows) == ROWS

        await store.save(Batch(rows={"zones": "3"}))
        await store.close()

    asyncio.run(save_against_a_lock())

    assert load_once(path) == Loaded(rows={**ROWS, "zones": "3"})


SAVE_TEN_TIMES = """
import asyncio, os, sys
from pathlib import Path
from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.store import Batch

async def save_ten_times():
    store = SqliteStore(Path(sys.argv[1]), Path(sys.argv[1] + '.tail'))
    await store.load()
    for number in range(10):
        await store.save(Batch(rows={"zones": str(number)}))
        os.write(1, b"acknowledged")
    await store.close()

asyncio.run(save_ten_times())
"""


def test_the_log_is_forced_to_the_disk_before_each_save_returns(path: Path) -> None:
    """What a kill cannot show and a power cut would: the system calls themselves."""
    calls = path.with_name("calls")
    trace = ["strace", "-f", "-y", "-e", "trace=write,fsync,fdatasync", "-o", str(calls)]
    if shutil.which("strace") is None or subprocess.run([*trace, "true"], check=False).returncode != 0:
        pytest.skip("strace is not there, or may not trace")

    subprocess.run(
        [*trace, sys.executable, "-c", SAVE_TEN_TIMES, str(path)], cwd=ROOT, check=True, capture_output=True
    )

    before_each = calls.read_text().split('"acknowledged"')[:-1]
    syncs = [re.findall(rf"f(?:data)?sync\(\d+<{re.escape(str(path))}-wal>", part) for part in before_each]
    assert len(syncs) == 10
    assert all(syncs), syncs


# Hands that delete things while we run.


def delete_the_file(path: Path) -> None:
    path.unlink()


def delete_all(path: Path) -> None:
    shutil.rmtree(path.parent)


def delete_the_log(path: Path) -> None:
    path.with_name("state.db-wal").unlink()


def move_it_away(path: Path) -> None:
    path.rename(path.with_name("moved"))


def put_another_in_place(path: Path) -> None:
    other = path.with_name("other.db")
    save_once(other, {"zones": '"of another"'})
    other.replace(path)


def cut_it_short(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(1024)


def put_rubbish_in_place(path: Path) -> None:
    path.with_name("rubbish").write_bytes(b"rubbish" * 1000)
    path.with_name("rubbish").replace(path)


ANEW = "begun anew with all settings and the state; the history before is"
SAID: dict[Callable[[Path], None], str | None] = {
    delete_the_file: f"missing; {ANEW} lost",
    delete_all: f"missing; {ANEW} lost",
    delete_the_log: None,
    move_it_away: f"missing; {ANEW} lost",
    put_another_in_place: "not as it was left; all that is known was put into it",
    put_rubbish_in_place: f"{ANEW} in ",
    cut_it_short: f"{ANEW} in ",
}


@pytest.mark.parametrize("meddle", SAID, ids=lambda meddle: meddle.__name__)
def test_a_save_after_meddling_writes_all_that_is_known_and_says_so(
    meddle: Callable[[Path], None], tmp_path: Path
) -> None:
    path = tmp_path / "house" / "state.db"
    path.parent.mkdir()
    before = Batch(rows=ROWS, revisions=(revision(1),), answers=(answer("a"),), entries=(entry("before"),))

    async def save_meddle_save() -> tuple[str | None, dict[str, str]]:
        store = SqliteStore(path, tmp_path / "tail")
        await store.save(before)
        await store.save(Batch(rows={"batches": "1"}))
        await asyncio.to_thread(meddle, path)
        words = await store.save(Batch(rows={"zones": "2"}, entries=(entry("after"),)))
        seen = rows_seen_by_another(path)
        await store.close()
        return words, seen

    words, seen = asyncio.run(save_meddle_save())

    assert seen == {**ROWS, "batches": "1", "zones": "2"}
    assert load_once(path) == Loaded(
        rows=seen, revisions=(revision(1),), last_revision=1, answers=(answer("a"),)
    )
    assert reasons_seen_by_another(path) == (["after"] if SAID[meddle] else ["before", "after"])
    assert (SAID[meddle] or "") in (words or "")
    assert (words is None) == (SAID[meddle] is None)


def test_what_was_mended_is_said_once(path: Path) -> None:
    async def save_delete_save_save() -> list[str | None]:
        store = store_at(path)
        await store.save(Batch(rows=ROWS))
        await asyncio.to_thread(delete_the_file, path)
        said = [await store.save(Batch(rows={"zones": str(number)})) for number in range(2)]
        await store.close()
        return said

    first, second = asyncio.run(save_delete_save_save())

    assert first is not None
    assert second is None


def test_a_file_put_in_place_keeps_the_rows_we_do_not_know(path: Path) -> None:
    """Our log must not be applied to it."""

    async def save_replace_save() -> None:
        store = store_at(path)
        await store.save(Batch(rows={f"row-{number}": json.dumps("x" * 500) for number in range(50)}))
        await asyncio.to_thread(put_another_in_place, path)
        await store.save(Batch(rows={"after": "1"}))
        await store.close()

    asyncio.run(save_replace_save())

    rows = load_once(path).rows
    assert rows["zones"] == '"of another"'
    assert set(rows) == {"zones", "after", *(f"row-{number}" for number in range(50))}


async def ticks_while_waiting(task: asyncio.Task[str | None]) -> None:
    """The loop goes round while the save hangs; were the save on the loop, it would be done by now."""
    for _ in range(20):
        await asyncio.sleep(0.01)
        assert not task.done()


def test_a_file_deleted_in_the_middle_of_a_save_is_written_again(path: Path) -> None:
    async def delete_during_a_save() -> dict[str, str]:
        store = store_at(path)
        await store.save(Batch(rows=ROWS))
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            saving = asyncio.create_task(store.save(Batch(rows={"zones": "2"})))
            await ticks_while_waiting(saving)
            await asyncio.to_thread(delete_the_file, path)
        await saving
        seen = rows_seen_by_another(path)
        await store.close()
        return seen

    assert asyncio.run(delete_during_a_save()) == {**ROWS, "zones": "2"}


def test_a_slow_save_does_not_stall_the_loop(path: Path) -> None:
    async def save_slowly() -> None:
        store = store_at(path)
        await store.save(Batch(rows=ROWS))
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            saving = asyncio.create_task(store.save(Batch(rows={"zones": "2"})))
            await ticks_while_waiting(saving)
        await saving
        await store.close()

    asyncio.run(save_slowly())

    assert load_once(path) == Loaded(rows={**ROWS, "zones": "2"})


def test_rows_changed_by_the_caller_during_a_save_are_saved_as_they_were(path: Path) -> None:
    async def change_during_a_save() -> None:
        store = store_at(path)
        await store.save(Batch(rows=ROWS))
        rows = {"zones": "2"}
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            saving = asyncio.create_task(store.save(Batch(rows=rows)))
            await ticks_while_waiting(saving)
            rows["zones"] = "3"
        await saving
        await store.close()

    asyncio.run(change_during_a_save())

    assert load_once(path) == Loaded(rows={**ROWS, "zones": "2"})


def test_a_save_that_comes_in_after_the_log_is_deleted_is_in_the_file_once(path: Path) -> None:
    """Closing the file brings home what was written to the log that has lost its name."""

    async def save_delete_the_log_during_a_save() -> None:
        store = store_at(path)
        await store.save(Batch(entries=(entry("before"),)))
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            saving = asyncio.create_task(
                store.save(Batch(entries=(entry("during"),), water=(given(0, 1, 5.0, 0.4),)))
            )
            await ticks_while_waiting(saving)
            await asyncio.to_thread(delete_the_log, path)
        await saving
        await store.close()

    asyncio.run(save_delete_the_log_during_a_save())

    assert reasons_seen_by_another(path) == ["before", "during"]
    assert seen_by_another(path, "SELECT bursts, open_s, water_l FROM water_hour_0") == [(1, 5.0, 0.4)]


LONG = json.dumps("x" * 6_000_000)  # more than SQLite keeps in memory, so that bad pages are read


def wipe_pages(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(3_000_000)
        file.write(bytes(400_000))


def test_a_save_that_meets_a_file_gone_bad_writes_every_row_known_to_a_new_one(path: Path) -> None:
    async def save_over_bad_pages() -> None:
        store = store_at(path)
        await store.save(Batch(rows={**ROWS, "long": LONG}))
        await asyncio.to_thread(wipe_pages, path)
        await store.save(Batch(rows={"long": "0"}))
        await store.close()

    asyncio.run(save_over_bad_pages())

    assert load_once(path) == Loaded(rows={**ROWS, "long": "0"})
    assert path.with_name("state.db.unreadable-1").exists()


def test_a_file_gone_bad_while_running_spoils_neither_the_backup_nor_the_next_save(path: Path) -> None:
    async def wipe_pages_while_open() -> None:
        store = store_at(path)
        await store.save(Batch(rows={**ROWS, "long": LONG}))
        await store.copy_to_backup()
        await asyncio.to_thread(wipe_pages, path)

        with pytest.raises(StoreError):
            await store.copy_to_backup()
        await store.save(Batch(rows={"after": "1"}))
        await store.close()

    asyncio.run(wipe_pages_while_open())

    assert rows_seen_by_another(path.with_name("state.db.backup")) == {**ROWS, "long": LONG}
    assert load_once(path) == Loaded(rows={**ROWS, "long": LONG, "after": "1"})
    assert path.with_name("state.db.unreadable-1").exists()


# The backup and the name.


def test_a_backup_is_one_whole_file_and_replaces_the_one_before(path: Path) -> None:
    save_once(path, ROWS, with_backup=True)
    save_once(path, {"zones": "2"}, with_backup=True)

    assert load_once(path.with_name("state.db.backup")) == Loaded(rows={**ROWS, "zones": "2"})
    assert sorted(each.name for each in path.parent.iterdir()) == ["state.db", "state.db.backup"]


def test_a_backup_that_cannot_be_put_in_place_is_told_and_leaves_nothing_behind(path: Path) -> None:
    path.with_name("state.db.backup").mkdir()

    with pytest.raises(StoreError, match="Is a directory"):
        save_once(path, ROWS, with_backup=True)

    assert load_once(path) == Loaded(rows=ROWS)
    assert sorted(each.name for each in path.parent.iterdir()) == ["state.db", "state.db.backup"]


def test_a_link_is_followed_and_left_a_link(path: Path, tmp_path: Path) -> None:
    (tmp_path / "big disk").mkdir()
    real = tmp_path / "big disk" / "50% #1?.db"
    path.symlink_to(real)

    save_once(path, ROWS)

    assert path.is_symlink()
    assert load_once(real) == Loaded(rows=ROWS)


def test_a_backup_holds_no_history_and_stays_small(path: Path) -> None:
    long = tuple(entry("x" * 1000) for _ in range(1000))
    save_once(path, Batch(rows=ROWS, revisions=(revision(1),), entries=long), with_backup=True)

    backup = path.with_name("state.db.backup")
    assert path.stat().st_size > 1_000_000
    assert backup.stat().st_size < 32_000
    assert load_once(backup) == Loaded(rows=ROWS, revisions=(revision(1),), last_revision=1)


def test_a_backup_keeps_older_changes_than_a_restart_needs(path: Path) -> None:
    changes = tuple(revision(id_) for id_ in range(1, 60))
    save_once(path, Batch(revisions=changes), with_backup=True)

    ids = seen_by_another(path.with_name("state.db.backup"), "SELECT id FROM revision ORDER BY id")

    assert ids == [(revision.id,) for revision in changes]


def test_a_quarter_of_an_hour_costs_the_log_few_pages(path: Path) -> None:
    """A memory card is worn out by writing; the benchmark `disk_writes` counts all that comes of it."""
    life = HouseLife(begins=datetime(2026, 11, 1, tzinfo=UTC), dice=random.Random(1))

    async def live() -> list[int]:
        store, log, sizes = store_at(path), path.with_name("state.db-wal"), []
        for _ in range(8):
            for _ in range(SAVE_EVERY_MIN):
                life.live_a_minute()
            await store.save(life.taken())
            sizes.append(log.stat().st_size)
        await store.close()
        return sizes

    sizes = asyncio.run(live())

    assert max(after - before for before, after in pairwise(sizes)) < 32_000


# An end that may not hang.

HANG = """
import asyncio, os, sys, time
from pathlib import Path
from mistd.adapters.sqlite import store as stores
from mistd.ports.store import Batch

async def close_on_a_hanging_disk():
    store = stores.SqliteStore(Path(sys.argv[1]), Path(sys.argv[1] + ".tail"), longest_wait_for_lock_s=60.0)
    await store.save(Batch(rows={"zones": "1"}))
    print("saved", flush=True)
    sys.stdin.readline()
    saving = asyncio.create_task(store.save(Batch(rows={"zones": "2"})))
    await asyncio.sleep(0.1)
    began = time.monotonic()
    await store.close()
    print(f"closed after {time.monotonic() - began:.1f} s", flush=True)
    saving.cancel()

asyncio.run(close_on_a_hanging_disk())
print("ended", flush=True)
"""


@pytest.mark.real_time
def test_a_disk_that_hangs_holds_up_neither_the_close_nor_the_end_of_the_program(path: Path) -> None:
    """A lock that is never let go stands for the disk: the writer is in one call that does not return."""
    command = [sys.executable, "-c", HANG, str(path)]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as program:
        assert program.stdout is not None
        assert program.stdin is not None
        assert program.stdout.readline() == "saved\n"
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            program.stdin.write("\n")
            program.stdin.flush()
            closed = program.stdout.readline()
            ended = program.stdout.readline()
            code = program.wait(5.0)

    assert re.fullmatch(r"closed after (3\.[0-9]) s\n", closed)
    assert (ended, code) == ("ended\n", 0)
