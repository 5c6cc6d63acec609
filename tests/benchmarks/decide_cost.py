"""Microseconds a `decide`, over a simulated day in which it is asked only when something happens.

An obedient keeper opens at once and shuts on time. Every call of the day is kept with its arguments; `decide`
is pure, so the same calls are then timed again, kind by kind, and the best of several runs counts. Kinds:

\b
    order         a burst is ordered: a zone fell due, or the line became free
    opened, shut  the keeper's report of it
    due           a zone fell due while the line was taken
    reading       one sensor's value arrived (12 sensors, in turn)
    nothing new   asked only because the keeper's lease has to be renewed, every 3.3 s

"bursts" is the mean of every call that bursts need (the first four kinds), which is what the goal is held
against; "all" is every call. With one valve at once 64 zones queue for the line most of the time; with eight
at once they do not. "vpd" is the house of eight with every zone on the deficit, whose readings move its
meter.
"""

import gc
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import inf

import click

from mistd.app.house_plan import HEARTBEAT_S
from mistd.app.wiring import PASSES_A_HEARTBEAT
from mistd.core.actions import OpenValve
from mistd.core.almanac import DayPart
from mistd.core.decide import decide
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.house import House
from mistd.core.observations import NOTHING_NEW, KeeperNews, Observations
from mistd.core.plan import HousePlan, SourcePlan
from mistd.core.readings import SensorKind, reading_of
from mistd.core.units import S_PER_DAY
from tests.benchmarks.figures import Machine, table
from tests.core.houses import house_at_work, house_plan, opened, sensor_plan, shut, timetable, zone_plan

BURST_KINDS = ("order", "opened", "shut", "due")
KINDS = (*BURST_KINDS, "reading", "nothing new")
BURST_S, GAP_S = 5.0, 600.0
SENSORS = 12
READING_PHASE_S = 0.37  # so that no reading arrives at the very instant of an edge
LEASE_S = HEARTBEAT_S / PASSES_A_HEARTBEAT
GOAL_US, GOAL_RATIO = 10.0, 3.0
US_PER_S = 1e6
HOUSES = ((8, 1, False), (64, 1, False), (64, 8, False), (8, 1, True))  # zones, valves at once, on vpd
VPD = 3

USUAL = {
    SensorKind.AIR_TEMPERATURE: 24.0,
    SensorKind.RELATIVE_HUMIDITY: 0.7,
    SensorKind.LIGHT: 150.0,
}
VPD_CYCLE = DemandCycle(
    kind=CycleKind.VPD,
    bounds=dict.fromkeys(DayPart, DemandBounds(shortest_gap_s=120.0, longest_gap_s=2700.0)),
    dry_back_wet=0.4,
    holds_um=50.0,
    rate_um_per_s=8.0,
    fills_s=2.0,
    longest_burst_s=20.0,
    source=0,
    set_point_kpa_s=GAP_S,
    fixed_burst_s=BURST_S,
)

Call = tuple[House, Observations, float]


@dataclass(slots=True)
class Day:
    """A house lived through one day, and every call of `decide` in it by kind."""

    house: House
    now_s: float = 0.0
    wake_at_s: float = 0.0
    running: dict[int, tuple[str, float, float]] = field(default_factory=dict)  # by ticket: zone, since, end
    calls: dict[str, list[Call]] = field(default_factory=lambda: defaultdict(list))

    def decide(self, kind: str, observations: Observations) -> None:
        """Decide, and have the keeper obey at the same instant."""
        decision = decide(self.house, observations, self.now_s)
        orders = [action for action in decision.actions if isinstance(action, OpenValve)]
        if kind == "asked":
            is_same = decision.house is self.house
            kind = "order" if orders else "nothing new" if is_same else "due"
        self.calls[kind].append((self.house, observations, self.now_s))
        self.house, self.wake_at_s = decision.house, decision.wake_at_s
        for order in orders:
            self.running[order.ticket] = order.zone, self.now_s, self.now_s + order.for_s
            self.hear("opened", opened(order.zone, order.ticket, self.now_s))

    def hear(self, kind: str, report: KeeperNews) -> None:
        self.decide(kind, Observations(keeper=(report,)))

    def shut_next(self) -> None:
        ticket = min(self.running, key=lambda each: self.running[each][2])
        zone, since_s, end_s = self.running.pop(ticket)
        self.hear("shut", shut(zone, ticket, end_s, end_s - since_s))

    def next_end_s(self) -> float:
        return min((end_s for _, _, end_s in self.running.values()), default=inf)

    def read(self, number: int) -> None:
        kind = kind_of(number % SENSORS)
        value = USUAL[kind] * (1.0 + 0.01 * (number % 7))
        reading = reading_of(kind, value, self.now_s)
        self.decide("reading", Observations(readings=((f"s{number % SENSORS}", reading),)))


def kind_of(number: int) -> SensorKind:
    """What a sensor measures: two of a kind apart, as a house has them."""
    return {1: SensorKind.RELATIVE_HUMIDITY, 2: SensorKind.LIGHT}.get(number, SensorKind.AIR_TEMPERATURE)


def a_day(zones: int, at_once: int, on_vpd: bool, reading_every_s: float) -> Day:
    """Live a day, from one thing that happens to the next."""
    day = Day(house=_house(zones, at_once, on_vpd))
    readings = 0
    while day.now_s < S_PER_DAY:
        reading_s = readings * reading_every_s + READING_PHASE_S
        asked_s = max(min(day.wake_at_s, day.now_s + LEASE_S), day.now_s)
        day.now_s = min(reading_s, day.next_end_s(), asked_s)
        if day.now_s == day.next_end_s():
            day.shut_next()
        elif day.now_s == reading_s:
            readings += 1
            day.read(readings)
        else:
            day.decide("asked", NOTHING_NEW)
    return day


def _house(zones: int, at_once: int, on_vpd: bool) -> House:
    """Zones that were last misted one after the other, as they are after any morning."""
    plan: HousePlan = house_plan(
        *[zone_plan(f"z{number}", timetable(BURST_S, GAP_S)) for number in range(zones)],
        sensors=[sensor_plan(f"s{number}", kind_of(number)) for number in range(SENSORS)],
        valves_at_once=at_once,
    )
    if on_vpd:
        source = SourcePlan(air="s0", humidity="s1", light="s2")
        zones_on_vpd = tuple(replace(zone, demand=VPD_CYCLE) for zone in plan.zones)
        plan = replace(plan, zones=zones_on_vpd, sources=(source,))
    shut_s = {zone.name: -GAP_S * place / zones for place, zone in enumerate(plan.zones)}
    return house_at_work(plan, 0.0, shut_s=shut_s).house


def cost_us(calls: Sequence[Call], runs: int) -> float:
    """Microseconds a call, in the best of some runs over all of them."""
    best_s = inf
    for _ in range(runs):
        begun_s = time.perf_counter()
        for house, observations, now_s in calls:
            decide(house, observations, now_s)
        best_s = min(best_s, time.perf_counter() - begun_s)
    return best_s / len(calls) * US_PER_S


def costs(day: Day, runs: int) -> dict[str, tuple[int, float]]:
    """How many calls of each kind the day had, and what one costs."""
    found = {
        kind: (len(day.calls[kind]), cost_us(day.calls[kind], runs)) for kind in KINDS if day.calls[kind]
    }
    return found | {"bursts": _mean(found, BURST_KINDS), "all": _mean(found, KINDS)}


def _mean(found: dict[str, tuple[int, float]], kinds: Sequence[str]) -> tuple[int, float]:
    there = [found[kind] for kind in kinds if kind in found]
    calls = sum(count for count, _ in there)
    return calls, sum(count * us for count, us in there) / calls


def _cell(cost: tuple[int, float] | None) -> str:
    return f"{cost[1]:.2f} ({cost[0]})" if cost else "-"


def _ratio(cost: tuple[int, float] | None, small: tuple[int, float] | None) -> str:
    return f"{cost[1] / small[1]:.2f}" if cost and small else "-"


@click.command(help=__doc__)
@click.option("--runs", default=7, show_default=True, help="The best of so many counts.")
@click.option(
    "--reading-every", default=10.0, show_default=True, help="Seconds between two readings, of any sensor."
)
def main(runs: int, reading_every: float) -> None:
    machine = Machine()
    days = {house: a_day(*house, reading_every) for house in HOUSES}
    gc.collect()
    gc.freeze()  # the collector of a real daemon has no day of recorded calls to walk through
    found = {house: costs(day, runs) for house, day in days.items()}
    small = found[HOUSES[0]]
    rows = [
        [kind]
        + [_cell(found[house].get(kind)) for house in HOUSES]
        + [_ratio(found[house].get(kind), small.get(kind)) for house in HOUSES[1:]]
        for kind in (*KINDS, "bursts", "all")
    ]
    heads = [
        f"{zones} zones, {at_once} at once" + (", vpd" if on_vpd else "") for zones, at_once, on_vpd in HOUSES
    ]
    print(f"us a decide (calls in the day), best of {runs} runs\n")
    print(table(["turn", *heads, *[f"{head}: ratio" for head in heads[1:]]], rows))
    mean_us = small["bursts"][1]
    ratio = max(found[house]["bursts"][1] for house in HOUSES[1:VPD]) / mean_us
    print(f"\n8 zones {mean_us:.2f} us, goal {GOAL_US:g}: {'holds' if mean_us <= GOAL_US else 'MISSED'}")
    vpd_us = found[HOUSES[VPD]]["bursts"][1]
    print(f"8 zones on vpd {vpd_us:.2f} us, goal {GOAL_US:g}: {'holds' if vpd_us <= GOAL_US else 'MISSED'}")
    print(f"64 zones {ratio:.2f} x, goal {GOAL_RATIO:g}: {'holds' if ratio <= GOAL_RATIO else 'MISSED'}")
    print(machine.said())


if __name__ == "__main__":
    main()
