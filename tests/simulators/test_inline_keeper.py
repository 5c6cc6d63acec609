"""The keeper in the loop: a siren's line beside the valves, over whole hours in virtual time."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

from simulators.inline_keeper import InlineKeeper
from simulators.rig import Rig
from tests.app.house_files import loaded_house, set_to

NOON = datetime(2025, 6, 12, 11, tzinfo=UTC)
AN_HOUR_S = 3600.0


def lived(place: Path, siren: dict[str, int] | None, *, is_on: bool = False) -> Rig:
    """An hour of a house, with its siren told once what to be."""
    no_sensors = set_to("sensors", [])  # silent ones would be alarms, and sound it
    rig = Rig(loaded_house(place, no_sensors, *([set_to("siren", siren)] if siren else [])), NOON)

    async def sound(rig: Rig) -> None:
        await asyncio.sleep(60.0)
        rig.keeper.signal("siren", is_on=is_on)
        await asyncio.sleep(AN_HOUR_S / 2.0)
        assert rig.keeper.signals == ({"siren": is_on} if siren else {})

    rig.run(AN_HOUR_S, sound)
    return rig


def test_a_siren_held_on_moves_no_edge_of_any_burst(tmp_path: Path) -> None:
    without = lived(tmp_path, None)

    sounding, silent = lived(tmp_path, {"pin": 12}, is_on=True), lived(tmp_path, {"pin": 12})

    assert len(without.keeper.edges) > 20
    assert sounding.keeper.edges == silent.keeper.edges == without.keeper.edges
    assert [event["event"] for event in sounding.events()] == [event["event"] for event in without.events()]


def test_a_house_that_has_ended_is_silent(tmp_path: Path) -> None:
    rig = lived(tmp_path, {"pin": 12}, is_on=True)

    assert rig.keeper.signals == {"siren": False}
    rig.keeper.signal("siren", is_on=True)
    assert rig.keeper.signals == {"siren": False}


def test_a_siren_is_silent_while_no_keeper_is_there_and_as_told_last_when_one_is_back(tmp_path: Path) -> None:
    rig = Rig(loaded_house(tmp_path, set_to("siren", {"pin": 12})), NOON)
    heard: list[bool] = []

    async def die(rig: Rig) -> None:
        keeper: InlineKeeper = rig.keeper
        await asyncio.sleep(1.0)
        for is_on_before, is_on_after in ((True, True), (True, False), (False, True)):
            keeper.signal("siren", is_on=is_on_before)
            keeper.die()
            heard.append(keeper.signals["siren"])
            keeper.signal("siren", is_on=is_on_after)
            heard.append(keeper.signals["siren"])
            keeper.begin()
            heard.append(keeper.signals["siren"])

    rig.run(10.0, die)

    assert heard == [False, False, True, False, False, False, False, False, True]
