"""A plant built like a configured house: as many nozzles, as wide benches, the same line volumes.

The plant is told what is built, never how it is controlled.
"""

from collections.abc import Set
from dataclasses import replace

from mistd.app.config import Config, SensorSection
from mistd.core.readings import SensorKind
from simulators.plant.house_climate import HouseShell
from simulators.plant.instrument_board import BENCH_KINDS, EVERY_KIND
from simulators.plant.plant import Plant, PlantPlan, PlantZone
from simulators.plant.wetness_sensor import WetnessPlan

FLOOR_PER_BENCH = 1.6  # paths and corners; an invented house, like any other
LEAST_FLOOR_M2 = 100.0


def plant_plan(config: Config) -> PlantPlan:
    """The bench's version of a house."""
    zones = [
        PlantZone(
            name=zone.name,
            nozzles=zone.nozzles,
            nozzle_flow_l_per_min=zone.nozzle_flow_l_per_min,
            nozzle_pressure_bar=zone.nozzle_pressure_bar,
            bench_area_m2=zone.bench_area_m2,
            line_volume_l=zone.line_volume_l,
            wetness_sensors={
                sensor.name: _plate(sensor)
                for sensor in config.sensors
                if sensor.zone == zone.name and sensor.kind is SensorKind.LEAF_WETNESS
            },
            leaf_thermometers=tuple(
                sensor.name
                for sensor in config.sensors
                if sensor.zone == zone.name and sensor.kind is SensorKind.LEAF_TEMPERATURE
            ),
        )
        for zone in config.zones
    ]
    benches_m2 = sum(zone.bench_area_m2 for zone in config.zones)
    shell = HouseShell(floor_area_m2=max(benches_m2 * FLOOR_PER_BENCH, LEAST_FLOOR_M2))
    return PlantPlan(zones=zones, shell=shell)


def _plate(sensor: SensorSection) -> WetnessPlan:
    """A leaf-wetness sensor as it was calibrated: its own dry and wet values, where it dries first."""
    plan = WetnessPlan(quarter=0, spread_share=0.0)
    if sensor.dry_reads is None or sensor.wet_reads is None:
        return plan
    return replace(plan, dry_mv=sensor.dry_reads, wet_mv=sensor.wet_reads)


def readings_by_sensor(config: Config, plant: Plant, kinds: Set[SensorKind] = EVERY_KIND) -> dict[str, float]:
    """What a house's sensors of these kinds say now, by name, in the unit of their kind."""
    said = plant.readings(kinds)
    readings = {sensor.name: said[sensor.kind] for sensor in config.sensors if sensor.kind in said}
    if not kinds.isdisjoint(BENCH_KINDS):
        readings |= plant.bench_readings()
    return readings


def sent_value(kind: SensorKind, unit: str | None, value: float) -> float:
    """A reading as the sensor would send it."""
    if kind is SensorKind.RELATIVE_HUMIDITY and unit in {None, "percent"}:
        return round(value * 100.0, 2)
    return round(value, 4)
