"""What of a house raises which alarm: looked at whenever the house has changed, told only when it differs.

This file knows conditions and nothing of their life: delays, masks and people come after it. A condition that
is not known (a sensor that was not heard since the start, a valve while no keeper is there) is left out.

Rule: cheap. Parts that are the same object as last time are not looked at again.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

from mistd.core.alarm_kinds import KEEPER_AWAY_AFTER_S, AlarmKind
from mistd.core.almanac import DayPart
from mistd.core.annunciator import Condition, pulse
from mistd.core.house import House
from mistd.core.leading import LEAD_WORDS
from mistd.core.sensors import SensorState, why_lost
from mistd.core.sequence import worst_wait_s
from mistd.core.units import S_PER_DAY, S_PER_MIN
from mistd.core.zone import Phase, Zone, due_s
from mistd.core.zone_demand import NO_READINGS, rank

BLIND_FOR_S = S_PER_DAY  # a zone misted by no reading for so long has erred wet for a day


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What was seen of a house the last time."""

    house: House | None = None
    due: tuple[str, ...] = ()  # for each zone, why it is due and not misted; empty when it is not
    wake_at_s: float = -inf  # the next instant at which a zone falls due though the house does not change
    away_since_s: float = inf  # since when there is none; infinite while there is


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What is seen now, and the conditions that have changed."""

    watch: Watch
    conditions: tuple[Condition, ...]


NOTHING_SEEN = Watch()


def watched(watch: Watch, house: House, now_s: float) -> Watched:
    """What has changed of the conditions in a house; the first time, all that are known.

    Args:
        watch: as it was left, `NOTHING_SEEN` at the start.
        house: as it is now.
        now_s: monotonic seconds. To be called when the house has changed and at `watch.wake_at_s`.
    """
    if house is watch.house and now_s < watch.wake_at_s:
        return Watched(watch=watch, conditions=())
    due, next_s = watch.due, watch.wake_at_s
    if _must_look_at_zones(watch, house, now_s):
        due, next_s = _all_due(house, now_s)
    after = Watch(
        house=house,
        due=due,
        wake_at_s=next_s,
        away_since_s=inf if house.is_keeper_ready else min(watch.away_since_s, now_s),
    )
    return Watched(watch=after, conditions=tuple(_changes(watch, after, house, now_s)))


def _changes(before: Watch, after: Watch, house: House, now_s: float) -> Iterator[Condition]:
    yield from _keeper(before, house, now_s)
    yield from _time(before, house)
    if before.house is None or before.house.sensors is not house.sensors:
        yield from _sensors(before.house, house, now_s)
    if before.house is None or before.house.zones is not house.zones:
        yield from _valves(before.house, house)
        yield from _leads(before.house, house)
    if before.house is None or before.house.trust is not house.trust:
        yield from _trust(before.house, house)
    if before.due is not after.due:
        yield from _zones_due(before, after, house)


def _keeper(before: Watch, house: House, now_s: float) -> Iterator[Condition]:
    was = before.house
    if (
        was is None
        or was.is_keeper_ready is not house.is_keeper_ready
        or was.keeper_trouble != house.keeper_trouble
    ):
        yield Condition(
            kind=AlarmKind.KEEPER_AWAY,
            subject=house.plan.name,
            is_on=not house.is_keeper_ready,
            reason=house.keeper_trouble or "a keeper is being started",
        )
    if was and -inf < was.keeper_since_s != house.keeper_since_s:
        away_s = max(now_s - before.away_since_s, 0.0)
        if away_s < KEEPER_AWAY_AFTER_S:  # longer, and its absence was an alarm of its own
            reason = f"the one before it ended; another holds the lines after {away_s:.1f} s"
            figures = {"away_s": round(away_s, 3)}
            yield pulse(AlarmKind.KEEPER_RESTARTED, house.plan.name, reason, figures)


def _time(before: Watch, house: House) -> Iterator[Condition]:
    is_trusted = house.almanac.is_trusted
    if before.house is None or before.house.almanac.is_trusted is not is_trusted:
        yield Condition(
            kind=AlarmKind.TIME_UNTRUSTED,
            subject=house.plan.name,
            is_on=not is_trusted,
            reason="the clock is not set, or was not confirmed since the start",
        )


def _sensors(was: House | None, house: House, now_s: float) -> Iterator[Condition]:
    for name, state in house.sensors.items():
        before = was.sensors.get(name) if was else None
        if state is before or not _is_known(state):
            continue
        if before is None or not _is_known(before) or before.is_lost is not state.is_lost:
            yield Condition(
                kind=AlarmKind.READING_LOST,
                subject=name,
                is_on=state.is_lost,
                reason=why_lost(state, now_s) if state.is_lost else "",
                figures={"stale_after_s": state.plan.stale_after_s},
            )


def _is_known(state: SensorState) -> bool:
    """Whether a sensor was heard since the start, or not for so long that it counts as lost."""
    return state.is_lost or state.reading is not None


def _valves(was: House | None, house: House) -> Iterator[Condition]:
    """Valves that are not proved shut; while no keeper is there it cannot be known."""
    if not house.is_keeper_ready:
        return
    was_known = was is not None and was.is_keeper_ready
    for index, zone in enumerate(house.zones):
        if was_known and was is not None and was.zones[index].is_unproved is zone.is_unproved:
            continue
        yield Condition(
            kind=AlarmKind.LINE_TROUBLE,
            subject=zone.plan.name,
            is_on=zone.is_unproved,
            reason="its line was not reported shut when it should have been",
        )


def _leads(was: House | None, house: House) -> Iterator[Condition]:
    """Zones on demand that something else than their own cycle leads, and those that no reading leads.

    A zone is misted blindly from its fall on; what calls a person is a day of it.
    """
    for index, zone in enumerate(house.zones):
        cycle, demand = zone.demand_cycle, zone.demand
        before = was.zones[index].demand if was else None
        if cycle is None or demand is None:
            continue
        if before and (before.lead, before.why) == (demand.lead, demand.why):
            continue
        reason = f"led by {LEAD_WORDS[demand.lead]}, for {demand.why}"
        yield Condition(
            kind=AlarmKind.CYCLE_FELL_BACK,
            subject=zone.plan.name,
            is_on=rank(cycle, demand.lead) > 0,
            reason=reason,
        )
        yield Condition(
            kind=AlarmKind.MISTED_BLINDLY,
            subject=zone.plan.name,
            is_on=demand.lead in NO_READINGS,
            reason=reason,
            patience_s=BLIND_FOR_S,
        )


def _trust(was: House | None, house: House) -> Iterator[Condition]:
    """Leaf-wetness sensors that are not believed; one that was not heard and is not doubted is not known."""
    for name, trust in house.trust.items():
        before = was.trust[name] if was else None
        if trust is before or not (trust.doubt or trust.is_trusted):
            continue
        if before is None or (before.doubt, before.is_trusted) != (trust.doubt, trust.is_trusted):
            yield Condition(
                kind=AlarmKind.WETNESS_DOUBTED, subject=name, is_on=bool(trust.doubt), reason=trust.doubt
            )


def _must_look_at_zones(watch: Watch, house: House, now_s: float) -> bool:
    before = watch.house
    return (
        before is None
        or before.zones is not house.zones
        or before.sources is not house.sources
        or now_s >= watch.wake_at_s
        or before.is_keeper_ready is not house.is_keeper_ready
        or before.frost.is_on is not house.frost.is_on
    )


def _all_due(house: House, now_s: float) -> tuple[tuple[str, ...], float]:
    """Why each zone is due and not misted, and the instant at which the next falls due."""
    due = tuple(_why_due(zone, house) if is_due(zone, house, now_s) else "" for zone in house.zones)
    instants_s = (due_s(zone, house.sources) for zone in house.zones)
    return due, min((at_s for at_s in instants_s if at_s > now_s), default=inf)


def is_due(zone: Zone, house: House, now_s: float) -> bool:
    """Whether a zone wants water, may have it and gets none.

    An order that the keeper has not carried out before is no water; one given for the first time nearly is.
    """
    if due_s(zone, house.sources) > now_s or zone.hold or house.frost.is_on:
        return False
    return zone.phase is Phase.RESTING or (zone.phase is Phase.ORDERED and zone.refused_s > -inf)


def _why_due(zone: Zone, house: House) -> str:
    if not house.is_keeper_ready:
        return "no keeper holds the output lines"
    if zone.refused_s > -inf:
        return "the keeper did not carry out its orders"
    return "the line is taken" if zone.is_waiting else "its line has to rest first"


def _zones_due(before: Watch, after: Watch, house: House) -> Iterator[Condition]:
    was_due = before.due or (None,) * len(after.due)
    queue_s = _queue_s(house) if any(after.due) else 0.0
    for zone, was, why in zip(house.zones, was_due, after.due, strict=True):
        if was != why:
            yield Condition(
                kind=AlarmKind.ZONE_NOT_MISTED,
                subject=zone.plan.name,
                is_on=bool(why),
                reason=f"{_when_due(zone, house)} and not given: {why}",
                patience_s=queue_s,
            )


def _when_due(zone: Zone, house: House) -> str:
    if zone.shut_s == -inf:
        return "never misted, as far as is known; a burst is due"
    after_s = due_s(zone, house.sources) - zone.shut_s
    return f"a burst is due {after_s / S_PER_MIN:.3g} min after the last"


def _queue_s(house: House) -> float:
    """How long a zone may have to wait for the line when all is well."""
    lengths_s = (longest_burst_s(zone, house.almanac.part) for zone in house.zones)
    bursts_s = [length_s for length_s in lengths_s if length_s]
    return worst_wait_s(bursts_s, house.plan.valves_at_once, house.plan.pause_s)


def longest_burst_s(zone: Zone, part: DayPart) -> float | None:
    """The longest burst a zone gives itself in a part of the day; None where it gives none.

    On demand that is one on leaves that have gone dry, or one of the timetable while that leads.
    """
    timed_s, cycle = zone.cycle.burst_s(part), zone.demand_cycle
    if cycle is None or not zone.mists_in(part):
        return timed_s if cycle is None else None
    timed_s = timed_s or zone.cycle.any_burst_s()
    return max(timed_s, cycle.fixed_burst_s or 0.0, cycle.refilling_s(0.0))
