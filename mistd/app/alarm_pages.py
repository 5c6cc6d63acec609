"""The alarms on paper: the diagram of an alarm's life and the table of kinds, made from the tables.

    python -m mistd.app.alarm_pages > config/alarms.md

What is written here cannot differ from what the program does: every arrow is an entry of a table, every line
a row.
"""

import sys
from collections.abc import Iterable, Mapping

from mistd.core.alarm_kinds import ROWS
from mistd.core.alarms import LATCHING, LEAVING_MASK, TRANSITIONS, AlarmRow, Happening, Life, Mask
from mistd.core.units import S_PER_HOUR, S_PER_MIN

LETTERS: Mapping[Life | Mask, str] = {
    Life.NORMAL: "A",
    Life.UNACKNOWLEDGED: "B",
    Life.ACKNOWLEDGED: "C",
    Life.RETURNED: "D",
    Life.LATCHED_UNACKNOWLEDGED: "E",
    Life.LATCHED: "F",
    Mask.SHELVED: "G",
    Mask.BY_DESIGN: "H",
    Mask.OUT_OF_SERVICE: "I",
}

WORDS: Mapping[Life | Mask, str] = {
    Life.NORMAL: "normal",
    Life.UNACKNOWLEDGED: "active, not acknowledged, sounds",
    Life.ACKNOWLEDGED: "active, acknowledged",
    Life.RETURNED: "over before it was acknowledged",
    Life.LATCHED_UNACKNOWLEDGED: "over, held, not acknowledged, sounds",
    Life.LATCHED: "over, held, acknowledged",
    Mask.SHELVED: "shelved, by a person, for a time",
    Mask.BY_DESIGN: "suppressed by design, while another alarm explains it",
    Mask.OUT_OF_SERVICE: "out of service, by a person, with a note",
}

HAPPENINGS: Mapping[Happening, str] = {
    Happening.CONDITION_ON: "condition on",
    Happening.CONDITION_OFF: "condition off",
    Happening.ACKNOWLEDGE: "acknowledge",
    Happening.RESET: "reset",
}


LEFT: Mapping[Life, str] = {
    Life.NORMAL: "last mask gone, condition off",
    Life.UNACKNOWLEDGED: "last mask gone, condition on",
    Life.LATCHED_UNACKNOWLEDGED: "last mask gone, held, not acknowledged",
    Life.LATCHED: "last mask gone, held, acknowledged",
}


PAGE = """# The alarms of a house

What each means for the plants, how soon it wants an answer, and what to do. Written by the program from its
own tables; a test holds them together. How alarms are listed and answered is in README.md.

{kinds}

High alarms want an answer within the hour, medium ones within two, low ones within the working day. Those
that wake may sound the siren at night; all others wait for the day. A kind that latches stays until somebody
resets it, so that it is not missed.

## The life of an alarm

Acknowledging is having seen, never having mended; it names the occurrence that was seen, and never
acknowledges a later one. A shelving ends by itself. None of this changes what is misted.

```mermaid
{life}
```
"""


def page() -> str:
    """The whole page, as it stands in config/alarms.md."""
    return PAGE.format(kinds=kinds_table(), life=life_cycle_diagram())


def life_cycle_diagram() -> str:
    """The life of an alarm as a Mermaid state diagram, without its fence.

    A mask can be put on in any state; drawn once, from the first.
    """
    lines = ["stateDiagram-v2", "    [*] --> A"]
    lines += [f"    {LETTERS[life]} : {LETTERS[life]} {WORDS[life]}" for life in Life]
    lines += ["    state masked {"]
    lines += [f"        {LETTERS[mask]} : {LETTERS[mask]} {WORDS[mask]}" for mask in Mask]
    lines += ["    }", *_arrows(), "    A --> masked : a mask is put on, in any state"]
    ends = sorted(set(LEAVING_MASK.values()), key=lambda life: LETTERS[life])
    lines += [f"    masked --> {LETTERS[life]} : {LEFT[life]}" for life in ends]
    return "\n".join(lines)


def _arrows() -> list[str]:
    """An arrow for every entry of the two tables; those of one table only say so."""
    plain = {(a, h, b) for a, ways in TRANSITIONS.items() for h, b in ways.items()}
    latching = {(a, h, b) for a, ways in LATCHING.items() for h, b in ways.items()}
    lines = []
    for begins, happening, ends in sorted(plain | latching, key=lambda way: (LETTERS[way[0]], *way)):
        only = (
            "" if (begins, happening, ends) in plain & latching else _only(latching, begins, happening, ends)
        )
        lines.append(f"    {LETTERS[begins]} --> {LETTERS[ends]} : {HAPPENINGS[happening]}{only}")
    return lines


def _only(latching: set[tuple[Life, Happening, Life]], begins: Life, happening: Happening, ends: Life) -> str:
    return " (latching)" if (begins, happening, ends) in latching else " (not latching)"


def kinds_table(rows: Iterable[AlarmRow] = ROWS) -> str:
    """The kinds of alarm as a Markdown table, in the order of the program's own."""
    head = (
        "| alarm | priority | respond within | wakes | meaning for the plants | what to do |\n"
        "|---|---|---|---|---|---|"
    )
    return "\n".join([head, *(_line(row) for row in rows)])


def _line(row: AlarmRow) -> str:
    latches = "; latches" if row.is_latching else ""
    steps = " ".join(f"{number}. {step}" for number, step in enumerate(row.remedy, start=1))
    return (
        f"| **{row.title}** (`{row.kind}`{latches}): {row.cause} | {row.priority.value} "
        f"| {_length(row.respond_within_s)} | {'yes' if row.may_wake else 'no'} "
        f"| {row.consequence}{_explained(row)} | {steps} |"
    )


def _explained(row: AlarmRow) -> str:
    return f" Hidden while `{'`, `'.join(row.follows)}` is on." if row.follows else ""


def _length(length_s: float) -> str:
    if length_s < S_PER_HOUR:
        return f"{length_s / S_PER_MIN:g} min"
    return f"{length_s / S_PER_HOUR:g} h"


if __name__ == "__main__":
    sys.stdout.write(page())
