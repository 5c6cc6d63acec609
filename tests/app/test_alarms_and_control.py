"""Nothing in alarms, masks or acknowledgements changes control: whatever people ask, the lines do the same.

The same random history is lived twice, once with people at work on its alarms; the lines do the same to the
microsecond.
"""

import asyncio
import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest

from mistd.app.config import Config
from mistd.core.alarm_kinds import ROWS, AlarmKind
from mistd.core.alarm_requests import AlarmVerb
from mistd.core.alarms import About
from mistd.ports.bus import Incoming
from mistd.ports.errors import StoreError
from simulators.rig import Rig
from tests.app.alarm_house import NAME, NOON, RAISED, lived, siren, told
from tests.app.house_files import loaded_house, set_to

BEGINS_S, LIVES_FOR_S = 1.0, 2000.0
OF_CONTROL = ("burst_", "hold_", "setting_", "frost_", "keeper_", "line_", "day_")


@dataclass(frozen=True)
class Happening:
    """Something that happens to a house at an instant, whoever looks at its alarms."""

    at_s: float
    what: str


def lose_keeper(rig: Rig) -> None:
    if rig.keeper.open_lines() or rig.house.is_keeper_ready:
        rig.keeper.die()


def ask(what: str, rig: Rig, **request: Any) -> None:
    rig.ask(what, f"{what}-{rig.clock.now_s()}", zone="left", author="Ida", **request)


WHAT: dict[str, Callable[[Rig], object]] = {
    "a burst is asked for": functools.partial(ask, "burst", for_s=4.0),
    "a hold is asked for": functools.partial(ask, "hold", for_s=300.0),
    "a trim is set": functools.partial(ask, "set", setting="trim", value={"percent": 20, "for_s": 3600.0}),
    "the keeper dies": lose_keeper,
    "a keeper begins": lambda rig: None if rig.house.is_keeper_ready else rig.keeper.begin(),
    "orders are refused": lambda rig: setattr(rig.keeper, "refuses", "a fault"),
    "orders are obeyed": lambda rig: setattr(rig.keeper, "refuses", ""),
    "the disk fails": lambda rig: setattr(rig.store, "fail_with", StoreError("full")),
    "the disk works": lambda rig: setattr(rig.store, "fail_with", None),
    "the broker goes": lambda rig: rig.bus.lose(),
    "the broker is back": lambda rig: rig.bus.find(),
    "it reads": lambda rig: rig.bus.deliver(Incoming(topic="fern/air", payload=b'{"temperature": 20}')),
}
SUBJECTS = {About.HOUSE: [NAME], About.ZONE: ["left", "right"], About.SENSOR: ["air"], About.PART: ["bus"]}
NAMES = ("", *AlarmKind, *(f"{row.kind}/{subject}" for row in ROWS for subject in SUBJECTS[row.about]))
HAPPENINGS, REQUESTS = 12, 60


def history(random: Random) -> list[Happening]:
    whats = sorted(WHAT)
    return [Happening(random.uniform(BEGINS_S, LIVES_FOR_S), random.choice(whats)) for _ in range(HAPPENINGS)]


def requests(random: Random) -> list[tuple[float, dict[str, Any]]]:
    """What people ask, now and then, of alarms that are there and of others."""
    return [(random.uniform(BEGINS_S, LIVES_FOR_S), request(random)) for _ in range(REQUESTS)]


def request(random: Random) -> dict[str, Any]:
    return {
        "alarm": random.choice(NAMES),
        "do": random.choice([verb.value for verb in AlarmVerb]),
        "note": random.choice(["", "why"]),
        "occurrence": random.choice([None, 1, 2]),
        "for_s": random.choice([None, 60.0, 3600.0]),
    }


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Config:
    place: Path = tmp_path_factory.mktemp("house")
    often = {"burst_s": 20, "gap_min": 1.5}  # a line is open for a third of the time
    return loaded_house(place, siren, set_to("zones.0.timed.day", often), set_to("zones.1.timed.day", often))


def lived_through(
    config: Config, happenings: list[Happening], asked: list[tuple[float, dict[str, Any]]]
) -> Rig:
    """A house after a history, with people at work on its alarms."""
    moments = [(each.at_s, 0, WHAT[each.what]) for each in happenings]
    moments += [
        (at_s, 1, functools.partial(Rig.ask, what="alarm", request_id=f"alarm-{number}", **request))
        for number, (at_s, request) in enumerate(asked)
    ]

    async def happen(rig: Rig) -> None:
        for at_s, _, do in sorted(moments, key=lambda moment: moment[:2]):
            await asyncio.sleep(max(at_s - rig.clock.now_s(), 0.0))
            do(rig)
        await asyncio.sleep(LIVES_FOR_S - rig.clock.now_s())

    return lived(Rig(config, NOON), happen)


def of_control(rig: Rig) -> list[tuple[str, str, str, str]]:
    return [
        (event["event"], event["at"], event["subject"], event["reason"])
        for event in rig.events()
        if event["event"].startswith(OF_CONTROL)
    ]


@pytest.mark.parametrize("seed", range(8))
def test_nothing_that_is_asked_about_alarms_changes_what_the_lines_do(seed: int, config: Config) -> None:
    happenings, asked = history(Random(seed)), requests(Random(1000 + seed))

    alone = lived_through(config, happenings, [])
    watched = lived_through(config, happenings, asked)

    assert len([name for name in watched.answers() if name.startswith("alarm-")]) == REQUESTS
    assert watched.keeper.edges == alone.keeper.edges
    assert of_control(watched) == of_control(alone)


def test_the_histories_are_worth_their_name(config: Config) -> None:
    """Alarms are raised in them, and people get what they ask for."""
    rigs = [lived_through(config, history(Random(seed)), requests(Random(1000 + seed))) for seed in range(4)]

    done = [
        answer
        for rig in rigs
        for name, answer in rig.answers().items()
        if name.startswith("alarm-")
        if answer["outcome"] == "done"
    ]
    assert len(done) > 60
    assert {alarm for rig in rigs for alarm, _ in told(rig, RAISED)} >= {"no_broker", "zone_not_misted"}
    assert sum(len(rig.keeper.edges) for rig in rigs) > 100
