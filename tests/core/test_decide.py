"""The decision as a whole: what goes in stays as it was, and what nobody touched is the same object."""

from copy import copy
from math import inf

import pytest

from mistd.core.almanac import DayPart
from mistd.core.decide import decide
from mistd.core.events import EventKind
from mistd.core.house import begun
from mistd.core.observations import NOTHING_NEW, Observations
from mistd.core.readings import Quality, Reading, SensorKind
from tests.core.houses import (
    PaperHouse,
    almanac,
    answers,
    ask_burst,
    ask_hold,
    ask_release,
    house_at_work,
    house_plan,
    lost,
    openings,
    ready,
    refused,
    sensor_plan,
    told,
    zone_plan,
)

PROBED = house_plan(probes=["north", "south"])
NIGHT = almanac(DayPart.NIGHT)
COLD_C, MILD_C, WARM_C = 0.5, 5.0, 12.0


def frosty() -> PaperHouse:
    """A house in whose night both probes have read cold for ten minutes; due since 600."""
    paper = house_at_work(PROBED, part=NIGHT)
    for at_s in (0.0, 200.0, 400.0, 600.0):
        paper.reads(at_s, north=COLD_C, south=COLD_C)
    return paper


def test_a_house_that_nothing_happened_to_is_the_same_object() -> None:
    paper = house_at_work()

    assert decide(paper.house, NOTHING_NEW, 10.0).house is paper.house


def test_the_zones_nobody_touched_are_the_same_objects() -> None:
    paper = house_at_work(house_plan(zone_plan("a"), zone_plan("b"), zone_plan("c")))
    before = paper.house

    paper.decide(10.0, ask_hold("b"))

    kept = [after is was for after, was in zip(paper.house.zones, before.zones, strict=True)]
    assert kept == [True, False, True]


def test_the_house_that_goes_in_is_not_changed() -> None:
    paper = house_at_work(house_plan(zone_plan("a"), zone_plan("b")))
    house = paper.house
    zones, waiting, line = [copy(zone) for zone in house.zones], house.waiting, house.line

    decide(house, Observations(keeper=(lost(),), requests=(ask_hold(), ask_burst("b"))), 600.0)

    assert list(house.zones) == zones
    assert (house.waiting, house.line, house.is_keeper_ready) == (waiting, line, True)


def test_the_same_arguments_give_the_same_decision() -> None:
    paper = house_at_work()
    observations = Observations(almanac=almanac(DayPart.DUSK), requests=(ask_hold(),))

    assert decide(paper.house, observations, 600.0) == decide(paper.house, observations, 600.0)


def test_what_the_keeper_reported_is_taken_in_before_what_people_ask_at_the_same_instant() -> None:
    paper = house_at_work()

    decision = paper.decide(100.0, ask_hold(), ask_burst(), lost())

    assert [answer.outcome.value for answer in answers(decision)] == ["refused", "refused"]


def test_a_keeper_that_is_back_at_the_same_instant_takes_the_burst_that_is_asked() -> None:
    paper = house_at_work()
    paper.decide(50.0, lost())

    assert openings(paper.decide(100.0, ask_burst(), ready())) == [("a", 5.0)]


def test_a_house_without_sensors_and_with_nothing_due_has_no_instant_to_wake_at() -> None:
    paper = house_at_work(part=almanac(DayPart.DAY))
    paper.decide(10.0, lost())
    paper.wait_until(600.0)

    assert paper.wake_at_s == inf


def test_a_sensor_that_falls_silent_is_told_at_the_instant_its_word_no_longer_stands() -> None:
    paper = house_at_work(PROBED)
    paper.reads(100.0, north=MILD_C, south=MILD_C)
    paper.reads(200.0, south=MILD_C)

    paper.wait_until(399.9)
    assert paper.told(EventKind.READING_LOST) == []
    paper.wait_until(400.0)

    (event,) = paper.told(EventKind.READING_LOST)
    assert event.subject == "north"
    assert "no good reading for 300 s, limit 300 s" in event.reason
    assert paper.house.sensors["north"].good_value is None
    assert paper.house.sensors["south"].good_value == MILD_C


def test_a_sensor_that_never_spoke_is_lost_too() -> None:
    paper = house_at_work(PROBED)

    paper.wait_until(300.0)

    assert {event.subject for event in paper.told(EventKind.READING_LOST)} == {"north", "south"}


def test_a_lost_sensor_is_told_once_and_back_with_its_next_good_reading() -> None:
    paper = house_at_work(PROBED)
    paper.wait_until(1000.0)

    nonsense = paper.reads(1001.0, north=-127.0)
    back = paper.reads(1002.0, north=MILD_C)

    assert len(paper.told(EventKind.READING_LOST)) == 2
    assert nonsense.events == ()
    (event,) = told(back, EventKind.READING_BACK)
    assert (event.subject, event.reason) == ("north", "it reads 5 again")


def test_a_sensor_that_is_back_can_be_lost_again() -> None:
    paper = house_at_work(PROBED)
    paper.wait_until(1000.0)
    paper.reads(1002.0, north=MILD_C)

    paper.wait_until(1302.0)

    assert [event.at_s for event in paper.told(EventKind.READING_LOST)] == [300.0, 300.0, 1302.0]


def test_nonsense_is_no_sign_of_life() -> None:
    paper = house_at_work(PROBED)
    for at_s in range(0, 301, 50):
        paper.reads(float(at_s), north=-127.0, south=MILD_C)

    (event,) = paper.told(EventKind.READING_LOST)
    assert event.subject == "north"
    assert "7 impossible values since, the last -127" in event.reason


def test_a_reading_that_was_sent_long_ago_brings_nobody_back() -> None:
    paper = house_at_work(PROBED)
    paper.wait_until(1000.0)
    old = Reading(value=MILD_C, at_s=600.0, quality=Quality.GOOD)

    decision = decide(paper.house, Observations(readings=(("north", old),)), 1000.0)

    assert decision.house.sensors["north"].is_lost
    assert decision.wake_at_s > 1000.0


def test_readings_that_are_no_air_temperature_have_no_say_in_frost() -> None:
    plan = house_plan(sensors=[sensor_plan("rain", SensorKind.SUPPLY_PRESSURE)])
    paper = house_at_work(plan, part=NIGHT)

    for at_s in (0.0, 300.0, 600.0, 900.0):
        paper.decide(at_s, readings={"rain": 0.5})

    assert paper.told(EventKind.FROST_BEGAN) == []
    assert not paper.house.frost.cold


def test_frost_stops_the_mist_and_says_so_before_it_is_missed() -> None:
    paper = frosty()

    (event,) = paper.told(EventKind.FROST_BEGAN)
    assert event.at_s == 600.0
    assert event.reason == "0.5 c, limit 2 c: no mist until it is over"
    assert event.figures == {"coldest_c": COLD_C, "limit_c": 2.0}
    assert paper.orders() == []
    (refusal,) = paper.told(EventKind.BURST_REFUSED)
    assert refusal.figures["guard"] == "frost"


@pytest.mark.parametrize(
    ("ends_by", "reading_c"), [("thaw", {"north": 3.0, "south": 3.0}), ("contradiction", {"south": WARM_C})]
)
def test_when_frost_ends_an_overdue_zone_is_misted_at_once(ends_by: str, reading_c: dict[str, float]) -> None:
    paper = frosty()

    decision = paper.reads(700.0, **reading_c)

    assert len(told(decision, EventKind.FROST_ENDED)) == 1
    assert openings(decision) == [("a", 5.0)]


def test_a_thaw_of_less_than_the_band_ends_no_frost() -> None:
    paper = frosty()

    assert openings(paper.reads(700.0, north=2.9, south=2.9)) == []


def test_light_ends_frost_at_once() -> None:
    paper = frosty()

    decision = paper.decide(650.0, almanac(DayPart.DAWN))  # no sensor is due to be doubted

    assert len(told(decision, EventKind.FROST_ENDED)) == 1
    assert openings(decision) == [("a", 5.0)]


def test_frost_by_probes_that_all_fall_silent_ends_with_their_word() -> None:
    paper = frosty()

    paper.wait_until(900.0)

    (event,) = paper.told(EventKind.FROST_ENDED)
    assert event.at_s == 900.0
    assert event.figures == {"limit_c": 2.0}  # nobody is left to say how cold it is
    assert paper.orders() == [(900.0, "a", 5.0)]


def test_a_probe_that_was_silent_has_to_prove_frost_anew() -> None:
    paper = house_at_work(PROBED, part=NIGHT)
    paper.reads(0.0, north=COLD_C)
    paper.wait_until(650.0)  # lost at 300

    paper.reads(700.0, north=COLD_C)
    assert paper.told(EventKind.FROST_BEGAN) == []
    for at_s in (900.0, 1100.0, 1299.0, 1300.0):
        paper.reads(at_s, north=COLD_C)

    assert [event.at_s for event in paper.told(EventKind.FROST_BEGAN)] == [1300.0]


def test_frost_refuses_a_burst_that_is_asked_for() -> None:
    paper = frosty()

    (answer,) = answers(paper.decide(650.0, ask_burst()))

    assert answer.outcome.value == "refused"
    assert "freeze" in answer.reason


def test_the_end_of_frost_leaves_a_held_zone_held() -> None:
    paper = frosty()
    paper.decide(650.0, ask_hold())

    assert openings(paper.reads(700.0, north=MILD_C, south=MILD_C)) == []


def test_the_end_of_a_hold_in_frost_gives_no_water() -> None:
    paper = frosty()
    paper.decide(650.0, ask_hold())

    assert openings(paper.decide(660.0, ask_release())) == []
    assert openings(paper.reads(700.0, north=MILD_C, south=MILD_C)) == [("a", 5.0)]


def test_the_end_of_frost_does_not_hurry_what_the_keeper_refused() -> None:
    paper = house_at_work(PROBED, part=NIGHT)
    for at_s in (0.0, 200.0, 400.0, 599.0):
        paper.reads(at_s, north=COLD_C, south=COLD_C)
    paper.decide(600.0)
    paper.reads(600.5, north=COLD_C, south=COLD_C)  # frost begins after the order was given
    paper.decide(601.0, refused("a", 1, 601.0))

    decision = paper.reads(605.0, north=MILD_C, south=MILD_C)

    assert openings(decision) == []
    assert openings(paper.decide(611.0)) == [("a", 5.0)]


def test_a_house_begins_shut_with_no_keeper_and_asks_for_nothing() -> None:
    house = begun(PROBED, almanac(), 50.0)

    decision = decide(house, NOTHING_NEW, 50.0)

    assert decision.actions == ()
    assert not house.is_keeper_ready
    assert house.stale_s == 350.0
