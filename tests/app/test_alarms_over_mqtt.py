"""Alarms with a real daemon on a real broker and disk: listed, acknowledged, shelved by the command line."""

import json
import signal
from collections.abc import Iterator

import pytest
from click.testing import Result

from mistd.app.cli import NOBODY
from mistd.app.messages import AlarmsTold, AlarmTold
from tests.app.commands import run
from tests.app.running_daemon import NAME, ROOT, MqttHouse
from tests.safety.harness import Zone, until

pytestmark = [pytest.mark.real_time, pytest.mark.broker]

# Each is misted once at the start and then rests for longer than any test here takes.
ZONES = [Zone(name=name, burst_s=0.5, gap_s=1200.0) for name in ("left", "right")]
RESTARTED = f"keeper_restarted/{NAME}"


@pytest.fixture
def house() -> Iterator[MqttHouse]:
    with MqttHouse(ZONES, protocol="5") as running:
        running.until_all_misted()
        yield running


def command(house: MqttHouse, *words: str) -> Result:
    return run(*words, "--house", house.house.file)


def done(house: MqttHouse, *words: str) -> str:
    result = command(house, *words)
    assert result.exit_code == 0, result.output
    return result.stdout


def refused(house: MqttHouse, *words: str) -> str:
    result = command(house, *words)
    assert (result.exit_code, result.stdout) == (1, "")
    return result.stderr.splitlines()[-1]


def raise_an_alarm(house: MqttHouse) -> None:
    """Kill the keeper; another takes its place at once."""
    alarms = len(house.daemon.logged("alarm raised"))
    house.house.kill_keeper(signal.SIGKILL)
    house.daemon.wait_for("alarm raised", times=alarms + 1)


def test_an_alarm_is_listed_acknowledged_and_reset_and_its_topic_is_emptied(house: MqttHouse) -> None:
    before = done(house, "alarms")
    raise_an_alarm(house)
    page = done(house, "alarms").splitlines()
    told = house.told(f"alarm/{RESTARTED}")
    status = done(house, "status")
    raise_an_alarm(house)
    old = refused(house, "alarm", "acknowledge", RESTARTED, "--occurrence", "1")
    early = refused(house, "alarm", "reset", RESTARTED)
    acknowledged = done(house, "alarm", "acknowledge", "keeper_restarted", "--as", "Ida")
    seen = done(house, "alarms")
    in_sum = house.told("alarms")
    reset = done(house, "alarm", "reset", RESTARTED, "--as", "Ida")
    after = done(house, "alarms")

    assert before == after == "no alarms\n"
    assert page[0] == (
        f"LOW  {RESTARTED}  The keeper of the lines was restarted: over, not acknowledged; then to be reset"
    )
    assert "occurrence 1: the one before it ended; another holds the lines after" in page[1]
    assert page[4].startswith("    answer within 8 h: by ")
    AlarmTold.model_validate_json(json.dumps(told))
    AlarmsTold.model_validate_json(json.dumps(in_sum))
    assert (in_sum["low"], in_sum["unacknowledged"], in_sum["is_sounding"]) == (1, 0, False)
    assert "! 1 alarm, 1 not acknowledged, sounding: The keeper of the lines was restarted" in status
    assert old.startswith("refused: it was raised again since occurrence 1; look at it")
    assert early == "refused: acknowledge it first, then reset it"
    assert acknowledged.startswith("done: acknowledged; its cause is gone")
    assert "acknowledged by Ida at " in seen
    assert reset == "done: reset and cleared\n"
    until(lambda: house.kept_by_broker(f"{ROOT}/alarm/#") == "", "the alarm's topic emptied")


def test_what_was_acknowledged_and_shelved_still_is_after_a_kill(house: MqttHouse) -> None:
    raise_an_alarm(house)
    done(house, "alarm", "acknowledge", RESTARTED, "--as", "Ida")
    done(house, "alarm", "shelve", "line_trouble/left", "--for", "2h", "--as", "Ana", "--note", "new valve")
    house.daemon.send(signal.SIGKILL)
    house.daemon.ended()

    house.daemon = house.house.start()
    house.daemon.wait_for("broker connected")
    page = done(house, "alarms")
    journal = done(house, "journal", "--kind", "alarm_*", "--json")
    done(house, "alarm", "unshelve", "line_trouble/left")
    house.daemon.send(signal.SIGTERM)
    house.daemon.ended()
    offline = command(house, "alarms", "--json")

    assert "over, acknowledged, to be reset" in page
    assert "acknowledged by Ida at " in page
    assert "put aside:\n    HIGH  line_trouble/left  Valve not proved shut: at rest\n" in page
    assert ", by Ana: new valve\n" in page
    assert not house.daemon.logged("alarm raised")
    assert [json.loads(line)["kind"] for line in journal.splitlines()] == [
        "alarm_raised",
        "alarm_returned",
        "alarm_acknowledged",
        "alarm_shelved",
    ]
    assert offline.exit_code == NOBODY
    assert [json.loads(line)["alarm"] for line in offline.stdout.splitlines()] == [RESTARTED]
    assert "offline" in offline.stderr
