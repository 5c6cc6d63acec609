"""A house's file with bad values: all are told at once, each with key, value, unit and what is allowed."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, nan
from pathlib import Path
from typing import Any

import pytest

from mistd.app.config_file import load_config
from tests.app.house_files import (
    Change,
    Tables,
    changed,
    check,
    good_zone,
    loaded_house,
    problems_of,
    set_to,
    several,
    toml_of,
    written,
)


@dataclass(frozen=True)
class Bad:
    """A change that spoils a house, the key that is told, and words that must be in what is told."""

    change: Change
    key: str
    words: tuple[str, ...]


WHERE_IT_IS_TOKYO = several(set_to("place.longitude", 139.7), set_to("place.time_zone", "America/New_York"))


def many_zones(tables: Tables) -> None:
    tables["zones"] = [good_zone(f"z{number}", number) for number in range(8)]


BAD: dict[str, Bad] = {
    "unknown_key": Bad(set_to("zones.0.nozle", 3), "zones[left].nozle", ("unknown key", "nozzles")),
    "unknown_table": Bad(set_to("pump", {"pin": 3}), "pump", ("unknown key", "zones", "broker")),
    "unknown_key_deep": Bad(
        set_to("zones.1.timed.day.gap_s", 3), "zones[right].timed.day.gap_s", ("unknown key", "gap_min")
    ),
    "two_zones_on_one_pin": Bad(
        set_to("zones.1.pin", 5), "zones[right].pin", ("5 is wired to left and right", "pin of its own")
    ),
    "no_pin": Bad(set_to("zones.0.pin", None), "zones[left].pin", ("missing", "0 to 27")),
    "pin_off_the_board": Bad(set_to("zones.0.pin", 40), "zones[left].pin", ("40", "0 to 27")),
    "two_zones_of_one_name": Bad(set_to("zones.1.name", "left"), "zones[left].name", ("2 have this name",)),
    "two_sensors_of_one_name": Bad(
        set_to("sensors.1.name", "air"), "sensors[air].name", ("2 have this name",)
    ),
    "burst_longer_than_its_gap": Bad(
        several(set_to("zones.0.timed.day.gap_min", 0.05), set_to("zones.0.shortest_rest_s", 1)),
        "zones[left].timed.day.burst_s",
        ("6 s", "below the gap of 3 s", "gap_min"),
    ),
    "burst_as_long_as_its_gap": Bad(
        several(set_to("zones.0.timed.day.gap_min", 0.1), set_to("zones.0.shortest_rest_s", 1)),
        "zones[left].timed.day.burst_s",
        ("6 s", "below the gap of 6 s"),
    ),
    "gap_shorter_than_the_rest": Bad(
        set_to("zones.0.timed.day.gap_min", 0.9), "zones[left].timed.day.gap_min", ("0.9 min", "60 s")
    ),
    "burst_longer_than_the_zones_longest": Bad(
        set_to("zones.0.timed.day.burst_s", 21), "zones[left].timed.day.burst_s", ("21 s", "20 s")
    ),
    "burst_over_30_s": Bad(
        set_to("zones.0.timed.day.burst_s", 31), "zones[left].timed.day.burst_s", ("31", "0.5 to 30 s")
    ),
    "longest_burst_over_30_s": Bad(
        set_to("zones.0.longest_burst_s", 45), "zones[left].longest_burst_s", ("45", "1 to 30 s")
    ),
    "burst_too_short_to_fill_the_line": Bad(
        set_to("zones.0.timed.day.burst_s", 2),
        "zones[left].timed.day.burst_s",
        ("2 s would wet nothing", "0.25 l", "2.1 s"),
    ),
    "off_with_a_burst": Bad(
        set_to("zones.0.timed.night", {"off": True, "burst_s": 4}),
        "zones[left].timed.night",
        ("off", "keep one"),
    ),
    "burst_without_a_gap": Bad(
        set_to("zones.0.timed.night", {"burst_s": 4}),
        "zones[left].timed.night",
        ("burst_s and gap_min", "off = true"),
    ),
    "off_all_day": Bad(
        set_to("zones.0.timed", {part: {"off": True} for part in ("night", "dawn", "day", "dusk")}),
        "zones[left].timed",
        ("off in every part", "left out"),
    ),
    "a_part_of_the_day_missing": Bad(
        set_to("zones.0.timed.dusk", None), "zones[left].timed.dusk", ("missing", "a table")
    ),
    "a_part_that_is_no_table": Bad(
        set_to("zones.0.timed.dusk", 5), "zones[left].timed.dusk", ("5", "a table")
    ),
    "the_worst_wait_over_the_shortest_gap": Bad(
        several(many_zones, set_to("zones.3.timed.day.gap_min", 1)),
        "line.valves_at_once",
        ("by day the 8 zones take 64 s", "60 s", "pause_s"),
    ),
    "polar_day": Bad(
        several(set_to("place.latitude", 69.65), set_to("place.longitude", 18.96)),
        "place.latitude",
        ("69.65 degrees north", "does not rise", "not supported"),
    ),
    "polar_day_in_the_south": Bad(
        set_to("place.latitude", -70.0), "place.latitude", ("-70 degrees north", "does not rise")
    ),
    "latitude_off_the_globe": Bad(
        set_to("place.latitude", 95), "place.latitude", ("95", "-90 to 90 degrees north")
    ),
    "latitude_nan": Bad(set_to("place.latitude", nan), "place.latitude", ("nan", "-90 to 90")),
    "longitude_infinite": Bad(set_to("place.longitude", inf), "place.longitude", ("inf", "degrees east")),
    "no_such_time_zone": Bad(
        set_to("place.time_zone", "Mars/Base"), "place.time_zone", ("'Mars/Base'", "tz database")
    ),
    "time_zone_out_of_the_database": Bad(
        set_to("place.time_zone", "../../../etc/passwd"), "place.time_zone", ("tz database",)
    ),
    "another_countrys_time_zone": Bad(
        WHERE_IT_IS_TOKYO, "place.time_zone", ("139.7 degrees east", "up to 4 h", "look at the sign")
    ),
    "day_parts_out_of_order_in_winter": Bad(
        several(set_to("day_parts.day_begins_min", 300), set_to("day_parts.dusk_begins_min", -200)),
        "day_parts",
        ("out of order", "day 13:46, dusk 13:32", "move their beginnings"),
    ),
    "night_after_the_next_dawn_in_summer": Bad(
        several(
            set_to("place.latitude", 58.0),
            set_to("day_parts.dawn_begins_min", -180),
            set_to("day_parts.night_begins_min", 180),
        ),
        "day_parts",
        ("out of order", "night 0", "dawn 0"),
    ),
    "unit_not_of_the_kind": Bad(
        set_to("sensors.1.unit", "bar"), "sensors[damp].unit", ("'bar'", "'percent'", "'fraction'")
    ),
    "no_such_kind": Bad(set_to("sensors.0.kind", "moon"), "sensors[air].kind", ("'moon'", "'light'")),
    "topic_with_a_wildcard": Bad(
        set_to("sensors.0.topic", "fern/#"), "sensors[air].topic", ("'fern/#'", "without wildcards")
    ),
    "topic_with_a_plus": Bad(set_to("sensors.0.topic", "fern/+/t"), "sensors[air].topic", ("wildcards",)),
    "no_topic": Bad(set_to("sensors.0.topic", ""), "sensors[air].topic", ("''",)),
    "run_directory_too_long_for_a_socket": Bad(
        set_to("state.run_directory", "/run/" + "m" * 120), "state.run_directory", ("at most 88 bytes",)
    ),
    "run_directory_with_a_nul": Bad(
        set_to("state.run_directory", "/run/\0"), "state.run_directory", (r"\x00", "a path")
    ),
    "empty_directory": Bad(set_to("state.directory", ""), "state.directory", ("''", "a path")),
    "host_with_too_long_a_name": Bad(
        set_to("broker.host", "x" * 70), "broker.host", ("neither a host name nor an address",)
    ),
    "host_with_a_space": Bad(set_to("broker.host", "my broker"), "broker.host", ("'my broker'", "host name")),
    "port_0": Bad(set_to("broker.port", 0), "broker.port", ("0", "1 to 65535")),
    "no_such_driver": Bad(
        set_to("outputs.driver", "parallel"), "outputs.driver", ("'parallel'", "'gpiozero'", "'simulated'")
    ),
    "protocol_as_a_number": Bad(set_to("broker.protocol", 5), "broker.protocol", ("5", "'3.1.1'")),
    "text_for_a_number": Bad(set_to("line.pause_s", "2"), "line.pause_s", ("'2'", "0.5 to 30 s")),
    "half_a_nozzle": Bad(set_to("zones.0.nozzles", 1.5), "zones[left].nozzles", ("1.5", "whole number 1 to")),
    "true_nozzles": Bad(set_to("zones.0.nozzles", True), "zones[left].nozzles", ("true", "whole number")),
    "a_number_for_a_name": Bad(set_to("house.name", 7), "house.name", ("7", "lower-case letters")),
    "a_number_for_true": Bad(set_to("outputs.active_high", 1), "outputs.active_high", ("1", "true or false")),
    "a_name_with_capitals": Bad(set_to("house.name", "Fern"), "house.name", ("'Fern'", "lower-case")),
    "a_list_for_a_number": Bad(set_to("place.latitude", [1]), "place.latitude", ("a list", "-90 to 90")),
    "a_number_of_20000_bits": Bad(
        set_to("zones.0.nozzles", 2**9_999), "zones[left].nozzles", ("10000 bits", "1 to 500")
    ),
    "no_flow": Bad(
        set_to("zones.0.nozzle_flow_l_per_min", 0),
        "zones[left].nozzle_flow_l_per_min",
        ("0", "0.001 to 10 l/min"),
    ),
    "no_nozzles_said": Bad(
        set_to("zones.0.nozzles", None), "zones[left].nozzles", ("missing", "a whole number 1 to 500")
    ),
    "no_name": Bad(set_to("zones.0.name", None), "zones[1].name", ("missing", "lower-case letters")),
    "no_place": Bad(set_to("place", None), "place", ("missing", "[place]")),
    "no_outputs": Bad(set_to("outputs", None), "outputs", ("missing", "[outputs]")),
    "no_zones": Bad(set_to("zones", None), "zones", ("missing", "[[zones]]")),
    "an_empty_list_of_zones": Bad(set_to("zones", []), "zones", ("at least one",)),
    "a_zone_that_is_a_number": Bad(set_to("zones", [3]), "zones[1]", ("a table",)),
    "zones_as_one_table": Bad(set_to("zones", {"name": "left"}), "zones", ("[[zones]]",)),
    "siren_without_a_pin": Bad(set_to("siren", {}), "siren.pin", ("missing", "siren's pin", "0 to 27")),
    "siren_on_a_valves_pin": Bad(
        set_to("siren", {"pin": 6}), "siren.pin", ("6 is wired to right", "pin of its own")
    ),
    "siren_off_the_board": Bad(set_to("siren", {"pin": 28}), "siren.pin", ("28", "0 to 27")),
    "siren_below_the_board": Bad(set_to("siren", {"pin": -1}), "siren.pin", ("-1", "0 to 27")),
    "siren_for_too_short": Bad(
        set_to("siren", {"pin": 12, "longest_min": 0.49}), "siren.longest_min", ("0.49", "0.5 to 120 min")
    ),
    "siren_for_too_long": Bad(
        set_to("siren", {"pin": 12, "longest_min": 121}), "siren.longest_min", ("121", "0.5 to 120 min")
    ),
    "siren_with_a_level_of_its_own": Bad(
        set_to("siren", {"pin": 12, "active_high": 0}), "siren.active_high", ("0", "true or false")
    ),
    "siren_with_a_tune": Bad(
        set_to("siren", {"pin": 12, "tune": "x"}), "siren.tune", ("unknown key", "longest_min")
    ),
    "siren_that_is_no_table": Bad(set_to("siren", True), "siren", ("a table",)),
    "a_zone_called_as_the_siren": Bad(
        several(set_to("siren", {"pin": 12}), set_to("zones.1.name", "siren")),
        "zones[siren].name",
        ("the siren's own line", "another name"),
    ),
    "a_table_that_is_text": Bad(set_to("broker", "localhost"), "broker", ("a table",)),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_value_is_told_with_key_value_and_what_is_allowed(name: str, tmp_path: Path) -> None:
    bad = BAD[name]
    path = written(tmp_path, _spelt_out(changed(bad.change)))

    result = check(path)

    told = problems_of(path)
    assert bad.key in told
    for words in bad.words:
        assert words in told[bad.key]
        assert words in result.output
    assert f"{bad.key}: " in result.output
    assert result.exit_code == 2
    assert isinstance(result.exception, SystemExit)


def _spelt_out(tables: dict[str, Any]) -> str:
    """TOML with very long numbers in hexadecimal, the one way in which such a number can be read at all."""
    number = tables["zones"][0].get("nozzles") if _first_is_a_table(tables) else None
    if isinstance(number, int) and number.bit_length() > 1000:
        tables["zones"][0]["nozzles"] = 0
        return toml_of(tables).replace('"nozzles" = 0', f'"nozzles" = {hex(number)}', 1)
    return toml_of(tables)


def _first_is_a_table(tables: Mapping[str, Any]) -> bool:
    zones = tables.get("zones")
    return isinstance(zones, list) and bool(zones) and isinstance(zones[0], dict)


def test_most_spoiled_houses_have_the_one_problem_and_no_other(tmp_path: Path) -> None:
    """A message that belongs to another key would send the grower to the wrong place."""
    with_several = {
        "burst_longer_than_its_gap",  # such a gap is also too short for one round of the line
        "burst_as_long_as_its_gap",
        "gap_shorter_than_the_rest",
        "no_zones",
        "zones_as_one_table",
        "an_empty_list_of_zones",
        "a_zone_that_is_a_number",
    }

    for name in sorted(BAD.keys() - with_several):
        path = written(tmp_path, _spelt_out(changed(BAD[name].change)))
        assert list(problems_of(path)) == [BAD[name].key], name


def test_ten_mistakes_are_told_at_once(tmp_path: Path) -> None:
    mistakes = {
        "house.name": "Fern House",
        "place.latitude": 123,
        "line.pause_s": 0,
        "frost.below_c": 30,
        "broker.port": 70_000,
        "outputs.driver": "hope",
        "zones.0.nozzles": 0,
        "zones.0.timed.day.burst_s": -1,
        "sensors.0.topic": "#",
        "sensors.2.colour": "blue",
    }
    path = written(tmp_path, changed(*(set_to(key, value) for key, value in mistakes.items())))

    told, output = problems_of(path), check(path).output

    assert set(told) == {
        "house.name",
        "place.latitude",
        "line.pause_s",
        "frost.below_c",
        "broker.port",
        "outputs.driver",
        "zones[left].nozzles",
        "zones[left].timed.day.burst_s",
        "sensors[air].topic",
        "sensors[manifold].colour",
    }
    assert f"{path}: 10 problems" in output
    assert all(f"  {key}: " in output for key in told)


def test_a_mistake_in_one_zone_hides_none_between_the_others(tmp_path: Path) -> None:
    zones = [good_zone("left", 5), good_zone("middle", 5), good_zone("right", 5)]
    path = written(tmp_path, changed(set_to("zones", zones), set_to("zones.1.nozzles", "many")))

    told = problems_of(path)

    assert set(told) == {"zones[middle].nozzles", "zones[right].pin"}


def test_a_wrong_longitude_with_the_sign_forgotten_is_noticed(tmp_path: Path) -> None:
    good = several(
        set_to("place.latitude", 36.1),
        set_to("place.longitude", -79.95),
        set_to("place.time_zone", "America/New_York"),
    )
    load_config(written(tmp_path, changed(good)))

    told = problems_of(written(tmp_path, changed(good, set_to("place.longitude", 79.95))))

    assert list(told) == ["place.time_zone"]


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (64.15, -21.94, "Atlantic/Reykjavik"),  # in June the sun sets after midnight by the clock
        (64.84, -147.72, "America/Anchorage"),
        (1.87, -157.4, "Pacific/Kiritimati"),  # its date is the sun's plus one
        (-16.8, -179.99, "Pacific/Fiji"),
        (-16.8, 179.99, "Pacific/Fiji"),
        (39.47, 75.99, "Asia/Shanghai"),
        (23.7, -15.9, "Africa/Casablanca"),
        (51.88, -176.65, "America/Adak"),
        (-54.8, -68.3, "America/Argentina/Ushuaia"),
        (0.0, 0.0, "UTC"),
    ],
)
def test_a_place_where_the_sun_rises_and_sets_all_year_is_taken(
    latitude: float, longitude: float, zone: str, tmp_path: Path
) -> None:
    place = {"latitude": latitude, "longitude": longitude, "elevation_m": 5, "time_zone": zone}

    config = load_config(written(tmp_path, changed(set_to("place", place))))

    assert config.place.time_zone == zone


def test_the_limits_themselves_are_allowed(tmp_path: Path) -> None:
    """Each of these is exactly on the edge that the table above steps over."""
    config = loaded_house(
        tmp_path,
        set_to("zones.0.longest_burst_s", 30),
        set_to("zones.0.timed.day", {"burst_s": 30, "gap_min": 8}),
        set_to("zones.0.timed.dawn.gap_min", 1),  # as long as its shortest rest of 60 s
        set_to("zones.0.pin", 0),
        set_to("zones.1.pin", 27),
        set_to("broker.port", 65_535),
        set_to("state.run_directory", "/" + "m" * 87),
        set_to("house.title", "t" * 80),
        set_to("house.name", "n" * 31),
    )

    assert config.zones[0].timed.day.burst_s == 30.0


def test_a_wait_as_long_as_the_shortest_gap_is_allowed_and_a_longer_one_is_not(tmp_path: Path) -> None:
    """Eight zones of 6 s and a pause of 1.5 s take 60 s of the line."""
    zones = several(many_zones, set_to("zones.0.timed.day.gap_min", 1))
    just, over = changed(zones, set_to("line.pause_s", 1.5)), changed(zones, set_to("line.pause_s", 1.51))

    load_config(written(tmp_path, just))

    assert list(problems_of(written(tmp_path, over))) == ["line.valves_at_once"]


def test_more_valves_at_once_shorten_the_wait(tmp_path: Path) -> None:
    tables = changed(many_zones, set_to("zones.0.timed.day.gap_min", 1), set_to("line.valves_at_once", 2))

    assert load_config(written(tmp_path, tables)).line.valves_at_once == 2


def test_a_value_from_the_file_cannot_move_the_cursor(tmp_path: Path) -> None:
    spoiled = changed(set_to("house.name", "a\x1b[2J\nb"), set_to("zones.0.\x1b[31m\nkey", 1))

    output = check(written(tmp_path, spoiled)).output

    assert "\x1b" not in output
    assert all(line.startswith("  ") for line in output.splitlines()[1:])


def test_a_very_long_value_is_told_in_short(tmp_path: Path) -> None:
    output = check(written(tmp_path, changed(set_to("house.name", "x" * 50_000)))).output

    assert len(output) < 500
