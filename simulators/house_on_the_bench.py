"""A plant built like a configured house: as many nozzles, as wide benches, the same line volumes.

The plant is told what is built, never how it is controlled.
"""

from mistd.app.config import Config
from mistd.core.readings import SensorKind
from simulators.plant.house_climate import HouseShell
from simulators.plant.plant import PlantPlan, PlantZone

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
        )
        for zone in config.zones
    ]
    benches_m2 = sum(zone.bench_area_m2 for zone in config.zones)
    shell = HouseShell(floor_area_m2=max(benches_m2 * FLOOR_PER_BENCH, LEAST_FLOOR_M2))
    return PlantPlan(zones=zones, shell=shell)


def sent_value(kind: SensorKind, unit: str | None, value: float) -> float:
    """A reading as the sensor would send it."""
    if kind is SensorKind.RELATIVE_HUMIDITY and unit in {None, "percent"}:
        return round(value * 100.0, 2)
    return round(value, 4)
