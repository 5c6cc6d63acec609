"""From when a change counts: it cuts no burst short, counts from the next one, and ends by itself."""

import pytest

from mistd.core.almanac import DayPart
from mistd.core.events import EventKind
from mistd.core.settings import ClosedSet, SettingKind, SettingValue, TrimSet
from mistd.core.zone import Phase
from tests.core.houses import (
    PaperHouse,
    almanac,
    ask_burst,
    ask_setting,
    ask_undo,
    house_at_work,
    house_misting,
    house_plan,
    opened,
    openings,
    refused,
    shut,
    shuttings,
    timetable,
    told,
    zone_plan,
)

HALF_AS_LONG = timetable(4.0, 300.0)
TWICE_AS_LONG = timetable(8.0, 1200.0)
CHANGES = [
    (SettingKind.TIMETABLE, HALF_AS_LONG, 300.0),
    (SettingKind.TIMETABLE, TWICE_AS_LONG, 1200.0),
    (SettingKind.TIMETABLE, timetable(1.0, 600.0), 600.0),
    (SettingKind.TRIM, TrimSet(fraction=0.25, for_s=7200.0), 480.0),
    (SettingKind.TRIM, TrimSet(fraction=-0.5, for_s=7200.0), 1200.0),
    (SettingKind.CLOSED, ClosedSet(for_s=7200.0), 600.0),
]
TWO_ZONES = house_plan(zone_plan("a"), zone_plan("b"))


def trim(fraction: float, for_s: float) -> TrimSet:
    return TrimSet(fraction=fraction, for_s=for_s)


def first_order_s(paper: PaperHouse, until_s: float) -> float:
    """The instant of the first order from now on."""
    before = len(paper.orders())
    while len(paper.orders()) == before and paper.wake_at_s <= until_s:
        paper.decide(paper.wake_at_s)
    return paper.orders()[before][0]


@pytest.mark.parametrize(("kind", "value", "gap_s"), CHANGES)
def test_a_change_cuts_no_running_burst_short_and_counts_from_its_end(
    kind: SettingKind, value: SettingValue, gap_s: float
) -> None:
    paper = house_misting()  # since 0, for 5 s

    decision = paper.decide(2.0, ask_setting(kind, value))

    assert shuttings(decision) == []
    assert (paper.zone().phase, paper.zone().ordered_for_s) == (Phase.OPEN, 5.0)
    assert paper.wake_at_s == 7.0  # for the keeper's word, as before
    paper.decide(5.0, shut("a", 1, 5.0, 5.0))
    assert paper.zone().due_s == 5.0 + gap_s


@pytest.mark.parametrize(("kind", "value", "gap_s"), CHANGES)
def test_a_change_between_order_and_report_leaves_the_order_as_it_is(
    kind: SettingKind, value: SettingValue, gap_s: float
) -> None:
    paper = house_at_work()
    paper.wait_until(600.0)
    assert paper.zone().phase is Phase.ORDERED

    decision = paper.decide(600.5, ask_setting(kind, value))

    assert (openings(decision), shuttings(decision)) == ([], [])
    paper.decide(600.6, opened("a", 1, 600.6))
    paper.decide(605.6, shut("a", 1, 605.6, 5.0))
    assert paper.zone().due_s == 605.6 + gap_s


@pytest.mark.parametrize(("kind", "value", "gap_s"), CHANGES)
def test_a_change_before_the_keeper_refuses_counts_from_the_burst_before(
    kind: SettingKind, value: SettingValue, gap_s: float
) -> None:
    paper = house_at_work()
    paper.wait_until(600.0)
    paper.decide(600.5, ask_setting(kind, value))

    paper.decide(601.0, refused("a", 1, 601.0))

    assert paper.zone().due_s == gap_s


@pytest.mark.parametrize(("kind", "value", "gap_s"), CHANGES)
def test_a_change_of_a_resting_zone_counts_from_its_last_burst(
    kind: SettingKind, value: SettingValue, gap_s: float
) -> None:
    paper = house_at_work()

    paper.decide(10.0, ask_setting(kind, value))

    assert first_order_s(paper, 1300.0) == gap_s


def test_a_zone_that_a_change_makes_overdue_is_misted_at_once_by_the_new_timetable() -> None:
    paper = house_at_work()
    paper.wait_until(400.0)

    decision = paper.decide(400.0, ask_setting(SettingKind.TIMETABLE, HALF_AS_LONG))

    assert openings(decision) == [("a", 4.0)]


def test_a_burst_that_is_asked_for_is_as_long_as_the_timetable_is_set_to() -> None:
    paper = house_at_work()
    paper.wait_until(100.0)
    paper.decide(100.0, ask_setting(SettingKind.TIMETABLE, TWICE_AS_LONG))

    assert openings(paper.decide(110.0, ask_burst())) == [("a", 8.0)]


def test_a_part_that_is_set_to_off_gives_none_and_one_that_is_set_to_on_gives_some() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.TIMETABLE, timetable(off=[DayPart.DAY])))
    paper.wait_until(2000.0)
    assert paper.orders() == []

    decision = paper.decide(2001.0, ask_setting(SettingKind.TIMETABLE, timetable(off=[DayPart.NIGHT])))

    assert openings(decision) == [("a", 5.0)]


def test_a_new_part_of_the_day_goes_by_the_timetable_that_was_set() -> None:
    paper = house_at_work()
    wanted = timetable(off=[DayPart.NIGHT], others={DayPart.DUSK: (6.0, 700.0)})
    paper.decide(10.0, ask_setting(SettingKind.TIMETABLE, wanted))
    paper.decide(20.0, almanac(DayPart.DUSK))
    assert paper.zone().due_s == 700.0

    decision = paper.decide(30.0, almanac(DayPart.NIGHT))

    (event,) = told(decision, EventKind.MIST_ENDED_FOR_PART)
    assert event.subject == "a"


# While a zone waits for the line: a mists from 600 to 605, b waits for it.


def b_waiting() -> PaperHouse:
    paper = house_at_work(TWO_ZONES)
    paper.wait_until(600.0)
    paper.decide(600.0, opened("a", 1, 600.0))
    assert paper.house.waiting == (1,)
    return paper


def b_waiting_for_its_trim(for_s: float) -> PaperHouse:
    """b was last misted at 122, is due at 722, and with its trim at 602; a mists from 600 on."""
    paper = house_at_work(TWO_ZONES, 122.0, shut_s={"a": 0.0})
    paper.decide(130.0, ask_setting(SettingKind.TRIM, trim(0.25, for_s), "b"))
    paper.wait_until(600.0)
    paper.decide(600.0, opened("a", 1, 600.0))
    paper.wait_until(602.0)
    assert paper.house.waiting == (1,)
    return paper


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (SettingKind.TIMETABLE, TWICE_AS_LONG),
        (SettingKind.TIMETABLE, timetable(off=[DayPart.DAY])),
        (SettingKind.TRIM, TrimSet(fraction=-0.1, for_s=7200.0)),
    ],
)
def test_a_waiting_zone_that_is_no_longer_due_waits_no_more(kind: SettingKind, value: SettingValue) -> None:
    paper = b_waiting()

    paper.decide(602.0, ask_setting(kind, value, "b"))

    assert paper.house.waiting == ()
    assert not paper.zone("b").is_waiting
    paper.decide(605.0, shut("a", 1, 605.0, 5.0))
    paper.wait_until(650.0)
    assert [zone for _, zone, _ in paper.orders()] == ["a"]


@pytest.mark.parametrize("gap_s", [300.0, 599.0, 602.0])
def test_a_waiting_zone_that_is_still_due_gets_the_line_by_what_is_set_now(gap_s: float) -> None:
    paper = b_waiting()

    paper.decide(602.0, ask_setting(SettingKind.TIMETABLE, timetable(4.0, gap_s), "b"))

    assert paper.house.waiting == (1,)
    paper.decide(605.0, shut("a", 1, 605.0, 5.0))
    paper.wait_until(607.0)
    assert paper.orders()[1:] == [(607.0, "b", 4.0)]
    assert "after 7 s of waiting for the line" in paper.zone("b").burst_reason


def test_an_undoing_takes_a_waiting_zone_out_of_the_queue_too() -> None:
    paper = b_waiting_for_its_trim(7200.0)

    paper.decide(603.0, ask_undo(1))

    assert paper.house.waiting == ()
    assert paper.zone("b").due_s == 722.0


def test_a_zone_that_waits_for_the_line_when_its_trim_ends_waits_no_more() -> None:
    paper = b_waiting_for_its_trim(473.0)

    paper.wait_until(603.0)

    assert [event.at_s for event in paper.told(EventKind.TRIM_ENDED)] == [603.0]
    assert paper.house.waiting == ()
    assert paper.zone("b").due_s == 722.0


def test_an_undoing_that_makes_a_zone_due_lets_it_wait_for_the_line() -> None:
    paper = b_waiting()
    paper.decide(601.0, ask_setting(SettingKind.TRIM, trim(-0.1, 7200.0), "b"))

    paper.decide(602.0, ask_undo(1))

    assert paper.house.waiting == (1,)


def test_the_most_overdue_goes_first_by_what_is_set_now() -> None:
    plan = house_plan(*(zone_plan(name) for name in "abc"))
    paper = house_at_work(plan)
    paper.wait_until(600.0)
    paper.decide(600.0, opened("a", 1, 600.0))

    paper.decide(601.0, ask_setting(SettingKind.TIMETABLE, HALF_AS_LONG, "c"))
    paper.decide(605.0, shut("a", 1, 605.0, 5.0))
    paper.wait_until(607.0)

    assert [zone for _, zone, _ in paper.orders()] == ["a", "c"]


# Ends.


def test_a_burst_says_by_whose_trim_it_comes() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.TRIM, trim(0.25, 7200.0), author="ines"))

    paper.mist_until(490.0)

    (event,) = paper.told(EventKind.BURST_STARTED)
    assert event.reason == "8.0 min since the last burst, by the timetable with +25 % water for ines"


def test_a_trim_ends_by_itself_and_says_so_and_the_gap_is_what_it_was() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.TRIM, trim(1.0, 100.0)))

    assert first_order_s(paper, 700.0) == 600.0

    (event,) = paper.told(EventKind.TRIM_ENDED)
    assert (event.at_s, event.subject, event.reason) == (110.0, "a", "the trim of +100 % is over")
    assert paper.zone().trim is None


@pytest.mark.parametrize(("for_s", "ordered_s"), [(289.0, 600.0), (290.0, 600.0), (291.0, 300.0)])
def test_a_trim_that_ends_at_the_instant_a_burst_would_be_due_gives_none(
    for_s: float, ordered_s: float
) -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.TRIM, trim(1.0, for_s)))  # due at 300 with it

    assert first_order_s(paper, 700.0) == ordered_s


def test_the_end_of_less_water_gives_the_overdue_burst_at_once() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.TRIM, trim(-0.5, 690.0)))

    assert first_order_s(paper, 800.0) == 700.0


def test_the_end_of_a_trim_cuts_no_burst_short() -> None:
    paper = house_misting()
    paper.decide(1.0, ask_setting(SettingKind.TRIM, trim(1.0, 60.0)))
    paper.decide(5.0, shut("a", 1, 5.0, 5.0))
    paper.decide(10.0, ask_setting(SettingKind.TRIM, trim(1.0, 297.0), request_id="set-2"))
    paper.wait_until(305.0)
    paper.decide(305.0, opened("a", 2, 305.0))

    paper.decide(307.0)

    (event,) = paper.told(EventKind.TRIM_ENDED)
    assert event.at_s == 307.0
    assert paper.zone().phase is Phase.OPEN
    paper.decide(310.0, shut("a", 2, 310.0, 5.0))
    assert paper.zone().due_s == 910.0


def test_a_new_trim_takes_the_place_of_the_one_before_and_of_its_end() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.TRIM, trim(1.0, 100.0)))
    paper.decide(20.0, ask_setting(SettingKind.TRIM, trim(0.25, 1000.0), request_id="set-2"))

    assert first_order_s(paper, 500.0) == 480.0
    assert paper.told(EventKind.TRIM_ENDED) == []


def test_closed_ends_by_itself_and_says_so_and_may_be_held_from_then_on() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.CLOSED, ClosedSet(for_s=100.0)))

    paper.wait_until(109.0)
    assert paper.zone().closed is not None
    paper.wait_until(110.0)

    (event,) = paper.told(EventKind.CLOSED_ENDED)
    assert (event.at_s, event.subject) == (110.0, "a")
    assert paper.zone().closed is None


def test_several_that_end_at_one_instant_are_all_told() -> None:
    paper = house_at_work(TWO_ZONES)
    for zone in "ab":
        paper.decide(10.0, ask_setting(SettingKind.TRIM, trim(0.1, 100.0), zone, request_id=f"t-{zone}"))
        paper.decide(10.0, ask_setting(SettingKind.CLOSED, ClosedSet(for_s=100.0), zone, request_id=zone))

    decision = paper.decide(110.0)

    ended = [(event.kind, event.subject) for event in decision.events]
    assert sorted(ended) == sorted(
        (kind, zone) for kind in (EventKind.TRIM_ENDED, EventKind.CLOSED_ENDED) for zone in "ab"
    )
