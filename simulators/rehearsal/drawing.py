"""How a rehearsal's pictures are drawn: one look, whatever the machine's own settings, and SVG for a page.

Knows matplotlib, the only module here that sets it up, and no rehearsal. Rule: the same drawing gives the
same bytes, and a picture fetches nothing.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import StringIO
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Told apart by their lightness too, and always by a letter beside them.
RUN_COLOURS = ("#1d4f91", "#b85410", "#5d3a84", "#2f6b5e")
INK, GRID = "#1a1a1a", "#d5d8dc"
SETTINGS: dict[Any, Any] = {
    "svg.hashsalt": "rehearsal",
    "svg.fonttype": "none",
    "font.size": 9.0,
    "axes.edgecolor": INK,
    "axes.linewidth": 0.6,
    "axes.labelsize": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.5,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
}
NOTHING_BESIDE = dict.fromkeys(("Creator", "Date", "Format", "Type"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A picture, what stands above it and what it says to those who cannot see it (both plain text)."""

    caption: str
    alt: str
    svg: str


def run_colour(index: int) -> str:
    """A run's colour; they come round again, its letter does not."""
    return RUN_COLOURS[index % len(RUN_COLOURS)]


@contextmanager
def drawing() -> Iterator[None]:
    """Settings of our own, whatever the machine's are."""
    import matplotlib as mpl  # noqa: PLC0415 - large, and of an extra

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS)
        yield


def rows(count: int, size_in: tuple[float, float]) -> tuple["Figure", list["Axes"]]:
    """An empty figure of one or more rows that share their axes."""
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=size_in, layout="constrained")
    axes: Any = figure.subplots(count, 1, sharex=True, sharey=True, squeeze=False)
    return figure, [row[0] for row in axes]


def svg(figure: "Figure", slug: str) -> str:
    """A finished figure for a page on which no other has the same slug."""
    written = StringIO()
    figure.savefig(written, format="svg", metadata=NOTHING_BESIDE)
    return inline_svg(written.getvalue(), slug)


def inline_svg(text: str, slug: str) -> str:
    """An SVG file's text as a part of a page: only its picture, as wide as there is room, its ids its own."""
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->", "", text, flags=re.DOTALL)
    text = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", text, count=1)
    text = re.sub(r"<svg", '<svg aria-hidden="true"', text, count=1)
    used = set(re.findall(r"#([\w-]+)", " ".join(re.findall(r'url\(#[\w-]+\)|href="#[\w-]+"', text))))
    text = re.sub(r' id="([^"]*)"', lambda m: f' id="{slug}-{m[1]}"' if m[1] in used else "", text)
    text = re.sub(r'(url\(|href=")#([\w-]+)', rf"\1#{slug}-\2", text)
    # A tenth of a point is finer than any eye; only inside tags, for what stands between them is read.
    text = re.sub(r"<[^>]*>", lambda tag: re.sub(r"(\d+\.\d)\d+", r"\1", tag[0]), text)
    return re.sub(r"\s*\n\s*", "\n", text).strip()
