"""Alarms as lines of text, for whoever reads them on a terminal: what, since when, why, what to do by when.

Pure: what was told in, lines out. Text from outside is made printable here.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta

from mistd.app.messages import AlarmsTold, AlarmTold
from mistd.app.problems import printable
from mistd.app.spoken import said_instant, said_length
from mistd.core.alarms import STALE_AFTER_S

PRIORITIES = ("high", "medium", "low")
ACTIVE = {"unacknowledged", "acknowledged"}
UNSEEN = {"unacknowledged", "returned", "latched_unacknowledged"}
STATES = {
    "normal": "at rest",
    "unacknowledged": "there, not acknowledged",
    "acknowledged": "there, acknowledged",
    "returned": "over, not acknowledged",
    "latched_unacknowledged": "over, not acknowledged; then to be reset",
    "latched": "over, acknowledged, to be reset",
}
MARGIN = "    "


def alarms_line(told: AlarmsTold | None) -> str:
    """All alarms in one line, for a page with other things on it; empty when there is nothing to say."""
    if told is None or not told.count + told.masked:
        return ""
    aside = f"{told.masked} put aside or hidden" if told.masked else ""
    if not told.count:
        return f"no alarms but {aside}: mistd alarms --all"
    head = f"{told.count} {'alarm' if told.count == 1 else 'alarms'}"
    parts = [
        head,
        f"{told.unacknowledged} not acknowledged" if told.unacknowledged else "all acknowledged",
        aside,
        "sounding" if told.is_sounding else "",
        f"a flood, first came {told.first}" if told.is_flood and told.first else "",
    ]
    return printable(f"! {', '.join(filter(None, parts))}: {told.topmost_said}")


def pressing_first(alarms: Iterable[AlarmTold]) -> list[AlarmTold]:
    """The order in which people should look at them."""
    return sorted(alarms, key=_urgency)


def _urgency(alarm: AlarmTold) -> tuple[bool, int, float, str]:
    since_s = alarm.since.timestamp() if alarm.since else 0.0
    return (alarm.state not in ACTIVE, PRIORITIES.index(alarm.priority), since_s, alarm.alarm)


def alarm_lines(alarms: Sequence[AlarmTold], now: datetime, *, is_all: bool = False) -> list[str]:
    """The list of alarms: those to be seen, then apart those that people put aside.

    Args:
        alarms: all that are told.
        now: aware, in the zone in which instants are to be told.
        is_all: those, too, that another alarm explains.
    """
    shown = [alarm for alarm in pressing_first(alarms) if alarm.mask is None]
    masked = [alarm for alarm in pressing_first(alarms) if alarm.mask is not None]
    aside = [alarm for alarm in masked if alarm.mask != "suppressed_by_design"]
    hidden = [alarm for alarm in masked if alarm.mask == "suppressed_by_design"]
    is_one = len(shown) == 1
    lines = [line for alarm in shown for line in (*_told(alarm, now, is_one=is_one), "")]
    lines = lines or ["no alarms", ""]
    if aside:
        lines += ["put aside:", *(line for alarm in aside for line in _masked(alarm, now)), ""]
    if hidden and is_all:
        lines += ["hidden, for another alarm explains them:"]
        lines += [*(line for alarm in hidden for line in _masked(alarm, now)), ""]
    elif hidden:
        lines += [f"{len(hidden)} more hidden, for another alarm explains them: mistd alarms --all", ""]
    return [printable(line) for line in lines[:-1]]


def _told(alarm: AlarmTold, now: datetime, *, is_one: bool) -> Iterator[str]:
    first = "; the first of those that came together" if alarm.is_first and not is_one else ""
    yield f"{alarm.priority.upper()}  {alarm.alarm}  {alarm.title}: {STATES[alarm.state]}{first}"
    yield f"{MARGIN}{_since(alarm, now)}: {alarm.reason or alarm.cause}{_figures(alarm)}"
    yield f"{MARGIN}{alarm.consequence}"
    steps = " ".join(f"{number}. {step}" for number, step in enumerate(alarm.what_to_do, start=1))
    yield f"{MARGIN}to do: {steps}"
    yield f"{MARGIN}{_response(alarm, now)}"


def _since(alarm: AlarmTold, now: datetime) -> str:
    if alarm.since is None:
        return "never raised"
    told = f"since {said_instant(alarm.since, now)} ({said_length(now - alarm.since)})"
    if alarm.over_at:
        told = f"{said_instant(alarm.since, now)} to {said_instant(alarm.over_at, now)}"
    elif now - alarm.since > timedelta(seconds=STALE_AFTER_S):
        told += ", for more than a day"
    return f"{told}, occurrence {alarm.occurrence}"


def _figures(alarm: AlarmTold) -> str:
    figures = ", ".join(f"{name} {value}" for name, value in alarm.figures.items())
    return f" ({figures})" if figures else ""


def _response(alarm: AlarmTold, now: datetime) -> str:
    """Who has seen it, or by when somebody has to."""
    within = timedelta(seconds=alarm.respond_within_s)
    if alarm.acknowledged_by is not None and alarm.acknowledged_at is not None:
        return f"acknowledged by {alarm.acknowledged_by} at {said_instant(alarm.acknowledged_at, now)}"
    if alarm.since is None or alarm.state not in UNSEEN:
        return f"to be answered within {said_length(within)}"
    by = alarm.since + within
    late = f", which is {said_length(now - by)} ago" if now > by else ""
    silenced = "; silenced" if alarm.is_silenced else ""
    return f"answer within {said_length(within)}: by {said_instant(by, now)}{late}{silenced}"


def _masked(alarm: AlarmTold, now: datetime) -> Iterator[str]:
    unseen = f"; raised {alarm.raised_unseen} times meanwhile" if alarm.raised_unseen else ""
    yield f"{MARGIN}{alarm.priority.upper()}  {alarm.alarm}  {alarm.title}: {STATES[alarm.state]}{unseen}"
    for why in _masks(alarm, now):
        yield f"{MARGIN}{MARGIN}{why}"


def _masks(alarm: AlarmTold, now: datetime) -> Iterator[str]:
    """Every mask that is on it."""
    if alarm.out_of_service:
        service = alarm.out_of_service
        yield f"out of service since {said_instant(service.since, now)}, by {service.by}: {service.note}"
    if alarm.shelved:
        note = f": {alarm.shelved.note}" if alarm.shelved.note else ""
        yield f"shelved until {said_instant(alarm.shelved.until, now)}, by {alarm.shelved.by}{note}"
    if alarm.mask == "suppressed_by_design":
        yield f"{_since(alarm, now)}: {alarm.reason or alarm.cause}"
