"""What is wired and what is wanted: the house as configuration describes it, in the core's own units.

Plans do not change while the program runs. Every limit in here has been checked before it gets here.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from mistd.core.cycles import TimedCycle
from mistd.core.readings import SensorKind


@dataclass(frozen=True, slots=True, kw_only=True)
class ZonePlan:
    """A valve, its nozzles and the bench they wet."""

    name: str
    cycle: TimedCycle
    nozzles: int
    nozzle_flow_l_per_min: float  # of one nozzle, at nozzle_pressure_bar
    nozzle_pressure_bar: float
    bench_area_m2: float
    longest_burst_s: float
    shortest_burst_s: float  # below this the line is not full and nothing is wetted
    shortest_rest_s: float

    def water_l(self, open_s: float) -> float:
        """Litres given by a valve open for so long, every nozzle at its rated flow."""
        return open_s / 60.0 * self.nozzles * self.nozzle_flow_l_per_min


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorPlan:
    """A sensor and how long its last word stands."""

    name: str
    kind: SensorKind
    stale_after_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HousePlan:
    """Everything the core needs to know of a house that does not change while it runs."""

    name: str
    zones: tuple[ZonePlan, ...]
    sensors: Mapping[str, SensorPlan]
    valves_at_once: int
    pause_s: float  # between two bursts on the same slot of the line, so that pressure settles
    frost_below_c: float
    frost_delay_s: float
    longest_hold_s: float
    index: Mapping[str, int] = field(init=False, repr=False, compare=False)  # where each zone stands in zones

    def __post_init__(self) -> None:
        index = {zone.name: place for place, zone in enumerate(self.zones)}
        object.__setattr__(self, "index", index)
