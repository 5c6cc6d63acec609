"""The decision against a plain second one, over random histories: the same acts at the same instants."""

from collections.abc import Iterable

import pytest
from hypothesis import given, settings

from mistd.core.actions import Action, AnswerRequest, KeepRevision, OpenValve
from mistd.core.events import Event, EventKind
from tests.core.histories import History, histories
from tests.core.lived import lived
from tests.core.naive_decide import Act, NaiveHouse

OF_SETTINGS = {
    EventKind.TRIM_ENDED,
    EventKind.CLOSED_ENDED,
    EventKind.SKIP_ENDED,
    EventKind.BURST_SKIPPED,
}


def plain(action: Action) -> Act:
    if isinstance(action, OpenValve):
        return ("open", action.zone, action.for_s, action.ticket)
    if isinstance(action, AnswerRequest):
        return ("answer", action.request_id, action.outcome.value)
    if isinstance(action, KeepRevision):
        kept = action.revision
        value = (kept.id, kept.kind.value, kept.zone, repr(kept.value), kept.ends_s)
        return ("keep", *value, kept.undoes)
    return ("shut", action.zone)


def plainly_told(events: Iterable[Event]) -> list[Act]:
    """Of what is told, what a change of settings came to."""
    return [("told", event.kind.value, event.subject) for event in events if event.kind in OF_SETTINGS]


def check_both_do_the_same(history: History) -> None:
    life = lived(history)
    naive = NaiveHouse(history.plan, life.first.almanac, 0.0)

    for step in life.steps:
        expected = sorted(naive.step(step.observations, step.now_s), key=repr)
        done = [*map(plain, step.decision.actions), *plainly_told(step.decision.events)]
        actual = sorted(done, key=repr)
        assert actual == expected, f"at {step.now_s} s on {step.observations}"


@settings(deadline=None, derandomize=True, max_examples=150)
@given(history=histories(with_restarts=False))
def test_both_do_the_same_at_the_same_instants(history: History) -> None:
    check_both_do_the_same(history)


@pytest.mark.campaign
@settings(deadline=None, max_examples=5000)
@given(history=histories(with_restarts=False, most=60))
def test_both_do_the_same_in_a_long_campaign(history: History) -> None:
    check_both_do_the_same(history)
