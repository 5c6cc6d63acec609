"""Reference evaporation against the printed examples of FAO-56 and others; the source stands beside each."""

from dataclasses import replace

import pytest

from mistd.core.evaporation import (
    ASCE_SHORT_HOURLY,
    ASCE_TALL_HOURLY,
    FAO_DAILY,
    FAO_HALF_HOURLY,
    FAO_HOURLY,
    ReferenceSurface,
    Weather,
    priestley_taylor_mm,
    reference_evaporation,
    um_per_s_of_w_per_m2,
    wind_at_2_m_m_per_s,
)
from mistd.core.psychrometrics import (
    air_pressure_kpa,
    psychrometric_constant_kpa_per_c,
    saturation_vapour_pressure_kpa,
    saturation_vapour_pressure_slope_kpa_per_c,
    vapour_pressure_deficit_kpa,
)
from mistd.core.radiation import Spot, clear_sky_w_per_m2, clearness, extraterrestrial_w_per_m2
from mistd.core.radiation import net_longwave_w_per_m2 as longwave_w_per_m2
from mistd.core.radiation import net_shortwave_w_per_m2 as shortwave_w_per_m2
from mistd.core.units import mm_per_h_of_um_per_s, um_per_s_of_mm_per_h

MJ_PER_M2_H = 0.0036  # of one W/m2
MJ_PER_M2_D = 0.0864

# FAO-56 example 19, N'Diaye, 8 m, 1 October, with the net radiation printed there.
N_DIAYE_KPA = air_pressure_kpa(8.0)
NIGHT = Weather(
    air_c=28.0,
    deficit_kpa=vapour_pressure_deficit_kpa(28.0, 0.90),
    wind_2_m_m_per_s=1.9,
    pressure_kpa=N_DIAYE_KPA,
    net_w_per_m2=-0.100 / MJ_PER_M2_H,
)
AFTERNOON = Weather(
    air_c=38.0,
    deficit_kpa=vapour_pressure_deficit_kpa(38.0, 0.52),
    wind_2_m_m_per_s=3.3,
    pressure_kpa=N_DIAYE_KPA,
    net_w_per_m2=1.749 / MJ_PER_M2_H,
)


def test_the_afternoon_of_fao_56_example_19() -> None:
    """Terms 0.46 and 0.17, ETo 0.63 mm/h (0.6269 worked out to more places)."""
    evaporation = reference_evaporation(AFTERNOON, FAO_HOURLY)

    assert evaporation.by_radiation_mm == pytest.approx(0.46, abs=0.005)
    assert evaporation.by_air_mm == pytest.approx(0.17, abs=0.005)
    assert evaporation.total_mm == pytest.approx(0.63, abs=0.005)
    assert evaporation.total_mm == pytest.approx(0.6269, abs=0.0002)


def test_the_night_of_fao_56_example_19() -> None:
    """Terms -0.01 and 0.01, ETo 0.00 mm/h (0.0043 worked out to more places).

    From the printed inputs the second term is 0.0673 x 37 / 301 x 1.9 x 0.378 / 0.3308 = 0.018: the 0.01 is
    cut off, not rounded, and the check of it is that wide.
    """
    evaporation = reference_evaporation(NIGHT, FAO_HOURLY)

    assert evaporation.by_radiation_mm == pytest.approx(-0.01, abs=0.005)
    assert evaporation.by_air_mm == pytest.approx(0.01, abs=0.01)
    assert evaporation.by_air_mm == pytest.approx(0.018, abs=0.0005)
    assert evaporation.total_mm == pytest.approx(0.00, abs=0.005)
    assert evaporation.total_mm == pytest.approx(0.0043, abs=0.0001)


@pytest.mark.parametrize(
    ("weather", "e0_kpa", "ea_kpa", "deficit_kpa", "slope"),
    [(NIGHT, 3.780, 3.402, 0.378, 0.220), (AFTERNOON, 6.625, 3.445, 3.180, 0.358)],
    ids=["night", "afternoon"],
)
def test_the_air_of_fao_56_example_19(
    weather: Weather, e0_kpa: float, ea_kpa: float, deficit_kpa: float, slope: float
) -> None:
    """e0, ea, their difference, the slope, and gamma 0.0673 kPa/C at 8 m."""
    saturated_kpa = saturation_vapour_pressure_kpa(weather.air_c)

    assert saturated_kpa == pytest.approx(e0_kpa, abs=0.0005)
    assert saturated_kpa - weather.deficit_kpa == pytest.approx(ea_kpa, abs=0.0005)
    assert weather.deficit_kpa == pytest.approx(deficit_kpa, abs=0.0005)
    assert saturation_vapour_pressure_slope_kpa_per_c(weather.air_c) == pytest.approx(slope, abs=0.0005)
    assert psychrometric_constant_kpa_per_c(weather.pressure_kpa) == pytest.approx(0.0673, abs=0.00005)


@pytest.mark.parametrize(
    ("weather", "printed_mj_per_m2_h"), [(NIGHT, -0.050), (AFTERNOON, 0.175)], ids=["night", "afternoon"]
)
def test_the_heat_into_the_ground_of_fao_56_example_19(weather: Weather, printed_mj_per_m2_h: float) -> None:
    """G -0.050 and 0.175 MJ/m2/h: given outright it changes nothing."""
    told = replace(weather, ground_w_per_m2=printed_mj_per_m2_h / MJ_PER_M2_H)

    by_share_mm = reference_evaporation(weather, FAO_HOURLY).by_radiation_mm

    assert reference_evaporation(told, FAO_HOURLY).by_radiation_mm == pytest.approx(by_share_mm, abs=0.0001)


def test_the_month_of_fao_56_example_17() -> None:
    """Bangkok, April: slope 0.246, gamma 0.0674, es 4.42, G 0.14 (month before 29.2 C): 5.72 mm/d."""
    saturated_kpa = (saturation_vapour_pressure_kpa(34.8) + saturation_vapour_pressure_kpa(25.6)) / 2.0
    ground_mj_per_m2_d = 0.14 * (30.2 - 29.2)  # FAO-56 eq. 44
    april = Weather(
        air_c=30.2,
        deficit_kpa=saturated_kpa - 2.85,
        wind_2_m_m_per_s=2.0,
        pressure_kpa=air_pressure_kpa(2.0),
        net_w_per_m2=14.33 / MJ_PER_M2_D,
        ground_w_per_m2=ground_mj_per_m2_d / MJ_PER_M2_D,
    )

    assert saturation_vapour_pressure_slope_kpa_per_c(30.2) == pytest.approx(0.246, abs=0.0005)
    # FAO-56 works on from the rounded 101.3 kPa.
    assert psychrometric_constant_kpa_per_c(101.3) == pytest.approx(0.0674, abs=0.00005)
    assert psychrometric_constant_kpa_per_c(april.pressure_kpa) == pytest.approx(0.0674, abs=0.0001)
    assert saturated_kpa == pytest.approx(4.42, abs=0.005)
    assert reference_evaporation(april, FAO_DAILY).total_mm == pytest.approx(5.72, abs=0.005)


def test_the_day_of_fao_56_example_18() -> None:
    """Uccle, 6 July: P 100.1, gamma 0.0666, slope 0.122, es 1.997, ea 1.409, u2 2.078: 3.88 mm/d."""
    saturated_kpa = (saturation_vapour_pressure_kpa(21.5) + saturation_vapour_pressure_kpa(12.3)) / 2.0
    vapour_kpa = (
        0.63 * saturation_vapour_pressure_kpa(21.5) + 0.84 * saturation_vapour_pressure_kpa(12.3)
    ) / 2.0
    day = Weather(
        air_c=16.9,
        deficit_kpa=saturated_kpa - vapour_kpa,
        wind_2_m_m_per_s=wind_at_2_m_m_per_s(10.0 / 3.6, 10.0),
        pressure_kpa=air_pressure_kpa(100.0),
        net_w_per_m2=13.28 / MJ_PER_M2_D,
    )

    assert day.pressure_kpa == pytest.approx(100.1, abs=0.05)
    assert psychrometric_constant_kpa_per_c(day.pressure_kpa) == pytest.approx(0.0666, abs=0.00005)
    assert saturation_vapour_pressure_slope_kpa_per_c(day.air_c) == pytest.approx(0.122, abs=0.0005)
    assert saturated_kpa == pytest.approx(1.997, abs=0.0005)
    assert vapour_kpa == pytest.approx(1.409, abs=0.0005)
    assert day.deficit_kpa == pytest.approx(0.589, abs=0.001)
    assert day.wind_2_m_m_per_s == pytest.approx(2.078, abs=0.001)
    assert reference_evaporation(day, FAO_DAILY).total_mm == pytest.approx(3.88, abs=0.005)


@pytest.mark.parametrize(
    ("surface", "printed_mm"), [(ASCE_SHORT_HOURLY, 0.60635), (ASCE_TALL_HOURLY, 0.71964)], ids=["ETo", "ETr"]
)
def test_the_desert_hour_of_the_fallon_station(surface: ReferenceSurface, printed_mm: float) -> None:
    """Fallon, Nevada, 1 July 2015, 18:00-19:00 UTC, ASCE-EWRI: es 5.09319, ea 1.19901, u2 1.37093.

    From RefET's test suite; the readings in the station's own units, from which the hour is worked whole.
    """
    fallon = Spot(latitude_deg=39.4575, longitude_deg=-118.77388, elevation_m=1208.5)
    air_c, dew_c = (91.80 - 32.0) / 1.8, (49.36 - 32.0) / 1.8
    saturated_kpa, vapour_kpa = saturation_vapour_pressure_kpa(air_c), saturation_vapour_pressure_kpa(dew_c)
    wind_m_per_s = wind_at_2_m_m_per_s(3.33 * 0.44704, 3.0)
    measured_w_per_m2 = 61.16 * 0.041868 / MJ_PER_M2_H
    clear_w_per_m2 = clear_sky_w_per_m2(extraterrestrial_w_per_m2(fallon, 182, 18.5), fallon.elevation_m)
    lost_w_per_m2 = longwave_w_per_m2(air_c, vapour_kpa, clearness(measured_w_per_m2, clear_w_per_m2))
    hour = Weather(
        air_c=air_c,
        deficit_kpa=saturated_kpa - vapour_kpa,
        wind_2_m_m_per_s=wind_m_per_s,
        pressure_kpa=air_pressure_kpa(fallon.elevation_m),
        net_w_per_m2=shortwave_w_per_m2(measured_w_per_m2) - lost_w_per_m2,
    )

    assert saturated_kpa == pytest.approx(5.09319, abs=0.00001)
    assert vapour_kpa == pytest.approx(1.19901, abs=0.00001)
    assert wind_m_per_s == pytest.approx(1.37093, abs=0.00001)
    assert reference_evaporation(hour, surface).total_mm == pytest.approx(printed_mm, abs=0.0001)


# COSMOS-UK, 30-minute Penman-Monteith, wind at 2.6 m: Rn and G W/m2, C, humidity, m/s, hPa, mm.
COSMOS_HALF_HOURS = [
    (302.85, 32.23711, 19.62, 0.5762, 3.204, 1011.365, 0.14733),
    (364.6, 16.64824, 20.54, 0.6541, 2.048, 1020.695, 0.17283),
    (116.2, -23.7416, -2.144, 0.956, 0.214, 1033.649, 0.03617),
]


@pytest.mark.parametrize(
    ("net", "ground", "air_c", "relative_humidity", "wind_m_per_s", "pressure_hpa", "printed_mm"),
    COSMOS_HALF_HOURS,
)
def test_half_hours_of_cosmos_uk(
    net: float,
    ground: float,
    air_c: float,
    relative_humidity: float,
    wind_m_per_s: float,
    pressure_hpa: float,
    printed_mm: float,
) -> None:
    """To 0.001 mm, the tolerance they are published with."""
    half_hour = Weather(
        air_c=air_c,
        deficit_kpa=vapour_pressure_deficit_kpa(air_c, relative_humidity),
        wind_2_m_m_per_s=wind_at_2_m_m_per_s(wind_m_per_s, 2.6),
        pressure_kpa=pressure_hpa / 10.0,
        net_w_per_m2=net,
        ground_w_per_m2=ground,
    )

    assert reference_evaporation(half_hour, FAO_HALF_HOURLY).total_mm == pytest.approx(printed_mm, abs=0.001)


def test_priestley_taylor_of_alice_springs() -> None:
    """McMahon et al. (2013), HESS 17: 1331, S19: 8.6401 MJ/m2/d, 11.5 C, 546 m give 2.6083 mm/d."""
    computed_mm = priestley_taylor_mm(8.6401 / MJ_PER_M2_D, 11.5, air_pressure_kpa(546.0))

    assert computed_mm == pytest.approx(2.6083, abs=0.001)


def test_by_night_only_the_asce_crops_change_their_resistance() -> None:
    """ASCE-EWRI (2005) table 1: 0.24 by day and 0.96 by night (short), 0.25 and 1.7 (tall); FAO-56 0.34."""
    assert (ASCE_SHORT_HOURLY.resistance_by_day, ASCE_SHORT_HOURLY.resistance_by_night) == (0.24, 0.96)
    assert (ASCE_TALL_HOURLY.resistance_by_day, ASCE_TALL_HOURLY.resistance_by_night) == (0.25, 1.7)
    assert FAO_HOURLY.resistance_by_day == FAO_HOURLY.resistance_by_night == 0.34


def test_net_radiation_of_nought_is_day() -> None:
    """ASCE-EWRI (2005): night is Rn below nought."""
    at_nought = replace(NIGHT, net_w_per_m2=0.0)
    just_below = replace(NIGHT, net_w_per_m2=-1e-9)

    by_day = reference_evaporation(at_nought, ASCE_SHORT_HOURLY).by_air_mm
    by_night = reference_evaporation(just_below, ASCE_SHORT_HOURLY).by_air_mm

    assert by_day > 1.2 * by_night


def test_a_millimetre_an_hour_is_five_eighteenths_of_a_micrometre_a_second() -> None:
    assert um_per_s_of_mm_per_h(1.0) == pytest.approx(5.0 / 18.0)
    assert mm_per_h_of_um_per_s(5.0 / 18.0) == pytest.approx(1.0)


@pytest.mark.parametrize("water_c", [0.0, 20.0])
def test_latent_heat_and_depth_of_water_agree(water_c: float) -> None:
    """2.501 MJ/kg at 0 C, 2.454 at 20 C (ASCE-EWRI 2005): so many W/m2 carry off a micrometre a second."""
    printed_j_per_kg = {0.0: 2.501e6, 20.0: 2.454e6}[water_c]

    assert um_per_s_of_w_per_m2(printed_j_per_kg / 1000.0, water_c) == pytest.approx(1.0, rel=0.0005)
