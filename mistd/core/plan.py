"""What is wired and what is wanted: the house as configuration describes it, in the core's own units.

Plans do not change while the program runs. Every limit in here has been checked before it gets here.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.demand_cycles import DemandCycle
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
    demand: DemandCycle | None = None  # what leads it; None: the timetable does

    def longest_burst_in_s(self, part: DayPart) -> float | None:
        """The longest burst in a part of the day, of its cycle or its timetable; None when it has none."""
        timed_s = self.cycle.burst_s(part)
        if self.demand is None:
            return timed_s
        if self.demand.bounds[part] is None:
            return None
        return max(self.demand.longest_asked_s, timed_s or self.cycle.any_burst_s())

    def water_l(self, open_s: float) -> float:
        """Litres given by a valve open for so long, every nozzle at its rated flow."""
        return open_s / 60.0 * self.nozzles * self.nozzle_flow_l_per_min


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorPlan:
    """A sensor and how long its last word stands."""

    name: str
    kind: SensorKind
    stale_after_s: float
    zone: str | None = None  # the one it belongs to; None: the whole house
    dry_reads: float = 0.0  # of a leaf-wetness sensor, when dry
    wet_reads: float = 1.0  # and when wet all over

    def wet_share(self, reads: float) -> float:
        """How wet a leaf-wetness sensor says it is, by its own two values: 0 dry, 1 wet."""
        return (reads - self.dry_reads) / (self.wet_reads - self.dry_reads)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourcePlan:
    """The sensors that one reckoning of demand rests on, by name."""

    air: str
    humidity: str
    light: str | None = None
    leaf: str | None = None

    @property
    def sensors(self) -> tuple[str, ...]:
        return tuple(name for name in (self.air, self.humidity, self.light, self.leaf) if name)


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
    sources: tuple[SourcePlan, ...] = ()
    index: Mapping[str, int] = field(init=False, repr=False, compare=False)  # where each zone stands in zones

    def __post_init__(self) -> None:
        index = {zone.name: place for place, zone in enumerate(self.zones)}
        object.__setattr__(self, "index", index)
