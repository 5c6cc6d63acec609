"""The commands about alarms: `mistd alarms` lists them, `mistd alarm` does something about one.

Over the broker alone. An acknowledgement is of the occurrence that whoever gives it saw: the one that is told
when the command is given, unless another is named.
"""

from pathlib import Path
from typing import Any

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
    seconds,
)
from mistd.app.config import Config
from mistd.app.problems import printable
from mistd.core.alarm_requests import AlarmVerb

ACTIONS = {verb.value.replace("_", "-"): verb for verb in AlarmVerb}
EXAMPLES = """\b
mistd alarm acknowledge zone_not_misted/door-left   you have seen it; it is not mended
mistd alarm silence                                 quiet, until one is raised again
mistd alarm shelve reading_lost/air --for 2h        put aside for a time
mistd alarm unshelve reading_lost/air               before its time
mistd alarm reset task_failed/bus                   let go of one that is held
mistd alarm out-of-service line_trouble/door-left --note "new valve"
mistd alarm in-service line_trouble/door-left       it has no end of its own"""
HISTORY = "What became of alarms is in the journal: mistd journal --kind 'alarm_*'"


@click.command(short_help="List the alarms, the most pressing first.", epilog=HISTORY)
@click.option("--all", "is_all", is_flag=True, help="Those, too, that another alarm explains.")
@click.option("--json", "is_json", is_flag=True, help="One JSON object a line, of every alarm told.")
@house_option
def alarms(is_all: bool, is_json: bool, file: Path) -> None:
    """List the alarms, the most pressing first: what, since when, why, what to do and by when.

    Those that people put aside are listed apart.
    """
    from mistd.app import remote  # noqa: PLC0415 - commands load only what they need
    from mistd.app.alarm_text import alarm_lines, pressing_first  # noqa: PLC0415

    config = loaded(file)
    picture = over_the_broker(remote.picture_of(config))
    if picture.all_alarms is None:
        fail(NOBODY, "no alarms are told on this broker; is the daemon running?")
    told = list(picture.alarms.values())
    with quiet_at_closed_pipe():
        if is_json:
            lines = [alarm.model_dump_json() for alarm in pressing_first(told)]
        else:
            lines = alarm_lines(told, remote.house_now(config, picture), is_all=is_all)
        for line in lines:
            click.echo(line)
    if not picture.is_online:
        fail(NOBODY, "the daemon is offline: this is from before")


@click.command(short_help="Do something about an alarm.", epilog=EXAMPLES)
@click.argument("action", type=click.Choice(tuple(ACTIONS)))
@click.argument("name", required=False, default="", metavar="[KIND/SUBJECT]")
@click.option(
    "--for", "length", default=None, metavar="LENGTH", help="To shelve: how long, such as 30m or 2h."
)
@click.option(
    "--occurrence",
    type=click.IntRange(min=1),
    default=None,
    metavar="N",
    help="To acknowledge: the one you saw; else the one that is told now.",
)
@click.option("--note", default="", help="Why, for whoever reads it.")
@house_option
@as_option
def alarm(
    action: str,
    name: str,
    length: str | None,
    occurrence: int | None,
    note: str,
    file: Path,
    author: str | None,
) -> None:
    """Do something about an alarm, named as `mistd alarms` lists it; KIND alone where that is clear.

    Nothing of it changes how the house is misted.
    """
    config = loaded(file)
    verb = ACTIONS[action]
    request: dict[str, Any] = {"alarm": name, "do": verb.value, "note": note}
    problems = _problems(verb, name, length, occurrence)
    if length is not None:
        request["for_s"] = seconds(length)
    if problems:
        fail(WRONG, "\n".join(problems))
    if verb is AlarmVerb.ACKNOWLEDGE:
        request["occurrence"] = occurrence or _told_now(config, name)
    ask(file, "alarm", request, author)


def _problems(verb: AlarmVerb, name: str, length: str | None, occurrence: int | None) -> list[str]:
    problems = []
    if not name and verb is not AlarmVerb.SILENCE:
        problems.append("name the alarm: KIND/SUBJECT, as `mistd alarms` lists it")
    if (length is not None) is not (verb is AlarmVerb.SHELVE):
        problems.append("--for: say for how long to shelve it, and nothing else has an end")
    if occurrence is not None and verb is not AlarmVerb.ACKNOWLEDGE:
        problems.append("--occurrence: only an acknowledgement is of one")
    return problems


def _told_now(config: Config, name: str) -> int | None:
    """The occurrence that is told of an alarm now; None when it cannot be told: the daemon then says why."""
    from mistd.app import remote  # noqa: PLC0415

    told = over_the_broker(remote.picture_of(config)).alarms
    meant = [each for each in told.values() if name in {each.alarm, each.kind}]
    if len(meant) == 1:
        click.echo(
            printable(f"{meant[0].alarm}, occurrence {meant[0].occurrence}: {meant[0].reason}"), err=True
        )
        return meant[0].occurrence
    return None
