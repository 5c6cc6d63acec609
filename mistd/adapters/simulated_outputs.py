"""Output lines that are bytes in a file: for trials, the demo and tests that kill their owner.

Answers for: lines that stay as they were when the process driving them dies, and a record of each line's
edges that any other process can read at any moment. One owner at a time: it holds an flock on the file.

Does not know: valves, water, or the time (`now_s` is handed in; all users of one file need the same clock).

The rule: whoever reads gets a state that was true at one moment, though the writer is at work or was killed
in the middle of writing. So an edge is first written where nobody looks, and then comes true by one store.

The file, in the machine's own byte order:

    offset  size  what
    0       8     magic, `mistdsim`; anything else while the file is being laid out
    8       4     version of the layout, 2
    12      4     number of lines, n
    16      88    first line; n of these follow each other

and each line:

    0       32    name, UTF-8, filled up with zero bytes
    32      4     sequence: edges written; it says which slot is true (even: the first, odd: the second)
    36      4     nothing
    40      24    first slot
    64      24    second slot

and each slot:

    0       1     1 open, 0 shut
    1       3     nothing
    4       4     number of openings
    8       8     instant of the last edge, monotonic seconds, double
    16      8     seconds spent open up to the last edge, double

The file is never made shorter. It may be longer than its lines need, after holding more of them.
"""

import fcntl
import mmap
import os
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from mistd.ports.errors import LinesError

MAGIC, VERSION = b"mistdsim", 2
HEADER = struct.Struct("8sII")
NAME = struct.Struct("32s")
SEQUENCE = struct.Struct("I")  # native, so that packing it is one store
SLOT = struct.Struct("B3xIdd")
SEQUENCE_AT, SLOTS_AT = 32, 40
LINE_BYTES = SLOTS_AT + 2 * SLOT.size
U32 = 2**32
TRIES_TO_READ = 1_000  # each fails only if two edges of one line fall inside three short reads


@dataclass(frozen=True, slots=True, kw_only=True)
class LineView:
    """One line as it stood at one moment."""

    is_open: bool
    openings: int
    last_edge_s: float
    open_total_s: float  # up to the last edge


class SimulatedOutputs:
    """Every output line of a simulated house, in one file."""

    def __init__(self, lines: Sequence[str], path: Path, now_s: Callable[[], float]) -> None:
        """Name the lines, touch no file.

        Args:
            lines: names, each once and at most 32 bytes long.
            path: the file; its directory must exist.
            now_s: monotonic seconds, as every process of this machine reads them.

        Raises:
            LinesError: a name is too long, or stands twice.
        """
        for line in lines:
            if len(line.encode()) > NAME.size or list(lines).count(line) > 1:
                raise LinesError(
                    f'a simulated line cannot be called "{line}": a name is unique, {NAME.size} bytes at most'
                )
        self._starts = {line: HEADER.size + index * LINE_BYTES for index, line in enumerate(lines)}
        self._path = path
        self._now_s = now_s
        self._file: mmap.mmap | None = None
        self._held: ExitStack | None = None

    def claim(self) -> None:
        """Take the file and shut every line in it.

        A line left open by an owner that died counts as open until now. The counts of a file that holds other
        lines are not kept.
        """
        if self._held is not None:
            raise LinesError("these lines are claimed already: release them before claiming them again")
        with _os_errors_translated(self._path), ExitStack() as undo:
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
            undo.callback(os.close, descriptor)
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            file = self._mapped(descriptor)
            undo.callback(file.close)
            if not self._is_laid_out(file):
                self._lay_out(file)
            self._file, self._held = file, undo.pop_all()
        self._shut_all(file)

    def drive(self, line: str, *, is_open: bool) -> None:
        """Open or shut one line; one that is so already has no edge."""
        if line not in self._starts:
            raise LinesError(f'no output line is called "{line}": the lines are {", ".join(self._starts)}')
        if self._file is None:
            raise LinesError(f"{line} is not claimed, so it cannot be driven")
        self._drive(self._file, line, is_open=is_open)

    def read_back(self) -> Mapping[str, bool]:
        """What the file says of each line."""
        if self._file is None:
            raise LinesError("no line is claimed, so none can be read")
        return {line: _line_at(self._file, start).is_open for line, start in self._starts.items()}

    def release(self) -> None:
        """Shut every line, let the file go; it stays where it is, with its counts."""
        if self._file is None or self._held is None:
            return
        self._shut_all(self._file)
        held, self._held, self._file = self._held, None, None
        held.close()

    def _mapped(self, descriptor: int) -> mmap.mmap:
        needed = HEADER.size + len(self._starts) * LINE_BYTES
        # Not truncate: storing into a mapped page that a full disk has no room for is a SIGBUS.
        os.posix_fallocate(descriptor, 0, needed)
        return mmap.mmap(descriptor, needed)

    def _is_laid_out(self, file: mmap.mmap) -> bool:
        """Whether the file holds these lines, in this order, so that its counts can be gone on with."""
        names = [NAME.unpack_from(file, start)[0] for start in self._starts.values()]
        return HEADER.unpack_from(file) == self._header() and names == [
            _padded(line) for line in self._starts
        ]

    def _lay_out(self, file: mmap.mmap) -> None:
        """Write shut lines without a past; the header last, so that no reader takes them for ready before."""
        file[: HEADER.size] = bytes(HEADER.size)
        for line, start in self._starts.items():
            file[start : start + LINE_BYTES] = _padded(line) + bytes(LINE_BYTES - NAME.size)
        file[: HEADER.size] = HEADER.pack(*self._header())

    def _header(self) -> tuple[bytes, int, int]:
        return MAGIC, VERSION, len(self._starts)

    def _shut_all(self, file: mmap.mmap) -> None:
        for line in self._starts:
            self._drive(file, line, is_open=False)

    def _drive(self, file: mmap.mmap, line: str, *, is_open: bool) -> None:
        before = _line_at(file, self._starts[line])
        if before.is_open != is_open:
            _write_edge(file, self._starts[line], _after_edge(before, self._now_s()))


class SimulatedOutputsView:
    """The same file, as another process sees it; holds nothing, and may be made before the file is there."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def lines(self) -> Mapping[str, LineView]:
        """Each line as it stood at one moment (not all of them at the same one).

        Raises:
            LinesError: there is no such file, or no lines are laid out in it (yet).
        """
        # Read, not mapped: a reader of a mapped file dies of SIGBUS when somebody truncates it.
        with _os_errors_translated(self._path), self._path.open("rb", buffering=0) as file:
            return dict(self._line(file.fileno(), index) for index in range(self._count(file.fileno())))

    def open_seconds(self, line: str, now_s: float) -> float:
        """Seconds the line has been open in all, up to now."""
        lines = self.lines()
        if line not in lines:
            raise LinesError(f'no line in {self._path} is called "{line}": the lines are {", ".join(lines)}')
        return _open_seconds(lines[line], now_s)

    def _count(self, descriptor: int) -> int:
        header = os.pread(descriptor, HEADER.size, 0).ljust(HEADER.size, b"\0")
        magic, version, count = HEADER.unpack(header)
        is_whole = os.fstat(descriptor).st_size >= HEADER.size + count * LINE_BYTES
        if (magic, version) != (MAGIC, VERSION) or not is_whole:
            raise LinesError(
                f"no simulated outputs are laid out in {self._path}: start the program that drives them"
            )
        return int(count)

    def _line(self, descriptor: int, index: int) -> tuple[str, LineView]:
        start = HEADER.size + index * LINE_BYTES
        name = os.pread(descriptor, NAME.size, start).rstrip(b"\0").decode()
        for _ in range(TRIES_TO_READ):
            before = self._sequence(descriptor, start)
            slot = os.pread(descriptor, SLOT.size, start + _slot_at(before))
            if self._sequence(descriptor, start) == before:
                return name, _line_in(slot, 0)
        raise LinesError(f"{name} in {self._path} changes too fast to be read")

    def _sequence(self, descriptor: int, start: int) -> int:
        return int(SEQUENCE.unpack(os.pread(descriptor, SEQUENCE.size, start + SEQUENCE_AT))[0])


def _padded(line: str) -> bytes:
    return NAME.pack(line.encode())


def _slot_at(sequence: int) -> int:
    """Where in a line's record the slot lies that is true at this count of edges."""
    return SLOTS_AT + sequence % 2 * SLOT.size


def _line_in(file: mmap.mmap | bytes, at: int) -> LineView:
    is_open, openings, last_edge_s, open_total_s = SLOT.unpack_from(file, at)
    return LineView(
        is_open=is_open == 1, openings=openings, last_edge_s=last_edge_s, open_total_s=open_total_s
    )


def _line_at(file: mmap.mmap, start: int) -> LineView:
    (sequence,) = SEQUENCE.unpack_from(file, start + SEQUENCE_AT)
    return _line_in(file, start + _slot_at(sequence))


def _write_edge(file: mmap.mmap, start: int, line: LineView) -> None:
    """Fill the slot that is not looked at, then make it the one that is."""
    (sequence,) = SEQUENCE.unpack_from(file, start + SEQUENCE_AT)
    following = (sequence + 1) % U32
    at = start + _slot_at(following)
    file[at : at + SLOT.size] = SLOT.pack(
        line.is_open, line.openings % U32, line.last_edge_s, line.open_total_s
    )
    SEQUENCE.pack_into(file, start + SEQUENCE_AT, following)


def _after_edge(line: LineView, now_s: float) -> LineView:
    return LineView(
        is_open=not line.is_open,
        openings=line.openings + (not line.is_open),
        last_edge_s=now_s,
        open_total_s=_open_seconds(line, now_s),
    )


def _open_seconds(line: LineView, now_s: float) -> float:
    """Seconds spent open in all; a clock that began anew since the last edge, at a restart, adds none."""
    return line.open_total_s + (max(0.0, now_s - line.last_edge_s) if line.is_open else 0.0)


@contextmanager
def _os_errors_translated(path: Path) -> Iterator[None]:
    """Turn an error of the file into a LinesError that names it and the next step."""
    try:
        yield
    except BlockingIOError as error:
        raise LinesError(
            f"the lines in {path} are held by another program: stop it, or name another file"
        ) from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise LinesError(
            f"the lines in {path} cannot be reached ({reason}): look at its directory and owner"
        ) from error
