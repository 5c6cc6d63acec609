"""Clocks that change by law, and clocks that are wrong when the house or its machine begins.

Every story is lived by the whole daemon in virtual time, and held against the promises of `clock_promises`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise, product
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from mistd.app.config import Config
from mistd.app.config_file import checked_config, load_config
from mistd.app.saving import SAVE_EVERY_S
from mistd.core.almanac import DayPart
from tests.app.house_files import EXAMPLE, timed_example, toml_of, written
from tests.scenarios.clock_promises import (
    check,
    dates_ended,
    every_day_lived_is_ended_once,
    gap_s,
    no_gap_outlasts_the_part_that_is_in_force,
    no_zone_is_misted_out_of_turn,
)
from tests.scenarios.clocks import LIVES_FOR_S, STARTS_AT, ClockDay, Move, second_of
from tests.scenarios.days import S_PER_DAY, Excuse, hours
from tests.scenarios.promises import EDGE_S, no_zone_is_misted_before_its_gap_or_its_rest_is_over


@pytest.fixture(scope="module")
def example() -> Config:
    return checked_config(toml_of(timed_example()), EXAMPLE)


# --- summer time and the leap day


@dataclass(frozen=True, slots=True)
class Night:
    """A night on which the clocks of the land are changed, or on which somebody might think so."""

    place: str
    latitude: float
    longitude: float
    time_zone: str
    date: str  # the day that begins in that night
    lasts_h: float  # that day

    def __str__(self) -> str:
        return f"{self.place}_{self.date}"


NIGHTS = [
    Night("scheldt", 50.35, 3.52, "Europe/Brussels", "2026-03-29", 23.0),
    Night("scheldt", 50.35, 3.52, "Europe/Brussels", "2026-10-25", 25.0),
    Night("adelaide", -34.9, 138.6, "Australia/Adelaide", "2026-10-04", 23.0),
    Night("adelaide", -34.9, 138.6, "Australia/Adelaide", "2026-04-05", 25.0),
    Night("scheldt", 50.35, 3.52, "Europe/Brussels", "2028-02-29", 24.0),
]
ODD_NIGHTS = [
    Night("lord_howe", -31.6, 159.1, "Australia/Lord_Howe", "2026-10-04", 23.5),
    Night("lord_howe", -31.6, 159.1, "Australia/Lord_Howe", "2026-04-05", 24.5),
    Night("santiago", -33.4, -70.7, "America/Santiago", "2026-09-06", 23.0),  # begins at 1:00
    Night("santiago", -33.4, -70.7, "America/Santiago", "2026-04-04", 25.0),  # its last hour comes twice
    Night("havana", 23.1, -82.4, "America/Havana", "2026-03-08", 23.0),  # begins at 1:00
    Night("havana", 23.1, -82.4, "America/Havana", "2026-11-01", 25.0),  # its first hour comes twice
    Night("scheldt", 50.35, 3.52, "Europe/Brussels", "2027-03-01", 24.0),  # no leap day before it
]


def lived_over(night: Night, place: Path, steps: Sequence[Move] = ()) -> ClockDay:
    """From ten in the evening before until the day after that day has begun."""
    tables = timed_example()
    tables["place"] |= {
        "latitude": night.latitude,
        "longitude": night.longitude,
        "time_zone": night.time_zone,
    }
    config = load_config(written(place, toml_of(tables)))
    zone = ZoneInfo(night.time_zone)
    evening = datetime.fromisoformat(night.date).replace(tzinfo=zone) - timedelta(hours=2)
    day = ClockDay(config, starts_at=evening.astimezone(UTC), moves=steps)
    day.live_on(hours(2 + night.lasts_h + 1))
    return day


@pytest.mark.parametrize("night", NIGHTS, ids=str)
def test_a_night_of_summer_time_and_a_leap_day_are_nights_like_others(night: Night, tmp_path: Path) -> None:
    day = lived_over(night, tmp_path)

    check(day)
    first_s, second_s = (at_s for at_s, _ in day.events("day_ended"))
    assert second_s - first_s == pytest.approx(hours(night.lasts_h), abs=1.0)
    assert day.events("clock_stepped") == []
    before = datetime.fromisoformat(night.date).date() - timedelta(days=1)
    assert dates_ended(day) == [before.isoformat(), night.date]


@pytest.mark.campaign
@pytest.mark.parametrize("night", ODD_NIGHTS, ids=str)
def test_so_are_those_of_odder_lands(night: Night, tmp_path: Path) -> None:
    test_a_night_of_summer_time_and_a_leap_day_are_nights_like_others(night, tmp_path)


@pytest.mark.parametrize(("night", "by_h"), [(NIGHTS[1], 1.0), (NIGHTS[2], -1.0)], ids=str)
def test_a_clock_set_by_hand_in_the_night_of_summer_time_ends_no_day_twice(
    night: Night, by_h: float, tmp_path: Path
) -> None:
    """Somebody does by hand what the zone has done already, and takes it back at breakfast."""
    steps = [Move(at_s=hours(4.5), by_s=hours(by_h)), Move(at_s=hours(10), by_s=hours(-by_h))]

    check(lived_over(night, tmp_path, steps))


# --- wrong from the start

AFTERNOON = datetime(2025, 3, 28, 14, tzinfo=UTC)  # three o'clock
UNIX = datetime(1970, 1, 1, 0, 0, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("clock", "after_s"), [("in_1970", 600.0), ("20h_old", hours(3)), ("20h_old_and_believed", 600.0)]
)
def test_a_new_house_whose_clock_is_set_late_ends_each_day_once(
    clock: str, after_s: float, example: Config
) -> None:
    off_s = (UNIX - AFTERNOON).total_seconds() if clock == "in_1970" else hours(-20)
    moves = [
        Move(at_s=0.0, by_s=off_s, is_trusted="believed" in clock, is_synchronised=False),
        Move(at_s=after_s, by_s=-off_s),
    ]
    day = ClockDay(example, starts_at=AFTERNOON, moves=moves)

    day.live_on(hours(34))

    check(day)
    assert dates_ended(day) == ["2025-03-28", "2025-03-29"]


CUT_S = second_of("15:01:07")
AWAY_S = {"2min": 120.0, "over_midnight": hours(9.5), "20h": hours(20)}


def rebooted(
    config: Config, clock: str, away_s: float, right_after_s: float, *, is_cut: bool = False
) -> ClockDay:
    """The machine is off from three in the afternoon on, in good order or not; then its clock is wrong."""
    again_s = CUT_S + away_s
    back_at = STARTS_AT + timedelta(seconds=again_s)
    off_s = {"in_1970": (UNIX - back_at).total_seconds(), "right": 0.0}.get(clock, -away_s)
    is_trusted = clock in {"stood_still_and_believed", "right"}
    moves = [
        Move(at_s=again_s, by_s=off_s, is_trusted=is_trusted, is_synchronised=clock == "right"),
        Move(at_s=again_s + right_after_s, by_s=-off_s),
    ]
    rest_s = max(zone.shortest_rest_s for zone in config.zones)
    day = ClockDay(config, starts_at=STARTS_AT, moves=moves)
    day.excuses.append(Excuse(None, CUT_S, again_s + rest_s))
    disk = day.live_on(CUT_S, is_cut=is_cut)
    day.live_on(LIVES_FOR_S - again_s, disk=disk, begins_s=again_s, boot_id="second")
    return day


RESTARTS = list(
    product(["in_1970", "stood_still", "stood_still_and_believed", "right"], AWAY_S, [600.0, hours(3)])
)
RESTARTS_BY_DEFAULT = [
    ("in_1970", "20h", hours(3)),
    ("stood_still", "2min", 600.0),
    ("stood_still_and_believed", "over_midnight", hours(3)),
    ("right", "over_midnight", 600.0),
]


def check_restart(clock: str, away: str, right_after_s: float, config: Config) -> None:
    """Not knowing how long it was off, a house mists every zone once, whatever its gap: see `restored`."""
    day = rebooted(config, clock, AWAY_S[away], right_after_s)
    check(
        day,
        every_day_lived_is_ended_once,
        no_zone_is_misted_before_its_gap_or_its_rest_is_over,
        no_zone_is_misted_out_of_turn,
    )
    assert dates_ended(day) == ["2025-03-27", "2025-03-28", "2025-03-29"]
    for zone in config.zones:
        first, *others = [burst for burst in day.bursts_of(zone.name) if burst.opened_s > CUT_S]
        shortest_gap_s = min(gap_s(zone, part) for part in DayPart)
        for before, after in pairwise([first, *others]):
            assert after.opened_s - before.shut_s >= shortest_gap_s - EDGE_S


@pytest.mark.parametrize(("clock", "away", "right_after_s"), RESTARTS_BY_DEFAULT)
def test_a_machine_that_restarts_with_a_wrong_clock_loses_no_day(
    clock: str, away: str, right_after_s: float, example: Config
) -> None:
    check_restart(clock, away, right_after_s, example)


@pytest.mark.campaign
@pytest.mark.parametrize(("clock", "away", "right_after_s"), RESTARTS)
def test_no_machine_that_restarts_with_a_wrong_clock_loses_a_day(
    clock: str, away: str, right_after_s: float, example: Config
) -> None:
    check_restart(clock, away, right_after_s, example)


def test_a_power_cut_over_midnight_loses_the_last_minutes_of_a_day_and_not_the_day(
    example: Config,
) -> None:
    day = rebooted(example, "stood_still", AWAY_S["over_midnight"], 600.0, is_cut=True)

    no_gap_outlasts_the_part_that_is_in_force(day)
    assert dates_ended(day) == ["2025-03-27", "2025-03-28", "2025-03-29"]
    counted = sum(int(event.figures["bursts"]) for _, event in day.events("day_ended"))
    lost = [burst for burst in day.bursts if CUT_S - SAVE_EVERY_S - 60.0 < burst.opened_s < CUT_S]
    given = [burst for burst in day.bursts if burst.opened_s < day.events("day_ended")[-1][0]]
    assert 0 <= len(given) - counted <= len(lost)


NOON_S, RESTART_S = second_of("12:00:07"), second_of("13:03:07")


def test_a_daemon_restarted_while_its_clock_is_wrong_goes_on(example: Config) -> None:
    moves = [Move(at_s=NOON_S, by_s=7 * S_PER_DAY)]
    moves.append(Move(at_s=NOON_S + hours(2), by_s=-7 * S_PER_DAY))
    day = ClockDay(example, starts_at=STARTS_AT, moves=moves)
    rest_s = max(zone.shortest_rest_s for zone in example.zones)
    day.excuses.append(Excuse(None, RESTART_S, RESTART_S + 20.0 + rest_s))

    disk = day.live_on(RESTART_S)
    day.live_on(hours(20), disk=disk, begins_s=RESTART_S + 20.0)

    check(day, no_zone_is_misted_out_of_turn)
    assert dates_ended(day) == ["2025-03-27", "2025-03-28"]
