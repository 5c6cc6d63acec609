"""A broker that is away, killed or hanging: the valves keep their time, and what it missed is told to it."""

import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import pytest

from tests.app.running_daemon import MqttHouse, Told, disturbances
from tests.safety.harness import Zone, until
from tests.safety.watching import Burst, Watch

pytestmark = [pytest.mark.real_time, pytest.mark.broker]

ZONES = [Zone(name=name, burst_s=0.5, gap_s=1.2) for name in ("left", "right")]
LONGEST_WAIT_S = 1.5  # behind the pause of the other zone, and for a machine that runs four houses at once
LATE_S = 0.4  # how exactly a burst ends is for `tests/safety` to judge, on its own
AWAY_S = 2.5
HANGS_S = 5.0  # longer than two keepalives of 2 s, so that the daemon gives the connection up
BACK_WITHIN_S = 10.0


def is_newer_than(openings: dict[str, int]) -> Callable[[Told], bool]:
    """Whether a zone's state tells of more bursts than there were at some moment."""
    return lambda told: told["today"]["bursts"] > openings[told["zone"]]


def openings(house: MqttHouse) -> dict[str, int]:
    return {name: line.openings for name, line in house.house.lines().items()}


def seconds_until_all_is_told(house: MqttHouse, since: dict[str, int]) -> float:
    """Wait until the broker has a state of every thing that was made after some moment; how long it took."""
    began_s = time.monotonic()
    house.told("status", lambda told: told["state"] == "online", within_s=BACK_WITHIN_S)
    house.told("house", within_s=BACK_WITHIN_S)
    for zone in ZONES:
        house.told(f"zone/{zone.name}", is_newer_than(since), within_s=BACK_WITHIN_S)
    return time.monotonic() - began_s


def mist_for(house: MqttHouse, for_s: float) -> None:
    """Let the house go on until bursts of every zone have begun for so long."""
    last_s = min(line.last_edge_s for line in house.house.lines().values()) + for_s
    until(
        lambda: min(line.last_edge_s for line in house.house.lines().values()) > last_s,
        f"bursts for {for_s} s",
        but=house.house.account,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a house and of its broker."""

    bursts: Mapping[str, list[Burst]]
    without_broker: Mapping[str, int]  # bursts that had been given by the time it came back
    told_after_s: float  # from its return
    was_noticed: bool


def away_at_first() -> Outcome:
    with MqttHouse(ZONES, protocol="5", begins_with_broker=False) as house, Watch(house.house) as watch:
        house.until_all_misted()
        mist_for(house, AWAY_S)
        without = openings(house)
        house.broker.start()
        took_s = seconds_until_all_is_told(house, without)
    return outcome(house, watch, without, took_s)


def killed(protocol: str) -> Outcome:
    with MqttHouse(ZONES, protocol=protocol) as house, Watch(house.house) as watch:
        house.told("house", lambda told: told["keeper_ready"])
        house.until_all_misted()
        house.broker.kill()
        mist_for(house, AWAY_S)
        without = openings(house)
        house.broker.start()
        took_s = seconds_until_all_is_told(house, without)
    return outcome(house, watch, without, took_s)


def hanging() -> Outcome:
    with MqttHouse(ZONES, protocol="5") as house, Watch(house.house) as watch:
        house.told("house", lambda told: told["keeper_ready"])
        house.until_all_misted()
        house.broker.freeze()
        mist_for(house, HANGS_S)
        without = openings(house)
        house.broker.thaw()
        took_s = seconds_until_all_is_told(house, without)
    return outcome(house, watch, without, took_s)


def outcome(house: MqttHouse, watch: Watch, without: dict[str, int], took_s: float) -> Outcome:
    was_noticed = bool(house.daemon.logged("broker lost"))
    return Outcome(
        bursts=watch.bursts(), without_broker=without, told_after_s=took_s, was_noticed=was_noticed
    )


STORIES: dict[str, Callable[[], Outcome]] = {
    "away at first": away_at_first,
    "killed": partial(killed, "5"),
    "killed, over 3.1.1": partial(killed, "3.1.1"),
    "hanging": hanging,
}


@pytest.fixture(scope="module")
def outcomes() -> Iterator[dict[str, Future[Outcome]]]:
    """All stories at once, each with a house and a broker of its own: they wait for most of their time."""
    with ThreadPoolExecutor(len(STORIES)) as pool:
        yield {name: pool.submit(story) for name, story in STORIES.items()}


@pytest.mark.parametrize("story", STORIES)
def test_the_valves_keep_their_time_whatever_becomes_of_the_broker(
    story: str, outcomes: dict[str, Future[Outcome]]
) -> None:
    found = outcomes[story].result()

    assert min(found.without_broker.values()) >= 2
    assert disturbances(found.bursts, ZONES, LONGEST_WAIT_S, LATE_S) == []


@pytest.mark.parametrize("story", STORIES)
def test_a_broker_that_is_back_is_told_everything(story: str, outcomes: dict[str, Future[Outcome]]) -> None:
    assert outcomes[story].result().told_after_s < BACK_WITHIN_S


@pytest.mark.parametrize("story", STORIES)
def test_the_loss_of_the_broker_is_announced(story: str, outcomes: dict[str, Future[Outcome]]) -> None:
    assert outcomes[story].result().was_noticed
