"""For how long the siren sounds, and for what."""

from math import inf

from mistd.app.alarm_siren import Siren
from mistd.core.alarms import Alarm, Life
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
    siren = Siren(LONGEST_S)
    assert not siren.is_on([], [], 0.0)
    assert siren.wake_at_s(0.0) == inf
    return siren


def test_it_sounds_for_its_longest_and_not_a_moment_longer() -> None:
    siren, alarm = begun_siren(), raised(100.0)

    assert siren.is_on([alarm], [alarm], 100.0)
    assert siren.wake_at_s(100.0) == 100.0 + LONGEST_S
    assert siren.is_on([alarm], [alarm], 100.0 + LONGEST_S - 0.001)
    assert not siren.is_on([alarm], [alarm], 100.0 + LONGEST_S)
    assert siren.wake_at_s(100.0 + LONGEST_S) == inf


def test_the_last_that_was_raised_counts() -> None:
    siren, first, second = begun_siren(), raised(0.0), raised(500.0, row=STUCK)
    siren.is_on([first], [first], 0.0)

    siren.is_on([first, second], [first, second], 500.0)

    assert siren.is_on([first, second], [first, second], 1000.0)
    assert not siren.is_on([first], [first], 1000.0)  # the second was seen; the first has sounded long enough


def test_another_occurrence_starts_it_anew() -> None:
    siren = begun_siren()
    siren.is_on([raised(0.0)], [raised(0.0)], 0.0)
    assert not siren.is_on([raised(0.0)], [raised(0.0)], 700.0)

    again = raised(800.0, occurrence=2)

    assert siren.is_on([again], [again], 800.0)


def test_what_was_not_to_be_heard_at_night_is_heard_in_the_morning() -> None:
    siren, alarm = begun_siren(), raised(100.0)
    assert not siren.is_on([], [alarm], 100.0)

    assert siren.is_on([alarm], [alarm], 30_000.0)


def test_what_has_sounded_in_the_evening_does_not_sound_again_in_the_morning() -> None:
    siren, alarm = begun_siren(), raised(100.0)
    siren.is_on([alarm], [alarm], 100.0)
    siren.is_on([alarm], [alarm], 700.0)
    siren.is_on([], [alarm], 800.0)

    assert not siren.is_on([alarm], [alarm], 30_000.0)


def test_after_a_restart_it_goes_on_for_what_is_left_and_not_anew() -> None:
    """A program that dies again and again must not have it sound for ever."""
    long_ago, lately = raised(100.0), raised(5000.0)

    assert not Siren(LONGEST_S).is_on([long_ago], [long_ago], 5000.0)
    assert Siren(LONGEST_S).is_on([lately], [lately], 5500.0)
    assert not Siren(LONGEST_S).is_on([lately], [lately], 5600.0)
