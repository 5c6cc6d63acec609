"""A house's file that is right: what is read from it, what it becomes, how it is summed up."""

from pathlib import Path

import pytest

from mistd.app.config_file import load_config
from mistd.app.house_plan import house_plan, keeper_rules, outputs_of
from mistd.app.wiring import keeper_spec
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedPart
from tests.app.house_files import (
    EXAMPLE,
    Change,
    Tables,
    changed,
    check,
    good_house,
    good_zone,
    loaded_house,
    set_to,
    several,
    toml_of,
    written,
)

EXAMPLES = sorted(EXAMPLE.parent.glob("*.toml"))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_example_file_passes_and_is_summed_up(path: Path) -> None:
    result = check(path)

    assert result.exit_code == 0, result.output
    config = load_config(path)
    for zone in config.zones:
        assert zone.name in result.output
    assert f"{config.broker.host}:{config.broker.port}" in result.output


def test_there_is_an_example_file() -> None:
    assert EXAMPLE in EXAMPLES


def test_what_is_left_out_has_the_value_that_is_stated(tmp_path: Path) -> None:
    tables = good_house()
    for name in ("day_parts", "line", "broker", "state", "sensors"):
        del tables[name]

    config = load_config(written(tmp_path, tables))

    assert (config.line.valves_at_once, config.line.pause_s) == (1, 2.0)
    assert (config.broker.host, config.broker.port, config.broker.protocol) == ("127.0.0.1", 1883, "5")
    assert (config.zones[0].longest_burst_s, config.zones[0].shortest_rest_s) == (20.0, 60.0)
    assert (config.frost.below_c, config.frost.delay_min, config.holds.longest_min) == (2.0, 10.0, 240.0)
    assert config.sensors == ()


def test_a_file_saved_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = written(tmp_path, b"\xef\xbb\xbf" + toml_of(good_house()).encode())

    assert load_config(path).house.name == "fern-house"


def test_the_file_becomes_plans_in_seconds(tmp_path: Path) -> None:
    config = loaded_house(tmp_path, set_to("zones.0.timed.night", {"off": True}), set_to("zones.1.pin", 19))

    plan, rules, outputs = house_plan(config), keeper_rules(config), outputs_of(config)

    left = plan.zones[0]
    assert left.cycle.parts[DayPart.NIGHT] is None
    assert left.cycle.parts[DayPart.DAY] == TimedPart(burst_s=6.0, gap_s=480.0)
    assert left.shortest_burst_s == pytest.approx(0.25 / (12 * 0.6 / 60.0))  # the time its line takes to fill
    assert (plan.frost_delay_s, plan.longest_hold_s) == (600.0, 14_400.0)
    assert rules.open_at_once == 1
    assert rules.lines["left"].longest_open_s == left.longest_burst_s == 20.0
    assert outputs["pins"]["right"] == {"pin": 19, "is_active_high": True}


def test_a_house_without_a_siren_tells_its_keeper_of_none(tmp_path: Path) -> None:
    config = loaded_house(tmp_path)

    assert config.siren is None
    assert keeper_rules(config).signals == ()
    assert set(outputs_of(config)) == {"driver", "factory", "pins"}
    assert "siren" not in keeper_spec(config).to_json()
    assert "siren" not in check(tmp_path / "house.toml").output


@pytest.mark.parametrize(
    ("outputs_high", "siren", "is_high"),
    [
        (True, {"pin": 12}, True),
        (False, {"pin": 12}, False),
        (True, {"pin": 12, "active_high": False}, False),
        (False, {"pin": 12, "active_high": True}, True),
    ],
)
def test_a_siren_is_a_signal_on_a_pin_of_its_own_and_no_valve(
    tmp_path: Path, outputs_high: bool, siren: dict[str, object], is_high: bool
) -> None:
    config = loaded_house(
        tmp_path, set_to("outputs.active_high", outputs_high), set_to("siren", {**siren, "title": "Horn"})
    )

    rules, outputs = keeper_rules(config), outputs_of(config)

    assert rules.signals == ("siren",)
    assert set(rules.lines) == set(outputs["pins"]) == {"left", "right"}
    assert outputs["signal_pins"] == {"siren": {"pin": 12, "is_active_high": is_high}}
    level = "high" if is_high else "low"
    said = f"siren (Horn): pin 12, active {level}; stops by itself after 10 min"
    assert said in check(tmp_path / "house.toml").output


def test_a_siren_may_be_an_empty_table_where_outputs_are_simulated(tmp_path: Path) -> None:
    simulated = set_to("outputs.driver", "simulated")

    config = loaded_house(tmp_path, simulated, set_to("siren", {}))

    assert config.siren is not None
    assert (config.siren.longest_min, config.siren.pin, config.siren.active_high) == (10.0, None, None)
    assert keeper_rules(config).signals == ("siren",)
    assert outputs_of(config) == {"driver": "simulated", "path": "outputs.sim"}
    assert "siren: simulated: NOTHING SOUNDS; stops by itself after 10 min" in (
        check(tmp_path / "house.toml").output
    )


@pytest.mark.parametrize("longest_min", [0.5, 120])
def test_a_siren_may_sound_for_any_time_up_to_two_hours(tmp_path: Path, longest_min: float) -> None:
    config = loaded_house(tmp_path, set_to("siren", {"pin": 12, "longest_min": longest_min}))

    assert config.siren is not None
    assert config.siren.longest_min == longest_min


def test_a_keeper_of_another_siren_is_another_keeper(tmp_path: Path) -> None:
    """Its fingerprint says so; what is no business of the keeper's does not."""
    sirens = [None, {"pin": 12}, {"pin": 13}, {"pin": 12, "active_high": False}]
    houses = [loaded_house(tmp_path, *([set_to("siren", siren)] if siren else [])) for siren in sirens]
    patient = loaded_house(tmp_path, set_to("siren", {"pin": 12, "longest_min": 60, "title": "Horn"}))

    prints = [keeper_spec(config).fingerprint for config in houses]

    assert len(set(prints)) == len(sirens)
    assert keeper_spec(patient).fingerprint == prints[1]


def test_a_keeper_of_a_simulated_house_that_got_a_siren_is_another_keeper(tmp_path: Path) -> None:
    simulated = set_to("outputs.driver", "simulated")

    with_one = keeper_spec(loaded_house(tmp_path, simulated, set_to("siren", {})))
    without = keeper_spec(loaded_house(tmp_path, simulated))

    assert with_one.fingerprint != without.fingerprint


def test_a_zone_may_be_called_siren_where_there_is_none(tmp_path: Path) -> None:
    assert loaded_house(tmp_path, set_to("zones.0.name", "siren")).zones[0].name == "siren"


def test_the_summary_tells_water_as_reckoned_by_hand(tmp_path: Path) -> None:
    """One zone, the same all day: 86400 s / (600 + 6) s = 142.6 bursts of 6 s through 12 x 0.6 l/min."""
    part = {"burst_s": 6, "gap_min": 10}
    tables = changed(set_to("zones", [good_zone("only", 5)]), set_to("place.latitude", 0.1))
    tables["zones"][0]["timed"] = dict.fromkeys(("night", "dawn", "day", "dusk"), part)

    output = check(written(tmp_path, tables)).output

    water_l = 86_400 / 606 * 6 / 60 * 12 * 0.6
    assert "143" in output
    assert f"{water_l:.0f} l, {water_l / 14:.1f} mm" in output
    assert f"in all {water_l:.0f} l on this day" in output


def test_simulated_outputs_are_called_so_in_the_summary(tmp_path: Path) -> None:
    output = check(written(tmp_path, changed(set_to("outputs.driver", "simulated")))).output

    assert "NO VALVE MOVES" in output


# --- zones on demand in the summary


def on_demand(cycle: str, **demand: object) -> Change:
    return several(set_to("zones.0.cycle", cycle), *([set_to("zones.0.demand", demand)] if demand else []))


def plate(tables: Tables) -> None:
    entry = {"name": "plate", "kind": "leaf_wetness", "topic": "fern/plate", "zone": "left"}
    tables["sensors"].append({**entry, "dry_reads": 450, "wet_reads": 1100})


def sun(tables: Tables) -> None:
    tables["sensors"].append({"name": "sun", "kind": "light", "topic": "fern/sun"})


def summed_up(directory: Path, *changes: Change) -> str:
    result = check(written(directory, changed(*changes)))
    assert result.exit_code == 0, result.output
    return result.output


def test_a_house_of_timetables_says_nothing_of_demand(tmp_path: Path) -> None:
    output = summed_up(tmp_path)

    assert "demand" not in output
    assert "by the timetables" not in output
    assert "\n\n\n" not in output


def test_a_film_zone_is_told_with_percent_and_depth_and_bounds(tmp_path: Path) -> None:
    """36 % wet of 50 um is 50 x 0.36^1.5 = 10.8 um; a dry leaf is filled in 2.1 s + 50 / (8.57 x 0.7) s."""
    demand = {"night": {"mist": "sparse", "longest_gap_min": 90}, "dusk": {"mist": "off"}}

    output = summed_up(tmp_path, plate, on_demand("film", **demand))

    assert "on demand; the timetable above is what each falls back to" in output
    assert "left: film; ordinary leaves hold 50 um" in output
    assert "right: " not in output
    assert (
        "due when the film reckoned for the driest quarter is down to 36 % wet, 10.8 um on a leaf" in output
    )
    assert "bursts: as long as refills the film, 4.1 to 10.4 s" in output
    assert "gaps in min: night sparse 90, dawn 2 to 60, day 2 to 45, dusk off" in output
    assert "goes by air, damp, plate; no light is measured: it is taken to be usual" in output


def test_a_leaf_wetness_zone_is_told_with_percent_and_depth(tmp_path: Path) -> None:
    """A plate 20 % wet of 20 um has 20 x 0.2^1.5 = 1.8 um, the leaf beside it half of that."""
    demand = {"surface": "waxy", "dry_back_percent": 20}

    output = summed_up(tmp_path, plate, sun, on_demand("leaf_wetness", **demand))

    assert "left: leaf_wetness; waxy leaves hold 20 um" in output
    assert (
        "due when the driest trusted sensor reads no more than 20 % wet, 0.9 um on a leaf, or the film"
        in output
    )
    assert "goes by air, damp, sun, plate\n" in output
    assert "plate: leaf_wetness from topic fern/plate, left's own, 450 dry and 1100 wet, good" in output


def test_a_leaf_wetness_zone_without_air_says_that_no_film_is_reckoned(tmp_path: Path) -> None:
    output = summed_up(tmp_path, set_to("sensors", []), plate, on_demand("leaf_wetness"))

    assert "reads no more than 65 % wet, 13.1 um on a leaf\n" in output
    assert "goes by plate; without air_temperature and relative_humidity no film is reckoned" in output


@pytest.mark.parametrize(
    ("demand", "told"),
    [
        ({"as_every_min": 15, "at_kpa": 1.2}, "0.3 kPa.h, as every 15 min at 1.2 kPa\n"),
        ({"set_point_kpa_h": 0.5}, "0.5 kPa.h, as every 23.7 min at 1.27 kPa\n"),  # 25 C, 60 %
        ({"burst_s": 7}, "at 1.27 kPa; not set: what dries a leaf back on a usual bright day\n"),
    ],
)
def test_a_vpd_zone_is_told_with_its_set_point_in_both_forms(
    demand: dict[str, object], told: str, tmp_path: Path
) -> None:
    output = summed_up(tmp_path, on_demand("vpd", **demand))

    assert "due when the deficit adds up to " in output
    assert told in output
    assert ("bursts: 7.0 s" in output) is ("burst_s" in demand)
    assert "goes by air, damp; no light is measured: the deficit alone counts\n" in output


def test_a_vpd_zone_says_how_its_deficit_is_counted(tmp_path: Path) -> None:
    def leaf(tables: Tables) -> None:
        entry = {"name": "leaf", "kind": "leaf_temperature", "topic": "fern/leaf", "zone": "left"}
        tables["sensors"].append(entry)

    assert "the deficit weighed by light adds up" in summed_up(tmp_path, sun, on_demand("vpd"))
    assert "the deficit from leaf to air adds up" in summed_up(tmp_path, sun, leaf, on_demand("vpd"))


def test_the_water_of_a_house_on_demand_is_said_to_be_by_its_timetables(tmp_path: Path) -> None:
    timed, demand = summed_up(tmp_path), summed_up(tmp_path, on_demand("film"))

    assert "water a day, by the timetables" in demand
    assert "l on this day, by the timetables; parts are" in demand
    litres = [line.split(" l on this day")[0] for line in timed.splitlines() if " l on this day" in line]
    assert litres[0] in demand  # the same timetables take the same water


def test_the_longest_wait_counts_the_longest_bursts_on_demand(tmp_path: Path) -> None:
    """Hairy leaves are filled in 18.7 s: (18.7 + 2) + (4 + 2) s by night."""
    output = summed_up(tmp_path, on_demand("film", surface="hairy"))

    assert "falls due at once: night 27 s, dawn 28 s, day 29 s, dusk 28 s" in output
