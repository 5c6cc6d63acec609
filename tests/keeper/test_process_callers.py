"""Who may do what at the keeper's socket, and that nothing anyone writes there disturbs the lines."""

import json
import os
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any

import pytest

from mistd.keeper.process import MOST_CALLERS
from mistd.keeper.wire import LONGEST_LINE
from tests.keeper.bench import FINGERPRINT, LATE_S, RawCaller, kept, open_descriptors, owned, until

NOUGHTS = b"0" * 400
HOSTILE = {
    "not JSON": b"mist now please\n",
    "binary": bytes(range(256)) * 8 + b"\n",
    "an array": b'["open"]\n',
    "a number": b"7\n",
    "empty": b"\n",
    "deep": b"[" * 12_000 + b"\n",
    "a line without an end": b"x" * (LONGEST_LINE + 1),
    "a line too long": b'{"ask": "renew", "x": "' + b"x" * LONGEST_LINE + b'"}\n',
    "no ask": b"{}\n",
    "an unknown word": b'{"ask": "water"}\n',
    "an ask that is a list": b'{"ask": ["open"]}\n',
    "an ask that is null": b'{"ask": null}\n',
    "a line that is missing": b'{"ask": "open", "ticket": 1, "for_s": 1}\n',
    "a line that is a list": b'{"ask": "open", "line": [], "ticket": 1, "for_s": 1}\n',
    "a line that is an object": b'{"ask": "open", "line": {}, "ticket": 1, "for_s": 1}\n',
    "a ticket that is text": b'{"ask": "open", "line": "left", "ticket": "one", "for_s": 1}\n',
    "a ticket that is infinite": b'{"ask": "open", "line": "left", "ticket": Infinity, "for_s": 1}\n',
    "a ticket that is no number": b'{"ask": "open", "line": "left", "ticket": NaN, "for_s": 1}\n',
    "a length that is text": b'{"ask": "open", "line": "left", "ticket": 1, "for_s": "long"}\n',
    "a length that is null": b'{"ask": "open", "line": "left", "ticket": 1, "for_s": null}\n',
    "a length beyond floats": b'{"ask": "open", "line": "left", "ticket": 1, "for_s": 1' + NOUGHTS + b"}\n",
    "a shut without a line": b'{"ask": "shut", "reason": "x"}\n',
    "a take without a fingerprint": b'{"ask": "take"}\n',
    "a shut_all without a reason": b'{"ask": "shut_all"}\n',
    "a retire without a reason": b'{"ask": "retire"}\n',
}
IMPOSSIBLE: list[tuple[Any, Any]] = [
    ("front", 1.0),
    ("left", 0),
    ("left", -1.0),
    ("left", 31.0),
    ("left", float("inf")),
    ("left", float("nan")),
    (None, 1.0),
    (7, 1.0),
]


@pytest.mark.parametrize("sent", HOSTILE.values(), ids=HOSTILE)
def test_what_a_stranger_writes_leaves_the_open_line_alone(sent: bytes) -> None:
    with owned() as (bench, daemon), RawCaller(bench.spec.socket_path) as stranger:
        daemon.open("back", 30.0)
        daemon.hear_told("opened")

        stranger.write(sent)
        said = stranger.hear()
        daemon.ask("renew")

        assert daemon.hear() == {"told": "alive"}
        assert said is not None
        assert said["told"] == "no"
        assert bench.lines.open_lines() == {"back"}


@pytest.mark.parametrize("sent", HOSTILE.values(), ids=HOSTILE)
def test_a_daemon_that_is_not_understood_is_dismissed_and_all_is_shut(sent: bytes) -> None:
    """Garbage from the one in charge is a fault of its own: the next daemon begins afresh."""
    with owned() as (bench, daemon):
        daemon.open("back", 30.0)
        daemon.hear_told("opened")

        daemon.write(sent)

        said = daemon.hear_told("no")
        assert said["why"] == "dismissed"
        until(lambda: not bench.lines.open_lines(), "all shut")
        with RawCaller(bench.spec.socket_path) as successor:
            assert successor.take()["told"] == "taken"


@pytest.mark.parametrize(("line", "for_s"), IMPOSSIBLE, ids=map(repr, IMPOSSIBLE))
def test_an_impossible_opening_is_refused_and_the_daemon_stays_in_charge(line: Any, for_s: Any) -> None:
    with owned() as (bench, daemon):
        daemon.open(line, for_s, ticket=3)

        said = daemon.hear()

        assert said is not None
        assert (said["told"], said["line"], said["ticket"]) == ("refused", line, 3)
        assert said["reason"]
        assert bench.lines.driven == []
        daemon.ask("renew")
        assert daemon.hear() == {"told": "alive"}


def test_half_a_line_holds_nobody_up() -> None:
    with owned() as (bench, daemon), RawCaller(bench.spec.socket_path) as stranger:
        stranger.write(b'{"ask": "shut_')

        daemon.open("left", 0.05)

        assert daemon.hear_told("shut")["open_s"] < 0.05 + LATE_S
        stranger.write(b'all", "reason": "the rest of it"}\n')
        assert stranger.hear() == {"told": "all_shut", "open": []}


def test_a_line_in_two_halves_from_the_daemon_is_obeyed_once_whole() -> None:
    with owned() as (bench, daemon):
        order = json.dumps({"ask": "open", "line": "left", "ticket": 1, "for_s": 30}).encode() + b"\n"
        daemon.write(order[:20])
        daemon.write(order[20:])

        assert daemon.hear_told("opened")["line"] == "left"
        assert bench.lines.open_lines() == {"left"}


def test_bursts_end_on_time_while_a_stranger_writes_without_pause() -> None:
    lengths_s = []
    with owned() as (bench, daemon), flooded(bench.spec.socket_path):
        for _ in range(8):
            daemon.open("left", 0.05)
            lengths_s.append(daemon.hear_told("shut")["open_s"])

        assert {line for _, line, _ in bench.lines.edges} == {"left"}
    assert max(lengths_s) < 0.05 + LATE_S, lengths_s


@contextmanager
def flooded(socket_path: str) -> Iterator[None]:
    """A stranger who writes orders as fast as the keeper reads, never reads, and comes again when let go."""
    orders = b'{"ask": "open", "line": "right", "ticket": 1, "for_s": 9}\n' * 500
    is_over = threading.Event()

    def flood() -> None:
        while not is_over.is_set():
            with RawCaller(socket_path) as stranger, suppress(OSError):
                while not is_over.is_set():
                    stranger.write(orders)

    thread = threading.Thread(target=flood)
    thread.start()
    try:
        yield
    finally:
        is_over.set()
        thread.join()


def test_one_who_does_not_read_is_let_go_and_nothing_waits_for_it() -> None:
    with owned() as (bench, daemon), RawCaller(bench.spec.socket_path) as deaf:
        with pytest.raises((BrokenPipeError, ConnectionResetError)):
            deaf.ask_until_let_go()

        daemon.ask("renew")
        assert daemon.hear() == {"told": "alive"}


def test_a_daemon_that_does_not_read_is_let_go_and_all_is_shut() -> None:
    with owned() as (bench, daemon):
        daemon.open("left", 30.0)
        until(lambda: bench.lines.open_lines() == {"left"}, "open")

        with pytest.raises((BrokenPipeError, ConnectionResetError)):
            daemon.ask_until_let_go()

        until(lambda: not bench.lines.open_lines(), "all shut")
        with RawCaller(bench.spec.socket_path) as successor:
            assert successor.take()["told"] == "taken"


def test_one_who_takes_charge_after_having_been_let_go_is_not_in_charge() -> None:
    """Its lines arrive together, and it is gone when the first is answered: nobody is in charge then."""
    with kept() as bench:
        with RawCaller(bench.spec.socket_path) as gone:
            shut_all = json.dumps({"ask": "shut_all", "reason": "x"}).encode() + b"\n"
            take = json.dumps({"ask": "take", "fingerprint": FINGERPRINT}).encode() + b"\n"
            gone.write(shut_all + take)

        with RawCaller(bench.spec.socket_path) as daemon:
            assert daemon.take()["told"] == "taken"


def test_a_keeper_with_too_many_callers_turns_the_next_away_and_stays_with_the_daemon() -> None:
    with owned() as (bench, daemon), ExitStack() as stack:
        for _ in range(MOST_CALLERS - 1):
            stack.enter_context(RawCaller(bench.spec.socket_path))

        with RawCaller(bench.spec.socket_path) as one_more:
            said = one_more.hear()

            assert said is not None
            assert said["reason"] == f"{MOST_CALLERS} are connected already"
            assert one_more.hear() is None
        daemon.open("left", 30.0)
        assert daemon.hear_told("opened")["line"] == "left"


def test_callers_who_leave_make_room_and_leave_nothing_behind() -> None:
    with owned() as (bench, daemon):
        daemon.ask("renew")
        daemon.hear()
        before = open_descriptors()

        for _ in range(5 * MOST_CALLERS):
            with RawCaller(bench.spec.socket_path) as caller:
                caller.ask("shut_all", reason="x")
                assert caller.hear() == {"told": "all_shut", "open": []}

        daemon.ask("renew")
        assert daemon.hear() == {"told": "alive"}
        assert open_descriptors() <= before + 1, "its thread may not have closed the last one yet"


def test_who_takes_charge_is_told_since_when_and_what_each_line_did_last() -> None:
    began_s = time.monotonic()
    with owned() as (bench, daemon):
        daemon.open("left", 0.02, ticket=5)
        opened, shut = daemon.hear_told("opened"), daemon.hear_told("shut")
        daemon.close()

        with RawCaller(bench.spec.socket_path) as successor:
            said = taken(successor)

    assert began_s <= said["since_s"] <= opened["at_s"]
    assert said["accounts"] == [["left", opened["at_s"], shut["at_s"]]]
    assert said["pid"] == os.getpid(), "the keeper on the bench is a thread of ours"


def taken(caller: RawCaller) -> dict[str, Any]:
    """Take charge as soon as the one before is seen to be gone."""
    deadline_s = time.monotonic() + 5.0
    while (said := caller.take())["told"] != "taken":
        assert time.monotonic() < deadline_s, said
    return said


def test_a_second_daemon_is_turned_away_and_the_first_stays_in_charge() -> None:
    with owned() as (bench, daemon), RawCaller(bench.spec.socket_path) as second:
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        said = second.take()

        assert (said["told"], said["why"]) == ("no", "taken")
        assert said["reason"] == "another daemon controls this house: stop it first"
        second.open("right", 1.0)
        assert refused_why(second) == "not_in_charge"
        assert bench.lines.open_lines() == {"left"}


def test_a_daemon_of_another_configuration_is_turned_away() -> None:
    with kept() as bench, RawCaller(bench.spec.socket_path) as other:
        said = other.take(fingerprint="other")

        assert (said["told"], said["why"]) == ("no", "configuration")
        other.open("left", 1.0)
        assert refused_why(other) == "not_in_charge"


@pytest.mark.parametrize(
    "order",
    [
        {"ask": "open", "line": "right", "ticket": 1, "for_s": 1.0},
        {"ask": "shut", "line": "back", "reason": "x"},
        {"ask": "renew"},
        {"ask": "retire", "reason": "x"},
    ],
    ids=lambda order: order["ask"],
)
def test_a_stranger_may_not_do_what_only_the_daemon_may(order: dict[str, Any]) -> None:
    with owned() as (bench, daemon), RawCaller(bench.spec.socket_path) as stranger:
        daemon.open("back", 30.0)
        daemon.hear_told("opened")

        stranger.ask(**order)

        assert refused_why(stranger) == "not_in_charge"
        assert bench.lines.open_lines() == {"back"}
        daemon.ask("renew")
        assert daemon.hear() == {"told": "alive"}


def refused_why(caller: RawCaller) -> str:
    said = caller.hear()
    assert said is not None
    assert said["told"] == "no"
    return str(said["why"])


def test_a_stranger_may_shut_everything_and_the_daemon_is_told() -> None:
    with owned() as (bench, daemon), RawCaller(bench.spec.socket_path) as stranger:
        for ticket, line in enumerate(("left", "right")):
            daemon.open(line, 30.0, ticket=ticket)
            daemon.hear_told("opened")

        stranger.ask("shut_all", reason="a person asked")

        assert stranger.hear() == {"told": "all_shut", "open": []}
        assert bench.lines.open_lines() == set()
        told = [daemon.hear_told("shut") for _ in range(2)]
        assert {(each["line"], each["ticket"]) for each in told} == {("left", 0), ("right", 1)}
        assert {each["reason"] for each in told} == {"a person asked"}


def test_a_stranger_shuts_everything_at_the_moment_the_daemon_leaves() -> None:
    """The keeper is held up meanwhile; then there is nobody to tell, and everything to shut."""
    with kept() as bench, RawCaller(bench.spec.socket_path) as stranger:
        stranger.ask("shut_all", reason="x")
        assert stranger.hear() == {"told": "all_shut", "open": []}
        with RawCaller(bench.spec.socket_path) as daemon:
            daemon.take()
            daemon.open("left", 30.0)
            daemon.hear_told("opened")
            with bench.lines.busy:
                daemon.open("right", 30.0)
                until(lambda: "right" in bench.keeper._ledger.open_lines(), "the keeper held up")
                stranger.ask("shut_all", reason="a person asked")
                daemon.close()

        assert stranger.hear() == {"told": "all_shut", "open": []}
        assert bench.lines.open_lines() == set()
        with RawCaller(bench.spec.socket_path) as successor:
            assert successor.take()["told"] == "taken"


def test_a_strangers_reason_without_end_does_not_cut_the_daemon_off() -> None:
    with owned() as (bench, daemon), RawCaller(bench.spec.socket_path) as stranger:
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        stranger.ask("shut_all", reason="\u20ac" * 2_500)

        assert len(json.dumps(daemon.hear_told("shut"))) < LONGEST_LINE


def test_the_daemon_retires_its_keeper_which_shuts_says_so_and_ends() -> None:
    with owned() as (bench, daemon):
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        daemon.ask("retire", reason="stopped by hand")

        assert daemon.hear_told("shut")["reason"] == "stopped by hand"
        assert daemon.hear() == {"told": "all_shut", "open": []}
        until(lambda: not bench.is_keeping, "ended")
        assert bench.lines.open_lines() == set()


def test_nothing_is_opened_after_a_retirement() -> None:
    with owned() as (bench, daemon):
        retire = b'{"ask": "retire", "reason": "x"}\n'
        daemon.write(retire + b'{"ask": "open", "line": "left", "ticket": 1, "for_s": 30}\n')

        until(lambda: not bench.is_keeping, "ended")

        assert bench.lines.edges == []


def test_a_keeper_without_a_daemon_may_be_retired_by_the_next() -> None:
    with kept() as bench, RawCaller(bench.spec.socket_path) as other:
        other.ask("retire", reason="the configuration was changed")

        assert other.hear() == {"told": "all_shut", "open": []}
        until(lambda: not bench.is_keeping, "ended")
