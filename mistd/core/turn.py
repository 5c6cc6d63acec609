"""The working copy of one decision: what has changed so far, what was asked for and what is told.

Each part of the house is copied once, when it is first touched; what nobody touches stays the same object.
This file knows how a house is changed, and nothing of why.
"""

from collections.abc import Iterator, Mapping

from mistd.core.actions import Action, AnswerRequest, KeepRevision, Outcome
from mistd.core.events import Event, EventKind
from mistd.core.house import Decision, House
from mistd.core.interlocks import Circumstances, rested_s
from mistd.core.settings import Key, Revision, SettingKind, SettingValue
from mistd.core.zone import Zone, attention_s, mark

NO_FIGURES: Mapping[str, float | str] = {}


class Turn:
    """One decision in the making."""

    __slots__ = (
        "actions",
        "almanac",
        "asked",
        "counting_date",
        "counting_since_s",
        "events",
        "frost",
        "house",
        "is_changed",
        "is_keeper_ready",
        "keeper_since_s",
        "keeper_trouble",
        "line",
        "now_s",
        "plan",
        "sensors",
        "settings",
        "sources",
        "stale_s",
        "touched",
        "trust",
        "waiting",
    )

    def __init__(self, house: House, now_s: float) -> None:
        self.house = house
        self.now_s = now_s
        self.plan = house.plan
        self.almanac = house.almanac
        self.asked = house.asked
        self.counting_date = house.counting_date
        self.counting_since_s = house.counting_since_s
        self.frost = house.frost
        self.is_keeper_ready = house.is_keeper_ready
        self.keeper_since_s = house.keeper_since_s
        self.keeper_trouble = house.keeper_trouble
        self.line = house.line
        self.sensors = house.sensors
        self.settings = house.settings
        self.sources = house.sources
        self.stale_s = house.stale_s
        self.trust = house.trust
        self.waiting = house.waiting
        self.actions: list[Action] = []
        self.events: list[Event] = []
        self.touched: dict[int, Zone] = {}
        self.is_changed = False

    def zone(self, index: int) -> Zone:
        """The zone as it stands in this turn, to look at."""
        return self.touched.get(index) or self.house.zones[index]

    def touch(self, index: int) -> Zone:
        """The zone as it stands in this turn, to change."""
        zone = self.touched.get(index)
        if zone is None:
            zone = self.touched[index] = self.house.zones[index].copied()
        return zone

    def touch_all(self) -> list[Zone]:
        """Every zone, to change."""
        return [self.touch(index) for index in range(len(self.house.zones))]

    def set_mark(self, zone: Zone) -> None:
        """Work out anew when a zone that was touched is due."""
        mark(zone, self.almanac, self.sources, self.now_s)

    def circumstances(self) -> Circumstances:
        """What the guards look at."""
        return Circumstances(
            now_s=self.now_s,
            is_keeper_ready=self.is_keeper_ready,
            keeper_since_s=self.keeper_since_s,
            is_frost=self.frost.is_on,
        )

    def ask_for(self, action: Action) -> None:
        self.actions.append(action)

    def tell(
        self, kind: EventKind, subject: str, reason: str, figures: Mapping[str, float | str] = NO_FIGURES
    ) -> None:
        self.events.append(Event(kind=kind, at_s=self.now_s, subject=subject, reason=reason, figures=figures))

    def answer(
        self,
        request_id: str,
        outcome: Outcome,
        reason: str,
        figures: Mapping[str, float | str] = NO_FIGURES,
    ) -> None:
        """Answer a request about which nothing has to be written down."""
        self.ask_for(AnswerRequest(request_id=request_id, outcome=outcome, reason=reason, figures=figures))

    def refuse(self, request_id: str, subject: str, author: str, reason: str) -> None:
        """Refuse a change of a setting; the record shall show who wanted what, and why not."""
        self.answer(request_id, Outcome.REFUSED, reason)
        self.tell(EventKind.SETTING_REFUSED, subject, reason, {"asked_by": author})

    def stale(self, key: Key, expected: int | None) -> Iterator[str]:
        """In words, when somebody changed a setting after it was looked at."""
        newest = self.settings.newest.get(key)
        stands_at = newest.id if newest else 0
        if expected is not None and expected != stands_at:
            by = f" by {newest.author}" if newest else ""
            yield f"it stands at revision {stands_at}{by}, not at {expected}: look at it and ask again"

    def record(
        self,
        kind: SettingKind,
        zone: str,
        value: SettingValue | None,
        ends_s: float,
        author: str,
        note: str,
        request_id: str,
        undoes: int | None = None,
    ) -> Revision:
        """Give a change that is in force its revision, to be written down."""
        revision = Revision(
            id=self.settings.last_id + 1,
            kind=kind,
            zone=zone,
            value=value,
            ends_s=ends_s,
            author=author,
            note=note,
            request_id=request_id,
            undoes=undoes,
        )
        self.settings = self.settings.with_revision(revision)
        self.is_changed = True
        self.ask_for(KeepRevision(revision=revision))
        return revision

    def ask_guards_again(self, zone: Zone) -> None:
        """A guard that had spoken has let go: the zone waits for nothing but its mark and its rest."""
        zone.held_until_s = rested_s(zone, self.keeper_since_s)

    def decision(self, line_s: float) -> Decision:
        """Everything this turn came to.

        Args:
            line_s: the next instant at which the line has something to give or to refuse.
        """
        house = self._house()
        wake_at_s = min(*house.attention_s, line_s, house.stale_s)
        if self.now_s < house.almanac.ends_s < wake_at_s:
            wake_at_s = house.almanac.ends_s
        return Decision(
            house=house, actions=tuple(self.actions), events=tuple(self.events), wake_at_s=wake_at_s
        )

    def _house(self) -> House:
        before = self.house
        if not self.touched and not self.is_changed:
            return before
        zones, attention = self._zones()
        return House(
            plan=self.plan,
            almanac=self.almanac,
            zones=zones,
            attention_s=attention,
            waiting=self.waiting,
            asked=self.asked,
            line=self.line,
            sensors=self.sensors,
            stale_s=self.stale_s,
            frost=self.frost,
            settings=self.settings,
            is_keeper_ready=self.is_keeper_ready,
            keeper_since_s=self.keeper_since_s,
            keeper_trouble=self.keeper_trouble,
            counting_date=self.counting_date,
            counting_since_s=self.counting_since_s,
            sources=self.sources,
            trust=self.trust,
        )

    def _zones(self) -> tuple[tuple[Zone, ...], tuple[float, ...]]:
        """The zones after this turn, and when each needs the next: untouched ones as they were.

        A zone on demand needs it at another instant as soon as its meter runs otherwise.
        """
        house = self.house
        is_sources_same = self.sources is house.sources
        if not self.touched and is_sources_same:
            return house.zones, house.attention_s
        zones, attention = house.zones, list(house.attention_s)
        if self.touched:
            changed = list(zones)
            for index, zone in self.touched.items():
                changed[index] = zone
            zones = tuple(changed)
        for index, zone in enumerate(zones):
            if index in self.touched or (zone.demand is not None and not is_sources_same):
                attention[index] = attention_s(zone, self.sources)
        return zones, tuple(attention)
