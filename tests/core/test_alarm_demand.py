"""Alarms of zones on demand: who leads them, whom they trust, and whether they are misted in time."""

from dataclasses import replace
from math import nextafter

import pytest

from mistd.core.alarm_conditions import BLIND_FOR_S, is_due, longest_burst_s, watched
from mistd.core.alarm_kinds import rows_by_kind
from mistd.core.alarm_rows import alarm_rows, restored_board
from mistd.core.alarms import Mask
from mistd.core.almanac import DayPart
from mistd.core.annunciator import begun_board
from mistd.core.demand_cycles import CycleKind
from mistd.core.zone import Phase, due_s
from mistd.core.zone_demand import Lead
from tests.core.alarm_watching import K, Watching
from tests.core.demand_houses import (
    BRIGHT,
    LEAVES,
    LONGEST_GAP_S,
    READS_EVERY_S,
    demand_cycle,
    demand_house,
    demand_zone,
    live,
)
from tests.core.houses import lost, refused, zone_plan

FELL_BACK_AFTER_S = rows_by_kind()[K.CYCLE_FELL_BACK].on_delay_s
DRY_WICK = {"air": 27.0, "humidity": 0.0}  # possible, and not believed in a propagation house
HOUR_S = 3600.0


def house_of(kind: CycleKind = CycleKind.FILM, *sensors: str) -> Watching:
    return Watching(paper=demand_house(demand_zone("a", demand_cycle(kind, *sensors))))


def lives(watching: Watching, until_s: float, readings: dict[str, float]) -> None:
    """Live on by the minute, looking after each."""
    while watching.paper.now_s < until_s:
        live(watching.paper, min(watching.paper.now_s + READS_EVERY_S, until_s), readings)
        watching.look()


def lead_of(watching: Watching) -> Lead:
    demand = watching.paper.zone().demand
    assert demand is not None
    return demand.lead


# Who leads


def test_a_zone_led_by_its_own_cycle_is_told_so_and_raises_nothing() -> None:
    watching = house_of()

    lives(watching, 2 * HOUR_S, BRIGHT)

    assert watching.now(K.CYCLE_FELL_BACK, "a") is False
    assert watching.now(K.MISTED_BLINDLY, "a") is False
    assert watching.events == []


def test_a_zone_on_a_timetable_is_told_nothing_of_leads() -> None:
    watching = Watching(paper=demand_house(demand_zone("a"), zone_plan("b")))

    lives(watching, HOUR_S, BRIGHT)

    assert watching.now(K.CYCLE_FELL_BACK, "b") is None
    assert watching.now(K.MISTED_BLINDLY, "b") is None


def test_a_reading_that_is_not_believed_is_an_alarm_once_the_zone_was_led_otherwise_for_minutes() -> None:
    watching = house_of()
    lives(watching, HOUR_S, BRIGHT)
    fell_s = HOUR_S + READS_EVERY_S

    lives(watching, 2 * HOUR_S, DRY_WICK)

    assert watching.raised(K.CYCLE_FELL_BACK) == [(fell_s + FELL_BACK_AFTER_S, "a")]
    alarm = watching.board.alarm(K.CYCLE_FELL_BACK, "a")
    assert alarm.reason.startswith("led by the timetable of a bright day, for humidity reads ")
    assert [event.figures["alarm"] for event in watching.events] == [K.CYCLE_FELL_BACK]


def test_a_reading_that_stumbles_for_a_moment_is_no_alarm() -> None:
    """The zone is led otherwise for the ten minutes that readings have to be sound, and is back."""
    watching = house_of()
    lives(watching, HOUR_S, BRIGHT)
    lives(watching, HOUR_S + READS_EVERY_S, DRY_WICK)

    lives(watching, HOUR_S + FELL_BACK_AFTER_S, BRIGHT)

    assert watching.now(K.CYCLE_FELL_BACK, "a") is True
    assert watching.raised(K.CYCLE_FELL_BACK) == []


def test_it_is_over_when_the_cycle_leads_again() -> None:
    watching = house_of()
    lives(watching, HOUR_S, DRY_WICK)
    raised = watching.board.alarm(K.CYCLE_FELL_BACK, "a").is_on

    lives(watching, 2 * HOUR_S, BRIGHT)

    assert raised
    assert not watching.board.alarm(K.CYCLE_FELL_BACK, "a").is_on


def test_a_lost_reading_is_one_alarm_from_its_loss_until_the_cycle_is_back() -> None:
    watching = house_of()
    lives(watching, HOUR_S, BRIGHT)
    lives(watching, 2 * HOUR_S, {"air": 27.0})
    hidden = watching.board.alarm(K.CYCLE_FELL_BACK, "a")

    lives(watching, 3 * HOUR_S, BRIGHT)

    assert hidden.is_on
    assert hidden.mask is Mask.BY_DESIGN
    assert [subject for _, subject in watching.raised(K.READING_LOST)] == ["humidity"]
    assert watching.raised(K.CYCLE_FELL_BACK) == []
    assert lead_of(watching) is Lead.FILM


def test_a_doubted_sensor_is_one_alarm_and_not_also_its_zone_s() -> None:
    watching = house_of(CycleKind.LEAF_WETNESS, LEAVES[0])

    lives(watching, 2 * HOUR_S, {**BRIGHT, LEAVES[0]: 0.6})

    assert lead_of(watching) is Lead.FILM
    assert [subject for _, subject in watching.raised(K.WETNESS_DOUBTED)] == [LEAVES[0]]
    assert watching.raised(K.CYCLE_FELL_BACK) == []


# Blind for a day


def blind_since() -> tuple[Watching, float]:
    """A house whose humidity has fallen silent for good, and when its zone fell."""
    watching = house_of()
    lives(watching, HOUR_S, BRIGHT)
    lives(watching, 2 * HOUR_S, {"air": 27.0})
    (fell_s,) = [at_s for at_s, c in watching.seen if c.kind is K.MISTED_BLINDLY and c.is_on]
    return watching, fell_s


def test_a_day_by_no_reading_calls_a_person_though_the_lost_reading_was_an_alarm() -> None:
    watching, fell_s = blind_since()
    lives(watching, fell_s + BLIND_FOR_S - READS_EVERY_S, {"air": 27.0})
    before = watching.raised(K.MISTED_BLINDLY)

    lives(watching, fell_s + BLIND_FOR_S, {"air": 27.0})

    assert before == []
    assert watching.raised(K.MISTED_BLINDLY) == [(fell_s + BLIND_FOR_S, "a")]
    assert watching.board.alarm(K.MISTED_BLINDLY, "a").reason == (
        "led by the timetable of a bright day, for humidity is lost"
    )


def test_a_zone_that_is_misted_blindly_is_not_also_told_as_led_by_another_cycle() -> None:
    watching = house_of()
    lives(watching, BLIND_FOR_S + HOUR_S, DRY_WICK)

    alarm = watching.board.alarm(K.CYCLE_FELL_BACK, "a")

    assert watching.board.alarm(K.MISTED_BLINDLY, "a").mask is None
    assert (alarm.is_on, alarm.mask) == (True, Mask.BY_DESIGN)


def test_a_zone_led_by_its_sensors_for_more_than_a_day_is_not_blind() -> None:
    watching = house_of(CycleKind.FILM, LEAVES[0])
    demand = {"air": 27.0, LEAVES[0]: 0.99}

    lives(watching, BLIND_FOR_S + HOUR_S, {**DRY_WICK, **demand, "humidity": 0.0})

    assert lead_of(watching) is Lead.LEAF_WETNESS
    assert watching.now(K.MISTED_BLINDLY, "a") is False
    assert watching.raised(K.MISTED_BLINDLY) == []


def test_readings_that_are_back_for_good_end_the_day_before_it_is_over() -> None:
    watching, fell_s = blind_since()
    lives(watching, 3 * HOUR_S, BRIGHT)
    assert lead_of(watching) is Lead.FILM

    lives(watching, fell_s + BLIND_FOR_S + HOUR_S, BRIGHT)

    assert watching.raised(K.MISTED_BLINDLY) == []


def test_a_restart_does_not_begin_the_day_anew() -> None:
    watching, fell_s = blind_since()
    rows = alarm_rows(watching.board)
    watching.board = restored_board(begun_board(watching.paper.plan), rows, watching.paper.now_s).board
    watching.watch = type(watching.watch)()
    watching.look()

    lives(watching, fell_s + BLIND_FOR_S, {"air": 27.0})

    assert watching.raised(K.MISTED_BLINDLY) == [(fell_s + BLIND_FOR_S, "a")]


# Whom it trusts


def test_a_sensor_is_unknown_until_it_is_heard() -> None:
    watching = house_of(CycleKind.LEAF_WETNESS, *LEAVES)

    lives(watching, 300.0, {**BRIGHT, LEAVES[0]: 0.5})

    assert watching.now(K.WETNESS_DOUBTED, LEAVES[0]) is False
    assert watching.now(K.WETNESS_DOUBTED, LEAVES[1]) is None


def test_a_doubted_sensor_is_told_with_what_is_wrong_and_stays_so_while_it_is_silent() -> None:
    watching = house_of(CycleKind.LEAF_WETNESS, LEAVES[0])
    lives(watching, 300.0, {**BRIGHT, LEAVES[0]: -0.5})

    lives(watching, HOUR_S, BRIGHT)

    alarm = watching.board.alarm(K.WETNESS_DOUBTED, LEAVES[0])
    assert alarm.is_on
    assert alarm.reason.startswith("it reads -50 % wet, beyond its own dry value")
    assert watching.raised(K.WETNESS_DOUBTED) == [(READS_EVERY_S, LEAVES[0])]


def test_a_sensor_that_is_believed_again_ends_its_alarm() -> None:
    watching = house_of(CycleKind.LEAF_WETNESS, LEAVES[0])
    lives(watching, 300.0, {**BRIGHT, LEAVES[0]: -0.5})
    doubted = watching.board.alarm(K.WETNESS_DOUBTED, LEAVES[0]).is_on

    while watching.paper.house.trust[LEAVES[0]].doubt:
        rests_s = watching.paper.now_s - watching.paper.zone().shut_s
        share = 0.9 if rests_s < 120.0 else 0.3  # it rises with each burst and dries before the next
        lives(watching, watching.paper.now_s + READS_EVERY_S, {**BRIGHT, LEAVES[0]: share})
        assert watching.paper.now_s < 4 * HOUR_S

    assert doubted
    assert not watching.board.alarm(K.WETNESS_DOUBTED, LEAVES[0]).is_on


# Misted in time


def test_a_zone_on_demand_is_not_due_before_its_meter_says_so() -> None:
    paper = live(demand_house(), HOUR_S)
    mark_s = due_s(paper.zone(), paper.house.sources)
    assert HOUR_S < mark_s < paper.zone().due_s == paper.zone().shut_s + LONGEST_GAP_S

    assert not is_due(paper.zone(), paper.house, nextafter(mark_s, 0.0))
    assert is_due(paper.zone(), paper.house, mark_s)


def test_an_hour_of_bursts_on_demand_is_no_alarm() -> None:
    watching = Watching(paper=demand_house(demand_zone("a"), demand_zone("b")))

    lives(watching, 2 * HOUR_S, BRIGHT)

    assert len(watching.paper.orders()) > 10
    assert watching.raised(K.ZONE_NOT_MISTED) == []


def test_orders_on_demand_that_are_not_carried_out_are_an_alarm_long_before_the_longest_gap() -> None:
    """Each refusal sets the mark anew: the zone is due by its meter all the same."""
    watching = house_of()
    live(watching.paper, HOUR_S)
    due_at_s = due_s(watching.paper.zone(), watching.paper.house.sources)
    reads_s = HOUR_S
    while watching.paper.now_s < due_at_s + 300.0:
        reads_s += READS_EVERY_S
        refuse_orders(watching, reads_s)
        watching.paper.decide(reads_s, readings=BRIGHT)
        watching.look()

    ((raised_s, subject),) = watching.raised(K.ZONE_NOT_MISTED)
    assert subject == "a"
    assert raised_s == pytest.approx(due_at_s + 120.0 + queue_s(), abs=1.0)


def refuse_orders(watching: Watching, until_s: float) -> None:
    """The keeper refuses every order at once."""
    while watching.paper.now_s < until_s:
        watching.waits(min(watching.paper.wake_at_s, until_s))
        now_s, zone = watching.paper.now_s, watching.paper.zone()
        if zone.phase is Phase.ORDERED:
            watching.paper.decide(now_s, refused("a", zone.ticket, now_s))
            watching.look()


def queue_s() -> float:
    """The burst that fills dry leaves (50 um at 7 um/s, after 1 s to fill the line), and a pause of 2 s."""
    return 1.0 + 50.0 / 7.0 + 2.0


def test_without_a_keeper_the_watch_names_the_instant_at_which_a_meter_falls_due() -> None:
    watching = house_of()
    live(watching.paper, HOUR_S)
    watching.paper.decide(HOUR_S + 1.0, lost())
    watching.look()
    house, wake_s = watching.paper.house, watching.watch.wake_at_s
    assert wake_s == due_s(house.zones[0], house.sources) < house.zones[0].due_s

    told = watched(watching.watch, house, wake_s).conditions

    assert [(c.kind, c.is_on, c.patience_s) for c in told] == [(K.ZONE_NOT_MISTED, True, queue_s())]


def test_air_that_grows_drier_moves_the_instant_that_is_watched() -> None:
    watching = house_of()
    live(watching.paper, HOUR_S)
    watching.paper.decide(HOUR_S + 1.0, lost())
    watching.look()
    before_s = watching.watch.wake_at_s

    watching.paper.decide(HOUR_S + 2.0, readings={"air": 34.0, "humidity": 0.3})
    watching.look()

    assert HOUR_S < watching.watch.wake_at_s < before_s - 30.0


@pytest.mark.parametrize(
    ("kind", "longest_s"), [(CycleKind.FILM, 1.0 + 50.0 / 7.0), (CycleKind.VPD, 1.0 + 50.0 / 7.0)]
)
def test_the_queue_is_reckoned_with_the_burst_that_dry_leaves_take(kind: CycleKind, longest_s: float) -> None:
    zone = house_of(kind).paper.zone()

    assert longest_burst_s(zone, DayPart.DAY) == pytest.approx(longest_s)


def test_a_zone_without_mist_in_a_part_takes_no_place_in_the_queue() -> None:
    cycle = demand_cycle()
    dry_nights = replace(cycle, bounds={**cycle.bounds, DayPart.NIGHT: None})
    zone = demand_house(demand_zone("a", dry_nights)).zone()

    assert longest_burst_s(zone, DayPart.NIGHT) is None
    assert longest_burst_s(zone, DayPart.DAY) is not None
