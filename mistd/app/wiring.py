"""The wiring: the one place in the program where ports meet adapters.

Everything that differs between a real house and a bench is in `Surroundings`; the rest is the same code.
"""

import hashlib
import json
import random  # noqa: TID251 - the jitter of reconnecting, handed on from here
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from mistd.adapters.mqtt import client
from mistd.adapters.mqtt.bus import MqttBus
from mistd.adapters.mqtt.connection import BrokerAddress
from mistd.adapters.sqlite.records import SqliteRecords
from mistd.adapters.sqlite.stand_ins import stand_in
from mistd.adapters.sqlite.store import SqliteStore
from mistd.adapters.system_clock import SystemClock, wall_time
from mistd.app.assembly import Edges, assembled
from mistd.app.config import Config
from mistd.app.control_loop import Decide
from mistd.app.daemon import Daemon, keep_configuration
from mistd.app.house_plan import HEARTBEAT_S, keeper_rules, outputs_of
from mistd.app.last_good import Origin, has_run
from mistd.app.messages import BenchClock, Status
from mistd.app.outlets import Log, Outlets
from mistd.app.problems import ConfigError, Problem
from mistd.app.topics import Topics
from mistd.app.version import VERSION
from mistd.core.decide import decide as core_decide
from mistd.core.events import EventKind
from mistd.keeper.client import KeeperClient
from mistd.keeper.wire import KeeperSpec
from mistd.ports.bus import Outgoing
from mistd.ports.clock import Clock
from mistd.ports.keeper import SignalTrouble
from mistd.ports.records import Records
from mistd.ports.store import KeptRevision

__all__ = [
    "Surroundings",
    "machine",
    "mqtt_ask",
    "mqtt_snapshot",
    "mqtt_watch",
    "records_of",
    "settings_beside",
    "wall_time",
    "wired",
]

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


async def wired(config: Config, around: Surroundings, log: Log, origin: Origin | None = None) -> Daemon:
    """A house ready to run.

    The run directory has to be there (`make_run_directory`).

    Args:
        config: the house.
        around: what is around it.
        log: where its events are written.
        origin: where the configuration was read from, to be kept as the last good one; None: not to be kept.

    Raises:
        ConfigError: the broker's password cannot be read, and this file has never run before.
    """
    topics, clock = Topics(house_name=config.house.name), around.clock
    spec = keeper_spec(config, around.speed)
    keeper = KeeperClient(
        spec,
        around.keeper_command,
        answer_s=KEEPER_ANSWERS_S * around.speed,
        tell_signal_trouble=lambda trouble: tell_of_siren(daemon.outlets, trouble),
    )
    bus = _bus(config, topics, around, is_first_start=origin is None or not has_run(config, origin))

    async def keep() -> None:
        assert origin is not None
        await keep_configuration(config, origin, clock, daemon.outlets)

    edges = Edges(
        clock=clock,
        boot_id=around.boot_id,
        keeper=keeper,
        bus=bus,
        store=SqliteStore(database_of(config), tail_of(config)),
        log=log,
        longest_wait_s=spec.rules.heartbeat_s / PASSES_A_HEARTBEAT,
        decide=around.decide,
        speed=around.speed,
        is_housekept=around.speed == 1.0,
        configuration_trouble=origin.trouble if origin else None,
        keep_configuration=keep if origin else None,
    )
    greeting = f"mistd {VERSION}, {len(config.zones)} zones, outputs {config.outputs.driver}"
    daemon = await assembled(config, edges, greeting)
    bus.publish(_status(config, topics, "online", around))
    return daemon


def database_of(config: Config) -> Path:
    """Where a house's memory is."""
    return Path(config.state.directory) / "state.db"


def tail_of(config: Config) -> Path:
    """Where its last minutes are, that a kill must not take: in the run directory, which is no disk."""
    return Path(config.state.run_directory) / "tail.jsonl"


def records_of(config: Config) -> Records:
    """The history of a house, where this machine has it."""
    return SqliteRecords(database_of(config), tail_of(config))


def settings_beside(config: Config) -> tuple[tuple[KeptRevision, ...], str] | None:
    """What had been set by the newest of the copies beside the database, and which that is."""
    database = database_of(config)
    found = stand_in(database.with_name("state.db.backup"), database.with_name("last-good.json"))
    return (found.known.revisions(), str(found)) if found else None


def make_run_directory(config: Config) -> None:
    """Make the directory in which the daemon and its keeper meet, for the daemon's own user alone.

    Raises:
        OSError: it cannot be made.
    """
    Path(config.state.run_directory).mkdir(mode=0o700, parents=True, exist_ok=True)


def tell_of_siren(outlets: Outlets, trouble: SignalTrouble) -> None:
    """Tell that the siren does not do as it was told."""
    outlets.tell(EventKind.SIREN_TROUBLE, f"the siren: {trouble.reason}; look at it, misting goes on")


def _bus(config: Config, topics: Topics, around: Surroundings, *, is_first_start: bool) -> MqttBus:
    offline = _status(config, topics, "offline", around)
    address = broker_address(config, f"mistd-{config.house.name}", is_password_there=is_first_start)
    return MqttBus(
        address,
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


def broker_address(config: Config, client_id: str, *, is_password_there: bool = True) -> BrokerAddress:
    """Where the broker is and as whom to speak to it.

    Args:
        config: the house.
        client_id: as whom.
        is_password_there: whether the password's file has to be there now; else it is waited for, and the
            house is misted without its broker.

    Raises:
        ConfigError: the password file cannot be read.
    """
    broker = config.broker
    if broker.password_file and is_password_there:
        _refuse_unreadable(broker.password_file)
    return BrokerAddress(
        host=broker.host,
        port=broker.port,
        protocol=broker.protocol,
        username=broker.username,
        password_file=broker.password_file,
        is_tls=broker.tls,
        ca_file=broker.ca_file,
        client_id=client_id,
        keepalive_s=broker.keepalive_s,
    )


def _refuse_unreadable(path: str) -> None:
    try:
        Path(path).read_text()
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
