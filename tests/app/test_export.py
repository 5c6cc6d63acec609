"""A house's file with what is in force in it: always a house's file, and the grower's own words are kept."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from mistd.app.config import Config, TimedPartSection
from mistd.app.config_file import checked_config, house_text
from mistd.app.cycle_forms import cycle_in_file
from mistd.app.export import COMMENTS_LOST, Timed, exported
from tests.app.house_files import EXAMPLE, good_house, toml_of

PATH = Path("house.toml")
PARTS = ("night", "dawn", "day", "dusk")
HEAD = toml_of({name: table for name, table in good_house().items() if name not in {"zones", "sensors"}})
SENSORS = """
[[sensors]]                       # what zones on demand go by
name = "air"
kind = "air_temperature"
topic = "fern/air"

[[sensors]]
name = "damp"
kind = "relative_humidity"
topic = "fern/damp"

[[sensors]]
name = "plate"
kind = "leaf_wetness"
topic = "fern/plate"
zone = "right"
dry_reads = 450
wet_reads = 1100
"""
ZONE = """
[[zones]]                         # {name}, by the door
name = "{name}"
pin = {pin}
nozzles = 12
nozzle_flow_l_per_min = 0.6
nozzle_pressure_bar = 3.0
bench_area_m2 = 14.0
"""
ZONE_IN_A_LINE = (
    '{{name = "{name}", pin = {pin}, nozzles = 12, nozzle_flow_l_per_min = 0.6, nozzle_pressure_bar = 3.0, '
    "bench_area_m2 = 14.0, {timed}}}"
)
Timetable = Mapping[str, Timed | None]


# --- a house's file, written in every way in which TOML lets it be


def keys_of(timed: Timed | None) -> list[str]:
    return ["off = true"] if timed is None else [f"burst_s = {timed[0]!r}", f"gap_min = {timed[1]!r}"]


def inline(timed: Timed | None) -> str:
    return "{ " + ", ".join(keys_of(timed)) + " }"


def as_in_the_example(timetable: Timetable) -> str:
    return "".join(f"timed.{part} = {inline(timed)}   # of {part}\n" for part, timed in timetable.items())


def as_one_line(timetable: Timetable) -> str:
    return (
        f"timed = {{ {', '.join(f'{part} = {inline(timed)}' for part, timed in timetable.items())} }} # all\n"
    )


def as_dotted_keys(timetable: Timetable) -> str:
    return "".join(
        f"timed.{part}.{key} # of {part}\n" for part, timed in timetable.items() for key in keys_of(timed)
    )


def as_a_table(timetable: Timetable) -> str:
    return "[zones.timed]\n" + "".join(
        f"{part} = {inline(timed)} # of {part}\n" for part, timed in timetable.items()
    )


def as_tables(timetable: Timetable) -> str:
    return "".join(
        f"[zones.timed.{part}] # of {part}\n" + "".join(f"{key}   # here\n" for key in keys_of(timed))
        for part, timed in timetable.items()
    )


def as_mixed(timetable: Timetable) -> str:
    dotted = "".join(
        f"{part}.{key}\n" for part in ("dawn", "day") for key in reversed(keys_of(timetable[part]))
    )
    return (
        f"[zones.timed]\n{dotted}night = {inline(timetable['night'])}\n"
        + "[zones.timed.dusk]\n"
        + "".join(f"{key}\n" for key in keys_of(timetable["dusk"]))
    )


STYLES = (as_in_the_example, as_one_line, as_dotted_keys, as_a_table, as_tables, as_mixed)


def house_file(left: str, right: str) -> str:
    """A house of two zones, from the text of their timetables."""
    return "".join(
        [
            "# Our house. Ask Ilse before changing anything.\n",
            HEAD,
            ZONE.format(name="left", pin=5),
            left,
            "\n# the far end\n",
            ZONE.format(name="right", pin=6),
            right,
        ]
    )


def in_a_list(left: Timetable, right: Timetable) -> str:
    """The zones in one value, each in a line of its own."""
    zones = ",\n  ".join(
        ZONE_IN_A_LINE.format(
            name=name,
            pin=pin,
            timed=", ".join(f"timed.{part}.{key}" for part in PARTS for key in keys_of(timetable[part])),
        )
        for name, pin, timetable in (("left", 5, left), ("right", 6, right))
    )
    return f"{HEAD}zones = [\n  {zones}  # the last\n]\n"


# --- what is read back


def timetables_of(config: Config) -> dict[str, dict[str, Timed | None]]:
    return {zone.name: {part: timed_of(getattr(zone.timed, part)) for part in PARTS} for zone in config.zones}


def timed_of(section: TimedPartSection) -> Timed | None:
    if section.off:
        return None
    assert section.burst_s is not None
    assert section.gap_min is not None
    return section.burst_s, section.gap_min


def loaded(text: str) -> Config:
    return checked_config(text, PATH)


BURSTS = st.floats(0.5, 20.0) | st.integers(1, 20).map(float)
GAPS = st.floats(2.0, 1440.0) | st.integers(2, 60).map(float)  # room for two bursts of 20 s and two pauses
TIMED = st.none() | st.tuples(BURSTS, GAPS)
TIMETABLES = st.fixed_dictionaries(dict.fromkeys(PARTS, TIMED)).filter(lambda each: any(each.values()))
SOME_PARTS = st.dictionaries(st.sampled_from(PARTS), TIMED)
REMARKS = st.lists(st.text(max_size=60), max_size=3)
STYLED = st.sampled_from(STYLES)
QUIET = (4.0, 40.0)
A_DAY: Timetable = dict.fromkeys(PARTS, QUIET)
OFF_BY_NIGHT: Timetable = {**A_DAY, "night": None}


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(
    before=st.tuples(TIMETABLES, TIMETABLES),
    styles=st.tuples(STYLED, STYLED) | st.none(),
    changes=st.fixed_dictionaries({}, optional={"left": SOME_PARTS, "right": SOME_PARTS}),
    remarks=REMARKS,
    is_windows=st.booleans(),
)
@example(
    before=(A_DAY, OFF_BY_NIGHT),
    styles=None,
    changes={"right": {"night": (5.0, 9.0)}},
    remarks=[],
    is_windows=False,
)
def test_what_is_exported_is_a_house_of_which_the_timetables_are_those_in_force(
    before: tuple[Timetable, Timetable],
    styles: Any,
    changes: dict[str, Timetable],
    remarks: list[str],
    is_windows: bool,
) -> None:
    text = (
        house_file(*(style(each) for style, each in zip(styles, before, strict=True)))
        if styles
        else in_a_list(*before)
    )
    text = text.replace("\n", "\r\n") if is_windows else text
    house = loaded(text)
    wanted = {
        name: {**timetable, **changes.get(name, {})} for name, timetable in timetables_of(house).items()
    }
    if not all(any(each.values()) for each in wanted.values()):
        return  # a zone that is never misted is no house's file, nor is it ever in force

    result = exported(text, changes, remarks)

    again = loaded(result)
    assert timetables_of(again) == wanted
    assert again.model_copy(update={"zones": house.zones}) == house
    assert [zone.model_copy(update={"timed": None}) for zone in again.zones] == [
        zone.model_copy(update={"timed": None}) for zone in house.zones
    ]
    assert all(line.removesuffix("\r").isprintable() for line in result.split("\n"))


def test_a_file_of_which_nothing_was_changed_is_the_same_to_the_letter() -> None:
    text = house_text(EXAMPLE)

    assert exported(text, {}, []) == text
    assert exported(text, timetables_of(loaded(text)), []) == text


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.__name__)
def test_only_the_lines_of_what_was_changed_are_changed(style: Any) -> None:
    text = house_file(style(A_DAY), style(A_DAY))

    result = exported(text, {"right": {"day": (6.5, 3.0)}}, [])

    before, after = text.splitlines(), result.splitlines()
    assert len(before) == len(after)
    changed = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert 1 <= len(changed) <= 2
    for old, new in changed:
        assert new == old.replace("4.0", "6.5").replace("40.0", "3") or style is as_one_line


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.__name__)
@pytest.mark.parametrize("timed", [None, (6.5, 3.0)], ids=["off", "on"])
def test_comments_stay_where_a_part_is_turned_off_or_on(style: Any, timed: Timed | None) -> None:
    before = A_DAY if timed is None else {**A_DAY, "day": None}
    text = house_file(style(A_DAY), style(before))

    result = exported(text, {"right": {"day": timed}}, [])

    assert COMMENTS_LOST not in result
    for comment in ("# Our house. Ask Ilse", "# left, by the door", "# the far end", "# right, by the door"):
        assert comment in result
    for comment in ("# of day", "# all", "# of dusk"):
        assert (comment in result) == (comment in text)


def test_a_comment_behind_a_key_that_goes_is_kept_behind_the_one_that_comes() -> None:
    text = house_file(as_in_the_example(A_DAY), as_tables(A_DAY).replace("# here", "# ask Ilse"))

    result = exported(text, {"right": {"day": None}}, [])

    assert "[zones.timed.day] # of day\noff = true # ask Ilse # ask Ilse\n[zones.timed.dusk]" in result


def test_remarks_stand_at_the_end_and_cannot_be_anything_but_comments() -> None:
    text = house_text(EXAMPLE)

    result = exported(text, {}, ["the trim of left is +10 %", "held:\nby ilse\x1b[2J\r[state]"])

    assert result.startswith(text.rstrip("\n"))
    assert result.splitlines()[-4:] == [
        "# the trim of left is +10 %",
        "# held:",
        "# by ilse\\x1b[2J",
        "# [state]",
    ]
    assert loaded(result) == loaded(text)


def test_where_comments_cannot_be_kept_they_are_given_up_and_it_says_so() -> None:
    """Dotted keys inside a table in one line: the library leaves a comma behind."""
    text = in_a_list(A_DAY, A_DAY)

    result = exported(text, {"right": {"night": None}}, ["a remark"])

    assert result.endswith(f"# {COMMENTS_LOST}\n# a remark\n")
    assert timetables_of(loaded(result)) == {"left": A_DAY, "right": OFF_BY_NIGHT}


def test_a_zone_that_is_not_in_the_file_is_refused() -> None:
    with pytest.raises(ValueError, match="not in the file: middle"):
        exported(house_text(EXAMPLE), {"middle": {"day": None}}, [])


# --- cycles

POINTS = st.fixed_dictionaries(
    {},
    optional={
        "surface": st.sampled_from(["waxy", "hairy"]),
        "dry_back_percent": st.sampled_from([40.0, 37.5]),
        "burst_s": st.sampled_from([6.0, 6.5]),
        "night": st.sampled_from([{"mist": "sparse"}, {"mist": "off"}, {"longest_gap_min": 60.0}, {}]),
        "day": st.sampled_from([{"shortest_gap_min": 2.0, "longest_gap_min": 45.5}, {"mist": "on_demand"}]),
    },
)
CYCLES = st.just({"cycle": "timed"}) | POINTS.map(lambda points: {"cycle": "film", **points})
ON_FILM = {"cycle": "film", "dry_back_percent": 40.0, "night": {"mist": "sparse"}}


def cycle_in_a_line(cycle: Mapping[str, Any]) -> str:
    points = {key: value for key, value in cycle.items() if key != "cycle"}
    return f'cycle = "{cycle["cycle"]}" # it leads\n' + toml_of({"demand": points} if points else {})


def cycle_dotted(cycle: Mapping[str, Any]) -> str:
    points = {key: value for key, value in cycle.items() if key != "cycle"}
    return f'cycle = "{cycle["cycle"]}"   # it leads\n' + "".join(
        f"demand.{line}   # a set point\n" for line in toml_of(points).splitlines()
    )


def cycles_of(config: Config) -> dict[str, dict[str, Any]]:
    return {zone.name: cycle_in_file(zone) for zone in config.zones}


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(
    before=CYCLES | st.none(),
    after=CYCLES,
    write=st.sampled_from([cycle_in_a_line, cycle_dotted]),
    style=STYLED,
)
def test_what_is_exported_is_a_house_of_which_the_cycles_are_those_in_force(
    before: Mapping[str, Any] | None, after: Mapping[str, Any], write: Any, style: Any
) -> None:
    of_file = write(before) if before else ""
    text = house_file(style(A_DAY), of_file + style(A_DAY)) + SENSORS
    house = loaded(text)

    result = exported(text, {}, [], {"right": after})

    again = loaded(result)
    assert cycles_of(again) == {"left": {"cycle": "timed"}, "right": after}
    assert again.zones[0] == house.zones[0]
    assert again.zones[1].timed == house.zones[1].timed
    assert exported(result, {}, [], {"right": after}) == result


def test_a_cycle_that_the_file_says_already_leaves_it_the_same_to_the_letter() -> None:
    text = house_file(as_in_the_example(A_DAY), cycle_dotted(ON_FILM) + as_in_the_example(A_DAY))

    assert exported(text, {}, [], {"right": ON_FILM, "left": {"cycle": "timed"}}) == text


@pytest.mark.parametrize("write", [cycle_in_a_line, cycle_dotted], ids=lambda write: write.__name__)
@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.__name__)
def test_comments_stay_where_a_cycle_is_changed(write: Any, style: Any) -> None:
    text = house_file(style(A_DAY), write(ON_FILM) + style(A_DAY))

    result = exported(text, {}, [], {"right": {**ON_FILM, "dry_back_percent": 45.0}})

    assert COMMENTS_LOST not in result
    changed = [
        (old, new) for old, new in zip(text.splitlines(), result.splitlines(), strict=True) if old != new
    ]
    assert [new for _, new in changed] == [old.replace("40.0", "45") for old, _ in changed]
    assert len(changed) == 1


def test_a_zone_set_back_to_its_timetable_keeps_its_set_points_for_later() -> None:
    text = house_file(as_in_the_example(A_DAY), cycle_dotted(ON_FILM) + as_in_the_example(A_DAY))

    result = exported(text, {}, [], {"right": {"cycle": "timed"}})

    assert result == text.replace('cycle = "film"', 'cycle = "timed"')


def test_a_cycle_of_a_zone_that_is_not_in_the_file_is_refused() -> None:
    with pytest.raises(ValueError, match="not in the file: middle"):
        exported(house_text(EXAMPLE), {}, [], {"middle": ON_FILM})
