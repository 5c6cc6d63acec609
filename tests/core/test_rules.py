"""The rules of a timetable: every limit on both sides and exactly on it, in words with what was asked."""

from math import nextafter

import pytest

from mistd.core.almanac import DayPart
from mistd.core.rules import burst_and_gap_problems, filling_problem, is_never_on, wait_problem
from tests.core.houses import timetable, zone_plan

LIMITS = zone_plan(longest_burst_s=20.0, shortest_rest_s=60.0)


def below(limit: float) -> float:
    return nextafter(limit, 0.0)


def above(limit: float) -> float:
    return nextafter(limit, 1e9)


@pytest.mark.parametrize(
    ("burst_s", "gap_s"),
    [(5.0, 600.0), (20.0, 600.0), (5.0, 60.0), (20.0, 60.0), (0.001, 60.0)],
)
def test_a_burst_and_gap_within_their_limits_or_on_them_break_no_rule(burst_s: float, gap_s: float) -> None:
    assert list(burst_and_gap_problems(LIMITS, burst_s, gap_s)) == []


@pytest.mark.parametrize(
    ("burst_s", "gap_s", "broken"),
    [
        (above(20.0), 600.0, ["burst_s"]),
        (5.0, below(60.0), ["gap_min"]),
        (15.0, 15.0, ["burst_s", "gap_min"]),
        (15.0, above(15.0), ["gap_min"]),
        (above(20.0), 20.0, ["burst_s", "burst_s", "gap_min"]),
        (25.0, below(60.0), ["burst_s", "gap_min"]),
    ],
)
def test_every_rule_that_a_burst_and_gap_break_is_named(
    burst_s: float, gap_s: float, broken: list[str]
) -> None:
    assert [field for field, _ in burst_and_gap_problems(LIMITS, burst_s, gap_s)] == broken


def test_a_broken_rule_says_what_was_asked_what_is_allowed_and_the_unit() -> None:
    words = [text for _, text in burst_and_gap_problems(LIMITS, 25.0, 24.0)]

    assert words == [
        "25 s; allowed below the gap of 24 s: shorten the burst or lengthen gap_min",
        "25 s; allowed up to this zone's longest_burst_s of 20 s",
        "0.4 min; allowed from this zone's shortest_rest_s of 60 s",
    ]


def test_a_burst_has_to_outlast_the_filling_of_its_line() -> None:
    assert filling_problem(above(2.0), 0.5, 2.0) is None
    assert filling_problem(2.0, 0.5, 2.0) == (
        "2 s would wet nothing: the line of 0.5 l takes 2.0 s to fill; lengthen the burst"
    )


def test_a_round_may_take_as_long_as_the_shortest_gap_and_no_longer() -> None:
    bursts_s = [5.0, 8.0, 3.0]  # with a pause of 2 s each a round takes 22 s

    assert wait_problem(DayPart.DAY, bursts_s, [600.0, 22.0, 30.0], 1, 2.0) is None
    problem = wait_problem(DayPart.DAY, bursts_s, [600.0, below(22.0), 30.0], 1, 2.0)
    assert problem == (
        "by day the 3 zones take 22 s of the line for one round, and the shortest gap is 22 s: shorten "
        "bursts or pause_s, lengthen the gap, or open more valves at once if the supply carries them"
    )


def test_more_valves_at_once_shorten_the_round() -> None:
    bursts_s = [5.0, 5.0]

    assert wait_problem(DayPart.DUSK, bursts_s, [8.0, 8.0], 2, 2.0) is None
    assert wait_problem(DayPart.DUSK, bursts_s, [8.0, 8.0], 1, 2.0) is not None
    assert wait_problem(DayPart.DUSK, bursts_s, [below(8.0), 8.0], 2, 2.0) is not None


def test_nobody_waits_in_a_part_without_mist() -> None:
    assert wait_problem(DayPart.NIGHT, [], [], 1, 2.0) is None


def test_a_timetable_is_never_on_when_every_part_is_off_and_not_before() -> None:
    assert is_never_on(timetable(off=list(DayPart)))
    for part in DayPart:
        assert not is_never_on(timetable(off=set(DayPart) - {part}))
