"""The commands that explain and look back: `mistd why`, `journal`, `export`.

The journal is in the database of the machine that runs the house; what is told now is on the broker.
"""

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from mistd.app.command_parts import (
    NOBODY,
    REFUSED,
    WRONG,
    fail,
    house_option,
    loaded,
    over_the_broker,
    quiet_at_closed_pipe,
    zone_problems,
)
from mistd.app.config import Config
from mistd.app.problems import printable
from mistd.app.spoken import UnclearError, instant
from mistd.core.almanac import DayPart
from mistd.core.events import EventKind
from mistd.ports.errors import StoreError
from mistd.ports.records import Records, Wanted
from mistd.ports.store import Entry

LAST_ON_A_TERMINAL = 50
STAMP = "%Y-%m-%d %H:%M:%S"


def told(lines: Iterable[str]) -> None:
    """Print lines; text from outside in them was made printable by whoever made them."""
    for line in lines:
        click.echo(line)


def instant_or_none(text: str | None, now: datetime, option: str, problems: list[str]) -> datetime | None:
    """An instant from the command line; what is wrong with it goes to the problems."""
    if text is None:
        return None
    try:
        return instant(text, now)
    except UnclearError as problem:
        problems.append(f"{option}: {problem}")
        return None


def local_now(config: Config) -> datetime:
    """The time at the house: a simulated one may be ahead of ours, as far as its journal goes."""
    from mistd.app.journal_text import instant_of  # noqa: PLC0415 - commands load only what they need
    from mistd.app.wiring import wall_time  # noqa: PLC0415

    now = wall_time()
    with suppress(StoreError):
        now = max([now, *(instant_of(entry) for entry in records(config).journal(Wanted(last=1)))])
    return now.astimezone(ZoneInfo(config.place.time_zone))


def records(config: Config) -> Records:
    from mistd.app.wiring import records_of  # noqa: PLC0415

    return records_of(config)


# --- why


@click.command(short_help="Tell why ZONE misted, why not, and when it will.")
@click.argument("zone")
@click.option(
    "--at",
    "moment",
    default=None,
    metavar="TIME",
    help="A time at the house that is past: 14:30, '2026-06-21 14:30', or 2h for two hours ago. From the "
    "journal, on the machine that runs the house.",
)
@house_option
def why(zone: str, moment: str | None, file: Path) -> None:
    """Tell why ZONE misted last, why it does not now, and when it will; or how it was at a time."""
    config = loaded(file)
    now, problems = local_now(config), list(zone_problems(config, zone))
    at = instant_or_none(moment, now, "--at", problems)
    if at is not None and at.timestamp() > now.timestamp():
        problems.append(f"--at: {moment} lies ahead; without --at the next burst is told that is expected")
    if problems:
        fail(WRONG, "\n".join(problems))
    if at is None:
        _why_now(config, zone)
    else:
        _why_then(config, zone, at)


def _why_then(config: Config, zone: str, at: datetime) -> None:
    from mistd.app.past import past_of  # noqa: PLC0415
    from mistd.app.past_text import said_past  # noqa: PLC0415

    try:
        past = past_of(records(config), zone, config.house.name, at, _sensors_of(config, zone))
    except StoreError as problem:
        fail(REFUSED, no_journal(problem))
    told(said_past(past))


def _sensors_of(config: Config, zone: str) -> tuple[str, ...]:
    """Those that a zone is misted by."""
    from mistd.app.demand_plan import sensors_followed  # noqa: PLC0415

    (section,) = [each for each in config.zones if each.name == zone]
    return sensors_followed(section, config.sensors)


def no_journal(problem: StoreError) -> str:
    """What to do when the record cannot be read here."""
    where = "the journal is on the machine that runs the house, and readable there by the daemon's user"
    return printable(f"no journal can be read here: {problem}; {where}")


def _why_now(config: Config, zone: str) -> None:
    from mistd.app import remote  # noqa: PLC0415
    from mistd.app.past import past_of  # noqa: PLC0415
    from mistd.app.why import Present, why_now  # noqa: PLC0415

    picture = over_the_broker(remote.picture_of(config))
    if picture.house is None or zone not in picture.zones:
        fail(NOBODY, f"nothing is told of {zone} on this broker; is the daemon running?")
    now = remote.house_now(config, picture)
    try:
        past = past_of(records(config), zone, config.house.name, now, _sensors_of(config, zone))
    except StoreError:
        past = None
    present = Present(
        zone=picture.zones[zone],
        house=picture.house,
        settings=picture.settings.get(zone),
        is_online=picture.is_online,
        now=now,
        begins=_parts_to_come(config, now),
        past=past,
    )
    told(why_now(present))
    sys.exit(0 if picture.is_online else NOBODY)


def _parts_to_come(config: Config, now: datetime) -> list[tuple[datetime, DayPart]]:
    """The next parts of the day and when they begin, in UTC; none where the sun does not rise."""
    from mistd.app.house_plan import place_of  # noqa: PLC0415
    from mistd.app.sun import NoSunriseError, sun_day  # noqa: PLC0415

    place = place_of(config.place, config.day_parts)
    try:
        days = [sun_day(place, now.date() + timedelta(days=shift)) for shift in (-1, 0, 1)]
    except (NoSunriseError, OverflowError):
        return []
    begins = [(at.astimezone(UTC), part) for day in days for at, part in day.begins]
    return sorted(each for each in begins if each[0] > now.astimezone(UTC))


# --- journal


@click.command(short_help="Tell what happened and why.")
@click.option("--zone", "zones", multiple=True, metavar="ZONE", help="Only of this; may be given again.")
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    metavar="KIND",
    help="Only such lines, as burst_ended or 'alarm_*'; may be given again.",
)
@click.option("--since", default=None, metavar="TIME", help="14:30, 2026-06-21, '2026-06-21 14:30' or 2h.")
@click.option("--until", default=None, metavar="TIME", help="Likewise; that instant is not included.")
@click.option(
    "--last",
    type=click.IntRange(min=1),
    default=None,
    metavar="N",
    help=f"Only the newest N lines; {LAST_ON_A_TERMINAL} on a terminal when nothing says from when.",
)
@click.option(
    "--csv",
    "is_csv",
    is_flag=True,
    help="CSV, every line whole. A text that a spreadsheet would take for a formula has an apostrophe before "
    "it, and so has one that begins with an apostrophe.",
)
@click.option("--json", "is_json", is_flag=True, help="JSON lines, every line whole and exact.")
@house_option
def journal(
    zones: Sequence[str],
    kinds: Sequence[str],
    since: str | None,
    until: str | None,
    last: int | None,
    is_csv: bool,
    is_json: bool,
    file: Path,
) -> None:
    """Tell what happened and why, oldest first; on the machine that runs the house.

    A zone's lines are told by --zone ZONE, those of the house as a whole (frost, the keeper, the daemon) by
    the house's own name, those of a sensor by the sensor's.
    """
    config = loaded(file)
    is_cut = last is None and since is None and not (is_csv or is_json) and sys.stdout.isatty()
    try:
        known, newest = records(config), LAST_ON_A_TERMINAL if is_cut else last
        wanted, problems = _wanted(config, known, zones, kinds, since, until, newest)
        if is_csv and is_json:
            problems.append("either --csv or --json")
        if problems:
            fail(WRONG, "\n".join(problems))
        with quiet_at_closed_pipe():
            _write(known.journal(wanted), config, "csv" if is_csv else "json" if is_json else "text")
    except StoreError as problem:
        fail(REFUSED, no_journal(problem))
    if is_cut:
        click.echo(f"the newest {LAST_ON_A_TERMINAL} at most; more by --last N or --since TIME", err=True)


def _wanted(
    config: Config,
    known: Records,
    zones: Sequence[str],
    kinds: Sequence[str],
    since: str | None,
    until: str | None,
    last: int | None,
) -> tuple[Wanted, list[str]]:
    from mistd.app.recording import stamp  # noqa: PLC0415

    now, problems = local_now(config), list[str]()
    begins = instant_or_none(since, now, "--since", problems)
    ends = instant_or_none(until, now, "--until", problems)
    if begins and ends and begins.timestamp() >= ends.timestamp():
        problems.append(f"nothing lies between {begins:{STAMP}} and {ends:{STAMP}}")
    kinds = [each for kind in kinds for each in _kinds_meant(kind)]
    problems += [*_unknown_zones(config, known, zones), *_unknown_kinds(known, kinds)]
    wanted = Wanted(
        since=stamp(begins) if begins else None,
        until=stamp(ends) if ends else None,
        subjects=tuple(zones),
        kinds=tuple(kinds),
        last=last,
    )
    return wanted, problems


def _unknown_zones(config: Config, known: Records, zones: Sequence[str]) -> Iterator[str]:
    """What is neither in the file nor in the journal; to name what is there the journal is read through."""
    zone_names = [zone.name for zone in config.zones]
    named = [config.house.name, *zone_names, *(sensor.name for sensor in config.sensors)]
    unknown = [
        zone
        for zone in zones
        if zone not in named and not any(known.journal(Wanted(subjects=(zone,), last=1)))
    ]
    if unknown:
        subjects = dict.fromkeys([*named, *sorted({entry.subject for entry in known.journal(Wanted())})])
        there = printable(", ".join(subjects))
        yield from (f"nothing is known of {zone!r}; known: {there}" for zone in unknown)


def _kinds_meant(words: str) -> list[str]:
    """A kind as it is written in the journal; `alarm_*` is every kind that begins so."""
    kind = words.strip().lower().replace(" ", "_").replace("-", "_")
    begin, is_any, after = kind.partition("*")
    meant = [each.value for each in EventKind if each.startswith(begin)] if is_any and not after else []
    return meant or [kind]


def _unknown_kinds(known: Records, kinds: Sequence[str]) -> Iterator[str]:
    for kind in kinds:
        if kind not in set(EventKind) and not any(known.journal(Wanted(kinds=(kind,), last=1))):
            yield f"no line is of the kind {kind!r}; kinds: {', '.join(EventKind)}"


def _write(entries: Iterable[Entry], config: Config, form: str) -> None:
    """Write each entry as it comes; on a terminal nothing may move the cursor."""
    from mistd.app.journal_files import csv_lines, json_lines  # noqa: PLC0415
    from mistd.app.journal_text import readable_lines  # noqa: PLC0415

    time_zone = ZoneInfo(config.place.time_zone)
    if form == "json":
        lines = json_lines(entries)
    elif form == "csv":
        lines = csv_lines(entries, time_zone)
        if sys.stdout.isatty():
            lines = (printable(line.rstrip("\r\n")) + "\n" for line in lines)
    else:
        lines = (line + "\n" for line in readable_lines(entries, time_zone))
    for line in lines:
        sys.stdout.write(line)


# --- export


@click.command(short_help="Print the house's file with what is in force.")
@click.option(
    "--output",
    type=click.Path(path_type=Path, readable=False),
    default=None,
    metavar="FILE",
    help="A new file to write; else it is printed.",
)
@house_option
def export(output: Path | None, file: Path) -> None:
    """Print the house's file with the timetables in force, and what else is set as remarks."""
    from mistd.app.exporting import NothingKnownError, exported_file  # noqa: PLC0415

    config = loaded(file)
    try:
        text, source = over_the_broker(exported_file(config, file))
    except NothingKnownError as problem:
        fail(NOBODY, printable(str(problem)))
    if output is None:
        with quiet_at_closed_pipe():
            sys.stdout.write(text)
    else:
        _write_new(output, text)
    click.echo(printable(f"as in force by {source}"), err=True)


def _write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet: the house's own is not overwritten by a slip."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        fail(REFUSED, printable(f"{path} is there already; name a new file, and put it in place by hand"))
    except OSError as problem:
        fail(REFUSED, printable(f"{path} cannot be written: {problem.strerror}"))
