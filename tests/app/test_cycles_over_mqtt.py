"""A zone's cycle changed over a real broker: told, refused, undone, exported, and all of it after kill -9."""

import json
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from mistd.app.config_file import load_config
from mistd.app.cycle_forms import cycle_in_file
from mistd.core.demand_cycles import CycleKind
from tests.app.commands import run
from tests.app.running_daemon import ANSWER, MqttHouse, Told, is_answer_to
from tests.mosquitto_clients import Subscriber
from tests.safety.harness import Zone

pytestmark = [pytest.mark.real_time, pytest.mark.broker]

# The first is timed in the file, the last on film; both have all day until they are due by their timetables.
ZONES = [Zone(name=name, burst_s=3.0, gap_s=1200.0) for name in ("timed", "leafy")]
ON_FILM = """
cycle = "film"
demand.dry_back_percent = 42.5
demand.day = { shortest_gap_min = 3, longest_gap_min = 45 }

[[sensors]]
name = "air"
kind = "air_temperature"
topic = "elm/air"

[[sensors]]
name = "damp"
kind = "relative_humidity"
topic = "elm/damp"
"""
OF_THE_FILE: Told = {
    "cycle": "film",
    "dry_back_percent": 42.5,
    "day": {"shortest_gap_min": 3, "longest_gap_min": 45},
}
BY_VPD: Told = {"cycle": "vpd", "as_every_min": 12.7, "at_kpa": 1.31, "night": {"mist": "sparse"}}


@pytest.fixture
def house(request: pytest.FixtureRequest) -> Iterator[MqttHouse]:
    with MqttHouse(ZONES, protocol=request.param, more=ON_FILM) as running:
        running.told("house", lambda told: told["keeper_ready"])
        yield running


over_both = pytest.mark.parametrize("house", ["5", "3.1.1"], indirect=True)


def cycle_told(house: MqttHouse, zone: str, revision: int) -> Told:
    """The cycle as it is retained, once it stands at this revision."""

    def cycle_in(told: Told) -> Told:
        return next(each for each in told["settings"] if each["setting"] == "cycle")

    told = house.told(f"settings/{zone}", lambda told: cycle_in(told)["revision"] == revision)
    return cycle_in(told)


def asked(house: MqttHouse, zone: str, value: Any, **more: Any) -> Told:
    return house.answer_to("set", house.message(zone, setting="cycle", value=value, **more))


@over_both
def test_a_cycle_is_set_told_word_for_word_and_in_force_after_kill_9(house: MqttHouse) -> None:
    before = cycle_told(house, "leafy", 0)
    done = asked(house, "leafy", BY_VPD, author="Ana", note="cloudy")
    told = cycle_told(house, "leafy", 1)

    house.daemon.send(signal.SIGKILL)
    house.daemon.ended()
    house.daemon = house.house.start()
    house.told("status", lambda told: told["state"] == "online")
    house.told("house", lambda told: told["keeper_ready"])
    again = cycle_told(house, "leafy", 1)
    undone = run("undo", "1", "--house", house.house.file)

    assert (before["value"], before["by"]) == (OF_THE_FILE, "the house's file")
    assert done["reason"] == "cycle vpd: as every 12.7 min at 1.31 kPa, night sparse; revision 1"
    assert (told["value"], told["by"], told["note"], told["until"]) == (BY_VPD, "Ana", "cloudy", None)
    assert again == told
    assert undone.output == "done: revision 1 undone: cycle as in the house's file; revision 2\n"
    assert cycle_told(house, "leafy", 2)["value"] == OF_THE_FILE


@over_both
def test_what_is_no_cycle_or_has_no_sensor_is_refused_with_what_is_allowed(house: MqttHouse) -> None:
    refusals = {
        "fog": "value.cycle: 'fog': allowed: 'timed', 'vpd', 'leaf_wetness', 'film'",
        "zero": "value.dry_back_percent: 0: allowed 5 to 90 %",
        "null": "burst_s is null: leave it out, or say how much",
        "sensor": "leaf_wetness needs a leaf_wetness sensor with zone = 'leafy'",
        "burst": "burst_s: 21 s; allowed up to this zone's longest_burst_s of 20 s",
        "gap": "day longest_gap_min: 2 min; allowed above this zone's shortest gap of 2 min",
    }
    wrong: dict[str, Told] = {
        "fog": {"cycle": "fog"},
        "zero": {"cycle": "film", "dry_back_percent": 0},
        "null": {"cycle": "film", "burst_s": None},
        "sensor": {"cycle": "leaf_wetness"},
        "burst": {"cycle": "film", "burst_s": 21},
        "gap": {"cycle": "film", "day": {"longest_gap_min": 2}},
    }

    answers = {name: asked(house, "leafy", value) for name, value in wrong.items()}
    not_a_number = house.message("leafy", setting="cycle", value={"cycle": "film", "dry_back_percent": 0})
    nan = json.dumps(not_a_number).replace('"dry_back_percent": 0', '"dry_back_percent": NaN')
    with Subscriber(house.broker.port, ANSWER, protocol=house.protocol) as subscriber:
        house.ask("set", nan)
        unfit = json.loads(subscriber.wait_for(is_answer_to(not_a_number)).payload)

    assert {answer["outcome"] for answer in (unfit, *answers.values())} == {"refused"}
    assert unfit["reason"] == "value.dry_back_percent: nan: allowed 5 to 90 %"
    for name, reason in refusals.items():
        assert reason in answers[name]["reason"]
    assert cycle_told(house, "leafy", 0)["value"] == OF_THE_FILE


@pytest.mark.parametrize("house", ["5"], indirect=True)
def test_a_cycle_from_the_command_line_is_listed_and_exported_as_a_house_file(
    house: MqttHouse, tmp_path: Path
) -> None:
    words = ("--dry-back", "37.5%", "--surface", "hairy", "--night", "sparse..1h", "--as", "Ana")
    done = run("set", "leafy", "cycle", "film", *words, "--house", house.house.file)
    cycle_told(house, "leafy", 1)
    listed = run("settings", "--house", house.house.file)
    exported = tmp_path / "exported.toml"

    said = run("export", "--output", str(exported), "--house", house.house.file)

    assert done.output.startswith(
        "done: cycle film: hairy leaves, dry-back 37.5 %, night sparse up to 60 min"
    )
    assert said.exit_code == 0, said.output
    (row,) = [line for line in listed.stdout.splitlines() if " cycle " in line]
    assert "Ana" in row
    assert "film: hairy leaves, dry-back 37.5 %" in row
    timed, leafy = load_config(exported).zones
    assert timed == load_config(house.house.file).zones[0]
    assert cycle_in_file(leafy) == {
        "cycle": "film",
        "dry_back_percent": 37.5,
        "surface": "hairy",
        "night": {"mist": "sparse", "longest_gap_min": 60.0},
    }
    assert "# leafy: cycle set by Ana" in exported.read_text()


@pytest.mark.parametrize("house", ["5"], indirect=True)
def test_a_zone_is_set_to_its_timetable_and_exported_so_by_the_database_alone(
    house: MqttHouse, tmp_path: Path
) -> None:
    run("set", "leafy", "cycle", "timed", "--house", house.house.file)
    cycle_told(house, "leafy", 1)
    house.daemon.send(signal.SIGTERM)
    house.daemon.ended()

    said = run("export", "--house", house.house.file)

    exported = tmp_path / "exported.toml"
    exported.write_text(said.stdout)
    assert 'cycle = "timed"' in said.stdout
    assert "demand.dry_back_percent = 42.5" in said.stdout
    assert load_config(exported).zones[1].cycle is CycleKind.TIMED
