"""How people write a cycle and its set points on the command line: words and options into the form's keys.

What is allowed of a figure is the form's to say, and the house's; here is only how it is written.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from mistd.app.spoken import UnclearError, length_s
from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind
from mistd.core.units import minutes_of_seconds

KIND_RULE = f"which cycle? {', '.join(kind.value for kind in CycleKind)}"
SHARE_RULE = "write it as 40%"
NUMBER_RULE = "write it as a number, such as 1.5"
GAPS_RULE = (
    "write it as 2m..45m (shortest gap..longest gap; either may be left out), sparse, sparse..60m or off"
)
SHARE = re.compile(r"(\d+(?:\.\d+)?)\s*%", re.ASCII)
NUMBER = re.compile(r"\d+(?:\.\d+)?", re.ASCII)
BETWEEN = ".."


def _share_percent(text: str) -> float:
    found = SHARE.fullmatch(text.strip())
    if not found:
        raise UnclearError(f"{text!r} is no share; {SHARE_RULE}")
    return float(found[1])


def _number(text: str) -> float:
    if not NUMBER.fullmatch(text.strip()):
        raise UnclearError(f"{text!r} is no number; {NUMBER_RULE}")
    return float(text)


def _length_min(text: str) -> float:
    return minutes_of_seconds(length_s(text))


def _word(text: str) -> str:
    return text.strip().lower()


def part_on_demand(text: str) -> dict[str, Any]:
    """How a part of the day is misted on demand, as its form has it.

    >>> part_on_demand("2m..45m")
    {'shortest_gap_min': 2.0, 'longest_gap_min': 45.0}

    Raises:
        UnclearError: it is none.
    """
    plain = _word(text)
    if plain in {"off", "sparse"}:
        return {"mist": plain}
    shortest, is_between, longest = plain.partition(BETWEEN)
    if not is_between or not (shortest or longest):
        raise UnclearError(f"{text!r} says nothing of gaps; {GAPS_RULE}")
    if shortest == "sparse":
        return {"mist": "sparse", **_gap("longest_gap_min", longest)}
    return {**_gap("shortest_gap_min", shortest), **_gap("longest_gap_min", longest)}


def _gap(name: str, text: str) -> dict[str, float]:
    return {name: _length_min(text)} if text else {}


# The option without its dashes, the form's key, how it is read, and how `--help` says it.
POINTS: Mapping[str, tuple[str, Callable[[str], Any], str]] = {
    "surface": ("surface", _word, "waxy, ordinary or hairy leaves."),
    "dry-back": ("dry_back_percent", _share_percent, "Mist when so much of the leaf is still wet: 40%."),
    "set-point": ("set_point_kpa_h", _number, "Of vpd: mist when the deficit adds up to this, in kPa.h."),
    "as-every": ("as_every_min", _length_min, "Of vpd, with --at: as often as this, such as 10m ..."),
    "at": ("at_kpa", _number, "... while the deficit is this, in kPa."),
    "burst": ("burst_s", length_s, "Each burst, such as 6s; else as long as refills the film."),
    **{
        part.value: (
            part.value,
            part_on_demand,
            f"In the {part.value} part: 2m..45m from gap to gap, sparse or off.",
        )
        for part in DayPart
    },
}


def cycle_of_words(words: Sequence[str], points: Mapping[str, str]) -> tuple[dict[str, Any], list[str]]:
    """A cycle's form, as far as it can be read, and what is wrong with the words.

    Args:
        words: after the name of the setting: the cycle.
        points: what was said with options, by their names without dashes.
    """
    plain: dict[str, Any] = {"cycle": words[0].lower()} if words else {}
    problems = [*_word_problems(words)]
    for option, text in points.items():
        key, read, _ = POINTS[option]
        try:
            plain[key] = read(text)
        except UnclearError as problem:
            problems.append(f"--{option}: {problem}")
    return plain, problems


def _word_problems(words: Sequence[str]) -> Iterator[str]:
    if not words:
        yield KIND_RULE
    elif len(words) > 1:
        yield f"{' '.join(words[1:])!r} says nothing here; set points are options, such as --dry-back 40%"
