"""Why a zone mists or does not, now: every state of a zone in sentences, what is set and what is expected."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from mistd.app.past import Past, burst_of
from mistd.app.why import DOING, SAME_BURST, Present, trimmed, why_now
from mistd.core.almanac import DayPart
from mistd.core.events import EventKind
from tests.app import kept_houses
from tests.app.told_houses import NOW, TIMETABLE, house, setting, settings, zone

UNTIL = {"until": NOW + timedelta(hours=2), "by": "Ana", "note": "overcast"}
NEXT = NOW + timedelta(seconds=75)
NOW_UTC = NOW.astimezone(UTC)
DUSK = NOW_UTC + timedelta(hours=8)


def present(**changes: Any) -> Present:
    known: dict[str, Any] = {
        "zone": zone("left"),
        "house": house(),
        "settings": settings("left"),
        "is_online": True,
        "now": NOW,
    }
    return Present(**(known | changes))


def why(zone_changes: dict[str, Any] | None = None, **changes: Any) -> list[str]:
    return why_now(present(zone=zone("left", **(zone_changes or {})), **changes))


def after(name: str, told: list[str]) -> str:
    """The sentence that begins so."""
    found = [line for line in told if line.startswith(name)]
    assert len(found) == 1, told
    return found[0]


def test_a_zone_at_rest() -> None:
    assert why() == [
        "left misted last at 11:54:54, 5 min ago, for 6 s: by the timetable.",
        "It does not mist now: its next burst is not due yet.",
        "The next burst is expected at 12:01:15, in 75 s.",
        "Its timetable (as in the house's file) gives 6 s after every 8 min by day.",
        "Today it had 12 bursts, 72 s, 8.64 l.",
    ]


def test_every_state_of_a_zone_has_its_sentence() -> None:
    states = type(zone("left")).model_fields["doing"].annotation
    assert set(DOING) == set(states.__args__)  # type: ignore[union-attr]


# --- what it does


def test_a_zone_that_is_misting() -> None:
    running = {"began_at": NOW - timedelta(seconds=3), "ended_at": None, "lasted_s": None}

    told = why({"doing": "misting", "why": "asked for by Ida", "last_burst": running})

    assert told[0] == "left is misting since 11:59:57: asked for by Ida."
    assert not any("expected" in line for line in told)


def test_a_zone_whose_burst_was_ordered() -> None:
    told = why({"doing": "ordered", "why": "8.0 min since the last burst"})

    assert told[:2] == [
        "left misted last at 11:54:54, 5 min ago, for 6 s.",  # what is told is of the burst to come
        "A burst is just being given: 8.0 min since the last burst.",
    ]


@pytest.mark.parametrize("due_in_s", [0.0, -1.0])
def test_a_zone_at_rest_whose_burst_is_due(due_in_s: float) -> None:
    told = why({"next_burst_at": NOW + timedelta(seconds=due_in_s)})

    assert told[1] == "Its next burst is due now."
    assert not any("expected" in line for line in told)


def test_a_zone_that_waits_for_the_line_is_not_promised_a_time() -> None:
    told = why({"doing": "waiting", "why": "due; waiting for the line", "next_burst_at": NEXT})

    assert told[1] == "It does not mist now: due; waiting for the line."
    assert not any("expected" in line for line in told)


def test_a_zone_without_a_keeper_tells_what_is_known_of_that() -> None:
    away = house(keeper_ready=False, keeper_trouble="it was killed")

    told = why({"doing": "waiting", "why": "no keeper holds the output lines"}, house=away)

    assert told[1] == "It does not mist now: no keeper holds the output lines (it was killed)."


def test_frost_is_told_without_the_trouble_of_a_keeper_that_is_back() -> None:
    told = why({"doing": "waiting", "why": "frost in the house"}, house=house(keeper_trouble="it was killed"))

    assert told[1] == "It does not mist now: frost in the house."


def test_a_held_zone() -> None:
    hold = {"until": NOW + timedelta(minutes=30), "by": "Ida", "note": "potting"}
    told = why(
        {"doing": "held", "why": "held dry by Ida", "hold": hold, "next_burst_at": hold["until"]},
        settings=settings("left", setting("hold", {"for_s": 1800.0}, revision=7)),
    )

    assert told[1:3] == [
        "It does not mist now: Ida holds it dry until 12:30, for 30 min more (revision 7) [potting].",
        "The next burst is expected at 12:30:00, in 30 min.",
    ]


def test_a_held_zone_of_which_no_hold_is_told() -> None:
    told = why({"doing": "held", "why": "held dry by Ida"})

    assert told[1] == "It does not mist now: held dry by Ida."


def test_a_zone_that_was_never_misted() -> None:
    assert why({"last_burst": None})[0] == "left was never misted, as far as is known."


# --- what is expected


OFF = {"doing": "off", "why": "its timetable has no mist in the night part of the day", "next_burst_at": None}


def test_a_zone_without_mist_in_this_part_is_misted_when_a_part_with_mist_begins() -> None:
    night, dawn = (NOW_UTC + timedelta(hours=1), DayPart.NIGHT), (NOW_UTC + timedelta(hours=9), DayPart.DAWN)

    told = why(OFF, begins=[night, dawn], house=house(part="night"))

    assert told[1:3] == [
        "It does not mist now: its timetable has no mist in the night part of the day.",
        "The next burst is expected at 21:00:00, in 9 h: dawn begins at 21:00.",
    ]
    assert not any("gives" in line for line in told)


def test_where_no_part_to_come_has_mist_nothing_is_promised() -> None:
    assert not any("expected" in line for line in why(OFF, begins=[(DUSK, DayPart.NIGHT)]))
    assert not any("expected" in line for line in why(OFF, settings=None, begins=[(DUSK, DayPart.DAWN)]))


@pytest.mark.parametrize(
    ("dusk_in_min", "expected"),
    [
        (1.0, "12:10:00, in 10 min: dusk begins at 12:01"),  # 15 min after 11:55:00
        (12.0, "12:12:00, in 12 min: dusk begins at 12:12"),  # its gap is over by then
        (20.0, "12:20:00, in 20 min"),  # the burst is due as the part begins: it is this part's
        (25.0, "12:20:00, in 20 min"),
    ],
)
def test_a_burst_that_is_due_in_the_next_part_is_expected_by_the_pace_of_that(
    dusk_in_min: float, expected: str
) -> None:
    dusk = NOW_UTC + timedelta(minutes=dusk_in_min)

    told = why({"next_burst_at": NOW + timedelta(minutes=20)}, begins=[(dusk, DayPart.DUSK)])

    assert after("The next burst", told) == f"The next burst is expected at {expected}."


def test_the_time_to_a_burst_is_right_over_a_night_in_which_the_clock_changes() -> None:
    """On 25 October 2026 at 03:00 the clocks of Brussels go back to 02:00."""
    evening = datetime(2026, 10, 24, 20, 0, tzinfo=ZoneInfo("Europe/Brussels"))
    dawn = datetime(2026, 10, 25, 6, 0, tzinfo=UTC)  # 07:00 at the house, eleven hours by its clocks

    told = why(OFF, now=evening, begins=[(dawn, DayPart.DAWN)])

    assert after("The next burst", told) == (
        "The next burst is expected at 25 Oct 07:00:00, in 12 h: dawn begins at 25 Oct 07:00."
    )


@pytest.mark.parametrize(
    ("trim_ends_in_min", "expected"), [(0.5, "12:10:00"), (1.0, "12:10:00"), (1.5, "12:13:45")]
)
def test_a_trim_counts_in_the_next_part_if_it_is_not_over_by_then(
    trim_ends_in_min: float, expected: str
) -> None:
    trim = {"percent": -20.0, "until": NOW + timedelta(minutes=trim_ends_in_min), "by": "Ana", "note": ""}
    begins = [(NOW_UTC + timedelta(minutes=1), DayPart.DUSK)]

    told = why({"next_burst_at": NOW + timedelta(minutes=20), "trim": trim}, begins=begins)

    assert f"expected at {expected}" in after("The next burst", told)


# --- what is set


def test_a_timetable_that_was_set_names_who_set_it() -> None:
    told = why(settings=settings("left", setting("timetable", TIMETABLE, revision=5, by="Ana")))

    assert (
        after("Its timetable", told)
        == "Its timetable (set by Ana, revision 5) gives 6 s after every 8 min by day."
    )


@pytest.mark.parametrize("value", [None, {"day": {"burst_s": "long"}}, {"noon": {"off": True}}])
def test_a_timetable_that_is_not_understood_is_left_out(value: dict[str, Any] | None) -> None:
    told = why(settings=settings("left", setting("timetable", value)))

    assert not any("timetable (" in line for line in told)


@pytest.mark.parametrize(
    ("percent", "words"),
    [
        (-20.0, "Ana set 20 % less water until 14:00 (revision 9) [overcast], so the gap is 10 min."),
        (60.0, "Ana set 60 % more water until 14:00 (revision 9) [overcast], so the gap is 5 min."),
    ],
)
def test_a_trim_tells_what_it_makes_of_the_gap(percent: float, words: str) -> None:
    told = why(
        {"trim": {"percent": percent, **UNTIL}},
        settings=settings("left", setting("trim", {"percent": percent, "for_s": 60.0}, revision=9)),
    )

    assert after("Ana set", told) == words


@pytest.mark.parametrize(("percent", "gap_min"), [(0.0, 8.0), (-20.0, 10.0), (-50.0, 16.0), (100.0, 4.0)])
def test_a_trim_divides_the_gap(percent: float, gap_min: float) -> None:
    assert trimmed(timedelta(minutes=8), percent) == timedelta(minutes=gap_min)


def test_a_zone_that_is_closed_and_one_whose_burst_is_left_out() -> None:
    told = why({"closed": {**UNTIL, "note": ""}, "skip": UNTIL}, settings=None)

    assert told[-3:-1] == [
        "Ana closed it until 14:00: nobody may enter, mist goes on.",
        "Its next burst is left out for Ana [overcast], if it falls due before 14:00.",
    ]


def test_a_single_short_burst_of_today_is_told_to_the_tenth() -> None:
    told = why({"today": {"bursts": 1, "open_s": 0.5, "water_l": 0.02}})

    assert told[-1] == "Today it had 1 burst, 0.5 s, 0.02 l."


# --- what makes it doubtful


def test_without_a_daemon_everything_is_said_to_be_from_before() -> None:
    assert why(is_online=False)[0].startswith("The daemon is offline: nothing mists until it runs again.")


def test_an_uncertain_time_is_told() -> None:
    assert any(line.startswith("The time is uncertain") for line in why(house=house(time_trusted=False)))


# --- with the record


def record(*entries: Any, began: datetime, why: str = "12.0 min since the last burst") -> Past:
    given = kept_houses.burst((began - kept_houses.BEGINS) / timedelta(minutes=1), why)
    return Past(zone="left", at=NOW, before=burst_of(given), lines=entries)


BEGAN = NOW.astimezone(UTC) - timedelta(seconds=306)


@pytest.mark.parametrize("doing", ["resting", "held", "waiting", "off"])
def test_the_record_knows_why_the_last_burst_was_due_whatever_is_told_now(doing: str) -> None:
    told = why({"doing": doing, "why": "told now"}, past=record(began=BEGAN))

    assert told[0].endswith("for 6 s: 12.0 min since the last burst.")


@pytest.mark.parametrize(
    ("apart", "is_same"), [(SAME_BURST, True), (SAME_BURST + timedelta(milliseconds=1), False)]
)
def test_the_record_of_another_burst_does_not_explain_the_last(apart: timedelta, is_same: bool) -> None:
    for began in (BEGAN - apart, BEGAN + apart):
        told = why({"why": "told now"}, past=record(began=began))

        assert ("12.0 min" in told[0]) is is_same
        assert ("told now" in told[0]) is not is_same


def test_what_the_record_holds_since_the_last_burst_comes_last() -> None:
    refused = kept_houses.entry(-1.0, EventKind.BURST_REFUSED, "the keeper refused", guard="keeper")

    told = why(past=record(refused, began=BEGAN))

    assert told[-2:] == ["Since its last burst:", "  11:59:00  not misted: the keeper refused"]
    assert "Since its last burst:" not in why(past=record(began=BEGAN))


def test_no_words_of_a_stranger_move_the_cursor() -> None:
    bad = "\x1b[2J\nmistd: all is well\x07\u202e"
    told = why(
        {
            "why": bad,
            "trim": {"percent": 5.0, **UNTIL, "by": bad, "note": bad},
            "closed": {**UNTIL, "by": bad},
        },
        settings=settings("left", setting("timetable", TIMETABLE, revision=3, by=bad)),
    )

    assert len(told) > 5
    assert all(line.isprintable() for line in told)
