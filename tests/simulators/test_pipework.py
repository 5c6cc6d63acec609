"""Pressure and flow at manifold and lines as the equations demand; lines that fill, hold, drain and warm."""

from math import exp, inf, sqrt

import pytest

from simulators.plant.lateral import LateralPlan
from simulators.plant.line import HOLE_FACTOR_PER_MM2, Line, LinePlan
from simulators.plant.manifold import Source, alone_bar, balanced_bar
from simulators.plant.solenoid import ValveFault, ValvePlan
from simulators.plant.standing_water import StandingWater, Surroundings

SMOOTH = LateralPlan(first_m=0.0, spacing_m=0.0)  # no pipe friction: everything is a square root
VALVE_OF_0_15_BAR = ValvePlan(factor=7.2 / sqrt(0.15))  # loses 0.15 bar to twelve nozzles of 0.6 l/min
STRONG = 0.0
WEAK = 0.006  # bar per (l/min)^2


def mains(static_bar: float, resistance: float = WEAK) -> list[Source]:
    return [Source(static_bar, resistance, True, True)]


def line(name: str = "north", *, around: Surroundings | None = None, **changed: float) -> Line:
    """Twelve nozzles of 0.6 l/min at 3 bar, open; a line that needs no filling unless a test says so."""
    lateral = LateralPlan(nozzles=int(changed.pop("nozzles", 12)), first_m=0.0, spacing_m=0.0)
    plan = LinePlan(name=name, lateral=lateral, valve=VALVE_OF_0_15_BAR, **{"volume_l": 0.0} | changed)
    made = Line(plan, around or Surroundings(900.0, 20.0))
    open_up(made)
    return made


def open_up(made: Line) -> None:
    made.valve.energise(True)
    assert made.valve.move(1.0, 1.0)
    made.cease_to_stand()


def shut(made: Line, bar: float = 3.0) -> None:
    made.valve.energise(False)
    assert made.valve.move(1.0, 1.0)
    made.begin_to_stand(bar)


# --- pressure and flow


def test_nozzles_give_their_rated_flow_at_their_rated_pressure() -> None:
    north = line()

    bar = balanced_bar(mains(3.15, STRONG), [north])

    assert bar == pytest.approx(3.15)
    assert north.flow_l_per_min == pytest.approx(12 * 0.6)
    assert north.take(60.0, 14.0) == pytest.approx(7.2)
    assert north.nozzle_flows_l_per_min == pytest.approx([0.6] * 12)


@pytest.mark.parametrize(("pressure_factor", "flow_factor"), [(2.0, 1.41421), (0.8, 0.89443), (0.5, 0.70711)])
def test_flow_follows_the_square_root_of_pressure(pressure_factor: float, flow_factor: float) -> None:
    """q = k sqrt(p), the turbulent orifice of the Hydraulic Institute's data tool."""
    north = line()
    balanced_bar(mains(3.0, STRONG), [north])
    before = north.flow_l_per_min

    balanced_bar(mains(3.0 * pressure_factor, STRONG), [north])

    assert north.flow_l_per_min / before == pytest.approx(flow_factor, abs=0.00001)


@pytest.mark.parametrize("names", [["a"], ["a", "b"], ["a", "b", "c"]])
def test_the_pressure_solves_mains_and_nozzles_at_once(names: list[str]) -> None:
    """p = p_static - r q^2 at the manifold, and at each nozzle p_nozzle = (q_nozzle / k)^2."""
    nozzles = {"a": 12, "b": 8, "c": 20}
    lines = [line(name, nozzles=nozzles[name]) for name in names]

    bar = balanced_bar(mains(3.5), lines)

    assert bar == pytest.approx(3.5 - WEAK * sum(each.flow_l_per_min for each in lines) ** 2, rel=1e-6)
    for each in lines:
        lost_bar = 0.15 * (each.flow_l_per_min / 7.2) ** 2
        nozzle_bar = 3.0 * (each.flow_l_per_min / nozzles[each.plan.name] / 0.6) ** 2
        assert nozzle_bar + lost_bar == pytest.approx(bar, rel=1e-6)


def test_the_pressure_solves_friction_and_a_hole_as_well() -> None:
    """Down the narrow pipe: manifold, valve, hole, then twelve nozzles; each loss worked out again here."""
    plan = LinePlan(name="north", lateral=LateralPlan(inner_mm=8.0), volume_l=0.0)
    north = Line(plan, Surroundings(900.0, 20.0))
    open_up(north)
    north.change_hole(2.0)

    bar = balanced_bar(mains(3.5), [north])

    north.take(60.0, 14.0)
    flows = north.nozzle_flows_l_per_min
    inlet_bar = bar - (north.flow_l_per_min / plan.valve.factor) ** 2
    friction_bar = sum(plan.lateral.section_loss(1.0) * sum(flows[place:]) ** 1.852 for place in range(12))
    assert north.leaked_l == pytest.approx(2.0 * HOLE_FACTOR_PER_MM2 * sqrt(inlet_bar), rel=1e-6)
    assert sum(flows) + north.leaked_l == pytest.approx(north.flow_l_per_min, rel=1e-9)
    assert inlet_bar - friction_bar == pytest.approx(3.0 * (flows[-1] / 0.6) ** 2, rel=1e-6)
    assert bar == pytest.approx(3.5 - WEAK * north.flow_l_per_min**2, rel=1e-6)
    assert friction_bar > 0.3


@pytest.mark.parametrize("drains_over_s", [inf, 300.0, 5.0])
@pytest.mark.parametrize("volume_l", [0.0, 0.4])
@pytest.mark.parametrize("hole_mm2", [0.0, 2.0])
def test_a_line_alone_gets_by_the_shorter_way_what_it_gets_among_lines(
    drains_over_s: float, volume_l: float, hole_mm2: float
) -> None:
    """From no pressure through all at which nozzles open and shut; the last fit is the next one's guess."""
    shorter, general = (line(volume_l=volume_l, drains_over_s=drains_over_s) for _ in range(2))
    for each in (shorter, general):
        each.change_hole(hole_mm2)

    for static_bar in (0.0, 0.5, 0.99, 1.0, 1.00004, 1.2, 3.5, 3.5, 1.1, 0.8, 0.72, 0.7, 0.3, 1.0, 4.0):
        bar = alone_bar(static_bar, WEAK, shorter)

        assert bar == balanced_bar(mains(static_bar), [general])
        assert shorter.flow_l_per_min == general.flow_l_per_min
        assert shorter.open_nozzles == general.open_nozzles


def test_a_hole_is_an_orifice() -> None:
    """0.62 A sqrt(2 p / rho): 10 mm2 under 1 bar; 0.62 is the coefficient of a sharp edge (from memory)."""
    l_per_min = 0.62 * 10e-6 * sqrt(2.0 * 1e5 / 1000.0) * 60_000.0

    assert l_per_min == pytest.approx(10.0 * HOLE_FACTOR_PER_MM2, rel=0.001)


def test_every_line_more_lowers_the_pressure_for_all() -> None:
    lines = [line(name) for name in ("a", "b", "c")]

    pressures = [balanced_bar(mains(3.5), lines[:count]) for count in range(4)]

    assert pressures[0] == 3.5
    assert pressures == sorted(pressures, reverse=True)
    assert len(set(pressures)) == 4


def test_two_supplies_give_each_its_part() -> None:
    """The weaker with a check valve gives nothing until the pressure has fallen to its own."""
    sources = [Source(3.5, 0.006, False, True), Source(3.1, 0.003, False, False)]
    one, two, three = line("one"), line("two"), line("three")

    light_bar = balanced_bar(sources, [one])
    heavy_bar = balanced_bar(sources, [one, two, three])

    taken = one.flow_l_per_min + two.flow_l_per_min + three.flow_l_per_min
    given = sqrt((3.5 - heavy_bar) / 0.006) + sqrt((3.1 - heavy_bar) / 0.003)
    assert light_bar == pytest.approx(balanced_bar(sources[:1], [one]), rel=1e-6)
    assert given == pytest.approx(taken, rel=1e-6)


def test_a_trickle_against_some_pressure_is_found_however_wide_it_is() -> None:
    """A passing valve of a line that holds: no nozzle takes more than is left above 0.85 bar."""
    north = line(drains_over_s=inf, nozzle_opens_bar=1.0, nozzle_shuts_bar=0.7)
    shut(north)
    north.valve.fault = ValveFault(passes_share=0.9)

    bar = balanced_bar(mains(3.5, 0.5), [north])

    assert bar == pytest.approx(3.5 - 0.5 * north.flow_l_per_min**2, rel=1e-5)
    assert north.flow_l_per_min == pytest.approx(0.9 * VALVE_OF_0_15_BAR.factor * sqrt(bar - 0.85), rel=1e-5)


# --- filling


def test_a_line_fills_before_it_sprays() -> None:
    north = line(volume_l=0.4, drains_over_s=inf)

    filling_bar = balanced_bar(mains(3.5), [north])
    filling_l_per_min, filling_s = north.flow_l_per_min, north.seconds_to_full
    sprayed_meanwhile_l = north.take(filling_s, 14.0)
    spraying_bar = balanced_bar(mains(3.5), [north])

    assert sprayed_meanwhile_l == 0.0
    assert filling_l_per_min * filling_s / 60.0 == pytest.approx(0.4)
    assert north.filled_l == pytest.approx(0.4)
    assert filling_l_per_min > north.flow_l_per_min > 0.0  # an empty line takes more than its nozzles
    assert filling_bar < spraying_bar


@pytest.mark.parametrize(("drains_over_s", "fills"), [(1.2, True), (0.8, False)])
def test_a_line_fills_only_as_far_as_more_comes_in_than_runs_out(drains_over_s: float, fills: bool) -> None:
    """Twenty and thirty litres a minute run out of a full line of 0.4 l; the valve lets 26 in."""
    north = line(volume_l=0.4, drains_over_s=drains_over_s)

    balanced_bar(mains(2.0, STRONG), [north])

    out_l_per_min = 0.4 * 60.0 / drains_over_s
    assert (north.seconds_to_full < inf) is fills
    assert (north.flow_l_per_min > out_l_per_min) is fills
    if fills:
        assert north.seconds_to_full == pytest.approx(0.4 * 60.0 / (north.flow_l_per_min - out_l_per_min))


def test_an_empty_line_takes_what_valve_and_half_its_pipe_let_in() -> None:
    plan = LinePlan(name="north", lateral=LateralPlan(inner_mm=8.0))
    north = Line(plan, Surroundings(900.0, 20.0))
    open_up(north)

    bar = balanced_bar(mains(3.5), [north])

    lost_bar = (north.flow_l_per_min / plan.valve.factor) ** 2
    lost_bar += plan.lateral.section_loss(6.0) * north.flow_l_per_min**1.852
    assert lost_bar == pytest.approx(bar, rel=1e-6)


# --- nozzles that open and shut by pressure


@pytest.mark.parametrize(("static_bar", "sprays"), [(0.0, False), (0.999, False), (1.0, True), (1.5, True)])
def test_nozzles_stay_shut_below_their_opening_pressure(static_bar: float, sprays: bool) -> None:
    north = line(nozzle_opens_bar=1.0, nozzle_shuts_bar=0.5)

    balanced_bar(mains(static_bar), [north])

    assert (north.flow_l_per_min > 0.0) is sprays
    assert (north.take(1.0, 14.0) > 0.0) is sprays


def test_a_line_that_is_pressed_too_little_to_spray_drips_at_its_lowest_nozzle() -> None:
    around = Surroundings(900.0, 20.0)
    north = line(around=around, volume_l=0.4, drains_over_s=100.0)
    north.take(1.0, 14.0)  # nothing yet
    balanced_bar(mains(0.5), [north])
    around.run(north.seconds_to_full, 20.0)
    north.take(north.seconds_to_full, 14.0)
    filled_l, drained_l = north.filled_l, north.drained_l

    balanced_bar(mains(0.5), [north])
    around.run(60.0, 20.0)
    sprayed_l = north.take(60.0, 14.0)

    assert north.flow_l_per_min == pytest.approx(0.24)
    assert north.drained_l - drained_l == pytest.approx(0.24)
    assert north.filled_l == pytest.approx(filled_l) == pytest.approx(0.4)
    assert sprayed_l == 0.0


def test_open_nozzles_keep_spraying_down_to_their_shutting_pressure() -> None:
    """0.5 bar at the nozzles takes 0.525 bar before the valve; then one shuts and the rest have enough."""
    north = line(nozzle_opens_bar=1.0, nozzle_shuts_bar=0.5)
    flows: list[float] = []
    open_nozzles: list[int] = []

    for static_bar in (3.0, 0.526, 0.524, 0.499, 0.999):
        assert balanced_bar(mains(static_bar, STRONG), [north]) == static_bar
        flows.append(north.flow_l_per_min)
        open_nozzles.append(north.open_nozzles)

    assert flows[1] == pytest.approx(12 * 0.6 * sqrt(0.526 / 1.05 / 3.0))
    assert open_nozzles == [12, 12, 11, 0, 0]  # once shut they need their opening pressure again
    assert flows[3:] == [0.0, 0.0]


def test_nozzles_without_anti_drip_valves_give_at_any_pressure() -> None:
    north = line(nozzle_opens_bar=0.0, nozzle_shuts_bar=0.0)

    balanced_bar(mains(0.01, STRONG), [north])

    assert north.flow_l_per_min == pytest.approx(12 * 0.6 * sqrt(0.01 / 1.05 / 3.0))


def test_far_nozzles_give_up_first_and_the_near_ones_go_on() -> None:
    """At a far end of 0.7 bar a narrow pipe has 0.1 bar more at its inlet."""
    plan = LinePlan(name="north", lateral=LateralPlan(inner_mm=8.0), volume_l=0.0)
    north = Line(plan, Surroundings(900.0, 20.0))
    open_up(north)
    balanced_bar(mains(2.0, STRONG), [north])
    all_open = north.open_nozzles

    balanced_bar(mains(0.8, STRONG), [north])
    north.take(1.0, 14.0)

    flows = north.nozzle_flows_l_per_min
    assert all_open == 12
    assert 0 < north.open_nozzles < 12
    assert flows[north.open_nozzles :] == [0.0] * (12 - north.open_nozzles)
    assert all(3.0 * (flow / 0.6) ** 2 >= 0.7 for flow in flows[: north.open_nozzles])


def test_where_the_water_is_short_the_weakest_nozzles_give_up_first() -> None:
    weak, strong = line("weak", nozzle_shuts_bar=0.95), line("strong", nozzle_shuts_bar=0.5)

    balanced_bar(mains(1.38), [weak, strong])

    assert weak.open_nozzles < 12
    assert strong.open_nozzles == 12


def test_of_two_lines_that_fall_short_the_one_further_below_gives_up_alone() -> None:
    """Each nozzle that shuts gives the rest two hundredths of a bar, which is all the other was short of."""
    just_short, far_short = line("just", nozzle_shuts_bar=0.95), line("far", nozzle_shuts_bar=0.99)

    balanced_bar(mains(1.38), [just_short, far_short])

    assert just_short.open_nozzles == 12
    assert 0 < far_short.open_nozzles < 12


def test_a_break_leaves_too_little_to_open_the_nozzles() -> None:
    north = line()
    north.change_hole(200.0)

    balanced_bar(mains(3.5), [north])

    assert north.take(60.0, 14.0) == 0.0
    assert north.leaked_l == pytest.approx(north.flow_l_per_min)
    assert north.leaked_l > 10.0


def test_a_nozzle_blown_off_takes_water_from_the_others() -> None:
    north = line()
    balanced_bar(mains(3.5), [north])
    north.take(1.0, 14.0)
    before = north.nozzle_flows_l_per_min
    north.change_nozzle(5, 8.0)

    balanced_bar(mains(3.5), [north])

    north.take(1.0, 14.0)
    after = north.nozzle_flows_l_per_min
    assert after[5] == pytest.approx(8.0 * after[0])
    assert after[0] < 0.95 * before[0]


def test_nothing_that_enters_changed_gives_the_very_same_flow() -> None:
    north = line()
    twice = []
    for _ in range(2):
        bar = balanced_bar(mains(3.5), [north])
        twice.append((bar, north.flow_l_per_min))

    assert twice[1] == pytest.approx(twice[0], rel=1e-12)


# --- water that stands


def standing(around: Surroundings, litres: float = 0.4, drains_over_s: float = 100.0) -> StandingWater:
    water = StandingWater(0.4, drains_over_s, around)
    water.settle(litres, 20.0)
    return water


@pytest.mark.parametrize(("passed_s", "left_l"), [(25.0, 0.3), (100.0, 0.0), (1000.0, 0.0)])
def test_a_shut_line_runs_empty_at_an_even_rate(passed_s: float, left_l: float) -> None:
    around = Surroundings(900.0, 20.0)
    water = standing(around)

    around.run(passed_s, 20.0)
    water.settle()

    assert water.litres == pytest.approx(left_l, abs=1e-12)
    assert water.drained_l == pytest.approx(0.4 - left_l)


def test_a_line_that_holds_loses_nothing() -> None:
    around = Surroundings(900.0, 20.0)
    water = standing(around, drains_over_s=inf)

    around.run(1e6, 20.0)
    water.settle()

    assert (water.litres, water.drained_l, water.leaked_l) == (0.4, 0.0, 0.0)


def test_a_hole_empties_a_line_that_would_hold() -> None:
    """1 mm2 under 15 mbar: 0.526 sqrt(0.015) l/min; it takes 6.2 min to lose 0.4 l."""
    around = Surroundings(900.0, 20.0)
    water = standing(around, drains_over_s=inf)
    water.hole_factor = HOLE_FACTOR_PER_MM2

    around.run(60.0, 20.0)
    water.settle()
    after_a_minute_l = water.leaked_l
    around.run(600.0, 20.0)
    water.settle()

    assert after_a_minute_l == pytest.approx(0.526 * sqrt(0.015))
    assert (water.litres, water.drained_l) == (0.0, 0.0)
    assert water.leaked_l == pytest.approx(0.4)


def test_what_trickles_into_a_full_line_drips_out() -> None:
    around = Surroundings(900.0, 20.0)
    water = standing(around, litres=0.2)

    around.run(100.0, 20.0)
    water.settle(came_l=1.0, came_c=14.0)

    assert water.litres == pytest.approx(0.4)  # 0.004 l/s out, 0.01 l/s in
    assert water.drained_l == pytest.approx(0.8)


def test_standing_water_warms_towards_its_surroundings() -> None:
    """First order: after one time constant 63.2 % of the difference is gone."""
    around = Surroundings(900.0, 14.0)
    water = standing(around, drains_over_s=inf)
    water.water_c = 14.0

    around.run(900.0, 44.0)
    water.settle()

    assert water.water_c == pytest.approx(14.0 + 30.0 * (1.0 - exp(-1.0)))


def test_looking_on_the_way_changes_nothing_though_the_sun_comes_and_goes() -> None:
    around = Surroundings(900.0, 14.0)
    looked_at, left_alone = standing(around, drains_over_s=inf), standing(around, drains_over_s=inf)

    for line_c in (20.0, 50.0, 35.0, 12.0) * 10:
        around.run(77.0, line_c)
        looked_at.settle()
    left_alone.settle()

    assert looked_at.water_c == pytest.approx(left_alone.water_c, rel=1e-12)


def test_the_first_spray_is_warm_and_the_later_one_is_the_supply_s() -> None:
    north = line(volume_l=0.4, drains_over_s=inf)
    balanced_bar(mains(3.5), [north])
    north.take(north.seconds_to_full, 40.0)
    temperatures = []

    for _ in range(6):
        balanced_bar(mains(3.5), [north])
        north.take(2.0, 14.0)
        temperatures.append(north.sprayed_c)

    assert 25.0 < temperatures[0] < 40.0
    assert temperatures == sorted(temperatures, reverse=True)
    assert temperatures[-1] == pytest.approx(14.0, abs=1.0)


def test_heat_is_neither_made_nor_lost_when_fresh_water_flushes_a_line() -> None:
    water = standing(Surroundings(900.0, 20.0))
    water.water_c = 40.0

    out_c = water.flush(0.3, 14.0)

    assert 0.3 * out_c + 0.4 * water.water_c == pytest.approx(0.4 * 40.0 + 0.3 * 14.0)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"volume_l": -1.0}, "north: volume_l is -1"),
        ({"drains_over_s": 0.0}, "north: drains_over_s is 0"),
        ({"gives_l_per_bar": 0.0}, "north: gives_l_per_bar is 0"),
        ({"nozzle_shuts_bar": 1.5}, "north: nozzles shut at 1.5 bar and open at 1 bar"),
    ],
)
def test_a_line_that_cannot_be_is_refused(changed: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        LinePlan(name="north", **changed)  # type: ignore[arg-type]


def test_a_hole_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="north: a hole of -1 mm2"):
        line().change_hole(-1.0)
