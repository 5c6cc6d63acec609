"""Lines in a file: what is counted, what outlives the owner, what a reader sees meanwhile."""

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from mistd.adapters import simulated_outputs
from mistd.adapters.simulated_outputs import LineView, SimulatedOutputs, SimulatedOutputsView
from mistd.ports.errors import LinesError

NAMES = ("mist-1", "pump")
DEADLINE_S = 20.0


@dataclass(slots=True)
class HandClock:
    """Monotonic seconds that move when they are moved."""

    now_s: float = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "lines"


@pytest.fixture
def outputs(path: Path, clock: HandClock) -> Iterator[SimulatedOutputs]:
    outputs = SimulatedOutputs(NAMES, path, clock)
    outputs.claim()
    yield outputs
    outputs.release()


@pytest.fixture
def view(path: Path) -> SimulatedOutputsView:
    return SimulatedOutputsView(path)


def claim_and_release(names: Sequence[str], path: Path, *, now_s: float = 100.0) -> None:
    outputs = SimulatedOutputs(names, path, lambda: now_s)
    outputs.claim()
    outputs.release()


def shut(*, openings: int = 0, last_edge_s: float = 0.0, open_total_s: float = 0.0) -> LineView:
    return LineView(is_open=False, openings=openings, last_edge_s=last_edge_s, open_total_s=open_total_s)


def test_a_new_file_holds_shut_lines_without_a_past(
    outputs: SimulatedOutputs, view: SimulatedOutputsView
) -> None:
    assert view.lines() == {"mist-1": shut(), "pump": shut()}


def test_an_opening_is_counted_and_timed(
    outputs: SimulatedOutputs, view: SimulatedOutputsView, clock: HandClock
) -> None:
    clock.now_s = 110.0
    outputs.drive("mist-1", is_open=True)

    assert view.lines()["mist-1"] == LineView(is_open=True, openings=1, last_edge_s=110.0, open_total_s=0.0)
    assert view.lines()["pump"] == shut()

    clock.now_s = 116.5
    outputs.drive("mist-1", is_open=False)

    assert view.lines()["mist-1"] == shut(openings=1, last_edge_s=116.5, open_total_s=6.5)


def test_opening_an_open_line_makes_no_edge(
    outputs: SimulatedOutputs, view: SimulatedOutputsView, clock: HandClock
) -> None:
    outputs.drive("mist-1", is_open=True)
    clock.now_s = 105.0

    outputs.drive("mist-1", is_open=True)

    assert view.lines()["mist-1"] == LineView(is_open=True, openings=1, last_edge_s=100.0, open_total_s=0.0)


def test_shutting_a_shut_line_makes_no_edge(
    outputs: SimulatedOutputs, view: SimulatedOutputsView, clock: HandClock
) -> None:
    outputs.drive("mist-1", is_open=True)
    clock.now_s = 105.0
    outputs.drive("mist-1", is_open=False)
    clock.now_s = 109.0

    outputs.drive("mist-1", is_open=False)

    assert view.lines()["mist-1"] == shut(openings=1, last_edge_s=105.0, open_total_s=5.0)


def test_open_seconds_count_up_to_now_while_open_only(
    outputs: SimulatedOutputs, view: SimulatedOutputsView, clock: HandClock
) -> None:
    outputs.drive("mist-1", is_open=True)
    assert view.open_seconds("mist-1", 103.0) == 3.0

    clock.now_s = 104.0
    outputs.drive("mist-1", is_open=False)

    assert view.open_seconds("mist-1", 200.0) == 4.0


def test_counts_go_on_under_the_next_owner(path: Path, view: SimulatedOutputsView, clock: HandClock) -> None:
    for _ in range(2):
        outputs = SimulatedOutputs(NAMES, path, clock)
        outputs.claim()
        outputs.drive("pump", is_open=True)
        clock.now_s += 10.0
        outputs.release()

    assert view.lines()["pump"] == shut(openings=2, last_edge_s=120.0, open_total_s=20.0)


@pytest.mark.parametrize(
    "names", [("mist-1",), ("pump", "mist-1"), ("mist-1", "pump", "mains"), ("mist-1", "tank")]
)
def test_a_file_of_other_lines_is_replaced(
    path: Path, view: SimulatedOutputsView, names: tuple[str, ...]
) -> None:
    former = SimulatedOutputs(names, path, lambda: 50.0)
    former.claim()
    former.drive(names[0], is_open=True)
    former.release()

    claim_and_release(NAMES, path)

    assert view.lines() == {"mist-1": shut(), "pump": shut()}


@pytest.mark.parametrize("content", [b"", b"not lines", b"mistdsim", b"\xff" * 5_000])
def test_a_file_of_something_else_is_no_lines_to_read_and_replaced_by_the_owner(
    path: Path, view: SimulatedOutputsView, content: bytes
) -> None:
    path.write_bytes(content)
    with pytest.raises(LinesError, match="no simulated outputs are laid out"):
        view.lines()

    claim_and_release(NAMES, path)

    assert view.lines() == {"mist-1": shut(), "pump": shut()}


def test_a_file_that_was_cut_short_is_no_lines_to_read(
    outputs: SimulatedOutputs, path: Path, view: SimulatedOutputsView
) -> None:
    whole = path.read_bytes()
    path.with_name("cut").write_bytes(whole[:-1])

    with pytest.raises(LinesError, match="no simulated outputs are laid out"):
        SimulatedOutputsView(path.with_name("cut")).lines()


def begin_an_edge(path: Path) -> None:
    """Write half of the first line's slot that is not true, at the places the module's docstring gives."""
    with path.open("r+b") as file:
        file.seek(16 + 32)
        sequence = int.from_bytes(file.read(4), sys.byteorder)
        file.seek(16 + 40 + (sequence + 1) % 2 * 24)
        file.write(b"\xee" * 12)


def test_an_edge_that_was_cut_off_has_not_happened(
    outputs: SimulatedOutputs, path: Path, view: SimulatedOutputsView
) -> None:
    for is_open, openings in ((True, 1), (False, 1), (True, 2)):
        before = view.lines()

        begin_an_edge(path)

        assert view.lines() == before
        outputs.drive("mist-1", is_open=is_open)
        assert view.lines()["mist-1"].is_open is is_open
        assert view.lines()["mist-1"].openings == openings


@contextmanager
def at_each_line_run(act: Callable[[], None]) -> Iterator[None]:
    """Run `act` before every line of the module under test that this thread executes meanwhile."""

    def trace(frame: FrameType, event: str, _: object) -> Any:
        if frame.f_code.co_filename != simulated_outputs.__file__:
            return None
        if event == "line":
            act()
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        yield
    finally:
        sys.settrace(before)


def test_an_edge_comes_true_in_one_step(outputs: SimulatedOutputs, view: SimulatedOutputsView) -> None:
    """So an owner killed anywhere in the middle leaves the state before or the state after."""
    for is_open in (True, False, True):
        before, seen = view.lines()["mist-1"], list[LineView]()

        with at_each_line_run(lambda seen=seen: seen.append(view.lines()["mist-1"])):  # type: ignore[misc]
            outputs.drive("mist-1", is_open=is_open)

        after = view.lines()["mist-1"]
        steps_before = seen.count(before)
        assert steps_before > 0
        assert seen == [before] * steps_before + [after] * (len(seen) - steps_before)


def test_a_reader_that_is_overtaken_reads_again(
    outputs: SimulatedOutputs, path: Path, view: SimulatedOutputsView, clock: HandClock
) -> None:
    """Whichever line the reader is at, the owner makes an edge and is caught in the middle of the next."""
    places_tried, is_done = 0, False
    while not is_done:
        before = view.lines()["mist-1"]
        overtaken = Overtaking(outputs, path, clock, at_line=places_tried)

        with at_each_line_run(overtaken):
            seen = view.lines()["mist-1"]

        assert seen in (before, view.lines()["mist-1"])
        places_tried, is_done = places_tried + 1, overtaken.lines_to_go >= 0
    assert places_tried > 10


class Overtaking:
    """An edge of the first line and half of one more, at one line of the reader."""

    def __init__(self, outputs: SimulatedOutputs, path: Path, clock: HandClock, *, at_line: int) -> None:
        self._outputs, self._path, self._clock = outputs, path, clock
        self.lines_to_go = at_line

    def __call__(self) -> None:
        if self.lines_to_go == 0:
            self._clock.now_s += 1.0
            self._outputs.drive("mist-1", is_open=not self._outputs.read_back()["mist-1"])
            begin_an_edge(self._path)
        self.lines_to_go -= 1


@pytest.mark.parametrize("names", [("mist-1", "mist-1"), ("ü" * 17,), ("m" * 33,)])
def test_a_name_that_the_file_cannot_hold_is_refused(path: Path, names: tuple[str, ...]) -> None:
    with pytest.raises(LinesError, match="32 bytes at most"):
        SimulatedOutputs(names, path, lambda: 0.0)


def test_a_name_of_just_32_bytes_is_held(path: Path, view: SimulatedOutputsView) -> None:
    names = ("m" * 32, "ü" * 16)

    claim_and_release(names, path)

    assert tuple(view.lines()) == names


def test_a_directory_that_is_missing_is_named(tmp_path: Path) -> None:
    with pytest.raises(LinesError, match=r"nowhere/lines cannot be reached \(No such file or directory\)"):
        SimulatedOutputs(NAMES, tmp_path / "nowhere" / "lines", lambda: 0.0).claim()


def test_the_second_owner_is_told_which_file_is_held(outputs: SimulatedOutputs, path: Path) -> None:
    with pytest.raises(LinesError, match=f"the lines in {path} are held by another program: stop it"):
        SimulatedOutputs(NAMES, path, lambda: 0.0).claim()


def test_a_refused_owner_of_other_lines_leaves_the_file_alone(
    outputs: SimulatedOutputs, path: Path, view: SimulatedOutputsView
) -> None:
    outputs.drive("pump", is_open=True)

    with pytest.raises(LinesError):
        SimulatedOutputs(["mains"], path, lambda: 0.0).claim()

    assert view.lines()["pump"].is_open


def test_a_second_claim_by_the_owner_is_refused(outputs: SimulatedOutputs) -> None:
    with pytest.raises(LinesError, match="claimed already"):
        outputs.claim()


def test_a_view_without_a_file_says_so(view: SimulatedOutputsView) -> None:
    with pytest.raises(LinesError, match="cannot be reached"):
        view.lines()


def test_a_view_refuses_a_line_that_is_not_there(
    outputs: SimulatedOutputs, view: SimulatedOutputsView
) -> None:
    with pytest.raises(LinesError, match="the lines are mist-1, pump"):
        view.open_seconds("tank", 0.0)


OPENS_AND_WAITS = """
import sys
from pathlib import Path
from mistd.adapters import simulated_outputs
from mistd.adapters.simulated_outputs import SimulatedOutputs

outputs = SimulatedOutputs(("mist-1", "pump"), Path(sys.argv[1]), lambda: 100.0)
outputs.claim()
outputs.drive("mist-1", is_open=True)
print("open", flush=True)
sys.stdin.read()
"""

DRIVES_WITHOUT_A_PAUSE = """
import itertools, sys
from pathlib import Path
from mistd.adapters import simulated_outputs
from mistd.adapters.simulated_outputs import SimulatedOutputs

seconds = itertools.count()
outputs = SimulatedOutputs(("mist-1", "pump"), Path(sys.argv[1]), lambda: float(next(seconds)))
outputs.claim()
print("claimed", flush=True)
while True:
    outputs.drive("mist-1", is_open=True)
    outputs.drive("mist-1", is_open=False)
"""


@contextmanager
def another_process(program: str, path: Path) -> Iterator["subprocess.Popen[str]"]:
    """A process that has said its first word; killed at the end if it still runs."""
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() != "", "the other process ended before it was ready"
            yield process
        finally:
            process.kill()


@pytest.mark.real_time
def test_a_line_stays_open_when_its_owner_is_killed(path: Path, view: SimulatedOutputsView) -> None:
    with another_process(OPENS_AND_WAITS, path) as owner:
        owner.send_signal(signal.SIGKILL)
        owner.wait(DEADLINE_S)

    assert view.lines()["mist-1"] == LineView(is_open=True, openings=1, last_edge_s=100.0, open_total_s=0.0)
    assert view.open_seconds("mist-1", 130.0) == 30.0


@pytest.mark.real_time
def test_the_owner_after_one_that_was_killed_shuts_the_line_and_counts_it_open_until_then(
    path: Path, view: SimulatedOutputsView, clock: HandClock
) -> None:
    with another_process(OPENS_AND_WAITS, path) as owner:
        with pytest.raises(LinesError):
            SimulatedOutputs(NAMES, path, clock).claim()
        owner.send_signal(signal.SIGKILL)
        owner.wait(DEADLINE_S)
    clock.now_s = 130.0
    successor = SimulatedOutputs(NAMES, path, clock)

    successor.claim()

    assert view.lines() == {"mist-1": shut(openings=1, last_edge_s=130.0, open_total_s=30.0), "pump": shut()}
    successor.release()


@pytest.mark.real_time
def test_a_clock_that_began_anew_takes_no_open_time_away(path: Path, view: SimulatedOutputsView) -> None:
    """The machine was started again: monotonic seconds are less than at the last edge."""
    with another_process(OPENS_AND_WAITS, path) as owner:
        owner.send_signal(signal.SIGKILL)
        owner.wait(DEADLINE_S)

    claim_and_release(NAMES, path, now_s=5.0)

    assert view.lines()["mist-1"] == shut(openings=1, last_edge_s=5.0, open_total_s=0.0)


@pytest.mark.real_time
def test_a_reader_never_sees_half_an_edge(path: Path, view: SimulatedOutputsView) -> None:
    """The writer's clock counts its edges: a true state obeys arithmetic that a mixture of two does not."""
    with another_process(DRIVES_WITHOUT_A_PAUSE, path):
        deadline_s, states_seen, newest = time.monotonic() + DEADLINE_S, 0, -1
        while states_seen < 5_000:
            assert time.monotonic() < deadline_s, f"only {states_seen} states seen"
            line = view.lines()["mist-1"]
            edges = 2 * line.openings - line.is_open
            assert line.last_edge_s == max(0, edges - 1)
            assert line.open_total_s == line.openings - line.is_open
            assert edges >= newest, "a reader went back in time"
            states_seen, newest = states_seen + (edges > newest), edges
