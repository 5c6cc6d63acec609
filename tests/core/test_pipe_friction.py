"""Friction and water against numbers printed outside the project; the source stands beside each check."""

from math import nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.core.pipe_friction import (
    LAMINAR_TO_REYNOLDS,
    TURBULENT_FROM_REYNOLDS,
    DarcyWeisbach,
    HazenWilliams,
    Pipe,
    Water,
    colebrook_factor,
    friction_factor,
    reynolds_number,
    velocity_m_per_s,
    water_at,
)
from mistd.core.units import bar_of_head_m, head_m_of_bar

L_PER_MIN_PER_M3_PER_S = 60_000.0
M_PER_FT = 0.3048  # exact, NIST SP 811
MM_PER_IN = 25.4
BAR_PER_PSI = 0.06894757  # NIST SP 811

# Tanaka et al. 2001, Metrologia 38:301-309, water free of air: C, kg/m3, and how closely the row is known.
# Second-hand: the table as a public test suite (chempy) reprints it, with that suite's tolerances.
TANAKA = [
    (0, 999.8395, 0.004), (4, 999.9720, 0.003), (10, 999.7026, 0.0003), (15, 999.1026, 0.0001),
    (20, 998.2071, 0.0005), (22, 997.7735, 0.0007), (25, 997.0479, 0.0009), (30, 995.6502, 0.0016),
    (40, 992.2, 0.02),
]  # fmt: skip

# Korson, Drost-Hansen & Millero 1969, J. Phys. Chem. 73:34-39, table II: C, mPa s. Second-hand, as above.
KORSON = [
    (0, 1.7916), (5, 1.5192), (10, 1.3069), (15, 1.1382), (20, 1.0020), (25, 0.8903), (30, 0.7975),
    (35, 0.7195), (40, 0.6532),
]  # fmt: skip

# Hazen-Williams in SI, 10.67/1.852/4.8704, C 150, 30 m at 20 l/min: bore mm, loss m. Computed from the
# formula by hand, to four places.
SMOOTH_30_M_AT_20_L_PER_MIN = [(15.8, 6.4387), (20.9, 1.6485), (26.6, 0.5093), (35.1, 0.1320)]


@pytest.mark.parametrize(("temperature_c", "printed", "within"), TANAKA)
def test_density_gives_tanakas_table(temperature_c: float, printed: float, within: float) -> None:
    assert water_at(temperature_c).density_kg_per_m3 == pytest.approx(printed, abs=within)


@pytest.mark.parametrize(("temperature_c", "printed_mpa_s"), KORSON)
def test_viscosity_gives_korsons_table_ii(temperature_c: float, printed_mpa_s: float) -> None:
    assert 1000.0 * water_at(temperature_c).viscosity_pa_s == pytest.approx(printed_mpa_s, abs=0.0005)


@pytest.mark.parametrize("temperature_c", [-0.1, 40.1, nan])
def test_ice_and_hot_water_are_refused(temperature_c: float) -> None:
    with pytest.raises(ValueError, match=r"water temperature: .* C, must be 0 to 40 C"):
        water_at(temperature_c)


def test_a_bar_is_10_197_m_of_water_and_a_psi_2_31_ft() -> None:
    """2.310 ft per psi: head column of the Hydraulic Institute's nozzle table, edl.pumps.org."""
    assert head_m_of_bar(1.0) == pytest.approx(10.197, abs=0.0005)
    assert head_m_of_bar(BAR_PER_PSI) / M_PER_FT == pytest.approx(2.310, rel=0.002)  # water of 62.3 lb/ft3
    assert bar_of_head_m(head_m_of_bar(3.3)) == pytest.approx(3.3, rel=1e-15)


@pytest.mark.parametrize(("diameter_mm", "computed_m"), SMOOTH_30_M_AT_20_L_PER_MIN)
def test_hazen_williams_gives_the_worked_losses(diameter_mm: float, computed_m: float) -> None:
    pipe = Pipe(length_m=30.0, diameter_mm=diameter_mm, friction=HazenWilliams(coefficient=150.0))

    assert head_m_of_bar(pipe.loss_bar(20.0)) == pytest.approx(computed_m, abs=0.00006)


def test_hazen_williams_example_5_36_of_shammas_and_wang() -> None:
    """Water Engineering 2016, p. 142: 1 MGD in 12 in, C 100; chart 2.07 m, formulas 2.07 and 2.17 m in 1000.

    The book's own formula lines do not reproduce, so what it prints is a range, which ours must lie in.
    """
    pipe = Pipe(length_m=1000.0, diameter_mm=304.8, friction=HazenWilliams(coefficient=100.0))

    loss_m = head_m_of_bar(pipe.loss_bar(0.0438 * L_PER_MIN_PER_M3_PER_S))

    assert 2.07 <= loss_m <= 2.17
    assert loss_m == pytest.approx(2.0952, abs=0.0002)  # worked with 10.67, 1.852 and 4.8704


def test_hazen_williams_exponent_is_1_852_and_not_1_85() -> None:
    """Half a percent apart over a tenfold flow, within the scatter of charts: so the ratio pins it."""
    pipe = Pipe(length_m=10.0, diameter_mm=20.0, friction=HazenWilliams())

    assert pipe.loss_bar(20.0) / pipe.loss_bar(2.0) == pytest.approx(71.121, abs=0.001)  # 10^1.852


def test_colebrook_gives_the_factor_of_the_fluids_library() -> None:
    """Re 1e5, e/D 1e-4: package fluids 1.3.1."""
    assert colebrook_factor(1.0e5, 1.0e-4) == pytest.approx(0.0185138661, abs=1e-10)


@pytest.mark.parametrize(
    ("approximation", "printed", "within"), [("Haaland", 0.0182651, 0.02), ("Swamee-Jain", 0.0184524, 0.01)]
)
def test_colebrook_is_as_near_its_approximations_as_they_claim(
    approximation: str, printed: float, within: float
) -> None:
    """At Re 1e5, e/D 1e-4; their claims, 2 % and 1 %, from memory."""
    assert colebrook_factor(1.0e5, 1.0e-4) == pytest.approx(printed, rel=within), approximation


def test_white_example_6_6_asphalted_iron() -> None:
    """White, Fluid Mechanics, from memory: 200 ft of 6 in, 6 ft/s, f 0.0198 to 0.02, 4.5 ft of head.

    Asphalted iron 0.0004 ft rough, water at 20 C; the book reads Moody's chart, so 2 %.
    """
    diameter_mm = 6.0 * MM_PER_IN
    flow_l_per_min = 6.0 * M_PER_FT / velocity_m_per_s(1.0, diameter_mm)
    water = water_at(20.0)
    roughness_mm = 0.0004 * M_PER_FT * 1000.0
    friction = DarcyWeisbach(water=water, roughness_mm=roughness_mm)
    pipe = Pipe(length_m=200.0 * M_PER_FT, diameter_mm=diameter_mm, friction=friction)

    factor = friction_factor(reynolds_number(flow_l_per_min, diameter_mm, water), roughness_mm / diameter_mm)
    loss_ft = head_m_of_bar(pipe.loss_bar(flow_l_per_min)) / M_PER_FT

    assert 0.0197 <= factor <= 0.0201
    assert loss_ft == pytest.approx(4.5, rel=0.02)


def test_darcy_weisbach_gives_the_pressure_drop_printed_by_fluids() -> None:
    """one_phase_dP(m=10, rho=1000, mu=1e-5, D=0.1, L=1) = 63.43447321 Pa: docstring of package fluids."""
    friction = DarcyWeisbach(water=Water(density_kg_per_m3=1000.0, viscosity_pa_s=1.0e-5), roughness_mm=0.0)
    pipe = Pipe(length_m=1.0, diameter_mm=100.0, friction=friction)

    loss_pa = 1.0e5 * pipe.loss_bar(600.0)

    assert loss_pa == pytest.approx(63.43447321, rel=2e-7)  # its friction factor is an explicit form


def test_laminar_loss_is_hagen_and_poiseuilles() -> None:
    """dp = 128 mu L Q / (pi D^4), a law of its own that knows no friction factor."""
    water = Water(density_kg_per_m3=1000.0, viscosity_pa_s=0.001)
    pipe = Pipe(length_m=5.0, diameter_mm=10.0, friction=DarcyWeisbach(water=water))

    # 0.6 l/min is 1e-5 m3/s, Re 1273; 128 x 0.001 x 5 x 1e-5 / (pi x 1e-8) = 203.718 Pa
    assert pipe.loss_bar(0.6) * 1.0e5 == pytest.approx(203.718, abs=0.001)


def test_the_gap_between_laminar_and_turbulent_is_bridged_without_a_step() -> None:
    below, above = LAMINAR_TO_REYNOLDS, TURBULENT_FROM_REYNOLDS

    assert friction_factor(below, 0.0) == pytest.approx(64.0 / 2300.0)
    assert friction_factor(below + 1e-6, 0.0) == pytest.approx(friction_factor(below, 0.0), abs=1e-9)
    assert friction_factor(above - 1e-6, 0.0) == pytest.approx(friction_factor(above, 0.0), abs=1e-9)
    assert friction_factor((below + above) / 2.0, 0.0) == pytest.approx(
        (friction_factor(below, 0.0) + friction_factor(above, 0.0)) / 2.0
    )


@given(
    flow_l_per_min=st.floats(0.0, 60.0),
    more_l_per_min=st.floats(0.001, 10.0),
    diameter_mm=st.floats(8.0, 60.0),
    roughness_mm=st.floats(0.0, 0.2),
)
@settings(deadline=None, derandomize=True, max_examples=100)
def test_more_flow_always_loses_more(
    flow_l_per_min: float, more_l_per_min: float, diameter_mm: float, roughness_mm: float
) -> None:
    """Across the bridge too: without that a lateral could have two answers."""
    darcy = DarcyWeisbach(water=water_at(12.0), roughness_mm=roughness_mm)

    for friction in (darcy, HazenWilliams()):
        pipe = Pipe(length_m=10.0, diameter_mm=diameter_mm, friction=friction)
        assert pipe.loss_bar(flow_l_per_min + more_l_per_min) > pipe.loss_bar(flow_l_per_min)


def test_cold_water_loses_more_than_warm() -> None:
    cold, warm = (
        Pipe(length_m=10.0, diameter_mm=16.0, friction=DarcyWeisbach(water=water_at(temperature_c)))
        for temperature_c in (5.0, 30.0)
    )

    assert cold.loss_bar(8.0) > 1.1 * warm.loss_bar(8.0)


def test_a_pipe_holds_its_bore_times_its_length() -> None:
    """pi/4 x (20 mm)^2 x 10 m = 3.1416 l."""
    assert Pipe(length_m=10.0, diameter_mm=20.0, friction=HazenWilliams()).volume_l == pytest.approx(
        3.14159, abs=1e-5
    )


def test_no_flow_loses_nothing() -> None:
    for friction in (HazenWilliams(), DarcyWeisbach(water=water_at(20.0))):
        assert Pipe(length_m=10.0, diameter_mm=16.0, friction=friction).loss_bar(0.0) == 0.0


@pytest.mark.parametrize(
    ("length_m", "diameter_mm", "said"),
    [
        (-1.0, 16.0, "pipe length: -1 m, must be at least 0 m"),
        (nan, 16.0, "pipe length: nan m"),
        (10.0, 0.0, "pipe bore: 0 mm, must be more than 0 mm"),
        (10.0, nan, "pipe bore: nan mm"),
    ],
)
def test_an_impossible_pipe_is_refused(length_m: float, diameter_mm: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Pipe(length_m=length_m, diameter_mm=diameter_mm, friction=HazenWilliams())


def test_impossible_friction_is_refused() -> None:
    water = water_at(20.0)

    with pytest.raises(ValueError, match="flow in a pipe: -1 l/min, must be at least 0 l/min"):
        Pipe(length_m=1.0, diameter_mm=16.0, friction=HazenWilliams()).loss_bar(-1.0)
    with pytest.raises(ValueError, match=r"Hazen-Williams C: 0, must be more than 0"):
        HazenWilliams(coefficient=0.0)
    with pytest.raises(ValueError, match=r"roughness: -1 mm, must be at least 0 mm"):
        DarcyWeisbach(water=water, roughness_mm=-1.0)
    with pytest.raises(ValueError, match=r"viscosity: 0 Pa s, must be more than 0 Pa s"):
        Water(density_kg_per_m3=1000.0, viscosity_pa_s=0.0)
    with pytest.raises(ValueError, match=r"roughness over bore: 0.06, must be 0 to 0.05"):
        friction_factor(1.0e5, 0.06)
    with pytest.raises(ValueError, match=r"Reynolds number: 0, must be more than 0"):
        friction_factor(0.0, 0.0)
    with pytest.raises(ValueError, match=r"Reynolds number of turbulent flow: 2000, must be at least 2300"):
        colebrook_factor(2000.0, 0.0)
