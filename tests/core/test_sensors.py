"""Sensors: whose word stands, until when, and what is said when it no longer does."""

from math import inf

from mistd.core.readings import POSSIBLE, Reading, SensorKind, reading_of
from mistd.core.sensors import SensorState, heard, heard_nonsense, lost, why_lost
from tests.core.houses import sensor_plan

NEW = SensorState(plan=sensor_plan("air", stale_after_s=300.0), heard_s=1000.0)


def reading(value: float, at_s: float) -> Reading:
    return reading_of(SensorKind.AIR_TEMPERATURE, value, at_s)


def test_a_sensor_that_has_not_spoken_has_no_value_and_a_limit_to_its_silence() -> None:
    assert NEW.good_value is None
    assert NEW.stale_s == 1300.0


def test_a_good_reading_stands_for_as_long_as_the_plan_says() -> None:
    state = heard(NEW, reading(21.5, 1100.0))

    assert (state.good_value, state.stale_s) == (21.5, 1400.0)


def test_nonsense_is_counted_and_neither_used_nor_taken_for_a_sign_of_life() -> None:
    state = heard_nonsense(heard(NEW, reading(21.5, 1100.0)), reading(-127.0, 1200.0))
    state = heard_nonsense(state, reading(85.0, 1210.0))

    assert (state.good_value, state.stale_s) == (21.5, 1400.0)
    assert (state.bad_since, state.last_bad_value) == (2, 85.0)


def test_a_lost_sensor_has_no_value_and_is_lost_only_once() -> None:
    state = lost(heard(NEW, reading(21.5, 1100.0)))

    assert state.good_value is None
    assert state.stale_s == inf
    assert state.reading is not None  # kept, to be shown with its age


def test_nonsense_does_not_bring_a_lost_sensor_back() -> None:
    state = heard_nonsense(lost(NEW), reading(-127.0, 1500.0))

    assert state.is_lost
    assert state.bad_since == 1


def test_the_next_good_reading_brings_a_lost_sensor_back_with_a_clean_slate() -> None:
    state = heard(heard_nonsense(lost(NEW), reading(-127.0, 1500.0)), reading(4.0, 1510.0))

    assert (state.good_value, state.stale_s, state.bad_since) == (4.0, 1810.0, 0)


def test_silence_is_told_with_its_length_its_limit_and_what_to_check() -> None:
    words = why_lost(NEW, now_s=1300.0)

    assert words == "no good reading for 300 s, limit 300 s: check that the sensor is powered and sends"


def test_nonsense_is_told_with_its_count_the_last_value_and_what_is_possible() -> None:
    words = why_lost(heard_nonsense(NEW, reading(-127.0, 1250.0)), now_s=1300.0)

    possible = POSSIBLE[SensorKind.AIR_TEMPERATURE]
    assert "1 impossible values since, the last -127" in words
    assert f"possible {possible.lowest:g} to {possible.highest:g} c" in words


def test_being_lost_keeps_what_is_known_of_the_nonsense() -> None:
    state = lost(heard_nonsense(NEW, reading(-127.0, 1250.0)))

    assert (state.bad_since, state.last_bad_value, state.heard_s) == (1, -127.0, 1000.0)
