"""A siren's line beside the valves on every driver, as the keeper wires them: neither notices the other."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from mistd.adapters.gpio.outputs import OutputPin
from mistd.adapters.simulated_outputs import SimulatedOutputsView
from mistd.core.leases import KeeperRules, LineRule
from mistd.keeper.process import outputs
from mistd.keeper.signals import SignalLines
from mistd.keeper.wire import KeeperSpec
from mistd.ports.errors import LinesError
from mistd.ports.lines import Lines
from tests.adapters.recording_lgpio import ANOTHER_PROGRAM, RecordingLgpio, standing_in_for_lgpio
from tests.contracts.test_lines import mock_bench

SIREN = "siren"
RULES = KeeperRules(
    lines=dict.fromkeys(("mist-1", "mist-2"), LineRule(longest_open_s=20.0, shortest_rest_s=60.0)),
    open_at_once=1,
    heartbeat_s=10.0,
    signals=(SIREN,),
)
WIRING = {
    "mist-1": OutputPin(pin=17, is_active_high=True),
    "mist-2": OutputPin(pin=22, is_active_high=True),
    SIREN: OutputPin(pin=12, is_active_high=False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """Valves and a siren of one make, and how somebody outside sees them."""

    valves: Lines
    signals: SignalLines
    seen_on: Callable[[], Mapping[str, bool]]


def house(wanted: dict[str, Any], seen_on: Callable[[], Mapping[str, bool]]) -> House:
    spec = KeeperSpec(house="x", socket_path="s", lock_path="l", rules=RULES, outputs=wanted)
    valves, signals = outputs(spec, lambda: 100.0)
    return House(valves=valves, signals=signals, seen_on=seen_on)


def on_pins(factory: str) -> dict[str, Any]:
    pins = {
        line: {"pin": wired.pin, "is_active_high": wired.is_active_high} for line, wired in WIRING.items()
    }
    return {
        "driver": "gpiozero",
        "factory": factory,
        "signal_pins": {SIREN: pins.pop(SIREN)},
        "pins": pins,
    }


def simulated_house(directory: Path) -> Iterator[House]:
    path = directory / "outputs.sim"
    view = SimulatedOutputsView(path)
    yield house(
        {"driver": "simulated", "path": str(path)},
        lambda: {name: line.is_open for name, line in view.lines().items()},
    )


def mock_house(_: Path) -> Iterator[House]:
    for bench in mock_bench(WIRING):
        assert bench.seen_open is not None
        yield house(on_pins("mock"), bench.seen_open)


def levels_of(recording: RecordingLgpio) -> dict[str, bool]:
    return {line: recording.levels[wired.pin] == wired.level(is_open=True) for line, wired in WIRING.items()}


def recording_house(_: Path) -> Iterator[House]:
    with standing_in_for_lgpio() as recording:
        yield house(on_pins("lgpio"), lambda: levels_of(recording))


HOUSES: dict[str, Callable[[Path], Iterator[House]]] = {
    "simulated": simulated_house,
    "mock": mock_house,
    "recording lgpio": recording_house,
}


@pytest.fixture(params=HOUSES)
def lines(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[House]:
    """Claimed, in the order in which the keeper does it."""
    for each in HOUSES[request.param](tmp_path):
        each.valves.claim()
        assert each.signals.switch_all_off() == ()
        yield each
        each.valves.release()
        each.signals.release()


def test_a_siren_is_off_when_claimed_and_on_for_as_long_as_told(lines: House) -> None:
    assert lines.seen_on() == {"mist-1": False, "mist-2": False, SIREN: False}

    assert lines.signals.switch(SIREN, is_on=True) is None
    assert lines.seen_on() == {"mist-1": False, "mist-2": False, SIREN: True}

    assert lines.signals.switch(SIREN, is_on=False) is None
    assert lines.seen_on() == {"mist-1": False, "mist-2": False, SIREN: False}


def test_a_sounding_siren_and_a_valve_leave_each_other_as_they_are(lines: House) -> None:
    lines.signals.switch(SIREN, is_on=True)

    lines.valves.drive("mist-1", is_open=True)
    assert lines.valves.read_back()["mist-1"]
    assert lines.seen_on() == {"mist-1": True, "mist-2": False, SIREN: True}

    lines.signals.switch(SIREN, is_on=False)
    assert lines.seen_on() == {"mist-1": True, "mist-2": False, SIREN: False}


def test_both_are_off_when_released(lines: House) -> None:
    lines.signals.switch(SIREN, is_on=True)
    lines.valves.drive("mist-2", is_open=True)

    lines.valves.release()
    lines.signals.release()

    assert lines.seen_on() == {"mist-1": False, "mist-2": False, SIREN: False}


@pytest.fixture
def lgpio() -> Iterator[RecordingLgpio]:
    with standing_in_for_lgpio() as recording:
        yield recording


@pytest.fixture
def pins(lgpio: RecordingLgpio) -> Iterator[House]:
    """Valves that are claimed, and a siren that is not yet."""
    each = house(on_pins("lgpio"), lambda: levels_of(lgpio))
    each.valves.claim()
    yield each
    lgpio.failures.clear()
    lgpio.stuck.clear()
    each.valves.release()
    each.signals.release()


def test_an_active_low_siren_is_claimed_without_a_sound(lgpio: RecordingLgpio, pins: House) -> None:
    pins.signals.switch_all_off()

    assert set(lgpio.driven_levels(12)) == {1}


def test_a_siren_whose_pin_is_held_elsewhere_leaves_the_valves_to_open(
    lgpio: RecordingLgpio, pins: House
) -> None:
    lgpio.held_by[12] = ANOTHER_PROGRAM

    ((line, problem),) = pins.signals.switch_all_off()
    pins.valves.drive("mist-1", is_open=True)

    assert line == SIREN
    assert problem.startswith("it does not switch off: pin 12 (siren) is held by another program")
    assert pins.valves.read_back() == {"mist-1": True, "mist-2": False}
    del lgpio.held_by[12]
    assert pins.signals.switch(SIREN, is_on=True) is None
    assert lgpio.levels[12] == 0


@pytest.mark.parametrize("what", ["read", "write"])
def test_a_siren_pin_that_fails_is_not_read_or_written_for_a_valve(
    lgpio: RecordingLgpio, pins: House, what: str
) -> None:
    pins.signals.switch_all_off()
    lgpio.failures[what, 12] = "I/O error"

    problem = pins.signals.switch(SIREN, is_on=True)
    pins.valves.drive("mist-1", is_open=True)

    assert problem is not None
    assert "pin 12 (siren) is in trouble" in problem
    assert pins.valves.read_back() == {"mist-1": True, "mist-2": False}


def test_valves_released_with_trouble_do_not_let_go_of_the_siren(lgpio: RecordingLgpio, pins: House) -> None:
    pins.signals.switch(SIREN, is_on=True)
    lgpio.failures["write", 17] = "I/O error"

    with pytest.raises(LinesError):
        pins.valves.release()

    assert lgpio.held_by.keys() == {12}
    pins.signals.release()
    assert lgpio.levels[12] == 1
    assert lgpio.held_by == {}
