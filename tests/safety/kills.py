"""The kill campaign: a daemon is killed again and again while it mists and people ask it to hold a zone dry.

Answers for: when the kills come (seeded), what is asked before them, and what was seen after each: how long
the keeper took to shut, how long the next daemon took to control, and every promise that was broken.
Does not know a daemon's inside. Rule: what is judged comes from the outputs file and from the broker. The
100 ms count from the kill. On a busy machine a process that is killed waits for its turns to die: then they
count from when it was dead, and what we had to wait for a turn of our own meanwhile is added.
"""

import os
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from random import Random
from typing import Any, Self

from tests.broker import Mosquitto
from tests.safety.asking import Asker, Heard
from tests.safety.harness import LATE_S, House, Program, Zone, until
from tests.safety.watching import Watch

BURST_S, GAP_S, REST_S = 0.9, 1.45, 1.0
HELD = "held"
ZONES = tuple(
    Zone(name=name, burst_s=BURST_S, gap_s=GAP_S, shortest_rest_s=REST_S) for name in ("left", "right", HELD)
)
VALVES_AT_ONCE = 8  # more than there are zones: the line is not what these are about
HOLD_S = 3600.0
FROM_NOTHING = 0.1  # of the daemons, so many are `mistd run` itself
SAME_INSTANT_S = 0.1  # a hold's end is told by the wall clock, which may be slewed meanwhile
STARTING, ANYTIME, MISTING, ASKED, ANSWERED = "starting", "any time", "misting", "asked", "answered"
WHEN = {STARTING: 1, ANYTIME: 3, MISTING: 5, ASKED: 3, ANSWERED: 3}  # how often, of 15


@dataclass(slots=True)
class Asked:
    """A request for the held zone, and what it makes of the zone: held under a note, or not held."""

    request_id: str
    note: str | None
    sent_s: float


@dataclass(frozen=True, slots=True)
class Late:
    """A kill after which a valve was open for longer than the limit."""

    number: int
    killed_s: float
    died_s: float
    shut_s: float

    def __str__(self) -> str:
        after_kill_ms, after_death_ms = ((self.shut_s - at_s) * 1e3 for at_s in (self.killed_s, self.died_s))
        return f"kill {self.number}: shut {after_kill_ms:.1f} ms after it, {after_death_ms:.1f} after death"


@dataclass(slots=True, kw_only=True)
class Toll:
    """What was seen in a campaign."""

    kills: int = 0
    shut_s: list[float] = field(default_factory=list)  # from the kill to the last edge, when a valve was open
    shut_after_death_s: list[float] = field(
        default_factory=list
    )  # below 0: before all of the daemon was gone
    back_s: list[float] = field(default_factory=list)  # of `mistd run`, from its start to its first pass
    forked_back_s: list[float] = field(default_factory=list)  # of a forked daemon, which has its imports
    excused: int = 0  # shut later than the limit, and the rest was the machine's
    holds_proved: int = 0  # answered as done before a kill, and found after it
    broken: list[str] = field(default_factory=list)

    def __add__(self, other: Self) -> "Toll":
        return Toll(
            kills=self.kills + other.kills,
            shut_s=self.shut_s + other.shut_s,
            shut_after_death_s=self.shut_after_death_s + other.shut_after_death_s,
            back_s=self.back_s + other.back_s,
            forked_back_s=self.forked_back_s + other.forked_back_s,
            excused=self.excused + other.excused,
            holds_proved=self.holds_proved + other.holds_proved,
            broken=self.broken + other.broken,
        )


class Campaign:
    """One house, killed again and again."""

    def __init__(self, seed: int, house: House, asker: Asker, watch: Watch) -> None:
        self._random = Random(seed)
        self._seed = seed
        self._house = house
        self._asker = asker
        self._watch = watch
        self._toll = Toll()
        self._asked: list[Asked] = []  # since the last state that was proved
        self._base: str | None = None  # the note that was proved last; None is not held
        self._ends: dict[str, str] = {}  # by note, when the hold was first told to end
        self._held_since_s: float | None = None
        self._dry: list[tuple[float, float]] = []  # spans in which the zone was held for certain
        self._late: list[Late] = []
        self._notes = 0
        self._is_forked = False

    def run(self, kills: int) -> Toll:
        """Kill so many times; after the last the house is started once more, and looked at."""
        daemon, mark = self._started()
        for number in range(kills):
            when = self._random.choices(list(WHEN), list(WHEN.values()))[0]
            if number + 1 == kills or when != STARTING:
                self._see_back(daemon, mark)
            self._live_until_killed(daemon, when if number + 1 < kills else ANYTIME)
            daemon, mark = self._started()
        self._see_back(daemon, mark)
        self._be_dry_until(time.monotonic())
        self._house.until_all_shut()
        return self._toll

    def look_back(self) -> Toll:
        """After the watch: what took too long, and every burst."""
        for late in self._late:
            machine_late_s = self._watch.late_s(late.killed_s, late.shut_s)
            if late.shut_s - late.died_s > LATE_S + machine_late_s:
                self._break(f"{late}, though the machine was late by {machine_late_s * 1e3:.1f} ms only")
            else:
                self._toll.excused += 1
        self._look_back_at_bursts()
        return self._toll

    def _look_back_at_bursts(self) -> None:
        """Every burst within its length and after its rest, none while the zone was held."""
        for bursts in self._watch.bursts().values():
            for burst in bursts:
                if burst.shut_s - burst.opened_s > BURST_S + LATE_S:
                    self._break(f"{burst} is too long")
                if burst.line == HELD and any(begin < burst.opened_s < end for begin, end in self._dry):
                    self._break(f"{burst} while the zone was held")
            for sooner, later in pairwise(bursts):
                if later.opened_s - sooner.shut_s < REST_S - 0.001:
                    self._break(f"{later} too soon after {sooner}")

    def _break(self, what: str) -> None:
        self._toll.broken.append(f"seed {self._seed}, kill {self._toll.kills}: {what}")

    def _started(self) -> tuple[Program, int]:
        """The next daemon; one in a few is started from nothing, as after a kill in the field."""
        mark = self._asker.mark()
        self._is_forked = self._random.random() > FROM_NOTHING
        return self._house.start_forked() if self._is_forked else self._house.start(), mark

    def _see_back(self, daemon: Program, mark: int) -> None:
        """Wait until the daemon controls the house; then the hold must be what was promised."""
        ready = daemon.wait_for("keeper ready")
        back_s = self._toll.forked_back_s if self._is_forked else self._toll.back_s
        back_s.append(ready["seen_s"] - daemon.started_s)
        online, _ = self._asker.first(_is_online, mark)
        _, told = self._asker.first(lambda each: each.topic == f"zone/{HELD}", online)
        self._judge_hold(told)

    def _judge_hold(self, told: Heard) -> None:
        """What is told must follow from the requests up to the last that was answered, or a later one."""
        hold = told.says["hold"]
        note = hold["note"] if hold else None
        effects = [self._base, *(each.note for each in self._asked)]
        sure = max((place for place, each in enumerate(self._asked, 1) if self._is_done(each)), default=0)
        if note not in effects[sure:]:
            self._break(f"the hold is {note!r}, allowed {effects[sure:]}")
        elif sure:
            self._toll.holds_proved += 1
        if note is not None:
            ends, first_told = hold["until"], self._ends.setdefault(note, hold["until"])
            if abs(_seconds(ends) - _seconds(first_told)) > SAME_INSTANT_S:
                self._break(f"the hold {note!r} ends {ends}, was to end {first_told}")
        self._base, self._asked = note, []
        if note is None:
            self._held_since_s = None
        elif self._held_since_s is None:
            self._held_since_s = told.at_s

    def _is_done(self, asked: Asked) -> bool:
        answer = self._asker.answered(asked.request_id)
        return answer is not None and answer["outcome"] == "done"

    def _live_until_killed(self, daemon: Program, when: str) -> None:
        if when == STARTING:
            time.sleep(self._random.uniform(0.0, 0.5))
        elif when == ANYTIME:
            self._ask(self._random.uniform(0.0, 0.4))
            time.sleep(self._random.uniform(0.0, 1.0))
        elif when == MISTING:
            self._ask(0.0)
            until(lambda: bool(self._house.open_lines()), "a burst", but=self._house.account)
            time.sleep(self._random.uniform(0.0, BURST_S / 2))
        elif when == ASKED:
            self._ask(self._random.uniform(0.0, 1.0))
            time.sleep(self._random.uniform(0.0, 0.015))
        killed_s = self._killed_at_answer(daemon) if when == ANSWERED else daemon.send(signal.SIGKILL)
        self._see_shut(daemon, killed_s)

    def _ask(self, after_s: float) -> Asked:
        """Ask for a hold, or for its end."""
        time.sleep(after_s)
        is_hold = self._held_since_s is None or self._random.random() < 0.6
        self._notes += 1
        note = f"note {self._notes}" if is_hold else None
        if not is_hold:
            self._be_dry_until(time.monotonic())
        sent_s = time.monotonic()
        if is_hold:
            request_id = self._asker.ask("hold", zone=HELD, for_s=HOLD_S, note=note)
        else:
            request_id = self._asker.ask("release", zone=HELD)
        self._asked.append(Asked(request_id, note, sent_s))
        return self._asked[-1]

    def _be_dry_until(self, ends_s: float) -> None:
        if self._held_since_s is not None:
            self._dry.append((self._held_since_s, ends_s))
            self._held_since_s = None

    def _killed_at_answer(self, daemon: Program) -> float:
        """Kill the moment an answer comes: what it promises has to be on the disk by then."""
        time.sleep(self._random.uniform(0.0, 0.5))
        killed_s: list[float] = []

        def kill(_answer: dict[str, Any]) -> None:
            if not killed_s:
                killed_s.append(time.monotonic())
                os.kill(daemon.pid, signal.SIGKILL)

        self._asker.on_answer = kill
        self._ask(0.0)
        until(lambda: bool(killed_s), "an answer", but=daemon.account)
        self._asker.on_answer = lambda _: None
        return killed_s[0]

    def _see_shut(self, daemon: Program, killed_s: float) -> None:
        """After the death the keeper alone shuts what was open, and is still there."""
        died_s = daemon.died_s()
        daemon.ended()
        self._house.forget(daemon)
        self._toll.kills += 1
        with suppress(AssertionError):
            self._house.until_all_shut(within_s=2.0)
        if self._house.open_lines():
            self._break(f"{self._house.open_lines()} still open 2 s after the kill")
            return
        last_edge_s = max(line.last_edge_s for line in self._house.lines().values())
        if last_edge_s < killed_s:
            return  # no valve was open
        self._toll.shut_s.append(last_edge_s - killed_s)
        self._toll.shut_after_death_s.append(last_edge_s - died_s)
        if last_edge_s - killed_s > LATE_S:
            self._late.append(Late(self._toll.kills, killed_s, died_s, last_edge_s))


def _seconds(instant: str) -> float:
    return datetime.fromisoformat(instant).timestamp()


def _is_online(heard: Heard) -> bool:
    return heard.topic == "status" and heard.says["state"] == "online"


def campaign(seed: int, kills: int) -> Toll:
    """A campaign of one house, from its own broker to the look back."""
    with ExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        house = stack.enter_context(House(ZONES, broker_port=broker.port, valves_at_once=VALVES_AT_ONCE))
        asker = stack.enter_context(Asker(broker.port, house.name))
        with Watch(house) as watch:
            killing = Campaign(seed, house, asker, watch)
            killing.run(kills)
        return killing.look_back()


def described(toll: Toll) -> Iterator[str]:
    """The toll in words, with its figures."""
    yield f"{toll.kills} kills, {len(toll.broken)} promises broken, {toll.holds_proved} kept holds proved"
    yield f"shut, ms after the kill: {_quantiles(toll.shut_s, 1e3)}; excused {toll.excused}"
    yield f"shut, ms after the death: {_quantiles(toll.shut_after_death_s, 1e3)}"
    yield f"control back after s, mistd run: {_quantiles(toll.back_s, 1.0)}"
    yield f"control back after s, forked: {_quantiles(toll.forked_back_s, 1.0)}"
    yield from toll.broken


def _quantiles(values: list[float], factor: float) -> str:
    if not values:
        return "none"
    ordered = sorted(value * factor for value in values)
    p50, p99 = (ordered[min(int(len(ordered) * part), len(ordered) - 1)] for part in (0.5, 0.99))
    return f"p50 {p50:.2f}, p99 {p99:.2f}, max {ordered[-1]:.2f} (n {len(ordered)})"
