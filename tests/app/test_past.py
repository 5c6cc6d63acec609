"""What the record holds of a zone around an instant, by a real database."""

from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from mistd.app.config import Config
from mistd.app.past import LOOK_AROUND, MOST_LINES, Past, burst_of, past_of
from mistd.app.wiring import records_of
from mistd.core.events import EventKind
from mistd.ports.store import Entry, KeptRevision
from tests.app.house_files import loaded_house, set_to
from tests.app.kept_houses import EVERY_8_MIN, at, burst, entry, keep, revision

K = EventKind
HOUSE = "fern-house"
BRUSSELS = ZoneInfo("Europe/Brussels")
DAY = {"burst_s": 6.0, "gap_min": 9.0}
TIMETABLE = {"night": {"off": True}, "dawn": DAY, "day": DAY, "dusk": DAY}


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return loaded_house(
        tmp_path, set_to("state", {"directory": str(tmp_path), "run_directory": str(tmp_path)})
    )


def known(config: Config, minutes: float, *entries: Entry, revisions: tuple[KeptRevision, ...] = ()) -> Past:
    keep(config, entries, revisions)
    return past_of(records_of(config), "left", HOUSE, at(minutes).astimezone(BRUSSELS))


def kinds(past: Past) -> list[str]:
    return [line.kind for line in past.lines]


# --- which bursts


def test_the_burst_before_and_the_burst_after_an_instant_are_found(config: Config) -> None:
    others = [burst(minutes, subject="right") for minutes in (3.0, 9.0)]
    past = known(config, 5.0, burst(-4.0), burst(4.0), others[0], burst(12.0), others[1], burst(20.0))

    assert past.before is not None
    assert past.after is not None
    assert (past.before.began, past.before.ended, past.before.open_s) == (at(4.0), at(4.1), 6.0)
    assert (past.after.began, past.after.why, past.after.water_l) == (at(12.0), EVERY_8_MIN, 0.72)
    assert past.during is None


@pytest.mark.parametrize(
    ("minutes", "before", "during", "after"),
    [
        (4.0 - 1e-4, None, None, 4.0),
        (4.0, None, 4.0, 12.0),  # as it began
        (4.05, None, 4.0, 12.0),
        (4.1, None, 4.0, 12.0),  # as it ended
        (4.1 + 1e-4, 4.0, None, 12.0),
        (12.1 + 1e-4, 12.0, None, None),
    ],
)
def test_a_burst_runs_from_its_beginning_to_its_end(
    config: Config, minutes: float, before: float | None, during: float | None, after: float | None
) -> None:
    past = known(config, minutes, burst(4.0), burst(12.0))

    found = [each.began if each else None for each in (past.before, past.during, past.after)]
    assert found == [None if each is None else at(each) for each in (before, during, after)]


def test_an_empty_record_and_a_zone_without_bursts_are_told_apart(config: Config) -> None:
    assert known(config, 5.0).begins is None

    past = known(config, 5.0, burst(4.0, subject="right"))

    assert (past.before, past.after) == (None, None)
    assert (past.begins, past.ends) == (at(4.1), at(4.1))


def test_a_line_whose_figures_cannot_be_read_is_no_burst() -> None:
    for figures in ("", "[1]", '{"open_s": "six"}', '{"open_s": true}', "{}", '{"open_s": 1e999}'):
        line = Entry(
            at=burst(0.0).at,
            is_time_trusted=True,
            kind=K.BURST_ENDED,
            subject="left",
            reason="",
            figures=figures,
        )

        assert burst_of(line) is None


# --- what bears on it


def test_what_bears_on_a_zone_lies_between_its_bursts_and_is_its_own_or_the_houses(config: Config) -> None:
    past = known(
        config,
        5.0,
        entry(3.0, K.HOLD_STARTED),  # before the burst before
        burst(4.0),
        entry(4.5, K.HOLD_STARTED),
        entry(4.6, K.HOLD_STARTED, subject="right"),
        entry(4.7, K.FROST_BEGAN, subject=HOUSE),
        entry(4.8, K.BROKER_LOST, subject=HOUSE),  # which keeps no zone dry
        entry(4.9, K.READING_LOST, subject="air"),
        entry(5.1, K.BURST_SKIPPED),
        burst(12.0),
        entry(13.0, K.HOLD_STARTED),
    )

    assert kinds(past) == [K.HOLD_STARTED, K.FROST_BEGAN, K.BURST_SKIPPED]


def test_what_leads_a_zone_bears_on_it_and_so_does_what_befalls_its_sensors(config: Config) -> None:
    lines = [
        entry(4.3, K.CYCLE_FELL_BACK),
        entry(4.4, K.CYCLE_FELL_BACK, subject="right"),
        entry(4.5, K.WETNESS_DOUBTED, subject="left-leaf"),
        entry(4.6, K.WETNESS_DOUBTED, subject="right-leaf"),
        entry(4.7, K.READING_LOST, subject="air"),
        entry(4.8, K.READING_BACK, subject="air"),
        entry(4.9, K.READING_LOST, subject="manifold"),  # by which nothing is misted
        entry(5.1, K.WETNESS_TRUSTED, subject="left-leaf"),
        entry(5.2, K.HOLD_STARTED, subject="air"),  # a zone of that name, once
        entry(5.3, K.CYCLE_CAME_BACK),
    ]
    keep(config, [burst(4.0), *lines, burst(12.0)])

    past = past_of(
        records_of(config), "left", HOUSE, at(5.0).astimezone(BRUSSELS), sensors=("air", "damp", "left-leaf")
    )

    assert [(line.kind, line.subject) for line in past.lines] == [
        (K.CYCLE_FELL_BACK, "left"),
        (K.WETNESS_DOUBTED, "left-leaf"),
        (K.READING_LOST, "air"),
        (K.READING_BACK, "air"),
        (K.WETNESS_TRUSTED, "left-leaf"),
        (K.CYCLE_CAME_BACK, "left"),
    ]


def test_of_the_alarms_those_bear_on_a_zone_that_are_about_its_mist(config: Config) -> None:
    past = known(
        config,
        5.0,
        burst(4.0),
        entry(5.0, K.ALARM_RAISED, alarm="zone_not_misted"),
        entry(5.1, K.ALARM_RAISED, alarm="zone_not_misted", subject="right"),
        entry(5.2, K.ALARM_RAISED, alarm="keeper_away", subject=HOUSE),
        entry(5.3, K.ALARM_RAISED, alarm="no_broker", subject=HOUSE),
        entry(5.4, K.ALARM_CLEARED, alarm="zone_not_misted"),
    )

    assert kinds(past) == [K.ALARM_RAISED, K.ALARM_RAISED, K.ALARM_CLEARED]
    assert [line.subject for line in past.lines] == ["left", HOUSE, "left"]


def test_without_bursts_a_day_either_way_is_looked_at(config: Config) -> None:
    day_min = LOOK_AROUND / timedelta(minutes=1)

    past = known(
        config,
        0.0,
        entry(-day_min - 1e-3, K.FROST_BEGAN, subject=HOUSE),
        entry(-day_min, K.FROST_ENDED, subject=HOUSE),
        entry(day_min - 1e-3, K.KEEPER_LOST, subject=HOUSE),
        entry(day_min, K.KEEPER_READY, subject=HOUSE),
    )

    assert kinds(past) == [K.FROST_ENDED, K.KEEPER_LOST]


def test_of_very_many_lines_the_first_and_the_last_are_kept_and_the_others_counted(config: Config) -> None:
    lines = [
        entry(5.0 + minute / 1000.0, K.BURST_REFUSED, str(minute)) for minute in range(2 * MOST_LINES + 3)
    ]

    past = known(config, 5.0, burst(4.0), *lines)

    reasons = [line.reason for line in past.lines]
    assert reasons[:2] == ["0", "1"]
    assert reasons[MOST_LINES - 1 : MOST_LINES + 1] == [str(MOST_LINES - 1), str(MOST_LINES + 3)]
    assert reasons[-1] == str(2 * MOST_LINES + 2)
    assert past.left_out == 3


@pytest.mark.parametrize(
    ("minutes", "numbers"),
    [
        (9.999, []),
        (10.0, [1]),
        (19.0, [1, 2]),
        (20.0, [2, 3]),  # another trim
        (29.999, [2, 3]),
        (30.0, [2]),  # the trim is over
        (40.0, [5]),  # the timetable is as in the file again; a skip is left to the journal
    ],
)
def test_what_was_in_force_is_the_newest_change_until_it_ends(
    config: Config, minutes: float, numbers: list[int]
) -> None:
    revisions = (
        revision(1, 10.0, "trim", {"percent": -20.0, "for_s": 3600.0}, until=70.0),
        revision(2, 15.0, "timetable", TIMETABLE),
        revision(3, 20.0, "trim", {"percent": 10.0, "for_s": 600.0}, until=30.0),
        revision(4, 35.0, "timetable", None),
        revision(5, 36.0, "closed", {"for_s": 3600.0}, until=96.0),
        revision(6, 37.0, "skip", {"for_s": 3600.0}, until=97.0),
        revision(7, 38.0, "closed", {"for_s": 3600.0}, zone="right", until=98.0),
    )

    past = known(config, minutes, burst(4.0), revisions=revisions)

    assert sorted(each.id for each in past.in_force) == numbers
