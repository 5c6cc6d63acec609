"""Stopping a house on purpose: signals, `mistd shut`, and a second daemon that should not be there."""

import os
import signal
import time

import pytest

from mistd.adapters.simulated_outputs import SimulatedOutputsView
from tests.broker import Mosquitto
from tests.mosquitto_clients import Subscriber, retained
from tests.safety.harness import LATE_S, House, Zone, until
from tests.safety.watching import Watch

pytestmark = pytest.mark.real_time
LONG = (Zone(name="left", burst_s=15.0, gap_s=60.0), Zone(name="right", burst_s=15.0, gap_s=60.0))
SHORT = (Zone(name="left"), Zone(name="right"))
LONG_AND_SHORT = (Zone(name="long", burst_s=6.0, gap_s=60.0), Zone(name="short", gap_s=3.0))


@pytest.mark.broker
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda number: number.name)
def test_a_signal_to_stop_shuts_every_valve_says_so_and_ends_well(number: signal.Signals) -> None:
    with Mosquitto() as broker, House(LONG, broker_port=broker.port) as house:
        with Subscriber(broker.port, f"mistd/{house.name}/event") as events:
            daemon = house.start()
            daemon.wait_for("broker connected")
            house.until_open("left", "right")
            keeper = house.keeper_pid()

            asked_s = daemon.send(number)
            code = daemon.ended()

            told = events.wait_for(lambda message: '"daemon_stopped"' in message.payload)
        assert code == 0, daemon.account()
        assert house.open_lines() == set()
        assert all(asked_s < line.last_edge_s < asked_s + 2 * LATE_S for line in house.lines().values())
        said = f"stopped by {number.name}; every valve is shut"
        assert [line["reason"] for line in daemon.logged("daemon stopped")] == [said]
        assert f'"reason":"{said}"' in told.payload
        assert daemon.errors() == ""
        assert house.keeper_pid() is None, "its keeper ended with it"
        assert '"state":"offline"' in retained(broker.port, f"mistd/{house.name}/status").payload
        assert keeper is not None


def test_mistd_shut_beside_a_running_daemon_shuts_all_and_the_daemon_goes_on() -> None:
    with House(LONG_AND_SHORT) as house:
        daemon = house.start()
        house.until_open("long")

        asked_s = time.monotonic()
        done = house.run("shut")

        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.startswith("every valve is shut now.")
        assert asked_s < house.lines()["long"].last_edge_s < asked_s + 5.0
        ended = daemon.wait_for("burst ended", subject="long")
        assert ended["reason"] == "mistd shut"
        house.until_misted_again(1)
        assert not daemon.is_over


def test_mistd_shut_after_the_daemons_death_asks_the_keeper_that_is_left() -> None:
    with House(LONG) as house:
        daemon = house.start()
        house.until_open("left", "right")
        daemon.send(signal.SIGKILL)
        keeper = house.keeper_pid()

        done = house.run("shut")

        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.startswith("every valve is shut now.")
        assert house.open_lines() == set()
        assert house.keeper_pid() == keeper


def test_mistd_shut_with_nothing_running_claims_every_line_shut() -> None:
    with House(LONG) as house:
        daemon = house.start()
        house.until_open("left", "right")
        keeper = house.keeper_pid()
        assert keeper is not None
        for pid in (keeper, daemon.pid):
            os.kill(pid, signal.SIGKILL)
        assert house.open_lines() == {"left", "right"}

        asked_s = time.monotonic()
        done = house.run("shut")

        assert (done.returncode, done.stderr) == (0, "")
        assert "no keeper was running" in done.stdout
        assert house.open_lines() == set()
        assert time.monotonic() - asked_s < 5.0, "promise 6"
        assert house.keeper_pid() is None


def test_mistd_shut_of_a_house_that_never_ran_claims_its_lines_and_leaves_nothing_running() -> None:
    with House(LONG) as house:
        done = house.run("shut")

        assert (done.returncode, done.stderr) == (0, "")
        assert set(SimulatedOutputsView(house.outputs_path).lines()) == {"left", "right"}
        assert house.keeper_pid() is None


def test_mistd_shut_that_cannot_claim_the_lines_says_so_and_what_to_do() -> None:
    with House(LONG) as house:
        house.outputs_path.mkdir()

        done = house.run("shut")

        assert done.returncode == 1
        assert done.stderr.startswith("the lines could not be claimed: the lines in ")
        assert done.stderr.strip().endswith("close the hand valves")


def test_a_daemon_whose_lock_cannot_be_taken_says_why() -> None:
    with House(SHORT) as house:
        (house.run_directory / "daemon.lock").mkdir(parents=True)

        daemon = house.start()

        assert daemon.ended() == 1
        lock = house.run_directory / "daemon.lock"
        assert daemon.errors() == f"{house.name}: the lock {lock} cannot be taken: Is a directory\n"


@pytest.mark.broker
def test_a_second_daemon_ends_with_a_clear_reason_and_disturbs_nothing() -> None:
    with Mosquitto() as broker, House(SHORT, broker_port=broker.port) as house, Watch(house) as watch:
        first = house.start()
        first.wait_for("broker connected")
        house.until_misted_again()
        with Subscriber(broker.port, f"mistd/{house.name}/#") as everything:
            keeper, state = house.keeper_pid(), (house.state_directory / "state.db").stat().st_mtime_ns
            before = len(everything.seen)

            second = house.start()
            code = second.ended()
            house.until_misted_again(4)

            told = [message for message in everything.seen[before:] if not message.is_retained]

        assert code == 1
        assert second.errors().strip() == f"{house.name}: another daemon controls this house: stop it first"
        assert not first.is_over
        assert house.keeper_pid() == keeper
        assert first.logged("keeper lost") == []
        assert first.logged("broker lost") == []
        assert not [message for message in told if message.topic.endswith("/status")], told
        assert not [message for message in told if '"daemon_' in message.payload], told
        assert (house.state_directory / "state.db").stat().st_mtime_ns == state
    for rests_s in watch.rests_s().values():
        assert max(rests_s) < 1.5 + 1.0, rests_s


def test_the_lock_of_a_killed_daemon_does_not_keep_the_next_one_out() -> None:
    with House(SHORT) as house:
        first = house.start()
        first.wait_for("keeper ready")
        first.send(signal.SIGKILL)
        first.ended()

        second = house.start()
        second.wait_for("keeper ready")

        until(lambda: house.openings() > 0, "misting", but=house.account)
