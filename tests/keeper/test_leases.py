"""The ledger's rules, each on both sides of its limit and exactly on it."""

from math import inf, nan

import pytest

from mistd.core.leases import KeeperRules, Ledger, LineRule, Shutting
from mistd.core.observations import LineAccount

RESTED_S = 160.0  # from a ledger's beginning at 100 s on


def ledger(open_at_once: int = 1) -> Ledger:
    rule = LineRule(longest_open_s=20.0, shortest_rest_s=60.0)
    rules = KeeperRules(lines={"left": rule, "right": rule}, open_at_once=open_at_once, heartbeat_s=10.0)
    return Ledger(rules, 100.0)


@pytest.mark.parametrize(
    ("line", "for_s", "says"),
    [
        ("left", 5.0, None),
        ("left", 20.0, None),
        ("left", 20.0 + 1e-7, None),  # sums of floats
        ("left", 20.001, "20.001 s is too long, longest 20 s"),
        ("left", inf, "inf s is no length"),
        ("left", nan, "nan s is no length"),
        ("left", 0.0, "0 s is no length"),
        ("left", -1.0, "-1 s is no length"),
        ("front", 5.0, "line 'front' is not wired"),
    ],
)
def test_an_opening_is_refused_for_its_line_or_its_length(line: str, for_s: float, says: str | None) -> None:
    no = ledger().why_not(line, for_s, RESTED_S)

    assert (no is None) if says is None else (no is not None and says in no)


@pytest.mark.parametrize(
    ("now_s", "is_refused"), [(100.0, True), (159.9, True), (160.0 - 1e-7, False), (160.0, False)]
)
def test_a_line_rests_first_when_a_ledger_begins(now_s: float, is_refused: bool) -> None:
    no = ledger().why_not("left", 5.0, now_s)

    assert (no is not None) is is_refused
    assert no is None or "shortest rest 60 s" in no


@pytest.mark.parametrize(("rested_s", "is_refused"), [(0.0, True), (59.9, True), (60.0, False)])
def test_a_line_rests_after_a_burst_from_when_it_shut(rested_s: float, is_refused: bool) -> None:
    book = ledger()
    book.open("left", 1, 5.0, RESTED_S)
    book.shut("left", "over", RESTED_S + 5.0)

    no = book.why_not("left", 5.0, RESTED_S + 5.0 + rested_s)

    assert (no is not None) is is_refused


def test_an_open_line_is_not_opened_again() -> None:
    book = ledger(open_at_once=2)
    book.open("left", 1, 5.0, RESTED_S)

    assert book.why_not("left", 5.0, RESTED_S + 1.0) == "it is open already"


@pytest.mark.parametrize(("open_at_once", "is_refused"), [(1, True), (2, False)])
def test_no_more_lines_open_than_at_once(open_at_once: int, is_refused: bool) -> None:
    book = ledger(open_at_once)
    book.open("left", 1, 5.0, RESTED_S)

    no = book.why_not("right", 5.0, RESTED_S)

    assert (no == "1 valves are open, at once at most 1") is is_refused
    assert (no is None) is not is_refused


def test_every_open_line_has_its_end_from_the_start() -> None:
    book = ledger(open_at_once=2)
    book.open("left", 1, 5.0, RESTED_S)
    book.open("right", 2, 3.0, RESTED_S + 1.0)

    assert book.open_lines() == ("left", "right")
    assert book.ends_s() == {"left": RESTED_S + 5.0, "right": RESTED_S + 4.0}


def test_shutting_gives_an_account_and_a_shut_line_has_none_to_give() -> None:
    book = ledger()
    book.open("left", 7, 5.0, RESTED_S)

    shutting = book.shut("left", "held", RESTED_S + 3.0)
    again = book.shut("left", "held", RESTED_S + 4.0)

    assert shutting == Shutting(line="left", ticket=7, open_s=3.0, reason="held")
    assert again is None
    assert book.open_lines() == ()
    assert book.accounts() == (LineAccount(line="left", opened_s=RESTED_S, shut_s=RESTED_S + 3.0),)


@pytest.mark.parametrize(("silent_s", "is_deaf"), [(0.0, False), (10.0, False), (10.001, True)])
def test_a_daemon_is_missed_after_more_than_a_heartbeat(silent_s: float, is_deaf: bool) -> None:
    book = ledger()
    book.hear(200.0)

    assert book.is_deaf(200.0 + silent_s) is is_deaf
    assert ledger().is_deaf(100.0), "one that never spoke has not been heard"
