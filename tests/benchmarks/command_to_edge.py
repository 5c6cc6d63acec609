"""From a request to the valve: how soon a published `ask/burst` opens the line, beside a bare echo.

The bare echo is an aiomqtt client in a process of its own that publishes what it receives; a request to it
and its answer go through the same broker, from the same client, by the same code, at QoS 1 without Nagle's
delay. Requests to the daemon and to the echo alternate. Each is timed from just before it is published: to
the instant of the line's opening edge, in the file that stands for the valves, and to the arrival of the
answer.
"""

import asyncio
import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from subprocess import PIPE, Popen

import aiomqtt
import click

from mistd.app.topics import Topics
from tests.benchmarks import houses
from tests.benchmarks.figures import Machine, spread, table
from tests.benchmarks.houses import HOUSE, RunningDaemon
from tests.broker import Mosquitto

TOPICS = Topics(house_name=HOUSE)
ECHO_ASK, ECHO_ANSWER = "bench-echo/ask", "bench-echo/answer"
NO_DELAY = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
QOS = 1
ZONES = 8
BURST_S, APART_S = 2.0, 0.65  # the pause between two valves is half a second, a zone rests for one
ANSWER_WITHIN_S = 5.0
STARTS_WITHIN_S = 30.0
PROGRAM = "tests.benchmarks.command_to_edge"


def client(port: int) -> aiomqtt.Client:
    return aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, socket_options=NO_DELAY)


async def echo(port: int) -> None:
    """Publish whatever comes; nothing else."""
    async with client(port) as bare:
        await bare.subscribe(ECHO_ASK, QOS)
        print("ready", flush=True)
        async for message in bare.messages:
            await bare.publish(ECHO_ANSWER, message.payload, QOS)


@contextmanager
def echoing(port: int) -> Iterator[None]:
    child = Popen([sys.executable, "-m", PROGRAM], stdout=PIPE, env={**os.environ, "BENCH_ECHO": str(port)})
    assert child.stdout is not None
    try:
        assert child.stdout.readline() == b"ready\n"
        yield
    finally:
        child.kill()
        child.communicate()


class Asker:
    """One client: publishes a request and waits for its answer."""

    def __init__(self, connection: aiomqtt.Client) -> None:
        self._connection = connection

    async def asked(self, topic: str, request: dict[str, object]) -> tuple[float, float, dict[str, object]]:
        """When it was published, when its answer came, and the answer."""
        payload = json.dumps(request)
        published_s = time.monotonic()
        publishing = asyncio.create_task(self._connection.publish(topic, payload, QOS))
        async with asyncio.timeout(ANSWER_WITHIN_S):
            message = await anext(self._connection.messages)
            answered_s = time.monotonic()
            await publishing
        assert isinstance(message.payload, bytes)
        answer: dict[str, object] = json.loads(message.payload)
        assert answer["id"] == request["id"], f"asked {request}, answered {answer}"
        return published_s, answered_s, answer


async def to_the_edge(asker: Asker, daemon: RunningDaemon, number: int) -> tuple[float, float]:
    """Ask for a burst: seconds to the line's edge, and to the daemon's answer."""
    zone = f"z{number % ZONES}"
    request = {
        "id": f"burst-{number}",
        "zone": zone,
        "for_s": BURST_S,
        "issued_at": datetime.now(UTC).isoformat(),
    }
    published_s, answered_s, answer = await asker.asked(TOPICS.ask("burst"), request)
    if answer["outcome"] != "done":
        raise SystemExit(f"refused: {answer}")
    line = daemon.lines.lines()[zone]
    if not line.is_open:
        raise SystemExit(f"{zone} was shut again before the answer: {answered_s - published_s:.3f} s")
    return line.last_edge_s - published_s, answered_s - published_s


async def measured(port: int, daemon: RunningDaemon, requests: int) -> dict[str, list[float]]:
    """Alternate between daemon and echo, each half way between two of the other."""
    seconds: dict[str, list[float]] = {"edge": [], "answer": [], "echo": []}
    async with client(port) as connection:
        await connection.subscribe(TOPICS.answer, QOS)
        await connection.subscribe(ECHO_ANSWER, QOS)
        asker, begun_s = Asker(connection), time.monotonic()
        for number in range(requests):
            edge_s, answer_s = await to_the_edge(asker, daemon, number)
            seconds["edge"].append(edge_s)
            seconds["answer"].append(answer_s)
            await _at(begun_s + (number + 0.5) * APART_S)
            sent_s, echoed_s, _ = await asker.asked(ECHO_ASK, {"id": number, "pad": "x" * 90})
            seconds["echo"].append(echoed_s - sent_s)
            await _at(begun_s + (number + 1) * APART_S)
    return seconds


async def _at(instant_s: float) -> None:
    await asyncio.sleep(max(instant_s - time.monotonic(), 0.0))


@click.command(help=__doc__)
@click.option("--requests", default=200, show_default=True, help="Of each kind.")
def main(requests: int) -> None:
    machine = Machine()
    with Mosquitto(settings=["log_type none"]) as broker, houses.directory() as place, echoing(broker.port):
        tables = houses.house_tables(
            place, broker.port, zones=ZONES, sensors=0, burst_s=BURST_S, gap_min=1440.0, shortest_rest_s=1.0
        )
        with houses.mistd_run(tables) as daemon:
            daemon.until(daemon.is_connected_and_ready, "connected, with a keeper", STARTS_WITHIN_S)
            daemon.until(lambda: daemon.openings() >= ZONES, "every zone misted once", STARTS_WITHIN_S)
            time.sleep(2.0 + BURST_S)
            seconds = asyncio.run(measured(broker.port, daemon, requests))
    spreads = {name: spread(values) for name, values in seconds.items()}
    bare = spreads["echo"]
    rows = [
        [name, str(each.count), each.in_ms(), f"{each.p50 / bare.p50:.2f}", f"{each.p99 / bare.p99:.2f}"]
        for name, each in spreads.items()
    ]
    print("\nfrom publishing a request, p50 / p99 / max; goal: the edge's p50 no later than the echo's\n")
    print(table(["until", "n", "ms", "p50 to echo's", "p99 to echo's"], rows))
    print(f"\ngoal: {'holds' if spreads['edge'].p50 <= bare.p50 else 'MISSED'}; {machine.said()}")


if __name__ == "__main__":
    if "BENCH_ECHO" in os.environ:
        asyncio.run(echo(int(os.environ["BENCH_ECHO"])))
    else:
        main()
