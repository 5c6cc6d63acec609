"""Random histories of zones on demand keep every promise, whatever their sensors say."""

import pytest
from hypothesis import given, settings

from tests.core.demand_histories import demand_histories
from tests.core.histories import History
from tests.core.lived import lived
from tests.core.promises import check_every_promise
from tests.core.test_histories import FRACTIONS, check_extra_wakes_change_nothing


@settings(deadline=None, derandomize=True, max_examples=120)
@given(history=demand_histories(with_restarts=True))
def test_every_promise_is_kept_on_demand_over_random_histories(history: History) -> None:
    check_every_promise(lived(history))


@pytest.mark.campaign
@settings(deadline=None, max_examples=3000)
@given(history=demand_histories(with_restarts=True, most=60))
def test_every_promise_is_kept_on_demand_in_a_long_campaign(history: History) -> None:
    check_every_promise(lived(history))


@settings(deadline=None, derandomize=True, max_examples=60)
@given(history=demand_histories(with_restarts=False), fractions=FRACTIONS)
def test_deciding_more_often_changes_no_action_on_demand(history: History, fractions: list[float]) -> None:
    check_extra_wakes_change_nothing(history, fractions)
