"""The almanac's words and the timed cycle: a burst and a gap for each part of the day."""

from math import inf

import pytest

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from tests.core.houses import timetable

CYCLE = TimedCycle(
    parts={
        DayPart.NIGHT: None,
        DayPart.DAWN: TimedPart(burst_s=4.0, gap_s=1200.0),
        DayPart.DAY: TimedPart(burst_s=6.0, gap_s=600.0),
        DayPart.DUSK: TimedPart(burst_s=5.0, gap_s=1800.0),
    }
)


def test_the_parts_of_a_day_stand_in_their_order() -> None:
    assert [part.value for part in DayPart] == ["night", "dawn", "day", "dusk"]


@pytest.mark.parametrize(
    ("part", "burst_s"),
    [(DayPart.NIGHT, None), (DayPart.DAWN, 4.0), (DayPart.DAY, 6.0), (DayPart.DUSK, 5.0)],
)
def test_each_part_has_its_own_burst(part: DayPart, burst_s: float | None) -> None:
    assert CYCLE.burst_s(part) == burst_s


@pytest.mark.parametrize(
    ("part", "due"),
    [(DayPart.NIGHT, inf), (DayPart.DAWN, 2200.0), (DayPart.DAY, 1600.0), (DayPart.DUSK, 2800.0)],
)
def test_the_gap_runs_from_the_end_of_the_last_burst(part: DayPart, due: float) -> None:
    assert CYCLE.due_after(1000.0, part) == due


def test_a_zone_never_misted_is_due_unless_the_part_is_off() -> None:
    assert CYCLE.due_after(-inf, DayPart.DAY) == -inf
    assert CYCLE.due_after(-inf, DayPart.NIGHT) == inf


def test_in_a_part_without_bursts_a_person_gets_the_longest_of_the_other_parts() -> None:
    assert CYCLE.any_burst_s() == 6.0
    assert timetable(off=[part for part in DayPart if part is not DayPart.DUSK]).any_burst_s() == 5.0
