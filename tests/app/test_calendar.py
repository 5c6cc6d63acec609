"""When a house gets a new almanac: at the old one's end, at a step of the wall clock, when trust changes."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from mistd.app.calendar import LIGHT_W_PER_M2, STEP_S, Calendar
from mistd.app.sun import UNTRUSTED_LOOK_S, Place
from mistd.core.almanac import Almanac, DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.decide import decide
from mistd.core.house import House, begun
from mistd.core.observations import Observations
from mistd.core.plan import HousePlan, SensorPlan, ZonePlan
from mistd.core.readings import SensorKind, reading_of
from simulators.bench_clock import LoopClock

SCHELDT = Place(
    latitude=50.35,
    longitude=3.52,
    time_zone=ZoneInfo("Europe/Brussels"),
    dawn_begins_s=-1800.0,
    day_begins_s=5400.0,
    dusk_begins_s=-5400.0,
    night_begins_s=1800.0,
)
NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
MIDNIGHT = datetime(2026, 6, 20, 22, tzinfo=UTC)
ZONE = ZonePlan(
    name="left",
    cycle=TimedCycle(parts=dict.fromkeys(DayPart, TimedPart(burst_s=5.0, gap_s=600.0))),
    nozzles=12,
    nozzle_flow_l_per_min=0.6,
    nozzle_pressure_bar=3.0,
    bench_area_m2=14.0,
    longest_burst_s=20.0,
    shortest_burst_s=2.0,
    shortest_rest_s=60.0,
)
PLAN = HousePlan(
    name="fern",
    zones=(ZONE,),
    sensors={
        name: SensorPlan(name=name, kind=kind, stale_after_s=600.0)
        for name, kind in {
            "roof": SensorKind.LIGHT,
            "bench": SensorKind.LIGHT,
            "air": SensorKind.AIR_TEMPERATURE,
        }.items()
    },
    valves_at_once=1,
    pause_s=2.0,
    frost_below_c=2.0,
    frost_delay_s=600.0,
    longest_hold_s=3600.0,
)


@dataclass
class Desk:
    """A calendar with a clock that a test moves, and the house that has its almanac."""

    clock: LoopClock
    calendar: Calendar
    house: House
    now_s: float = 0.0

    def wait(self, for_s: float) -> Almanac | None:
        """Let time pass, then look; a new almanac is given to the house."""
        self.now_s += for_s
        news = self.calendar.news(self.house, self.now_s)
        if news:
            self.house.almanac = news
        return news

    def hear(self, sensor: str, value: float) -> None:
        reading = reading_of(PLAN.sensors[sensor].kind, value, self.now_s)
        self.house = decide(self.house, Observations(readings=((sensor, reading),)), self.now_s).house


def desk_at(utc: datetime, *, is_trusted: bool = True) -> Desk:
    times = [0.0]
    clock = LoopClock(starts_at=utc, trusted=is_trusted, loop_time=lambda: times[0])
    calendar = Calendar(SCHELDT, clock)
    desk = Desk(clock=clock, calendar=calendar, house=begun(PLAN, calendar.first(), 0.0))
    clock.loop_time = lambda: desk.now_s
    return desk


def looked_at(utc: datetime, *, is_trusted: bool = True) -> Desk:
    """The same after its first look."""
    desk = desk_at(utc, is_trusted=is_trusted)
    assert desk.wait(0.0) is not None
    return desk


def test_the_first_almanac_is_of_the_sun_when_the_clock_is_trusted() -> None:
    almanac = desk_at(NOON).house.almanac

    assert (almanac.part, almanac.is_trusted, almanac.local_date) == (DayPart.DAY, True, date(2026, 6, 21))


def test_the_first_almanac_without_trust_says_day_even_by_night() -> None:
    almanac = desk_at(MIDNIGHT, is_trusted=False).house.almanac

    assert (almanac.part, almanac.is_trusted) == (DayPart.DAY, False)


def test_at_the_first_look_there_is_an_almanac_though_nothing_has_changed() -> None:
    """The daemon may have been away over midnight, and then the day's count has to be closed."""
    desk = desk_at(NOON)

    assert desk.wait(0.0) is not None
    assert desk.wait(0.0) is None


def test_nothing_is_new_until_the_almanac_ends() -> None:
    desk = looked_at(NOON)
    left_s = desk.house.almanac.ends_s

    assert desk.wait(left_s - 0.001) is None
    new = desk.wait(0.001)

    assert new is not None
    assert new.part is DayPart.DUSK
    assert new.ends_s > desk.now_s


@pytest.mark.parametrize("by_s", [3600.0, -3600.0, STEP_S + 0.01, -STEP_S - 0.01, 10 * 365 * 86_400.0])
def test_a_step_of_the_wall_clock_makes_a_new_almanac_and_is_told_once(by_s: float) -> None:
    desk = looked_at(NOON)

    desk.clock.stepped_by = timedelta(seconds=by_s)
    first, stepped_s = desk.wait(1.0), desk.calendar.stepped_s
    second, stepped_again_s = desk.wait(1.0), desk.calendar.stepped_s

    assert first is not None
    assert stepped_s == pytest.approx(by_s)
    assert second is None
    assert stepped_again_s == 0.0


def test_an_almanac_after_a_step_has_the_new_times() -> None:
    desk = looked_at(NOON)

    desk.clock.stepped_by = timedelta(hours=12)
    new = desk.wait(1.0)

    assert new is not None
    assert (new.part, new.local_date) == (DayPart.NIGHT, date(2026, 6, 22))


@pytest.mark.parametrize("by_s", [STEP_S - 0.01, -STEP_S + 0.01])
def test_a_small_difference_is_no_step(by_s: float) -> None:
    desk = looked_at(NOON)

    desk.clock.stepped_by = timedelta(seconds=by_s)

    assert desk.wait(1.0) is None
    assert desk.calendar.stepped_s == 0.0


def test_a_clock_that_drifts_for_days_never_steps() -> None:
    """500 ppm, the most that a time service slews by: 43 s a day, looked at every minute."""
    desk = looked_at(NOON)

    for minute in range(2 * 24 * 60):
        desk.clock.stepped_by = timedelta(seconds=minute * 60 * 0.0005)
        desk.wait(60.0)
        assert desk.calendar.stepped_s == 0.0


@pytest.mark.parametrize("by_s", [0.5, -0.5])
def test_an_almanac_off_which_the_clock_has_drifted_is_made_anew_without_a_word(by_s: float) -> None:
    desk, news = looked_at(NOON), []

    for look in range(1, 10):
        desk.clock.stepped_by = timedelta(seconds=by_s * look)
        news.append(desk.wait(60.0))
        assert desk.calendar.stepped_s == 0.0

    assert [almanac is not None for almanac in news] == [False, False, False, False, True] + [False] * 4


def test_a_step_forth_and_back_between_two_looks_is_none() -> None:
    desk = looked_at(NOON)

    desk.clock.stepped_by = timedelta(hours=1)
    desk.clock.stepped_by = timedelta()

    assert desk.wait(60.0) is None


@pytest.mark.parametrize("was_trusted", [True, False])
def test_a_change_of_trust_makes_a_new_almanac_at_once(was_trusted: bool) -> None:
    desk = looked_at(MIDNIGHT, is_trusted=was_trusted)

    desk.clock.trusted = not was_trusted
    new = desk.wait(0.1)

    assert new is not None
    assert new.is_trusted is not was_trusted
    assert new.part is (DayPart.DAY if was_trusted else DayPart.NIGHT)
    assert desk.wait(0.1) is None


def test_an_uncertain_almanac_is_looked_at_every_minute() -> None:
    desk = looked_at(NOON, is_trusted=False)

    assert desk.wait(UNTRUSTED_LOOK_S - 1.0) is None
    assert desk.wait(1.0) is not None
    assert desk.wait(UNTRUSTED_LOOK_S) is not None


@pytest.mark.parametrize(
    ("roof", "bench", "part"),
    [
        (LIGHT_W_PER_M2 + 1.0, None, DayPart.DAY),
        (LIGHT_W_PER_M2 - 1.0, None, DayPart.NIGHT),
        (LIGHT_W_PER_M2, LIGHT_W_PER_M2, DayPart.NIGHT),
        (0.0, 500.0, DayPart.DAY),  # one sensor in the light is enough: a cover on the other is likelier
        (-999.0, None, DayPart.DAY),  # impossible: as if there were none
        (None, None, DayPart.DAY),
    ],
)
def test_while_time_is_not_trusted_the_light_tells_day_from_night(
    roof: float | None, bench: float | None, part: DayPart
) -> None:
    desk = looked_at(NOON, is_trusted=False)
    for name, value in {"roof": roof, "bench": bench}.items():
        if value is not None:
            desk.hear(name, value)

    new = desk.wait(UNTRUSTED_LOOK_S)

    assert new is not None
    assert new.part is part


def test_a_light_reading_that_grew_old_says_nothing() -> None:
    desk = looked_at(NOON, is_trusted=False)
    desk.hear("roof", 0.0)
    assert (first := desk.wait(UNTRUSTED_LOOK_S)) is not None

    desk.now_s += 600.0
    desk.house = decide(desk.house, Observations(), desk.now_s).house  # it is found silent
    later = desk.wait(UNTRUSTED_LOOK_S)

    assert first.part is DayPart.NIGHT
    assert later is not None
    assert later.part is DayPart.DAY


def test_temperature_is_not_taken_for_light() -> None:
    desk = looked_at(NOON, is_trusted=False)
    desk.hear("air", 5.0)

    new = desk.wait(UNTRUSTED_LOOK_S)

    assert new is not None
    assert new.part is DayPart.DAY
