"""A history lived: the decision, a keeper with the program's own ledger, and lines that can be watched.

Time jumps from one thing that happens to the next. Orders and reports take a hundredth of a second each.
What the lines truly did is kept apart from what the house believes.
"""

import json
from collections.abc import Callable, Iterable
from copy import copy
from dataclasses import dataclass, field, fields, replace
from datetime import date, timedelta
from heapq import heappop, heappush
from math import inf

from mistd.core.actions import AnswerRequest, KeepRevision, OpenValve, ShutValve
from mistd.core.almanac import Almanac, DayPart
from mistd.core.decide import decide
from mistd.core.durable import durable, restored
from mistd.core.house import Decision, House, begun
from mistd.core.leases import KeeperRules, Ledger, LineRule
from mistd.core.observations import (
    NOTHING_NEW,
    KeeperLost,
    KeeperNews,
    KeeperReady,
    LineEdge,
    LineReport,
    LineTrouble,
    Observations,
)
from mistd.core.readings import Reading, reading_of
from mistd.core.requests import Request
from mistd.core.rows import Row
from mistd.core.settings import NO_SETTINGS, Revision, Settings
from tests.core.asking import request_of
from tests.core.histories import (
    Asks,
    ClockMoves,
    Happening,
    History,
    KeeperGoes,
    OrderFails,
    Plate,
    Restarts,
    Sets,
    Spell,
    Undoes,
)

TRAVEL_S = 0.01  # of an order to the keeper, of a report back
SAVE_EVERY_S = 10.0
STICKS_FOR_S = 60.0
LATE_BY_S = 15.0
HOUR_S, DAY_S = 3600.0, 86_400.0
BEGINS = ((5.0, DayPart.DAWN), (8.0, DayPart.DAY), (18.0, DayPart.DUSK), (20.0, DayPart.NIGHT))
FIRST_DATE = date(2026, 3, 14)


@dataclass(frozen=True)
class Step:
    """One decision: what went in and what came out."""

    now_s: float
    before: House
    as_it_was: "Snapshot"  # of the house that went in, taken before the decision
    observations: Observations
    decision: Decision


Snapshot = tuple[object, ...]


def snapshot(house: House) -> Snapshot:
    """All that a house says, down to the parts that could be changed in place."""
    others = tuple(getattr(house, each.name) for each in fields(House) if each.name != "zones")
    revisions = {**house.settings.newest}, {**house.settings.stacks}
    zones = (copy(zone) for zone in house.zones)
    return (*others, dict(house.sensors), dict(house.frost.cold), revisions, *zones)


@dataclass(frozen=True)
class Away:
    """The daemon was killed and came back."""

    killed_s: float
    back_s: float
    is_time_away_known: bool


@dataclass
class Lived:
    """Everything that came of a history."""

    history: History
    first: House  # as it began, before the first step
    steps: list[Step] = field(default_factory=list)
    edges: list[tuple[float, str, bool]] = field(default_factory=list)  # what the lines truly did
    stuck: list[tuple[float, str]] = field(default_factory=list)  # when a line should have shut and did not
    refusals: list[tuple[float, str]] = field(default_factory=list)  # the ledger's own, not those injected
    restarts: list[Away] = field(default_factory=list)
    asked: dict[str, tuple[float, Request]] = field(default_factory=dict)
    ends_s: float = 0.0


def part_at(wall_s: float) -> tuple[DayPart, float]:
    """The part of a day and how many seconds of it are left."""
    hour = wall_s % DAY_S / HOUR_S
    part = DayPart.NIGHT
    for begins, each in BEGINS:
        if hour < begins:
            return part, (begins - hour) * HOUR_S
        part = each
    return part, (24.0 - hour) * HOUR_S


class Life:
    """One history in the living."""

    def __init__(self, history: History) -> None:
        self.history, self.plan = history, history.plan
        self.now_s, self.wall_minus_now_s, self.is_trusted = 0.0, history.starts_at_hour * HOUR_S, True
        self.house = begun(self.plan, self.almanac(), 0.0)
        self.lived = Lived(history=history, first=self.house)
        self.is_almanac_old = False
        self.rules = KeeperRules(
            lines={
                zone.name: LineRule(longest_open_s=zone.longest_burst_s, shortest_rest_s=zone.shortest_rest_s)
                for zone in self.plan.zones
            },
            open_at_once=self.plan.valves_at_once,
            heartbeat_s=10.0,
        )
        self.ledger: Ledger | None = Ledger(self.rules, -1000.0)  # it was there before the daemon
        self.connection = 0  # counts up: what was sent over an earlier one is lost
        self.is_connected = False
        self.is_up = True
        self.stuck_until_s: dict[str, float] = {}
        self.fails: list[str] = []
        self.mute: set[int] = set()
        self.late: set[int] = set()
        self.keeper_news: list[KeeperNews] = []
        self.readings: list[tuple[str, Reading]] = []
        self.spoken_over: dict[str, tuple[float, Spell]] = {}  # until when, and what speaks
        self.requests: list[Request] = []
        self.saved: dict[str, Row] = dict(durable(self.house))
        self.kept: list[Revision] = []
        self.saved_s = 0.0
        self.queue: list[tuple[float, int, Callable[[], None]]] = []
        self.count = 0
        self.wake_at_s = 0.0

    def run(self) -> Lived:
        """Live it to its end."""
        self.at(0.3, self.keeper_begins)
        at_s = 1.0
        for pause_s, happening in self.history.happenings:
            at_s += pause_s
            self.at(at_s, lambda each=happening: self.happen(each))  # type: ignore[misc]
        self.lived.ends_s = at_s + self.history.tail_s
        while (next_s := self.next_s()) <= self.lived.ends_s:
            assert next_s > self.now_s or len(self.lived.steps) < 2, "decided again and again at one instant"
            self.now_s = next_s
            while self.queue and self.queue[0][0] <= self.now_s:
                heappop(self.queue)[2]()
            if self.is_up:
                self.decide()
        return self.lived

    def next_s(self) -> float:
        queued_s = self.queue[0][0] if self.queue else inf
        return max(min(queued_s, self.wake_at_s if self.is_up else inf), self.now_s)

    def at(self, at_s: float, do: Callable[[], None]) -> None:
        self.count += 1
        heappush(self.queue, (at_s, self.count, do))

    # The daemon.

    def decide(self) -> None:
        before, observations = snapshot(self.house), self.gathered()
        decision = decide(self.house, observations, self.now_s)
        self.lived.steps.append(Step(self.now_s, self.house, before, observations, decision))
        self.house, self.wake_at_s = decision.house, decision.wake_at_s
        must_keep = any(isinstance(a, AnswerRequest) and a.must_be_kept for a in decision.actions)
        if must_keep or self.now_s >= self.saved_s + SAVE_EVERY_S:
            self.saved, self.saved_s = durable(self.house), self.now_s
        self.kept += [a.revision for a in decision.actions if isinstance(a, KeepRevision)]
        for action in decision.actions:
            if isinstance(action, OpenValve):
                self.send(lambda order=action: self.keeper_opens(order))  # type: ignore[misc]
            elif isinstance(action, ShutValve):
                self.send(lambda order=action: self.keeper_shuts(order.zone, order.reason))  # type: ignore[misc]

    def gathered(self) -> Observations:
        is_old = self.is_almanac_old or self.now_s >= self.house.almanac.ends_s
        keeper, readings, requests = tuple(self.keeper_news), tuple(self.readings), tuple(self.requests)
        self.keeper_news, self.readings, self.requests = [], [], []
        self.is_almanac_old = False
        if not (is_old or keeper or readings or requests):
            return NOTHING_NEW
        return Observations(
            almanac=self.almanac() if is_old else None, keeper=keeper, readings=readings, requests=requests
        )

    def almanac(self) -> Almanac:
        wall_s = self.now_s + self.wall_minus_now_s
        part, left_s = part_at(wall_s) if self.is_trusted else (DayPart.DAY, 60.0)
        return Almanac(
            part=part,
            ends_s=self.now_s + left_s,
            local_date=FIRST_DATE + timedelta(days=wall_s // DAY_S),
            day_began_s=self.now_s - wall_s % DAY_S,
            is_light=part is not DayPart.NIGHT,
            is_trusted=self.is_trusted,
        )

    def happen(self, what: Happening) -> None:
        if isinstance(what, Asks | Sets | Undoes):
            self.ask(what)
        elif isinstance(what, KeeperGoes):
            self.keeper_goes(what)
        elif isinstance(what, Restarts):
            self.restart(what)
        elif isinstance(what, ClockMoves):
            self.wall_minus_now_s += what.by_s
            self.is_trusted, self.is_almanac_old = what.is_trusted, True
        elif isinstance(what, Spell | Plate):
            self.spell_begins(what)
        elif isinstance(what, OrderFails):
            self.fails.append(what.how)

    def ask(self, what: Asks | Sets | Undoes) -> None:
        if self.is_up:
            request = request_of(what, f"ask-{len(self.lived.asked)}", self.house, self.now_s)
            self.lived.asked[request.request_id] = (self.now_s, request)
            self.requests.append(request)

    def spell_begins(self, spell: Spell | Plate) -> None:
        ends_s = self.now_s + spell.times * spell.every_s
        if isinstance(spell, Spell) and spell.is_instead:
            self.spoken_over |= dict.fromkeys(spell.sensors, (ends_s, spell))
        for time in range(spell.times):
            at_s = self.now_s + time * spell.every_s
            self.at(at_s, lambda time=time: self.sensors_read(spell, time))  # type: ignore[misc]

    def sensors_read(self, spell: Spell | Plate, time: int) -> None:
        """What sensors say in a spell, unless another speaks instead."""
        if not self.is_up:
            return
        for name in spell.sensors:
            until_s, instead = self.spoken_over.get(name, (-inf, spell))
            if instead is spell or self.now_s >= until_s:
                value = (
                    spell.value + time * spell.drift if isinstance(spell, Spell) else self.plate_reads(spell)
                )
                reading = reading_of(self.plan.sensors[name].kind, value, self.now_s)
                self.readings.append((name, reading))

    def plate_reads(self, plate: Plate) -> float:
        edges = [(at_s, opens) for at_s, line, opens in self.lived.edges if line == plate.zone]
        at_s, is_open = edges[-1] if edges else (-inf, False)
        share = 1.0 if is_open else max(0.0, 1.0 - (self.now_s - at_s) / plate.dries_s)
        plan = self.plan.sensors[plate.sensor]
        return plan.dry_reads + share * (plan.wet_reads - plan.dry_reads)

    def restart(self, what: Restarts) -> None:
        """Killed at once; what it had not saved and what was under way to it is lost."""
        if not self.is_up:
            return
        self.is_up = False
        self.keeper_news, self.readings, self.requests = [], [], []
        self.connection_ends(dies=what.keeper_dies)
        if what.keeper_dies:
            self.ledger = None
        back_s = self.now_s + what.away_s
        self.lived.restarts.append(Away(self.now_s, back_s, what.is_time_away_known))
        self.at(back_s, lambda: self.start_again(what))

    def start_again(self, what: Restarts) -> None:
        rows = json.loads(json.dumps(self.saved))
        shift_s = 0.0 if what.is_time_away_known else self.now_s - self.saved_s
        back = restored(
            self.plan,
            rows,
            self.almanac(),
            self.now_s,
            shift_s=shift_s,
            is_time_away_known=what.is_time_away_known,
            settings=settings_again(self.kept, shift_s),
        )
        assert back.unreadable == ()
        assert back.not_applied == ()
        self.house, self.is_up, self.wake_at_s = back.house, True, self.now_s
        self.saved, self.saved_s = durable(self.house), self.now_s
        if not self.is_connected:
            self.at(self.now_s + 0.1, self.keeper_begins)

    # The keeper.

    def keeper_begins(self) -> None:
        """The daemon reaches the keeper that is there, or starts one."""
        if self.is_connected or not self.is_up:
            return
        self.ledger = self.ledger or Ledger(self.rules, self.now_s)
        self.is_connected = True
        ledger = self.ledger
        word = KeeperReady(since_s=ledger.since_s, accounts=ledger.accounts(), unproved=ledger.open_lines())
        self.keeper_news.append(word)

    def keeper_goes(self, what: KeeperGoes) -> None:
        if not self.is_connected:
            return
        self.connection_ends(dies=what.dies)
        if what.dies:
            self.ledger = None
        self.keeper_news.append(KeeperLost(reason="died" if what.dies else "the connection closed"))
        self.at(self.now_s + what.away_s, self.keeper_begins)

    def connection_ends(self, *, dies: bool) -> None:
        """Alone, the keeper shuts what can be shut; a dying one lets all lines fall shut."""
        self.is_connected = False
        self.connection += 1
        for line in self.ledger.open_lines() if self.ledger else ():
            if dies:
                self.stuck_until_s.pop(line, None)
            self.keeper_shuts(line, "the daemon is not heard")

    def send(self, do: Callable[[], None]) -> None:
        """An order under way to the keeper, if that is still there when it arrives."""
        connection = self.connection
        self.at(self.now_s + TRAVEL_S, lambda: do() if connection == self.connection else None)

    def tell(self, news: KeeperNews) -> None:
        """A report under way to the daemon, over the connection there is now."""
        connection, ticket = self.connection, news.ticket if isinstance(news, LineReport) else 0
        travel_s = LATE_BY_S if ticket in self.late else TRAVEL_S
        if self.is_connected and ticket not in self.mute:
            self.at(
                self.now_s + travel_s,
                lambda: self.keeper_news.append(news) if connection == self.connection else None,
            )

    def keeper_opens(self, order: OpenValve) -> None:
        if self.ledger is None or not self.is_connected:
            return
        how = self.fails.pop(0) if self.fails else "obeys"
        if how == "deaf":
            return
        why_not = self.ledger.why_not(order.zone, order.for_s, self.now_s)
        if why_not:
            self.lived.refusals.append((self.now_s, why_not))
        if why_not or how == "refuses":
            self.report(LineEdge.REFUSED, order.zone, order.ticket, reason=why_not or "out of order")
            return
        if how == "mute":
            self.mute.add(order.ticket)
        elif how == "late":
            self.late.add(order.ticket)
        elif how == "sticks":
            self.stuck_until_s[order.zone] = self.now_s + order.for_s + STICKS_FOR_S
        self.ledger.open(order.zone, order.ticket, order.for_s, self.now_s)
        self.lived.edges.append((self.now_s, order.zone, True))
        self.report(LineEdge.OPENED, order.zone, order.ticket)
        ledger, ends_s = self.ledger, self.now_s + order.for_s
        self.at(ends_s, lambda: self.time_is_over(ledger, order.zone, ends_s))

    def time_is_over(self, ledger: Ledger, line: str, ends_s: float) -> None:
        """A timer is good for the opening it was set for, and for no later one."""
        if ledger is self.ledger and ledger.ends_s().get(line) == ends_s:
            self.keeper_shuts(line, "its time was over")

    def keeper_shuts(self, line: str, reason: str) -> None:
        if self.ledger is None or line not in self.ledger.open_lines():
            return
        if self.now_s < self.stuck_until_s.get(line, -inf):
            self.lived.stuck.append((self.now_s, line))
            self.tell(LineTrouble(line=line, reason="it does not shut"))
            ledger, ends_s = self.ledger, self.ledger.ends_s()[line]
            self.at(self.stuck_until_s[line], lambda: self.time_is_over(ledger, line, ends_s))
            return
        shutting = self.ledger.shut(line, reason, self.now_s)
        assert shutting is not None
        self.lived.edges.append((self.now_s, line, False))
        self.report(LineEdge.SHUT, line, shutting.ticket, open_s=shutting.open_s, reason=reason)

    def report(
        self, edge: LineEdge, line: str, ticket: int, *, open_s: float = 0.0, reason: str = ""
    ) -> None:
        self.tell(
            LineReport(edge=edge, line=line, ticket=ticket, at_s=self.now_s, open_s=open_s, reason=reason)
        )


def settings_again(kept: Iterable[Revision], shift_s: float) -> Settings:
    """The settings as a store gives them back, by a clock that may have begun anew."""
    settings = NO_SETTINGS
    for revision in kept:
        settings = settings.with_revision(replace(revision, ends_s=revision.ends_s + shift_s))
    return settings


def lived(history: History) -> Lived:
    """A history lived to its end."""
    return Life(history).run()
