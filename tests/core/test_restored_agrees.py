"""A house made from its rows decides as the one that was never away, wherever in a history it is cut.

The daemon is killed at an instant of a random history and is back three seconds later; the keeper lived on,
shut every line and gives its account. Beside it lives the same house that only lost its connection. From then
on both ask for the same water, end what passes at the same instants, and answer the same changes alike.

Left out, because it is not kept: what people asked for and did not get (rule 3 of `durable`); frost, which
readings have to prove anew; that the keeper refused a zone, which queues anew for it; and an order that was
under way when the daemon was killed, after which the house that was never away waits for a pause more.
"""

import json
from math import inf

import pytest
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from mistd.core.actions import AnswerRequest, KeepRevision
from mistd.core.durable import durable, restored
from mistd.core.events import EventKind
from mistd.core.house import House
from mistd.core.observations import KeeperReady, LineAccount
from mistd.core.settings import SettingKind, TrimSet
from mistd.core.zone import Phase
from tests.core.histories import History, histories
from tests.core.houses import PaperHouse, almanac, ask_setting, ask_undo, lost
from tests.core.lived import Step, lived

AWAY_S = 3.0  # longer than any pause, so that the line has settled
LIVED_ON_S = 1500.0
A_TRIM = TrimSet(fraction=0.1, for_s=300.0)
ENDS = (
    EventKind.HOLD_NEARLY_OVER,
    EventKind.HOLD_ENDED,
    EventKind.TRIM_ENDED,
    EventKind.CLOSED_ENDED,
    EventKind.SKIP_ENDED,
    EventKind.BURST_SKIPPED,
)
CUTS = st.integers(min_value=0, max_value=10_000)


def keeper_back(house: House, killed_s: float) -> KeeperReady:
    """The keeper's word: every line was shut when the daemon was killed, and what each did last."""
    accounts = tuple(
        LineAccount(
            line=zone.plan.name,
            opened_s=zone.opened_s,
            shut_s=killed_s if zone.phase is Phase.OPEN else zone.shut_s,
        )
        for zone in house.zones
        if zone.opened_s > -inf and (zone.phase is Phase.OPEN or zone.shut_s >= zone.opened_s)
    )
    return KeeperReady(since_s=house.keeper_since_s, accounts=accounts)


def lived_on(house: House, killed_s: float, back: KeeperReady, *, is_new: bool) -> PaperHouse:
    paper = PaperHouse(house=house, now_s=killed_s)
    if not is_new:
        paper.decide(killed_s, lost())
    paper.decide(killed_s + AWAY_S, back, almanac(house.almanac.part, local_date=house.almanac.local_date))
    paper.open_what_was_ordered()
    paper.mist_until(killed_s + LIVED_ON_S / 3.0)
    last = house.settings.last_id
    undoings = [ask_undo(last - back, request_id=f"undo-{back}") for back in range(3)]
    trims = [
        ask_setting(SettingKind.TRIM, A_TRIM, zone.name, request_id=zone.name) for zone in house.plan.zones
    ]
    paper.decide(killed_s + LIVED_ON_S / 3.0, *undoings, *trims)
    paper.open_what_was_ordered()
    paper.mist_until(killed_s + LIVED_ON_S)
    return paper


def changes(paper: PaperHouse) -> list[KeepRevision | AnswerRequest]:
    """What was written down and answered."""
    return [action for _, action in paper.actions if isinstance(action, KeepRevision | AnswerRequest)]


def check_restored_decides_the_same(step: Step) -> None:
    house, killed_s = step.decision.house, step.now_s
    assume(not house.asked)
    assume(not any(zone.phase is Phase.ORDERED for zone in house.zones))
    assume(not any(zone.refused_s > -inf for zone in house.zones))
    assume(not house.frost.cold)
    assume(not any(zone.hold and zone.hold.ends_s <= killed_s + AWAY_S for zone in house.zones))
    assume(not any(zone.hold and zone.phase is not Phase.RESTING for zone in house.zones))
    event(f"someone is misting: {any(zone.phase is not Phase.RESTING for zone in house.zones)}")
    event(f"someone is held: {any(zone.hold for zone in house.zones)}")
    event(f"a timetable is set: {any(zone.timetable for zone in house.zones)}")
    event(f"someone is trimmed: {any(zone.trim for zone in house.zones)}")
    event(f"someone is to be skipped: {any(zone.skip for zone in house.zones)}")
    event(f"someone was skipped: {any(zone.skipped_s > zone.shut_s for zone in house.zones)}")
    rows = json.loads(json.dumps(durable(house)))

    back = restored(house.plan, rows, house.almanac, killed_s + 1.0, settings=house.settings)
    word = keeper_back(house, killed_s)
    never_away = lived_on(house, killed_s, word, is_new=False)
    made_again = lived_on(back.house, killed_s, word, is_new=True)

    assert back.unreadable == ()
    assert back.not_applied == ()
    assert changes(made_again) == changes(never_away)
    assert made_again.house.settings == never_away.house.settings
    assert made_again.orders() == never_away.orders()
    for kind in ENDS:
        assert [(e.at_s, e.subject) for e in made_again.told(kind)] == [
            (e.at_s, e.subject) for e in never_away.told(kind)
        ]
    for again, never in zip(made_again.house.zones, never_away.house.zones, strict=True):
        assert (again.shut_s, again.due_s) == (never.shut_s, never.due_s)
        assert again.timetable == never.timetable
        assert (again.trim, again.closed, again.skip) == (never.trim, never.closed, never.skip)
        assert again.today.bursts == never.today.bursts
        assert again.today.water_l == pytest.approx(never.today.water_l)


def check_cut(history: History, cut: int) -> None:
    steps = lived(history).steps
    check_restored_decides_the_same(steps[cut % len(steps)])


@settings(deadline=None, derandomize=True, max_examples=100)
@given(history=histories(with_restarts=False, most=10), cut=CUTS)
def test_a_restored_house_decides_as_one_that_was_never_away(history: History, cut: int) -> None:
    check_cut(history, cut)


@pytest.mark.campaign
@settings(deadline=None, max_examples=3000)
@given(history=histories(with_restarts=False, most=40), cut=CUTS)
def test_a_restored_house_decides_the_same_in_a_long_campaign(history: History, cut: int) -> None:
    check_cut(history, cut)
