"""The board of alarms: every alarm of a house, who explains whom, and whether the siren should sound.

State in, state out, as everywhere in the core: a board is a value, and a step that changes nothing hands back
the same one. It lives beside the decisions, which read nothing of it.

Rule 1: at one instant time and conditions come before what people ask.
Rule 2: a consequence is hidden while its cause is on and in service, and for a while after. The cause is not.
Rule 3: every change of an alarm is told (`alarm_news`).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import inf

from mistd.core.actions import Outcome
from mistd.core.alarm_flood import (
    FLOOD_WITHIN_S,
    NO_FLOOD,
    Flood,
    after_raising,
    after_time,
)
from mistd.core.alarm_kinds import cascade, rank, rows_by_kind
from mistd.core.alarm_life import RefusedError, by_design, due, seen, silenced
from mistd.core.alarm_news import news
from mistd.core.alarm_requests import AlarmRequest, AlarmVerb, obeyed
from mistd.core.alarms import About, Alarm, AlarmRow, Life, Priority
from mistd.core.events import Event, EventKind
from mistd.core.plan import HousePlan
from mistd.core.units import S_PER_MIN

AlarmKey = tuple[str, str]  # kind and subject
PRIORITIES = tuple(Priority)


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """Every alarm of a house that has ever left its rest."""

    house: str
    rows: Mapping[str, AlarmRow]
    subjects: Mapping[About, frozenset[str]]  # what may have alarms; a part of the program is always taken
    ranks: Mapping[str, int]  # causes before what they explain
    alarms: Mapping[AlarmKey, Alarm] = field(default_factory=dict)
    explained_s: Mapping[str, float] = field(
        default_factory=dict
    )  # kinds that others explain, and until when
    flood: Flood = NO_FLOOD

    def knows(self, kind: str, subject: str) -> bool:
        """Whether there can be such an alarm."""
        row = self.rows.get(kind)
        return row is not None and (row.about is About.PART or subject in self.subjects[row.about])

    def alarm(self, kind: str, subject: str) -> Alarm:
        """An alarm as it stands; at rest when it was never raised."""
        is_by_design = self.explained_s.get(kind) == inf
        at_rest = Alarm(row=self.rows[kind], subject=subject, is_by_design=is_by_design)
        return self.alarms.get((kind, subject), at_rest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Whether what an alarm watches is amiss. A condition that is not known is left out: nothing changes."""

    kind: str
    subject: str
    is_on: bool
    reason: str = ""  # in words, with figures that do not age
    figures: Mapping[str, float | str] = field(default_factory=dict)
    patience_s: float = 0.0  # on top of the on-delay of its kind
    is_pulse: bool = False  # on, and off at once: it happened and leaves no state; see `pulse`


def pulse(
    kind: str, subject: str, reason: str, figures: Mapping[str, float | str] | None = None
) -> Condition:
    """Something that happened and leaves no state to watch; its kind latches, so that it is not missed."""
    return Condition(
        kind=kind, subject=subject, is_on=True, reason=reason, figures=figures or {}, is_pulse=True
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What follows: the board, what to tell, and how a request ended."""

    board: Board
    events: tuple[Event, ...] = ()
    outcome: Outcome | None = None  # of a request only: DONE or REFUSED
    reason: str = ""


def begun_board(plan: HousePlan, rows: Iterable[AlarmRow] | None = None) -> Board:
    """A board without alarms for a house; by default with every kind there is."""
    by_kind = rows_by_kind() if rows is None else rows_by_kind(rows)
    subjects = {
        About.HOUSE: frozenset({plan.name}),
        About.ZONE: frozenset(zone.name for zone in plan.zones),
        About.SENSOR: frozenset(plan.sensors),
    }
    ranks = {kind: rank(by_kind, kind) for kind in by_kind}
    return Board(house=plan.name, rows=by_kind, subjects=subjects, ranks=ranks)


def with_alarms(begun: Board, alarms: Mapping[AlarmKey, Alarm]) -> Board:
    """A board with alarms from before the program started; explaining and floods are worked out anew."""
    explained_s = {row.kind: _explained_until_of(row, alarms) for row in begun.rows.values() if row.follows}
    return replace(begun, alarms=alarms, explained_s=explained_s)


def observed(board: Board, conditions: Iterable[Condition], now_s: float) -> Step:
    """The board after its conditions were looked at; only those that are known, and changed, need be given.

    Raises:
        ValueError: a condition of an alarm that cannot be.
    """
    turn = _Turn(board, now_s)
    turn.attend()
    for condition in sorted(conditions, key=lambda each: board.ranks.get(each.kind, 0)):
        turn.see(condition)
    return turn.step()


def attended(board: Board, now_s: float) -> Step:
    """The board after what time alone does."""
    turn = _Turn(board, now_s)
    turn.attend()
    return turn.step()


def asked(board: Board, request: AlarmRequest, now_s: float) -> Step:
    """The board after a person's request, and how that ended; refused, it changed nothing."""
    turn = _Turn(board, now_s)
    turn.attend()
    try:
        reason = turn.obey(request)
    except RefusedError as problem:
        return replace(turn.step(), outcome=Outcome.REFUSED, reason=str(problem))
    return replace(turn.step(), outcome=Outcome.DONE, reason=reason)


def wake_at_s(board: Board) -> float:
    """The next instant at which something is due; infinite when never."""
    alarms_s = (min(alarm.next_s, explained_until_s(board, alarm)) for alarm in board.alarms.values())
    return min(min(alarms_s, default=inf), board.flood.ends_s)


def explained_until_s(board: Board, alarm: Alarm) -> float:
    """When a hidden alarm will show again; infinite while its cause is on, or while it is not hidden."""
    return _explained_until_s(board.explained_s, alarm) if alarm.is_by_design else inf


def _explained_until_s(explained_s: Mapping[str, float], alarm: Alarm) -> float:
    return explained_s.get(alarm.row.kind, -inf) + alarm.patience_s


def _explained_until_of(row: AlarmRow, alarms: Mapping[AlarmKey, Alarm]) -> float:
    """Until when the kinds that it follows explain a kind; a cause out of service explains nothing."""
    causes = (a for (kind, _), a in alarms.items() if kind in row.follows and not a.service)
    return max((inf if a.is_on else a.over_s + row.settles_s for a in causes), default=-inf)


def sounding(board: Board, *, is_night: bool) -> tuple[Alarm, ...]:
    """The alarms that are to be heard now: at night only those of kinds that may wake."""
    return tuple(
        alarm for alarm in board.alarms.values() if alarm.sounds and (alarm.row.may_wake or not is_night)
    )


def sounds(board: Board, *, is_night: bool) -> bool:
    """Whether the siren should sound."""
    return bool(sounding(board, is_night=is_night))


def listed(board: Board) -> tuple[Alarm, ...]:
    """What people see: every alarm that is not at rest and not masked, the most pressing first."""
    shown = (a for a in board.alarms.values() if a.life is not Life.NORMAL and a.mask is None)
    return tuple(sorted(shown, key=_urgency))


def masked(board: Board) -> tuple[Alarm, ...]:
    """Every alarm that a mask hides, and those at rest that people put aside; for lists of their own."""
    hidden = (
        a
        for a in board.alarms.values()
        if a.shelf or a.service or (a.is_by_design and a.life is not Life.NORMAL)
    )
    return tuple(sorted(hidden, key=_urgency))


def stale(board: Board, now_s: float) -> tuple[Alarm, ...]:
    """Every alarm that has been active for more than a day."""
    return tuple(sorted((a for a in board.alarms.values() if a.is_stale(now_s)), key=_urgency))


def _urgency(alarm: Alarm) -> tuple[bool, int, float, str, str]:
    priority = PRIORITIES.index(alarm.row.priority)
    return (not alarm.is_on, priority, alarm.raised_s, alarm.row.kind, alarm.subject)


class _Turn:
    """The working copy of one step."""

    __slots__ = ("alarms", "author", "board", "events", "explained_s", "flood", "now_s")

    def __init__(self, board: Board, now_s: float) -> None:
        self.board = board
        self.now_s = now_s
        self.alarms = board.alarms
        self.explained_s = board.explained_s
        self.flood = board.flood
        self.events: list[Event] = []
        self.author = ""  # of the request that is being obeyed

    def step(self) -> Step:
        board = self.board
        is_same = (
            self.alarms is board.alarms
            and self.explained_s is board.explained_s
            and self.flood is board.flood
        )
        if not is_same:
            board = replace(board, alarms=self.alarms, explained_s=self.explained_s, flood=self.flood)
        return Step(board=board, events=tuple(self.events))

    def attend(self) -> None:
        """Do what time alone does: causes first, so that what they explain is hidden before it is raised."""
        if wake_at_s(self.board) > self.now_s:
            return
        self._attend_flood()
        for key in sorted(self.alarms, key=lambda key: (self.board.ranks[key[0]], key)):
            alarm = self._hidden_or_shown(self.alarms[key])
            self._put(alarm, due(alarm, self.now_s))

    def see(self, condition: Condition) -> None:
        """Take in a condition.

        Raises:
            ValueError: there can be no such alarm.
        """
        if not self.board.knows(condition.kind, condition.subject):
            raise ValueError(f"no alarm {condition.kind} of {condition.subject}")
        alarm = self._alarm(condition.kind, condition.subject)
        if condition.is_pulse and alarm.row.on_delay_s:
            raise ValueError(f"a pulse of {condition.kind} would be shorter than its on-delay")
        self._see(alarm, condition, is_on=condition.is_on)
        if condition.is_pulse:
            self._see(self._alarm(condition.kind, condition.subject), condition, is_on=False)

    def _see(self, alarm: Alarm, condition: Condition, *, is_on: bool) -> None:
        after = seen(
            alarm,
            is_on=is_on,
            now_s=self.now_s,
            reason=condition.reason,
            figures=condition.figures,
            patience_s=condition.patience_s,
        )
        self._put(alarm, after)

    def obey(self, request: AlarmRequest) -> str:
        """Do what was asked and say so.

        Raises:
            RefusedError: it cannot be; nothing was changed.
        """
        self.author = request.author
        if request.kind is None:
            return self._silence_all(request)
        if not self.board.knows(request.kind, request.subject or ""):
            raise RefusedError(
                f"there is no alarm {request.kind} of {request.subject}; the list of alarms names all"
            )
        before = self._alarm(request.kind, request.subject or "")
        after, reason = obeyed(before, request, self.now_s)
        self._put(before, after)
        return reason

    def _silence_all(self, request: AlarmRequest) -> str:
        if request.verb is not AlarmVerb.SILENCE:
            raise RefusedError(
                f"name the alarm, its kind and its subject: {request.verb.value} takes one at a time"
            )
        loud = [alarm for alarm in self.alarms.values() if alarm.sounds]
        for alarm in loud:
            self._put(alarm, silenced(alarm, self.now_s))
        return (
            f"{len(loud)} silenced until one is raised again; not acknowledged" if loud else "nothing sounds"
        )

    def _alarm(self, kind: str, subject: str) -> Alarm:
        is_by_design = self.explained_s.get(kind, -inf) > self.now_s
        at_rest = Alarm(row=self.board.rows[kind], subject=subject, is_by_design=is_by_design)
        return self.alarms.get((kind, subject), at_rest)

    def _put(self, before: Alarm, after: Alarm) -> None:
        """Take a changed alarm into the board, tell of it, and see what follows for others."""
        if after is before:
            return
        is_called = after.occurrence > before.occurrence and after.mask is None
        if is_called:
            after = replace(after, is_first=self._is_first(after))
        self._keep(after)
        self.events += news(before, after, self.now_s, self.author)
        if is_called:
            self._count()
        if (before.is_on, before.service) != (after.is_on, after.service):
            self._explain(after.row.kind)

    def _keep(self, alarm: Alarm) -> None:
        if self.alarms is self.board.alarms:
            self.alarms = dict(self.alarms)
        assert isinstance(self.alarms, dict)
        self.alarms[alarm.row.kind, alarm.subject] = alarm

    def _is_first(self, alarm: Alarm) -> bool:
        """Whether nothing kin to it is active and to be seen."""
        kin = cascade(self.board.rows, alarm.row.kind)
        return not any(
            other.is_on and other.mask is None
            for (kind, subject), other in self.alarms.items()
            if kind in kin and (kind, subject) != (alarm.row.kind, alarm.subject)
        )

    def _explain(self, cause: str) -> None:
        """A cause has come or gone: what it explains is hidden, or will show again after it has settled."""
        for row in self.board.rows.values():
            if cause in row.follows:
                self.explained_s = {**self.explained_s, row.kind: _explained_until_of(row, self.alarms)}
                for alarm in [a for (kind, _), a in self.alarms.items() if kind == row.kind]:
                    self._hidden_or_shown(alarm)

    def _hidden_or_shown(self, alarm: Alarm) -> Alarm:
        """Hide an alarm that another explains, show it when none does any more."""
        if not alarm.row.follows:
            return alarm
        is_explained = _explained_until_s(self.explained_s, alarm) > self.now_s
        after = by_design(alarm, is_explained=is_explained, now_s=self.now_s)
        self._put(alarm, after)
        return self.alarms.get((alarm.row.kind, alarm.subject), after)

    def _count(self) -> None:
        """One more alarm that people are called to: perhaps one too many."""
        was_on = self.flood.is_on
        self.flood = after_raising(self.flood, self.now_s)
        if self.flood.is_on and not was_on:
            reason = (
                f"{self.flood.raised} alarms within {FLOOD_WITHIN_S / S_PER_MIN:.0f} min: "
                "look at the one marked as the first; the others may follow from it"
            )
            self._tell_flood(EventKind.ALARM_FLOOD_BEGAN, reason, self.flood.raised)

    def _attend_flood(self) -> None:
        before, self.flood = self.flood, after_time(self.flood, self.now_s)
        if before.is_on and not self.flood.is_on:
            reason = f"{before.raised} alarms in all; it is quiet again"
            self._tell_flood(EventKind.ALARM_FLOOD_ENDED, reason, before.raised)

    def _tell_flood(self, kind: EventKind, reason: str, raised: int) -> None:
        self.events.append(
            Event(
                kind=kind,
                at_s=self.now_s,
                subject=self.board.house,
                reason=reason,
                figures={"raised": raised},
            )
        )
