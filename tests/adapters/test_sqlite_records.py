"""SqliteRecords: the history as someone sees it who looks, beside a daemon or after it."""

import asyncio
import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from mistd.adapters.sqlite.history import LINES_A_VOLUME
from mistd.adapters.sqlite.records import AT_ONCE, PERIODS_AT_ONCE, SqliteRecords
from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.errors import StoreError
from mistd.ports.records import Records, Wanted
from mistd.ports.store import Batch, Entry, Keeping, RolledReadings, WaterGiven
from tests.adapters.state_files import (
    ROOT,
    entry,
    given,
    note_once,
    revision,
    rolled,
    save_once,
    store_at,
    tail_of,
)

NOBODY = 65534
LATEST = 2**40


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


def records_of(path: Path) -> Records:
    return SqliteRecords(path, tail_of(path))


def reasons(path: Path, wanted: Wanted | None = None) -> list[str]:
    return [line.reason for line in records_of(path).journal(wanted or Wanted())]


@contextlib.asynccontextmanager
async def at_work(path: Path) -> AsyncIterator[SqliteStore]:
    store = store_at(path)
    await store.load()
    try:
        yield store
    finally:
        await store.close()


def at(minute: int) -> str:
    return f"2026-11-01T06:{minute:02}:00.000Z"


# The journal.


def test_lines_come_back_field_by_field_in_the_order_in_which_they_were_written(path: Path) -> None:
    lines = (
        Entry(at=at(9), is_time_trusted=False, kind="a", subject="", reason="Größe \U0001f331", figures="{}"),
        Entry(at=at(3), is_time_trusted=True, kind="b", subject="c", reason="", figures='{"x": [1.5]}'),
    )
    save_once(path, Batch(entries=lines))

    assert list(records_of(path).journal(Wanted())) == list(lines)


def test_what_is_only_noted_is_shown_beside_a_running_daemon(path: Path) -> None:
    async def look() -> list[list[str]]:
        async with at_work(path) as store:
            await store.save(Batch(entries=(entry("saved"),)))
            await store.note(Batch(entries=(entry("noted"),)))
            before = await asyncio.to_thread(reasons, path)
            await store.save(Batch(entries=(entry("noted"), entry("and saved"))))
            return [before, await asyncio.to_thread(reasons, path)]

    before, after = asyncio.run(look())

    assert before == ["saved", "noted"]
    assert after == ["saved", "noted", "and saved"]
    assert reasons(path) == after


def test_what_was_noted_before_a_kill_is_shown_before_the_next_start(path: Path) -> None:
    save_once(path, Batch(entries=(entry("saved"),)))
    note_once(path, Batch(entries=(entry("noted"),)))

    assert reasons(path) == ["saved", "noted"]


SINCE_AND_UNTIL = [
    (Wanted(since=at(10)), [10, 20, 30]),
    (Wanted(since="2026-11-01T06:10:00.001Z"), [20, 30]),
    (Wanted(since="2026-11-01T06:10:00Z"), [10, 20, 30]),
    (Wanted(since="2026-11-01T06:10:00"), [10, 20, 30]),
    (Wanted(since="2026-11-01T07:10:00+01:00"), [10, 20, 30]),
    (Wanted(since="2026-11-01"), [0, 10, 20, 30]),
    (Wanted(until=at(20)), [0, 10]),
    (Wanted(until="2026-11-01T06:20:00.001+00:00"), [0, 10, 20]),
    (Wanted(since=at(10), until=at(30)), [10, 20]),
    (Wanted(since=at(10), until=at(10)), []),
    (Wanted(until="2026-11-01"), []),
]


@pytest.mark.parametrize("place", ["saved", "noted"])
@pytest.mark.parametrize(("wanted", "minutes"), SINCE_AND_UNTIL)
def test_since_is_included_and_until_is_not(
    wanted: Wanted, minutes: list[int], place: str, path: Path
) -> None:
    lines = Batch(entries=tuple(entry(str(minute), at=at(minute)) for minute in (0, 10, 20, 30)))
    save_once(path, lines if place == "saved" else {})
    if place == "noted":
        note_once(path, lines)

    assert reasons(path, wanted) == [str(minute) for minute in minutes]


FILTERS = [
    (Wanted(subjects=("bench-1",)), ["a", "c"]),
    (Wanted(subjects=("bench-1", "bench-2")), ["a", "b", "c"]),
    (Wanted(kinds=("raised",)), ["d"]),
    (Wanted(subjects=("bench-2",), kinds=("raised",)), []),
    (Wanted(subjects=("bench",)), []),
    (Wanted(last=2), ["c", "d"]),
    (Wanted(last=2, subjects=("bench-1",)), ["a", "c"]),
    (Wanted(last=1, subjects=("bench-1",)), ["c"]),
    (Wanted(last=0), []),
    (Wanted(last=100), ["a", "b", "c", "d"]),
]


@pytest.mark.parametrize("noted", range(5))
@pytest.mark.parametrize(("wanted", "expected"), FILTERS)
def test_filters_hold_for_what_is_saved_and_what_is_noted(
    wanted: Wanted, expected: list[str], noted: int, path: Path
) -> None:
    lines = [entry(reason, subject=f"bench-{bench}") for reason, bench in (("a", 1), ("b", 2), ("c", 1))]
    lines.append(
        Entry(at=at(0), is_time_trusted=True, kind="raised", subject="house", reason="d", figures="{}")
    )
    save_once(path, Batch(entries=tuple(lines[: 4 - noted])))
    note_once(path, *(Batch(entries=(line,)) for line in lines[4 - noted :]))

    assert reasons(path, wanted) == expected


def test_a_journal_of_many_volumes_is_read_from_end_to_end(path: Path) -> None:
    count = 2 * LINES_A_VOLUME + AT_ONCE + 7
    save_once(path, Batch(entries=tuple(entry(str(number)) for number in range(count))))

    assert reasons(path) == [str(number) for number in range(count)]
    assert reasons(path, Wanted(last=LINES_A_VOLUME + 50)) == [
        str(number) for number in range(count - LINES_A_VOLUME - 50, count)
    ]


@pytest.mark.parametrize("count", [AT_ONCE - 1, AT_ONCE, AT_ONCE + 1, LINES_A_VOLUME - 1, LINES_A_VOLUME])
def test_no_line_is_lost_or_shown_twice_where_one_look_ends(count: int, path: Path) -> None:
    save_once(path, Batch(entries=tuple(entry(str(number)) for number in range(count))))

    assert reasons(path) == [str(number) for number in range(count)]


def test_a_long_look_goes_on_through_saves_and_prunings_and_holds_up_neither(path: Path) -> None:
    """What is let go of meanwhile may be missing; nothing is shown twice and no new line mixes in."""
    count = 3 * LINES_A_VOLUME

    async def look_and_save() -> list[int]:
        async with at_work(path) as store:
            await store.save(Batch(entries=tuple(entry(str(number)) for number in range(count))))
            await store.note(Batch(entries=(entry(str(count)),)))
            lines = await asyncio.to_thread(records_of(path).journal, Wanted())
            seen = [int(next(lines).reason)]
            await store.save(Batch(entries=(entry(str(count)), entry("new"))))
            await store.prune(Keeping(journal_largest_mb=0.0), None)
            return seen + [int(line.reason) for line in await asyncio.to_thread(list, lines)]

    seen = asyncio.run(look_and_save())

    assert seen == sorted(set(seen))
    assert seen[0] == 0
    assert seen[-1] == count


# Readings and water.


def test_readings_of_the_file_and_the_tail_are_one(path: Path) -> None:
    save_once(
        path,
        Batch(
            readings=(rolled(60, 1.0, 2.0, 3.0, 10), rolled(120, 1.0, 2.0, 3.0, 10)),
            water=(given(0, 1, 5.0, 0.5), given(3600, 1, 5.0, 0.5)),
        ),
    )
    note_once(
        path,
        Batch(readings=(rolled(120, 0.0, 5.0, 9.0, 5),), water=(given(3600, 2, 10.0, 1.0),)),
        Batch(
            readings=(rolled(120, 1.0, 2.0, 3.0, 5), rolled(180, 7.0, 7.0, 7.0, 1)),
            water=(given(7200, 1, 5.0, 0.5),),
        ),
    )
    records = records_of(path)

    assert list(records.readings(60, 0, LATEST)) == [
        rolled(60, 1.0, 2.0, 3.0, 10),
        rolled(120, 0.0, 2.75, 9.0, 20),
        rolled(180, 7.0, 7.0, 7.0, 1),
    ]
    assert list(records.water(0, LATEST)) == [
        given(0, 1, 5.0, 0.5),
        given(3600, 3, 15.0, 1.5),
        given(7200, 1, 5.0, 0.5),
    ]


@pytest.mark.parametrize("place", ["saved", "noted"])
@pytest.mark.parametrize(
    ("since", "until", "begins"),
    [
        (0, LATEST, [60, 120, 180]),
        (60, 180, [60, 120]),
        (61, 181, [120, 180]),
        (59, 60, []),
        (180, 180, []),
        (181, LATEST, []),
    ],
)
def test_minutes_from_and_up_to_an_instant(
    since: int, until: int, begins: list[int], place: str, path: Path
) -> None:
    batch = Batch(readings=tuple(rolled(minute, 1.0, 1.0, 1.0, 1) for minute in (60, 120, 180)))
    save_once(path, batch if place == "saved" else {})
    if place == "noted":
        note_once(path, batch)

    assert [each.begins for each in records_of(path).readings(60, since, until)] == begins


@pytest.mark.parametrize(
    "count", [PERIODS_AT_ONCE - 1, PERIODS_AT_ONCE, PERIODS_AT_ONCE + 1, 3 * PERIODS_AT_ONCE]
)
def test_no_minute_is_lost_or_shown_twice_where_one_look_ends(count: int, path: Path) -> None:
    begins = [minute * 60 for minute in range(count)]
    save_once(path, Batch(readings=tuple(rolled(each, 1.0, 1.0, 1.0, 1) for each in begins)))

    assert [each.begins for each in records_of(path).readings(60, 0, LATEST)] == begins


def test_readings_with_gaps_of_months_are_read_in_order_over_all_volumes(path: Path) -> None:
    begins = [day * 86_400 for day in (0, 1, 5, 100, 101, 900)]
    parts = [
        RolledReadings(period_s=60, begins=each, sensor=name, least=1.0, mean=1.0, most=1.0, count=1)
        for each in begins
        for name in ("air", "leaf")
    ]
    save_once(path, Batch(readings=tuple(reversed(parts))))

    assert list(records_of(path).readings(60, 0, LATEST)) == parts


def test_a_period_that_is_none_is_our_mistake(path: Path) -> None:
    save_once(path, {})

    with pytest.raises(KeyError):
        records_of(path).readings(61, 0, LATEST)


# Changes.


def test_changes_come_oldest_first_from_the_file_and_the_tail(path: Path) -> None:
    changes = [revision(1), revision(2, subject="bench-2"), revision(3), revision(4)]
    save_once(path, Batch(revisions=tuple(changes[:3])))
    note_once(path, Batch(revisions=(changes[3],)))
    records = records_of(path)

    assert records.revisions() == changes
    assert records.revisions("bench-2") == [changes[1]]
    assert records.revisions(last=2) == changes[2:]
    assert records.revisions("bench-1", last=2) == changes[2:]
    assert records.revisions(last=0) == []
    assert records.revisions("nowhere") == []


def test_all_changes_are_shown_and_not_only_what_a_restart_needs(path: Path) -> None:
    save_once(path, Batch(revisions=tuple(revision(id_) for id_ in range(1, 101))))

    assert len(records_of(path).revisions()) == 100


# Places and files.


def test_a_house_without_a_database_has_no_history_and_gets_none_by_looking(path: Path) -> None:
    for look in (
        lambda: records_of(path).journal(Wanted()),
        lambda: records_of(path).revisions(),
        lambda: records_of(path).readings(60, 0, 1),
        lambda: records_of(path).water(0, 1),
    ):
        with pytest.raises(StoreError, match=f"{path}: there is none"):
            look()

    assert list(path.parent.iterdir()) == []


def test_a_new_house_has_an_empty_history(path: Path) -> None:
    save_once(path, {})
    records = records_of(path)

    assert list(records.journal(Wanted())) == []
    assert list(records.journal(Wanted(last=5))) == []
    assert records.revisions() == []
    assert list(records.readings(60, 0, LATEST)) == []
    assert list(records.water(0, LATEST)) == []


@pytest.mark.parametrize("content", [b"", b"rubbish" * 1000, bytes(8192)])
def test_a_file_that_is_none_of_ours_is_told(content: bytes, path: Path) -> None:
    path.write_bytes(content)

    with pytest.raises(StoreError, match=f"{path}: "):
        records_of(path).journal(Wanted())

    assert [each.name for each in path.parent.iterdir()] == ["state.db"]


def test_a_tail_that_cannot_be_read_is_told_by_its_name(path: Path) -> None:
    """Rather than a journal that ends a quarter of an hour ago."""
    save_once(path, {})
    tail_of(path).mkdir()

    with pytest.raises(StoreError, match=f"{tail_of(path)}: Is a directory"):
        records_of(path).journal(Wanted())


def test_a_file_of_a_later_version_is_told(path: Path) -> None:
    save_once(path, {})
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version=3")

    with pytest.raises(StoreError, match="upgrade mistd"):
        records_of(path).revisions()


def test_a_journal_that_goes_bad_while_it_is_read_is_told(path: Path) -> None:
    save_once(path, Batch(entries=tuple(entry("x" * 100) for _ in range(3 * AT_ONCE))))
    lines = records_of(path).journal(Wanted())
    next(lines)
    whole = path.read_bytes()
    path.write_bytes(whole[:20_000] + bytes(len(whole) - 20_000))

    with pytest.raises(StoreError, match=f"{path}: it is unreadable"):
        list(lines)


def names_in(directory: Path) -> list[str]:
    return sorted(each.name for each in directory.iterdir())


def test_looking_leaves_nothing_behind_after_a_daemon_and_after_a_kill(path: Path, tmp_path: Path) -> None:
    killed = tmp_path / "killed"
    killed.mkdir()

    async def copy_while_open() -> None:
        async with at_work(path) as store:
            await store.save(Batch(entries=(entry("saved"),)))
            for suffix in ("", "-wal"):
                await asyncio.to_thread(shutil.copy, f"{path}{suffix}", killed / f"state.db{suffix}")

    asyncio.run(copy_while_open())
    before = names_in(tmp_path), names_in(killed)

    for place in (path, killed / "state.db"):
        assert reasons(place) == ["saved"]

    assert names_in(tmp_path) == before[0]
    assert set(names_in(killed)) - set(before[1]) <= {"state.db-shm"}


LOOK = """
import os, sys
from pathlib import Path
from mistd.adapters.sqlite.records import SqliteRecords
from mistd.ports.records import Wanted

def reasons(path):
    return [line.reason for line in SqliteRecords(path, Path(f"{path}.tail")).journal(Wanted())]

path = Path(sys.argv[1])
reasons(path)  # what Python loads late another user may not be able to read
os.setgid(int(sys.argv[2]))
os.setuid(int(sys.argv[2]))
print(reasons(path))
"""


@contextlib.contextmanager
def place_for_all_to_read() -> Iterator[Path]:
    directory = Path(tempfile.mkdtemp(prefix="mistd-records-"))
    directory.chmod(0o755)
    try:
        yield directory / "state.db"
    finally:
        shutil.rmtree(directory)


@pytest.mark.parametrize("is_running", [True, False])
def test_another_user_may_look_where_he_may_not_write(is_running: bool) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can be another")
    with place_for_all_to_read() as path:

        async def look() -> str:
            async with at_work(path) as store:
                await store.save(Batch(entries=(entry("saved"),)))
                if is_running:
                    return await asyncio.to_thread(look_as_another)
            return await asyncio.to_thread(look_as_another)

        def look_as_another() -> str:
            command = [sys.executable, "-c", LOOK, str(path), str(NOBODY)]
            return subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout

        assert asyncio.run(look()) == "['saved']\n"
        assert names_in(path.parent) == ["state.db"]


def test_root_looking_beside_a_daemon_leaves_its_files_its_own() -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can be another")
    with place_for_all_to_read() as path:
        save_once(path, Batch(entries=(entry("saved"),)))
        for each in (path.parent, path):
            os.chown(each, NOBODY, NOBODY)

        assert reasons(path) == ["saved"]

        assert {each.stat().st_uid for each in (path.parent, *path.parent.iterdir())} == {NOBODY}


def test_water_by_the_hour_comes_in_order_of_hour_and_zone(path: Path) -> None:
    hours = [
        WaterGiven(begins=begins, zone=zone, bursts=1, open_s=5.0, water_l=0.5)
        for begins in (0, 3600, 200 * 86_400)
        for zone in ("a", "b")
    ]
    save_once(path, Batch(water=tuple(reversed(hours))))

    assert list(records_of(path).water(0, LATEST)) == hours
    assert list(records_of(path).water(1, 3601)) == hours[2:4]
