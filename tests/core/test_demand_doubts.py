"""Leaf-wetness sensors of houses on demand, decided as the daemon does: doubt, trust, what they ask for."""

import pytest

from mistd.core.demand_cycles import CycleKind
from mistd.core.events import EventKind
from mistd.core.thirst import SLOWEST_PACE
from mistd.core.wetness_trust import APART_FOR_S, SETTLES_S, STRIKES, TRUSTED_AFTER, WET_STRIKES
from mistd.core.zone_demand import Lead
from tests.core.houses import (
    ask_burst,
    openings,
    shut,
)
from tests.core.houses_on_demand import (
    FULL_UM,
    PATIENT,
    demand_cycle,
    demand_house,
    demand_house_plan,
    demand_of,
    film_now_um,
    gaps_s,
    give,
    swing,
)

DOUBTED, TRUSTED = EventKind.WETNESS_DOUBTED, EventKind.WETNESS_TRUSTED
FILM, VPD, WETNESS = CycleKind.FILM, CycleKind.VPD, CycleKind.LEAF_WETNESS


# ---- doubt and trust


def test_a_sensor_that_does_not_rise_is_told_once_and_left_out() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(WETNESS, wetness=("leaf-1",), others=PATIENT)))

    for place in range(STRIKES + 2):
        swing(paper, 300.0 + 200.0 * place, 0.5, 0.5)

    (event,) = paper.told(DOUBTED)
    assert event.subject == "leaf-1"
    assert event.reason == (
        "it did not rise after 3 good bursts: 50 % wet before, 50 % after: "
        "it is left out; look at it, wipe it clean"
    )
    assert demand_of(paper).driest_wet is None
    assert demand_of(paper).lead is Lead.FILM


def test_a_sensor_beyond_its_own_values_is_told_once_however_often_it_says_so() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM, wetness=("leaf-1", "leaf-2"))))

    for second in range(60):
        paper.decide(10.0 + second, readings={"leaf-1": 1.3, "leaf-2": 0.5})

    (event,) = paper.told(DOUBTED)
    assert (event.at_s, event.subject) == (10.0, "leaf-1")
    assert event.reason.startswith("it reads 130 % wet, beyond its own wet value")


def test_a_doubted_sensor_has_no_say_in_the_film() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM, wetness=("leaf-1",), others=PATIENT)))
    paper.decide(60.0, readings={"leaf-1": -3.0})
    give(paper, 200.0, 20.0)
    before_um = film_now_um(paper)

    for second in range(20):
        paper.decide(300.0 + second, readings={"leaf-1": 0.0})

    assert film_now_um(paper) > 0.7 * before_um
    assert demand_of(paper).driest_wet is None


def test_a_sensor_is_told_again_when_it_is_believed_again() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(WETNESS, wetness=("leaf-1",), others=PATIENT)))
    paper.decide(60.0, readings={"leaf-1": -3.0})

    for place in range(TRUSTED_AFTER):
        assert paper.told(TRUSTED) == []
        swing(paper, 300.0 + 200.0 * place, 0.3, 0.9)

    (event,) = paper.told(TRUSTED)
    assert (event.subject, event.figures) == ("leaf-1", {})
    assert event.at_s == 300.0 + 200.0 * (TRUSTED_AFTER - 1) + 5.0 + SETTLES_S


def test_a_doubt_that_comes_with_the_shutting_and_a_reading_at_once_is_told_once() -> None:
    """The keeper's word and the sensor's meet in one decision."""
    paper = demand_house(demand_house_plan(demand_cycle(FILM, wetness=("leaf-1",), others=PATIENT)))

    for place in range(WET_STRIKES):
        at_s = 5000.0 * (place + 1)
        paper.decide(at_s - 20.0, readings={"leaf-1": 0.96})
        paper.decide(at_s, ask_burst(for_s=5.0, request_id=f"burst-{place}"))
        paper.open_what_was_ordered()
        report = shut("a", paper.zone().ticket, at_s + 5.0, 5.0)
        paper.decide(at_s + 5.0, report, readings={"leaf-1": 0.97})

    (event,) = paper.told(DOUBTED)
    assert event.at_s == 5000.0 * WET_STRIKES + 5.0
    assert event.reason.startswith("it reads 96 % wet where the slowest drying leaves 0 %, at 6 bursts")


@pytest.mark.parametrize(("sensors", "is_outvoted"), [(1, False), (2, True), (3, True)])
def test_the_film_and_one_more_outvote_a_sensor_and_the_film_alone_does_not(
    sensors: int, is_outvoted: bool
) -> None:
    """Sensor 1 says wet, the others and the film dry: nobody has been misted yet."""
    names = tuple(f"leaf-{place + 1}" for place in range(sensors))
    paper = demand_house(demand_house_plan(demand_cycle(FILM, wetness=names)))

    for minute in range(2 + int(APART_FOR_S / 60.0)):
        readings = dict.fromkeys(names, 0.05) | {"leaf-1": 0.9}
        paper.decide(60.0 * (minute + 1), readings=readings)

    assert [event.subject for event in paper.told(DOUBTED)] == ["leaf-1"] * is_outvoted


def test_two_sensors_that_contradict_each_other_are_both_believed_without_a_film_to_ask() -> None:
    cycle = demand_cycle(WETNESS, source=None, wetness=("leaf-1", "leaf-2"))
    paper = demand_house(demand_house_plan(cycle))

    for minute in range(120):
        paper.decide(60.0 * (minute + 1), readings={"leaf-1": 0.9, "leaf-2": 0.05})

    assert paper.told(DOUBTED) == []
    assert demand_of(paper).driest_wet == 0.05


# ---- what sensors ask for


def test_a_dry_sensor_brings_a_burst_at_once_when_the_shortest_gap_is_over() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(WETNESS, wetness=("leaf-1",))))

    before = paper.decide(100.0, readings={"leaf-1": 0.39})
    paper.wait_until(120.0)

    assert openings(before) == []
    assert [at_s for at_s, _, _ in paper.orders()] == [120.0]


def test_of_two_sensors_the_drier_one_counts() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(WETNESS, wetness=("leaf-1", "leaf-2"))))

    decision = paper.decide(150.0, readings={"leaf-1": 0.9, "leaf-2": 0.4})

    assert [zone for zone, _ in openings(decision)] == ["a"]


@pytest.mark.parametrize(("after_s", "is_taken"), [(SETTLES_S - 1.0, False), (SETTLES_S, True)])
def test_what_a_sensor_says_before_it_has_settled_is_not_taken_for_the_film(
    after_s: float, is_taken: bool
) -> None:
    paper = demand_house(demand_house_plan(demand_cycle(WETNESS, wetness=("leaf-1",))))
    give(paper, 100.0)

    paper.decide(105.0 + after_s, readings={"leaf-1": 0.2})

    assert demand_of(paper).is_sensor_dry is is_taken
    assert (demand_of(paper).driest_wet == 0.2) is is_taken


def test_nonsense_from_a_sensor_does_not_say_its_last_word_again() -> None:
    paper = demand_house(demand_house_plan(demand_cycle(FILM, wetness=("leaf-1",))))
    give(paper, 100.0)
    paper.decide(200.0, readings={"leaf-1": 0.1})
    thirst = demand_of(paper).thirst

    for second in range(10):
        paper.decide(201.0 + second, readings={"leaf-1": float("nan")})

    assert demand_of(paper).thirst == thirst


def test_a_sensor_wet_for_ever_kills_no_cutting() -> None:
    """No gap is longer than the slowest film's, though the sensor says full at every minute."""
    cycle = demand_cycle(WETNESS, wetness=("leaf-1",))
    paper = demand_house(demand_house_plan(cycle))

    for minute in range(1, 300):
        paper.mist_until(60.0 * minute)
        paper.decide(60.0 * minute, readings={"humidity": 0.4 + 1e-6 * minute, "leaf-1": 1.0})
        paper.open_what_was_ordered()

    rate_um_per_s = paper.house.sources[0].rates.um_per_s
    slowest_s = (FULL_UM - cycle.dry_back_drying_um) / (SLOWEST_PACE * rate_um_per_s)
    assert slowest_s < 2700.0
    assert len(paper.orders()) > 5
    assert max(gaps_s(paper)) <= slowest_s * 1.001
