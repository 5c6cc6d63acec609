"""The daemon is killed at random instants, again and again: no valve is left open, no promise forgotten."""

from concurrent.futures import ThreadPoolExecutor
from itertools import repeat

import pytest

from tests.safety.kills import Toll, campaign, described

pytestmark = [pytest.mark.real_time, pytest.mark.broker]
HOUSES = 4  # side by side
BACK_WITHIN_S = 10.0  # promise 6


def toll_of(kills_each: int, first_seed: int = 1) -> Toll:
    with ThreadPoolExecutor(HOUSES) as side_by_side:
        seeds = range(first_seed, first_seed + HOUSES)
        tolls = list(side_by_side.map(campaign, seeds, repeat(kills_each)))
    return sum(tolls, Toll())


def check(toll: Toll, kills: int) -> None:
    said = "\n".join(described(toll))
    print(said)
    assert not toll.broken, said
    assert toll.kills == kills
    assert toll.excused < kills / 10, f"the machine was too busy to show anything: {said}"
    assert max(toll.back_s + toll.forked_back_s) < BACK_WITHIN_S, said
    assert len(toll.shut_s) > kills / 4, f"too few kills met an open valve: {said}"
    assert toll.holds_proved > kills / 10, f"too few kills met a promised hold: {said}"


@pytest.mark.campaign
def test_a_thousand_kills_of_other_seeds_break_no_promise_either() -> None:
    check(toll_of(kills_each=250, first_seed=101), kills=250 * HOUSES)


def test_at_every_kill_the_keeper_shuts_and_the_next_daemon_knows_every_hold() -> None:
    check(toll_of(kills_each=50), kills=50 * HOUSES)
