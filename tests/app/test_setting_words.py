"""The words of a setting, as people write them on the command line: into its form, or all that is wrong."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mistd.app.cycle_words import POINTS
from mistd.app.setting_forms import FORMS
from mistd.app.setting_words import PARSERS, worded
from mistd.core.settings import SettingKind


def test_every_kind_of_setting_has_words_and_a_form() -> None:
    assert set(PARSERS) == set(FORMS) == set(SettingKind)


HALF_A_MINUTE = {"burst_s": 1.0, "gap_min": 0.5}
PARTS = "parts: night, dawn, day, dusk"
TOO_LONG = "is too long to ask for; the house tells its own limit up to"


@pytest.mark.parametrize(
    ("setting", "words", "length", "value"),
    [
        ("timetable", "day=6s/8m", None, {"day": {"burst_s": 6.0, "gap_min": 8.0}}),
        (
            "timetable",
            "night=off day=0.5s/30s",
            None,
            {"night": {"off": True}, "day": {"burst_s": 0.5, "gap_min": 0.5}},
        ),
        ("timetable", "day=30s/1d", None, {"day": {"burst_s": 30.0, "gap_min": 1440.0}}),
        ("timetable", "none", None, None),
        ("trim", "-20%", "2d", {"percent": -20.0, "for_s": 172_800.0}),
        ("trim", "+10 %", "31d", {"percent": 10.0, "for_s": 2_678_400.0}),
        ("trim", "NONE", None, None),
        ("hold", "", "45m", {"for_s": 2700.0}),
        ("hold", "", "24h", {"for_s": 86_400.0}),
        ("hold", "none", None, None),
        ("closed", "", "12h", {"for_s": 43_200.0}),
        ("closed", "none", None, None),
        ("skip", "", None, {}),
        ("skip", "", "2h", {"for_s": 7200.0}),
        ("skip", "none", None, None),
    ],
)
def test_words_make_the_value_of_the_form(
    setting: str, words: str, length: str | None, value: dict[str, Any] | None
) -> None:
    said = worded(setting, words.split(), length)

    assert said.problems == []
    assert said.value == value
    if value is not None:
        FORMS[SettingKind(setting)].form.model_validate(value)


@pytest.mark.parametrize(
    ("setting", "words", "length", "problems"),
    [
        ("timetabel", "day=6s/8m", None, ["no setting 'timetabel'"]),
        ("timetabel", "", "2x", ["no setting 'timetabel'", "--for: '2x' is no length"]),
        ("timetable", "", None, ["which parts of the day?"]),
        ("timetable", "day=6s/8m", "2d", ["leave out --for"]),
        (
            "timetable",
            "noon=6s/8m",
            None,
            [f"no part of the day is called 'noon'; {PARTS}"],
        ),
        ("timetable", "day=off day=off", None, ["day was said already"]),
        ("timetable", "day=0.4s/8m", None, ["day.burst_s: 0.4: allowed 0.5 to 30 s"]),
        ("timetable", "day=31s/8m", None, ["day.burst_s: 31.0: allowed 0.5 to 30 s"]),
        ("timetable", "day=6s/25h", None, ["day.gap_min: 1500.0: allowed above 0 up to 1440 min"]),
        (
            "timetable",
            "day=31s/25h x none",
            "1h",
            ["leave out --for", "'x' says", "'none' says", "burst_s", "gap_min"],
        ),
        ("timetable", "none", "2d", ["no sense with none"]),
        ("trim", "", None, ["by how much?", "say for how long"]),
        ("trim", "", "2d", ["by how much?"]),
        ("trim", "-20%", None, ["say for how long"]),
        ("trim", "20%", "0d", ["'20%' is no trim", "--for: '0d' is no length"]),
        ("trim", "-101%", "2d", ["percent: -101.0: allowed -100 to 1000"]),
        ("trim", "-101%", None, ["say for how long", "percent: -101.0"]),
        (
            "trim",
            "-20%",
            "32d",
            [f"--for 32 d {TOO_LONG} 31 d"],
        ),
        ("trim", "-20% --fro 2d", None, ["no option '--fro'"]),
        ("hold", "", None, ["say for how long"]),
        ("hold", "now", "45m", ["'now' says nothing here"]),
        ("hold", "", "25h", [f"--for 25 h {TOO_LONG} 24 h"]),
        ("closed", "", None, ["say for how long"]),
        ("skip", "two", None, ["'two' says nothing here"]),
        ("skip", "", "25h", ["too long to ask for"]),
    ],
)
def test_everything_wrong_is_told_at_once_and_nothing_else(
    setting: str, words: str, length: str | None, problems: list[str]
) -> None:
    said = worded(setting, words.split(), length)

    assert len(said.problems) == len(problems), said.problems
    for told, expected in zip(said.problems, problems, strict=True):
        assert expected in told


@pytest.mark.parametrize(
    ("words", "points", "value"),
    [
        ("film", {}, {"cycle": "film"}),
        ("TIMED", {}, {"cycle": "timed"}),
        ("none", {}, None),
        (
            "leaf_wetness",
            {"dry-back": "52.5%", "surface": "Waxy", "burst": "6.5s"},
            {"cycle": "leaf_wetness", "dry_back_percent": 52.5, "surface": "waxy", "burst_s": 6.5},
        ),
        ("vpd", {"set-point": "0.55"}, {"cycle": "vpd", "set_point_kpa_h": 0.55}),
        ("vpd", {"as-every": "10m", "at": "1.5"}, {"cycle": "vpd", "as_every_min": 10.0, "at_kpa": 1.5}),
        (
            "film",
            {"night": "sparse", "dawn": "sparse..1h", "day": "90s..45m", "dusk": "off"},
            {
                "cycle": "film",
                "night": {"mist": "sparse"},
                "dawn": {"mist": "sparse", "longest_gap_min": 60.0},
                "day": {"shortest_gap_min": 1.5, "longest_gap_min": 45.0},
                "dusk": {"mist": "off"},
            },
        ),
        ("film", {"day": "..45m"}, {"cycle": "film", "day": {"longest_gap_min": 45.0}}),
        ("film", {"day": "2m.."}, {"cycle": "film", "day": {"shortest_gap_min": 2.0}}),
    ],
    ids=str,
)
def test_a_cycle_is_a_word_and_its_set_points_are_options(
    words: str, points: dict[str, str], value: dict[str, Any] | None
) -> None:
    said = worded("cycle", words.split(), None, points)

    assert (said.problems, said.value) == ([], value)


@pytest.mark.parametrize(
    ("words", "points", "problems"),
    [
        ("", {}, ["which cycle? timed, vpd, leaf_wetness, film"]),
        ("", {"dry-back": "4%"}, ["which cycle?", "dry_back_percent: 4.0: allowed 5 to 90"]),
        ("fog", {}, ["cycle: 'fog': allowed: 'timed', 'vpd', 'leaf_wetness', 'film'"]),
        ("film vpd", {}, ["'vpd' says nothing here; set points are options"]),
        ("film", {"dry-back": "40"}, ["--dry-back: '40' is no share; write it as 40%"]),
        ("film", {"dry-back": "nan%"}, ["--dry-back: 'nan%' is no share"]),
        ("film", {"dry-back": "0%"}, ["dry_back_percent: 0.0: allowed 5 to 90"]),
        ("vpd", {"set-point": "0"}, ["set_point_kpa_h: 0.0: allowed 0.01 to 20"]),
        ("vpd", {"set-point": "-1"}, ["--set-point: '-1' is no number"]),
        ("vpd", {"at": "1.5"}, ["say one thing together"]),
        ("film", {"at": "1.5", "as-every": "9m"}, ["only vpd goes by the deficit"]),
        ("timed", {"day": "off"}, ["a timed zone has no set points"]),
        ("film", {"day": "often"}, ["--day: 'often' says nothing of gaps; write it as 2m..45m"]),
        ("film", {"day": ".."}, ["--day: '..' says nothing of gaps"]),
        ("film", {"day": "2m..45"}, ["--day: '45' is no length of time"]),
        ("film", {"day": "off..45m"}, ["--day: 'off' is no length of time"]),
        ("film", {"day": "2m..13h"}, ["day.longest_gap_min: 780.0: allowed 1 to 720 min"]),
        ("film", {"burst": "31s"}, ["burst_s: 31.0: allowed 0.5 to 30 s"]),
        ("none", {"day": "off"}, ["--day has no sense with none"]),
    ],
    ids=str,
)
def test_everything_wrong_with_a_cycle_is_told(
    words: str, points: dict[str, str], problems: list[str]
) -> None:
    said = worded("cycle", words.split(), None, points)

    assert len(said.problems) == len(problems), said.problems
    for told, expected in zip(said.problems, problems, strict=True):
        assert expected in told


@settings(max_examples=200, deadline=None)
@given(
    words=st.lists(st.sampled_from(["film", "vpd", "timed", "none", "x"]), max_size=2),
    points=st.dictionaries(
        st.sampled_from(list(POINTS)),
        st.text(max_size=9)
        | st.sampled_from(["40%", "1.5", "10m", "sparse..60m", "off", "2m..45m", "hairy"]),
    ),
)
def test_no_set_points_break_the_reading(words: list[str], points: dict[str, str]) -> None:
    said = worded("cycle", words, None, points)

    if said.value is not None and not said.problems:
        FORMS[SettingKind.CYCLE].form.model_validate(said.value)


@settings(max_examples=200)
@given(
    setting=st.sampled_from([*SettingKind, "x"]),
    words=st.lists(st.text(max_size=12), max_size=3),
    length=st.none() | st.text(max_size=5),
)
def test_no_words_break_the_reading(setting: str, words: list[str], length: str | None) -> None:
    """Whatever is read without a problem is what the form allows."""
    said = worded(setting, words, length)

    if said.value is not None and not said.problems:
        FORMS[SettingKind(setting)].form.model_validate(said.value)
