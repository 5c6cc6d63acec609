"""The words of a setting, as people write them on the command line: into its form, or all that is wrong."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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
