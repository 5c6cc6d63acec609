"""A whole house in virtual time: the real control loop, its inbox and outlets, and the plant at its ports.

Only the edges differ from `mistd.app.wiring`: the keeper's ledger is driven inside the loop, the bus and the
store are in memory, and the clock is the loop's. A day takes about a second.
"""

import asyncio
import json
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from random import Random
from typing import Any

from mistd.app.assembly import Edges, assembled
from mistd.app.config import Config
from mistd.app.daemon import Daemon
from mistd.app.house_plan import keeper_rules
from mistd.app.topics import Topics
from mistd.core.house import House
from mistd.ports.bus import Incoming
from simulators.bench_clock import LoopClock
from simulators.house_on_the_bench import plant_plan, readings_by_sensor, sent_value
from simulators.inline_keeper import InlineKeeper
from simulators.memory_bus import MemoryBus
from simulators.memory_store import MemoryStore
from simulators.plant.plant import Plant
from simulators.plant.weather import Weather
from simulators.virtual_time import VirtualTimeLoop

SENSE_EVERY_S = 10.0
Beside = Callable[["Rig"], Coroutine[Any, Any, None]]


@dataclass(slots=True)
class RecordingLog:
    """A log that keeps its lines."""

    lines: list[dict[str, Any]] = field(default_factory=list)

    def info(self, event: str, **figures: Any) -> None:
        self.lines.append({"event": event, **figures})

    warning = info


class Rig:
    """One house on the bench, to be run for as long as wanted."""

    def __init__(
        self,
        config: Config,
        starts_at: datetime,
        *,
        weather: Weather | None = None,
        seed: int = 1,
        store: MemoryStore | None = None,
        begins_s: float = 0.0,
        boot_id: str = "bench",
        longest_wait_s: float = 3600.0,
    ) -> None:
        """Build it; nothing runs yet.

        Args:
            config: the house.
            starts_at: what its calendar says at second 0, aware.
            weather: what the plant lives in; None for no plant and no readings but those a test delivers.
            seed: of the plant's instruments.
            store: what is known from before; None for nothing.
            begins_s: where its monotonic clock stands when it begins: a second rig can go on where one ended.
            boot_id: names the run of the machine, as in the rows of the store.
            longest_wait_s: a control pass is made at least this often, and a step of the wall clock noticed
                by then; the ledger in the loop needs no lease.
        """
        self.config = config
        self.clock = LoopClock(starts_at=starts_at)
        self.topics = Topics(house_name=config.house.name)
        self.bus, self.store, self.log = MemoryBus(), store or MemoryStore(), RecordingLog()
        self.keeper = InlineKeeper(keeper_rules(config), self.clock)
        self.plant = (
            Plant(plant_plan(config), weather, Random(seed), starts_at_s=begins_s) if weather else None
        )
        self._begins_s, self._boot_id, self._longest_wait_s = begins_s, boot_id, longest_wait_s
        self._counted_s = dict.fromkeys(self.keeper.open_total_s, 0.0)
        self.configuration_trouble: str | None = None  # why it is not the house's file that runs
        self.daemon: Daemon

    def run(self, for_s: float | None, during: Beside | None = None) -> None:
        """Let the house live for so long; `during` runs beside it and may ask and deliver.

        Without a length of time it lives until `during` has ended.
        """
        with asyncio.Runner(loop_factory=partial(VirtualTimeLoop, self._begins_s)) as runner:
            runner.run(self._lived(for_s, during))

    async def _lived(self, for_s: float | None, during: Beside | None) -> None:
        self.daemon = await self._wired()
        stop: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        beside: list[asyncio.Task[None]] = [asyncio.create_task(during(self))] if during else []
        if self.plant:
            beside.append(asyncio.create_task(self._sense()))
        if for_s is not None:
            asyncio.get_running_loop().call_later(for_s, _give, stop, "the run is over")
        else:
            beside[0].add_done_callback(lambda _: _give(stop, "what was to happen has happened"))
        try:
            await self.daemon.run(stop)
        finally:
            for task in beside:
                if task.done():
                    task.result()
                task.cancel()

    @property
    def house(self) -> House:
        return self.daemon.control.house

    def ask(self, what: str, request_id: str, **request: Any) -> None:
        """Have a request arrive, issued now."""
        stamped = {"id": request_id, "issued_at": self.clock.utc().isoformat(), **request}
        payload = json.dumps({key: value for key, value in stamped.items() if value is not None}).encode()
        self.bus.deliver(Incoming(topic=self.topics.ask(what), payload=payload))

    def answers(self) -> dict[str, dict[str, Any]]:
        """Every answer so far, by the id of its request."""
        sent = [json.loads(each.payload) for each in self.bus.published if each.topic == self.topics.answer]
        return {answer["id"]: answer for answer in sent}

    def events(self, kind: str | None = None) -> list[dict[str, Any]]:
        """Every event published so far, or those of one kind."""
        told = [json.loads(each.payload) for each in self.bus.published if each.topic == self.topics.event]
        return [event for event in told if kind is None or event["event"] == kind]

    def alarms(self) -> dict[str, dict[str, Any]]:
        """Every alarm that is told now, by KIND/SUBJECT."""
        root = self.topics.any_alarm
        states = self.bus.states.items()
        return {
            topic.removeprefix(root): json.loads(payload)
            for topic, payload in states
            if topic.startswith(root) and payload
        }

    def all_alarms(self) -> dict[str, Any]:
        """The alarms in sum, as they were told last."""
        told: dict[str, Any] = json.loads(self.bus.states[self.topics.alarms])
        return told

    async def _wired(self) -> Daemon:
        edges = Edges(
            clock=self.clock,
            boot_id=self._boot_id,
            keeper=self.keeper,
            bus=self.bus,
            store=self.store,
            log=self.log,
            longest_wait_s=self._longest_wait_s,
            is_housekept=False,
            configuration_trouble=self.configuration_trouble,
        )
        return await assembled(self.config, edges, "on the bench")

    async def _sense(self) -> None:
        """Move the plant on and have its instruments send, as sensors of the house do."""
        while True:
            await asyncio.sleep(SENSE_EVERY_S)
            self.move_plant()
            for topic, payload in self.sensor_messages().items():
                self.bus.deliver(Incoming(topic=topic, payload=payload))

    def move_plant(self) -> None:
        """Bring the plant up to now, with the water the lines have let through."""
        assert self.plant is not None
        now_s = self.clock.now_s()
        totals = {line: self.keeper.open_seconds(line) for line in self._counted_s}
        given = {line: max(total - self._counted_s[line], 0.0) for line, total in totals.items()}
        self._counted_s = totals
        is_open = dict.fromkeys(self.keeper.open_lines(), True)
        self.plant.advance(now_s, given, is_open)

    def sensor_messages(self) -> Mapping[str, bytes]:
        """What the house's sensors send now, by topic."""
        assert self.plant is not None
        return messages_of(self.config, self.plant)


def messages_of(config: Config, plant: Plant) -> dict[str, bytes]:
    """What a house's sensors send now, by topic: an object where they have fields, else a number."""
    readings = readings_by_sensor(config, plant)
    objects: dict[str, dict[str, float]] = {}
    payloads: dict[str, bytes] = {}
    for sensor in config.sensors:
        if sensor.name not in readings:
            continue
        value = sent_value(sensor.kind, sensor.unit, readings[sensor.name])
        if sensor.field is None:
            payloads[sensor.topic] = json.dumps(value).encode()
        else:
            objects.setdefault(sensor.topic, {})[sensor.field] = value
    return payloads | {topic: json.dumps(fields).encode() for topic, fields in objects.items()}


def _give(stop: "asyncio.Future[str]", reason: str) -> None:
    if not stop.done():
        stop.set_result(reason)
