"""What the record holds of one zone around an instant: the bursts before and after it, and what lay between.

Answers for: asking the record for little, whatever its size. Does not know how it is told.
Rule: what the record does not hold is left empty, never guessed.
"""

from collections import deque
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import islice
from typing import NamedTuple

from mistd.app.journal_text import figures_of, instant_of, number
from mistd.app.recording import stamp
from mistd.core.alarm_kinds import AlarmKind
from mistd.core.events import EventKind
from mistd.core.settings import SettingKind
from mistd.ports.records import Records, Wanted
from mistd.ports.store import Entry, KeptRevision

K = EventKind
MOST_LINES = 1000  # between two bursts that are worth reading; the rest is counted
LOOK_AROUND = timedelta(days=1)  # where there is no burst to mark the end of what matters

OF_THE_ZONE = {
    K.BURST_FOUND,
    K.BURST_REFUSED,
    K.BURST_SKIPPED,
    K.HOLD_STARTED,
    K.HOLD_EXTENDED,
    K.HOLD_ENDED,
    K.SETTING_CHANGED,
    K.SETTING_UNDONE,
    K.SETTING_REFUSED,
    K.SETTING_NOT_APPLIED,
    K.TRIM_ENDED,
    K.CLOSED_ENDED,
    K.SKIP_ENDED,
    K.MIST_ENDED_FOR_PART,
    K.LINE_TROUBLE,
    K.CYCLE_FELL_BACK,
    K.CYCLE_CAME_BACK,
}
OF_ITS_SENSORS = {K.WETNESS_DOUBTED, K.WETNESS_TRUSTED, K.READING_LOST, K.READING_BACK}
OF_THE_HOUSE = {
    K.DAY_PART_BEGAN,
    K.FROST_BEGAN,
    K.FROST_ENDED,
    K.KEEPER_LOST,
    K.KEEPER_READY,
    K.DAEMON_STARTED,
    K.DAEMON_STOPPED,
    K.TIME_DISTRUSTED,
    K.TIME_TRUSTED,
    K.CLOCK_STEPPED,
    K.CONFIGURATION_BAD,
    K.JOURNAL_GAP,
    K.STATE_UNREADABLE,
}
OF_ALARMS = {K.ALARM_RAISED, K.ALARM_CLEARED}
ALARMS_THAT_BEAR = {  # on the mist of a zone
    AlarmKind.ZONE_NOT_MISTED,
    AlarmKind.KEEPER_AWAY,
    AlarmKind.LINE_TROUBLE,
    AlarmKind.CONFIGURATION_BAD,
    AlarmKind.SETTING_NOT_APPLIED,
    AlarmKind.MISTED_BLINDLY,
    AlarmKind.TIME_UNTRUSTED,
    AlarmKind.KEEPER_RESTARTED,
}


class Whose(NamedTuple):
    """Whose lines of the record bear on the mist of a zone."""

    zone: str
    house: str
    sensors: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenBurst:
    """A burst as the record has it."""

    began: datetime
    ended: datetime
    open_s: float
    water_l: float | None
    why: str
    ended_because: str
    is_time_trusted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """A zone around an instant."""

    zone: str
    at: datetime  # aware, at the house
    before: GivenBurst | None = None  # the last that had ended
    during: GivenBurst | None = None
    after: GivenBurst | None = None  # the first that began later
    lines: tuple[Entry, ...] = ()  # between these, what bears on the zone's mist, in order
    left_out: int = 0  # of such lines
    in_force: tuple[KeptRevision, ...] = ()
    begins: datetime | None = None  # the record; None when it is empty
    ends: datetime | None = None


def past_of(records: Records, zone: str, house: str, at: datetime, sensors: Collection[str] = ()) -> Past:
    """A zone around an instant.

    Args:
        records: of the house.
        zone: by name.
        house: by name.
        at: aware, at the house.
        sensors: those that the zone is misted by.

    Raises:
        StoreError: there is no record, or it cannot be read.
    """
    begins = _instant(records.journal(Wanted()))
    if begins is None:
        return Past(zone=zone, at=at)
    before = _first_burst(records.journal(_bursts(zone, until=at, last=1)))
    during, after = _bursts_from(records, zone, at)
    lines, left_out = _between(records, Whose(zone, house, frozenset(sensors)), at, before, after)
    return Past(
        zone=zone,
        at=at,
        before=before,
        during=during,
        after=after,
        lines=lines,
        left_out=left_out,
        in_force=tuple(in_force(records.revisions(zone), at)),
        begins=begins,
        ends=_instant(records.journal(Wanted(last=1))),
    )


def _bursts(
    zone: str, *, since: datetime | None = None, until: datetime | None = None, last: int | None = None
) -> Wanted:
    return Wanted(
        since=stamp(since) if since else None,
        until=stamp(until) if until else None,
        subjects=(zone,),
        kinds=(K.BURST_ENDED.value,),
        last=last,
    )


def _instant(entries: Iterable[Entry]) -> datetime | None:
    entry = next(iter(entries), None)
    return instant_of(entry) if entry else None


def _first_burst(entries: Iterable[Entry]) -> GivenBurst | None:
    return next((burst for entry in entries if (burst := burst_of(entry))), None)


def _bursts_from(records: Records, zone: str, at: datetime) -> tuple[GivenBurst | None, GivenBurst | None]:
    """The burst that ran at an instant, and the first that began after it."""
    found = (burst_of(entry) for entry in records.journal(_bursts(zone, since=at)))
    bursts = list(islice((burst for burst in found if burst), 2))
    if bursts and bursts[0].began <= at:
        return bursts[0], bursts[1] if len(bursts) > 1 else None
    return None, bursts[0] if bursts else None


def burst_of(entry: Entry) -> GivenBurst | None:
    """The burst of which a line tells; None when its length cannot be read."""
    figures = figures_of(entry)
    open_s = number(figures, "open_s")
    if open_s is None:
        return None
    ended = instant_of(entry)
    return GivenBurst(
        began=ended - timedelta(seconds=open_s),
        ended=ended,
        open_s=open_s,
        water_l=number(figures, "water_l"),
        why=str(figures.get("why", "")),
        ended_because=entry.reason,
        is_time_trusted=entry.is_time_trusted,
    )


def _between(
    records: Records,
    whose: Whose,
    at: datetime,
    before: GivenBurst | None,
    after: GivenBurst | None,
) -> tuple[tuple[Entry, ...], int]:
    wanted = Wanted(
        since=stamp(before.ended if before else at - LOOK_AROUND),
        until=stamp(after.ended if after else at + LOOK_AROUND),
        subjects=(whose.zone, whose.house, *sorted(whose.sensors)),
        kinds=tuple(kind.value for kind in (*OF_THE_ZONE, *OF_ITS_SENSORS, *OF_THE_HOUSE, *OF_ALARMS)),
    )
    bearing = (entry for entry in records.journal(wanted) if _bears(entry, whose))
    first = list(islice(bearing, MOST_LINES))
    last: deque[Entry] = deque(maxlen=MOST_LINES)
    rest = 0
    for entry in bearing:
        last.append(entry)
        rest += 1
    return (*first, *last), rest - len(last)


def _bears(entry: Entry, whose: Whose) -> bool:
    if entry.kind in OF_ALARMS:
        return figures_of(entry).get("alarm") in ALARMS_THAT_BEAR
    is_of_zone = entry.kind in OF_THE_ZONE and entry.subject == whose.zone
    is_of_sensor = entry.kind in OF_ITS_SENSORS and entry.subject in whose.sensors
    return is_of_zone or is_of_sensor or (entry.kind in OF_THE_HOUSE and entry.subject == whose.house)


def in_force(revisions: Iterable[KeptRevision], at: datetime) -> Iterator[KeptRevision]:
    """What had been set and stood at an instant; whether a burst was left out only the journal knows.

    Args:
        revisions: by id.
        at: aware.
    """
    newest: dict[tuple[str, str], KeptRevision] = {}
    for revision in revisions:
        if datetime.fromisoformat(revision.at) <= at:
            newest[revision.subject, revision.kind] = revision
    for revision in newest.values():
        is_over = revision.until is not None and datetime.fromisoformat(revision.until) <= at
        if revision.value is not None and revision.kind != SettingKind.SKIP and not is_over:
            yield revision
