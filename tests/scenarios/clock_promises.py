"""What a house keeps, however its wall clock is moved: each function is one promise, and raises when broken.

Everything is taken from the keeper's edges and from what was published; limits come from the configuration,
and the sun from NREL's algorithm.
"""

from bisect import bisect_right
from collections.abc import Callable
from datetime import date, datetime, timedelta
from functools import cache
from itertools import pairwise
from math import inf
from typing import TypeVar

import pandas as pd
from pvlib.solarposition import sun_rise_set_transit_spa

from mistd.app.config import Config, ZoneSection
from mistd.app.messages import HouseTold, ZoneTold
from mistd.app.sun import UNTRUSTED_LOOK_S
from mistd.core.almanac import DayPart
from tests.scenarios.clocks import STEP_S, ClockDay, Move
from tests.scenarios.days import TOPICS, Burst, Excuse, hours, sums_by_line
from tests.scenarios.promises import EDGE_S, PASS_S, PROMISES, timed, worst_wait_s, zone_gap_at_start_s

SPA_WITHIN_S = 120.0  # our sun beside NREL's
SAMPLE_EVERY_S = 600.0
MOST_DAY_S = hours(24 + 13)  # a midnight nearer than 13 h to the one before is the same, set right
HALF_A_DAY_S = hours(12)
Told = TypeVar("Told", HouseTold, ZoneTold)
NEARLY_RIGHT_S = hours(3)  # a clock that is off by no more than this keeps its days apart


# --- duties of the day


def every_day_lived_is_ended_once(day: ClockDay) -> None:
    """One end for every true midnight, near it; of a clock that stays wrong by hours, its own count."""
    ended_s = [at_s for at_s, _ in day.events("day_ended")]
    ahead_s = day.ahead_s(day.ended_s)
    midnights_s = [
        at_s for at_s in day.true_midnights_s() if at_s - min(ahead_s, 0.0) < day.ended_s - day.look_s
    ]
    for before_s, after_s in pairwise(ended_s):
        assert after_s - before_s <= MOST_DAY_S, (before_s, after_s)
    if abs(ahead_s) > NEARLY_RIGHT_S:
        assert abs(len(ended_s) - len(midnights_s)) <= 1, (ended_s, midnights_s)
        return
    assert len(ended_s) == len(midnights_s), (ended_s, midnights_s)
    for told_s, midnight_s in zip(ended_s, midnights_s, strict=True):
        assert abs(told_s - midnight_s) <= _off_from_midnight_s(day), (told_s, midnight_s)


def _off_from_midnight_s(day: ClockDay) -> float:
    """How far from a true midnight the house may take it to be midnight, while it believes its clock."""
    instants_s = [*(move.at_s for move in day.moves), *day.true_midnights_s()]
    worst_s = max(abs(day.ahead_s(at_s)) for at_s in instants_s if day.is_trusted(at_s))
    return worst_s + day.look_s + UNTRUSTED_LOOK_S if worst_s <= NEARLY_RIGHT_S else HALF_A_DAY_S


def a_day_ends_at_a_midnight_or_when_the_clock_is_moved_over_one(day: ClockDay) -> None:
    for at_s, _ in day.events("day_ended"):
        is_told = (
            day.since_midnight_s(at_s) <= day.look_s
            or not day.is_trusted(at_s)
            or any(-EDGE_S <= at_s - move.at_s <= day.look_s + PASS_S for move in day.moves)
            or any(-EDGE_S <= at_s - begins_s <= day.look_s for begins_s in day.begins_s)
        )
        assert is_told, (at_s, day.wall_time(at_s))


def all_days_add_up_to_all_bursts_and_all_water(day: ClockDay) -> None:
    """By hand, from the edges: seconds open / 60 x nozzles x litres a minute through one of them."""
    flows = {zone.name: zone.nozzles * zone.nozzle_flow_l_per_min / 60.0 for zone in day.config.zones}
    given_l = sum(seconds * flows[line] for line, seconds in sums_by_line(day.bursts).items())
    ended = [event.figures for _, event in day.events("day_ended")]
    house = last(day, HouseTold)
    zones = [last(day, ZoneTold, zone.name) for zone in day.config.zones]

    bursts = sum(int(figures["bursts"]) for figures in ended) + sum(zone.today.bursts for zone in zones)
    water_l = sum(float(figures["water_l"]) for figures in ended) + house.water_today_l

    assert bursts == len(day.bursts)
    assert abs(water_l - given_l) <= 0.01 + 0.001 * len(ended), (water_l, given_l)


def last(day: ClockDay, kind: type[Told], zone: str = "") -> Told:
    """The last state that was told of the house, or of a zone."""
    topic = TOPICS.zone(zone) if zone else TOPICS.house
    (_, message) = day.states(topic)[-1]
    assert isinstance(message, kind)
    return message


# --- bursts


def parts_told(day: ClockDay) -> list[tuple[float, float, DayPart]]:
    """From when to when it was which part of the day, as told."""
    begins_s = [at_s for at_s, _ in day.parts]
    ends_s = [*begins_s[1:], day.ended_s]
    return [
        (begin_s, end_s, part) for begin_s, end_s, (_, part) in zip(begins_s, ends_s, day.parts, strict=True)
    ]


def no_gap_outlasts_the_part_that_is_in_force(day: ClockDay) -> None:
    """A part that begins, by the sun or by a step, has its own gap from then on: queue, and no more."""
    spans = parts_told(day)
    for zone in day.config.zones:
        bursts = day.bursts_of(zone.name)
        begins_s = [-zone_gap_at_start_s(day, zone), *(burst.shut_s for burst in bursts)]
        ends_s = [*(burst.opened_s for burst in bursts), day.ended_s]
        for begin_s, end_s in zip(begins_s, ends_s, strict=True):
            for from_s, to_s, part in spans:
                if from_s < end_s and to_s > begin_s:
                    latest_s = _latest_s(day, zone, part, begin_s, from_s)
                    assert latest_s >= min(end_s, to_s) - PASS_S, (zone.name, part, begin_s, end_s, latest_s)


def _latest_s(day: ClockDay, zone: ZoneSection, part: DayPart, begin_s: float, from_s: float) -> float:
    """The latest instant at which a gap must be over while a part is in force that began at `from_s`."""
    wait_s = worst_wait_s(day)
    latest_s = max(begin_s + gap_s(zone, part), from_s) + wait_s
    for excuse in sorted(day.excuses, key=lambda each: each.from_s):
        if _concerns(excuse, zone) and excuse.from_s <= latest_s + PASS_S and excuse.to_s >= begin_s:
            latest_s = max(latest_s, excuse.to_s + wait_s)
    return latest_s


def no_zone_is_misted_out_of_turn(day: ClockDay) -> None:
    """Whenever a zone is misted, it was due by the part in force, and no other had been due for longer."""
    shut_s: dict[str, float] = {}
    spans = parts_told(day)
    for burst in day.bursts:
        parts = [part for from_s, to_s, part in spans if from_s <= burst.opened_s <= to_s]
        due_s = {zone.name: _due_s(zone, shut_s, parts[-1]) for zone in day.config.zones}
        earliest_s = min(_due_s(_zone(day, burst), shut_s, part) for part in parts)
        assert earliest_s <= burst.opened_s + EDGE_S, (burst, parts)
        before = [zone for zone in day.config.zones if due_s[zone.name] < due_s[burst.line] - EDGE_S]
        for zone in before:
            is_excused = any(
                _concerns(each, zone) and each.from_s <= burst.opened_s <= each.to_s + PASS_S
                for each in day.excuses
            )
            assert is_excused or due_s[zone.name] > burst.opened_s, (zone.name, burst)
        shut_s[burst.line] = burst.shut_s


def _zone(day: ClockDay, burst: Burst) -> ZoneSection:
    return next(zone for zone in day.config.zones if zone.name == burst.line)


def _due_s(zone: ZoneSection, shut_s: dict[str, float], part: DayPart) -> float:
    if gap_s(zone, part) == inf:
        return inf
    return shut_s.get(zone.name, -inf) + gap_s(zone, part)


def gap_s(zone: ZoneSection, part: DayPart) -> float:
    gap_min = timed(zone, part).gap_min
    return inf if gap_min is None else gap_min * 60.0


def _concerns(excuse: Excuse, zone: ZoneSection) -> bool:
    return excuse.zone in {None, zone.name}


def a_hold_lasts_as_long_as_was_asked(day: ClockDay) -> None:
    """By the monotonic clock, to the moment; and says two minutes before its end that mist is coming."""
    for held in day.holds:
        ends_s = held.at_s + held.for_s
        for kind, expected_s in {
            "hold_started": held.at_s,
            "hold_nearly_over": ends_s - 120.0,
            "hold_ended": ends_s,
        }.items():
            told_s = [at_s for at_s, event in day.events(kind) if event.subject == held.zone]
            assert any(abs(at_s - expected_s) <= PASS_S for at_s in told_s), (kind, expected_s, told_s)
    assert len(day.events("hold_ended")) == len(day.holds)


# --- what is told of the clock


def every_step_is_told_once(day: ClockDay) -> None:
    told = [(at_s, float(event.figures["by_s"])) for at_s, event in day.events("clock_stepped")]
    steps = [move for move in day.moves if abs(move.by_s) > STEP_S and day.is_living(move.at_s)]
    assert len(told) == len(steps), (told, steps)
    for (at_s, by_s), move in zip(told, steps, strict=True):
        assert -EDGE_S <= at_s - move.at_s <= day.look_s + PASS_S, (at_s, move)
        assert abs(by_s - move.by_s) <= 0.1


def trust_is_told_when_it_comes_and_goes(day: ClockDay) -> None:
    changes = [
        (after.at_s, after.is_trusted)
        for before, after in pairwise([Move(at_s=-inf), *day.moves])
        if after.is_trusted is not before.is_trusted and day.is_living(after.at_s)
    ]
    for kind, is_trusted in {"time_trusted": True, "time_distrusted": False}.items():
        told_s = [at_s for at_s, _ in day.events(kind)]
        expected_s = [at_s for at_s, trusted in changes if trusted is is_trusted]
        assert len(told_s) == len(expected_s), (kind, told_s, expected_s)
        late_s = [at_s - move_s for at_s, move_s in zip(told_s, expected_s, strict=True)]
        assert all(-EDGE_S <= each <= day.look_s + PASS_S for each in late_s), (kind, max(late_s))


def the_part_of_the_day_is_that_of_the_wall_clock(day: ClockDay) -> None:
    """By NREL's sun; while the clock is not trusted, and no light is measured, it is taken to be day."""
    told = [(at_s, message) for at_s, message in day.states(TOPICS.house) if isinstance(message, HouseTold)]
    instants_s = [at_s for at_s, _ in told]
    for number in range(int(day.ended_s / SAMPLE_EVERY_S)):
        at_s = number * SAMPLE_EVERY_S + 7.0
        if not _is_settled(day, at_s):
            continue
        message = told[bisect_right(instants_s, at_s) - 1][1]
        assert message.time_trusted is day.is_trusted(at_s), at_s
        if day.is_trusted(at_s):
            wall = day.wall_time(at_s)
            assert message.part in parts_by_nrel(day.config, wall), (at_s, wall, message.part)
            dates = {(wall + timedelta(seconds=by_s)).date().isoformat() for by_s in (-day.look_s, 0.0)}
            assert message.local_date in dates, (at_s, wall)
        else:
            assert message.part == "day"


def _is_settled(day: ClockDay, at_s: float) -> bool:
    """Whether a house was running, and had time to look since the clock was last moved."""
    if not day.is_living(at_s) or not day.is_living(at_s - day.look_s):
        return False
    return not any(-EDGE_S <= at_s - move.at_s <= day.look_s for move in day.jumps)


def parts_by_nrel(config: Config, wall: datetime) -> set[str]:
    """The part of the day, or two of them near the change from one to the other."""
    edges = sorted(
        edge
        for shift in (-1, 0, 1)
        for edge in _edges_by_nrel(
            config.place.latitude,
            config.place.longitude,
            config.place.time_zone,
            tuple(
                getattr(config.day_parts, f"{part.value}_begins_min")
                for part in (DayPart.DAWN, DayPart.DAY, DayPart.DUSK, DayPart.NIGHT)
            ),
            wall.date() + timedelta(days=shift),
        )
    )
    return {
        part
        for by_s in (-SPA_WITHIN_S, 0.0, SPA_WITHIN_S)
        for part in [_part_at(edges, wall + timedelta(seconds=by_s))]
    }


def _part_at(edges: list[tuple[datetime, str]], at: datetime) -> str:
    return edges[bisect_right([begins for begins, _ in edges], at) - 1][1]


@cache
def _edges_by_nrel(
    latitude: float, longitude: float, time_zone: str, begins_min: tuple[float, ...], day: date
) -> tuple[tuple[datetime, str], ...]:
    noon = pd.DatetimeIndex([datetime(day.year, day.month, day.day, 12)]).tz_localize(time_zone)
    nrel = sun_rise_set_transit_spa(noon, latitude, longitude).iloc[0]
    names = (("sunrise", "dawn"), ("sunrise", "day"), ("sunset", "dusk"), ("sunset", "night"))
    return tuple(
        (nrel[edge].floor("s").to_pydatetime() + timedelta(minutes=minutes), part)
        for (edge, part), minutes in zip(names, begins_min, strict=True)
    )


def _passes_at_most(day: ClockDay) -> float:
    """A look each time, a handful of passes for each burst, and for each move of the clock."""
    return (
        day.lived_s / day.look_s
        + day.lived_s / 60.0 * (not all(move.is_trusted for move in day.moves))
        + 6.0 * len(day.bursts)
        + 20.0 * (len(day.jumps) + len(day.holds) + day.lived_s / hours(6))
        + 100.0
    )


def the_house_is_never_busy(day: ClockDay) -> None:
    passes = sum(rig.daemon.control.passes for rig in day.rigs)
    assert passes <= _passes_at_most(day), (passes, _passes_at_most(day))
    assert not day.events("task_failed")


CLOCK_PROMISES: tuple[Callable[[ClockDay], None], ...] = (
    *PROMISES,
    every_day_lived_is_ended_once,
    a_day_ends_at_a_midnight_or_when_the_clock_is_moved_over_one,
    all_days_add_up_to_all_bursts_and_all_water,
    no_gap_outlasts_the_part_that_is_in_force,
    no_zone_is_misted_out_of_turn,
    a_hold_lasts_as_long_as_was_asked,
    every_step_is_told_once,
    trust_is_told_when_it_comes_and_goes,
    the_part_of_the_day_is_that_of_the_wall_clock,
    the_house_is_never_busy,
)


def check(day: ClockDay, *but_not: Callable[[ClockDay], None]) -> None:
    """Hold a day against every promise but those that its story cannot keep."""
    for promise in CLOCK_PROMISES:
        if promise not in but_not:
            promise(day)


def dates_ended(day: ClockDay) -> list[str]:
    """Of which dates it was told that they ended."""
    return [event.reason.split()[-1] for _, event in day.events("day_ended")]
