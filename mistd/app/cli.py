"""The command line: `mistd check`, `run` and `shut` on the machine itself, the others over the broker.

Exit codes: 0 done; 1 refused, or it failed; 2 the command or the configuration is wrong; 3 nobody answers.
"""

import asyncio
import os
import signal
import sys
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from mistd.app.config import Config
from mistd.app.config_file import load_config
from mistd.app.messages import LONGEST_ASKED_S
from mistd.app.problems import ConfigError, printable
from mistd.app.version import VERSION

REFUSED, WRONG, NOBODY = 1, 2, 3
Result = TypeVar("Result")
house_file = click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
house_option = click.option(
    "--house",
    "file",
    type=click.Path(path_type=Path),
    envvar="MISTD_HOUSE",
    default=Path("/etc/mistd/house.toml"),
    show_default=True,
    help="The house's TOML file, for its name and broker. Also from MISTD_HOUSE.",
)
as_option = click.option("--as", "author", default=None, help="Who asks, for the record.")


def fail(code: int, text: str) -> NoReturn:
    """End with a message for the grower."""
    click.echo(text, err=True)
    sys.exit(code)


def loaded(file: Path) -> Config:
    """The configuration, or the end."""
    try:
        return load_config(file)
    except ConfigError as problem:
        fail(WRONG, str(problem))


@click.group()
@click.version_option(VERSION, prog_name="mistd")
def main() -> None:
    """Keeps the water film on unrooted cuttings.

    mistd claims no safety rating: relief valves, earth-leakage protection, float switches and backflow
    prevention stay in place and work with this computer removed.
    """


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
def run(file: Path, log_level: str) -> None:
    """Control the house in FILE until told to stop."""
    from mistd.app.wiring import machine  # noqa: PLC0415

    config = loaded(file)
    sys.exit(run_house(config, machine, log_level, asyncio.new_event_loop))


def run_house(
    config: Config,
    surroundings: Callable[[], Any],
    log_level: str,
    loop_factory: Callable[[], asyncio.AbstractEventLoop],
) -> int:
    """Run a house in this process; return the exit code."""
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
        daemon = await wired(config, around, structlog.get_logger())
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
def shut(file: Path) -> None:
    """Shut every valve of the house in FILE, whatever state the daemon is in."""
    from mistd.app.shutting import shut_house  # noqa: PLC0415

    config = loaded(file)
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
        over_the_broker(remote.watch(config, is_terminal=sys.stdout.isatty()))
    except KeyboardInterrupt:
        sys.exit(0)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


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


def ask(file: Path, what: str, request: dict[str, Any], author: str | None) -> None:
    """Ask the daemon for something and tell its answer."""
    import getpass  # noqa: PLC0415

    from mistd.app import remote  # noqa: PLC0415

    config = loaded(file)
    if author is None:
        try:
            author = getpass.getuser()
        except (OSError, KeyError):
            author = "command line"
    message = {**request, "author": author}
    problems = remote.problems_of_request(what, message)
    if problems:
        fail(WRONG, "\n".join(problems))
    answer = over_the_broker(remote.ask(config, what, message))
    if answer is None:
        fail(
            NOBODY,
            f"no answer in {remote.ANSWER_WITHIN_S:.0f} s: the daemon hangs or the broker keeps it from us",
        )
    said = printable(f"{answer.outcome.replace('_', ' ')}: {answer.reason}")
    click.echo(said, err=answer.outcome != "done")
    sys.exit(0 if answer.outcome == "done" else REFUSED)


def over_the_broker(visit: Coroutine[Any, Any, Result]) -> Result:
    """Run a visit to the broker; when it cannot be reached, say so and end."""
    from mistd.ports.errors import BusError  # noqa: PLC0415

    try:
        return asyncio.run(visit)
    except BusError as problem:
        fail(NOBODY, str(problem))
    except ConfigError as problem:
        fail(WRONG, str(problem))


def seconds(length: str) -> float:
    """A length of time as people write it: 5s, 45m, 1.5h.

    >>> seconds("45m")
    2700.0
    """
    units = {"s": 1.0, "m": 60.0, "h": 3600.0}
    text = length.strip().lower()
    try:
        found = float(text[:-1]) * units[text[-1:]]
    except (ValueError, KeyError):
        found = float("nan")
    if not found > 0.0:
        fail(WRONG, f"{length!r} is no length of time; write it as 5s, 45m or 1.5h, above 0")
    if found > LONGEST_ASKED_S:
        fail(
            WRONG, f"{length!r} is too long to ask for; the house tells its own limit for anything up to 24h"
        )
    return found


def utc_now() -> datetime:
    """Wall time, for the instant a request is issued."""
    from mistd.app.wiring import wall_time  # noqa: PLC0415

    return wall_time().astimezone(UTC)
