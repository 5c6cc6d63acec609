"""Ten clients change settings while the daemon is killed: none acknowledged is lost, none is done twice."""

from concurrent.futures import ThreadPoolExecutor
from itertools import repeat

import pytest

from tests.safety.changing import Told, campaign

pytestmark = [pytest.mark.real_time, pytest.mark.broker]
HOUSES = 4  # side by side


def told_of(kills_each: int, first_seed: int) -> list[Told]:
    with ThreadPoolExecutor(HOUSES) as side_by_side:
        seeds = range(first_seed, first_seed + HOUSES)
        return list(side_by_side.map(campaign, seeds, repeat(kills_each)))


def check(tolls: list[Told]) -> None:
    said = "\n".join(told.said() for told in tolls)
    print(said)
    assert not [text for told in tolls for text in told.broken()], said
    for told in tolls:
        assert told.count("done") > told.kills, f"too little was changed to show anything: {said}"
        assert told.count("refused") > told.kills / 4, f"too little was refused to show anything: {said}"
        assert told.repeated() > told.kills / 4, f"too few ids were repeated to show anything: {said}"
        assert told.killed_while_waiting > told.kills / 3, f"too few kills met a request: {said}"


@pytest.mark.campaign
def test_three_thousand_kills_lose_no_acknowledged_change() -> None:
    check(told_of(kills_each=750, first_seed=501))


def test_two_hundred_kills_lose_no_acknowledged_change_and_do_none_twice() -> None:
    check(told_of(kills_each=50, first_seed=1))
