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
    changed,
    check,
    good_house,
    good_zone,
    loaded_house,
    set_to,
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
