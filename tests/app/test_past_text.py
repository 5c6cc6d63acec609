"""What a zone did around an instant that is past, in sentences: nothing untold that makes them doubtful."""

from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from mistd.app.past import GivenBurst, Past, burst_of
from mistd.app.past_text import LINES_TOLD, bearing_lines, said_past
from mistd.core.events import EventKind
from mistd.ports.store import Entry
from tests.app.kept_houses import EVERY_8_MIN, at, burst, entry, revision

K = EventKind
HOUSE = "fern-house"
BRUSSELS = ZoneInfo("Europe/Brussels")


def given(entry: Entry) -> GivenBurst:
    found = burst_of(entry)
    assert found is not None
    return found


def past(minutes: float, *lines: Entry, **more: Any) -> Past:
    """At this minute, between a burst at 4 and one at 12, in a record of an hour."""
    between: dict[str, Any] = {
        "before": given(burst(4.0)),
        "after": given(burst(12.0)),
        "begins": at(0.0),
        "ends": at(60.0),
    }
    return Past(zone="left", at=at(minutes).astimezone(BRUSSELS), lines=lines, **(between | more))


def said(minutes: float, *lines: Entry, **more: Any) -> list[str]:
    return said_past(past(minutes, *lines, **more))


def test_a_hold_explains_a_long_gap() -> None:
    hold = revision(1, 5.0, "hold", {"for_s": 1800.0}, until=35.0, author="Ida", note="potting")

    told = said(
        20.0,
        entry(5.0, K.HOLD_STARTED, "held dry by Ida: potting", for_s=1800.0),
        entry(12.0, K.BURST_REFUSED, "held dry by Ida for 23 min more", guard="hold"),
        entry(35.0, K.HOLD_ENDED, "its time is over"),
        after=given(burst(35.0, "30.9 min since the last burst, by the timetable")),
        in_force=(hold,),
    )

    assert told == [
        "At 12:20:00 on Sunday 21 June 2026:",
        f"left had last misted at 12:04:00, 6 s, 0.72 l: {EVERY_8_MIN}.",
        "left misted next at 12:35:00, 6 s, 0.72 l: 30.9 min since the last burst, by the timetable.",
        "In force then: held dry for 30 min; until 12:35:00; by Ida, revision 1 [potting].",
        "What bears on it:",
        "  12:05:00  held dry by Ida: potting (for 30 min)",
        "  12:12:00  not misted: held dry by Ida for 23 min more",
        "  12:35:00  hold ended: its time is over",
    ]


def test_a_lasting_setting_in_force_is_told_without_an_end() -> None:
    day = {"burst_s": 6.0, "gap_min": 9.0}
    timetable = {"night": {"off": True}, "dawn": day, "day": day, "dusk": day}

    told = said(8.0, in_force=(revision(5, 5.0, "timetable", timetable),))

    assert told[-1] == (
        "In force then: timetable night off, dawn 6 s / 9 min, day 6 s / 9 min, dusk 6 s / 9 min; "
        "by Ana, revision 5."
    )


def test_a_line_of_a_sensor_names_it_and_a_line_of_the_zone_does_not() -> None:
    told = bearing_lines(
        past(
            8.0,
            entry(5.0, K.WETNESS_DOUBTED, "it did not rise after 3 good bursts", subject="left-leaf"),
            entry(5.5, K.CYCLE_FELL_BACK, "left-leaf is doubted: it is led by its reckoned film"),
            entry(6.0, K.READING_LOST, "no good reading for 300 s", subject="air"),
        ),
        at(8.0).astimezone(BRUSSELS),
    )

    assert told == [
        "  12:05:00  left-leaf: not believed any more: it did not rise after 3 good bursts",
        "  12:05:30  left-leaf is doubted: it is led by its reckoned film",
        "  12:06:00  air: reading lost: no good reading for 300 s",
    ]


def test_where_nothing_bears_on_it_nothing_is_said_of_that() -> None:
    assert len(said(8.0)) == 3


def test_a_burst_that_was_running_is_told_first() -> None:
    told = said(12.05, during=given(burst(12.0, "asked for by Ida")), after=given(burst(20.0)))

    assert told[1:] == [
        "left was misting: 12:12:00, 6 s, 0.72 l: asked for by Ida.",
        f"left had last misted at 12:04:00, 6 s, 0.72 l: {EVERY_8_MIN}.",
        f"left misted next at 12:20:00, 6 s, 0.72 l: {EVERY_8_MIN}.",
    ]


def test_an_unusual_end_of_a_burst_is_told() -> None:
    told = said(8.0, before=given(burst(4.0, reason="held dry by Ida")))

    assert told[1] == f"left had last misted at 12:04:00, 6 s, 0.72 l: {EVERY_8_MIN}; ended: held dry by Ida."


def test_a_burst_of_another_day_is_told_with_its_date() -> None:
    assert "misted at 20 Jun 12:00:00, 6 s" in said(8.0, before=given(burst(-24.0 * 60.0)))[1]


def test_without_a_burst_before_or_after_the_journals_ends_are_told() -> None:
    assert said(8.0, before=None, after=None)[1:] == [
        "left had not misted before, as far as the journal goes back, to 12:00:00.",
        "left has not misted since, as far as the journal goes, to 13:00:00.",
    ]


def test_an_empty_journal_says_so_and_nothing_else() -> None:
    told = said_past(Past(zone="left", at=at(8.0).astimezone(BRUSSELS)))

    assert told == ["The journal is empty: nothing is known."]


@pytest.mark.parametrize("minutes", [0.0, 60.0])
def test_an_instant_at_an_end_of_the_journal_is_within_it(minutes: float) -> None:
    assert said(minutes)[0].startswith("At ")


def test_an_instant_outside_the_journal_says_so() -> None:
    early, late = said(-1e-3, before=None), said(60.0 + 1e-3)

    assert early == [
        "The journal begins later, at 12:00:00: nothing is known of before.",
        "At 11:59:59 on Sunday 21 June 2026:",
        f"left misted next at 12:12:00, 6 s, 0.72 l: {EVERY_8_MIN}.",
    ]
    assert late[0] == "The journal ends before, at 13:00:00: what came after is not known."


def test_a_gap_in_the_journal_is_told_before_anything_else_in_the_time_of_the_house() -> None:
    gap = "nothing is written down from 2026-06-21T10:05:00.123456+00:00 to 2026-06-21T10:09:00+00:00"

    told = said(8.0, entry(9.0, K.JOURNAL_GAP, gap, subject=HOUSE))

    assert told[0] == (
        "The journal has a gap, so this may not be all: nothing is written down from 12:05:00 to 12:09:00."
    )


@pytest.mark.parametrize("doubted", ["before", "during", "after", "line"])
def test_a_clock_that_was_not_set_is_told(doubted: str) -> None:
    line = entry(9.0, K.HOLD_ENDED, is_time_trusted=doubted != "line")
    bursts = {} if doubted == "line" else {doubted: given(burst(8.0, is_time_trusted=False))}

    assert said(8.0, line, **bursts)[0] == "The clock was not set for some of this: its times may be wrong."


def test_refusals_for_one_reason_are_told_once_with_their_number() -> None:
    frost = [
        entry(minutes, K.BURST_REFUSED, f"frost {minutes}", guard="frost") for minutes in (6.0, 7.0, 8.0)
    ]
    asked = entry(9.0, K.BURST_REFUSED, "frost", guard="frost", asked_by="Ana")
    keeper = entry(10.0, K.BURST_REFUSED, "the keeper refused", guard="keeper")

    assert said(8.0, *frost, asked, keeper)[-3:] == [
        "  12:06:00 to 12:08:00, 3 times  not misted: frost 8.0",
        "  12:09:00                       refused Ana a burst: frost",
        "  12:10:00                       not misted: the keeper refused",
    ]


def numbered(count: int) -> list[Entry]:
    return [entry(5.0 + each / 100.0, K.HOLD_EXTENDED, f"number {each}") for each in range(count)]


@pytest.mark.parametrize(("surplus", "left_out"), [(1, 0), (3, 0), (3, 7)])
def test_of_many_lines_the_ends_are_told_and_the_rest_is_counted(surplus: int, left_out: int) -> None:
    told = bearing_lines(past(8.0, *numbered(LINES_TOLD + surplus), left_out=left_out), at(8.0))

    half = LINES_TOLD // 2
    assert len(told) == LINES_TOLD + 1
    assert told[half - 1].endswith(f"number {half - 1}")
    assert told[half] == f"  ... {surplus + left_out} more, in mistd journal --zone left"
    assert told[half + 1].endswith(f"number {half + surplus}")
    assert told[-1].endswith(f"number {LINES_TOLD + surplus - 1}")


def test_as_many_lines_as_are_told_are_all_told() -> None:
    told = bearing_lines(past(8.0, *numbered(LINES_TOLD)), at(8.0).astimezone(UTC))

    assert len(told) == LINES_TOLD
    assert told[0] == "  10:05:00  prolonged, number 0"


def test_no_words_of_a_stranger_move_the_cursor() -> None:
    bad = "\x1b[2J\nmistd: all is well\x07\u202e"
    told = said(
        8.0,
        entry(5.0, K.HOLD_STARTED, bad),
        entry(6.0, K.JOURNAL_GAP, bad, subject=HOUSE),
        before=given(burst(4.0, bad, reason=bad)),
        in_force=(revision(1, 4.0, "closed", {"for_s": 3600.0}, until=64.0, author=bad, note=bad),),
    )

    assert len(told) > 5
    assert all(line.isprintable() for line in told)
