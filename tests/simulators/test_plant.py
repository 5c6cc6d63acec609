"""The whole house: water conserved, steps that do not matter, a bright day as literature describes one."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from math import inf
from random import Random

import pytest

from mistd.core.readings import POSSIBLE, SensorKind
from simulators.plant.house_climate import HouseShell
from simulators.plant.instrument_board import BENCH_KINDS
from simulators.plant.instruments import InstrumentFault
from simulators.plant.plant import Plant, PlantPlan, PlantState, PlantZone
from simulators.plant.water_book import water_book
from simulators.plant.weather import Outdoors, Weather, steady_weather, typical_year_day
from simulators.plant.wetness_sensor import WetnessPlan

DAY_S = 86_400.0
BRIGHT = Outdoors(temperature_c=24.0, relative_humidity=0.55, wind_m_per_s=2.0, radiation_w_per_m2=800.0)
NOON = datetime(2025, 6, 30, 12, tzinfo=timezone(timedelta(hours=-5)))


def zone(name: str, line_volume_l: float = 0.4, line_drains_over_s: float = 300.0) -> PlantZone:
    """Twelve nozzles of 0.6 l/min at 3 bar over 14 m2."""
    return PlantZone(
        name=name,
        nozzles=12,
        nozzle_flow_l_per_min=0.6,
        nozzle_pressure_bar=3.0,
        bench_area_m2=14.0,
        line_volume_l=line_volume_l,
        line_drains_over_s=line_drains_over_s,
    )


TWO_ZONES = PlantPlan(zones=(zone("misted"), zone("unmisted")))


def steady_plant(seed: int = 1, longest_step_s: float = 30.0) -> Plant:
    weather = steady_weather(BRIGHT, starts_at=NOON)
    return Plant(TWO_ZONES, weather, Random(seed), longest_step_s=longest_step_s)


def greensboro_plant(plan: PlantPlan = TWO_ZONES, longest_step_s: float = 30.0) -> Plant:
    """30 June of the typical year: the brightest day between mid May and July."""
    return Plant(plan, greensboro_day(), Random(1), longest_step_s=longest_step_s)


def greensboro_day() -> Weather:
    return typical_year_day(month=6, day=30)


def live_a_day(
    plant: Plant, misted: list[str], look: Callable[[PlantState], None] = lambda _: None
) -> PlantState:
    """Bursts of 6 s every 8 min, zone after zone, looking twice a minute."""
    for cycle in range(180):
        begin_s = cycle * 480.0
        for place, name in enumerate(misted):
            plant.advance(begin_s + place * 8.0 + 6.0, {name: 6.0})
            plant.advance(begin_s + place * 8.0 + 8.0, {})
        for half_minute in range(3, 17):
            look(plant.advance(begin_s + half_minute * 30.0, {}))
    return plant.state()


# --- what the caller says of the valves


def test_one_step_with_a_burst_inside_is_as_good_as_many_small_ones() -> None:
    """A step of 3 s that held 2.3 s of opening, against steps of 0.1 s."""
    coarse, fine = steady_plant(), steady_plant()

    after_coarse = coarse.advance(3.0, {"misted": 2.3})
    for tenth in range(1, 31):
        is_open = tenth < 23
        fine.advance(tenth / 10.0, {"misted": 0.1 if tenth <= 23 else 0.0}, {"misted": is_open})
    after_fine = fine.state()

    assert after_coarse.zones["misted"].applied_l == pytest.approx(
        after_fine.zones["misted"].applied_l, rel=1e-5
    )
    # A step's water lands at the nearer of its edges; here the difference is seconds of drying.
    assert after_coarse.zones["misted"].film_um == pytest.approx(after_fine.zones["misted"].film_um, abs=0.3)
    assert after_coarse.zones["misted"].film_um > 1.0


def test_a_valve_still_open_was_open_at_the_end_of_the_stretch() -> None:
    """Two valves, each open for half of the stretch: one after the other they do not share the pressure."""
    in_turn, together = steady_plant(), steady_plant()
    in_turn.advance(6.0, {"misted": 3.0, "unmisted": 3.0}, {"unmisted": True})
    together.advance(6.0, {"misted": 3.0, "unmisted": 3.0})

    assert in_turn.state().zones["misted"].applied_l > 1.02 * together.state().zones["misted"].applied_l
    assert in_turn.state().zones["unmisted"].line_l == pytest.approx(0.4)
    assert together.state().zones["unmisted"].line_l < 0.399  # shut for 3 s and running empty


def test_pressure_falls_while_a_valve_is_open_and_recovers() -> None:
    plant = steady_plant()

    at_rest = plant.state()
    spraying = plant.advance(5.0, {"misted": 5.0}, {"misted": True})
    shut_again = plant.advance(6.0, {})

    assert (at_rest.flow_l_per_min, shut_again.flow_l_per_min) == (0.0, 0.0)
    assert spraying.flow_l_per_min > 6.0
    lost_bar = 0.006 * spraying.flow_l_per_min**2
    assert spraying.pressure_bar == pytest.approx(at_rest.pressure_bar - lost_bar, abs=0.001)
    assert shut_again.pressure_bar == pytest.approx(at_rest.pressure_bar, abs=0.001)


def test_the_flow_meter_sees_a_burst_that_began_and_ended_between_two_looks() -> None:
    plant = steady_plant()

    state = plant.advance(3.9, {"misted": 2.8})  # time for the valve to have shut again

    assert state.flow_l_per_min == 0.0
    assert plant.readings()[SensorKind.FLOW] > 1.0


REFUSED = [
    (9.0, {}, {}, "cannot go back 1 s"),
    (20.0, {"attic": 1.0}, {}, "no such zone: attic"),
    (20.0, {}, {"attic": True}, "no such zone: attic"),
    (20.0, {"misted": 10.1}, {}, r"misted: valve open for 10.1 s of 10 s"),
    (20.0, {"misted": -0.1}, {}, r"misted: valve open for -0.1 s"),
]


@pytest.mark.parametrize(("to_s", "open_seconds", "is_open", "message"), REFUSED)
def test_what_cannot_have_happened_is_refused_and_changes_nothing(
    to_s: float, open_seconds: dict[str, float], is_open: dict[str, bool], message: str
) -> None:
    plant = steady_plant()
    before = plant.advance(10.0, {})

    with pytest.raises(ValueError, match=message):
        plant.advance(to_s, open_seconds, is_open)

    assert plant.state() == before


def test_a_valve_open_for_the_whole_stretch_is_accepted_and_no_time_at_all_too() -> None:
    plant = steady_plant()

    plant.advance(10.0, {"misted": 10.0}, {"misted": True})
    at_once = plant.advance(10.0, {"misted": 0.0}, {"misted": False})
    later = plant.advance(12.0, {})

    assert (at_once.at_s, later.flow_l_per_min) == (10.0, 0.0)
    assert at_once.flow_l_per_min > 6.0  # a pilot valve takes its time


@pytest.mark.parametrize(
    ("field", "value", "word"),
    [
        ("nozzles", 0, "nozzles is 0"),
        ("bench_area_m2", 0.0, "bench_area_m2 is 0"),
        ("line_volume_l", -1.0, "line_volume_l is -1"),
        ("nozzle_shuts_bar", 1.5, "nozzles shut at 1.5 bar and open at 1 bar"),
    ],
)
def test_a_zone_that_cannot_be_is_refused(field: str, value: float, word: str) -> None:
    plan: dict[str, object] = {"name": "north", "nozzles": 12, "nozzle_flow_l_per_min": 0.6}
    plan |= {"nozzle_pressure_bar": 3.0, "bench_area_m2": 14.0, "line_volume_l": 0.4, field: value}

    with pytest.raises(ValueError, match=f"^north: .*{word}"):
        PlantZone(**plan)  # type: ignore[arg-type]


def test_two_zones_of_one_name_and_benches_larger_than_the_house_are_refused() -> None:
    with pytest.raises(ValueError, match="a name of its own"):
        PlantPlan(zones=(zone("north"), zone("north")))
    with pytest.raises(ValueError, match="benches of 28 m2 in a house of 20 m2"):
        PlantPlan(zones=(zone("north"), zone("south")), shell=HouseShell(floor_area_m2=20.0))


# --- seeds and instruments


def test_the_same_seed_gives_the_same_numbers_and_another_only_other_noise() -> None:
    def history(seed: int) -> tuple[list[PlantState], list[dict[SensorKind, float]]]:
        plant = steady_plant(seed)
        states, readings = [], []
        for minute in range(1, 61):
            states.append(plant.advance(minute * 60.0, {"misted": 2.0 if minute % 8 == 0 else 0.0}))
            readings.append(plant.readings())
        return states, readings

    one, twin, other = history(5), history(5), history(6)

    assert one == twin
    assert one[0] == other[0]
    assert one[1] != other[1]


def test_readings_are_the_truth_but_for_a_little_noise() -> None:
    plant = steady_plant()
    for minute in range(1, 121):
        state = plant.advance(minute * 60.0, {})

    readings = plant.readings()

    assert set(readings) == set(SensorKind) - BENCH_KINDS
    assert readings[SensorKind.AIR_TEMPERATURE] == pytest.approx(state.air_temperature_c, abs=0.3)
    assert readings[SensorKind.RELATIVE_HUMIDITY] == pytest.approx(state.relative_humidity, abs=0.02)
    assert readings[SensorKind.LIGHT] == pytest.approx(0.35 * 800.0, abs=5.0)
    assert readings[SensorKind.SUPPLY_PRESSURE] == pytest.approx(state.pressure_bar, abs=0.05)
    assert readings[SensorKind.FLOW] == pytest.approx(0.0, abs=0.1)


def test_a_broken_instrument_does_not_disturb_the_others() -> None:
    sound, broken = steady_plant(), steady_plant()
    broken.break_instrument(SensorKind.LIGHT, InstrumentFault.DROPPED_OUT)

    for minute in range(1, 11):
        sound.advance(minute * 60.0, {})
        broken.advance(minute * 60.0, {})
        expected, found = sound.readings(), broken.readings()
        assert SensorKind.LIGHT not in found
        assert found == {kind: value for kind, value in expected.items() if kind is not SensorKind.LIGHT}
    broken.mend_instrument(SensorKind.LIGHT)

    assert SensorKind.LIGHT in broken.readings()


# --- a day


@pytest.mark.parametrize("line_drains_over_s", [300.0, inf])
def test_no_water_is_lost_or_made_in_a_day(line_drains_over_s: float) -> None:
    """By a caller that only looks now and then; `test_water_book` looks after every step."""
    plan = PlantPlan(zones=(zone("misted", line_drains_over_s=line_drains_over_s), zone("unmisted")))
    plant = greensboro_plant(plan)
    began = water_book(plant)

    end = live_a_day(plant, ["misted"])

    assert water_book(plant).error_l(began) == pytest.approx(0.0, abs=1e-9 * end.supplied_l)
    assert end.supplied_l > 90.0


def test_halving_the_step_changes_a_days_evaporation_by_under_a_hundredth() -> None:
    whole = live_a_day(greensboro_plant(longest_step_s=30.0), ["misted"]).zones["misted"].evaporated_mm
    half = live_a_day(greensboro_plant(longest_step_s=15.0), ["misted"]).zones["misted"].evaporated_mm
    tiny = live_a_day(greensboro_plant(longest_step_s=2.0), ["misted"]).zones["misted"].evaporated_mm

    assert half == pytest.approx(whole, rel=0.005)
    assert tiny == pytest.approx(whole, rel=0.01)


def test_a_bench_without_mist_stays_dry() -> None:
    end = live_a_day(greensboro_plant(), ["misted"])

    unmisted = end.zones["unmisted"]
    assert (unmisted.film_um, unmisted.applied_l, unmisted.evaporated_mm) == (0.0, 0.0, 0.0)


def test_a_bright_day_in_a_shaded_house_is_as_one_would_expect() -> None:
    """Common practice, no source; published figures are in `test_field_figures`."""
    states: list[PlantState] = []

    end = live_a_day(greensboro_plant(), ["misted"], states.append)

    hours = {round(state.at_s / 3600.0, 4): state for state in states}
    before_dawn, afternoon = hours[4.0], hours[14.0]
    assert before_dawn.vapour_pressure_deficit_kpa < 0.3
    assert before_dawn.zones["misted"].film_um > 40.0
    assert 1.5 < afternoon.vapour_pressure_deficit_kpa < 4.0
    assert afternoon.relative_humidity < 0.6
    assert 28.0 < afternoon.air_temperature_c < 36.0
    assert afternoon.zones["unmisted"].leaf_temperature_c > afternoon.air_temperature_c + 1.0
    assert 1.5 < end.zones["misted"].evaporated_mm < 5.0
    assert all(0.0 <= state.relative_humidity <= 1.0 for state in states)


def test_mist_over_most_of_the_floor_cools_a_hot_house() -> None:
    """Katsoulas, Baille & Kittas (2001): fog or mist takes a house at 32 C down to 29.6 C, by 2 to 3 C.

    Eight benches of 14 m2 in a house of 150 m2. Nothing was fitted to it; the bounds leave half a degree.
    """
    names = [f"bench-{number}" for number in range(8)]
    plan = PlantPlan(zones=tuple(zone(name) for name in names), shell=HouseShell(floor_area_m2=150.0))
    warmest: dict[bool, float] = {}

    for misted in (True, False):
        temperatures_c: list[float] = []
        live_a_day(
            greensboro_plant(plan),
            names if misted else [],
            lambda state, found=temperatures_c: found.append(state.air_temperature_c),  # type: ignore[misc]
        )
        warmest[misted] = max(temperatures_c)

    assert 1.5 < warmest[False] - warmest[True] < 3.5


def test_every_reading_of_a_day_is_possible_for_its_kind() -> None:
    plant = greensboro_plant()
    refused: list[tuple[SensorKind, float]] = []

    def look(_state: PlantState) -> None:
        refused.extend(
            (kind, value) for kind, value in plant.readings().items() if not POSSIBLE[kind].has(value)
        )

    live_a_day(plant, ["misted"], look)

    assert refused == []


def test_a_plant_may_begin_in_the_middle_of_its_weather() -> None:
    plant = Plant(TWO_ZONES, greensboro_day(), Random(1), starts_at_s=12 * 3600.0)

    state = plant.state()

    assert state.at_s == 12 * 3600.0
    assert state.air_temperature_c == pytest.approx(25.0)  # the file's row for 12:00
    assert state.light_w_per_m2 > 300.0


def test_a_wetness_sensor_on_a_bench_sees_that_benchs_mist_and_no_other() -> None:
    sensed = [replace(zone(name), wetness_sensors={name: WetnessPlan()}) for name in ("misted", "unmisted")]
    plant = Plant(PlantPlan(zones=sensed), steady_weather(BRIGHT, starts_at=NOON), Random(1))
    dry_mv = {name: sensor.reading_mv() or 0.0 for name, sensor in plant.on_benches.wetness_sensors.items()}

    plant.advance(8.0, {"misted": 6.0})
    plant.advance(30.0, {})
    wet_mv = {name: sensor.reading_mv() or 0.0 for name, sensor in plant.on_benches.wetness_sensors.items()}

    assert wet_mv["misted"] - dry_mv["misted"] > 100.0
    assert abs(wet_mv["unmisted"] - dry_mv["unmisted"]) < 15.0
    wettest_um = plant.plan.zones[0].leaf.spread[-1] * float(plant.canopy.applied_um[0])
    assert plant.on_benches.wetness_sensors["misted"].caught_um == pytest.approx(0.9 * wettest_um)
