"""Pumps: affinity laws, power, curves through points, and working points with an answer of their own."""

from math import nan, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.hydraulics import Lateral
from mistd.core.nozzle import Nozzle
from mistd.core.pipe_friction import DarcyWeisbach, Friction, HazenWilliams, Pipe, water_at
from mistd.core.pump_curve import (
    PumpCurve,
    PumpDuty,
    PumpPoint,
    SystemCurve,
    curve_of_shutoff_and_point,
    curve_of_three_points,
    hydraulic_power_w,
    working_point,
)
from mistd.core.units import bar_of_head_m


def point(flow_l_per_min: float, pressure_bar: float) -> PumpPoint:
    return PumpPoint(flow_l_per_min=flow_l_per_min, pressure_bar=pressure_bar)


def booster() -> PumpCurve:
    """4 bar shut off, 3 bar at 40 l/min."""
    return curve_of_shutoff_and_point(4.0, point(40.0, 3.0))


def bench(
    *,
    nozzles: int = 12,
    opens_bar: float = 0.0,
    lift_m: float = 0.0,
    friction: Friction | None = None,
    diameter_mm: float = 16.0,
) -> SystemCurve:
    """One lateral of 0.6 l/min nozzles at the end of 20 m of feed pipe."""
    friction = friction or HazenWilliams()
    lateral = Lateral(
        nozzle=Nozzle(rated_l_per_min=0.6, rated_bar=3.0, opens_bar=opens_bar),
        nozzles=nozzles,
        spacing_m=1.0,
        diameter_mm=diameter_mm,
        friction=friction,
    )
    feed = Pipe(length_m=20.0, diameter_mm=20.0, friction=friction)
    return SystemCurve(laterals=(lateral,), feed=feed, lift_m=lift_m)


def wide_open(k_l_per_min: float, lift_m: float) -> SystemCurve:
    """One orifice behind pipes so wide that they lose nothing to speak of: 1e-9 bar."""
    wide = HazenWilliams()
    orifice = Nozzle(rated_l_per_min=k_l_per_min, rated_bar=1.0)
    lateral = Lateral(nozzle=orifice, nozzles=1, spacing_m=0.01, diameter_mm=500.0, friction=wide)
    return SystemCurve(
        laterals=(lateral,), feed=Pipe(length_m=0.0, diameter_mm=500.0, friction=wide), lift_m=lift_m
    )


@pytest.mark.parametrize(
    ("density_kg_per_m3", "gravity_m_per_s2", "computed_w"),
    [(1000.0, 9.81, 1090.0), (998.2, 9.80665, 1087.7)],
)
def test_lifting_10_m3_per_h_by_40_m_takes_1_09_kw(
    density_kg_per_m3: float, gravity_m_per_s2: float, computed_w: float
) -> None:
    """P = rho g Q H, worked with both sets of constants."""
    pressure_bar = density_kg_per_m3 * gravity_m_per_s2 * 40.0 / 1.0e5

    assert hydraulic_power_w(10_000.0 / 60.0, pressure_bar) == pytest.approx(computed_w, abs=0.06)


def test_the_shaft_takes_the_power_over_the_efficiency() -> None:
    assert hydraulic_power_w(30.0, 3.0, efficiency=0.5) == pytest.approx(300.0)


def test_affinity_from_1450_to_1200_turns() -> None:
    """Flow with n, pressure with n^2, power with n^3: 0.82759, 0.68490, 0.56681, worked to five places."""
    slower = PumpDuty(flow_l_per_min=1.0, pressure_bar=1.0, power_w=1.0).at_speed(1200.0 / 1450.0)

    assert slower.flow_l_per_min == pytest.approx(0.82759, abs=5e-6)
    assert slower.pressure_bar == pytest.approx(0.68490, abs=5e-6)
    assert slower.power_w == pytest.approx(0.56681, abs=5e-6)


@given(flow_l_per_min=st.floats(0.0, 80.0), speed_ratio=st.floats(0.3, 1.3))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_a_slower_curve_is_made_of_the_slower_duties(flow_l_per_min: float, speed_ratio: float) -> None:
    """Curve and duty follow the same laws, though worked out apart; power is the check of both."""
    curve = curve_of_three_points([point(0.0, 4.0), point(30.0, 3.4), point(60.0, 2.0)])
    pressure_bar = curve.pressure_bar(flow_l_per_min)
    power_w = hydraulic_power_w(flow_l_per_min, pressure_bar)
    duty = PumpDuty(flow_l_per_min=flow_l_per_min, pressure_bar=pressure_bar, power_w=power_w).at_speed(
        speed_ratio
    )

    slower_bar = curve.at_speed(speed_ratio).pressure_bar(duty.flow_l_per_min)

    assert slower_bar == pytest.approx(duty.pressure_bar, abs=1e-9)
    assert hydraulic_power_w(duty.flow_l_per_min, slower_bar) == pytest.approx(duty.power_w, abs=1e-6)


@given(
    shutoff_bar=st.floats(2.0, 8.0),
    slope=st.floats(0.0, 0.02),
    bend=st.floats(1.0e-5, 4.0e-4),
    flows=st.lists(st.integers(0, 50), min_size=3, max_size=3, unique=True),
    asked_l_per_min=st.floats(0.0, 60.0),
)
@settings(deadline=None, derandomize=True, max_examples=100)
def test_three_points_of_a_parabola_give_it_back(
    shutoff_bar: float, slope: float, bend: float, flows: list[int], asked_l_per_min: float
) -> None:
    def parabola_bar(flow_l_per_min: float) -> float:
        return max(0.0, shutoff_bar - slope * flow_l_per_min - bend * flow_l_per_min**2)

    curve = curve_of_three_points([point(float(flow), parabola_bar(float(flow))) for flow in flows])

    assert curve.pressure_bar(asked_l_per_min) == pytest.approx(parabola_bar(asked_l_per_min), abs=1e-6)
    assert curve.tested_to_l_per_min == max(flows)


def test_shutoff_and_one_point_give_a_parabola_level_at_nil_flow() -> None:
    """EPANET's one-point curve: 4/3 of the point's head at nil flow, none at twice its flow."""
    curve = curve_of_shutoff_and_point(4.0, point(40.0, 3.0))

    assert curve.pressure_bar(0.0) == 4.0
    assert curve.pressure_bar(40.0) == pytest.approx(3.0)
    assert curve.pressure_bar(79.9) > 0.0
    assert curve.pressure_bar(80.1) == 0.0


def test_a_curve_that_bends_upward_goes_straight_on_past_its_last_point() -> None:
    """A parabola through 4, 2.5 and 1.5 bar would rise again from 37 l/min."""
    curve = curve_of_three_points([point(0.0, 4.0), point(10.0, 2.5), point(20.0, 1.5)])

    assert curve.pressure_bar(15.0) == pytest.approx(1.9375)
    # At 20 l/min it falls by 0.075 bar per l/min, so that 1.5 bar last for 20 l/min more.
    assert curve.pressure_bar(30.0) == pytest.approx(0.75)
    assert curve.pressure_bar(41.0) == 0.0


@given(k_l_per_min=st.floats(1.0, 40.0), lift_m=st.floats(0.0, 30.0))
@settings(deadline=None, derandomize=True, max_examples=20)
def test_a_pump_on_one_orifice_works_where_algebra_says(k_l_per_min: float, lift_m: float) -> None:
    """H0 - a q^2 = lift + q^2/k^2, so q = sqrt((H0 - lift) / (a + 1/k^2))."""
    expected_l_per_min = sqrt((4.0 - bar_of_head_m(lift_m)) / (1.0 / 1600.0 + 1.0 / k_l_per_min**2))

    found = working_point(booster(), wide_open(k_l_per_min, lift_m))

    assert found.flow_l_per_min == pytest.approx(expected_l_per_min, rel=1e-6)


@given(
    nozzles=st.integers(1, 8),
    opens_bar=st.sampled_from([0.0, 1.5]),
    lift_m=st.floats(-5.0, 20.0),
    speed_ratio=st.floats(0.85, 1.2),
    friction=st.sampled_from([HazenWilliams(), DarcyWeisbach(water=water_at(12.0))]),
)
@settings(deadline=None, derandomize=True, max_examples=15)
def test_the_working_point_lies_on_both_curves(
    nozzles: int, opens_bar: float, lift_m: float, speed_ratio: float, friction: Friction
) -> None:
    pump = booster().at_speed(speed_ratio)
    system = bench(nozzles=nozzles, opens_bar=opens_bar, lift_m=lift_m, friction=friction)

    found = working_point(pump, system)

    assert pump.pressure_bar(found.flow_l_per_min) == pytest.approx(found.pump_bar, abs=1e-9)
    assert system.flow_l_per_min(found.manifold_bar) == pytest.approx(found.flow_l_per_min, rel=1e-9)
    over_bar = bar_of_head_m(lift_m) + system.feed.loss_bar(found.flow_l_per_min)
    assert found.manifold_bar + over_bar == pytest.approx(found.pump_bar, abs=1e-6)


def test_a_pump_too_weak_to_open_the_nozzles_works_at_nil_flow() -> None:
    weak = booster().at_speed(0.6)  # 1.44 bar shut off

    found = working_point(weak, bench(opens_bar=1.5))

    assert found.flow_l_per_min == 0.0
    assert found.pump_bar == pytest.approx(1.44)


def test_a_working_point_past_the_tested_flow_calls_itself_a_guess() -> None:
    assert not working_point(booster(), wide_open(20.0, 0.0)).is_guess
    assert working_point(booster(), wide_open(40.0, 0.0)).is_guess


def test_a_pump_that_cannot_lift_the_water_is_said_so() -> None:
    with pytest.raises(ValueError, match=r"pump: 4 bar at nil flow, must be more than 4\.118\d* bar of lift"):
        working_point(booster(), bench(lift_m=42.0))


@pytest.mark.parametrize(
    "points",
    [
        [(0.0, 3.0), (20.0, 3.4), (60.0, 2.0)],  # rises first
        [(0.0, 3.0), (20.0, 3.0), (40.0, 3.0)],  # level
        [(0.0, 4.0), (20.0, 2.0), (40.0, 2.0)],  # its foot lies before the last point
    ],
)
def test_a_curve_that_does_not_fall_is_refused(points: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="does not fall all the way as flow grows; read the points again"):
        curve_of_three_points([point(*pair) for pair in points])


def test_points_that_make_no_curve_are_refused() -> None:
    with pytest.raises(ValueError, match="pump curve: 3 points at 2 flows, needs 3 at 3 flows"):
        curve_of_three_points([point(0.0, 4.0), point(0.0, 3.9), point(40.0, 3.0)])
    with pytest.raises(ValueError, match="pump curve: 2 points at 2 flows, needs 3 at 3 flows"):
        curve_of_three_points([point(0.0, 4.0), point(40.0, 3.0)])
    with pytest.raises(ValueError, match="pump point's flow: 0 l/min, must be more than 0 l/min"):
        curve_of_shutoff_and_point(4.0, point(0.0, 3.0))
    with pytest.raises(ValueError, match="does not fall"):
        curve_of_shutoff_and_point(3.0, point(40.0, 3.0))
    with pytest.raises(ValueError, match="pump's shutoff pressure: nan bar"):
        curve_of_shutoff_and_point(nan, point(40.0, 3.0))


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="pump's pressure: -1 bar, must be at least 0 bar"):
        point(10.0, -1.0)
    with pytest.raises(ValueError, match="pump's flow: -1 l/min, must be at least 0 l/min"):
        booster().pressure_bar(-1.0)
    with pytest.raises(ValueError, match="speed ratio: 0, must be more than 0"):
        booster().at_speed(0.0)
    with pytest.raises(ValueError, match="lift: nan m, must be -100 to 100 m"):
        bench(lift_m=nan)
    with pytest.raises(ValueError, match="speed ratio: nan"):
        PumpDuty(flow_l_per_min=1.0, pressure_bar=1.0, power_w=1.0).at_speed(nan)
    with pytest.raises(ValueError, match=r"efficiency: 1.2, must be 0 to 1"):
        hydraulic_power_w(10.0, 1.0, efficiency=1.2)
    with pytest.raises(ValueError, match=r"efficiency: 0, must be more than 0"):
        hydraulic_power_w(10.0, 1.0, efficiency=0.0)
