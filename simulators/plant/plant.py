"""The whole house on the bench, moved on together: weather, air, leaves, cuttings, medium, pipes, meters.

Water moves when valves do, to the second and finer; the house (films, air) in steps of a minute, in weak
light of two, at night of five; cuttings and medium every five minutes. Within a step they stand still for
each other. A burst's water lands on the leaves at the step's edge that is nearer. The plant does no I/O,
knows no clock, no controller and no asyncio; its time is seconds since its weather began. The same plan,
weather, seed and calls give the same numbers, to the last bit.

Rule: every litre is accounted for; see `water_book`.
"""

from collections.abc import Callable, Collection, Mapping
from random import Random

import numpy as np
from numpy.typing import NDArray

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from mistd.core.readings import SensorKind
from simulators.plant.bench_air import BenchAir
from simulators.plant.bench_instruments import BenchInstruments
from simulators.plant.cuttings import Cuttings
from simulators.plant.house_climate import HouseClimate
from simulators.plant.instrument_board import EVERY_KIND, WATER_KINDS, InstrumentBoard
from simulators.plant.instruments import Instrument, InstrumentFault
from simulators.plant.leaves import Canopy, LeafAir
from simulators.plant.medium import Medium
from simulators.plant.plant_plan import PlantPlan, PlantZone
from simulators.plant.plant_state import PlantState, ZoneState
from simulators.plant.units import SECONDS_PER_DAY, UM_PER_MM
from simulators.plant.valve_spans import ROUNDING_S, ValveSpans
from simulators.plant.waterworks import Flowing, Waterworks
from simulators.plant.weather import Outdoors, Weather

__all__ = ["Plant", "PlantPlan", "PlantState", "PlantZone", "ZoneState"]

LONGEST_STEP_S = 60.0
DIM_W_PER_M2 = 200.0  # outdoors, on the level; below it films dry slowly. Ours
DIM_STEPS = 2.0  # so much longer are steps in such light
NIGHT_STEPS = 5.0  # and in the dark
SLOW_STEPS = 5.0  # so much longer are those of cuttings and medium
LONGEST_REST_S = 600.0  # for which pipes at rest are taken to stand as they did; the mains move slowly
SUN_WARMS_LINE_C_PER_W_PER_M2 = 0.03  # black pipe in the house's light; ours

Values = NDArray[np.float64]


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
        zones = plan.zones
        self.plan, self.weather = plan, weather
        self.now_s = self._house_s = self._water_s = self._read_s = starts_at_s
        self._longest_step_s = self._step_s = longest_step_s
        self._edge_s = self._next_edge_s()
        self.outdoors = weather.at(starts_at_s)
        self.pressure_kpa = weather.air_pressure_kpa
        self.climate = HouseClimate(plan.shell, self.outdoors, self.pressure_kpa)
        self.areas_m2: Values = np.array([zone.bench_area_m2 for zone in zones])
        self.waterworks = Waterworks(
            plan.waterworks(), Random(rng.getrandbits(64)), hour_of_day=weather.hour_of_day(starts_at_s)
        )
        self.bench_air = BenchAir(len(zones))
        self.canopy = Canopy([zone.leaf for zone in zones], list(self.areas_m2), self.bench_air)
        self.cuttings = Cuttings([zone.cuttings for zone in zones])
        self.medium = Medium([zone.medium for zone in zones], self.climate.bench_c)
        self._index = {zone.name: place for place, zone in enumerate(zones)}
        self._upper_leaf_area = np.array([[zone.leaf.upper_leaf_area] for zone in zones])
        self.landing_um: Values = np.zeros(len(zones))  # sprayed, and on the leaves at the step's end
        self._is_landing = False
        self._um_per_l = [UM_PER_MM / zone.bench_area_m2 for zone in zones]
        self.owed_um: Values = np.zeros((len(zones), 4))  # taken up by leaves whose film is not yet less
        self.vapour_due_kg = 0.0  # from cuttings and medium, not yet in the air
        self._vapour_due_kg_per_s = self._from_medium_share = 0.0
        self._slow_s = 0.0
        self._stuck_s = starts_at_s
        self._open_now: frozenset[str] = frozenset()
        self.watch: Callable[[float], None] | None = None  # called after each step, before water lands
        self.film_before_um = self.upper_film_um  # as the last step began
        self.is_wilted_driest = self.cuttings.is_wilted[:, 0]  # cuttings of each bench's driest quarter hang
        self.is_any_wilted = bool(self.is_wilted_driest.any())
        self._look()
        self._board = InstrumentBoard(plan.instruments, self._truths(), rng)
        self._felt_s = starts_at_s
        self._air = self._leaf_air()
        self.on_benches = BenchInstruments(zones, self.climate.air_temperature_c, rng)

    # --- moving on

    def command(self, output: str, *, is_open: bool) -> None:
        """Switch an output now: a zone's valve by its name, or a supply's part.

        Raises:
            ValueError: there is no such output.
        """
        if output not in self.waterworks.outputs:
            raise ValueError(f"no such zone or output: {output}")
        self._flow_to(self.now_s)
        self.waterworks.command(output, is_open)

    def run_to(self, to_s: float) -> None:
        """Move on with the outputs as they were commanded last.

        What stands between two steps of the house stays as it was at the last one; `settle` brings it up.

        Raises:
            ValueError: time runs backwards.
        """
        if to_s < self.now_s:
            raise ValueError(f"the plant stands at {self.now_s:g} s and cannot go back to {to_s:g} s")
        while self._edge_s <= to_s + ROUNDING_S:
            self._live_to(self._edge_s)
        self.now_s = to_s

    def settle(self) -> None:
        """Bring films and air up to now, with a step as short as that takes."""
        self._flow_to(self.now_s)
        if self.now_s > self._house_s:
            self._live_to(self.now_s)

    def advance(
        self, to_s: float, open_seconds: Mapping[str, float], is_open: Mapping[str, bool] | None = None
    ) -> PlantState:
        """Move on to `to_s`, having had each zone's valve switched on for so many seconds since last called.

        For callers that only look now and then. A valve that is open at the end was open at the end of the
        stretch; one that is shut, at its start. Zones not named were shut.

        Args:
            to_s: seconds since the weather began.
            open_seconds: by zone; no more than the time that passed.
            is_open: by zone, how the valves stand at `to_s`.

        Raises:
            ValueError: time runs backwards, a zone is unknown, or a valve was open longer than time passed.
        """
        open_now = frozenset(name for name, is_so in (is_open or {}).items() if is_so)
        begun_s = self.now_s
        spans = ValveSpans(to_s - begun_s, open_seconds, open_now)
        spans.refuse_impossible(self._index, begun_s)
        for end_s, open_zones in spans.stretches():
            self._switch(open_zones)
            self.run_to(min(begun_s + end_s, to_s))
        self._switch(open_now)
        self.settle()
        return self.state()

    # --- looking

    def state(self) -> PlantState:
        """The truth as it stands; call `settle` before it where a minute matters."""
        self._flow_to(self.now_s)
        truths = self._truths()
        return PlantState(
            at_s=self.now_s,
            zones={zone.name: self._zone_state(place) for place, zone in enumerate(self.plan.zones)},
            air_temperature_c=self.air_temperature_c,
            relative_humidity=truths[SensorKind.RELATIVE_HUMIDITY],
            vapour_pressure_deficit_kpa=self.vapour_pressure_deficit_kpa,
            light_w_per_m2=self.light_w_per_m2,
            pressure_bar=truths[SensorKind.SUPPLY_PRESSURE],
            flow_l_per_min=truths[SensorKind.FLOW],
            supplied_l=self.waterworks.supplied_l,
        )

    def readings(self, kinds: Collection[SensorKind] = EVERY_KIND) -> dict[SensorKind, float]:
        """What the instruments of these kinds say now, in the unit of their kind.

        One that says nothing is left out. Pipes at rest are not run each time for that.
        """
        passed_s = self.now_s - self._read_s
        if passed_s > 0.0:
            self._read_s = self.now_s
            self._board.follow_air(
                passed_s, self.air_temperature_c, self.climate.relative_humidity, self.light_w_per_m2
            )
        if not WATER_KINDS.isdisjoint(kinds):
            if not self.waterworks.is_at_rest or self.now_s - self._water_s > LONGEST_REST_S:
                self._flow_to(self.now_s)
            self._board.follow_water(self.waterworks.manifold_bar)
        return self._board.readings(kinds)

    def bench_readings(self) -> dict[str, float]:
        """What the instruments on the benches say now, by name: wetness in millivolts, leaves in C.

        One that says nothing is left out.
        """
        if self.on_benches.is_none:
            return {}
        if not self.waterworks.is_at_rest:
            self._flow_to(self.now_s)
        self._feel(self.now_s)
        return self.on_benches.readings()

    @property
    def instruments(self) -> dict[SensorKind, Instrument]:
        return self._board.instruments

    def break_instrument(self, kind: SensorKind, fault: InstrumentFault) -> None:
        self.instruments[kind].fault = fault

    def mend_instrument(self, kind: SensorKind) -> None:
        self.instruments[kind].fault = None

    @property
    def upper_film_um(self) -> Values:
        """On the upper sides of the upper leaves, over their own area, by bench and quarter."""
        film_um: Values = self.canopy.film_um[:, :, 0, 0] / self._upper_leaf_area
        return film_um

    # --- inside

    def _live_to(self, to_s: float) -> None:
        """One step of the house, with the water that flows meanwhile."""
        if not self.waterworks.is_at_rest:
            self._flow_to(to_s)
        dt_s = to_s - self._house_s
        self.film_before_um = self.upper_film_um
        self.outdoors = self.weather.at(self._house_s + 0.5 * dt_s)
        self._live(dt_s, self.outdoors)
        self._house_s = to_s
        self.now_s = max(self.now_s, to_s)
        if self.watch is not None:
            self.watch(dt_s)
        if self._is_landing:
            self._land()
        self._step_s = self._longest_step_s * _steps(self.outdoors.radiation_w_per_m2)
        self._edge_s = self._next_edge_s()

    def _next_edge_s(self) -> float:
        """Where the next step ends: on the grid of its length, so that no step straddles a midnight."""
        return (int(self._house_s / self._step_s + ROUNDING_S) + 1) * self._step_s

    def _live(self, dt_s: float, outdoors: Outdoors) -> None:
        climate = self.climate
        climate.meet(outdoors)
        air = self._air = self._leaf_air()
        evaporated_kg = self.canopy.litres(self.canopy.step(dt_s, air))
        self._feel(self._house_s + dt_s)
        self._slow_s += dt_s
        if self._slow_s >= self._longest_step_s * SLOW_STEPS - ROUNDING_S:
            self._live_slowly(air)
        due_kg = min(self.vapour_due_kg, self._vapour_due_kg_per_s * dt_s)
        self.vapour_due_kg -= due_kg
        climate.step(dt_s, outdoors, evaporated_kg + due_kg, due_kg * self._from_medium_share)
        self._look()

    def _leaf_air(self) -> LeafAir:
        """The air over the leaves as it stands."""
        climate = self.climate
        return LeafAir(
            climate.air_temperature_c,
            climate.vapour_pressure_kpa,
            climate.air_speed_m_per_s,
            climate.light_w_per_m2,
            self.pressure_kpa,
            climate.around_c,
        )

    def _feel(self, to_s: float) -> None:
        """Let the instruments on the benches spend the time since they were last seen to."""
        if to_s > self._felt_s and not self.on_benches.is_none:
            leaf_c = self.canopy.leaf_c if self.on_benches.thermometers else None
            self.on_benches.step(to_s - self._felt_s, self._air, leaf_c)
            self._felt_s = to_s

    def _live_slowly(self, air: LeafAir) -> None:
        """Cuttings and medium, over the steps of the house since they were last seen to."""
        dt_s, medium = self._slow_s, self.medium
        wet_fraction = self.canopy.take_mean_wet_fraction()
        transpired_um, taken_up_um = self.cuttings.step(
            dt_s,
            air,
            self.canopy.leaf_c,
            wet_fraction,
            medium.temperature_c,
            medium.share,
            air.light_w_per_m2,
            self.bench_air.moister_kpa,
        )
        self.owed_um += self.cuttings.absorbed_um
        self.owed_um -= self.canopy.draw(self.owed_um)
        fallen_um = self.canopy.take_fallen_um()
        water_c = self.waterworks.supplies.water_c
        evaporated_um = medium.step(dt_s, fallen_um, taken_up_um, air, self.climate.bench_c, water_c)
        self.bench_air.other_um_per_s = (transpired_um + evaporated_um) / dt_s
        medium_kg = self.canopy.litres(evaporated_um)
        vapour_kg = self.canopy.litres(transpired_um) + medium_kg
        self._from_medium_share = medium_kg / vapour_kg if vapour_kg > 0.0 else 0.0
        self.vapour_due_kg += vapour_kg
        self._vapour_due_kg_per_s = self.vapour_due_kg / dt_s
        self._slow_s = 0.0
        self.is_wilted_driest = self.cuttings.is_wilted[:, 0]
        self.is_any_wilted = bool(self.is_wilted_driest.any())
        self._stick_anew()

    def _stick_anew(self) -> None:
        """Clear the benches when a batch's time is over, wipe what lies on them, and stick the next."""
        batch_days = self.plan.batch_days
        if batch_days is None or self._house_s - self._stuck_s < batch_days * SECONDS_PER_DAY:
            return
        self._stuck_s += batch_days * SECONDS_PER_DAY
        for place in range(len(self.plan.zones)):
            self.cuttings.restick(place)
            self.medium.restick(place)
        self.on_benches.clean()

    def _look(self) -> None:
        """What everybody asks for, worked out once a step."""
        climate = self.climate
        self.air_temperature_c = climate.air_temperature_c
        self.light_w_per_m2 = climate.light_w_per_m2
        saturation_kpa = saturation_vapour_pressure_kpa(climate.air_temperature_c)
        self.vapour_pressure_deficit_kpa = max(0.0, saturation_kpa - climate.vapour_pressure_kpa)

    def _flow_to(self, to_s: float) -> None:
        """Let the water run, and what comes out of nozzles fall."""
        passed_s = to_s - self._water_s
        if passed_s <= 0.0:
            return
        line_c = self.air_temperature_c + SUN_WARMS_LINE_C_PER_W_PER_M2 * self.light_w_per_m2
        hour = self.weather.hour_of_day(self._water_s)
        stretches = self.waterworks.run(passed_s, hour, self.outdoors.temperature_c, line_c)
        for flowing in stretches:
            self._take_water(flowing)
        self._water_s = to_s
        if self._is_landing and to_s - self._house_s < 0.5 * (self._edge_s - self._house_s):
            self._land()

    def _take_water(self, flowing: Flowing) -> None:
        self._board.see_water(flowing)
        for name, sprayed_l in flowing.sprayed_l.items():
            if sprayed_l > 0.0:
                place = self._index[name]
                applied_um = sprayed_l * self._um_per_l[place]
                self.landing_um[place] += applied_um
                self._is_landing = True
                self.on_benches.spray(place, applied_um)

    def _land(self) -> None:
        """Put on the leaves what was sprayed."""
        for place in np.flatnonzero(self.landing_um):
            self.canopy.spray(int(place), float(self.landing_um[place]))
        self.landing_um.fill(0.0)
        self._is_landing = False

    def _switch(self, open_zones: frozenset[str]) -> None:
        for name in self._index:
            if (name in open_zones) is not (name in self._open_now):
                self.command(name, is_open=name in open_zones)
        self._open_now = open_zones

    def _truths(self) -> dict[SensorKind, float]:
        return {
            SensorKind.AIR_TEMPERATURE: self.air_temperature_c,
            SensorKind.RELATIVE_HUMIDITY: self.climate.relative_humidity,
            SensorKind.LIGHT: self.light_w_per_m2,
            SensorKind.SUPPLY_PRESSURE: self.waterworks.manifold_bar,
            SensorKind.FLOW: self.waterworks.flow_l_per_min,
        }

    def _zone_state(self, place: int) -> ZoneState:
        canopy, line = self.canopy, self.waterworks.line(self.plan.zones[place].name)
        film_um = self.upper_film_um[place]
        return ZoneState(
            film_um=float(film_um.mean()),
            film_driest_um=float(film_um[0]),
            wet_fraction=float(canopy.wet_fraction[place, :, 0, 0].mean()),
            leaf_temperature_c=float(canopy.leaf_c[place, :, 0].mean()),
            tissue_share=float(self.cuttings.tissue_share[place, 0]),
            rooted_share=float(self.cuttings.rooted_share[place].mean()),
            is_wilted=bool(self.cuttings.is_wilted[place, 0]),
            medium_share=float(self.medium.share[place, -1]),
            applied_l=line.sprayed_l,
            drained_l=line.drained_l,
            line_l=line.filled_l,
            missed_mm=float(canopy.missed_um[place]) / UM_PER_MM,
            dripped_mm=float(canopy.dripped_um[place]) / UM_PER_MM,
            evaporated_mm=float(canopy.evaporated_um[place]) / UM_PER_MM,
        )


def _steps(radiation_w_per_m2: float) -> float:
    """How much longer than the shortest step one may be in such light."""
    if radiation_w_per_m2 <= 0.0:
        return NIGHT_STEPS
    return DIM_STEPS if radiation_w_per_m2 < DIM_W_PER_M2 else 1.0
