"""What a zone did around an instant that is past, in sentences with figures: for `mistd why ZONE --at TIME`.

Pure: what the record holds in, sentences out, each a line.
Rule: a record with a gap, one that ends too soon and one by a clock that was wrong are said to be so.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from mistd.app.journal_text import (
    USUAL_END,
    figures_of,
    instant_of,
    localised,
    said_entry,
)
from mistd.app.past import OF_ITS_SENSORS, GivenBurst, Past
from mistd.app.problems import printable
from mistd.app.setting_tables import kept_value_in_words
from mistd.app.spoken import said_instant
from mistd.core.events import EventKind
from mistd.ports.store import Entry

LINES_TOLD = 12


def said_past(past: Past) -> list[str]:
    """The sentences."""
    told = [*_doubts(past), *_bursts(past), *_in_force(past)]
    lines = bearing_lines(past, past.at)
    return [*(printable(sentence) for sentence in told), *(["What bears on it:", *lines] if lines else [])]


def _doubts(past: Past) -> Iterator[str]:
    """What speaks against taking the rest for the whole truth."""
    if past.begins is None or past.ends is None:
        yield "The journal is empty: nothing is known."
        return
    if past.at < past.begins:
        yield f"The journal begins later, at {_at(past.begins, past)}: nothing is known of before."
    if past.at > past.ends:
        yield f"The journal ends before, at {_at(past.ends, past)}: what came after is not known."
    for entry in past.lines:
        if entry.kind == EventKind.JOURNAL_GAP:
            yield f"The journal has a gap, so this may not be all: {localised(entry.reason, past.at)}."
    bursts = [burst for burst in (past.before, past.during, past.after) if burst]
    are_sure = [each.is_time_trusted for each in bursts] + [each.is_time_trusted for each in past.lines]
    if not all(are_sure):
        yield "The clock was not set for some of this: its times may be wrong."


def _bursts(past: Past) -> Iterator[str]:
    if past.begins is None:
        return
    yield f"At {past.at:%H:%M:%S} on {past.at:%A} {past.at.day} {past.at:%B %Y}:"
    if past.during:
        yield f"{past.zone} was misting: {_burst(past.during, past)}."
    if past.before:
        yield f"{past.zone} had last misted at {_burst(past.before, past)}."
    elif past.at >= past.begins:
        begins = _at(past.begins, past)
        yield f"{past.zone} had not misted before, as far as the journal goes back, to {begins}."
    if past.after:
        yield f"{past.zone} misted next at {_burst(past.after, past)}."
    elif past.ends:
        yield f"{past.zone} has not misted since, as far as the journal goes, to {_at(past.ends, past)}."


def _burst(burst: GivenBurst, past: Past) -> str:
    water = "" if burst.water_l is None else f", {burst.water_l:.2f} l"
    end = "" if burst.ended_because in {USUAL_END, ""} else f"; ended: {burst.ended_because}"
    why = f": {burst.why}" if burst.why else ""
    return f"{_at(burst.began, past)}, {burst.open_s:.3g} s{water}{why}{end}"


def _in_force(past: Past) -> Iterator[str]:
    for revision in past.in_force:
        ends = revision.until
        until = "" if ends is None else f"; until {_at(datetime.fromisoformat(ends), past)}"
        note = f" [{revision.note}]" if revision.note else ""
        value = kept_value_in_words(revision)
        yield f"In force then: {value}{until}; by {revision.author}, revision {revision.id}{note}."


def _at(at: datetime, past: Past) -> str:
    return said_instant(at, past.at, to_the_second=True)


# --- what bears on it


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """One thing, or several that are the same."""

    first: datetime
    last: datetime
    words: str
    times: int


def bearing_lines(past: Past, now: datetime) -> list[str]:
    """The record's lines between two bursts, refusals for the same reason as one; of many the ends."""
    told = [_together(list(entries)) for _, entries in groupby(past.lines, key=_sameness)]
    shown = told if len(told) <= LINES_TOLD else [*told[: LINES_TOLD // 2], *told[-LINES_TOLD // 2 :]]
    left_out = len(told) - len(shown) + past.left_out
    rows = [(_when(each, now), each) for each in shown]
    width = max((len(when) for when, _ in rows), default=0)
    lines = [f"  {when.ljust(width)}  {localised(each.words, now)}" for when, each in rows]
    if left_out:
        lines.insert(LINES_TOLD // 2, f"  ... {left_out} more, in mistd journal --zone {past.zone}")
    return lines


def _sameness(entry: Entry) -> object:
    """Refusals by one guard are the same; everything else is only itself."""
    if entry.kind != EventKind.BURST_REFUSED:
        return id(entry)
    figures = figures_of(entry)
    return entry.subject, figures.get("guard"), figures.get("asked_by")


def _together(entries: Sequence[Entry]) -> _Told:
    last = entries[-1]
    words = said_entry(last)
    if last.kind in OF_ITS_SENSORS:
        words = f"{printable(last.subject)}: {words}"
    return _Told(first=instant_of(entries[0]), last=instant_of(last), words=words, times=len(entries))


def _when(told: _Told, now: datetime) -> str:
    first = said_instant(told.first, now, to_the_second=True)
    if told.times == 1:
        return first
    return f"{first} to {said_instant(told.last, now, to_the_second=True)}, {told.times} times"
