"""What feeds the manifold: the mains, and a tank with its pump, each with a motorised valve or without.

It says what each supply offers in the next moments, lets the water be drawn, and moves valves, pump and tank
on. It does not know the lines. Without a valve of its own a supply is simply connected; a pump that stands
still gives nothing, and its check valve takes nothing.
"""

from dataclasses import dataclass, field
from math import inf, isinf

from simulators.plant.mains import Mains, MainsPlan
from simulators.plant.manifold import Source
from simulators.plant.supply_valve import SupplyValve, SupplyValvePlan
from simulators.plant.tank_and_pump import Pump, PumpPlan, Tank, TankPlan
from simulators.plant.units import SECONDS_PER_MINUTE

MAINS_VALVE, TANK_VALVE, PUMP = "mains_valve", "tank_valve", "pump"
LONGEST_STEP_S = 10.0  # the mains move less than 0.3 mbar in that
LONGEST_PUMPED_STEP_S = 1.0  # the tank's level falls, or a valve travels
TRAVEL_STEPS = 40  # a valve that travels while water flows is followed in so many steps


@dataclass(frozen=True, slots=True, kw_only=True)
class SuppliesPlan:
    """What is fitted; a pump needs a tank."""

    mains: MainsPlan = field(default_factory=MainsPlan)
    mains_valve: SupplyValvePlan | None = None
    tank: TankPlan | None = None
    pump: PumpPlan | None = None
    tank_valve: SupplyValvePlan | None = None

    def __post_init__(self) -> None:
        if self.pump is not None and self.tank is None:
            raise ValueError("a pump needs a tank to draw from")
        if self.tank_valve is not None and self.pump is None:
            raise ValueError("a tank valve needs a pump before it")


class Supplies:
    """The supplies as they stand; totals run from the start."""

    __slots__ = (
        "is_plain",
        "mains",
        "mains_l",
        "mains_valve",
        "pump",
        "pushed_back_l",
        "tank",
        "tank_valve",
        "water_c",
    )

    def __init__(self, plan: SuppliesPlan, mains: Mains) -> None:
        self.mains = mains
        self.mains_valve = None if plan.mains_valve is None else SupplyValve(plan.mains_valve)
        self.tank = None if plan.tank is None else Tank(plan.tank)
        self.pump = None if plan.pump is None else Pump(plan.pump)
        self.tank_valve = None if plan.tank_valve is None else SupplyValve(plan.tank_valve)
        self.is_plain = self.mains_valve is None and self.tank is None  # the mains, simply connected
        self.mains_l = 0.0  # through the mains valve, not through the float valve
        self.pushed_back_l = 0.0  # into the street
        self.water_c = mains.water_c  # of what was drawn last

    @property
    def outputs(self) -> tuple[str, ...]:
        """What can be commanded."""
        fitted = {MAINS_VALVE: self.mains_valve, TANK_VALVE: self.tank_valve, PUMP: self.pump}
        return tuple(name for name, part in fitted.items() if part is not None)

    def valve(self, name: str) -> SupplyValve:
        """The motorised valve of this name; raises KeyError when none is fitted."""
        found = {MAINS_VALVE: self.mains_valve, TANK_VALVE: self.tank_valve}[name]
        if found is None:
            raise KeyError(name)
        return found

    def command(self, name: str, is_on: bool) -> None:
        if name == PUMP and self.pump is not None:
            self.pump.command(is_on)
        else:
            self.valve(name).is_driven_open = is_on

    @property
    def is_steady(self) -> bool:
        """Whether all stands still here: no valve travels and the pump has stopped."""
        if self.is_plain:
            return True
        return not self._travelling() and (self.pump is None or self.pump.is_still)

    @property
    def is_cut_off(self) -> bool:
        """Whether the mains are shut off tight."""
        return self.mains_valve is not None and isinf(self.mains_valve.resistance_in(0.0))

    def longest_step_s(self, flows: bool) -> float:
        """How long the supplies may be taken to stand as they do in the middle of that time."""
        if self.is_plain:
            return LONGEST_STEP_S
        step_s = LONGEST_STEP_S
        if self.pump is not None and not self.pump.is_still:
            step_s = min(LONGEST_PUMPED_STEP_S, self.pump.longest_step_s(self._has_water))
        for valve in self._travelling():
            step_s = min(step_s, valve.left_s)
            if flows:
                step_s = min(step_s, LONGEST_PUMPED_STEP_S, valve.plan.travel_s / TRAVEL_STEPS)
        return step_s

    def sources(self, dt_s: float, hour_of_day: float, at_s: float) -> list[Source]:
        """What the manifold is offered in the middle of the next `dt_s`; empty when it is cut off."""
        found: list[Source] = []
        resistance = self.mains.resistance + _resistance_in(dt_s, self.mains_valve)
        if resistance < inf:
            static_bar = self.mains.static_bar(hour_of_day, at_s)
            found.append(Source(static_bar, resistance, not self.mains.plan.has_check_valve, True))
            self.water_c = self.mains.water_c
        if self.pump is not None and not self.pump.is_still:
            found += self._pumped(dt_s, self.pump)
        return found

    def tank_flow_l_per_min(self, sources: list[Source], manifold_bar: float, flow_l_per_min: float) -> float:
        """How much of this flow into the manifold comes from the tank."""
        if self.pump is None or not sources:
            return 0.0
        if len(sources) == 1:
            return 0.0 if sources[0].is_mains else flow_l_per_min
        mains, tank = sources
        if tank.flow_l_per_min(manifold_bar) <= 0.0:
            return 0.0
        return max(0.0, flow_l_per_min - mains.flow_l_per_min(manifold_bar))

    def seconds_to_suction(self, tank_l_per_min: float) -> float:
        """Until the pump draws air, at this flow."""
        if self.tank is None or tank_l_per_min <= 0.0:
            return inf
        return self.tank.above_suction_l * SECONDS_PER_MINUTE / tank_l_per_min

    def draw(self, litres: float, from_tank_l: float) -> None:
        """Give so much to the manifold; what the tank gives beyond that is pushed into the street."""
        if self.tank is not None and from_tank_l > 0.0:
            self.tank.draw(from_tank_l)
        from_mains_l = litres - from_tank_l
        if from_mains_l >= 0.0:
            self.mains_l += from_mains_l
        else:
            self.pushed_back_l -= from_mains_l

    def run(self, dt_s: float, hour_of_day: float, at_s: float, outdoors_c: float) -> None:
        """Move valves, pump, float valve and temperatures on."""
        self.mains.follow(dt_s, outdoors_c)
        if self.is_plain:
            return
        for valve in (self.mains_valve, self.tank_valve):
            if valve is not None:
                valve.run(dt_s)
        if self.pump is not None:
            self.pump.run(dt_s, self._has_water)
        if self.tank is not None:
            mains_bar = self.mains.static_bar(hour_of_day, at_s)
            self.tank.run(dt_s, mains_bar, self.mains.water_c, outdoors_c)

    def resting_bar(self, hour_of_day: float, at_s: float, held_bar: float) -> float:
        """Pressure at the manifold with nothing flowing and the pump still; cut off, it keeps its own."""
        if not self.is_plain and self.is_cut_off:
            return held_bar
        static_bar = self.mains.static_bar(hour_of_day, at_s)
        return max(static_bar, held_bar) if self.mains.plan.has_check_valve else static_bar

    @property
    def _has_water(self) -> bool:
        return self.tank is not None and self.tank.covers_suction

    def _travelling(self) -> list[SupplyValve]:
        return [valve for valve in (self.mains_valve, self.tank_valve) if valve is not None and valve.moves]

    def _pumped(self, dt_s: float, pump: Pump) -> list[Source]:
        valve_resistance = _resistance_in(dt_s, self.tank_valve)
        if self.tank is None or not self._has_water or isinf(valve_resistance):
            return []
        static_bar = pump.static_bar(0.5 * dt_s, self.tank.level_m)
        if static_bar <= 0.0:
            return []
        self.water_c = self.tank.water_c
        return [Source(static_bar, pump.plan.resistance + valve_resistance, False, False)]


def _resistance_in(dt_s: float, valve: SupplyValve | None) -> float:
    return 0.0 if valve is None else valve.resistance_in(dt_s)
