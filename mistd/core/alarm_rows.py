"""The board of alarms as plain rows for the disk, and a board made from them again.

Rule 1: no alarm is lost or invented over a restart: what was active, latched, acknowledged, masked or waiting
for its delay still is; and a condition that is still on raises no second occurrence.
Rule 2: what cannot be known is unshelved and unacknowledged: an alarm whose row cannot be read is one that is
over and was not seen.
Rule 3: rows of kinds and subjects that are no more are dropped, and named.

Rows are as in `durable`: instants are monotonic seconds, shifted after a restart of the machine.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf
from typing import TypeVar

from mistd.core.alarms import Alarm, AlarmRow, Life, OutOfService, Shelf
from mistd.core.annunciator import AlarmKey, Board, with_alarms
from mistd.core.rows import LARGEST, Row, UnreadableRowError, is_none, or_none, wanted

ALARM_ROW = "alarm/"
UNREADABLE_REASON = "its record could not be read after a restart: taken as not acknowledged"
Wanted = TypeVar("Wanted", str, float, int, bool)


@dataclass(frozen=True, slots=True, kw_only=True)
class RestoredBoard:
    """A board made again, which rows could not be read, with the reason, and which are no longer wanted."""

    board: Board
    unreadable: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()  # names of rows


def alarm_rows(board: Board) -> dict[str, Row]:
    """Every row that a restart needs, by name; a name that is there no longer is to be taken away."""
    return {row_name(alarm): alarm_row(alarm) for alarm in board.alarms.values() if _is_worth_keeping(alarm)}


def row_name(alarm: Alarm) -> str:
    """The name of an alarm's row."""
    return f"{ALARM_ROW}{alarm.row.kind}/{alarm.subject}"


def _is_worth_keeping(alarm: Alarm) -> bool:
    return bool(alarm.occurrence or alarm.shelf or alarm.service or _is_waiting(alarm))


def _is_waiting(alarm: Alarm) -> bool:
    """Whether its condition is on and has not held for its delay yet."""
    return alarm.is_wanted and not alarm.is_on


def alarm_row(alarm: Alarm) -> Row:
    """What a restart needs of one alarm."""
    shelf, service = alarm.shelf, alarm.service
    return {
        "life": alarm.life.value,
        "occurrence": alarm.occurrence,
        "raised_s": or_none(alarm.raised_s),
        "over_s": or_none(alarm.over_s),
        "reason": alarm.reason,
        "is_first": alarm.is_first,
        "acknowledged": alarm.acknowledged,
        "acknowledged_s": or_none(alarm.acknowledged_s),
        "acknowledged_by": alarm.acknowledged_by,
        "is_silenced": alarm.is_silenced,
        "put_off_s": or_none(alarm.put_off_s),
        "waiting_since_s": alarm.wanted_s if _is_waiting(alarm) else None,
        "shelved_since_s": shelf.since_s if shelf else None,
        "shelved_until_s": shelf.until_s if shelf else None,
        "shelved_by": shelf.author if shelf else None,
        "shelved_note": shelf.note if shelf else None,
        "shelf_is_warned": shelf.is_warned if shelf else None,
        "out_since_s": service.since_s if service else None,
        "out_by": service.author if service else None,
        "out_note": service.note if service else None,
        "is_by_design": alarm.is_by_design,
        "unseen": alarm.unseen,
    }


def restored_board(
    begun: Board,
    rows: Mapping[str, Row],
    now_s: float,
    *,
    shift_s: float = 0.0,
    is_time_away_known: bool = True,
) -> RestoredBoard:
    """A board that goes on where the rows left off.

    Until a condition has been looked at, time alone neither raises nor ends its alarm.

    Args:
        begun: the board of the house as it is wired now, without alarms.
        rows: as `alarm_rows` wrote them; rows of other things are passed over.
        now_s: monotonic seconds.
        shift_s: added to every instant in the rows: zero while the machine has not been restarted since.
        is_time_away_known: when it is not, no shelving is known to last: each ends at once, and says so.
    """
    alarms: dict[AlarmKey, Alarm] = {}
    unreadable: list[str] = []
    gone: list[str] = []
    reader = _Reader(now_s=now_s, shift_s=shift_s, is_time_away_known=is_time_away_known)
    for name in sorted(name for name in rows if name.startswith(ALARM_ROW)):
        kind, _, subject = name.removeprefix(ALARM_ROW).partition("/")
        if not begun.knows(kind, subject):
            gone.append(name)
            continue
        try:
            alarms[kind, subject] = reader.alarm(begun.rows[kind], subject, rows[name])
        except UnreadableRowError as problem:
            unreadable.append(f"{name}: {problem}")
            alarms[kind, subject] = _unknown(begun.rows[kind], subject, rows[name], now_s)
    return RestoredBoard(board=with_alarms(begun, alarms), unreadable=tuple(unreadable), gone=tuple(gone))


def _unknown(kind: AlarmRow, subject: str, row: Row, now_s: float) -> Alarm:
    """An alarm of which only the name is known, and perhaps how often it was raised."""
    try:
        occurrence = max(wanted(row, "occurrence", int), 0)
    except UnreadableRowError:
        occurrence = 0
    return Alarm(
        row=kind,
        subject=subject,
        occurrence=occurrence + 1,
        life=Life.LATCHED_UNACKNOWLEDGED if kind.is_latching else Life.RETURNED,
        raised_s=now_s,
        over_s=now_s,
        reason=UNREADABLE_REASON,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reader:
    """Reads rows whose instants are shifted."""

    now_s: float
    shift_s: float
    is_time_away_known: bool

    def alarm(self, kind: AlarmRow, subject: str, row: Row) -> Alarm:
        """An alarm as its row says.

        Raises:
            UnreadableRowError: the row is not what `alarm_row` writes.
        """
        life = _life(kind, row)
        waiting_since_s = self._past(row, "waiting_since_s")
        alarm = Alarm(
            row=kind,
            subject=subject,
            life=life,
            occurrence=_count(row, "occurrence"),
            raised_s=self._past(row, "raised_s"),
            over_s=self._past(row, "over_s"),
            reason=wanted(row, "reason", str),
            is_first=wanted(row, "is_first", bool),
            acknowledged=_count(row, "acknowledged"),
            acknowledged_s=self._past(row, "acknowledged_s"),
            acknowledged_by=wanted(row, "acknowledged_by", str),
            is_silenced=wanted(row, "is_silenced", bool),
            put_off_s=self._past(row, "put_off_s"),
            is_looked_at=False,
            shelf=self._shelf(kind, row),
            service=self._service(row),
            is_by_design=wanted(row, "is_by_design", bool),
            unseen=_count(row, "unseen"),
        )
        if alarm.is_on:
            return replace(alarm, is_wanted=True)
        return replace(alarm, is_wanted=waiting_since_s > -inf, wanted_s=waiting_since_s)

    def _shelf(self, kind: AlarmRow, row: Row) -> Shelf | None:
        if is_none(row, "shelved_until_s"):
            return None
        since_s = self._past(row, "shelved_since_s")
        latest_s = min(self._shifted(row, "shelved_until_s"), since_s + kind.longest_shelf_s)
        return Shelf(
            since_s=since_s,
            until_s=latest_s if self.is_time_away_known else self.now_s,
            author=wanted(row, "shelved_by", str),
            note=wanted(row, "shelved_note", str),
            is_warned=wanted(row, "shelf_is_warned", bool),
        )

    def _service(self, row: Row) -> OutOfService | None:
        if is_none(row, "out_since_s"):
            return None
        return OutOfService(
            since_s=self._past(row, "out_since_s"),
            author=wanted(row, "out_by", str),
            note=wanted(row, "out_note", str),
        )

    def _past(self, row: Row, name: str) -> float:
        """A past instant; None stands for never, and one that lies ahead (a shifted clock) counts as now."""
        return -inf if is_none(row, name) else min(self._shifted(row, name), self.now_s)

    def _shifted(self, row: Row, name: str) -> float:
        at_s = wanted(row, name, float) + self.shift_s
        if not abs(at_s) <= LARGEST:
            raise UnreadableRowError(f"{name} is {at_s!r} by this machine's clock, limit {LARGEST:g} s")
        return at_s


def _life(kind: AlarmRow, row: Row) -> Life:
    """A life that a kind can have: one that latches no longer, or only now, is not read as it was."""
    name = wanted(row, "life", str)
    if name not in {life.value for life in kind.table}:
        raise UnreadableRowError(f"life is {name!r}, not one of this kind's")
    return Life(name)


def _count(row: Row, name: str) -> int:
    count = wanted(row, name, int)
    if count < 0:
        raise UnreadableRowError(f"{name} is {count}, not 0 or more")
    return count
