"""One zone: its marks, the instant at which it needs a decision, its water count, and its copies."""

from dataclasses import fields
from math import inf

import pytest

from mistd.core.almanac import DayPart
from mistd.core.zone import (
    HOLD_WARNING_S,
    REPORT_GRACE_S,
    Closed,
    Hold,
    Phase,
    Skip,
    Trim,
    WaterCount,
    Zone,
    attention_s,
    next_hold_duty_s,
    set_mark,
)
from tests.core.houses import ask_burst, ask_hold, hold, timetable, zone_plan


def resting(**known: float) -> Zone:
    return Zone(plan=zone_plan(cycle=timetable(5.0, 600.0)), **known)  # type: ignore[arg-type]


def test_the_mark_is_a_gap_after_the_last_burst() -> None:
    zone = resting(shut_s=1000.0)

    set_mark(zone, DayPart.DAY)

    assert (zone.mark, zone.due_s) == (1600.0, 1600.0)


def test_a_mark_in_a_part_without_mist_is_never_reached() -> None:
    zone = Zone(plan=zone_plan(cycle=timetable(off=[DayPart.NIGHT])), shut_s=1000.0)

    set_mark(zone, DayPart.NIGHT)

    assert zone.due_s == inf


def test_a_zone_that_was_never_misted_is_more_overdue_than_any_other() -> None:
    zone = resting()

    set_mark(zone, DayPart.DAY)

    assert zone.due_s == -inf


def test_a_resting_zone_needs_a_decision_when_it_is_due() -> None:
    assert attention_s(resting(due_s=1600.0)) == 1600.0


def test_a_guard_that_has_spoken_puts_off_the_decision() -> None:
    assert attention_s(resting(due_s=1600.0, held_until_s=1700.0)) == 1700.0
    assert attention_s(resting(due_s=1600.0, held_until_s=inf)) == inf


def test_a_zone_that_waits_for_the_line_needs_no_decision_of_its_own() -> None:
    assert attention_s(resting(due_s=1600.0, is_waiting=True)) == inf


@pytest.mark.parametrize("phase", [Phase.ORDERED, Phase.OPEN])
def test_a_zone_being_misted_needs_a_decision_when_the_keepers_word_is_overdue(phase: Phase) -> None:
    zone = Zone(plan=zone_plan(), phase=phase, ordered_s=1000.0, ordered_for_s=5.0, due_s=900.0)

    assert attention_s(zone) == 1000.0 + 5.0 + REPORT_GRACE_S


def test_a_hold_needs_a_decision_for_its_warning_and_then_for_its_end() -> None:
    assert next_hold_duty_s(hold(2000.0)) == 2000.0 - HOLD_WARNING_S
    assert next_hold_duty_s(hold(2000.0, is_warned=True)) == 2000.0


@pytest.mark.parametrize(("ends_s", "expected_s"), [(1719.0, 1599.0), (1720.0, 1600.0), (1721.0, 1600.0)])
def test_the_sooner_of_hold_and_mark_comes_first(ends_s: float, expected_s: float) -> None:
    zone = resting(due_s=1600.0)
    zone.hold = hold(ends_s)

    assert attention_s(zone) == expected_s


def test_water_is_counted_burst_by_burst() -> None:
    count = WaterCount().plus(5.0, 0.1).plus(6.0, 0.12)

    assert (count.bursts, count.open_s) == (2, 11.0)
    assert count.water_l == pytest.approx(0.22)


def test_water_is_seconds_times_nozzles_times_flow() -> None:
    """12 nozzles of 0.1 l/min give 1.2 l/min: 0.02 l each second, 0.1 l in 5 s."""
    assert zone_plan(nozzles=12, nozzle_flow_l_per_min=0.1).water_l(5.0) == pytest.approx(0.1)


def test_a_copy_has_every_field_and_shares_nothing_that_changes() -> None:
    zone = Zone(
        plan=zone_plan(),
        phase=Phase.OPEN,
        ticket=3,
        slot=1,
        ordered_s=10.0,
        ordered_for_s=5.0,
        burst_reason="due",
        last_reason="asked",
        asked=ask_burst(),
        opened_s=10.5,
        shut_s=4.0,
        mark=604.0,
        due_s=605.0,
        held_until_s=70.0,
        is_waiting=True,
        waiting_since_s=606.0,
        hold=hold(2000.0),
        held_when_shut=(ask_hold(),),
        timetable=timetable(4.0, 300.0),
        trim=Trim(fraction=0.1, ends_s=900.0, author="ilse", note=""),
        closed=Closed(ends_s=900.0, author="ilse", note=""),
        skip=Skip(ends_s=900.0, author="ilse", note=""),
        skipped_s=3.0,
        today=WaterCount(bursts=1, open_s=5.0, water_l=0.1),
        yesterday=WaterCount(bursts=2, open_s=9.0, water_l=0.2),
    )

    copy = zone.copied()
    assert copy == zone
    assert copy is not zone
    copy.hold, copy.shut_s = None, 99.0
    assert (zone.hold, zone.shut_s) == (hold(2000.0), 4.0)


def test_no_field_of_a_zone_can_be_forgotten_by_a_copy() -> None:
    """Every field is set to something that is not its default, so that one left out would show."""
    zone = Zone(plan=zone_plan())
    for each in fields(Zone):
        if each.name != "plan":
            setattr(zone, each.name, f"another {each.name}")

    copy = zone.copied()

    assert {each.name: getattr(copy, each.name) for each in fields(Zone)} == {
        each.name: getattr(zone, each.name) for each in fields(Zone)
    }


def test_a_hold_is_not_warned_of_until_it_is() -> None:
    assert not Hold(ends_s=1.0, author="ilse", note="").is_warned
