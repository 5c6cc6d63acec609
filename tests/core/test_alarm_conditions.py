"""What of a house raises an alarm: on both sides of each condition, and nothing that is not known."""

from math import inf, nan, nextafter

import pytest
from hypothesis import given, settings

from mistd.core.alarm_conditions import NOTHING_SEEN, watched
from mistd.core.alarm_kinds import KEEPER_AWAY_AFTER_S
from mistd.core.annunciator import Condition
from mistd.core.house import House
from mistd.core.observations import KeeperReady, LineTrouble
from mistd.core.zone import Phase
from tests.core.alarm_watching import HOUSE, K, Watching, at_work
from tests.core.histories import History, histories
from tests.core.houses import (
    almanac,
    house_at_work,
    house_plan,
    lost,
    new_house,
    ready,
    sensor_plan,
    shut,
)
from tests.core.lived import lived

# The first look, and looks at nothing new


def test_the_first_look_tells_everything_that_is_known_and_nothing_else() -> None:
    watching = at_work("a", "b")

    told = {(condition.kind, condition.subject): condition.is_on for _, condition in watching.seen}

    assert told == {
        (K.KEEPER_AWAY, HOUSE): False,
        (K.TIME_UNTRUSTED, HOUSE): False,
        (K.LINE_TROUBLE, "a"): False,
        (K.LINE_TROUBLE, "b"): False,
        (K.ZONE_NOT_MISTED, "a"): False,
        (K.ZONE_NOT_MISTED, "b"): False,
    }, "the probe was not heard yet"


def test_a_look_at_the_same_house_tells_nothing() -> None:
    watching = at_work()

    again = watched(watching.watch, watching.paper.house, 10.0)

    assert again.conditions == ()
    assert again.watch is watching.watch


def test_a_house_without_trouble_has_no_alarm_through_an_hour_of_bursts() -> None:
    watching = at_work("a", "b")
    first = len(watching.seen)

    for minute in range(1, 60):
        watching.paper.reads(watching.paper.now_s, north=18.0)
        watching.look()
        watching.paper.mist_until(minute * 60.0)
        watching.look()

    told = {(condition.kind, condition.is_on) for _, condition in watching.seen[first:]}
    assert told - {(K.ZONE_NOT_MISTED, True), (K.ZONE_NOT_MISTED, False)} == {(K.READING_LOST, False)}
    assert watching.events == [], "zone b waits for the line each time, and is no alarm"


def test_what_is_watched_is_not_changed() -> None:
    watching = at_work()
    house = watching.paper.house
    before = (house.zones, house.sensors, house.almanac, [zone.copied() for zone in house.zones])

    watched(NOTHING_SEEN, house, 1e6)

    assert (house.zones, house.sensors, house.almanac, [zone.copied() for zone in house.zones]) == before


# The keeper


def test_a_keeper_that_is_away_is_told_with_its_reason_and_again_when_the_reason_changes() -> None:
    watching = at_work()
    watching.paper.decide(10.0, lost("its socket closed"))
    first = watching.look()
    watching.paper.decide(11.0, lost("it does not start: no such pin"))
    second = watching.look()
    watching.paper.decide(12.0, ready(5.0))
    third = watching.look()

    of_keeper = [[c for c in told if c.kind is K.KEEPER_AWAY] for told in (first, second, third)]
    assert [[(c.is_on, c.reason) for c in told] for told in of_keeper[:2]] == [
        [(True, "its socket closed")],
        [(True, "it does not start: no such pin")],
    ]
    assert [c.is_on for c in of_keeper[2]] == [False]


def test_at_the_start_the_keeper_has_time_to_come() -> None:
    soon, never = Watching(paper=new_house(house_plan())), Watching(paper=new_house(house_plan()))
    soon.waits(nextafter(KEEPER_AWAY_AFTER_S, 0.0))
    soon.paper.decide(nextafter(KEEPER_AWAY_AFTER_S, 0.0), ready(0.0))
    soon.look()
    soon.waits(KEEPER_AWAY_AFTER_S)

    never.waits(KEEPER_AWAY_AFTER_S)

    assert soon.raised(K.KEEPER_AWAY) == []
    assert never.raised(K.KEEPER_AWAY) == [(KEEPER_AWAY_AFTER_S, HOUSE)]


def restarted_keeper(away_s: float) -> list[Condition]:
    watching = at_work()
    watching.paper.decide(10.0, lost())
    watching.look()
    watching.paper.decide(10.0 + away_s, ready(10.0 + away_s))
    return [condition for condition in watching.look() if condition.kind is K.KEEPER_RESTARTED]


@pytest.mark.parametrize(
    ("away_s", "is_told"), [(0.0, True), (0.5, True), (29.5, True), (30.0, False), (300.0, False)]
)
def test_a_keeper_that_was_replaced_is_told_unless_its_absence_was_an_alarm(
    away_s: float, is_told: bool
) -> None:
    assert bool(restarted_keeper(away_s)) is is_told


def test_the_restart_of_a_keeper_is_a_pulse_with_its_figures() -> None:
    (told,) = restarted_keeper(0.5)

    assert told.is_pulse
    assert told.figures == {"away_s": 0.5}


def test_a_lost_connection_to_the_same_keeper_is_no_restart() -> None:
    watching = at_work()
    watching.paper.decide(10.0, lost())
    watching.look()
    watching.paper.decide(11.0, ready())

    assert [c for c in watching.look() if c.kind is K.KEEPER_RESTARTED] == []


def test_the_first_keeper_is_no_restart() -> None:
    watching = Watching(paper=new_house(house_plan()))
    watching.paper.decide(1.0, ready(0.5))

    assert [c for c in watching.look() if c.kind is K.KEEPER_RESTARTED] == []


def test_a_keeper_that_was_lost_and_replaced_between_two_looks_is_told() -> None:
    watching = at_work()
    watching.paper.decide(10.0, lost(), ready(10.0))

    told = [condition for condition in watching.look() if condition.kind is K.KEEPER_RESTARTED]

    assert [condition.figures for condition in told] == [{"away_s": 0.0}]


# Time and sensors


def test_time_that_is_not_trusted_is_told_both_ways() -> None:
    watching = at_work()
    watching.paper.decide(1.0, almanac(is_trusted=False))
    watching.look()
    distrusted = watching.now(K.TIME_UNTRUSTED, HOUSE)
    watching.paper.decide(2.0, almanac())
    watching.look()

    assert distrusted is True
    assert watching.now(K.TIME_UNTRUSTED, HOUSE) is False


def test_a_sensor_is_unknown_until_it_is_heard_or_lost() -> None:
    heard, silent, nonsense = at_work(), at_work(), at_work()
    heard.paper.reads(10.0, north=18.0)
    nonsense.paper.reads(10.0, north=nan)
    for watching in (heard, nonsense):
        watching.look()
    silent.waits(nextafter(300.0, 0.0))

    assert heard.now(K.READING_LOST, "north") is False
    assert silent.now(K.READING_LOST, "north") is None
    assert nonsense.now(K.READING_LOST, "north") is None
    silent.waits(300.0)
    assert silent.now(K.READING_LOST, "north") is True


def test_a_lost_reading_is_told_with_its_limit_and_back_with_the_next_good_one() -> None:
    watching = at_work()
    watching.paper.reads(10.0, north=18.0)
    watching.look()
    watching.paper.wait_until(310.0)
    lost_told = watching.look()
    watching.paper.reads(400.0, north=18.0)
    watching.look()

    (told,) = [condition for condition in lost_told if condition.kind is K.READING_LOST]
    assert told.reason.startswith("no good reading for 300 s, limit 300 s")
    assert [c.reason for _, c in watching.seen if c.kind is K.READING_LOST and not c.is_on] == ["", ""]
    assert told.figures == {"stale_after_s": 300.0}
    assert watching.now(K.READING_LOST, "north") is False


def test_the_first_look_at_a_house_that_has_been_at_work_knows_its_sensors() -> None:
    plan = house_plan(sensors=[sensor_plan("north", stale_after_s=900.0), sensor_plan("south")])
    paper = house_at_work(plan)
    paper.reads(10.0, north=18.0, south=18.0)
    paper.wait_until(400.0)

    watching = Watching(paper=paper)

    assert watching.now(K.READING_LOST, "north") is False
    assert watching.now(K.READING_LOST, "south") is True


def test_readings_that_go_on_tell_nothing() -> None:
    watching = at_work()
    watching.paper.reads(10.0, north=18.0)
    watching.look()

    for at_s in range(11, 60):
        watching.paper.reads(float(at_s), north=18.0 + at_s / 100.0)
        assert watching.look() == []


def test_each_sensor_is_told_apart() -> None:
    plan = house_plan(sensors=[sensor_plan("north"), sensor_plan("south", stale_after_s=60.0)])
    watching = Watching(paper=house_at_work(plan))
    watching.waits(100.0)

    assert watching.now(K.READING_LOST, "south") is True
    assert watching.now(K.READING_LOST, "north") is None


# Valves


def test_a_valve_that_is_not_proved_shut_is_told_and_so_is_its_end() -> None:
    watching = at_work("a", "b")
    watching.paper.decide(10.0, LineTrouble(line="b", reason="it reads open"))
    watching.look()
    stuck = (watching.now(K.LINE_TROUBLE, "a"), watching.now(K.LINE_TROUBLE, "b"))
    watching.paper.decide(20.0, shut("b", 99, 20.0, 5.0))
    watching.look()

    assert stuck == (False, True)
    assert watching.now(K.LINE_TROUBLE, "b") is False


def test_while_no_keeper_is_there_nothing_is_told_of_valves() -> None:
    """What a line does is not known then: an alarm stays as it was."""
    watching = at_work("a", "b")
    watching.paper.decide(10.0, LineTrouble(line="b", reason="it reads open"))
    watching.look()
    watching.paper.decide(11.0, lost())
    watching.look()
    told_before = len([c for _, c in watching.seen if c.kind is K.LINE_TROUBLE])
    watching.paper.decide(12.0, KeeperReady(since_s=-1000.0, unproved=("a",)))

    told = {c.subject: c.is_on for c in watching.look() if c.kind is K.LINE_TROUBLE}

    assert told_before == 3
    assert told == {"a": True, "b": False}


# The same as a look at everything, every time


def every_condition(house: House, now_s: float) -> dict[tuple[str, str], bool]:
    """A naive look at the whole house."""
    told = {(str(K.KEEPER_AWAY), house.plan.name): not house.is_keeper_ready}
    told[str(K.TIME_UNTRUSTED), house.plan.name] = not house.almanac.is_trusted
    for name, sensor in house.sensors.items():
        if sensor.is_lost or sensor.reading:
            told[str(K.READING_LOST), name] = sensor.is_lost
    for zone in house.zones:
        if house.is_keeper_ready:
            told[str(K.LINE_TROUBLE), zone.plan.name] = zone.is_unproved
        wants = zone.due_s <= now_s and not zone.hold and not house.frost.is_on
        is_given = zone.phase is Phase.OPEN or (zone.phase is Phase.ORDERED and zone.refused_s == -inf)
        told[str(K.ZONE_NOT_MISTED), zone.plan.name] = wants and not is_given
    return told


@settings(deadline=None, derandomize=True, max_examples=60)
@given(history=histories(with_restarts=False, most=10))
def test_telling_changes_only_comes_to_the_same_as_looking_at_everything(history: History) -> None:
    watch, told = NOTHING_SEEN, dict[tuple[str, str], bool]()
    for step in lived(history).steps:
        house = step.decision.house
        after = watched(watch, house, step.now_s)
        watch = after.watch
        for condition in after.conditions:
            if not condition.is_pulse:
                told[str(condition.kind), condition.subject] = condition.is_on
        assert {**told, **every_condition(house, step.now_s)} == told
