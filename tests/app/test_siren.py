"""A siren in the whole daemon: what fails in it is told, and the house is misted on."""

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from mistd.app.config import Config
from mistd.app.wiring import keeper_spec, machine, wired
from simulators.rig import RecordingLog
from tests.app.house_files import loaded_house, set_to, several
from tests.broker import free_port
from tests.keeper.bench import WITHIN_S, BenchKeeper, run_directory

pytestmark = pytest.mark.real_time


def house(place: Path) -> Config:
    """The good house with simulated outputs, a siren and nobody listening on its broker's port."""
    here = several(
        set_to("outputs", {"driver": "simulated"}),
        set_to("siren", {}),
        set_to("state", {"directory": str(place), "run_directory": str(place)}),
        set_to("broker.port", free_port()),
    )
    return loaded_house(place, here)


@dataclass(slots=True)
class House:
    """A daemon that runs, the keeper it speaks with, and its log."""

    bench: BenchKeeper
    log: RecordingLog

    def logged(self, event: str) -> list[str]:
        return [line["reason"] for line in self.log.lines if line["event"] == event]

    async def until(self, is_so: Callable[[], bool], what: str) -> None:
        deadline_s = time.monotonic() + WITHIN_S
        while not is_so():
            assert time.monotonic() < deadline_s, f"not within {WITHIN_S} s: {what}; log: {self.log.lines}"
            await asyncio.sleep(0.01)


async def lived(config: Config, bench: BenchKeeper) -> House:
    """The daemon on a keeper of this process, until it has told of the siren and is in charge."""
    here = House(bench, RecordingLog())
    around = replace(machine(), keeper_command=("/nonexistent/keeper",))
    daemon = await wired(config, around, here.log)
    stop: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    running = asyncio.create_task(daemon.run(stop))
    try:
        await here.until(lambda: bool(here.logged("siren trouble")), "told of the siren")
        await here.until(lambda: bool(here.logged("keeper ready")), "in charge")
    finally:
        stop.set_result("the test is over")
        await running
    return here


def test_a_siren_that_fails_is_told_as_its_own_trouble_and_the_keeper_stays() -> None:
    with run_directory() as place:
        config = house(place)
        with BenchKeeper(keeper_spec(config)) as bench:
            bench.signals.is_held_elsewhere = True

            here = asyncio.run(lived(config, bench))

    assert here.logged("siren trouble") == [
        "the siren: it does not switch off: held by another program; look at it, misting goes on"
    ]
    assert here.logged("line trouble") == here.logged("keeper lost") == []
    assert here.logged("daemon stopped") == ["the test is over; every valve is shut"]
