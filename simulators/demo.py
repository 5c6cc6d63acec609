"""The demo: a simulated house, misted by the real daemon over a real MQTT connection, shown as it goes.

Three processes beside this one: an embedded broker, the daemon and, as its child, the keeper. This process is
the house itself (weather, air, leaves, pipes and instruments) and the page on the terminal; like any other
client it knows of the daemon only what it hears from the broker, and of the valves what the outputs do.
"""

import asyncio
import os
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import aiomqtt

from mistd.adapters.simulated_outputs import LineView, SimulatedOutputsView
from mistd.app.config import Config
from mistd.app.messages import EventTold
from mistd.app.picture import Picture, event_line, lines
from mistd.app.remote import draw
from mistd.app.topics import Topics
from mistd.app.wiring import broker_address, mqtt_watch
from mistd.ports.errors import BusError, LinesError
from simulators.bench_clock import ScaledClock
from simulators.broker import is_listening
from simulators.house_on_the_bench import plant_plan
from simulators.people import People
from simulators.plant.plant import Plant, PlantState
from simulators.plant.weather import Weather
from simulators.rig import messages_of
from simulators.text_picture import svg

PLANT_EVERY_S, SENSE_EVERY_S, DRAW_EVERY_S, PRINT_EVERY_S = 0.05, 0.2, 0.5, 5.0  # real seconds
CHILD_STARTS_S, CHILD_ENDS_S = 20.0, 10.0
FULL_FILM_UM, FILM_BAR = 50.0, 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Where the demo plays: its house file, its directory, its clock and its weather."""

    config: Config
    house_file: Path
    directory: Path
    clock: ScaledClock
    weather: Weather
    weather_starts_s: float  # where in the weather the clock's epoch lies
    seed: int


class Bench:
    """The simulated house, moved on by what the outputs did."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._view = SimulatedOutputsView(stage.directory / stage.config.outputs.path)
        self._given_s = {zone.name: 0.0 for zone in stage.config.zones}
        self.plant = Plant(
            plant_plan(stage.config),
            stage.weather,
            Random(stage.seed),
            starts_at_s=stage.weather_starts_s,
        )

    def move_on(self) -> None:
        """Bring the house up to now."""
        now_s = self._stage.clock.now_s()
        to_s = self._stage.weather_starts_s + now_s - self._stage.clock.seconds.epoch_s
        passed_s = to_s - self.plant.now_s
        given_s: dict[str, float] = {}
        is_open: dict[str, bool] = {}
        with suppress(LinesError):  # nobody has driven the outputs yet
            for name, line in self._valves().items():
                running_s = max(now_s - line.last_edge_s, 0.0) if line.is_open else 0.0
                fresh_s = line.open_total_s + running_s - self._given_s[name]
                given_s[name] = min(max(fresh_s, 0.0), passed_s)
                self._given_s[name] += given_s[name]
                is_open[name] = line.is_open
        self.plant.advance(to_s, given_s, is_open)

    def valves_open(self) -> list[str]:
        """The valves that are open now."""
        try:
            return [name for name, line in self._valves().items() if line.is_open]
        except LinesError:
            return []

    def _valves(self) -> dict[str, LineView]:
        """The outputs that let water through: a siren's does not."""
        return {name: line for name, line in self._view.lines().items() if name in self._given_s}


class Demo:
    """Everything that goes on while the demo runs."""

    def __init__(self, stage: Stage, *, is_terminal: bool, picture_file: Path | None = None) -> None:
        self._stage = stage
        self._picture_file = picture_file
        self._is_terminal = is_terminal
        self._bench = Bench(stage)
        self._picture = Picture(topics=Topics(house_name=stage.config.house.name))
        self._unprinted: deque[EventTold] = deque(maxlen=100)
        self._people = People(zones=frozenset(zone.name for zone in stage.config.zones))

    async def run(self, stop: "asyncio.Future[str]") -> int:
        """Run until stopped; return the exit code."""
        broker = _child("broker", "--port", str(self._stage.config.broker.port), log=self._log("broker"))
        daemon = None
        try:
            await _until(lambda: is_listening(self._stage.config.broker.port), broker, "the embedded broker")
            daemon = self._start_daemon()
            await self._play(stop, daemon)
        except RuntimeError as problem:
            sys.stderr.write(f"{problem}\n")
            return 1
        finally:
            code = _ended(daemon) if daemon else 0
            _ended(broker)
        return self._said_at_the_end(code)

    async def _play(self, stop: "asyncio.Future[str]", daemon: "subprocess.Popen[bytes]") -> None:
        tasks: list[asyncio.Task[None]] = [
            asyncio.create_task(part) for part in (self._live(), self._sense(), self._hear(), self._show())
        ]
        tasks.append(asyncio.create_task(self._watch_over(daemon)))
        everything: list[asyncio.Future[Any]] = [*tasks, stop]
        done, _ = await asyncio.wait(everything, return_when=asyncio.FIRST_COMPLETED)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for ended in done:
            ended.result()

    def _start_daemon(self) -> "subprocess.Popen[bytes]":
        seconds, clock = self._stage.clock.seconds, self._stage.clock
        return _child(
            "house",
            str(self._stage.house_file),
            f"--speed={seconds.speed!r}",
            f"--epoch={seconds.epoch_s!r}",
            f"--starts-at={clock.starts_at.isoformat()}",
            log=self._log("daemon"),
        )

    def _log(self, name: str) -> Path:
        return self._stage.directory / f"{name}.log"

    async def _watch_over(self, daemon: "subprocess.Popen[bytes]") -> None:
        while daemon.poll() is None:  # noqa: ASYNC110 - a process ends without an event
            await asyncio.sleep(DRAW_EVERY_S)
        raise RuntimeError(f"the daemon ended by itself; see {self._log('daemon')}")

    async def _live(self) -> None:
        while True:
            self._bench.move_on()
            await asyncio.sleep(PLANT_EVERY_S)

    async def _sense(self) -> None:
        """Send what the instruments say and people ask, as any client of the broker would."""
        broker, seconds = self._stage.config.broker, self._stage.clock.seconds
        topics = {sensor.name: sensor.topic for sensor in self._stage.config.sensors}
        protocol = aiomqtt.ProtocolVersion.V311
        async with aiomqtt.Client(broker.host, broker.port, protocol=protocol) as client:
            while True:
                now_s = seconds() - seconds.epoch_s
                out = {topic for name, topic in topics.items() if self._people.is_out(name, now_s)}
                for topic, payload in messages_of(self._stage.config, self._bench.plant).items():
                    if topic not in out:
                        await client.publish(topic, payload)
                for what, request in self._people.messages(now_s, datetime.now(UTC)):
                    await client.publish(self._picture.topics.ask(what), request)
                await asyncio.sleep(SENSE_EVERY_S)

    async def _hear(self) -> None:
        address = broker_address(self._stage.config, client_id=f"demo-{os.getpid()}")
        topics = self._picture.topics
        try:
            async for message in mqtt_watch(address, [f"{topics.root}/#"]):
                self._picture.take(message.topic, message.payload)
                if message.topic == topics.event and self._picture.events:
                    self._unprinted.append(self._picture.events[-1])
        except BusError as problem:
            raise RuntimeError(str(problem)) from None

    async def _show(self) -> None:
        if self._is_terminal:
            sys.stdout.write("\x1b[2J")
            while True:
                draw(self.page())
                await asyncio.sleep(DRAW_EVERY_S)
        while True:
            await asyncio.sleep(PRINT_EVERY_S)
            self._print()

    def _print(self) -> None:
        """Without a terminal: the page now and then, and every event in between."""
        now = self._now()
        while self._unprinted:
            sys.stdout.write(event_line(self._unprinted.popleft(), now) + "\n")
        sys.stdout.write("\n".join(["", *self.page(), ""]) + "\n")
        sys.stdout.flush()

    def page(self) -> list[str]:
        """The page as it is now."""
        state = self._bench.plant.state()
        films = {name: film_text(state, name) for name in state.zones}
        speed = self._stage.clock.seconds.speed
        return [
            *lines(self._picture, self._now(), films, "film on the leaves"),
            "",
            f"simulated, {speed:g} times life; the air lacks {state.vapour_pressure_deficit_kpa:.2f} kPa of "
            "vapour; Ctrl-C shuts the valves and ends",
            *self._things_to_try(),
        ]

    def _things_to_try(self) -> list[str]:
        """What to type in a second terminal."""
        house_file, zone = self._shown(self._stage.house_file), self._stage.config.zones[0].name
        mistd = self._shown(Path(sys.executable).with_name("mistd"))
        port, root = self._stage.config.broker.port, self._picture.topics.root
        return [
            "in a second terminal:",
            f"  export MISTD_HOUSE={house_file}",
            f"  {mistd} why {zone}    (also: status, watch, settings, journal, alarms)",
            f"  {mistd} set {zone} trim -20% --for 6h    (then: undo REVISION)",
            f"  {mistd} hold {zone} --for 45m    (also: burst, release, alarm)",
            f"  {mistd}-sim rehearse {house_file} --from 2025-06-01 --to 2025-06-14  (two weeks)",
            f"  mosquitto_sub -p {port} -v -t '{root}/#'",
        ]

    @staticmethod
    def _shown(path: Path) -> str:
        """A path as short as it can be typed from here."""
        absolute = Path(os.path.abspath(path))  # noqa: PTH100 - not through links: a venv's python is one
        here = Path.cwd()
        return str(absolute.relative_to(here) if absolute.is_relative_to(here) else absolute)

    def _now(self) -> datetime:
        return self._stage.clock.utc().astimezone(ZoneInfo(self._stage.config.place.time_zone))

    def _said_at_the_end(self, code: int) -> int:
        if self._picture_file:
            self._picture_file.parent.mkdir(parents=True, exist_ok=True)
            self._picture_file.write_text(svg(self.page()))
        still_open = self._bench.valves_open()
        state = self._bench.plant.state()
        given_l = sum(zone.applied_l for zone in state.zones.values())
        bursts = sum(zone.today.bursts for zone in self._picture.zones.values())
        valves = f"open: {', '.join(still_open)}" if still_open else "every valve is shut"
        sys.stdout.write(f"\nended; {valves}; {bursts} bursts and {given_l:.0f} l of mist today\n")
        return 1 if still_open or code else 0


def film_text(state: PlantState, zone: str) -> str:
    """A zone's film as a bar and in micrometres, and how much of the leaves it covers."""
    zone_state = state.zones[zone]
    filled = round(min(zone_state.film_um / FULL_FILM_UM, 1.0) * FILM_BAR)
    bar = "~" * filled + "." * (FILM_BAR - filled)
    wilted = ", wilted" if zone_state.is_wilted else ""
    return f"{bar} {zone_state.film_um:3.0f} um, {zone_state.wet_fraction * 100.0:3.0f} % wet{wilted}"


def starts_at(weather: Weather, hour: float) -> datetime:
    """The instant in the weather's first day at which the demo begins."""
    return weather.starts_at.astimezone(UTC) + timedelta(hours=hour)


def _child(*arguments: str, log: Path) -> "subprocess.Popen[bytes]":
    """Another `mistd-sim` beside us, apart from our terminal; it ends when its standard input closes."""
    with log.open("w") as output:
        return subprocess.Popen(
            [sys.executable, "-m", "simulators.cli", *arguments],
            stdin=subprocess.PIPE,
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )


async def _until(is_there: Callable[[], bool], child: "subprocess.Popen[bytes]", what: str) -> None:
    deadline_s = asyncio.get_running_loop().time() + CHILD_STARTS_S
    while not is_there():
        if child.poll() is not None or asyncio.get_running_loop().time() > deadline_s:
            raise RuntimeError(f"{what} did not start; see the log beside the house file")
        await asyncio.sleep(0.05)


def _ended(child: "subprocess.Popen[bytes]") -> int:
    """End a child and wait for it; its exit code."""
    if child.poll() is None:
        child.send_signal(signal.SIGTERM)
    try:
        return child.wait(CHILD_ENDS_S)
    except subprocess.TimeoutExpired:
        child.kill()
        return child.wait()
    finally:
        if child.stdin:
            child.stdin.close()
