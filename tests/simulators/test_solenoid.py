"""Valves that take their time, need pressure or do not, and break in their several ways."""

from math import inf

import pytest

from simulators.plant.solenoid import SOUND, Solenoid, ValveFault, ValvePlan
from simulators.plant.supply_valve import SupplyValve, SupplyValvePlan

PLAN = ValvePlan(opens_after_s=0.5, shuts_after_s=1.0, opens_from_bar=0.2)


def energised(fault: ValveFault = SOUND) -> Solenoid:
    valve = Solenoid(PLAN)
    valve.fault = fault
    valve.energise(True)
    return valve


def opened(fault: ValveFault = SOUND) -> Solenoid:
    """One that stands open with its coil just switched off."""
    valve = energised()
    valve.move(0.5, 0.5)
    valve.fault = fault
    valve.energise(False)
    return valve


def test_a_valve_opens_a_lag_after_its_coil_and_not_before() -> None:
    valve = energised()
    lag_s = valve.lag_s(3.0, 0.0)

    assert lag_s == 0.5
    assert not valve.move(0.499, lag_s)
    assert not valve.is_open
    assert valve.move(0.001, lag_s)
    assert valve.is_open
    assert not valve.moves


@pytest.mark.parametrize(
    ("before_bar", "lag_s"), [(3.0, 1.0), (0.75, 2.0), (12.0, 0.5), (0.1, 3.0), (0.0, 3.0)]
)
def test_a_valve_shuts_the_faster_the_more_presses_on_it(before_bar: float, lag_s: float) -> None:
    """By the square root, between half and three times the plan's lag."""
    assert opened().lag_s(before_bar, 0.0) == pytest.approx(lag_s)


@pytest.mark.parametrize(
    ("before_bar", "behind_bar", "opens"),
    [(0.2, 0.0, True), (0.1999, 0.0, False), (3.0, 2.9, False), (3.0, 2.5, True), (1.0, 2.0, False)],
)
def test_a_valve_needs_a_difference_of_pressure_to_open(
    before_bar: float, behind_bar: float, opens: bool
) -> None:
    valve = energised()

    lag_s = valve.lag_s(before_bar, behind_bar)

    assert (lag_s < inf) is opens
    assert (valve.left_s(lag_s) < inf) is opens
    assert valve.move(3600.0, lag_s) is opens


def test_a_change_of_mind_begins_the_lag_anew() -> None:
    valve = energised()
    valve.move(0.4, 0.5)
    valve.energise(False)
    valve.energise(True)

    assert not valve.move(0.4, 0.5)
    assert valve.move(0.1, 0.5)


def test_the_same_order_twice_changes_nothing() -> None:
    valve = energised()
    valve.move(0.4, 0.5)
    valve.energise(True)

    assert valve.move(0.1, 0.5)


def test_a_valve_that_does_not_open_stays_shut_whatever_presses() -> None:
    assert not energised(ValveFault(does_not_open=True)).moves


def test_a_valve_that_does_not_shut_stays_open() -> None:
    assert not opened(ValveFault(does_not_shut=True)).moves
    assert opened().moves


def test_a_valve_that_shuts_late_takes_so_much_longer() -> None:
    assert opened(ValveFault(shuts_late_s=4.0)).lag_s(3.0, 0.0) == pytest.approx(5.0)


@pytest.mark.parametrize("changed", [{"passes_share": 1.0}, {"passes_share": -0.1}, {"shuts_late_s": -1.0}])
def test_a_fault_that_cannot_be_is_refused(changed: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="passes_share"):
        ValveFault(**changed)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "changed", [{"factor": 0.0}, {"opens_after_s": 0.0}, {"shuts_after_s": 61.0}, {"opens_after_s": inf}]
)
def test_a_valve_that_cannot_be_is_refused(changed: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="valve"):
        ValvePlan(**changed)


# --- motorised


def test_a_motorised_valve_travels_for_its_time_and_stops() -> None:
    valve = SupplyValve(SupplyValvePlan(travel_s=12.0))
    valve.is_driven_open = True

    assert valve.left_s == 12.0
    valve.run(3.0)
    assert valve.position == pytest.approx(0.25)
    valve.run(9.0)
    assert (valve.position, valve.moves, valve.left_s) == (1.0, False, inf)


def test_a_motorised_valve_can_turn_round_on_the_way() -> None:
    valve = SupplyValve(SupplyValvePlan(travel_s=12.0))
    valve.is_driven_open = True
    valve.run(6.0)
    valve.is_driven_open = False

    assert valve.left_s == pytest.approx(6.0)
    valve.run(6.0)
    assert (valve.position, valve.moves) == (0.0, False)


def test_a_motorised_valve_costs_the_less_the_further_it_is_open() -> None:
    """Free area goes with the square of the travel, so half open costs sixteen times as much as open."""
    valve = SupplyValve(SupplyValvePlan(travel_s=10.0, factor=60.0))
    shut = valve.resistance_in(0.0)
    valve.is_driven_open = True
    valve.run(5.0)
    half = valve.resistance_in(0.0)
    half_a_second_later = valve.resistance_in(1.0)
    valve.run(5.0)

    assert shut == inf
    assert valve.resistance_in(0.0) == pytest.approx(1.0 / 60.0**2)
    assert half == pytest.approx(16.0 / 60.0**2)
    assert half_a_second_later == pytest.approx(1.0 / (60.0 * 0.55**2) ** 2)


def test_a_motorised_valve_breaks_too() -> None:
    valve = SupplyValve(SupplyValvePlan())
    valve.fault = ValveFault(does_not_open=True, passes_share=0.01)
    valve.is_driven_open = True

    valve.run(60.0)

    assert valve.position == 0.0
    assert valve.resistance_in(0.0) == pytest.approx(1.0 / 0.6**2)


@pytest.mark.parametrize("changed", [{"factor": 0.0}, {"travel_s": 0.0}])
def test_a_motorised_valve_that_cannot_be_is_refused(changed: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="supply valve"):
        SupplyValvePlan(**changed)
