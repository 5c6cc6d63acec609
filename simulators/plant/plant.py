"""The whole house on the bench: weather, air, leaves, pipes and instruments, moved on together.

The plant is told for how long each valve was open and answers with what became of the water. It does no I/O,
knows no clock, no controller and no asyncio; its time is seconds since its weather began. The same plan,
weather, seed and calls give the same numbers, to the last bit.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from random import Random

from mistd.core.psychrometrics import vapour_pressure_deficit_kpa
from mistd.core.readings import SensorKind
from simulators.plant.house_climate import HouseClimate, HouseShell
from simulators.plant.instruments import INSTRUMENTS, Instrument, InstrumentFault, InstrumentPlan
from simulators.plant.leaf_surface import UM_PER_MM, Drying, LeafAir, LeafPlan, LeafSurface, drying
from simulators.plant.pipework import Flowing, LinePlan, MainsPlan, Pipework
from simulators.plant.weather import Outdoors, Weather

LONGEST_STEP_S = 30.0  # within a step leaves and air stand still for each other
MORE_THAN_NOUGHT = (
    "nozzles",
    "nozzle_flow_l_per_min",
    "nozzle_pressure_bar",
    "bench_area_m2",
    "line_loss_bar",
    "line_drains_over_s",
)
ROUNDING_S = 1e-6  # a valve's open seconds are a caller's difference of floats


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantZone:
    """One bench: its valve, line, nozzles and leaves."""

    name: str
    nozzles: int
    nozzle_flow_l_per_min: float  # of one nozzle, at nozzle_pressure_bar
    nozzle_pressure_bar: float
    bench_area_m2: float
    line_volume_l: float
    line_loss_bar: float = 0.15  # manifold to nozzles, at the rated flow
    line_drains_over_s: float = 300.0  # inf for nozzles that hold their line full
    nozzle_opens_bar: float = 1.0
    nozzle_shuts_bar: float = 0.7
    leaf: LeafPlan = field(default_factory=LeafPlan)

    def __post_init__(self) -> None:
        for name in MORE_THAN_NOUGHT:
            if not getattr(self, name) > 0:
                raise ValueError(f"{self.name}: {name} is {getattr(self, name):g}, must be more than 0")
        if not self.line_volume_l >= 0.0:
            raise ValueError(f"{self.name}: line_volume_l is {self.line_volume_l:g}, must be 0 or more")
        if not 0.0 <= self.nozzle_shuts_bar <= self.nozzle_opens_bar:
            raise ValueError(
                f"{self.name}: nozzles shut at {self.nozzle_shuts_bar:g} bar and open at "
                f"{self.nozzle_opens_bar:g} bar; they must shut at no more than they open"
            )

    def line(self) -> LinePlan:
        return LinePlan(
            name=self.name,
            nozzles=self.nozzles,
            nozzle_flow_l_per_min=self.nozzle_flow_l_per_min,
            nozzle_pressure_bar=self.nozzle_pressure_bar,
            volume_l=self.line_volume_l,
            loss_bar=self.line_loss_bar,
            nozzle_opens_bar=self.nozzle_opens_bar,
            nozzle_shuts_bar=self.nozzle_shuts_bar,
            drains_over_s=self.line_drains_over_s,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantPlan:
    """What the bench house is made of."""

    zones: Sequence[PlantZone]
    shell: HouseShell = field(default_factory=HouseShell)
    mains: MainsPlan = field(default_factory=MainsPlan)
    instruments: Mapping[SensorKind, InstrumentPlan] = field(default_factory=lambda: dict(INSTRUMENTS))

    def __post_init__(self) -> None:
        names = [zone.name for zone in self.zones]
        if len(set(names)) < len(names):
            raise ValueError(f"every zone needs a name of its own: {', '.join(names)}")
        benches_m2 = sum(zone.bench_area_m2 for zone in self.zones)
        if benches_m2 > self.shell.floor_area_m2:
            raise ValueError(f"benches of {benches_m2:g} m2 in a house of {self.shell.floor_area_m2:g} m2")


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneState:
    """A bench as it stands; totals run from the start of the plant."""

    film_um: float
    wet_fraction: float
    leaf_temperature_c: float
    applied_l: float  # out of the nozzles
    drained_l: float  # out of the line after the valve shut
    line_l: float  # standing in the line
    missed_mm: float  # mist that fell between the leaves
    dripped_mm: float  # mist the leaves could not hold
    evaporated_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantState:
    """The truth about the house, which no instrument shows."""

    at_s: float  # since the weather began
    zones: Mapping[str, ZoneState]
    air_temperature_c: float
    relative_humidity: float
    vapour_pressure_deficit_kpa: float
    light_w_per_m2: float  # at the bench
    pressure_bar: float  # at the manifold, now
    flow_l_per_min: float  # into the manifold, now
    supplied_l: float  # into the manifold, since the start


class Plant:
    """The simulated house. `rng` seeds its instruments and is used for nothing else."""

    def __init__(
        self,
        plan: PlantPlan,
        weather: Weather,
        rng: Random,
        *,
        starts_at_s: float = 0.0,
        longest_step_s: float = LONGEST_STEP_S,
    ) -> None:
        self._plan = plan
        self._weather = weather
        self._now_s = starts_at_s
        self._longest_step_s = longest_step_s
        outdoors = weather.at(starts_at_s)
        self._climate = HouseClimate(plan.shell, outdoors, weather.air_pressure_kpa)
        self._pipework = Pipework(plan.mains, [zone.line() for zone in plan.zones])
        self._leaves = {zone.name: LeafSurface(zone.leaf) for zone in plan.zones}
        self._areas_m2 = {zone.name: zone.bench_area_m2 for zone in plan.zones}
        self._leaf_kinds = list(dict.fromkeys(zone.leaf for zone in plan.zones))
        self._leaf_kind = {zone.name: self._leaf_kinds.index(zone.leaf) for zone in plan.zones}
        self._open_now: frozenset[str] = frozenset()
        self.instruments = {
            kind: Instrument(plan.instruments[kind], truth, Random(rng.getrandbits(64)))
            for kind, truth in self._truths().items()
        }

    @property
    def now_s(self) -> float:
        return self._now_s

    def advance(
        self, to_s: float, open_seconds: Mapping[str, float], is_open: Mapping[str, bool] | None = None
    ) -> PlantState:
        """Move on to `to_s`, having had each zone's valve open for so many seconds since the last call.

        A valve that is open at the end was open at the end of the stretch; one that is shut, at its start.
        Zones not named were shut.

        Args:
            to_s: seconds since the weather began.
            open_seconds: by zone; no more than the time that passed.
            is_open: by zone, how the valves stand at `to_s`.

        Raises:
            ValueError: time runs backwards, a zone is unknown, or a valve was open longer than time passed.
        """
        open_now = frozenset(name for name, is_so in (is_open or {}).items() if is_so)
        passed_s = to_s - self._now_s
        self._refuse_impossible(passed_s, open_seconds, open_now)
        for stretch_s, open_zones in _stretches(passed_s, open_seconds, open_now):
            self._run(stretch_s, open_zones)
        self._now_s = to_s
        self._open_now = open_now
        return self.state()

    def state(self) -> PlantState:
        """The truth as it stands."""
        truths = self._truths()
        air_c = self._climate.air_temperature_c
        relative_humidity = self._climate.relative_humidity
        dryings = self._dryings(self._weather.at(self._now_s))
        return PlantState(
            at_s=self._now_s,
            zones={name: self._zone_state(name, dryings[kind]) for name, kind in self._leaf_kind.items()},
            air_temperature_c=air_c,
            relative_humidity=relative_humidity,
            vapour_pressure_deficit_kpa=vapour_pressure_deficit_kpa(air_c, relative_humidity),
            light_w_per_m2=truths[SensorKind.LIGHT],
            pressure_bar=truths[SensorKind.SUPPLY_PRESSURE],
            flow_l_per_min=truths[SensorKind.FLOW],
            supplied_l=self._pipework.supplied_l,
        )

    def readings(self) -> dict[SensorKind, float]:
        """What the instruments say now, in the unit of their kind; one that says nothing is left out."""
        said = {kind: instrument.reading() for kind, instrument in self.instruments.items()}
        return {kind: value for kind, value in said.items() if value is not None}

    def break_instrument(self, kind: SensorKind, fault: InstrumentFault) -> None:
        self.instruments[kind].fault = fault

    def mend_instrument(self, kind: SensorKind) -> None:
        self.instruments[kind].fault = None

    def _run(self, stretch_s: float, open_zones: frozenset[str]) -> None:
        """Live through a stretch in which no valve moves, in steps of bounded length."""
        left_s = stretch_s
        while left_s > 0.0:
            step_s = min(left_s, self._longest_step_s)
            self._step(step_s, open_zones)
            left_s -= step_s

    def _step(self, step_s: float, open_zones: frozenset[str]) -> None:
        middle_s = self._now_s + 0.5 * step_s
        outdoors = self._weather.at(middle_s)
        static_bar = self._plan.mains.static_bar(self._weather.hour_of_day(middle_s))
        for flowing in self._pipework.flow(step_s, static_bar, open_zones):
            self._take_water(flowing)
        evaporated_l = self._dry_leaves(step_s, outdoors)
        self._climate.step(step_s, outdoors, evaporated_l)  # a litre of water is a kilogram
        self._now_s += step_s
        self._follow_air(step_s, outdoors)

    def _take_water(self, flowing: Flowing) -> None:
        for name, sprayed_l in flowing.sprayed_l.items():
            self._leaves[name].wet(sprayed_l / self._areas_m2[name] * UM_PER_MM)
        self.instruments[SensorKind.SUPPLY_PRESSURE].follow(flowing.pressure_bar, flowing.duration_s)
        self.instruments[SensorKind.FLOW].follow(flowing.flow_l_per_min, flowing.duration_s)

    def _dry_leaves(self, step_s: float, outdoors: Outdoors) -> float:
        """Let every bench dry for a step; return the litres that went into the air."""
        dryings = self._dryings(outdoors)
        evaporated_l = 0.0
        for name, leaves in self._leaves.items():
            evaporated_um = leaves.dry(step_s, dryings[self._leaf_kind[name]])
            evaporated_l += evaporated_um / UM_PER_MM * self._areas_m2[name]
        return evaporated_l

    def _dryings(self, outdoors: Outdoors) -> list[Drying]:
        """What the air does to each kind of leaf; benches of the same leaves share the sum."""
        climate, shell = self._climate, self._plan.shell
        air = LeafAir(
            temperature_c=climate.air_temperature_c,
            vapour_pressure_kpa=climate.vapour_pressure_kpa,
            speed_m_per_s=shell.air_speed_m_per_s(climate.air_temperature_c, outdoors.wind_m_per_s),
            light_w_per_m2=shell.light_w_per_m2(outdoors),
            pressure_kpa=self._weather.air_pressure_kpa,
        )
        return [drying(air, leaf) for leaf in self._leaf_kinds]

    def _follow_air(self, step_s: float, outdoors: Outdoors) -> None:
        self.instruments[SensorKind.AIR_TEMPERATURE].follow(self._climate.air_temperature_c, step_s)
        self.instruments[SensorKind.RELATIVE_HUMIDITY].follow(self._climate.relative_humidity, step_s)
        self.instruments[SensorKind.LIGHT].follow(self._plan.shell.light_w_per_m2(outdoors), step_s)

    def _truths(self) -> dict[SensorKind, float]:
        static_bar = self._plan.mains.static_bar(self._weather.hour_of_day(self._now_s))
        pressure_bar, flow_l_per_min = self._pipework.present(static_bar, self._open_now)
        return {
            SensorKind.AIR_TEMPERATURE: self._climate.air_temperature_c,
            SensorKind.RELATIVE_HUMIDITY: self._climate.relative_humidity,
            SensorKind.LIGHT: self._plan.shell.light_w_per_m2(self._weather.at(self._now_s)),
            SensorKind.SUPPLY_PRESSURE: pressure_bar,
            SensorKind.FLOW: flow_l_per_min,
        }

    def _zone_state(self, name: str, air: Drying) -> ZoneState:
        leaves, line = self._leaves[name], self._pipework.line(name)
        wet_fraction = leaves.wet_fraction
        return ZoneState(
            film_um=leaves.film_um,
            wet_fraction=wet_fraction,
            leaf_temperature_c=self._climate.air_temperature_c + air.leaf_above_air_c(wet_fraction),
            applied_l=line.sprayed_l,
            drained_l=line.drained_l,
            line_l=line.filled_l,
            missed_mm=leaves.missed_um / UM_PER_MM,
            dripped_mm=leaves.dripped_um / UM_PER_MM,
            evaporated_mm=leaves.evaporated_um / UM_PER_MM,
        )

    def _refuse_impossible(
        self, passed_s: float, open_seconds: Mapping[str, float], open_now: frozenset[str]
    ) -> None:
        if passed_s < 0.0:
            raise ValueError(f"the plant stands at {self._now_s:g} s and cannot go back {-passed_s:g} s")
        unknown = {*open_seconds, *open_now} - self._leaves.keys()
        if unknown:
            raise ValueError(f"no such zone: {', '.join(sorted(unknown))}")
        for name, seconds in open_seconds.items():
            if not 0.0 <= seconds <= passed_s + ROUNDING_S:
                raise ValueError(f"{name}: valve open for {seconds:g} s of {passed_s:g} s")


def _stretches(
    passed_s: float, open_seconds: Mapping[str, float], open_now: frozenset[str]
) -> Iterator[tuple[float, frozenset[str]]]:
    """Cut the time that passed where a valve moved: how long each piece is, and what was open in it."""
    spans: dict[str, tuple[float, float]] = {}
    for name, seconds in open_seconds.items():
        if seconds > 0.0:
            at_the_end = (max(0.0, passed_s - seconds), passed_s)
            spans[name] = at_the_end if name in open_now else (0.0, min(passed_s, seconds))
    edges_s = sorted({0.0, passed_s, *(edge for span in spans.values() for edge in span)})
    for begin_s, end_s in pairwise(edges_s):
        yield (
            end_s - begin_s,
            frozenset(name for name, span in spans.items() if span[0] <= begin_s and end_s <= span[1]),
        )
