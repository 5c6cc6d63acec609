"""What a pump gives: its curve, the same pump at another speed, and the point at which it works on a zone.

Pressures in bar that the pump adds, flows in l/min, speeds as a ratio to the speed the curve was taken at.

This file knows no motor, switch or pressure vessel and decides nothing. Rule: a curve falls from nil flow on;
one that first rises has two flows for one pressure and is refused, because the working point may be either.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from mistd.core.crossing import crossing
from mistd.core.hydraulics import Lateral, healthy_flow_l_per_min
from mistd.core.pipe_friction import L_PER_M3, PA_PER_BAR, Pipe
from mistd.core.refusals import refuse_unless_between, refuse_unless_positive
from mistd.core.units import S_PER_MIN, bar_of_head_m

ROUNDING = 1.0e-9  # of the points' own slope: a curve level at nil flow comes out a hair to either side
MOST_LIFT_M = 100.0  # up or down: more is a slip of the pen in a propagation house


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpPoint:
    """A pump's pressure at one flow, as its maker prints it or as it was measured."""

    flow_l_per_min: float
    pressure_bar: float

    def __post_init__(self) -> None:
        refuse_unless_between("pump's flow", self.flow_l_per_min, "l/min", 0.0)
        refuse_unless_between("pump's pressure", self.pressure_bar, "bar", 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpCurve:
    """A pump's pressure by its flow, a parabola: shutoff - slope q - bend q^2; falls from nil flow on.

    `tested_to_l_per_min` is the largest flow it was made from: what lies beyond is a guess. There a curve
    that bends upward goes on as a straight line, because the parabola would rise again.
    """

    shutoff_bar: float
    slope_bar_per_l_per_min: float
    bend_bar_per_l2_per_min2: float
    tested_to_l_per_min: float

    def __post_init__(self) -> None:
        refuse_unless_positive("pump's shutoff pressure", self.shutoff_bar, "bar")
        refuse_unless_positive("pump's tested flow", self.tested_to_l_per_min, "l/min")
        if not (0.0 <= self.slope_bar_per_l_per_min < inf and 0.0 < self._fall_at_end < inf):
            raise ValueError(
                "pump curve: pressure does not fall all the way as flow grows; read the points again, "
                "or give the shutoff pressure and one point at high flow"
            )

    @property
    def _fall_at_end(self) -> float:
        """How steeply pressure falls at the largest tested flow, in bar per l/min."""
        return self.slope_bar_per_l_per_min + 2.0 * self.bend_bar_per_l2_per_min2 * self.tested_to_l_per_min

    def pressure_bar(self, flow_l_per_min: float) -> float:
        """Pressure the pump adds at a flow of nought or more; nought at its largest flow and beyond.

        Raises:
            ValueError: the flow is negative.
        """
        refuse_unless_between("pump's flow", flow_l_per_min, "l/min", 0.0)
        bends_upward = self.bend_bar_per_l2_per_min2 < 0.0
        curved_l_per_min = min(flow_l_per_min, self.tested_to_l_per_min) if bends_upward else flow_l_per_min
        fall = self.slope_bar_per_l_per_min + self.bend_bar_per_l2_per_min2 * curved_l_per_min
        straight_bar = self._fall_at_end * (flow_l_per_min - curved_l_per_min)
        return max(0.0, self.shutoff_bar - fall * curved_l_per_min - straight_bar)

    def at_speed(self, speed_ratio: float) -> "PumpCurve":
        """The same pump at another speed: flows times the ratio, pressures times its square."""
        refuse_unless_positive("speed ratio", speed_ratio, "")
        return PumpCurve(
            shutoff_bar=self.shutoff_bar * speed_ratio**2,
            slope_bar_per_l_per_min=self.slope_bar_per_l_per_min * speed_ratio,
            bend_bar_per_l2_per_min2=self.bend_bar_per_l2_per_min2,
            tested_to_l_per_min=self.tested_to_l_per_min * speed_ratio,
        )


def curve_of_three_points(points: Sequence[PumpPoint]) -> PumpCurve:
    """The parabola through three points, in any order.

    Raises:
        ValueError: not three points, two at one flow, or a curve that does not fall.

    >>> flows_and_bars = [(0.0, 4.0), (30.0, 3.5), (60.0, 2.0)]
    >>> points = [PumpPoint(flow_l_per_min=flow, pressure_bar=bar) for flow, bar in flows_and_bars]
    >>> round(curve_of_three_points(points).pressure_bar(45.0), 3)
    2.875
    """
    flows = sorted({point.flow_l_per_min for point in points})
    if len(points) != 3 or len(flows) != 3:
        raise ValueError(f"pump curve: {len(points)} points at {len(flows)} flows, needs 3 at 3 flows")
    (q1, p1), (q2, p2), (q3, p3) = sorted((point.flow_l_per_min, point.pressure_bar) for point in points)
    first, second = (p1 - p2) / (q2 - q1), (p2 - p3) / (q3 - q2)
    bend = (second - first) / (q3 - q1)  # Newton's divided differences
    slope = first - bend * (q1 + q2)
    is_level = abs(slope) <= ROUNDING * abs(first)
    return PumpCurve(
        shutoff_bar=p1 + slope * q1 + bend * q1**2,
        slope_bar_per_l_per_min=0.0 if is_level else slope,
        bend_bar_per_l2_per_min2=bend,
        tested_to_l_per_min=q3,
    )


def curve_of_shutoff_and_point(shutoff_bar: float, point: PumpPoint) -> PumpCurve:
    """The parabola level at nil flow, through the shutoff pressure and one point.

    Raises:
        ValueError: the point is at nil flow or not below the shutoff pressure.

    >>> curve = curve_of_shutoff_and_point(4.0, PumpPoint(flow_l_per_min=40.0, pressure_bar=3.0))
    >>> round(curve.pressure_bar(20.0), 2), round(curve.pressure_bar(80.0), 2)
    (3.75, 0.0)
    """
    refuse_unless_positive("pump point's flow", point.flow_l_per_min, "l/min")
    return PumpCurve(
        shutoff_bar=shutoff_bar,
        slope_bar_per_l_per_min=0.0,
        bend_bar_per_l2_per_min2=(shutoff_bar - point.pressure_bar) / point.flow_l_per_min**2,
        tested_to_l_per_min=point.flow_l_per_min,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpDuty:
    """A pump at work: what it moves, at which pressure, for which power."""

    flow_l_per_min: float
    pressure_bar: float
    power_w: float

    def at_speed(self, speed_ratio: float) -> "PumpDuty":
        """Affinity laws: flow goes with the speed, pressure with its square, power with its cube.

        For the same pump at the same efficiency; good for a modest change of speed.
        """
        refuse_unless_positive("speed ratio", speed_ratio, "")
        return PumpDuty(
            flow_l_per_min=self.flow_l_per_min * speed_ratio,
            pressure_bar=self.pressure_bar * speed_ratio**2,
            power_w=self.power_w * speed_ratio**3,
        )


def hydraulic_power_w(flow_l_per_min: float, pressure_bar: float, efficiency: float = 1.0) -> float:
    """Power a pump puts into the water, p q; over the efficiency, what its shaft or its motor takes.

    Raises:
        ValueError: a negative flow or pressure, or an efficiency outside 0 to 1 or nought.

    >>> round(hydraulic_power_w(30.0, 3.0))
    150
    """
    refuse_unless_between("pump's flow", flow_l_per_min, "l/min", 0.0)
    refuse_unless_between("pump's pressure", pressure_bar, "bar", 0.0)
    refuse_unless_positive("efficiency", efficiency, "")
    refuse_unless_between("efficiency", efficiency, "", 0.0, 1.0)
    return flow_l_per_min / L_PER_M3 / S_PER_MIN * pressure_bar * PA_PER_BAR / efficiency


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemCurve:
    """What a zone asks of a pump: laterals, the pipe that feeds them, their height over the tank's level."""

    laterals: tuple[Lateral, ...]
    feed: Pipe
    lift_m: float = 0.0

    def __post_init__(self) -> None:
        refuse_unless_between("lift", self.lift_m, "m", -MOST_LIFT_M, MOST_LIFT_M)

    def flow_l_per_min(self, manifold_bar: float) -> float:
        """Flow of the zone at a pressure where feed pipe and laterals meet."""
        return healthy_flow_l_per_min(self.laterals, manifold_bar)

    def pump_bar(self, manifold_bar: float, flow_l_per_min: float) -> float:
        """Pressure the pump must add for that pressure and flow at the manifold: with lift and feed pipe."""
        return manifold_bar + bar_of_head_m(self.lift_m) + self.feed.loss_bar(flow_l_per_min)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingPoint:
    """Where pump and zone agree; `is_guess` when the flow lies beyond what the pump's curve was made from."""

    flow_l_per_min: float
    pump_bar: float
    manifold_bar: float
    is_guess: bool


def working_point(pump: PumpCurve, system: SystemCurve) -> WorkingPoint:
    """The flow and pressures at which the pump gives what the zone asks for; solved, and there is only one.

    Raises:
        ValueError: the pump cannot lift the water to the laterals at all.
    """
    lift_bar = bar_of_head_m(system.lift_m)
    spare_bar = pump.shutoff_bar - lift_bar
    if spare_bar <= 0.0:
        raise ValueError(
            f"pump: {pump.shutoff_bar:g} bar at nil flow, must be more than {lift_bar:g} bar of lift"
        )

    def lacking_bar(manifold_bar: float) -> float:
        flow_l_per_min = system.flow_l_per_min(manifold_bar)
        return system.pump_bar(manifold_bar, flow_l_per_min) - pump.pressure_bar(flow_l_per_min)

    manifold_bar = crossing(lacking_bar, 0.0, 0.0, spare_bar)
    flow_l_per_min = system.flow_l_per_min(manifold_bar)
    return WorkingPoint(
        flow_l_per_min=flow_l_per_min,
        pump_bar=pump.pressure_bar(flow_l_per_min),
        manifold_bar=manifold_bar,
        is_guess=flow_l_per_min > pump.tested_to_l_per_min,
    )
