"""Pressure lost to friction in a full, straight, round pipe, and the two properties of water it depends on.

Flows in l/min, inner diameters in mm, lengths in m, losses in bar. Two laws: Hazen-Williams, which plumbing
tables use, and Darcy-Weisbach with Colebrook's factor, which holds for any temperature and small flows.

This file knows no fitting, valve, nozzle or pump. Rule: a diameter is the bore of the pipe, never its
nominal size; the loss goes with nearly its fifth power, so a bore 10 % too wide hides a third of the loss.
"""

from dataclasses import dataclass
from math import log10, pi

from mistd.core.refusals import refuse_unless_between, refuse_unless_positive
from mistd.core.units import S_PER_MIN, bar_of_head_m

PA_PER_BAR = 1.0e5
L_PER_M3 = 1000.0
MM_PER_M = 1000.0

PLASTIC_COEFFICIENT = 150.0  # Hazen-Williams C of smooth plastic pipe: common practice, no source
PLASTIC_ROUGHNESS_MM = (
    0.0015  # drawn tubing and smooth plastic, White, Fluid Mechanics, table 6.1; from memory
)

LAMINAR_TO_REYNOLDS = 2300.0  # White, Fluid Mechanics, sect. 6.1; from memory
TURBULENT_FROM_REYNOLDS = 4000.0  # the lower edge of Moody's chart; from memory
ROUGHEST = 0.05  # relative roughness at the upper edge of Moody's chart; from memory
COLDEST_C, WARMEST_C = 0.0, 40.0  # the range of Tanaka's density equation

STILL_L_PER_MIN = 1.0e-9  # a drop a month: a factor of 64/Re has no value at nought
_FACTOR_IS_FOUND = 1e-12  # change of 1/sqrt(f) between two rounds, itself 3 to 13


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """The two properties of water that friction depends on."""

    density_kg_per_m3: float
    viscosity_pa_s: float

    def __post_init__(self) -> None:
        refuse_unless_positive("density", self.density_kg_per_m3, "kg/m3")
        refuse_unless_positive("viscosity", self.viscosity_pa_s, "Pa s")


def water_at(temperature_c: float) -> Water:
    """Clean water at 0 to 40 C and near air pressure.

    Density: Tanaka et al. 2001, Metrologia 38:301-309, within 0.001 kg/m3. Viscosity: Korson, Drost-Hansen &
    Millero 1969, J. Phys. Chem. 73:34-39, eq. 5, within 0.0005 mPa s of their table II.

    Raises:
        ValueError: the water is colder than 0 C or warmer than 40 C.

    >>> round(water_at(20.0).density_kg_per_m3, 3)
    998.207
    >>> round(water_at(10.0).viscosity_pa_s, 6)
    0.001307
    """
    refuse_unless_between("water temperature", temperature_c, "C", COLDEST_C, WARMEST_C)
    lighter = (temperature_c - 3.983035) ** 2 * (temperature_c + 301.797)
    density_kg_per_m3 = 999.974950 * (1.0 - lighter / (522528.9 * (temperature_c + 69.34881)))
    from_20_c = 20.0 - temperature_c
    decades = (1.1709 * from_20_c - 0.001827 * from_20_c**2) / (temperature_c + 89.93)
    return Water(density_kg_per_m3=density_kg_per_m3, viscosity_pa_s=1.0020e-3 * 10.0**decades)


def velocity_m_per_s(flow_l_per_min: float, diameter_mm: float) -> float:
    """Mean speed of the water in a full pipe.

    >>> round(velocity_m_per_s(20.0, 20.9), 3)
    0.972
    """
    area_m2 = pi / 4.0 * (diameter_mm / MM_PER_M) ** 2
    return flow_l_per_min / L_PER_M3 / S_PER_MIN / area_m2


def reynolds_number(flow_l_per_min: float, diameter_mm: float, water: Water) -> float:
    """Velocity times bore over kinematic viscosity."""
    velocity = velocity_m_per_s(flow_l_per_min, diameter_mm)
    return velocity * diameter_mm / MM_PER_M * water.density_kg_per_m3 / water.viscosity_pa_s


def colebrook_factor(reynolds: float, relative_roughness: float) -> float:
    """Darcy's friction factor of turbulent flow: Colebrook 1939, solved, not one of its approximations.

    1/sqrt(f) = -2 log10(e/(3.7 D) + 2.51/(Re sqrt(f))). Good from Re 4000 and to a relative roughness of
    0.05; the equation itself fits measurements within about 15 % (White, Fluid Mechanics; from memory).

    Raises:
        ValueError: the flow is laminar, or the roughness outside 0 to 0.05 of the bore.

    >>> round(colebrook_factor(1.0e5, 1.0e-4), 7)
    0.0185139
    """
    refuse_unless_between("Reynolds number of turbulent flow", reynolds, "", LAMINAR_TO_REYNOLDS)
    refuse_unless_between("roughness over bore", relative_roughness, "", 0.0, ROUGHEST)
    inverse_root, before = 7.0, 0.0
    while abs(inverse_root - before) > _FACTOR_IS_FOUND:
        # Each round leaves less than a third of the error: the slope of the right side stays under 0.3.
        before = inverse_root
        inverse_root = -2.0 * log10(relative_roughness / 3.7 + 2.51 * before / reynolds)
    return 1.0 / inverse_root**2


def friction_factor(reynolds: float, relative_roughness: float) -> float:
    """Darcy's friction factor of laminar, turbulent and in-between flow.

    Laminar, 64/Re, to Re 2300; Colebrook from Re 4000. Between them flow flickers from one to the other
    and no equation holds: a straight line joins the two ends, so that loss still grows steadily with flow.

    Raises:
        ValueError: no flow (nought has no factor), or turbulent and rougher than 0.05 of the bore.
    """
    refuse_unless_positive("Reynolds number", reynolds, "")
    if reynolds <= LAMINAR_TO_REYNOLDS:
        return 64.0 / reynolds
    if reynolds >= TURBULENT_FROM_REYNOLDS:
        return colebrook_factor(reynolds, relative_roughness)
    laminar = 64.0 / LAMINAR_TO_REYNOLDS
    turbulent = colebrook_factor(TURBULENT_FROM_REYNOLDS, relative_roughness)
    share = (reynolds - LAMINAR_TO_REYNOLDS) / (TURBULENT_FROM_REYNOLDS - LAMINAR_TO_REYNOLDS)
    return laminar + share * (turbulent - laminar)


@dataclass(frozen=True, slots=True, kw_only=True)
class HazenWilliams:
    """Friction by Hazen and Williams: cool water in turbulent flow, best near 1 m/s in bores over 50 mm.

    (Range from memory.) At the low flows near a lateral's end it gives too little loss: use it where a pipe
    table or another program did, and Darcy-Weisbach where it matters.
    """

    coefficient: float = PLASTIC_COEFFICIENT

    def __post_init__(self) -> None:
        refuse_unless_positive("Hazen-Williams C", self.coefficient, "")

    def loss_bar(self, flow_l_per_min: float, length_m: float, diameter_mm: float) -> float:
        """Pressure lost: hf = 10.67 L Q^1.852 / (C^1.852 D^4.8704), in SI.

        >>> from mistd.core.units import head_m_of_bar
        >>> round(head_m_of_bar(HazenWilliams(coefficient=150.0).loss_bar(20.0, 30.0, 20.9)), 4)
        1.6485
        """
        flow_m3_per_s = flow_l_per_min / L_PER_M3 / S_PER_MIN
        per_m = 10.67 * (flow_m3_per_s / self.coefficient) ** 1.852 / (diameter_mm / MM_PER_M) ** 4.8704
        return bar_of_head_m(per_m * length_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class DarcyWeisbach:
    """Friction by Darcy and Weisbach with Colebrook's factor: any flow, bore and temperature."""

    water: Water
    roughness_mm: float = PLASTIC_ROUGHNESS_MM

    def __post_init__(self) -> None:
        refuse_unless_between("roughness", self.roughness_mm, "mm", 0.0)

    def loss_bar(self, flow_l_per_min: float, length_m: float, diameter_mm: float) -> float:
        """Pressure lost: f (L/D) rho v^2 / 2; nil without flow."""
        if flow_l_per_min <= STILL_L_PER_MIN:
            return 0.0
        reynolds = reynolds_number(flow_l_per_min, diameter_mm, self.water)
        factor = friction_factor(reynolds, self.roughness_mm / diameter_mm)
        velocity = velocity_m_per_s(flow_l_per_min, diameter_mm)
        lengths = length_m / (diameter_mm / MM_PER_M)
        return factor * lengths * self.water.density_kg_per_m3 * velocity**2 / 2.0 / PA_PER_BAR


Friction = HazenWilliams | DarcyWeisbach


@dataclass(frozen=True, slots=True, kw_only=True)
class Pipe:
    """A full, straight, level pipe of one bore."""

    length_m: float
    diameter_mm: float
    friction: Friction

    def __post_init__(self) -> None:
        refuse_unless_between("pipe length", self.length_m, "m", 0.0)
        refuse_unless_positive("pipe bore", self.diameter_mm, "mm")

    @property
    def volume_l(self) -> float:
        """What the pipe holds; pi/4 D^2 L."""
        return pi / 4.0 * (self.diameter_mm / MM_PER_M) ** 2 * self.length_m * L_PER_M3

    def loss_bar(self, flow_l_per_min: float) -> float:
        """Pressure lost along the pipe at a flow of nought or more.

        Raises:
            ValueError: the flow is negative: turn the pipe round.

        >>> pipe = Pipe(length_m=30.0, diameter_mm=26.6, friction=HazenWilliams())
        >>> round(pipe.loss_bar(20.0), 4)
        0.0499
        """
        refuse_unless_between("flow in a pipe", flow_l_per_min, "l/min", 0.0)
        return self.friction.loss_bar(flow_l_per_min, self.length_m, self.diameter_mm)
