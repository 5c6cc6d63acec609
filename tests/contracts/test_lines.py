"""The contract of `Lines`, on every implementation that can be had here, and on some that break it."""

import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from mistd.adapters.gpio.outputs import GpioOutputs, OutputPin
from mistd.adapters.simulated_outputs import SimulatedOutputs, SimulatedOutputsView
from mistd.ports.errors import LinesError
from mistd.ports.lines import Lines
from tests.adapters.recording_lgpio import standing_in_for_lgpio
from tests.contracts import lines_contract

REAL_PINS = os.environ.get(
    "MISTD_TEST_PINS", ""
)  # BCM numbers of pins with nothing on them that may not move: 22,27
CHECKS_OF_ONE_OWNER = [
    lines_contract.check_is_shut_when_claimed,
    lines_contract.check_opens_and_shuts,
    lines_contract.check_shut_twice_is_harmless,
    lines_contract.check_release_is_harmless_when_nothing_is_held,
    lines_contract.check_released_lines_refuse_to_be_driven,
    lines_contract.check_unknown_line_is_refused,
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Lines of one make, and how somebody outside sees them."""

    make: Callable[[], Lines]
    seen_open: Callable[[], Mapping[str, bool]] | None


def simulated_bench(directory: Path) -> Iterator[Bench]:
    path = directory / "lines"
    view = SimulatedOutputsView(path)
    yield Bench(
        make=lambda: SimulatedOutputs(["mist-1", "mist-2", "pump"], path, lambda: 100.0),
        seen_open=lambda: {name: line.is_open for name, line in view.lines().items()},
    )


def pins(*, is_active_high: bool) -> dict[str, OutputPin]:
    return {
        "mist-1": OutputPin(pin=17, is_active_high=is_active_high),
        "mist-2": OutputPin(pin=22, is_active_high=is_active_high),
    }


def mock_bench(wiring: dict[str, OutputPin]) -> Iterator[Bench]:
    """Whoever looks from outside sees the mock pins themselves: the newest of each number keeps its level."""
    made: dict[str, Any] = {}
    with pytest.MonkeyPatch.context() as patch:
        from gpiozero.pins import mock  # noqa: PLC0415  a second of the default run that only these cases pay

        class SeenPin(mock.MockPin):  # type: ignore[misc]  # gpiozero has no types
            def __init__(self, factory: Any, info: Any) -> None:
                super().__init__(factory, info)
                made[info.name] = self

        patch.setattr(mock, "MockPin", SeenPin)
        yield Bench(
            make=lambda: GpioOutputs(wiring, "mock"),
            seen_open=lambda: {
                name: made[f"GPIO{wired.pin}"].state == wired.level(is_open=True)
                for name, wired in wiring.items()
            },
        )


def recording_bench(wiring: dict[str, OutputPin]) -> Iterator[Bench]:
    with standing_in_for_lgpio() as recording:
        yield Bench(
            make=lambda: GpioOutputs(wiring, "lgpio"),
            seen_open=lambda: {
                name: recording.levels[wired.pin] == wired.level(is_open=True)
                for name, wired in wiring.items()
            },
        )


def real_bench() -> Iterator[Bench]:
    if not REAL_PINS:
        pytest.skip("MISTD_TEST_PINS names no pins")
    wiring = {f"pin-{pin}": OutputPin(pin=int(pin), is_active_high=True) for pin in REAL_PINS.split(",")}
    yield Bench(make=lambda: GpioOutputs(wiring, "lgpio"), seen_open=None)


BENCHES: dict[str, Callable[[Path], Iterator[Bench]]] = {
    "simulated": simulated_bench,
    "mock, active high": lambda _: mock_bench(pins(is_active_high=True)),
    "mock, active low": lambda _: mock_bench(pins(is_active_high=False)),
    "recording lgpio, active high": lambda _: recording_bench(pins(is_active_high=True)),
    "recording lgpio, active low": lambda _: recording_bench(pins(is_active_high=False)),
    "real pins": lambda _: real_bench(),
}


@pytest.fixture(params=BENCHES)
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    yield from BENCHES[request.param](tmp_path)


@pytest.mark.parametrize("check", CHECKS_OF_ONE_OWNER)
def test_lines_keep_the_contract(bench: Bench, check: Callable[[Lines], None]) -> None:
    check(bench.make())


def test_lines_have_one_owner(bench: Bench) -> None:
    """In one process; gpiozero's book of pins in use sees to it there, flock for the simulated ones."""
    lines_contract.check_second_owner_is_refused(bench.make)


def test_lines_are_shut_when_released(bench: Bench) -> None:
    if bench.seen_open is None:
        pytest.skip("a real pin that was let go cannot be read without claiming it again")
    lines_contract.check_release_shuts(bench.make(), bench.seen_open)


@dataclass(slots=True)
class RecordingLines:
    """Lines in memory that keep the contract, but for the faults they are given."""

    world: dict[str, bool]
    owners: list["RecordingLines"]
    faults: set[str] = field(default_factory=set)

    def claim(self) -> None:
        if self.owners and "takes what is held" not in self.faults:
            raise LinesError("held")
        self.owners.append(self)
        self.world.update(dict.fromkeys(self.world, "opens at claim" in self.faults))

    def drive(self, line: str, *, is_open: bool) -> None:
        if self not in self.owners and "drives when released" not in self.faults:
            raise LinesError("not held")
        if line not in self.world and "drives the unknown" not in self.faults:
            raise LinesError("unknown")
        is_toggled = "toggles" in self.faults and not is_open
        self.world[line] = not self.world[line] if is_toggled else is_open
        if "drives its neighbour too" in self.faults:
            self.world.update(dict.fromkeys(self.world, is_open))

    def read_back(self) -> Mapping[str, bool]:
        if self not in self.owners and "reads when released" not in self.faults:
            raise LinesError("not held")
        return dict(self.world)

    def release(self) -> None:
        if self not in self.owners:
            if "minds a second release" in self.faults:
                raise LinesError("not held")
            return
        self.owners.remove(self)
        if "leaves open at release" not in self.faults:
            self.world.update(dict.fromkeys(self.world, False))


def run_contract(*faults: str) -> None:
    """Every check of the contract, each on new lines with these faults."""
    for check in CHECKS_OF_ONE_OWNER:
        check(RecordingLines({"one": False, "two": False}, [], set(faults)))
    world, owners = {"one": False, "two": False}, list[RecordingLines]()
    lines_contract.check_second_owner_is_refused(lambda: RecordingLines(world, owners, set(faults)))
    world = {"one": False, "two": False}
    lines_contract.check_release_shuts(RecordingLines(world, [], set(faults)), lambda: dict(world))


def test_the_contract_passes_lines_without_a_fault() -> None:
    run_contract()


@pytest.mark.parametrize(
    "fault",
    [
        "opens at claim",
        "takes what is held",
        "drives when released",
        "drives the unknown",
        "toggles",
        "drives its neighbour too",
        "reads when released",
        "minds a second release",
        "leaves open at release",
    ],
)
def test_the_contract_finds(fault: str) -> None:
    """Or its checks would be worth nothing on the real ones."""
    with pytest.raises((AssertionError, LinesError, pytest.fail.Exception)):
        run_contract(fault)
