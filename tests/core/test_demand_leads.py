"""What leads houses on demand, decided as the daemon does: falling back, coming back, the own week."""

from dataclasses import replace
from datetime import timedelta

import pytest

from mistd.core.demand_cycles import CycleKind
from mistd.core.events import EventKind
from mistd.core.leading import LEAD_WORDS
from mistd.core.own_week import DAYS, HOURS, OwnWeek
from mistd.core.zone_demand import COMES_BACK_AFTER_S, Lead
from tests.core.houses import (
    A_DATE,
    PaperHouse,
    almanac,
    house_at_work,
    timetable,
)
from tests.core.houses_on_demand import (
    PATIENT,
    demand_cycle,
    demand_house,
    demand_house_plan,
    demand_of,
    gaps_s,
    give,
)

FELL, CAME = EventKind.CYCLE_FELL_BACK, EventKind.CYCLE_CAME_BACK
FILM, VPD, WETNESS = CycleKind.FILM, CycleKind.VPD, CycleKind.LEAF_WETNESS


DAY_S = 86_400.0


# ---- falling back and coming back


def test_a_zone_whose_readings_die_falls_back_at_once_and_says_which() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM)))

    paper.decide(60.0, readings={"humidity": 0.0})

    (event,) = paper.told(FELL)
    assert (event.at_s, event.subject) == (60.0, "a")
    assert event.reason == (
        "humidity reads 0, believed from 0.03 to 1: check wiring and unit: "
        "it is led by the timetable of a bright day"
    )
    assert event.figures == {"cycle": "film", "lead": "timetable", "before": "film"}
    assert demand_of(paper).why.startswith("humidity reads 0")
    assert demand_of(paper).lead_since_s == 60.0


@pytest.mark.parametrize("late_s", [-1.0, 0.0, 1.0])
def test_it_comes_back_after_ten_sound_minutes_and_not_before(late_s: float) -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM)))
    paper.decide(60.0, readings={"humidity": 0.0})
    paper.decide(120.0, readings={"humidity": 0.61})

    paper.decide(120.0 + COMES_BACK_AFTER_S + late_s, readings={"humidity": 0.62})

    assert [event.figures for event in paper.told(CAME)] == [
        {"cycle": "film", "lead": "film", "before": "timetable"}
    ] * (late_s >= 0.0)
    assert demand_of(paper).lead is (Lead.TIMETABLE if late_s < 0.0 else Lead.FILM)


def test_what_came_back_is_told_with_what_leads_and_no_longer_why() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(VPD)))
    paper.decide(60.0, readings={"humidity": 0.0})
    paper.decide(120.0, readings={"humidity": 0.61})

    paper.decide(900.0, readings={"humidity": 0.62})

    (event,) = paper.told(CAME)
    assert event.reason == "it is led by the vapour pressure deficit again"
    assert (demand_of(paper).why, demand_of(paper).lead_since_s) == ("", -float("inf"))


def test_a_reading_that_is_bad_once_in_ten_minutes_never_lets_it_come_back() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM)))

    for minute in range(1, 121):
        humidity = 0.0 if minute % 9 == 1 else 0.6 + 0.001 * (minute % 9)
        paper.decide(60.0 * minute, readings={"humidity": humidity})

    assert len(paper.told(FELL)) == 1
    assert paper.told(CAME) == []


def test_a_zone_goes_down_its_chain_as_readings_die_and_up_again_as_they_return() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM, wetness=("leaf-1",))))
    paper.decide(30.0, readings={"leaf-1": 0.8})

    paper.decide(60.0, readings={"humidity": 0.0})
    paper.decide(90.0, readings={"leaf-1": 3.0})
    paper.decide(120.0, readings={"humidity": 0.61})
    paper.decide(720.0, readings={"humidity": 0.62})

    leads = [(event.kind, event.figures["before"], event.figures["lead"]) for event in paper.events
             if event.kind in {FELL, CAME}]  # fmt: skip
    assert leads == [
        (FELL, "film", "leaf_wetness"),
        (FELL, "leaf_wetness", "timetable"),
        (CAME, "timetable", "film"),
    ]


def test_a_zone_whose_lead_dies_does_not_wait_for_a_better_one_that_is_back() -> None:
    """Led by its sensors while the air was unknown; now they die, a minute after the air came back."""
    paper = demand_house(demand_house_plan(demand_cycle(FILM, wetness=("leaf-1",))))
    paper.decide(30.0, readings={"leaf-1": 0.8, "humidity": 0.0})
    paper.decide(60.0, readings={"humidity": 0.61})
    assert demand_of(paper).lead is Lead.LEAF_WETNESS

    paper.decide(120.0, readings={"leaf-1": 3.0})

    assert demand_of(paper).lead is Lead.FILM
    assert [event.at_s for event in paper.told(CAME)] == [120.0]


def recovering(*said: tuple[float, dict[str, float]]) -> list[Lead]:
    """What leads a vpd zone at each reading after its air died at 60 s and its sensor fell silent at 700."""
    cycle = demand_cycle(VPD, wetness=("leaf-1",), others=PATIENT)
    paper = demand_house(demand_house_plan(cycle, wetness_stale_after_s=700.0))
    paper.decide(60.0, readings={"humidity": 0.0})
    paper.wait_until(750.0)
    assert demand_of(paper).lead is Lead.TIMETABLE

    leads = []
    for at_s, readings in said:
        paper.wait_until(at_s)
        paper.decide(at_s, readings=readings)
        leads.append(demand_of(paper).lead)
    return leads


def test_only_what_was_sound_for_ten_minutes_comes_back_and_the_rest_after_ten_of_its_own() -> None:
    wet, air = {"leaf-1": 0.5}, {"humidity": 0.6}

    leads = recovering(
        (800.0, wet), (1340.0, air), (1399.0, wet), (1400.0, wet), (1999.0, wet), (2000.0, wet)
    )

    assert leads == [Lead.TIMETABLE] * 3 + [Lead.LEAF_WETNESS] * 2 + [Lead.VPD]


def test_what_fell_silent_again_while_it_was_waited_for_does_not_lead() -> None:
    """The sensor spoke once, at 800 s, and is lost at 1,500: from then on the air has its ten minutes."""
    leads = recovering(
        (800.0, {"leaf-1": 0.5}),
        (1300.0, {"humidity": 0.6}),
        (1501.0, {"humidity": 0.61}),
        (2099.0, {"humidity": 0.62}),
        (2100.0, {"humidity": 0.63}),
    )

    assert leads == [Lead.TIMETABLE] * 4 + [Lead.VPD]


def test_coming_half_way_back_says_what_is_still_dead() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(WETNESS, wetness=("leaf-1",))))
    paper.decide(30.0, readings={"humidity": 0.0, "leaf-1": 3.0})
    paper.decide(60.0, readings={"humidity": 0.61})

    paper.decide(660.0, readings={"humidity": 0.62})

    (event,) = paper.told(CAME)
    assert event.reason.startswith(
        "it is led by its reckoned film again, for leaf-1 is doubted: it reads 300 %"
    )


def test_every_zone_of_a_dead_source_falls_back_and_the_others_do_not() -> None:
    cycles = [demand_cycle(FILM), demand_cycle(VPD), demand_cycle(WETNESS, source=None, wetness=("leaf-1",))]
    paper = demand_house(demand_house_plan(*cycles))

    paper.decide(60.0, readings={"air": 68.0})

    assert [event.subject for event in paper.told(FELL)] == ["a", "b"]


def test_a_sensor_that_falls_silent_is_a_reading_that_died() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM), stale_after_s=300.0))

    paper.wait_until(301.0)

    (event,) = paper.told(FELL)
    assert event.at_s == 300.0
    assert "air is lost; humidity is lost" in event.reason


def test_led_by_the_timetable_a_zone_has_its_gap_and_its_burst() -> None:
    timed = timetable(7.0, 480.0)
    paper = demand_house(demand_house_plan(demand_cycle(FILM), timed=timed))
    paper.decide(60.0, readings={"humidity": 0.0})

    paper.mist_until(4000.0)

    assert set(gaps_s(paper)) == {480.0}
    assert {for_s for _, _, for_s in paper.orders()} == {7.0}


# ---- its own week


def lived_week(paper: PaperHouse, days: int, blind: tuple[int, ...] = ()) -> None:
    """Days of 24 bursts each, by hand; on the blind ones its readings are dead."""
    midnight_s = 0.0
    for day in range(days):
        for at_s in (60.0, 720.0):
            humidity = 0.0 if day in blind else 0.5 + 1e-6 * (at_s + day)
            paper.decide(midnight_s + at_s, readings={"humidity": humidity})
        for hour in range(HOURS):
            give(paper, midnight_s + 3600.0 * hour + 1800.0)
            humidity = 0.0 if day in blind else 0.5 + 0.01 * day + 0.001 * hour
            paper.decide(midnight_s + 3600.0 * hour + 1900.0, readings={"humidity": humidity})
        midnight_s += DAY_S
        paper.decide(midnight_s, almanac(local_date=A_DATE + timedelta(days=day + 1)))


def slow_house() -> PaperHouse:
    """A zone that hardly ever asks by itself."""
    return demand_house(demand_house_plan(demand_cycle(FILM, others=PATIENT)), part=almanac())


@pytest.mark.parametrize(("days", "lead"), [(6, Lead.TIMETABLE), (7, Lead.OWN_WEEK)])
def test_the_own_week_leads_only_after_seven_sound_days(days: int, lead: Lead) -> None:
    paper = slow_house()
    lived_week(paper, days)
    assert len(demand_of(paper).week.days) == days

    paper.decide(days * DAY_S + 60.0, readings={"humidity": 0.0})

    assert demand_of(paper).lead is lead
    assert LEAD_WORDS[lead] in paper.told(FELL)[-1].reason


def test_a_day_misted_blindly_does_not_count() -> None:
    paper = slow_house()

    lived_week(paper, 5, blind=(2,))

    assert len(demand_of(paper).week.days) == 4


def test_a_day_begun_in_the_afternoon_does_not_count() -> None:
    plan = demand_house_plan(demand_cycle(FILM))
    paper = demand_house(plan, part=almanac(day_began_s=-50_000.0))

    paper.decide(
        DAY_S - 50_000.0, almanac(local_date=A_DATE + timedelta(days=1), day_began_s=DAY_S - 50_000.0)
    )

    assert demand_of(paper).week == OwnWeek()


def test_bursts_are_counted_in_their_hour() -> None:
    paper = slow_house()
    before = demand_of(paper).week.today[7]

    give(paper, 7.5 * 3600.0)

    assert demand_of(paper).week.today[7] == before + 1


def test_led_by_its_own_week_a_zone_is_misted_a_fifth_more_often() -> None:
    paper = house_at_work(demand_house_plan(demand_cycle(FILM)), part=almanac(day_began_s=-43_200.0))
    zone = paper.zone()
    zone.demand = replace(demand_of(paper), week=OwnWeek(days=((6,) * HOURS,) * DAYS))
    paper.decide(1.0, readings={"humidity": 0.0, "air": 25.0})

    paper.mist_until(3600.0)

    assert demand_of(paper).lead is Lead.OWN_WEEK
    assert gaps_s(paper) == pytest.approx([500.0] * len(gaps_s(paper)))
    assert len(gaps_s(paper)) >= 5
