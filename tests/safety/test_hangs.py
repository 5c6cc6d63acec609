"""A daemon that hangs with valves open: each shuts at its own end, all at the missed heartbeat, none opens.

The heartbeat is 10 s, so the hangs are gone through side by side, once, and looked at by each test.
"""

import signal
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from mistd.adapters.simulated_outputs import LineView
from mistd.app.house_plan import HEARTBEAT_S
from tests.safety.harness import FAILING, LATE_S, House, Program, Zone, until

pytestmark = pytest.mark.real_time
SHORT_S, LONG_S = 3.0, 19.0  # the one ends before the heartbeat is missed, the other would after
ZONES = (
    Zone(name="short", burst_s=SHORT_S, gap_s=300.0),
    Zone(name="long", burst_s=LONG_S, gap_s=300.0),
    Zone(name="often", burst_s=0.9, gap_s=8.0),  # is due again while the daemon hangs
)
WAYS = ("loop", "compute", "c_call", "SIGSTOP")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hang:
    """What was seen of one daemon that hung."""

    began_s: float
    lines: dict[str, LineView]  # after the heartbeat was missed
    opened_s: dict[str, float]
    openings_at_hang: int
    pulse_s: float  # the last instant at which another thread of the daemon ran
    looked_s: float


@pytest.fixture(scope="module")
def hangs() -> Iterator[dict[str, Hang]]:
    with ExitStack() as stack, ThreadPoolExecutor() as side_by_side:
        houses = {way: stack.enter_context(House(ZONES)) for way in WAYS}
        yield dict(zip(WAYS, side_by_side.map(gone_through, houses.values(), WAYS), strict=True))


def gone_through(house: House, way: str) -> Hang:
    """Hang a daemon while two of its valves are open, and wait until its heartbeat is missed."""
    trigger = house.directory / "trigger"
    how = "loop" if way == "SIGSTOP" else way
    daemon = house.start(how, str(trigger), program=FAILING)
    house.until_open("short", "long")
    lines = house.lines()
    began_s = hung(daemon, way, trigger)
    openings = house.openings()
    time.sleep(began_s + HEARTBEAT_S + 1.0 - time.monotonic())  # what happens until then is to be seen
    return Hang(
        began_s=began_s,
        lines=dict(house.lines()),
        opened_s={name: line.last_edge_s for name, line in lines.items() if line.is_open},
        openings_at_hang=openings,
        pulse_s=float(trigger.with_suffix(".pulse").read_text()),
        looked_s=time.monotonic(),
    )


def hung(daemon: Program, way: str, trigger: Path) -> float:
    """Have it hang; the first instant at which it does."""
    if way == "SIGSTOP":
        return daemon.send(signal.SIGSTOP)
    trigger.touch()
    began = trigger.with_suffix(".began")
    until(lambda: began.exists() and began.read_text() != "", "hanging", but=daemon.account)
    return float(began.read_text())


@pytest.mark.parametrize("way", WAYS)
def test_a_valve_that_was_open_shuts_at_its_ordered_length(hangs: dict[str, Hang], way: str) -> None:
    hang = hangs[way]

    open_s = hang.lines["short"].last_edge_s - hang.opened_s["short"]

    assert hang.opened_s["short"] < hang.began_s < hang.lines["short"].last_edge_s, "it hung while open"
    assert SHORT_S - 0.01 <= open_s < SHORT_S + LATE_S


@pytest.mark.parametrize("way", WAYS)
def test_every_valve_is_shut_at_the_missed_heartbeat(hangs: dict[str, Hang], way: str) -> None:
    hang = hangs[way]

    shut_s = hang.lines["long"].last_edge_s

    assert not any(line.is_open for line in hang.lines.values())
    assert shut_s - hang.opened_s["long"] < LONG_S - 1.0, "it was not its own end that shut it"
    assert shut_s < hang.began_s + HEARTBEAT_S + LATE_S


@pytest.mark.parametrize("way", WAYS)
def test_no_valve_opens_while_it_hangs(hangs: dict[str, Hang], way: str) -> None:
    hang = hangs[way]

    assert sum(line.openings for line in hang.lines.values()) == hang.openings_at_hang


@pytest.mark.parametrize(("way", "is_held"), [(way, way != "loop") for way in WAYS])
def test_the_hang_was_what_it_is_called(hangs: dict[str, Hang], way: str, is_held: bool) -> None:
    """Python code gives the interpreter's lock away now and then; the calls into C and the stop do not."""
    silent_s = hangs[way].looked_s - hangs[way].pulse_s

    assert (silent_s > HEARTBEAT_S) is is_held, silent_s
    assert is_held or silent_s < 2.0
