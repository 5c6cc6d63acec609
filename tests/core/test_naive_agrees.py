"""The decision against a plain second one, over random histories: the same acts at the same instants."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import zip_longest
from math import inf

import pytest
from hypothesis import given, settings

from mistd.core.actions import Action, AnswerRequest, KeepRevision, OpenValve
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.demand_cycles import CycleKind, DemandBounds, DemandCycle
from mistd.core.events import Event, EventKind
from mistd.core.film import drying_um
from mistd.core.plan import SourcePlan
from mistd.core.readings import SensorKind
from mistd.core.settings import SettingKind
from mistd.core.thirst import dried, due_at_um
from mistd.core.zone import Phase
from mistd.core.zone_demand import Lead, ZoneDemand, source_of
from tests.core.demand_histories import AIR, HUMIDITY, LIGHT, demand_histories
from tests.core.histories import Happening, History, Sets, Spell, histories
from tests.core.houses import house_plan, sensor_plan, zone_plan
from tests.core.lived import Step, lived
from tests.core.naive_decide import Act, NaiveHouse
from tests.core.naive_demand import NaiveThirst

OF_SETTINGS = {
    EventKind.TRIM_ENDED,
    EventKind.CLOSED_ENDED,
    EventKind.SKIP_ENDED,
    EventKind.BURST_SKIPPED,
}


def plain(action: Action) -> Act:
    if isinstance(action, OpenValve):
        return ("open", action.zone, action.for_s, action.ticket)
    if isinstance(action, AnswerRequest):
        return ("answer", action.request_id, action.outcome.value)
    if isinstance(action, KeepRevision):
        kept = action.revision
        value = (kept.id, kept.kind.value, kept.zone, repr(kept.value), kept.ends_s)
        return ("keep", *value, kept.undoes)
    return ("shut", action.zone)


def plainly_told(events: Iterable[Event]) -> list[Act]:
    """Of what is told, what a change of settings came to."""
    return [("told", event.kind.value, event.subject) for event in events if event.kind in OF_SETTINGS]


SAME_INSTANT_S = 1e-9  # a meter's last digit may make two instants of one
HAIR_S, HAIR_UM, HAIR_KPA_S = 1e-3, 1e-6, 1e-6


def without_cycles_set(history: History) -> History:
    kept = [(after_s, each) for after_s, each in history.happenings if not is_of_cycles(each)]
    return replace(history, happenings=tuple(kept))


def is_of_cycles(happening: Happening) -> bool:
    return isinstance(happening, Sets) and happening.kind is SettingKind.CYCLE


def check_both_do_the_same(history: History) -> None:
    life = lived(history)
    naive = NaiveHouse(history.plan, life.first.almanac, 0.0)
    expected, done = list[Act](), list[Act]()

    for step, next_step in zip_longest(life.steps, life.steps[1:]):
        expected += naive.step(step.observations, step.now_s)
        done += [*map(plain, step.decision.actions), *plainly_told(step.decision.events)]
        if next_step and next_step.now_s - step.now_s < SAME_INSTANT_S:
            continue
        where = f"at {step.now_s} s on {step.observations}"
        check_the_same_acts(sorted(done, key=repr), sorted(expected, key=repr), where)
        take_lengths(naive, done)
        check_the_same_is_known_of_demand(step, naive, where)
        expected, done = [], []


def check_the_same_acts(actual: list[Act], expected: list[Act], where: str) -> None:
    """The same, but for the last digits of how long a burst is."""
    assert [without_length(act) for act in actual] == [without_length(act) for act in expected], where
    for act, other in zip(actual, expected, strict=True):
        if act[0] == "open":
            assert act[2] == pytest.approx(other[2], abs=HAIR_S), where


def without_length(act: Act) -> Act:
    return (*act[:2], *act[3:]) if act[0] == "open" else act


def take_lengths(naive: NaiveHouse, acts: list[Act]) -> None:
    """Whoever opens the valves goes by the first controller's word, to its last digit."""
    for act in acts:
        if act[0] == "open":
            assert isinstance(act[2], float)
            naive.zones[str(act[1])].for_s = act[2]


def check_the_same_is_known_of_demand(step: Step, naive: NaiveHouse, where: str) -> None:
    house = step.decision.house
    doubted = {name for name, trust in house.trust.items() if trust.doubt}
    assert doubted == {name for name, doubt in naive.demand.doubts.items() if doubt.is_doubted}, where
    for source, naive_source in zip(house.sources, naive.demand.sources, strict=True):
        assert bool(source.lost) == naive_source.last.is_lost, where
        assert source.rates.assumed_light == naive_source.last.is_light_assumed, where
        assert source.um_at(step.now_s) == pytest.approx(naive_source.total_um(step.now_s), abs=HAIR_UM)
        assert source.kpa_s_at(step.now_s) == pytest.approx(
            naive_source.total_kpa_s(step.now_s), abs=HAIR_KPA_S
        )
    for zone in house.zones:
        if zone.demand and zone.plan.demand:
            thirst = naive.demand.thirsts[zone.plan.name]
            assert zone.demand.lead.value == thirst.lead, where
            assert (zone.demand.better_lead or "") == thirst.better, where
            if thirst.better:
                assert zone.demand.better_since_s == thirst.better_since_s, where
            assert zone.demand.is_sensor_dry == thirst.is_dry, where
            if thirst.source:
                check_the_same_films(step, zone.demand, thirst)
            is_due = zone.phase is not Phase.RESTING or zone.is_waiting or thirst.due_since_s is not None
            if zone.demand.lead is Lead.FILM and zone.demand.mark < inf and not is_due:
                sooner = (1.0 + thirst.unsure) * (1.0 + naive.zones[zone.plan.name].hope.trim) - 1.0
                mark_um = due_at_um(zone.demand.thirst, thirst.cycle, sooner)
                assert zone.demand.mark == pytest.approx(mark_um, abs=HAIR_UM), where


def check_the_same_films(step: Step, demand: ZoneDemand, thirst: NaiveThirst) -> None:
    source = source_of(thirst.cycle, step.decision.house.sources)
    assert source is not None
    known, films = dried(demand.thirst, source.um_at(step.now_s)), thirst.films_at(step.now_s)
    assert demand.sum_from_kpa_s == pytest.approx(thirst.sum_began_kpa_s, abs=HAIR_KPA_S)
    assert known.since_burst_um == pytest.approx(films.since_burst_um, abs=HAIR_UM)
    for left_um, film_um in (
        (known.driest_um, films.driest_um),
        (known.mean_um, films.mean_um),
        (known.slow_um, films.slow_um),
    ):
        holds_um = thirst.cycle.holds_um
        held_um = min(left_um, drying_um(holds_um, holds_um))
        assert held_um == pytest.approx(drying_um(film_um, holds_um), abs=HAIR_UM)


@settings(deadline=None, derandomize=True, max_examples=150)
@given(history=histories(with_restarts=False))
def test_both_do_the_same_at_the_same_instants(history: History) -> None:
    check_both_do_the_same(history)


@pytest.mark.campaign
@settings(deadline=None, max_examples=5000)
@given(history=histories(with_restarts=False, most=60))
def test_both_do_the_same_in_a_long_campaign(history: History) -> None:
    check_both_do_the_same(history)


@settings(deadline=None, derandomize=True, max_examples=100)
@given(history=demand_histories(with_restarts=False).map(without_cycles_set))
def test_both_do_the_same_for_zones_on_demand(history: History) -> None:
    """Where nobody sets another cycle: the second controller knows that of the house's file only."""
    check_both_do_the_same(history)


@pytest.mark.campaign
@settings(deadline=None, max_examples=3000)
@given(history=demand_histories(with_restarts=False, most=60).map(without_cycles_set))
def test_both_do_the_same_for_zones_on_demand_in_a_long_campaign(history: History) -> None:
    """May fail, very rarely, where two zones fall due at one instant and a meter's last digit parts them."""
    check_both_do_the_same(history)


@pytest.mark.parametrize("hour", [12.0, 4.8, 7.5])
def test_both_do_the_same_when_a_light_sensor_falls_silent_between_bursts(hour: float) -> None:
    """Random histories hardly ever have a film that is halfway down as light ceases to be measured."""
    bounds = dict.fromkeys(DayPart, DemandBounds(shortest_gap_s=60.0, longest_gap_s=6000.0))
    film = DemandCycle(
        kind=CycleKind.FILM,
        bounds=bounds,
        dry_back_wet=0.36,
        holds_um=50.0,
        rate_um_per_s=10.0,
        fills_s=1.0,
        longest_burst_s=20.0,
        source=0,
    )
    plan = house_plan(
        zone_plan(
            "a", TimedCycle(parts=dict.fromkeys(DayPart, TimedPart(gap_s=600.0, burst_s=8.0))), demand=film
        ),
        probes=(AIR,),
        sensors=[sensor_plan(HUMIDITY, SensorKind.RELATIVE_HUMIDITY), sensor_plan(LIGHT, SensorKind.LIGHT)],
        sources=[SourcePlan(air=AIR, humidity=HUMIDITY, light=LIGHT)],
    )
    spells = (
        Spell(sensors=(AIR,), value=20.0, times=100, drift=0.03),
        Spell(sensors=(HUMIDITY,), value=0.8, times=100, drift=-0.0005),
        Spell(sensors=(LIGHT,), value=100.0, times=12, drift=0.5),
    )

    happenings = tuple((0.0, spell) for spell in spells)

    check_both_do_the_same(History(plan=plan, starts_at_hour=hour, happenings=happenings, tail_s=5400.0))
