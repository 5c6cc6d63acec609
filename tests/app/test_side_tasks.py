"""What runs beside the control of a house: it may fail, and then it is told and begun again."""

import asyncio
from datetime import timedelta
from pathlib import Path

import pytest

from mistd.app.daemon import BELIEVED_AFTER_S, TRY_AGAIN_S
from mistd.ports.store import Keeping
from simulators.memory_store import MemoryStore
from simulators.rig import Rig
from tests.app.house_files import loaded_house
from tests.app.lives import NOON, Lives


class StoreThatCannotPrune(MemoryStore):
    async def prune(self, keeping: Keeping, today: str | None) -> None:
        raise ZeroDivisionError(f"as ordered, on {today} with {keeping}")


@pytest.fixture
def lives(tmp_path: Path) -> Lives:
    return Lives(loaded_house(tmp_path))


def test_a_side_task_whose_own_wait_is_cancelled_is_told_and_begun_again(lives: Lives) -> None:
    begun: list[float] = []

    async def cancelled_once(rig: Rig) -> None:
        async def failing() -> None:
            begun.append(rig.clock.now_s())
            if len(begun) == 1:
                wait: asyncio.Future[None] = asyncio.get_running_loop().create_future()
                asyncio.get_running_loop().call_later(5.0, wait.cancel)
                await wait
            await asyncio.sleep(1e6)

        side = asyncio.create_task(rig.daemon._again_and_again("part", failing))
        await asyncio.sleep(60.0)
        side.cancel()
        with pytest.raises(asyncio.CancelledError):
            await side

    rig = lives.live(cancelled_once, for_s=100.0)

    assert begun[1] - begun[0] == pytest.approx(5.0 + TRY_AGAIN_S)
    assert [told["subject"] for told in rig.events("task_failed")] == ["part"]


def test_a_fault_in_the_nightly_duties_is_told(lives: Lives) -> None:
    async def at_night(rig: Rig) -> None:
        await rig.daemon.nightly()

    rig = lives.live(at_night, for_s=60.0, store=StoreThatCannotPrune(disk=lives.disk))

    (told,) = rig.events("backup_failed")
    assert "ZeroDivisionError('as ordered" in told["reason"]


class StoreThatRemembersThePruning(MemoryStore):
    prunings: list[str | None]

    async def prune(self, keeping: Keeping, today: str | None) -> None:
        assert keeping == Keeping()
        self.prunings.append(today)


def prunings(lives: Lives, steps: dict[float, timedelta], looks_s: tuple[float, ...]) -> list[str | None]:
    """By which date things were let go of at these instants, after the clock was stepped at those."""
    store = StoreThatRemembersThePruning(disk=lives.disk)
    store.prunings = []

    async def nights(rig: Rig) -> None:
        loop = asyncio.get_running_loop()
        began_s = rig.clock.now_s()
        for at_s, by in steps.items():
            loop.call_at(began_s + at_s, step, rig, by)
        for look_s in looks_s:
            await asyncio.sleep(began_s + look_s - rig.clock.now_s())
            await rig.daemon.nightly()

    lives.live(nights, for_s=max(looks_s) + 60.0, store=store)
    return store.prunings


def step(rig: Rig, by: timedelta) -> None:
    rig.clock.stepped_by += by
    rig.daemon.control.wake()


def test_nothing_is_let_go_of_by_its_age_before_the_clock_was_left_alone_for_a_day(lives: Lives) -> None:
    """By a clock ten years ahead the whole journal would be too old, and gone before it is set right."""
    steps = {3600.0: timedelta(days=3650), 7200.0: timedelta(days=-3650)}

    at_once, in_doubt, day_later = prunings(lives, steps, (60.0, 5000.0, 7200.0 + BELIEVED_AFTER_S + 1.0))

    assert (at_once, in_doubt) == (None, None)
    assert day_later == (NOON + timedelta(seconds=7200.0 + BELIEVED_AFTER_S)).date().isoformat()
