"""Laterals: Christiansen's table, cases with an answer of their own, and what must hold for every lateral."""

from itertools import pairwise
from math import inf, nan, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.hydraulics import (
    Lateral,
    LateralFlow,
    christiansen_factor,
    fill_s,
    healthy_flow_l_per_min,
    outlets_factor,
)
from mistd.core.nozzle import Nozzle, scaled_flow_l_per_min
from mistd.core.pipe_friction import DarcyWeisbach, Friction, HazenWilliams, Pipe, water_at
from mistd.core.units import bar_of_head_m

# Christiansen 1942, Calif. Agr. Exp. Sta. Bull. 670. The printed table is from memory; the values were
# computed from its formula, which agrees with the exact sum to 0.0011. Outlets: factor for each exponent.
EXPONENTS = (1.75, 1.852, 1.9, 2.0)
CHRISTIANSEN = {
    2: (0.650, 0.639, 0.634, 0.625),
    3: (0.546, 0.534, 0.529, 0.519),
    4: (0.498, 0.485, 0.480, 0.469),
    5: (0.469, 0.457, 0.451, 0.440),
    6: (0.451, 0.438, 0.433, 0.421),
    8: (0.428, 0.416, 0.410, 0.398),
    10: (0.415, 0.402, 0.396, 0.385),
    12: (0.406, 0.393, 0.388, 0.376),
    15: (0.398, 0.385, 0.379, 0.367),
    20: (0.389, 0.376, 0.370, 0.359),
    30: (0.380, 0.367, 0.362, 0.350),
    50: (0.374, 0.361, 0.355, 0.343),
    100: (0.369, 0.356, 0.350, 0.338),
}
ONE_OUTLET = (1.008, 1.004, 1.003, 1.000)  # what the formula gives and the table sets to 1
TABLE = [
    (outlets, exponent, factor)
    for outlets, row in CHRISTIANSEN.items()
    for exponent, factor in zip(EXPONENTS, row, strict=True)
]

LAWS: list[Friction] = [HazenWilliams(), DarcyWeisbach(water=water_at(12.0))]


def plain(exponent: float = 0.5) -> Nozzle:
    """Without an anti-drip valve."""
    return Nozzle(rated_l_per_min=0.6, rated_bar=3.0, exponent=exponent)


def lateral(
    nozzle: Nozzle | None = None,
    *,
    nozzles: int = 12,
    diameter_mm: float = 13.0,
    friction: Friction | None = None,
    rise_m_per_m: float = 0.0,
) -> Lateral:
    return Lateral(
        nozzle=nozzle or plain(),
        nozzles=nozzles,
        spacing_m=1.0,
        diameter_mm=diameter_mm,
        friction=friction or HazenWilliams(),
        rise_m_per_m=rise_m_per_m,
    )


laterals = st.builds(
    lateral,
    st.builds(
        Nozzle,
        rated_l_per_min=st.floats(0.05, 2.0),
        rated_bar=st.just(3.0),
        exponent=st.sampled_from([0.0, 0.5, 0.7, 1.0]),
        opens_bar=st.floats(1.0, 2.5),
        shuts_bar=st.floats(0.0, 1.0),
    ),
    nozzles=st.integers(1, 15),
    diameter_mm=st.floats(8.0, 30.0),
    friction=st.sampled_from(LAWS),
    rise_m_per_m=st.floats(-0.2, 0.2),
)


@pytest.mark.parametrize(("outlets", "exponent", "factor"), TABLE)
def test_christiansens_factor_and_the_exact_sum_give_the_table(
    outlets: int, exponent: float, factor: float
) -> None:
    assert christiansen_factor(outlets, exponent) == pytest.approx(factor, abs=0.00051)
    # The formula is an approximation of the sum: worst, 0.0011 too much, for two outlets at 1.75.
    assert outlets_factor(outlets, exponent) == pytest.approx(factor, abs=0.0014 if outlets == 2 else 0.00061)


@pytest.mark.parametrize(("exponent", "by_formula"), list(zip(EXPONENTS, ONE_OUTLET, strict=True)))
def test_one_outlet_has_the_factor_one_that_the_formula_misses(exponent: float, by_formula: float) -> None:
    assert christiansen_factor(1, exponent) == 1.0
    assert outlets_factor(1, exponent) == 1.0
    assert abs(by_formula - 1.0) < 0.0085  # the table's own row of one, beside which 1 is right


@pytest.mark.parametrize("nozzles", [1, 2, 3, 12, 40])
def test_equal_outlets_lose_christiansens_share_of_the_whole_flow(nozzles: int) -> None:
    """Fully compensating nozzles flow alike, so the solved lateral must show the exact sum."""
    solved = lateral(plain(exponent=0.0), nozzles=nozzles).solved(6.0)
    whole = Pipe(length_m=float(nozzles), diameter_mm=13.0, friction=HazenWilliams())

    lost_bar = solved.inlet_bar - solved.last_bar

    assert solved.flow_l_per_min == pytest.approx(0.6 * nozzles)
    assert lost_bar == pytest.approx(outlets_factor(nozzles, 1.852) * whole.loss_bar(0.6 * nozzles), rel=1e-9)


def test_two_orifices_worked_by_hand() -> None:
    """Where flow is laminar, loss goes with flow: w^2 = u^2 + Rq u, and so on back to the inlet."""
    water = water_at(20.0)
    two = lateral(
        Nozzle(rated_l_per_min=0.4, rated_bar=1.0),
        nozzles=2,
        diameter_mm=8.0,
        friction=DarcyWeisbach(water=water),
    )
    # Hagen and Poiseuille, bar per l/min over 1 m: 128 mu / (pi D^4) / 60000 / 1e5
    per_flow_bar = 128.0 * water.viscosity_pa_s / (3.14159265359 * 0.008**4) / 60000.0 / 1.0e5

    solved = two.solved(1.0)

    near_bar, far_bar = solved.pressures_bar
    near, far = solved.flows_l_per_min
    assert near == pytest.approx(0.4 * sqrt(near_bar))
    assert far == pytest.approx(0.4 * sqrt(far_bar))
    assert 1.0 - near_bar == pytest.approx(per_flow_bar * (near + far), rel=1e-9)
    assert near_bar - far_bar == pytest.approx(per_flow_bar * far, rel=1e-9)


def test_the_first_nozzle_is_a_full_spacing_from_the_inlet() -> None:
    solved = lateral(nozzles=1).solved(3.0)
    spacing = Pipe(length_m=1.0, diameter_mm=13.0, friction=HazenWilliams())

    assert 3.0 - solved.last_bar == pytest.approx(spacing.loss_bar(solved.flow_l_per_min), rel=1e-6)
    assert solved.last_bar < 3.0


def test_a_still_line_uphill_loses_its_height() -> None:
    """Nozzles that do not open leave the pressure of a column of water: 12 m at 5 %, 0.6 m."""
    shut = Nozzle(rated_l_per_min=0.6, rated_bar=3.0, opens_bar=2.9)

    solved = lateral(shut, rise_m_per_m=0.05).solved(1.0)

    assert solved.flow_l_per_min == 0.0
    assert solved.last_bar == pytest.approx(1.0 - bar_of_head_m(0.6), abs=1e-12)


def test_nozzles_above_the_water_give_nothing_and_the_rest_still_flow() -> None:
    """1 m of pressure on a line that climbs 0.2 m at each nozzle: the first four are under water."""
    solved = lateral(diameter_mm=30.0, rise_m_per_m=0.2).solved(bar_of_head_m(0.999))

    flowing = [flow_l_per_min > 0.0 for flow_l_per_min in solved.flows_l_per_min]

    assert flowing == [True] * 4 + [False] * 8
    assert solved.last_bar < 0.0


def test_a_line_below_its_nozzles_opening_pressure_gives_nothing() -> None:
    drip_stopped = Nozzle(rated_l_per_min=0.6, rated_bar=3.0, opens_bar=1.5, shuts_bar=0.8)

    assert lateral(drip_stopped).solved(1.499).flow_l_per_min == 0.0
    assert lateral(drip_stopped).solved(1.7).flow_l_per_min == pytest.approx(
        12 * 0.6 * sqrt(1.7 / 3), rel=0.02
    )
    assert lateral(drip_stopped).solved(1.499, were_open=True).flow_l_per_min > 4.0


def test_the_far_nozzles_stay_shut_when_friction_takes_their_opening_pressure() -> None:
    """Two hundredths of a bar over the opening pressure are used up before the far end."""
    drip_stopped = Nozzle(rated_l_per_min=0.6, rated_bar=3.0, opens_bar=1.5)

    solved = lateral(drip_stopped, friction=HazenWilliams()).solved(1.51)

    assert solved.flows_l_per_min[0] == pytest.approx(0.6 * sqrt(solved.pressures_bar[0] / 3.0))
    assert solved.flows_l_per_min[-1] < 0.1
    assert solved.last_bar == pytest.approx(1.5, abs=1e-12)


@given(lateral=laterals, inlet_bar=st.floats(0.0, 8.0), were_open=st.booleans())
@settings(deadline=None, derandomize=True, max_examples=60)
def test_every_solution_balances(lateral: Lateral, inlet_bar: float, were_open: bool) -> None:
    """The pressures add up from the inlet and each nozzle has its own flow, counted afresh from the inlet."""
    solved = lateral.solved(inlet_bar, were_open=were_open)

    assert solved.inlet_bar == pytest.approx(inlet_bar, abs=1e-9)
    along_l_per_min, before_bar = solved.flow_l_per_min, inlet_bar
    for pressure_bar, flow_l_per_min in zip(solved.pressures_bar, solved.flows_l_per_min, strict=True):
        loss_bar = lateral.friction.loss_bar(max(0.0, along_l_per_min), 1.0, lateral.diameter_mm)
        rise_bar = lateral.rise_m_per_m * 0.0980665
        assert pressure_bar == pytest.approx(before_bar - loss_bar - rise_bar, abs=2e-9)
        _check_flow(lateral.nozzle, pressure_bar, flow_l_per_min, were_open=were_open)
        along_l_per_min -= flow_l_per_min
        before_bar = pressure_bar
    assert along_l_per_min == pytest.approx(0.0, abs=1e-9)


def _check_flow(nozzle: Nozzle, pressure_bar: float, flow_l_per_min: float, *, were_open: bool) -> None:
    """A nozzle has the flow of its pressure; one at its threshold anything up to that."""
    own_l_per_min = nozzle.flow_l_per_min(pressure_bar, was_open=were_open)
    most_l_per_min = nozzle.flow_l_per_min(pressure_bar + 2e-9, was_open=were_open)
    threshold_bar = nozzle.shuts_bar if were_open else nozzle.opens_bar
    if abs(pressure_bar - threshold_bar) <= 1e-9:
        assert 0.0 <= flow_l_per_min <= most_l_per_min + 1e-9
    else:
        assert flow_l_per_min == pytest.approx(own_l_per_min, rel=1e-12)


@given(inlet_bar=st.floats(0.5, 8.0), nozzles=st.integers(2, 20), diameter_mm=st.floats(8.0, 40.0))
@settings(deadline=None, derandomize=True, max_examples=60)
@pytest.mark.parametrize("friction", LAWS)
def test_pressure_falls_along_a_level_lateral(
    friction: Friction, inlet_bar: float, nozzles: int, diameter_mm: float
) -> None:
    solved = lateral(nozzles=nozzles, diameter_mm=diameter_mm, friction=friction).solved(inlet_bar)

    all_along_bar = (inlet_bar, *solved.pressures_bar)
    assert all(before > after for before, after in pairwise(all_along_bar))


@given(lateral=laterals, inlet_bar=st.floats(0.0, 6.0), more_bar=st.floats(0.01, 2.0))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_flow_rises_with_inlet_pressure(lateral: Lateral, inlet_bar: float, more_bar: float) -> None:
    flow = lateral.solved(inlet_bar).flow_l_per_min
    more_flow = lateral.solved(inlet_bar + more_bar).flow_l_per_min

    assert more_flow >= flow - 1e-9
    if lateral.nozzle.exponent > 0.0 and flow > 0.0:
        assert more_flow > flow


@pytest.mark.parametrize("over_bar", [-0.01, 0.0, 1e-9, 0.001, 0.01, 0.1])
@pytest.mark.parametrize("rise_m_per_m", [0.0, -0.02, -0.2])
@pytest.mark.parametrize("exponent", [0.0, 0.5])
def test_a_long_narrow_line_on_the_edge_of_opening_still_balances(
    over_bar: float, rise_m_per_m: float, exponent: float
) -> None:
    """Many nozzles throttle at once here: a solver that smooths their step away ends up bars off."""
    greedy = Nozzle(rated_l_per_min=2.0, rated_bar=3.0, exponent=exponent, opens_bar=2.0)
    long = lateral(greedy, nozzles=40, diameter_mm=6.0, rise_m_per_m=rise_m_per_m)

    solved = long.solved(2.0 + over_bar)

    assert solved.inlet_bar == pytest.approx(2.0 + over_bar, abs=1e-9)
    for pressure_bar, flow_l_per_min in zip(solved.pressures_bar, solved.flows_l_per_min, strict=True):
        _check_flow(greedy, pressure_bar, flow_l_per_min, were_open=False)


def test_a_zone_is_the_sum_of_its_laterals() -> None:
    long, short = lateral(), lateral(nozzles=8)

    both = healthy_flow_l_per_min([long, short], 3.0)

    assert both == pytest.approx(long.solved(3.0).flow_l_per_min + short.solved(3.0).flow_l_per_min)


@pytest.mark.parametrize("friction", LAWS)
@pytest.mark.parametrize("measured_bar", [1.5, 2.0, 2.5, 4.0])
def test_scaling_a_zones_flow_by_the_root_is_near_solving_it(friction: Friction, measured_bar: float) -> None:
    """Within 1.5 % from half to four thirds of the pressure, in a pipe so narrow that it loses a third."""
    narrow = lateral(diameter_mm=8.3, friction=friction, nozzles=20)
    healthy = narrow.solved(3.0)
    assert healthy.last_bar < 2.0

    scaled = scaled_flow_l_per_min(healthy.flow_l_per_min, 3.0, measured_bar)

    assert scaled == pytest.approx(narrow.solved(measured_bar).flow_l_per_min, rel=0.015)


def test_a_line_fills_in_its_volume_over_its_flow() -> None:
    """12 m of 13 mm hold 1.593 l; at 7.2 l/min that is 13.3 s: longer than a burst, as it must be known."""
    line = lateral()

    assert line.volume_l == pytest.approx(1.593, abs=0.001)
    assert fill_s(line.volume_l, 7.2) == pytest.approx(13.27, abs=0.01)


def test_a_solution_tells_its_total_and_its_last_pressure() -> None:
    solved = LateralFlow(inlet_bar=3.0, pressures_bar=(2.9, 2.8), flows_l_per_min=(0.6, 0.5))

    assert solved.flow_l_per_min == pytest.approx(1.1)
    assert solved.last_bar == 2.8


@pytest.mark.parametrize("inlet_bar", [-0.1, nan, inf])
def test_an_impossible_inlet_pressure_is_refused(inlet_bar: float) -> None:
    with pytest.raises(ValueError, match=r"pressure at a lateral's inlet: .* bar, must be at least 0 bar"):
        lateral().solved(inlet_bar)


def test_an_impossible_lateral_is_refused() -> None:
    with pytest.raises(ValueError, match="nozzles on a lateral: 0, must be more than 0"):
        lateral(nozzles=0)
    with pytest.raises(ValueError, match="lateral's bore: 0 mm, must be more than 0 mm"):
        lateral(diameter_mm=0.0)
    with pytest.raises(ValueError, match=r"lateral's rise: 1.5 m/m, must be -1 to 1 m/m"):
        lateral(rise_m_per_m=1.5)
    with pytest.raises(ValueError, match="nozzle spacing: 0 m, must be more than 0 m"):
        Lateral(nozzle=plain(), nozzles=2, spacing_m=0.0, diameter_mm=13.0, friction=HazenWilliams())


def test_other_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="laterals of a zone: 0, must be at least 1"):
        healthy_flow_l_per_min([], 3.0)
    with pytest.raises(ValueError, match="flow to fill with: 0 l/min, must be more than 0 l/min"):
        fill_s(1.0, 0.0)
    with pytest.raises(ValueError, match="volume to fill: -1 l, must be at least 0 l"):
        fill_s(-1.0, 1.0)
    for factor in (christiansen_factor, outlets_factor):
        with pytest.raises(ValueError, match="outlets: 0, must be at least 1"):
            factor(0, 2.0)
        with pytest.raises(ValueError, match=r"exponent of the friction law: 0.9, must be at least 1"):
            factor(5, 0.9)
