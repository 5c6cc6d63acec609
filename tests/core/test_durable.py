"""What a restart needs: rows that survive, rows that are spoiled, and clocks that begin anew."""

import json
from collections.abc import Mapping
from math import inf, nan

import pytest

from mistd.core.durable import HOUSE_ROW, ZONE_ROW, Restored, durable, restored
from mistd.core.events import EventKind
from mistd.core.house import House
from mistd.core.rows import Plain, Row
from mistd.core.settings import ClosedSet, SettingKind, SkipSet, TrimSet
from mistd.core.units import S_PER_DAY
from mistd.core.zone import HOLD_WARNING_S, WaterCount
from tests.core.houses import (
    PaperHouse,
    account,
    almanac,
    ask_burst,
    ask_hold,
    ask_setting,
    house_at_work,
    house_misting,
    house_plan,
    ready,
    zone_plan,
)

PLAN = house_plan(zone_plan("a"), zone_plan("b"))
NOW_S = 3000.0
Rows = dict[str, Row]


def lived_house() -> PaperHouse:
    """Both zones misted, a day counted, b held by ilse until 3,900, trimmed and to be skipped, a closed."""
    paper = house_at_work(PLAN, part=almanac(day_began_s=600.0 - S_PER_DAY))
    paper.mist_until(700.0)
    paper.decide(700.0, almanac(local_date=paper.house.counting_date.replace(day=15), day_began_s=600.0))
    paper.mist_until(2100.0)
    paper.decide(
        2100.0,
        ask_hold("b", note="sticking"),
        ask_setting(SettingKind.TRIM, TrimSet(fraction=0.25, for_s=7200.0), "b", request_id="set-1"),
        ask_setting(SettingKind.SKIP, SkipSet(for_s=7200.0), "b", request_id="set-2"),
        ask_setting(SettingKind.CLOSED, ClosedSet(for_s=7200.0), "a", request_id="set-3"),
    )
    return paper


def through_json(rows: Mapping[str, Row]) -> Rows:
    """As a store would give them back."""
    return {name: json.loads(json.dumps(row)) for name, row in rows.items()}


def rows_of(house: House) -> Rows:
    return through_json(durable(house))


def back_from(rows: Mapping[str, Row], now_s: float = NOW_S, **how: float) -> Restored:
    return restored(PLAN, rows, almanac(), now_s, **how)  # type: ignore[arg-type]


def test_there_is_a_row_for_the_house_and_one_for_each_zone() -> None:
    assert set(durable(lived_house().house)) == {HOUSE_ROW, ZONE_ROW + "a", ZONE_ROW + "b"}


def test_what_comes_back_gives_the_same_rows_again() -> None:
    rows = rows_of(lived_house().house)

    back = back_from(rows)

    assert back.unreadable == ()
    assert rows_of(back.house) == rows


def test_a_house_that_was_never_misted_comes_back_so() -> None:
    rows = rows_of(house_at_work(PLAN, shut_s={"a": -inf}).house)
    assert rows[ZONE_ROW + "a"]["shut_s"] is None

    back = back_from(rows)

    assert back.unreadable == ()
    assert back.house.zones[0].shut_s == -inf


def test_bursts_counts_hold_and_tickets_come_back() -> None:
    before = lived_house().house

    after = back_from(rows_of(before)).house

    for was, now in zip(before.zones, after.zones, strict=True):
        assert (now.opened_s, now.shut_s, now.due_s, now.last_reason, now.hold, now.today, now.yesterday) == (
            was.opened_s,
            was.shut_s,
            was.due_s,
            was.last_reason,
            was.hold,
            was.today,
            was.yesterday,
        )
    assert after.zones[1].hold is not None
    assert after.zones[0].yesterday.bursts == 1
    assert (after.line.next_ticket, after.line.last_opening_s) == (
        before.line.next_ticket,
        before.line.last_opening_s,
    )
    assert (after.counting_date, after.counting_since_s) == (before.counting_date, before.counting_since_s)


def test_without_rows_a_house_begins_as_if_never_misted() -> None:
    back = back_from({})

    assert back.unreadable == ()
    assert [zone.shut_s for zone in back.house.zones] == [-inf, -inf]


def test_a_zone_that_is_new_begins_as_never_misted_and_one_that_is_gone_is_forgotten() -> None:
    rows = rows_of(lived_house().house)
    rows[ZONE_ROW + "c"] = rows.pop(ZONE_ROW + "b")

    back = back_from(rows)

    assert back.unreadable == ()
    assert [zone.plan.name for zone in back.house.zones] == ["a", "b"]
    assert back.house.zones[1].shut_s == -inf
    assert back.house.zones[1].hold is None


SPOILT: list[Plain] = ["text", "", True, inf, -inf, nan, 1e300, -1e300, 10**400, -(10**400), 1e12, None]
MISSING = object()
PASSING = ("trim", "closed", "skip")
SAYS_NOTHING = {
    *((ZONE_ROW + "a", field) for field in ("hold_author", "hold_note", "hold_is_warned", "trim_fraction")),
    *((ZONE_ROW + "a", f"{name}_{field}") for name in ("trim", "skip") for field in ("author", "note")),
    *((ZONE_ROW + "b", f"closed_{field}") for field in ("author", "note")),
}  # a is not held, trimmed or to be skipped, b not closed
FIELDS = [
    (name, field)
    for name, row in durable(lived_house().house).items()
    for field in row
    if (name, field) not in SAYS_NOTHING
]
LATER = {"skipped_s", *(f"{name}_ends_s" for name in PASSING)}  # rows of an earlier version lack these
MAY_BE_NONE = {"opened_s", "shut_s", "hold_ends_s", "last_opening_s", "counting_since_s", *LATER}
TEXTS = {
    *("last_reason", "hold_author", "hold_note"),
    *(f"{name}_{field}" for name in PASSING for field in ("author", "note")),
}


def spoilt_rows(name: str, field: str, value: object) -> Rows:
    rows = rows_of(lived_house().house)
    row = dict(rows[name])
    if value is MISSING:
        del row[field]
    else:
        row[field] = value  # type: ignore[assignment]
    return {**rows, name: row}


def is_no_spoiling(field: str, value: object) -> bool:
    """Whether this value is one that `durable` could have written there."""
    return (
        (value is None and field in MAY_BE_NONE)
        or (value is MISSING and field in LATER)
        or (isinstance(value, str) and field in TEXTS)
        or (value is True and field == "hold_is_warned")
    )


@pytest.mark.parametrize(("name", "field"), FIELDS)
def test_a_field_of_the_wrong_kind_costs_its_row_and_no_other(name: str, field: str) -> None:
    whole = rows_of(lived_house().house)
    spoilings = [value for value in [*SPOILT, MISSING] if not is_no_spoiling(field, value)]
    assert len(spoilings) > 5

    for value in spoilings:
        back = back_from(spoilt_rows(name, field, value))

        assert [words.split(":")[0] for words in back.unreadable] == [name], (field, value)
        assert field in back.unreadable[0]
        after = rows_of(back.house)
        assert {other: row for other, row in after.items() if other != name} == {
            other: row for other, row in whole.items() if other != name
        }, (field, value)


@pytest.mark.parametrize("name", [HOUSE_ROW, ZONE_ROW + "a", ZONE_ROW + "b"])
def test_a_row_that_is_lost_leaves_what_a_new_house_would_have(name: str) -> None:
    fresh = rows_of(back_from({}).house)

    back = back_from({**rows_of(lived_house().house), name: {}})

    assert len(back.unreadable) == 1
    assert rows_of(back.house)[name] == fresh[name]


@pytest.mark.parametrize("text", ["", "yesterday", "2026-13-01", "2026-02-30", "14.3.2026"])
def test_a_date_that_is_none_costs_the_house_row(text: str) -> None:
    back = back_from(spoilt_rows(HOUSE_ROW, "counting_date", text))

    assert [words.split(":")[0] for words in back.unreadable] == [HOUSE_ROW]


def test_whole_numbers_are_good_for_instants() -> None:
    back = back_from(spoilt_rows(ZONE_ROW + "a", "shut_s", 2500))

    assert back.unreadable == ()
    assert back.house.zones[0].due_s == 3100.0


def test_every_rows_trouble_is_told_and_every_house_made_again_can_decide() -> None:
    rows = rows_of(lived_house().house)

    back = back_from({name: {"shut_s": "soon"} for name in rows})

    assert len(back.unreadable) == 3
    paper = PaperHouse(house=back.house, now_s=NOW_S)
    paper.decide(NOW_S, ready())
    assert paper.orders() == [(NOW_S, "a", 5.0)]


@pytest.mark.parametrize("shift_s", [1e300, -1e300, inf, nan])
def test_a_shift_that_makes_no_sense_costs_the_rows_and_not_the_start(shift_s: float) -> None:
    back = back_from(rows_of(lived_house().house), shift_s=shift_s)

    assert len(back.unreadable) == 3
    assert [zone.shut_s for zone in back.house.zones] == [-inf, -inf]


@pytest.mark.parametrize("shift_s", [-2900.0, -100.0, 250.0])
def test_a_clock_that_began_anew_shifts_every_instant_alike(shift_s: float) -> None:
    before = lived_house().house
    rows = rows_of(before)

    after = back_from(rows, now_s=NOW_S + shift_s, shift_s=shift_s).house

    a_before, a_after = before.zones[0], after.zones[0]
    assert a_after.shut_s == pytest.approx(a_before.shut_s + shift_s)
    assert a_after.opened_s == pytest.approx(a_before.opened_s + shift_s)
    assert a_after.due_s == pytest.approx(a_before.due_s + shift_s)
    assert after.line.last_opening_s == pytest.approx(before.line.last_opening_s + shift_s)
    assert after.counting_since_s == pytest.approx(before.counting_since_s + shift_s)
    hold_before, hold_after = before.zones[1].hold, after.zones[1].hold
    assert hold_before is not None
    assert hold_after is not None
    assert hold_after.ends_s == pytest.approx(hold_before.ends_s + shift_s)


def test_a_past_instant_that_lies_ahead_counts_as_now() -> None:
    back = back_from(rows_of(lived_house().house), now_s=100.0)

    assert back.house.zones[0].shut_s == 100.0
    assert back.house.line.last_opening_s == 100.0


def test_while_the_time_away_is_not_known_every_zone_is_due_and_a_hold_runs_for_what_was_left() -> None:
    rows = rows_of(lived_house().house)

    back = restored(PLAN, rows, almanac(), 60.0, shift_s=60.0 - NOW_S, is_time_away_known=False)

    assert [zone.shut_s for zone in back.house.zones] == [-inf, -inf]
    held = back.house.zones[1].hold
    assert held is not None
    assert held.ends_s == 3900.0 - NOW_S + 60.0
    assert back.house.zones[0].today == lived_house().zone("a").today
    paper = PaperHouse(house=back.house, now_s=60.0)
    paper.decide(60.0, ready())
    assert paper.orders() == [(60.0, "a", 5.0)]


@pytest.mark.parametrize("ends_s", [NOW_S + 14_400.0 + 1.0, 1e8])
def test_a_hold_never_comes_back_longer_than_the_longest_that_may_be_asked(ends_s: float) -> None:
    """A damaged row, a corrected clock or a configuration with shorter holds: a hold ends by itself."""
    back = back_from(spoilt_rows(ZONE_ROW + "b", "hold_ends_s", ends_s))

    held = back.house.zones[1].hold
    assert held is not None
    assert held.ends_s == NOW_S + 14_400.0
    assert held.author == "ilse"


def test_a_hold_of_the_longest_that_may_be_asked_comes_back_as_it_was() -> None:
    back = back_from(spoilt_rows(ZONE_ROW + "b", "hold_ends_s", NOW_S + 14_400.0))

    held = back.house.zones[1].hold
    assert held is not None
    assert held.ends_s == NOW_S + 14_400.0


def test_a_hold_that_comes_back_warns_and_ends_as_if_nothing_had_been() -> None:
    paper = PaperHouse(house=back_from(rows_of(lived_house().house)).house, now_s=NOW_S)
    paper.decide(NOW_S, ready())

    paper.wait_until(4000.0)

    assert [event.at_s for event in paper.told(EventKind.HOLD_NEARLY_OVER)] == [3900.0 - HOLD_WARNING_S]
    assert [event.at_s for event in paper.told(EventKind.HOLD_ENDED)] == [3900.0]


def test_a_hold_whose_end_came_while_away_still_warns_before_mist_comes() -> None:
    rows = spoilt_rows(ZONE_ROW + "b", "skip_ends_s", None)  # no burst of b is to be left out
    paper = PaperHouse(house=back_from(rows, now_s=5000.0).house, now_s=5000.0)
    paper.decide(5000.0, ready())
    paper.open_what_was_ordered()

    paper.mist_until(5200.0)

    assert [event.at_s for event in paper.told(EventKind.HOLD_NEARLY_OVER)] == [5000.0]
    assert [event.at_s for event in paper.told(EventKind.HOLD_ENDED)] == [5000.0 + HOLD_WARNING_S]
    assert [at_s for at_s, zone, _ in paper.orders() if zone == "b"] == [5000.0 + HOLD_WARNING_S]


def test_a_burst_that_was_asked_for_and_not_given_is_not_given_after_a_restart() -> None:
    before = house_misting(PLAN)
    before.decide(1.0, ask_burst("b"))
    assert len(before.house.asked) == 1

    after = back_from(rows_of(before.house), now_s=2.0).house

    assert after.asked == ()
    paper = PaperHouse(house=after, now_s=2.0)
    paper.decide(3.0, ready(-1000.0, account("a", 0.0, 2.0)))
    assert paper.orders() == []


def test_a_restart_does_not_make_a_house_that_was_not_due_mist() -> None:
    paper = PaperHouse(house=back_from(rows_of(lived_house().house), now_s=2200.0).house, now_s=2200.0)
    paper.decide(2200.0, ready())

    paper.wait_until(2414.0)
    assert paper.orders() == []  # a was shut at 1,815 and is due at 2,415; b is held
    paper.wait_until(2415.0)
    assert paper.orders() == [(2415.0, "a", 5.0)]


def test_the_days_count_goes_on_where_it_was() -> None:
    rows = rows_of(lived_house().house)
    paper = PaperHouse(house=back_from(rows).house, now_s=NOW_S)

    paper.decide(NOW_S, almanac(local_date=paper.house.counting_date, day_began_s=600.0))

    assert paper.told(EventKind.DAY_ENDED) == []
    assert paper.zone("a").today == lived_house().zone("a").today != WaterCount()
