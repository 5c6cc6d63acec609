"""For how long the siren sounds, and for what."""

from math import inf

from mistd.core.alarms import Alarm, Life
from mistd.core.siren import Siren
from tests.core.alarm_boards import DRY, STUCK

LONGEST_S = 600.0


def raised(at_s: float, occurrence: int = 1, row: object = DRY) -> Alarm:
    return Alarm(
        row=STUCK if row is STUCK else DRY,
        subject="a",
        life=Life.UNACKNOWLEDGED,
        occurrence=occurrence,
        raised_s=at_s,
    )


def begun_siren() -> Siren:
    """One that has been looked at once, with nothing to sound for."""
    siren = new_siren().hearing([], [], 0.0)
    assert not siren.is_on(0.0)
    assert siren.wake_at_s(0.0) == inf
    return siren


def new_siren() -> Siren:
    return Siren(longest_s=LONGEST_S)


def test_it_sounds_for_its_longest_and_not_a_moment_longer() -> None:
    alarm = raised(100.0)

    siren = begun_siren().hearing([alarm], [alarm], 100.0)

    assert siren.wake_at_s(100.0) == 100.0 + LONGEST_S
    for now_s, is_on in ((100.0, True), (100.0 + LONGEST_S - 0.001, True), (100.0 + LONGEST_S, False)):
        assert siren.is_on(now_s) is is_on
        assert siren.hearing([alarm], [alarm], now_s).is_on(now_s) is is_on
    assert siren.wake_at_s(100.0 + LONGEST_S) == inf


def test_the_last_that_was_raised_counts() -> None:
    first, second = raised(0.0), raised(500.0, row=STUCK)

    siren = begun_siren().hearing([first], [first], 0.0).hearing([first, second], [first, second], 500.0)

    assert siren.is_on(1000.0)
    seen = siren.hearing([first], [first], 1000.0)
    assert not seen.is_on(1000.0)  # the second was seen; the first has sounded long enough


def test_another_occurrence_starts_it_anew() -> None:
    first, again = raised(0.0), raised(800.0, occurrence=2)
    siren = begun_siren().hearing([first], [first], 0.0).hearing([first], [first], 700.0)
    assert not siren.is_on(700.0)

    assert siren.hearing([again], [again], 800.0).is_on(800.0)


def test_what_was_not_to_be_heard_at_night_is_heard_in_the_morning() -> None:
    alarm = raised(100.0)
    night = begun_siren().hearing([], [alarm], 100.0)
    assert not night.is_on(100.0)

    assert night.hearing([alarm], [alarm], 30_000.0).is_on(30_000.0)


def test_what_has_sounded_in_the_evening_does_not_sound_again_in_the_morning() -> None:
    alarm = raised(100.0)
    evening = begun_siren().hearing([alarm], [alarm], 100.0).hearing([alarm], [alarm], 700.0)

    night = evening.hearing([], [alarm], 800.0)

    assert not night.hearing([alarm], [alarm], 30_000.0).is_on(30_000.0)


def test_after_a_restart_it_goes_on_for_what_is_left_and_not_anew() -> None:
    """A program that dies again and again must not have it sound for ever."""
    long_ago, lately = raised(100.0), raised(5000.0)

    assert not new_siren().hearing([long_ago], [long_ago], 5000.0).is_on(5000.0)
    assert new_siren().hearing([lately], [lately], 5500.0).is_on(5500.0)
    assert not new_siren().hearing([lately], [lately], 5600.0).is_on(5600.0)
