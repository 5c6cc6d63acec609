"""A house decided on by hand, and what is told of it: for tests of what is told.

Does not know what should be told. Rule: time goes on only where a test says so.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from mistd.app.config import Config
from mistd.app.house_plan import house_plan, place_of
from mistd.app.messages import HouseTold, Message, SensorTold, ZoneTold
from mistd.app.sun import almanac_at
from mistd.app.telling import Teller
from mistd.app.topics import Topics
from mistd.core.actions import OpenValve
from mistd.core.decide import decide
from mistd.core.house import begun
from mistd.core.observations import KeeperReady, LineEdge, LineReport, Observations
from mistd.core.readings import reading_of
from mistd.ports.bus import Outgoing
from simulators.bench_clock import LoopClock
from tests.app.house_files import Change, loaded_house

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
TOPICS = Topics(house_name="fern-house")
MODELS: dict[str, type[Message]] = {"house": HouseTold, "zone": ZoneTold, "sensor": SensorTold}


@dataclass
class Desk:
    """A house decided on by hand, and what is told of it."""

    config: Config
    clock: LoopClock
    published: list[Outgoing] = field(default_factory=list)
    orders: list[OpenValve] = field(default_factory=list)
    now_s: float = 1000.0

    def __post_init__(self) -> None:
        self.clock.loop_time = lambda: self.now_s
        self.place = place_of(self.config.place, self.config.day_parts)
        self.house = begun(
            house_plan(self.config), almanac_at(self.place, self.clock.utc(), self.now_s), self.now_s
        )
        self.teller = Teller(self.config, TOPICS, self.clock, self.published.append)

    def turn(self, after_s: float = 0.0, **new: Any) -> list[str]:
        """Decide on what is new, tell the state; the topics on which something was published."""
        self.now_s += after_s
        decision = decide(self.house, Observations(**new), self.now_s)
        self.house = decision.house
        self.orders += [each for each in decision.actions if isinstance(each, OpenValve)]
        return self.tell()

    def tell(self) -> list[str]:
        self.published.clear()
        self.teller.tell_state(self.house)
        return [each.topic.removeprefix(f"{TOPICS.root}/") for each in self.published]

    def told(self, name: str) -> dict[str, Any]:
        (payload,) = [each.payload for each in self.published if each.topic == f"{TOPICS.root}/{name}"]
        message = MODELS[name.split("/", maxsplit=1)[0]].model_validate_json(payload)
        return message.model_dump()

    def hear(self, sensor: str, value: float, after_s: float = 0.0) -> list[str]:
        kind = self.house.plan.sensors[sensor].kind
        return self.turn(after_s, readings=((sensor, reading_of(kind, value, self.now_s + after_s)),))

    def report(self, edge: LineEdge, after_s: float = 0.0, **more: Any) -> list[str]:
        order, at_s = self.orders[-1], self.now_s + after_s
        report = LineReport(edge=edge, line=order.zone, ticket=order.ticket, at_s=at_s, **more)
        return self.turn(after_s, keeper=(report,))


def desk_for(directory: Path, *changes: Change) -> Desk:
    return Desk(config=loaded_house(directory, *changes), clock=LoopClock(starts_at=NOON))


def rested(desk: Desk) -> None:
    """A keeper that has been there for long, and every zone misted and at rest."""
    desk.turn(keeper=(KeeperReady(since_s=0.0),))
    for _ in range(2):
        desk.report(LineEdge.OPENED)
        desk.report(LineEdge.SHUT, after_s=6.0, open_s=6.0, reason="its time was over")
        desk.turn(2.0)
    desk.tell()
