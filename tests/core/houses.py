"""Houses on paper for the tests of the core: plans, almanacs, the keeper's words, and a house lived by hand.

A `PaperHouse` is one house and its clock. A test hands it what is new and reads what it asked for and told;
`mist_until` lets an obedient keeper answer every order at once.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from math import inf

from mistd.core.actions import Action, AnswerRequest, KeepRevision, OpenValve, ShutValve
from mistd.core.almanac import Almanac, DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.decide import decide
from mistd.core.demand_cycles import DemandCycle
from mistd.core.events import Event, EventKind
from mistd.core.house import Decision, House, begun
from mistd.core.observations import (
    NOTHING_NEW,
    KeeperLost,
    KeeperNews,
    KeeperReady,
    LineAccount,
    LineEdge,
    LineReport,
    Observations,
)
from mistd.core.plan import HousePlan, SensorPlan, SourcePlan, ZonePlan
from mistd.core.readings import Reading, SensorKind, reading_of
from mistd.core.requests import AskBurst, AskHold, AskRelease, AskSetting, AskUndo, Request
from mistd.core.settings import Revision, SettingKind, SettingValue
from mistd.core.zone import Hold, Zone

A_DATE = date(2026, 3, 14)
LONG_AGO_S = -100_000.0  # a keeper that began then has let every line rest


def timetable(
    burst_s: float = 5.0,
    gap_s: float = 600.0,
    *,
    off: Collection[DayPart] = (),
    others: Mapping[DayPart, tuple[float, float]] | None = None,
) -> TimedCycle:
    """One burst and gap for every part of the day, but for those that are off or have their own."""
    parts: dict[DayPart, TimedPart | None] = {
        part: None if part in off else TimedPart(burst_s=burst_s, gap_s=gap_s) for part in DayPart
    }
    for part, (other_burst_s, other_gap_s) in (others or {}).items():
        parts[part] = TimedPart(burst_s=other_burst_s, gap_s=other_gap_s)
    return TimedCycle(parts=parts)


def zone_plan(
    name: str = "a",
    cycle: TimedCycle | None = None,
    *,
    nozzles: int = 12,
    nozzle_flow_l_per_min: float = 0.1,
    longest_burst_s: float = 20.0,
    shortest_burst_s: float = 1.0,
    shortest_rest_s: float = 60.0,
    demand: DemandCycle | None = None,
) -> ZonePlan:
    return ZonePlan(
        name=name,
        cycle=cycle or timetable(),
        nozzles=nozzles,
        nozzle_flow_l_per_min=nozzle_flow_l_per_min,
        nozzle_pressure_bar=3.0,
        bench_area_m2=8.0,
        longest_burst_s=longest_burst_s,
        shortest_burst_s=shortest_burst_s,
        shortest_rest_s=shortest_rest_s,
        demand=demand,
    )


def house_plan(
    *zones: ZonePlan,
    probes: Iterable[str] = (),
    sensors: Iterable[SensorPlan] = (),
    valves_at_once: int = 1,
    pause_s: float = 2.0,
    sources: Iterable[SourcePlan] = (),
) -> HousePlan:
    """A house; `probes` are air temperature sensors whose word stands for five minutes."""
    probe_plans = [sensor_plan(name) for name in probes]
    return HousePlan(
        name="elm-house",
        zones=zones or (zone_plan(),),
        sensors={sensor.name: sensor for sensor in [*probe_plans, *sensors]},
        valves_at_once=valves_at_once,
        pause_s=pause_s,
        frost_below_c=2.0,
        frost_delay_s=600.0,
        longest_hold_s=14_400.0,
        sources=tuple(sources),
    )


def sensor_plan(
    name: str, kind: SensorKind = SensorKind.AIR_TEMPERATURE, stale_after_s: float = 300.0
) -> SensorPlan:
    return SensorPlan(name=name, kind=kind, stale_after_s=stale_after_s)


def almanac(
    part: DayPart = DayPart.DAY,
    *,
    ends_s: float = inf,
    local_date: date = A_DATE,
    day_began_s: float | None = None,
    is_light: bool | None = None,
    is_trusted: bool = True,
) -> Almanac:
    """A part of a day; by default it is light unless it is night, and `A_DATE` began at second 0."""
    light = part is not DayPart.NIGHT if is_light is None else is_light
    midnight_s = (local_date - A_DATE).days * 86_400.0 if day_began_s is None else day_began_s
    return Almanac(
        part=part,
        ends_s=ends_s,
        local_date=local_date,
        day_began_s=midnight_s,
        is_light=light,
        is_trusted=is_trusted,
    )


def opened(zone: str, ticket: int, at_s: float) -> LineReport:
    return LineReport(edge=LineEdge.OPENED, line=zone, ticket=ticket, at_s=at_s)


def shut(zone: str, ticket: int, at_s: float, open_s: float, reason: str = "its time was over") -> LineReport:
    return LineReport(edge=LineEdge.SHUT, line=zone, ticket=ticket, at_s=at_s, open_s=open_s, reason=reason)


def refused(zone: str, ticket: int, at_s: float, reason: str = "too many are open") -> LineReport:
    return LineReport(edge=LineEdge.REFUSED, line=zone, ticket=ticket, at_s=at_s, reason=reason)


def account(zone: str, opened_s: float, shut_s: float) -> LineAccount:
    return LineAccount(line=zone, opened_s=opened_s, shut_s=shut_s)


def ready(since_s: float = LONG_AGO_S, *accounts: LineAccount) -> KeeperReady:
    return KeeperReady(since_s=since_s, accounts=accounts)


def lost(reason: str = "the keeper's connection closed") -> KeeperLost:
    return KeeperLost(reason=reason)


def ask_burst(
    zone: str = "a",
    for_s: float | None = None,
    *,
    request_id: str = "burst-1",
    author: str = "ilse",
    expires_at_s: float = inf,
) -> AskBurst:
    return AskBurst(request_id=request_id, zone=zone, for_s=for_s, author=author, expires_at_s=expires_at_s)


def ask_hold(
    zone: str = "a",
    for_s: float = 1800.0,
    *,
    request_id: str = "hold-1",
    author: str = "ilse",
    note: str = "",
    expected_revision: int | None = None,
) -> AskHold:
    return AskHold(
        request_id=request_id,
        zone=zone,
        for_s=for_s,
        author=author,
        note=note,
        expected_revision=expected_revision,
    )


def ask_release(
    zone: str = "a",
    *,
    request_id: str = "release-1",
    author: str = "ilse",
    note: str = "",
    expected_revision: int | None = None,
) -> AskRelease:
    return AskRelease(
        request_id=request_id, zone=zone, author=author, note=note, expected_revision=expected_revision
    )


def ask_setting(
    kind: SettingKind,
    value: SettingValue | None,
    zone: str = "a",
    *,
    request_id: str = "set-1",
    author: str = "ilse",
    note: str = "",
    expected_revision: int | None = None,
) -> AskSetting:
    return AskSetting(
        request_id=request_id,
        zone=zone,
        kind=kind,
        value=value,
        author=author,
        note=note,
        expected_revision=expected_revision,
    )


def ask_undo(revision: int, *, request_id: str = "undo-1", author: str = "ilse", note: str = "") -> AskUndo:
    return AskUndo(request_id=request_id, revision=revision, author=author, note=note)


def hold(ends_s: float, *, is_warned: bool = False) -> Hold:
    return Hold(ends_s=ends_s, author="ilse", note="", is_warned=is_warned)


@dataclass(slots=True)
class PaperHouse:
    """One house lived by hand: its state, its clock, and everything it asked for and told so far."""

    house: House
    now_s: float
    wake_at_s: float = -inf
    actions: list[tuple[float, Action]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    @property
    def plan(self) -> HousePlan:
        return self.house.plan

    def zone(self, name: str = "a") -> Zone:
        return self.house.zones[self.plan.index[name]]

    def reads(self, now_s: float, **values: float) -> Decision:
        """Decide on readings of air temperature probes, taken now."""
        return self.decide(now_s, readings=values)

    def decide(
        self,
        now_s: float,
        *news: KeeperNews | Almanac | Request,
        readings: Mapping[str, float] | None = None,
    ) -> Decision:
        """Decide at an instant on what is new, in the order given within each kind."""
        decision = decide(self.house, self._observations(now_s, news, readings or {}), now_s)
        assert decision.wake_at_s > now_s, "asks to be woken at once"
        self.house, self.now_s, self.wake_at_s = decision.house, now_s, decision.wake_at_s
        self.actions += [(now_s, action) for action in decision.actions]
        self.events += decision.events
        return decision

    def _observations(
        self, now_s: float, news: tuple[KeeperNews | Almanac | Request, ...], values: Mapping[str, float]
    ) -> Observations:
        if not news and not values:
            return NOTHING_NEW
        almanacs = [each for each in news if isinstance(each, Almanac)]
        readings = [(name, self._reading(name, value, now_s)) for name, value in values.items()]
        return Observations(
            almanac=almanacs[-1] if almanacs else None,
            keeper=tuple(each for each in news if not isinstance(each, Almanac | Request)),
            readings=tuple(readings),
            requests=tuple(each for each in news if isinstance(each, Request)),
        )

    def _reading(self, name: str, value: float, now_s: float) -> Reading:
        return reading_of(self.plan.sensors[name].kind, value, now_s)

    def wait_until(self, now_s: float) -> None:
        """Decide at every instant the house names, up to and with this one; nobody answers its orders."""
        while self.wake_at_s <= now_s:
            self.decide(self.wake_at_s)
        self.decide(now_s)

    def mist_until(self, now_s: float) -> None:
        """The same with a keeper that opens at once and shuts after exactly the time it was told."""
        while True:
            running = {
                zone.plan.name: zone for zone in self.house.zones if zone.ticket and zone.phase != "resting"
            }
            ends = {name: zone.ordered_s + zone.ordered_for_s for name, zone in running.items()}
            next_s = min(self.wake_at_s, *ends.values(), inf)
            if next_s > now_s:
                break
            over = [name for name, ends_s in ends.items() if ends_s <= next_s]
            self.decide(
                next_s,
                *[shut(name, running[name].ticket, next_s, running[name].ordered_for_s) for name in over],
            )
            self.open_what_was_ordered()
        self.decide(now_s)
        self.open_what_was_ordered()

    def open_what_was_ordered(self) -> None:
        """The keeper opens what the last decision ordered, at the same instant."""
        orders = [
            action for at_s, action in self.actions if at_s == self.now_s and isinstance(action, OpenValve)
        ]
        ordered = [order for order in orders if self.zone(order.zone).phase == "ordered"]
        if ordered:
            self.decide(self.now_s, *[opened(order.zone, order.ticket, self.now_s) for order in ordered])

    def orders(self) -> list[tuple[float, str, float]]:
        """Every opening asked for so far: instant, zone, length."""
        return [(at_s, a.zone, a.for_s) for at_s, a in self.actions if isinstance(a, OpenValve)]

    def told(self, kind: EventKind) -> list[Event]:
        return [event for event in self.events if event.kind is kind]

    def answers(self) -> list[tuple[str, str]]:
        """Every answer so far: request and outcome."""
        return [(a.request_id, a.outcome.value) for _, a in self.actions if isinstance(a, AnswerRequest)]


def openings(decision: Decision) -> list[tuple[str, float]]:
    return [(a.zone, a.for_s) for a in decision.actions if isinstance(a, OpenValve)]


def shuttings(decision: Decision) -> list[str]:
    return [a.zone for a in decision.actions if isinstance(a, ShutValve)]


def answers(decision: Decision) -> list[AnswerRequest]:
    return [a for a in decision.actions if isinstance(a, AnswerRequest)]


def kept(decision: Decision) -> list[Revision]:
    """The revisions to be written down."""
    return [a.revision for a in decision.actions if isinstance(a, KeepRevision)]


def told(decision: Decision, kind: EventKind) -> list[Event]:
    return [event for event in decision.events if event.kind is kind]


def new_house(plan: HousePlan, now_s: float = 0.0, *, part: Almanac | None = None) -> PaperHouse:
    """A house at its very start: no keeper yet, never misted."""
    return PaperHouse(house=begun(plan, part or almanac(), now_s), now_s=now_s)


def house_at_work(
    plan: HousePlan | None = None,
    now_s: float = 0.0,
    *,
    part: Almanac | None = None,
    shut_s: Mapping[str, float] | None = None,
) -> PaperHouse:
    """A house with a keeper, every zone last shut at `now_s` (or when `shut_s` says), nothing due."""
    wanted = plan or house_plan()
    last = shut_s or {}
    zones = tuple(
        Zone(plan=zone, opened_s=last.get(zone.name, now_s) - 5.0, shut_s=last.get(zone.name, now_s))
        for zone in wanted.zones
    )
    paper = PaperHouse(house=begun(wanted, part or almanac(), now_s, zones), now_s=now_s)
    paper.decide(now_s, ready())
    return paper


def house_misting(plan: HousePlan | None = None, now_s: float = 0.0) -> PaperHouse:
    """A house whose first zone has been opened at `now_s` by ticket 1; the others have rested for 100 s."""
    wanted = plan or house_plan()
    first, *others = [zone.name for zone in wanted.zones]
    paper = house_at_work(
        wanted, now_s, shut_s={first: now_s - 600.0, **dict.fromkeys(others, now_s - 100.0)}
    )
    paper.open_what_was_ordered()
    assert paper.zone(first).phase == "open"
    return paper
