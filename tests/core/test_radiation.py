"""Radiation in the open against the printed examples of FAO-56; the source stands beside each check."""

from math import pi, radians

import pytest

from mistd.core.evaporation import wind_at_2_m_m_per_s
from mistd.core.psychrometrics import vapour_pressure_kpa
from mistd.core.radiation import (
    Spot,
    clear_sky_w_per_m2,
    clearness,
    daily_extraterrestrial_w_per_m2,
    daylight_h,
    declination_rad,
    extraterrestrial_w_per_m2,
    global_w_per_m2,
    hour_angle_rad,
    inverse_relative_distance,
    net_longwave_w_per_m2,
    net_shortwave_w_per_m2,
    seasonal_correction_h,
    sun_elevation_rad,
    sunset_hour_angle_rad,
)

MJ_PER_M2_H = 0.0036  # of one W/m2
MJ_PER_M2_D = 0.0864

# FAO-56 example 19: N'Diaye, Senegal, 16 deg 13' N, 16 deg 15' W, 8 m, 1 October. Its clock stands at 15 W,
# an hour behind universal time, so its 14:00-15:00 is centred on 15.5 h.
N_DIAYE = Spot(latitude_deg=16.0 + 13.0 / 60.0, longitude_deg=-16.25, elevation_m=8.0)
FIRST_OF_OCTOBER = 274
AFTERNOON_UTC_H = 15.5
NIGHT_UTC_H = 3.5

BANGKOK_DEG = 13.0 + 44.0 / 60.0
MID_APRIL = 105
UCCLE_DEG = 50.0 + 48.0 / 60.0
SIXTH_OF_JULY = 187


def test_the_suns_place_of_fao_56_example_8() -> None:
    """3 September, 20 deg S: dr 0.985, declination 0.120, ws 1.527 rad, Ra 32.2 MJ/m2/d."""
    assert inverse_relative_distance(246) == pytest.approx(0.985, abs=0.0005)
    assert declination_rad(246) == pytest.approx(0.120, abs=0.0005)
    assert sunset_hour_angle_rad(-20.0, 246) == pytest.approx(1.527, abs=0.0005)
    assert daily_extraterrestrial_w_per_m2(-20.0, 246) * MJ_PER_M2_D == pytest.approx(32.2, abs=0.05)


def test_the_suns_place_of_fao_56_example_19() -> None:
    """dr 1.0001, declination -0.0753, Sc 0.1889; omega 0.682 at 14:00-15:00 and -2.46 at 02:00-03:00."""
    angle_by_night = hour_angle_rad(N_DIAYE.longitude_deg, FIRST_OF_OCTOBER, NIGHT_UTC_H)

    assert radians(N_DIAYE.latitude_deg) == pytest.approx(0.283, abs=0.0005)
    assert inverse_relative_distance(FIRST_OF_OCTOBER) == pytest.approx(1.0001, abs=0.00005)
    assert declination_rad(FIRST_OF_OCTOBER) == pytest.approx(-0.0753, abs=0.00005)
    assert seasonal_correction_h(FIRST_OF_OCTOBER) == pytest.approx(0.1889, abs=0.00005)
    assert angle_by_night == pytest.approx(-2.46, abs=0.005)


@pytest.mark.parametrize(
    ("hours_off", "printed_rad"), [(0.0, 0.682), (-0.5, 0.5512), (0.5, 0.813)], ids=["middle", "w1", "w2"]
)
def test_the_hour_angles_of_fao_56_example_19(hours_off: float, printed_rad: float) -> None:
    angle = hour_angle_rad(N_DIAYE.longitude_deg, FIRST_OF_OCTOBER, AFTERNOON_UTC_H + hours_off)

    assert angle == pytest.approx(printed_rad, abs=0.0005)


def test_the_afternoon_radiation_of_fao_56_example_19() -> None:
    """Ra 3.543, Rso 2.658, Rs/Rso 0.922, Rns 1.887, Rnl 0.137, Rn 1.749 MJ/m2/h, from Rs 2.450."""
    measured_w_per_m2 = 2.450 / MJ_PER_M2_H
    above_w_per_m2 = extraterrestrial_w_per_m2(N_DIAYE, FIRST_OF_OCTOBER, AFTERNOON_UTC_H)
    clear_w_per_m2 = clear_sky_w_per_m2(above_w_per_m2, N_DIAYE.elevation_m)
    how_clear = clearness(measured_w_per_m2, clear_w_per_m2)
    kept_w_per_m2 = net_shortwave_w_per_m2(measured_w_per_m2)
    lost_w_per_m2 = net_longwave_w_per_m2(38.0, vapour_pressure_kpa(38.0, 0.52), how_clear)

    assert above_w_per_m2 * MJ_PER_M2_H == pytest.approx(3.543, abs=0.0005)
    assert clear_w_per_m2 * MJ_PER_M2_H == pytest.approx(2.658, abs=0.0005)
    assert how_clear == pytest.approx(0.922, abs=0.0005)
    assert kept_w_per_m2 * MJ_PER_M2_H == pytest.approx(1.887, abs=0.0006)
    assert lost_w_per_m2 * MJ_PER_M2_H == pytest.approx(0.137, abs=0.0005)
    assert (kept_w_per_m2 - lost_w_per_m2) * MJ_PER_M2_H == pytest.approx(1.749, abs=0.0006)


def test_the_night_radiation_of_fao_56_example_19() -> None:
    """Ra 0, Rso 0, Rnl 0.100 MJ/m2/h with the clearness assumed to be 0.8."""
    above_w_per_m2 = extraterrestrial_w_per_m2(N_DIAYE, FIRST_OF_OCTOBER, NIGHT_UTC_H)
    lost_w_per_m2 = net_longwave_w_per_m2(28.0, vapour_pressure_kpa(28.0, 0.90), 0.8)

    assert above_w_per_m2 == 0.0
    assert clear_sky_w_per_m2(above_w_per_m2, N_DIAYE.elevation_m) == 0.0
    assert lost_w_per_m2 * MJ_PER_M2_H == pytest.approx(0.100, abs=0.0005)


def test_the_radiation_of_fao_56_example_17() -> None:
    """Bangkok, April: Ra 38.06, Rs 22.65 MJ/m2/d from 8.5 h of sun, Rn 14.33."""
    above_w_per_m2 = daily_extraterrestrial_w_per_m2(BANGKOK_DEG, MID_APRIL)
    sunshine = 8.5 / daylight_h(BANGKOK_DEG, MID_APRIL)
    global_here_w_per_m2 = global_w_per_m2(above_w_per_m2, sunshine)
    how_clear = clearness(global_here_w_per_m2, clear_sky_w_per_m2(above_w_per_m2, 2.0))
    lost_w_per_m2 = mean_longwave_w_per_m2(25.6, 34.8, 2.85, how_clear)
    net_w_per_m2 = net_shortwave_w_per_m2(global_here_w_per_m2) - lost_w_per_m2

    assert above_w_per_m2 * MJ_PER_M2_D == pytest.approx(38.06, abs=0.005)
    assert global_here_w_per_m2 * MJ_PER_M2_D == pytest.approx(22.65, abs=0.01)
    assert net_w_per_m2 * MJ_PER_M2_D == pytest.approx(14.33, abs=0.01)


def test_the_radiation_of_fao_56_example_18() -> None:
    """Uccle, 6 July: N 16.1 h, Ra 41.09, Rs 22.07 from 9.25 h of sun, Rso 30.90, Rn 13.28 MJ/m2/d."""
    above_w_per_m2 = daily_extraterrestrial_w_per_m2(UCCLE_DEG, SIXTH_OF_JULY)
    longest_h = daylight_h(UCCLE_DEG, SIXTH_OF_JULY)
    global_here_w_per_m2 = global_w_per_m2(above_w_per_m2, 9.25 / longest_h)
    clear_w_per_m2 = clear_sky_w_per_m2(above_w_per_m2, 100.0)
    lost_w_per_m2 = mean_longwave_w_per_m2(12.3, 21.5, 1.409, clearness(global_here_w_per_m2, clear_w_per_m2))
    net_w_per_m2 = net_shortwave_w_per_m2(global_here_w_per_m2) - lost_w_per_m2

    assert longest_h == pytest.approx(16.1, abs=0.05)
    assert above_w_per_m2 * MJ_PER_M2_D == pytest.approx(41.09, abs=0.005)
    assert global_here_w_per_m2 * MJ_PER_M2_D == pytest.approx(22.07, abs=0.01)
    assert clear_w_per_m2 * MJ_PER_M2_D == pytest.approx(30.90, abs=0.005)
    assert net_w_per_m2 * MJ_PER_M2_D == pytest.approx(13.28, abs=0.01)


def mean_longwave_w_per_m2(coldest_c: float, warmest_c: float, vapour_kpa: float, how_clear: float) -> float:
    """FAO-56 eq. 39 for a day: the mean of what goes at the two ends."""
    coldest_w_per_m2 = net_longwave_w_per_m2(coldest_c, vapour_kpa, how_clear)
    return (coldest_w_per_m2 + net_longwave_w_per_m2(warmest_c, vapour_kpa, how_clear)) / 2.0


def test_the_desert_hour_of_the_fallon_station() -> None:
    """Fallon, Nevada, 1 July 2015, 18:00-19:00 UTC: Ra 4.30824, Rnl 0.22898 MJ/m2/h (RefET's test suite).

    The printed two are RefET's own, with a sun of 1367 W/m2 and a clear sky by the water in the air. FAO-56
    and ASCE-EWRI take 0.0820 MJ/m2/min and a fixed share, and are 0.05 % lower and 0.8 % higher.
    """
    fallon = Spot(latitude_deg=39.4575, longitude_deg=-118.77388, elevation_m=1208.5)
    above_w_per_m2 = extraterrestrial_w_per_m2(fallon, 182, 18.5)
    how_clear = clearness(2.5606 / MJ_PER_M2_H, clear_sky_w_per_m2(above_w_per_m2, fallon.elevation_m))
    lost_w_per_m2 = net_longwave_w_per_m2(33.22, 1.19901, how_clear)

    assert above_w_per_m2 * MJ_PER_M2_H == pytest.approx(4.30824, rel=0.0005)
    assert lost_w_per_m2 * MJ_PER_M2_H == pytest.approx(0.22898, rel=0.009)


def test_the_hours_of_a_day_come_to_the_days_mean() -> None:
    """Eq. 28 summed over a day is eq. 21, sunrise and sunset hours and all."""
    hours_w_per_m2 = [extraterrestrial_w_per_m2(N_DIAYE, FIRST_OF_OCTOBER, hour + 0.5) for hour in range(24)]

    expected_w_per_m2 = daily_extraterrestrial_w_per_m2(N_DIAYE.latitude_deg, FIRST_OF_OCTOBER)
    assert sum(hours_w_per_m2) / 24.0 == pytest.approx(expected_w_per_m2, rel=1e-9)
    assert min(hours_w_per_m2) == 0.0


def test_the_sun_does_not_set_in_june_nor_rise_in_december_beyond_the_circle() -> None:
    assert sunset_hour_angle_rad(70.0, 172) == pi
    assert sunset_hour_angle_rad(70.0, 355) == 0.0
    assert daily_extraterrestrial_w_per_m2(70.0, 355) == 0.0
    polar = Spot(latitude_deg=70.0, longitude_deg=0.0)
    hours_w_per_m2 = [extraterrestrial_w_per_m2(polar, 172, hour + 0.5) for hour in range(24)]
    assert sum(hours_w_per_m2) / 24.0 == pytest.approx(daily_extraterrestrial_w_per_m2(70.0, 172), rel=1e-9)


def test_the_sun_stands_highest_at_noon_by_its_own_time() -> None:
    """At 90 less latitude plus declination, on the sun's own meridian."""
    spot = Spot(latitude_deg=50.0, longitude_deg=0.0)
    noon_h = 12.0 - seasonal_correction_h(172)

    expected_rad = pi / 2.0 - radians(50.0) + declination_rad(172)
    assert sun_elevation_rad(spot, 172, noon_h) == pytest.approx(expected_rad, abs=1e-9)
    assert sun_elevation_rad(spot, 172, noon_h - 1.0) < expected_rad


def test_farther_east_the_sun_is_ahead() -> None:
    here, east = hour_angle_rad(0.0, 100, 9.0), hour_angle_rad(15.0, 100, 9.0)

    assert east - here == pytest.approx(radians(15.0))


@pytest.mark.parametrize(("share", "expected"), [(0.1, 0.3), (0.3, 0.3), (0.8, 0.8), (1.0, 1.0), (1.3, 1.0)])
def test_clearness_keeps_to_the_range_of_its_equation(share: float, expected: float) -> None:
    """ASCE-EWRI (2005) eq. 45: 0.3 to 1."""
    assert clearness(share * 500.0, 500.0) == expected


def test_there_is_no_clearness_without_sun() -> None:
    with pytest.raises(ValueError, match="no clearness without sun"):
        clearness(0.0, 0.0)


def test_a_cloudy_sky_and_damp_air_take_less_heat() -> None:
    clear_w_per_m2 = net_longwave_w_per_m2(20.0, 1.5, 1.0)

    assert net_longwave_w_per_m2(20.0, 1.5, 0.5) < clear_w_per_m2
    assert net_longwave_w_per_m2(20.0, 2.0, 1.0) < clear_w_per_m2


def test_wind_of_fao_56_example_14() -> None:
    """3.2 m/s at 10 m is 2.4 m/s at 2 m, factor 0.748."""
    assert wind_at_2_m_m_per_s(3.2, 10.0) == pytest.approx(2.4, abs=0.05)
    assert wind_at_2_m_m_per_s(1.0, 10.0) == pytest.approx(0.748, abs=0.0005)
