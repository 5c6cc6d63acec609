"""How an alarm goes through its life: what its condition, time, people and other alarms do to it.

Alarm in, alarm out; what changes nothing hands back the same object, what cannot be raises `RefusedError`.
What comes in here is on or off: a condition that is a number has its deadband where it is measured.

Rule 1: masks, acknowledgements and silence change no condition and no control: nothing decides by them.
Rule 2: an acknowledgement names the occurrence that was seen, and never acknowledges a later one.
Rule 3: every shelving ends by itself, and never later than its kind allows.
"""

from collections.abc import Mapping
from dataclasses import replace

from mistd.core.alarms import (
    CHATTER_ALARMS,
    LEAVING_MASK,
    SHELF_WARNING_S,
    Alarm,
    Happening,
    Life,
    Mask,
    OutOfService,
    Shelf,
)
from mistd.core.units import S_PER_MIN

H = Happening


class RefusedError(ValueError):
    """What was asked cannot be done with the alarm as it stands; nothing was changed."""


# What the condition and time do


def seen(
    alarm: Alarm,
    *,
    is_on: bool,
    now_s: float,
    reason: str = "",
    figures: Mapping[str, float | str] | None = None,
    patience_s: float = 0.0,
) -> Alarm:
    """The alarm after its condition was looked at; it counts only once it has held for its delay."""
    if is_on is not alarm.is_wanted:
        alarm = replace(alarm, is_wanted=is_on, wanted_s=now_s)
    if not alarm.is_looked_at:
        alarm = replace(alarm, is_looked_at=True)
    if is_on and (alarm.reason, alarm.patience_s) != (reason, patience_s):
        alarm = replace(alarm, reason=reason, figures=figures or {}, patience_s=patience_s)
    return due(alarm, now_s)


def due(alarm: Alarm, now_s: float) -> Alarm:
    """The alarm after what time alone does: delays that are over, a shelving that ends, a reminder."""
    if alarm.delay_ends_s <= now_s:
        alarm = _condition_changed(alarm, now_s)
    if alarm.shelf and alarm.shelf_duty_s <= now_s:
        alarm = _shelf_attended(alarm, alarm.shelf, now_s)
    if alarm.reminder_s <= now_s:
        alarm = _raised(alarm, now_s)
    return alarm


def _condition_changed(alarm: Alarm, now_s: float) -> Alarm:
    """The condition comes or goes; a masked alarm follows it unseen and counts it."""
    if not alarm.is_wanted:
        return replace(alarm, life=alarm.row.table[alarm.life][H.CONDITION_OFF], over_s=now_s)
    is_unseen = alarm.mask is not None
    raisings_s = (*alarm.raisings_s, now_s)[-CHATTER_ALARMS:]
    return replace(_raised(alarm, now_s), unseen=alarm.unseen + is_unseen, raisings_s=raisings_s)


def _raised(alarm: Alarm, now_s: float) -> Alarm:
    """Raised anew: another occurrence, to be seen and heard however the last one ended."""
    return replace(
        alarm,
        life=Life.UNACKNOWLEDGED,
        occurrence=alarm.occurrence + 1,
        raised_s=now_s,
        is_silenced=False,
    )


def _shelf_attended(alarm: Alarm, shelf: Shelf, now_s: float) -> Alarm:
    if shelf.until_s <= now_s:
        return unshelved(alarm, now_s)
    return replace(alarm, shelf=replace(shelf, is_warned=True))


# What people do


def acknowledged(alarm: Alarm, occurrence: int, author: str, now_s: float) -> Alarm:
    """Somebody has seen this occurrence; once more changes nothing.

    Raises:
        RefusedError: it is masked, was never raised or is over and done, or was raised again since.
    """
    if alarm.mask is not None:
        raise RefusedError(f"{_why_masked(alarm.mask)} before you acknowledge it")
    after = alarm.row.table[alarm.life].get(H.ACKNOWLEDGE)
    if after is None:
        raise RefusedError("there is nothing to acknowledge: it is over; nothing is left to do")
    if occurrence != alarm.occurrence:
        raise RefusedError(_why_another(alarm, occurrence))
    if after is alarm.life:
        return alarm
    return replace(
        alarm,
        life=after,
        is_silenced=True,
        put_off_s=now_s,
        acknowledged=occurrence,
        acknowledged_s=now_s,
        acknowledged_by=author,
    )


def _why_another(alarm: Alarm, occurrence: int) -> str:
    if occurrence > alarm.occurrence:
        return (
            f"there was no occurrence {occurrence} yet: look at the last, then acknowledge {alarm.occurrence}"
        )
    return (
        f"it was raised again since occurrence {occurrence}; look at it, "
        f"then acknowledge occurrence {alarm.occurrence}"
    )


def _why_masked(mask: Mask) -> str:
    return {
        Mask.SHELVED: "it is shelved: unshelve it",
        Mask.BY_DESIGN: "it is hidden, for another alarm explains it: see to that one",
        Mask.OUT_OF_SERVICE: "it is out of service: put it back in service",
    }[mask]


def reset(alarm: Alarm) -> Alarm:
    """A latched alarm, seen and over, is let go, under a mask too.

    Raises:
        RefusedError: its cause is still there, it was not seen yet, or it is not latched.
    """
    after = alarm.row.table[alarm.life].get(H.RESET)
    if after is None:
        raise RefusedError(_why_no_reset(alarm))
    return replace(alarm, life=after)


def _why_no_reset(alarm: Alarm) -> str:
    if alarm.is_on:
        return "its cause is still there: " + alarm.row.remedy[0]
    if alarm.life is Life.LATCHED_UNACKNOWLEDGED:
        return "acknowledge it first, then reset it"
    return "it is not latched: there is nothing to reset"


def silenced(alarm: Alarm, now_s: float) -> Alarm:
    """Quiet until it is raised anew; what is seen stays."""
    return replace(alarm, is_silenced=True, put_off_s=now_s) if alarm.sounds else alarm


def shelved(alarm: Alarm, *, for_s: float, author: str, note: str, now_s: float) -> Alarm:
    """Put aside for a time, from now; asked again, the time last asked for stands.

    However often it is asked again, it ends within what the kind allows since it was first put aside.

    Raises:
        RefusedError: for no time, or for longer than is left.
    """
    since_s = alarm.shelf.since_s if alarm.shelf else now_s
    left_s = alarm.row.longest_shelf_s - (
        now_s - since_s
    )  # in this order nothing is lost to rounding at first
    if not 0.0 < for_s <= left_s:
        so_far = f", and it has been for {(now_s - since_s) / S_PER_MIN:.3g} min" if alarm.shelf else ""
        raise RefusedError(
            f"shelve it for more than 0 and at most {left_s / S_PER_MIN:.3g} min: this kind may be put aside "
            f"for {alarm.row.longest_shelf_s / S_PER_MIN:g} min at most{so_far}"
        )
    shelf = Shelf(
        since_s=since_s,
        until_s=now_s + for_s,
        author=author,
        note=note,
        is_warned=for_s <= SHELF_WARNING_S,
    )
    return alarm if alarm.shelf == shelf else replace(alarm, shelf=shelf)


def unshelved(alarm: Alarm, now_s: float) -> Alarm:
    """Taken from the shelf, by a person or by its time."""
    return alarm if alarm.shelf is None else _unmasked(replace(alarm, shelf=None), now_s)


def out_of_service(alarm: Alarm, *, author: str, note: str, now_s: float) -> Alarm:
    """Taken out of service for work on what it watches; whoever did it first is kept.

    Raises:
        RefusedError: nobody says why.
    """
    if alarm.service:
        return alarm
    if not note.strip():
        raise RefusedError("say in a note what is being worked on: out of service has no end of its own")
    return replace(alarm, service=OutOfService(since_s=now_s, author=author, note=note))


def in_service(alarm: Alarm, now_s: float) -> Alarm:
    """Put back in service."""
    return alarm if alarm.service is None else _unmasked(replace(alarm, service=None), now_s)


# What other alarms do


def by_design(alarm: Alarm, *, is_explained: bool, now_s: float) -> Alarm:
    """Hidden while another alarm explains it."""
    if is_explained is alarm.is_by_design:
        return alarm
    return _unmasked(replace(alarm, is_by_design=is_explained), now_s)


def _unmasked(after: Alarm, now_s: float) -> Alarm:
    """A mask has gone. The last: raised anew if its cause is there, held if it is latched, else cleared."""
    if after.mask is not None:
        return after
    after = replace(after, unseen=0)
    if after.is_on:
        return _raised(after, now_s)
    return replace(after, life=LEAVING_MASK[after.life])
