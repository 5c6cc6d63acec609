"""Readings: what is possible for an instrument is believed, everything else is bad."""

from math import inf, nan, nextafter

import pytest

from mistd.core.readings import POSSIBLE, Quality, SensorKind, reading_of


def test_every_kind_of_sensor_has_a_possible_range() -> None:
    assert set(POSSIBLE) == set(SensorKind)
    assert all(possible.lowest < possible.highest for possible in POSSIBLE.values())
    assert all(possible.unit for possible in POSSIBLE.values())


@pytest.mark.parametrize("kind", SensorKind)
def test_a_value_exactly_on_either_end_is_good_and_the_next_beyond_is_bad(kind: SensorKind) -> None:
    lowest, highest = POSSIBLE[kind].lowest, POSSIBLE[kind].highest

    qualities = {
        value: reading_of(kind, value, 0.0).quality
        for value in (lowest, highest, nextafter(lowest, -inf), nextafter(highest, inf))
    }

    assert qualities == {
        lowest: Quality.GOOD,
        highest: Quality.GOOD,
        nextafter(lowest, -inf): Quality.BAD,
        nextafter(highest, inf): Quality.BAD,
    }


@pytest.mark.parametrize("kind", SensorKind)
@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_what_is_no_finite_number_is_bad(kind: SensorKind, value: float) -> None:
    assert reading_of(kind, value, 0.0).quality is Quality.BAD


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (SensorKind.AIR_TEMPERATURE, -127.0),  # a digital probe that is not there
        (SensorKind.AIR_TEMPERATURE, 85.0),  # the same probe before its first conversion
        (SensorKind.RELATIVE_HUMIDITY, 55.0),  # percent where a fraction is wanted
        (SensorKind.SUPPLY_PRESSURE, 300.0),  # kPa where bar is wanted
    ],
)
def test_broken_wires_and_wrong_units_are_bad(kind: SensorKind, value: float) -> None:
    assert reading_of(kind, value, 0.0).quality is Quality.BAD


def test_a_bad_reading_keeps_its_value_and_instant_to_be_told() -> None:
    reading = reading_of(SensorKind.AIR_TEMPERATURE, -127.0, 12.5)

    assert (reading.value, reading.at_s) == (-127.0, 12.5)
