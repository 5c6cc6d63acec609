"""Events as lines of the journal, and changes of settings as they are kept."""

import json
from datetime import UTC, datetime, timedelta
from math import inf
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.app.recording import NOT_JOURNALLED, entry_of, kept_revision, stamp, wall_of
from mistd.core.events import Event, EventKind
from mistd.core.settings import HoldSet, Revision, SettingKind
from simulators.bench_clock import LoopClock

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
NOW_S = 0.0


@pytest.fixture
def clock() -> LoopClock:
    return LoopClock(starts_at=NOON, loop_time=lambda: 0.0)


def event(kind: EventKind, at_s: float = NOW_S) -> Event:
    return Event(kind=kind, at_s=at_s, subject="left", reason="as ordered", figures={})


# --- lines of the journal


@pytest.mark.parametrize("kind", EventKind)
def test_every_event_but_the_beginning_of_a_burst_is_a_line_of_the_journal(
    kind: EventKind, clock: LoopClock
) -> None:
    entry = entry_of(event(kind), clock)

    if kind is EventKind.BURST_STARTED:
        assert entry is None
    else:
        assert entry is not None
        assert (entry.kind, entry.subject, entry.reason) == (kind.value, "left", "as ordered")


def test_only_the_beginning_of_a_burst_is_left_out() -> None:
    assert set(NOT_JOURNALLED) == {EventKind.BURST_STARTED}


@given(
    figures=st.dictionaries(
        st.text(max_size=8),
        st.one_of(st.floats(allow_nan=False), st.integers(-(2**53), 2**53), st.text(max_size=8)),
        max_size=4,
    )
)
def test_the_figures_of_an_event_survive(figures: dict[str, float | str]) -> None:
    clock = LoopClock(starts_at=NOON, loop_time=lambda: 0.0)
    ended = Event(kind=EventKind.BURST_ENDED, at_s=0.0, subject="left", reason="", figures=figures)

    entry = entry_of(ended, clock)

    assert entry is not None
    assert json.loads(entry.figures) == figures


def test_a_line_says_when_it_happened_and_whether_that_can_be_believed(clock: LoopClock) -> None:
    clock.loop_time = lambda: 60.0
    began = event(EventKind.FROST_BEGAN, 57.5)

    believed = entry_of(began, clock)
    clock.trusted = False
    doubted = entry_of(began, clock)

    assert believed is not None
    assert doubted is not None
    assert (believed.at, believed.is_time_trusted) == ("2026-06-21T10:00:57.500Z", True)
    assert (doubted.at, doubted.is_time_trusted) == (believed.at, False)


# --- instants and changes


def test_instants_are_kept_in_utc_and_sort_as_text() -> None:
    brussels = datetime(2026, 10, 25, 2, 30, tzinfo=ZoneInfo("Europe/Brussels"))  # comes twice
    instants = [brussels, brussels.replace(fold=1), NOON + timedelta(days=3652, microseconds=999)]

    stamps = [stamp(each) for each in instants]

    assert stamps == ["2026-10-25T00:30:00.000Z", "2026-10-25T01:30:00.000Z", "2036-06-20T10:00:00.000Z"]
    assert sorted(stamps) == stamps


def test_an_instant_is_told_by_the_clock_as_it_stands_now(clock: LoopClock) -> None:
    clock.stepped_by = timedelta(hours=1)

    assert wall_of(NOW_S - 10.0, clock) == NOON + timedelta(hours=1, seconds=-10.0)


def test_a_change_is_kept_with_everything_that_is_known_of_it(clock: LoopClock) -> None:
    revision = Revision(
        id=7,
        kind=SettingKind.HOLD,
        zone="left",
        value=HoldSet(for_s=600.0),
        ends_s=NOW_S + 600.0,
        author="Ida",
        note="potting",
        request_id="r",
        undoes=3,
    )

    kept = kept_revision(revision, clock)

    assert (kept.id, kept.kind, kept.subject, kept.undoes) == (7, "hold", "left", 3)
    assert (kept.at, kept.until) == ("2026-06-21T10:00:00.000Z", "2026-06-21T10:10:00.000Z")
    assert json.loads(kept.value or "") == {"for_s": 600.0}
    assert (kept.author, kept.note, kept.request_id) == ("Ida", "potting", "r")


def test_a_change_that_takes_a_value_away_has_neither_value_nor_end(clock: LoopClock) -> None:
    revision = Revision(
        id=8,
        kind=SettingKind.TRIM,
        zone="left",
        value=None,
        ends_s=inf,
        author="Ida",
        note="",
        request_id="r",
    )

    kept = kept_revision(revision, clock)

    assert (kept.value, kept.until, kept.undoes) == (None, None, None)
