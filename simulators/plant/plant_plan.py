"""What the bench house is made of: its benches with all that belongs to each, its shell and its water.

Values only. Rule: a plan that cannot be built is refused here, before anything is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from mistd.core.readings import SensorKind
from simulators.plant.cuttings import SOFT, CuttingPlan
from simulators.plant.house_shell import HouseShell
from simulators.plant.instruments import INSTRUMENTS, InstrumentPlan
from simulators.plant.lateral import LateralPlan
from simulators.plant.leaves import LeafPlan
from simulators.plant.line import LinePlan
from simulators.plant.medium import MediumPlan
from simulators.plant.plan_checks import require_more_than_nought
from simulators.plant.solenoid import ValvePlan
from simulators.plant.supplies import SuppliesPlan
from simulators.plant.waterworks import WaterworksPlan
from simulators.plant.wetness_sensor import WetnessPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantZone:
    """One bench: its valve, line, nozzles, leaves, cuttings and medium."""

    name: str
    nozzles: int
    nozzle_flow_l_per_min: float  # of one nozzle, at nozzle_pressure_bar
    nozzle_pressure_bar: float
    bench_area_m2: float
    line_volume_l: float
    line_drains_over_s: float = 300.0  # inf for nozzles that hold their line full
    nozzle_opens_bar: float = 1.0
    nozzle_shuts_bar: float = 0.7
    valve: ValvePlan = field(default_factory=ValvePlan)
    leaf: LeafPlan = field(default_factory=LeafPlan)
    cuttings: CuttingPlan = SOFT
    medium: MediumPlan = field(default_factory=MediumPlan)
    wetness_sensors: Mapping[str, WetnessPlan] = field(default_factory=dict)  # by a name of their own
    leaf_thermometers: tuple[str, ...] = ()  # on upper leaves of the bench's driest quarter, by name

    def __post_init__(self) -> None:
        require_more_than_nought(
            self,
            ("nozzles", "nozzle_flow_l_per_min", "nozzle_pressure_bar", "bench_area_m2"),
            f"{self.name}: ",
        )
        if not self.line_volume_l >= 0.0:
            raise ValueError(f"{self.name}: line_volume_l is {self.line_volume_l:g}, must be 0 or more")
        self.line()

    def line(self) -> LinePlan:
        """The zone's line; raises ValueError for one that cannot be."""
        lateral = LateralPlan(
            nozzles=self.nozzles,
            nozzle_flow_l_per_min=self.nozzle_flow_l_per_min,
            nozzle_pressure_bar=self.nozzle_pressure_bar,
        )
        return LinePlan(
            name=self.name,
            lateral=lateral,
            valve=self.valve,
            volume_l=self.line_volume_l,
            nozzle_opens_bar=self.nozzle_opens_bar,
            nozzle_shuts_bar=self.nozzle_shuts_bar,
            drains_over_s=self.line_drains_over_s,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantPlan:
    """The whole house."""

    zones: Sequence[PlantZone]
    shell: HouseShell = field(default_factory=HouseShell)
    supplies: SuppliesPlan = field(default_factory=SuppliesPlan)
    instruments: Mapping[SensorKind, InstrumentPlan] = field(default_factory=lambda: dict(INSTRUMENTS))
    batch_days: float | None = 28.0  # benches are cleared and stuck anew so often; None: never

    def __post_init__(self) -> None:
        if not self.zones:
            raise ValueError("a house needs a bench")
        benches_m2 = sum(zone.bench_area_m2 for zone in self.zones)
        if benches_m2 > self.shell.floor_area_m2:
            raise ValueError(f"benches of {benches_m2:g} m2 in a house of {self.shell.floor_area_m2:g} m2")
        if self.batch_days is not None and not self.batch_days > 0.0:
            raise ValueError(f"batch_days is {self.batch_days:g}, must be more than 0")
        self.waterworks()

    def waterworks(self) -> WaterworksPlan:
        """All the water of the house."""
        return WaterworksPlan(lines=[zone.line() for zone in self.zones], supplies=self.supplies)
