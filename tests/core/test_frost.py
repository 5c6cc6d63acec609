"""Frost: two good readings of one probe under the limit that span the delay, in the dark, uncontradicted."""

from math import inf, nextafter

import pytest

from mistd.core.frost import (
    NO_FROST,
    THAW_BAND_C,
    WARM_PROBE_C,
    Cold,
    Frost,
    after_reading,
    is_frost,
    without_probe,
)
from mistd.core.readings import SensorKind, reading_of
from mistd.core.sensors import SensorState, heard, lost
from tests.core.houses import sensor_plan

LIMIT_C = 2.0
DELAY_S = 600.0
COLD_C = 0.5


def probe(name: str, value_c: float, *, is_lost: bool = False) -> SensorState:
    state = SensorState(plan=sensor_plan(name), heard_s=0.0)
    state = heard(state, reading_of(SensorKind.AIR_TEMPERATURE, value_c, 0.0))
    return lost(state) if is_lost else state


def readings_of(probe_name: str, *readings: tuple[float, float], frost: Frost = NO_FROST) -> Frost:
    """What is remembered after these readings, each an instant and a temperature."""
    for at_s, value_c in readings:
        frost = after_reading(frost, probe_name, value_c, at_s, LIMIT_C)
    return frost


PROVED = readings_of("north", (0.0, COLD_C), (600.0, COLD_C))
NORTH = probe("north", COLD_C)


def test_two_cold_readings_that_span_the_delay_in_the_dark_are_frost() -> None:
    assert is_frost(PROVED, [NORTH], DELAY_S, is_light=False)


def test_it_is_never_frost_in_the_light() -> None:
    assert not is_frost(PROVED, [NORTH], DELAY_S, is_light=True)


def test_one_cold_reading_is_no_proof_however_long_ago() -> None:
    once = readings_of("north", (0.0, COLD_C))

    assert not is_frost(once, [NORTH], 0.0, is_light=False)


@pytest.mark.parametrize(
    ("last_s", "expected"), [(nextafter(600.0, 0.0), False), (600.0, True), (nextafter(600.0, inf), True)]
)
def test_the_readings_have_to_span_the_whole_delay(last_s: float, expected: bool) -> None:
    frost = readings_of("north", (0.0, COLD_C), (last_s, COLD_C))

    assert is_frost(frost, [NORTH], DELAY_S, is_light=False) is expected


@pytest.mark.parametrize(
    ("value_c", "expected"),
    [(nextafter(LIMIT_C, -inf), True), (LIMIT_C, False), (nextafter(LIMIT_C, inf), False)],
)
def test_only_below_the_limit_is_cold(value_c: float, expected: bool) -> None:
    frost = readings_of("north", (0.0, value_c), (600.0, value_c))

    assert is_frost(frost, [probe("north", value_c)], DELAY_S, is_light=False) is expected


def test_a_reading_at_the_limit_in_between_begins_the_delay_anew() -> None:
    frost = readings_of("north", (0.0, COLD_C), (500.0, LIMIT_C), (510.0, COLD_C), (1109.0, COLD_C))

    assert not is_frost(frost, [NORTH], DELAY_S, is_light=False)
    frost = readings_of("north", (1110.0, COLD_C), frost=frost)
    assert is_frost(frost, [NORTH], DELAY_S, is_light=False)


def test_two_probes_that_were_cold_once_each_are_no_proof() -> None:
    frost = readings_of("south", (600.0, COLD_C), frost=readings_of("north", (0.0, COLD_C)))

    assert not is_frost(frost, [NORTH, probe("south", COLD_C)], DELAY_S, is_light=False)


@pytest.mark.parametrize(
    ("other_c", "expected"),
    [(nextafter(WARM_PROBE_C, -inf), True), (WARM_PROBE_C, True), (nextafter(WARM_PROBE_C, inf), False)],
)
def test_another_probe_that_reads_warm_says_that_the_cold_one_is_wrong(
    other_c: float, expected: bool
) -> None:
    probes = [NORTH, probe("south", other_c)]

    assert is_frost(PROVED, probes, DELAY_S, is_light=False) is expected


def test_a_warm_probe_that_fell_silent_contradicts_nothing() -> None:
    probes = [NORTH, probe("south", 20.0, is_lost=True)]

    assert is_frost(PROVED, probes, DELAY_S, is_light=False)


def test_a_probe_that_never_spoke_contradicts_nothing() -> None:
    silent = SensorState(plan=sensor_plan("south"), heard_s=0.0)

    assert is_frost(PROVED, [NORTH, silent], DELAY_S, is_light=False)


def test_a_cold_probe_that_falls_silent_takes_its_word_with_it() -> None:
    assert not is_frost(PROVED, [probe("north", COLD_C, is_lost=True)], DELAY_S, is_light=False)


def test_of_two_cold_probes_one_that_is_proved_is_enough() -> None:
    frost = readings_of("south", (590.0, COLD_C), frost=PROVED)

    assert is_frost(frost, [NORTH, probe("south", COLD_C)], DELAY_S, is_light=False)


def test_without_a_cold_probe_there_is_no_frost() -> None:
    assert not is_frost(NO_FROST, [probe("north", 15.0)], 0.0, is_light=False)


@pytest.mark.parametrize(
    ("value_c", "is_still_cold"),
    [
        (nextafter(LIMIT_C + THAW_BAND_C, -inf), True),
        (LIMIT_C + THAW_BAND_C, False),
        (nextafter(LIMIT_C + THAW_BAND_C, inf), False),
    ],
)
def test_once_it_is_frost_a_cold_probe_is_cold_until_it_reads_a_band_above_the_limit(
    value_c: float, is_still_cold: bool
) -> None:
    frost = readings_of("north", (700.0, value_c), frost=Frost(cold=PROVED.cold, is_on=True))

    assert ("north" in frost.cold) is is_still_cold


def test_the_band_is_not_for_a_probe_that_was_not_cold() -> None:
    frost = readings_of("south", (700.0, LIMIT_C + 0.5), frost=Frost(cold=PROVED.cold, is_on=True))

    assert set(frost.cold) == {"north"}


def test_without_frost_there_is_no_band() -> None:
    assert not readings_of("north", (700.0, LIMIT_C), frost=PROVED).cold


def test_a_warm_reading_of_a_probe_that_was_not_cold_changes_nothing() -> None:
    assert readings_of("south", (700.0, 15.0), frost=PROVED) is PROVED


def test_a_reading_leaves_it_to_others_whether_it_is_frost() -> None:
    on = Frost(cold=PROVED.cold, is_on=True)

    assert readings_of("north", (700.0, 15.0), frost=on).is_on
    assert readings_of("north", (700.0, COLD_C), frost=on).is_on
    assert not readings_of("north", (700.0, COLD_C), frost=PROVED).is_on


def test_a_probe_that_was_silent_begins_its_proof_anew() -> None:
    frost = after_reading(NO_FROST, "north", 1.0, 0.0, 2.0)

    back = after_reading(without_probe(frost, "north"), "north", 1.0, 14_400.0, 2.0)

    assert back.cold["north"] == Cold(since_s=14_400.0, last_s=14_400.0, readings=1)
