"""How people write the value of a setting on the command line: words into the message's form.

A new kind of setting is one line of `PARSERS`. What is allowed of a value is the form's to say, and the
house's; here is only how it is written.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from mistd.app.cycle_words import cycle_of_words
from mistd.app.problems import problems_of
from mistd.app.setting_forms import FORMS
from mistd.app.spoken import PART_RULE, PERCENT_RULE, UnclearError, day_part, length_s, percent, said_length_s
from mistd.core.almanac import DayPart
from mistd.core.settings import SettingKind
from mistd.core.units import minutes_of_seconds

NONE = "none"
FOR_RULE = "say for how long, such as --for 2d"
NO_POINTS: Mapping[str, str] = {}
OF_THE_WHOLE = {"missing", "extra_forbidden", "value_error"}  # what follows from words that were not read


@dataclass(frozen=True, slots=True, kw_only=True)
class Worded:
    """A value as its message has it, and everything that is wrong with its words."""

    value: dict[str, Any] | None = None
    problems: list[str] = field(default_factory=list)


def worded(
    setting: str, words: Sequence[str], length: str | None, points: Mapping[str, str] = NO_POINTS
) -> Worded:
    """The value that some words give a setting; no value when the only word is `none`.

    Args:
        setting: its name, as it was written.
        words: what follows the name.
        length: what was said for how long; None for nothing.
        points: set points of a cycle, by the names of their options.
    """
    if setting not in PARSERS:
        unknown = f"no setting {setting!r}; settings: {', '.join(PARSERS)}"
        return Worded(problems=[unknown, *(_for(length)[1] if length is not None else [])])
    kind = SettingKind(setting)
    options = [word for word in words if word.startswith("--")]
    if options:
        return Worded(problems=[f"no option {option!r}" for option in options])
    senseless = [f"--{point}" for point in points]
    if [word.lower() for word in words] == [NONE]:
        senseless += ["--for"] if length is not None else []
        return Worded(problems=[f"{option} has no sense with {NONE}" for option in senseless])
    value, problems = PARSERS[kind](words, length, points)
    if kind is not SettingKind.CYCLE:
        problems += [f"{option} is of a cycle, not of a {setting}" for option in senseless]
    return Worded(value=value, problems=[*problems, *_form_problems(kind, value, is_whole=not problems)])


def _form_problems(kind: SettingKind, value: dict[str, Any], *, is_whole: bool) -> Iterator[str]:
    """What the form forbids; of a value that is not whole only what is out of its range."""
    form = FORMS[kind].form
    try:
        form.model_validate(value)
    except ValidationError as error:
        for found, problem in zip(error.errors(), problems_of(error, form, ""), strict=True):
            if is_whole or found["type"] not in OF_THE_WHOLE:
                yield _longest_problem(form, value) if problem.key == "for_s" else str(problem)


def _longest_problem(form: Any, value: Mapping[str, Any]) -> str:
    (longest_s,) = [limit.le for limit in form.model_fields["for_s"].metadata if hasattr(limit, "le")]
    asked, longest = said_length_s(value["for_s"]), said_length_s(longest_s)
    return f"--for {asked} is too long to ask for; the house tells its own limit up to {longest}"


Parsed = tuple[dict[str, Any], list[str]]
Parser = Callable[[Sequence[str], str | None, Mapping[str, str]], Parsed]


def _timetable(words: Sequence[str], length: str | None, _points: Mapping[str, str]) -> Parsed:
    parts: dict[str, Any] = {}
    problems = [] if length is None else ["a timetable stands until it is changed: leave out --for"]
    if not words:
        problems.append(f"which parts of the day? {PART_RULE}; parts left out stay as they are")
    for word in words:
        try:
            name, timed = day_part(word)
        except UnclearError as problem:
            problems.append(str(problem))
            continue
        problems += _part_problems(name, word, parts)
        parts[name] = {"off": True} if timed is None else _plain(timed)
    return parts, problems


def _cycle(words: Sequence[str], length: str | None, points: Mapping[str, str]) -> Parsed:
    value, problems = cycle_of_words(words, points)
    if length is not None:
        problems.append("a cycle stands until it is changed: leave out --for")
    return value, problems


def _plain(timed: tuple[float, float]) -> dict[str, float]:
    burst_s, gap_s = timed
    return {"burst_s": burst_s, "gap_min": minutes_of_seconds(gap_s)}


def _part_problems(name: str, word: str, before: Mapping[str, Any]) -> Iterator[str]:
    known = [part.value for part in DayPart]
    if name not in known:
        yield f"{word!r}: no part of the day is called {name!r}; parts: {', '.join(known)}"
    elif name in before:
        yield f"{word!r}: {name} was said already"


def _trim(words: Sequence[str], length: str | None, _points: Mapping[str, str]) -> Parsed:
    for_s, problems = _for(length)
    if not words:
        return for_s, [f"by how much? {PERCENT_RULE}", *problems]
    try:
        return {"percent": percent(" ".join(words)), **for_s}, problems
    except UnclearError as problem:
        return for_s, [str(problem), *problems]


def _passing(words: Sequence[str], length: str | None, _points: Mapping[str, str]) -> Parsed:
    for_s, problems = _for(length)
    return for_s, [*_surplus(words), *problems]


def _skip(words: Sequence[str], length: str | None, _points: Mapping[str, str]) -> Parsed:
    """Without a length: the next burst, whenever it falls due within the form's own."""
    for_s, problems = _for(length) if length is not None else ({}, [])
    return for_s, [*_surplus(words), *problems]


def _surplus(words: Sequence[str]) -> Iterator[str]:
    if words:
        yield f"{' '.join(words)!r} says nothing here; only {NONE!r} may follow"


def _for(length: str | None) -> tuple[dict[str, float], list[str]]:
    if length is None:
        return {}, [FOR_RULE]
    try:
        return {"for_s": length_s(length)}, []
    except UnclearError as problem:
        return {}, [f"--for: {problem}"]


PARSERS: Mapping[SettingKind, Parser] = {
    SettingKind.TIMETABLE: _timetable,
    SettingKind.CYCLE: _cycle,
    SettingKind.TRIM: _trim,
    SettingKind.HOLD: _passing,
    SettingKind.CLOSED: _passing,
    SettingKind.SKIP: _skip,
}
