"""The keeper's ledger: every limit on both sides and exactly on it, and what it remembers."""

from math import inf, nan, nextafter

import pytest

from mistd.core.leases import EDGE_S, STUCK_S, KeeperRules, Ledger, LineRule
from mistd.core.observations import LineAccount

LONG, REST, HEARTBEAT = 20.0, 60.0, 10.0
START_S = 1000.0
RESTED_S = START_S + REST


def ledger(open_at_once: int = 1) -> Ledger:
    rule = LineRule(longest_open_s=LONG, shortest_rest_s=REST)
    rules = KeeperRules(
        lines=dict.fromkeys(["a", "b", "c"], rule), open_at_once=open_at_once, heartbeat_s=HEARTBEAT
    )
    return Ledger(rules, START_S)


def test_a_rested_line_may_open() -> None:
    assert ledger().why_not("a", 5.0, RESTED_S) is None


@pytest.mark.parametrize("for_s", [LONG, LONG + EDGE_S / 2.0, 1e-3])
def test_any_length_up_to_the_longest_may_be(for_s: float) -> None:
    assert ledger().why_not("a", for_s, RESTED_S) is None


@pytest.mark.parametrize(
    ("for_s", "word"),
    [
        (LONG + 2.0 * EDGE_S, "too long"),
        (20.001, "too long"),
        (1e9, "too long"),
        (0.0, "no length"),
        (-1.0, "no length"),
        (inf, "no length"),
        (-inf, "no length"),
        (nan, "no length"),
    ],
)
def test_a_length_that_breaks_a_limit_is_refused_never_clipped(for_s: float, word: str) -> None:
    why = ledger().why_not("a", for_s, RESTED_S)

    assert why is not None
    assert word in why


def test_a_line_that_is_not_wired_is_refused() -> None:
    assert ledger().why_not("z", 5.0, RESTED_S) == "line 'z' is not wired"


@pytest.mark.parametrize(
    ("now_s", "may_be"),
    [
        (RESTED_S - 2.0 * EDGE_S, False),
        (RESTED_S - EDGE_S / 2.0, True),
        (RESTED_S, True),
        (RESTED_S + 1.0, True),
    ],
)
def test_a_new_ledger_rests_every_line_first(now_s: float, may_be: bool) -> None:
    assert (ledger().why_not("a", 5.0, now_s) is None) is may_be


@pytest.mark.parametrize(
    ("rested_s", "may_be"), [(59.999, False), (REST - 2.0 * EDGE_S, False), (REST, True)]
)
def test_a_line_rests_after_it_was_open(rested_s: float, may_be: bool) -> None:
    kept = ledger()
    kept.open("a", 1, 5.0, RESTED_S)
    kept.shut("a", "its time was over", RESTED_S + 5.0)

    assert (kept.why_not("a", 5.0, RESTED_S + 5.0 + rested_s) is None) is may_be


def test_a_line_that_is_open_is_not_opened_again() -> None:
    kept = ledger(open_at_once=3)
    kept.open("a", 1, 5.0, RESTED_S)

    assert kept.why_not("a", 5.0, RESTED_S + 1.0) == "it is open already"


@pytest.mark.parametrize("open_at_once", [1, 2])
def test_no_more_lines_open_than_at_once(open_at_once: int) -> None:
    kept = ledger(open_at_once)
    for ticket, line in enumerate(["a", "b"][:open_at_once]):
        assert kept.why_not(line, 5.0, RESTED_S) is None
        kept.open(line, ticket, 5.0, RESTED_S)

    assert kept.why_not("c", 5.0, RESTED_S) == (
        f"{open_at_once} valves are open, at once at most {open_at_once}"
    )
    kept.shut("a", "its time was over", RESTED_S + 5.0)
    assert kept.why_not("c", 5.0, RESTED_S + 5.0) is None


def test_every_opening_has_its_end_from_the_beginning() -> None:
    kept = ledger(open_at_once=2)
    kept.open("a", 1, 5.0, RESTED_S)
    kept.open("b", 2, 8.0, RESTED_S + 1.0)

    assert kept.ends_s() == {"a": RESTED_S + 5.0, "b": RESTED_S + 9.0}
    assert kept.open_lines() == ("a", "b")


def test_a_line_that_would_not_shut_gives_its_place_to_the_others_after_a_while() -> None:
    """One failed output must not dry out the whole house."""
    kept = ledger(open_at_once=1)
    kept.open("a", 1, 5.0, RESTED_S)
    stuck_s = RESTED_S + 5.0 + STUCK_S

    assert kept.ends_s() == {"a": RESTED_S + 5.0}
    assert kept.why_not("b", 5.0, nextafter(stuck_s, 0.0)) == "1 valves are open, at once at most 1"
    assert kept.why_not("b", 5.0, stuck_s) is None
    assert kept.why_not("a", 5.0, stuck_s) == "it is open already"


def test_a_line_that_never_opened_rests_and_has_no_burst_to_account_for() -> None:
    kept = ledger(open_at_once=1)
    kept.open("a", 1, 5.0, RESTED_S)

    kept.cancel("a", RESTED_S)

    assert kept.ends_s() == {}
    assert kept.accounts() == ()
    assert "shortest rest" in (kept.why_not("a", 5.0, RESTED_S + 1.0) or "")


def test_shutting_says_which_ticket_for_how_long_and_why() -> None:
    kept = ledger()
    kept.open("a", 7, 5.0, RESTED_S)

    shutting = kept.shut("a", "held dry", RESTED_S + 2.5)

    assert shutting is not None
    assert (shutting.line, shutting.ticket, shutting.open_s, shutting.reason) == ("a", 7, 2.5, "held dry")


def test_shutting_what_is_shut_is_harmless_and_begins_no_new_rest() -> None:
    kept = ledger()

    assert kept.shut("a", "to be sure", RESTED_S) is None
    assert kept.why_not("a", 5.0, RESTED_S) is None
    assert kept.accounts() == ()


def test_the_last_burst_of_each_line_is_remembered() -> None:
    kept = ledger(open_at_once=2)
    for opened_s in (RESTED_S, RESTED_S + 100.0):
        kept.open("a", 1, 5.0, opened_s)
        kept.shut("a", "its time was over", opened_s + 5.0)
    kept.open("b", 2, 5.0, RESTED_S + 100.0)

    assert kept.accounts() == (LineAccount(line="a", opened_s=RESTED_S + 100.0, shut_s=RESTED_S + 105.0),)


def test_a_daemon_that_was_never_heard_is_not_heard() -> None:
    assert ledger().is_deaf(START_S)


@pytest.mark.parametrize(
    ("silent_s", "is_deaf"),
    [(0.0, False), (HEARTBEAT, False), (nextafter(HEARTBEAT, inf), True), (60.0, True)],
)
def test_silence_longer_than_a_heartbeat_is_deafness(silent_s: float, is_deaf: bool) -> None:
    rules = KeeperRules(lines={}, open_at_once=1, heartbeat_s=HEARTBEAT)
    kept = Ledger(rules, 0.0)
    kept.hear(0.0)

    assert kept.is_deaf(silent_s) is is_deaf


def test_a_ledger_knows_since_when_it_can_tell() -> None:
    assert ledger().since_s == START_S
