"""A house on paper whose alarms are watched, as the program watches them."""

from dataclasses import dataclass, field

from mistd.core.alarm_conditions import NOTHING_SEEN, Watch, watched
from mistd.core.alarm_kinds import AlarmKind
from mistd.core.annunciator import Condition, attended, begun_board, observed, wake_at_s
from mistd.core.events import Event, EventKind
from tests.core.houses import (
    PaperHouse,
    house_at_work,
    house_plan,
    zone_plan,
)

K = AlarmKind
HOUSE = "elm-house"


@dataclass
class Watching:
    """A house that is watched whenever it has changed, and its alarms."""

    paper: PaperHouse
    watch: Watch = NOTHING_SEEN
    seen: list[tuple[float, Condition]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.board = begun_board(self.paper.plan)
        self.look()

    def look(self) -> list[Condition]:
        """What has changed of the conditions."""
        now_s = self.paper.now_s
        step = watched(self.watch, self.paper.house, now_s)
        self.watch = step.watch
        self.seen += [(now_s, condition) for condition in step.conditions]
        after = observed(self.board, step.conditions, now_s)
        self.board, self.events = after.board, [*self.events, *after.events]
        return list(step.conditions)

    def waits(self, now_s: float) -> None:
        """Nobody answers orders; decide, watch and attend at every instant that is named, up to this one."""
        while True:
            next_s = min(self.paper.wake_at_s, self.watch.wake_at_s, wake_at_s(self.board))
            if next_s > now_s:
                break
            at_s = max(next_s, self.paper.now_s)
            if self.paper.wake_at_s <= at_s:
                self.paper.decide(at_s)
            self.paper.now_s = at_s
            self.look()
            after = attended(self.board, at_s)
            self.board, self.events = after.board, [*self.events, *after.events]
        self.paper.decide(now_s)
        self.look()

    def now(self, kind: AlarmKind, subject: str) -> bool | None:
        """The condition as last told; None when it never was."""
        told = [c.is_on for _, c in self.seen if (c.kind, c.subject) == (kind, subject) and not c.is_pulse]
        return told[-1] if told else None

    def raised(self, kind: AlarmKind) -> list[tuple[float, str]]:
        """When people were called to alarms of a kind, and of what."""
        return [
            (e.at_s, e.subject)
            for e in self.events
            if e.kind is EventKind.ALARM_RAISED and e.figures["alarm"] == kind
        ]


def at_work(*zones: str) -> Watching:
    """A house at work, nothing due, with a probe that was not heard yet."""
    plan = house_plan(*(zone_plan(name) for name in zones or ("a",)), probes=["north"])
    return Watching(paper=house_at_work(plan))
