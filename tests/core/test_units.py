"""Units: what people and instruments say against numbers known outside the program."""

import pytest

from mistd.core.readings import POSSIBLE, SensorKind
from mistd.core.units import (
    S_PER_DAY,
    SENSOR_UNITS,
    celsius_of_fahrenheit,
    minutes_of_seconds,
    seconds_of_minutes,
)

# kind, unit, what the instrument sends, what that is inside.
SENT = [
    (SensorKind.AIR_TEMPERATURE, "c", 21.5, 21.5),
    (SensorKind.AIR_TEMPERATURE, "f", 32.0, 0.0),  # ice
    (SensorKind.AIR_TEMPERATURE, "f", 212.0, 100.0),  # steam
    (SensorKind.AIR_TEMPERATURE, "f", -40.0, -40.0),  # where both scales meet
    (SensorKind.RELATIVE_HUMIDITY, "percent", 55.0, 0.55),
    (SensorKind.RELATIVE_HUMIDITY, "fraction", 0.55, 0.55),
    (SensorKind.LIGHT, "w_per_m2", 800.0, 800.0),
    (SensorKind.SUPPLY_PRESSURE, "bar", 3.0, 3.0),
    (SensorKind.SUPPLY_PRESSURE, "kpa", 300.0, 3.0),
    (SensorKind.SUPPLY_PRESSURE, "psi", 14.50377, 1.0),  # one bar in pounds per square inch
    (SensorKind.FLOW, "l_per_min", 14.4, 14.4),
    (SensorKind.LEAF_TEMPERATURE, "c", 21.5, 21.5),
    (SensorKind.LEAF_TEMPERATURE, "f", 98.6, 37.0),
    (SensorKind.LEAF_WETNESS, "raw", 612.0, 612.0),
]


@pytest.mark.parametrize(("kind", "unit", "sent", "inside"), SENT)
def test_an_instruments_unit_becomes_ours(kind: SensorKind, unit: str, sent: float, inside: float) -> None:
    assert SENSOR_UNITS[kind][unit](sent) == pytest.approx(inside, rel=1e-5, abs=1e-9)


def test_every_unit_of_every_kind_is_checked_above() -> None:
    checked = {(kind, unit) for kind, unit, _, _ in SENT}

    assert checked == {(kind, unit) for kind, units in SENSOR_UNITS.items() for unit in units}
    assert set(SENSOR_UNITS) == set(SensorKind)


@pytest.mark.parametrize("kind", SensorKind)
def test_the_unit_inside_is_one_that_an_instrument_may_send_unchanged(kind: SensorKind) -> None:
    assert SENSOR_UNITS[kind][POSSIBLE[kind].unit](0.25) == 0.25


def test_minutes_and_seconds_are_each_others_inverse() -> None:
    assert seconds_of_minutes(10.0) == 600.0
    assert minutes_of_seconds(seconds_of_minutes(7.5)) == 7.5
    assert seconds_of_minutes(24.0 * 60.0) == S_PER_DAY


def test_body_heat_is_37_c() -> None:
    assert celsius_of_fahrenheit(98.6) == pytest.approx(37.0)
