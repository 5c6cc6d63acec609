"""Changes of settings: judged as a whole, then refused with every reason or put in force and recorded.

Rule 1: a change that would break a promise is refused, never clipped; a refused one changes nothing.
Rule 2: a change cuts no burst short; it counts from the next one. Only a hold shuts a valve: it is asked to.
Rule 3: everything passing ends by itself.
Rule 4: who gave the revision that he saw is refused when the setting has been changed since.

A new kind of setting is a value in `settings`, and here one line of `SETTERS`.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import inf
from typing import Any

from mistd.core.actions import AnswerRequest, Outcome
from mistd.core.bursts import stop_waiting
from mistd.core.change_rules import (
    closed_problems,
    cycle_problems,
    problems_of_going_back,
    skip_problems,
    timetable_problems,
    trim_problems,
)
from mistd.core.cycles import TimedCycle
from mistd.core.events import EventKind
from mistd.core.holds import ask_hold, ask_release, undo_hold
from mistd.core.leading import take_cycle
from mistd.core.requests import AskHold, AskRelease, AskSetting, AskUndo
from mistd.core.settings import (
    LASTING,
    ClosedSet,
    CycleSet,
    HoldSet,
    PartsSet,
    Revision,
    SettingKind,
    SettingValue,
    SkipSet,
    TrimSet,
    said,
    until_s,
)
from mistd.core.turn import Turn
from mistd.core.units import PERCENT
from mistd.core.zone import Closed, Phase, Skip, Trim, Zone


@dataclass(frozen=True, slots=True, kw_only=True)
class Setter:
    """How one kind of setting is judged and put in force; the value is of the kind's own type."""

    problems: Callable[[Turn, Zone, Any], Iterator[str]]
    put: Callable[
        [Turn, Zone, Any, float, AskSetting | AskUndo], None
    ]  # value or None, until when, who asked


def ask_setting(turn: Turn, asked: AskSetting) -> None:
    """Put a value in force, or say everything that speaks against it."""
    if asked.kind is SettingKind.HOLD:
        _ask_hold(turn, asked)
        return
    index = turn.plan.index[asked.zone]
    zone = turn.zone(index)
    value = asked.value
    if isinstance(value, PartsSet):
        value = TimedCycle(parts={**zone.cycle.parts, **value.parts})
    problems = [*turn.stale((asked.kind, asked.zone), asked.expected_revision)]
    if value is None:
        problems += problems_of_going_back(turn, zone, asked.kind, None)
    else:
        problems += SETTERS[asked.kind].problems(turn, zone, value)
    if problems:
        turn.refuse(asked.request_id, asked.zone, asked.author, "; ".join(problems))
        return
    ends_s = until_s(value, turn.now_s)
    _put(turn, index, asked.kind, value, ends_s, asked)
    revision = turn.record(asked.kind, asked.zone, value, ends_s, asked.author, asked.note, asked.request_id)
    _tell(turn, revision, asked.request_id, EventKind.SETTING_CHANGED)


def _ask_hold(turn: Turn, asked: AskSetting) -> None:
    who: dict[str, Any] = {
        "request_id": asked.request_id,
        "zone": asked.zone,
        "author": asked.author,
        "note": asked.note,
        "expected_revision": asked.expected_revision,
    }
    if isinstance(asked.value, HoldSet):
        ask_hold(turn, AskHold(for_s=asked.value.for_s, **who))
    else:
        ask_release(turn, AskRelease(**who))


def ask_undo(turn: Turn, asked: AskUndo) -> None:
    """Set a setting back to what it was before a revision: the newest that was not taken back itself."""
    revision = turn.settings.found(asked.revision)
    problem = _why_not_undone(turn, asked, revision)
    if problem or revision is None:
        turn.refuse(asked.request_id, revision.zone if revision else turn.plan.name, asked.author, problem)
        return
    if revision.kind is SettingKind.HOLD:
        undo_hold(turn, asked, revision)
        return
    value, ends_s = _value_before(turn, revision)
    index = turn.plan.index[revision.zone]
    problems = list(problems_of_going_back(turn, turn.zone(index), revision.kind, value))
    if problems:
        turn.refuse(asked.request_id, revision.zone, asked.author, "; ".join(problems))
        return
    _put(turn, index, revision.kind, value, ends_s, asked)
    undone = turn.record(
        revision.kind,
        revision.zone,
        value,
        ends_s,
        asked.author,
        asked.note,
        asked.request_id,
        undoes=revision.id,
    )
    _tell(turn, undone, asked.request_id, EventKind.SETTING_UNDONE)


def _why_not_undone(turn: Turn, asked: AskUndo, revision: Revision | None) -> str:
    if revision is None:
        return f"there is no revision {asked.revision} that can be undone; look at the list of settings"
    if revision.zone not in turn.plan.index:
        return f"revision {revision.id} is of zone {revision.zone}, which is no longer in the house's file"
    return _why_not_taken_back(turn, revision)


def _why_not_taken_back(turn: Turn, revision: Revision) -> str:
    top = turn.settings.top(revision.key) or revision
    if top.value is not None and not _is_in_force(turn, top):
        return f"nothing of revision {revision.id} is in force any more: there is nothing to undo"
    if top.id != revision.id:
        return f"revision {top.id} by {top.author} set the same after it: undo that one first"
    if revision.kind is SettingKind.HOLD:
        return "" if revision.value else f"revision {revision.id} ended a hold: ask for the hold again"
    if not turn.settings.is_known_before(revision):
        return f"what it was before revision {revision.id} is no longer remembered: set it anew"
    return ""


def _is_in_force(turn: Turn, revision: Revision) -> bool:
    zone = turn.zone(turn.plan.index[revision.zone])
    passing = {
        SettingKind.TRIM: zone.trim,
        SettingKind.HOLD: None if zone.held_when_shut else zone.hold,  # who waits has no revision yet
        SettingKind.CLOSED: zone.closed,
        SettingKind.SKIP: zone.skip,
    }
    return revision.kind in LASTING or passing[revision.kind] is not None


def _value_before(turn: Turn, revision: Revision) -> tuple[SettingValue | None, float]:
    """What held before a revision, unless that would have ended by now."""
    below = turn.settings.below(revision)
    if below is None or below.value is None or below.ends_s <= turn.now_s:
        return None, inf
    if isinstance(below.value, TrimSet):
        return TrimSet(fraction=below.value.fraction, for_s=below.ends_s - turn.now_s), below.ends_s
    if isinstance(below.value, ClosedSet):
        return ClosedSet(for_s=below.ends_s - turn.now_s), below.ends_s
    return (below.value, inf) if isinstance(below.value, TimedCycle | CycleSet) else (None, inf)


def _put(
    turn: Turn,
    index: int,
    kind: SettingKind,
    value: SettingValue | None,
    ends_s: float,
    asked: AskSetting | AskUndo,
) -> None:
    SETTERS[kind].put(turn, turn.touch(index), value, ends_s, asked)
    reckon_anew(turn, index)


def reckon_anew(turn: Turn, index: int) -> None:
    """When is the next burst due, now that something was changed? A burst that runs is left to its end."""
    zone = turn.touch(index)
    if zone.phase is not Phase.RESTING:
        return
    turn.set_mark(zone)
    if zone.is_waiting and zone.due_s > turn.now_s:
        stop_waiting(turn, index)


def _tell(turn: Turn, revision: Revision, request_id: str, kind: EventKind) -> None:
    what = said(revision.kind, revision.value)
    if revision.undoes is not None:
        what = f"revision {revision.undoes} undone: {what}"
    note = f": {revision.note}" if revision.note else ""
    figures: dict[str, float | str] = {"revision": revision.id, "setting": revision.kind.value}
    turn.tell(kind, revision.zone, f"{what}, by {revision.author}{note}", figures)
    answer_figures: dict[str, float | str] = {"revision": revision.id}
    if revision.ends_s < inf:
        answer_figures["for_s"] = round(revision.ends_s - turn.now_s, 3)
    turn.ask_for(
        AnswerRequest(
            request_id=request_id,
            outcome=Outcome.DONE,
            reason=f"{what}; revision {revision.id}",
            figures=answer_figures,
            must_be_kept=True,
        )
    )


def attend_passing(turn: Turn, index: int) -> None:
    """End what is over."""
    zone = turn.zone(index)
    if zone.trim and zone.trim.ends_s <= turn.now_s:
        percent = zone.trim.fraction * PERCENT
        turn.touch(index).trim = None
        reckon_anew(turn, index)
        turn.tell(EventKind.TRIM_ENDED, zone.plan.name, f"the trim of {percent:+.3g} % is over")
    if zone.closed and zone.closed.ends_s <= turn.now_s:
        turn.touch(index).closed = None
        turn.tell(EventKind.CLOSED_ENDED, zone.plan.name, "it may be entered again, by the time that was set")
    if zone.skip and zone.skip.ends_s <= turn.now_s:
        turn.touch(index).skip = None
        turn.tell(EventKind.SKIP_ENDED, zone.plan.name, "its time is over and no burst was left out")


def _put_timetable(_turn: Turn, zone: Zone, value: TimedCycle | None, _ends_s: float, _asked: Any) -> None:
    zone.timetable = value


def _put_cycle(turn: Turn, zone: Zone, value: CycleSet | None, _ends_s: float, _asked: Any) -> None:
    before, zone.cycle_set = zone.demand_cycle, value
    take_cycle(turn, zone, before)


def _put_trim(
    _turn: Turn, zone: Zone, value: TrimSet | None, ends_s: float, asked: AskSetting | AskUndo
) -> None:
    zone.trim = None
    if value:
        zone.trim = Trim(fraction=value.fraction, ends_s=ends_s, author=asked.author, note=asked.note)


def _put_closed(
    _turn: Turn, zone: Zone, value: ClosedSet | None, ends_s: float, asked: AskSetting | AskUndo
) -> None:
    zone.closed = Closed(ends_s=ends_s, author=asked.author, note=asked.note) if value else None


def _put_skip(
    _turn: Turn, zone: Zone, value: SkipSet | None, ends_s: float, asked: AskSetting | AskUndo
) -> None:
    zone.skip = Skip(ends_s=ends_s, author=asked.author, note=asked.note) if value else None


SETTERS: dict[SettingKind, Setter] = {
    SettingKind.TIMETABLE: Setter(problems=timetable_problems, put=_put_timetable),
    SettingKind.CYCLE: Setter(problems=cycle_problems, put=_put_cycle),
    SettingKind.TRIM: Setter(problems=trim_problems, put=_put_trim),
    SettingKind.CLOSED: Setter(problems=closed_problems, put=_put_closed),
    SettingKind.SKIP: Setter(problems=skip_problems, put=_put_skip),
}  # a hold has to do with valves and people: see `holds`
