"""The daemon's end of the keeper, against real keepers that are killed, stopped, taken and replaced."""

import asyncio
import os
import signal
import sys
import time
from collections.abc import Callable, Coroutine, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from mistd.core.observations import KeeperLost, KeeperReady, LineEdge, LineTrouble
from mistd.keeper.client import HouseTakenError, KeeperClient
from mistd.keeper.wire import KeeperSpec
from tests.keeper.bench import LATE_S, BenchKeeper, open_descriptors, run_directory, spec_in, until
from tests.keeper.client_at_work import at_work, clients_of_a_test, keeper_pid, open_lines
from tests.keeper.processes import is_gone, marked, pids

pytestmark = pytest.mark.real_time
CLAIMS_TO_HAVE_STARTED = """print('{"told": "started"}')"""
Test = Callable[[KeeperSpec], Coroutine[Any, Any, None]]


@pytest.fixture
def spec() -> Iterator[KeeperSpec]:
    """What a keeper of the test's own house is told; whatever was started for it ends with the test."""
    with clients_of_a_test(), run_directory() as directory:
        yield spec_in(directory)


def test_a_client_starts_a_keeper_and_its_orders_come_back_as_reports(spec: KeeperSpec) -> None:
    async def order() -> None:
        async with at_work(spec) as work:
            ready = await work.ready()
            work.client.open("left", 7, 0.1)
            opened = await work.report("opened", "left")
            shut = await work.report("shut", "left")

        assert ready.accounts == ()
        assert ready.since_s <= opened.at_s <= shut.at_s
        assert (opened.edge, opened.ticket) == (LineEdge.OPENED, 7)
        assert (shut.ticket, shut.reason) == (7, "its time was over")
        assert 0.1 <= shut.open_s < 0.1 + LATE_S

    asyncio.run(order())


def test_orders_to_shut_and_refusals_come_through(spec: KeeperSpec) -> None:
    async def order() -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.open("left", 1, 30.0)
            work.client.open("left", 2, 30.0)
            refused = await work.report("refused", "left")
            work.client.shut("left", "held dry by Mara")
            shut = await work.report("shut", "left")

        assert (refused.ticket, refused.reason) == (2, "it is open already")
        assert (shut.ticket, shut.reason) == (1, "held dry by Mara")

    asyncio.run(order())


def test_orders_without_a_keeper_are_lost_and_harm_nothing(spec: KeeperSpec) -> None:
    client = KeeperClient(spec, ("/nonexistent/keeper",))

    client.open("left", 1, 1.0)
    client.shut("left", "x")
    client.renew()

    assert client.news() == ()


def test_a_killed_keeper_is_told_as_lost_and_a_new_one_claims_every_line_shut(spec: KeeperSpec) -> None:
    async def kill() -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.open("left", 1, 30.0)
            await work.report("opened", "left")
            first = keeper_pid(spec)

            os.kill(first, signal.SIGKILL)
            killed_s = time.monotonic()
            lost = await work.lost()
            ready = await work.ready(times=2)

            assert [type(each) for each in work.told[-2:]] == [KeeperLost, KeeperReady]
            assert lost.reason.startswith("the keeper's connection closed")
            assert open_lines(spec) == set()
            assert ready.since_s > killed_s
            assert ready.accounts == ()
            assert keeper_pid(spec) != first
            work.client.open("left", 2, 0.05)
            await work.report("shut", "left")

    asyncio.run(kill())


def test_a_stopped_keeper_is_ended_and_replaced(spec: KeeperSpec) -> None:
    answer_s = 0.3

    async def stop() -> None:
        async with at_work(spec, answer_s=answer_s) as work:
            await work.ready()
            work.client.open("left", 1, 30.0)
            await work.report("opened", "left")
            first = keeper_pid(spec)

            os.kill(first, signal.SIGSTOP)
            stopped_s = time.monotonic()
            while len(work.of(KeeperReady)) < 2 and time.monotonic() < stopped_s + 5.0:
                work.client.renew()
                await asyncio.sleep(0.05)

            assert time.monotonic() - stopped_s >= answer_s
            assert is_gone(first)
            assert open_lines(spec) == set()

    asyncio.run(stop())


def test_one_answer_that_lies_unread_is_no_proof_of_a_hung_keeper(spec: KeeperSpec) -> None:
    """We were stopped ourselves: the answer is there and only not read yet."""

    async def be_stopped() -> None:
        async with at_work(spec, answer_s=0.05) as work:
            await work.ready()
            first = keeper_pid(spec)

            work.client.renew()
            time.sleep(0.3)  # noqa: ASYNC251 - holding up the loop is the point
            work.client.renew()
            await asyncio.sleep(0.02)
            work.client.renew()
            await asyncio.sleep(0.02)

            assert keeper_pid(spec) == first
            assert work.of(KeeperLost) == []

    asyncio.run(be_stopped())


def test_a_keeper_found_stopped_at_the_start_is_ended_and_replaced(spec: KeeperSpec) -> None:
    """Its daemon died while it hung, a line may stand open: nobody else will end it."""

    async def find() -> None:
        async with at_work(spec) as before:
            await before.ready()
            before.client.open("left", 1, 30.0)
            await before.report("opened", "left")
            first = keeper_pid(spec)
            os.kill(first, signal.SIGSTOP)

        async with at_work(spec, answer_s=0.3) as work:
            await work.ready()

        assert is_gone(first)
        assert work.of(KeeperLost)[0].reason == "a keeper is there and does not answer; it was ended"
        assert open_lines(spec) == set()

    asyncio.run(find())


def test_a_keeper_outlives_its_daemon_and_gives_the_next_its_accounts(spec: KeeperSpec) -> None:
    async def succeed() -> None:
        async with at_work(spec) as first:
            ready = await first.ready()
            first.client.open("left", 1, 30.0)
            opened = await first.report("opened", "left")
            pid = keeper_pid(spec)
        until(lambda: not open_lines(spec), "shut when its daemon was gone", LATE_S)

        async with at_work(spec) as second:
            again = await second.ready()

        assert keeper_pid(spec) == pid
        assert again.since_s == ready.since_s
        (account,) = again.accounts
        assert (account.line, account.opened_s) == ("left", opened.at_s)
        assert account.shut_s > opened.at_s

    asyncio.run(succeed())


def test_a_client_that_is_dismissed_for_its_silence_is_told_and_takes_charge_again() -> None:
    async def be_silent(spec: KeeperSpec) -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.open("left", 1, 30.0)
            shut = await work.report("shut", "left")
            await work.ready(times=2)

        assert shut.reason == "the daemon was not heard for 0.3 s"
        assert len(work.of(KeeperLost)) == 1

    with clients_of_a_test(), run_directory() as directory:
        asyncio.run(be_silent(spec_in(directory, heartbeat_s=0.3)))


def test_a_second_daemon_ends_with_a_clear_reason_and_the_first_goes_on(spec: KeeperSpec) -> None:
    async def both() -> None:
        async with at_work(spec) as first:
            await first.ready()
            async with at_work(spec) as second:
                with pytest.raises(HouseTakenError, match="another daemon controls this house"):
                    await second.task

            first.client.open("left", 1, 0.05)
            await first.report("shut", "left")
            assert first.of(KeeperLost) == []

    asyncio.run(both())


def test_a_keeper_of_another_configuration_is_retired_and_replaced(spec: KeeperSpec) -> None:
    async def change() -> None:
        async with at_work(spec) as before:
            await before.ready()
            first = keeper_pid(spec)

        async with at_work(replace(spec, fingerprint="changed")) as after:
            await after.ready()

            assert after.of(KeeperLost)[0].reason == "this keeper was started for another configuration"
            assert is_gone(first)
            assert keeper_pid(spec) != first

    asyncio.run(change())


@pytest.mark.parametrize(
    ("command", "says"),
    [
        (("/nonexistent/keeper",), "the keeper could not be started: [Errno 2] No such file or directory"),
        ((sys.executable, "-c", "raise SystemExit('no lines here')"), "it ended at once; see "),
        ((sys.executable, "-c", "print('hello')"), "the keeper could not hold the lines: it said b'hello"),
        ((sys.executable, "-c", CLAIMS_TO_HAVE_STARTED), "the keeper that was started does not answer"),
        ((sys.executable, "-c", "print('[]')"), "the keeper could not hold the lines: it said b'[]"),
    ],
)
def test_a_program_that_is_no_keeper_is_told_and_tried_again(
    spec: KeeperSpec, command: tuple[str, ...], says: str
) -> None:
    async def begin() -> None:
        async with at_work(spec, command) as work:
            await work.until(lambda: len(work.of(KeeperLost)) >= 2, "told at every try")

        assert all(says in each.reason for each in work.of(KeeperLost))

    asyncio.run(begin())


def test_a_keeper_that_says_nothing_at_its_start_is_ended_and_told(spec: KeeperSpec) -> None:
    silent = (sys.executable, "-c", "import time; time.sleep(600)")

    async def begin() -> None:
        async with at_work(spec, silent, start_s=0.3) as work:
            lost = await work.lost()

        assert lost.reason == "the keeper did not start within 0.3 s; it was ended"

    began_s = time.monotonic()
    asyncio.run(begin())
    assert time.monotonic() - began_s < 5.0, "neither the loop nor its threads may wait for such a child"


def test_a_keeper_that_cannot_claim_gives_its_reason_until_it_can(spec: KeeperSpec) -> None:
    place = Path(spec.outputs["path"]).with_name("later")
    later = replace(spec, outputs={"driver": "simulated", "path": str(place / "outputs.sim")})

    async def begin() -> None:
        async with at_work(later) as work:
            lost = await work.lost()
            assert lost.reason.startswith(f"the keeper could not hold the lines: the lines in {place}")
            assert "No such file or directory" in lost.reason

            place.mkdir()
            await work.ready()

    asyncio.run(begin())


def test_a_retired_keeper_shuts_says_so_and_ends(spec: KeeperSpec) -> None:
    async def retire() -> None:
        async with at_work(spec) as work:
            await work.ready()
            work.client.open("left", 1, 30.0)
            await work.report("opened", "left")
            pid = keeper_pid(spec)

            are_shut = await work.client.retire("stopped by hand")

            assert are_shut
            assert is_gone(pid)
            assert open_lines(spec) == set()
            await asyncio.wait_for(work.task, 5.0)

    asyncio.run(retire())


def test_a_keeper_taken_over_from_another_daemon_can_be_retired_too(spec: KeeperSpec) -> None:
    async def retire() -> None:
        async with at_work(spec) as first:
            await first.ready()
            pid = keeper_pid(spec)
        async with at_work(spec) as second:
            await second.ready()
            assert await second.client.retire("stopped by hand")
        until(lambda: is_gone(pid), "ended")

    asyncio.run(retire())


def test_retiring_a_stopped_keeper_does_not_claim_that_all_is_shut(spec: KeeperSpec) -> None:
    async def retire() -> None:
        async with at_work(spec, answer_s=0.3) as work:
            await work.ready()
            os.kill(keeper_pid(spec), signal.SIGSTOP)

            assert not await work.client.retire("stopped by hand")

    asyncio.run(retire())


def test_retiring_without_a_keeper_claims_nothing(spec: KeeperSpec) -> None:
    async def retire() -> None:
        assert not await KeeperClient(spec, ("/nonexistent/keeper",), answer_s=0.1).retire("stopped by hand")

    asyncio.run(retire())


def test_retiring_a_keeper_whose_line_does_not_shut_does_not_claim_that_all_is_shut() -> None:
    async def retire(bench: BenchKeeper) -> None:
        async with at_work(bench.spec, ("/nonexistent/keeper",)) as work:
            await work.ready()
            work.client.open("left", 1, 30.0)
            await work.report("opened", "left")
            bench.lines.will_not_shut.add("left")

            assert not await work.client.retire("stopped by hand")
            assert work.of(LineTrouble)[0].line == "left"

    with clients_of_a_test(), run_directory() as directory, BenchKeeper(spec_in(directory)) as bench:
        asyncio.run(retire(bench))


def test_a_keeper_taken_over_tells_which_lines_it_cannot_shut() -> None:
    async def take_over(bench: BenchKeeper) -> None:
        bench.lines.will_not_shut.add("left")
        async with at_work(bench.spec, ("/nonexistent/keeper",)) as first:
            await first.ready()
            first.client.open("left", 1, 30.0)
            await first.report("opened", "left")
        async with at_work(bench.spec, ("/nonexistent/keeper",)) as second:
            assert (await second.ready()).unproved == ("left",)

    with clients_of_a_test(), run_directory() as directory, BenchKeeper(spec_in(directory)) as bench:
        asyncio.run(take_over(bench))


def test_trouble_with_a_line_comes_through_and_its_shutting_at_last() -> None:
    async def try_again(bench: BenchKeeper) -> None:
        async with at_work(bench.spec, ("/nonexistent/keeper",)) as work:
            await work.ready()
            bench.lines.will_not_shut.add("left")
            work.client.open("left", 1, 0.02)
            await work.until(lambda: bool(work.of(LineTrouble)), "told")
            bench.lines.will_not_shut.clear()
            shut = await work.report("shut", "left")

        reason = "it does not shut: left does not answer"
        assert work.of(LineTrouble) == [LineTrouble(line="left", reason=reason)]
        assert shut.reason == "it shut when it was tried again"

    with clients_of_a_test(), run_directory() as directory, BenchKeeper(spec_in(directory)) as bench:
        asyncio.run(try_again(bench))


def test_keepers_that_come_and_go_leave_no_descriptor_and_no_process_behind(spec: KeeperSpec) -> None:
    async def come_and_go(mark_pids: Callable[[], list[int]]) -> None:
        async with at_work(spec) as work:
            await work.ready()
            before = open_descriptors()
            for times in range(2, 7):
                os.kill(keeper_pid(spec), signal.SIGKILL)
                await work.ready(times)

            assert open_descriptors() <= before
            assert mark_pids() == [keeper_pid(spec)]

    with marked() as mark:
        asyncio.run(come_and_go(lambda: pids(mark)))
