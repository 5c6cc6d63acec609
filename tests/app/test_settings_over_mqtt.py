"""Setting, undoing, explaining and looking back by the command line, with a real daemon on a real broker."""

import json
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import Result

from mistd.app.config_file import load_config
from tests.app.commands import run
from tests.app.running_daemon import MqttHouse
from tests.safety.harness import Zone, until

pytestmark = [pytest.mark.real_time, pytest.mark.broker]

# Each is misted once at the start and then rests for longer than any test here takes. Every test has zones of
# its own, so that it does not matter what the others set.
NAMES = ("trimmed", "timed", "closed", "skipped", "held", "asked", "quiet")
ZONES = [Zone(name=name, burst_s=0.5, gap_s=1200.0) for name in NAMES]
EVERYWHERE = ("night=0.7s/15m", "dawn=0.7s/15m", "day=0.7s/15m", "dusk=0.7s/15m")


@pytest.fixture(scope="module")
def house() -> Iterator[MqttHouse]:
    with MqttHouse(ZONES, protocol="5") as running:
        running.until_all_misted()
        yield running


def command(house: MqttHouse, *words: str) -> Result:
    return run(*words, "--house", house.house.file)


def done(house: MqttHouse, *words: str) -> str:
    result = command(house, *words)
    assert (result.exit_code, result.stderr) == (0, "")
    return result.stdout


def refused(house: MqttHouse, *words: str) -> str:
    result = command(house, *words)
    assert (result.exit_code, result.stdout) == (1, "")
    return result.stderr


def number(said: str) -> str:
    """Of the revision that an answer names."""
    return said.rsplit("revision ", 1)[1].strip()


def rows(told: str) -> list[dict[str, str]]:
    """A table by its heading."""
    head, *lines = told.splitlines()
    names = head.split()
    begins = [head.index(name) for name in names] + [None]
    return [
        {name: line[begins[place] : begins[place + 1]].strip() for place, name in enumerate(names)}
        for line in lines
    ]


def test_a_trim_is_set_told_and_undone(house: MqttHouse) -> None:
    said = done(house, "set", "trimmed", "trim", "-20%", "--for", "2d", "--note", "overcast", "--as", "Ana")
    house.told("zone/trimmed", lambda told: told["trim"] is not None)
    why = done(house, "why", "trimmed")
    page = done(house, "status")
    undone = done(house, "undo", number(said), "--note", "sun is back", "--as", "Ida")
    again = refused(house, "undo", number(said))

    assert said.startswith("done: water -20 % for 48 h; revision ")
    assert f"(revision {number(said)}) [overcast], so the gap is 25 min." in why
    assert "-20 % until " in page
    assert undone.startswith(f"done: revision {number(said)} undone: no trim; revision ")
    assert again.startswith("refused: there is no revision")


def test_a_timetable_is_set_in_part_and_refused_when_it_was_changed_since(house: MqttHouse) -> None:
    first = done(house, "set", "timed", "timetable", *EVERYWHERE, "--as", "Ana")
    second = done(house, "set", "timed", "timetable", "night=off", "--expect", number(first), "--as", "Ana")
    late = refused(house, "set", "timed", "timetable", "day=off", "--expect", number(first), "--as", "Ida")
    (timetable, *others) = rows(done(house, "settings", "timed"))

    assert "night off, dawn 0.7 s / 15 min, day 0.7 s / 15 min" in second
    assert late.startswith(f"refused: it stands at revision {number(second)} by Ana, not at {number(first)}")
    assert (timetable["by"], timetable["revision"]) == ("Ana", number(second))
    assert timetable["value"].startswith("night off, dawn 0.7 s / 15 min")
    assert [other["value"] for other in others] == ["timed", *["never set"] * 4]


def test_what_would_break_a_promise_is_refused_with_every_reason(house: MqttHouse) -> None:
    told = refused(house, "set", "quiet", "timetable", "day=25s/8m", "night=0.5s/2s", "--as", "Ana")

    assert told.startswith("refused: ")
    assert "day" in told
    assert "night" in told
    assert rows(done(house, "settings", "quiet"))[0]["revision"] == "0"


def test_passing_settings_are_told_by_why_and_status(house: MqttHouse) -> None:
    done(house, "set", "closed", "closed", "--for", "12h", "--note", "sprayed", "--as", "Ida")
    done(house, "set", "skipped", "skip", "--as", "Ana")
    done(house, "set", "held", "hold", "--for", "45m", "--note", "potting", "--as", "Ida")
    house.told("zone/held", lambda told: told["doing"] == "held")
    entry = refused(house, "set", "closed", "hold", "--for", "45m")

    page = done(house, "status").splitlines()
    closed, skipped, held = (done(house, "why", zone) for zone in ("closed", "skipped", "held"))

    assert "closed it (sprayed)" in entry
    assert "closed until " in next(line for line in page if line.startswith("closed"))
    assert "next one skipped" in next(line for line in page if line.startswith("skipped"))
    assert "[sprayed]: nobody may enter, mist goes on." in closed
    assert "Its next burst is left out for Ana (revision" in skipped
    assert "It does not mist now: Ida holds it dry until" in held
    assert "held dry by Ida: potting (for 45 min)" in held  # from the journal


def test_a_burst_and_a_refusal_are_in_the_journal_with_their_reasons(house: MqttHouse) -> None:
    done(house, "burst", "asked", "--for", "0.6s", "--as", "Ida")
    house.until_shut("asked")
    house.until_rested("asked")
    too_long = refused(house, "burst", "asked", "--for", "21s", "--as", "Ana")

    def told() -> list[dict[str, object]]:
        """What happens by itself is noted every few seconds; a promise brings all of it at once."""
        done(house, "set", "asked", "skip", "--as", "Ida")
        return [json.loads(line) for line in done(house, "journal", "--zone", "asked", "--json").splitlines()]

    until(lambda: any(line["kind"] == "burst_refused" for line in told()), "a refusal in the journal")
    lines = told()
    (burst,) = [line for line in lines if "asked for by Ida" in str(line["figures"])]
    (refusal,) = [line for line in lines if line["kind"] == "burst_refused"]
    assert too_long == f"refused: {refusal['reason']}\n"
    assert burst["kind"] == "burst_ended"
    assert (
        done(house, "journal", "--zone", "asked", "--kind", "burst_refused")
        .splitlines()[1]
        .endswith("refused Ana a burst: 21 s is too long, longest burst 20 s")
    )


def test_the_history_is_the_same_from_the_broker_as_from_the_database(house: MqttHouse) -> None:
    done(house, "set", "quiet", "closed", "--for", "1h", "--as", "Ida")
    done(house, "set", "quiet", "closed", "none", "--as", "Ana")
    here = command(house, "settings", "quiet", "--history")
    away = house.house.directory / "away.toml"
    away.write_text(house.house.file.read_text().replace(str(house.house.state_directory), "/nowhere"))

    elsewhere = run("settings", "quiet", "--history", "--house", away)

    assert here.stderr == "every change, from the database on this machine\n"
    assert elsewhere.stderr.startswith("the newest changes, at most 20, from the broker (/nowhere/state.db")
    assert [row["value"] for row in rows(here.stdout)] == ["closed for 1 h, mist goes on", "open to people"]
    assert here.stdout == elsewhere.stdout


def test_the_export_is_a_house_file_and_says_where_it_is_from() -> None:
    """Asked of the daemon, then without it of the database: the same timetables, and `check` takes them."""
    with MqttHouse(ZONES[:2], protocol="3.1.1") as house:
        house.until_all_misted()
        done(house, "set", "timed", "timetable", *EVERYWHERE, "--as", "Ana")
        running = house.house.directory / "running.toml"
        first = command(house, "export", "--output", str(running))
        house.daemon.send(signal.SIGTERM)
        house.daemon.ended()
        second = command(house, "export")
        stopped = Path(house.house.directory / "stopped.toml")
        stopped.write_text(second.stdout)
        offline = command(house, "settings", "timed")

        assert first.stderr == "as in force by the running daemon\n"
        assert second.stderr == "as in force by the database (no daemon answers)\n"
        assert run("check", running).exit_code == 0
        assert load_config(running).zones == load_config(stopped).zones
        assert load_config(running).zones[1].timed.day.gap_min == 15.0
        assert load_config(running).zones[0] == load_config(house.house.file).zones[0]
        assert (offline.exit_code, offline.stderr) == (3, "the daemon is offline: this is from before\n")
        assert rows(offline.stdout)[0]["by"] == "Ana"
