"""Why a zone misted last, why it does not now, when it will: sentences with figures, each a line.

Pure: what is told of a house, and what the record holds of it, in; sentences out. An instant that is past is
in `past_text`.
Rule: every sentence says what is known; what is not known is left out or said to be so.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from pydantic import ValidationError

from mistd.app.messages import HouseTold, SettingsTold, SettingTold, ZoneTold
from mistd.app.past import Past
from mistd.app.past_text import bearing_lines
from mistd.app.problems import printable
from mistd.app.setting_forms import TimetableForm
from mistd.app.spoken import said_instant, said_length
from mistd.app.why_demand import demand_lines, expected_on_demand
from mistd.core.almanac import DayPart
from mistd.core.settings import SettingKind
from mistd.core.units import PERCENT

NOT_WAITED_FOR = {"misting", "ordered", "waiting"}  # its next burst is there, or nobody knows when it may be
IN_PART = {"night": "at night", "dawn": "at dawn", "day": "by day", "dusk": "at dusk"}
SAME_BURST = timedelta(seconds=2)  # two accounts of one burst begin no further apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Present:
    """A zone as it is told now."""

    zone: ZoneTold
    house: HouseTold
    settings: SettingsTold | None
    is_online: bool
    now: datetime  # at the house
    begins: Sequence[tuple[datetime, DayPart]] = ()  # the parts of the day to come, in UTC
    past: Past | None = None  # when this machine has the record


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """What a timetable gives in one part of the day."""

    part: str
    burst_s: float
    gap: timedelta  # by the timetable, without a trim


def why_now(present: Present) -> list[str]:
    """The sentences."""
    told = [
        *_away(present),
        *_last_burst(present),
        DOING[present.zone.doing](present),
        *_demand(present),
        *_expected(present),
        *_pace(present),
        *_passing(present),
        *_warnings(present),
        *_today(present),
    ]
    sentences = [printable(sentence) for sentence in told]
    lines = bearing_lines(present.past, present.now) if present.past else []
    return [*sentences, *(["Since its last burst:", *lines] if lines else [])]


def _away(present: Present) -> Iterator[str]:
    if not present.is_online:
        yield "The daemon is offline: nothing mists until it runs again. What follows is from before."


def _last_burst(present: Present) -> Iterator[str]:
    zone, now = present.zone, present.now
    burst = zone.last_burst
    if burst is None:
        yield f"{zone.zone} was never misted, as far as is known."
    elif burst.ended_at is not None and burst.lasted_s is not None:
        why = _why_last(present)
        began, ago = said_instant(burst.began_at, now, to_the_second=True), said_length(now - burst.ended_at)
        because = f": {why}" if why else ""
        yield f"{zone.zone} misted last at {began}, {ago} ago, for {burst.lasted_s:.3g} s{because}."


def _why_last(present: Present) -> str:
    """Why the last burst was due: by the record, else while nothing else is told of the zone."""
    burst, past = present.zone.last_burst, present.past
    if burst and past and past.before and abs(past.before.began - burst.began_at) <= SAME_BURST:
        return past.before.why
    return present.zone.why if present.zone.doing == "resting" else ""


def _misting(present: Present) -> str:
    burst = present.zone.last_burst
    since = f" since {said_instant(burst.began_at, present.now, to_the_second=True)}" if burst else ""
    return f"{present.zone.zone} is misting{since}: {present.zone.why}."


def _ordered(present: Present) -> str:
    return f"A burst is just being given: {present.zone.why}."


def _resting(present: Present) -> str:
    due = present.zone.next_burst_at
    if due is not None and due <= present.now:
        return "Its next burst is due now."
    return "It does not mist now: its next burst is not due yet."


def _waiting(present: Present) -> str:
    trouble = present.house.keeper_trouble if not present.house.keeper_ready else ""
    return f"It does not mist now: {present.zone.why}" + (f" ({trouble})." if trouble else ".")


def _held(present: Present) -> str:
    hold = present.zone.hold
    if hold is None:
        return f"It does not mist now: {present.zone.why}."
    until, left = said_instant(hold.until, present.now), said_length(hold.until - present.now)
    more = _revision(present, SettingKind.HOLD) + _note(hold.note)
    return f"It does not mist now: {hold.by} holds it dry until {until}, for {left} more{more}."


def _off(present: Present) -> str:
    return f"It does not mist now: {present.zone.why}."


DOING: Mapping[str, Callable[[Present], str]] = {
    "misting": _misting,
    "ordered": _ordered,
    "resting": _resting,
    "waiting": _waiting,
    "held": _held,
    "off": _off,
}


def _demand(present: Present) -> Iterator[str]:
    if present.zone.demand:
        yield from demand_lines(present.zone, present.zone.demand, present.house, present.now)


def _expected(present: Present) -> Iterator[str]:
    """When the next burst is expected, if nobody and no guard changes that."""
    zone, now = present.zone, present.now
    if zone.doing in NOT_WAITED_FOR:
        return
    if zone.demand:
        yield from expected_on_demand(zone, zone.demand, present.house, now, present.begins)
        return
    due = zone.next_burst_at
    change = _next_pace(present)
    if due is not None and (change is None or due <= change[0]):
        if due > now:
            yield f"The next burst is expected at {_soon(due, now)}."
    elif change is not None:
        begins, pace = change
        soon = _soon(max(begins, _due_by(pace, zone, begins)), now)
        yield f"The next burst is expected at {soon}: {pace.part} begins at {said_instant(begins, now)}."


def _soon(at: datetime, now: datetime) -> str:
    return f"{said_instant(at, now, to_the_second=True)}, in {said_length(at - now)}"


def _next_pace(present: Present) -> tuple[datetime, Pace] | None:
    """The next part of the day in which the zone is misted by its timetable, and from when."""
    for begins, part in present.begins:
        pace = _pace_in(present.settings, part.value)
        if pace:
            return begins, pace
    return None


def _due_by(pace: Pace, zone: ZoneTold, begins: datetime) -> datetime:
    """When a burst is due by a pace that begins; a trim that is over by then does not count."""
    trim = zone.trim.percent if zone.trim and zone.trim.until > begins else 0.0
    ended = zone.last_burst.ended_at if zone.last_burst else None
    return ended + trimmed(pace.gap, trim) if ended else begins


def trimmed(gap: timedelta, percent: float) -> timedelta:
    """A gap with a trim on it: a fifth more water is a gap divided by 1.2."""
    return gap / (1.0 + percent / PERCENT)


def _pace_in(settings: SettingsTold | None, part: str) -> Pace | None:
    told = _told(settings, SettingKind.TIMETABLE)
    try:
        timetable = TimetableForm.model_validate(told.value) if told else None
    except ValidationError:
        return None
    timed = getattr(timetable, part, None)
    if timed is None or timed.burst_s is None or timed.gap_min is None:
        return None
    return Pace(part=part, burst_s=timed.burst_s, gap=timedelta(minutes=timed.gap_min))


def _told(settings: SettingsTold | None, kind: SettingKind) -> SettingTold | None:
    found = (each for each in settings.settings if each.setting == kind) if settings else iter(())
    return next(found, None)


def _pace_now(present: Present) -> Pace | None:
    """What its timetable gives it in this part of the day; None while something else leads."""
    demand = present.zone.demand
    if demand and demand.led_by != "timetable":
        return None
    return _pace_in(present.settings, present.house.part)


def _pace(present: Present) -> Iterator[str]:
    pace = _pace_now(present)
    told = _told(present.settings, SettingKind.TIMETABLE)
    if pace is None or told is None:
        return
    whose = f"set by {told.by}, revision {told.revision}" if told.revision else "as in the house's file"
    yield (
        f"Its timetable ({whose}) gives {pace.burst_s:g} s after every {_minutes(pace.gap)} "
        f"{IN_PART.get(pace.part, pace.part)}."
    )


def _minutes(gap: timedelta) -> str:
    """A gap as growers set it, who tell 7.5 min from 8."""
    return f"{gap / timedelta(minutes=1):.4g} min"


def _passing(present: Present) -> Iterator[str]:
    zone, now = present.zone, present.now
    if zone.trim:
        trim = zone.trim
        more = "more" if trim.percent > 0.0 else "less"
        pace = _pace_now(present)
        gap = f", so the gap is {_minutes(trimmed(pace.gap, trim.percent))}" if pace else ""
        if zone.demand and not pace:
            sooner = "sooner" if trim.percent > 0.0 else "later"
            gap = f", so its bursts come {sooner}, within its shortest and longest gaps"
        yield (
            f"{trim.by} set {abs(trim.percent):g} % {more} water until {said_instant(trim.until, now)}"
            f"{_revision(present, SettingKind.TRIM)}{_note(trim.note)}{gap}."
        )
    if zone.closed:
        until, note = said_instant(zone.closed.until, now), _note(zone.closed.note)
        revision = _revision(present, SettingKind.CLOSED)
        yield f"{zone.closed.by} closed it until {until}{revision}{note}: nobody may enter, mist goes on."
    if zone.skip:
        until = said_instant(zone.skip.until, now)
        more = _revision(present, SettingKind.SKIP) + _note(zone.skip.note)
        yield f"Its next burst is left out for {zone.skip.by}{more}, if it falls due before {until}."


def _revision(present: Present, kind: SettingKind) -> str:
    told = _told(present.settings, kind)
    return f" (revision {told.revision})" if told and told.revision else ""


def _note(note: str) -> str:
    return f" [{note}]" if note else ""


def _warnings(present: Present) -> Iterator[str]:
    if not present.house.time_trusted:
        yield "The time is uncertain, so the part of the day may be wrong: set the clock."


def _today(present: Present) -> Iterator[str]:
    today = present.zone.today
    bursts = "1 burst" if today.bursts == 1 else f"{today.bursts} bursts"
    yield f"Today it had {bursts}, {today.open_s:.3g} s, {today.water_l:.3g} l."
