"""What a nozzle gives at a pressure, and how flow and burst length follow when the pressure changes.

Pressures in bar above the air's, flows in l/min. A nozzle is a hole, q = k p^x, behind an anti-drip valve if
it has one. This file knows no pipe, zone or clock, and nothing of droplets.

Rule: under its opening pressure a nozzle gives nothing, not the square root of something.
"""

from dataclasses import dataclass
from math import pi, sqrt

from mistd.core.pipe_friction import L_PER_M3, MM_PER_M, PA_PER_BAR, Water
from mistd.core.refusals import refuse_unless_between, refuse_unless_positive
from mistd.core.units import S_PER_MIN

ORIFICE_EXPONENT = 0.5  # turbulent flow through a hole; 0 compensates fully, 1 is a laminar path


@dataclass(frozen=True, slots=True, kw_only=True)
class Nozzle:
    """A nozzle, with its anti-drip valve if it has one: q = k p^x, k from the rated flow and pressure.

    It begins to flow at `opens_bar` and then flows down to `shuts_bar`; both nought without such a valve.
    """

    rated_l_per_min: float
    rated_bar: float
    exponent: float = ORIFICE_EXPONENT
    opens_bar: float = 0.0
    shuts_bar: float = 0.0

    def __post_init__(self) -> None:
        refuse_unless_positive("nozzle's rated flow", self.rated_l_per_min, "l/min")
        refuse_unless_positive("nozzle's rated pressure", self.rated_bar, "bar")
        refuse_unless_between("nozzle's exponent", self.exponent, "", 0.0, 1.0)
        refuse_unless_between("nozzle's opening pressure", self.opens_bar, "bar", 0.0, self.rated_bar)
        refuse_unless_between("nozzle's shutting pressure", self.shuts_bar, "bar", 0.0, self.opens_bar)

    @property
    def at_one_bar_l_per_min(self) -> float:
        """The k of q = k p^x: what the hole, without its valve, would give at 1 bar."""
        return scaled_flow_l_per_min(self.rated_l_per_min, self.rated_bar, 1.0, self.exponent)

    def threshold_bar(self, *, was_open: bool) -> float:
        """The pressure from which this nozzle flows, by whether it flowed before."""
        return self.shuts_bar if was_open else self.opens_bar

    def flow_l_per_min(self, pressure_bar: float, *, was_open: bool = False) -> float:
        """Flow at a pressure behind the nozzle; nil below its threshold, and nil without pressure.

        >>> drip_stopped = Nozzle(rated_l_per_min=0.6, rated_bar=3.0, opens_bar=2.0, shuts_bar=1.0)
        >>> [round(drip_stopped.flow_l_per_min(bar), 2) for bar in (1.9, 2.0, 3.0)]
        [0.0, 0.49, 0.6]
        >>> round(drip_stopped.flow_l_per_min(1.9, was_open=True), 2)
        0.48
        """
        if pressure_bar <= 0.0 or pressure_bar < self.threshold_bar(was_open=was_open):
            return 0.0
        return scaled_flow_l_per_min(self.rated_l_per_min, self.rated_bar, pressure_bar, self.exponent)


def jet_velocity_m_per_s(pressure_bar: float, water: Water) -> float:
    """Speed of a jet without loss: Torricelli, sqrt(2 p / rho)."""
    refuse_unless_between("pressure behind a jet", pressure_bar, "bar", 0.0)
    return sqrt(2.0 * pressure_bar * PA_PER_BAR / water.density_kg_per_m3)


def orifice_flow_l_per_min(
    diameter_mm: float, pressure_bar: float, water: Water, discharge_coefficient: float = 1.0
) -> float:
    """Flow through a round hole: coefficient times area times jet speed, q = Cd A sqrt(2 p / rho).

    Real nozzles give 0.90 to 0.95 of the full jet (Hydraulic Institute, edl.pumps.org, eq. 3.D.1).

    >>> water = Water(density_kg_per_m3=1000.0, viscosity_pa_s=0.001)
    >>> round(orifice_flow_l_per_min(0.8, 3.0, water, discharge_coefficient=0.80), 2)
    0.59
    """
    refuse_unless_positive("diameter of a hole", diameter_mm, "mm")
    refuse_unless_between("discharge coefficient", discharge_coefficient, "", 0.0, 1.0)
    area_m2 = pi / 4.0 * (diameter_mm / MM_PER_M) ** 2
    flow_m3_per_s = discharge_coefficient * area_m2 * jet_velocity_m_per_s(pressure_bar, water)
    return flow_m3_per_s * L_PER_M3 * S_PER_MIN


def scaled_flow_l_per_min(
    healthy_l_per_min: float, healthy_bar: float, measured_bar: float, exponent: float = ORIFICE_EXPONENT
) -> float:
    """The flow that a zone known at one pressure shows at another: q (p/p0)^x.

    Exact for nozzles. For a zone with its pipes within 1.5 % down to half the pressure, even where the pipes
    lose a third of it: friction grows with a little less than the square of the flow.

    Raises:
        ValueError: a pressure is nought or less (nothing is scaled to a dry line), or the flow is negative.

    >>> round(scaled_flow_l_per_min(10.0, 3.0, 1.5), 3)
    7.071
    """
    refuse_unless_between("healthy flow", healthy_l_per_min, "l/min", 0.0)
    refuse_unless_positive("healthy pressure", healthy_bar, "bar")
    refuse_unless_positive("measured pressure", measured_bar, "bar")
    by: float = (measured_bar / healthy_bar) ** exponent
    return healthy_l_per_min * by


def burst_lengthening(healthy_bar: float, measured_bar: float, exponent: float = ORIFICE_EXPONENT) -> float:
    """By what factor a burst must last longer to give the same water: the root of the pressure lost.

    Under 1 when the pressure has risen. The caller sees to it that the nozzles still open.

    Raises:
        ValueError: a pressure is nought or less: no length makes up for no pressure.

    >>> round(burst_lengthening(4.0, 2.0), 5)
    1.41421
    """
    return 1.0 / scaled_flow_l_per_min(1.0, healthy_bar, measured_bar, exponent)
