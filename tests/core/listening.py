"""A demand source and its sensors, told one thing after another."""

from dataclasses import dataclass, field

from mistd.core.almanac import Almanac, DayPart
from mistd.core.demand_source import (
    SourceState,
    usual_source,
    went_on,
)
from mistd.core.plan import SourcePlan
from mistd.core.readings import Quality, SensorKind, reading_of
from mistd.core.sensors import SensorState, heard, heard_nonsense, lost
from tests.core.houses import almanac, sensor_plan

KINDS = {
    "air": SensorKind.AIR_TEMPERATURE,
    "humidity": SensorKind.RELATIVE_HUMIDITY,
    "light": SensorKind.LIGHT,
    "leaf": SensorKind.LEAF_TEMPERATURE,
}
TWO = SourcePlan(air="air", humidity="humidity")
WITH_LIGHT = SourcePlan(air="air", humidity="humidity", light="light")
ALL = SourcePlan(air="air", humidity="humidity", light="light", leaf="leaf")
DAY, NIGHT, DAWN, DUSK = (almanac(part) for part in (DayPart.DAY, DayPart.NIGHT, DayPart.DAWN, DayPart.DUSK))


def new_sensors() -> dict[str, SensorState]:
    return {name: SensorState(plan=sensor_plan(name, kind), heard_s=0.0) for name, kind in KINDS.items()}


@dataclass
class Bench:
    """A source and its sensors, told one thing after another."""

    plan: SourcePlan = TWO
    sky: Almanac = DAY
    sensors: dict[str, SensorState] = field(default_factory=new_sensors)
    state: SourceState = field(init=False)

    def __post_init__(self) -> None:
        self.state = usual_source(self.sky, 0.0)

    def says(self, at_s: float, **values: float) -> SourceState:
        """Readings that come in one decision, good or bad."""
        for name, value in values.items():
            reading = reading_of(KINDS[name], value, at_s)
            take = heard if reading.quality is Quality.GOOD else heard_nonsense
            self.sensors[name] = take(self.sensors[name], reading)
        return self.looks(at_s)

    def loses(self, at_s: float, *names: str) -> SourceState:
        for name in names:
            self.sensors[name] = lost(self.sensors[name])
        return self.looks(at_s)

    def begins(self, at_s: float, sky: Almanac) -> SourceState:
        self.sky = sky
        return self.looks(at_s)

    def looks(self, at_s: float) -> SourceState:
        self.state = went_on(self.state, self.plan, self.sensors, self.sky, at_s)
        return self.state
