"""A page of text as an SVG picture, for the README: made anew by `mistd-sim demo ... --picture FILE`."""

from collections.abc import Sequence
from html import escape

CHARACTER_WIDTH, LINE_HEIGHT, MARGIN = 7.25, 17, 16  # pixels, for a 12 px monospaced face
PAPER, INK = "#f7f6f1", "#22302c"


def svg(lines: Sequence[str]) -> str:
    """The lines as a picture, dark on light, each character in its column."""
    width = max(len(line) for line in lines) * CHARACTER_WIDTH + 2 * MARGIN
    height = len(lines) * LINE_HEIGHT + 2 * MARGIN
    rows = [
        f'<text x="{MARGIN}" y="{MARGIN + (row + 0.8) * LINE_HEIGHT:.1f}" '
        f'textLength="{len(line) * CHARACTER_WIDTH:.1f}" lengthAdjust="spacingAndGlyphs" '
        f'xml:space="preserve">{escape(line)}</text>'
        for row, line in enumerate(lines)
        if line.strip()
    ]
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" '
            f'viewBox="0 0 {width:.0f} {height:.0f}">',
            f'<rect width="100%" height="100%" rx="6" fill="{PAPER}"/>',
            f'<g font-family="monospace" font-size="12" fill="{INK}">',
            *rows,
            "</g>",
            "</svg>",
            "",
        ]
    )
