"""How people write lengths of time, instants, percents and timetables, and how such things are told them.

Answers for: words into numbers, with what is wrong put so that the next try succeeds; instants and lengths
into words. Does not know: settings, houses, or what is allowed of a value.
Rule: nothing is guessed. What could mean two things is refused.
"""

import re
from datetime import UTC, datetime, timedelta
from math import inf

from mistd.core.units import S_PER_DAY, S_PER_HOUR, S_PER_MIN

UNITS_S = {"s": 1.0, "m": S_PER_MIN, "h": S_PER_HOUR, "d": S_PER_DAY}
LENGTH_RULE = "write it as 5s, 45m, 1.5h or 2d, above 0"
PERCENT_RULE = "write it with its sign, as -20% or +10%"
PART_RULE = "write it as day=6s/8m (burst/gap) or night=off"
INSTANT_RULE = "write it as 14:30, 2026-06-21, '2026-06-21 14:30', or 2h for two hours ago"
REVISION_RULE = "it is a whole number, as `mistd settings` shows it"
NUMBER = re.compile(r"\d{1,15}", re.ASCII)
PERCENT = re.compile(r"([+-]\d+(?:\.\d+)?)\s*%", re.ASCII)
CLOCK = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d))?", re.ASCII)
MINUS = "\N{MINUS SIGN}"  # as word processors write it


class UnclearError(ValueError):
    """Words that cannot be understood; the text says how to write them."""


# --- read


def length_s(text: str) -> float:
    """A length of time as people write it, in seconds; above 0.

    >>> length_s("1.5h")
    5400.0

    Raises:
        UnclearError: it is none.
    """
    plain = text.strip().lower()
    try:
        found_s = float(plain[:-1]) * UNITS_S[plain[-1:]]
    except (ValueError, KeyError):
        found_s = 0.0
    if not 0.0 < found_s < inf:
        raise UnclearError(f"{text!r} is no length of time; {LENGTH_RULE}")
    return found_s


def percent(text: str) -> float:
    """More or less of something, in percent. It needs its sign: 20% might be a fifth, or a fifth more.

    >>> percent("-20%")
    -20.0

    Raises:
        UnclearError: it is none.
    """
    found = PERCENT.fullmatch(text.strip().replace(MINUS, "-"))
    if not found:
        raise UnclearError(f"{text!r} is no trim; {PERCENT_RULE}")
    return float(found[1])


def day_part(text: str) -> tuple[str, tuple[float, float] | None]:
    """A part of the day and its burst and gap in seconds, or None for off.

    >>> day_part("day=6s/8m")
    ('day', (6.0, 480.0))

    Raises:
        UnclearError: it is none.
    """
    name, is_said, value = text.strip().lower().partition("=")
    if not is_said or not name:
        raise UnclearError(f"{text!r} says nothing of a part of the day; {PART_RULE}")
    if value == "off":
        return name, None
    burst, is_both, gap = value.partition("/")
    if not is_both:
        raise UnclearError(f"{text!r} has no burst and gap; {PART_RULE}")
    return name, (length_s(burst), length_s(gap))


def instant(text: str, now: datetime) -> datetime:
    """An instant that has been, as people write it; aware, in the zone of `now`.

    A time alone is the last time that it was so late: today, or yesterday. A date alone is its first instant.
    A length is so long ago. Of the two that a clock set back shows alike it is the first.

    Raises:
        UnclearError: it is none.
    """
    plain = text.strip()
    clock = CLOCK.fullmatch(plain)
    try:
        if clock:
            return _last_time_of(now, *(int(part or 0) for part in clock.groups()))
        if plain[-1:].lower() in UNITS_S:
            return _ago(plain, now)
        found = datetime.fromisoformat(plain)
        local = found.replace(tzinfo=now.tzinfo) if found.tzinfo is None else found
        return local.astimezone(UTC).astimezone(now.tzinfo)  # which an hour that the clock skips has none of
    except (ValueError, OverflowError):
        raise UnclearError(f"{text!r} is no instant; {INSTANT_RULE}") from None


def _last_time_of(now: datetime, hour: int, minute: int, second: int) -> datetime:
    today = now.replace(hour=hour, minute=minute, second=second, microsecond=0, fold=0)
    return today if today.astimezone(UTC) <= now.astimezone(UTC) else today - timedelta(days=1)


def _ago(text: str, now: datetime) -> datetime:
    return (now.astimezone(UTC) - timedelta(seconds=length_s(text))).astimezone(now.tzinfo)


def whole_number(text: str) -> int:
    """The number of a revision.

    >>> whole_number(" 17 ")
    17

    Raises:
        UnclearError: it is none.
    """
    if not NUMBER.fullmatch(text.strip()):
        raise UnclearError(f"{text!r} is no revision; {REVISION_RULE}")
    return int(text)


# --- told


def said_length(length: timedelta) -> str:
    """A length of time in round numbers.

    >>> said_length(timedelta(seconds=75))
    '75 s'
    """
    return said_length_s(length.total_seconds())


def said_length_s(seconds: float) -> str:
    """As `said_length`, of seconds; what is below 0 is told as 0."""
    seconds = max(seconds, 0.0)
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    if seconds < 90.0 * S_PER_MIN:
        return f"{seconds / S_PER_MIN:.0f} min"
    if seconds < 2 * S_PER_DAY:
        return f"{seconds / S_PER_HOUR:.3g} h"
    return f"{seconds / S_PER_DAY:.3g} d"


def said_instant(at: datetime, now: datetime, *, to_the_second: bool = False) -> str:
    """An instant in the zone of `now`, with as much of its date as is needed."""
    local = at.astimezone(now.tzinfo)
    clock = f"{local:%H:%M:%S}" if to_the_second else f"{local:%H:%M}"
    if local.date() == now.date():
        return clock
    if local.year == now.year:
        return f"{local.day} {local:%b} {clock}"
    return f"{local:%Y-%m-%d} {clock}"
