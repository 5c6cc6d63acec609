"""Zones that want water and get none: the alarm that saves plants, and what is no reason for it."""

from math import inf, nextafter

from mistd.core.alarm_conditions import is_due, watched
from mistd.core.almanac import DayPart
from mistd.core.zone import Phase
from tests.core.alarm_watching import HOUSE, K, Watching, at_work
from tests.core.houses import (
    almanac,
    ask_hold,
    house_at_work,
    house_plan,
    lost,
    new_house,
    ready,
    refused,
    timetable,
    zone_plan,
)


def test_a_zone_that_is_misted_in_time_is_never_told_due() -> None:
    watching = at_work()
    for at_s in range(0, 3000, 10):
        watching.paper.mist_until(float(at_s))
        watching.look()

    assert {c.is_on for _, c in watching.seen if c.kind is K.ZONE_NOT_MISTED} == {False}


def test_a_zone_whose_orders_are_not_carried_out_is_an_alarm_though_each_order_is_new() -> None:
    """The keeper refuses every order at once, and every ten seconds there is another."""
    watching = at_work()
    while watching.paper.now_s < 1200.0:
        watching.waits(min(watching.paper.wake_at_s, 1200.0))
        if watching.paper.zone().phase is Phase.ORDERED:
            watching.paper.decide(
                watching.paper.now_s, refused("a", watching.paper.zone().ticket, watching.paper.now_s)
            )
            watching.look()

    assert watching.raised(K.ZONE_NOT_MISTED) == [(600.0 + 120.0 + queue_s(1), "a")]
    alarm = watching.board.alarm("zone_not_misted", "a")
    assert (
        alarm.reason
        == "a burst is due 10 min after the last and not given: the keeper did not carry out its orders"
    )


def queue_s(zones: int) -> float:
    """Burst and pause of every zone: 5 and 2 s."""
    return 7.0 * zones


def test_a_zone_that_waits_for_the_line_has_the_time_that_the_queue_takes() -> None:
    """Zone a's valve was ordered and nobody answers; b and c wait longer than all is well."""
    plan = house_plan(zone_plan("a"), zone_plan("b"), zone_plan("c"))
    watching = Watching(paper=house_at_work(plan))
    watching.paper.wait_until(600.0)
    watching.look()

    (on_b, on_c) = [c for _, c in watching.seen if c.kind is K.ZONE_NOT_MISTED and c.is_on]

    assert (on_b.subject, on_c.subject) == ("b", "c")
    assert on_b.patience_s == on_c.patience_s == queue_s(3)
    assert on_b.reason == "a burst is due 10 min after the last and not given: the line is taken"


def test_without_a_keeper_every_zone_is_due_and_only_the_keeper_is_an_alarm() -> None:
    watching = at_work("a", "b")
    watching.paper.decide(1.0, lost())
    watching.look()

    watching.waits(5000.0)

    assert watching.now(K.ZONE_NOT_MISTED, "a") is True
    assert watching.raised(K.KEEPER_AWAY) == [(31.0, HOUSE)]
    assert watching.raised(K.ZONE_NOT_MISTED) == []
    assert watching.board.alarm("zone_not_misted", "a").mask == "suppressed_by_design"


def test_a_zone_that_falls_due_without_a_decision_is_still_seen() -> None:
    """No keeper: nothing wakes the house for a mark, so the watch names the instant itself."""
    watching = at_work()
    watching.paper.decide(1.0, lost())
    watching.look()
    house, due_s = watching.paper.house, watching.watch.wake_at_s

    too_soon = watched(watching.watch, house, nextafter(due_s, 0.0))
    in_time = watched(watching.watch, house, due_s)

    assert due_s == 600.0
    assert too_soon.conditions == ()
    assert [(c.kind, c.is_on) for c in in_time.conditions] == [(K.ZONE_NOT_MISTED, True)]
    assert in_time.watch.wake_at_s == inf


def test_each_zone_falls_due_at_its_own_instant_and_only_that_one_is_told() -> None:
    plan = house_plan(zone_plan("a"), zone_plan("b"))
    watching = Watching(paper=house_at_work(plan, 1000.0, shut_s={"a": 900.0}))
    watching.paper.decide(1001.0, lost())
    watching.look()

    first = watched(watching.watch, watching.paper.house, watching.watch.wake_at_s)
    second = watched(first.watch, watching.paper.house, first.watch.wake_at_s)

    assert (watching.watch.wake_at_s, first.watch.wake_at_s) == (1500.0, 1600.0)
    assert [condition.subject for condition in first.conditions] == ["a"]
    assert [condition.subject for condition in second.conditions] == ["b"]
    assert first.conditions[0].reason == (
        "a burst is due 10 min after the last and not given: no keeper holds the output lines"
    )


def test_why_a_zone_gets_no_water_is_told_again_when_it_changes() -> None:
    watching = Watching(paper=house_at_work(house_plan(zone_plan("a"), zone_plan("b"))))
    watching.paper.wait_until(600.0)
    watching.look()
    watching.paper.decide(600.5, lost())
    watching.look()
    watching.paper.decide(601.0, ready(601.0))
    watching.look()
    watching.paper.wait_until(610.0)
    watching.look()

    told = [c.reason.partition("given: ")[2] for _, c in watching.seen if c.subject == "b" and c.is_on]

    assert told == [
        "the line is taken",
        "no keeper holds the output lines",
        "the line is taken",
        "its line has to rest first",
    ]


def test_frost_that_begins_takes_the_need_for_water_away_and_gives_it_back_when_it_ends() -> None:
    watching = at_work("a", "b")
    watching.paper.decide(0.0, almanac(DayPart.NIGHT))
    watching.paper.reads(1.0, north=0.5)
    watching.paper.reads(301.0, north=0.5)
    watching.paper.wait_until(600.0)
    watching.look()
    waits = watching.now(K.ZONE_NOT_MISTED, "b")
    watching.paper.reads(601.0, north=0.5)
    watching.look()
    frozen = watching.now(K.ZONE_NOT_MISTED, "b")

    watching.paper.reads(602.0, north=5.0)
    watching.look()

    assert (waits, frozen) == (True, False)
    assert watching.now(K.ZONE_NOT_MISTED, "b") is True


def test_a_held_zone_is_not_due_and_has_all_its_delay_when_the_hold_ends() -> None:
    watching = at_work()
    watching.paper.decide(10.0, ask_hold(for_s=3600.0))
    watching.look()

    watching.waits(3609.0)
    held = watching.now(K.ZONE_NOT_MISTED, "a")
    watching.waits(3610.0)

    assert held is False
    assert watching.raised(K.ZONE_NOT_MISTED) == []


def test_frost_is_no_reason_to_call_for_water() -> None:
    watching = at_work()
    watching.paper.decide(0.0, almanac(DayPart.NIGHT))
    for at_s in (1.0, 301.0, 601.0):
        watching.paper.reads(at_s, north=0.5)
        watching.look()
    assert watching.paper.house.frost.is_on

    watching.paper.reads(900.0, north=0.5)
    watching.look()

    assert watching.now(K.ZONE_NOT_MISTED, "a") is False


def test_a_zone_whose_timetable_is_off_is_never_due() -> None:
    plan = house_plan(zone_plan("a", timetable(off=[DayPart.DAY])))
    watching = Watching(paper=house_at_work(plan))

    watching.waits(100_000.0)

    assert watching.now(K.ZONE_NOT_MISTED, "a") is False
    assert watching.raised(K.ZONE_NOT_MISTED) == []


def test_the_queue_is_reckoned_by_the_part_of_the_day() -> None:
    cycle = timetable(others={DayPart.NIGHT: (9.0, 600.0)})
    watching = Watching(paper=house_at_work(house_plan(zone_plan("a", cycle)), part=almanac(DayPart.NIGHT)))
    watching.paper.decide(1.0, lost())
    watching.look()

    watching.waits(600.0)

    (told,) = [c for _, c in watching.seen if c.kind is K.ZONE_NOT_MISTED and c.is_on]
    assert told.patience_s == 11.0


def test_a_zone_that_was_never_misted_says_so() -> None:
    watching = Watching(paper=new_house(house_plan()))

    (told,) = [c for _, c in watching.seen if c.kind is K.ZONE_NOT_MISTED]
    (keeper,) = [c for _, c in watching.seen if c.kind is K.KEEPER_AWAY]

    assert (keeper.is_on, keeper.reason) == (True, "a keeper is being started")
    assert watching.now(K.LINE_TROUBLE, "a") is None, "no keeper has said how its line stands"

    assert told.is_on
    assert told.reason == (
        "never misted, as far as is known; a burst is due and not given: no keeper holds the output lines"
    )


def test_an_open_valve_is_water_on_its_way() -> None:
    watching = at_work()
    watching.paper.wait_until(600.0)
    ordered = is_due(watching.paper.zone(), watching.paper.house, 600.0)
    watching.paper.open_what_was_ordered()

    assert not ordered
    assert watching.paper.zone().phase is Phase.OPEN
    assert not is_due(watching.paper.zone(), watching.paper.house, 600.0)
