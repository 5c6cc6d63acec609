"""What every day has to keep, whatever happened in it: each function is one promise, and raises when broken.

Limits are taken from the configuration and worked out here, not by the code that keeps them.
"""

from collections.abc import Callable
from itertools import pairwise
from math import inf, isfinite

from mistd.app.config import TimedPartSection, ZoneSection
from mistd.core.almanac import DayPart
from tests.scenarios.days import TOPICS, Burst, Day, Excuse, stamps_of, sums_by_line

EDGE_S = 1e-6  # sums of floats
WATER_WITHIN = 0.005  # of a sum of rounded figures
PASS_S = 0.01  # a guard lets go at an instant, and the pass is made then


def timed(zone: ZoneSection, part: DayPart) -> TimedPartSection:
    section: TimedPartSection = getattr(zone.timed, part.value)
    return section


def worst_wait_s(day: Day) -> float:
    """For the line, when every zone is due at once: the longest bursts of all and the pauses between them."""
    longest_s = [max(timed(zone, part).burst_s or 0.0 for part in DayPart) for zone in day.config.zones]
    line = day.config.line
    return max(
        sum(each + line.pause_s for each in longest_s) / line.valves_at_once, len(longest_s) * line.pause_s
    )


def no_line_is_open_for_longer_than_its_limit_or_its_timetable(day: Day) -> None:
    zones = {zone.name: zone for zone in day.config.zones}
    for burst in day.bursts:
        zone = zones[burst.line]
        lengths = {timed(zone, part).burst_s for part in DayPart} | {day.asked.get(burst.line)}
        open_s = burst.shut_s - burst.opened_s
        assert open_s <= zone.longest_burst_s + EDGE_S
        is_whole = any(length and abs(open_s - length) < EDGE_S for length in lengths)
        was_cut = any(
            _excuses(excuse, burst.line) and excuse.from_s == burst.shut_s for excuse in day.excuses
        )
        assert is_whole or (was_cut and open_s < max(length or 0.0 for length in lengths)), burst


def no_more_valves_are_open_than_the_line_carries(day: Day) -> None:
    is_open: set[str] = set()
    for _, line, opens in day.edges():
        is_open = is_open | {line} if opens else is_open - {line}
        assert len(is_open) <= day.config.line.valves_at_once, (line, is_open)


def the_line_rests_for_its_pause_between_two_bursts(day: Day) -> None:
    if day.config.line.valves_at_once > 1:
        return  # then a slot rests, not the line
    bursts = day.bursts
    for before, after in pairwise(bursts):
        assert after.opened_s - before.shut_s >= day.config.line.pause_s - EDGE_S, (before, after)


def no_zone_is_misted_before_its_gap_or_its_rest_is_over(day: Day) -> None:
    for zone in day.config.zones:
        bursts = day.bursts_of(zone.name)
        for before, after in pairwise(bursts):
            gap_s = after.opened_s - before.shut_s
            assert gap_s >= zone.shortest_rest_s - EDGE_S
            if zone.name not in day.asked:
                shortest_s = min(
                    _gap_s(zone, part) for part in day.parts_between(after.opened_s, after.opened_s)
                )
                assert gap_s >= shortest_s - EDGE_S, (before, after)


def no_gap_is_longer_than_its_part_of_the_day_and_the_queue_allow(day: Day) -> None:
    for zone in day.config.zones:
        opened_s = [burst.opened_s for burst in day.bursts_of(zone.name)]
        shut_s = [burst.shut_s for burst in day.bursts_of(zone.name)]
        start_s = -zone_gap_at_start_s(day, zone)
        for begins_s, ends_s in zip([start_s, *shut_s], [*opened_s, day.ended_s], strict=True):
            assert ends_s <= _latest_s(day, zone, begins_s, ends_s) + PASS_S, (zone.name, begins_s, ends_s)


def zone_gap_at_start_s(day: Day, zone: ZoneSection) -> float:
    """A zone of which nothing is known is due at the start: as if its gap were just over."""
    (_, part), *_ = day.parts
    gap_s = _gap_s(zone, part)
    return gap_s - zone.shortest_rest_s if isfinite(gap_s) else 0.0


def _latest_s(day: Day, zone: ZoneSection, begins_s: float, ends_s: float) -> float:
    """The latest instant at which a gap has to end."""
    wait_s = worst_wait_s(day)
    parts = day.parts_between(max(begins_s, 0.0), min(ends_s, day.ended_s))
    latest_s = begins_s + max(_gap_s(zone, part) for part in parts) + wait_s
    for excuse in sorted(day.excuses, key=lambda each: each.from_s):
        if _excuses(excuse, zone.name) and excuse.from_s <= latest_s + PASS_S and excuse.to_s >= begins_s:
            latest_s = max(latest_s, excuse.to_s + wait_s)
    return latest_s


def _gap_s(zone: ZoneSection, part: DayPart) -> float:
    gap_min = timed(zone, part).gap_min
    return inf if gap_min is None else gap_min * 60.0


def _excuses(excuse: Excuse, zone: str) -> bool:
    return excuse.zone in {None, zone}


def no_zone_is_misted_while_it_may_not_be(day: Day) -> None:
    for burst in day.bursts:
        for excuse in day.excuses:
            is_inside = excuse.from_s + PASS_S < burst.opened_s < excuse.to_s - PASS_S
            assert not (_excuses(excuse, burst.line) and is_inside), (burst, excuse)


def the_water_told_is_seconds_times_nozzles_times_flow(day: Day) -> None:
    """By hand: seconds the line was open / 60 x nozzles x litres a minute through one of them."""
    seconds, ended = sums_by_line(day.bursts), [event for _, event in day.events("burst_ended")]
    in_all_l = 0.0
    for zone in day.config.zones:
        by_hand_l = seconds[zone.name] / 60.0 * zone.nozzles * zone.nozzle_flow_l_per_min
        told_l = sum(float(event.figures["water_l"]) for event in ended if event.subject == zone.name)
        in_all_l += told_l
        assert abs(told_l - by_hand_l) <= WATER_WITHIN * by_hand_l + _unseen_l(day, zone), zone.name
    days_l = sum(float(event.figures["water_l"]) for _, event in day.events("day_ended"))
    counted_l = days_l + sum(zone.today.water_l for zone in day.rigs[-1].house.zones)
    assert abs(counted_l - in_all_l) <= WATER_WITHIN * in_all_l


def _unseen_l(day: Day, zone: ZoneSection) -> float:
    longest_s = max(timed(zone, part).burst_s or 0.0 for part in DayPart)
    return day.unseen * longest_s / 60.0 * zone.nozzles * zone.nozzle_flow_l_per_min


def every_burst_is_told_with_its_reason_and_its_figures(day: Day) -> None:
    started = [(event.subject, at_s) for at_s, event in day.events("burst_started")]
    ended = [event for _, event in day.events("burst_ended")]
    bursts = day.bursts
    assert started == [(burst.line, burst.opened_s) for burst in bursts]
    assert len(ended) == len(bursts)
    assert all(event.reason and event.figures["for_s"] for _, event in day.events("burst_started"))
    assert all(event.reason and event.figures["water_l"] for event in ended)
    assert all(event.reason and event.figures["guard"] for _, event in day.events("burst_refused"))


def what_is_told_as_state_is_retained_and_nothing_else(day: Day) -> None:
    for rig in day.rigs:
        for _, outgoing in stamps_of(rig):
            is_momentary = outgoing.is_clearing or outgoing.topic in {TOPICS.event, TOPICS.answer}
            assert outgoing.is_state is not is_momentary
    assert day.told  # each was read by its model


PROMISES: tuple[Callable[[Day], None], ...] = (
    no_line_is_open_for_longer_than_its_limit_or_its_timetable,
    no_more_valves_are_open_than_the_line_carries,
    the_line_rests_for_its_pause_between_two_bursts,
    no_zone_is_misted_before_its_gap_or_its_rest_is_over,
    no_gap_is_longer_than_its_part_of_the_day_and_the_queue_allow,
    no_zone_is_misted_while_it_may_not_be,
    the_water_told_is_seconds_times_nozzles_times_flow,
    every_burst_is_told_with_its_reason_and_its_figures,
    what_is_told_as_state_is_retained_and_nothing_else,
)


def bursts_alone(day: Day) -> list[Burst]:
    """Every burst to the millisecond, to be held against another day's."""
    return [Burst(each.line, round(each.opened_s, 3), round(each.shut_s, 3)) for each in day.bursts]
