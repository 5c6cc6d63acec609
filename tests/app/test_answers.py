"""When an answer is sent: a promise once it is kept, the others soon; what a bad disk changes in that."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from mistd.app.config import Config
from mistd.app.outlets import ANSWER_ANYWAY_S, PROMISE_WITHIN_S
from mistd.ports.errors import StoreError
from simulators.rig import Rig
from tests.app.house_files import loaded_house
from tests.app.lives import Deeds, HangingStore, Lives, answer_bytes, answered, changes_told, settings_told

ASKED_AT_S = 180.0  # every zone has been misted and has rested
HOLD: dict[str, Any] = {"setting": "hold", "value": {"for_s": 3600.0}}
TOO_LONG: dict[str, Any] = {"setting": "hold", "value": {"for_s": 80_000.0}}
TRIM: dict[str, Any] = {"setting": "trim", "value": {"percent": 25.0, "for_s": 3600.0}}


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return loaded_house(tmp_path)


@pytest.fixture
def lives(config: Config) -> Lives:
    return Lives(config)


class Person:
    """Asks for one thing, and looks when the answer comes."""

    def __init__(self, what: str, then: Deeds | None = None, **request: Any) -> None:
        self.what, self.request, self.then = what, request, then
        self.waited_s = 0.0
        self.answer: dict[str, Any] = {}

    async def __call__(self, rig: Rig) -> None:
        await asyncio.sleep(ASKED_AT_S)
        await self.spoil(rig)
        rig.ask(self.what, "asked", zone="left", author="Ida", **self.request)
        self.answer = await answered(rig, "asked")
        self.waited_s = rig.clock.now_s() - ASKED_AT_S
        if self.then:
            await self.then(rig)

    async def spoil(self, rig: Rig) -> None:
        """What is the matter with the disk."""


class WithAHangingDisk(Person):
    async def spoil(self, rig: Rig) -> None:
        assert isinstance(rig.store, HangingStore)
        rig.store.goes_on.clear()


class WithAFullDisk(Person):
    async def spoil(self, rig: Rig) -> None:
        rig.store.fail_with = StoreError("the disk is full")


class WithAFault(Person):
    async def spoil(self, rig: Rig) -> None:
        assert isinstance(rig.store, HangingStore)
        rig.store.fault = ZeroDivisionError("as ordered")


def lived(lives: Lives, person: Person, **how: Any) -> Rig:
    return lives.live(person, for_s=400.0, store=HangingStore(lives.disk), **how)


async def mend(rig: Rig) -> None:
    """The disk is well again, and what waits is written."""
    assert isinstance(rig.store, HangingStore)
    rig.store.fail_with = rig.store.fault = None
    rig.store.goes_on.set()
    await asyncio.sleep(30.0)


# --- promises


def test_a_promise_is_answered_at_once_when_the_disk_is_well(lives: Lives) -> None:
    person = Person("set", **HOLD)

    lived(lives, person)

    assert person.answer["outcome"] == "done"
    assert person.waited_s <= 0.25


@pytest.mark.parametrize("kind", [WithAFullDisk, WithAFault])
def test_a_promise_that_cannot_be_kept_is_in_force_and_told_so_at_once(
    kind: type[Person], lives: Lives
) -> None:
    person = kind("set", **HOLD)

    rig = lived(lives, person)

    assert person.answer["outcome"] == "not_kept"
    assert "a restart would forget it" in person.answer["reason"]
    assert person.waited_s <= 0.25
    assert rig.house.zones[0].hold is not None


def test_a_promise_waits_for_a_slow_disk_and_is_not_given_before(lives: Lives) -> None:
    waits_s = PROMISE_WITHIN_S - 1.0

    class WithASlowDisk(WithAHangingDisk):
        async def spoil(self, rig: Rig) -> None:
            await super().spoil(rig)
            assert isinstance(rig.store, HangingStore)
            asyncio.get_running_loop().call_later(waits_s, rig.store.goes_on.set)

    person = WithASlowDisk("set", **HOLD)

    lived(lives, person)

    assert person.answer["outcome"] == "done"
    assert waits_s <= person.waited_s <= waits_s + 0.25


def test_nobody_is_told_of_a_change_while_the_disk_hangs(lives: Lives) -> None:
    """A kill now would give its number to another change."""
    told: list[list[dict[str, Any]]] = []

    async def look_then_mend(rig: Rig) -> None:
        told.append(changes_told(rig))
        await mend(rig)
        told.append(changes_told(rig))

    rig = lived(lives, WithAHangingDisk("set", then=look_then_mend, **TRIM))

    assert [len(changes) for changes in told] == [0, 1]
    of_left = [each for each in rig.bus.published if each.topic == rig.topics.settings("left")]
    assert len(of_left) == 2


def test_nobody_waits_for_a_promise_for_ever(lives: Lives) -> None:
    person = WithAHangingDisk("set", **HOLD)

    rig = lived(lives, person)

    assert person.answer["outcome"] == "not_kept"
    assert PROMISE_WITHIN_S <= person.waited_s <= PROMISE_WITHIN_S + 0.25
    assert rig.house.zones[0].hold is not None


@pytest.mark.parametrize("kind", [WithAFullDisk, WithAFault, WithAHangingDisk])
def test_who_was_told_not_kept_is_told_the_same_after_a_restart_though_it_was_kept_later(
    kind: type[Person], lives: Lives
) -> None:
    first = lived(lives, kind("set", then=mend, **HOLD), is_killed=True)

    second = lived(lives, Person("set", **HOLD))

    sent = answer_bytes(first, "asked")
    assert json.loads(sent[0])["outcome"] == "not_kept"
    assert answer_bytes(second, "asked") == sent
    assert second.house.zones[0].hold is not None
    assert len(lives.disk.revisions) == 1


@pytest.mark.parametrize("kind", [WithAFullDisk, WithAFault, WithAHangingDisk])
def test_a_change_that_is_kept_later_is_told_to_everyone_then(kind: type[Person], lives: Lives) -> None:
    rig = lived(lives, kind("set", then=mend, **TRIM))

    assert settings_told(rig)["trim"]["revision"] == 1
    assert [change["revision"] for change in changes_told(rig)] == [1]


# --- answers that promise nothing


def test_what_is_refused_is_answered_at_once_when_the_disk_is_well(lives: Lives) -> None:
    person = Person("set", **TOO_LONG)

    lived(lives, person)

    assert person.answer["outcome"] == "refused"
    assert person.waited_s <= 0.25


@pytest.mark.parametrize("kind", [WithAFullDisk, WithAFault])
def test_what_promises_nothing_is_answered_at_once_by_a_failing_disk(
    kind: type[Person], lives: Lives
) -> None:
    person = kind("set", **TOO_LONG)

    lived(lives, person)

    assert person.answer["outcome"] == "refused"
    assert person.waited_s <= 0.25


@pytest.mark.parametrize(
    ("what", "request_", "outcome"), [("set", TOO_LONG, "refused"), ("burst", {"for_s": 3.0}, "done")]
)
def test_what_promises_nothing_waits_two_seconds_for_a_hanging_disk(
    what: str, request_: dict[str, Any], outcome: str, lives: Lives
) -> None:
    person = WithAHangingDisk(what, **request_)

    lived(lives, person)

    assert person.answer["outcome"] == outcome
    assert ANSWER_ANYWAY_S <= person.waited_s <= ANSWER_ANYWAY_S + 0.25


def test_a_burst_is_given_while_the_disk_hangs(lives: Lives) -> None:
    rig = lived(lives, WithAHangingDisk("burst", for_s=3.0))

    lengths = [event["figures"]["for_s"] for event in rig.events("burst_started")]
    assert 3.0 in lengths


# --- an end while the disk hangs


def test_a_house_can_be_stopped_while_its_disk_hangs(lives: Lives) -> None:
    """Its valves are shut, it says so, and it does not wait for the disk for longer than it says."""
    rig = lived(lives, WithAHangingDisk("set", **HOLD))

    assert [event["reason"] for event in rig.events("daemon_stopped")] == [
        "the run is over; every valve is shut"
    ]
    assert rig.keeper.open_lines() == ()
