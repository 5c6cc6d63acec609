"""Random histories keep every promise: of people, failing keepers, clocks that are set, and restarts."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.decide import decide
from mistd.core.observations import NOTHING_NEW
from tests.core.histories import History, histories
from tests.core.lived import lived
from tests.core.promises import check_every_promise


@settings(deadline=None, derandomize=True, max_examples=160)
@given(history=histories(with_restarts=True))
def test_every_promise_is_kept_over_random_histories(history: History) -> None:
    check_every_promise(lived(history))


@pytest.mark.campaign
@settings(deadline=None, max_examples=3000)
@given(history=histories(with_restarts=True, most=60))
def test_every_promise_is_kept_in_a_long_campaign(history: History) -> None:
    check_every_promise(lived(history))


def check_extra_wakes_change_nothing(history: History, fractions: list[float]) -> None:
    life = lived(history)
    house, previous_s = life.first, 0.0

    for count, step in enumerate(life.steps):
        extra_s = previous_s + fractions[count % len(fractions)] * (step.now_s - previous_s)
        if extra_s < step.now_s:  # between two neighbouring floats there is no instant
            extra = decide(house, NOTHING_NEW, extra_s)
            assert (extra.actions, extra.events) == ((), ())
            assert extra.house is house
        decision = decide(house, step.observations, step.now_s)
        assert decision.actions == step.decision.actions
        assert decision.events == step.decision.events
        house, previous_s = decision.house, step.now_s


FRACTIONS = st.lists(st.floats(min_value=0.0, max_value=0.999), min_size=1, max_size=5)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(history=histories(with_restarts=False), fractions=FRACTIONS)
def test_deciding_more_often_changes_no_action(history: History, fractions: list[float]) -> None:
    check_extra_wakes_change_nothing(history, fractions)


@pytest.mark.campaign
@settings(deadline=None, max_examples=2000)
@given(history=histories(with_restarts=False, most=60), fractions=FRACTIONS)
def test_deciding_more_often_changes_no_action_in_a_long_campaign(
    history: History, fractions: list[float]
) -> None:
    check_extra_wakes_change_nothing(history, fractions)
