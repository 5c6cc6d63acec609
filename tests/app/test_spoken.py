"""Lengths, instants, percents and timetables as people write them: read, or refused with how to write it."""

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.app.spoken import (
    UnclearError,
    day_part,
    instant,
    length_s,
    percent,
    said_instant,
    said_length,
    whole_number,
)

BRUSSELS = ZoneInfo("Europe/Brussels")
NOW = datetime(2026, 6, 21, 14, 30, tzinfo=BRUSSELS)


def local(*parts: int, fold: int = 0) -> datetime:
    return datetime(*parts, tzinfo=BRUSSELS, fold=fold)  # type: ignore[misc,arg-type]


# --- lengths


@pytest.mark.parametrize(
    ("text", "expected_s"),
    [
        ("5s", 5.0),
        ("0.5s", 0.5),
        ("45m", 2700.0),
        ("1.5h", 5400.0),
        ("2d", 172_800.0),
        (" 2H ", 7200.0),
        (".5m", 30.0),
    ],
)
def test_a_length_of_time_is_read_in_its_unit(text: str, expected_s: float) -> None:
    assert length_s(text) == expected_s


@pytest.mark.parametrize(
    "text", ["", "s", "5", "5w", "5 minutes", "-5s", "0s", "nans", "infs", "1e999d", "5ss", "5,5s", "\u0665"]
)
def test_what_is_no_length_is_refused_and_told_how_to_write_one(text: str) -> None:
    with pytest.raises(UnclearError, match=r"no length of time; write it as 5s, 45m, 1\.5h or 2d"):
        length_s(text)


# --- percents


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("-20%", -20.0),
        ("+10%", 10.0),
        ("+0.5 %", 0.5),
        (" -12.5% ", -12.5),
        ("\u221220%", -20.0),
        ("+0%", 0.0),
    ],
)
def test_a_percentage_is_read_with_its_sign(text: str, expected: float) -> None:
    assert percent(text) == expected


UNCLEAR_PERCENTS = ["", "20%", "-20", "+-20%", "-%", "-20%%", "-2e1%", "- 20%", "minus 20%", "-0.2"]


@pytest.mark.parametrize("text", UNCLEAR_PERCENTS)
def test_a_percentage_that_could_mean_two_things_is_refused(text: str) -> None:
    with pytest.raises(UnclearError, match="write it with its sign, as -20% or"):
        percent(text)


# --- parts of the day


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("day=6s/8m", ("day", (6.0, 480.0))),
        ("NIGHT=OFF", ("night", None)),
        ("dusk=0.5s/1.5h", ("dusk", (0.5, 5400.0))),
        ("noon=6s/8m", ("noon", (6.0, 480.0))),  # which parts there are is not known here
    ],
)
def test_a_part_of_the_day_is_read_as_burst_and_gap(
    text: str, expected: tuple[str, tuple[float, float] | None]
) -> None:
    assert day_part(text) == expected


@pytest.mark.parametrize("text", ["", "day", "=6s/8m", "day=6s", "day=", "day 6s/8m", "day=on"])
def test_half_a_part_of_the_day_is_refused(text: str) -> None:
    with pytest.raises(UnclearError, match=r"write it as day=6s/8m \(burst/gap\) or night=off"):
        day_part(text)


@pytest.mark.parametrize("text", ["day=6/8m", "day=6s/8", "day=6s/", "day=/8m", "day=6s/8m/2m", "day=6s/-8m"])
def test_a_part_of_the_day_with_a_bad_length_names_the_length(text: str) -> None:
    with pytest.raises(UnclearError, match="no length of time"):
        day_part(text)


# --- numbers of revisions


@pytest.mark.parametrize(("text", "expected"), [("17", 17), (" 0 ", 0), ("007", 7), ("9" * 15, 10**15 - 1)])
def test_the_number_of_a_revision_is_read(text: str, expected: int) -> None:
    assert whole_number(text) == expected


@pytest.mark.parametrize("text", ["", "-1", "+1", "1.0", "r17", "1_0", "9" * 16, "\u0665", "1e3"])
def test_what_is_no_number_of_a_revision_is_refused(text: str) -> None:
    with pytest.raises(UnclearError, match="as `mistd settings` shows it"):
        whole_number(text)


# --- instants


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("14:30", local(2026, 6, 21, 14, 30)),  # now is the last time that it was so late
        ("14:29:59", local(2026, 6, 21, 14, 29, 59)),
        ("14:30:01", local(2026, 6, 20, 14, 30, 1)),
        ("23:00", local(2026, 6, 20, 23, 0)),
        ("0:05", local(2026, 6, 21, 0, 5)),
        ("2026-06-21", local(2026, 6, 21)),
        ("2026-06-21 13:00", local(2026, 6, 21, 13, 0)),
        (" 2026-06-21T13:00:05 ", local(2026, 6, 21, 13, 0, 5)),
        ("2026-06-21T11:00Z", local(2026, 6, 21, 13, 0)),
        ("2026-06-21T11:00:00-01:00", local(2026, 6, 21, 14, 0)),
        ("2026-12-24 18:00", local(2026, 12, 24, 18, 0)),  # a date may lie ahead: whoever asks judges that
        ("2h", local(2026, 6, 21, 12, 30)),
        ("2D", local(2026, 6, 19, 14, 30)),
    ],
)
def test_an_instant_is_read_as_people_write_it(text: str, expected: datetime) -> None:
    found = instant(text, NOW)

    assert found == expected
    assert found.tzinfo is BRUSSELS


NO_INSTANTS = ["", "half past two", "24:00", "14:60", "14", "2026-13-01", "-2h", "1e9d", "0001-01-01", "1430"]


@pytest.mark.parametrize("text", NO_INSTANTS)
def test_what_is_no_instant_is_refused_and_told_how_to_write_one(text: str) -> None:
    with pytest.raises(UnclearError, match="no instant; write it as 14:30"):
        instant(text, NOW)


def test_of_two_times_that_a_clock_set_back_shows_alike_the_first_is_meant() -> None:
    """On 25 October 2026 at 03:00 the clocks of Brussels go back to 02:00."""
    after = local(2026, 10, 25, 2, 45, fold=1)

    assert instant("02:30", after).utcoffset() == timedelta(hours=2)
    assert instant("02:50", after) == local(
        2026, 10, 25, 2, 50
    )  # also the first: it has been, the second has not
    assert instant("1h", after) == local(2026, 10, 25, 2, 45)  # an hour ago, not the same clock


def test_a_time_that_a_clock_set_ahead_never_showed_is_told_as_the_clock_went_on() -> None:
    """On 29 March 2026 at 02:00 the clocks of Brussels go on to 03:00."""
    found = instant("2026-03-29 02:30", NOW)

    assert (found.hour, found.minute) == (3, 30)


@pytest.mark.parametrize("read", [length_s, percent, day_part, whole_number, lambda text: instant(text, NOW)])
@settings(max_examples=50)
@given(text=st.text(max_size=12))
def test_a_text_is_read_or_unclear_and_nothing_else(read: Callable[[str], object], text: str) -> None:
    with suppress(UnclearError):
        assert read(text) is not None


# --- told


@pytest.mark.parametrize(
    ("length", "said"),
    [
        (timedelta(seconds=-1), "0 s"),
        (timedelta(seconds=89.4), "89 s"),
        (timedelta(seconds=90), "2 min"),
        (timedelta(minutes=89), "89 min"),
        (timedelta(minutes=90), "1.5 h"),
        (timedelta(hours=47), "47 h"),
        (timedelta(hours=48), "2 d"),
        (timedelta(days=3, hours=12), "3.5 d"),
    ],
)
def test_a_length_is_told_in_round_numbers(length: timedelta, said: str) -> None:
    assert said_length(length) == said


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (local(2026, 6, 21, 0, 0, 5), "00:00"),
        (datetime(2026, 6, 21, 12, 5, tzinfo=UTC), "14:05"),
        (local(2026, 6, 22, 0, 0), "22 Jun 00:00"),
        (local(2026, 1, 2, 8, 0), "2 Jan 08:00"),
        (local(2025, 6, 21, 14, 30), "2025-06-21 14:30"),
    ],
)
def test_an_instant_is_told_with_as_much_of_its_date_as_is_needed(at: datetime, said: str) -> None:
    assert said_instant(at, NOW) == said
    assert said_instant(at, NOW, to_the_second=True) == f"{said}:{at:%S}"
