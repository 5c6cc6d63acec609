"""What the keeper does with a siren's line: it is switched as told, and no valve ever notices."""

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from mistd.keeper.signals import SignalLines
from mistd.ports.errors import LinesError
from tests.keeper.bench import LATE_S, WITHIN_S, BenchKeeper, FaultyLines, RawCaller, kept, owned, until

SIREN = "siren"


@contextmanager
def with_siren(**settings: Any) -> Iterator[tuple[BenchKeeper, RawCaller]]:
    with owned(signals=(SIREN,), **settings) as (bench, daemon):
        yield bench, daemon


def sounding(bench: BenchKeeper) -> bool:
    return bench.signals.states[SIREN]


def switched(bench: BenchKeeper) -> list[bool]:
    """Every edge of the siren so far."""
    return [is_on for _, line, is_on in bench.signals.edges if line == SIREN]


def test_a_siren_sounds_from_when_it_is_told_until_it_is_told_otherwise() -> None:
    with with_siren() as (bench, daemon):
        daemon.signal(SIREN, True)
        assert daemon.has_been_heard() == []
        assert sounding(bench)

        daemon.signal(SIREN, True)
        daemon.signal(SIREN, False)
        assert daemon.has_been_heard() == []

        assert not sounding(bench)
        assert switched(bench) == [True, False]
        assert bench.signals.claims == 1


def test_a_siren_has_no_longest_time_no_rest_and_needs_no_renewal_of_its_own() -> None:
    with with_siren(longest_open_s=0.05, shortest_rest_s=30.0) as (bench, daemon):
        for _ in range(5):
            daemon.signal(SIREN, True)
            daemon.signal(SIREN, False)
        daemon.signal(SIREN, True)
        assert daemon.has_been_heard() == []
        assert switched(bench) == [True, False] * 5 + [True]

        time.sleep(0.2)  # four times the longest burst

        assert daemon.has_been_heard() == []
        assert sounding(bench)


def test_a_sounding_siren_is_no_valve_among_those_open_at_once() -> None:
    with with_siren(open_at_once=2) as (_, daemon):
        daemon.signal(SIREN, True)
        for ticket, line in enumerate(("left", "right", "back")):
            daemon.open(line, 30.0, ticket=ticket)

        said = daemon.has_been_heard()

        assert [(each["told"], each["line"]) for each in said] == [
            ("opened", "left"),
            ("opened", "right"),
            ("refused", "back"),
        ]
        assert said[2]["reason"] == "2 valves are open, at once at most 2"


def test_valves_that_are_open_leave_a_place_for_the_siren() -> None:
    with with_siren(open_at_once=1) as (bench, daemon):
        daemon.open("left", 30.0)
        daemon.signal(SIREN, True)

        assert [each["told"] for each in daemon.has_been_heard()] == ["opened"]
        assert sounding(bench)


@pytest.mark.parametrize("is_on", [False, True], ids=["silent", "sounding"])
def test_bursts_have_the_same_edges_whether_the_siren_sounds_or_not(is_on: bool) -> None:
    with with_siren() as (bench, daemon):
        daemon.signal(SIREN, is_on)
        daemon.open("left", 0.12, ticket=1)
        daemon.open("right", 0.05, ticket=2)
        told = [daemon.hear_told("shut") for _ in range(2)]

        assert [(line, state) for _, line, state in bench.lines.edges] == [
            ("left", True),
            ("right", True),
            ("right", False),
            ("left", False),
        ]
        assert [each["reason"] for each in told] == ["its time was over"] * 2
        assert 0.05 <= told[0]["open_s"] < 0.05 + LATE_S
        assert 0.12 <= told[1]["open_s"] < 0.12 + LATE_S
        assert sounding(bench) is is_on


def order(is_on: bool) -> bytes:
    return json.dumps({"ask": "signal", "line": SIREN, "is_on": is_on}).encode() + b"\n"


def test_bursts_end_on_time_while_the_siren_is_switched_without_pause() -> None:
    with with_siren() as (bench, daemon):
        daemon.open("left", 0.1)
        ends_s = time.monotonic() + WITHIN_S
        while len(bench.lines.edges) < 2 and time.monotonic() < ends_s:
            daemon.write((order(True) + order(False)) * 50)

        assert daemon.hear_told("shut")["open_s"] < 0.1 + LATE_S
        assert len(switched(bench)) > 100


@pytest.mark.parametrize("why", ["its socket closed", "it was not heard"])
def test_a_siren_stays_as_it_was_when_the_daemon_is_lost_and_the_next_one_says(why: str) -> None:
    with with_siren(heartbeat_s=0.3) as (bench, daemon):
        daemon.signal(SIREN, True)
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        if why == "its socket closed":
            daemon.close()
        until(lambda: not bench.lines.open_lines(), "valves shut")
        until(lambda: bench.keeper._owner is None, "the daemon let go")
        with RawCaller(bench.spec.socket_path) as successor:
            assert successor.take()["told"] == "taken"
            assert switched(bench) == [True]

            successor.signal(SIREN, False)
            assert successor.has_been_heard() == []

        assert switched(bench) == [True, False]


def test_shutting_every_valve_leaves_the_siren_alone() -> None:
    with with_siren() as (bench, daemon), RawCaller(bench.spec.socket_path) as person:
        daemon.signal(SIREN, True)
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        person.ask("shut_all", reason="mistd shut")

        assert person.hear() == {"told": "all_shut", "open": []}
        assert bench.lines.open_lines() == set()
        assert sounding(bench)


@pytest.mark.parametrize("how", ["retired", "stopped"])
def test_a_keeper_that_ends_shuts_the_valves_and_then_switches_the_siren_off(how: str) -> None:
    with with_siren() as (bench, daemon):
        daemon.signal(SIREN, True)
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        if how == "retired":
            daemon.ask("retire", reason="stopped by hand")
            assert daemon.hear_told("all_shut")["open"] == []
        else:
            bench.stop()
        until(lambda: not bench.is_keeping, "ended")

        assert switched(bench) == [True, False]
        assert bench.lines.edge_s("left", is_open=False) <= bench.signals.edge_s(SIREN, is_open=False)


def test_a_stranger_may_not_switch_the_siren() -> None:
    with with_siren() as (bench, daemon), RawCaller(bench.spec.socket_path) as stranger:
        daemon.signal(SIREN, True)
        daemon.has_been_heard()

        stranger.signal(SIREN, False)
        said = stranger.hear()

        assert said is not None
        assert (said["told"], said["why"]) == ("no", "not_in_charge")
        assert sounding(bench)


def test_a_siren_cannot_be_opened_like_a_valve_nor_shut_like_one() -> None:
    with with_siren() as (bench, daemon):
        daemon.open(SIREN, 1.0, ticket=7)
        assert [(each["told"], each["ticket"]) for each in daemon.has_been_heard()] == [("refused", 7)]
        assert bench.signals.driven == []

        daemon.signal(SIREN, True)
        daemon.ask("shut", line=SIREN, reason="x")

        assert daemon.has_been_heard() == []
        assert sounding(bench)


@pytest.mark.parametrize("line", ["left", "horn", ""])
def test_what_is_no_signal_line_is_not_switched_and_disturbs_nobody(line: str) -> None:
    with with_siren() as (bench, daemon):
        daemon.open("right", 30.0)
        daemon.hear_told("opened")
        driven = len(bench.lines.driven)

        daemon.signal(line, True)

        assert daemon.has_been_heard() == [
            {"told": "trouble", "line": line, "reason": f"no signal line is called {line!r}"}
        ]
        assert (len(bench.lines.driven), bench.signals.driven) == (driven, [])
        assert bench.lines.open_lines() == {"right"}


@pytest.mark.parametrize(
    "asked",
    [
        {"is_on": True},
        {"line": SIREN},
        {"line": SIREN, "is_on": None},
        {"line": SIREN, "is_on": 1},
        {"line": SIREN, "is_on": "on"},
        {"line": [SIREN], "is_on": True},
        {"line": None, "is_on": True},
    ],
    ids=str,
)
def test_a_daemon_that_is_not_understood_is_dismissed_without_a_sound(asked: dict[str, Any]) -> None:
    with with_siren() as (bench, daemon):
        daemon.ask("signal", **asked)

        assert daemon.hear_told("no")["why"] == "dismissed"
        assert bench.signals.driven == []


def test_a_siren_that_fails_is_told_once_and_the_valves_go_on() -> None:
    with with_siren() as (bench, daemon):
        bench.signals.will_not_open.add(SIREN)
        daemon.open("left", 0.1, ticket=1)
        daemon.signal(SIREN, True)
        daemon.signal(SIREN, True)
        daemon.open("right", 0.05, ticket=2)

        said = [daemon.hear() for _ in range(5)]

        told = [(each["told"], each["line"], each.get("reason", "")) for each in said if each]
        assert told == [
            ("opened", "left", ""),
            ("trouble", SIREN, "it does not switch on: siren does not answer"),
            ("opened", "right", ""),
            ("shut", "right", "its time was over"),
            ("shut", "left", "its time was over"),
        ]
        assert len(bench.signals.driven) == 2, "it is tried when asked, and no more"


def test_a_siren_that_was_mended_is_told_of_when_it_fails_again() -> None:
    with with_siren() as (bench, daemon):
        bench.signals.reads_wrong.add(SIREN)
        daemon.signal(SIREN, True)
        assert [each["reason"] for each in daemon.has_been_heard()] == [
            "it does not switch on: line siren was switched on and reads otherwise"
        ]
        bench.signals.reads_wrong.clear()
        daemon.signal(SIREN, True)
        assert daemon.has_been_heard() == []

        bench.signals.will_not_shut.add(SIREN)
        daemon.signal(SIREN, False)

        assert [each["reason"] for each in daemon.has_been_heard()] == [
            "it does not switch off: siren does not answer"
        ]


def test_whoever_takes_charge_is_told_of_a_siren_in_trouble_and_of_no_other() -> None:
    with with_siren() as (bench, daemon):
        bench.signals.will_not_open.add(SIREN)
        daemon.signal(SIREN, True)
        daemon.hear_told("trouble")
        daemon.close()
        until(lambda: bench.keeper._owner is None, "the daemon let go")

        with RawCaller(bench.spec.socket_path) as successor:
            assert successor.take()["unproved"] == []
            assert [(each["told"], each["line"]) for each in successor.has_been_heard()] == [
                ("trouble", SIREN)
            ]
            bench.signals.will_not_open.clear()
            successor.signal(SIREN, True)
            assert successor.has_been_heard() == []
        until(lambda: bench.keeper._owner is None, "the successor let go")
        with RawCaller(bench.spec.socket_path) as another:
            another.take()
            assert another.has_been_heard() == []


def test_a_siren_that_does_not_switch_off_at_the_end_is_told_and_holds_nothing_up() -> None:
    with with_siren() as (bench, daemon):
        daemon.signal(SIREN, True)
        bench.signals.will_not_shut.add(SIREN)
        daemon.open("left", 30.0)
        daemon.hear_told("opened")

        daemon.ask("retire", reason="stopped by hand")

        assert daemon.hear_told("all_shut")["open"] == []
        assert daemon.hear_told("trouble")["reason"] == "it does not switch off: siren does not answer"
        until(lambda: not bench.is_keeping, "ended")
        assert bench.lines.open_lines() == set()


def test_a_siren_held_by_another_program_is_claimed_when_it_can_be() -> None:
    with kept(signals=(SIREN,)) as bench:
        bench.signals.is_held_elsewhere = True
        with RawCaller(bench.spec.socket_path) as daemon:
            daemon.take()
            daemon.signal(SIREN, True)
            assert [each["reason"] for each in daemon.has_been_heard()] == [
                "it does not switch on: held by another program"
            ]
            daemon.open("left", 0.02)
            assert daemon.hear_told("shut")["line"] == "left"

            bench.signals.is_held_elsewhere = False
            daemon.signal(SIREN, True)

            assert daemon.has_been_heard() == []
            assert sounding(bench)


def test_a_keeper_without_a_siren_drives_none() -> None:
    with owned() as (bench, daemon):
        daemon.signal(SIREN, True)
        daemon.hear_told("trouble")
        bench.stop()

        assert (bench.signals.claims, bench.signals.driven) == (0, [])


def test_valves_due_are_shut_before_a_siren_is_switched() -> None:
    """Both are due when the keeper has its turn: it was held up, and its orders came in one piece."""
    open_right = json.dumps({"ask": "open", "line": "right", "ticket": 2, "for_s": 30.0}).encode() + b"\n"
    with with_siren() as (bench, daemon):
        daemon.open("left", 0.1, ticket=1)
        daemon.hear_told("opened")
        with bench.lines.busy:
            daemon.write(open_right + order(True))
            opened_s = bench.lines.edge_s("left", is_open=True)
            until(lambda: time.monotonic() > opened_s + 0.15, "its time was over")
        until(lambda: sounding(bench), "sounding")

        assert bench.lines.edge_s("left", is_open=False) <= bench.signals.edge_s(SIREN, is_open=True)


def test_signals_are_released_off_however_that_goes() -> None:
    class Unreleasable(FaultyLines):
        def release(self) -> None:
            super().release()
            raise LinesError("it does not let go")

    lines = Unreleasable({SIREN: False})
    signals = SignalLines((SIREN,), lines)
    signals.switch(SIREN, is_on=True)

    signals.release()

    assert not lines.states[SIREN]


def test_signals_that_are_driven_with_the_valves_are_neither_claimed_nor_released_apart() -> None:
    lines = FaultyLines({"left": False, SIREN: False})
    signals = SignalLines((SIREN,), lines, are_valves_too=True)
    lines.drive("left", is_open=True)

    signals.switch(SIREN, is_on=True)
    signals.release()

    assert lines.claims == 0
    assert lines.open_lines() == {"left", SIREN}
