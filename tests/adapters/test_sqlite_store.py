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
from pathlib import Path

import pytest

from mistd.adapters.sqlite_store import SqliteStore
from mistd.ports.errors import StoreError
from mistd.ports.store import Loaded
from tests.adapters.state_files import ROOT, ROWS, load_once, rows_seen_by_another, save_once


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


WRITER = """
import asyncio, json, sys
from pathlib import Path
from mistd.adapters.sqlite_store import SqliteStore

async def write_for_ever():
    store = SqliteStore(Path(sys.argv[1]))
    await store.load()
    number = int(sys.argv[2])
    while True:
        number += 1
        await store.save({"left": str(number), "right": str(number), f"row-{number}": json.dumps("x" * 300)})
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
    for kill in range(30):
        acknowledged = last_acknowledged_of_a_killed_writer(path, number, dice)

        loaded = load_once(path)

        where = f"seed {seed}, kill {kill}, acknowledged {acknowledged}"
        number = int(loaded.rows["left"])
        assert loaded.set_aside is None, where
        assert number in (acknowledged, acknowledged + 1), where  # one more may be written and not yet told
        assert loaded.rows["right"] == loaded.rows["left"], where
        assert set(loaded.rows) == {"left", "right", *(f"row-{n}" for n in range(1, number + 1))}, where
    backup = load_once(path.with_name("state.db.backup"))
    copied = int(backup.rows["left"])
    assert backup.set_aside is None
    assert copied <= number
    assert set(backup.rows) == {"left", "right", *(f"row-{n}" for n in range(1, copied + 1))}


def test_a_file_locked_by_another_program_is_told_and_saved_to_afterwards(path: Path) -> None:
    async def save_against_a_lock() -> None:
        store = SqliteStore(path, longest_wait_for_lock_s=0.05)
        await store.save(ROWS)
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreError, match="another program keeps it locked"):
                await store.save({"zones": "2", "refused": "2"})
        assert dict((await store.load()).rows) == ROWS

        await store.save({"zones": "3"})
        await store.close()

    asyncio.run(save_against_a_lock())

    assert load_once(path) == Loaded(rows={**ROWS, "zones": "3"})


SAVE_TEN_TIMES = """
import asyncio, os, sys
from pathlib import Path
from mistd.adapters.sqlite_store import SqliteStore

async def save_ten_times():
    store = SqliteStore(Path(sys.argv[1]))
    await store.load()
    for number in range(10):
        await store.save({"zones": str(number)})
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


def put_rubbish_in_place(path: Path) -> None:
    path.with_name("rubbish").write_bytes(b"rubbish" * 1000)
    path.with_name("rubbish").replace(path)


@pytest.mark.parametrize(
    "meddle",
    [delete_the_file, delete_all, delete_the_log, move_it_away, put_another_in_place, put_rubbish_in_place],
    ids=lambda meddle: meddle.__name__,
)
def test_a_save_after_meddling_writes_every_row_known(meddle: Callable[[Path], None], tmp_path: Path) -> None:
    path = tmp_path / "house" / "state.db"

    async def save_meddle_save() -> dict[str, str]:
        store = SqliteStore(path)
        await store.save(ROWS)
        await store.save({"batches": "1"})
        await asyncio.to_thread(meddle, path)
        await store.save({"zones": "2"})
        seen = rows_seen_by_another(path)
        await store.close()
        return seen

    seen = asyncio.run(save_meddle_save())

    assert seen == {**ROWS, "batches": "1", "zones": "2"}
    assert load_once(path) == Loaded(rows=seen)


def test_a_file_put_in_place_keeps_the_rows_we_do_not_know(path: Path) -> None:
    """Our log must not be applied to it."""

    async def save_replace_save() -> None:
        store = SqliteStore(path)
        await store.save({f"row-{number}": json.dumps("x" * 500) for number in range(50)})
        await asyncio.to_thread(put_another_in_place, path)
        await store.save({"after": "1"})
        await store.close()

    asyncio.run(save_replace_save())

    rows = load_once(path).rows
    assert rows["zones"] == '"of another"'
    assert set(rows) == {"zones", "after", *(f"row-{number}" for number in range(50))}


async def ticks_while_waiting(task: asyncio.Task[None]) -> None:
    """The loop goes round while the save hangs; were the save on the loop, it would be done by now."""
    for _ in range(20):
        await asyncio.sleep(0.01)
        assert not task.done()


def test_a_file_deleted_in_the_middle_of_a_save_is_written_again(path: Path) -> None:
    async def delete_during_a_save() -> dict[str, str]:
        store = SqliteStore(path)
        await store.save(ROWS)
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            saving = asyncio.create_task(store.save({"zones": "2"}))
            await ticks_while_waiting(saving)
            await asyncio.to_thread(delete_the_file, path)
        await saving
        seen = rows_seen_by_another(path)
        await store.close()
        return seen

    assert asyncio.run(delete_during_a_save()) == {**ROWS, "zones": "2"}


def test_a_slow_save_does_not_stall_the_loop(path: Path) -> None:
    async def save_slowly() -> None:
        store = SqliteStore(path)
        await store.save(ROWS)
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            saving = asyncio.create_task(store.save({"zones": "2"}))
            await ticks_while_waiting(saving)
        await saving
        await store.close()

    asyncio.run(save_slowly())

    assert load_once(path) == Loaded(rows={**ROWS, "zones": "2"})


def test_rows_changed_by_the_caller_during_a_save_are_saved_as_they_were(path: Path) -> None:
    async def change_during_a_save() -> None:
        store = SqliteStore(path)
        await store.save(ROWS)
        rows = {"zones": "2"}
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            saving = asyncio.create_task(store.save(rows))
            await ticks_while_waiting(saving)
            rows["zones"] = "3"
        await saving
        await store.close()

    asyncio.run(change_during_a_save())

    assert load_once(path) == Loaded(rows={**ROWS, "zones": "2"})


LONG = json.dumps("x" * 6_000_000)  # more than SQLite keeps in memory, so that bad pages are read


def wipe_pages(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(3_000_000)
        file.write(bytes(400_000))


def test_a_save_that_meets_a_file_gone_bad_writes_every_row_known_to_a_new_one(path: Path) -> None:
    async def save_over_bad_pages() -> None:
        store = SqliteStore(path)
        await store.save({**ROWS, "long": LONG})
        await asyncio.to_thread(wipe_pages, path)
        await store.save({"long": "0"})
        await store.close()

    asyncio.run(save_over_bad_pages())

    assert load_once(path) == Loaded(rows={**ROWS, "long": "0"})
    assert path.with_name("state.db.unreadable-1").exists()


def test_a_file_gone_bad_while_running_spoils_neither_the_backup_nor_the_next_save(path: Path) -> None:
    async def wipe_pages_while_open() -> None:
        store = SqliteStore(path)
        await store.save({**ROWS, "long": LONG})
        await store.copy_to_backup()
        await asyncio.to_thread(wipe_pages, path)

        with pytest.raises(StoreError):
            await store.copy_to_backup()
        await store.save({"after": "1"})
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
