"""Revisions and their order: what stands, what is below it, what can be undone, and how values are said."""

from math import inf

import pytest

from mistd.core.almanac import DayPart
from mistd.core.settings import (
    NO_SETTINGS,
    UNDOABLE,
    ClosedSet,
    CycleSet,
    CycleWanted,
    HoldSet,
    Key,
    PartsSet,
    Revision,
    SettingKind,
    Settings,
    SettingValue,
    SkipSet,
    TrimSet,
    said,
    said_timetable,
    until_s,
)
from mistd.ports.store import REVISIONS_LOADED
from tests.core.houses import timetable

FILM_WANTED = CycleWanted(written={"cycle": "film", "dry_back_percent": 40.0}, words="film: dry-back 40 %")
TRIM_OF_A: Key = (SettingKind.TRIM, "a")


def revision(number: int, key: Key = TRIM_OF_A, *, undoes: int | None = None) -> Revision:
    kind, zone = key
    return Revision(
        id=number,
        kind=kind,
        zone=zone,
        value=None if undoes else TrimSet(fraction=number / 100.0, for_s=60.0),
        ends_s=inf,
        author="ilse",
        note="",
        request_id=f"set-{number}",
        undoes=undoes,
    )


def settings_of(*revisions: Revision) -> Settings:
    settings = NO_SETTINGS
    for each in revisions:
        settings = settings.with_revision(each)
    return settings


def test_what_nobody_ever_set_stands_at_revision_0() -> None:
    assert NO_SETTINGS.last_id == 0
    assert NO_SETTINGS.newest_id(TRIM_OF_A) == 0
    assert NO_SETTINGS.top(TRIM_OF_A) is None
    assert NO_SETTINGS.found(1) is None


def test_the_newest_revision_stands_over_those_before_it() -> None:
    first, second = revision(1), revision(2)

    settings = settings_of(first, second)

    assert settings.newest_id(TRIM_OF_A) == 2
    assert settings.top(TRIM_OF_A) is second
    assert settings.below(second) is first
    assert (settings.found(1), settings.found(2)) == (first, second)


def test_an_undone_revision_gives_way_to_the_one_below_and_the_undoing_is_the_newest() -> None:
    first, second, undoing = revision(1), revision(2), revision(3, undoes=2)

    settings = settings_of(first, second, undoing)

    assert settings.newest[TRIM_OF_A] is undoing
    assert settings.top(TRIM_OF_A) is first
    assert settings.below(first) is None
    assert (settings.found(2), settings.found(3)) == (None, None)


def test_settings_of_other_kinds_and_zones_have_their_own_revisions() -> None:
    others: list[Key] = [(SettingKind.TRIM, "b"), (SettingKind.SKIP, "a")]
    first = revision(1)

    settings = settings_of(first, *(revision(place + 2, key) for place, key in enumerate(others)))

    assert settings.top(TRIM_OF_A) is first
    assert [settings.newest_id(key) for key in others] == [2, 3]
    assert settings.last_id == 3


def test_one_more_revision_leaves_the_settings_before_it_as_they_were() -> None:
    before = settings_of(revision(1))

    before.with_revision(revision(2)).with_revision(revision(3, undoes=2))

    assert before == settings_of(revision(1))


def test_the_last_id_never_goes_back() -> None:
    settings = Settings(last_id=70).with_revision(revision(12))

    assert settings.last_id == 70
    assert settings.with_revision(revision(71)).last_id == 71


def test_as_many_revisions_are_remembered_as_can_be_undone() -> None:
    settings = settings_of(*(revision(number) for number in range(1, UNDOABLE + 1)))
    assert settings.found(1) is not None

    settings = settings.with_revision(revision(UNDOABLE + 1))

    assert settings.found(1) is None
    assert [each.id for each in settings.stacks[TRIM_OF_A]] == list(range(2, UNDOABLE + 2))


def test_what_can_be_undone_is_what_a_store_gives_back() -> None:
    assert UNDOABLE == REVISIONS_LOADED


def test_what_was_before_the_oldest_remembered_is_known_only_while_nothing_was_forgotten() -> None:
    settings = settings_of(*(revision(number) for number in range(1, UNDOABLE + 1)))
    first, second = settings.stacks[TRIM_OF_A][:2]
    assert settings_of(first).is_known_before(first)
    assert settings.is_known_before(second)

    settings = settings.with_revision(revision(UNDOABLE + 1))
    for number in range(UNDOABLE + 1, 2, -1):
        settings = settings.with_revision(revision(100 + number, undoes=number))

    assert settings.top(TRIM_OF_A) is second
    assert not settings.is_known_before(second)
    assert settings.with_revision(revision(200)).is_known_before(revision(200))


@pytest.mark.parametrize(
    ("value", "ends_s"),
    [
        (None, inf),
        (timetable(), inf),
        (FILM_WANTED, inf),
        (CycleSet(cycle=None, wanted=FILM_WANTED), inf),
        (PartsSet(parts={DayPart.DAY: None}), inf),
        (TrimSet(fraction=0.1, for_s=60.0), 160.0),
        (HoldSet(for_s=70.0), 170.0),
        (ClosedSet(for_s=80.0), 180.0),
        (SkipSet(for_s=90.0), 190.0),
    ],
)
def test_a_passing_value_ends_after_its_time_and_a_lasting_one_never(
    value: SettingValue | None, ends_s: float
) -> None:
    assert until_s(value, 100.0) == ends_s


@pytest.mark.parametrize(
    ("kind", "value", "words"),
    [
        (
            SettingKind.TIMETABLE,
            timetable(4.0, 1800.0, off=[DayPart.DAWN], others={DayPart.DUSK: (4.5, 90.0)}),
            "timetable night 4 s / 30 min, dawn off, day 4 s / 30 min, dusk 4.5 s / 1.5 min",
        ),
        (SettingKind.TRIM, TrimSet(fraction=0.29, for_s=3599.0), "water +29 % for 60 min"),
        (SettingKind.TRIM, TrimSet(fraction=-0.125, for_s=3600.0), "water -12.5 % for 1 h"),
        (SettingKind.HOLD, HoldSet(for_s=1800.0), "held dry for 30 min"),
        (SettingKind.CLOSED, ClosedSet(for_s=43_200.0), "closed for 12 h, mist goes on"),
        (SettingKind.SKIP, SkipSet(for_s=3600.0), "the next burst is left out"),
        (SettingKind.CYCLE, FILM_WANTED, "cycle film: dry-back 40 %"),
        (SettingKind.CYCLE, CycleSet(cycle=None, wanted=FILM_WANTED), "cycle film: dry-back 40 %"),
        (SettingKind.TIMETABLE, None, "timetable as in the house's file"),
        (SettingKind.CYCLE, None, "cycle as in the house's file"),
        (SettingKind.TRIM, None, "no trim"),
        (SettingKind.HOLD, None, "released"),
        (SettingKind.CLOSED, None, "open to people"),
        (SettingKind.SKIP, None, "no burst is left out"),
    ],
)
def test_a_value_is_said_in_a_growers_words(
    kind: SettingKind, value: SettingValue | None, words: str
) -> None:
    assert said(kind, value) == words


def test_a_timetable_is_said_in_the_order_of_its_parts() -> None:
    assert said_timetable(timetable(5.0, 100.0)).count("5 s / 1.667 min") == len(DayPart)
