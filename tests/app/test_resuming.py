"""What was written down before a start, read again: rows and their seconds, settings, gaps of the journal."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import inf, nan
from typing import Any

import pytest

from mistd.app.recording import kept_revision, stamp
from mistd.app.resuming import Shift, journal_gap, readable_rows, settings_from, shift_of
from mistd.app.saving import CLOCK_ROW, RUN_ROW
from mistd.app.setting_forms import FORMS
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.durable import HOUSE_ROW, ZONE_ROW
from mistd.core.rows import Row
from mistd.core.settings import ClosedSet, Revision, SettingKind, TrimSet
from mistd.ports.store import REVISIONS_LOADED, KeptRevision
from simulators.bench_clock import LoopClock
from tests.app.house_files import benches_of, set_to

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
BOOT = "boot-1"
LEFT, RIGHT = ZONE_ROW + "left", ZONE_ROW + "right"


def clock_row(**changes: Any) -> dict[str, Row]:
    row: dict[str, Any] = {"boot_id": BOOT, "now_s": 5000.0, "utc": NOON.isoformat(), "is_trusted": True}
    return {CLOCK_ROW: row | changes}


def clock_at(later: timedelta, now_s: float, *, is_trusted: bool = True) -> LoopClock:
    """A clock whose machine has been up for so long, and which says so much later than the rows."""
    starts_at = NOON + later - timedelta(seconds=now_s)
    return LoopClock(starts_at=starts_at, trusted=is_trusted, loop_time=lambda: now_s)


# --- rows


def test_a_row_that_is_no_object_is_named_and_costs_no_other() -> None:
    texts = {"a": '{"x": 1}', "b": "[1]", "c": "not json", "d": "[" * 100_000, "e": "null", "f": '"text"'}

    rows, unreadable = readable_rows(texts)

    assert rows == {"a": {"x": 1}}
    assert [line.split(":")[0] for line in unreadable] == ["b", "c", "d", "e", "f"]


def test_a_row_in_the_seconds_of_an_earlier_run_of_the_machine_is_left_out() -> None:
    """A zone that was out of the file for a while comes back as new, not as held by a clock long gone."""
    texts = {
        CLOCK_ROW: json.dumps({"boot_id": "now", "now_s": 50.0}),
        LEFT: json.dumps({"boot_id": "now", "shut_s": 40.0}),
        RIGHT: json.dumps({"boot_id": "before", "hold_ends_s": 90_000.0}),
    }

    rows, unreadable = readable_rows(texts)

    assert set(rows) == {CLOCK_ROW, LEFT}
    assert unreadable == []


# --- how far the seconds are off


def test_in_the_same_run_of_the_machine_instants_stand_as_they_are() -> None:
    clock = clock_at(timedelta(minutes=10), 5600.0)

    assert shift_of(clock_row(), clock, BOOT) == Shift(by_s=0.0, is_time_away_known=True)


def test_in_the_same_run_neither_a_step_nor_lost_trust_matters() -> None:
    stepped = clock_at(timedelta(days=-3000), 5600.0, is_trusted=False)

    assert shift_of(clock_row(), stepped, BOOT) == Shift(by_s=0.0, is_time_away_known=True)


def test_after_a_restart_of_the_machine_the_time_away_is_taken_from_the_calendar() -> None:
    """Written at 5000 s; ten minutes later by the calendar the machine has been up for 40 s."""
    clock = clock_at(timedelta(minutes=10), 40.0)

    shift = shift_of(clock_row(), clock, "boot-2")

    assert shift.is_time_away_known
    assert 5000.0 + shift.by_s == pytest.approx(40.0 - 600.0)  # ten minutes ago, by the new clock


@pytest.mark.parametrize("was_trusted", [True, False])
@pytest.mark.parametrize("is_trusted", [True, False])
def test_without_trust_at_both_ends_the_time_away_is_not_known(was_trusted: bool, is_trusted: bool) -> None:
    clock = clock_at(timedelta(minutes=10), 40.0, is_trusted=is_trusted)

    shift = shift_of(clock_row(is_trusted=was_trusted), clock, "boot-2")

    assert shift.is_time_away_known is (was_trusted and is_trusted)
    if not shift.is_time_away_known:
        assert shift.by_s == 40.0 - 5000.0  # as if no time had passed


def test_a_calendar_that_went_back_says_nothing_of_the_time_away() -> None:
    shift = shift_of(clock_row(), clock_at(timedelta(minutes=-1), 40.0), "boot-2")

    assert not shift.is_time_away_known


def test_a_calendar_that_stands_where_it_stood_says_that_no_time_has_passed() -> None:
    shift = shift_of(clock_row(), clock_at(timedelta(), 40.0), "boot-2")

    assert shift == Shift(by_s=40.0 - 5000.0, is_time_away_known=True)


@pytest.mark.parametrize(
    "broken",
    [
        {"utc": "yesterday"},
        {"utc": None},
        {"utc": 12},
        {"utc": "2026-06-21T10:00:00"},  # without an offset it could be any hour
        {"is_trusted": None},
    ],
    ids=str,
)
def test_a_clock_row_that_is_half_readable_leaves_the_time_away_unknown(broken: dict[str, Any]) -> None:
    shift = shift_of(clock_row(**broken), clock_at(timedelta(minutes=10), 40.0), "boot-2")

    assert not shift.is_time_away_known


@pytest.mark.parametrize("now_s", [None, "5", nan, inf, True, 10**400])
def test_an_instant_that_cannot_be_read_leaves_the_time_away_unknown(now_s: Any) -> None:
    """Else a zone would pass for misted just now, by the clock of another run of the machine."""
    shift = shift_of(clock_row(now_s=now_s), clock_at(timedelta(minutes=10), 40.0), "boot-2")

    assert not shift.is_time_away_known


def test_rows_without_a_clock_leave_the_time_away_unknown() -> None:
    assert not shift_of({HOUSE_ROW: {}}, clock_at(timedelta(), 40.0), BOOT).is_time_away_known


def test_at_the_very_first_start_there_was_no_time_away() -> None:
    assert shift_of({}, clock_at(timedelta(), 40.0), BOOT) == Shift(by_s=0.0, is_time_away_known=True)


def test_a_clock_that_nobody_has_set_says_nothing_of_the_time_away() -> None:
    """A board whose clock stood still boots with an old time that looks right."""
    clock = clock_at(timedelta(seconds=20), 40.0)
    clock.synchronised = False

    assert not shift_of(clock_row(), clock, "another").is_time_away_known


# --- what was set

NOW_S = 5000.0
BENCHES = benches_of()
TIMETABLE = TimedCycle(
    parts={
        DayPart.NIGHT: None,
        DayPart.DAWN: TimedPart(burst_s=5.0, gap_s=900.0),
        DayPart.DAY: TimedPart(burst_s=6.5, gap_s=450.0),
        DayPart.DUSK: TimedPart(burst_s=5.0, gap_s=900.0),
    }
)


def revision(number: int, kind: SettingKind, value: Any, ends_s: float = inf, **more: Any) -> Revision:
    about: dict[str, Any] = {
        "zone": "left",
        "author": "Ida",
        "note": "overcast",
        "request_id": f"request-{number}",
    }
    return Revision(id=number, kind=kind, value=value, ends_s=ends_s, **(about | more))


REVISIONS = (
    revision(3, SettingKind.TIMETABLE, TIMETABLE),
    revision(4, SettingKind.TRIM, TrimSet(fraction=-0.2, for_s=7200.0), NOW_S + 7200.0),
    revision(5, SettingKind.CLOSED, ClosedSet(for_s=3600.0), NOW_S + 3600.0, zone="right"),
    revision(6, SettingKind.TIMETABLE, None, undoes=3),
)


def kept(*revisions: Revision) -> tuple[KeptRevision, ...]:
    clock = clock_at(timedelta(), NOW_S)
    return tuple(kept_revision(each, clock) for each in revisions)


def test_revisions_come_back_as_they_were_recorded() -> None:
    """By the calendar a restart of the machine and half an hour change nothing in when they end."""
    clock = clock_at(timedelta(minutes=30), 60.0)

    settings, unreadable = settings_from(kept(*REVISIONS), 9, clock, BENCHES)

    assert (unreadable, settings.last_id) == ([], 9)
    back = settings.newest
    assert back[SettingKind.TIMETABLE, "left"] == REVISIONS[3]
    for wanted in REVISIONS[1:3]:
        found = back[wanted.key]
        assert found.ends_s == pytest.approx(60.0 + wanted.ends_s - NOW_S - 1800.0)
        assert replace(found, ends_s=wanted.ends_s) == wanted


def test_a_timetable_that_was_set_stands_again_and_can_be_undone() -> None:
    settings, _ = settings_from(kept(REVISIONS[0]), 3, clock_at(timedelta(), NOW_S), BENCHES)

    assert settings.top((SettingKind.TIMETABLE, "left")) == REVISIONS[0]
    assert settings.found(3) == REVISIONS[0]


def test_a_cycle_that_was_set_stands_again_reckoned_for_its_bench_as_the_file_describes_that_now() -> None:
    form = FORMS[SettingKind.CYCLE]
    plain = {"cycle": "film", "dry_back_percent": 37.3, "night": {"mist": "sparse"}}
    wanted = form.core(form.form.model_validate(plain))
    set_then = revision(3, SettingKind.CYCLE, BENCHES.reckoned("left", wanted))
    moved = benches_of(set_to("zones.0.nozzles", 24))

    settings, unreadable = settings_from(kept(set_then), 3, clock_at(timedelta(), NOW_S), moved)

    assert unreadable == []
    (back,) = settings.stacks[SettingKind.CYCLE, "left"]
    assert back == replace(set_then, value=moved.reckoned("left", wanted))
    assert back.value != set_then.value
    assert (
        settings_from(kept(set_then), 3, clock_at(timedelta(), NOW_S), BENCHES)[0].top(back.key) == set_then
    )


@pytest.mark.parametrize(("count", "is_known"), [(REVISIONS_LOADED - 1, True), (REVISIONS_LOADED, False)])
def test_what_was_before_the_oldest_revision_is_not_known_when_a_store_gives_all_it_can(
    count: int, is_known: bool
) -> None:
    first, *later = (revision(number, SettingKind.TIMETABLE, TIMETABLE) for number in range(1, count + 1))
    undoings = (revision(100 + each.id, SettingKind.TIMETABLE, None, undoes=each.id) for each in later)

    settings, _ = settings_from(kept(first, *later), count, clock_at(timedelta(), NOW_S), BENCHES)
    for undoing in undoings:
        settings = settings.with_revision(undoing)

    assert settings.top((SettingKind.TIMETABLE, "left")) == first
    assert settings.is_known_before(first) is is_known


def test_ids_go_on_where_they_were_even_when_nothing_can_be_read() -> None:
    settings, unreadable = settings_from(
        [replace(kept(REVISIONS[0])[0], kind="colour")], 12, clock_at(timedelta(), 1.0), BENCHES
    )

    assert settings.last_id == 12
    assert settings.newest == {}
    assert unreadable == ["revision 3: 'colour' is not a valid SettingKind"]


def test_what_passes_counts_as_ended_while_the_calendar_is_not_trusted() -> None:
    """Nothing is put in force by it: what is in force is in the rows. It only cannot be gone back to."""
    settings, unreadable = settings_from(
        kept(REVISIONS[1]), 4, clock_at(timedelta(), NOW_S, is_trusted=False), BENCHES
    )

    assert unreadable == []
    assert settings.newest[SettingKind.TRIM, "left"].ends_s == -inf


def test_the_file_s_own_way_of_telling_seconds_makes_no_difference() -> None:
    (first,) = kept(REVISIONS[1])
    shifted = replace(first, until=first.until and first.until.replace("Z", "+00:00"))

    both = [settings_from([each], 4, clock_at(timedelta(), NOW_S), BENCHES)[0] for each in (first, shifted)]

    assert both[0] == both[1]


BROKEN: dict[str, tuple[int, dict[str, Any]]] = {
    "another_kind": (0, {"kind": "fertiliser"}),
    "not_json": (0, {"value": "night off"}),
    "a_list": (0, {"value": "[]"}),
    "a_number": (1, {"value": "1e999"}),
    "another_form": (1, {"value": '{"for_s": 600.0}'}),
    "a_key_more": (1, {"value": '{"percent": 10.0, "for_s": 600.0, "colour": 1}'}),
    "not_finite": (1, {"value": '{"percent": 1e999, "for_s": 600.0}'}),
    "half_a_timetable": (0, {"value": '{"day": {"burst_s": 6.0, "gap_min": 8.0}}'}),
    "a_cycle_of_a_later_version": (0, {"kind": "cycle", "value": '{"cycle": "fog"}'}),
    "no_instant": (1, {"until": "tomorrow"}),
    "no_offset": (1, {"until": "2026-06-21T12:00:00"}),
    "nested": (0, {"value": "[" * 10_000}),
}


@pytest.mark.parametrize("name", BROKEN)
@pytest.mark.parametrize("is_trusted", [True, False])
def test_a_revision_that_cannot_be_read_is_named_and_costs_no_other(name: str, is_trusted: bool) -> None:
    place, spoilt = BROKEN[name]
    all_kept = list(kept(*REVISIONS[:3]))
    all_kept[place] = replace(all_kept[place], **spoilt)

    clock = clock_at(timedelta(), NOW_S, is_trusted=is_trusted)
    settings, unreadable = settings_from(all_kept, 5, clock, BENCHES)

    assert [each.split(":")[0] for each in unreadable] == [f"revision {place + 3}"]
    assert "\n" not in unreadable[0]
    left = {each.key for index, each in enumerate(REVISIONS[:3]) if index != place}
    assert set(settings.newest) == left


# --- gaps of the journal


def test_a_run_that_ended_by_itself_leaves_no_gap() -> None:
    rows = clock_row() | {RUN_ROW: {"state": "ended"}}

    assert journal_gap(rows, clock_at(timedelta(minutes=10), 40.0)) is None


def test_a_run_that_was_killed_leaves_a_gap_from_its_last_word_to_now() -> None:
    rows = clock_row() | {RUN_ROW: {"state": "running"}}

    gap = journal_gap(rows, clock_at(timedelta(minutes=10), 40.0))

    assert gap is not None
    assert gap.endswith(f"from {NOON.isoformat()} to {(NOON + timedelta(minutes=10)).isoformat()}")


def test_a_gap_over_which_the_clock_was_set_back_says_so() -> None:
    gap = journal_gap(clock_row() | {RUN_ROW: {"state": "running"}}, clock_at(timedelta(days=-2), 40.0))

    assert gap is not None
    assert gap.endswith(", by a clock that was set back meanwhile")


@pytest.mark.parametrize("rows", [{}, {RUN_ROW: {}}, {RUN_ROW: {"state": None}}, clock_row()], ids=str)
def test_a_first_start_and_rows_of_an_earlier_version_leave_no_gap(rows: dict[str, Row]) -> None:
    assert journal_gap(rows, clock_at(timedelta(), 40.0)) is None


def test_a_gap_without_a_readable_clock_is_told_all_the_same() -> None:
    gap = journal_gap({RUN_ROW: {"state": "running"}}, clock_at(timedelta(), 40.0))

    assert gap is not None
    assert "an unknown instant" in gap
    assert stamp(NOON)[:10] in gap
