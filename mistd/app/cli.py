"""The command line: `mistd check`, `run` and `shut` on the machine itself, the others over the broker.

Exit codes: 0 done; 1 refused, or it failed; 2 the command or the configuration is wrong; 3 nobody answers.
"""

import asyncio
import os
import signal
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from mistd.app.cli_alarms import alarm, alarms
from mistd.app.cli_records import export, journal, why
from mistd.app.cli_settings import set_setting, settings, undo
from mistd.app.command_parts import (
    NOBODY,
    REFUSED,
    WRONG,
    as_option,
    ask,
    fail,
    house_option,
    loaded,
    over_the_broker,
    quiet_at_closed_pipe,
    seconds,
)
from mistd.app.config import Config
from mistd.app.last_good import Origin, runnable
from mistd.app.problems import ConfigError
from mistd.app.version import VERSION

__all__ = ["NOBODY", "REFUSED", "WRONG", "fail", "loaded", "main", "run_house", "seconds"]

house_file = click.argument("file", type=click.Path(path_type=Path, readable=False), metavar="FILE")
state_option = click.option(
    "--state-directory",
    type=click.Path(path_type=Path, readable=False),
    default=None,
    help="Where to look for the last good configuration when FILE has gone bad; else as FILE says, then in "
    "STATE_DIRECTORY and /var/lib/mistd.",
)


def runnable_or_end(file: Path, state_directory: Path | None) -> tuple[Config, Origin]:
    """The configuration, or the last good one in its place, which is told; or the end."""
    try:
        config, origin = runnable(file, state_directory)
    except ConfigError as problem:
        fail(WRONG, str(problem))
    if origin.told:
        click.echo(origin.told, err=True)
    return config, origin


@click.group()
@click.version_option(VERSION, prog_name="mistd")
def main() -> None:
    """Keeps the water film on unrooted cuttings.

    mistd claims no safety rating: relief valves, earth-leakage protection, float switches and backflow
    prevention stay in place and work with this computer removed.
    """


for command in (set_setting, settings, undo, why, journal, export, alarms, alarm):
    main.add_command(command)


@main.command()
@house_file
def check(file: Path) -> None:
    """Tell every problem of a house's FILE, or what the house looks like."""
    from mistd.app.summary import summary  # noqa: PLC0415 - commands load only what they need

    config = loaded(file)
    click.echo(summary(config, today(config)))


def today(config: Config) -> Any:
    """The local date at the house."""
    from zoneinfo import ZoneInfo  # noqa: PLC0415

    from mistd.app.wiring import wall_time  # noqa: PLC0415

    return wall_time().astimezone(ZoneInfo(config.place.time_zone)).date()


@main.command()
@house_file
@click.option("--log-level", type=click.Choice(["debug", "info", "warning", "error"]), default="info")
@state_option
def run(file: Path, log_level: str, state_directory: Path | None) -> None:
    """Control the house in FILE until told to stop.

    When FILE has gone bad the configuration that last ran by it runs in its place, and says so.
    """
    from mistd.app.wiring import machine  # noqa: PLC0415

    config, origin = runnable_or_end(file, state_directory)
    sys.exit(run_house(config, machine, log_level, asyncio.new_event_loop, origin))


def run_house(
    config: Config,
    surroundings: Callable[[], Any],
    log_level: str,
    loop_factory: Callable[[], asyncio.AbstractEventLoop],
    origin: Origin | None = None,
) -> int:
    """Run a house in this process; return the exit code.

    Its configuration is kept as the last good one when its origin is given.
    """
    import structlog  # noqa: PLC0415

    from mistd.app.log_setup import start_logging  # noqa: PLC0415
    from mistd.app.only_daemon import only_daemon  # noqa: PLC0415
    from mistd.app.wiring import make_run_directory, wired  # noqa: PLC0415
    from mistd.ports.errors import KeeperError  # noqa: PLC0415

    around = surroundings()
    try:
        make_run_directory(config)
    except OSError as problem:
        text = f"run_directory {config.state.run_directory} cannot be made: {problem.strerror}"
        fail(REFUSED, f"{text}; make it, or name another in [state]")
    stream = sys.stdout or Path(os.devnull).open("w")  # noqa: SIM115 - started with its output closed
    logs = start_logging(stream, utc=around.clock.utc, is_terminal=stream.isatty(), level=log_level)

    async def control() -> None:
        stop = asyncio.get_running_loop().create_future()
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            asyncio.get_running_loop().add_signal_handler(number, _asked_to_stop, stop, number)
        daemon = await wired(config, around, structlog.get_logger(), origin)
        await daemon.run(stop)

    try:
        with only_daemon(config), asyncio.Runner(loop_factory=loop_factory) as runner:
            runner.run(control())
    except ConfigError as problem:
        click.echo(str(problem), err=True)
        return WRONG
    except KeeperError as problem:
        click.echo(f"{config.house.name}: {problem}", err=True)
        return REFUSED
    finally:
        logs.close(timeout_s=1.0)
    return 0


def _asked_to_stop(stop: "asyncio.Future[str]", number: int) -> None:
    if not stop.done():
        stop.set_result(f"stopped by {signal.Signals(number).name}")


@main.command()
@house_file
@state_option
def shut(file: Path, state_directory: Path | None) -> None:
    """Shut every valve of the house in FILE, whatever state the daemon is in."""
    from mistd.app.shutting import shut_house  # noqa: PLC0415

    config, _ = runnable_or_end(file, state_directory)
    is_shut, said = shut_house(config)
    if not is_shut:
        fail(REFUSED, said)
    click.echo(said)


@main.command()
@house_option
def status(file: Path) -> None:
    """Show the house as it is now."""
    from mistd.app import remote  # noqa: PLC0415

    config = loaded(file)
    page, is_there = over_the_broker(remote.status(config))
    for line in page:
        click.echo(line)
    sys.exit(0 if is_there else NOBODY)


@main.command()
@house_option
def watch(file: Path) -> None:
    """Show the house as it goes on: a live page on a terminal, a line for each event elsewhere."""
    from mistd.app import remote  # noqa: PLC0415

    config = loaded(file)
    try:
        with quiet_at_closed_pipe():
            over_the_broker(remote.watch(config, is_terminal=sys.stdout.isatty()))
    except KeyboardInterrupt:
        sys.exit(0)


@main.command()
@click.argument("zone")
@click.option(
    "--for", "length", default=None, metavar="LENGTH", help="How long, such as 5s; else the cycle's."
)
@house_option
@as_option
def burst(zone: str, length: str | None, file: Path, author: str | None) -> None:
    """One burst in ZONE now."""
    for_s = None if length is None else seconds(length)
    ask(file, "burst", {"zone": zone, **({} if for_s is None else {"for_s": for_s})}, author)


@main.command()
@click.argument("zone")
@click.option(
    "--for", "length", default="30m", show_default=True, metavar="LENGTH", help="Such as 45m or 1h."
)
@click.option("--note", default="", help="Why, for whoever reads it.")
@house_option
@as_option
def hold(zone: str, length: str, note: str, file: Path, author: str | None) -> None:
    """Keep ZONE dry while people work in it. Ends by itself; isolate by hand before working on a nozzle."""
    ask(file, "hold", {"zone": zone, "for_s": seconds(length), "note": note}, author)


@main.command()
@click.argument("zone")
@house_option
@as_option
def release(zone: str, file: Path, author: str | None) -> None:
    """End a hold of ZONE before its time."""
    ask(file, "release", {"zone": zone}, author)


def utc_now() -> datetime:
    """Wall time, for the instant a request is issued."""
    from mistd.app.wiring import wall_time  # noqa: PLC0415

    return wall_time().astimezone(UTC)
