"""A second controller, to hold the first against: slow, plain, and written from the grower's rules alone.

It has no marks, no attention times, no waiting lists and no copies. At each step it takes in what is new and
then looks at every zone to see what must be opened now. It keeps what happened, and works out the rest anew:

- a zone is due when the gap of this part of the day has passed since its water stopped, or if never misted;
- the most overdue goes first, those never misted before all, in the order of the plan where that is equal;
  one that the keeper refused queues anew from then, and its refusal costs the line nothing;
- no burst without a keeper, in a hold, in frost, while open, or before the line has rested;
- as many at once as the house allows; a valve counts as open until a pause after it was shut, and no two
  open within a pause;
- what a person asked for goes before any zone, in the order asked, until it expires;
- a trim divides the gap; a burst that is to be left out counts as given at the instant it would have begun.

What may be set, and what it goes back to, is in `naive_settings`; what leaves on demand ask, in
`naive_demand`. A zone on demand that falls due queues from then on, until it is given its burst, a guard says
no or it is reckoned anew; only once the guard lets go, it queues again, as overdue as it was.

It answers in plain tuples, so that nothing of the program's own working is compared with itself.
"""

from dataclasses import dataclass, field
from math import inf

from mistd.core.almanac import Almanac
from mistd.core.cycles import TimedCycle
from mistd.core.observations import (
    KeeperLost,
    KeeperNews,
    KeeperReady,
    LineEdge,
    LineReport,
    LineTrouble,
    Observations,
)
from mistd.core.plan import HousePlan, ZonePlan
from mistd.core.readings import Quality, Reading, SensorKind
from mistd.core.requests import AskBurst, AskHold, AskRelease, AskSetting, AskUndo, Request
from mistd.core.settings import HoldSet, SettingKind
from tests.core.naive_demand import NaiveDemand, NaiveThirst, Rest, Wants
from tests.core.naive_settings import Book, Change, Hope, after, value_before, why_not

Act = tuple[str | float | None, ...]


@dataclass
class NaiveZone:
    plan: ZonePlan
    doing: str = "rest"  # or "ordered", "open"
    ticket: int = 0
    ordered_s: float = -inf
    for_s: float = 0.0
    asked: AskBurst | None = None
    shut_s: float = -inf
    hold_ends_s: float | None = None
    wait_for_shut: list[AskHold] = field(default_factory=list)  # holds to be answered
    hope: Hope = field(default_factory=Hope)
    skipped_s: float = -inf
    not_before_s: float = -inf  # the keeper failed it
    failed_s: float = -inf  # when it did, since the last burst
    is_unproved: bool = False
    opened_s: float = -inf


@dataclass
class NaiveProbe:
    heard_s: float
    value_c: float | None = None
    is_lost: bool = False
    cold_s: list[float] = field(default_factory=list)  # the cold readings since it was last warm


class NaiveHouse:
    def __init__(self, plan: HousePlan, almanac: Almanac, now_s: float) -> None:
        self.plan, self.almanac, self.now_s = plan, almanac, now_s
        self.zones = {zone.name: NaiveZone(zone) for zone in plan.zones}
        self.book = Book()
        self.probes = {
            name: NaiveProbe(now_s)
            for name, sensor in plan.sensors.items()
            if sensor.kind is SensorKind.AIR_TEMPERATURE
        }
        self.is_frost, self.has_keeper, self.keeper_since_s = False, False, -inf
        self.asked: list[AskBurst] = []
        self.free_s: list[float] = []  # a pause after each shutting
        self.last_order_s, self.order_before_s, self.orders = -inf, -inf, 0
        self.acts: list[Act] = []
        self.demand = NaiveDemand(plan, almanac, now_s)

    def step(self, observations: Observations, now_s: float) -> list[Act]:
        """Everything to be done now."""
        self.now_s, self.acts = now_s, []
        if observations.almanac:
            self.begin_almanac(observations.almanac)
        for news in observations.keeper:
            self.hear_keeper(news)
        for name, reading in observations.readings:
            self.demand.hear(name, reading)
            if name in self.probes:
                self.hear_probe(name, reading)
        for request in observations.requests:
            self.hear_person(request)
        for name, probe in self.probes.items():
            probe.is_lost |= now_s >= probe.heard_s + self.plan.sensors[name].stale_after_s
            probe.cold_s = [] if probe.is_lost else probe.cold_s
        self.look_for_frost()
        self.follow_demand(is_new=observations.almanac is not None)
        for zone in self.zones.values():
            self.end_what_is_over(zone)
        for asked in [asked for asked in self.asked if asked.expires_at_s <= now_s]:
            self.asked.remove(asked)
            self.answer(asked.request_id, "refused")
        self.open_what_may_open()
        return self.acts

    def begin_almanac(self, almanac: Almanac) -> None:
        is_new_part = almanac.part is not self.almanac.part
        self.almanac = almanac
        for zone in self.zones.values():
            if is_new_part and zone.doing == "rest":
                self.reckon(zone)
        self.look_for_frost()

    def follow_demand(self, *, is_new: bool) -> None:
        """Take in what the leaves ask; a zone that queues already is not asked again."""
        zones = {
            name: Rest(zone.shut_s, zone.doing == "rest" and self.now_s >= zone.shut_s + 30.0)
            for name, zone in self.zones.items()
        }
        changed = self.demand.take_in(self.almanac, self.now_s, is_new=is_new, zones=zones)
        for thirst in changed:
            if not thirst.is_queued:
                thirst.reckon(self.almanac, self.now_s)

    def thirst(self, zone: NaiveZone) -> NaiveThirst | None:
        return self.demand.thirsts.get(zone.plan.name)

    def reckon(self, zone: NaiveZone) -> None:
        thirst = self.thirst(zone)
        if thirst:
            thirst.reckon(self.almanac, self.now_s)

    def wants(self, zone: NaiveZone) -> Wants:
        return Wants(
            shut_s=zone.shut_s,
            skipped_s=zone.skipped_s,
            trim=zone.hope.trim,
            timetable=self.cycle(zone),
            part=self.almanac.part,
        )

    def guards_let_go(self, zone: NaiveZone) -> None:
        """Nothing but its rest is in the way of a zone now."""
        zone.not_before_s = -inf
        if self.thirst(zone):
            zone.not_before_s = self.rested_s(zone)

    def rested_s(self, zone: NaiveZone) -> float:
        return max(zone.shut_s, self.keeper_since_s) + zone.plan.shortest_rest_s

    def answer(self, request_id: str, outcome: str) -> None:
        self.acts.append(("answer", request_id, outcome))

    # What is heard.

    def hear_keeper(self, news: KeeperNews) -> None:
        if isinstance(news, LineReport):
            self.hear_report(self.zones[news.line], news)
        elif isinstance(news, LineTrouble):
            self.zones[news.line].is_unproved = True
        elif isinstance(news, KeeperLost):
            self.has_keeper = False
        else:
            self.hear_new_keeper(news)

    def hear_report(self, zone: NaiveZone, report: LineReport) -> None:
        if report.edge is LineEdge.SHUT:
            zone.is_unproved = False
        if report.ticket != zone.ticket:
            return
        if zone.doing == "rest":
            if (
                report.edge is LineEdge.SHUT and zone.shut_s < zone.ordered_s
            ):  # given up, and given all the same
                self.was_given(zone, report.at_s, report.open_s)
            return
        if report.edge is LineEdge.OPENED:
            self.has_opened(zone, report.at_s)
        elif report.edge is LineEdge.SHUT:
            self.has_shut(zone, report.at_s, report.open_s)
        else:
            self.has_failed(zone, self.now_s - self.plan.pause_s)
            if self.last_order_s == zone.ordered_s:
                self.last_order_s = self.order_before_s

    def hear_new_keeper(self, news: KeeperReady) -> None:
        self.has_keeper, self.keeper_since_s = True, news.since_s
        accounts = {account.line: account for account in news.accounts}
        for name, zone in self.zones.items():
            account = accounts.get(name)
            if name in news.unproved:
                self.refuse_unproved_hold(zone)
            if zone.doing != "rest" and account and account.opened_s >= zone.ordered_s:
                if zone.doing == "ordered":
                    self.has_opened(zone, account.opened_s)
                self.has_shut(zone, account.shut_s, account.shut_s - account.opened_s)
            elif zone.doing == "open":
                self.has_shut(zone, self.now_s, min(self.now_s - zone.opened_s, zone.for_s))
            elif zone.doing == "ordered":
                self.has_failed(zone, self.now_s)
            elif account and account.shut_s > zone.shut_s + 0.001:
                self.was_given(zone, account.shut_s, account.shut_s - account.opened_s)
            zone.is_unproved = name in news.unproved
            self.guards_let_go(zone)

    def has_opened(self, zone: NaiveZone, at_s: float) -> None:
        zone.doing, zone.opened_s = "open", at_s
        thirst = self.thirst(zone)
        if thirst:
            thirst.opens(at_s)
        if zone.asked:
            self.answer(zone.asked.request_id, "done")

    def has_shut(self, zone: NaiveZone, at_s: float, open_s: float) -> None:
        zone.failed_s = -inf
        self.rests(zone, at_s)
        self.was_given(zone, at_s, open_s)

    def was_given(self, zone: NaiveZone, at_s: float, open_s: float) -> None:
        zone.shut_s = at_s
        thirst = self.thirst(zone)
        if thirst:
            thirst.burst(self.wants(zone), open_s, self.now_s)
            self.reckon(zone)

    def has_failed(self, zone: NaiveZone, since_s: float) -> None:
        if zone.asked:
            self.answer(zone.asked.request_id, "refused")
        zone.not_before_s, zone.failed_s = self.now_s + 10.0, self.now_s
        self.rests(zone, since_s)
        self.reckon(zone)

    def rests(self, zone: NaiveZone, since_s: float) -> None:
        self.free_s.append(since_s + self.plan.pause_s)
        zone.doing, zone.asked = "rest", None
        for request in zone.wait_for_shut:
            self.has_hold(zone, request)
        zone.wait_for_shut = []

    def hear_probe(self, name: str, reading: Reading) -> None:
        probe = self.probes[name]
        if reading.quality is not Quality.GOOD:
            return
        probe.heard_s, probe.value_c, probe.is_lost = reading.at_s, reading.value, False
        thaws_c = self.plan.frost_below_c + (1.0 if self.is_frost and probe.cold_s else 0.0)
        probe.cold_s = [*probe.cold_s, reading.at_s] if reading.value < thaws_c else []
        self.look_for_frost()

    def look_for_frost(self) -> None:
        heard = {name: probe for name, probe in self.probes.items() if not probe.is_lost}
        was_frost = self.is_frost
        self.is_frost = not self.almanac.is_light and any(
            len(probe.cold_s) >= 2
            and probe.cold_s[-1] - probe.cold_s[0] >= self.plan.frost_delay_s
            and not any((other.value_c or 0.0) > 8.0 for other in heard.values() if other is not probe)
            for probe in heard.values()
        )
        for zone in self.zones.values():
            if was_frost and not self.is_frost and zone.not_before_s == inf:
                self.guards_let_go(zone)

    def hear_person(self, request: Request) -> None:
        if isinstance(request, AskUndo):
            self.hear_undo(request)
            return
        zone = self.zones[request.zone]
        if isinstance(request, AskHold):
            self.hear_hold(zone, request)
        elif isinstance(request, AskRelease):
            self.hear_release(zone, request)
        elif isinstance(request, AskSetting):
            self.hear_setting(zone, request)
        elif not self.may(zone, self.length_s(request)) or any(a.zone == request.zone for a in self.asked):
            self.answer(request.request_id, "refused")
        else:
            self.asked.append(request)

    def hear_hold(self, zone: NaiveZone, request: AskHold) -> None:
        is_in_range = 60.0 <= request.for_s <= self.plan.longest_hold_s
        is_closed = (zone.hope.closed_ends_s or -inf) > self.now_s
        is_stale = self.book.is_stale(SettingKind.HOLD, request.zone, request.expected_revision)
        if not is_in_range or not self.has_keeper or zone.is_unproved or is_closed or is_stale:
            self.answer(request.request_id, "refused")
            return
        zone.hold_ends_s = max(zone.hold_ends_s or -inf, self.now_s + request.for_s)
        if zone.doing == "rest":
            self.has_hold(zone, request)
        else:
            zone.wait_for_shut.append(request)
            self.acts.append(("shut", zone.plan.name))

    def has_hold(self, zone: NaiveZone, request: AskHold) -> None:
        assert zone.hold_ends_s is not None
        value = HoldSet(for_s=request.for_s)
        self.keep(Change(SettingKind.HOLD, request.zone, value, zone.hold_ends_s), request.request_id)

    def hear_release(self, zone: NaiveZone, request: AskRelease, undoes: int | None = None) -> None:
        if self.book.is_stale(SettingKind.HOLD, request.zone, request.expected_revision):
            self.answer(request.request_id, "refused")
        elif zone.hold_ends_s is None:
            self.answer(request.request_id, "done")
        else:
            self.release(zone)
            self.keep(Change(SettingKind.HOLD, request.zone, None, inf, undoes), request.request_id)

    def release(self, zone: NaiveZone) -> None:
        zone.hold_ends_s = None
        self.guards_let_go(zone)
        self.refuse_waiting(zone)

    def refuse_unproved_hold(self, zone: NaiveZone) -> None:
        if zone.wait_for_shut:
            self.refuse_waiting(zone)
            zone.hold_ends_s = None

    def refuse_waiting(self, zone: NaiveZone) -> None:
        for request in zone.wait_for_shut:
            self.answer(request.request_id, "refused")
        zone.wait_for_shut = []

    # What is set.

    def hear_setting(self, zone: NaiveZone, request: AskSetting) -> None:
        who, name, expected = request.request_id, request.zone, request.expected_revision
        value = request.value
        if isinstance(value, HoldSet):
            hold = AskHold(
                request_id=who, zone=name, for_s=value.for_s, author="", expected_revision=expected
            )
            self.hear_hold(zone, hold)
        elif request.kind is SettingKind.HOLD:
            release = AskRelease(request_id=who, zone=name, author="", expected_revision=expected)
            self.hear_release(zone, release)
        elif self.book.is_stale(request.kind, name, expected):
            self.answer(who, "refused")
        else:
            self.set_if_it_may_be(Change(request.kind, name, value, inf), who, is_back=False)

    def hear_undo(self, request: AskUndo) -> None:
        change = self.book.found(request.revision)
        hopes = {name: zone.hope for name, zone in self.zones.items()}
        is_held = {
            name: zone.hold_ends_s is not None and not zone.wait_for_shut for name, zone in self.zones.items()
        }
        if change is None or not self.book.may_be_undone(change, hopes, is_held):
            self.answer(request.request_id, "refused")
        elif change.kind is SettingKind.HOLD and self.book.promised_beneath(change, self.now_s):
            ends_s = max(self.book.promised_beneath(change, self.now_s), self.now_s + 120.0)
            self.zones[change.zone].hold_ends_s = ends_s
            value = HoldSet(for_s=ends_s - self.now_s)
            back = Change(SettingKind.HOLD, change.zone, value, ends_s, change.number)
            self.keep(back, request.request_id)
        elif change.kind is SettingKind.HOLD:
            release = AskRelease(request_id=request.request_id, zone=change.zone, author="")
            self.hear_release(self.zones[change.zone], release, change.number)
        else:
            earlier = self.book.before(change)
            before = value_before(earlier, self.now_s)
            ends_s = earlier.ends_s if earlier and before else inf
            undoing = Change(change.kind, change.zone, before, ends_s, change.number)
            self.set_if_it_may_be(undoing, request.request_id, is_back=True)

    def set_if_it_may_be(self, change: Change, request_id: str, *, is_back: bool) -> None:
        """Put it in force and write it down, unless a rule is broken by it or something is in its way."""
        zone = self.zones[change.zone]
        hope = after(zone.hope, change, zone.plan.cycle, self.now_s)
        hopes = {name: each.hope for name, each in self.zones.items()} | {change.zone: hope}
        is_in_the_way = hope.closed_ends_s is not None and zone.hold_ends_s is not None
        is_asked = change.value is not None and change.kind is SettingKind.CLOSED
        if why_not(self.plan, hopes, change, is_back=is_back) or (is_asked and is_in_the_way):
            self.answer(request_id, "refused")
            return
        zone.hope = hope
        if zone.doing == "rest":
            self.reckon(zone)
        self.keep(change, request_id)

    def keep(self, change: Change, request_id: str) -> None:
        self.book.write(change)
        kept = (change.number, change.kind.value, change.zone, repr(change.value), change.ends_s)
        self.acts.append(("keep", *kept, change.undoes))
        self.answer(request_id, "done")

    # What is to be done.

    def end_what_is_over(self, zone: NaiveZone) -> None:
        if zone.hold_ends_s is not None and zone.hold_ends_s <= self.now_s:
            self.release(zone)
        for ended in zone.hope.end_what_is_over(self.now_s):
            self.acts.append(("told", ended, zone.plan.name))
            if ended == "trim_ended" and zone.doing == "rest":
                self.reckon(zone)
        if zone.doing != "rest" and self.now_s >= zone.ordered_s + zone.for_s + 2.0:
            zone.is_unproved = True
            self.refuse_unproved_hold(zone)
            if zone.doing == "open":
                self.has_shut(zone, self.now_s, min(self.now_s - zone.ordered_s, zone.for_s))
            else:
                self.has_failed(zone, self.now_s)

    def open_what_may_open(self) -> None:
        for zone in self.zones.values():
            self.queue_if_due(zone)
        while self.line_is_free():
            if self.asked:
                asked = self.asked.pop(0)
                zone = self.zones[asked.zone]
                if self.may(zone, self.length_s(asked)):
                    self.order(zone, self.length_s(asked), asked)
                else:
                    self.answer(asked.request_id, "refused")
                continue
            due = [zone for zone in self.zones.values() if self.must(zone)]
            if not due:
                return
            zone = min(due, key=lambda zone: max(self.due_s(zone), zone.failed_s))
            for_s = self.own_length_s(zone) or 0.0
            if not self.may(zone, for_s):
                self.guard_speaks(zone)
            elif zone.hope.skip_ends_s is None:
                self.order(zone, for_s, None)
            else:
                zone.hope.skip_ends_s, zone.skipped_s = None, self.now_s
                self.acts.append(("told", "burst_skipped", zone.plan.name))
                self.reckon(zone)

    def queue_if_due(self, zone: NaiveZone) -> None:
        """A zone on demand joins the queue, as overdue as it was when it was due first."""
        thirst = self.thirst(zone)
        if thirst is None or thirst.is_queued or zone.doing != "rest" or self.now_s < zone.not_before_s:
            return
        if thirst.due_since_s is None:
            due_s = thirst.due_s(self.wants(zone), self.now_s)
            if due_s > self.now_s:
                return
            thirst.due_since_s = due_s
        thirst.is_queued = True

    def guard_speaks(self, zone: NaiveZone) -> None:
        """A zone on demand leaves the queue until the guard that spoke first lets go."""
        thirst = self.thirst(zone)
        assert thirst is not None
        thirst.is_queued = False
        if not self.has_keeper or (self.is_frost and zone.hold_ends_s is None):
            zone.not_before_s = inf
        else:
            zone.not_before_s = zone.hold_ends_s or self.rested_s(zone)

    def line_is_free(self) -> bool:
        running = sum(zone.doing != "rest" for zone in self.zones.values())
        settling = sum(free_s > self.now_s for free_s in self.free_s)
        is_apart = self.now_s >= self.last_order_s + self.plan.pause_s
        return running + settling < self.plan.valves_at_once and is_apart

    def order(self, zone: NaiveZone, for_s: float, asked: AskBurst | None) -> None:
        self.orders += 1
        thirst = self.thirst(zone)
        if thirst:
            thirst.is_queued = False
        self.order_before_s, self.last_order_s = self.last_order_s, self.now_s
        zone.doing, zone.ticket, zone.asked = "ordered", self.orders, asked
        zone.ordered_s, zone.for_s = self.now_s, for_s
        self.acts.append(("open", zone.plan.name, for_s, self.orders))

    def due_s(self, zone: NaiveZone) -> float:
        thirst = self.thirst(zone)
        if thirst:
            return inf if thirst.due_since_s is None else thirst.due_since_s
        timed = self.cycle(zone).parts[self.almanac.part]
        if timed is None:
            return inf
        return max(zone.shut_s, zone.skipped_s) + timed.gap_s / (1.0 + zone.hope.trim)

    def cycle(self, zone: NaiveZone) -> TimedCycle:
        return zone.hope.timetable or zone.plan.cycle

    def own_length_s(self, zone: NaiveZone) -> float | None:
        thirst = self.thirst(zone)
        if thirst:
            return thirst.length_s(self.wants(zone), self.now_s)
        return self.cycle(zone).burst_s(self.almanac.part)

    def must(self, zone: NaiveZone) -> bool:
        thirst = self.thirst(zone)
        if thirst:
            return thirst.is_queued
        burst_s = self.cycle(zone).burst_s(self.almanac.part)
        if burst_s is None or self.now_s < zone.not_before_s:
            return False
        return self.due_s(zone) <= self.now_s and self.may(zone, burst_s)

    def may(self, zone: NaiveZone, for_s: float) -> bool:
        return (
            self.has_keeper
            and not self.is_frost
            and zone.hold_ends_s is None
            and zone.doing == "rest"
            and self.now_s >= self.rested_s(zone) - 1e-6
            and zone.plan.shortest_burst_s <= for_s <= zone.plan.longest_burst_s
        )

    def length_s(self, asked: AskBurst) -> float:
        zone = self.zones[asked.zone]
        timed = [each.burst_s for each in self.cycle(zone).parts.values() if each]
        return asked.for_s or self.own_length_s(zone) or max(timed)
