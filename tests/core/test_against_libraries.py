"""Psychrometrics and hourly evaporation beside three independent libraries, over grids and a whole year.

PsychroLib has ASHRAE's formulas (ideal gases), CoolProp ASHRAE's real moist air, RefET ASCE-EWRI's standard.
Every limit is the largest difference found, rounded up, and the difference has to come near it: a comparison
of nothing with nothing fails too.
"""

from collections.abc import Callable, Iterator
from itertools import product
from pathlib import Path

import numpy as np
import psychrolib
import pvlib
import pytest
import refet
from CoolProp.HumidAirProp import HAPropsSI
from pvlib.iotools import read_tmy3

from mistd.core.evaporation import (
    ASCE_SHORT_HOURLY,
    ASCE_TALL_HOURLY,
    ReferenceSurface,
    Weather,
    reference_evaporation,
    wind_at_2_m_m_per_s,
)
from mistd.core.psychrometrics import (
    air_pressure_kpa,
    density_kg_per_m3,
    dew_point_c,
    enthalpy_j_per_kg,
    humidity_ratio,
    saturation_vapour_pressure_kpa,
    vapour_pressure_kpa,
    wet_bulb_c,
)
from mistd.core.radiation import (
    Spot,
    clear_sky_w_per_m2,
    clearness,
    extraterrestrial_w_per_m2,
    net_longwave_w_per_m2,
    net_shortwave_w_per_m2,
    sun_elevation_rad,
)

MJ_PER_M2_H = 0.0036  # of one W/m2
KELVIN = 273.15
ABOVE_FREEZING_C = 0.1  # at 0 C and below both libraries change to ice
LOW_SUN_RAD = 0.3  # RefET calls the sky clear while the sun is lower at the beginning of the hour

TEMPERATURES_C = tuple(range(0, 51, 5))
HUMIDITIES = (0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 0.95, 1.0)
PRESSURES_KPA = (70.0, 85.0, 101.325)
GRID = tuple(product(TEMPERATURES_C, HUMIDITIES, PRESSURES_KPA))

psychrolib.SetUnitSystem(psychrolib.SI)


def largest(differences: Iterator[float]) -> float:
    """The largest difference either way."""
    return max(abs(difference) for difference in differences)


def real(wanted: str, air_c: float, relative_humidity: float, pressure_kpa: float) -> float:
    """One property of CoolProp's moist air, in its units."""
    state = ("T", air_c + KELVIN, "P", 1000.0 * pressure_kpa, "R", relative_humidity)
    return float(HAPropsSI(wanted, *state))


def psychrolib_wet_bulb_c(air_c: float, relative_humidity: float, pressure_kpa: float) -> float:
    return float(psychrolib.GetTWetBulbFromRelHum(air_c, relative_humidity, 1000.0 * pressure_kpa))


def coolprop_wet_bulb_c(air_c: float, relative_humidity: float, pressure_kpa: float) -> float:
    return real("B", air_c, relative_humidity, pressure_kpa) - KELVIN


def psychrolib_dew_point_c(air_c: float, relative_humidity: float, pressure_kpa: float) -> float:
    return float(psychrolib.GetTDewPointFromRelHum(air_c, relative_humidity))


def coolprop_dew_point_c(air_c: float, relative_humidity: float, pressure_kpa: float) -> float:
    return real("D", air_c, relative_humidity, pressure_kpa) - KELVIN


def test_saturation_pressure_is_within_0_12_percent_of_psychrolib() -> None:
    found = largest(
        1000.0 * saturation_vapour_pressure_kpa(air_c) / psychrolib.GetSatVapPres(air_c) - 1.0
        for air_c in range(1, 51)
    )

    assert 0.0010 < found < 0.0012


@pytest.mark.parametrize(
    ("theirs_c", "limit_c"), [(psychrolib_dew_point_c, 0.017), (coolprop_dew_point_c, 0.036)]
)
def test_dew_point_is_within_four_hundredths_of_a_degree(
    theirs_c: Callable[[float, float, float], float], limit_c: float
) -> None:
    found_c = largest(
        dew_point_c(air_c, humidity) - theirs_c(air_c, humidity, pressure_kpa)
        for air_c, humidity, pressure_kpa in GRID
        if dew_point_c(air_c, humidity) > ABOVE_FREEZING_C
    )

    assert 0.8 * limit_c < found_c < limit_c


@pytest.mark.parametrize(
    ("theirs_c", "limit_c"), [(psychrolib_wet_bulb_c, 0.006), (coolprop_wet_bulb_c, 0.026)]
)
def test_wet_bulb_is_within_three_hundredths_of_a_degree(
    theirs_c: Callable[[float, float, float], float], limit_c: float
) -> None:
    """Where theirs is above freezing: a little below, a bulb may be wet or iced, as a library likes."""
    found_c = largest(
        wet_bulb_c(*state) - theirs_c(*state) for state in GRID if theirs_c(*state) > ABOVE_FREEZING_C
    )

    assert 0.8 * limit_c < found_c < limit_c


def test_humidity_ratio_is_within_0_13_percent_of_psychrolib() -> None:
    found = largest(
        humidity_ratio(vapour_pressure_kpa(air_c, humidity), pressure_kpa)
        / psychrolib.GetHumRatioFromRelHum(air_c, humidity, 1000.0 * pressure_kpa)
        - 1.0
        for air_c, humidity, pressure_kpa in GRID
        if air_c > 0
    )

    assert 0.0012 < found < 0.0013


def test_humidity_ratio_of_ideal_gases_is_within_0_75_percent_of_real_ones() -> None:
    found = largest(
        humidity_ratio(vapour_pressure_kpa(air_c, humidity), pressure_kpa)
        / real("W", air_c, humidity, pressure_kpa)
        - 1.0
        for air_c, humidity, pressure_kpa in GRID
    )

    assert 0.006 < found < 0.0075


def test_enthalpy_and_density_are_those_of_psychrolib_for_the_same_moisture() -> None:
    for air_c, humidity, pressure_kpa in GRID:
        moisture = humidity_ratio(vapour_pressure_kpa(air_c, humidity), pressure_kpa)
        pressure_pa = 1000.0 * pressure_kpa

        assert enthalpy_j_per_kg(air_c, moisture) == pytest.approx(
            psychrolib.GetMoistAirEnthalpy(air_c, moisture), rel=1e-9, abs=1e-6
        )
        assert density_kg_per_m3(air_c, moisture, pressure_kpa) == pytest.approx(
            psychrolib.GetMoistAirDensity(air_c, moisture, pressure_pa), rel=1e-5
        )


class Year:
    """A typical year of hours at one place, as arrays; each hour by its beginning in universal time."""

    def __init__(self, path: Path) -> None:
        table, about = read_tmy3(str(path), coerce_year=1990, map_variables=True)
        self.spot = Spot(
            latitude_deg=about["latitude"], longitude_deg=about["longitude"], elevation_m=about["altitude"]
        )
        begins = table.index.tz_convert("UTC") - np.timedelta64(1, "h")
        self.days = begins.day_of_year.to_numpy()
        self.hours = begins.hour.to_numpy()
        self.air_c = table["temp_air"].to_numpy(dtype=float)
        self.dew_c = table["temp_dew"].to_numpy(dtype=float)
        self.light_w_per_m2 = table["ghi"].to_numpy(dtype=float)
        self.wind_m_per_s = table["wind_speed"].to_numpy(dtype=float)


WIND_HEIGHT_M = 10.0


@pytest.fixture(scope="module")
def greensboro() -> Year:
    """Greensboro, North Carolina: the typical year that pvlib brings along."""
    return Year(Path(pvlib.__file__).parent / "data" / "723170TYA.CSV")


@pytest.mark.parametrize("surface", [ASCE_SHORT_HOURLY, ASCE_TALL_HOURLY], ids=["short", "tall"])
def test_every_hour_of_a_year_is_refets_within_a_twenty_thousandth_of_a_millimetre(
    greensboro: Year, surface: ReferenceSurface
) -> None:
    """Hours to 0.86 (short) and 1.14 mm (tall), 1068 and 1336 mm a year; RefET rounds some constants."""
    theirs = refet.Hourly(
        tmean=greensboro.air_c,
        tdew=greensboro.dew_c,
        rs=greensboro.light_w_per_m2 * MJ_PER_M2_H,
        uz=greensboro.wind_m_per_s,
        zw=WIND_HEIGHT_M,
        elev=greensboro.spot.elevation_m,
        lat=greensboro.spot.latitude_deg,
        lon=greensboro.spot.longitude_deg,
        doy=greensboro.days,
        time=greensboro.hours,
        method="asce",
    )
    theirs_mm = theirs.etr() if surface is ASCE_TALL_HOURLY else theirs.eto()

    ours_mm = np.array([hour_mm(greensboro, hour, surface) for hour in range(len(greensboro.hours))])

    assert len(ours_mm) == 8760
    assert theirs_mm.max() > 0.8
    assert np.abs(ours_mm - theirs_mm).max() < 0.00005
    assert ours_mm.sum() == pytest.approx(theirs_mm.sum(), rel=1e-4)


def hour_mm(year: Year, hour: int, surface: ReferenceSurface) -> float:
    """One hour's reference evaporation, whole, from the weather alone."""
    air_c, vapour_kpa = year.air_c[hour], saturation_vapour_pressure_kpa(year.dew_c[hour])
    lost_w_per_m2 = net_longwave_w_per_m2(air_c, vapour_kpa, how_clear(year, hour))
    weather = Weather(
        air_c=air_c,
        deficit_kpa=saturation_vapour_pressure_kpa(air_c) - vapour_kpa,
        wind_2_m_m_per_s=wind_at_2_m_m_per_s(year.wind_m_per_s[hour], WIND_HEIGHT_M),
        pressure_kpa=air_pressure_kpa(year.spot.elevation_m),
        net_w_per_m2=net_shortwave_w_per_m2(year.light_w_per_m2[hour]) - lost_w_per_m2,
    )
    return reference_evaporation(weather, surface).total_mm


def how_clear(year: Year, hour: int) -> float:
    """Clearness as RefET has it: the hour's own, and 1 while the sun is low or down."""
    day, begins_h = int(year.days[hour]), float(year.hours[hour])
    if sun_elevation_rad(year.spot, day, begins_h) < LOW_SUN_RAD:
        return 1.0
    above_w_per_m2 = extraterrestrial_w_per_m2(year.spot, day, begins_h + 0.5)
    clear_w_per_m2 = clear_sky_w_per_m2(above_w_per_m2, year.spot.elevation_m)
    return clearness(year.light_w_per_m2[hour], clear_w_per_m2)
