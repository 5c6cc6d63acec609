"""A rehearsal as a table for the terminal: a row for each zone, and what another configuration changes.

Answers for: lines of text, none wider than 100 columns, whatever houses and files are called. Does not know
what the figures mean to cuttings; see `figures`.
Rule: names from files cannot move the terminal's cursor, and are never cut short.
"""

from collections.abc import Iterator, Sequence
from textwrap import wrap

from mistd.app.problems import printable
from simulators.rehearsal.figures import (
    ALL_ZONES,
    COLUMNS,
    cells,
    comparison,
    difference_rows,
    letters,
    meanings,
    rows,
    said_run,
    said_span,
    shared_zones,
    together,
)
from simulators.rehearsal.result import HouseRun, Rehearsal

WIDEST = 100  # columns
NOTES_SHOWN = 6
NAME_HEAD = "zone"
NamedCells = tuple[str, list[str]]


def table(rehearsal: Rehearsal) -> list[str]:
    """The whole table as lines."""
    named = [said_run(run, its) for run, its in zip(rehearsal.runs, letters(rehearsal), strict=True)]
    blocks = [_block(run) for run in rehearsal.runs]
    others = list(enumerate(rehearsal.runs))[1:]
    differences = [difference_rows(rehearsal.runs[0], run) for _, run in others]
    form = _Form([row for block in [*blocks, *differences] for row in block])
    lines = [*head(rehearsal), "", *form.heads()]
    for title, block in zip(named, blocks, strict=True):
        lines += ["", *wrapped(title), *form.lines(block)]
    for (index, run), block in zip(others, differences, strict=True):
        lines += ["", *_compared(rehearsal, index, run), *form.lines(block)]
    return [*lines, "", *legend()]


def head(rehearsal: Rehearsal) -> list[str]:
    """What was rehearsed, and what was repaired of its weather."""
    span = said_span(rehearsal.first_day, rehearsal.last_day)
    first = f"rehearsal of {span}; weather: {rehearsal.weather}; seed {rehearsal.seed}; "
    lines = wrapped(f"{first}mistd {rehearsal.version}")
    notes = rehearsal.weather_notes
    for note in notes[:NOTES_SHOWN]:
        lines += wrapped(f"weather repaired: {note}")
    if len(notes) > NOTES_SHOWN:
        lines.append(f"weather repaired: {len(notes) - NOTES_SHOWN} more, in result.json")
    return lines


def legend() -> list[str]:
    """What the heads mean."""
    return [line for meaning in meanings() for line in wrapped(meaning)]


def wrapped(text: str) -> list[str]:
    """Text in lines that fit, safe for a terminal."""
    return wrap(printable(text), WIDEST, subsequent_indent="  ", break_on_hyphens=False)


def _block(run: HouseRun) -> list[NamedCells]:
    every = [*rows(run), together(run.zones, len(run.days))]
    return [(row.name, cells(row)) for row in every]


def _compared(rehearsal: Rehearsal, index: int, run: HouseRun) -> Iterator[str]:
    first_letter, its_letter = letters(rehearsal)[0], letters(rehearsal)[index]
    for sentence in comparison(rehearsal.runs[0], run):
        yield from wrapped(f"{its_letter} against {first_letter}, {sentence}")
    if shared_zones(rehearsal.runs[0], run):
        yield f"{its_letter} against {first_letter}: more (+) or fewer (-), zone by zone"


class _Form:
    """The widths that all blocks of a table share."""

    def __init__(self, every: Sequence[NamedCells]) -> None:
        texts = [cells_ for _, cells_ in every]
        texts += [[*part] for part in zip(*((*column.head, column.unit) for column in COLUMNS), strict=True)]
        self._widths = [max(map(len, column)) for column in zip(*texts, strict=True)]
        self._gap = 2 if self._left_for_names(2) >= len(ALL_ZONES) else 1
        longest = max((len(name) for name, _ in every), default=0)
        self._name_width = max(min(longest, self._left_for_names(self._gap)), len(NAME_HEAD))

    def _left_for_names(self, gap: int) -> int:
        return WIDEST - sum(self._widths) - gap * len(self._widths)

    def heads(self) -> list[str]:
        parts = zip(*((*column.head, column.unit) for column in COLUMNS), strict=True)
        names = ("", "", NAME_HEAD)
        return [self._line(name, part) for name, part in zip(names, parts, strict=True)]

    def lines(self, block: Sequence[NamedCells]) -> list[str]:
        """The rows of a block; a name that does not fit has a line of its own above its figures."""
        lines = []
        for name, texts in block:
            is_long = len(name) > self._name_width
            lines += [name] if is_long else []
            lines.append(self._line("" if is_long else name, texts))
        return lines

    def _line(self, name: str, texts: Sequence[str]) -> str:
        gap = " " * self._gap
        figures = [text.rjust(width) for text, width in zip(texts, self._widths, strict=True)]
        return gap.join([name.ljust(self._name_width), *figures]).rstrip()
