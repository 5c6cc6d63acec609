"""The state of a house, and what a decision is.

A house is a plain value: a decision takes one and gives another, and a part that was not touched is the same
object in both. Nothing in here decides; see `decide`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from math import inf

from mistd.core.actions import Action
from mistd.core.almanac import Almanac
from mistd.core.demand_source import SourceState, usual_source
from mistd.core.events import Event
from mistd.core.frost import NO_FROST, Frost
from mistd.core.plan import HousePlan
from mistd.core.readings import SensorKind
from mistd.core.requests import AskBurst
from mistd.core.sensors import SensorState
from mistd.core.sequence import Line
from mistd.core.settings import NO_SETTINGS, Settings
from mistd.core.wetness_trust import UNHEARD, WetnessTrust
from mistd.core.zone import Zone, attention_s, mark
from mistd.core.zone_demand import begun_demand

NO_DATE = date.min  # no clock that was believed has said yet which day it is
KEEPER_START_S = 30.0  # a keeper takes some tenths of a second to start; only then is a missed burst told


@dataclass(slots=True, kw_only=True)
class House:
    """Everything the next decision needs to know of the ones before it."""

    plan: HousePlan
    almanac: Almanac
    zones: tuple[Zone, ...]
    attention_s: tuple[float, ...]  # for each zone, the next instant at which it needs a decision
    waiting: tuple[int, ...]  # zones that are due and wait for the line
    asked: tuple[AskBurst, ...]  # bursts that people asked for and that wait for the line
    line: Line
    sensors: Mapping[str, SensorState]
    stale_s: float  # the next instant at which a sensor's word may no longer stand
    frost: Frost
    settings: Settings
    is_keeper_ready: bool
    keeper_since_s: float  # when the keeper that is there began
    keeper_trouble: str  # why there is none, as last told
    counting_date: date  # the local day that "today" counts for
    counting_since_s: float  # the midnight counted last; minus infinity: nobody can tell how long ago
    sources: tuple[SourceState, ...] = ()  # of demand, in the order of the plan
    trust: Mapping[str, WetnessTrust] = field(default_factory=dict)  # of each leaf-wetness sensor


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What follows: the house after it, what to do, what to tell, and when to decide again at the latest."""

    house: House
    actions: tuple[Action, ...]
    events: tuple[Event, ...]
    wake_at_s: float


def begun(
    plan: HousePlan,
    almanac: Almanac,
    now_s: float,
    zones: tuple[Zone, ...] | None = None,
    settings: Settings = NO_SETTINGS,
    trust: Mapping[str, WetnessTrust] | None = None,
) -> House:
    """A house at the start of the program: every valve taken to be shut, no keeper yet.

    Args:
        plan: what is wired and wanted.
        almanac: the part of the day it is.
        now_s: monotonic seconds.
        zones: what is known of the zones from before, in the order of the plan; None when nothing is.
        settings: what was set before; the zones have it in force already.
        trust: of leaf-wetness sensors, as far as it is known from before.
    """
    zones = zones or tuple(Zone(plan=zone) for zone in plan.zones)
    sources = tuple(usual_source(almanac, now_s) for _ in plan.sources)
    for zone in zones:
        if zone.demand_cycle and zone.demand is None:
            zone.demand = begun_demand(zone.demand_cycle, now_s - almanac.day_began_s)
        mark(zone, almanac, sources, now_s)
        zone.held_until_s = now_s + KEEPER_START_S
    sensors = {name: SensorState(plan=sensor, heard_s=now_s) for name, sensor in plan.sensors.items()}
    return House(
        plan=plan,
        almanac=almanac,
        zones=zones,
        attention_s=tuple(attention_s(zone, sources) for zone in zones),
        waiting=(),
        asked=(),
        line=Line(free_s=(-inf,) * plan.valves_at_once),
        sensors=sensors,
        stale_s=min((state.stale_s for state in sensors.values()), default=inf),
        frost=NO_FROST,
        settings=settings,
        is_keeper_ready=False,
        keeper_since_s=-inf,
        keeper_trouble="",
        counting_date=almanac.local_date if almanac.is_trusted else NO_DATE,
        counting_since_s=almanac.day_began_s if almanac.is_trusted else -inf,
        sources=sources,
        trust={
            name: (trust or {}).get(name, UNHEARD)
            for name, sensor in plan.sensors.items()
            if sensor.kind is SensorKind.LEAF_WETNESS
        },
    )
