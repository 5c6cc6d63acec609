"""One zone's line: its valve, its lateral, the water standing in it, and the flow that goes with a pressure.

A line fills before its nozzles spray. Nozzles with anti-drip valves open at one pressure and shut at a lower
one, the far ones first; nozzles blown off and holes run free. Shut again the line stands (`standing_water`).
It does not know where the water comes from: it is told the pressure at the manifold and finds its own flow.

Every litre that comes in is sprayed, drained, leaked or still there.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import inf, sqrt

from simulators.plant.lateral import FLOW_EXPONENT, Lateral, LateralPlan
from simulators.plant.solenoid import Solenoid, ValvePlan
from simulators.plant.standing_water import StandingWater, Surroundings
from simulators.plant.units import SECONDS_PER_MINUTE

LEAST_BAR = 1e-6  # a hundredth of a millimetre of water: less moves nothing
FITTED = 1e-7  # a flow and its pressure agree to this share
SURELY_BAR = 1e-4  # far above the error of a pressure that is only fitted
HOLE_FACTOR_PER_MM2 = 0.526  # l/min per square root of bar: an orifice, 0.62 A sqrt(2 p / 1000 kg/m3)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlan:
    """One zone's valve, lateral and nozzles; the defaults are ours."""

    name: str
    lateral: LateralPlan = field(default_factory=LateralPlan)
    valve: ValvePlan = field(default_factory=ValvePlan)
    volume_l: float = 0.25  # what runs out of it when it stands, and must fill again
    nozzle_opens_bar: float = 1.0  # 0 for nozzles without anti-drip valves
    nozzle_shuts_bar: float = 0.7
    drains_over_s: float = 300.0  # a full line is empty so long after its valve shuts; inf: it holds
    gives_l_per_bar: float = 0.001  # a full line that holds is stretched: it gives so much when it slackens

    def __post_init__(self) -> None:
        if not self.volume_l >= 0.0:
            raise ValueError(f"{self.name}: volume_l is {self.volume_l:g}, must be 0 or more")
        if not self.drains_over_s > 0.0:
            raise ValueError(f"{self.name}: drains_over_s is {self.drains_over_s:g}, must be more than 0")
        if not self.gives_l_per_bar > 0.0:
            raise ValueError(f"{self.name}: gives_l_per_bar is {self.gives_l_per_bar:g}, must be more than 0")
        if not 0.0 <= self.nozzle_shuts_bar <= self.nozzle_opens_bar:
            raise ValueError(
                f"{self.name}: nozzles shut at {self.nozzle_shuts_bar:g} bar and open at "
                f"{self.nozzle_opens_bar:g} bar; they must shut at no more than they open"
            )


class Line:
    """One line as it stands.

    `flow_l_per_min` and `factor`, the flow per square root of bar, are those of the pressure last fitted to.
    """

    __slots__ = (
        "_at_bar",
        "_end_bar",
        "_filling_factor",
        "_filling_loss",
        "_fitted_bar",
        "_full_factor",
        "_hole_share",
        "_nozzles",
        "_opens_bar",
        "_root",
        "_shuts_bar",
        "_valve_factor",
        "_valve_loss",
        "_water",
        "factor",
        "flow_l_per_min",
        "held_bar",
        "holds",
        "is_spraying",
        "lateral",
        "name",
        "open_nozzles",
        "plan",
        "runs_free",
        "sprayed_c",
        "sprayed_l",
        "stands",
        "valve",
    )

    def __init__(self, plan: LinePlan, surroundings: Surroundings) -> None:
        self.plan = plan
        self.name = plan.name
        self.valve = Solenoid(plan.valve)
        self.lateral = Lateral(plan.lateral)
        self._water = StandingWater(plan.volume_l, plan.drains_over_s, surroundings)
        self.runs_free = False  # there is a way out that no anti-drip valve holds
        self.holds = False  # its water stays in it when its valve shuts
        self.open_nozzles = 0
        self.held_bar = 0.0  # in it while it stands
        self.is_spraying = False
        self.stands = True  # nothing comes in
        self.sprayed_l = 0.0
        self.sprayed_c = self._water.water_c  # of what was sprayed last
        self.factor = self.flow_l_per_min = self._hole_share = 0.0
        self._nozzles = plan.lateral.nozzles
        self._opens_bar, self._shuts_bar = plan.nozzle_opens_bar, plan.nozzle_shuts_bar
        self._valve_factor = plan.valve.factor
        self._valve_loss = 1.0 / plan.valve.factor**2
        self._filling_loss = plan.lateral.filling_loss
        self._filling_factor = self._full_factor = plan.valve.factor
        self._root = sqrt(plan.lateral.nozzle_pressure_bar)  # of the pressure at the far end, last walked
        self._end_bar = 0.0  # at the far end now
        self._at_bar = plan.lateral.nozzle_pressure_bar  # at the manifold, for that root
        self._fitted_bar = -1.0  # at the manifold, when the walk was last found to agree
        self._change_outlets()

    # --- what stands in it, and what became of the rest

    @property
    def filled_l(self) -> float:
        return self._settled().litres

    @property
    def drained_l(self) -> float:
        """Out of its nozzles while it did not spray."""
        return self._settled().drained_l

    @property
    def leaked_l(self) -> float:
        """Out of its hole."""
        return self._settled().leaked_l

    @property
    def water_c(self) -> float:
        """Temperature of the water standing in it."""
        return self._settled().water_c

    @property
    def is_let_water(self) -> bool:
        """Whether water may come in: the valve is open, or passes while it is shut."""
        return self.valve.is_open or self.valve.fault.passes_share > 0.0

    @property
    def nozzle_flows_l_per_min(self) -> list[float]:
        """Each nozzle's flow in the last stretch, from the inlet on."""
        if not self.is_spraying:
            return [0.0] * self.plan.lateral.nozzles
        return self.lateral.nozzle_flows_l_per_min(self._root)

    # --- what happens to it

    def change_nozzle(self, place: int, share: float) -> None:
        """Clog a nozzle (0), mend it (1) or blow it off (over 2); any share of its rated flow between."""
        self.lateral.change_nozzle(place, share)
        self._change_outlets()

    def change_hole(self, area_mm2: float) -> None:
        """Have a hole beside the nozzles, or none (0)."""
        if not area_mm2 >= 0.0:
            raise ValueError(f"{self.plan.name}: a hole of {area_mm2:g} mm2, must be 0 or more")
        self._settled().hole_factor = HOLE_FACTOR_PER_MM2 * area_mm2
        self._change_outlets()

    def begin_to_stand(self, manifold_bar: float) -> None:
        """The valve has shut tight."""
        holds_pressure = self.holds and self._water.is_full
        self.held_bar = min(manifold_bar, self.plan.nozzle_shuts_bar) if holds_pressure else 0.0
        self.open_nozzles = 0
        self.is_spraying = False
        self.factor = self.flow_l_per_min = 0.0
        self._water.mark()
        self.stands = True

    def cease_to_stand(self) -> None:
        """Water may come in from now on, or no longer comes in freely."""
        self._settled().mark()
        self.stands = False

    def give_back(self, to_bar: float) -> float:
        """Slacken down to this pressure, backwards through the shut valve; return the litres given."""
        water = self._settled()
        given_l = min(water.litres, self.plan.gives_l_per_bar * (self.held_bar - to_bar))
        water.litres -= given_l
        self.held_bar = to_bar
        return given_l

    def take(self, dt_s: float, supply_c: float, share: float = 1.0) -> float:
        """Have lived so long on this share of the flow it was fitted to; return the litres sprayed."""
        came_l = self.flow_l_per_min * share * dt_s / SECONDS_PER_MINUTE
        water = self._water
        self.is_spraying = False
        is_pressed = came_l > 0.0 and water.litres >= water.full_from_l and self.valve.is_open
        if not is_pressed or not (self.open_nozzles or self.runs_free):
            water.settle(came_l, supply_c)
            return 0.0
        self.sprayed_c = water.flush(came_l, supply_c)
        leaked_l = came_l * self._hole_share
        water.leaked_l += leaked_l
        sprayed_l = came_l - leaked_l
        self.sprayed_l += sprayed_l
        self.is_spraying = sprayed_l > 0.0
        return sprayed_l

    # --- the flow that goes with a pressure

    def begin(self) -> Callable[[float], bool]:
        """Take as a first guess the factor of what it is about to do: fill, spray or let a trickle in.

        Returns:
            Finds flow and factor for a pressure at the manifold; says whether they agreed before.
        """
        water = self._water
        if not self.valve.is_open:
            self.open_nozzles = 0
            self.factor = self._trickle_factor
            return self._fit_trickle
        if water.litres < water.full_from_l:
            self.open_nozzles = 0
            self.factor = self._filling_factor
            return self._fit_filling
        self.factor = self._full_factor if self.open_nozzles or self.runs_free else 0.0
        return self._fit_full

    def fit(self, manifold_bar: float) -> bool:
        """Find flow and factor for this pressure at the manifold; return whether they agreed before."""
        water = self._water
        if not self.valve.is_open:
            return self._fit_trickle(manifold_bar)
        if water.litres < water.full_from_l:
            return self._fit_filling(manifold_bar)
        return self._fit_full(manifold_bar)

    @property
    def may_open_nozzles(self) -> bool:
        """Whether it is full, lets water in, and has nozzles that are shut."""
        return self.open_nozzles < self._nozzles and self.valve.is_open and self._water.is_full

    def tempt_nozzles(self, manifold_bar: float) -> None:
        """Open the shut nozzles if the pressure that stands before them is enough."""
        flows = self.open_nozzles > 0 or self.runs_free
        before_bar = self._end_bar if flows else manifold_bar
        if before_bar >= self._opens_bar:
            self.open_all_nozzles()

    def would_open_nozzles(self, static_bar: float, resistance: float) -> bool:
        """Whether a supply has the pressure for that, alone before this line with every nozzle shut.

        The line takes no more than drips: p is at least p_static - r q^2.
        """
        if self.open_nozzles > 0 or self.runs_free:
            return False
        return static_bar - resistance * self._water.drips_l_per_min**2 > self._opens_bar + SURELY_BAR

    def open_all_nozzles(self) -> None:
        self.open_nozzles = self._nozzles
        self.factor = self._full_factor

    @property
    def spare_bar(self) -> float:
        """By how much the weakest open nozzle stands above its shutting pressure; inf when none is open."""
        return self._end_bar - self._shuts_bar if self.open_nozzles else inf

    def shut_weakest_nozzle(self) -> None:
        self.open_nozzles -= 1
        if self.open_nozzles == 0 and not self.runs_free:
            self.factor = 0.0

    @property
    def seconds_to_full(self) -> float:
        """Until filling ends, at the flow it was fitted to; inf when it does not."""
        water = self._water
        if water.litres >= water.full_from_l or not (self.valve.is_open or self.holds):
            return inf
        left_l_per_min = self.flow_l_per_min - water.drips_l_per_min - water.seeps_l_per_min
        if left_l_per_min <= 0.0:
            return inf
        return (water.volume_l - water.litres) * SECONDS_PER_MINUTE / left_l_per_min

    @property
    def _trickle_factor(self) -> float:
        return self._valve_factor * self.valve.fault.passes_share

    def _fit_trickle(self, manifold_bar: float) -> bool:
        """Past the shut valve; a full line that holds then drips at between its nozzles' two pressures."""
        if manifold_bar < LEAST_BAR:
            self.flow_l_per_min = 0.0
            return True
        back_bar = 0.0
        if self.holds and self._water.is_full:
            back_bar = 0.5 * (self.plan.nozzle_opens_bar + self.plan.nozzle_shuts_bar)
        guess = self.factor
        self.factor = self._trickle_factor * sqrt(max(0.0, 1.0 - back_bar / manifold_bar))
        self.flow_l_per_min = self.factor * sqrt(manifold_bar)
        return abs(self.factor - guess) <= FITTED * guess

    def _fit_filling(self, manifold_bar: float) -> bool:
        """Valve and half of the pipe, against no pressure: the air leaves by the nozzles."""
        if manifold_bar < LEAST_BAR:
            self.flow_l_per_min = 0.0
            return True
        root = sqrt(manifold_bar)
        guess = self._filling_factor
        friction = self._filling_loss * (guess * root) ** (FLOW_EXPONENT - 2.0)
        self.factor = self._filling_factor = 1.0 / sqrt(self._valve_loss + friction)
        self.flow_l_per_min = self.factor * root
        return abs(self.factor - guess) <= FITTED * guess

    def _fit_full(self, manifold_bar: float) -> bool:
        """Valve, pipe, nozzles and hole: one walk along the lateral from a far end scaled to this pressure.

        All losses but the pipe's go with the square of the flow, and the pipe's nearly so: scaling is all but
        exact, and a second walk seldom needed.
        """
        if manifold_bar < LEAST_BAR:
            self.flow_l_per_min = self._end_bar = 0.0
            return True
        if not (self.open_nozzles or self.runs_free):
            return self._fit_dripping(manifold_bar)
        if self.open_nozzles != self.lateral.open_count:
            self.lateral.open_first(self.open_nozzles)
        elif manifold_bar == self._fitted_bar:  # nothing that enters has changed
            self.flow_l_per_min = self._full_factor * sqrt(self._at_bar)
            self._end_bar = self._root * self._root
            return True
        guess = self.factor
        self._walk(self._root * sqrt(manifold_bar / self._at_bar))
        off_bar = abs(self._at_bar - manifold_bar)
        is_fitted = off_bar <= FITTED * manifold_bar and abs(self.factor - guess) <= FITTED * guess
        self._fitted_bar = manifold_bar if is_fitted else -1.0
        return is_fitted

    def _fit_dripping(self, manifold_bar: float) -> bool:
        """Nozzles held shut by too little pressure, all but the lowest: it takes what runs out there."""
        self._end_bar = 0.0
        root, guess = sqrt(manifold_bar), self.factor
        self.factor = min(self._water.drips_l_per_min / root, self._valve_factor)
        self.flow_l_per_min = self.factor * root
        return abs(self.factor - guess) <= FITTED * guess

    def _walk(self, root_bar: float) -> None:
        inlet_bar, flow_l_per_min = self.lateral.walk(root_bar)
        self._hole_share = 0.0
        if self._water.hole_factor > 0.0:
            leak_l_per_min = self._water.hole_factor * sqrt(inlet_bar)
            flow_l_per_min += leak_l_per_min
            self._hole_share = leak_l_per_min / flow_l_per_min
        self._root = root_bar
        self._end_bar = root_bar * root_bar
        self._at_bar = inlet_bar + (flow_l_per_min / self._valve_factor) ** 2
        self.flow_l_per_min = flow_l_per_min
        self.factor = self._full_factor = flow_l_per_min / sqrt(self._at_bar)

    def _settled(self) -> StandingWater:
        """The standing water, brought up to now."""
        if self.stands:
            self._water.settle()
        return self._water

    def _change_outlets(self) -> None:
        water = self._settled()
        water.blown_off_factor = self.lateral.blown_off_factor
        self._fitted_bar = -1.0
        self.runs_free = water.hole_factor > 0.0 or water.blown_off_factor > 0.0
        self.holds = self.plan.drains_over_s == inf and not self.runs_free
        if self.stands and not self.holds:
            self.held_bar = 0.0
