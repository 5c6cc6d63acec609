"""SqliteStore where it may not write, or where there is no room left."""

import asyncio
import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from mistd.ports.errors import StoreError
from mistd.ports.store import Batch, Loaded
from tests.adapters.state_files import (
    ROOT,
    ROWS,
    load_once,
    revision,
    rows_seen_by_another,
    save_once,
    small_disk,
    store_at,
)

NOBODY = 65534


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


@contextlib.contextmanager
def without_privileges() -> Iterator[Path]:
    """A directory of our own, seen by someone whom permissions bind."""
    directory = Path(tempfile.mkdtemp(prefix="mistd-store-"))
    is_root = os.geteuid() == 0
    try:
        if is_root:
            os.chown(directory, NOBODY, NOBODY)
            os.seteuid(NOBODY)
        yield directory
    finally:
        if is_root:
            os.seteuid(0)
        directory.chmod(0o700)
        shutil.rmtree(directory)


def refusal(path: Path) -> str:
    with pytest.raises(StoreError) as refused:
        load_once(path)
    return str(refused.value)


def test_a_directory_in_place_of_the_file_is_told(path: Path) -> None:
    path.mkdir()

    assert refusal(path) == f"{path}: something that is no file has that name"
    assert path.is_dir()


def test_a_file_in_place_of_the_directory_is_told(path: Path) -> None:
    path.write_text("x")

    assert refusal(path / "state.db") == f"{path / 'state.db'}: File exists"


def test_a_directory_closed_to_us_is_told() -> None:
    with without_privileges() as directory:
        directory.chmod(0o000)

        assert refusal(directory / "state.db") == f"{directory / 'state.db'}: Permission denied"


def test_a_directory_we_may_not_write_is_told() -> None:
    with without_privileges() as directory:
        directory.chmod(0o500)

        assert "cannot be opened there; is the directory writable?" in refusal(directory / "state.db")


def test_a_file_we_may_not_read_is_told_and_not_set_aside() -> None:
    with without_privileges() as directory:
        path = directory / "state.db"
        save_once(path, ROWS)
        path.chmod(0o000)

        assert refusal(path) == f"{path}: Permission denied"
        assert [each.name for each in directory.iterdir()] == ["state.db"]


def test_a_read_only_file_is_told_and_served_once_writable() -> None:
    with without_privileges() as directory:
        path = directory / "state.db"
        save_once(path, ROWS)
        path.chmod(0o400)

        assert refusal(path) == f"{path}: Permission denied"
        path.chmod(0o600)
        assert load_once(path) == Loaded(rows=ROWS)


def fill(file: Path) -> None:
    with file.open("wb", buffering=0) as filler, contextlib.suppress(OSError):
        while True:
            filler.write(bytes(4096))


def test_a_full_disk_is_told_harms_nothing_and_is_got_over(tmp_path: Path) -> None:
    async def save_on_a_full_disk(disk: Path) -> None:
        store = store_at(disk / "state.db")
        await store.save(Batch(rows=ROWS))
        await store.copy_to_backup()
        fill(disk / "filler")
        for _ in range(2):
            with pytest.raises(StoreError, match=r"full|No space left"):
                await store.save(Batch(rows={"zones": json.dumps("x" * 100_000)}))
            with pytest.raises(StoreError, match=r"full|No space left"):
                await store.copy_to_backup()
        assert rows_seen_by_another(disk / "state.db.backup") == ROWS
        (disk / "filler").unlink()

        await store.save(Batch(rows={"after": "1"}))
        await store.close()

    with small_disk(tmp_path / "disk") as disk:
        asyncio.run(save_on_a_full_disk(disk))

        assert load_once(disk / "state.db") == Loaded(rows={**ROWS, "after": "1"})


def test_a_disk_full_from_the_start_is_told_and_leaves_no_half_file(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk") as disk:
        fill(disk / "filler")

        assert "full" in refusal(disk / "state.db")
        (disk / "filler").unlink()
        assert load_once(disk / "state.db") == Loaded(rows={})


def test_a_read_only_disk_is_told(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk") as disk:
        save_once(disk / "state.db", ROWS)
        subprocess.run(["mount", "-o", "remount,ro", disk.resolve()], check=True)

        assert refusal(disk / "state.db") == f"{disk.resolve() / 'state.db'}: Read-only file system"


def test_what_was_set_can_be_begun_from_on_a_disk_that_can_no_longer_be_written(tmp_path: Path) -> None:
    """A card gone read-only must not undo a hold or a weaning: it can still be read."""

    async def stand_in(path: Path) -> Loaded | None:
        store = store_at(path)
        with pytest.raises(StoreError) as refused:
            await store.load()
        await store.close()
        return refused.value.stand_in

    with small_disk(tmp_path / "disk") as disk:
        save_once(disk / "state.db", Batch(rows=ROWS, revisions=(revision(7),)))
        subprocess.run(["mount", "-o", "remount,ro", disk.resolve()], check=True)

        found = asyncio.run(stand_in(disk / "state.db"))

    assert found is not None
    assert (found.rows, found.revisions, found.last_revision) == (ROWS, (revision(7),), 7)
    assert "last-good.json" in found.troubles[0]


LIMITED = """
import asyncio, json, resource, sys
from pathlib import Path
from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.errors import StoreError
from mistd.ports.store import Batch

async def save_past_the_limit():
    store = SqliteStore(Path(sys.argv[1]), Path(sys.argv[1] + '.tail'))
    await store.save(Batch(rows={"zones": "1"}))
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))
    try:
        await store.save(Batch(rows={"zones": json.dumps("x" * 400_000)}))
    except StoreError as error:
        print(error)
    await store.save(Batch(rows={"alarms": "2"}))
    await store.close()

asyncio.run(save_past_the_limit())
"""


def test_a_file_that_may_not_grow_is_told_and_keeps_its_rows(path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(path)], cwd=ROOT, check=True, capture_output=True, text=True
    )

    assert "the disk failed to read or write" in done.stdout
    assert load_once(path) == Loaded(rows={"zones": "1", "alarms": "2"})
