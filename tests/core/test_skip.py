"""A burst that is left out on request: the next one of the cycle, once, and the gap counts from then."""

from math import inf

import pytest

from mistd.core.actions import OpenValve
from mistd.core.almanac import DayPart
from mistd.core.durable import durable, restored
from mistd.core.events import EventKind
from mistd.core.settings import SettingKind, SkipSet
from tests.core.houses import (
    PaperHouse,
    almanac,
    ask_burst,
    ask_hold,
    ask_release,
    ask_setting,
    ask_undo,
    house_at_work,
    house_misting,
    house_plan,
    kept,
    new_house,
    opened,
    openings,
    ready,
    shut,
    timetable,
    told,
    zone_plan,
)

SKIP = ask_setting(SettingKind.SKIP, SkipSet(for_s=7200.0), author="ines", note="just watered by hand")


def to_be_skipped() -> PaperHouse:
    """Shut at 0, due at 600, and the next burst to be left out if it falls due by 7,210."""
    paper = house_at_work()
    paper.decide(10.0, SKIP)
    return paper


def test_the_next_burst_is_left_out_and_the_one_after_it_comes_a_gap_later() -> None:
    paper = to_be_skipped()

    paper.mist_until(1300.0)

    assert [at_s for at_s, _, _ in paper.orders()] == [1200.0]


def test_a_burst_left_out_is_told_with_who_and_why_and_how_long_it_was_dry() -> None:
    paper = to_be_skipped()

    paper.mist_until(1300.0)

    (event,) = paper.told(EventKind.BURST_SKIPPED)
    assert (event.at_s, event.subject) == (600.0, "a")
    assert event.reason == "left out once for ines: just watered by hand"
    assert event.figures == {"gap_s": 600.0}
    assert paper.told(EventKind.SKIP_ENDED) == []


def test_a_burst_is_left_out_once_only() -> None:
    paper = to_be_skipped()

    paper.mist_until(7300.0)

    assert len(paper.told(EventKind.BURST_SKIPPED)) == 1
    assert len(paper.orders()) == 11  # every 605 s from 1,200 on


def test_a_skip_that_is_used_up_has_no_revision_of_its_own_and_waits_for_nothing_more() -> None:
    paper = to_be_skipped()

    decision = paper.decide(600.0)

    assert kept(decision) == []
    assert paper.zone().skip is None
    assert decision.wake_at_s == 1200.0
    paper.mist_until(7300.0)
    assert paper.told(EventKind.SKIP_ENDED) == []


def test_the_gap_still_counts_from_the_skipped_burst_when_the_part_of_the_day_changes() -> None:
    paper = house_at_work(house_plan(zone_plan("a", timetable(others={DayPart.DUSK: (5.0, 400.0)}))))
    paper.decide(10.0, SKIP)
    paper.wait_until(700.0)

    paper.decide(700.0, almanac(DayPart.NIGHT))
    assert paper.zone().due_s == 1200.0
    paper.decide(800.0, almanac(DayPart.DUSK))

    assert paper.zone().due_s == 1000.0


def test_the_gap_still_counts_from_the_skipped_burst_when_the_timetable_is_set() -> None:
    paper = to_be_skipped()
    paper.wait_until(700.0)

    paper.decide(700.0, ask_setting(SettingKind.TIMETABLE, timetable(5.0, 400.0)))

    assert paper.zone().due_s == 1000.0


def test_the_next_burst_counts_from_its_own_end_again() -> None:
    paper = to_be_skipped()

    paper.mist_until(1900.0)

    assert [at_s for at_s, _, _ in paper.orders()] == [1200.0, 1805.0]


def after_restart(paper: PaperHouse, *, is_time_away_known: bool = True) -> PaperHouse:
    back = restored(
        paper.plan,
        durable(paper.house),
        almanac(),
        paper.now_s,
        is_time_away_known=is_time_away_known,
        settings=paper.house.settings,
    )
    assert back.unreadable == ()
    again = PaperHouse(house=back.house, now_s=paper.now_s)
    again.decide(paper.now_s, ready())
    return again


def test_a_skipped_burst_stays_skipped_over_a_restart() -> None:
    paper = to_be_skipped()
    paper.wait_until(700.0)

    again = after_restart(paper)

    assert again.zone().due_s == 1200.0
    again.mist_until(1300.0)
    assert [at_s for at_s, _, _ in again.orders()] == [1200.0]
    assert again.told(EventKind.BURST_SKIPPED) == []


def test_a_skip_that_waits_for_its_burst_does_so_over_a_restart() -> None:
    again = after_restart(to_be_skipped())

    again.mist_until(1300.0)

    assert [event.at_s for event in again.told(EventKind.BURST_SKIPPED)] == [600.0]
    assert [at_s for at_s, _, _ in again.orders()] == [1200.0]


def test_while_the_time_away_is_not_known_a_skipped_burst_is_not_counted() -> None:
    paper = to_be_skipped()
    paper.wait_until(700.0)

    again = after_restart(paper, is_time_away_known=False)

    assert [at_s for at_s, _, _ in again.orders()] == [700.0]


def test_while_the_time_away_is_not_known_no_burst_is_left_out_and_that_is_told() -> None:
    again = after_restart(to_be_skipped(), is_time_away_known=False)

    assert [at_s for at_s, _, _ in again.orders()] == [10.0]
    assert [event.at_s for event in again.told(EventKind.SKIP_ENDED)] == [10.0]


# What uses a skip up, and what does not.


def test_a_burst_that_a_person_asks_for_is_given_and_the_next_of_the_cycle_left_out() -> None:
    paper = to_be_skipped()
    paper.mist_until(100.0)

    paper.decide(100.0, ask_burst())
    paper.open_what_was_ordered()
    paper.mist_until(1400.0)

    assert [at_s for at_s, _, _ in paper.orders()] == [100.0, 1305.0]
    assert [event.at_s for event in paper.told(EventKind.BURST_SKIPPED)] == [705.0]


def test_a_skip_asked_for_while_it_mists_leaves_that_burst_alone_and_the_next_one_out() -> None:
    paper = house_misting()
    paper.decide(2.0, SKIP)

    paper.decide(5.0, shut("a", 1, 5.0, 5.0))
    paper.mist_until(1300.0)

    assert [at_s for at_s, _, _ in paper.orders()] == [0.0, 1205.0]


def test_a_skip_in_frost_is_not_used_up() -> None:
    paper = house_at_work(house_plan(zone_plan(), probes=["north"]), part=almanac(DayPart.NIGHT))
    paper.decide(10.0, SKIP)
    for at_s in (10.0, 200.0, 400.0, 599.0):
        paper.reads(at_s, north=0.5)
    paper.reads(610.0, north=0.5)  # frost from this instant on, and due since 600
    (refusal,) = paper.told(EventKind.BURST_REFUSED)
    assert (refusal.at_s, refusal.figures["guard"]) == (610.0, "frost")
    assert paper.zone().skip is not None

    decision = paper.reads(800.0, north=5.0)

    assert len(told(decision, EventKind.FROST_ENDED)) == 1
    assert len(told(decision, EventKind.BURST_SKIPPED)) == 1
    assert paper.zone().due_s == 1400.0


def test_a_skip_in_a_hold_is_not_used_up() -> None:
    paper = to_be_skipped()
    paper.decide(20.0, ask_hold(for_s=900.0))
    paper.wait_until(700.0)
    assert paper.told(EventKind.BURST_SKIPPED) == []

    decision = paper.decide(700.0, ask_release())

    assert len(told(decision, EventKind.BURST_SKIPPED)) == 1
    assert openings(decision) == []
    assert paper.zone().due_s == 1300.0


def test_a_zone_whose_burst_is_left_out_gives_the_line_to_the_next_at_the_same_instant() -> None:
    paper = house_at_work(house_plan(zone_plan("a"), zone_plan("b")))
    paper.decide(10.0, SKIP)
    paper.wait_until(599.0)

    decision = paper.decide(600.0)

    assert openings(decision) == [("b", 5.0)]
    assert len(told(decision, EventKind.BURST_SKIPPED)) == 1


def test_a_burst_that_waits_for_the_line_is_left_out_when_it_would_get_it() -> None:
    paper = house_at_work(house_plan(zone_plan("a"), zone_plan("b")))
    paper.decide(10.0, ask_setting(SettingKind.SKIP, SkipSet(for_s=7200.0), "b"))
    paper.wait_until(600.0)
    paper.decide(600.0, opened("a", 1, 600.0))
    paper.decide(605.0, shut("a", 1, 605.0, 5.0))

    paper.wait_until(607.0)

    assert [event.at_s for event in paper.told(EventKind.BURST_SKIPPED)] == [607.0]
    assert paper.zone("b").due_s == 1207.0


def test_a_zone_that_was_never_misted_may_be_skipped_too() -> None:
    paper = new_house(house_plan())
    paper.decide(0.0, SKIP)

    paper.decide(1.0, ready(-1000.0))

    (event,) = paper.told(EventKind.BURST_SKIPPED)
    assert event.figures == {}
    assert paper.zone().due_s == 601.0


# Its end.


@pytest.mark.parametrize(("for_s", "first_s"), [(589.0, 600.0), (590.0, 600.0), (591.0, 1200.0)])
def test_a_burst_is_left_out_only_if_it_falls_due_before_the_skip_is_over(
    for_s: float, first_s: float
) -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.SKIP, SkipSet(for_s=for_s)))

    paper.mist_until(1300.0)

    assert paper.orders()[0][0] == first_s


def test_a_skip_that_was_not_used_ends_by_itself_and_says_so() -> None:
    paper = house_at_work()
    paper.decide(10.0, ask_setting(SettingKind.SKIP, SkipSet(for_s=500.0)))

    paper.wait_until(510.0)

    (event,) = paper.told(EventKind.SKIP_ENDED)
    assert (event.at_s, event.subject) == (510.0, "a")
    assert paper.zone().skip is None


def test_a_skip_that_is_taken_back_leaves_nothing_out() -> None:
    for taking_back in (ask_setting(SettingKind.SKIP, None, request_id="set-2"), ask_undo(1)):
        paper = to_be_skipped()
        paper.decide(20.0, taking_back)

        paper.mist_until(610.0)

        assert [at_s for at_s, _, _ in paper.orders()] == [600.0]


def test_a_second_skip_before_the_burst_leaves_out_no_second_burst() -> None:
    paper = to_be_skipped()
    paper.decide(20.0, ask_setting(SettingKind.SKIP, SkipSet(for_s=7000.0), request_id="set-2"))

    paper.mist_until(1300.0)

    assert [at_s for at_s, _, _ in paper.orders()] == [1200.0]


def test_nothing_but_the_burst_is_left_out() -> None:
    paper = to_be_skipped()
    before = paper.zone()

    decision = paper.decide(600.0)

    after = paper.zone()
    assert not any(isinstance(action, OpenValve) for action in decision.actions)
    assert (after.shut_s, after.today, after.ticket) == (before.shut_s, before.today, before.ticket)
    assert after.held_until_s < inf
    assert not after.is_waiting
    assert paper.house.waiting == ()
