"""Who works in the demo's house: everything is asked once, in time, as a good message; cables come and go."""

import json
from datetime import UTC, datetime

import pytest

from mistd.app.core_requests import core_request
from mistd.app.messages import REQUESTS
from simulators.people import ASKS, CABLES_OUT, CableOut, People
from tests.app.house_files import benches_of

NOW = datetime(2026, 6, 21, 10, tzinfo=UTC)
ZONES = frozenset(ask.request["zone"] for ask in ASKS)


def asked(people: People, now_s: float) -> list[tuple[str, str]]:
    """By whom, and of which zone."""
    messages = [json.loads(payload) for _, payload in people.messages(now_s, NOW)]
    return [(message["author"], message["zone"]) for message in messages]


def test_nothing_is_asked_before_its_time_and_all_of_it_once() -> None:
    people = People(zones=ZONES)
    first = ASKS[0]

    assert asked(people, first.at_s - 0.1) == []
    assert asked(people, first.at_s) == [(first.request["author"], first.request["zone"])]
    assert asked(people, first.at_s) == []
    assert len(asked(people, 1e9)) == len(ASKS) - 1
    assert asked(people, 1e9) == []


def test_they_ask_in_the_order_of_time() -> None:
    assert [ask.at_s for ask in ASKS] == sorted(ask.at_s for ask in ASKS)


def test_of_a_zone_that_is_not_in_the_house_nothing_is_asked() -> None:
    people = People(zones=ZONES - {"fuchsia"})

    zones = {zone for _, zone in asked(people, 1e9)}

    assert zones == ZONES - {"fuchsia"}


def test_what_they_ask_is_understood_and_each_has_an_id_of_its_own() -> None:
    messages = list(People(zones=ZONES).messages(1e9, NOW))

    ids = set()
    for what, payload in messages:
        message = REQUESTS[what].model_validate_json(payload)
        core_request(message, 0.0, benches_of())
        ids.add(message.id)
        assert message.issued_at == NOW
    assert len(ids) == len(messages) == len(ASKS)


@pytest.mark.parametrize(("now_s", "is_out"), [(9.9, False), (10.0, True), (19.9, True), (20.0, False)])
def test_a_cable_is_out_from_its_beginning_to_before_its_end(now_s: float, is_out: bool) -> None:
    people = People(zones=ZONES, cables_out=(CableOut(sensor="light", from_s=10.0, to_s=20.0),))

    assert people.is_out("light", now_s) is is_out
    assert not people.is_out("air", now_s)


def test_a_cable_is_out_for_long_enough_to_be_missed() -> None:
    assert all(cable.to_s - cable.from_s > 300.0 for cable in CABLES_OUT)
