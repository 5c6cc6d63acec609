"""A life of a store in numbered steps, each of which can be told from what is found afterwards.

Step n saves rows, lines of the journal, readings and water that all say n, and every third a change and an
answer; every second it notes the same before. In between there are backups and prunings. Whatever is found of
it later must be what the first n steps leave, for one n: `found_at` reads it with the real store and says
which, or what is wrong.
"""

import asyncio
import json
from collections.abc import Awaitable, Callable, Container
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from mistd.adapters.sqlite.last_good import read_last_good
from mistd.adapters.sqlite.records import SqliteRecords
from mistd.adapters.sqlite.stand_ins import known_in_copy
from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.errors import StoreError
from mistd.ports.records import Wanted
from mistd.ports.store import (
    Batch,
    Entry,
    Keeping,
    KeptAnswer,
    KeptRevision,
    Loaded,
    RolledReadings,
    WaterGiven,
)

MIDNIGHT_S, LATEST = 1_793_491_200, 2**40  # 2026-11-01T00:00:00Z
TRIES = 10
Tell = Callable[[str], None]


def batch(step: int) -> Batch:
    """What a step saves."""
    is_change = step % 3 == 0
    return Batch(
        rows={
            "left": str(step),
            "right": str(step),
            f"row-{step}": '"' + "x" * 300 + '"',
            f"row-{step - 2}": None,
            "clock": json.dumps({"utc": f"2026-11-01T06:{step:02}:00+00:00"}),
        },
        revisions=(_revision(step),) if is_change else (),
        answers=(KeptAnswer(request_id=f"ask-{step}", answer=str(step)),) if is_change else (),
        entries=tuple(_entry(step, part) for part in range(2)),
        readings=(
            _reading(MIDNIGHT_S, float(step)),
            _reading(MIDNIGHT_S + 60 * step, 2.0),
            _reading(60 * step, 1.0),  # of long ago, to be let go of
        ),
        water=(WaterGiven(begins=MIDNIGHT_S, zone="bench-1", bursts=1, open_s=5.0, water_l=0.5),),
    )


def _reading(begins: int, mean: float) -> RolledReadings:
    return RolledReadings(period_s=60, begins=begins, sensor="air", least=1.0, mean=mean, most=99.0, count=1)


def _revision(step: int) -> KeptRevision:
    return KeptRevision(
        id=step,
        at="2026-11-01T06:30:00.000Z",
        kind="trim",
        subject="bench-1",
        value=str(step),
        until=None,
        author="Ida",
        note="",
        request_id=f"ask-{step}",
    )


def _entry(step: int, part: int) -> Entry:
    return Entry(
        at="2026-11-01T06:30:00.000Z",
        is_time_trusted=True,
        kind="burst ended",
        subject="bench-1",
        reason=f"{step}/{part}",
        figures='"' + "x" * 200 + '"',
    )


async def live(store: SqliteStore, steps: range, tell: Tell) -> None:
    """Take the steps one after the other, each until it succeeds, and tell how far it is."""
    await _until_it_works(store.load, "load", tell)
    for step in steps:
        whole = batch(step)
        tell(f"began {step}")
        if step % 2 == 0:
            await _until_it_works(partial(store.note, whole), f"note {step}", tell)
            tell(f"noted {step}")
        await _until_it_works(partial(store.save, whole), f"save {step}", tell)
        tell(f"kept {step}")
        if step % 4 == 0:
            await _until_it_works(store.copy_to_backup, "backup", tell)
        if step % 5 == 0:
            await _until_it_works(partial(store.prune, Keeping(), "2026-11-01"), "prune", tell)
    await store.close()
    tell("closed")


async def _until_it_works(act: Callable[[], Awaitable[object]], what: str, tell: Tell) -> None:
    for _ in range(TRIES):
        try:
            await act()
        except StoreError as error:
            tell(f"refused {what}: {error}")
        else:
            return
    raise AssertionError(f"{what} is refused again and again")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a restart finds."""

    step: int  # up to which all is there
    troubles: tuple[str, ...]


def found_at(path: Path, tail_path: Path, *, lost: Container[int] = ()) -> Found:
    """Restart, and hold all that is found against the steps.

    Args:
        path: of the database.
        tail_path: of the tail.
        lost: steps that went with the database before; then the history may begin anywhere.

    Raises:
        AssertionError: it is what no number of steps leaves.
    """
    loaded = asyncio.run(_loaded(path, tail_path))
    step = int(loaded.rows.get("left", "0"))
    steps = [each for each in range(1, step + 1) if each not in lost]
    expected_rows = {name: value for each in steps for name, value in batch(each).rows.items()}
    assert dict(loaded.rows) == {name: value for name, value in expected_rows.items() if value is not None}, (
        step
    )
    assert loaded.revisions == tuple(each for one in steps for each in batch(one).revisions), step
    assert loaded.answers == tuple(each for one in steps for each in batch(one).answers), step
    if not lost:
        _check_history(SqliteRecords(path, tail_path), steps)
    _check_copies(path, step)
    return Found(step=step, troubles=loaded.troubles)


async def _loaded(path: Path, tail_path: Path) -> Loaded:
    store = SqliteStore(path, tail_path)
    try:
        return await store.load()
    finally:
        await store.close()


def _check_history(records: SqliteRecords, steps: list[int]) -> None:
    lines = [line.reason for line in records.journal(Wanted())]
    assert lines == [line.reason for step in steps for line in batch(step).entries], steps
    (bursts,) = [hour.bursts for hour in records.water(MIDNIGHT_S, LATEST)] or [0]
    assert bursts == len(steps), steps
    minutes = list(records.readings(60, MIDNIGHT_S, LATEST))
    assert [minute.count for minute in minutes] == ([len(steps)] + [1] * len(steps) if steps else []), steps


def _check_copies(path: Path, step: int) -> None:
    """The backup and the last-good file are whole at all times, and never ahead."""
    for copy, read in (
        (path.with_name("last-good.json"), read_last_good),
        (path.with_name(path.name + ".backup"), known_in_copy),
    ):
        if copy.exists():
            known = read(copy)
            assert known.rows["left"] == known.rows["right"], copy
            assert int(known.rows["left"]) <= step, copy
            assert known.last_revision <= step, copy
