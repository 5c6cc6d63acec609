"""How settings stand and who changed them, as it is told: when it is kept, and when something has ended."""

from dataclasses import replace
from datetime import timedelta
from math import inf
from pathlib import Path
from typing import Any

import pytest

from mistd.app.config import Config
from mistd.app.demand_plan import Benches
from mistd.app.resuming import settings_from
from mistd.app.setting_forms import FORMS
from mistd.app.telling_settings import CHANGES_TOLD
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedPart
from mistd.core.requests import AskBurst, AskRelease, AskUndo
from mistd.core.settings import (
    ClosedSet,
    CycleSet,
    CycleWanted,
    HoldSet,
    PartsSet,
    SettingKind,
    SettingValue,
    SkipSet,
    TrimSet,
)
from mistd.core.zone import Phase, Trim
from mistd.ports.store import KeptRevision
from simulators.bench_clock import LoopClock
from tests.app.house_files import loaded_house, set_to
from tests.app.settings_desk import FILES, NEVER_SET, NOON, Desk


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return loaded_house(tmp_path)


@pytest.fixture
def desk(config: Config) -> Desk:
    return Desk(config)


TRIM = TrimSet(fraction=-0.2, for_s=7200.0)


# --- what


def test_a_house_in_which_nobody_set_anything_tells_what_its_file_says(desk: Desk) -> None:
    assert desk.news() == ["changes", "settings/left", "settings/right"]

    settings = desk.settings("right")
    assert settings.pop("timetable") == NEVER_SET | {"value": FILES}
    assert settings.pop("cycle") == NEVER_SET | {"value": {"cycle": "timed"}}
    assert settings == dict.fromkeys(("trim", "hold", "closed", "skip"), NEVER_SET)
    assert desk.changes() == []


BY_THE_TIMETABLE = CycleSet(cycle=None, wanted=CycleWanted(written={"cycle": "timed"}, words="timed"))
SET: dict[SettingKind, tuple[SettingValue, Any, float | None]] = {
    SettingKind.TIMETABLE: (
        PartsSet(parts={DayPart.DAY: TimedPart(burst_s=7.0, gap_s=300.0), DayPart.NIGHT: None}),
        FILES | {"day": {"burst_s": 7.0, "gap_min": 5.0}, "night": {"off": True}},
        None,
    ),
    SettingKind.CYCLE: (BY_THE_TIMETABLE, {"cycle": "timed"}, None),
    SettingKind.TRIM: (TRIM, {"percent": -20.0, "for_s": 7200.0}, 7200.0),
    SettingKind.HOLD: (HoldSet(for_s=600.0), {"for_s": 600.0}, 600.0),
    SettingKind.CLOSED: (ClosedSet(for_s=3600.0), {"for_s": 3600.0}, 3600.0),
    SettingKind.SKIP: (SkipSet(for_s=240.0), {"for_s": 240.0}, 240.0),
}


def test_there_is_an_example_of_every_kind() -> None:
    assert set(SET) == set(SettingKind)


@pytest.mark.parametrize("kind", SettingKind)
def test_what_is_set_is_told_with_who_when_and_until_when(kind: SettingKind, desk: Desk) -> None:
    value, plain, for_s = SET[kind]
    desk.now_s += 0.25

    desk.set(kind, value, author="Ana", note="overcast")
    desk.keep()

    at = NOON + timedelta(seconds=0.25)
    until = None if for_s is None else at + timedelta(seconds=for_s)
    told = {"value": plain, "revision": 1, "by": "Ana", "at": at, "until": until, "note": "overcast"}
    assert desk.settings()[kind.value] == told
    (change,) = desk.changes()
    assert change.pop("said")
    assert change == told | {"zone": "left", "setting": kind.value, "undoes": None}


def test_a_change_is_told_of_its_own_zone_only(desk: Desk) -> None:
    desk.news()

    desk.set(SettingKind.TRIM, TRIM)
    desk.keep()

    assert desk.news() == ["changes", "settings/left"]


def test_an_undone_change_is_told_as_a_change_that_undoes_it(desk: Desk) -> None:
    desk.set(SettingKind.TRIM, TRIM)
    desk.keep()

    desk.turn(AskUndo(request_id="u", revision=1, author="Ana", note="sun"))
    desk.keep()

    newest, before = desk.changes()
    assert (newest["revision"], newest["undoes"], newest["value"], newest["by"]) == (2, 1, None, "Ana")
    assert (before["revision"], before["undoes"]) == (1, None)
    trim = desk.settings()["trim"]
    assert (trim["value"], trim["until"], trim["revision"], trim["note"]) == (None, None, 2, "sun")


def test_a_timetable_that_was_set_back_is_told_as_the_files_own_with_who_did_it(desk: Desk) -> None:
    desk.set(SettingKind.TIMETABLE, SET[SettingKind.TIMETABLE][0])
    desk.keep()

    desk.set(SettingKind.TIMETABLE, None, author="Ana")
    desk.keep()

    timetable = desk.settings()["timetable"]
    assert (timetable["value"], timetable["revision"], timetable["by"]) == (FILES, 2, "Ana")


# --- when


def test_the_same_house_is_not_told_again(desk: Desk) -> None:
    desk.news()

    desk.teller.tell_state(desk.house)
    desk.turn(after_s=10.0)

    assert desk.news() == []


def test_a_burst_tells_nothing_of_settings(desk: Desk) -> None:
    desk.news()

    desk.turn(AskBurst(request_id="b", zone="left", for_s=None, author="Ida", expires_at_s=inf), after_s=60.0)

    assert desk.house.zones[0].phase is Phase.ORDERED
    assert desk.news() == []


def test_nothing_is_told_of_a_change_before_it_is_kept(desk: Desk) -> None:
    """Else a kill could give its number to another change, which somebody would take for this one."""
    desk.news()

    desk.set(SettingKind.TRIM, TRIM)
    desk.turn(after_s=100.0)
    early = desk.news()
    desk.keep()

    assert early == []
    assert desk.settings()["trim"]["revision"] == 1


def test_nothing_is_told_of_a_zone_of_which_the_newest_change_is_not_kept_yet(desk: Desk) -> None:
    desk.set(SettingKind.TRIM, TRIM)
    desk.set(SettingKind.SKIP, SkipSet(for_s=240.0))
    first, second = desk.waiting
    desk.news()

    desk.teller.tell_change(first)
    early = desk.news()
    desk.teller.tell_change(second)

    assert early == ["changes"]
    assert desk.news() == ["changes", "settings/left"]
    revisions = {kind: each["revision"] for kind, each in desk.settings().items()}
    assert revisions == {"timetable": 0, "cycle": 0, "trim": 1, "hold": 0, "closed": 0, "skip": 2}


def test_a_zone_waiting_for_the_disk_does_not_keep_another_from_being_told(desk: Desk) -> None:
    desk.set(SettingKind.TRIM, TRIM, zone="left")
    desk.set(SettingKind.TRIM, TRIM, zone="right")
    _, right = desk.waiting
    desk.news()

    desk.teller.tell_change(right)

    assert desk.news() == ["changes", "settings/right"]


@pytest.mark.parametrize("kind", [kind for kind in SettingKind if SET[kind][2] is not None])
def test_what_has_ended_by_itself_is_told_as_ended_at_once(kind: SettingKind, desk: Desk) -> None:
    value, _, for_s = SET[kind]
    assert for_s is not None
    desk.set(kind, value)
    desk.keep()
    if kind is SettingKind.HOLD:
        desk.turn(after_s=for_s - 120.0)  # it warns first
        for_s = 120.0
    desk.news()

    desk.turn(after_s=for_s)

    assert desk.waiting == []
    assert desk.news() == ["settings/left"]
    setting = desk.settings()[kind.value]
    assert (setting["value"], setting["until"], setting["revision"]) == (None, None, 1)


def test_a_hold_that_is_released_is_told_when_that_is_kept(desk: Desk) -> None:
    desk.set(SettingKind.HOLD, HoldSet(for_s=600.0))
    desk.keep()
    desk.news()

    desk.turn(AskRelease(request_id="x", zone="left", author="Ana"), after_s=60.0)
    early = desk.news()
    desk.keep()

    assert early == []
    hold = desk.settings()["hold"]
    assert (hold["value"], hold["revision"], hold["by"]) == (None, 2, "Ana")


# --- the newest changes


@pytest.mark.parametrize("count", [1, CHANGES_TOLD - 1, CHANGES_TOLD, CHANGES_TOLD + 1])
def test_the_newest_changes_are_told_newest_first_and_twenty_at_most(count: int, desk: Desk) -> None:
    assert CHANGES_TOLD == 20
    for number in range(count):
        desk.set(SettingKind.TRIM, TrimSet(fraction=-0.2, for_s=600.0 + number))
        desk.keep()

    told = [change["revision"] for change in desk.changes()]
    assert told == list(range(count, 0, -1))[:20]


# --- after a start


def one_of_each(config: Config) -> list[KeptRevision]:
    desk = Desk(config)
    for kind in (SettingKind.TIMETABLE, SettingKind.TRIM, SettingKind.SKIP):
        desk.set(kind, SET[kind][0], author=f"author of {kind.value}")
    desk.set(SettingKind.CLOSED, SET[SettingKind.CLOSED][0], zone="right")
    desk.keep()
    return desk.kept


def resumed(config: Config, *kept: KeptRevision) -> Desk:
    """Another start, with what was set before; what passes is over, for there are no rows of it."""
    clock = LoopClock(starts_at=NOON, loop_time=lambda: 0.0)
    settings, _ = settings_from(kept, max((each.id for each in kept), default=0), clock, Benches(config))
    return Desk(config, kept, settings)


def test_after_a_start_the_changes_of_before_are_told_again(config: Config) -> None:
    desk = resumed(config, *one_of_each(config))

    assert desk.news() == ["changes", "settings/left", "settings/right"]
    assert [change["revision"] for change in desk.changes()] == [4, 3, 2, 1]
    trim = desk.settings()["trim"]
    assert (trim["by"], trim["revision"]) == ("author of trim", 2)
    assert (trim["value"], trim["until"]) == (None, None)


def test_only_the_newest_of_each_setting_stands_whatever_order_they_were_read_in(config: Config) -> None:
    desk = Desk(config)
    for author in ("Ana", "Ida"):
        desk.set(SettingKind.TRIM, TRIM, author=author)
    desk.keep()

    backwards = resumed(config, *reversed(desk.kept))

    assert backwards.settings()["trim"]["by"] == "Ida"
    assert [change["by"] for change in backwards.changes()] == ["Ida", "Ana"]


DAMAGED: dict[str, dict[str, Any]] = {
    "a_kind_of_a_later_version": {"kind": "programme"},
    "no_json": {"value": "percent 20"},
    "a_list": {"value": "[1]"},
    "another_form": {"value": '{"colour": 1}'},
    "no_instant": {"at": "yesterday"},
    "an_instant_without_an_offset": {"at": "2026-06-21T10:00:00"},
    "no_end": {"until": "never"},
    "a_timetable_without_a_part": {"kind": "timetable", "value": "{}"},
    "nested": {"value": "[" * 5000},
}


@pytest.mark.parametrize("name", DAMAGED)
def test_a_revision_that_cannot_be_understood_costs_no_telling_of_the_others(
    name: str, config: Config
) -> None:
    """The control loop tells: what was raised here would stop the misting."""
    kept = one_of_each(config)
    kept[1] = replace(kept[1], **DAMAGED[name])

    desk = resumed(config, *kept)
    told = desk.news()
    desk.set(SettingKind.TRIM, TRIM)
    desk.keep()

    assert told == ["changes", "settings/left", "settings/right"]
    assert [change["revision"] for change in desk.changes()] == [5, 4, 3, 1]
    assert desk.settings()["trim"]["revision"] == 5


@pytest.mark.parametrize(
    "name", sorted(set(DAMAGED) - {"a_kind_of_a_later_version", "a_timetable_without_a_part"})
)
def test_a_damaged_revision_of_what_is_in_force_is_told_as_far_as_it_is_understood(
    name: str, config: Config
) -> None:
    kept = replace(one_of_each(config)[1], **DAMAGED[name])
    desk = resumed(config, kept)
    trim = Trim(fraction=-0.2, ends_s=desk.now_s + 600.0, author="Ida", note="")

    desk.house.zones[0].trim = trim
    desk.news()
    desk.teller.tell_state(desk.house)

    assert desk.news() == ["settings/left"]
    told = desk.settings()["trim"]
    assert (told["value"], told["at"]) == (None, None)
    assert (told["revision"], told["by"]) == (2, "author of trim")
    assert told["until"] == NOON + timedelta(seconds=600.0)


# --- cycles

ON_FILM = set_to("zones.0.cycle", "film"), set_to("zones.0.demand", {"dry_back_percent": 42.5, "day": {}})


def test_a_cycle_of_the_file_is_told_as_the_file_has_it(tmp_path: Path) -> None:
    desk = Desk(loaded_house(tmp_path, *ON_FILM))

    told = desk.settings()["cycle"]

    assert told == NEVER_SET | {"value": {"cycle": "film", "dry_back_percent": 42.5, "day": {}}}


def test_a_cycle_that_is_set_is_told_word_for_word_and_taken_back_as_the_files(tmp_path: Path) -> None:
    config = loaded_house(tmp_path, *ON_FILM)
    desk, plain = Desk(config), {"cycle": "vpd", "set_point_kpa_h": 0.37, "night": {"mist": "sparse"}}
    form = FORMS[SettingKind.CYCLE]
    desk.set(SettingKind.CYCLE, Benches(config).reckoned("left", form.core(form.form.model_validate(plain))))
    desk.keep()
    told = desk.settings()["cycle"]
    (change,) = desk.changes()

    desk.set(SettingKind.CYCLE, None, author="Ana")
    desk.keep()

    assert (told["value"], told["revision"]) == (plain, 1)
    assert (change["value"], change["said"]) == (plain, "cycle vpd: set point 0.37 kPa.h, night sparse")
    back = desk.settings()["cycle"]
    assert (back["value"]["cycle"], back["revision"], back["by"]) == ("film", 2, "Ana")
