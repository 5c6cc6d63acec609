"""Instruments on the benches: each sees its own bench, as it is when it is read, and is broken by name."""

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from random import Random

import pytest

from simulators.plant.instruments import InstrumentFault
from simulators.plant.plant import Plant, PlantPlan, PlantZone
from simulators.plant.weather import Outdoors, steady_weather
from simulators.plant.wetness_sensor import WetnessPlan

BRIGHT = Outdoors(temperature_c=24.0, relative_humidity=0.55, wind_m_per_s=2.0, radiation_w_per_m2=800.0)
NOON = datetime(2025, 6, 30, 12, tzinfo=timezone(timedelta(hours=-5)))
QUIET = WetnessPlan(quarter=0, spread_share=0.0, noise_mv=0.0)
MISTED, LEFT_DRY = "misted", "left-dry"


def sensed_zone(name: str) -> PlantZone:
    return PlantZone(
        name=name,
        nozzles=12,
        nozzle_flow_l_per_min=0.6,
        nozzle_pressure_bar=3.0,
        bench_area_m2=14.0,
        line_volume_l=0.25,
        wetness_sensors={f"{name}/plate": QUIET},
        leaf_thermometers=(f"{name}/leaf",),
    )


def sensed_plant(*, batch_days: float | None = None) -> Plant:
    plan = PlantPlan(zones=[sensed_zone(MISTED), sensed_zone(LEFT_DRY)], batch_days=batch_days)
    return Plant(plan, steady_weather(BRIGHT, starts_at=NOON), Random(1))


def misted_for(plant: Plant, seconds: float) -> None:
    """Mist one bench from now on for so long."""
    plant.command(MISTED, is_open=True)
    plant.run_to(plant.now_s + seconds)
    plant.command(MISTED, is_open=False)


def test_a_plate_read_between_two_steps_of_the_house_has_the_burst_in_it() -> None:
    plant = sensed_plant()
    plant.run_to(60.0)
    dry = plant.bench_readings()

    misted_for(plant, 6.0)
    plant.run_to(plant.now_s + 9.0)  # within the step that began with the burst
    wet = plant.bench_readings()

    assert wet[f"{MISTED}/plate"] > dry[f"{MISTED}/plate"] + 50.0
    assert wet[f"{LEFT_DRY}/plate"] == pytest.approx(dry[f"{LEFT_DRY}/plate"], abs=2.0)


def test_reading_more_often_wets_and_dries_a_plate_no_differently() -> None:
    often, seldom = sensed_plant(), sensed_plant()
    for plant in (often, seldom):
        plant.run_to(60.0)
        misted_for(plant, 6.0)

    for second in range(67, 367, 10):
        often.run_to(float(second))
        often.bench_readings()
    for plant in (often, seldom):
        plant.run_to(400.0)
        plant.bench_readings()

    name = f"{MISTED}/plate"
    film_um = {plant.on_benches.wetness_sensors[name].film_um for plant in (often, seldom)}
    assert max(film_um) == pytest.approx(min(film_um), rel=0.04)  # the air it dries in is a step old
    assert max(film_um) > 1.0


def test_a_thermometer_on_a_leaf_reads_its_own_bench_warm_when_dry_and_cool_when_wet() -> None:
    plant = sensed_plant()

    for minute in range(1, 31):
        plant.run_to(minute * 60.0)
        misted_for(plant, 5.0)
    plant.run_to(plant.now_s + 40.0)
    leaf_c = plant.bench_readings()

    assert leaf_c[f"{LEFT_DRY}/leaf"] > plant.air_temperature_c + 1.0
    assert leaf_c[f"{MISTED}/leaf"] < leaf_c[f"{LEFT_DRY}/leaf"] - 1.0
    driest_upper_c = float(plant.canopy.leaf_c[1, 0, 0])
    assert leaf_c[f"{LEFT_DRY}/leaf"] == pytest.approx(driest_upper_c, abs=0.6)


def test_one_instrument_is_broken_and_mended_by_its_name() -> None:
    plant = sensed_plant()
    plant.run_to(60.0)

    plant.on_benches.break_one(f"{MISTED}/plate", InstrumentFault.DROPPED_OUT)
    plant.on_benches.break_one(f"{LEFT_DRY}/leaf", InstrumentFault.RAILED_HIGH)
    broken = plant.bench_readings()
    plant.on_benches.break_one(f"{MISTED}/plate", None)
    plant.on_benches.break_one(f"{LEFT_DRY}/leaf", None)
    mended = plant.bench_readings()

    assert f"{MISTED}/plate" not in broken
    assert broken[f"{LEFT_DRY}/leaf"] == 80.0
    assert set(broken) == {f"{LEFT_DRY}/plate", f"{LEFT_DRY}/leaf", f"{MISTED}/leaf"}
    assert len(mended) == 4
    assert mended[f"{LEFT_DRY}/leaf"] < 60.0


def test_plates_are_wiped_when_the_benches_are_cleared() -> None:
    plant = sensed_plant(batch_days=0.5)
    name = f"{MISTED}/plate"
    plates = plant.on_benches.wetness_sensors

    for minute in range(1, 60):
        plant.run_to(minute * 600.0)
        misted_for(plant, 5.0)
    fouled_share = plates[name].fouled_share
    plant.run_to(0.5 * 86_400.0 + 3600.0)

    assert fouled_share > 0.001
    assert plates[name].fouled_share < 0.1 * fouled_share


def test_a_bench_without_instruments_says_nothing() -> None:
    bare = [replace(sensed_zone(MISTED), wetness_sensors={}, leaf_thermometers=())]
    plant = Plant(PlantPlan(zones=bare), steady_weather(BRIGHT, starts_at=NOON), Random(1))
    plant.run_to(60.0)

    assert plant.on_benches.is_none
    assert plant.bench_readings() == {}
