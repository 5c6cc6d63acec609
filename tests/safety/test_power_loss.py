"""A power cut at any instant: every acknowledged save is there, none is half there, nothing is corrupt."""

import random
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from mistd.ports.errors import StoreError
from tests.safety.failing_disk import STEPS_BEFORE, check_version_1, paths, prepare
from tests.safety.power_cuts import AS_IT_IS, Call, Cut, Image, cuts, recorded
from tests.safety.store_life import found_at

IN_MEMORY = Path("/dev/shm")
SEED = 20261103
KEPT_BEFORE = {  # by the life before; what it noted last is gone with the power
    "new": 0,
    "killed": STEPS_BEFORE - 1,
    "spoilt": 4,  # the last before the backup
    "version 1": 0,
}
LOST = (5, 6)  # with a spoilt database

pytestmark = pytest.mark.real_time


@pytest.fixture(autouse=True)
def is_traceable(tmp_path: Path) -> None:
    trace = ["strace", "-f", "-o", str(tmp_path / "trace"), "true"]
    if shutil.which("strace") is None or subprocess.run(trace, check=False).returncode != 0:
        pytest.skip("strace is not there, or may not trace")


@pytest.fixture
def place() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(
        prefix="power-loss-", dir=IN_MEMORY if IN_MEMORY.is_dir() else None
    ) as directory:
        yield Path(directory)


@dataclass(slots=True)
class Count:
    """What was found on the disks that power cuts could leave."""

    disks: int = 0
    different: int = 0
    lost: int = 0  # an acknowledged save is not there
    wrong: int = 0  # a mixture, or a file that had to be set aside


def life_at(place: Path, start: str, synchronous: str) -> tuple[list[Call], Image]:
    """The calls of a life, and the files as they were before it."""
    state = place / "state"
    if start == "new":
        state.mkdir()
    else:
        prepare(start, state)
    (state / "tail").unlink(missing_ok=True)  # it is in memory, which a power cut empties
    before = {each.name: each.read_bytes() for each in state.iterdir() if not each.name.endswith("-shm")}
    return recorded(state, start, synchronous, place / "trace"), before


def counted(place: Path, start: str, synchronous: str, subsets: int) -> Count:
    calls, before = life_at(place, start, synchronous)
    kept = KEPT_BEFORE[start]
    count, known = Count(), dict[bytes, int | None]()
    for cut in cuts(calls, before, str(place / "state"), kept, random.Random(SEED), subsets):
        count.disks += 1
        digest = cut.digest()
        if digest not in known:
            known[digest] = step_on(cut, start, place / "cut")
        found = known[digest]
        count.wrong += found is None or found > cut.begun
        count.lost += found is not None and found < cut.kept
    count.different = len(known)
    return count


def step_on(cut: Cut, start: str, place: Path) -> int | None:
    """Up to which step all is on a disk; None when what is there is wrong."""
    place.mkdir()
    path, tail_path = paths(place)
    for name, content in cut.image.items():
        (place / name).write_bytes(content)
    try:
        if start == "version 1":
            return 0 if check_version_1(path, tail_path) == [] else None
        found = found_at(path, tail_path, lost=LOST if start == "spoilt" else ())
        return found.step if start == "spoilt" or not found.troubles else None
    except (AssertionError, StoreError):
        return None
    finally:
        shutil.rmtree(place)


@pytest.mark.parametrize(
    ("start", "subsets", "fewest"),
    [("new", 3, 300), ("killed", 3, 100), ("spoilt", 3, 80), ("version 1", 6, 50)],
)
def test_no_power_cut_takes_or_spoils_what_was_acknowledged(
    start: str, subsets: int, fewest: int, place: Path
) -> None:
    count = counted(place, start, AS_IT_IS, subsets)

    print(f"{start}: {count}, seed {SEED}")
    assert (count.lost, count.wrong) == (0, 0), f"{count}, seed {SEED}"
    assert count.different >= fewest


@pytest.mark.parametrize("synchronous", ["NORMAL", "OFF"])
def test_power_cuts_take_what_was_acknowledged_when_it_is_not_synced(synchronous: str, place: Path) -> None:
    """The test can fail: it finds what would be lost."""
    count = counted(place, "new", synchronous, 1)

    print(f"{synchronous}: {count}, seed {SEED}")
    assert count.lost > 20


@pytest.mark.campaign
@pytest.mark.parametrize("start", ["new", "killed", "spoilt", "version 1"])
def test_no_power_cut_of_very_many_takes_or_spoils_what_was_acknowledged(start: str, place: Path) -> None:
    count = counted(place, start, AS_IT_IS, 60)

    print(f"{start}: {count}, seed {SEED}")
    assert (count.lost, count.wrong) == (0, 0), f"{count}, seed {SEED}"
