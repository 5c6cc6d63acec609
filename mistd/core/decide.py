"""The decision: a house and what is new in, a house and what to do about it out.

Rule 1: nothing in here waits, reads a clock or reaches outside; the same arguments give the same decision.
Rule 2: deciding more often than needed changes no action.
Rule 3: conditions come before requests: what the keeper reported and what the sensors read is taken in before
anything that a person asked for at the same instant.
"""

from datetime import date, timedelta
from math import inf

from mistd.core.almanac import Almanac
from mistd.core.bursts import (
    ask_burst,
    expire_asked,
    fall_due,
    give_line,
    give_up_report,
    keeper_lost,
    keeper_ready,
    stop_waiting,
    take_report,
)
from mistd.core.by_demand import attend_demand, end_day
from mistd.core.changes import ask_setting, ask_undo, attend_passing
from mistd.core.events import EventKind
from mistd.core.frost import Frost, after_reading, is_frost, without_probe
from mistd.core.holds import ask_hold, ask_release, attend_hold
from mistd.core.house import NO_DATE, Decision, House
from mistd.core.observations import (
    NOTHING_NEW,
    KeeperNews,
    KeeperReady,
    LineReport,
    LineTrouble,
    Observations,
)
from mistd.core.readings import Quality, Reading, SensorKind
from mistd.core.requests import AskBurst, AskHold, AskRelease, AskSetting, Request
from mistd.core.sensors import heard, heard_nonsense, lost, why_lost
from mistd.core.turn import Turn
from mistd.core.zone import REPORT_GRACE_S, Phase, WaterCount, due_s

SHORTEST_DAY_S = 13 * 3600.0  # midnights nearer to each other are one, set right: over half of a day of 25 h
UNTRUSTED_DAY_S = 24 * 3600.0


def decide(house: House, observations: Observations, now_s: float) -> Decision:
    """Return what follows from a house and what is new.

    Args:
        house: as the last decision left it; it is not changed.
        observations: only what is new since then.
        now_s: monotonic seconds, never before the last decision's.
    """
    turn = Turn(house, now_s)
    if observations is not NOTHING_NEW:
        _take_in(turn, observations)
    if turn.stale_s <= now_s:
        _doubt_silent_sensors(turn)
    if turn.sources or turn.trust:
        attend_demand(turn)
    _attend_zones(turn)
    too_late_s = expire_asked(turn)
    start_s = give_line(turn) if turn.asked or turn.waiting else inf
    return turn.decision(min(too_late_s, start_s))


def _take_in(turn: Turn, observations: Observations) -> None:
    if observations.almanac:
        _take_almanac(turn, observations.almanac)
    for news in observations.keeper:
        _take_keeper_news(turn, news)
    for name, reading in observations.readings:
        _take_reading(turn, name, reading)
    for request in observations.requests:
        _take_request(turn, request)


def _take_keeper_news(turn: Turn, news: KeeperNews) -> None:
    if isinstance(news, LineReport):
        take_report(turn, news)
    elif isinstance(news, LineTrouble):
        turn.touch(turn.plan.index[news.line]).is_unproved = True
        turn.tell(EventKind.LINE_TROUBLE, news.line, f"{news.reason}; close the hand valve and look")
    elif isinstance(news, KeeperReady):
        keeper_ready(turn, news)
    else:
        keeper_lost(turn, news)


def _take_request(turn: Turn, request: Request) -> None:
    if isinstance(request, AskBurst):
        ask_burst(turn, request)
    elif isinstance(request, AskHold):
        ask_hold(turn, request)
    elif isinstance(request, AskRelease):
        ask_release(turn, request)
    elif isinstance(request, AskSetting):
        ask_setting(turn, request)
    else:
        ask_undo(turn, request)


def _take_almanac(turn: Turn, almanac: Almanac) -> None:
    before, turn.almanac = turn.almanac, almanac
    turn.is_changed = True
    if almanac.is_trusted is not before.is_trusted:
        _tell_of_trust(turn, almanac)
    _count_days(turn, before, almanac)
    if almanac.part is not before.part:
        _begin_part(turn, almanac)
    reconsider_frost(turn)


def _tell_of_trust(turn: Turn, almanac: Almanac) -> None:
    if almanac.is_trusted:
        turn.tell(EventKind.TIME_TRUSTED, turn.plan.name, "the clock is set; the sun places the day again")
        return
    reason = "time uncertain: the light reading tells day from night, else it is taken to be day"
    turn.tell(EventKind.TIME_DISTRUSTED, turn.plan.name, reason)


def _begin_part(turn: Turn, almanac: Almanac) -> None:
    turn.tell(EventKind.DAY_PART_BEGAN, turn.plan.name, almanac.part.value)
    for index, zone in enumerate(turn.touch_all()):
        if zone.phase is Phase.RESTING:
            turn.set_mark(zone)
        if zone.is_waiting and zone.due_s > turn.now_s:
            stop_waiting(turn, index)
        if not zone.mists_in(almanac.part):
            reason = f"its timetable has no mist in the {almanac.part.value} part of the day"
            turn.tell(EventKind.MIST_ENDED_FOR_PART, zone.plan.name, reason)


def _count_days(turn: Turn, before: Almanac, almanac: Almanac) -> None:
    """End the day when it is over; a date that only follows a corrected clock is taken over without that."""
    is_over = _is_day_over(turn, before, almanac)
    ended = before.local_date if turn.counting_date == NO_DATE else turn.counting_date
    if almanac.is_trusted:
        if turn.counting_date == NO_DATE and turn.counting_since_s == -inf:
            turn.counting_since_s = almanac.day_began_s
        turn.counting_date = almanac.local_date
    elif is_over and turn.counting_date != NO_DATE:
        turn.counting_date += timedelta(days=1)
    if is_over:
        turn.counting_since_s = almanac.day_began_s if almanac.is_trusted else turn.now_s
        _end_day(turn, ended)


def _is_day_over(turn: Turn, before: Almanac, almanac: Almanac) -> bool:
    """Whether a midnight has passed that was not counted yet.

    By a trusted clock: the last midnight is too far from the one that was counted last to be the same, set
    right; where nobody can tell how long ago that was, after a restart, the date has to tell. By a clock that
    is not trusted: after 24 h, so that it may say what it likes; the first time, by a midnight of its own.
    """
    since_s = turn.counting_since_s
    if since_s > -inf and almanac.is_trusted:
        return almanac.day_began_s - since_s >= SHORTEST_DAY_S
    if since_s > -inf:
        return turn.now_s - since_s >= UNTRUSTED_DAY_S
    if almanac.is_trusted:
        return NO_DATE != turn.counting_date < almanac.local_date
    return almanac.day_began_s - before.day_began_s >= SHORTEST_DAY_S


def _end_day(turn: Turn, ended: date) -> None:
    zones = turn.touch_all()
    water_l = sum(zone.today.water_l for zone in zones)
    for zone in zones:
        zone.yesterday, zone.today = zone.today, WaterCount()
        end_day(zone)
    bursts = sum(zone.yesterday.bursts for zone in zones)
    reason = f"{bursts} bursts and {water_l:.1f} l on {ended.isoformat()}"
    turn.tell(EventKind.DAY_ENDED, turn.plan.name, reason, {"bursts": bursts, "water_l": round(water_l, 3)})


def _take_reading(turn: Turn, name: str, reading: Reading) -> None:
    state = turn.sensors[name]
    turn.is_changed = True
    if reading.quality is not Quality.GOOD:
        turn.sensors = {**turn.sensors, name: heard_nonsense(state, reading)}
        return
    after = heard(state, reading)
    turn.sensors = {**turn.sensors, name: after}
    if state.is_lost:
        turn.stale_s = min(turn.stale_s, after.stale_s)
        turn.tell(EventKind.READING_BACK, name, f"it reads {reading.value:.4g} again")
    if state.plan.kind is SensorKind.AIR_TEMPERATURE:
        limit_c = turn.plan.frost_below_c
        turn.frost = after_reading(turn.frost, name, reading.value, reading.at_s, limit_c)
        reconsider_frost(turn)


def _doubt_silent_sensors(turn: Turn) -> None:
    turn.is_changed = True
    for name, state in turn.sensors.items():
        if state.stale_s <= turn.now_s:
            turn.sensors = {**turn.sensors, name: lost(state)}
            turn.frost = without_probe(turn.frost, name)
            turn.tell(EventKind.READING_LOST, name, why_lost(state, turn.now_s))
    turn.stale_s = min((state.stale_s for state in turn.sensors.values()), default=inf)
    reconsider_frost(turn)


def reconsider_frost(turn: Turn) -> None:
    """Say when frost begins or ends, and let zones be asked again when it ends."""
    if not turn.frost.cold and not turn.frost.is_on:
        return
    probes = [s for s in turn.sensors.values() if s.plan.kind is SensorKind.AIR_TEMPERATURE]
    is_on = is_frost(turn.frost, probes, turn.plan.frost_delay_s, is_light=turn.almanac.is_light)
    if is_on is turn.frost.is_on:
        return
    turn.frost = Frost(cold=turn.frost.cold, is_on=is_on)
    values = [probe.good_value for probe in probes if probe.good_value is not None]
    figures = {"limit_c": turn.plan.frost_below_c}
    if values:  # frost also ends when the last probe falls silent
        figures["coldest_c"] = min(values)
    if is_on:
        reason = f"{min(values):.1f} c, limit {turn.plan.frost_below_c:g} c: no mist until it is over"
        turn.tell(EventKind.FROST_BEGAN, turn.plan.name, reason, figures)
        return
    turn.tell(EventKind.FROST_ENDED, turn.plan.name, "warm enough, light, or no probe to say so", figures)
    for zone in turn.touch_all():
        if zone.held_until_s == inf:
            turn.ask_guards_again(zone)


def _attend_zones(turn: Turn) -> None:
    """See to every zone that was changed in this turn, and to every other whose instant has come.

    The instant of a zone on demand may have come by what its source has just heard.
    """
    changed = tuple(turn.touched)
    for index in changed:
        _attend_zone(turn, index)
    is_moved = turn.sources is not turn.house.sources
    if is_moved or min(turn.house.attention_s) <= turn.now_s:
        for index, at_s in enumerate(turn.house.attention_s):
            is_called = at_s <= turn.now_s or (is_moved and turn.house.zones[index].demand)
            if is_called and index not in changed:
                _attend_zone(turn, index)


def _attend_zone(turn: Turn, index: int) -> None:
    zone = turn.zone(index)
    if zone.hold or zone.trim or zone.closed or zone.skip:
        attend_hold(turn, index)
        attend_passing(turn, index)
        zone = turn.zone(index)
    if zone.phase is not Phase.RESTING:
        if zone.ordered_s + zone.ordered_for_s + REPORT_GRACE_S <= turn.now_s:
            give_up_report(turn, index)
    elif not zone.is_waiting and max(due_s(zone, turn.sources), zone.held_until_s) <= turn.now_s:
        fall_due(turn, index)
