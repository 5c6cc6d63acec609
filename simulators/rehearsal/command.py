"""`mistd-sim rehearse`: houses' files over the same weather and seed in a simulated house.

Answers for: what is asked, checked whole before anything runs; progress; the table, and the files where they
are asked for. Does not know how a house is run or what counts as dry. Nothing real is driven, whatever
outputs a house's file names.

Exit codes: 0 done; 1 refused, or it failed; 2 what was asked is wrong; 130 stopped by Ctrl-C.
"""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import click

from mistd.app.command_parts import REFUSED, WRONG, fail, quiet_at_closed_pipe
from mistd.app.config import Config
from mistd.app.problems import printable
from mistd.app.sun import NoSunriseError
from mistd.app.version import VERSION
from simulators.rehearsal.asked import Asked, PlanError, Planned, planned
from simulators.rehearsal.files import REPORT, RESULT, result_text, write_whole
from simulators.rehearsal.result import HouseRun, Rehearsal
from simulators.rehearsal.table import table, wrapped

if TYPE_CHECKING:
    from simulators.plant.weather import Weather

STOPPED = 130  # as shells tell of a command that Ctrl-C ended
NEEDED_PACKAGES = ("numpy", "pvlib", "matplotlib")
BAR_LENGTH = 1000  # of one configuration
LINES_PER_RUN = 10
Said = Callable[[int, float], None]  # which configuration, and the share of it that is done


class Rehearsed(Protocol):
    """Runs one configuration; says now and then which share is done."""

    def __call__(
        self,
        config: Config,
        weather: "Weather",
        *,
        label: str,
        seed: int,
        first_day: date,
        last_day: date,
        said: Callable[[float], None] | None,
    ) -> HouseRun: ...


def real_house() -> Rehearsed:
    """The simulated house; or the end where packages for it are missing."""
    missing = [name for name in NEEDED_PACKAGES if find_spec(name) is None]
    if missing:
        fail(REFUSED, f"not installed here: {', '.join(missing)}; pip install 'mistd[demo]' brings them")
    from simulators.rehearsal.engine import rehearsed  # noqa: PLC0415 - it brings numpy

    return rehearsed


file_kind = click.Path(path_type=Path, readable=False)


@click.command()
@click.argument("house", type=file_kind, metavar="HOUSE")
@click.option(
    "--weather",
    type=file_kind,
    metavar="FILE",
    help="Weather by the hour or finer: TMY3, TMY2, EPW or CSV. Left out: a typical year of Greensboro.",
)
@click.option(
    "--from", "from_day", metavar="DATE", help="First day, as 2025-03-01. Left out: the weather's first."
)
@click.option("--to", "to_day", metavar="DATE", help="Last day, included. Left out: the weather's last.")
@click.option(
    "--against",
    type=file_kind,
    multiple=True,
    metavar="OTHER",
    help="Another house's file, to compare with HOUSE over the same weather. May be given several times.",
)
@click.option(
    "--out",
    type=file_kind,
    metavar="DIR",
    help=f"Where to write {RESULT} and {REPORT}. Left out: only the table is told.",
)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Of the instruments.")
@click.option("--year", type=click.IntRange(1900, 2200), help="How to date a typical year.")
@click.pass_obj
def rehearse(
    rehearsed: Rehearsed | None,
    house: Path,
    weather: Path | None,
    from_day: str | None,
    to_day: str | None,
    against: tuple[Path, ...],
    out: Path | None,
    seed: int,
    year: int | None,
) -> None:
    """Run the house in HOUSE through real weather, simulated, and tell how the cuttings fared."""
    asked = Asked(
        houses=(house, *against),
        weather=weather,
        from_day=from_day,
        to_day=to_day,
        out=out,
        seed=seed,
        year=year,
    )
    try:
        run_asked(asked, rehearsed or real_house())
    except KeyboardInterrupt:
        fail(STOPPED, "stopped before the end; nothing was written")


def run_asked(asked: Asked, rehearsed: Rehearsed) -> None:
    """Check, run, tell and write; or the end with what is wrong."""
    try:
        plan = planned(asked)
    except PlanError as problem:
        fail(WRONG if problem.is_wrong else REFUSED, str(problem))
    for remark in plan.remarks:
        click.echo("\n".join(wrapped(remark)))
    rehearsal = _rehearsal(plan, asked.seed, rehearsed)
    with quiet_at_closed_pipe():
        click.echo("\n".join(table(rehearsal)))
    if asked.out:
        _write(asked.out, rehearsal)


def _rehearsal(plan: Planned, seed: int, rehearsed: Rehearsed) -> Rehearsal:
    runs = []
    with _progress(plan.labels) as said:
        for index, (label, config) in enumerate(zip(plan.labels, plan.configs, strict=True)):
            try:
                run = rehearsed(
                    config,
                    plan.weather,
                    label=label,
                    seed=seed,
                    first_day=plan.first_day,
                    last_day=plan.last_day,
                    said=_of(index, said),
                )
            except NoSunriseError as problem:
                fail(REFUSED, f"{label}: where the weather was measured the day has no parts: {problem}")
            runs.append(run)
    return Rehearsal(
        version=VERSION,
        weather=plan.weather_name,
        weather_notes=tuple(plan.weather.notes),
        first_day=plan.first_day,
        last_day=plan.last_day,
        seed=seed,
        runs=tuple(runs),
    )


def _of(index: int, said: Said) -> Callable[[float], None]:
    return lambda share: said(index, share)


@contextmanager
def _progress(labels: Sequence[str]) -> Iterator[Said]:
    """Tell how far it is, on standard error: a bar on a terminal, a line now and then elsewhere."""
    if not sys.stderr.isatty():
        yield _lines(labels)
        return
    whole = BAR_LENGTH * len(labels)
    with click.progressbar(length=whole, label="rehearsing", file=sys.stderr, show_pos=False) as bar:

        def said(index: int, share: float) -> None:
            bar.update(round(BAR_LENGTH * (index + share)) - bar.pos)

        yield said


def _lines(labels: Sequence[str]) -> Said:
    told: dict[int, int] = {}

    def said(index: int, share: float) -> None:
        tenths = int(share * LINES_PER_RUN)
        if tenths > told.get(index, 0):
            told[index] = tenths
            click.echo(f"{labels[index]}: {tenths * 100 // LINES_PER_RUN} % done", err=True)

    return said


def _write(directory: Path, rehearsal: Rehearsal) -> None:
    from simulators.rehearsal.report import report  # noqa: PLC0415 - it brings matplotlib

    click.echo("drawing the report", err=True)
    texts = {RESULT: result_text(rehearsal), REPORT: report(rehearsal)}
    try:
        files = write_whole(directory, texts)
    except OSError as problem:
        fail(REFUSED, f"{directory} cannot be written to: {problem.strerror}; nothing was written")
    with quiet_at_closed_pipe():
        for file in files:
            click.echo(printable(f"written: {file}"))
