"""The hydraulics against programs written by others: EPANET 2.2, which package wntr carries, and fluids.

EPANET solves the whole network at once by its own method (a global gradient), where ours adds a lateral up
from its far end. Its friction differs a little: 4.871 for the exponent of the bore in Hazen-Williams, and in
Darcy-Weisbach Swamee and Jain's factor from Re 4000 and a cubic from Re 2000 to 4000.
"""

import itertools
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import fluids
import pytest

from mistd.core.hydraulics import Lateral
from mistd.core.nozzle import Nozzle
from mistd.core.pipe_friction import (
    DarcyWeisbach,
    Friction,
    HazenWilliams,
    Pipe,
    Water,
    colebrook_factor,
    friction_factor,
)
from mistd.core.pump_curve import PumpPoint, SystemCurve, curve_of_shutoff_and_point, working_point
from mistd.core.units import bar_of_head_m, head_m_of_bar

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # what its plotting packages say of their own future is not ours
    import wntr  # type: ignore[import-untyped]

L_PER_MIN_PER_M3_PER_S = 60_000.0
NOZZLES = 12
SPACING_M = 1.0
ROUGHNESS_MM = 0.0015
COEFFICIENT = 150.0

# EPANET's own water: 1.1e-5 ft2/s (its manual, options, viscosity), at the conventional metre of water.
EPANET_WATER = Water(density_kg_per_m3=1000.0, viscosity_pa_s=1000.0 * 1.1e-5 * 0.3048**2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A lateral of a bore and a rise, with nozzles of a size, fed at a pressure."""

    diameter_mm: float
    inlet_bar: float
    rated_l_per_min: float = 0.6
    rise_m_per_m: float = 0.0


CASES = [
    *(
        Case(diameter_mm=diameter_mm, inlet_bar=inlet_bar)
        for diameter_mm, inlet_bar in itertools.product(
            (10.0, 13.0, 15.8, 20.9, 26.6), (0.5, 1.0, 2.0, 3.0, 4.0)
        )
    ),
    Case(diameter_mm=13.0, inlet_bar=3.0, rated_l_per_min=1.5),
    Case(diameter_mm=10.0, inlet_bar=4.0, rated_l_per_min=1.5),
    Case(diameter_mm=8.0, inlet_bar=4.0, rated_l_per_min=1.5),
    Case(diameter_mm=15.8, inlet_bar=3.0, rated_l_per_min=0.1),
    Case(diameter_mm=13.0, inlet_bar=2.0, rise_m_per_m=0.03),
    Case(diameter_mm=13.0, inlet_bar=2.0, rise_m_per_m=-0.03),
]

LAWS: dict[str, Friction] = {
    "H-W": HazenWilliams(coefficient=COEFFICIENT),
    "D-W": DarcyWeisbach(water=EPANET_WATER),
}


class EpanetHazenWilliams:
    """The law as EPANET's manual prints it, in feet and cubic feet: 4.727 L Q^1.852 / (C^1.852 D^4.871)."""

    def loss_bar(self, flow_l_per_min: float, length_m: float, diameter_mm: float) -> float:
        flow_cfs = flow_l_per_min / L_PER_MIN_PER_M3_PER_S / 0.3048**3
        diameter_ft = diameter_mm / 304.8
        loss_m = 4.727 * length_m * (flow_cfs / COEFFICIENT) ** 1.852 / diameter_ft**4.871
        return bar_of_head_m(loss_m)


EPANETS_OWN = cast(Friction, EpanetHazenWilliams())


def lateral_of(case: Case, friction: Friction) -> Lateral:
    return Lateral(
        nozzle=Nozzle(rated_l_per_min=case.rated_l_per_min, rated_bar=3.0),
        nozzles=NOZZLES,
        spacing_m=SPACING_M,
        diameter_mm=case.diameter_mm,
        friction=friction,
        rise_m_per_m=case.rise_m_per_m,
    )


def epanet_network(law: str) -> Any:
    """An empty network of that friction law, converged far beyond EPANET's usual thousandth."""
    network = wntr.network.WaterNetworkModel()
    hydraulic = network.options.hydraulic
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that pipes keep their roughness; there are none yet
        hydraulic.headloss = law
    hydraulic.accuracy = 1e-8
    hydraulic.trials = 500
    hydraulic.viscosity = 1.0
    hydraulic.inpfile_units = "LPM"
    network.options.time.duration = 0
    return network


def roughness_of(law: str) -> float:
    return COEFFICIENT if law == "H-W" else ROUGHNESS_MM / 1000.0


def add_pipe(network: Any, name: str, ends: tuple[str, str], length_m: float, diameter_mm: float) -> None:
    network.add_pipe(
        name,
        *ends,
        length=length_m,
        diameter=diameter_mm / 1000.0,
        roughness=roughness_of(network.options.hydraulic.headloss),
        minor_loss=0.0,
    )


def add_lateral(network: Any, prefix: str, inlet: str, case: Case) -> list[str]:
    """Twelve junctions with emitters, q = C h^0.5, along the pipe from `inlet`; their names."""
    names = [f"{prefix}n{number}" for number in range(1, NOZZLES + 1)]
    per_root_m = case.rated_l_per_min / L_PER_MIN_PER_M3_PER_S / head_m_of_bar(3.0) ** 0.5
    before = inlet
    for number, name in enumerate(names, start=1):
        network.add_junction(name, base_demand=0.0, elevation=number * SPACING_M * case.rise_m_per_m)
        network.get_node(name).emitter_coefficient = per_root_m
        add_pipe(network, f"{prefix}p{number}", (before, name), SPACING_M, case.diameter_mm)
        before = name
    return names


def epanet_solved(network: Any, folder: Path) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return wntr.sim.EpanetSimulator(network).run_sim(file_prefix=str(folder / "net"))


def far_off(ours: float, theirs: float) -> float:
    return abs(ours / theirs - 1.0)


@pytest.mark.parametrize(
    ("law", "friction", "pressure_within", "flow_within"),
    [
        ("H-W", LAWS["H-W"], 0.0015, 0.0008),
        ("H-W", EPANETS_OWN, 2.0e-5, 1.0e-5),
        ("D-W", LAWS["D-W"], 0.0015, 0.0008),
    ],
)
def test_laterals_agree_with_epanet(
    law: str, friction: Friction, pressure_within: float, flow_within: float, tmp_path: Path
) -> None:
    """Every pressure and every nozzle of 31 laterals; a 1 % promise, held much closer.

    With EPANET's own friction the solutions agree to its single precision: the rest is the law's.
    """
    network = epanet_network(law)
    names = []
    for number, case in enumerate(CASES):
        network.add_reservoir(f"r{number}", base_head=head_m_of_bar(case.inlet_bar))
        names.append(add_lateral(network, f"c{number}", f"r{number}", case))

    results = epanet_solved(network, tmp_path)

    worst_pressure, worst_flow = 0.0, 0.0
    for case, nodes in zip(CASES, names, strict=True):
        solved = lateral_of(case, friction).solved(case.inlet_bar)
        for node, bar, l_per_min in zip(nodes, solved.pressures_bar, solved.flows_l_per_min, strict=True):
            their_bar = bar_of_head_m(float(results.node["pressure"][node].iloc[0]))
            their_l_per_min = L_PER_MIN_PER_M3_PER_S * float(results.node["demand"][node].iloc[0])
            worst_pressure = max(worst_pressure, far_off(bar, their_bar))
            worst_flow = max(worst_flow, far_off(l_per_min, their_l_per_min))
    print(f"largest difference from EPANET, {law}: pressure {worst_pressure:.2e}, flow {worst_flow:.2e}")
    assert worst_pressure < pressure_within
    assert worst_flow < flow_within


def test_the_comparison_covers_all_three_kinds_of_flow() -> None:
    """Else its close agreement could be one of pipes without friction."""
    reynolds = []
    lost = []
    for case in CASES:
        solved = lateral_of(case, LAWS["D-W"]).solved(case.inlet_bar)
        per_l_per_min = (
            4.0 / (3.14159 * case.diameter_mm / 1000.0 * 1.1e-5 * 0.3048**2) / L_PER_MIN_PER_M3_PER_S
        )
        reynolds += [per_l_per_min * solved.flow_l_per_min, per_l_per_min * solved.flows_l_per_min[-1]]
        lost.append(1.0 - solved.last_bar / case.inlet_bar)

    assert min(reynolds) < 500.0
    assert any(2300.0 < number < 4000.0 for number in reynolds)
    assert max(reynolds) > 10_000.0
    assert max(lost) > 0.45


@pytest.mark.parametrize("law", ["H-W", "D-W"])
def test_the_working_point_agrees_with_epanet(law: str, tmp_path: Path) -> None:
    """EPANET makes a one-point curve into a parabola: 4/3 of its head at nil flow, which is our shutoff."""
    case = Case(diameter_mm=15.8, inlet_bar=0.0)
    point_l_per_min, point_m = 12.0, 24.0
    network = epanet_network(law)
    network.add_reservoir("tank", base_head=0.0)
    network.add_junction("outlet", base_demand=0.0, elevation=0.0)
    network.add_junction("manifold", base_demand=0.0, elevation=2.0)
    network.add_curve("curve", "HEAD", [(point_l_per_min / L_PER_MIN_PER_M3_PER_S, point_m)])
    network.add_pump("pump", "tank", "outlet", pump_type="HEAD", pump_parameter="curve")
    add_pipe(network, "feed", ("outlet", "manifold"), 25.0, 15.8)
    names = add_lateral(network, "c", "manifold", case)
    for name in names:
        network.get_node(name).elevation = 2.0
    point = PumpPoint(flow_l_per_min=point_l_per_min, pressure_bar=bar_of_head_m(point_m))
    pump = curve_of_shutoff_and_point(bar_of_head_m(4.0 / 3.0 * point_m), point)
    feed = Pipe(length_m=25.0, diameter_mm=15.8, friction=LAWS[law])
    system = SystemCurve(laterals=(lateral_of(case, LAWS[law]),), feed=feed, lift_m=2.0)

    results = epanet_solved(network, tmp_path)
    found = working_point(pump, system)

    their_l_per_min = L_PER_MIN_PER_M3_PER_S * float(results.link["flowrate"]["pump"].iloc[0])
    their_pump_bar = bar_of_head_m(float(results.node["pressure"]["outlet"].iloc[0]))
    their_manifold_bar = bar_of_head_m(float(results.node["pressure"]["manifold"].iloc[0]))
    theirs = f"{their_l_per_min:.4f} l/min, {their_pump_bar:.4f}, {their_manifold_bar:.4f} bar"
    print(f"EPANET, {law}: {theirs}; ours {found}")
    assert found.flow_l_per_min == pytest.approx(their_l_per_min, rel=0.001)
    assert found.pump_bar == pytest.approx(their_pump_bar, rel=0.001)
    assert found.manifold_bar == pytest.approx(their_manifold_bar, rel=0.001)


def test_epanets_emitter_is_our_orifice() -> None:
    assert wntr.network.WaterNetworkModel().options.hydraulic.emitter_exponent == 0.5
    assert Nozzle(rated_l_per_min=0.6, rated_bar=3.0).exponent == 0.5


REYNOLDS = [4.0e3, 7.0e3, 2.0e4, 1.0e5, 1.0e6, 1.0e7]
ROUGHNESSES = [0.0, 1.0e-5, 1.0e-4, 1.0e-3, 0.01, 0.05]


@pytest.mark.parametrize(("reynolds", "roughness"), list(itertools.product(REYNOLDS, ROUGHNESSES)))
def test_colebrook_agrees_with_fluids(reynolds: float, roughness: float) -> None:
    theirs = fluids.friction.Colebrook(reynolds, roughness)

    assert colebrook_factor(reynolds, roughness) == pytest.approx(theirs, rel=1e-10)


@pytest.mark.parametrize("reynolds", [1.0, 500.0, 2000.0])
def test_laminar_friction_agrees_with_fluids(reynolds: float) -> None:
    """Between Re 2040, where fluids turns turbulent at a stroke, and 4000 there is no common ground."""
    theirs = fluids.friction_factor(Re=reynolds, eD=1.0e-4)

    assert friction_factor(reynolds, 1.0e-4) == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("flow_l_per_min", [0.3, 1.0, 8.0, 20.0, 60.0])
@pytest.mark.parametrize("diameter_mm", [13.0, 20.9, 35.1])
def test_pressure_drop_agrees_with_fluids(flow_l_per_min: float, diameter_mm: float) -> None:
    """Laminar and turbulent; none of these lies between, where each bridges the gap in its own way."""
    water = Water(density_kg_per_m3=998.2, viscosity_pa_s=0.001002)
    pipe = Pipe(
        length_m=30.0, diameter_mm=diameter_mm, friction=DarcyWeisbach(water=water, roughness_mm=0.0015)
    )
    mass_kg_per_s = flow_l_per_min / L_PER_MIN_PER_M3_PER_S * 998.2

    theirs_pa = fluids.one_phase_dP(
        m=mass_kg_per_s, rho=998.2, mu=0.001002, D=diameter_mm / 1000.0, roughness=1.5e-6, L=30.0
    )

    assert 1.0e5 * pipe.loss_bar(flow_l_per_min) == pytest.approx(theirs_pa, rel=1e-6)
