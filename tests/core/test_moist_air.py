"""Pressure, wet bulb, humidity ratio, heat content and leaf deficit against numbers printed elsewhere.

The source stands beside each check.
"""

from math import atan, sqrt

import pytest

from mistd.core.psychrometrics import (
    ASPIRATED_PER_C,
    INDOORS_PER_C,
    LAPSE_K_PER_M,
    NATURALLY_VENTILATED_PER_C,
    air_pressure_kpa,
    density_kg_per_m3,
    dew_point_c,
    enthalpy_j_per_kg,
    humidity_ratio,
    latent_heat_j_per_kg,
    leaf_to_air_deficit_kpa,
    psychrometric_constant_kpa_per_c,
    saturation_vapour_pressure_kpa,
    vapour_pressure_deficit_kpa,
    vapour_pressure_kpa,
    wet_bulb_c,
    wet_bulb_vapour_pressure_kpa,
)

# FAO-56 annex 2, tables 2.1 and 2.2: height m, pressure kPa, psychrometric constant kPa/C.
FAO_TABLES_2_1_AND_2_2 = [
    (0, 101.3, 0.067), (200, 99.0, 0.066), (400, 96.7, 0.064), (600, 94.4, 0.063), (800, 92.2, 0.061),
    (1000, 90.0, 0.060), (1200, 87.9, 0.058), (1400, 85.8, 0.057), (1600, 83.8, 0.056), (1800, 81.8, 0.054),
    (2000, 79.8, 0.053), (2400, 76.0, 0.051), (3000, 70.5, 0.047), (4000, 62.1, 0.041),
]  # fmt: skip

# ASHRAE 2017 Handbook - Fundamentals ch. 1, table 2, at 101325 Pa: C, saturation humidity ratio.
ASHRAE_TABLE_2_RATIO = [(5, 0.005425), (25, 0.020173), (50, 0.086863)]
# The same table: C, saturation enthalpy J/kg of dry air.
ASHRAE_TABLE_2_ENTHALPY = [(5, 18639), (25, 76504), (50, 275353)]
# The same chapter, table 1: height m, standard pressure Pa, how near FAO-56 eq. 7 comes.
ASHRAE_TABLE_1 = [
    (-500, 107478, 0.002),
    (0, 101325, 0.002),
    (500, 95461, 0.002),
    (1000, 89875, 0.002),
    (4000, 61640, 0.009),
]

# PsychroLib 2.5.0 at 101325 Pa: C, relative humidity, dew point C, wet bulb C, deficit kPa, Stull's wet bulb
# C, humidity ratio.
PSYCHROLIB_POINTS = [
    (20, 0.80, 16.447, 17.679, 0.4678, 17.529, 0.011701),
    (23, 0.875, 20.812, 21.464, 0.3513, 21.397, 0.015470),
    (25, 0.50, 13.864, 17.889, 1.5846, 17.998, 0.009881),
    (30, 0.40, 14.936, 20.064, 2.5476, 20.449, 0.010603),
    (35, 0.20, 8.707, 18.870, 4.5023, 19.302, 0.006986),
    (40, 0.15, 8.468, 20.356, 6.2759, 20.769, 0.006873),
]

# Deficit of the air in kPa, worked out from FAO-56 eq. 11 apart from this program (no printed chart was
# found): by temperature C, at 40, 50, 60, 70, 75, 80, 85, 90 and 95 % relative humidity.
DEFICIT_CHART = {
    15: (1.02, 0.85, 0.68, 0.51, 0.43, 0.34, 0.26, 0.17, 0.09),
    18: (1.24, 1.03, 0.83, 0.62, 0.52, 0.41, 0.31, 0.21, 0.10),
    20: (1.40, 1.17, 0.94, 0.70, 0.58, 0.47, 0.35, 0.23, 0.12),
    22: (1.59, 1.32, 1.06, 0.79, 0.66, 0.53, 0.40, 0.26, 0.13),
    24: (1.79, 1.49, 1.19, 0.90, 0.75, 0.60, 0.45, 0.30, 0.15),
    26: (2.02, 1.68, 1.34, 1.01, 0.84, 0.67, 0.50, 0.34, 0.17),
    28: (2.27, 1.89, 1.51, 1.13, 0.94, 0.76, 0.57, 0.38, 0.19),
    30: (2.55, 2.12, 1.70, 1.27, 1.06, 0.85, 0.64, 0.42, 0.21),
    32: (2.85, 2.38, 1.90, 1.43, 1.19, 0.95, 0.71, 0.48, 0.24),
    35: (3.37, 2.81, 2.25, 1.69, 1.41, 1.12, 0.84, 0.56, 0.28),
}
CHART_HUMIDITIES = (0.40, 0.50, 0.60, 0.70, 0.75, 0.80, 0.85, 0.90, 0.95)


@pytest.mark.parametrize(("elevation_m", "printed_kpa", "printed_constant"), FAO_TABLES_2_1_AND_2_2)
def test_pressure_and_psychrometric_constant_give_fao_56_tables_2_1_and_2_2(
    elevation_m: float, printed_kpa: float, printed_constant: float
) -> None:
    pressure_kpa = air_pressure_kpa(elevation_m)

    assert pressure_kpa == pytest.approx(printed_kpa, abs=0.051)
    assert psychrometric_constant_kpa_per_c(pressure_kpa) == pytest.approx(printed_constant, abs=0.00051)


def test_pressure_and_psychrometric_constant_of_the_asce_standards_example() -> None:
    """ASCE-EWRI (2005) table C-2, 1462.4 m: 85.17 kPa and 0.0566 kPa/C."""
    pressure_kpa = air_pressure_kpa(1462.4)

    assert pressure_kpa == pytest.approx(85.17, abs=0.005)
    assert psychrometric_constant_kpa_per_c(pressure_kpa) == pytest.approx(0.0566, abs=0.00005)


@pytest.mark.parametrize(("elevation_m", "printed_pa", "within"), ASHRAE_TABLE_1)
def test_pressure_comes_near_the_standard_atmosphere(
    elevation_m: float, printed_pa: float, within: float
) -> None:
    assert 1000.0 * air_pressure_kpa(elevation_m) == pytest.approx(printed_pa, rel=within)


@pytest.mark.parametrize(("elevation_m", "printed_c"), [(0, 15.0), (500, 11.8), (1000, 8.5)])
def test_the_lapse_is_that_of_the_standard_atmosphere(elevation_m: float, printed_c: float) -> None:
    """ASHRAE 2017 ch. 1 table 1, standard temperature."""
    assert 15.0 - LAPSE_K_PER_M * elevation_m == pytest.approx(printed_c, abs=0.051)


@pytest.mark.parametrize(
    ("temperature_c", "printed_over_ice_pa", "higher_by"), [(-5, 401.74, 0.050), (-20, 103.24, 0.215)]
)
def test_below_freezing_the_answer_is_over_water_and_above_the_ashrae_table_over_ice(
    temperature_c: float, printed_over_ice_pa: float, higher_by: float
) -> None:
    """ASHRAE 2017 ch. 1 table 3. Supercooled water stands 5.0 and 21.5 % above ice (from memory, WMO)."""
    over_water_pa = 1000.0 * saturation_vapour_pressure_kpa(temperature_c)

    assert over_water_pa / printed_over_ice_pa - 1.0 == pytest.approx(higher_by, abs=0.01)


def test_at_boiling_the_saturation_pressure_is_0_8_percent_above_the_ashrae_table() -> None:
    """ASHRAE 2017 ch. 1 table 3: 101418 Pa at 100 C, far beyond the range Tetens' equation is for."""
    assert 1000.0 * saturation_vapour_pressure_kpa(100.0) == pytest.approx(101418, rel=0.0085)


def test_wet_and_dry_bulb_of_fao_56_example_4() -> None:
    """Twet 19.5, Tdry 25.6, 1200 m: P 87.9, e0(Twet) 2.267, ea 1.91 kPa."""
    pressure_kpa = air_pressure_kpa(1200.0)

    assert pressure_kpa == pytest.approx(87.9, abs=0.05)
    assert saturation_vapour_pressure_kpa(19.5) == pytest.approx(2.267, abs=0.0005)
    assert wet_bulb_vapour_pressure_kpa(25.6, 19.5, pressure_kpa) == pytest.approx(1.91, abs=0.005)


def test_wet_and_dry_bulb_of_the_wmo_psychrometer() -> None:
    """MetPy's example of the WMO's equation, 6.21e-4 /K: 958 hPa, 25 and 12 C give 627.52 Pa."""
    computed_kpa = wet_bulb_vapour_pressure_kpa(25.0, 12.0, 95.8, psychrometer_per_c=6.21e-4)

    assert computed_kpa == pytest.approx(0.62752, abs=0.003)  # another saturation formula, 0.3 % of 1.4 kPa


@pytest.mark.parametrize(
    ("psychrometer_per_c", "printed"),
    [(ASPIRATED_PER_C, 0.000662), (NATURALLY_VENTILATED_PER_C, 0.000800), (INDOORS_PER_C, 0.001200)],
)
def test_a_wet_bulb_is_worth_what_fao_56_equation_16_says_for_its_draught(
    psychrometer_per_c: float, printed: float
) -> None:
    air_kpa = wet_bulb_vapour_pressure_kpa(26.0, 20.0, 100.0, psychrometer_per_c)

    assert air_kpa == pytest.approx(2.338 - printed * 100.0 * 6.0, abs=0.0006)


def test_actual_vapour_pressures_of_fao_56_example_5() -> None:
    """18 C at 82 % and 25 C at 54 %: ea 1.70 (eq. 17), 1.69 (eq. 18), 1.78 (eq. 19)."""
    coldest_kpa, warmest_kpa = saturation_vapour_pressure_kpa(18.0), saturation_vapour_pressure_kpa(25.0)

    assert coldest_kpa == pytest.approx(2.064, abs=0.0005)
    assert warmest_kpa == pytest.approx(3.168, abs=0.0005)
    both_kpa = (vapour_pressure_kpa(18.0, 0.82) + vapour_pressure_kpa(25.0, 0.54)) / 2.0
    assert both_kpa == pytest.approx(1.70, abs=0.005)
    assert vapour_pressure_kpa(18.0, 0.82) == pytest.approx(1.69, abs=0.005)
    assert 0.68 * (coldest_kpa + warmest_kpa) / 2.0 == pytest.approx(1.78, abs=0.005)


def test_deficit_of_fao_56_example_6() -> None:
    """The data of example 5: es - ea = 0.91 kPa (the printed value from memory)."""
    mean_kpa = (vapour_pressure_deficit_kpa(18.0, 0.82) + vapour_pressure_deficit_kpa(25.0, 0.54)) / 2.0

    assert mean_kpa == pytest.approx(0.91, abs=0.005)


def test_vapour_pressure_from_the_dew_point_of_fao_56_example_20() -> None:
    """Dew point taken as Tmin, 14.8 C: ea = 1.68 kPa."""
    assert saturation_vapour_pressure_kpa(14.8) == pytest.approx(1.68, abs=0.005)


@pytest.mark.parametrize(("temperature_c", "printed"), ASHRAE_TABLE_2_RATIO)
def test_saturation_humidity_ratio_is_within_0_8_percent_of_the_ashrae_table(
    temperature_c: float, printed: float
) -> None:
    computed = humidity_ratio(saturation_vapour_pressure_kpa(temperature_c))

    assert computed == pytest.approx(printed, rel=0.008)


@pytest.mark.parametrize(("temperature_c", "printed_j_per_kg"), ASHRAE_TABLE_2_ENTHALPY)
def test_saturation_enthalpy_is_within_1_percent_of_the_ashrae_table(
    temperature_c: float, printed_j_per_kg: float
) -> None:
    computed = enthalpy_j_per_kg(temperature_c, humidity_ratio(saturation_vapour_pressure_kpa(temperature_c)))

    assert computed == pytest.approx(printed_j_per_kg, rel=0.01)


def test_saturation_humidity_ratio_below_freezing_is_over_water() -> None:
    """ASHRAE table 2 has 0.0024863 over ice at -5 C; over water it is the same 5 % more."""
    computed = humidity_ratio(saturation_vapour_pressure_kpa(-5.0))

    assert computed / 0.0024863 == pytest.approx(1.045, abs=0.005)


def test_humidity_ratio_of_a_vapour_pressure() -> None:
    """PsychroLib's own test, 3169.7 Pa at 95461 Pa: 0.02136039980."""
    assert humidity_ratio(3.1697, 95.461) == pytest.approx(0.02136039980, rel=1e-6)


def test_the_ashrae_handbooks_example_1() -> None:
    """Tdb 40, Twb 20, 101325 Pa: W 0.0065, dew point 7, humidity 0.14, h 56.7 kJ/kg, v 0.896 m3/kg."""
    relative_humidity = humidity_with_wet_bulb(40.0, 20.0, 101.325)
    moisture = humidity_ratio(vapour_pressure_kpa(40.0, relative_humidity))

    assert relative_humidity == pytest.approx(0.14, abs=0.005)
    assert moisture == pytest.approx(0.0065, abs=0.000105)  # read off the chart; PsychroLib has 0.0064
    assert dew_point_c(40.0, relative_humidity) == pytest.approx(7.0, abs=0.5)
    assert enthalpy_j_per_kg(40.0, moisture) == pytest.approx(56_700, rel=0.005)
    assert (1.0 + moisture) / density_kg_per_m3(40.0, moisture) == pytest.approx(0.896, abs=0.0005)


def test_humidity_ratio_of_a_wet_bulb() -> None:
    """PsychroLib's spreadsheet check: Tdb 30, Twb 25, 95461 Pa give W 0.0192281274."""
    relative_humidity = humidity_with_wet_bulb(30.0, 25.0, 95.461)

    moisture = humidity_ratio(vapour_pressure_kpa(30.0, relative_humidity), 95.461)

    assert moisture == pytest.approx(0.0192281274, rel=1e-3)  # another saturation formula, 0.05 % at 25 C


def test_humidity_ratio_of_a_wet_bulb_below_freezing_is_near_that_of_an_iced_one() -> None:
    """PsychroLib's Tdb -1, Twb -5, 95461 Pa give 0.0012039982 with ice on the bulb; ours is wet."""
    relative_humidity = humidity_with_wet_bulb(-1.0, -5.0, 95.461)

    moisture = humidity_ratio(vapour_pressure_kpa(-1.0, relative_humidity), 95.461)

    assert moisture == pytest.approx(0.0012039982, rel=0.05)


def humidity_with_wet_bulb(air_c: float, wet_c: float, pressure_kpa: float) -> float:
    """The relative humidity at which the wet bulb is `wet_c`, by halving."""
    driest, wettest = 0.0, 1.0
    for _ in range(60):
        middle = (driest + wettest) / 2.0
        if wet_bulb_c(air_c, middle, pressure_kpa) < wet_c:
            driest = middle
        else:
            wettest = middle
    return driest


@pytest.mark.parametrize(
    ("air_c", "relative_humidity", "dew_c", "wet_c", "deficit_kpa", "stull_c", "moisture"), PSYCHROLIB_POINTS
)
def test_every_answer_is_near_psychrolibs(
    air_c: float,
    relative_humidity: float,
    dew_c: float,
    wet_c: float,
    deficit_kpa: float,
    stull_c: float,
    moisture: float,
) -> None:
    """Within 0.02 C, 0.15 % and 0.1 %; and of Stull's (2011) wet bulb within the 1 C he states."""
    computed = humidity_ratio(vapour_pressure_kpa(air_c, relative_humidity))

    assert dew_point_c(air_c, relative_humidity) == pytest.approx(dew_c, abs=0.02)
    assert wet_bulb_c(air_c, relative_humidity) == pytest.approx(wet_c, abs=0.01)
    assert vapour_pressure_deficit_kpa(air_c, relative_humidity) == pytest.approx(deficit_kpa, rel=0.0015)
    assert computed == pytest.approx(moisture, rel=0.0015)
    assert stull_c - wet_bulb_c(air_c, relative_humidity) == pytest.approx(0.0, abs=1.0)
    assert stulls_wet_bulb_c(air_c, relative_humidity) == pytest.approx(stull_c, abs=0.0006)


def stulls_wet_bulb_c(air_c: float, relative_humidity: float) -> float:
    """Stull (2011), J. Appl. Meteor. Climatol. 50: 2267; at sea level."""
    percent = 100.0 * relative_humidity
    wet_c: float = (
        air_c * atan(0.151977 * sqrt(percent + 8.313659))
        + atan(air_c + percent)
        - atan(percent - 1.676331)
        + 0.00391838 * percent**1.5 * atan(0.023101 * percent)
        - 4.686035
    )
    return wet_c


@pytest.mark.parametrize(("air_c", "deficits_kpa"), DEFICIT_CHART.items())
def test_deficits_of_the_chart(air_c: float, deficits_kpa: tuple[float, ...]) -> None:
    computed = [vapour_pressure_deficit_kpa(air_c, humidity) for humidity in CHART_HUMIDITIES]

    assert computed == pytest.approx(deficits_kpa, abs=0.0051)


def test_a_leaf_as_warm_as_the_air_has_the_airs_own_deficit() -> None:
    assert leaf_to_air_deficit_kpa(25.0, 25.0, 0.50) == vapour_pressure_deficit_kpa(25.0, 0.50)


def test_a_leaf_warmer_than_the_air_has_the_difference_of_the_two_saturation_pressures_more() -> None:
    """FAO-56 table 2.3: 3.780 kPa at 28 C, 3.168 at 25 C."""
    more_kpa = leaf_to_air_deficit_kpa(28.0, 25.0, 0.70) - vapour_pressure_deficit_kpa(25.0, 0.70)

    assert more_kpa == pytest.approx(3.780 - 3.168, abs=0.001)


def test_a_leaf_below_the_dew_point_has_a_negative_deficit_and_one_at_it_none() -> None:
    dew_c = dew_point_c(25.0, 0.70)

    assert leaf_to_air_deficit_kpa(dew_c, 25.0, 0.70) == pytest.approx(0.0, abs=1e-12)
    assert leaf_to_air_deficit_kpa(dew_c - 0.1, 25.0, 0.70) < 0.0


@pytest.mark.parametrize("air_c", [0.0, 20.0, 45.0])
def test_saturated_air_has_its_wet_bulb_at_its_own_temperature(air_c: float) -> None:
    assert wet_bulb_c(air_c, 1.0) == pytest.approx(air_c, abs=1e-6)


def test_a_wet_bulb_lies_between_dew_point_and_air_and_is_lower_in_thin_air() -> None:
    assert dew_point_c(30.0, 0.40) < wet_bulb_c(30.0, 0.40) < 30.0
    assert wet_bulb_c(30.0, 0.40, 70.0) < wet_bulb_c(30.0, 0.40, 101.325)


@pytest.mark.parametrize(("temperature_c", "printed_mj_per_kg"), [(0.0, 2.501), (20.0, 2.45)])
def test_latent_heat_at_the_printed_temperatures(temperature_c: float, printed_mj_per_kg: float) -> None:
    """FAO-56 annex 3 and ASCE-EWRI (2005): 2.501 MJ/kg at 0 C, 2.45 at 20 C."""
    assert latent_heat_j_per_kg(temperature_c) / 1e6 == pytest.approx(printed_mj_per_kg, abs=0.005)


def test_latent_heat_falls_by_2361_joules_a_degree() -> None:
    assert latent_heat_j_per_kg(0.0) - latent_heat_j_per_kg(1.0) == pytest.approx(2361.0)
