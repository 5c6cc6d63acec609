"""A tank that fills, runs over and runs down; a pump on its curve, with water and without."""

from math import sqrt

import pytest

from simulators.plant.tank_and_pump import FloatFault, Pump, PumpPlan, Tank, TankPlan

M_PER_BAR = 10.197  # of water


def tank_of(litres: float) -> Tank:
    return Tank(TankPlan(starts_with_l=litres))


def fill(tank: Tank, dt_s: float, mains_bar: float = 3.0) -> None:
    tank.run(dt_s, mains_bar, mains_c=14.0, outdoors_c=16.0)


# --- tank


def test_a_tank_is_filled_by_its_float_and_no_further() -> None:
    tank = tank_of(400.0)

    fill(tank, 60.0)
    after_a_minute_l = tank.level_l
    fill(tank, 3600.0)

    assert after_a_minute_l == pytest.approx(412.0)
    assert tank.level_l == pytest.approx(480.0)
    assert tank.refilled_l == pytest.approx(80.0)


def test_a_float_stays_shut_until_the_level_has_fallen_to_its_mark() -> None:
    tank = tank_of(480.0)

    tank.draw(19.9)
    fill(tank, 60.0)
    assert tank.level_l == pytest.approx(460.1)
    tank.draw(0.2)
    fill(tank, 60.0)
    assert tank.level_l == pytest.approx(471.9)


@pytest.mark.parametrize(("mains_bar", "came_l"), [(3.0, 12.0), (0.75, 6.0), (0.0, 0.0)])
def test_a_tank_fills_by_the_root_of_the_mains_pressure(mains_bar: float, came_l: float) -> None:
    tank = tank_of(100.0)

    fill(tank, 60.0, mains_bar)

    assert tank.refilled_l == pytest.approx(came_l)


def test_steps_of_any_length_fill_a_tank_alike() -> None:
    at_once, bit_by_bit = tank_of(400.0), tank_of(400.0)

    fill(at_once, 600.0)
    for _ in range(6000):
        fill(bit_by_bit, 0.1)

    assert bit_by_bit.level_l == pytest.approx(at_once.level_l, rel=1e-9)


def test_a_float_that_stays_open_runs_over_the_brim() -> None:
    tank = tank_of(480.0)
    tank.float_fault = FloatFault.STAYS_OPEN

    fill(tank, 600.0)

    assert tank.level_l == 500.0
    assert tank.overflowed_l == pytest.approx(100.0)
    assert tank.refilled_l == pytest.approx(120.0)


def test_a_float_that_stays_shut_fills_nothing() -> None:
    tank = tank_of(50.0)
    tank.float_fault = FloatFault.STAYS_SHUT

    fill(tank, 600.0)

    assert tank.level_l == 50.0


@pytest.mark.parametrize(("litres", "is_low"), [(100.0, False), (99.9, True)])
def test_a_tank_is_low_below_its_mark(litres: float, is_low: bool) -> None:
    assert tank_of(litres).is_low is is_low


def test_a_tank_takes_on_the_temperature_outside_and_of_what_comes_in() -> None:
    still, filled = tank_of(480.0), tank_of(240.0)

    for _ in range(240):
        still.run(3600.0, 3.0, mains_c=14.0, outdoors_c=26.0)
    filled.run(1200.0, 3.0, mains_c=10.0, outdoors_c=16.0)  # 240 l of 16 C and 240 l of 10 C

    assert still.water_c == pytest.approx(26.0, abs=0.01)
    assert filled.level_l == pytest.approx(480.0)
    assert filled.water_c == pytest.approx(13.0)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"low_l": 10.0}, "must rise"),
        ({"brim_l": 470.0}, "must rise"),
        ({"suction_l": 0.0}, "suction_l is 0"),
        ({"starts_with_l": 501.0}, "starts_with_l is 501"),
        ({"area_m2": 0.0}, "area_m2 is 0"),
        ({"refill_l_per_min": -1.0}, "refill_l_per_min is -1"),
    ],
)
def test_a_tank_that_cannot_be_is_refused(changed: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        TankPlan(**changed)


# --- pump

PLAN = PumpPlan(
    shut_off_bar=4.0,
    rated_bar=3.0,
    rated_l_per_min=20.0,
    manifold_above_m=1.0,
    starts_over_s=2.0,
    stops_over_s=1.0,
    primes_over_s=5.0,
)


def running(dt_s: float = 10.0) -> Pump:
    pump = Pump(PLAN)
    pump.command(True)
    pump.run(dt_s, True)
    return pump


def test_a_pump_gives_the_two_points_of_its_curve() -> None:
    """Level with the manifold, so that no head is lost or won between them."""
    static_bar = running().static_bar(0.0, level_m=1.0)

    assert static_bar == pytest.approx(4.0)
    assert static_bar - PLAN.resistance * 20.0**2 == pytest.approx(3.0)
    assert sqrt((static_bar - 3.75) / PLAN.resistance) == pytest.approx(10.0)  # half the flow costs a quarter


def test_a_metre_of_water_above_the_pump_is_a_tenth_of_a_bar() -> None:
    low_bar, high_bar = (running().static_bar(0.0, level_m) for level_m in (0.2, 1.2))

    assert high_bar - low_bar == pytest.approx(1.0 / M_PER_BAR, rel=1e-4)


@pytest.mark.parametrize(("rpm", "head_factor"), [(1450.0, 1.0), (1200.0, 0.68490)])
def test_head_goes_with_the_square_of_the_speed(rpm: float, head_factor: float) -> None:
    """Affinity: 1450 to 1200 turns a minute leave 0.68490 of the head."""
    pump = running(2.0 * rpm / 1450.0)  # speeding up for 2 s

    assert pump.static_bar(0.0, level_m=1.0) == pytest.approx(4.0 * head_factor, abs=0.00005)


def test_a_pump_takes_its_time_to_run_up_and_to_stop() -> None:
    pump = running(1.0)
    assert (pump.speed, pump.ramps, pump.is_still) == (0.5, True, False)
    pump.run(1.0, True)
    assert (pump.speed, pump.ramps) == (1.0, False)
    pump.command(False)
    pump.run(0.5, True)
    assert (pump.speed, pump.ramps, pump.is_still) == (0.5, True, False)
    pump.run(0.5, True)
    assert (pump.speed, pump.ramps, pump.is_still) == (0.0, False, True)


def test_a_pump_without_water_gives_nothing_and_counts_the_seconds() -> None:
    pump = running()

    pump.run(7.0, False)

    assert pump.static_bar(0.0, level_m=1.0) == 0.0
    assert pump.dry_s == 7.0
    assert not pump.is_primed


def test_a_pump_that_drew_air_gives_again_when_it_has_been_primed() -> None:
    pump = running()
    pump.run(1.0, False)

    pump.run(4.9, True)
    before_bar = pump.static_bar(0.0, level_m=1.0)
    pump.run(0.1, True)

    assert before_bar == 0.0
    assert pump.static_bar(0.0, level_m=1.0) == pytest.approx(4.0)


def test_a_pump_that_stands_still_over_a_dry_suction_keeps_its_water() -> None:
    pump = Pump(PLAN)

    pump.run(3600.0, False)

    assert (pump.is_primed, pump.dry_s) == (True, 0.0)


def test_starts_are_counted_once_each() -> None:
    pump = Pump(PLAN)
    for runs in (True, True, False, False, True):
        pump.command(runs)

    assert pump.starts == 2


def test_a_broken_pump_does_not_run() -> None:
    pump = Pump(PLAN)
    pump.will_not_run = True
    pump.command(True)

    pump.run(10.0, True)

    assert (pump.speed, pump.ran_s, pump.is_still) == (0.0, 0.0, True)


@pytest.mark.parametrize("changed", [{"rated_bar": 5.0}, {"rated_bar": 0.0}, {"starts_over_s": 0.0}])
def test_a_pump_that_cannot_be_is_refused(changed: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="pump"):
        PumpPlan(**changed)
