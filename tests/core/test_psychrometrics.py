"""Saturation pressure, deficit and dew point against numbers printed outside the project.

The source stands beside each check; the rest of psychrometrics is in test_moist_air.py.
"""

import pytest

from mistd.core.psychrometrics import (
    dew_point_c,
    saturation_vapour_pressure_kpa,
    saturation_vapour_pressure_slope_kpa_per_c,
    vapour_pressure_deficit_kpa,
)

# FAO-56 (Allen, Pereira, Raes & Smith 1998), annex 2, table 2.3: temperature C, e0(T) kPa to three places.
FAO_TABLE_2_3 = [
    (1, 0.657), (5, 0.872), (8, 1.073), (10, 1.228), (12, 1.403), (14, 1.599), (15, 1.705), (16, 1.818),
    (17, 1.938), (18, 2.064), (19, 2.197), (20, 2.338), (21, 2.487), (22, 2.644), (23, 2.809), (24, 2.984),
    (25, 3.168), (26, 3.361), (27, 3.565), (28, 3.780), (29, 4.006), (30, 4.243), (31, 4.493), (32, 4.755),
    (33, 5.030), (34, 5.319), (35, 5.623), (36, 5.941), (37, 6.275), (38, 6.625), (39, 6.991), (40, 7.376),
    (42, 8.199), (45, 9.582), (48, 11.163),
]  # fmt: skip

# FAO-56 annex 2, table 2.4, and the slopes printed in examples 18, 19 (16.9, 28 and 38 C).
FAO_SLOPES = [
    (10, 0.082), (15, 0.110), (16.9, 0.122), (20, 0.145), (20.7, 0.150), (25, 0.189), (28, 0.220),
    (30, 0.243), (35, 0.311), (38, 0.358), (40, 0.393), (45, 0.493),
]  # fmt: skip

# ASHRAE 2017 Handbook - Fundamentals ch. 1, table 3 (steam tables), Pa; only points over water.
ASHRAE_TABLE_3 = [(5, 872.6), (25, 3169.7), (50, 12351.3)]

# Inverse Tetens and Tetens deficit for four states of air, from the PsychroLib comparison table:
# air C, relative humidity, dew point C, deficit kPa.
COMPARED_STATES = [
    (20.0, 0.80, 16.445, 0.4677),
    (25.0, 0.50, 13.858, 1.5839),
    (30.0, 0.40, 14.926, 2.5458),
    (35.0, 0.20, 8.694, 4.4981),
]


@pytest.mark.parametrize(("temperature_c", "printed_kpa"), FAO_TABLE_2_3)
def test_saturation_pressure_gives_fao_56_table_2_3(temperature_c: float, printed_kpa: float) -> None:
    computed_kpa = saturation_vapour_pressure_kpa(temperature_c)

    assert computed_kpa == pytest.approx(printed_kpa, abs=0.00051)  # the table's last printed place


@pytest.mark.parametrize(("temperature_c", "printed_pa"), ASHRAE_TABLE_3)
def test_saturation_pressure_is_within_0_15_percent_of_the_ashrae_table(
    temperature_c: float, printed_pa: float
) -> None:
    computed_pa = 1000.0 * saturation_vapour_pressure_kpa(temperature_c)

    assert computed_pa == pytest.approx(printed_pa, rel=0.0015)


@pytest.mark.parametrize(("temperature_c", "printed"), FAO_SLOPES)
def test_slope_gives_the_printed_fao_56_values(temperature_c: float, printed: float) -> None:
    computed = saturation_vapour_pressure_slope_kpa_per_c(temperature_c)

    assert computed == pytest.approx(printed, abs=0.00051)


def test_saturation_pressures_of_fao_56_example_3() -> None:
    """Tmax 24.5, Tmin 15: 3.075 and 1.705, es = 2.39 kPa, and 2.30 at their mean 19.75."""
    assert saturation_vapour_pressure_kpa(24.5) == pytest.approx(3.075, abs=0.0005)
    assert saturation_vapour_pressure_kpa(15.0) == pytest.approx(1.705, abs=0.0005)
    assert saturation_vapour_pressure_kpa(19.75) == pytest.approx(2.30, abs=0.005)
    mean_kpa = (saturation_vapour_pressure_kpa(24.5) + saturation_vapour_pressure_kpa(15.0)) / 2.0

    assert mean_kpa == pytest.approx(2.39, abs=0.005)


@pytest.mark.parametrize(
    ("air_c", "relative_humidity", "printed_kpa"),
    [(28.0, 0.90, 0.378), (38.0, 0.52, 3.180)],
)
def test_deficit_of_fao_56_example_19(air_c: float, relative_humidity: float, printed_kpa: float) -> None:
    """N'Diaye, 1 October, 02:00-03:00 and 14:00-15:00."""
    computed_kpa = vapour_pressure_deficit_kpa(air_c, relative_humidity)

    assert computed_kpa == pytest.approx(printed_kpa, abs=0.00051)


@pytest.mark.parametrize(("air_c", "relative_humidity", "dew_c", "deficit_kpa"), COMPARED_STATES)
def test_dew_point_and_deficit_of_the_comparison_table(
    air_c: float, relative_humidity: float, dew_c: float, deficit_kpa: float
) -> None:
    assert dew_point_c(air_c, relative_humidity) == pytest.approx(dew_c, abs=0.001)
    assert vapour_pressure_deficit_kpa(air_c, relative_humidity) == pytest.approx(deficit_kpa, abs=0.0001)


@pytest.mark.parametrize(("air_c", "relative_humidity", "dew_c"), [(20.0, 0.80, 16.447), (35.0, 0.20, 8.707)])
def test_dew_point_is_within_a_twentieth_of_a_degree_of_psychrolib(
    air_c: float, relative_humidity: float, dew_c: float
) -> None:
    """PsychroLib 2.5.0 at 101325 Pa uses another saturation formula."""
    assert dew_point_c(air_c, relative_humidity) == pytest.approx(dew_c, abs=0.05)


def test_saturated_air_has_no_deficit_and_its_dew_point_is_its_temperature() -> None:
    assert vapour_pressure_deficit_kpa(23.0, 1.0) == 0.0
    assert dew_point_c(23.0, 1.0) == pytest.approx(23.0, abs=1e-9)


def test_a_humidity_above_one_shows_as_a_negative_deficit() -> None:
    assert vapour_pressure_deficit_kpa(23.0, 1.02) < 0.0


@pytest.mark.parametrize("relative_humidity", [0.0, -0.1])
def test_perfectly_dry_air_has_no_dew_point(relative_humidity: float) -> None:
    with pytest.raises(ValueError, match="dew point needs more than 0"):
        dew_point_c(20.0, relative_humidity)
