"""Whole days in virtual time: the same promises over every story, and what each story shows besides."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest
from pvlib.solarposition import sun_rise_set_transit_spa

from mistd.app.daemon import TRY_AGAIN_S
from mistd.app.messages import SensorTold, ZoneTold
from mistd.core.almanac import DayPart
from tests.scenarios.days import CAROLINA, MIDNIGHT, S_PER_DAY, TOPICS, Day, hours, sums_by_line
from tests.scenarios.promises import PROMISES, bursts_alone, worst_wait_s
from tests.scenarios.stories import (
    AWAY_S,
    CUT_FROM_S,
    DEATHS_S,
    FROST_FROM_S,
    FROST_TO_S,
    HELD,
    HELD_FOR_S,
    HELD_FROM_S,
    KEEPERLESS_S,
    RESTART_S,
    STORIES,
    UNDISTURBED,
)


class Days:
    """Every story, lived once, when it is first asked for."""

    def __init__(self, place: Path) -> None:
        self._place = place
        self._lived: dict[str, Day] = {}

    def __getitem__(self, name: str) -> Day:
        if name not in self._lived:
            self._lived[name] = STORIES[name](self._place)
        return self._lived[name]


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Days:
    return Days(tmp_path_factory.mktemp("house"))


# --- every promise, in every scenario


@pytest.mark.parametrize("promise", PROMISES, ids=lambda promise: promise.__name__)
@pytest.mark.parametrize("story", STORIES)
def test_every_day_keeps_every_promise(story: str, promise: Callable[[Day], None], days: Days) -> None:
    promise(days[story])


@pytest.mark.parametrize("story", UNDISTURBED)
def test_some_things_do_not_move_a_single_burst(story: str, days: Days) -> None:
    assert bursts_alone(days[story]) == bursts_alone(days["plain"])


# --- what each story shows besides

SPA_WITHIN_S = 120.0


def test_the_parts_of_the_day_begin_by_the_sun_as_nrels_algorithm_has_it(days: Days) -> None:
    day = days["june_weather"]
    noon = pd.DatetimeIndex([MIDNIGHT + timedelta(hours=12)]).tz_convert(CAROLINA["time_zone"])
    nrel = sun_rise_set_transit_spa(noon, CAROLINA["latitude"], CAROLINA["longitude"]).iloc[0]
    parts = day.config.day_parts
    expected = {
        "dawn": nrel["sunrise"] + timedelta(minutes=parts.dawn_begins_min),
        "day": nrel["sunrise"] + timedelta(minutes=parts.day_begins_min),
        "dusk": nrel["sunset"] + timedelta(minutes=parts.dusk_begins_min),
        "night": nrel["sunset"] + timedelta(minutes=parts.night_begins_min),
    }

    began = {event.reason: event.at for _, event in day.events("day_part_began")}

    assert list(began) == ["dawn", "day", "dusk", "night"]
    for part, at in expected.items():
        assert abs((began[part] - at).total_seconds()) < SPA_WITHIN_S


def test_the_bursts_of_a_day_are_as_many_as_its_timetable_has_room_for(days: Days) -> None:
    """By hand: the length of each part over burst and gap; the queue for the line makes it a little less."""
    day = days["june_weather"]
    parts = day.parts
    ends_s = [*(at_s for at_s, _ in parts[1:]), S_PER_DAY]
    for zone in day.config.zones:
        most = least = 0.0
        for (begins_s, part), end_s in zip(parts, ends_s, strict=True):
            timed = getattr(zone.timed, part.value)
            if not timed.off:
                round_s = timed.gap_min * 60.0 + timed.burst_s
                most += (end_s - begins_s) / round_s + 1.0
                least += (end_s - begins_s) / (round_s + worst_wait_s(day)) - 1.0
        assert least <= len(day.bursts_of(zone.name)) <= most


def test_the_plant_was_given_about_the_water_that_was_counted(days: Days) -> None:
    """Counted at the rated flow; the bench's mains gives more than that, and fills each line anew."""
    day = days["june_weather"]
    plant = day.rigs[0].plant
    assert plant is not None
    seconds = sums_by_line(day.bursts)
    counted_l = sum(
        seconds[zone.name] / 60.0 * zone.nozzles * zone.nozzle_flow_l_per_min for zone in day.config.zones
    )

    assert plant.state().supplied_l == pytest.approx(counted_l, rel=0.4)


def test_a_zone_that_is_off_by_night_is_dry_by_night_and_says_so(days: Days) -> None:
    day = days["plain"]
    (dusk_to_night_s,) = [at_s for at_s, part in day.parts if part is DayPart.NIGHT and at_s > hours(12)]
    night_bursts = [burst for burst in day.bursts_of("back-left") if burst.opened_s > dusk_to_night_s]

    (told,) = [event for _, event in day.events("mist_ended_for_part")]

    assert night_bursts == []
    assert told.subject == "back-left"
    (_, last) = day.states(TOPICS.zone("back-left"))[-1]
    assert isinstance(last, ZoneTold)
    assert last.doing == "off"


def test_a_hold_is_promised_kept_warned_of_and_over(days: Days) -> None:
    day = days["held_at_noon"]
    answers = day.answers()
    warned = {event.subject: at_s for at_s, event in day.events("hold_nearly_over")}
    ended = {event.subject: at_s for at_s, event in day.events("hold_ended")}
    why = {event.subject: event.reason for _, event in day.events("hold_ended")}

    assert [answers[each].outcome for each in ("first", "second", "third", "wet")] == [
        "done",
        "done",
        "done",
        "refused",
    ]
    assert "held dry by Ida" in answers["wet"].reason
    assert warned == {HELD: pytest.approx(HELD_FROM_S + HELD_FOR_S - 120.0)}
    assert ended == {
        HELD: pytest.approx(HELD_FROM_S + HELD_FOR_S),
        "back-right": pytest.approx(HELD_FROM_S + hours(0.75)),
    }
    assert why == {HELD: "its time is over", "back-right": "released by Ida"}


def test_mist_comes_back_as_soon_as_a_hold_is_over(days: Days) -> None:
    day = days["held_at_noon"]
    over_s = HELD_FROM_S + HELD_FOR_S

    first = next(burst for burst in day.bursts_of(HELD) if burst.opened_s >= over_s)

    assert first.opened_s <= over_s + worst_wait_s(day)


def test_whoever_asks_for_a_hold_in_a_burst_is_answered_when_the_valve_is_shut(days: Days) -> None:
    day = days["held_in_the_middle_of_a_burst"]
    cut = next(burst for burst in day.bursts_of("middle-left") if burst.opened_s >= CUT_FROM_S - 5.0)
    answered_s = [each.at_s for each in day.told if each.topic == TOPICS.answer]

    assert cut.shut_s - cut.opened_s < 5.0
    assert answered_s == [pytest.approx(cut.shut_s)]
    assert day.answers()["cut"].outcome == "done"


def test_bursts_asked_for_are_given_for_their_length_or_refused_with_figures(days: Days) -> None:
    day = days["burst_asked_for"]
    answers = day.answers()

    assert {each: answers[each].outcome for each in ("at 2", "at 10", "at 15", "at 23")} == {
        "at 2": "done",
        "at 10": "done",
        "at 15": "done",
        "at 23": "done",
    }
    assert answers["too soon"].figures["shortest_rest_s"] == 60.0
    assert answers["too long"].figures["longest_burst_s"] == 20.0
    given = [burst.opened_s for burst in day.bursts_of("back-left") if burst.shut_s - burst.opened_s > 6.5]
    assert given == [pytest.approx(hours(hour), abs=worst_wait_s(day)) for hour in (2, 15, 23)]


@pytest.mark.parametrize("story", ["restarted_at_noon", "killed_at_noon"])
def test_a_restart_goes_on_with_the_cycle(story: str, days: Days) -> None:
    """Not every zone is misted at once after it, and by the evening each has had what it has without."""
    day, undisturbed = days[story], days["plain"]
    again_s = RESTART_S + AWAY_S
    soon = [burst.line for burst in day.bursts if again_s <= burst.opened_s < again_s + 120.0]
    usual = [burst.line for burst in undisturbed.bursts if RESTART_S <= burst.opened_s < again_s + 120.0]

    assert len(soon) <= len(usual) < len(day.config.zones)
    for zone in day.config.zones:
        difference = len(day.bursts_of(zone.name)) - len(undisturbed.bursts_of(zone.name))
        assert abs(difference) <= 1


def test_the_days_water_goes_on_over_a_restart(days: Days) -> None:
    day = days["restarted_at_noon"]
    (_, last) = [state for state in day.states(TOPICS.zone(HELD)) if state[0] < S_PER_DAY][-1]
    assert isinstance(last, ZoneTold)

    seconds = sums_by_line(day.bursts)[HELD]

    assert last.today.open_s == pytest.approx(seconds, abs=0.1)
    assert last.today.bursts == len(day.bursts_of(HELD))


def test_a_full_disk_is_announced_once_and_again_when_it_is_over(days: Days) -> None:
    day = days["disk_full_all_day"]

    assert len(day.events("state_not_kept")) == 1
    ((over_s, _),) = day.events("state_kept_again")
    assert hours(20) <= over_s < hours(20.1)


def test_a_hold_that_cannot_be_written_down_is_in_force_and_told_so(days: Days) -> None:
    answer = days["held_with_a_full_disk"].answers()["unkept"]

    assert answer.outcome == "not_kept"
    assert "held dry for 30 min" in answer.reason
    assert "a restart would forget it" in answer.reason


def test_a_fault_in_a_side_task_is_told_each_time_it_is_begun_again(days: Days) -> None:
    day = days["bus_has_a_fault"]
    told_s = [at_s for at_s, _ in day.events("task_failed")]

    assert len(told_s) == pytest.approx(hours(12) / TRY_AGAIN_S, abs=2)
    assert max(told_s) <= hours(12)
    ((connected_s, _),) = day.events("broker_connected")
    assert hours(12) <= connected_s <= hours(12) + TRY_AGAIN_S


@pytest.mark.parametrize(
    ("story", "steps_s"),
    [
        ("clock_an_hour_ahead", [3600.0, -3600.0]),
        ("clock_an_hour_behind", [-3600.0, 3600.0]),
        ("clock_ten_years_ahead", [3652 * S_PER_DAY, -3652 * S_PER_DAY]),
        ("clock_ten_years_behind", [-3652 * S_PER_DAY, 3652 * S_PER_DAY]),
    ],
)
def test_a_step_of_the_clock_is_announced(story: str, steps_s: list[float], days: Days) -> None:
    told = [event.figures["by_s"] for _, event in days[story].events("clock_stepped")]

    assert told == [pytest.approx(step_s, abs=0.1) for step_s in steps_s]


@pytest.mark.parametrize("story", ["clock_an_hour_ahead", "clock_an_hour_behind"])
def test_a_step_within_a_day_ends_no_day_twice(story: str, days: Days) -> None:
    ((ended_s, _),) = days[story].events("day_ended")

    assert ended_s == pytest.approx(S_PER_DAY, abs=1.0)


@pytest.mark.parametrize("story", ["clock_distrusted_by_day", "clock_distrusted_by_night"])
def test_an_uncertain_time_is_announced_and_its_end_too(story: str, days: Days) -> None:
    day = days[story]
    states = [state.time_trusted for _, state in day.states(TOPICS.house) if hasattr(state, "time_trusted")]

    assert len(day.events("time_trusted")) == 1
    assert False in states
    assert states[-1] is True


def test_an_uncertain_night_without_light_readings_is_misted_as_by_day(days: Days) -> None:
    day, usual = days["clock_distrusted_by_night"], days["plain"]

    early = [burst for burst in day.bursts_of(HELD) if burst.opened_s < hours(3)]

    assert len(early) > 3 * len([burst for burst in usual.bursts_of(HELD) if burst.opened_s < hours(3)])


def test_frost_is_announced_when_it_is_proved_and_over_when_it_is_warmer(days: Days) -> None:
    day = days["frosty_night"]
    ((began_s, began),) = day.events("frost_began")
    ((ended_s, _),) = day.events("frost_ended")

    assert FROST_FROM_S + 600.0 <= began_s <= FROST_FROM_S + 720.0
    assert FROST_TO_S <= ended_s <= FROST_TO_S + 60.0
    assert began.figures["coldest_c"] == 0.5
    assert not any(began_s < burst.opened_s < ended_s for burst in day.bursts)


def test_a_cold_probe_in_the_light_is_no_frost(days: Days) -> None:
    day = days["frosty_night"]

    assert any(hours(11.2) < burst.opened_s < hours(12) for burst in day.bursts)


def test_a_silent_sensor_is_announced_once_and_its_return_too(days: Days) -> None:
    day = days["sensors_fall_silent"]
    lost = {event.subject: at_s for at_s, event in day.events("reading_lost")}
    back = {event.subject: at_s for at_s, event in day.events("reading_back")}

    assert len(day.events("reading_lost")) == len(lost) == 3
    assert lost["bench-air"] == pytest.approx(hours(9) + 300.0, abs=300.0)
    assert set(back) == {"manifold"}
    (_, last) = day.states(TOPICS.sensor("bench-air"))[-1]
    assert isinstance(last, SensorTold)
    assert not last.is_good


def test_hostile_messages_are_refused_and_start_nothing(days: Days) -> None:
    day = days["hostile_messages"]

    refused = [each.message for each in day.told if each.topic == TOPICS.answer]

    assert len(refused) > 2000
    assert not any(answer.outcome == "done" for answer in refused if hasattr(answer, "outcome"))
    assert not day.events("hold_started")
    assert not day.events("task_failed")


def test_a_dead_keeper_is_announced_and_the_next_one_too(days: Days) -> None:
    day = days["keeper_dies"]
    lost_s = [at_s for at_s, _ in day.events("keeper_lost")]
    ready_s = [at_s for at_s, _ in day.events("keeper_ready")]

    assert [at_s >= death_s for at_s, death_s in zip(lost_s, DEATHS_S, strict=True)] == [True] * len(DEATHS_S)
    assert ready_s[1:] == [pytest.approx(at_s + KEEPERLESS_S) for at_s in lost_s]


def test_two_valves_at_once_are_sometimes_open_together(days: Days) -> None:
    day = days["two_valves_at_once"]

    together = [
        (before, after)
        for before, after in zip(day.bursts, day.bursts[1:], strict=False)
        if after.opened_s < before.shut_s
    ]

    assert together
    pause_s = day.config.line.pause_s
    assert all(after.opened_s - before.opened_s >= pause_s - 1e-6 for before, after in together)
