"""How settings are written outside: every limit of every form, and there and back again without a change."""

import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from mistd.app.messages import LONGEST_ASKED_S
from mistd.app.setting_forms import FORMS, LONGEST_PASSING_S, plain_timetable
from mistd.core.almanac import DayPart
from mistd.core.changes import SETTERS
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.settings import (
    ClosedSet,
    HoldSet,
    PartsSet,
    SettingKind,
    SettingValue,
    SkipSet,
    TrimSet,
    said,
)

DAY_S = 86_400.0
TIMED = {"burst_s": 6.0, "gap_min": 8.0}


def core(kind: SettingKind, plain: Mapping[str, Any]) -> SettingValue:
    """As a request or a record is read: through JSON."""
    form = FORMS[kind]
    return form.core(form.form.model_validate_json(json.dumps(plain)))


def is_refused(kind: SettingKind, plain: Any) -> bool:
    try:
        FORMS[kind].form.model_validate(plain)
    except ValidationError:
        return True
    return False


# --- every kind has a form


@pytest.mark.parametrize("kind", SettingKind)
def test_every_kind_of_setting_has_a_form_and_words(kind: SettingKind) -> None:
    assert kind in FORMS
    assert said(kind, None)


def test_every_kind_of_setting_is_put_in_force_somewhere() -> None:
    assert set(SETTERS) | {SettingKind.HOLD} == set(SettingKind) == set(FORMS)


# --- what a form gives the core


def test_each_form_becomes_the_cores_own_value() -> None:
    parts = {"day": TIMED, "night": {"off": True}}

    assert core(SettingKind.TIMETABLE, parts) == PartsSet(
        parts={DayPart.DAY: TimedPart(burst_s=6.0, gap_s=480.0), DayPart.NIGHT: None}
    )
    assert core(SettingKind.TRIM, {"percent": -20.0, "for_s": 7200.0}) == TrimSet(fraction=-0.2, for_s=7200.0)
    assert core(SettingKind.HOLD, {"for_s": 600.0}) == HoldSet(for_s=600.0)
    assert core(SettingKind.CLOSED, {"for_s": 3 * DAY_S}) == ClosedSet(for_s=3 * DAY_S)
    assert core(SettingKind.SKIP, {"for_s": 600.0}) == SkipSet(for_s=600.0)
    assert core(SettingKind.SKIP, {}) == SkipSet(for_s=DAY_S)


def test_whole_numbers_are_numbers() -> None:
    assert core(SettingKind.TRIM, {"percent": 10, "for_s": 600}) == TrimSet(fraction=0.1, for_s=600.0)
    assert core(SettingKind.TIMETABLE, {"day": {"burst_s": 6, "gap_min": 8}}) == PartsSet(
        parts={DayPart.DAY: TimedPart(burst_s=6.0, gap_s=480.0)}
    )


# --- limits, on both sides and on them

TIMETABLE_OF = {
    "burst_s": lambda value: {"day": {"burst_s": value, "gap_min": 8.0}},
    "gap_min": lambda value: {"day": {"burst_s": 6.0, "gap_min": value}},
}
LIMITS: dict[str, tuple[SettingKind, Any, float, float, bool]] = {
    # the setting, its value with the figure in it, lowest, highest, whether the lowest itself is allowed
    "burst_s": (SettingKind.TIMETABLE, TIMETABLE_OF["burst_s"], 0.5, 30.0, True),
    "gap_min": (SettingKind.TIMETABLE, TIMETABLE_OF["gap_min"], 0.0, 1440.0, False),
    "percent": (SettingKind.TRIM, lambda value: {"percent": value, "for_s": 600.0}, -100.0, 1000.0, True),
    "trim_for_s": (
        SettingKind.TRIM,
        lambda value: {"percent": 10.0, "for_s": value},
        0.0,
        LONGEST_PASSING_S,
        False,
    ),
    "hold_for_s": (SettingKind.HOLD, lambda value: {"for_s": value}, 0.0, LONGEST_ASKED_S, False),
    "closed_for_s": (SettingKind.CLOSED, lambda value: {"for_s": value}, 0.0, LONGEST_PASSING_S, False),
    "skip_for_s": (SettingKind.SKIP, lambda value: {"for_s": value}, 0.0, LONGEST_ASKED_S, False),
}


@pytest.mark.parametrize("name", LIMITS)
def test_every_figure_is_taken_to_its_limits_and_no_further(name: str) -> None:
    kind, plain, lowest, highest, is_lowest_allowed = LIMITS[name]

    assert is_refused(kind, plain(lowest)) is not is_lowest_allowed
    assert not is_refused(kind, plain(lowest + 1e-6))
    assert is_refused(kind, plain(lowest - 1e-6))
    assert not is_refused(kind, plain(highest))
    assert not is_refused(kind, plain(highest - 1e-6))
    assert is_refused(kind, plain(highest + 1e-6))


@pytest.mark.parametrize("name", LIMITS)
@pytest.mark.parametrize(
    "nonsense",
    [None, "6", True, [], {}, float("nan"), float("inf"), 10**400],
    ids=lambda value: repr(value)[:20],
)
def test_no_figure_is_anything_but_a_finite_number(name: str, nonsense: Any) -> None:
    kind, plain, *_ = LIMITS[name]

    assert is_refused(kind, plain(nonsense))


def test_there_is_a_limit_for_every_figure_of_every_form() -> None:
    def figures(schema: dict[str, Any]) -> int:
        """Every number in a form, counted in its own JSON schema."""
        properties = [*schema.get("properties", {}).values()]
        properties += [
            each for form in schema.get("$defs", {}).values() for each in form["properties"].values()
        ]
        return sum("number" in json.dumps(each) for each in properties)

    assert sum(figures(form.form.model_json_schema()) for form in FORMS.values()) == len(LIMITS)


# --- the shape


@pytest.mark.parametrize("kind", SettingKind)
@pytest.mark.parametrize("nonsense", [None, 5, "off", [], [{}], True], ids=repr)
def test_no_form_is_anything_but_a_table(kind: SettingKind, nonsense: Any) -> None:
    assert is_refused(kind, nonsense)


@pytest.mark.parametrize(
    ("kind", "plain"),
    [
        (SettingKind.TIMETABLE, {"day": TIMED, "noon": TIMED}),
        (SettingKind.TIMETABLE, {"day": {**TIMED, "off_until": 3}}),
        (SettingKind.TRIM, {"percent": 10.0, "for_s": 600.0, "until": 3}),
        (SettingKind.HOLD, {"for_s": 600.0, "note": "in the request, not here"}),
        (SettingKind.CLOSED, {"for_s": 600.0, "x": 1}),
        (SettingKind.SKIP, {"for_s": 600.0, "x": 1}),
    ],
    ids=str,
)
def test_a_key_that_is_not_in_the_form_is_refused(kind: SettingKind, plain: Any) -> None:
    assert is_refused(kind, plain)


@pytest.mark.parametrize(
    ("kind", "plain"),
    [
        (SettingKind.TIMETABLE, {}),
        (SettingKind.TIMETABLE, {"day": None}),
        (SettingKind.TIMETABLE, {"day": {}}),
        (SettingKind.TIMETABLE, {"day": {"burst_s": 6.0}}),
        (SettingKind.TIMETABLE, {"day": {"gap_min": 8.0}}),
        (SettingKind.TIMETABLE, {"day": {"off": False}}),
        (SettingKind.TIMETABLE, {"day": {"off": True, "burst_s": 6.0}}),
        (SettingKind.TIMETABLE, {"day": {"off": True, "gap_min": 8.0}}),
        (SettingKind.TIMETABLE, {"day": {"off": True, **TIMED}}),
        (SettingKind.TIMETABLE, {"day": {"off": 1}}),
        (SettingKind.TRIM, {}),
        (SettingKind.TRIM, {"percent": 10.0}),
        (SettingKind.TRIM, {"for_s": 600.0}),
        (SettingKind.HOLD, {}),
        (SettingKind.CLOSED, {}),
    ],
    ids=str,
)
def test_a_form_that_says_too_little_or_two_things_at_once_is_refused(kind: SettingKind, plain: Any) -> None:
    assert is_refused(kind, plain)


@pytest.mark.parametrize("part", DayPart)
def test_one_part_of_the_day_is_enough_for_a_timetable(part: DayPart) -> None:
    assert core(SettingKind.TIMETABLE, {part.value: {"off": True}}) == PartsSet(parts={part: None})


# --- there and back

# As people write them: to the hundredth of a second or minute, to the tenth of a percent.
bursts_s = st.integers(50, 3000).map(lambda hundredths: hundredths / 100)
gaps_s = st.integers(1, 144_000).map(lambda hundredths: hundredths / 100 * 60.0)
timed_parts = st.none() | st.builds(TimedPart, burst_s=bursts_s, gap_s=gaps_s)
whole_days = st.fixed_dictionaries(dict.fromkeys(DayPart, timed_parts))


def lengths_s(longest_s: float) -> st.SearchStrategy[float]:
    """Also such as are left of a length that has begun to run."""
    return st.floats(0.0, longest_s, exclude_min=True)


VALUES: dict[SettingKind, st.SearchStrategy[SettingValue]] = {
    SettingKind.TIMETABLE: st.builds(TimedCycle, parts=whole_days),
    SettingKind.TRIM: st.builds(
        TrimSet,
        fraction=st.integers(-1000, 10_000).map(lambda tenths: tenths / 10 / 100.0),
        for_s=lengths_s(LONGEST_PASSING_S),
    ),
    SettingKind.HOLD: st.builds(HoldSet, for_s=lengths_s(LONGEST_ASKED_S)),
    SettingKind.CLOSED: st.builds(ClosedSet, for_s=lengths_s(LONGEST_PASSING_S)),
    SettingKind.SKIP: st.builds(SkipSet, for_s=lengths_s(LONGEST_ASKED_S)),
}


def test_there_are_values_of_every_kind_to_try() -> None:
    assert set(VALUES) == set(SettingKind)


@given(data=st.data())
@pytest.mark.parametrize("kind", SettingKind)
def test_what_the_core_has_is_read_again_as_it_was_written(kind: SettingKind, data: st.DataObject) -> None:
    """Else a restart would decide otherwise than the house did."""
    value = data.draw(VALUES[kind])

    back = core(kind, FORMS[kind].plain(value))

    if isinstance(value, TimedCycle):
        assert back == PartsSet(parts=value.parts)
    else:
        assert back == value


@given(parts=st.fixed_dictionaries({}, optional={part.value: st.just({"off": True}) for part in DayPart}))
def test_a_timetable_is_written_with_every_part_of_the_day(parts: dict[str, Any]) -> None:
    whole = {part: TimedPart(burst_s=6.0, gap_s=480.0) for part in DayPart}
    timetable = TimedCycle(parts={part: None if part.value in parts else whole[part] for part in DayPart})

    plain = plain_timetable(timetable)

    assert plain == {part.value: parts.get(part.value, TIMED) for part in DayPart}
