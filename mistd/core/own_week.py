"""A zone's own last week, hour by hour: what it is misted by when nothing tells what the leaves ask.

Only days on which its cycle ran by its own readings count. It knows no reading and no cycle.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from mistd.core.units import S_PER_HOUR

HOURS = 24
DAYS = 7
WETTER = 1.2  # a fifth more than the days it is made of: tomorrow may be brighter (design, section 4)
NO_DAY = (0,) * HOURS


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnWeek:
    """Bursts by hour of the local day: today's so far, and the last days that were sound, newest last."""

    today: tuple[int, ...] = NO_DAY
    days: tuple[tuple[int, ...], ...] = ()
    is_sound: bool = True  # today, so far, by its own readings

    @property
    def is_known(self) -> bool:
        """Whether there are seven days to go by."""
        return len(self.days) >= DAYS

    def bursts_per_s(self, hour: int) -> float:
        """How often, in an hour of the day, with the fifth on top."""
        return WETTER * sum(day[hour] for day in self.days) / (len(self.days) * S_PER_HOUR)


NO_WEEK = OwnWeek()


def with_burst(week: OwnWeek, since_midnight_s: float) -> OwnWeek:
    """The week with one more burst today."""
    hour = int(since_midnight_s // S_PER_HOUR) % HOURS
    today = (*week.today[:hour], week.today[hour] + 1, *week.today[hour + 1 :])
    return OwnWeek(today=today, days=week.days, is_sound=week.is_sound)


def day_ended(week: OwnWeek) -> OwnWeek:
    """The week with today put to the days, if it was sound."""
    days = (*week.days, week.today)[-DAYS:] if week.is_sound else week.days
    return OwnWeek(days=days)


def due_after_s(week: OwnWeek, since_s: float, midnight_s: float, latest_s: float) -> float:
    """When the next burst is due by the week: once the hours since the last one add up to a whole burst.

    Args:
        week: with its seven days.
        since_s: when the last burst ended.
        midnight_s: an instant at which a local day began, not after `since_s` by more than a day either way.
        latest_s: where to stop looking; it is returned when nothing is due before.
    """
    added = 0.0
    for begins_s, ends_s, hour in _hours(since_s, midnight_s, latest_s):
        rate = week.bursts_per_s(hour)
        if added + rate * (ends_s - begins_s) >= 1.0:
            return begins_s + (1.0 - added) / rate
        added += rate * (ends_s - begins_s)
    return latest_s


def _hours(since_s: float, midnight_s: float, latest_s: float) -> Iterator[tuple[float, float, int]]:
    """The stretches of clock hours between two instants."""
    at_s, count = since_s, int((since_s - midnight_s) // S_PER_HOUR)
    while at_s < latest_s:
        ends_s = min(midnight_s + (count + 1) * S_PER_HOUR, latest_s)
        if ends_s > at_s:  # else a rounding of the last digit
            yield at_s, ends_s, count % HOURS
            at_s = ends_s
        count += 1
