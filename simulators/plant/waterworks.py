"""The water of the house put together: supplies, manifold and lines, moved on through time.

Told which outputs are on, it answers with stretches in which nothing in the pipes changed: how long, what
pressure and flow at the manifold, what came out of the nozzles. Stretches end where something happens: a
valve moves, a line is full, the pump is up, the tank is down to its suction. It knows no controller and no
clock; its time is seconds since it was built. Water only moves about: what came in is out, standing
somewhere, or both books are wrong.

The manifold is stiff while a supply is connected. Cut off, it keeps its pressure and gives the little water
it is stretched by; the next supply makes that good. A shut zone's valve lets the water of its line back as
soon as the manifold stands lower.
"""

from random import Random
from typing import NamedTuple

from simulators.plant.line import Line
from simulators.plant.mains import Mains
from simulators.plant.manifold import Source, alone_bar, balanced_bar
from simulators.plant.manifold_cut_off import declined_bar, evenly_declining_s
from simulators.plant.solenoid import ValveFault
from simulators.plant.standing_water import Surroundings
from simulators.plant.supplies import LONGEST_STEP_S, Supplies
from simulators.plant.units import SECONDS_PER_HOUR, SECONDS_PER_MINUTE
from simulators.plant.waterworks_plan import WaterworksPlan

__all__ = ["Flowing", "Waterworks", "WaterworksPlan"]

ROUNDING_S = 1e-9  # nearer the end than this is the end
SHORTEST_STEP_S = 1e-6  # an event nearer than this has come


class Flowing(NamedTuple):
    """A stretch of time in which nothing in the pipes changed."""

    duration_s: float
    pressure_bar: float  # at the manifold
    flow_l_per_min: float  # through the meter at the manifold
    sprayed_l: dict[str, float]  # by line; lines that are let no water are left out
    water_c: float  # of what was sprayed; of the supply when nothing was


class Waterworks:
    """The pipes of the house as they stand. `rng` seeds the mains' wandering and is used for nothing else."""

    __slots__ = (
        "_flow_l_per_min",
        "_gives_l_per_bar",
        "_held_bar",
        "_highest_held_bar",
        "_lines",
        "_missing_l",
        "_moving",
        "_passing",
        "_places",
        "_surroundings",
        "is_at_rest",
        "outputs",
        "supplied_l",
        "supplies",
    )

    def __init__(self, plan: WaterworksPlan, rng: Random | None = None, *, hour_of_day: float = 0.0) -> None:
        self.supplies = Supplies(plan.supplies, Mains(plan.supplies.mains, rng))
        clash = {line.name for line in plan.lines} & set(self.supplies.outputs)
        if clash:
            raise ValueError(f"a line is called like a supply: {', '.join(sorted(clash))}")
        self._surroundings = Surroundings(plan.warms_over_s, plan.line_c)
        self._lines = {line.name: Line(line, self._surroundings) for line in plan.lines}
        self.outputs = (*self._lines, *self.supplies.outputs)  # what can be commanded, by name
        self._gives_l_per_bar = plan.manifold_gives_l_per_bar
        self._missing_l = 0.0  # what the manifold gave while it was cut off, less what lines gave back to it
        self._held_bar = self.supplies.resting_bar(hour_of_day, 0.0, 0.0)
        self._highest_held_bar = 0.0  # no shut line stands higher
        self._flow_l_per_min = 0.0
        self._places = {line: place for place, line in enumerate(self._lines.values())}
        self._moving: list[Line] = []  # in the plan's order, as all that is added up: sums must not vary
        self._passing: list[Line] = []  # let water
        self.is_at_rest = True  # every valve shut, the pump still, nothing on its way
        self.supplied_l = 0.0  # what a perfect meter at the manifold shows

    # --- looking

    @property
    def now_s(self) -> float:
        return self._surroundings.now_s

    @property
    def manifold_bar(self) -> float:
        """Pressure at the end of the last stretch."""
        return self._held_bar

    @property
    def flow_l_per_min(self) -> float:
        """Through the meter in the last stretch; 0 once all valves are shut."""
        return self._flow_l_per_min

    @property
    def lines(self) -> dict[str, Line]:
        return self._lines

    def line(self, name: str) -> Line:
        return self._lines[name]

    @property
    def taken_in_l(self) -> float:
        """All that came from the mains, by the manifold and by the float valve, less what was pushed back."""
        refilled_l = self.supplies.tank.refilled_l if self.supplies.tank is not None else 0.0
        return self.supplies.mains_l + refilled_l - self.supplies.pushed_back_l

    @property
    def standing_l(self) -> float:
        """Water in lines and tank, less what the manifold is short of since it was last full."""
        level_l = self.supplies.tank.level_l if self.supplies.tank is not None else 0.0
        return sum(line.filled_l for line in self._lines.values()) + level_l - self._missing_l

    @property
    def gone_l(self) -> float:
        """Sprayed, drained, leaked and run over the tank's brim."""
        over_l = self.supplies.tank.overflowed_l if self.supplies.tank is not None else 0.0
        lines = self._lines.values()
        return sum(line.sprayed_l + line.drained_l + line.leaked_l for line in lines) + over_l

    # --- what is ordered and what befalls

    def command(self, line: str, is_open: bool) -> None:
        """Switch an output: a zone's valve by the line's name, or "mains_valve", "tank_valve", "pump".

        Raises:
            KeyError: no such output.
        """
        found = self._lines.get(line)
        if found is None:
            self.supplies.command(line, is_open)
        else:
            found.valve.energise(is_open)
            self._list(self._moving, found, found.valve.moves)
        self._see_whether_at_rest()

    def break_valve(self, name: str, fault: ValveFault) -> None:
        """Let this be wrong with a valve from now on, instead of what was; `SOUND` mends it."""
        found = self._lines.get(name)
        if found is None:
            self.supplies.valve(name).fault = fault
        else:
            was_let_water = found.is_let_water
            found.valve.fault = fault
            if found.is_let_water is not was_let_water:
                self._sort(found)
            self._list(self._moving, found, found.valve.moves)
        self._see_whether_at_rest()

    def change_nozzle(self, line: str, place: int, share: float) -> None:
        """Clog (0), mend (1) or blow off (over 2) a nozzle, counted from 0 at the inlet."""
        self._lines[line].change_nozzle(place, share)

    def change_hole(self, line: str, area_mm2: float) -> None:
        """Break a line open beside its nozzles, or close the hole (0)."""
        self._lines[line].change_hole(area_mm2)

    # --- time

    def run(self, dt_s: float, hour_of_day: float, outdoors_c: float, line_c: float) -> list[Flowing]:
        """Move on with commands standing still.

        Args:
            dt_s: how long; the stretches add up to it.
            hour_of_day: at its beginning.
            outdoors_c: what tank and buried mains are on their way to.
            line_c: what the lines would warm to, sun on them included.

        Raises:
            ValueError: time runs backwards.
        """
        if dt_s < 0.0:
            raise ValueError(f"the water cannot go back {-dt_s:g} s")
        stretches: list[Flowing] = []
        left_s = dt_s
        while left_s > 0.0:
            hour = hour_of_day + (dt_s - left_s) / SECONDS_PER_HOUR
            if self.is_at_rest:
                stretch = self._rest(left_s, hour, outdoors_c, line_c)
            elif len(self._passing) <= 1 and self.supplies.is_plain:
                stretch = self._live_alone(left_s, hour, outdoors_c, line_c)
            else:
                stretch = self._live(left_s, hour, outdoors_c, line_c)
            stretches.append(stretch)
            left_s -= stretch.duration_s
        if self.is_at_rest and self._flow_l_per_min > 0.0:
            self._come_to_rest(hour_of_day + dt_s / SECONDS_PER_HOUR, self.now_s)
        return stretches

    def _rest(self, dt_s: float, hour_of_day: float, outdoors_c: float, line_c: float) -> Flowing:
        """Let time pass with every valve shut and nothing on its way: one stretch, however long."""
        supplies, middle_s = self.supplies, self._surroundings.now_s + 0.5 * dt_s
        hour = hour_of_day + 0.5 * dt_s / SECONDS_PER_HOUR
        supplies.run(dt_s, hour, middle_s, outdoors_c)
        self._surroundings.run(dt_s, line_c)
        self._come_to_rest(hour, middle_s)
        return Flowing(dt_s, self._held_bar, 0.0, {}, supplies.water_c)

    def _come_to_rest(self, hour_of_day: float, at_s: float) -> None:
        self._flow_l_per_min = 0.0
        manifold_bar = self.supplies.resting_bar(hour_of_day, at_s, self._held_bar)
        if manifold_bar < self._highest_held_bar:
            manifold_bar = self._pass_back(manifold_bar, self.supplies.is_cut_off)
        self._held_bar = manifold_bar

    def _live(self, longest_s: float, hour_of_day: float, outdoors_c: float, line_c: float) -> Flowing:
        """Let time pass until something happens in the pipes."""
        supplies, lines = self.supplies, self._passing
        step_s = min(longest_s, supplies.longest_step_s(bool(lines)))
        middle_s, hour = self.now_s + 0.5 * step_s, hour_of_day + 0.5 * step_s / SECONDS_PER_HOUR
        sources = supplies.sources(step_s, hour, middle_s)
        bar, flow_l_per_min = self._balance(sources)
        tank_l_per_min = supplies.tank_flow_l_per_min(sources, bar, flow_l_per_min)
        lags_s = [line.valve.lag_s(bar, line.held_bar) for line in self._moving]
        duration_s = min(step_s, supplies.seconds_to_suction(tank_l_per_min), *self._waits_s(lags_s))
        if not sources:
            duration_s = min(duration_s, evenly_declining_s(bar, flow_l_per_min, self._gives_l_per_bar))
        duration_s = max(duration_s, SHORTEST_STEP_S)
        if duration_s > longest_s - ROUNDING_S:
            duration_s = longest_s

        self._surroundings.run(duration_s, line_c)
        share = 1.0 if sources else self._decline(bar, flow_l_per_min, duration_s)
        sprayed_l, sprayed_c = self._take(duration_s, share)
        supplies.run(duration_s, hour, middle_s, outdoors_c)
        if sources:
            self._held_bar = bar
            self._draw(flow_l_per_min, tank_l_per_min, duration_s)
        self._move_valves(duration_s, lags_s)
        return Flowing(duration_s, bar, self._flow_l_per_min, sprayed_l, sprayed_c)

    def _live_alone(self, longest_s: float, hour_of_day: float, outdoors_c: float, line_c: float) -> Flowing:
        """The same by a shorter way, with the mains alone and at most one line that is let water."""
        line = self._passing[0] if self._passing else None
        duration_s = step_s = longest_s if longest_s < LONGEST_STEP_S else LONGEST_STEP_S
        hour = hour_of_day + 0.5 * step_s / SECONDS_PER_HOUR
        bar = self._bar_alone(line, hour, self._surroundings.now_s + 0.5 * step_s)
        lags_s: list[float] = []
        for each in self._moving:
            lags_s.append(each.valve.lag_s(bar, each.held_bar))
            duration_s = min(duration_s, each.valve.left_s(lags_s[-1]))
        if line is not None:
            duration_s = min(duration_s, line.seconds_to_full)
        duration_s = max(duration_s, SHORTEST_STEP_S)
        if duration_s > longest_s - ROUNDING_S:
            duration_s = longest_s

        self._surroundings.run(duration_s, line_c)
        sprayed_l: dict[str, float] = {}
        sprayed_c = supply_c = self.supplies.water_c
        if line is not None:
            litres = sprayed_l[line.name] = line.take(duration_s, supply_c)
            if litres > 0.0:
                sprayed_c = line.sprayed_c
        self.supplies.mains.follow(duration_s, outdoors_c)
        self._held_bar = bar
        self._draw_alone(line, duration_s)
        if lags_s:
            self._move_valves(duration_s, lags_s)
        return Flowing(duration_s, bar, self._flow_l_per_min, sprayed_l, sprayed_c)

    def _bar_alone(self, line: Line | None, hour_of_day: float, at_s: float) -> float:
        mains = self.supplies.mains
        self.supplies.water_c = mains.water_c
        bar = mains.static_bar(hour_of_day, at_s)
        if line is not None:
            bar = alone_bar(bar, mains.resistance, line)
        if bar < self._held_bar and mains.plan.has_check_valve and (line is None or not line.flow_l_per_min):
            bar = self._held_bar
        if bar < self._highest_held_bar:
            bar = self._pass_back(bar, is_cut_off=False)
        return bar

    def _draw_alone(self, line: Line | None, duration_s: float) -> None:
        minutes = duration_s / SECONDS_PER_MINUTE
        owed_l = self._missing_l
        if line is not None:
            owed_l += line.flow_l_per_min * minutes
        drawn_l = owed_l if owed_l > 0.0 else 0.0
        self._missing_l = owed_l - drawn_l
        self.supplied_l += drawn_l
        self.supplies.mains_l += drawn_l
        self._flow_l_per_min = drawn_l / minutes

    def _balance(self, sources: list[Source]) -> tuple[float, float]:
        """Pressure at the manifold and flow into the lines, each of which is fitted to it."""
        bar = balanced_bar(sources or [Source(self._held_bar, 0.0, False, False)], self._passing)
        flow_l_per_min = 0.0
        for line in self._passing:
            flow_l_per_min += line.flow_l_per_min
        if flow_l_per_min == 0.0 and bar < self._held_bar and not any(source.lets_back for source in sources):
            bar = self._held_bar  # check valves keep it
        if bar < self._highest_held_bar:
            bar = self._pass_back(bar, is_cut_off=not sources)
        return bar, flow_l_per_min

    def _waits_s(self, lags_s: list[float]) -> list[float]:
        """Until each line is full and each valve has moved."""
        waits_s = [line.seconds_to_full for line in self._passing]
        waits_s += [line.valve.left_s(lag_s) for line, lag_s in zip(self._moving, lags_s, strict=True)]
        return waits_s

    def _take(self, duration_s: float, share: float) -> tuple[dict[str, float], float]:
        """Let the lines take their water; return what each sprayed, and how warm that was."""
        supply_c = self.supplies.water_c
        sprayed_l: dict[str, float] = {}
        total_l = warmth = 0.0
        for line in self._passing:
            litres = line.take(duration_s, supply_c, share)
            sprayed_l[line.name] = litres
            total_l += litres
            warmth += litres * line.sprayed_c
        return sprayed_l, warmth / total_l if total_l > 0.0 else supply_c

    def _draw(self, flow_l_per_min: float, tank_l_per_min: float, duration_s: float) -> None:
        """Take from the supplies what the lines took, and what the manifold was short of."""
        minutes = duration_s / SECONDS_PER_MINUTE
        owed_l = flow_l_per_min * minutes + self._missing_l
        drawn_l = max(0.0, owed_l)
        self._missing_l = owed_l - drawn_l
        tank_l = tank_l_per_min * minutes
        if tank_l_per_min > 0.0 and tank_l_per_min == flow_l_per_min:
            tank_l = drawn_l
        self.supplied_l += drawn_l
        self._flow_l_per_min = drawn_l / minutes
        self.supplies.draw(drawn_l, tank_l)

    def _move_valves(self, duration_s: float, lags_s: list[float]) -> None:
        if lags_s:
            for line, lag_s in zip(self._moving.copy(), lags_s, strict=True):
                if line.valve.move(duration_s, lag_s):
                    self._moving.remove(line)
                    self._sort(line)
        if not self._moving and not self._passing:
            self.is_at_rest = self.supplies.is_steady

    def _sort(self, line: Line) -> None:
        """Let a line stand, or not, as its valve now is."""
        is_let_water = line.is_let_water
        self._list(self._passing, line, is_let_water)
        if is_let_water:
            line.cease_to_stand()
        else:
            line.begin_to_stand(self._held_bar)
            self._highest_held_bar = max(self._highest_held_bar, line.held_bar)

    def _list(self, lines: list[Line], line: Line, belongs: bool) -> None:
        """Have a line among these, in the plan's order, or not."""
        if line in lines:
            if not belongs:
                lines.remove(line)
        elif belongs:
            lines.append(line)
            if len(lines) > 1:
                lines.sort(key=self._places.__getitem__)

    def _see_whether_at_rest(self) -> None:
        self.is_at_rest = not self._moving and not self._passing and self.supplies.is_steady

    # --- a manifold cut off, and water that comes back

    def _decline(self, bar: float, flow_l_per_min: float, duration_s: float) -> float:
        """Lose pressure to the lines; return the mean flow as a share of that at the beginning."""
        self._flow_l_per_min = 0.0  # the meter stands before the manifold
        self._held_bar = bar
        if flow_l_per_min <= 0.0:
            return 1.0
        self._held_bar = declined_bar(duration_s, bar, flow_l_per_min, self._gives_l_per_bar)
        given_l = self._gives_l_per_bar * (bar - self._held_bar)
        self._missing_l += given_l
        return given_l * SECONDS_PER_MINUTE / (flow_l_per_min * duration_s)

    def _pass_back(self, bar: float, is_cut_off: bool) -> float:
        """Let the water of shut lines that stand higher come back; return the pressure at the manifold then.

        A manifold with a supply keeps its pressure; one cut off comes to the pressure both have together.
        """
        gives = self._gives_l_per_bar
        for line in self._lines.values():
            if line.stands and line.held_bar > bar:
                if is_cut_off:
                    line_gives = line.plan.gives_l_per_bar
                    bar = (gives * bar + line_gives * line.held_bar) / (gives + line_gives)
                self._missing_l -= line.give_back(bar)
        self._highest_held_bar = max(
            (line.held_bar for line in self._lines.values() if line.stands), default=0.0
        )
        return bar
