"""Crash loops and hung keepers: each takes many seconds, so they are gone through side by side, once.

Each story is a function that returns what was seen; each test looks at one.
"""

import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from typing import Any

import pytest

from tests.broker import Mosquitto
from tests.safety.asking import Asker
from tests.safety.harness import House, Zone
from tests.safety.watching import Watch

pytestmark = [pytest.mark.real_time, pytest.mark.broker]
LONG = (Zone(name="left", burst_s=15.0, gap_s=60.0), Zone(name="right", burst_s=15.0, gap_s=60.0))
KILLS, KILLED_AFTER_S = 20, 0.5
REST_S = 2.0
LIVELY = [Zone(name=name, gap_s=2.0, shortest_rest_s=REST_S) for name in ("left", "right")]


def daemon_in_a_crash_loop() -> Mapping[str, list[float]]:
    """Each start finds its zones due, and is asked for bursts besides: the rest is kept all the same."""
    with ExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        house = stack.enter_context(House(LIVELY, broker_port=broker.port))
        asker = stack.enter_context(Asker(broker.port, house.name))
        watch = stack.enter_context(Watch(house))
        for _ in range(KILLS):
            daemon = house.start()
            daemon.wait_for("keeper ready")
            daemon.wait_for("broker connected")
            for zone in ("left", "right"):
                asker.ask("burst", zone=zone)
            time.sleep(max(daemon.started_s + KILLED_AFTER_S - time.monotonic(), 0.0))
            daemon.send(signal.SIGKILL)
            daemon.ended()
        house.until_all_shut()
    return watch.rests_s()


def keeper_in_a_crash_loop() -> Mapping[str, list[float]]:
    """Each new ledger knows nothing of the bursts before it: every line rests first."""
    with House(LIVELY) as house, Watch(house) as watch:
        daemon = house.start()
        for times in range(1, 4):
            daemon.wait_for("keeper ready", times=times)
            house.until_misted_again(1)
            house.kill_keeper()
        daemon.wait_for("keeper ready", times=4)
        house.until_misted_again(2)
        house.until_all_shut()
    return watch.rests_s()


def shut_while_the_keeper_hangs(
    daemon_gets: signal.Signals,
) -> tuple["subprocess.CompletedProcess[str]", set[str]]:
    with House(LONG) as house:
        daemon = house.start()
        house.until_open("left", "right")
        daemon.send(daemon_gets)
        house.kill_keeper(signal.SIGSTOP)
        return house.run("shut"), house.open_lines()


def stop_while_the_keeper_hangs() -> str:
    with House(LONG) as house:
        daemon = house.start()
        house.until_open("left", "right")
        house.kill_keeper(signal.SIGSTOP)
        daemon.send(signal.SIGTERM)
        daemon.ended()
        return str(daemon.logged("daemon stopped")[0]["reason"])


STORIES: Mapping[str, Callable[[], Any]] = {
    "daemon in a crash loop": daemon_in_a_crash_loop,
    "keeper in a crash loop": keeper_in_a_crash_loop,
    "both hang": lambda: shut_while_the_keeper_hangs(signal.SIGSTOP),
    "keeper hangs": lambda: shut_while_the_keeper_hangs(signal.SIGCONT),
    "stop": stop_while_the_keeper_hangs,
}


@pytest.fixture(scope="module")
def stories() -> Iterator[Mapping[str, Future[Any]]]:
    with ThreadPoolExecutor() as side_by_side:
        yield {name: side_by_side.submit(story) for name, story in STORIES.items()}


@pytest.mark.parametrize("who", ["daemon", "keeper"])
def test_in_a_crash_loop_no_line_opens_more_often_than_its_rest_allows(
    stories: Mapping[str, Future[Any]], who: str
) -> None:
    rests_s = stories[f"{who} in a crash loop"].result()

    assert set(rests_s) == {"left", "right"}
    for each in rests_s.values():
        assert each, "it did mist now and then"
        assert min(each) >= REST_S - 0.001, each


@pytest.mark.parametrize("who", ["keeper hangs", "both hang"])
def test_mistd_shut_ends_a_keeper_that_hangs_and_every_line_is_claimed_shut(
    stories: Mapping[str, Future[Any]], who: str
) -> None:
    """A daemon that runs starts a keeper at the same moment: whoever comes first, every line is shut."""
    done, still_open = stories[who].result()

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("every valve is shut")
    assert still_open == set()


def test_a_stop_while_the_keeper_hangs_does_not_say_that_all_is_shut(
    stories: Mapping[str, Future[Any]],
) -> None:
    said = stories["stop"].result()

    assert said == "stopped by SIGTERM; the keeper did not confirm that every valve is shut"
