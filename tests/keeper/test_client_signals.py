"""The daemon's end of a siren's line: what it was told last is what every keeper hears, whatever happens."""

import asyncio
import os
import signal
from collections.abc import Iterator
from typing import Any

import pytest

from mistd.core.observations import KeeperLost, LineTrouble
from mistd.keeper.client import KeeperClient
from mistd.keeper.wire import KeeperSpec
from mistd.ports.keeper import SignalTrouble
from tests.keeper.bench import BenchKeeper, run_directory, spec_in, until
from tests.keeper.client_at_work import ClientAtWork, at_work, clients_of_a_test, keeper_pid, open_lines

pytestmark = pytest.mark.real_time
SIREN = "siren"
NO_PROGRAM = ("/nonexistent/keeper",)


@pytest.fixture
def spec() -> Iterator[KeeperSpec]:
    """What a keeper of a house with a siren is told; whatever was started for it ends with the test."""
    with clients_of_a_test(), run_directory() as directory:
        yield spec_in(directory, signals=(SIREN,))


@pytest.fixture
def bench() -> Iterator[BenchKeeper]:
    """A keeper of the same in this process, on lines that can be made to fail."""
    with (
        clients_of_a_test(),
        run_directory() as directory,
        BenchKeeper(spec_in(directory, signals=(SIREN,))) as bench,
    ):
        yield bench


async def is_heard(work: ClientAtWork) -> None:
    """Wait until the keeper has obeyed everything that was sent before: a burst is obeyed in its turn."""
    times = len(work.told)
    work.client.open("right", 99, 0.01)
    await work.until(lambda: len(work.told) >= times + 2, "a burst opened and shut")


def test_a_siren_sounds_in_the_real_keeper_and_is_quiet_again(spec: KeeperSpec) -> None:
    async def sound() -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.signal(SIREN, is_on=True)
            await is_heard(work)
            assert open_lines(spec) == {SIREN}

            work.client.signal(SIREN, is_on=False)
            await is_heard(work)

            assert open_lines(spec) == set()
            assert work.troubles == []

    asyncio.run(sound())


def test_what_was_said_before_there_is_a_keeper_is_told_to_the_first(spec: KeeperSpec) -> None:
    async def sound() -> None:
        async with at_work(spec) as work:
            work.client.signal(SIREN, is_on=True)
            await work.ready()
            await is_heard(work)

            assert open_lines(spec) == {SIREN}

    asyncio.run(sound())


def test_a_keeper_that_takes_the_place_of_a_killed_one_is_told_what_the_siren_is_to_be(
    spec: KeeperSpec,
) -> None:
    async def kill() -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.signal(SIREN, is_on=True)
            await is_heard(work)

            os.kill(keeper_pid(spec), signal.SIGKILL)
            await work.ready(times=2)
            await is_heard(work)

            assert open_lines(spec) == {SIREN}

    asyncio.run(kill())


def test_the_siren_outlasts_a_daemon_and_is_what_the_next_one_says(spec: KeeperSpec) -> None:
    async def succeed() -> None:
        async with at_work(spec) as first:
            await first.ready()
            first.client.signal(SIREN, is_on=True)
            first.client.open("left", 1, 30.0)
            await first.report("opened", "left")
        until(lambda: open_lines(spec) == {SIREN}, "the valve shut and the siren sounding")

        async with at_work(spec) as second:
            second.client.signal(SIREN, is_on=True)
            await second.ready()
            await is_heard(second)
            assert open_lines(spec) == {SIREN}

        async with at_work(spec) as third:
            await third.ready()
            await is_heard(third)
            assert open_lines(spec) == set(), "a daemon that has not said it should sound has it off"

    asyncio.run(succeed())


def test_a_retired_keeper_has_the_siren_off_and_no_later_word_sounds_it(spec: KeeperSpec) -> None:
    async def retire() -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.signal(SIREN, is_on=True)
            await is_heard(work)

            assert await work.client.retire("stopped by hand")
            work.client.signal(SIREN, is_on=False)
            work.client.signal(SIREN, is_on=True)

            assert open_lines(spec) == set()
            await asyncio.wait_for(work.task, 5.0)

    asyncio.run(retire())


def test_the_same_said_again_is_not_sent_and_a_line_of_no_house_is_passed_over(bench: BenchKeeper) -> None:
    async def say() -> None:
        async with at_work(bench.spec, NO_PROGRAM) as work:
            await work.ready()
            for _ in range(3):
                work.client.signal(SIREN, is_on=False)
                work.client.signal("horn", is_on=True)
                work.client.signal("left", is_on=True)
            for _ in range(3):
                work.client.signal(SIREN, is_on=True)
            await is_heard(work)

            assert [(line, is_on) for _, line, is_on in bench.signals.driven] == [
                (SIREN, False),  # to whoever it takes over from
                (SIREN, True),
            ]
            assert {line for _, line, _ in bench.lines.driven} == {"right"}
            assert work.troubles == []

    asyncio.run(say())


def test_trouble_with_the_siren_is_no_news_for_the_core(bench: BenchKeeper) -> None:
    async def fail() -> None:
        bench.signals.will_not_open.add(SIREN)
        async with at_work(bench.spec, NO_PROGRAM) as work:
            await work.ready()
            work.client.signal(SIREN, is_on=True)
            await work.until(lambda: bool(work.troubles), "told")
            await is_heard(work)

            reason = "it does not switch on: siren does not answer"
            assert work.troubles == [SignalTrouble(line=SIREN, reason=reason)]
            assert work.of(LineTrouble) == []
            assert work.of(KeeperLost) == []

    asyncio.run(fail())


def test_trouble_from_before_is_told_to_the_daemon_that_takes_over(bench: BenchKeeper) -> None:
    async def take_over() -> None:
        bench.signals.is_held_elsewhere = True
        async with at_work(bench.spec, NO_PROGRAM) as first:
            await first.ready()
            await first.until(lambda: len(first.troubles) == 1, "told")
        async with at_work(bench.spec, NO_PROGRAM) as second:
            await second.ready()
            await second.until(lambda: len(second.troubles) == 1, "told again")

    asyncio.run(take_over())


def test_a_fault_of_whoever_is_told_of_the_siren_costs_no_connection(bench: BenchKeeper) -> None:
    faults: list[dict[str, Any]] = []

    def fail(trouble: SignalTrouble) -> None:
        raise KeyError(trouble.line)

    async def tell() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: faults.append(context))
        bench.signals.will_not_open.add(SIREN)
        async with at_work(bench.spec, NO_PROGRAM) as work:
            work.when_troubled = fail
            await work.ready()
            work.client.signal(SIREN, is_on=True)
            await is_heard(work)

            assert work.of(KeeperLost) == []

    asyncio.run(tell())
    assert [type(fault["exception"]) for fault in faults] == [KeyError]


def test_a_siren_that_does_not_switch_off_does_not_make_a_liar_of_shut_valves(bench: BenchKeeper) -> None:
    async def retire() -> None:
        async with at_work(bench.spec, NO_PROGRAM) as work:
            await work.ready()
            work.client.signal(SIREN, is_on=True)
            await is_heard(work)
            bench.signals.will_not_shut.add(SIREN)

            assert await work.client.retire("stopped by hand")

    asyncio.run(retire())


def test_a_client_of_a_house_without_a_siren_says_nothing_of_one() -> None:
    async def say() -> None:
        with run_directory() as directory, BenchKeeper(spec_in(directory)) as bench:
            async with at_work(bench.spec, NO_PROGRAM) as work:
                await work.ready()
                work.client.signal(SIREN, is_on=True)
                await is_heard(work)

                assert work.troubles == []
                assert bench.signals.driven == []

    with clients_of_a_test():
        asyncio.run(say())


def test_a_siren_switched_without_a_keeper_or_a_loop_harms_nothing(spec: KeeperSpec) -> None:
    client = KeeperClient(spec, NO_PROGRAM)

    client.signal(SIREN, is_on=True)

    assert client.news() == ()
