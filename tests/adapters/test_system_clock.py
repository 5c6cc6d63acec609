"""SystemClock: what it reads, what it believes, and how seldom it looks."""

import time
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from mistd.adapters.system_clock import LOOK_AGAIN_AFTER_S, RELEASED, SystemClock
from mistd.ports.clock import Clock

LATER = RELEASED + timedelta(days=200)


class HandSetClocks:
    """A monotonic clock and a wall clock that the test moves."""

    def __init__(self, wall: datetime = LATER) -> None:
        self.now_s = 1000.0
        self.wall = wall


def clock_on(hands: HandSetClocks, timesync_directory: Path) -> SystemClock:
    return SystemClock(timesync_directory, monotonic_s=lambda: hands.now_s, wall_time=lambda: hands.wall)


def test_it_tells_the_machines_own_monotonic_and_wall_time() -> None:
    clock: Clock = SystemClock()

    before_s, before = time.monotonic(), datetime.now(UTC)
    now_s, utc = clock.now_s(), clock.utc()
    after_s, after = time.monotonic(), datetime.now(UTC)

    assert before_s <= now_s <= after_s
    assert before <= utc <= after
    assert utc.tzinfo is UTC


@pytest.mark.parametrize(
    ("wall", "expected"),
    [
        (datetime(1970, 1, 1, tzinfo=UTC), False),
        (RELEASED - timedelta(microseconds=1), False),
        (RELEASED, True),
        (LATER, True),
    ],
)
def test_a_wall_time_before_the_release_is_not_believed(
    wall: datetime, expected: bool, tmp_path: Path
) -> None:
    clock = clock_on(HandSetClocks(wall), tmp_path / "absent")

    assert clock.is_trusted() is expected


def test_a_machine_without_the_time_service_is_believed(tmp_path: Path) -> None:
    assert clock_on(HandSetClocks(), tmp_path / "absent").is_trusted()


def test_a_time_service_that_has_not_set_the_clock_is_not_believed(tmp_path: Path) -> None:
    assert not clock_on(HandSetClocks(), tmp_path).is_trusted()


def test_a_time_service_that_has_set_the_clock_is_believed(tmp_path: Path) -> None:
    (tmp_path / "synchronized").touch()

    assert clock_on(HandSetClocks(), tmp_path).is_trusted()


def test_a_synchronized_clock_that_steps_before_the_release_is_doubted_at_once(tmp_path: Path) -> None:
    (tmp_path / "synchronized").touch()
    hands = HandSetClocks()
    clock = clock_on(hands, tmp_path)
    assert clock.is_trusted()

    hands.wall = RELEASED - timedelta(days=1)

    assert not clock.is_trusted()


def test_the_mark_of_the_time_service_is_looked_for_every_ten_seconds_only(tmp_path: Path) -> None:
    hands = HandSetClocks()
    clock = clock_on(hands, tmp_path)
    assert not clock.is_trusted()

    (tmp_path / "synchronized").touch()
    hands.now_s += LOOK_AGAIN_AFTER_S - 0.001
    still_unknown = clock.is_trusted()
    hands.now_s += 0.001
    known = clock.is_trusted()

    assert (still_unknown, known) == (False, True)


def test_a_directory_that_cannot_be_looked_at_says_nothing_against_the_time() -> None:
    too_long = Path("/") / ("x" * 300)  # the system refuses the name itself, whoever asks

    with pytest.raises(OSError, match="name too long"):
        too_long.is_dir()

    assert clock_on(HandSetClocks(), too_long).is_trusted()


@pytest.mark.parametrize(("minutes", "expected_s"), [(-1, 60.0), (0, 0.0), (2, -120.0)])
def test_an_age_is_counted_from_the_stamp_and_negative_ahead(
    minutes: int, expected_s: float, tmp_path: Path
) -> None:
    clock = clock_on(HandSetClocks(), tmp_path / "absent")
    stamped = (LATER + timedelta(minutes=minutes)).astimezone(timezone(timedelta(hours=5, minutes=30)))

    assert clock.age_s(stamped) == expected_s


def test_an_age_is_unknown_while_the_time_is_not_trusted(tmp_path: Path) -> None:
    clock = clock_on(HandSetClocks(), tmp_path)

    assert clock.age_s(LATER) is None


def test_a_stamp_without_a_time_zone_is_refused_trusted_or_not(tmp_path: Path) -> None:
    for directory in (tmp_path, tmp_path / "absent"):
        with pytest.raises(ValueError, match="carries no time zone"):
            clock_on(HandSetClocks(), directory).age_s(LATER.replace(tzinfo=None))
