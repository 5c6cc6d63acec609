"""The journal for other programs: JSON lines and CSV, every line whole, one at a time.

JSON lines are exact. CSV is by RFC 4180, with one addition: a spreadsheet takes a cell that begins with = + -
or @ for a formula, and people's own words are in these lines. Such a cell is given an apostrophe before it,
and so is one that begins with an apostrophe: whoever takes one leading apostrophe away has it exactly.
"""

import csv
import io
import json
from collections.abc import Iterable, Iterator
from datetime import tzinfo
from math import isfinite

from mistd.app.journal_text import instant_of
from mistd.ports.store import Entry

COLUMNS = ("at", "local_time", "is_time_trusted", "kind", "subject", "reason", "figures")
FORMULA_BEGINS = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")  # the last four are the first four, written wide
MARK = "'"


def json_lines(entries: Iterable[Entry]) -> Iterator[str]:
    """Each entry as an object in ASCII; figures that are no JSON are given as the text they are."""
    for entry in entries:
        line = {
            "at": entry.at,
            "is_time_trusted": entry.is_time_trusted,
            "kind": entry.kind,
            "subject": entry.subject,
            "reason": entry.reason,
            "figures": _figures(entry.figures),
        }
        yield json.dumps(line) + "\n"


def _figures(text: str) -> object:
    try:
        return json.loads(text, parse_constant=_finite, parse_float=_finite)
    except (ValueError, RecursionError):
        return text


def _finite(number: str) -> float:
    value = float(number)
    if not isfinite(value):
        raise ValueError(f"JSON has no way to write {number}")
    return value


def csv_lines(entries: Iterable[Entry], time_zone: tzinfo) -> Iterator[str]:
    """A heading, then each entry; `local_time` is added for people, all else is as it is kept."""
    line = io.StringIO()
    writer = csv.writer(line)
    writer.writerow(COLUMNS)
    for entry in entries:
        yield _taken(line)
        local = instant_of(entry).astimezone(time_zone).isoformat(timespec="milliseconds")
        texts = (entry.kind, entry.subject, entry.reason, entry.figures)
        trusted = "yes" if entry.is_time_trusted else "no"
        writer.writerow([entry.at, local, trusted, *map(safe_cell, texts)])
    yield _taken(line)


def _taken(line: io.StringIO) -> str:
    text = line.getvalue()
    line.seek(0)
    line.truncate()
    return text


def safe_cell(text: str) -> str:
    """A text that no spreadsheet takes for a formula.

    >>> safe_cell("-70 %; allowed -50 to +100 %")
    "'-70 %; allowed -50 to +100 %"
    """
    return MARK + text if text.startswith((*FORMULA_BEGINS, MARK)) else text
