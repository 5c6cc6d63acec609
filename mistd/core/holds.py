"""Holds: a zone kept dry while people work in it.

Rule 1: a hold always ends by itself, and says two minutes before that mist is coming; when that could not be
said in time (the program was away), whoever is in there still gets the two minutes.
Rule 2: no hold is shortened by another; only a release, or undoing one's own, ends one before its time.
Rule 3: whoever asks for a hold is told "done" only when the valve is reported shut and the hold is on disk.
"""

from collections.abc import Iterator
from math import inf

from mistd.core.actions import AnswerRequest, Outcome, ShutValve
from mistd.core.events import EventKind
from mistd.core.interlocks import EDGE_S
from mistd.core.requests import AskHold, AskRelease, AskUndo
from mistd.core.settings import HoldSet, Revision, SettingKind
from mistd.core.turn import Turn
from mistd.core.units import S_PER_HOUR, S_PER_MIN
from mistd.core.zone import HOLD_WARNING_S, Hold, Phase, Zone, next_hold_duty_s

SHORTEST_HOLD_S = 60.0


def ask_hold(turn: Turn, asked: AskHold) -> None:
    """Begin or prolong a hold, or say why not."""
    problems = [
        *turn.stale((SettingKind.HOLD, asked.zone), asked.expected_revision),
        *_why_no_hold(turn, asked),
    ]
    if problems:
        turn.refuse(asked.request_id, asked.zone, asked.author, "; ".join(problems))
        return
    zone = turn.touch(turn.plan.index[asked.zone])
    before = zone.hold
    zone.hold = _longer_hold(before, asked, turn.now_s)
    left_s = zone.hold.ends_s - turn.now_s
    if zone.phase is Phase.RESTING:
        confirm_hold(turn, zone, asked)
    else:
        zone.held_when_shut = (*zone.held_when_shut, asked)
        turn.ask_for(ShutValve(zone=asked.zone, reason=f"held dry by {asked.author}"))
    if zone.hold is not before:
        kind = EventKind.HOLD_STARTED if before is None else EventKind.HOLD_EXTENDED
        reason = f"held dry by {asked.author}" + (f": {asked.note}" if asked.note else "")
        turn.tell(kind, asked.zone, reason, {"for_s": left_s})


def confirm_hold(turn: Turn, zone: Zone, asked: AskHold) -> None:
    """The valve is shut: whoever asked may go in as soon as the hold is on disk."""
    assert zone.hold is not None, "a hold that ended has refused everyone who waited for it"
    left_s = zone.hold.ends_s - turn.now_s
    value = HoldSet(for_s=asked.for_s)
    revision = turn.record(
        SettingKind.HOLD, asked.zone, value, zone.hold.ends_s, asked.author, asked.note, asked.request_id
    )
    reason = f"held dry for {left_s / S_PER_MIN:.3g} min; revision {revision.id}"
    turn.ask_for(_kept_answer(asked.request_id, reason, left_s, revision.id))


def _longer_hold(hold: Hold | None, asked: AskHold, now_s: float) -> Hold:
    """The hold after somebody asks for one: whoever was promised longer keeps that."""
    ends_s = now_s + asked.for_s
    if hold and hold.ends_s > ends_s:
        return hold
    return Hold(ends_s=ends_s, author=asked.author, note=asked.note)


def _why_no_hold(turn: Turn, asked: AskHold) -> Iterator[str]:
    longest_s = turn.plan.longest_hold_s
    if not SHORTEST_HOLD_S <= asked.for_s <= longest_s:
        yield (
            f"a hold of {asked.for_s / S_PER_MIN:g} min; allowed {SHORTEST_HOLD_S / S_PER_MIN:g} to "
            f"{longest_s / S_PER_MIN:g} min: ask again before it ends to prolong it"
        )
    zone = turn.zone(turn.plan.index[asked.zone])
    if not turn.is_keeper_ready:
        yield "no keeper answers, so the valve is not proved shut: close the hand valve before you go in"
    elif zone.is_unproved:
        yield "the valve was not reported shut after a burst: close the hand valve before you go in"
    if zone.closed and zone.closed.ends_s > turn.now_s:
        left_h = (zone.closed.ends_s - turn.now_s) / S_PER_HOUR
        note = f" ({zone.closed.note})" if zone.closed.note else ""
        yield (
            f"{zone.closed.author} closed it{note} for {left_h:.1f} h more: nobody may go in before it is "
            "opened again"
        )


def _kept_answer(request_id: str, reason: str, for_s: float, revision: int) -> AnswerRequest:
    return AnswerRequest(
        request_id=request_id,
        outcome=Outcome.DONE,
        reason=reason,
        figures={"for_s": for_s, "revision": revision},
        must_be_kept=True,
    )


def ask_release(turn: Turn, asked: AskRelease, undoes: int | None = None) -> None:
    """End a hold before its time; releasing what is not held changes nothing and is no mistake."""
    index = turn.plan.index[asked.zone]
    problems = [*turn.stale((SettingKind.HOLD, asked.zone), asked.expected_revision)]
    if problems:
        turn.refuse(asked.request_id, asked.zone, asked.author, problems[0])
        return
    if turn.zone(index).hold is None:
        turn.answer(asked.request_id, Outcome.DONE, "it was not held")
        return
    _end_hold(turn, turn.touch(index), f"released by {asked.author}")
    revision = turn.record(
        SettingKind.HOLD, asked.zone, None, inf, asked.author, asked.note, asked.request_id, undoes
    )
    reason = f"released; mist goes on by its cycle; revision {revision.id}"
    turn.ask_for(_kept_answer(asked.request_id, reason, 0.0, revision.id))


def undo_hold(turn: Turn, asked: AskUndo, revision: Revision) -> None:
    """Take a hold back: whoever holds the zone beneath it keeps it to the end that was promised to him."""
    beneath = _held_beneath(turn, revision)
    if beneath is None:
        release = AskRelease(
            request_id=asked.request_id, zone=revision.zone, author=asked.author, note=asked.note
        )
        ask_release(turn, release, undoes=revision.id)
        return
    zone = turn.touch(turn.plan.index[revision.zone])
    ends_s = max(beneath.ends_s, turn.now_s + HOLD_WARNING_S)  # nobody in there has been warned yet
    left_s = ends_s - turn.now_s
    zone.hold = Hold(ends_s=ends_s, author=beneath.author, note=beneath.note)
    value = HoldSet(for_s=left_s)
    undone = turn.record(
        SettingKind.HOLD,
        revision.zone,
        value,
        ends_s,
        asked.author,
        asked.note,
        asked.request_id,
        revision.id,
    )
    what = f"revision {revision.id} undone: {beneath.author} holds it for {left_s / S_PER_MIN:.3g} min more"
    figures: dict[str, float | str] = {"revision": undone.id, "setting": SettingKind.HOLD.value}
    turn.tell(EventKind.SETTING_UNDONE, revision.zone, f"{what}, by {asked.author}", figures)
    turn.ask_for(_kept_answer(asked.request_id, f"{what}; revision {undone.id}", left_s, undone.id))


def _held_beneath(turn: Turn, revision: Revision) -> Revision | None:
    """The longest of the holds that were asked for before this one, since the last release."""
    longest: Revision | None = None
    for other in reversed(turn.settings.stacks.get(revision.key, ())):
        if other.value is None:
            break
        is_longer = longest is None or other.ends_s > longest.ends_s
        if other.id != revision.id and other.ends_s > turn.now_s and is_longer:
            longest = other
    return longest


def attend_hold(turn: Turn, index: int) -> None:
    """Warn before the end, and end at the end."""
    hold = turn.zone(index).hold
    if hold is None or next_hold_duty_s(hold) > turn.now_s:
        return
    zone = turn.touch(index)
    if hold.is_warned:
        _end_hold(turn, zone, "its time is over")
        return
    is_in_time = hold.ends_s - turn.now_s >= SHORTEST_HOLD_S - EDGE_S
    ends_s = hold.ends_s if is_in_time else turn.now_s + HOLD_WARNING_S
    zone.hold = Hold(ends_s=ends_s, author=hold.author, note=hold.note, is_warned=True)
    left_s = min(ends_s - turn.now_s, HOLD_WARNING_S)
    turn.tell(
        EventKind.HOLD_NEARLY_OVER,
        zone.plan.name,
        f"mist may come in {left_s / S_PER_MIN:.0f} min: leave the zone, or ask for the hold again",
        {"left_s": round(left_s, 1)},
    )


def _end_hold(turn: Turn, zone: Zone, reason: str) -> None:
    zone.hold = None
    for asked in zone.held_when_shut:
        why = f"{reason}, before the valve was reported shut"
        turn.refuse(asked.request_id, asked.zone, asked.author, why)
    zone.held_when_shut = ()
    turn.ask_guards_again(zone)
    turn.tell(EventKind.HOLD_ENDED, zone.plan.name, reason)
