"""A real daemon on a real broker, seen through somebody else's clients.

Answers for: a house (see `tests.safety.harness`) on a mosquitto of its own, requests by mosquitto_pub, what
mosquitto_sub sees, and ending all of it.
Does not know what is promised. Rule: what the daemon says is never read by code of the daemon.
"""

import json
import subprocess
import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from types import TracebackType
from typing import Any, Self

from tests.broker import Mosquitto, program
from tests.mosquitto_clients import Seen, Subscriber, publish
from tests.safety.harness import MISTD, House, Program, Zone, until
from tests.safety.watching import Burst

NAME = "mqtt-house"
ROOT = f"mistd/{NAME}"
ANSWER = f"{ROOT}/answer"
WITHIN_S = 10.0
EDGE_S = 0.001  # the keeper's instants, and sums of floats
SPARE_S = 0.05  # beyond a rest, for the daemon to hear of it

Told = dict[str, Any]


class MqttHouse:
    """Inside the `with` block a daemon runs; the broker, too, unless it is to be away at first."""

    def __init__(
        self, zones: Sequence[Zone], *, protocol: str, begins_with_broker: bool = True, more: str = ""
    ) -> None:
        """Nothing runs yet; `more` is put at the end of the house's file, which is in its last zone."""
        self.protocol = protocol
        self._more = more
        self._begins_with_broker = begins_with_broker
        self._zones = zones
        self._number = 0

    def __enter__(self) -> Self:
        with ExitStack() as ending:
            self.broker = Mosquitto()
            if self._begins_with_broker:
                self.broker.start()
            ending.callback(self.broker.__exit__, None, None, None)
            self.house = ending.enter_context(House(self._zones, name=NAME, broker_port=self.broker.port))
            text = self.house.file.read_text()
            assert "[broker]\n" in text
            self.house.file.write_text(
                text.replace("[broker]\n", f'[broker]\nprotocol = "{self.protocol}"\n') + self._more
            )
            self.daemon = self.house.start()
            self._ending = ending.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ending.__exit__(kind, error, trace)

    # --- what is told

    def told(
        self,
        name: str,
        is_wanted: Callable[[Told], bool] = lambda _: True,
        *,
        client: str = "5",
        within_s: float = WITHIN_S,
    ) -> Told:
        """What is retained on `ROOT/name`, now or as soon as it is as wanted."""
        with Subscriber(self.broker.port, f"{ROOT}/{name}", protocol=client) as subscriber:
            seen = subscriber.wait_for(
                lambda each: bool(each.payload) and is_wanted(json.loads(each.payload)), within_s
            )
        content: Told = json.loads(seen.payload)
        return content

    def kept_by_broker(self, topic: str) -> str:
        """What the broker has retained on a topic, as text; empty when that is nothing."""
        command = [program("mosquitto_sub"), "-p", str(self.broker.port), "-t", topic, "--retained-only"]
        done = subprocess.run(
            [*command, "-W", "1"], capture_output=True, text=True, timeout=WITHIN_S, check=False
        )
        return done.stdout

    # --- what is asked

    def message(self, zone: str, *, issued_s_ago: float = 0.0, **content: Any) -> Told:
        """A request with an id of its own."""
        issued_at = datetime.now(UTC) - timedelta(seconds=issued_s_ago)
        return {"id": uuid.uuid4().hex, "zone": zone, "issued_at": issued_at.isoformat(), **content}

    def answer_to(self, what: str, message: Told, *, client: str = "5", **how: Any) -> Told:
        """Ask with mosquitto_pub; the answer on the fixed topic, seen by a client that was there before."""
        with Subscriber(self.broker.port, ANSWER, protocol=client) as subscriber:
            self.ask(what, message, client=client, **how)
            seen = subscriber.wait_for(is_answer_to(message))
        content: Told = json.loads(seen.payload)
        return content

    def ask(self, what: str, message: Told | str, *, client: str = "5", **how: Any) -> None:
        payload = message if isinstance(message, str) else json.dumps(message)
        publish(self.broker.port, f"{ROOT}/ask/{what}", payload, protocol=client, **how)

    # --- what the lines do

    def openings(self, line: str) -> int:
        return self.house.lines()[line].openings

    def open_total_s(self, line: str) -> float:
        return self.house.lines()[line].open_total_s

    def ready_zone(self) -> str:
        """The zone that has rested longest, once it may be misted again; every other was misted, too."""
        until(lambda: self._is_rested(min(self._zones, key=self._last_edge_s)), "a zone at rest")
        return min(self._zones, key=self._last_edge_s).name

    def until_shut(self, line: str) -> None:
        until(lambda: not self.house.lines()[line].is_open, f"{line} shut", but=self.house.account)

    def until_rested(self, line: str) -> None:
        (zone,) = [zone for zone in self._zones if zone.name == line]
        until(lambda: self._is_rested(zone), f"{line} rested", but=self.house.account)

    def until_all_misted(self) -> None:
        """Wait until every zone has had its first burst, which it gets soon after a start."""

        def are_misted() -> bool:
            lines = self.house.lines().values()
            return bool(lines) and all(line.openings > 0 and not line.is_open for line in lines)

        until(are_misted, "every zone misted", but=self.house.account)

    def _last_edge_s(self, zone: Zone) -> float:
        return self.house.lines()[zone.name].last_edge_s

    def _is_rested(self, zone: Zone) -> bool:
        line = self.house.lines()[zone.name]
        return not line.is_open and time.monotonic() - line.last_edge_s > zone.shortest_rest_s + SPARE_S

    # --- the command line

    def command(self, *words: str) -> "subprocess.CompletedProcess[str]":
        """Run `mistd WORDS --house FILE`."""
        return self.house.run(*words, "--house")

    def watch(self) -> Program:
        """Start `mistd watch`, its output in `said`."""
        return self.house.start(program=(MISTD, "watch", "--house"))


def is_answer_to(message: Told) -> Callable[[Seen], bool]:
    def is_it(seen: Seen) -> bool:
        return bool(json.loads(seen.payload).get("id") == message["id"])

    return is_it


def gaps_s(bursts: Sequence[Burst]) -> list[float]:
    """From the shutting of each burst to the opening of the next."""
    return [later.opened_s - earlier.shut_s for earlier, later in pairwise(bursts)]


def disturbances(
    bursts: Mapping[str, Sequence[Burst]], zones: Sequence[Zone], longest_wait_s: float, late_s: float
) -> list[str]:
    """Every burst that was not whole or not in time, and every zone that was hardly watched."""
    found = [
        f"{zone.name} had {len(bursts[zone.name])} bursts" for zone in zones if len(bursts[zone.name]) < 3
    ]
    for zone in zones:
        lengths_s = [burst.shut_s - burst.opened_s for burst in bursts[zone.name]]
        found += [
            f"{zone.name} was open for {each:.3f} s" for each in lengths_s if each < zone.burst_s - EDGE_S
        ]
        found += [
            f"{zone.name} was open for {each:.3f} s" for each in lengths_s if each > zone.burst_s + late_s
        ]
        for gap_s in gaps_s(bursts[zone.name]):
            if not zone.gap_s - EDGE_S <= gap_s <= zone.gap_s + longest_wait_s:
                found.append(f"{zone.name} had a gap of {gap_s:.3f} s")
    return found
