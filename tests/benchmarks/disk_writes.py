"""How much a house's memory writes to the disk in a day.

`python -m tests.benchmarks.disk_writes` lives through days of a house of 8 zones and 12 sensors, as fast as
the disk allows: what happens by itself is noted every minute in a directory in memory and saved every 15
minutes, 20 changes of settings a day are saved at once, and each night there is a backup and a pruning.
Before
the days that are measured come `--before` days in coarse strokes, so that nights have something to prune and
files are as large as after months. Bytes are the kernel's count for this process (`write_bytes` of
/proc/self/io: what it made the disk write, by pages of 4 KiB); the file system's own journal is not in it.
`--place` has to be on a disk: a directory in memory writes nothing and proves nothing.
"""

import asyncio
import json
import random
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from mistd.adapters.sqlite.store import SqliteStore
from mistd.ports.store import (
    Batch,
    Entry,
    Keeping,
    KeptAnswer,
    KeptRevision,
    RolledReadings,
    WaterGiven,
)
from tests.benchmarks.figures import table

ZONES, SENSORS = 8, 12
BURSTS_A_DAY = 1142  # eight zones, 5 s every 10 min
CHANGES_A_DAY = 20
KINDS = ("cycle", "timetable", "trim", "hold", "closed", "skip")
MINUTES_A_DAY, SAVE_EVERY_MIN = 1440, 15
ROW_BYTES, ENTRY_BYTES, ANSWER_BYTES = 400, 300, 250
GOAL_MB_A_DAY = 5.0
IN_MEMORY = Path("/dev/shm")


@dataclass(slots=True)
class HouseLife:
    """What a house gives its store to keep, minute by minute, and what is not saved yet."""

    begins: datetime
    dice: random.Random
    minute: int = 0
    revisions: int = 0
    rows: dict[str, str | None] = field(default_factory=dict)
    changes: list[KeptRevision] = field(default_factory=list)
    answers: list[KeptAnswer] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    readings: list[RolledReadings] = field(default_factory=list)
    water: list[WaterGiven] = field(default_factory=list)

    def live_a_minute(self) -> Batch:
        """Go on by a minute; what came to be written down in it."""
        before = len(self.entries), len(self.readings), len(self.water)
        self.minute += 1
        rows: dict[str, str | None] = {"clock": json.dumps({"utc": self.at(), "now_s": self.minute * 60.0})}
        for _ in range(self._bursts()):
            zone = self.dice.randrange(ZONES)
            rows[f"zone/bench-{zone}"] = text(self.dice, ROW_BYTES)
            self.entries.append(self._entry("burst ended", f"bench-{zone}"))
            self.water.append(
                WaterGiven(begins=self._epoch(3600), zone=f"bench-{zone}", bursts=1, open_s=5.0, water_l=0.4)
            )
        self.readings += self._readings(60)
        if self.minute % SAVE_EVERY_MIN == 0:
            self.readings += self._readings(3600)
        self.rows |= rows
        entries, readings, water = before
        return Batch(
            rows=rows,
            entries=tuple(self.entries[entries:]),
            readings=tuple(self.readings[readings:]),
            water=tuple(self.water[water:]),
        )

    def change_a_setting(self) -> None:
        self.revisions += 1
        subject, kind = f"bench-{self.dice.randrange(ZONES)}", self.dice.choice(KINDS)
        request_id = f"{self.dice.getrandbits(64):016x}"
        self.changes.append(
            KeptRevision(
                id=self.revisions,
                at=self.at(),
                kind=kind,
                subject=subject,
                value=text(self.dice, 60),
                until=None,
                author="Ida",
                note="they look dry at the far end",
                request_id=request_id,
            )
        )
        self.answers.append(KeptAnswer(request_id=request_id, answer=text(self.dice, ANSWER_BYTES)))
        self.entries.append(self._entry("setting changed", subject))
        self.rows[f"zone/{subject}"] = text(self.dice, ROW_BYTES)

    def taken(self) -> Batch:
        """Everything not saved yet, to be saved now."""
        batch = Batch(
            rows=self.rows,
            revisions=tuple(self.changes),
            answers=tuple(self.answers),
            entries=tuple(self.entries),
            readings=tuple(self.readings),
            water=tuple(self.water),
        )
        self.rows, self.changes, self.answers = {}, [], []
        self.entries, self.readings, self.water = [], [], []
        return batch

    def at(self) -> str:
        when = self.begins + timedelta(minutes=self.minute)
        return when.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def _bursts(self) -> int:
        return self.minute * BURSTS_A_DAY // MINUTES_A_DAY - (self.minute - 1) * BURSTS_A_DAY // MINUTES_A_DAY

    def _epoch(self, period_s: int) -> int:
        now = int(self.begins.timestamp()) + self.minute * 60
        return now - now % period_s

    def _entry(self, kind: str, subject: str) -> Entry:
        figures = text(self.dice, ENTRY_BYTES - 24 - len(kind) - len(subject) - len(REASON))
        return Entry(
            at=self.at(), is_time_trusted=True, kind=kind, subject=subject, reason=REASON, figures=figures
        )

    def _readings(self, period_s: int) -> Iterator[RolledReadings]:
        for sensor in range(SENSORS):
            mean = 20.0 + self.dice.random()
            yield RolledReadings(
                period_s=period_s,
                begins=self._epoch(period_s),
                sensor=f"house/air-{sensor:02}",
                least=mean - self.dice.random(),
                mean=mean,
                most=mean + self.dice.random(),
                count=60,
            )


REASON = "the gap of 600 s ran out, film 3.2 um, limit 5.0 um"


def text(dice: random.Random, length: int) -> str:
    """JSON text of a length."""
    return json.dumps({"figures": f"{dice.getrandbits(4 * (length - 15)):0{length - 15}x}"})


async def live_days(store: SqliteStore, life: HouseLife, days: int) -> None:
    """Days as they are."""
    for _ in range(days):
        changes = {life.dice.randrange(MINUTES_A_DAY) for _ in range(CHANGES_A_DAY)}
        for minute in range(MINUTES_A_DAY):
            noted = life.live_a_minute()
            if minute in changes:
                life.change_a_setting()
            if minute in changes or life.minute % SAVE_EVERY_MIN == 0:
                await store.save(life.taken())
            else:
                await store.note(noted)
        await pass_the_night(store, life)


async def live_coarsely(store: SqliteStore, life: HouseLife, days: int) -> None:
    """Days in one save each, to fill the files."""
    for _ in range(days):
        for _ in range(CHANGES_A_DAY):
            life.change_a_setting()
        for _ in range(MINUTES_A_DAY):
            life.live_a_minute()
        await store.save(life.taken())
    await pass_the_night(store, life)


async def pass_the_night(store: SqliteStore, life: HouseLife) -> None:
    await store.copy_to_backup()
    await store.prune(Keeping(), life.at()[:10])


def written_bytes() -> int:
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


async def measured_mb_a_day(
    place: Path, tail_path: Path, days: int, before: int
) -> tuple[float, dict[str, int]]:
    """Megabytes written in a day, and the sizes of the files afterwards."""
    store = SqliteStore(place / "state.db", tail_path)
    life = HouseLife(begins=datetime(2026, 11, 1, tzinfo=UTC), dice=random.Random(1))
    await store.load()
    await live_coarsely(store, life, before)
    begun = written_bytes()
    await live_days(store, life, days)
    written = written_bytes() - begun
    sizes = await asyncio.to_thread(sizes_in, place)
    await store.close()
    return written / 1e6 / days, sizes


def sizes_in(place: Path) -> dict[str, int]:
    return {each.name: each.stat().st_size for each in sorted(place.iterdir())}


@click.command(help=__doc__)
@click.option("--days", default=3, help="Days that are measured.")
@click.option("--before", default=70, help="Days before them.")
@click.option("--place", type=click.Path(path_type=Path), default=Path.cwd(), help="A directory on a disk.")
def main(days: int, before: int, place: Path) -> None:
    with (
        tempfile.TemporaryDirectory(prefix="disk-writes-", dir=place) as state,
        tempfile.TemporaryDirectory(prefix="disk-writes-", dir=IN_MEMORY) as run,
    ):
        mb_a_day, sizes = asyncio.run(measured_mb_a_day(Path(state), Path(run) / "tail", days, before))
    print(table(["file", "bytes"], [[name, str(size)] for name, size in sizes.items()]))
    if not mb_a_day:
        raise SystemExit(f"nothing was written: {place} is no disk")
    print(f"{mb_a_day:.2f} MB a day, goal under {GOAL_MB_A_DAY}")


if __name__ == "__main__":
    main()
