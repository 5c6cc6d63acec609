"""What runs beside the control of a house: it may fail, and then it is told and begun again."""

import asyncio
from pathlib import Path

import pytest

from mistd.app.daemon import TRY_AGAIN_S
from mistd.ports.store import Keeping
from simulators.memory_store import MemoryStore
from simulators.rig import Rig
from tests.app.house_files import loaded_house
from tests.app.lives import Lives


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
