"""Holds: a zone kept dry while people work in it.

Rule 1: a hold always ends by itself, and says two minutes before that mist is coming; when that could not be
said in time (the program was away), whoever is in there still gets the two minutes.
Rule 2: no hold is shortened by another; only a release ends one before its time.
Rule 3: whoever asks for a hold is told "done" only when the valve is reported shut and the hold is on disk.
"""

from mistd.core.actions import AnswerRequest, Outcome, ShutValve
from mistd.core.bursts import ask_guards_again
from mistd.core.events import EventKind
from mistd.core.interlocks import EDGE_S
from mistd.core.requests import AskHold, AskRelease
from mistd.core.turn import Turn
from mistd.core.units import S_PER_MIN
from mistd.core.zone import HOLD_WARNING_S, Hold, Phase, Zone, next_hold_duty_s

SHORTEST_HOLD_S = 60.0


def ask_hold(turn: Turn, asked: AskHold) -> None:
    """Begin or prolong a hold, or say why not."""
    problem = _why_no_hold(turn, asked)
    if problem:
        turn.answer(asked.request_id, Outcome.REFUSED, problem)
        return
    zone = turn.touch(turn.plan.index[asked.zone])
    before = zone.hold
    zone.hold = _longer_hold(before, asked, turn.now_s)
    left_s = zone.hold.ends_s - turn.now_s
    answer = _kept_answer(asked.request_id, f"held dry for {left_s / S_PER_MIN:.3g} min", left_s)
    if zone.phase is Phase.RESTING:
        turn.ask_for(answer)
    else:
        zone.answers_when_shut = (*zone.answers_when_shut, answer)
        turn.ask_for(ShutValve(zone=asked.zone, reason=f"held dry by {asked.author}"))
    if zone.hold is not before:
        kind = EventKind.HOLD_STARTED if before is None else EventKind.HOLD_EXTENDED
        reason = f"held dry by {asked.author}" + (f": {asked.note}" if asked.note else "")
        turn.tell(kind, asked.zone, reason, {"for_s": left_s})


def _longer_hold(hold: Hold | None, asked: AskHold, now_s: float) -> Hold:
    """The hold after somebody asks for one: whoever was promised longer keeps that."""
    ends_s = now_s + asked.for_s
    if hold and hold.ends_s > ends_s:
        return hold
    return Hold(ends_s=ends_s, author=asked.author, note=asked.note)


def _why_no_hold(turn: Turn, asked: AskHold) -> str | None:
    longest_s = turn.plan.longest_hold_s
    if not SHORTEST_HOLD_S <= asked.for_s <= longest_s:
        return (
            f"a hold of {asked.for_s / S_PER_MIN:g} min; allowed {SHORTEST_HOLD_S / S_PER_MIN:g} to "
            f"{longest_s / S_PER_MIN:g} min: ask again before it ends to prolong it"
        )
    if not turn.is_keeper_ready:
        return "no keeper answers, so the valve is not proved shut: close the hand valve before you go in"
    if turn.zone(turn.plan.index[asked.zone]).is_unproved:
        return "the valve was not reported shut after a burst: close the hand valve before you go in"
    return None


def _kept_answer(request_id: str, reason: str, for_s: float) -> AnswerRequest:
    return AnswerRequest(
        request_id=request_id,
        outcome=Outcome.DONE,
        reason=reason,
        figures={"for_s": for_s},
        must_be_kept=True,
    )


def ask_release(turn: Turn, asked: AskRelease) -> None:
    """End a hold before its time; releasing what is not held changes nothing and is no mistake."""
    index = turn.plan.index[asked.zone]
    if turn.zone(index).hold is None:
        turn.answer(asked.request_id, Outcome.DONE, "it was not held")
        return
    _end_hold(turn, turn.touch(index), f"released by {asked.author}")
    turn.ask_for(_kept_answer(asked.request_id, "released; mist goes on by its cycle", 0.0))


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
    for answer in zone.answers_when_shut:
        turn.answer(answer.request_id, Outcome.REFUSED, f"{reason}, before the valve was reported shut")
    zone.answers_when_shut = ()
    ask_guards_again(turn, zone)
    turn.tell(EventKind.HOLD_ENDED, zone.plan.name, reason)
