"""What is told outside of settings: how each zone's stand and who set them, and the newest changes.

A zone's settings are told again when one of them was changed or has ended by itself.

Rule: nobody is told of a revision before it is kept. Else a kill could take it back, and its id would be
given to another change, which somebody who expects the first would take for it.
"""

import json
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from math import inf
from typing import Any

from mistd.app.messages import ChangesTold, ChangeTold, Message, SettingsTold, SettingTold
from mistd.app.recording import wall_of
from mistd.app.setting_forms import FORMS, plain_cycle, plain_timetable
from mistd.app.topics import Topics
from mistd.core.house import House
from mistd.core.settings import LASTING, SettingKind, said
from mistd.core.zone import Zone
from mistd.ports.clock import Clock
from mistd.ports.store import KeptRevision

CHANGES_TOLD = 20
IN_THE_FILE = "the house's file"
Standing = tuple[Any, ...]


class SettingsTeller:
    """Tells how settings stand."""

    def __init__(
        self,
        topics: Topics,
        clock: Clock,
        tell: Callable[[str, Message], None],
        cycles: Mapping[str, dict[str, Any]],
        kept: Iterable[KeptRevision] = (),
    ) -> None:
        """Know what was set before.

        Args:
            topics: the topics of the house.
            clock: for the instants at which passing settings end.
            tell: publishes a state under a topic.
            cycles: of every zone, as the house's file has it.
            kept: revisions of before this start, oldest first.
        """
        self._topics = topics
        self._clock = clock
        self._publish = tell
        self._cycles = cycles
        self._newest: dict[tuple[str, str], KeptRevision] = {}
        self._changes: deque[KeptRevision] = deque(maxlen=CHANGES_TOLD)
        self._told: dict[str, Standing] = {}
        self._is_news = True
        self._house: House | None = None
        for revision in sorted(kept, key=lambda revision: revision.id):
            self.take_change(revision)

    def tell_change(self, revision: KeptRevision) -> None:
        """One more change, which is kept now, or will not be for as long as the disk fails."""
        self.take_change(revision)
        if self._house:
            self.tell_state(self._house)

    def take_change(self, revision: KeptRevision) -> None:
        """One more change, to be told with the next state."""
        self._newest[revision.kind, revision.subject] = revision
        self._changes.append(revision)
        self._is_news = True

    def tell_state(self, house: House) -> None:
        """Publish the settings of every zone in which something changed, and the changes."""
        self._house = house
        for zone in house.zones:
            standing = self._standing(house, zone)
            if standing != self._told.get(zone.plan.name) and self._is_kept(house, zone):
                self._told[zone.plan.name] = standing
                self._publish(self._topics.settings(zone.plan.name), self._settings(zone))
        if self._is_news:
            self._is_news = False
            changes = [change_told(revision) for revision in reversed(self._changes)]
            self._publish(self._topics.changes, ChangesTold(changes=[each for each in changes if each]))

    def _standing(self, house: House, zone: Zone) -> Standing:
        name = zone.plan.name
        ids = tuple(house.settings.newest_id((kind, name)) for kind in SettingKind)
        return (*ids, zone.timetable, zone.cycle_set, zone.trim, zone.closed, zone.skip, zone.hold)

    def _is_kept(self, house: House, zone: Zone) -> bool:
        """Whether we have been handed every change that is in force in the zone."""
        keys = ((kind, zone.plan.name) for kind in SettingKind)
        newest = {key: house.settings.newest_id(key) for key in keys}
        return all(
            id_ == 0 or ((kept := self._newest.get((kind.value, name))) is not None and kept.id >= id_)
            for (kind, name), id_ in newest.items()
        )

    def _settings(self, zone: Zone) -> SettingsTold:
        return SettingsTold(zone=zone.plan.name, settings=[self._setting(kind, zone) for kind in SettingKind])

    def _setting(self, kind: SettingKind, zone: Zone) -> SettingTold:
        newest = self._newest.get((kind.value, zone.plan.name))
        change = change_told(newest) if newest else None
        ends_s = _ends_s(kind, zone)
        value = self._lasting(kind, zone) if kind in LASTING else change and change.value
        return SettingTold(
            setting=kind.value,
            value=value if ends_s is not None else None,
            revision=newest.id if newest else 0,
            by=newest.author if newest else IN_THE_FILE,
            at=change.at if change else None,
            until=wall_of(ends_s, self._clock) if ends_s is not None and ends_s < inf else None,
            note=newest.note if newest else "",
        )

    def _lasting(self, kind: SettingKind, zone: Zone) -> dict[str, Any]:
        """What is in force, whoever said so: a setting, or the house's file."""
        if kind is SettingKind.TIMETABLE:
            return dict(plain_timetable(zone.cycle))
        return plain_cycle(zone.cycle_set) if zone.cycle_set else self._cycles[zone.plan.name]


def _ends_s(kind: SettingKind, zone: Zone) -> float | None:
    """When what is in force ends; None when nothing is."""
    if kind in LASTING:
        return inf
    passing = {
        SettingKind.TRIM: zone.trim,
        SettingKind.HOLD: zone.hold,
        SettingKind.CLOSED: zone.closed,
        SettingKind.SKIP: zone.skip,
    }[kind]
    return passing.ends_s if passing else None


def change_told(revision: KeptRevision) -> ChangeTold | None:
    """A change as it is told; None for one that this version does not understand."""
    try:
        kind = SettingKind(revision.kind)
        form = FORMS[kind]
        value = None
        if revision.value is not None:
            value = form.core(form.form.model_validate_json(revision.value))
        return ChangeTold(
            revision=revision.id,
            zone=revision.subject,
            setting=kind.value,
            value=None if revision.value is None else json.loads(revision.value),
            said=said(kind, value),
            until=None if revision.until is None else datetime.fromisoformat(revision.until),
            by=revision.author,
            note=revision.note,
            at=datetime.fromisoformat(revision.at),
            undoes=revision.undoes,
        )
    except ValueError:  # pydantic's is one, too
        return None
