"""Random histories of a board of alarms: conditions come and go, people ask, the daemon is killed.

Drawn by hypothesis in small pieces, so that a history that breaks a promise shrinks to the few happenings
that matter. Pauses are drawn from around the delays and add up exactly: limits are met to the instant.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from hypothesis import strategies as st

from mistd.core.alarm_requests import AlarmRequest, AlarmVerb
from mistd.core.alarm_rows import alarm_rows, restored_board
from mistd.core.annunciator import AlarmKey, Board, Condition, Step, asked, attended, observed, wake_at_s
from mistd.core.events import Event
from tests.core.alarm_boards import HOUSE, LONGEST_SHELF_S, request, trial_board

PULSES: tuple[AlarmKey, ...] = (("tripped", "relay"),)
CASTS: tuple[tuple[AlarmKey, ...], ...] = (  # who plays in a history: few, so that something comes of it
    (("dry", "a"),),
    (("stuck", "a"),),
    PULSES,
    (("nagging", "a"),),
    (("blackout", HOUSE), ("dry", "a")),
    (("blackout", HOUSE), ("stuck", "a")),
    (("power", HOUSE), ("no_pump", "a"), ("no_pump", "b")),
)
PAUSES_S = (10.0, 0.0, 1.0, 4.75, 5.0, 9.75, 30.0, 60.0, 60.0, 120.0, 600.0, 1800.0)


@dataclass(frozen=True)
class Sees:
    """A condition is on or off."""

    key: AlarmKey
    is_on: bool

    @property
    def condition(self) -> Condition:
        kind, subject = self.key
        is_pulse = self.key in PULSES
        reason = "it is so" if self.is_on or is_pulse else ""
        return Condition(
            kind=kind, subject=subject, is_on=self.is_on or is_pulse, reason=reason, is_pulse=is_pulse
        )


@dataclass(frozen=True)
class Asks:
    """A person asks; an acknowledgement names an occurrence so many before the last."""

    key: AlarmKey
    verb: AlarmVerb
    for_s: float
    occurrences_ago: int

    def request(self, board: Board) -> AlarmRequest:
        kind, subject = self.key
        return request(
            self.verb.value,
            kind,
            subject,
            for_s=self.for_s,
            occurrence=board.alarm(kind, subject).occurrence - self.occurrences_ago,
        )


@dataclass(frozen=True)
class Killed:
    """The daemon is killed and is back after a while, with every condition looked at anew."""

    away_s: float


Happening = Sees | Asks | Killed


@dataclass(frozen=True)
class Moment:
    """One step of a history: the board before it, what happened (None: time alone), and what came of it."""

    now_s: float
    before: Board
    happening: Happening | None
    step: Step

    @property
    def after(self) -> Board:
        return self.step.board


@dataclass
class Lived:
    """A history as it was lived."""

    moments: list[Moment] = field(default_factory=list)
    seen: dict[AlarmKey, bool] = field(default_factory=dict)  # the conditions as they are

    @property
    def events(self) -> list[Event]:
        return [event for moment in self.moments for event in moment.step.events]

    @property
    def board(self) -> Board:
        return self.moments[-1].after

    @property
    def conditions(self) -> list[Sees]:
        """Every condition as it is now."""
        return [Sees(key, is_on) for key, is_on in self.seen.items() if key not in PULSES]

    @property
    def now_s(self) -> float:
        return self.moments[-1].now_s


def sees(keys: Sequence[AlarmKey]) -> st.SearchStrategy[Sees]:
    return st.builds(Sees, key=st.sampled_from(keys), is_on=st.booleans())


def asks(keys: Sequence[AlarmKey]) -> st.SearchStrategy[Asks]:
    return st.builds(
        Asks,
        key=st.sampled_from(keys),
        verb=st.sampled_from([*AlarmVerb, AlarmVerb.ACKNOWLEDGE, AlarmVerb.ACKNOWLEDGE, AlarmVerb.RESET]),
        for_s=st.sampled_from([60.0, 600.0, LONGEST_SHELF_S, LONGEST_SHELF_S + 1.0]),
        occurrences_ago=st.sampled_from([0, 0, 0, 0, 0, 1, -1]),
    )


def killed() -> st.SearchStrategy[Killed]:
    return st.builds(Killed, away_s=st.sampled_from([0.0, 3.0, 60.0]))


History = list[tuple[float, Happening]]


@st.composite
def histories(draw: st.DrawFn, *, with_kills: bool = True) -> History:
    """What happens to a few alarms."""
    keys = draw(st.sampled_from(CASTS))
    kinds: list[st.SearchStrategy[Happening]] = [sees(keys), asks(keys), sees(keys), asks(keys)]
    if with_kills:
        kinds.append(killed())
    step = st.tuples(st.sampled_from(PAUSES_S), st.one_of(kinds))
    spells = draw(st.lists(st.lists(step, min_size=1, max_size=10), min_size=1, max_size=8))
    return [each for spell in spells for each in spell]


def lived(history: History, board: Board | None = None, now_s: float = 0.0) -> Lived:
    """Live a history; the board is woken at every instant it names."""
    life = Lived()
    board = board or trial_board()
    for pause_s, happening in history:
        for moment in woken(board, now_s, now_s + pause_s):
            life.moments.append(moment)
            board = moment.after
        now_s += pause_s
        if isinstance(happening, Killed):
            now_s += happening.away_s
        moment = happened(board, happening, now_s, life.seen)
        life.moments.append(moment)
        board = moment.after
    return life


def woken(board: Board, now_s: float, until_s: float) -> Iterator[Moment]:
    """Time alone, up to an instant."""
    for _ in range(1000):
        if wake_at_s(board) > until_s:
            return
        now_s = max(now_s, wake_at_s(board))
        moment = Moment(now_s, board, None, attended(board, now_s))
        yield moment
        board = moment.after
    raise AssertionError("asks to be woken again and again")


def happened(board: Board, happening: Happening, now_s: float, seen: dict[AlarmKey, bool]) -> Moment:
    if isinstance(happening, Sees):
        seen[happening.key] = happening.condition.is_on and not happening.condition.is_pulse
        return Moment(now_s, board, happening, observed(board, [happening.condition], now_s))
    if isinstance(happening, Asks):
        return Moment(now_s, board, happening, asked(board, happening.request(board), now_s))
    again = restored_board(replace(trial_board(), rows=board.rows), alarm_rows(board), now_s)
    assert again.unreadable == ()
    assert again.gone == ()
    conditions = [Sees(key, is_on).condition for key, is_on in seen.items() if key not in PULSES]
    return Moment(now_s, board, happening, observed(again.board, conditions, now_s))


def facts(board: Board) -> dict[AlarmKey, Any]:
    """What people can tell of each alarm that ever was."""
    return {
        key: (
            alarm.life,
            alarm.occurrence,
            alarm.acknowledged,
            alarm.is_silenced,
            alarm.mask,
            alarm.shelf,
            alarm.service,
            alarm.unseen,
        )
        for key, alarm in board.alarms.items()
        if alarm.occurrence or alarm.shelf or alarm.service
    }
