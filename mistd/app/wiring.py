"""The wiring: the one place in the program where ports meet adapters.

Everything that differs between a real house and a bench is in `Surroundings`; the rest is the same code.
"""

import hashlib
import json
import random  # noqa: TID251 - the jitter of reconnecting, handed on from here
import sys
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from mistd.adapters.mqtt import client
from mistd.adapters.mqtt.bus import MqttBus
from mistd.adapters.mqtt.connection import BrokerAddress
from mistd.adapters.sqlite_store import SqliteStore
from mistd.adapters.system_clock import SystemClock, wall_time
from mistd.app.calendar import Calendar
from mistd.app.config import Config, SensorSection
from mistd.app.control_loop import ControlLoop, Decide
from mistd.app.daemon import Daemon, backup
from mistd.app.house_plan import HEARTBEAT_S, house_plan, keeper_rules, outputs_of, place_of
from mistd.app.housekeeping import scheduler
from mistd.app.inbox import Inbox, SensorTopic
from mistd.app.messages import BenchClock, Status
from mistd.app.outlets import Log, Outlets
from mistd.app.problems import ConfigError, Problem
from mistd.app.saving import Saver, readable_rows, shift_of
from mistd.app.telling import Teller
from mistd.app.topics import Topics
from mistd.app.version import VERSION
from mistd.core.decide import decide as core_decide
from mistd.core.durable import restored
from mistd.core.events import EventKind
from mistd.core.house import House
from mistd.core.units import SENSOR_UNITS
from mistd.keeper.client import KeeperClient
from mistd.keeper.wire import KeeperSpec
from mistd.ports.bus import Outgoing
from mistd.ports.clock import Clock
from mistd.ports.errors import StoreError
from mistd.ports.store import Store

__all__ = ["Surroundings", "machine", "mqtt_ask", "mqtt_snapshot", "mqtt_watch", "wall_time", "wired"]

LONGEST_BACKOFF_S = 8.0  # a broker that is back is told everything in ten seconds, however long it was away
KEEPER_ANSWERS_S = 2.0
PASSES_A_HEARTBEAT = 3  # the lease is renewed this often before it would run out
SECONDS_LEFT_TO_BUSY_MACHINES = 0.5  # real seconds of heartbeat that a bench keeps at any speed


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What is around the program: a machine's own clock and keeper, or a bench's."""

    clock: Clock
    boot_id: str
    keeper_command: tuple[str, ...]
    bench: BenchClock | None = None  # only on a bench: where its clock stands against ours
    speed: float = 1.0  # how much faster than life the clocks run; waits for the network are stretched
    decide: Decide = core_decide
    jitter: Callable[[], random.Random] = random.Random


def machine() -> Surroundings:
    """The machine itself."""
    return Surroundings(
        clock=SystemClock(),
        boot_id=Path("/proc/sys/kernel/random/boot_id").read_text().strip(),
        keeper_command=(sys.executable, "-m", "mistd.keeper.process"),
    )


async def wired(config: Config, around: Surroundings, log: Log) -> Daemon:
    """A house ready to run.

    The run directory has to be there (`make_run_directory`).
    """
    plan, topics, clock = house_plan(config), Topics(house_name=config.house.name), around.clock
    calendar = Calendar(place_of(config.place, config.day_parts), clock)
    store = SqliteStore(Path(config.state.directory) / "state.db")
    house, troubles = await _house(config, store, calendar, around)
    bus = _bus(config, topics, around)
    saver = Saver(store, clock, around.boot_id, lambda trouble: tell_of_disk(outlets, trouble))
    inbox = Inbox(plan, topics, sensor_topics(config), clock, bus.publish)
    teller = Teller(config, topics, clock, bus.publish)
    outlets = Outlets(house_name=plan.name, clock=clock, log=log, teller=teller, saver=saver, inbox=inbox)
    spec = keeper_spec(config, around.speed)
    keeper = KeeperClient(spec, around.keeper_command, answer_s=KEEPER_ANSWERS_S * around.speed)
    bus.publish(_status(config, topics, "online", around))
    return Daemon(
        control=ControlLoop(
            house=house,
            clock=clock,
            calendar=calendar,
            keeper=keeper,
            arrivals=inbox,
            consequences=outlets,
            longest_wait_s=spec.rules.heartbeat_s / PASSES_A_HEARTBEAT,
            decide=around.decide,
        ),
        keeper=keeper,
        bus=bus,
        inbox=inbox,
        outlets=outlets,
        saver=saver,
        store=store,
        duties=scheduler(partial(backup, store, outlets)) if around.speed == 1.0 else None,
        greeting=f"mistd {VERSION}, {len(plan.zones)} zones, outputs {config.outputs.driver}",
        troubles=troubles,
    )


def make_run_directory(config: Config) -> None:
    """Make the directory in which the daemon and its keeper meet, for the daemon's own user alone.

    Raises:
        OSError: it cannot be made.
    """
    Path(config.state.run_directory).mkdir(mode=0o700, parents=True, exist_ok=True)


async def _house(
    config: Config, store: Store, calendar: Calendar, around: Surroundings
) -> tuple[House, list[str]]:
    """The house as it was left, as far as that can be read, and what could not."""
    troubles: list[str] = []
    try:
        loaded = await store.load()
    except StoreError as problem:
        troubles.append(f"nothing is known of before this start: {problem}")
        rows, unreadable = readable_rows({})
    else:
        troubles += [loaded.set_aside] if loaded.set_aside else []
        rows, unreadable = readable_rows(loaded.rows)
    shift = shift_of(rows, around.clock, around.boot_id)
    back = restored(
        house_plan(config),
        rows,
        calendar.first(),
        around.clock.now_s(),
        shift_s=shift.by_s,
        is_time_away_known=shift.is_time_away_known,
    )
    return back.house, [*troubles, *unreadable, *back.unreadable]


def tell_of_disk(outlets: Outlets, trouble: str | None) -> None:
    """Tell that the state can no longer be written, or that it can be again."""
    if trouble is None:
        outlets.tell(EventKind.STATE_KEPT_AGAIN, "the state is written again")
    else:
        outlets.tell(EventKind.STATE_NOT_KEPT, f"{trouble}; misting goes on, a restart would forget the rest")


def _bus(config: Config, topics: Topics, around: Surroundings) -> MqttBus:
    offline = _status(config, topics, "offline", around)
    return MqttBus(
        broker_address(config, client_id=f"mistd-{config.house.name}"),
        will=offline,
        farewell=offline,
        jitter=around.jitter(),
        timeout_s=10.0 * around.speed,
        backoff_first_s=1.0 * around.speed,
        backoff_longest_s=LONGEST_BACKOFF_S * around.speed,
    )


def _status(config: Config, topics: Topics, state: str, around: Surroundings) -> Outgoing:
    status = Status.model_validate(
        {
            "state": state,
            "house": config.house.name,
            "version": VERSION,
            "driver": config.outputs.driver,
            "since": around.clock.utc() if state == "online" else None,
            "bench": around.bench,
        }
    )
    return Outgoing(topic=topics.status, payload=status.model_dump_json().encode(), is_state=True)


def broker_address(config: Config, client_id: str) -> BrokerAddress:
    """Where the broker is and as whom to speak to it.

    Raises:
        ConfigError: the password file cannot be read.
    """
    broker = config.broker
    password = _password(broker.password_file) if broker.password_file else None
    return BrokerAddress(
        host=broker.host,
        port=broker.port,
        protocol=broker.protocol,
        username=broker.username,
        password=password,
        is_tls=broker.tls,
        ca_file=broker.ca_file,
        client_id=client_id,
        keepalive_s=broker.keepalive_s,
    )


def _password(path: str) -> str:
    try:
        return Path(path).read_text().strip()
    except (OSError, UnicodeError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else "it is not UTF-8 text"
        text = f"{path!r} cannot be read: {reason}"
        raise ConfigError("the broker's password", [Problem(key="broker.password_file", text=text)]) from None


async def mqtt_ask(
    address: BrokerAddress, topic: str, answer_topic: str, request: dict[str, Any], wait_s: float
) -> bytes | None:
    """Send a request and wait for its answer; None when none comes.

    Raises:
        BusError: the broker cannot be reached.
    """
    payload, correlation = json.dumps(request).encode(), str(request["id"]).encode()
    return await client.ask(address, topic, answer_topic, payload, correlation=correlation, wait_s=wait_s)


mqtt_snapshot = client.snapshot
mqtt_watch = client.watch


def sensor_topics(config: Config) -> dict[str, tuple[SensorTopic, ...]]:
    """By topic, the sensors that read it."""
    by_topic: dict[str, list[SensorSection]] = defaultdict(list)
    for sensor in config.sensors:
        by_topic[sensor.topic].append(sensor)
    return {topic: tuple(_sensor_topic(each) for each in sensors) for topic, sensors in by_topic.items()}


def _sensor_topic(sensor: SensorSection) -> SensorTopic:
    unit = sensor.unit or next(iter(SENSOR_UNITS[sensor.kind]))
    return SensorTopic(name=sensor.name, kind=sensor.kind, field=sensor.field, unit=unit)


def keeper_spec(config: Config, speed: float = 1.0) -> KeeperSpec:
    """What a keeper of this house is told; its fingerprint changes with anything in it."""
    heartbeat_s = max(HEARTBEAT_S, SECONDS_LEFT_TO_BUSY_MACHINES * speed)
    outputs = outputs_of(config)
    if outputs["driver"] == "simulated":
        outputs["path"] = str(Path(config.state.directory) / outputs["path"])
    spec = KeeperSpec(
        house=config.house.name,
        socket_path=str(Path(config.state.run_directory) / "keeper.sock"),
        lock_path=str(Path(config.state.run_directory) / "keeper.lock"),
        rules=keeper_rules(config, heartbeat_s),
        outputs=outputs,
    )
    digest = hashlib.sha256(json.dumps(json.loads(spec.to_json()), sort_keys=True).encode()).hexdigest()
    return replace(spec, fingerprint=digest[:16])
