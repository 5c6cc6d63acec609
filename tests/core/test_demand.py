"""What the air takes from a fully wet leaf, by whatever sensors are fitted, and what the answer rests on."""

from itertools import product
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.almanac import DayPart
from mistd.core.demand import STILL_AIR_M_PER_S, USUAL_AIR_SPEED_M_PER_S, Demand, demand
from mistd.core.house_radiation import Assumed, BenchReadings, HouseCover, Measured, SunTime
from mistd.core.psychrometrics import dew_point_c, leaf_to_air_deficit_kpa, vapour_pressure_kpa
from mistd.core.radiation import Spot
from mistd.core.wet_leaf import Leaf, LeafAir, leaf_evaporation

NO_SKY = HouseCover(shows_sky=0.0)
EVERYTHING = BenchReadings(
    air_c=25.0, relative_humidity=0.70, light_w_per_m2=200.0, leaf_c=24.0, air_speed_m_per_s=0.4
)
BARE = BenchReadings(air_c=25.0, relative_humidity=0.70)


def test_a_measured_leaf_gives_its_deficit_times_the_published_conductance() -> None:
    """Campbell & Norman, 0.3 m/s, 0.036 m: 0.571 mm/h at 1.5 kPa; here leaf and air are 25 C and 52.65 %."""
    readings = BenchReadings(air_c=25.0, relative_humidity=0.5265, leaf_c=25.0, air_speed_m_per_s=0.3)

    now = demand(readings, leaf=Leaf(width_m=0.05))

    assert now.deficit_kpa == pytest.approx(1.5, abs=0.001)
    assert now.mm_per_h == pytest.approx(0.571, abs=0.001)


def test_without_a_leaf_temperature_the_balance_is_solved_in_the_air_that_was_measured() -> None:
    readings = BenchReadings(air_c=25.0, relative_humidity=0.70, light_w_per_m2=200.0, air_speed_m_per_s=0.4)
    air = LeafAir(
        air_c=25.0,
        vapour_kpa=vapour_pressure_kpa(25.0, 0.70),
        speed_m_per_s=0.4,
        net_w_per_m2=100.0,
        pressure_kpa=95.0,
    )

    now = demand(readings, cover=NO_SKY, pressure_kpa=95.0)

    assert now.um_per_s == leaf_evaporation(air, Leaf()).um_per_s
    assert now.w_per_m2 == leaf_evaporation(air, Leaf()).w_per_m2
    assert now.leaf_c == leaf_evaporation(air, Leaf()).leaf_c


def test_the_two_ways_agree_when_the_measured_leaf_is_the_one_in_balance() -> None:
    balanced = demand(BARE, day_part=DayPart.DAY)
    measured = demand(BenchReadings(air_c=25.0, relative_humidity=0.70, leaf_c=balanced.leaf_c))

    assert measured.um_per_s == pytest.approx(balanced.um_per_s, rel=1e-6)
    assert measured.cooling == balanced.cooling


def test_everything_fitted_nothing_is_assumed_and_light_is_not_needed() -> None:
    now = demand(EVERYTHING)

    assert now.assumed == ()
    assert now.measured == (
        Measured.AIR_TEMPERATURE,
        Measured.RELATIVE_HUMIDITY,
        Measured.LEAF_TEMPERATURE,
        Measured.AIR_SPEED,
    )


def test_with_two_readings_the_rest_is_assumed_and_named() -> None:
    now = demand(BARE, day_part=DayPart.DAWN)

    assert now.measured == (Measured.AIR_TEMPERATURE, Measured.RELATIVE_HUMIDITY)
    assert now.assumed == (Assumed.LIGHT_BY_DAY_PART, Assumed.SKY, Assumed.AIR_SPEED)


def test_the_sun_stands_in_for_a_light_reading() -> None:
    noon = SunTime(spot=Spot(latitude_deg=50.0, longitude_deg=0.0), day_of_year=172, utc_hour=12.0)
    midnight = SunTime(spot=Spot(latitude_deg=50.0, longitude_deg=0.0), day_of_year=172, utc_hour=0.0)

    by_day, by_night = demand(BARE, sun=noon), demand(BARE, sun=midnight)

    assert by_day.assumed[0] is Assumed.LIGHT_BY_SUN
    assert by_day.um_per_s > by_night.um_per_s


@pytest.mark.parametrize(
    ("measured_m_per_s", "taken_m_per_s"),
    [(0.0, STILL_AIR_M_PER_S), (STILL_AIR_M_PER_S, STILL_AIR_M_PER_S), (0.7, 0.7)],
)
def test_a_measured_speed_is_taken_but_never_less_than_still_air(
    measured_m_per_s: float, taken_m_per_s: float
) -> None:
    def at(speed_m_per_s: float) -> Demand:
        return demand(
            BenchReadings(air_c=25.0, relative_humidity=0.7, leaf_c=25.0, air_speed_m_per_s=speed_m_per_s)
        )

    assert at(measured_m_per_s).um_per_s == at(taken_m_per_s).um_per_s
    assert Measured.AIR_SPEED in at(measured_m_per_s).measured


def test_without_an_anemometer_the_usual_speed_is_taken() -> None:
    told = BenchReadings(air_c=25.0, relative_humidity=0.70, air_speed_m_per_s=USUAL_AIR_SPEED_M_PER_S)

    assert demand(BARE).um_per_s == demand(told).um_per_s


@pytest.mark.parametrize("leaf_c", [None, 10.0])
def test_dew_is_no_demand(leaf_c: float | None) -> None:
    """Saturated air over a leaf the sky cools, and a leaf measured below the dew point (23.4 C)."""
    readings = BenchReadings(air_c=24.0, relative_humidity=1.0, light_w_per_m2=0.0, leaf_c=leaf_c)

    now = demand(readings)

    assert now.um_per_s == 0.0
    assert now.w_per_m2 == 0.0
    assert now.leaf_c < dew_point_c(24.0, 1.0)
    assert now.deficit_kpa == leaf_to_air_deficit_kpa(now.leaf_c, 24.0, 1.0) < 0.0


@given(
    air_c=st.floats(2.0, 45.0),
    humidity=st.floats(0.05, 1.0),
    light=st.one_of(st.none(), st.floats(-5.0, 1200.0)),
    leaf_c=st.one_of(st.none(), st.floats(0.0, 50.0)),
    speed=st.one_of(st.none(), st.floats(0.0, 5.0)),
)
def test_whatever_the_readings_a_demand_is_finite_and_not_negative(
    air_c: float, humidity: float, light: float | None, leaf_c: float | None, speed: float | None
) -> None:
    readings = BenchReadings(
        air_c=air_c, relative_humidity=humidity, light_w_per_m2=light, leaf_c=leaf_c, air_speed_m_per_s=speed
    )

    now = demand(readings)

    assert 0.0 <= now.um_per_s < inf
    assert 0.0 <= now.w_per_m2 < inf
    assert now.cooling > 0.0


def test_light_dry_air_and_wind_each_raise_the_demand() -> None:
    """Down to nought watts and from every corner; wind only where the air takes more than the light gives."""
    for air_c, humidity, light in product((15.0, 25.0, 35.0), (0.4, 0.8), (0.0, 300.0)):
        here = _demanded(air_c, humidity, light, 0.3)

        assert _demanded(air_c, humidity, light + 50.0, 0.3) > here
        assert _demanded(air_c, humidity - 0.1, light, 0.3) > here
        assert _demanded(air_c, humidity, 0.0, 0.6) > _demanded(air_c, humidity, 0.0, 0.3)


def _demanded(air_c: float, humidity: float, light: float, speed: float) -> float:
    readings = BenchReadings(
        air_c=air_c, relative_humidity=humidity, light_w_per_m2=light, air_speed_m_per_s=speed
    )
    return demand(readings, cover=NO_SKY).um_per_s
