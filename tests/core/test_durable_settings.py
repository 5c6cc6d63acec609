"""What was set of a zone for a while, on disk and back: as it was, and never longer than may be asked."""

from math import inf, nextafter

import pytest

from mistd.core.durable import ZONE_ROW
from mistd.core.house import House
from mistd.core.rows import Plain
from mistd.core.zone import Closed, Skip, Trim
from tests.core.houses import PaperHouse, ready
from tests.core.test_durable import NOW_S, Rows, back_from, lived_house, rows_of, spoilt_rows

A, B = ZONE_ROW + "a", ZONE_ROW + "b"
SET_S, WEEK_S = 2100.0, 7 * 86_400.0
PASSING = {  # where it is in force, and the longest that may be asked
    "trim": (B, 2 * WEEK_S),
    "closed": (A, WEEK_S),
    "skip": (B, 86_400.0),
}
NEW_IN_THIS_VERSION = (
    "skipped_s",
    "trim_fraction",
    *(f"{name}_{field}" for name in PASSING for field in ("ends_s", "author", "note")),
)


def passing(house: House, name: str) -> Trim | Closed | Skip:
    zone = house.zones[0 if PASSING[name][0] == A else 1]
    found = {"trim": zone.trim, "closed": zone.closed, "skip": zone.skip}[name]
    assert found is not None
    return found


def test_what_is_set_for_a_while_comes_back_as_it_was() -> None:
    a, b = back_from(rows_of(lived_house().house)).house.zones

    assert b.trim == Trim(fraction=0.25, ends_s=SET_S + 7200.0, author="ilse", note="")
    assert b.skip == Skip(ends_s=SET_S + 7200.0, author="ilse", note="")
    assert a.closed == Closed(ends_s=SET_S + 7200.0, author="ilse", note="")
    assert (a.trim, a.skip, b.closed) == (None, None, None)


def test_rows_of_a_version_that_knew_no_settings_are_as_good_as_ever() -> None:
    rows: Rows = {}
    for name, row in rows_of(lived_house().house).items():
        rows[name] = {field: value for field, value in row.items() if field not in NEW_IN_THIS_VERSION}

    back = back_from(rows)

    assert back.unreadable == ()
    for zone, before in zip(back.house.zones, lived_house().house.zones, strict=True):
        assert (zone.shut_s, zone.today) == (before.shut_s, before.today)
        assert (zone.trim, zone.closed, zone.skip) == (None, None, None)
        assert zone.skipped_s == -inf


@pytest.mark.parametrize("name", PASSING)
@pytest.mark.parametrize("beyond_s", [1.0, 1e8])
def test_nothing_comes_back_for_longer_than_may_be_asked(name: str, beyond_s: float) -> None:
    """Neither damage nor a corrected clock makes it last."""
    row, longest_s = PASSING[name]

    back = back_from(spoilt_rows(row, f"{name}_ends_s", NOW_S + longest_s + beyond_s))

    assert back.unreadable == ()
    assert passing(back.house, name).ends_s == NOW_S + longest_s


@pytest.mark.parametrize("name", PASSING)
@pytest.mark.parametrize("less_s", [0.0, 1.0])
def test_what_lasts_as_long_as_may_be_asked_or_less_comes_back_as_it_was(name: str, less_s: float) -> None:
    row, longest_s = PASSING[name]

    back = back_from(spoilt_rows(row, f"{name}_ends_s", NOW_S + longest_s - less_s))

    assert passing(back.house, name).ends_s == NOW_S + longest_s - less_s


@pytest.mark.parametrize("fraction", [nextafter(-0.5, -1.0), nextafter(1.0, 2.0), -1.0])
def test_a_trim_that_nobody_could_have_asked_for_costs_its_row(fraction: float) -> None:
    back = back_from(spoilt_rows(B, "trim_fraction", fraction))

    assert back.unreadable == (f"{B}: trim_fraction is {fraction!r}, allowed -0.5 to 1",)


@pytest.mark.parametrize("fraction", [-0.5, 1.0])
def test_a_trim_on_a_limit_comes_back(fraction: float) -> None:
    back = back_from(spoilt_rows(B, "trim_fraction", fraction))

    assert back.unreadable == ()
    trim = passing(back.house, "trim")
    assert isinstance(trim, Trim)
    assert trim.fraction == fraction


@pytest.mark.parametrize("shift_s", [-2900.0, 250.0])
def test_a_clock_that_began_anew_shifts_what_passes_too(shift_s: float) -> None:
    rows = spoilt_rows(A, "skipped_s", 1900.0)

    after = back_from(rows, now_s=NOW_S + shift_s, shift_s=shift_s).house

    for name in PASSING:
        assert passing(after, name).ends_s == pytest.approx(SET_S + 7200.0 + shift_s)
    assert after.zones[0].skipped_s == pytest.approx(1900.0 + shift_s)


@pytest.mark.parametrize(
    ("skipped_s", "due_s"), [(1900.0, 2500.0), (None, 2415.0), (NOW_S + 5.0, NOW_S + 600.0)]
)
def test_a_zone_is_due_a_gap_after_its_skipped_burst(skipped_s: Plain, due_s: float) -> None:
    """One that lies ahead, by a clock that began anew, counts as now."""
    back = back_from(spoilt_rows(A, "skipped_s", skipped_s))

    assert back.house.zones[0].due_s == due_s


def test_what_ended_while_nobody_looked_ends_at_the_first_look() -> None:
    paper = PaperHouse(house=back_from(rows_of(lived_house().house), now_s=20_000.0).house, now_s=20_000.0)

    decision = paper.decide(20_000.0, ready())

    ended = {(event.kind.value, event.subject) for event in decision.events}
    assert {("trim_ended", "b"), ("skip_ended", "b"), ("closed_ended", "a")} <= ended
    assert [(zone.trim, zone.closed, zone.skip) for zone in paper.house.zones] == [(None, None, None)] * 2
