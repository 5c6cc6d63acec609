"""Guards: the table of all that may veto a burst, each on both sides of its limit and exactly on it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import inf, isfinite, nan, nextafter

import pytest

from mistd.core.interlocks import EDGE_S, GUARDS, Circumstances, Guard, rested_s, veto
from mistd.core.zone import Phase, Zone
from tests.core.houses import LONG_AGO_S, hold, zone_plan

NOW_S = 10_000.0
PLAN = zone_plan(longest_burst_s=20.0, shortest_burst_s=1.5, shortest_rest_s=60.0)


@dataclass
class Asked:
    """A burst that every guard allows, to be spoiled in one way by each case."""

    for_s: float = 5.0
    zone: Zone = field(default_factory=lambda: Zone(plan=PLAN, shut_s=NOW_S - 600.0))
    now_s: float = NOW_S
    is_keeper_ready: bool = True
    keeper_since_s: float = LONG_AGO_S
    is_frost: bool = False

    def around(self) -> Circumstances:
        return Circumstances(
            now_s=self.now_s,
            is_keeper_ready=self.is_keeper_ready,
            keeper_since_s=self.keeper_since_s,
            is_frost=self.is_frost,
        )


def resting_since(shut_s: float) -> Zone:
    return Zone(plan=PLAN, shut_s=shut_s)


def held() -> Zone:
    return Zone(plan=PLAN, shut_s=NOW_S - 600.0, hold=hold(NOW_S + 90.0))


def doing(phase: Phase) -> Zone:
    return Zone(plan=PLAN, shut_s=NOW_S - 600.0, phase=phase, ordered_for_s=5.0)


ALLOWED: dict[str, Asked] = {
    "nothing stands against it": Asked(),
    "never misted before": Asked(zone=resting_since(-inf)),
    "exactly the longest burst": Asked(for_s=20.0),
    "exactly the shortest burst": Asked(for_s=1.5),
    "rested for exactly the shortest rest": Asked(zone=resting_since(NOW_S - 60.0)),
    "rested for a hair less, as sums of floats are": Asked(zone=resting_since(NOW_S - 60.0 + EDGE_S / 2.0)),
    "the keeper began exactly a rest ago": Asked(keeper_since_s=NOW_S - 60.0),
}

VETOED: dict[str, tuple[Asked, Guard, float]] = {
    "no keeper": (Asked(is_keeper_ready=False), Guard.KEEPER_AWAY, inf),
    "held": (Asked(zone=held()), Guard.HOLD, NOW_S + 90.0),
    "frost": (Asked(is_frost=True), Guard.FROST, inf),
    "ordered already": (Asked(zone=doing(Phase.ORDERED)), Guard.MISTING_NOW, inf),
    "open already": (Asked(zone=doing(Phase.OPEN)), Guard.MISTING_NOW, inf),
    "rested a little too short": (
        Asked(zone=resting_since(NOW_S - 60.0 + 2.0 * EDGE_S)),
        Guard.SHORTEST_REST,
        NOW_S + 2.0 * EDGE_S,
    ),
    "just shut": (Asked(zone=resting_since(NOW_S)), Guard.SHORTEST_REST, NOW_S + 60.0),
    "the keeper has just begun": (Asked(keeper_since_s=NOW_S - 20.0), Guard.SHORTEST_REST, NOW_S + 40.0),
    "a hair too long": (Asked(for_s=nextafter(20.0, inf)), Guard.LONGEST_BURST, inf),
    "endless": (Asked(for_s=inf), Guard.LONGEST_BURST, inf),
    "no number": (Asked(for_s=nan), Guard.LONGEST_BURST, inf),
    "a hair too short": (Asked(for_s=nextafter(1.5, 0.0)), Guard.SHORTEST_BURST, inf),
    "nothing": (Asked(for_s=0.0), Guard.SHORTEST_BURST, inf),
    "less than nothing": (Asked(for_s=-5.0), Guard.SHORTEST_BURST, inf),
}


@pytest.mark.parametrize("case", ALLOWED)
def test_a_burst_that_breaks_no_limit_is_allowed(case: str) -> None:
    asked = ALLOWED[case]

    assert veto(asked.zone, asked.for_s, asked.around()) is None


@pytest.mark.parametrize("case", VETOED)
def test_a_burst_that_breaks_a_limit_is_vetoed_by_its_guard_until_then(case: str) -> None:
    asked, guard, until_s = VETOED[case]

    forbidden = veto(asked.zone, asked.for_s, asked.around())

    assert forbidden is not None
    assert forbidden.guard is guard
    assert forbidden.until_s == pytest.approx(until_s, abs=1e-9)


def test_every_guard_is_in_the_table_and_has_a_case_of_its_own() -> None:
    assert len(GUARDS) == len(Guard)
    assert {guard for _, guard, _ in VETOED.values()} == set(Guard)


@pytest.mark.parametrize("case", VETOED)
def test_a_veto_says_why_in_words_and_tells_figures_that_are_numbers(case: str) -> None:
    asked, _, _ = VETOED[case]

    forbidden = veto(asked.zone, asked.for_s, asked.around())

    assert forbidden is not None
    assert len(forbidden.reason) > len("no mist")
    assert isinstance(forbidden.figures, dict)
    if isfinite(asked.for_s):
        assert all(isfinite(figure) for figure in forbidden.figures.values() if isinstance(figure, float))


@pytest.mark.parametrize(
    "case", [name for name, (_, guard, _) in VETOED.items() if guard is Guard.SHORTEST_REST]
)
def test_a_veto_that_names_an_instant_has_let_go_by_then(case: str) -> None:
    """Else a zone would be asked again and again at one instant."""
    asked, _, _ = VETOED[case]
    forbidden = veto(asked.zone, asked.for_s, asked.around())
    assert forbidden is not None

    later = Asked(
        zone=asked.zone, for_s=asked.for_s, now_s=forbidden.until_s, keeper_since_s=asked.keeper_since_s
    )

    assert veto(later.zone, later.for_s, later.around()) is None


SPOILERS: dict[Guard, Callable[[Asked], None]] = {
    Guard.KEEPER_AWAY: lambda asked: setattr(asked, "is_keeper_ready", False),
    Guard.HOLD: lambda asked: setattr(asked.zone, "hold", hold(NOW_S + 90.0)),
    Guard.FROST: lambda asked: setattr(asked, "is_frost", True),
    Guard.MISTING_NOW: lambda asked: setattr(asked.zone, "phase", Phase.OPEN),
    Guard.SHORTEST_REST: lambda asked: setattr(asked.zone, "shut_s", NOW_S - 10.0),
    Guard.LONGEST_BURST: lambda asked: setattr(asked, "for_s", 25.0),
    Guard.SHORTEST_BURST: lambda asked: setattr(asked, "for_s", 0.1),
}
PAIRS = [
    (first, second)
    for first in Guard
    for second in Guard
    if first is not second and {first, second} != {Guard.LONGEST_BURST, Guard.SHORTEST_BURST}
]


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_one_guards_consent_never_overrules_anothers_veto(first: Guard, second: Guard) -> None:
    asked = Asked()
    SPOILERS[first](asked)
    SPOILERS[second](asked)

    forbidden = veto(asked.zone, asked.for_s, asked.around())

    assert forbidden is not None
    order = list(Guard)
    assert forbidden.guard is min(first, second, key=order.index)


def test_what_a_line_did_before_the_keeper_began_counts_as_open_until_then() -> None:
    assert rested_s(resting_since(NOW_S - 600.0), NOW_S - 20.0) == NOW_S + 40.0
    assert rested_s(resting_since(NOW_S - 10.0), NOW_S - 20.0) == NOW_S + 50.0
    assert rested_s(resting_since(-inf), NOW_S - 20.0) == NOW_S + 40.0


def test_the_rest_is_told_as_known_by_report_or_only_by_the_keepers_start() -> None:
    by_report = veto(resting_since(NOW_S - 10.0), 5.0, Asked().around())
    by_start = veto(resting_since(-inf), 5.0, Asked(keeper_since_s=NOW_S - 20.0).around())

    assert by_report is not None
    assert by_report.reason == "shut for 10.0 s only, shortest rest 60 s; ask again in 50 s"
    assert by_report.figures == {"rested_s": 10.0, "shortest_rest_s": 60.0}
    assert by_start is not None
    assert by_start.reason == "known to be shut for 20.0 s only, shortest rest 60 s; ask again in 40 s"


def test_a_refusal_for_length_tells_length_and_limit() -> None:
    too_long = veto(resting_since(-inf), 25.0, Asked().around())
    too_short = veto(resting_since(-inf), 1.0, Asked().around())

    assert too_long is not None
    assert too_long.figures == {"for_s": 25.0, "longest_burst_s": 20.0}
    assert too_short is not None
    assert too_short.figures == {"for_s": 1.0, "shortest_burst_s": 1.5}


def test_a_hold_tells_who_and_for_how_much_longer() -> None:
    forbidden = veto(held(), 5.0, Asked().around())

    assert forbidden is not None
    assert forbidden.reason == "held dry by ilse for 2 min more; release it to mist sooner"
    assert forbidden.figures == {"hold_left_s": 90.0}
