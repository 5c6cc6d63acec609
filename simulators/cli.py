"""The bench's command line: `mistd-sim demo`, and the parts it is made of."""

import asyncio
import os
import signal
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import click

from mistd.app.cli import REFUSED, WRONG, fail, loaded, run_house
from mistd.app.config import Config
from mistd.app.wiring import Surroundings
from simulators.bench_clock import scaled_clock
from simulators.rehearsal.command import rehearse
from simulators.scaled_time import ScaledTimeLoop

STATE_FILES = ("state.db*", "last-good.*", "tail.jsonl", "outputs.sim")  # of an earlier demo
KEEPER_MODULE = "simulators.bench_keeper"


@click.group()
def main() -> None:
    """A propagation house on the bench: everything simulated, nothing moves water."""


main.add_command(rehearse)


@main.command()
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@click.option("--speed", type=click.FloatRange(0.1, 600), default=60.0, show_default=True)
@click.option("--hour", type=click.FloatRange(0, 24, max_open=True), default=9.0, show_default=True)
@click.option("--month", type=click.IntRange(1, 12), default=6, show_default=True)
@click.option("--day", type=click.IntRange(1, 31), default=30, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True)
@click.option(
    "--for",
    "for_s",
    type=click.FloatRange(min=1),
    default=None,
    help="End by itself after so many real seconds.",
)
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Write the last page there, as SVG."
)
def demo(
    file: Path,
    speed: float,
    hour: float,
    month: int,
    day: int,
    seed: int,
    for_s: float | None,
    picture: Path | None,
) -> None:
    """Watch the simulated house in FILE being misted by the real daemon, from a typical day's HOUR on."""
    from simulators.broker import is_listening  # noqa: PLC0415
    from simulators.demo import Demo, Stage, starts_at  # noqa: PLC0415
    from simulators.plant.weather import typical_year_day  # noqa: PLC0415

    config = simulated(file)
    if is_listening(config.broker.port):
        fail(REFUSED, f"port {config.broker.port} is taken: end what uses it, or name another in {file}")
    directory = Path(config.state.directory)
    directory.mkdir(parents=True, exist_ok=True)
    for name in STATE_FILES:
        for left in directory.glob(name):
            left.unlink()
    try:
        weather = typical_year_day(month=month, day=day, days=14, repeats=True)
    except ValueError as problem:
        raise click.UsageError(str(problem)) from None
    stage = Stage(
        config=config,
        house_file=file,
        directory=directory,
        clock=scaled_clock(speed, None, starts_at(weather, hour)),
        weather=weather,
        weather_starts_s=hour * 3600.0,
        seed=seed,
    )
    player = Demo(stage, is_terminal=sys.stdout.isatty(), picture_file=picture)
    sys.exit(asyncio.run(_until_stopped(player.run, for_s)))


async def _until_stopped(run: Callable[["asyncio.Future[str]"], object], for_s: float | None) -> int:
    loop = asyncio.get_running_loop()
    stop: asyncio.Future[str] = loop.create_future()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, _give, stop)
    if for_s is not None:
        loop.call_later(for_s, _give, stop)
    return await run(stop)  # type: ignore[misc, no-any-return]


def _give(stop: "asyncio.Future[str]") -> None:
    if not stop.done():
        stop.set_result("asked to end")


@main.command()
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@click.option("--speed", type=float, default=1.0)
@click.option("--epoch", type=float, default=None, help="Monotonic seconds at which the house's time began.")
@click.option(
    "--starts-at", type=datetime.fromisoformat, required=True, help="The house's time then, with offset."
)
def house(file: Path, speed: float, epoch: float | None, starts_at: datetime) -> None:
    """Run the real daemon on FILE, by a clock of the bench's own. Only for simulated outputs."""
    config = simulated(file)
    clock = scaled_clock(speed, epoch, starts_at)
    around = Surroundings(
        clock=clock,
        boot_id="bench",
        keeper_command=(sys.executable, "-m", KEEPER_MODULE, repr(speed), repr(clock.seconds.epoch_s)),
        bench=clock.bench(),
        speed=speed,
    )

    def loop() -> asyncio.AbstractEventLoop:
        scaled = ScaledTimeLoop(speed, clock.seconds.epoch_s)
        _end_with_parent(scaled)
        return scaled

    sys.exit(run_house(config, lambda: around, "info", loop))


def simulated(file: Path) -> Config:
    """The configuration of a house without real valves, or the end."""
    config = loaded(file)
    if config.outputs.driver != "simulated":
        fail(WRONG, f"{file}: outputs are {config.outputs.driver}; the bench drives simulated ones only")
    return config


@main.command()
@click.option("--port", type=int, required=True)
def broker(port: int) -> None:
    """Run the embedded broker, on the loopback only."""
    from simulators.broker import serve  # noqa: PLC0415

    async def served() -> None:
        loop = asyncio.get_running_loop()
        stop: asyncio.Future[str] = loop.create_future()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, _give, stop)
        _end_with_parent(loop)
        await serve(port, stop)

    asyncio.run(served())


def _end_with_parent(loop: asyncio.AbstractEventLoop) -> None:
    """End when standard input closes: nobody is left who could end us. A terminal is left alone."""
    if sys.stdin is not None and not sys.stdin.isatty():
        loop.add_reader(sys.stdin.fileno(), _parent_spoke, loop)


def _parent_spoke(loop: asyncio.AbstractEventLoop) -> None:
    if not os.read(sys.stdin.fileno(), 1024):
        loop.remove_reader(sys.stdin.fileno())
        signal.raise_signal(signal.SIGTERM)


if __name__ == "__main__":
    main()
