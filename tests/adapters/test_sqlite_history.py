"""The history that SqliteStore keeps: put together from parts, let go of by age and by size."""

import asyncio
import random
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from mistd.adapters.sqlite import history
from mistd.adapters.sqlite.records import SqliteRecords
from mistd.ports.errors import StoreError
from mistd.ports.records import Wanted
from mistd.ports.store import Batch, Entry, Keeping, RolledReadings, WaterGiven
from tests.adapters.state_files import (
    MIDNIGHT_S,
    answer,
    entry,
    given,
    load_once,
    revision,
    rolled,
    save_once,
    seen_by_another,
    store_at,
    tail_of,
)

TODAY = "2026-11-01"
DAY_S, MINUTE_S = 86_400, 60
VOLUME = history.LINES_A_VOLUME
LATEST = 2**40


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


def records_of(path: Path) -> SqliteRecords:
    return SqliteRecords(path, tail_of(path))


def reasons(path: Path) -> list[str]:
    return [line.reason for line in records_of(path).journal(Wanted())]


def minutes(path: Path) -> list[RolledReadings]:
    return list(records_of(path).readings(60, 0, LATEST))


def water(path: Path) -> list[WaterGiven]:
    return list(records_of(path).water(0, LATEST))


def prune(path: Path, keeping: Keeping, today: str | None = TODAY) -> None:
    async def run() -> None:
        store = store_at(path)
        await store.prune(keeping, today)
        await store.close()

    asyncio.run(run())


# Parts.


def test_parts_of_a_minute_are_put_together(path: Path) -> None:
    save_once(path, Batch(readings=(rolled(MIDNIGHT_S, 19.0, 20.0, 22.0, 30),)))
    save_once(path, Batch(readings=(rolled(MIDNIGHT_S, 18.5, 23.0, 24.0, 10),)))

    assert minutes(path) == [rolled(MIDNIGHT_S, 18.5, 20.75, 24.0, 40)]


def test_parts_in_one_batch_are_put_together_too(path: Path) -> None:
    parts = (rolled(60, 1.0, 1.0, 1.0, 1), rolled(60, 0.5, 4.0, 5.0, 2))
    save_once(path, Batch(readings=parts, water=(given(0, 1, 5.0, 0.25), given(0, 2, 10.0, 0.5))))

    assert minutes(path) == [rolled(60, 0.5, 3.0, 5.0, 3)]
    assert water(path) == [given(0, 3, 15.0, 0.75)]


def test_hours_and_minutes_are_kept_apart(path: Path) -> None:
    minute, hour = rolled(3600, 1.0, 2.0, 3.0, 1), rolled(3600, 4.0, 5.0, 6.0, 60, period_s=3600)
    save_once(path, Batch(readings=(minute, hour)))

    assert minutes(path) == [minute]
    assert list(records_of(path).readings(3600, 0, LATEST)) == [hour]


def test_sensors_and_zones_are_kept_apart(path: Path) -> None:
    parts = [
        RolledReadings(period_s=60, begins=60, sensor=name, least=1.0, mean=value, most=9.0, count=1)
        for name, value in (("b", 2.0), ("a", 3.0), ("c", 4.0))
    ]
    save_once(path, Batch(readings=tuple(parts)))
    save_once(path, Batch(water=(WaterGiven(begins=0, zone="a", bursts=1, open_s=1.0, water_l=1.0),)))

    assert minutes(path) == sorted(parts, key=lambda part: part.sensor)
    assert [each.zone for each in water(path)] == ["a"]


@pytest.mark.parametrize("value", [0.0, -40.0, 0.00001, 101.325, 65535.5, 1234567.0, -0.12345])
def test_a_reading_comes_back_to_a_hundred_thousandth(value: float, path: Path) -> None:
    save_once(path, Batch(readings=(rolled(60, value, value, value, 1),)))

    assert minutes(path) == [rolled(60, value, value, value, 1)]


def test_a_reading_beyond_all_measure_does_not_refuse_the_save(path: Path) -> None:
    save_once(path, Batch(readings=(rolled(60, -1e300, 0.0, 1e300, 1),)))
    save_once(path, Batch(readings=(rolled(60, -1e300, 1e300, 1e300, 10**9),)))

    (found,) = minutes(path)
    assert (found.least, found.most, found.count) == (-9e13, 9e13, 10**9 + 1)


@pytest.mark.parametrize(
    "batch",
    [
        Batch(readings=(rolled(60, float("nan"), 1.0, 1.0, 1),)),
        Batch(readings=(rolled(60, 1.0, 1.0, float("inf"), 1),)),
        Batch(readings=(rolled(60, 1.0, 1.0, 1.0, 0),)),
        Batch(readings=(rolled(60, 1.0, 1.0, 1.0, 2**63),)),
        Batch(readings=(rolled(-60, 1.0, 1.0, 1.0, 1),)),
        Batch(readings=(rolled(60, 1.0, 1.0, 1.0, 1, period_s=61),)),
        Batch(water=(given(-3600, 1, 1.0, 1.0),)),
        Batch(water=(given(0, 1, float("nan"), 1.0),)),
        Batch(entries=(entry("x", subject="\ud800"),)),
    ],
)
def test_what_cannot_be_read_again_is_refused_as_our_mistake_and_harms_nothing(
    batch: Batch, path: Path
) -> None:
    async def save() -> None:
        store = store_at(path)
        await store.save(Batch(rows={"zones": "1"}))
        with pytest.raises(ValueError):  # noqa: PT011  # each says what is wrong in its own words
            await store.save(batch)
        with pytest.raises(ValueError):  # noqa: PT011
            await store.note(batch)
        assert await store.save(Batch(rows={"zones": "2"})) is None
        await store.close()

    asyncio.run(save())

    assert dict(load_once(path).rows) == {"zones": "2"}


def test_random_parts_add_up_whatever_the_batches_they_come_in(path: Path) -> None:
    seed = 3
    dice = random.Random(seed)
    parts = []
    for _ in range(200):
        least, mean, most = sorted(float(dice.randrange(100)) for _ in range(3))
        parts.append(rolled(60 * dice.randrange(4), least, mean, most, dice.randrange(1, 9)))
    streams = [given(3600 * dice.randrange(3), dice.randrange(3), 1.5, 0.25) for _ in range(200)]

    async def save_in_pieces() -> None:
        store = store_at(path)
        for start in range(0, 200, 20):
            await store.save(
                Batch(readings=tuple(parts[start : start + 20]), water=tuple(streams[start : start + 20]))
            )
        await store.close()

    asyncio.run(save_in_pieces())

    for found in minutes(path):
        of_it = [part for part in parts if part.begins == found.begins]
        count = sum(part.count for part in of_it)
        mean = sum(part.mean * part.count for part in of_it) / count
        assert (found.least, found.most, found.count) == (
            min(part.least for part in of_it),
            max(part.most for part in of_it),
            count,
        )
        assert found.mean == pytest.approx(mean, abs=1e-3), f"seed {seed}"
    for hour in water(path):
        of_it_given = [each for each in streams if each.begins == hour.begins]
        assert hour.bursts == sum(each.bursts for each in of_it_given)
        assert hour.open_s == pytest.approx(sum(each.open_s for each in of_it_given))


# Letting go.


def lines(count: int, days_before: float, *, is_time_trusted: bool = True, tag: str = "") -> Iterable[Entry]:
    when = datetime.fromisoformat(TODAY).replace(tzinfo=UTC) - timedelta(days=days_before)
    at = when.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return (entry(f"{tag}{number}", at=at, is_time_trusted=is_time_trusted) for number in range(count))


def test_the_journal_goes_by_volumes_that_are_older_than_is_kept(path: Path) -> None:
    save_once(path, Batch(entries=(*lines(2 * VOLUME, 732.0, tag="old"), *lines(VOLUME, 1.0, tag="young"))))

    prune(path, Keeping())

    left = reasons(path)
    assert f"old{VOLUME - 2}" not in left
    assert left[0].startswith("old")
    assert len(left) == VOLUME + 1  # a volume goes whole or not at all
    assert left[-VOLUME:] == [f"young{number}" for number in range(VOLUME)]


def test_lines_just_as_old_as_is_kept_stay(path: Path) -> None:
    save_once(path, Batch(entries=(*lines(VOLUME, 731.0), *lines(VOLUME, 1.0))))

    prune(path, Keeping(journal_days=731.0))

    assert len(reasons(path)) == 2 * VOLUME


def test_nothing_goes_by_age_while_the_time_is_not_trusted(path: Path) -> None:
    save_once(
        path,
        Batch(
            entries=(*lines(2 * VOLUME, 3000.0),),
            readings=tuple(rolled(60 + day * DAY_S, 1.0, 1.0, 1.0, 1) for day in range(20)),
        ),
    )

    prune(path, Keeping(), None)

    assert len(reasons(path)) == 2 * VOLUME
    assert len(minutes(path)) == 20


@pytest.mark.parametrize("days", [3650.0, -3650.0])
def test_lines_under_a_clock_that_was_ten_years_off_cost_no_recent_line(days: float, path: Path) -> None:
    """Whether the wrong time was trusted or not."""
    save_once(
        path,
        Batch(
            entries=(
                *lines(VOLUME, 2.0, tag="before"),
                *lines(10, days, tag="off"),
                *lines(10, days, is_time_trusted=False, tag="off"),
                *lines(VOLUME, 1.0, tag="after"),
            )
        ),
    )

    prune(path, Keeping())

    assert len(reasons(path)) == 2 * VOLUME + 20


def test_lines_without_a_trusted_time_go_with_the_old_ones_before_and_after_them(path: Path) -> None:
    save_once(
        path,
        Batch(
            entries=(
                *lines(2 * VOLUME, 0.0, is_time_trusted=False, tag="untrusted"),
                *lines(VOLUME, 800.0, tag="old"),
                *lines(VOLUME, 1.0, tag="young"),
            )
        ),
    )

    prune(path, Keeping())

    left = reasons(path)
    assert not [reason for reason in left if reason.startswith("untrusted")]
    assert len(left) == VOLUME + 1


def test_a_journal_that_is_too_large_loses_its_oldest_lines_even_without_a_time(path: Path) -> None:
    save_once(path, Batch(entries=tuple(lines(4 * VOLUME, 1.0))))
    before = path.stat().st_size

    prune(path, Keeping(journal_largest_mb=before * 0.6 / 1e6), None)

    assert 2 * VOLUME <= len(reasons(path)) < 4 * VOLUME
    used = sum(
        pages for (pages,) in seen_by_another(path, "SELECT pgsize FROM dbstat WHERE name LIKE 'journal%'")
    )
    assert used < before * 0.7


def test_the_size_of_a_journal_is_known_within_a_tenth(path: Path) -> None:
    """It is reckoned from a sample."""
    dice = random.Random(5)
    texts = tuple(entry("ü" * dice.randrange(40, 160)) for _ in range(2 * VOLUME - 1))
    save_once(path, Batch(entries=texts))
    used_mb = (
        sum(size for (size,) in seen_by_another(path, "SELECT pgsize FROM dbstat WHERE name LIKE 'journal%'"))
        / 1e6
    )

    prune(path, Keeping(journal_largest_mb=used_mb * 1.1), None)
    assert len(reasons(path)) == 2 * VOLUME - 1
    prune(path, Keeping(journal_largest_mb=used_mb * 0.9), None)
    assert len(reasons(path)) == VOLUME


def test_a_journal_within_its_size_keeps_all(path: Path) -> None:
    save_once(path, Batch(entries=tuple(lines(2 * VOLUME, 1.0))))

    prune(path, Keeping(journal_largest_mb=50.0), TODAY)

    assert len(reasons(path)) == 2 * VOLUME


def test_lines_are_numbered_on_when_the_oldest_are_gone(path: Path) -> None:
    save_once(path, Batch(entries=tuple(lines(VOLUME + 10, 1.0))))

    prune(path, Keeping(journal_largest_mb=0.0), None)
    save_once(path, Batch(entries=(entry("after"),)))

    assert reasons(path)[-2:] == [str(VOLUME + 9), "after"]
    assert seen_by_another(path, "SELECT max(seq) FROM journal_1") == [(VOLUME + 11,)]


def test_minutes_and_hours_go_by_their_own_ages(path: Path) -> None:
    save_once(
        path,
        Batch(
            readings=(
                *(rolled(MIDNIGHT_S - day * DAY_S, 1.0, 1.0, 1.0, 1) for day in range(100)),
                *(
                    rolled(MIDNIGHT_S - day * DAY_S, 1.0, 1.0, 1.0, 1, period_s=3600)
                    for day in range(0, 2000, 10)
                ),
            ),
            water=tuple(given(MIDNIGHT_S - day * DAY_S, 1, 1.0, 1.0) for day in range(0, 2000, 10)),
        ),
    )

    prune(path, Keeping())

    oldest_minute = (MIDNIGHT_S - minutes(path)[0].begins) // DAY_S
    oldest_hour = (MIDNIGHT_S - next(records_of(path).readings(3600, 0, LATEST)).begins) // DAY_S
    oldest_water = (MIDNIGHT_S - water(path)[0].begins) // DAY_S
    assert 60 <= oldest_minute < 60 + history.MINUTES.days_a_volume
    assert 1462 - 10 <= oldest_hour < 1462 + history.HOURS.days_a_volume
    assert 1462 - 10 <= oldest_water < 1462 + history.WATER.days_a_volume
    assert minutes(path)[-1].begins == MIDNIGHT_S


def test_minutes_are_held_within_the_size_too_when_the_time_is_never_trusted(path: Path) -> None:
    """A board without a clock and without a network fills its card all the same."""
    many = tuple(rolled(60 * minute, 1.0, 1.0, 1.0, 1) for minute in range(0, 40 * 1440, 3))
    save_once(path, Batch(readings=many))

    prune(path, Keeping(journal_largest_mb=0.2), None)

    left = minutes(path)
    assert 0 < len(left) < len(many) / 2
    assert left[-1] == many[-1]


def test_what_is_let_go_of_is_written_over_before_the_file_grows(path: Path) -> None:
    async def live() -> list[int]:
        store, sizes = store_at(path), []
        for volume in range(6):
            await store.save(Batch(entries=tuple(lines(VOLUME, 1.0, tag=str(volume)))))
            await store.prune(Keeping(journal_largest_mb=0.5), None)
            sizes.append(seen_by_another(path, "PRAGMA page_count")[0][0])
        await store.close()
        return sizes

    sizes = asyncio.run(live())

    assert sizes[-1] <= sizes[2] * 1.05


def test_answers_beyond_those_that_are_loaded_are_let_go_of(path: Path) -> None:
    save_once(path, Batch(answers=tuple(answer(str(number)) for number in range(2100))))

    prune(path, Keeping())

    ((kept, oldest),) = seen_by_another(path, "SELECT count(*), min(CAST(request_id AS INTEGER)) FROM answer")
    assert (kept, oldest) == (2000, 100)


def test_changes_of_settings_are_never_let_go_of(path: Path) -> None:
    save_once(path, Batch(revisions=tuple(revision(id_) for id_ in range(1, 100))))

    prune(path, Keeping(journal_days=0.0, journal_largest_mb=0.0, minutes_days=0.0, hours_days=0.0))

    assert seen_by_another(path, "SELECT count(*) FROM revision") == [(99,)]


def test_other_work_comes_between_the_pieces_of_a_long_pruning(path: Path) -> None:
    async def save_while_pruning() -> tuple[bool, int]:
        store = store_at(path)
        await store.save(Batch(entries=tuple(lines(6 * VOLUME, 1.0))))
        pruning = asyncio.create_task(store.prune(Keeping(journal_largest_mb=0.0), None))
        await asyncio.sleep(0)
        await store.save(Batch(rows={"zones": "1"}))
        was_done = pruning.done()
        await pruning
        await store.close()
        return was_done, len(JOURNAL_TABLES(path))

    was_done, left = asyncio.run(save_while_pruning())

    assert not was_done
    assert left == 1


def JOURNAL_TABLES(path: Path) -> list[str]:  # noqa: N802
    return [
        name
        for (name,) in seen_by_another(path, "SELECT name FROM sqlite_master WHERE name LIKE 'journal_%'")
    ]


def test_a_closed_store_stops_a_long_pruning(path: Path) -> None:
    async def close_while_pruning() -> None:
        store = store_at(path)
        await store.save(Batch(entries=tuple(lines(4 * VOLUME, 1.0))))
        pruning = asyncio.create_task(store.prune(Keeping(journal_largest_mb=0.0), None))
        await asyncio.sleep(0)
        await store.close()
        with pytest.raises(StoreError, match="closed"):
            await pruning

    asyncio.run(close_while_pruning())


def read_bytes() -> int:
    fields = Path("/proc/self/io").read_text().split()
    return int(fields[fields.index("rchar:") + 1])


def test_a_start_reads_no_more_of_a_long_history_than_of_a_short_one(path: Path) -> None:
    save_once(path, Batch(rows={"zones": "1"}, entries=tuple(lines(30_000, 1.0, tag="x" * 200))))
    begun = read_bytes()

    load_once(path)

    assert path.stat().st_size > 8_000_000
    assert read_bytes() - begun < 500_000
