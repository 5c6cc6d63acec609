"""Whatever answers at the keeper's socket, and whoever asks there for every line to be shut."""

import asyncio
import os
import signal
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager

import pytest

from mistd.core.observations import KeeperLost
from mistd.keeper.client import shut_all_lines
from mistd.keeper.wire import KeeperSpec
from tests.keeper.bench import BenchKeeper, owned, run_directory, spec_in
from tests.keeper.client_at_work import at_work, clients_of_a_test, keeper_pid, open_lines
from tests.keeper.processes import is_gone

pytestmark = pytest.mark.real_time


@pytest.fixture
def spec() -> Iterator[KeeperSpec]:
    """What a keeper of the test's own house is told; whatever was started for it ends with the test."""
    with clients_of_a_test(), run_directory() as directory:
        yield spec_in(directory)


NONSENSE = {
    "no JSON": b"hello\n",
    "an array": b"[]\n",
    "nothing told": b"{}\n",
    "a word unknown": b'{"told":"rain"}\n',
    "taken, and no more": b'{"told":"taken"}\n',
    "no, and no reason": b'{"told":"no"}\n',
    "accounts of another shape": b'{"told":"taken","since_s":1,"pid":1,"accounts":[[1]],"unproved":[]}\n',
    "a line without end": b"x" * 200_000,
    "nothing at all": b"",
}


@pytest.mark.parametrize("said", NONSENSE.values(), ids=NONSENSE)
def test_whatever_answers_at_the_socket_the_client_goes_on_trying(spec: KeeperSpec, said: bytes) -> None:
    async def meet() -> None:
        async with answering(spec.socket_path, said), at_work(spec, answer_s=0.3) as work:
            await work.until(lambda: len(work.of(KeeperLost)) >= 2, "lost at every try")
            assert not work.task.done()

    asyncio.run(meet())


@asynccontextmanager
async def answering(socket_path: str, said: bytes) -> AsyncIterator[None]:
    """Something at the keeper's socket that answers all the same to everyone, and hangs up."""

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(said)
        writer.close()

    server = await asyncio.start_unix_server(answer, socket_path)
    async with server:
        yield


def test_a_keeper_that_turns_to_nonsense_is_told_as_lost_and_asked_for_again(spec: KeeperSpec) -> None:
    taken = b'{"told":"taken","since_s":1.0,"pid":999999999,"accounts":[],"unproved":[]}\n'

    async def meet() -> None:
        async with answering(spec.socket_path, taken + b'{"told":"rain"}\n'), at_work(spec) as work:
            await work.ready(times=2)

        assert (
            "the keeper is not understood: WireError(\"nobody tells 'rain'\")"
            in work.of(KeeperLost)[0].reason
        )

    asyncio.run(meet())


def test_anyone_may_have_every_line_shut(spec: KeeperSpec) -> None:
    async def shut() -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.open("left", 1, 30.0)
            await work.report("opened", "left")

            assert await shut_all_lines(spec.socket_path, "a person asked") == ()
            assert (await work.report("shut", "left")).reason == "a person asked"

    asyncio.run(shut())


def test_a_line_that_does_not_shut_is_named_to_whoever_asked() -> None:
    async def shut(bench: BenchKeeper) -> None:
        assert await shut_all_lines(bench.spec.socket_path, "a person asked") == ("left",)

    with owned() as (bench, daemon):
        daemon.open("left", 30.0)
        daemon.hear_told("opened")
        bench.lines.will_not_shut.add("left")

        asyncio.run(shut(bench))


def test_where_no_keeper_is_nobody_can_shut(spec: KeeperSpec) -> None:
    assert asyncio.run(shut_all_lines(spec.socket_path, "a person asked")) is None


@pytest.mark.parametrize("said", NONSENSE.values(), ids=NONSENSE)
def test_one_who_answers_nonsense_has_not_shut(spec: KeeperSpec, said: bytes) -> None:
    async def shut() -> None:
        async with answering(spec.socket_path, said):
            assert await shut_all_lines(spec.socket_path, "a person asked", answer_s=0.3) is None

    asyncio.run(shut())


def test_a_stopped_keeper_has_not_shut_and_is_ended_for_the_next_to_claim_its_lines(spec: KeeperSpec) -> None:
    async def shut() -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.open("left", 1, 30.0)
            await work.report("opened", "left")
            stopped = keeper_pid(spec)
            os.kill(stopped, signal.SIGSTOP)

            assert await shut_all_lines(spec.socket_path, "a person asked", answer_s=0.3) is None

            await work.ready(times=2)
            assert is_gone(stopped)
            assert open_lines(spec) == set()

    asyncio.run(shut())
