"""Every disk that a power cut could leave, from the system calls of a real process.

A process lives (`store_life`) under strace. Its writes, syncs and changes of names are put on a disk that
keeps for certain only what was synced: what is written to a file until that file is synced, and the names in
the directory until the directory is. A power cut leaves any part of the rest: nothing, all up to some call,
or a subset in which one write is torn between its sectors.
Rule: no order is taken for granted that no sync asked for.
"""

import asyncio
import hashlib
import os
import random
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from mistd.adapters.sqlite.database import PRAGMAS
from mistd.adapters.sqlite.store import SqliteStore
from tests.adapters.state_files import ROOT
from tests.safety.store_life import live

AS_IT_IS = "as it is"  # with the syncs that the program itself makes

SECTOR = 512
CALLS = "pwrite64,write,ftruncate,truncate,fsync,fdatasync,rename,unlink,openat,mkdir"
LINE = re.compile(r"(\w+)\((.*)\)\s+= (-?\d+)")
HEX = re.compile(r"(?:\\x[0-9a-f]{2})+")
IN_MEMORY_OF_ITS_OWN = "-shm"  # SQLite makes it anew from the log

Image = dict[str, bytes]


@dataclass(frozen=True, slots=True)
class Call:
    """One system call that was made."""

    name: str
    strings: tuple[bytes, ...]  # paths and data, in order
    numbers: str  # the arguments without the strings
    is_creating: bool = False


@dataclass(frozen=True, slots=True)
class Pending:
    """Something that is not on the disk for certain yet."""

    inode: int | None = None
    at: int = 0
    data: bytes | None = None  # None: cut, or made as long as, `at`
    unnamed: str | None = None
    named: str | None = None


@dataclass(slots=True)
class Disk:
    """What is there, and what is there for certain."""

    names: dict[str, int] = field(default_factory=dict)
    certain_names: dict[str, int] = field(default_factory=dict)
    certain: dict[int, bytes] = field(default_factory=dict)
    pending: list[Pending] = field(default_factory=list)

    def put(self, name: str, content: bytes) -> None:
        """A file that was there from the start."""
        inode = len(self.certain)
        self.names[name] = self.certain_names[name] = inode
        self.certain[inode] = content

    def create(self, name: str) -> None:
        inode = len(self.certain)
        self.certain[inode] = b""
        self.names[name] = inode
        self.pending.append(Pending(inode, named=name))

    def change(self, name: str, at: int, data: bytes | None) -> None:
        self.pending.append(Pending(self.names[name], at, data))

    def size(self, name: str) -> int:
        return len(self.image(self.pending).get(name, b""))

    def rename(self, old: str, new: str) -> None:
        inode = self.names.pop(old)
        self.names[new] = inode
        self.pending.append(Pending(inode, unnamed=old, named=new))

    def unlink(self, name: str) -> None:
        self.names.pop(name)
        self.pending.append(Pending(unnamed=name))

    def sync(self, name: str) -> None:
        inode = self.names[name]
        mine = [each for each in self.pending if each.inode == inode and not (each.named or each.unnamed)]
        for each in mine:
            self.certain[inode] = changed(self.certain[inode], each)
        self.pending = [each for each in self.pending if each not in mine]

    def sync_names(self) -> None:
        for each in self.pending:
            rename_in(self.certain_names, each)
        self.pending = [each for each in self.pending if not (each.named or each.unnamed)]

    def image(self, chosen: list[Pending]) -> Image:
        """The files by name, if this much of what is pending came to be."""
        names, contents = dict(self.certain_names), dict(self.certain)
        for each in chosen:
            rename_in(names, each)
            if each.inode is not None and not (each.named or each.unnamed):
                contents[each.inode] = changed(contents[each.inode], each)
        return {
            name: contents[inode] for name, inode in names.items() if not name.endswith(IN_MEMORY_OF_ITS_OWN)
        }


def rename_in(names: dict[str, int], change: Pending) -> None:
    if change.unnamed is not None:
        names.pop(change.unnamed, None)
    if change.named is not None and change.inode is not None:
        names[change.named] = change.inode


def changed(content: bytes, change: Pending) -> bytes:
    if change.data is None:
        return content[: change.at].ljust(change.at, b"\0")
    return (
        content[: change.at].ljust(change.at, b"\0") + change.data + content[change.at + len(change.data) :]
    )


def torn(change: Pending, dice: random.Random) -> list[Pending]:
    """Some of the sectors of a write."""
    assert change.data is not None
    end, pieces, start = change.at + len(change.data), list[Pending](), change.at
    while start < end:
        stop = min(end, (start // SECTOR + 1) * SECTOR)
        pieces.append(Pending(change.inode, start, change.data[start - change.at : stop - change.at]))
        start = stop
    return [piece for piece in pieces if dice.random() < 0.5]


def some_of(pending: list[Pending], dice: random.Random) -> list[Pending]:
    """A subset in order, with one write in it torn."""
    share = dice.choice((0.2, 0.5, 0.8, 0.95))
    chosen = [each for each in pending if dice.random() < share]
    writes = [place for place, each in enumerate(chosen) if each.data]
    if writes:
        place = dice.choice(writes)
        chosen[place : place + 1] = torn(chosen[place], dice)
    return chosen


# The calls.


def recorded(place: Path, start: str, synchronous: str, trace: Path) -> list[Call]:
    """The calls of a life at a place."""
    command = ["strace", "-f", "-y", "-xx", "-s", "100000000", "-o", str(trace), "-e", f"trace={CALLS}"]
    life = [sys.executable, "-m", "tests.safety.power_cuts", str(place), start, synchronous]
    subprocess.run([*command, *life], cwd=ROOT, check=True, capture_output=True, timeout=120.0)
    return list(calls_in(trace.read_text()))


def calls_in(trace: str) -> Iterator[Call]:
    """The calls that succeeded, in the order in which they ended."""
    unfinished: dict[str, str] = {}
    for line in trace.splitlines():
        thread, text = line.split(maxsplit=1)
        if text.endswith("<unfinished ...>"):
            unfinished[thread] = text.removesuffix("<unfinished ...>")
            continue
        if text.startswith("<... "):
            text = unfinished.pop(thread) + text[text.index("resumed>") + len("resumed>") :]
        found = LINE.match(text)
        if found is not None and int(found[3]) >= 0:
            strings = tuple(bytes.fromhex(each.replace("\\x", "")) for each in HEX.findall(found[2]))
            yield Call(found[1], strings, HEX.sub("", found[2]), "O_CREAT" in found[2])


def apply(call: Call, disk: Disk, directory: str) -> str | None:
    """Put a call on the disk; what it told, when it is a line to the standard output."""
    if call.name == "write" and call.numbers.startswith("1<"):
        return call.strings[-1].decode()
    paths = [name_in(each, directory) for each in call.strings]
    if call.name == "openat":
        name = paths[-1]
        if name and name not in disk.names and call.is_creating:
            disk.create(name)
        elif name and "O_TRUNC" in call.numbers:
            disk.change(name, 0, None)
    elif paths and paths[0] == "":
        disk.sync_names()  # nothing but a sync is done to the directory
    elif (paths and paths[0] in disk.names) or call.name == "rename":
        apply_to_file(call, disk, paths)
    return None


def apply_to_file(call: Call, disk: Disk, paths: list[str | None]) -> None:
    name, numbers = paths[0], [int(each) for each in re.findall(r", (\d+)", call.numbers)]
    if name is None or name not in disk.names:
        return
    if call.name in ("fsync", "fdatasync"):
        disk.sync(name)
    elif call.name == "pwrite64":
        disk.change(name, numbers[-1], call.strings[1])
    elif call.name == "write":
        disk.change(name, disk.size(name), call.strings[1])
    elif call.name in ("ftruncate", "truncate"):
        disk.change(name, numbers[-1], None)
    elif call.name == "rename" and paths[1] is not None:
        disk.rename(name, paths[1])
    elif call.name == "unlink":
        disk.unlink(name)


def name_in(path: bytes, directory: str) -> str | None:
    """A path's name in the directory; empty for the directory itself, None for what is elsewhere."""
    try:
        text = os.fsdecode(path)
    except ValueError:
        return None
    if text == directory:
        return ""
    return text[len(directory) + 1 :] if text.startswith(f"{directory}/") else None


# The cuts.


@dataclass(frozen=True, slots=True)
class Cut:
    """A disk that a power cut could leave, and what had been told by then."""

    image: Image
    kept: int
    begun: int

    def digest(self) -> bytes:
        digest = hashlib.sha256()
        for name, content in sorted(self.image.items()):
            digest.update(f"{name} {len(content)} ".encode() + content)
        return digest.digest()


def cuts(
    calls: list[Call], before: Image, directory: str, kept: int, dice: random.Random, subsets: int
) -> Iterator[Cut]:
    """All of them, as far as they are taken: at each call, and before each sync so many subsets."""
    disk, begun = Disk(), kept
    for name, content in before.items():
        disk.put(name, content)
    for call in calls:
        if call.name in ("fsync", "fdatasync") or call.numbers.startswith("1<"):
            yield Cut(disk.image([]), kept, begun)
            for _ in range(subsets):
                yield Cut(disk.image(some_of(disk.pending, dice)), kept, begun)
        told = apply(call, disk, directory)
        if told is None:
            yield Cut(disk.image(disk.pending), kept, begun)
        elif told.startswith("kept"):
            kept = int(told.split()[1])
        elif told.startswith("began"):
            begun = int(told.split()[1])
    yield Cut(disk.image([]), kept, begun)


def main() -> None:
    """Live, with syncs as they are told and a log that is put away often."""
    place, start, synchronous = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
    syncs = () if synchronous == AS_IT_IS else (f"PRAGMA synchronous={synchronous}",)
    pragmas = (*PRAGMAS, *syncs, "PRAGMA wal_autocheckpoint=40")
    lives = {
        "new": (range(1, 7), range(7, 9)),
        "killed": (range(6, 9),),
        "spoilt": (range(7, 9),),
        "version 1": (range(0),),
    }
    for steps in lives[start]:
        store = SqliteStore(place / "state.db", place.with_name("no tail"), pragmas=pragmas)
        asyncio.run(live(store, steps, lambda text: print(text, flush=True)))


if __name__ == "__main__":
    main()
