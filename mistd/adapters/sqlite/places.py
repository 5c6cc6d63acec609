"""Files by name: which one bears it now, what lies beside it, and a new one put in its place.

Does not know: what is in a file.
Rule: a finished file gets its name by one rename, after it is on the disk; a power cut leaves the old file or
the new one.
"""

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from mistd.ports.errors import StoreError

COMPANIONS = ("-wal", "-shm", "-journal")  # what SQLite keeps beside a file, under the file's own name
SET_ASIDE, SET_ASIDE_KEPT = ".unreadable-", 3  # each may hold years of history

Inode = tuple[int, int]  # device and number


@dataclass(frozen=True, slots=True)
class Identity:
    """Which files bear the name and its companions' names, and how long the first is."""

    inodes: tuple[Inode | None, ...]
    size: int

    def is_of_the_same_file(self, other: "Identity") -> bool:
        return self.inodes[0] == other.inodes[0]

    def has_come_of(self, before: "Identity") -> bool:
        """Whether these are the files of before; ours are never made shorter."""
        return self.inodes == before.inodes and self.size >= before.size


def identity(path: Path) -> Identity:
    size = 0
    with suppress(OSError):
        size = path.stat().st_size
    return Identity(tuple(inode(each) for each in (path, *companions(path))), size)


def inode(path: Path) -> Inode | None:
    with suppress(OSError):
        status = path.stat()
        return status.st_dev, status.st_ino
    return None


def companions(path: Path) -> list[Path]:
    return [beside(path, suffix) for suffix in COMPANIONS]


def beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def make_place(path: Path) -> None:
    """The directory for a file, on the disk itself.

    Raises:
        StoreError: something that is no file has the file's name.
    """
    missing = [each for each in path.parents if not each.exists()]
    path.parent.mkdir(parents=True, exist_ok=True)
    for made in missing:
        sync(made.parent)
    if path.exists() and not path.is_file():
        raise StoreError(f"{path}: something that is no file has that name")


def remove(path: Path) -> None:
    """The file and what SQLite keeps beside it, as far as they are there."""
    for each in (path, *companions(path)):
        each.unlink(missing_ok=True)


def put_in_place(path: Path, part: Path, make: Callable[[Path], None]) -> None:
    """Make a file under a passing name and give it its own when it is finished; a failure leaves nothing."""
    try:
        remove(part)
        make(part)
        replace(part, path)
    finally:
        with suppress(OSError):
            remove(part)


def replace(part: Path, path: Path) -> None:
    """Give a finished file its name, so that a power cut leaves the old one or the new one."""
    sync(part)
    part.replace(path)
    sync(path.parent)


def sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def move_aside(path: Path) -> Path:
    """Move a bad file and its companions out of the way; the oldest moved so before are deleted."""
    numbers = _numbers_set_aside(path)
    moved_to = beside(path, f"{SET_ASIDE}{max(numbers, default=0) + 1}")
    path.rename(moved_to)  # first: without its log it might pass for sound and old
    for companion, aside in zip(companions(path), companions(moved_to), strict=True):
        with suppress(FileNotFoundError):
            companion.rename(aside)
    for number in sorted(numbers)[: -(SET_ASIDE_KEPT - 1)]:
        remove(beside(path, f"{SET_ASIDE}{number}"))
    return moved_to


def _numbers_set_aside(path: Path) -> list[int]:
    prefix = path.name + SET_ASIDE
    names = [each.name for each in path.parent.iterdir() if each.name.startswith(prefix)]
    return [int(number) for name in names if (number := name.removeprefix(prefix)).isdecimal()]
