"""Why a zone on demand does not mist now: what leads it, what it waits for and until when, in sentences."""

from datetime import UTC, timedelta
from typing import Any

import pytest

from mistd.app.messages import DemandTold
from mistd.app.why import Present, why_now
from mistd.app.why_demand import CYCLE_WORDS
from mistd.core.almanac import DayPart
from mistd.core.zone_demand import Lead
from tests.app.told_houses import NOW, TIMETABLE, demand, house, setting, settings, zone

NOW_UTC = NOW.astimezone(UTC)
DUE = {"next_burst_at": NOW + timedelta(minutes=5)}
VPD = {
    "cycle": "vpd",
    "led_by": "vpd",
    "sum_kpa_h": 0.12,
    "set_point_kpa_h": 0.6,
    "deficit_kpa": 1.2,
}
FALLEN = {
    "led_by": "timetable",
    "led_since": NOW - timedelta(minutes=90),
    "why": "air is lost; damp is lost",
    "film_um": None,
    "film_unsure_percent": None,
    "drying_um_per_h": None,
    "wet_percent": None,
}


def why(
    demand_changes: dict[str, Any] | None = None,
    zone_changes: dict[str, Any] | None = None,
    **changes: Any,
) -> list[str]:
    told = zone("left", demand=demand(**(demand_changes or {})), **(DUE | (zone_changes or {})))
    known: dict[str, Any] = {"house": house(), "settings": settings("left"), "is_online": True, "now": NOW}
    return why_now(Present(zone=told, **(known | changes)))


def test_a_zone_by_its_film_tells_how_wet_it_is_when_it_is_due_and_when_at_the_latest() -> None:
    assert why()[1:] == [
        "It does not mist now: its next burst is not due yet.",
        "It is misted on demand, by its reckoned film.",
        "The film reckoned for the driest quarter of the bench is 23 of 50 um, 60 % wet; a burst is due at "
        "35 %, in the light somewhat before: leaves may dry 28 % faster.",
        "The next burst is expected at 12:05:00, in 5 min, and at the latest at 12:40:00: the longest gap by "
        "day is 45 min.",
        "Today it had 12 bursts, 72 s, 8.64 l.",
    ]


def test_in_the_dark_a_film_burst_does_not_come_before_its_set_point() -> None:
    told = why(house=house(part="night", is_light=False))

    assert told[3].endswith("60 % wet; a burst is due at 35 %.")
    assert told[4].endswith("the longest gap at night is 45 min.")


def test_a_film_set_right_by_a_sensor_names_what_that_read() -> None:
    told = why({"sensor_wet_percent": 62.0})

    assert told[3].endswith(
        "a burst is due at 35 %, in the light somewhat before: leaves may dry 28 % faster. "
        "Its driest trusted sensor, which sets that right, read 62 % wet at 12:00:00."
    )


@pytest.mark.parametrize(
    ("minutes", "film"),
    [(0.0, "23 of 50 um, 60 % wet"), (5.0, "16 of 50 um, 46 % wet"), (60.0, "0 of 50 um, 0 % wet")],
)
def test_the_film_is_told_as_it_has_gone_on_since(minutes: float, film: str) -> None:
    """At 126 um/h five minutes take 10.5 of the 67.2 um that 23 um have to give: 56.7, a film of 15.7."""
    told = why({"as_of": NOW - timedelta(minutes=minutes)})

    assert f"is {film}" in told[3]


def test_a_zone_by_deficit_tells_its_sum_as_it_has_grown_since() -> None:
    """0.12 kPa.h ten minutes ago and 1.2 kPa since: 0.32."""
    told = why(VPD | {"as_of": NOW - timedelta(minutes=10)})

    assert told[2:4] == [
        "It is misted on demand, by the vapour pressure deficit.",
        "The deficit has added up to 0.320 kPa.h of the 0.600 at which a burst is due, and grows by 1.20 "
        "kPa.h an hour.",
    ]


def test_a_trim_moves_what_the_deficit_has_to_add_up_to_and_speaks_of_no_gap() -> None:
    trim = {"percent": 20.0, "until": NOW + timedelta(hours=2), "by": "Ana", "note": ""}

    told = why(VPD, {"trim": trim})

    assert "of the 0.500 at which a burst is due" in told[3]
    assert told[-2] == (
        "Ana set 20 % more water until 14:00, so its bursts come sooner, within its shortest and longest "
        "gaps."
    )


def test_less_water_makes_bursts_on_demand_come_later() -> None:
    trim = {"percent": -20.0, "until": NOW + timedelta(hours=2), "by": "Ana", "note": ""}

    assert "so its bursts come later" in why({}, {"trim": trim})[-2]


def test_a_zone_by_its_sensors_is_not_promised_that_none_asks_sooner() -> None:
    told = why({"cycle": "leaf_wetness", "led_by": "leaf_wetness", "sensor_wet_percent": 62.0})

    assert told[2:6] == [
        "It is misted on demand, by its leaf-wetness sensors.",
        "Its driest trusted sensor read 62 % wet at 12:00:00; a burst is due at 35 %, or when the film must "
        "be gone even in slow air.",
        "The film reckoned for the driest quarter of the bench is 23 of 50 um, 60 % wet.",
        "When no sensor asks for it sooner the next burst is expected at 12:05:00, in 5 min, and at the "
        "latest at 12:40:00: the longest gap by day is 45 min.",
    ]


def test_a_sensor_that_has_not_settled_after_a_burst_is_not_quoted() -> None:
    told = why({"cycle": "leaf_wetness", "led_by": "leaf_wetness"})

    assert told[3].startswith("No trusted sensor has settled since the last burst; a burst is due at 35 %")


def test_a_zone_that_waits_for_its_longest_gap_says_so_once() -> None:
    told = why({"latest_at": DUE["next_burst_at"]})

    assert told[4] == "The next burst is expected at 12:05:00, in 5 min: the longest gap by day is 45 min."


def test_sparse_mist_is_said_to_come_however_wet_the_leaves_are() -> None:
    told = why({"is_sparse": True, "latest_at": DUE["next_burst_at"]}, house=house(part="night"))

    assert told[2:5] == [
        "It is misted by its reckoned film, but at night sparsely: a burst every 45 min, however wet its "
        "leaves are.",
        "The film reckoned for the driest quarter of the bench is 23 of 50 um, 60 % wet.",
        "The next burst is expected at 12:05:00, in 5 min.",
    ]


# --- led by something else


def test_a_zone_that_fell_back_tells_since_when_why_and_the_timetable_it_goes_by() -> None:
    told = why(FALLEN | {"latest_at": DUE["next_burst_at"]})

    assert told[2:] == [
        "It should be misted by its reckoned film, but since 10:30 it is led by the timetable of a bright "
        "day: air is lost; damp is lost.",
        "The next burst is expected at 12:05:00, in 5 min.",
        "Its timetable (as in the house's file) gives 6 s after every 8 min by day.",
        "Today it had 12 bursts, 72 s, 8.64 l.",
    ]


def test_a_zone_by_its_own_week_is_not_told_to_follow_a_timetable() -> None:
    told = why(FALLEN | {"led_by": "own_week"})

    assert "led by its own last week, a fifth wetter: air is lost" in told[2]
    assert not any("timetable" in line for line in told[1:])


def test_a_zone_that_should_go_by_its_sensors_and_goes_by_its_film_tells_its_film() -> None:
    told = why({"cycle": "leaf_wetness", "led_since": NOW, "why": "left-leaf is doubted: lime"})

    assert told[2] == (
        "It should be misted by its leaf-wetness sensors, but since 12:00 it is led by its reckoned film: "
        "left-leaf is doubted: lime."
    )
    assert "a burst is due at 35 %" in told[3]


def test_what_it_does_without_is_told_though_its_own_cycle_leads() -> None:
    told = why({"doubts": ["sun is lost", "left-leaf is doubted: lime"]})

    assert told[4:6] == [
        "It does without a reading: sun is lost.",
        "It does without a reading: left-leaf is doubted: lime.",
    ]


@pytest.mark.parametrize("lead", Lead)
@pytest.mark.parametrize("cycle", sorted(CYCLE_WORDS))
@pytest.mark.parametrize("doing", ["resting", "ordered", "misting", "waiting", "held", "off"])
def test_every_zone_on_demand_has_its_sentences(lead: Lead, cycle: str, doing: str) -> None:
    told = why({"cycle": cycle, "led_by": lead.value, "why": "air is lost"}, {"doing": doing})

    assert sum("air is lost" in line for line in told) == 1
    assert all(line.endswith(".") and line.isprintable() for line in told)
    assert any("film reckoned" in line for line in told) is (
        doing in {"resting", "waiting", "held"} and lead in {Lead.FILM, Lead.VPD, Lead.LEAF_WETNESS}
    )


def test_the_words_of_every_cycle_are_there() -> None:
    assert set(CYCLE_WORDS) == set(DemandTold.model_fields["cycle"].annotation.__args__)  # type: ignore[union-attr]


# --- over the parts of the day


def test_a_zone_that_is_off_is_misted_at_the_soonest_when_a_part_with_mist_begins() -> None:
    night, dawn = (NOW_UTC + timedelta(hours=1), DayPart.NIGHT), (NOW_UTC + timedelta(hours=9), DayPart.DAWN)

    told = why(
        {"mists_in": ["dawn", "day"], "longest_gap_s": None, "shortest_gap_s": None, "latest_at": None},
        {"doing": "off", "why": "it has no mist in the dusk part of the day", "next_burst_at": None},
        begins=[night, dawn],
        house=house(part="dusk"),
    )

    assert told[1:4] == [
        "It does not mist now: it has no mist in the dusk part of the day.",
        "It is misted on demand, by its reckoned film.",
        "Its next burst is not expected before dawn begins at 21:00, in 9 h.",
    ]
    assert not any("timetable" in line for line in told[1:])


def test_a_burst_that_is_due_in_a_part_without_mist_is_not_promised() -> None:
    """Its timetable has mist in every part, and says nothing of a zone on demand."""
    night, dawn = (
        (NOW_UTC + timedelta(minutes=3), DayPart.NIGHT),
        (NOW_UTC + timedelta(hours=9), DayPart.DAWN),
    )
    bright = setting("timetable", TIMETABLE | {"night": {"burst_s": 4.0, "gap_min": 40.0}})

    told = why({"mists_in": ["dawn", "day"]}, begins=[night, dawn], settings=settings("left", bright))

    assert told[4:6] == [
        "No burst is due before night begins at 12:03, and then it has no mist.",
        "Its next burst is not expected before dawn begins at 21:00, in 9 h.",
    ]


@pytest.mark.parametrize(
    ("dusk_in_min", "expected"),
    [
        (3.0, "expected at about 12:05:00, in 5 min; dusk begins before, at 12:03, and has gaps of its own."),
        (
            5.0,
            "expected at 12:05:00, in 5 min, and at the latest at 12:40:00: "
            "the longest gap by day is 45 min.",
        ),
    ],
)
def test_a_part_that_begins_before_the_burst_may_move_it(dusk_in_min: float, expected: str) -> None:
    told = why(begins=[(NOW_UTC + timedelta(minutes=dusk_in_min), DayPart.DUSK)])

    assert told[4] == f"The next burst is {expected}"


def test_a_held_zone_is_expected_to_be_misted_after_the_hold_and_not_by_its_longest_gap() -> None:
    until = NOW + timedelta(minutes=50)
    hold = {"until": until, "by": "Ida", "note": ""}

    told = why({}, {"doing": "held", "why": "held dry by Ida", "hold": hold, "next_burst_at": until})

    assert "The next burst is expected at 12:50:00, in 50 min." in told


def test_a_burst_that_is_due_is_not_expected_at_a_time_that_is_past() -> None:
    told = why({}, {"next_burst_at": NOW})

    assert told[1] == "Its next burst is due now."
    assert not any("expected" in line for line in told)


def test_no_words_of_a_sensor_move_the_cursor() -> None:
    bad = "\x1b[2J\nmistd: all is well\x07\u202e"

    told = why({"why": bad, "doubts": [bad]})

    assert all(line.isprintable() for line in told)
