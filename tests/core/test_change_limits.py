"""What may not be set: every limit on both sides and exactly on it, and every reason at once."""

from math import inf, nan, nextafter

import pytest

from mistd.core.actions import Outcome
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.observations import LineTrouble
from mistd.core.plan import HousePlan
from mistd.core.settings import ClosedSet, HoldSet, SettingKind, SettingValue, SkipSet, TrimSet
from tests.core.houses import (
    PaperHouse,
    answers,
    ask_hold,
    ask_setting,
    house_at_work,
    house_plan,
    lost,
    timetable,
    zone_plan,
)
from tests.core.test_changes import the_refusal

HOUR_S, DAY_S = 3600.0, 86_400.0
ROOMY = house_plan(zone_plan("a"), zone_plan("b"))


def below(limit: float) -> float:
    return nextafter(limit, -1e9)


def above(limit: float) -> float:
    return nextafter(limit, 1e9)


def value_of(kind: SettingKind, for_s: float) -> SettingValue:
    values: dict[SettingKind, SettingValue] = {
        SettingKind.TRIM: TrimSet(fraction=0.25, for_s=for_s),
        SettingKind.HOLD: HoldSet(for_s=for_s),
        SettingKind.CLOSED: ClosedSet(for_s=for_s),
        SettingKind.SKIP: SkipSet(for_s=for_s),
    }
    return values[kind]


def refusal(kind: SettingKind, value: SettingValue | None, plan: HousePlan = ROOMY) -> str:
    return the_refusal(house_at_work(plan), 10.0, ask_setting(kind, value))


def is_given(kind: SettingKind, value: SettingValue | None, plan: HousePlan = ROOMY) -> bool:
    (answer,) = answers(house_at_work(plan).decide(10.0, ask_setting(kind, value)))
    return answer.outcome is Outcome.DONE


LENGTHS = [
    (SettingKind.TRIM, 60.0, 14 * DAY_S, "a trim of 0.0001 h; allowed 1 min to 336 h"),
    (SettingKind.HOLD, 60.0, 4 * HOUR_S, "a hold of 0.006 min; allowed 1 to 240 min: ask again before"),
    (SettingKind.CLOSED, 60.0, 7 * DAY_S, "closed for 0.0001 h; allowed 1 min to 168 h"),
    (SettingKind.SKIP, 60.0, DAY_S, "a burst to be left out within 0.0001 h; allowed 1 min to 24 h"),
]


@pytest.mark.parametrize(("kind", "least_s", "most_s", "words"), LENGTHS)
def test_whatever_passes_lasts_from_its_least_to_its_most_and_no_other_time(
    kind: SettingKind, least_s: float, most_s: float, words: str
) -> None:
    for for_s in (least_s, most_s):
        assert is_given(kind, value_of(kind, for_s))
    for for_s in (below(least_s), above(most_s), 0.0, -least_s, inf, nan):
        assert "allowed" in refusal(kind, value_of(kind, for_s))
    assert refusal(kind, value_of(kind, 0.36)).startswith(words)


@pytest.mark.parametrize("fraction", [-0.5, 1.0, 0.001, -0.001])
def test_a_trim_on_either_limit_or_next_to_none_is_given(fraction: float) -> None:
    assert is_given(SettingKind.TRIM, TrimSet(fraction=fraction, for_s=600.0))


@pytest.mark.parametrize(
    ("fraction", "said"),
    [(below(-0.5), "-50"), (above(1.0), "+100"), (0.0, "+0"), (-1.0, "-100"), (2, "+200")],
)
def test_a_trim_beyond_its_limits_or_of_nothing_is_refused(fraction: float, said: str) -> None:
    reason = refusal(SettingKind.TRIM, TrimSet(fraction=fraction, for_s=600.0))

    assert reason == f"{said} %; allowed -50 to +100 % and not 0: for more change the timetable"


def test_a_trim_that_is_no_number_is_refused() -> None:
    assert "allowed -50" in refusal(SettingKind.TRIM, TrimSet(fraction=nan, for_s=600.0))


# Timetables: longest burst 20 s, shortest 1 s, shortest rest 60 s.


@pytest.mark.parametrize(
    "wanted",
    [
        timetable(20.0, 600.0),
        timetable(1.0, 600.0),
        timetable(5.0, 60.0),
        timetable(off=[DayPart.NIGHT, DayPart.DAWN, DayPart.DUSK]),
    ],
)
def test_a_timetable_on_a_limit_is_put_in_force(wanted: TimedCycle) -> None:
    assert is_given(SettingKind.TIMETABLE, wanted)


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ((above(20.0), 600.0), "dusk burst_s: 20 s; allowed up to this zone's longest_burst_s of 20 s"),
        ((below(1.0), 600.0), "dusk burst_s: 1 s would wet nothing; allowed from 1 s"),
        ((5.0, below(60.0)), "dusk gap_min: 1 min; allowed from this zone's shortest_rest_s of 60 s"),
    ],
)
def test_a_timetable_a_hair_beyond_a_limit_in_one_part_is_refused(
    wanted: tuple[float, float], words: str
) -> None:
    reason = refusal(SettingKind.TIMETABLE, timetable(others={DayPart.DUSK: wanted}))

    assert reason == words


def test_a_burst_as_long_as_its_gap_is_refused_and_a_hair_less_is_not() -> None:
    plan = house_plan(zone_plan("a", longest_burst_s=100.0), pause_s=0.0)

    assert is_given(SettingKind.TIMETABLE, timetable(below(60.0), 60.0), plan)
    reason = refusal(SettingKind.TIMETABLE, timetable(others={DayPart.DAWN: (60.0, 60.0)}), plan)
    assert (
        reason == "dawn burst_s: 60 s; allowed below the gap of 60 s: shorten the burst or lengthen gap_min"
    )


def test_a_timetable_without_any_mist_is_refused() -> None:
    reason = refusal(SettingKind.TIMETABLE, timetable(off=list(DayPart)))

    assert reason.startswith("off in every part of the day")


# A round of the line: bursts of 5 s and pauses of 2 s make 14 s for two zones.

QUICK = house_plan(*(zone_plan(name, timetable(5.0, 600.0), shortest_rest_s=1.0) for name in "ab"))
TWO_AT_ONCE = house_plan(*QUICK.zones, valves_at_once=2)


@pytest.mark.parametrize(("plan", "round_s"), [(QUICK, 14.0), (TWO_AT_ONCE, 8.0)])
def test_a_gap_may_be_as_short_as_a_round_of_the_line_and_no_shorter(plan: HousePlan, round_s: float) -> None:
    assert is_given(SettingKind.TIMETABLE, timetable(5.0, round_s), plan)
    reason = refusal(SettingKind.TIMETABLE, timetable(others={DayPart.DUSK: (5.0, below(round_s))}), plan)
    assert reason.startswith(f"by dusk the 2 zones take {round_s:.0f} s of the line for one round")


def test_another_zones_long_bursts_count_in_the_round() -> None:
    paper = house_at_work(QUICK)
    paper.decide(10.0, ask_setting(SettingKind.TIMETABLE, timetable(20.0, 600.0), "b"))

    shortest = timetable(5.0, below(29.0))
    assert "take 29 s" in the_refusal(paper, 20.0, ask_setting(SettingKind.TIMETABLE, shortest))
    paper.decide(30.0, ask_setting(SettingKind.TIMETABLE, timetable(5.0, 29.0)))
    assert paper.zone().timetable == timetable(5.0, 29.0)


def test_a_zone_that_is_off_in_a_part_takes_no_time_of_its_round() -> None:
    paper = house_at_work(QUICK)
    paper.decide(10.0, ask_setting(SettingKind.TIMETABLE, timetable(off=[DayPart.NIGHT]), "b"))

    alone = timetable(others={DayPart.NIGHT: (5.0, 7.0)})
    paper.decide(20.0, ask_setting(SettingKind.TIMETABLE, alone))

    assert paper.zone().timetable == alone


def test_of_two_changes_at_one_instant_that_are_too_much_together_the_second_is_refused() -> None:
    plan = house_plan(*(zone_plan(name, timetable(5.0, 20.0), shortest_rest_s=1.0) for name in "ab"))
    longer = timetable(10.0, 20.0)  # with one such zone a round takes 19 s, with two 24 s
    assert is_given(SettingKind.TIMETABLE, longer, plan)
    paper = house_at_work(plan)

    decision = paper.decide(
        5.0,
        *[ask_setting(SettingKind.TIMETABLE, longer, zone, request_id=f"set-{zone}") for zone in "ba"],
    )

    assert [(a.request_id, a.outcome.value) for a in answers(decision)] == [
        ("set-b", "done"),
        ("set-a", "refused"),
    ]
    assert (paper.zone("b").timetable, paper.zone("a").timetable) == (longer, None)


def trimmed(fraction: float, gap_s: float = 600.0) -> PaperHouse:
    """Both zones with this gap, and b trimmed for an hour."""
    plan = house_plan(*(zone_plan(name, timetable(5.0, gap_s), shortest_rest_s=1.0) for name in "ab"))
    paper = house_at_work(plan)
    paper.decide(1.0, ask_setting(SettingKind.TRIM, TrimSet(fraction=fraction, for_s=HOUR_S), "b"))
    return paper


def test_more_water_may_shorten_a_gap_to_the_round_and_no_further() -> None:
    for gap_s, outcome in ((28.0, Outcome.DONE), (below(28.0), Outcome.REFUSED)):
        paper = trimmed(1.0, gap_s)
        assert paper.answers() == [("set-1", outcome.value)]


def test_more_water_may_not_shorten_a_gap_below_the_rest_of_the_line() -> None:
    assert is_given(
        SettingKind.TRIM, TrimSet(fraction=1.0, for_s=600.0), house_plan(zone_plan(shortest_rest_s=300.0))
    )
    reason = refusal(
        SettingKind.TRIM,
        TrimSet(fraction=1.0, for_s=600.0),
        house_plan(
            zone_plan("a", timetable(off=set(DayPart) - {DayPart.DUSK}), shortest_rest_s=above(300.0))
        ),
    )
    assert reason == (
        "with +100 % water, dusk gap_min: 5 min; allowed from this zone's shortest_rest_s of 300 s"
    )


def test_a_timetable_is_judged_with_the_trim_that_is_in_force() -> None:
    paper = trimmed(1.0)

    reason = the_refusal(paper, 10.0, ask_setting(SettingKind.TIMETABLE, timetable(5.0, 27.0), "b"))

    assert "the shortest gap is 14 s" in reason
    paper.decide(20.0, ask_setting(SettingKind.TIMETABLE, timetable(5.0, 28.0), "b"))
    assert paper.zone("b").timetable == timetable(5.0, 28.0)


def test_a_timetable_is_judged_with_another_zones_trim() -> None:
    paper = trimmed(1.0, gap_s=40.0)  # b has a gap of 20 s for the hour

    longest = timetable(11.0, 40.0)  # a round of exactly 20 s
    reason = the_refusal(paper, 10.0, ask_setting(SettingKind.TIMETABLE, timetable(11.001, 40.0)))
    paper.decide(20.0, ask_setting(SettingKind.TIMETABLE, longest))

    assert "the shortest gap is 20 s" in reason
    assert paper.zone().timetable == longest


def test_less_water_for_a_while_makes_no_room_since_it_ends() -> None:
    paper = trimmed(-0.5, gap_s=20.0)  # b has a gap of 40 s for the hour, and 20 s after it

    reason = the_refusal(paper, 10.0, ask_setting(SettingKind.TIMETABLE, timetable(12.0, 600.0)))

    assert "the shortest gap is 20 s" in reason


def test_what_a_trim_forbids_is_allowed_when_it_has_ended() -> None:
    paper = trimmed(1.0)
    wanted = ask_setting(SettingKind.TIMETABLE, timetable(5.0, 14.0), "b", request_id="set-2")
    the_refusal(paper, 10.0, wanted)
    paper.mist_until(1.0 + HOUR_S)

    paper.decide(HOUR_S + 2.0, wanted)

    assert paper.zone("b").timetable == timetable(5.0, 14.0)


def test_a_gap_that_is_too_short_without_the_trim_and_with_it_is_named_once_for_each() -> None:
    paper = house_at_work(ROOMY)
    paper.decide(1.0, ask_setting(SettingKind.TRIM, TrimSet(fraction=0.5, for_s=HOUR_S)))

    wanted = timetable(off=set(DayPart) - {DayPart.DAY}, others={DayPart.DAY: (25.0, 45.0)})
    reason = the_refusal(paper, 10.0, ask_setting(SettingKind.TIMETABLE, wanted))

    assert reason.split("; ") == [
        "day burst_s: 25 s",
        "allowed up to this zone's longest_burst_s of 20 s",
        "day gap_min: 0.75 min",
        "allowed from this zone's shortest_rest_s of 60 s",
        "with +50 % water, day gap_min: 0.5 min",
        "allowed from this zone's shortest_rest_s of 60 s",
        "by day the 2 zones take 34 s of the line for one round, and the shortest gap is 30 s: shorten "
        "bursts or pause_s, lengthen the gap, or open more valves at once if the supply carries them",
    ]


# Every reason at once.


def test_a_timetable_is_refused_with_every_reason_at_once() -> None:
    wanted = timetable(30.0, 20.0, off=[DayPart.DAWN, DayPart.DAY, DayPart.NIGHT])
    asked = ask_setting(SettingKind.TIMETABLE, wanted, expected_revision=3)

    reason = the_refusal(house_at_work(ROOMY), 10.0, asked)

    for part in (
        "it stands at revision 0, not at 3",
        "dusk burst_s: 30 s; allowed below the gap of 20 s",
        "dusk burst_s: 30 s; allowed up to",
        "dusk gap_min: 0.3333 min; allowed from",
        "by dusk the 2 zones take 39 s",
    ):
        assert part in reason


def test_a_trim_is_refused_with_every_reason_at_once() -> None:
    asked = ask_setting(SettingKind.TRIM, TrimSet(fraction=1.5, for_s=1.0), expected_revision=3)

    reason = the_refusal(house_at_work(ROOMY), 10.0, asked)

    for part in ("it stands at revision 0", "a trim of 0.000278 h; allowed", "+150 %; allowed -50"):
        assert part in reason


def test_a_trim_that_is_too_long_and_too_much_for_the_line_is_refused_for_both() -> None:
    reason = refusal(
        SettingKind.TRIM,
        TrimSet(fraction=1.0, for_s=1.0),
        house_plan(*(zone_plan(name, timetable(5.0, 20.0), shortest_rest_s=11.0) for name in "ab")),
    )

    for part in ("a trim of 0.000278 h; allowed", "with +100 % water, night gap_min", "by dusk the 2 zones"):
        assert part in reason


def test_closed_is_refused_with_every_reason_at_once() -> None:
    paper = house_at_work(ROOMY)
    paper.decide(1.0, ask_hold(author="ines"))

    asked = ask_setting(SettingKind.CLOSED, ClosedSet(for_s=1.0), expected_revision=3)

    reason = the_refusal(paper, 10.0, asked)
    for part in ("it stands at revision 0", "closed for 0.000278 h; allowed", "ines holds it for people"):
        assert part in reason


def test_a_skip_is_refused_with_every_reason_at_once() -> None:
    asked = ask_setting(SettingKind.SKIP, SkipSet(for_s=1.0), expected_revision=3)

    reason = the_refusal(house_at_work(ROOMY), 10.0, asked)

    for part in ("it stands at revision 0", "a burst to be left out within 0.000278 h; allowed"):
        assert part in reason


def test_a_hold_is_refused_with_every_reason_at_once() -> None:
    paper = house_at_work(ROOMY)
    paper.decide(1.0, ask_setting(SettingKind.CLOSED, ClosedSet(for_s=HOUR_S), note="sprayed"))
    paper.decide(2.0, LineTrouble(line="a", reason="it does not shut"))

    reason = the_refusal(paper, 10.0, ask_hold(for_s=1.0, expected_revision=3))

    for part in (
        "it stands at revision 0, not at 3",
        "a hold of 0.0166667 min; allowed",
        "the valve was not reported shut",
        "ilse closed it (sprayed) for 1.0 h more",
    ):
        assert part in reason


def test_without_a_keeper_a_hold_is_refused_for_that_and_the_rest() -> None:
    paper = house_at_work(ROOMY)
    paper.decide(1.0, lost())

    reason = the_refusal(paper, 10.0, ask_hold(for_s=1.0))

    assert "no keeper answers" in reason
    assert "allowed 1 to 240 min" in reason
