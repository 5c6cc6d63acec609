"""The decision against a plain second one, over random histories: the same acts at the same instants."""

import pytest
from hypothesis import given, settings

from mistd.core.actions import Action, AnswerRequest, OpenValve
from tests.core.histories import History, histories
from tests.core.lived import lived
from tests.core.naive_decide import Act, NaiveHouse


def plain(action: Action) -> Act:
    if isinstance(action, OpenValve):
        return ("open", action.zone, action.for_s, action.ticket)
    if isinstance(action, AnswerRequest):
        return ("answer", action.request_id, action.outcome.value)
    return ("shut", action.zone)


def check_both_do_the_same(history: History) -> None:
    life = lived(history)
    naive = NaiveHouse(history.plan, life.first.almanac, 0.0)

    for step in life.steps:
        expected = sorted(naive.step(step.observations, step.now_s), key=repr)
        actual = sorted(map(plain, step.decision.actions), key=repr)
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
