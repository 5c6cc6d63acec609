"""A house's file as it would read if it said what is in force: the same text, with what growers have changed.

Answers for: the file's own words, comments and order, a changed timetable or cycle in its place, and remarks
at the end for what a file cannot say.
Does not know: what is in force, or who changed it.

Rule: what comes out is a house's file again, and says of every timetable and cycle what was handed in. Where
the file is written so that its comments cannot be kept by that, they are given up, and it says so.
"""

import tomllib
from collections.abc import Mapping, MutableMapping, Sequence
from typing import Any, cast

import tomlkit
from tomlkit.items import InlineTable, Item, Table

from mistd.app.problems import printable

Timed = tuple[float, float]  # burst in seconds, gap in minutes
Timetable = Mapping[str, Timed | None]  # by part of the day; None: off
Cycle = Mapping[str, Any]  # as its form writes it: the cycle, beside the keys of a `demand` table
NO_CYCLES: Mapping[str, Cycle] = {}
TIMED = "timed"
COMMENTS_LOST = "the comments of the house's file could not be kept here"


def exported(
    text: str,
    timetables: Mapping[str, Timetable],
    remarks: Sequence[str],
    cycles: Mapping[str, Cycle] = NO_CYCLES,
) -> str:
    """The text of a house's file with these timetables and cycles in it.

    Args:
        text: of a house's file that is good.
        timetables: by zone, the parts that are to be said anew; a part that says so already is left as it is.
        remarks: appended as comments.
        cycles: by zone, the whole of it; a timed zone keeps its `demand` table, for when it is wanted again.

    Raises:
        ValueError: a zone that is not in the file.
    """
    plain = tomllib.loads(text)
    _change(plain, timetables, cycles)
    edited = _edited(text, timetables, cycles)
    if edited is not None and _is_toml_of(edited, plain):
        return _with_remarks(edited, remarks)
    return _with_remarks(tomlkit.dumps(plain), [COMMENTS_LOST, *remarks])


def _edited(text: str, timetables: Mapping[str, Timetable], cycles: Mapping[str, Cycle]) -> str | None:
    """The text changed where it has to be; None where the library does not manage that."""
    try:
        document = tomlkit.parse(text)
        _change(cast(dict[str, Any], document), timetables, cycles)
        return document.as_string()
    except (
        Exception
    ):  # it fails in many ways on tables that are written in unusual ones; there is another way
        return None


def _change(
    house: Mapping[str, Any], timetables: Mapping[str, Timetable], cycles: Mapping[str, Cycle]
) -> None:
    zones = {str(zone["name"]): zone for zone in house["zones"]}
    strangers = (timetables.keys() | cycles.keys()) - zones.keys()
    if strangers:
        raise ValueError(f"not in the file: {', '.join(sorted(strangers))}")
    for name, timetable in timetables.items():
        for part, wanted in timetable.items():
            _say(zones[name]["timed"], part, wanted)
    for name, cycle in cycles.items():
        _say_cycle(zones[name], cycle)


def _say_cycle(zone: MutableMapping[str, Any], wanted: Cycle) -> None:
    kind = wanted["cycle"]
    points = {key: value for key, value in wanted.items() if key != "cycle"}
    if zone.get("cycle", TIMED) != kind:
        zone["cycle"] = kind
    if kind == TIMED or zone.get("demand", {}) == points:
        return
    if "demand" not in zone:
        zone["demand"] = _as_in(zone, points)
        return
    there = zone["demand"]
    for key in [key for key in there if key not in points]:
        del there[key]
    for key, value in points.items():
        if there.get(key) != value:
            there[key] = _as_in(there, value)


def _as_in(table: MutableMapping[str, Any], value: Any) -> Any:
    """A value as it is written in a table: numbers as people write them, tables in a line."""
    if isinstance(value, Mapping):
        plain = {key: _as_in(table, each) for key, each in value.items()}
        if not isinstance(table, Item):
            return plain
        in_a_line = tomlkit.inline_table()
        in_a_line.update(plain)
        return in_a_line
    return _number(value) if isinstance(value, float) else value


def _say(timed: MutableMapping[str, Any], part: str, wanted: Timed | None) -> None:
    there = timed[part]
    if _said(there) == wanted:
        return
    keys = _keys(wanted)
    if isinstance(there, InlineTable) and there.keys() != keys.keys():
        timed[part] = tomlkit.inline_table()
        timed[part].update(keys)
    else:
        _say_in_place(there, keys)


def _say_in_place(there: MutableMapping[str, Any], keys: Mapping[str, Any]) -> None:
    """Key by key; a comment behind a key that goes is put behind the last that comes."""
    gone = [key for key in there if key not in keys]
    comments = [item.trivia.comment for key in gone if (item := _item(there, key))]
    for key, value in keys.items():
        there[key] = value
    for key in gone:
        del there[key]
    last = _item(there, list(keys)[-1])
    comment = " ".join(filter(None, comments))
    if last and comment:
        last.comment(comment)


def _item(table: object, key: str) -> Item | None:
    item = table.value.item(key) if isinstance(table, Table) else None
    return item if isinstance(item, Item) else None


def _said(part: Mapping[str, Any]) -> Timed | None:
    return None if part.get("off") else (float(part["burst_s"]), float(part["gap_min"]))


def _keys(wanted: Timed | None) -> dict[str, Any]:
    return {"off": True} if wanted is None else {"burst_s": _number(wanted[0]), "gap_min": _number(wanted[1])}


def _number(value: float) -> int | float:
    """As people write it: 6, not 6.0."""
    return int(value) if float(value).is_integer() else value


def _is_toml_of(text: str, plain: Mapping[str, Any]) -> bool:
    try:
        return bool(tomllib.loads(text) == plain)
    except tomllib.TOMLDecodeError:
        return False


def _with_remarks(text: str, remarks: Sequence[str]) -> str:
    lines = [f"# {printable(line)}" for remark in remarks for line in remark.splitlines()]
    if not lines:
        return text
    return "\n".join([text.rstrip("\n"), "", *lines, ""])
