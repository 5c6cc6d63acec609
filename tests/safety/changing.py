"""Ten clients change the settings of a house while its daemon is killed again and again.

Answers for: clients that ask, ask again under one id until they are answered, undo, and expect revisions;
kills at random instants (seeded); what was told after each start; and the history of it all for the checker.
Does not know what is right: that is `change_history`'s. Rule: a client knows only what it was answered.
"""

import json
import signal
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.broker import Mosquitto
from tests.safety.asking import Asker, Heard
from tests.safety.change_history import Answered, Asked, Kept, Read, broken
from tests.safety.harness import House, Zone

CLIENTS = 10
ZONES = tuple(Zone(name=name, burst_s=0.9, gap_s=30.0) for name in ("left", "right"))
SETTINGS = ("trim", "timetable", "closed")
ASK_AGAIN_S = 0.25  # a client that has no answer asks again, under the same id
GIVE_UP_S = 20.0  # below the 30 s for which a request is good
ALWAYS_S = 86_400.0


@dataclass(slots=True)
class Told:
    """What one campaign came to."""

    kills: int = 0
    asked: list[Asked] = field(default_factory=list)
    kept: list[Kept] = field(default_factory=list)
    reads: list[Read] = field(default_factory=list)
    killed_while_waiting: int = 0  # kills that met a client without its answer

    def broken(self) -> list[str]:
        return broken(self.asked, self.kept, self.reads)

    def count(self, outcome: str) -> int:
        return sum(any(answer.outcome == outcome for answer in each.answers) for each in self.asked)

    def repeated(self) -> int:
        return sum(len(each.answers) > 1 for each in self.asked)

    def said(self) -> str:
        return (
            f"{self.kills} kills, {len(self.asked)} requests: {self.count('done')} done, "
            f"{self.count('refused')} refused, {self.repeated()} answered more than once, "
            f"{sum(not each.answers for each in self.asked)} never; {len(self.kept)} revisions, "
            f"{len(self.reads)} settings read after a start, {self.killed_while_waiting} kills met a client "
            f"without its answer; {len(self.broken())} promises broken"
        )


class Client(threading.Thread):
    """Somebody who changes settings, one after another, with a connection of his own."""

    def __init__(self, number: int, seed: int, port: int, house: str, newest: "Newest") -> None:
        super().__init__(name=f"client-{number}", daemon=True)
        self.asked: list[Asked] = []
        self.is_waiting = False
        self._number = number
        self._random = Random(seed * 1000 + number)
        self._root = f"mistd/{house}/"
        self._newest = newest
        self._changed = threading.Condition()
        self._by_id: dict[str, Asked] = {}
        self._ending = threading.Event()
        self._properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        self._properties.ResponseTopic = f"{self._root}answer/client-{number}"
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(f"{self._root}answer/client-{number}", qos=1)
        self._client.loop_start()

    def run(self) -> None:
        while not self._ending.is_set():
            self._ask_until_answered(self._next())
            if self.asked[-1].answers and self._random.random() < 0.2:
                self._repeat(self._random.choice(self.asked[-5:]))
            time.sleep(self._random.uniform(0.0, 0.1))

    def finish(self) -> None:
        self._ending.set()
        self.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _next(self) -> Asked:
        """A change of something: an undo of an own one now and then, stale on purpose now and then."""
        zone, setting = self._random.choice(ZONES).name, self._random.choice(SETTINGS)
        request_id = f"c{self._number}-{len(self.asked)}"
        undoable = [each for each in self.asked[-3:] if each.done and each.undoes is None]
        if undoable and self._random.random() < 0.15:
            last = undoable[-1]
            revision = last.done.revision if last.done else None
            return self._remember(request_id, last.zone, last.setting, None, undoes=revision)
        seen = self._newest.of(zone, setting)
        expected = seen if self._random.random() < 0.3 else None
        return self._remember(request_id, zone, setting, self._value(setting), expected=expected)

    def _value(self, setting: str) -> Any:
        if self._random.random() < 0.15:
            return None
        if setting == "trim":
            percent = self._random.choice([-20.0, 15.0, 40.0, 500.0])  # the last is refused
            return {"percent": percent, "for_s": self._random.choice([7200.0, 90_000.0])}
        if setting == "closed":
            return {"for_s": self._random.choice([3600.0, 7200.0, 30.0])}  # the last is refused
        part = {"burst_s": 0.9, "gap_min": self._random.choice([0.4, 0.6, 0.01])}  # the last is refused
        return dict.fromkeys(("night", "dawn", "day", "dusk"), part)

    def _remember(self, request_id: str, zone: str, setting: str, value: Any, **more: Any) -> Asked:
        asked = Asked(
            request_id=request_id,
            client=self._number,
            sent_s=time.monotonic(),
            zone=zone,
            setting=setting,
            value=value,
            **more,
        )
        self._by_id[request_id] = asked
        self.asked.append(asked)
        return asked

    def _ask_until_answered(self, asked: Asked) -> None:
        """As a program would: the same id until there is an answer, or it is too old."""
        message = self._message(asked)
        deadline_s = time.monotonic() + GIVE_UP_S
        self.is_waiting = True
        while not asked.answers and time.monotonic() < deadline_s:
            self._send(asked, message)
            with self._changed:
                self._changed.wait_for(lambda: bool(asked.answers), ASK_AGAIN_S)
        self.is_waiting = False

    def _repeat(self, asked: Asked) -> None:
        """Once more what was answered already: the same answer has to come."""
        if not asked.answers or time.monotonic() - asked.sent_s > GIVE_UP_S:
            return
        before = len(asked.answers)
        self._send(asked, self._message(asked))
        with self._changed:
            self._changed.wait_for(lambda: len(asked.answers) > before, 1.0)

    def _message(self, asked: Asked) -> dict[str, Any]:
        message: dict[str, Any] = {
            "id": asked.request_id,
            "issued_at": datetime.now(UTC).isoformat(),
            "author": self.name,
        }
        if asked.undoes is not None:
            return {**message, "revision": asked.undoes}
        message |= {"zone": asked.zone, "setting": asked.setting, "value": asked.value}
        return message if asked.expected is None else {**message, "expected_revision": asked.expected}

    def _send(self, asked: Asked, message: dict[str, Any]) -> None:
        what = "set" if asked.undoes is None else "undo"
        self._client.publish(
            f"{self._root}ask/{what}", json.dumps(message), qos=1, properties=self._properties
        )

    def _hear(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        said = json.loads(message.payload)
        asked = self._by_id[said["id"]]
        answered = Answered(
            at_s=time.monotonic(),
            outcome=said["outcome"],
            revision=said["figures"].get("revision"),
            payload=bytes(message.payload),
        )
        with self._changed:
            asked.answers.append(answered)
            self._changed.notify_all()


class Newest:
    """The newest revision that was told of each setting, for those who expect one; it may be old."""

    def __init__(self) -> None:
        self._ids: dict[tuple[str, str], int] = {}

    def take(self, heard: Heard) -> None:
        for setting in heard.says["settings"]:
            self._ids[heard.says["zone"], setting["setting"]] = setting["revision"]

    def of(self, zone: str, setting: str) -> int:
        return self._ids.get((zone, setting), 0)


class Campaign:
    """One house, its clients and its kills."""

    def __init__(self, seed: int, house: House, asker: Asker, clients: list[Client], newest: Newest) -> None:
        self._random = Random(seed)
        self._house = house
        self._asker = asker
        self._clients = clients
        self._newest = newest
        self.told = Told()

    def run(self, kills: int) -> None:
        for client in self._clients:
            client.start()
        for _ in range(kills):
            mark, answered_s, began_at = self._asker.mark(), time.monotonic(), datetime.now(UTC)
            daemon = self._house.start_forked()
            daemon.wait_for("daemon started")
            online, _ = self._asker.first(_is_online_since(began_at), mark)
            self._read(online, answered_s)
            time.sleep(self._random.uniform(0.0, 0.8))
            self.told.killed_while_waiting += any(client.is_waiting for client in self._clients)
            daemon.send(signal.SIGKILL)
            daemon.ended()
            self._house.forget(daemon)
            self.told.kills += 1
        self._end()

    def _read(self, mark: int, answered_s: float) -> None:
        """What the new daemon tells first of every setting."""
        for zone in ZONES:
            topic = f"settings/{zone.name}"
            _, heard = self._asker.first(_on(topic), mark)
            self._newest.take(heard)
            for setting in heard.says["settings"]:
                if setting["setting"] == "closed" and setting["value"] is None:
                    continue  # over by itself, or never set
                self.told.reads.append(_as_read(zone.name, setting, answered_s))

    def _end(self) -> None:
        """Let the last daemon answer everyone, then read the file."""
        daemon = self._house.start_forked()
        daemon.wait_for("daemon started")
        for client in self._clients:
            client.finish()
        daemon.send(signal.SIGTERM)
        daemon.ended()
        self.told.asked = [asked for client in self._clients for asked in client.asked]
        self.told.kept = kept_revisions(self._house.state_directory / "state.db")


def _on(topic: str) -> Callable[[Heard], bool]:
    return lambda heard: heard.topic == topic


def _is_online_since(began_at: datetime) -> Callable[[Heard], bool]:
    """The new daemon's word; the one before may still be heard from a moment after its death."""

    def is_it(heard: Heard) -> bool:
        since = heard.says.get("since") if heard.topic == "status" else None
        return since is not None and datetime.fromisoformat(since) >= began_at

    return is_it


def _as_read(zone: str, setting: dict[str, Any], answered_s: float) -> Read:
    return Read(
        asked_s=answered_s,
        zone=zone,
        setting=setting["setting"],
        revision=setting["revision"],
        value=setting["value"],
    )


def kept_revisions(path: Path) -> list[Kept]:
    """Every revision in the file, read with nothing of mistd's own."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        rows = connection.execute(
            "SELECT id, subject, kind, value, request_id, undoes FROM revision ORDER BY id"
        ).fetchall()
    return [
        Kept(
            id=id_,
            zone=zone,
            setting=setting,
            value=None if value is None else json.loads(value),
            request_id=request_id,
            undoes=undoes,
        )
        for id_, zone, setting, value, request_id, undoes in rows
    ]


def campaign(seed: int, kills: int) -> Told:
    """A campaign of one house, from its own broker to the reading of its file."""
    with ExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        house = stack.enter_context(House(ZONES, name="change-house", broker_port=broker.port))
        asker = stack.enter_context(Asker(broker.port, house.name))
        newest = Newest()
        clients = [Client(number, seed, broker.port, house.name, newest) for number in range(CLIENTS)]
        changing = Campaign(seed, house, asker, clients, newest)
        changing.run(kills)
        return changing.told
