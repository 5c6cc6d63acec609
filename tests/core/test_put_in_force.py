"""Settings at a start: what was set is in force again, but for what the house's file forbids by now."""

import json
from dataclasses import replace
from math import nextafter

import pytest

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.durable import Restored, durable, restored
from mistd.core.events import EventKind
from mistd.core.plan import HousePlan
from mistd.core.settings import NO_SETTINGS, SettingKind, SettingValue, TrimSet
from tests.core.houses import (
    PaperHouse,
    almanac,
    ask_setting,
    ask_undo,
    house_at_work,
    house_plan,
    openings,
    ready,
    timetable,
    zone_plan,
)

PLAN = house_plan(zone_plan("a"), zone_plan("b"))
SET = timetable(8.0, 300.0)


def set_house(*values: tuple[str, SettingKind, SettingValue | None], plan: HousePlan = PLAN) -> PaperHouse:
    paper = house_at_work(plan)
    for number, (zone, kind, value) in enumerate(values):
        paper.decide(1.0 + number, ask_setting(kind, value, zone, request_id=f"set-{number}"))
    assert paper.house.settings.last_id == len(values)
    return paper


def started(paper: PaperHouse, plan: HousePlan = PLAN, now_s: float = 30.0) -> Restored:
    rows = json.loads(json.dumps(durable(paper.house)))
    back = restored(plan, rows, almanac(), now_s, settings=paper.house.settings)
    assert back.unreadable == ()
    return back


def timetables(back: Restored) -> list[TimedCycle | None]:
    return [zone.timetable for zone in back.house.zones]


def trims(back: Restored) -> list[float | None]:
    return [zone.trim.fraction if zone.trim else None for zone in back.house.zones]


def file_with(**limits: float) -> HousePlan:
    return house_plan(*(zone_plan(name, **limits) for name in "ab"))  # type: ignore[arg-type]


def trim(fraction: float, for_s: float = 3600.0) -> TrimSet:
    return TrimSet(fraction=fraction, for_s=for_s)


def test_what_was_set_is_in_force_again_after_a_start() -> None:
    paper = set_house(("a", SettingKind.TIMETABLE, SET), ("b", SettingKind.TRIM, trim(0.25)))

    back = started(paper)

    assert back.not_applied == ()
    assert timetables(back) == [SET, None]
    assert trims(back) == [None, 0.25]
    assert [zone.due_s for zone in back.house.zones] == [300.0, 480.0]
    assert back.house.settings is paper.house.settings


def test_the_newest_that_was_not_taken_back_is_put_in_force() -> None:
    other = timetable(4.0, 400.0)
    paper = set_house(("a", SettingKind.TIMETABLE, SET), ("a", SettingKind.TIMETABLE, other))
    assert timetables(started(paper)) == [other, None]

    paper.decide(10.0, ask_undo(2))
    assert timetables(started(paper)) == [SET, None]

    paper.decide(11.0, ask_setting(SettingKind.TIMETABLE, None))
    assert timetables(started(paper)) == [None, None]


def test_without_settings_the_file_speaks() -> None:
    back = restored(PLAN, durable(house_at_work(PLAN).house), almanac(), 30.0)

    assert timetables(back) == [None, None]
    assert back.not_applied == ()


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ({"longest_burst_s": nextafter(8.0, 0.0)}, "burst_s: 8 s; allowed up to"),
        ({"shortest_burst_s": nextafter(8.0, 9.0), "longest_burst_s": 20.0}, "would wet nothing"),
        ({"shortest_rest_s": nextafter(300.0, 999.0)}, "gap_min: 5 min; allowed from"),
    ],
)
def test_a_timetable_that_the_file_forbids_by_now_gives_way_to_the_files_and_is_told(
    limits: dict[str, float], words: str
) -> None:
    paper = set_house(("a", SettingKind.TIMETABLE, SET))

    back = started(paper, file_with(**limits))

    assert timetables(back) == [None, None]
    ((zone, reason),) = back.not_applied
    assert zone == "a"
    assert reason.startswith("it has the timetable of the house's file: night ")
    assert words in reason
    assert reason.count(words) == len(DayPart)
    assert back.house.zones[0].due_s == 600.0


@pytest.mark.parametrize(
    "limits", [{"longest_burst_s": 8.0}, {"shortest_burst_s": 8.0}, {"shortest_rest_s": 300.0}]
)
def test_a_timetable_exactly_on_the_files_new_limit_stays_in_force(limits: dict[str, float]) -> None:
    back = started(set_house(("a", SettingKind.TIMETABLE, SET)), file_with(**limits))

    assert timetables(back) == [SET, None]
    assert back.not_applied == ()


def test_a_timetable_without_any_mist_is_never_put_in_force() -> None:
    """We would not write one; but a file can be written by others."""
    paper = set_house(("a", SettingKind.TIMETABLE, SET))
    (revision,) = paper.house.settings.stacks[SettingKind.TIMETABLE, "a"]
    settings = NO_SETTINGS.with_revision(replace(revision, value=timetable(off=list(DayPart))))

    back = restored(PLAN, durable(paper.house), almanac(), 30.0, settings=settings)

    assert timetables(back) == [None, None]
    assert "off in every part of the day" in back.not_applied[0][1]


def test_a_timetable_that_is_not_applied_can_still_be_undone_and_set_anew() -> None:
    paper = set_house(("a", SettingKind.TIMETABLE, SET))
    back = started(paper, file_with(longest_burst_s=7.0))
    again = PaperHouse(house=back.house, now_s=30.0)
    again.decide(30.0, ready())

    again.decide(40.0, ask_undo(1))
    again.decide(41.0, ask_setting(SettingKind.TIMETABLE, timetable(7.0, 300.0), expected_revision=2))

    assert again.answers() == [("undo-1", "done"), ("set-1", "done")]
    assert again.zone().timetable == timetable(7.0, 300.0)


def test_a_timetable_that_was_not_applied_is_in_force_when_the_file_allows_it_again() -> None:
    paper = set_house(("a", SettingKind.TIMETABLE, SET))
    back = started(paper, file_with(longest_burst_s=7.0))

    assert timetables(started(PaperHouse(house=back.house, now_s=30.0))) == [SET, None]


# Trims.


def test_a_trim_that_the_file_forbids_by_now_is_dropped_and_told() -> None:
    paper = set_house(("b", SettingKind.TRIM, trim(1.0)))

    back = started(paper, file_with(shortest_rest_s=nextafter(300.0, 999.0)))

    assert trims(back) == [None, None]
    ((zone, reason),) = back.not_applied
    assert zone == "b"
    assert reason.startswith("its trim is dropped: with +100 % water, night gap_min: 5 min; allowed from")
    assert back.house.zones[1].due_s == 600.0


def test_a_trim_exactly_on_the_files_new_limit_stays() -> None:
    back = started(set_house(("b", SettingKind.TRIM, trim(1.0))), file_with(shortest_rest_s=300.0))

    assert trims(back) == [None, 1.0]
    assert back.not_applied == ()


def test_a_trim_is_judged_by_the_timetable_that_is_put_in_force() -> None:
    """600 s of the file halved are enough for a rest of 300 s; the 300 s that were set are not for 200 s."""
    paper = set_house(("a", SettingKind.TIMETABLE, SET), ("a", SettingKind.TRIM, trim(1.0)))

    back = started(paper, file_with(shortest_rest_s=200.0))
    assert (timetables(back)[0], trims(back)[0]) == (SET, None)
    back = started(paper, file_with(shortest_rest_s=300.0, longest_burst_s=7.0))
    assert (timetables(back)[0], trims(back)[0]) == (None, 1.0)


def test_a_trim_that_ended_while_nobody_looked_is_told_so_and_judged_no_more() -> None:
    paper = set_house(("b", SettingKind.TRIM, trim(1.0, 60.0)))

    back = started(paper, file_with(shortest_rest_s=400.0), now_s=61.0)

    assert back.not_applied == ()
    again = PaperHouse(house=back.house, now_s=61.0)
    again.decide(61.0)
    assert [event.subject for event in again.told(EventKind.TRIM_ENDED)] == ["b"]
    assert again.zone("b").trim is None


# The round of the line: two bursts of 5 s and pauses of 2 s take 14 s.

QUICK = house_plan(*(zone_plan(name, timetable(5.0, 600.0), shortest_rest_s=1.0) for name in "abc"))


@pytest.mark.parametrize(
    "value", [(SettingKind.TIMETABLE, timetable(5.0, 21.0)), (SettingKind.TRIM, trim(1.0))]
)
def test_zones_that_want_more_of_the_line_than_there_is_go_back_to_the_file(
    value: tuple[SettingKind, SettingValue],
) -> None:
    kind, wanted = value
    plan = QUICK
    if kind is SettingKind.TRIM:
        plan = house_plan(*(zone_plan(name, timetable(5.0, 42.0), shortest_rest_s=1.0) for name in "abc"))
    paper = set_house(("a", kind, wanted), ("b", SettingKind.TRIM, trim(-0.5)), plan=plan)
    assert started(paper, plan).not_applied == ()

    back = started(paper, house_plan(*plan.zones, pause_s=2.1))

    assert timetables(back) == [None, None, None]
    assert trims(back) == [None, None, None]
    assert [zone for zone, _ in back.not_applied] == ["a", "b"]  # c has nothing that could be taken away
    for _, reason in back.not_applied:
        assert reason.startswith(
            "it has the timetable of the house's file, without a trim: by night the 3 zones take 21 s"
        )


def test_a_trim_that_is_over_is_not_counted_in_the_round() -> None:
    plan = house_plan(*(zone_plan(name, timetable(5.0, 42.0), shortest_rest_s=1.0) for name in "abc"))
    wanted = timetable(5.0, 300.0)
    paper = set_house(
        ("a", SettingKind.TRIM, trim(1.0, 60.0)), ("b", SettingKind.TIMETABLE, wanted), plan=plan
    )

    back = started(paper, house_plan(*plan.zones, pause_s=2.1), now_s=61.0)

    assert back.not_applied == ()
    assert timetables(back) == [None, wanted, None]


def test_a_house_that_was_given_the_files_timetables_mists_by_them() -> None:
    paper = set_house(("a", SettingKind.TIMETABLE, SET))
    back = started(paper, file_with(longest_burst_s=7.0))
    again = PaperHouse(house=back.house, now_s=30.0)
    again.decide(30.0, ready())
    again.wait_until(599.0)
    assert again.orders() == []

    assert openings(again.decide(600.0)) == [("a", 5.0)]
