"""What people may ask of an alarm, and how each is answered in words.

Rule: asked once more, a request changes nothing and is answered done again; refused, it changed nothing.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from mistd.core.alarm_life import (
    RefusedError,
    acknowledged,
    in_service,
    out_of_service,
    reset,
    shelved,
    silenced,
    unshelved,
)
from mistd.core.alarms import Alarm, Life
from mistd.core.units import S_PER_MIN


class AlarmVerb(StrEnum):
    """What people may ask of an alarm; the value is the word used outside."""

    ACKNOWLEDGE = "acknowledge"
    SILENCE = "silence"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    OUT_OF_SERVICE = "out_of_service"
    IN_SERVICE = "in_service"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRequest:
    """What a person asks of an alarm; repeated with the same id it is the caller's to answer the same."""

    verb: AlarmVerb
    author: str
    kind: str | None = None  # None: all that sound; only to silence
    subject: str | None = None
    occurrence: int | None = None  # to acknowledge: the one that was seen
    for_s: float | None = None  # to shelve
    note: str = ""


Obeyed = tuple[Alarm, str]  # the alarm after it, and the answer in words


def obeyed(alarm: Alarm, request: AlarmRequest, now_s: float) -> Obeyed:
    """The alarm after a request, and the answer in words.

    Raises:
        RefusedError: it cannot be; the message says what to do instead.
    """
    return VERBS[request.verb](alarm, request, now_s)


def _acknowledge(alarm: Alarm, request: AlarmRequest, now_s: float) -> Obeyed:
    if request.occurrence is None:
        raise RefusedError(f"name the occurrence that you saw; the last one is {alarm.occurrence}")
    after = acknowledged(alarm, request.occurrence, request.author, now_s)
    if after is alarm:
        return alarm, f"it was acknowledged already, by {alarm.acknowledged_by}"
    left = {
        Life.ACKNOWLEDGED: f"acknowledged; now: {alarm.row.remedy[0]}",
        Life.LATCHED: "acknowledged; its cause is gone: reset it when you have understood it",
        Life.NORMAL: "acknowledged and cleared: its cause is gone",
    }
    return after, left[after.life]


def _silence(alarm: Alarm, _request: AlarmRequest, now_s: float) -> Obeyed:
    after = silenced(alarm, now_s)
    return (
        after,
        "it does not sound" if after is alarm else "silenced until it is raised again; not acknowledged",
    )


def _shelve(alarm: Alarm, request: AlarmRequest, now_s: float) -> Obeyed:
    if request.for_s is None:
        raise RefusedError("say for how long: nothing is shelved without an end")
    after = shelved(alarm, for_s=request.for_s, author=request.author, note=request.note, now_s=now_s)
    return after, f"shelved for {request.for_s / S_PER_MIN:.3g} min"


def _unshelve(alarm: Alarm, _request: AlarmRequest, now_s: float) -> Obeyed:
    after = unshelved(alarm, now_s)
    return after, "it was not shelved" if after is alarm else "off the shelf"


def _reset(alarm: Alarm, _request: AlarmRequest, _now_s: float) -> Obeyed:
    return reset(alarm), "reset and cleared"


def _out_of_service(alarm: Alarm, request: AlarmRequest, now_s: float) -> Obeyed:
    after = out_of_service(alarm, author=request.author, note=request.note, now_s=now_s)
    if alarm.service:
        return alarm, f"it was out of service already, by {alarm.service.author}: {alarm.service.note}"
    return after, "out of service until you put it back: it will call nobody"


def _in_service(alarm: Alarm, _request: AlarmRequest, now_s: float) -> Obeyed:
    after = in_service(alarm, now_s)
    return after, "it was in service" if after is alarm else "back in service"


VERBS: Mapping[AlarmVerb, Callable[[Alarm, AlarmRequest, float], Obeyed]] = {
    AlarmVerb.ACKNOWLEDGE: _acknowledge,
    AlarmVerb.SILENCE: _silence,
    AlarmVerb.SHELVE: _shelve,
    AlarmVerb.UNSHELVE: _unshelve,
    AlarmVerb.RESET: _reset,
    AlarmVerb.OUT_OF_SERVICE: _out_of_service,
    AlarmVerb.IN_SERVICE: _in_service,
}
