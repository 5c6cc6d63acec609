"""Boards of alarms on paper for the tests: a few kinds with short delays, and a board lived by hand.

Zone a's `dry` (plain) and `stuck` (latching) go through the tables; a `blackout` explains both. `power`
explains `no_pump`, with delays as real kinds have them; `tripped` is told by pulses; `nagging` reminds.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from mistd.core.actions import Outcome
from mistd.core.alarm_requests import AlarmRequest, AlarmVerb
from mistd.core.alarm_rows import RestoredBoard, alarm_rows, restored_board
from mistd.core.alarms import About, Alarm, AlarmRow, Priority
from mistd.core.annunciator import (
    Board,
    Condition,
    Step,
    asked,
    attended,
    begun_board,
    observed,
    pulse,
    sounds,
    wake_at_s,
)
from mistd.core.events import Event, EventKind
from tests.core.houses import house_plan, zone_plan

HOUSE = "elm-house"
ON_DELAY_S, OFF_DELAY_S = 5.0, 10.0
LONGEST_SHELF_S = 1800.0
CAUSE_DELAY_S, EFFECT_DELAY_S, SETTLES_S = 30.0, 60.0, 60.0
REMIND_S = 600.0


def row(**changes: Any) -> AlarmRow:
    """A plain kind of a zone's alarm, with whatever is to be different."""
    plain = AlarmRow(
        kind="dry",
        about=About.ZONE,
        priority=Priority.MEDIUM,
        title="Dry",
        cause="a trial",
        consequence="leaves flag",
        remedy=("look at the bench",),
        respond_within_s=600.0,
        longest_shelf_s=LONGEST_SHELF_S,
        on_delay_s=ON_DELAY_S,
        off_delay_s=OFF_DELAY_S,
    )
    return replace(plain, **changes)


BLACKOUT = row(kind="blackout", title="Blackout", about=About.HOUSE, on_delay_s=0.0, off_delay_s=0.0)
DRY = row(may_wake=True, follows=("blackout",))
STUCK = row(kind="stuck", title="Stuck", is_latching=True, follows=("blackout",))
TRIPPED = row(
    kind="tripped", title="Tripped", about=About.PART, is_latching=True, on_delay_s=0.0, off_delay_s=0.0
)
POWER = row(
    kind="power",
    title="Power",
    about=About.HOUSE,
    priority=Priority.HIGH,
    on_delay_s=CAUSE_DELAY_S,
    off_delay_s=0.0,
    may_wake=True,
)
NO_PUMP = row(
    kind="no_pump",
    title="No pump",
    on_delay_s=EFFECT_DELAY_S,
    off_delay_s=0.0,
    follows=("power",),
    settles_s=SETTLES_S,
)
NAGGING = row(kind="nagging", title="Nagging", remind_after_s=REMIND_S, on_delay_s=0.0, off_delay_s=0.0)
POWER_KEY = ("power", HOUSE)
TRIAL_ROWS = (BLACKOUT, DRY, STUCK, TRIPPED, POWER, NO_PUMP, NAGGING)


def trial_board(rows: Iterable[AlarmRow] = TRIAL_ROWS, *, zones: str = "ab") -> Board:
    """A board of a house with zones a and b."""
    return begun_board(house_plan(*(zone_plan(name) for name in zones), probes=["north"]), rows)


def on(kind: str = "dry", subject: str = "a", **changes: Any) -> Condition:
    return Condition(kind=kind, subject=subject, is_on=True, **{"reason": "it is so", **changes})


def off(kind: str = "dry", subject: str = "a") -> Condition:
    return Condition(kind=kind, subject=subject, is_on=False)


def trip(subject: str = "relay") -> Condition:
    return pulse("tripped", subject, "it went off")


def request(verb: str, kind: str | None = "dry", subject: str | None = "a", **changes: Any) -> AlarmRequest:
    return AlarmRequest(
        verb=AlarmVerb(verb), kind=kind, subject=subject, **{"author": "ilse", "note": "at work", **changes}
    )


@dataclass(slots=True)
class PaperBoard:
    """One board lived by hand: it is woken at every instant it names, as the program does."""

    board: Board = field(default_factory=trial_board)
    now_s: float = 0.0
    events: list[Event] = field(default_factory=list)

    def alarm(self, kind: str = "dry", subject: str = "a") -> Alarm:
        return self.board.alarm(kind, subject)

    def sees(self, now_s: float, *conditions: Condition) -> Step:
        """Conditions are looked at."""
        self.waits(now_s)
        return self._take(observed(self.board, conditions, now_s))

    def asks(
        self, now_s: float, verb: str, kind: str | None = "dry", subject: str | None = "a", **more: Any
    ) -> Step:
        """A person asks; to acknowledge, the last occurrence unless another is named."""
        self.waits(now_s)
        if verb == "acknowledge" and kind and subject and "occurrence" not in more:
            more["occurrence"] = self.alarm(kind, subject).occurrence
        return self._take(asked(self.board, request(verb, kind, subject, **more), now_s))

    def does(
        self, now_s: float, verb: str, kind: str | None = "dry", subject: str | None = "a", **more: Any
    ) -> None:
        """A person asks for what cannot be refused."""
        step = self.asks(now_s, verb, kind, subject, **more)
        assert step.outcome is Outcome.DONE, step.reason

    def waits(self, now_s: float) -> None:
        """Time goes by, up to and with an instant."""
        woken = 0
        while wake_at_s(self.board) <= now_s:
            self._take(attended(self.board, max(wake_at_s(self.board), self.now_s)))
            woken += 1
            assert woken < 1000, "asks to be woken again and again"
        self.now_s = now_s

    def _take(self, step: Step) -> Step:
        self.board = step.board
        self.events += step.events
        return step

    def told(self, *kinds: EventKind) -> list[Event]:
        return [event for event in self.events if event.kind in kinds]

    def raised(self) -> list[tuple[float, str, str]]:
        """Everything that people were called to: when, which kind, of what."""
        return [
            (event.at_s, str(event.figures["alarm"]), event.subject)
            for event in self.told(EventKind.ALARM_RAISED)
        ]

    def sounds(self, *, is_night: bool = False) -> bool:
        return sounds(self.board, is_night=is_night)


def board_with(kind: str, life: str, *, now_s: float = 0.0) -> PaperBoard:
    """A board on which zone a's `dry` or `stuck` has come to a life, the way it comes to it."""
    paper = PaperBoard(now_s=now_s)
    if life == "normal":
        return paper
    paper.sees(now_s, on(kind))
    paper.waits(now_s + ON_DELAY_S)
    if life in {"acknowledged", "latched"}:
        paper.does(paper.now_s, "acknowledge", kind)
    if life in {"returned", "latched_unacknowledged", "latched"}:
        paper.sees(paper.now_s, off(kind))
        paper.waits(paper.now_s + OFF_DELAY_S)
    assert paper.alarm(kind).life == life
    return paper


def happen(paper: PaperBoard, kind: str, happening: str) -> Outcome | None:
    """Let something happen, with its delay."""
    if happening == "condition_on":
        paper.sees(paper.now_s, on(kind))
        paper.waits(paper.now_s + ON_DELAY_S)
        return None
    if happening == "condition_off":
        paper.sees(paper.now_s, off(kind))
        paper.waits(paper.now_s + OFF_DELAY_S)
        return None
    return paper.asks(paper.now_s, happening, kind).outcome


def put_on(paper: PaperBoard, mask: str, kind: str) -> None:
    if mask == "shelved":
        paper.does(paper.now_s, "shelve", kind, for_s=LONGEST_SHELF_S)
    elif mask == "out_of_service":
        paper.does(paper.now_s, "out_of_service", kind)
    else:
        paper.sees(paper.now_s, on("blackout", HOUSE))


def take_off(paper: PaperBoard, mask: str, kind: str) -> None:
    if mask == "shelved":
        paper.does(paper.now_s, "unshelve", kind)
    elif mask == "out_of_service":
        paper.does(paper.now_s, "in_service", kind)
    else:
        paper.sees(paper.now_s, off("blackout", HOUSE))


def without_power(now_s: float = 100.0) -> PaperBoard:
    """The power is away and with it the pumps of both zones; long enough for all three alarms."""
    paper = PaperBoard()
    paper.sees(now_s, on("no_pump", "a"), on(*POWER_KEY), on("no_pump", "b"))
    paper.waits(now_s + EFFECT_DELAY_S)
    return paper


def restarted(
    paper: PaperBoard,
    now_s: float | None = None,
    *,
    shift_s: float = 0.0,
    is_time_away_known: bool = True,
    zones: str = "ab",
) -> PaperBoard:
    """The board from its rows, as they come back from the disk."""
    at_s = paper.now_s if now_s is None else now_s
    rows = json.loads(json.dumps(alarm_rows(paper.board)))
    again = restored_board(
        trial_board(zones=zones), rows, at_s, shift_s=shift_s, is_time_away_known=is_time_away_known
    )
    assert again.unreadable == ()
    return PaperBoard(board=again.board, now_s=at_s)


def damaged(paper: PaperBoard, name: str, **changes: object) -> RestoredBoard:
    """The board from its rows, one of which was damaged."""
    rows = {**alarm_rows(paper.board)}
    rows[name] = {**rows[name], **changes}  # type: ignore[dict-item]
    return restored_board(trial_board(), rows, paper.now_s)
