"""Lines of the journal in words, for whoever reads them: local times, and the date when it changes.

Pure: entries in, text out, one at a time. What a line says is not judged here.
"""

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime, tzinfo
from math import isfinite
from typing import Any

from mistd.app.problems import printable
from mistd.app.spoken import said_instant, said_length_s
from mistd.core.events import EventKind
from mistd.ports.store import Entry

AS_ORDERED_S = 0.1  # a burst that differs from its order by less was given as ordered
USUAL_END = "its time was over"
SUBJECT_WIDTH = 14
UTC_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|\+00:00)", re.ASCII)
Figures = Mapping[str, Any]


def readable_lines(entries: Iterable[Entry], time_zone: tzinfo) -> Iterator[str]:
    """Each entry as a line, and a heading wherever the date or the clock's offset changes."""
    heading = ""
    for entry in entries:
        at = instant_of(entry).astimezone(time_zone)
        its_heading = f"{at:%A} {at.day} {at:%B %Y}, UTC{_offset(at)}"
        if its_heading != heading:
            yield its_heading if not heading else f"\n{its_heading}"
            heading = its_heading
        doubt = " " if entry.is_time_trusted else "?"
        subject = printable(entry.subject).ljust(SUBJECT_WIDTH)
        yield f"{at:%H:%M:%S}{doubt} {subject} {localised(said_entry(entry), at)}"


def _offset(at: datetime) -> str:
    offset = at.isoformat()[-6:]
    return offset if offset[0] in "+-" else "+00:00"


def said_entry(entry: Entry) -> str:
    """What happened, in a line, without when and to whom."""
    say = SAYINGS.get(entry.kind, _as_it_is)
    return printable(say(entry, figures_of(entry)))


def localised(text: str, now: datetime) -> str:
    """A text with the instants in it as they are told in the zone of `now`."""

    def local(found: re.Match[str]) -> str:
        try:
            return said_instant(datetime.fromisoformat(found[0]), now, to_the_second=True)
        except (ValueError, OverflowError):
            return found[0]

    return UTC_INSTANT.sub(local, text)


def instant_of(entry: Entry) -> datetime:
    """When it happened."""
    return datetime.fromisoformat(entry.at)


def figures_of(entry: Entry) -> dict[str, Any]:
    """The figures of a line; none when they cannot be read."""
    try:
        figures = json.loads(entry.figures)
    except (ValueError, RecursionError):
        return {}
    return figures if isinstance(figures, dict) else {}


def number(figures: Figures, name: str) -> float | None:
    """A figure that is a number; None when there is none."""
    value = figures.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        return None
    return float(value)


def _as_it_is(entry: Entry, _figures: Figures) -> str:
    words = entry.kind.replace("_", " ")
    return f"{words}: {entry.reason}" if entry.reason else words


def _burst(entry: Entry, figures: Figures) -> str:
    open_s, for_s, why = number(figures, "open_s"), number(figures, "for_s"), figures.get("why")
    if open_s is None:
        return _as_it_is(entry, figures)
    said = f"misted {open_s:.3g} s{_water(figures)}" + (f": {why}" if why else "")
    is_as_ordered = for_s is None or abs(open_s - for_s) <= AS_ORDERED_S
    if is_as_ordered and entry.reason == USUAL_END:
        return said
    ordered = "" if is_as_ordered else f"ordered {for_s:.3g} s; "
    return f"{said} ({ordered}{entry.reason})"


def _found(entry: Entry, figures: Figures) -> str:
    open_s = number(figures, "open_s")
    length = "" if open_s is None else f" of {open_s:.3g} s{_water(figures)}"
    return f"a burst{length} was found: {entry.reason}"


def _water(figures: Figures) -> str:
    water_l = number(figures, "water_l")
    return "" if water_l is None else f", {water_l:.2f} l"


def _refused(entry: Entry, figures: Figures) -> str:
    asked_by = figures.get("asked_by")
    return f"refused {asked_by} a burst: {entry.reason}" if asked_by else f"not misted: {entry.reason}"


def _change_refused(entry: Entry, figures: Figures) -> str:
    asked_by = figures.get("asked_by")
    return f"refused {asked_by} a change: {entry.reason}" if asked_by else _as_it_is(entry, figures)


def _changed(entry: Entry, figures: Figures) -> str:
    revision = number(figures, "revision")
    return entry.reason if revision is None else f"{entry.reason} (revision {revision:.0f})"


def _hold(entry: Entry, figures: Figures) -> str:
    for_s = number(figures, "for_s")
    return entry.reason if for_s is None else f"{entry.reason} (for {said_length_s(for_s)})"


def _part(entry: Entry, _figures: Figures) -> str:
    return f"the {entry.reason} part of the day begins"


SAYINGS: Mapping[str, Callable[[Entry, Figures], str]] = {
    EventKind.BURST_ENDED: _burst,
    EventKind.BURST_FOUND: _found,
    EventKind.BURST_REFUSED: _refused,
    EventKind.BURST_SKIPPED: lambda entry, _: f"a burst was {entry.reason}",
    EventKind.HOLD_STARTED: _hold,
    EventKind.HOLD_EXTENDED: lambda entry, figures: f"prolonged, {_hold(entry, figures)}",
    EventKind.SETTING_CHANGED: _changed,
    EventKind.SETTING_UNDONE: _changed,
    EventKind.SETTING_REFUSED: _change_refused,
    EventKind.DAY_PART_BEGAN: _part,
    EventKind.CYCLE_FELL_BACK: lambda entry, _: entry.reason,
    EventKind.CYCLE_CAME_BACK: lambda entry, _: entry.reason,
    EventKind.WETNESS_DOUBTED: lambda entry, _: f"not believed any more: {entry.reason}",
    EventKind.WETNESS_TRUSTED: lambda entry, _: f"believed again: {entry.reason}",
    EventKind.DAY_ENDED: lambda entry, _: f"the day: {entry.reason}",
}
