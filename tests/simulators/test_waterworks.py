"""The water of a whole house: in its own time, at the right pressure, through faults, and no litre lost."""

from dataclasses import replace
from math import inf
from random import Random

import pytest

from simulators.plant.lateral import LateralPlan
from simulators.plant.line import LinePlan
from simulators.plant.mains import Mains, MainsPlan
from simulators.plant.solenoid import SOUND, ValveFault, ValvePlan
from simulators.plant.supplies import SuppliesPlan
from simulators.plant.supply_valve import SupplyValvePlan
from simulators.plant.tank_and_pump import FloatFault, PumpPlan, TankPlan
from simulators.plant.waterworks import Flowing, Waterworks, WaterworksPlan

EVEN_MAINS = MainsPlan(mean_bar=3.5, swing_bar=0.0)
QUICK = ValvePlan(opens_after_s=0.5, shuts_after_s=1.0)
NOON, OUTDOORS_C, LINE_C = 12.0, 20.0, 25.0
BACKED_UP = SuppliesPlan(
    mains=EVEN_MAINS,
    mains_valve=SupplyValvePlan(travel_s=8.0),
    tank=TankPlan(),
    pump=PumpPlan(),
    tank_valve=SupplyValvePlan(travel_s=8.0),
)


def line(name: str = "north", drains_over_s: float = 300.0) -> LinePlan:
    return LinePlan(name=name, valve=QUICK, drains_over_s=drains_over_s)


def house(*lines: LinePlan, supplies: SuppliesPlan | None = None) -> Waterworks:
    plan = WaterworksPlan(lines=lines or (line(),), supplies=supplies or SuppliesPlan(mains=EVEN_MAINS))
    return Waterworks(plan, Random(1))


def run(water: Waterworks, seconds: float, hour: float = NOON) -> list[Flowing]:
    return water.run(seconds, hour, OUTDOORS_C, LINE_C)


def burst(water: Waterworks, name: str = "north", seconds: float = 6.0) -> list[Flowing]:
    """One opening, and half a minute after it."""
    water.command(name, True)
    stretches = run(water, seconds)
    water.command(name, False)
    return stretches + run(water, 30.0)


def on_the_pump(*lines: LinePlan) -> Waterworks:
    """A house whose pump runs and whose tank valve stands open; the mains are shut off."""
    water = house(*(lines or (line(),)), supplies=BACKED_UP)
    water.command("tank_valve", True)
    water.command("pump", True)
    run(water, 20.0)
    return water


def books(water: Waterworks) -> tuple[float, float]:
    """What was there at the start and came in, and what is gone and still there."""
    tank = water.supplies.tank
    return (tank.plan.starts_with_l if tank else 0.0) + water.taken_in_l, water.gone_l + water.standing_l


# --- a burst


def test_a_burst_is_lag_filling_spraying_and_lag_in_turn() -> None:
    water = house(line(drains_over_s=inf))

    opening, filling, spraying, shutting, resting = burst(water)

    assert opening.duration_s == pytest.approx(0.5 * (3.0 / 3.5) ** 0.5)
    assert (opening.flow_l_per_min, opening.sprayed_l) == (0.0, {})
    assert filling.sprayed_l == {"north": 0.0}
    assert filling.flow_l_per_min * filling.duration_s / 60.0 == pytest.approx(0.25)
    assert opening.duration_s + filling.duration_s + spraying.duration_s == pytest.approx(6.0)
    assert spraying.sprayed_l["north"] == pytest.approx(spraying.flow_l_per_min * spraying.duration_s / 60.0)
    assert spraying.pressure_bar == pytest.approx(3.5 - 0.006 * spraying.flow_l_per_min**2)
    assert shutting.duration_s == pytest.approx((3.0 / spraying.pressure_bar) ** 0.5)
    assert shutting.sprayed_l["north"] > 0.0
    assert (resting.flow_l_per_min, resting.sprayed_l, resting.pressure_bar) == (0.0, {}, 3.5)


def test_a_burst_shorter_than_lag_and_filling_wets_nothing() -> None:
    water = house(replace(line(), volume_l=1.0))

    burst(water, seconds=0.6)

    assert water.line("north").sprayed_l == 0.0
    assert 0.1 < water.supplied_l < 1.0


def test_a_drained_line_fills_again_and_one_that_holds_sprays_at_once() -> None:
    water = house(line("drains", 100.0), line("holds", inf))
    for name in ("drains", "holds"):
        burst(water, name)
        run(water, 600.0)
    gone_l = [water.line(name).drained_l for name in ("drains", "holds")]

    drained, held = burst(water, "drains"), burst(water, "holds")

    assert drained[1].sprayed_l == {"drains": 0.0}
    assert held[1].sprayed_l["holds"] > 0.0
    assert gone_l == pytest.approx([0.25, 0.0], abs=0.003)  # and what dripped while it filled


def test_the_stretches_add_up_to_what_was_asked_for_and_to_what_the_meter_shows() -> None:
    water = house(line("a"), line("b"))
    water.command("a", True)
    stretches = run(water, 1.7)
    water.command("b", True)
    stretches += run(water, 3.1)

    assert sum(each.duration_s for each in stretches) == pytest.approx(4.8, rel=1e-12)
    counted_l = sum(each.flow_l_per_min * each.duration_s / 60.0 for each in stretches)
    assert counted_l == pytest.approx(water.supplied_l, rel=1e-12)
    assert water.now_s == pytest.approx(4.8)


def test_a_second_line_shares_the_pressure() -> None:
    alone, together = house(line("a"), line("b")), house(line("a"), line("b"))
    alone.command("a", True)
    for name in ("a", "b"):
        together.command(name, True)

    run(alone, 10.0)
    run(together, 10.0)

    assert together.manifold_bar < alone.manifold_bar - 0.3
    assert together.line("a").sprayed_l < alone.line("a").sprayed_l


def test_looking_tells_what_flows_now() -> None:
    water = house()
    water.command("north", True)
    run(water, 5.0)

    north = water.line("north")
    assert north.is_spraying
    assert sum(north.nozzle_flows_l_per_min) == pytest.approx(water.flow_l_per_min, rel=1e-6)

    water.command("north", False)
    run(water, 5.0)

    assert not north.is_spraying
    assert north.nozzle_flows_l_per_min == [0.0] * 12
    assert (water.flow_l_per_min, water.manifold_bar) == (0.0, 3.5)


def test_the_first_spray_after_an_hour_in_the_sun_is_warm() -> None:
    water = house(line(drains_over_s=inf))
    burst(water)
    water.run(3600.0, NOON, OUTDOORS_C, 45.0)

    stretches = [each for each in burst(water) if sum(each.sprayed_l.values()) > 0.0]

    assert stretches[0].water_c > 20.0
    assert stretches[-1].water_c < stretches[0].water_c
    assert stretches[-1].water_c == pytest.approx(14.0, abs=4.0)


def test_at_rest_any_time_is_one_stretch() -> None:
    water = house()
    burst(water)

    stretches = run(water, 86_400.0)

    assert water.is_at_rest
    assert [each.duration_s for each in stretches] == [86_400.0]


def test_the_order_of_lines_commanded_changes_nothing() -> None:
    names = ["a", "b", "c", "d"]
    lines = [
        replace(line(name), lateral=LateralPlan(nozzles=nozzles))
        for name, nozzles in zip(names, (3, 7, 11, 17), strict=True)
    ]
    forwards, backwards = house(*lines), house(*lines)
    for name in names:
        forwards.command(name, True)
    for name in reversed(names):
        backwards.command(name, True)

    assert run(forwards, 7.3) == run(backwards, 7.3)


def test_looking_changes_nothing() -> None:
    seen, unseen = house(line("a"), line("b")), house(line("a"), line("b"))

    for water in (seen, unseen):
        burst(water, "a")
        for _ in range(50):
            run(water, 3.0)
            if water is seen:
                assert water.line("a").filled_l + water.standing_l + water.gone_l > 0.0
        burst(water, "b")

    assert unseen.line("a").filled_l == pytest.approx(seen.line("a").filled_l, rel=1e-9)
    assert unseen.supplied_l == pytest.approx(seen.supplied_l, rel=1e-12)


# --- mains


@pytest.mark.parametrize(("hour", "bar"), [(3.0, 3.9), (9.0, 3.6), (15.0, 3.3), (21.0, 3.6), (27.0, 3.9)])
def test_the_mains_are_strong_while_people_sleep(hour: float, bar: float) -> None:
    plan = MainsPlan(mean_bar=3.6, swing_bar=0.3, highest_at_h=3.0)

    assert plan.static_bar(hour) == pytest.approx(bar)
    assert Mains(plan).static_bar(hour, 0.0) == pytest.approx(bar)


def test_the_mains_wander_as_their_seed_says_however_often_they_are_looked_at() -> None:
    plan = MainsPlan(swing_bar=0.0, wander_bar=0.2)
    hourly, daily, other = (Mains(plan, Random(seed)) for seed in (3, 3, 4))

    hours = range(24 * 400)
    looked_at = [hourly.static_bar(0.0, hour * 3600.0) for hour in hours]

    assert daily.static_bar(0.0, 399 * 86_400.0) == looked_at[399 * 24]
    assert other.static_bar(0.0, 0.0) != looked_at[0]
    mean_bar = sum(looked_at) / len(looked_at)
    deviation_bar = (sum((bar - mean_bar) ** 2 for bar in looked_at) / len(looked_at)) ** 0.5
    assert mean_bar == pytest.approx(3.6, abs=0.02)
    assert deviation_bar == pytest.approx(0.2, abs=0.02)


def test_the_water_in_the_street_takes_on_the_season_within_months() -> None:
    """It lags by a month: after that 63 % of the way, after a year nearly all."""
    water = house()

    for _ in range(30 * 24):
        run(water, 3600.0)
    after_a_month_c = water.supplies.mains.water_c
    for _ in range(335 * 24):
        run(water, 3600.0)

    assert after_a_month_c == pytest.approx(14.0 + 6.0 * 0.632, abs=0.01)
    assert water.supplies.mains.water_c == pytest.approx(OUTDOORS_C, abs=0.01)


def test_mains_that_wander_need_a_seed() -> None:
    with pytest.raises(ValueError, match="seeded"):
        Mains(MainsPlan(wander_bar=0.1))


@pytest.mark.parametrize(
    "changed", [{"wander_bar": -0.1}, {"loss_bar_per_l_per_min2": -0.1}, {"wander_over_h": 0.0}]
)
def test_mains_that_cannot_be_are_refused(changed: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="mains"):
        MainsPlan(**changed)  # type: ignore[arg-type]


def test_narrowed_mains_look_sound_until_water_flows() -> None:
    water = house()
    water.supplies.mains.narrow(20.0)
    resting_bar = run(water, 10.0)[-1].pressure_bar
    water.command("north", True)

    spraying = run(water, 6.0)[-1]

    assert resting_bar == 3.5
    assert spraying.pressure_bar < 1.5
    assert spraying.pressure_bar == pytest.approx(3.5 - 0.12 * spraying.flow_l_per_min**2, rel=1e-6)


def test_sagging_and_failed_mains_are_weaker_and_nothing_until_mended() -> None:
    water = house()
    mains, bars = water.supplies.mains, []
    mains.sag(1.5)
    bars.append(run(water, 60.0)[-1].pressure_bar)
    mains.fail()
    bars.append(run(water, 60.0)[-1].pressure_bar)
    mains.mend()
    bars.append(run(water, 60.0)[-1].pressure_bar)

    assert bars == [2.0, 0.0, 3.5]


def test_a_valve_stays_shut_while_the_mains_have_failed_and_opens_when_they_are_back() -> None:
    water = house()
    water.supplies.mains.fail()
    water.command("north", True)
    run(water, 30.0)
    stayed_shut = not water.line("north").valve.is_open
    water.supplies.mains.mend()

    run(water, 5.0)

    assert stayed_shut
    assert water.line("north").is_spraying


def test_an_open_line_drains_from_when_the_mains_fail_not_from_when_it_was_full() -> None:
    """A quarter litre in 300 s, for 10 s."""
    water = house(line(drains_over_s=300.0))
    water.command("north", True)
    run(water, 60.0)
    water.supplies.mains.fail()

    run(water, 10.0)

    assert water.line("north").filled_l == pytest.approx(0.25 * (1.0 - 10.0 / 300.0))


def test_a_check_valve_keeps_the_pressure_of_failed_mains() -> None:
    mains = replace(EVEN_MAINS, has_check_valve=True)
    water = house(supplies=SuppliesPlan(mains=mains))
    run(water, 1.0)
    water.supplies.mains.fail()

    assert run(water, 600.0)[-1].pressure_bar == 3.5


# --- valves and lines that break


def test_a_valve_that_does_not_open_gives_no_water() -> None:
    water = house()
    water.break_valve("north", ValveFault(does_not_open=True))

    burst(water)

    assert water.supplied_l == 0.0


def test_a_valve_that_does_not_shut_goes_on_spraying_until_it_is_mended() -> None:
    water = house()
    water.break_valve("north", ValveFault(does_not_shut=True))
    burst(water)
    flows_on = water.flow_l_per_min
    water.break_valve("north", SOUND)

    run(water, 5.0)

    assert flows_on > 6.0
    assert water.flow_l_per_min == 0.0


def test_a_valve_that_shuts_late_sprays_so_much_longer() -> None:
    sound, late = house(), house()
    late.break_valve("north", ValveFault(shuts_late_s=3.0))

    for water in (sound, late):
        burst(water)

    more_l = late.line("north").sprayed_l - sound.line("north").sprayed_l
    assert more_l == pytest.approx(3.0 / 60.0 * 7.2, rel=0.02)


def test_a_valve_that_passes_fills_its_line_and_drips_without_end() -> None:
    """A hundredth of 20 l/min per root of bar, under 3.5 bar."""
    water = house()
    water.break_valve("north", ValveFault(passes_share=0.01))

    run(water, 1800.0)

    north = water.line("north")
    assert water.flow_l_per_min == pytest.approx(0.2 * 3.5**0.5, rel=0.001)
    assert water.supplied_l == pytest.approx(30.0 * 0.2 * 3.5**0.5, rel=0.001)
    assert north.filled_l == pytest.approx(0.25)
    assert north.drained_l == pytest.approx(water.supplied_l - 0.25, rel=1e-9)
    assert north.sprayed_l == 0.0


def test_a_break_leaks_while_the_valve_is_open_and_empties_the_line_after() -> None:
    water = house(line(drains_over_s=inf))
    water.change_hole("north", 100.0)

    burst(water, seconds=10.0)
    run(water, 600.0)

    north = water.line("north")
    assert (north.sprayed_l, north.filled_l, north.drained_l) == (0.0, 0.0, 0.0)
    assert north.leaked_l == pytest.approx(water.supplied_l, rel=1e-9)
    assert north.leaked_l > 1.0


def test_a_clogged_line_takes_less_and_a_blown_off_nozzle_more() -> None:
    flows = []
    for share in (1.0, 0.0, 6.0):
        water = house()
        water.change_nozzle("north", 3, share)
        water.command("north", True)
        flows.append(run(water, 8.0)[-1].flow_l_per_min)

    sound, clogged, blown_off = flows
    assert clogged == pytest.approx(sound * 11 / 12, rel=0.02)
    assert blown_off == pytest.approx(sound * 17 / 12, rel=0.1)


def test_water_comes_back_from_a_shut_line_when_the_mains_fail() -> None:
    """It held 0.7 bar and gives what it was stretched by; then it must be filled up again."""
    water = house(line(drains_over_s=inf))
    burst(water)
    north = water.line("north")
    held_bar, held_l = north.held_bar, north.filled_l
    water.supplies.mains.fail()

    run(water, 10.0)

    assert held_bar == pytest.approx(0.7)
    assert north.held_bar == 0.0
    assert held_l - north.filled_l == pytest.approx(0.7 * 0.001)
    assert books(water)[0] == pytest.approx(books(water)[1], rel=1e-9)


# --- mains valve, tank and pump


def test_a_house_with_supply_valves_begins_dry_and_gets_pressure_when_one_opens() -> None:
    water = house(supplies=BACKED_UP)
    bars = [run(water, 5.0)[-1].pressure_bar]
    water.command("mains_valve", True)
    bars.append(run(water, 9.0)[-1].pressure_bar)

    assert bars == [0.0, 3.5]
    assert water.is_at_rest


def test_a_manifold_shut_off_keeps_its_pressure_and_loses_it_to_a_passing_valve() -> None:
    tight, passing = house(supplies=BACKED_UP), house(supplies=BACKED_UP)
    bars = []
    for water, share in ((tight, 0.0), (passing, 0.001)):
        water.command("mains_valve", True)
        run(water, 10.0)
        water.break_valve("north", ValveFault(passes_share=share))
        water.command("mains_valve", False)
        run(water, 9.0)
        bars.append((water.manifold_bar, run(water, 120.0)[-1].pressure_bar))

    assert bars[0] == (3.5, 3.5)
    assert bars[1][0] > 0.5
    assert bars[1][1] == 0.0
    assert books(passing)[0] == pytest.approx(books(passing)[1], rel=1e-12)


def test_a_manifold_shut_off_falls_as_the_square_of_the_time_left() -> None:
    """C dp/dt = -K sqrt(p): from 3.5 bar through 0.002 l/min per root of bar, with 4 ml a bar: 449 s."""
    water = house(supplies=BACKED_UP)
    water.command("mains_valve", True)
    run(water, 10.0)
    water.command("mains_valve", False)
    run(water, 8.0)
    water.break_valve("north", ValveFault(passes_share=0.0001))
    empty_after_s = 2.0 * 0.004 * 3.5**0.5 / (0.002 / 60.0)

    run(water, 0.5 * empty_after_s)
    half_way_bar = water.manifold_bar
    run(water, 0.51 * empty_after_s)

    assert half_way_bar == pytest.approx(3.5 / 4.0, rel=0.001)
    assert water.manifold_bar == pytest.approx(0.0, abs=0.001)


def test_a_shut_line_props_up_a_manifold_that_leaks_elsewhere() -> None:
    """Only until it has given the little it is stretched by."""
    water = house(line("holds", inf), line("leaks"), supplies=BACKED_UP)
    water.command("mains_valve", True)
    run(water, 10.0)
    burst(water, "holds")
    water.break_valve("leaks", ValveFault(passes_share=0.001))
    water.command("mains_valve", False)

    run(water, 300.0)

    assert water.line("holds").held_bar == pytest.approx(0.0, abs=0.03)
    assert water.line("holds").filled_l < 0.25
    assert books(water)[0] == pytest.approx(books(water)[1], rel=1e-12)


def test_the_pump_feeds_the_house_on_its_curve() -> None:
    water = on_the_pump()
    water.command("north", True)

    spraying = run(water, 8.0)[-1]

    tank, pump = water.supplies.tank, water.supplies.pump
    assert tank is not None
    assert pump is not None
    lost = pump.plan.resistance + 1.0 / 60.0**2
    head_bar = 4.2 + (tank.level_m - 1.0) * 0.0980665
    assert spraying.pressure_bar == pytest.approx(head_bar - lost * spraying.flow_l_per_min**2, rel=1e-4)
    assert tank.drawn_l == pytest.approx(water.supplied_l, rel=1e-9)
    assert water.supplies.mains_l == 0.0


def test_what_the_pump_gives_is_as_warm_as_the_tank() -> None:
    """16 C in the tank, and 14 C in the mains."""
    water = on_the_pump()
    water.command("north", True)

    stretches = run(water, 30.0)

    assert stretches[-1].water_c == pytest.approx(16.0, abs=0.02)


def test_pressure_rises_bit_by_bit_while_a_supply_valve_opens_before_a_spraying_line() -> None:
    water = house(supplies=BACKED_UP)
    water.command("mains_valve", True)
    run(water, 1.0)
    water.command("north", True)

    bars = [each.pressure_bar for each in run(water, 7.0) if each.sprayed_l.get("north", 0.0) > 0.0]

    assert len(bars) >= 10
    assert bars == sorted(bars)


def test_pressure_rises_while_the_pump_runs_up() -> None:
    water = house(supplies=BACKED_UP)
    water.command("tank_valve", True)
    run(water, 10.0)
    water.command("pump", True)

    bars = [each.pressure_bar for each in run(water, 1.5)]

    assert len(bars) >= 20
    assert bars == sorted(bars)
    assert bars[-1] > 3.5


def test_a_stopped_pump_s_check_valve_keeps_the_manifold_s_pressure() -> None:
    water = on_the_pump()
    before_bar = water.manifold_bar
    water.command("pump", False)

    run(water, 60.0)

    assert water.is_at_rest
    assert water.manifold_bar == before_bar > 3.5


def test_the_pump_draws_no_water_below_its_suction_and_counts_that_it_runs_dry() -> None:
    tank = TankPlan(starts_with_l=42.0)
    water = house(supplies=replace(BACKED_UP, tank=tank))
    built = water.supplies.tank
    pump = water.supplies.pump
    assert built is not None
    assert pump is not None
    built.float_fault = FloatFault.STAYS_SHUT
    water.command("tank_valve", True)
    water.command("pump", True)
    water.command("north", True)

    run(water, 60.0)

    assert built.level_l == pytest.approx(tank.suction_l, abs=0.01)
    assert pump.dry_s == pytest.approx(60.0 - 20.0, abs=15.0)
    assert not pump.is_primed
    assert water.flow_l_per_min == 0.0


def test_two_supplies_joined_push_the_tank_s_water_into_the_street() -> None:
    water = on_the_pump()
    water.command("mains_valve", True)

    run(water, 60.0)

    assert water.supplies.pushed_back_l > 1.0
    assert water.supplied_l == 0.0
    assert books(water)[0] == pytest.approx(books(water)[1], rel=1e-12)


def test_a_check_valve_in_the_mains_lets_nothing_back() -> None:
    mains = replace(EVEN_MAINS, has_check_valve=True)
    water = house(supplies=replace(BACKED_UP, mains=mains))
    for name in ("mains_valve", "tank_valve", "pump"):
        water.command(name, True)

    run(water, 60.0)
    burst(water)

    assert water.supplies.pushed_back_l == 0.0
    assert water.manifold_bar > 3.5


def test_a_supply_valve_that_does_not_shut_leaves_the_mains_on() -> None:
    water = house(supplies=BACKED_UP)
    water.command("mains_valve", True)
    run(water, 10.0)
    water.break_valve("mains_valve", ValveFault(does_not_shut=True))
    water.command("mains_valve", False)
    run(water, 60.0)
    water.supplies.mains.sag(1.0)

    assert run(water, 60.0)[-1].pressure_bar == 2.5


# --- the whole


def test_small_steps_give_the_same_as_one_large_step() -> None:
    """Pump, travelling valve, two lines, and the mains that swing: pieces of 20 ms against whole runs."""
    supplies = replace(BACKED_UP, mains=MainsPlan(wander_bar=0.1))
    sprayed_l = []
    for pieces in (1, 100):
        water = house(line("a"), line("b", inf), supplies=supplies)
        for name, seconds in (
            ("pump", 0.1),
            ("tank_valve", 4.0),
            ("a", 6.0),
            ("mains_valve", 5.0),
            ("b", 9.0),
        ):
            water.command(name, True)
            for _ in range(round(seconds * pieces / 2) if pieces > 1 else 1):
                run(water, seconds if pieces == 1 else 0.02)
        sprayed_l.append([each.sprayed_l for each in water.lines.values()])

    assert sprayed_l[1] == pytest.approx(sprayed_l[0], rel=0.001)
    assert min(sprayed_l[0]) > 0.5


FAULTS = [
    SOUND,
    ValveFault(does_not_open=True),
    ValveFault(does_not_shut=True),
    ValveFault(shuts_late_s=4.0),
    ValveFault(passes_share=0.02),
    ValveFault(passes_share=0.9),
]


def befall(water: Waterworks, rng: Random, names: list[str]) -> None:
    """Break or mend something, or order something, at random."""
    mains, tank, pump = water.supplies.mains, water.supplies.tank, water.supplies.pump
    name = rng.choice(names)
    happenings = [
        lambda: water.break_valve(name, rng.choice(FAULTS)),
        lambda: water.change_hole(name, rng.choice([0.0, 0.5, 60.0])),
        lambda: water.change_nozzle(name, rng.randrange(12), rng.choice([0.0, 0.5, 1.0, 8.0])),
        lambda: mains.sag(rng.uniform(0.0, 4.0)),
        mains.fail,
        lambda: mains.narrow(rng.uniform(0.5, 60.0)),
        mains.mend,
    ]
    if tank is not None and pump is not None:
        happenings += [
            lambda: setattr(tank, "float_fault", rng.choice([None, *FloatFault])),
            lambda: setattr(pump, "will_not_run", rng.random() < 0.3),
            lambda: water.break_valve("mains_valve", rng.choice(FAULTS)),
        ]
    rng.choice(happenings)()


@pytest.mark.parametrize("has_check_valve", [False, True])
@pytest.mark.parametrize("supplies", [SuppliesPlan(), BACKED_UP])
@pytest.mark.parametrize("seed", range(6))
def test_no_litre_is_lost_or_made(seed: int, supplies: SuppliesPlan, has_check_valve: bool) -> None:
    """Came in + the tank at first = gone + standing, to 1e-9, after every run of any history."""
    rng = Random(seed)
    mains = MainsPlan(wander_bar=0.3, has_check_valve=has_check_valve)
    lines = [line("a", 200.0), line("b", inf), replace(line("c"), nozzle_opens_bar=0.0, nozzle_shuts_bar=0.0)]
    if supplies is BACKED_UP:
        supplies = replace(supplies, tank=TankPlan(starts_with_l=70.0, refill_l_per_min=5.0))
    water = house(*lines, supplies=replace(supplies, mains=mains))
    names = [each.name for each in lines]
    counted_l = elapsed_s = 0.0
    for _ in range(400):
        for output in water.outputs:
            if rng.random() < 0.3:
                water.command(output, rng.random() < 0.5)
        if rng.random() < 0.15:
            befall(water, rng, names)
        dt_s = rng.choice([0.01, 0.3, 3.0, 20.0, 200.0]) * rng.uniform(0.5, 1.0)
        stretches = run(water, dt_s, rng.uniform(0.0, 24.0))
        counted_l += sum(each.flow_l_per_min * each.duration_s / 60.0 for each in stretches)
        elapsed_s += dt_s
        came_l, found_l = books(water)
        assert found_l == pytest.approx(came_l, rel=1e-9, abs=1e-9), f"seed {seed}"
        assert all(each.filled_l >= 0.0 for each in water.lines.values()), f"seed {seed}"
        assert all(each.pressure_bar >= 0.0 for each in stretches), f"seed {seed}"

    assert counted_l == pytest.approx(water.supplied_l, rel=1e-9), f"seed {seed}"
    assert water.now_s == pytest.approx(elapsed_s, rel=1e-9), f"seed {seed}"
    assert water.supplied_l > 50.0, f"seed {seed}"  # it did run
    assert sum(each.sprayed_l for each in water.lines.values()) > 5.0, f"seed {seed}"


UNDRAWN_TANK = SuppliesPlan(tank=TankPlan())  # no pump: it changes nothing for the lines


@pytest.mark.parametrize("has_check_valve", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_the_shorter_way_gives_what_the_general_way_gives(seed: int, has_check_valve: bool) -> None:
    """The mains alone are gone the shorter way with; a tank that nothing is drawn from bars it."""
    mains = MainsPlan(wander_bar=0.3, has_check_valve=has_check_valve)
    lines = [line("a", 200.0), line("b", inf), replace(line("c"), nozzle_opens_bar=0.0, nozzle_shuts_bar=0.0)]
    names = [each.name for each in lines]
    histories, supplied_l = [], []
    for supplies in (SuppliesPlan(), UNDRAWN_TANK):
        rng = Random(seed)
        water = house(*lines, supplies=replace(supplies, mains=mains))
        history: list[Flowing] = []
        for _ in range(400):
            water.command(rng.choice(names), rng.random() < 0.4)
            if rng.random() < 0.1:
                befall(water, rng, names)
            dt_s = rng.choice([0.01, 0.3, 3.0, 20.0, 200.0]) * rng.uniform(0.5, 1.0)
            history += run(water, dt_s, rng.uniform(0.0, 24.0))
        histories.append(history)
        supplied_l.append(water.supplied_l)

    shorter, general = histories
    assert len(shorter) == len(general), f"seed {seed}"
    for one, other in zip(shorter, general, strict=True):
        assert one.sprayed_l == pytest.approx(other.sprayed_l, rel=1e-12, abs=1e-15), f"seed {seed}"
        assert one[:3] == pytest.approx(other[:3], rel=1e-12, abs=1e-15), f"seed {seed}"
        assert one.water_c == pytest.approx(other.water_c, rel=1e-12), f"seed {seed}"
    assert supplied_l[0] == pytest.approx(supplied_l[1], rel=1e-12)
    assert sum(len(each.sprayed_l) == 1 and each.flow_l_per_min > 0.0 for each in shorter) > 100


def test_what_cannot_be_is_refused() -> None:
    water = house()
    with pytest.raises(KeyError):
        water.command("attic", True)
    with pytest.raises(KeyError):
        water.command("pump", True)
    with pytest.raises(ValueError, match="cannot go back 1 s"):
        run(water, -1.0)
    with pytest.raises(ValueError, match="a name of its own"):
        house(line(), line())
    with pytest.raises(ValueError, match="called like a supply: pump"):
        house(line("pump"), supplies=BACKED_UP)
    with pytest.raises(ValueError, match="needs a tank"):
        SuppliesPlan(pump=PumpPlan())
    with pytest.raises(ValueError, match="needs a pump"):
        SuppliesPlan(tank=TankPlan(), tank_valve=SupplyValvePlan())
    with pytest.raises(ValueError, match="warms_over_s is 0"):
        WaterworksPlan(lines=[line()], warms_over_s=0.0)
