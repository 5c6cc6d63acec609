"""A house whose settings are changed by hand, what of it is kept, and what is told of them, for tests.

Does not know what should be told. Rule: every message goes through its JSON, as on the wire.
"""

from datetime import UTC, datetime, timedelta
from typing import Any

from mistd.app.config import Config
from mistd.app.cycle_forms import cycle_in_file
from mistd.app.house_plan import house_plan, place_of
from mistd.app.messages import ChangesTold, Message, SettingsTold
from mistd.app.recording import kept_revision
from mistd.app.sun import almanac_at
from mistd.app.telling_settings import SettingsTeller
from mistd.app.topics import Topics
from mistd.core.actions import KeepRevision
from mistd.core.decide import decide
from mistd.core.house import begun
from mistd.core.observations import KeeperReady, Observations
from mistd.core.requests import AskSetting, Request
from mistd.core.settings import (
    NO_SETTINGS,
    SettingKind,
    Settings,
    SettingValue,
)
from mistd.core.zone import Zone
from mistd.ports.store import KeptRevision
from simulators.bench_clock import LoopClock

NOON = datetime(2026, 6, 21, 10, tzinfo=UTC)
TOPICS = Topics(house_name="fern-house")
FILES = {
    "night": {"burst_s": 4.0, "gap_min": 40.0},
    "dawn": {"burst_s": 5.0, "gap_min": 15.0},
    "day": {"burst_s": 6.0, "gap_min": 8.0},
    "dusk": {"burst_s": 5.0, "gap_min": 15.0},
}
NEVER_SET: dict[str, Any] = {
    "value": None,
    "revision": 0,
    "by": "the house's file",
    "at": None,
    "until": None,
    "note": "",
}


class Desk:
    """A house decided on by hand, every zone misted a minute ago; what of it is kept, and what is told."""

    def __init__(
        self, config: Config, kept: tuple[KeptRevision, ...] = (), settings: Settings = NO_SETTINGS
    ) -> None:
        self.now_s = 1000.0
        self.clock = LoopClock(starts_at=NOON - timedelta(seconds=1000.0), loop_time=lambda: self.now_s)
        almanac = almanac_at(place_of(config.place, config.day_parts), NOON, self.now_s)
        plan = house_plan(config)
        zones = tuple(Zone(plan=each, opened_s=934.0, shut_s=940.0) for each in plan.zones)
        self.house = begun(plan, almanac, self.now_s, zones, settings)
        self.published: list[tuple[str, Message]] = []
        self.teller = SettingsTeller(
            TOPICS, self.clock, self.publish, {each.name: cycle_in_file(each) for each in config.zones}, kept
        )
        self.waiting: list[KeptRevision] = []  # for the disk
        self.kept = list(kept)
        self.number = 0
        self.looked = 0
        self.turn(keeper=(KeeperReady(since_s=0.0),))

    def publish(self, topic: str, message: Message) -> None:
        """As it goes over the wire and back."""
        again = type(message).model_validate_json(message.model_dump_json())
        self.published.append((topic.removeprefix(f"{TOPICS.root}/"), again))

    def turn(self, *requests: Request, after_s: float = 0.0, **new: Any) -> None:
        self.now_s += after_s
        decision = decide(self.house, Observations(requests=requests, **new), self.now_s)
        self.house = decision.house
        self.waiting += [
            kept_revision(each.revision, self.clock)
            for each in decision.actions
            if isinstance(each, KeepRevision)
        ]
        self.teller.tell_state(self.house)

    def set(self, kind: SettingKind, value: SettingValue | None, zone: str = "left", **more: Any) -> None:
        self.number += 1
        about = {"author": "Ida", "note": ""} | more
        self.turn(AskSetting(request_id=f"r{self.number}", zone=zone, kind=kind, value=value, **about))
        assert self.waiting, "it was refused"

    def keep(self) -> None:
        """The disk has written what waits."""
        for revision in self.waiting:
            self.kept.append(revision)
            self.teller.tell_change(revision)
        self.waiting.clear()

    def news(self) -> list[str]:
        """On which topics something was told since the last call."""
        news = sorted(topic for topic, _ in self.published[self.looked :])
        self.looked = len(self.published)
        return news

    def settings(self, zone: str = "left") -> dict[str, dict[str, Any]]:
        """What was told of a zone last, by kind."""
        told = [message for topic, message in self.published if topic == f"settings/{zone}"]
        assert isinstance(told[-1], SettingsTold)
        assert told[-1].zone == zone
        plain = told[-1].model_dump()["settings"]
        return {each.pop("setting"): each for each in plain}

    def changes(self) -> list[dict[str, Any]]:
        told = [message for topic, message in self.published if topic == "changes"]
        assert isinstance(told[-1], ChangesTold)
        changes: list[dict[str, Any]] = told[-1].model_dump()["changes"]
        return changes
