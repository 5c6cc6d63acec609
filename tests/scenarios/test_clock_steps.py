"""The wall clock is stepped, distrusted, drifting or fought over; the cutting must not know of it.

Every story is lived by the whole daemon in virtual time, and held against every promise of `clock_promises`.
A spread of the steps runs by default, the whole grid as a campaign.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import product
from random import Random

import pytest

from mistd.app.config import Config
from mistd.app.config_file import checked_config
from tests.app.house_files import EXAMPLE, timed_example, toml_of
from tests.scenarios.clock_promises import (
    check,
    every_day_lived_is_ended_once,
    every_step_is_told_once,
    parts_by_nrel,
    trust_is_told_when_it_comes_and_goes,
)
from tests.scenarios.clocks import BRUSSELS, LIVES_FOR_S, STARTS_AT, ClockDay, Held, Move, second_of
from tests.scenarios.days import S_PER_DAY, hours
from tests.scenarios.promises import bursts_alone

REAL_LOOK_S = 10.0 / 3.0  # a third of the keeper's heartbeat, as on a machine
NOON = datetime(2025, 3, 28, 11, tzinfo=UTC)
SIZES_S = {
    "1s": 1.0,
    "1min": 60.0,
    "10min": 600.0,
    "59min": 59 * 60.0,
    "1h": hours(1),
    "3h": hours(3),
    "11h59": hours(12) - 60.0,
    "12h": hours(12),
    "13h": hours(13),
    "24h": hours(24),
    "week": 7 * S_PER_DAY,
    "year": 365 * S_PER_DAY,
    "ten_years": 3652 * S_PER_DAY,
}
WAYS = {"forward": 1.0, "back": -1.0}
BOTH_WAYS = {"12h", "24h", "ten_years"}  # by default; in the campaign all of them
AFTERWARDS = ("for_good", "set_right", "distrusted")
WRONG_FOR_S = hours(2)


# The parts begin at about 6:01, 8:01, 17:42 and 19:42 on that day; see the test below.
TIMES_S = {
    "after_midnight": second_of("00:00:30"),
    "before_dawn": second_of("06:00:00"),
    "before_day": second_of("08:00:00"),
    "noon": second_of("12:00:07"),
    "before_dusk": second_of("17:41:20"),
    "before_night": second_of("19:41:20"),
    "before_midnight": second_of("23:59:30"),
}


@dataclass(frozen=True, slots=True)
class Stepped:
    """One step of the clock."""

    size: str
    way: str
    time: str
    afterwards: str

    def __str__(self) -> str:
        return f"{self.size}_{self.way}_{self.time}_{self.afterwards}"

    def moves(self, at_s: float) -> Iterator[Move]:
        by_s = SIZES_S[self.size] * WAYS[self.way]
        yield Move(at_s=at_s, by_s=by_s, is_trusted=self.afterwards != "distrusted")
        if self.afterwards != "for_good":
            yield Move(at_s=at_s + WRONG_FOR_S, by_s=-by_s)

    def lived(self, config: Config, for_s: float) -> ClockDay:
        """Two zones are held over the step, one of them over the moment the clock is set right as well."""
        at_s = TIMES_S[self.time]
        holds = [
            Held(zone="door-left", at_s=at_s - 300.0, for_s=1200.0),
            Held(zone="middle-right", at_s=at_s - 200.0, for_s=WRONG_FOR_S + 900.0),
        ]
        day = ClockDay(config, starts_at=STARTS_AT, moves=list(self.moves(at_s)), holds=holds)
        day.live_on(for_s)
        return day


GRID = [Stepped(*each) for each in product(SIZES_S, WAYS, TIMES_S, AFTERWARDS)]


def spread() -> list[Stepped]:
    """Each size, some of them both ways, going round the times of day and what comes afterwards."""
    times = list(TIMES_S)
    return [
        Stepped(size, way, times[number * 3 % len(times)], AFTERWARDS[number % 3])
        for number, (size, way) in enumerate(product(SIZES_S, WAYS))
        if size in BOTH_WAYS or (number // 2 + number) % 2
    ]


@pytest.fixture(scope="module")
def example() -> Config:
    return checked_config(toml_of(timed_example()), EXAMPLE)


# --- one step


def test_the_steps_come_just_before_the_parts_of_the_day(example: Config) -> None:
    for name, part in {"dawn": "night", "day": "dawn", "dusk": "day", "night": "dusk"}.items():
        at = (STARTS_AT + timedelta(seconds=TIMES_S[f"before_{name}"])).astimezone(BRUSSELS)
        assert parts_by_nrel(example, at) == {part, name}  # less than two minutes
        assert parts_by_nrel(example, at - timedelta(minutes=3)) == {part}
        assert parts_by_nrel(example, at + timedelta(minutes=5)) == {name}


@pytest.mark.parametrize("step", spread(), ids=str)
def test_a_step_of_the_clock_breaks_no_promise(step: Stepped, example: Config) -> None:
    is_late = step.time == "before_midnight"
    check(step.lived(example, LIVES_FOR_S if is_late else hours(27)))


@pytest.mark.campaign
@pytest.mark.parametrize("step", GRID, ids=str)
def test_no_step_of_the_clock_breaks_a_promise(step: Stepped, example: Config) -> None:
    check(step.lived(example, LIVES_FOR_S))


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("size", ["10min", "week"])
def test_a_step_that_changes_no_part_of_the_day_moves_no_burst(size: str, way: str, example: Config) -> None:
    """At noon it is day before the step, after it, and when the clock is set right."""
    stepped, steady = (
        ClockDay(example, starts_at=NOON - timedelta(hours=1), moves=moves)
        for moves in (list(Stepped(size, way, "noon", "set_right").moves(hours(1))), [])
    )

    for day in (stepped, steady):
        day.live_on(hours(4))

    assert bursts_alone(stepped) == bursts_alone(steady)
    assert len(stepped.bursts) > 100


# --- many steps


def fighting(rng: Random) -> list[Move]:
    """Two time services that do not agree: a step every half minute, most of them too small to be told."""
    return [
        Move(at_s=hours(1) + 30.0 * number, by_s=rng.choice([0.3, -0.4, 1.9, -1.9, 2.2, -2.3, 5.0, -5.0]))
        for number in range(500)
    ]


def test_two_time_services_that_fight_disturb_nothing(example: Config) -> None:
    evening = STARTS_AT - timedelta(hours=4)
    day = ClockDay(example, starts_at=evening, moves=fighting(Random(7)), look_s=REAL_LOOK_S)

    day.live_on(hours(7))

    check(day)
    assert len(day.events("clock_stepped")) > 200
    assert len(day.events("day_ended")) == 1


@pytest.mark.parametrize("by_s", [0.9, -0.03])
def test_a_clock_that_drifts_is_followed_and_never_said_to_step(by_s: float, example: Config) -> None:
    """Seconds a minute: a bad crystal nobody corrects, and the most by which a time service slews."""
    moves = [Move(at_s=60.0 * minute + 17.0, by_s=by_s) for minute in range(1, int(hours(27) / 60))]
    day = ClockDay(example, starts_at=STARTS_AT, moves=moves, look_s=60.0)

    day.live_on(hours(27))

    check(day)
    assert day.events("clock_stepped") == []


def test_trust_that_comes_and_goes_is_no_reason_to_hurry(example: Config) -> None:
    """By night, over midnight: each time it is taken to be day, and no zone gets more than by day."""
    moves = [Move(at_s=hours(1) + 40.0 * number, is_trusted=number % 2 == 1) for number in range(180)]
    day = ClockDay(example, starts_at=STARTS_AT, moves=moves, look_s=REAL_LOOK_S)

    day.live_on(hours(4))

    check(day)
    assert len(day.events("time_trusted")) == 90
    assert len(day.events("day_ended")) == 1


def test_whether_the_clock_was_set_from_outside_moves_no_burst(example: Config) -> None:
    moves = [Move(at_s=hours(1) + 300.0 * number, is_synchronised=number % 2 == 1) for number in range(60)]
    flapping, steady = (ClockDay(example, starts_at=STARTS_AT, moves=each) for each in (moves, ()))

    for day in (flapping, steady):
        day.live_on(hours(8))

    assert bursts_alone(flapping) == bursts_alone(steady)


def wild(rng: Random) -> list[Move]:
    """Steps of every size at any time, believed or not, and nothing is ever set right."""
    return [
        Move(
            at_s=at_s,
            by_s=rng.choice(list(SIZES_S.values())) * rng.choice([1.0, -1.0]),
            is_trusted=rng.random() < 0.8,
        )
        for at_s in sorted(rng.uniform(0.0, LIVES_FOR_S) for _ in range(rng.randrange(1, 25)))
    ]


def check_wild(seed: int, example: Config) -> None:
    """Which day it is cannot be known; but no duty comes twice within half a day, and no gap is missed."""
    moves = wild(Random(seed))
    day = ClockDay(example, starts_at=STARTS_AT, moves=moves)
    day.live_on(LIVES_FOR_S)
    check(day, every_day_lived_is_ended_once, every_step_is_told_once, trust_is_told_when_it_comes_and_goes)
    assert len(day.events("day_ended")) <= LIVES_FOR_S / hours(13) + 1


@pytest.mark.parametrize("seed", [0])
def test_a_clock_gone_wild_kills_no_cutting(seed: int, example: Config) -> None:
    check_wild(seed, example)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(1, 201))
def test_no_clock_gone_wild_kills_a_cutting(seed: int, example: Config) -> None:
    check_wild(seed, example)
