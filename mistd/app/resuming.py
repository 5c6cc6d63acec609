"""What was written down before this start, read again: rows, how far their seconds are off, what was set.

Nothing in here writes. What cannot be understood is named and left out.
"""

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from math import inf, isfinite
from typing import Any

from pydantic import ValidationError

from mistd.app.demand_plan import Benches
from mistd.app.saving import CLOCK_ROW, RUN_ROW
from mistd.app.setting_forms import FORMS
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.rows import Row
from mistd.core.settings import Key, PartsSet, Revision, SettingKind, Settings, SettingValue
from mistd.ports.clock import Clock
from mistd.ports.store import REVISIONS_LOADED, KeptRevision


def readable_rows(texts: Mapping[str, str]) -> tuple[dict[str, Row], list[str]]:
    """The rows of a store as the core wants them, and which could not be read."""
    rows: dict[str, Row] = {}
    unreadable: list[str] = []
    for name, text in texts.items():
        try:
            row: Any = json.loads(text)
        except (ValueError, RecursionError):
            row = None
        if isinstance(row, dict):
            rows[name] = row
        else:
            unreadable.append(f"{name}: not a JSON object")
    return _of_one_run(rows), unreadable


def _of_one_run(rows: dict[str, Row]) -> dict[str, Row]:
    """The rows that count in the same seconds as the last; one of a zone long out of the file may not."""
    run = rows.get(CLOCK_ROW, {}).get("boot_id")
    return {name: row for name, row in rows.items() if row.get("boot_id") == run}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """How the instants in the rows relate to the machine's monotonic clock now."""

    by_s: float  # to be added to them
    is_time_away_known: bool


def shift_of(rows: Mapping[str, Row], clock: Clock, boot_id: str) -> Shift:
    """What to add to the instants in the rows, which count from the start of the machine that wrote them.

    After a restart of the machine the time away is taken from the wall clock, when that was and is trusted.
    Else it is not known, and what is safe differs: see `restored`.
    """
    row = rows.get(CLOCK_ROW, {})
    saved_s = _saved_s(row)
    if row.get("boot_id") == boot_id or not rows:
        return Shift(by_s=0.0, is_time_away_known=True)
    if saved_s is None:
        return Shift(by_s=0.0, is_time_away_known=False)
    away_s = _away_s(row, clock)
    return Shift(by_s=clock.now_s() - saved_s - (away_s or 0.0), is_time_away_known=away_s is not None)


def _saved_s(row: Row) -> float | None:
    saved_s = row.get("now_s")
    if isinstance(saved_s, bool) or not isinstance(saved_s, int | float):
        return None
    try:
        return float(saved_s) if isfinite(saved_s) else None
    except OverflowError:  # a whole number beyond any float
        return None


def _away_s(row: Row, clock: Clock) -> float | None:
    if not (row.get("is_trusted") and clock.is_trusted() and clock.is_synchronised()):
        return None
    try:
        away_s = (clock.utc() - datetime.fromisoformat(str(row.get("utc")))).total_seconds()
    except (ValueError, TypeError):
        return None
    return away_s if away_s >= 0.0 else None


def settings_from(
    kept: Iterable[KeptRevision], last_id: int, clock: Clock, benches: Benches
) -> tuple[Settings, list[str]]:
    """What was set before this start, and which revisions could not be read.

    When a passing one ends is reckoned by the calendar; while that is not trusted it counts as ended, which
    costs no more than the way back to it: what is in force is in the rows of the zones.

    Where a store gives as many revisions of a setting as it ever does, there may have been others before. A
    cycle is reckoned for its bench as the house's file describes that now.
    """
    settings, unreadable = Settings(last_id=last_id), []
    given: Counter[Key] = Counter()
    for each in kept:
        try:
            revision = _revision(each, clock, benches)
        except (ValueError, ValidationError) as problem:
            unreadable.append(f"revision {each.id}: {str(problem).splitlines()[0]}")
        else:
            settings = settings.with_revision(revision)
            given[revision.key] += 1
    cut = frozenset(key for key, count in given.items() if count >= REVISIONS_LOADED)
    return replace(settings, cut=cut), unreadable


def _revision(kept: KeptRevision, clock: Clock, benches: Benches) -> Revision:
    """One revision as the core has it.

    Raises:
        ValueError: it is none of this version's.
    """
    kind = SettingKind(kept.kind)
    return Revision(
        id=kept.id,
        kind=kind,
        zone=kept.subject,
        value=None if kept.value is None else benches.reckoned(kept.subject, _value(kind, kept.value)),
        ends_s=inf if kept.until is None else _ends_s(kept.until, clock),
        author=kept.author,
        note=kept.note,
        request_id=kept.request_id,
        undoes=kept.undoes,
    )


def _value(kind: SettingKind, text: str) -> SettingValue:
    form = FORMS[kind]
    value = form.core(form.form.model_validate_json(text))
    if not isinstance(value, PartsSet):
        return value
    if set(value.parts) != set(DayPart):
        raise ValueError("a timetable without every part of the day")
    return TimedCycle(parts=value.parts)


def _ends_s(until: str, clock: Clock) -> float:
    ends = datetime.fromisoformat(until)
    if ends.tzinfo is None:
        raise ValueError(f"{until!r} without an offset could be any hour")
    if not clock.is_trusted():
        return -inf
    return clock.now_s() + (ends - clock.utc()).total_seconds()


def journal_gap(rows: Mapping[str, Row], clock: Clock) -> str | None:
    """In words, from when on nothing is written down, when the last run did not end by itself."""
    if rows.get(RUN_ROW, {}).get("state") != "running":
        return None
    last, now = str(rows.get(CLOCK_ROW, {}).get("utc", "an unknown instant")), clock.utc().isoformat()
    moved = ", by a clock that was set back meanwhile" if last[:1].isdigit() and last > now else ""
    return f"killed or without power: nothing is written down from {last} to {now}{moved}"
