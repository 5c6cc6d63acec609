"""What the keeper does with its lines: ends every burst, shuts all when alone, and copes with bad ones."""

import time
from itertools import pairwise
from typing import Any

import pytest

from mistd.keeper.process import RETRY_SHUT_S
from tests.keeper.bench import LATE_S, RawCaller, kept, owned, until


def hear_all(daemon: RawCaller, lines: int) -> list[tuple[str, str]]:
    """The next things told, as (what, of which line)."""
    said = [daemon.hear() for _ in range(lines)]
    return [(each["told"], each.get("line", "")) for each in said if each is not None]


def test_a_line_opens_for_as_long_as_ordered_and_both_edges_are_told() -> None:
    with owned() as (bench, daemon):
        daemon.open("left", 0.08, ticket=4)

        opened, shut = daemon.hear_told("opened"), daemon.hear_told("shut")

        assert (opened["line"], opened["ticket"]) == ("left", 4)
        assert (shut["line"], shut["ticket"], shut["reason"]) == ("left", 4, "its time was over")
        assert shut["open_s"] == pytest.approx(shut["at_s"] - opened["at_s"])
        real_s = bench.lines.edge_s("left", is_open=False) - bench.lines.edge_s("left", is_open=True)
        assert 0.08 - 0.001 <= real_s < 0.08 + LATE_S


def test_lines_that_overlap_end_each_at_its_own_time() -> None:
    with owned() as (_, daemon):
        daemon.open("left", 0.15, ticket=1)
        daemon.open("right", 0.05, ticket=2)

        first, second = daemon.hear_told("shut"), daemon.hear_told("shut")

        assert (first["line"], second["line"]) == ("right", "left")
        assert 0.05 <= first["open_s"] < 0.05 + LATE_S
        assert 0.15 <= second["open_s"] < 0.15 + LATE_S


def test_an_order_ends_a_burst_before_its_time_and_on_a_shut_line_it_does_nothing() -> None:
    with owned() as (bench, daemon):
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        daemon.ask("shut", line="left", reason="held dry by Mara")
        daemon.ask("shut", line="left", reason="once more")
        daemon.ask("shut", line="nowhere", reason="no such line")
        daemon.ask("renew")

        assert hear_all(daemon, 2) == [("shut", "left"), ("alive", "")]
        assert bench.lines.open_lines() == set()


@pytest.mark.parametrize(
    ("settings", "second", "says"),
    [
        ({"open_at_once": 1}, ("right", 1.0), "1 valves are open, at once at most 1"),
        ({}, ("left", 1.0), "it is open already"),
        ({"longest_open_s": 5.0}, ("right", 6.0), "6 s is too long, longest 5 s"),
    ],
)
def test_an_order_past_a_limit_is_refused_and_drives_nothing(
    settings: dict[str, Any], second: tuple[str, float], says: str
) -> None:
    with owned(**settings) as (bench, daemon):
        daemon.open("left", 5.0, ticket=1)
        daemon.hear_told("opened")
        driven = len(bench.lines.driven)

        daemon.open(*second, ticket=2)

        refused = daemon.hear_told("refused")
        assert (refused["ticket"], refused["reason"]) == (2, says)
        assert len(bench.lines.driven) == driven


def test_every_line_rests_after_the_keepers_start_and_after_a_burst() -> None:
    rest_s = 0.2
    with owned(shortest_rest_s=rest_s) as (bench, daemon):
        ends_s = time.monotonic() + 5.0
        while len(bench.lines.edges) < 4 and time.monotonic() < ends_s:
            daemon.open("left", 0.02)
            said = daemon.hear()
            assert said is not None
            if said["told"] == "opened":
                daemon.hear_told("shut")
            else:
                assert said["reason"].endswith("s only, shortest rest 0.2 s")

        began_s = bench.keeper._ledger.since_s
        (first_s, *_), (shut_s, *_), (second_s, *_), _ = bench.lines.edges
        assert first_s - began_s >= rest_s - 1e-4
        assert second_s - shut_s >= rest_s - 1e-4


def test_daemons_that_come_and_go_cannot_open_a_line_before_it_has_rested() -> None:
    """Each one orders a burst as soon as it is there, and dies of it: the ledger outlives them all."""
    rest_s, orders = 0.2, 0
    with kept(shortest_rest_s=rest_s) as bench:
        ends_s = time.monotonic() + 5.0
        while len(bench.lines.edges) < 6 and time.monotonic() < ends_s:
            with RawCaller(bench.spec.socket_path) as daemon:
                if daemon.take()["told"] == "taken":
                    daemon.open("left", 30.0)
                    assert daemon.hear() is not None
                    orders += 1

        edges_s = [at_s for at_s, _, _ in bench.lines.edges]
        rests_s = [opened_s - shut_s for shut_s, opened_s in zip(edges_s[1::2], edges_s[2::2], strict=False)]
        assert orders > 10
        assert len(rests_s) >= 2
        assert min(rests_s) >= rest_s - 1e-4


def test_a_daemon_not_heard_for_a_heartbeat_is_dismissed_and_all_is_shut() -> None:
    heartbeat_s = 0.3
    with owned(heartbeat_s=heartbeat_s) as (bench, daemon):
        daemon.open("left", 30.0)
        daemon.open("right", 30.0)
        daemon.ask("renew")
        daemon.hear_told("alive")
        heard_s = bench.keeper._ledger.heard_s

        told = [daemon.hear_told("shut") for _ in range(2)]

        assert {each["reason"] for each in told} == {"the daemon was not heard for 0.3 s"}
        for line in ("left", "right"):
            silent_s = bench.lines.edge_s(line, is_open=False) - heard_s
            assert heartbeat_s <= silent_s < heartbeat_s + LATE_S
        said = daemon.hear()
        assert said is not None
        assert (said["told"], said["why"]) == ("no", "dismissed")
        assert daemon.hear() is None
        with RawCaller(bench.spec.socket_path) as successor:
            assert successor.take()["told"] == "taken"


def test_a_daemon_that_renews_keeps_its_lines_and_its_place() -> None:
    with owned(heartbeat_s=0.3) as (bench, daemon):
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        ends_s = time.monotonic() + 0.7
        while time.monotonic() < ends_s:
            daemon.ask("renew")
            assert daemon.hear() == {"told": "alive"}
            time.sleep(0.02)

        assert bench.lines.open_lines() == {"left"}


def test_orders_alone_are_no_heartbeat() -> None:
    """The lease is renewed by a whole control pass: a loop that only repeats an order is not a live one."""
    with owned(heartbeat_s=0.3) as (bench, daemon):
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        ends_s = time.monotonic() + 5.0
        while "left" in bench.lines.open_lines() and time.monotonic() < ends_s:
            daemon.open("left", 30.0)
            time.sleep(0.01)

        assert bench.lines.edge_s("left", is_open=False) - bench.keeper._ledger.heard_s < 0.3 + LATE_S


def test_when_the_daemons_socket_closes_all_is_shut_and_a_successor_gets_the_accounts() -> None:
    with owned(shortest_rest_s=0.0) as (bench, daemon):
        for line in ("left", "right"):
            daemon.open(line, 30.0)
            daemon.hear_told("opened")

        closed_s = time.monotonic()
        daemon.close()
        until(lambda: not bench.lines.open_lines(), "all shut")

        assert all(bench.lines.edge_s(line, is_open=False) - closed_s < LATE_S for line in ("left", "right"))
        assert bench.is_keeping
        with RawCaller(bench.spec.socket_path) as successor:
            said = successor.take()
            assert said["told"] == "taken"
            assert said["since_s"] < closed_s
            assert {line for line, _, _ in said["accounts"]} == {"left", "right"}
            assert all(shut_s >= closed_s for _, _, shut_s in said["accounts"])
            successor.open("left", 0.05)
            assert successor.hear_told("opened")["line"] == "left"


def test_a_line_that_does_not_open_is_refused_and_counts_as_no_burst() -> None:
    """Told as a burst that ended, it would count as given, and the leaves would wait a whole gap."""
    with owned() as (bench, daemon):
        bench.lines.will_not_open.add("left")

        daemon.open("left", 1.0, ticket=9)
        daemon.ask("renew")

        refused = daemon.hear()
        assert refused is not None
        assert (refused["told"], refused["ticket"]) == ("refused", 9)
        assert refused["reason"] == "left does not answer"
        daemon.hear_told("alive")
        assert hear_all_of_another_burst(daemon) == [("opened", "right"), ("shut", "right")]
        assert [account.line for account in bench.keeper._ledger.accounts()] == ["right"]


def hear_all_of_another_burst(daemon: RawCaller) -> list[tuple[str, str]]:
    daemon.open("right", 0.03, ticket=10)
    return hear_all(daemon, 2)


def test_a_line_that_does_not_open_for_a_daemon_that_is_gone_is_driven_shut_all_the_same() -> None:
    with owned() as (bench, daemon):
        bench.lines.will_not_open.add("left")
        with bench.lines.busy:
            daemon.open("left", 30.0)
            daemon.close()

        until(lambda: ("left", False) in [(line, is_open) for _, line, is_open in bench.lines.driven], "shut")

        with RawCaller(bench.spec.socket_path) as successor:
            assert successor.take()["told"] == "taken"


def test_a_line_that_reads_back_wrong_is_refused_and_driven_shut() -> None:
    with owned() as (bench, daemon):
        bench.lines.reads_wrong.add("left")

        daemon.open("left", 1.0, ticket=9)

        refused = daemon.hear()
        assert refused is not None
        assert refused["told"] == "refused"
        assert refused["reason"] == "line left was driven open and reads otherwise"
        trouble = daemon.hear_told("trouble")
        assert trouble["reason"] == "it does not shut: line left was driven shut and reads otherwise"
        assert bench.lines.open_lines() == set()
        bench.lines.reads_wrong.clear()
        assert daemon.hear_told("shut")["reason"] == "it shut when it was tried again"
        assert hear_all_of_another_burst(daemon) == [("opened", "right"), ("shut", "right")]


def shut_tries_s(driven: list[tuple[float, str, bool]], line: str) -> list[float]:
    return [at_s for at_s, other, is_open in driven if other == line and not is_open]


def test_a_line_that_does_not_shut_is_told_and_tried_again_and_the_others_go_on() -> None:
    with owned() as (bench, daemon):
        bench.lines.will_not_shut.add("left")
        daemon.open("left", 0.05, ticket=1)

        assert daemon.hear_told("trouble")["reason"] == "it does not shut: left does not answer"
        daemon.open("right", 0.6, ticket=2)
        assert daemon.hear_told("opened")["line"] == "right"
        told = daemon.hear_told("shut")

        assert (told["line"], round(told["open_s"], 1)) == ("right", 0.6)
        tries_s = shut_tries_s(bench.lines.driven, "left")
        pauses_s = [later - sooner for sooner, later in pairwise(tries_s)]
        assert len(tries_s) >= 3
        assert all(RETRY_SHUT_S <= pause_s < RETRY_SHUT_S + LATE_S for pause_s in pauses_s), pauses_s
        bench.lines.will_not_shut.clear()
        assert daemon.hear_told("shut")["line"] == "left"
        assert bench.lines.open_lines() == set()


def test_a_successor_is_told_which_lines_did_not_shut() -> None:
    with owned() as (bench, daemon):
        bench.lines.will_not_shut.add("left")
        daemon.open("left", 30.0)
        daemon.hear_told("opened")
        daemon.close()
        until(lambda: bool(shut_tries_s(bench.lines.driven, "left")), "tried")

        with RawCaller(bench.spec.socket_path) as successor:
            said = successor.take()
            bench.lines.will_not_shut.clear()

            assert said["unproved"] == ["left"]
            assert successor.hear_told("shut")["line"] == "left"
        with RawCaller(bench.spec.socket_path) as another:
            assert another.take()["unproved"] == []


def test_a_line_that_does_not_shut_keeps_its_place_among_those_open_at_once() -> None:
    with owned(open_at_once=1) as (bench, daemon):
        bench.lines.will_not_shut.add("left")
        daemon.open("left", 0.05, ticket=1)
        daemon.hear_told("trouble")

        daemon.open("right", 1.0, ticket=2)

        assert daemon.hear_told("refused")["reason"] == "1 valves are open, at once at most 1"


@pytest.mark.parametrize("why", ["an order", "the daemon's end"])
def test_a_line_that_does_not_shut_before_its_time_is_tried_again_at_once_all_the_same(why: str) -> None:
    """Its own end is half a minute away: whoever holds the zone, or died, must not wait for that."""
    with owned() as (bench, daemon):
        bench.lines.will_not_shut.add("left")
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        if why == "an order":
            daemon.ask("shut", line="left", reason="held dry by Mara")
        else:
            daemon.close()
        until(lambda: len(shut_tries_s(bench.lines.driven, "left")) >= 3, "three tries", within_s=3.0)
        bench.lines.will_not_shut.clear()

        until(lambda: not bench.lines.open_lines(), "shut", within_s=1.0)


def test_a_keeper_that_cannot_shut_a_line_says_which_when_it_retires() -> None:
    with owned() as (bench, daemon):
        bench.lines.will_not_shut.add("left")
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        daemon.ask("retire", reason="stopped by hand")

        assert daemon.hear_told("all_shut")["open"] == ["left"]
        until(lambda: not bench.is_keeping, "ended")


def test_a_keeper_that_is_stopped_shuts_everything() -> None:
    with owned() as (bench, daemon):
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        bench.stop()

        assert bench.lines.open_lines() == set()
        assert daemon.hear_told("shut")["reason"] == "the keeper is ending"


def test_a_keeper_whom_nobody_speaks_to_does_not_spin() -> None:
    """It may have to wait for a daemon for days."""
    with kept():
        used_s = time.process_time()
        time.sleep(0.3)

        assert time.process_time() - used_s < 0.05
