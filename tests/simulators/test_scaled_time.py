"""The quickened clock, on the machine's own: real waits, real processes."""

import asyncio
import socket
import subprocess
import sys
import time
from collections.abc import Coroutine
from typing import Any, TypeVar

import pytest

from simulators.scaled_time import ScaledSeconds, ScaledTimeLoop

T = TypeVar("T")
SPEED = 200.0

pytestmark = pytest.mark.real_time


def run(main: Coroutine[Any, Any, T], epoch_s: float) -> T:
    with asyncio.Runner(loop_factory=lambda: ScaledTimeLoop(SPEED, epoch_s)) as runner:
        return runner.run(main)


def test_seconds_run_at_their_speed_from_the_epoch() -> None:
    epoch_s = time.monotonic() - 10.0
    seconds = ScaledSeconds(speed=60.0, epoch_s=epoch_s)

    before_s = time.monotonic()
    scaled_s = seconds()
    after_s = time.monotonic()

    assert epoch_s + 60.0 * (before_s - epoch_s) <= scaled_s <= epoch_s + 60.0 * (after_s - epoch_s)


def test_at_speed_one_the_seconds_are_the_machines_own() -> None:
    before_s = time.monotonic()
    scaled_s = ScaledSeconds(speed=1.0, epoch_s=before_s)()

    assert before_s <= scaled_s <= time.monotonic()


@pytest.mark.parametrize("speed", [0.0, -1.0, float("inf"), float("nan")])
def test_a_speed_that_cannot_be_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="must be more than 0"):
        ScaledSeconds(speed=speed, epoch_s=0.0)


def test_an_epoch_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="epoch_s"):
        ScaledSeconds(speed=1.0, epoch_s=float("nan"))


def test_a_minute_of_sleep_takes_a_minute_over_the_speed() -> None:
    async def main() -> float:
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        await asyncio.sleep(60.0)
        return loop.time() - began_s

    began_s = time.monotonic()
    scaled_s = run(main(), epoch_s=began_s)
    real_s = time.monotonic() - began_s

    assert scaled_s >= 60.0
    assert 0.3 <= real_s < 3.0


def test_a_timeout_counts_scaled_seconds() -> None:
    async def main() -> None:
        async with asyncio.timeout(20.0):
            await asyncio.sleep(100_000.0)

    began_s = time.monotonic()
    with pytest.raises(TimeoutError):
        run(main(), epoch_s=began_s)

    assert 0.1 <= time.monotonic() - began_s < 3.0


def test_a_wait_without_a_timer_is_ended_by_a_socket() -> None:
    async def main() -> bytes:
        ours, theirs = socket.socketpair()
        with theirs:
            reader, writer = await asyncio.open_connection(sock=ours)
            asyncio.get_running_loop().call_later(10.0, theirs.send, b"water")
            heard = await reader.readexactly(5)
            writer.close()
            await writer.wait_closed()
            return heard

    assert run(main(), epoch_s=time.monotonic()) == b"water"


def test_another_process_reads_the_same_seconds() -> None:
    epoch_s = time.monotonic()
    seconds = ScaledSeconds(speed=SPEED, epoch_s=epoch_s)
    program = (
        "from simulators.scaled_time import ScaledSeconds;"
        f"print(repr(ScaledSeconds(speed={SPEED!r}, epoch_s={epoch_s!r})()))"
    )

    before_s = seconds()
    child = subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True, timeout=60
    )
    after_s = seconds()

    assert before_s < float(child.stdout) < after_s


def test_the_loop_and_the_seconds_agree() -> None:
    epoch_s = time.monotonic()
    seconds = ScaledSeconds(speed=SPEED, epoch_s=epoch_s)

    async def main() -> tuple[float, float, float]:
        return seconds(), asyncio.get_running_loop().time(), seconds()

    before_s, loop_s, after_s = run(main(), epoch_s)

    assert before_s <= loop_s <= after_s
