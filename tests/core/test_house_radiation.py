"""What a leaf keeps of light and heat in a shaded house, and what each answer says it rests on."""

import pytest

from mistd.core.almanac import DayPart
from mistd.core.house_radiation import (
    DEFAULT_COVER,
    USUAL_LIGHT_W_PER_M2,
    Assumed,
    BenchReadings,
    HouseCover,
    Measured,
    SunTime,
    bench_light,
    emitted_w_per_m2,
    isothermal_net_w_per_m2,
    net_radiation,
)
from mistd.core.radiation import Spot, net_longwave_w_per_m2

# FAO-56 example 19: N'Diaye, 1 October, 14:00-15:00 and 02:00-03:00; a clear sky gives 2.658 MJ/m2/h, none.
N_DIAYE = Spot(latitude_deg=16.0 + 13.0 / 60.0, longitude_deg=-16.25, elevation_m=8.0)
AFTERNOON = SunTime(spot=N_DIAYE, day_of_year=274, utc_hour=15.5)
NIGHT = SunTime(spot=N_DIAYE, day_of_year=274, utc_hour=3.5)
CLEAR_AFTERNOON_W_PER_M2 = 2.658 / 0.0036

BARE = BenchReadings(air_c=25.0, relative_humidity=0.70)
LIT = BenchReadings(air_c=25.0, relative_humidity=0.70, light_w_per_m2=180.0)
OPEN_SKY = HouseCover(passes_light=1.0, shows_sky=1.0)
NO_SKY = HouseCover(shows_sky=0.0)


def test_a_light_reading_is_believed_before_the_sun_and_the_part_of_the_day() -> None:
    assert bench_light(LIT, sun=AFTERNOON, day_part=DayPart.NIGHT) == (180.0, Measured.LIGHT)


def test_a_light_reading_below_nought_is_the_dark() -> None:
    """A pyranometer reads a few watts below nought on a clear night."""
    dark = BenchReadings(air_c=18.0, relative_humidity=0.9, light_w_per_m2=-4.0)

    assert bench_light(dark) == (0.0, Measured.LIGHT)


def test_without_a_light_reading_a_clear_sky_shines_through_the_cover() -> None:
    """FAO-56 example 19: 2.658 MJ/m2/h outside."""
    light_w_per_m2, source = bench_light(BARE, sun=AFTERNOON, day_part=DayPart.NIGHT)

    assert light_w_per_m2 == pytest.approx(0.3 * CLEAR_AFTERNOON_W_PER_M2, rel=0.0005)
    assert source is Assumed.LIGHT_BY_SUN


def test_by_night_the_sun_gives_nothing() -> None:
    assert bench_light(BARE, sun=NIGHT) == (0.0, Assumed.LIGHT_BY_SUN)


@pytest.mark.parametrize("day_part", list(DayPart))
def test_without_a_place_the_part_of_the_day_says_how_light_it_is(day_part: DayPart) -> None:
    light_w_per_m2, source = bench_light(BARE, day_part=day_part)

    assert light_w_per_m2 == USUAL_LIGHT_W_PER_M2[day_part]
    assert source is Assumed.LIGHT_BY_DAY_PART


def test_knowing_nothing_of_the_hour_it_is_taken_for_bright_day() -> None:
    brightest_w_per_m2 = max(USUAL_LIGHT_W_PER_M2.values())

    assert bench_light(BARE) == (brightest_w_per_m2, Assumed.LIGHT_OF_DAY)


def test_the_night_is_dark_in_the_table() -> None:
    assert USUAL_LIGHT_W_PER_M2[DayPart.NIGHT] == 0.0


def test_under_the_open_sky_the_loss_is_fao_56s() -> None:
    """Example 19, night: 0.100 MJ/m2/h at 28 C, 90 % and the clearness 0.8."""
    net_w_per_m2 = isothermal_net_w_per_m2(28.0, 0.90, 0.0, OPEN_SKY)

    assert net_w_per_m2 * 0.0036 == pytest.approx(-0.100, abs=0.0005)


def test_a_cover_keeps_out_the_sky_by_its_share() -> None:
    lost_w_per_m2 = net_longwave_w_per_m2(25.0, 0.7 * 3.168, 0.8)

    kept_w_per_m2 = isothermal_net_w_per_m2(25.0, 0.70, 0.0, HouseCover(shows_sky=0.25))

    assert kept_w_per_m2 == pytest.approx(-0.25 * lost_w_per_m2, rel=1e-4)
    assert isothermal_net_w_per_m2(25.0, 0.70, 0.0, NO_SKY) == 0.0


def test_a_leaf_keeps_half_the_light_on_the_bench() -> None:
    assert net_radiation(LIT, cover=NO_SKY).w_per_m2 == pytest.approx(90.0)


def test_a_leaf_warmer_than_the_air_gives_off_5_8_watts_a_side_and_degree() -> None:
    """4 x 0.97 x 5.67e-8 x 298.15^3 = 5.83 W/m2/C, two sides."""
    warmer = BenchReadings(air_c=25.0, relative_humidity=0.70, light_w_per_m2=180.0, leaf_c=26.0)

    lost_w_per_m2 = net_radiation(LIT).w_per_m2 - net_radiation(warmer).w_per_m2

    assert lost_w_per_m2 == pytest.approx(2.0 * 5.83, abs=0.1)


def test_a_side_radiates_by_the_law_of_stefan_and_boltzmann() -> None:
    """0.97 x 5.67e-8 x 293.15^4 = 406.2 W/m2."""
    assert emitted_w_per_m2(20.0) == pytest.approx(406.2, abs=0.5)


def test_an_answer_names_every_reading_it_rests_on() -> None:
    full = BenchReadings(air_c=25.0, relative_humidity=0.70, light_w_per_m2=180.0, leaf_c=26.0)

    net = net_radiation(full)

    assert net.measured == (
        Measured.AIR_TEMPERATURE,
        Measured.RELATIVE_HUMIDITY,
        Measured.LIGHT,
        Measured.LEAF_TEMPERATURE,
    )
    assert net.assumed == (Assumed.SKY,)
    assert net.light_w_per_m2 == 180.0


def test_an_answer_names_all_it_assumed() -> None:
    net = net_radiation(BARE, day_part=DayPart.DAWN)

    assert net.measured == (Measured.AIR_TEMPERATURE, Measured.RELATIVE_HUMIDITY)
    assert net.assumed == (Assumed.LIGHT_BY_DAY_PART, Assumed.LEAF_AS_WARM_AS_AIR, Assumed.SKY)


def test_the_default_cover_gives_a_propagation_house_its_light() -> None:
    """5 to 10 mol/m2 a day (Faust 2020); 2.1 mol to the MJ and a summer's day of 20 MJ/m2 from memory."""
    mol_per_m2 = 20.0 * DEFAULT_COVER.passes_light * 2.1

    assert 5.0 <= mol_per_m2 <= 13.0
