"""What every command of the command line has in common: its options, how it asks, how it ends.

Exit codes: 0 done; 1 refused, or it failed; 2 the command or the configuration is wrong; 3 nobody answers.
"""

import asyncio
import os
import sys
from collections.abc import Coroutine, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from mistd.app.config import Config
from mistd.app.config_file import load_config
from mistd.app.messages import LONGEST_ASKED_S
from mistd.app.problems import ConfigError, printable
from mistd.app.spoken import UnclearError, length_s

REFUSED, WRONG, NOBODY = 1, 2, 3
Result = TypeVar("Result")
house_option = click.option(
    "--house",
    "file",
    type=click.Path(path_type=Path, readable=False),
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


def zone_problems(config: Config, zone: str) -> Iterator[str]:
    """What is wrong with the name of a zone."""
    names = [each.name for each in config.zones]
    if zone not in names:
        yield f"there is no zone {zone!r}; zones: {', '.join(names)}"


def ask(
    file: Path, what: str, request: dict[str, Any], author: str | None, problems: Sequence[str] = ()
) -> None:
    """Ask the daemon for something and tell its answer.

    Args:
        file: the house's file.
        what: is asked for.
        request: its content, without author.
        author: who asks; None: whoever is logged in.
        problems: what is known to be wrong with it; told together with whatever else is.
    """
    from mistd.app import remote  # noqa: PLC0415 - commands load only what they need

    config = loaded(file)
    message = {**request, "author": author or _user()}
    wrong = [*problems, *remote.problems_of_request(what, message)]
    if wrong:
        fail(WRONG, "\n".join(wrong))
    answer = over_the_broker(remote.ask(config, what, message))
    if answer is None:
        fail(
            NOBODY,
            f"no answer in {remote.ANSWER_WITHIN_S:.0f} s: the daemon hangs or the broker keeps it from us",
        )
    said = printable(f"{answer.outcome.replace('_', ' ')}: {answer.reason}")
    click.echo(said, err=answer.outcome != "done")
    sys.exit(0 if answer.outcome == "done" else REFUSED)


def _user() -> str:
    import getpass  # noqa: PLC0415

    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "command line"


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
    """A length of time that is asked for in words, or the end.

    >>> seconds("45m")
    2700.0
    """
    try:
        found = length_s(length)
    except UnclearError as problem:
        fail(WRONG, str(problem))
    if found > LONGEST_ASKED_S:
        fail(
            WRONG, f"{length!r} is too long to ask for; the house tells its own limit for anything up to 24h"
        )
    return found


@contextmanager
def quiet_at_closed_pipe() -> Iterator[None]:
    """Whoever read what we print has enough: end without a word, as if all had been read."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
