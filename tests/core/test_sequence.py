"""The line: its slots, the pause between bursts, and the longest a due zone can wait for it."""

from itertools import permutations
from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.almanac import DayPart
from mistd.core.sequence import Line, worst_wait_in_part_s, worst_wait_s
from tests.core.houses import house_plan, timetable, zone_plan


def test_a_new_line_is_free_at_once() -> None:
    assert Line(free_s=(-inf, -inf)).start_s(pause_s=2.0) == -inf


def test_a_taken_slot_is_not_free_until_it_is_given_back() -> None:
    line, slot = Line(free_s=(-inf,)).taken(now_s=100.0)

    assert line.start_s(pause_s=2.0) == inf
    assert line.given_back(slot, 107.0).start_s(pause_s=2.0) == 107.0


def test_no_valve_opens_sooner_than_a_pause_after_the_one_before_it() -> None:
    line, _ = Line(free_s=(-inf, -inf)).taken(now_s=100.0)

    assert line.start_s(pause_s=2.0) == 102.0


def test_the_slot_that_has_been_free_for_longest_is_taken_first() -> None:
    line, slot = Line(free_s=(50.0, 20.0, 70.0)).taken(now_s=100.0)

    assert slot == 1
    assert line.free_s == (50.0, inf, 70.0)


def test_giving_a_slot_back_touches_no_other() -> None:
    line = Line(free_s=(inf, inf, 70.0)).given_back(0, 110.0)

    assert line.free_s == (110.0, inf, 70.0)


def test_every_opening_has_a_ticket_of_its_own() -> None:
    first, _ = Line(free_s=(-inf, -inf)).taken(now_s=0.0)
    second, _ = first.taken(now_s=10.0)

    assert [first.next_ticket, second.next_ticket] == [2, 3]


def test_a_resumed_line_goes_on_with_its_tickets_and_its_pause() -> None:
    line = Line(free_s=(-inf,)).resumed(next_ticket=42, last_opening_s=100.0)

    assert (line.next_ticket, line.start_s(pause_s=2.0)) == (42, 102.0)


def last_start_s(bursts: tuple[float, ...], valves_at_once: int, pause_s: float) -> float:
    """When the last of these zones begins, all due at 0, written without the program's own line."""
    ends: list[float] = []
    start_s = -inf
    for burst_s in bursts:
        start_s = max(0.0, start_s + pause_s)
        while sum(end_s + pause_s > start_s for end_s in ends) >= valves_at_once:
            start_s = min(end_s + pause_s for end_s in ends if end_s + pause_s > start_s)
        ends.append(start_s + burst_s)
    return start_s


def test_the_hand_simulation_agrees_with_a_line_worked_out_by_hand() -> None:
    # Two valves at once, pause 2: a opens at 0 for 10, b at 2 for 3 (its slot is free at 7), c at 7 for 3
    # (free at 12, as a's slot is), d at 12.
    assert last_start_s((10.0, 3.0, 3.0, 1.0), valves_at_once=2, pause_s=2.0) == 12.0


@settings(deadline=None, derandomize=True, max_examples=150)
@given(
    bursts=st.lists(st.integers(min_value=1, max_value=30).map(float), min_size=1, max_size=5),
    valves_at_once=st.integers(min_value=1, max_value=4),
    pause_s=st.sampled_from([0.5, 2.0, 5.0, 10.0]),
)
def test_no_order_of_zones_that_are_due_together_waits_longer_than_the_worst_wait(
    bursts: list[float], valves_at_once: int, pause_s: float
) -> None:
    longest_s = max(last_start_s(order, valves_at_once, pause_s) for order in permutations(bursts))

    assert longest_s <= worst_wait_s(bursts, valves_at_once, pause_s) + 1e-9


def test_the_worst_wait_holds_where_short_bursts_follow_long_ones_on_several_valves() -> None:
    """Three long bursts fill the line; the nine short ones after them can only start a pause apart."""
    bursts = (20.0,) * 3 + (3.0,) * 9

    assert last_start_s(bursts, valves_at_once=3, pause_s=2.0) == 38.0
    assert worst_wait_s(bursts, valves_at_once=3, pause_s=2.0) >= 38.0


@settings(deadline=None, derandomize=True, max_examples=50)
@given(
    bursts=st.lists(st.floats(min_value=0.5, max_value=30.0), min_size=1, max_size=8),
    pause_s=st.floats(min_value=0.5, max_value=30.0),
)
def test_on_one_valve_the_worst_wait_is_one_whole_round_of_the_line(
    bursts: list[float], pause_s: float
) -> None:
    round_s = last_start_s(tuple(bursts), 1, pause_s) + bursts[-1] + pause_s

    assert worst_wait_s(bursts, 1, pause_s) == pytest.approx(round_s)


def test_on_several_valves_the_worst_wait_is_a_share_of_the_round_and_of_the_pauses() -> None:
    """By hand: six zones of 6 s and 2 s on two valves are 48 s / 2, and five pauses of 2 s by half."""
    assert worst_wait_s([6.0] * 6, valves_at_once=2, pause_s=2.0) == 24.0 + 5.0
    assert worst_wait_s([6.0] * 6, valves_at_once=4, pause_s=2.0) == 12.0 + 7.5
    assert worst_wait_s([], valves_at_once=2, pause_s=2.0) == 0.0


def test_zones_that_are_off_in_a_part_do_not_take_the_line_in_it() -> None:
    plan = house_plan(
        zone_plan("a", timetable(6.0, off=[DayPart.NIGHT])), zone_plan("b", timetable(8.0)), pause_s=2.0
    )

    assert worst_wait_in_part_s(plan, DayPart.DAY) == 8.0 + 10.0
    assert worst_wait_in_part_s(plan, DayPart.NIGHT) == 10.0


def test_a_part_in_which_every_zone_is_off_has_no_wait() -> None:
    plan = house_plan(zone_plan("a", timetable(off=[DayPart.NIGHT])))

    assert worst_wait_in_part_s(plan, DayPart.NIGHT) == 0.0
