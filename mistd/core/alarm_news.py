"""What is told of an alarm: worked out from how it was and how it is, so that no change goes untold.

This file knows words, not rules: it is handed an alarm before and after one change.
"""

from collections.abc import Callable
from dataclasses import dataclass

from mistd.core.alarms import CHATTER_ALARMS, CHATTER_WITHIN_S, Alarm, Life, Mask
from mistd.core.events import Event, EventKind
from mistd.core.units import S_PER_MIN

K = EventKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """An alarm before and after."""

    before: Alarm
    after: Alarm
    now_s: float
    author: str  # who asked for it; empty when nobody did

    @property
    def is_raised(self) -> bool:
        return self.after.occurrence > self.before.occurrence

    @property
    def is_called(self) -> bool:
        """Whether people are called: raised, and not under a mask."""
        return self.is_raised and self.after.mask is None


Says = Callable[[Change], str | None]


def news(before: Alarm, after: Alarm, now_s: float, author: str = "") -> list[Event]:
    """Everything that a change means, in the order in which it is to be read."""
    change = Change(before=before, after=after, now_s=now_s, author=author)
    told = ((kind, says(change)) for kind, says in SAYINGS)
    return [_event(change, kind, reason) for kind, reason in told if reason is not None]


def _event(change: Change, kind: EventKind, reason: str) -> Event:
    alarm = change.after
    figures: dict[str, float | str] = {
        "alarm": str(alarm.row.kind),
        "occurrence": alarm.occurrence,
        "priority": alarm.row.priority.value,
    }
    if kind is K.ALARM_RAISED:
        figures |= {"is_first": "yes" if alarm.is_first else "no", **alarm.figures}
    return Event(kind=kind, at_s=change.now_s, subject=alarm.subject, reason=reason, figures=figures)


def _shelved(change: Change) -> str | None:
    shelf, was = change.after.shelf, change.before.shelf
    if shelf is None or (was and was.until_s == shelf.until_s):
        return None
    for_min = (shelf.until_s - change.now_s) / S_PER_MIN
    return f"{_title(change)}: put aside by {shelf.author} for {for_min:.3g} min{_note(shelf.note)}"


def _shelf_nearly_over(change: Change) -> str | None:
    shelf, was = change.after.shelf, change.before.shelf
    if shelf is None or was is None or was.is_warned or not shelf.is_warned or was.until_s != shelf.until_s:
        return None
    left_min = max(shelf.until_s - change.now_s, 0.0) / S_PER_MIN
    return f"{_title(change)}: comes back from the shelf in {left_min:.2g} min"


def _unshelved(change: Change) -> str | None:
    shelf = change.before.shelf
    if shelf is None or change.after.shelf:
        return None
    how = f"by {change.author}" if change.author else "its time is over"
    return f"{_title(change)}: off the shelf, {how}{_unseen(change)}"


def _out_of_service(change: Change) -> str | None:
    service = change.after.service
    if service is None or change.before.service:
        return None
    return f"{_title(change)}: out of service, by {service.author}{_note(service.note)}"


def _in_service(change: Change) -> str | None:
    if change.before.service is None or change.after.service:
        return None
    return f"{_title(change)}: back in service, by {change.author}{_unseen(change)}"


def _suppressed(change: Change) -> str | None:
    after = change.after
    if not after.is_by_design or change.before.is_by_design or after.life is Life.NORMAL:
        return None
    return f"{_title(change)}: hidden, for another alarm explains it"


def _unsuppressed(change: Change) -> str | None:
    before, after = change.before, change.after
    if not before.is_by_design or after.is_by_design or before.life is Life.NORMAL:
        return None
    return f"{_title(change)}: no longer explained by another{_unseen(change)}"


def _raised_unseen(change: Change) -> str | None:
    if not change.is_raised or change.is_called:
        return None
    mask = change.after.mask or Mask.SHELVED
    times = f", {change.after.unseen} times so far" if change.after.unseen > 1 else ""
    return f"{_title(change)}, {mask.value.replace('_', ' ')}{times}: {change.after.reason}"


def _raised(change: Change) -> str | None:
    if not change.is_called:
        return None
    if change.before.mask is not None:
        return f"{_title(change)}, still there: {change.after.reason}"
    again = " again, not mended yet" if change.before.is_on else ""
    return f"{_title(change)}{again}: {change.after.reason}"


def _chatters(change: Change) -> str | None:
    if not change.after.chatters(change.now_s) or change.before.chatters(change.now_s):
        return None
    often = f"{CHATTER_ALARMS} times within {CHATTER_WITHIN_S:.0f} s"
    return f"{_title(change)}: raised {often}; find what makes it come and go"


def _acknowledged(change: Change) -> str | None:
    after = change.after
    if after.acknowledged == change.before.acknowledged:
        return None
    return f"{_title(change)}: seen by {after.acknowledged_by}, {(change.now_s - after.raised_s):.0f} s after"


def _silenced(change: Change) -> str | None:
    is_seen = change.after.acknowledged != change.before.acknowledged
    if not change.after.is_silenced or change.before.is_silenced or is_seen:
        return None
    return f"{_title(change)}: silenced by {change.author}, not acknowledged"


def _returned(change: Change) -> str | None:
    after = change.after
    if not change.before.is_on or after.is_on or after.life is Life.NORMAL:
        return None
    left = "wants to be acknowledged" if after.life is Life.RETURNED else "held until it is reset"
    return f"{_title(change)}: over after {change.now_s - after.raised_s:.0f} s; {left}"


def _reset(change: Change) -> str | None:
    is_reset = change.before.life is Life.LATCHED and change.after.life is Life.NORMAL
    return f"{_title(change)}: reset by {change.author}" if is_reset else None


def _cleared(change: Change) -> str | None:
    if change.before.life is Life.NORMAL or change.after.life is not Life.NORMAL:
        return None
    return f"{_title(change)}: cleared"


def _title(change: Change) -> str:
    return change.after.row.title


def _note(note: str) -> str:
    return f": {note}" if note else ""


def _unseen(change: Change) -> str:
    """What went on under the mask, once it is gone."""
    unseen = change.before.unseen if change.after.mask is None else 0
    return f"; raised {'once' if unseen == 1 else f'{unseen} times'} meanwhile" if unseen else ""


SAYINGS: tuple[tuple[EventKind, Says], ...] = (
    (K.ALARM_SHELVED, _shelved),
    (K.ALARM_SHELF_NEARLY_OVER, _shelf_nearly_over),
    (K.ALARM_UNSHELVED, _unshelved),
    (K.ALARM_OUT_OF_SERVICE, _out_of_service),
    (K.ALARM_IN_SERVICE, _in_service),
    (K.ALARM_SUPPRESSED, _suppressed),
    (K.ALARM_UNSUPPRESSED, _unsuppressed),
    (K.ALARM_RAISED_UNSEEN, _raised_unseen),
    (K.ALARM_RAISED, _raised),
    (K.ALARM_CHATTERS, _chatters),
    (K.ALARM_ACKNOWLEDGED, _acknowledged),
    (K.ALARM_SILENCED, _silenced),
    (K.ALARM_RETURNED, _returned),
    (K.ALARM_RESET, _reset),
    (K.ALARM_CLEARED, _cleared),
)
