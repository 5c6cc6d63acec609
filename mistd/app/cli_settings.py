"""The commands that set things and tell what is set: `mistd set`, `settings`, `undo`.

Setting goes over the broker alone. The history is taken from the database where this machine has it: it knows
every change, the broker only the newest.
"""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from mistd.app.command_parts import (
    NOBODY,
    WRONG,
    as_option,
    ask,
    fail,
    house_option,
    loaded,
    over_the_broker,
    quiet_at_closed_pipe,
    zone_problems,
)
from mistd.app.config import Config
from mistd.app.cycle_words import POINTS
from mistd.app.messages import SettingTold
from mistd.app.setting_words import worded
from mistd.app.spoken import UnclearError, whole_number
from mistd.core.demand_cycles import CycleKind
from mistd.core.settings import SettingKind

note_option = click.option("--note", default="", help="Why, for whoever reads it.")
EXAMPLES = """\b
mistd set door-left timetable day=6s/8m night=off   burst/gap; parts left out stay
mistd set door-left cycle film --dry-back 40%       by its leaves; or vpd, leaf_wetness, timed
mistd set door-left trim -20% --for 2d              more or less water for a while
mistd set door-left hold --for 45m                  no water, for people at work
mistd set door-left closed --for 12h                nobody may enter; mist goes on
mistd set door-left skip                            the next burst is left out
mistd set door-left trim none                       none, or what the house's file says"""
Command = TypeVar("Command", bound=Callable[..., Any])


def cycle_options(command: Command) -> Command:
    """The set points of a cycle, each an option of its own; left out is as usual for the cycle."""
    for name, (_, _, words) in reversed(list(POINTS.items())):
        command = click.option(f"--{name}", default=None, metavar=name.upper(), help=words)(command)
    return command


A_LEADING_MINUS = {"ignore_unknown_options": True}  # -20% is a word here; what is no option is told as one


@click.command(
    name="set", context_settings=A_LEADING_MINUS, short_help="Set something of ZONE.", epilog=EXAMPLES
)
@click.argument("zone")
@click.argument("setting")
@click.argument("words", nargs=-1)
@click.option("--for", "length", default=None, metavar="LENGTH", help="How long, such as 45m, 12h or 2d.")
@cycle_options
@note_option
@click.option(
    "--expect",
    default=None,
    metavar="REVISION",
    help="Refuse if the setting no longer stands at this revision, as `mistd settings ZONE` showed it.",
)
@house_option
@as_option
def set_setting(
    zone: str,
    setting: str,
    words: Sequence[str],
    length: str | None,
    note: str,
    expect: str | None,
    file: Path,
    author: str | None,
    **points: str | None,  # by the names of their options
) -> None:
    """Set something of ZONE. It is kept, listed by `mistd settings`, and taken back by `mistd undo`."""
    config = loaded(file)
    said = {name: text for name in POINTS if (text := points[name.replace("-", "_")]) is not None}
    asked = worded(setting, words, length, said)
    problems = [*zone_problems(config, zone), *asked.problems]
    is_known = setting in set(SettingKind)  # else it was told already, and nothing is sent
    kind = setting if is_known else SettingKind.TIMETABLE.value
    request: dict[str, Any] = {"zone": zone, "setting": kind, "value": asked.value, "note": note}
    if expect is not None:
        try:
            request["expected_revision"] = whole_number(expect)
        except UnclearError as problem:
            problems.append(f"--expect: {problem}")
    ask(file, "set", request, author, problems)


@click.command(short_help="Take the change of a setting back.")
@click.argument("revision")
@note_option
@house_option
@as_option
def undo(revision: str, note: str, file: Path, author: str | None) -> None:
    """Take the change of a setting back; REVISION is its number, as the list of settings shows it."""
    try:
        number = whole_number(revision)
    except UnclearError as problem:
        fail(WRONG, str(problem))
    if number == 0:
        fail(WRONG, "revision 0 is what the house's file says: there is nothing to undo")
    ask(file, "undo", {"revision": number, "note": note}, author)


@click.command(short_help="Tell what is set, by whom, until when.")
@click.argument("zone", required=False)
@click.option("--history", is_flag=True, help="Every change that is known, oldest first.")
@click.option("--last", type=click.IntRange(min=1), default=None, metavar="N", help="The newest N changes.")
@click.option("--json", "is_json", is_flag=True, help="One JSON object a line.")
@house_option
def settings(zone: str | None, history: bool, last: int | None, is_json: bool, file: Path) -> None:
    """Tell what is set of the zones, or of ZONE, by whom, since when and until when.

    Without ZONE only what is in force: a timetable of every zone, the cycle of those that are not timed, and
    whatever people have set beside it.
    """
    config = loaded(file)
    problems = list(zone_problems(config, zone)) if zone is not None else []
    if problems:
        fail(WRONG, "\n".join(problems))
    with quiet_at_closed_pipe():
        if history or last is not None:
            _tell_history(config, zone, last, is_json=is_json)
        else:
            _tell_settings(config, zone, is_json=is_json)


def _tell_settings(config: Config, zone: str | None, *, is_json: bool) -> None:
    from mistd.app import remote  # noqa: PLC0415 - commands load only what they need
    from mistd.app.setting_tables import settings_table  # noqa: PLC0415

    picture = over_the_broker(remote.picture_of(config))
    listed = [
        (name, setting)
        for name in ([zone] if zone else [each.name for each in config.zones])
        if name in picture.settings
        for setting in picture.settings[name].settings
        if zone or _is_worth_listing(setting)
    ]
    if not listed:
        fail(NOBODY, "no settings are told on this broker; is the daemon running?")
    if is_json:
        for name, setting in listed:
            click.echo(_json_line({"zone": name, **setting.model_dump(mode="json")}))
    else:
        for line in settings_table(listed, remote.house_now(config, picture)):
            click.echo(line)
    if not picture.is_online:
        fail(NOBODY, "the daemon is offline: this is from before")


def _is_worth_listing(setting: SettingTold) -> bool:
    """Whether something is in force; that the timetable leads, as usual, only where somebody set it."""
    is_plain = setting.setting == SettingKind.CYCLE and setting.value == {"cycle": CycleKind.TIMED}
    return setting.value is not None and (bool(setting.revision) or not is_plain)


def _tell_history(config: Config, zone: str | None, last: int | None, *, is_json: bool) -> None:
    from mistd.app.history import history_of  # noqa: PLC0415
    from mistd.app.setting_tables import history_table  # noqa: PLC0415

    history = over_the_broker(history_of(config))
    changes = [change for change in history.changes if zone is None or change.zone == zone]
    changes = changes[-last:] if last else changes
    click.echo(f"{'' if changes else 'no change of a setting is known; '}{history.source}", err=True)
    if is_json:
        for change in changes:
            click.echo(_json_line(change.model_dump(mode="json")))
    elif changes:
        for line in history_table(changes, history.now):
            click.echo(line)


def _json_line(content: dict[str, Any]) -> str:
    return json.dumps(content)
