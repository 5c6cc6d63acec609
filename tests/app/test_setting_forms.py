"""How settings are written outside: every limit of every form, and there and back again without a change."""

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from mistd.app.config import DemandSection
from mistd.app.config_file import checked_config
from mistd.app.cycle_forms import CycleForm, cycle_in_file, cycle_wanted
from mistd.app.demand_plan import Benches
from mistd.app.house_plan import house_plan
from mistd.app.messages import LONGEST_ASKED_S
from mistd.app.problems import problems_of
from mistd.app.setting_forms import FORMS, LONGEST_PASSING_S, plain_timetable
from mistd.core.almanac import DayPart
from mistd.core.changes import SETTERS
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.demand_cycles import CycleKind, DemandCycle
from mistd.core.settings import (
    ClosedSet,
    CycleSet,
    HoldSet,
    PartsSet,
    SettingKind,
    SettingValue,
    SkipSet,
    TrimSet,
    said,
)
from tests.app.alarm_house import no_sensors
from tests.app.house_files import Change, benches_of, changed, good_house, set_to, toml_of

DAY_S = 86_400.0
HOUSE = checked_config(toml_of(changed(set_to("zones.0.demand", {}))), Path("house.toml"))
BENCHES = Benches(HOUSE)
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


def cycle_of(name: str, cycle: str = "vpd", **beside: float) -> Callable[[Any], dict[str, Any]]:
    return lambda value: {"cycle": cycle, name: value, **beside}


def cycle_part_of(name: str) -> Callable[[Any], dict[str, Any]]:
    return lambda value: {"cycle": "film", "day": {name: value}}


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
    "dry_back_percent": (SettingKind.CYCLE, cycle_of("dry_back_percent", "film"), 5.0, 90.0, True),
    "set_point_kpa_h": (SettingKind.CYCLE, cycle_of("set_point_kpa_h"), 0.01, 20.0, True),
    "as_every_min": (SettingKind.CYCLE, cycle_of("as_every_min", at_kpa=1.5), 1.0, 240.0, True),
    "at_kpa": (SettingKind.CYCLE, cycle_of("at_kpa", as_every_min=10.0), 0.1, 8.0, True),
    "cycle_burst_s": (SettingKind.CYCLE, cycle_of("burst_s"), 0.5, 30.0, True),
    "shortest_gap_min": (SettingKind.CYCLE, cycle_part_of("shortest_gap_min"), 0.1, 240.0, True),
    "longest_gap_min": (SettingKind.CYCLE, cycle_part_of("longest_gap_min"), 1.0, 720.0, True),
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
            each for form in schema.get("$defs", {}).values() for each in form.get("properties", {}).values()
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
        (SettingKind.CYCLE, {"cycle": "film", "dry_back": 40.0}),
        (SettingKind.CYCLE, {"cycle": "film", "noon": {"mist": "off"}}),
        (SettingKind.CYCLE, {"cycle": "film", "day": {"gap_min": 3.0}}),
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
        (SettingKind.CYCLE, {}),
        (SettingKind.CYCLE, {"dry_back_percent": 40.0}),
        (SettingKind.CYCLE, {"cycle": "fog"}),
        (SettingKind.CYCLE, {"cycle": None}),
        (SettingKind.CYCLE, {"cycle": "film", "surface": "furry"}),
        (SettingKind.CYCLE, {"cycle": "film", "day": {"mist": "seldom"}}),
        (SettingKind.CYCLE, {"cycle": "film", "day": None}),
        (SettingKind.CYCLE, {"cycle": "film", "day": {"mist": "off", "longest_gap_min": 60.0}}),
        (SettingKind.CYCLE, {"cycle": "timed", "dry_back_percent": 40.0}),
        (SettingKind.CYCLE, {"cycle": "film", "set_point_kpa_h": 0.5}),
        (SettingKind.CYCLE, {"cycle": "vpd", "dry_back_percent": 40.0}),
        (SettingKind.CYCLE, {"cycle": "leaf_wetness", "as_every_min": 10.0, "at_kpa": 1.5}),
        (SettingKind.CYCLE, {"cycle": "vpd", "as_every_min": 10.0}),
        (SettingKind.CYCLE, {"cycle": "vpd", "at_kpa": 1.5}),
        (SettingKind.CYCLE, {"cycle": "vpd", "set_point_kpa_h": 0.5, "as_every_min": 10.0, "at_kpa": 1.5}),
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


def some(low: float, high: float) -> st.SearchStrategy[float]:
    """Any figure at all: nothing of it may be lost."""
    return st.floats(low, high)


demand_parts = st.just({"mist": "off"}) | st.fixed_dictionaries(
    {},
    optional={
        "mist": st.sampled_from(["on_demand", "sparse"]),
        "shortest_gap_min": some(0.1, 240.0),
        "longest_gap_min": some(1.0, 720.0),
    },
)
ANY_POINTS = {
    "surface": st.sampled_from(["waxy", "ordinary", "hairy"]),
    "burst_s": some(0.5, 30.0),
    **{part.value: demand_parts for part in DayPart},
}
as_every = st.fixed_dictionaries({"as_every_min": some(1.0, 240.0), "at_kpa": some(0.1, 8.0)})
deficits: st.SearchStrategy[dict[str, float]] = (
    st.just({}) | as_every | st.fixed_dictionaries({"set_point_kpa_h": some(0.01, 20.0)})
)
cycles = st.one_of(
    st.just({"cycle": "timed"}),
    st.fixed_dictionaries(
        {"cycle": st.sampled_from(["film", "leaf_wetness"])},
        optional={**ANY_POINTS, "dry_back_percent": some(5.0, 90.0)},
    ),
    st.builds(
        lambda points, deficit: {"cycle": "vpd", **points, **deficit},
        st.fixed_dictionaries({}, optional=ANY_POINTS),
        deficits,
    ),
)


VALUES: dict[SettingKind, st.SearchStrategy[SettingValue]] = {
    SettingKind.TIMETABLE: st.builds(TimedCycle, parts=whole_days),
    SettingKind.CYCLE: cycles.map(lambda plain: cycle_wanted(CycleForm.model_validate(plain))),
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


# --- cycles


@given(plain=cycles)
def test_a_cycle_is_kept_word_for_word_on_any_bench(plain: dict[str, Any]) -> None:
    """Written, reckoned for its bench, told, kept and read again: not a digit of it moves."""
    reckoned = BENCHES.reckoned("left", core(SettingKind.CYCLE, plain))

    assert isinstance(reckoned, CycleSet)
    assert FORMS[SettingKind.CYCLE].plain(reckoned) == plain
    again = core(SettingKind.CYCLE, json.loads(json.dumps(FORMS[SettingKind.CYCLE].plain(reckoned))))
    assert BENCHES.reckoned("left", again) == reckoned


@given(plain=cycles)
def test_a_cycle_set_comes_to_what_the_same_words_in_the_file_come_to(plain: dict[str, Any]) -> None:
    points = {name: value for name, value in plain.items() if name != "cycle"}
    demand = DemandSection.model_validate(points) if points else None
    left = HOUSE.zones[0].model_copy(update={"cycle": CycleKind(plain["cycle"]), "demand": demand})
    in_file = HOUSE.model_copy(update={"zones": (left, HOUSE.zones[1])})

    reckoned = BENCHES.reckoned("left", core(SettingKind.CYCLE, plain))

    assert isinstance(reckoned, CycleSet)
    assert reckoned.cycle == house_plan(in_file).zones[0].demand
    assert cycle_in_file(left) == plain


def refusal_words(plain: dict[str, Any]) -> str:
    with pytest.raises(ValidationError) as caught:
        CycleForm.model_validate(plain)
    return "; ".join(str(problem) for problem in problems_of(caught.value, CycleForm, "value"))


@pytest.mark.parametrize(
    ("plain", "words"),
    [
        ({"cycle": "fog"}, "value.cycle: 'fog': allowed: 'timed', 'vpd', 'leaf_wetness', 'film'"),
        ({"cycle": "film", "dry_back_percent": float("nan")}, "dry_back_percent: nan: allowed 5 to 90"),
        ({"cycle": "film", "dry_back_percent": 0}, "dry_back_percent: 0: allowed 5 to 90"),
        ({"cycle": "vpd", "set_point_kpa_h": 0}, "set_point_kpa_h: 0: allowed 0.01 to 20"),
        ({"cycle": "film", "day": {"longest_gap_min": 0}}, "day.longest_gap_min: 0: allowed 1 to 720 min"),
        ({"cycle": "film", "burst_s": None}, "burst_s is null: leave it out, or say how much"),
        ({"cycle": "film", "day": {"longest_gap_min": None}}, "day.longest_gap_min is null: leave it out"),
        ({"cycle": "timed", "day": {}, "burst_s": 6}, "a timed zone has no set points"),
        ({"cycle": "timed", "day": {}, "burst_s": 6}, "leave out burst_s, day"),
        ({"cycle": "film", "at_kpa": 1.5, "as_every_min": 9}, "leave out as_every_min, at_kpa"),
        ({"cycle": "vpd", "dry_back_percent": 40}, "vpd goes by set_point_kpa_h, or as_every_min and at_kpa"),
        ({"cycle": "vpd", "at_kpa": 1.5}, "as_every_min and at_kpa say one thing together: give both"),
        (
            {"cycle": "vpd", "at_kpa": 1.5, "as_every_min": 9, "set_point_kpa_h": 1},
            "set_point_kpa_h and as_every_min say the same: keep one of the two",
        ),
        ({"cycle": "film", "dusk": {"mist": "off", "shortest_gap_min": 3}}, "dusk: off and a gap at once"),
    ],
    ids=str,
)
def test_a_refusal_of_a_cycle_says_what_is_allowed(plain: dict[str, Any], words: str) -> None:
    assert words in refusal_words(plain)


@pytest.mark.parametrize(
    ("plain", "words"),
    [
        ({"cycle": "timed"}, "cycle timed"),
        ({"cycle": "film"}, "cycle film"),
        (
            {"cycle": "film", "surface": "hairy", "dry_back_percent": 40, "burst_s": 6.5},
            "cycle film: hairy leaves, dry-back 40 %, burst 6.5 s",
        ),
        ({"cycle": "vpd", "set_point_kpa_h": 0.55}, "cycle vpd: set point 0.55 kPa.h"),
        ({"cycle": "vpd", "as_every_min": 10, "at_kpa": 1.5}, "cycle vpd: as every 10 min at 1.5 kPa"),
        (
            {
                "cycle": "leaf_wetness",
                "night": {"mist": "sparse", "longest_gap_min": 60},
                "dawn": {},
                "day": {"shortest_gap_min": 2, "longest_gap_min": 45},
                "dusk": {"mist": "off"},
            },
            "cycle leaf_wetness: night sparse up to 60 min, dawn on demand, day 2 to 45 min, dusk off",
        ),
        ({"cycle": "film", "day": {"shortest_gap_min": 2.5}}, "cycle film: day from 2.5 min"),
    ],
    ids=str,
)
def test_a_cycle_is_said_in_a_growers_words(plain: dict[str, Any], words: str) -> None:
    value = core(SettingKind.CYCLE, plain)

    assert said(SettingKind.CYCLE, value) == words
    assert said(SettingKind.CYCLE, BENCHES.reckoned("left", value)) == words


# --- benches: what is wired decides what may be set


def reckoned_on(zone: str, plain: dict[str, Any], *changes: Change) -> DemandCycle:
    value = benches_of(*changes).reckoned(zone, core(SettingKind.CYCLE, plain))
    assert isinstance(value, CycleSet)
    assert value.cycle is not None
    return value.cycle


def test_a_zone_with_a_demand_table_has_its_source_whatever_its_cycle() -> None:
    assert reckoned_on("left", {"cycle": "film"}, set_to("zones.0.demand", {})).source == 0
    assert reckoned_on("right", {"cycle": "film"}).source is None


def test_a_zone_of_a_house_without_humidity_has_none() -> None:
    assert reckoned_on("left", {"cycle": "film"}, set_to("zones.0.demand", {}), no_sensors).source is None


def test_leaf_wetness_goes_by_the_sensors_of_its_own_zone() -> None:
    leaf: dict[str, object] = {"name": "leaf", "kind": "leaf_wetness", "topic": "fern/leaf", "zone": "left"}
    leaf |= {"dry_reads": 450, "wet_reads": 1100}
    wetted = set_to("sensors", [*good_house()["sensors"], leaf])

    assert reckoned_on("left", {"cycle": "leaf_wetness"}, wetted).wetness_sensors == ("leaf",)
    assert reckoned_on("right", {"cycle": "leaf_wetness"}, wetted).wetness_sensors == ()


def test_a_cycle_of_a_zone_that_is_no_longer_in_the_file_stays_as_it_was_written() -> None:
    wanted = core(SettingKind.CYCLE, {"cycle": "film"})

    assert BENCHES.reckoned("gone", wanted) is wanted
