"""What the daemon itself finds amiss, as conditions of alarms: its broker, its disk, its parts, its settings.

Answers for: which of the daemon's events puts which condition on or off, and how each stands at a start.
Does not know what becomes of a condition, or a house's own conditions: those are the core's to see.

Rule: no event of an alarm is a sign of one. Else an alarm could raise itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from mistd.core.alarm_kinds import AlarmKind
from mistd.core.annunciator import AlarmKey, Condition
from mistd.core.events import Event, EventKind
from mistd.core.house import House
from mistd.core.plan import HousePlan
from mistd.core.settings import SettingKind

LONGEST_REASON = 600  # characters of reasons that are put together while nobody looks
NOT_YET_CONNECTED = "not connected since the start"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """What an event says of a condition."""

    kind: AlarmKind
    is_on: bool = True
    is_pulse: bool = False  # it happened, and leaves no state
    is_of_house: bool = True  # the alarm's subject is the house; else what the event is of
    adds_up: bool = False  # several of them are one alarm, with the reasons of all


A, E = AlarmKind, EventKind

SIGNS: Mapping[EventKind, Sign] = {
    E.BROKER_CONNECTED: Sign(kind=A.NO_BROKER, is_on=False),
    E.BROKER_LOST: Sign(kind=A.NO_BROKER),
    E.STATE_NOT_KEPT: Sign(kind=A.STATE_NOT_KEPT),
    E.STATE_KEPT_AGAIN: Sign(kind=A.STATE_NOT_KEPT, is_on=False),
    E.STATE_UNREADABLE: Sign(kind=A.STATE_SET_ASIDE, is_pulse=True, adds_up=True),
    E.CONFIGURATION_BAD: Sign(kind=A.CONFIGURATION_BAD),
    E.SETTING_NOT_APPLIED: Sign(kind=A.SETTING_NOT_APPLIED, is_of_house=False, adds_up=True),
    E.BACKUP_FAILED: Sign(kind=A.BACKUP_FAILED, is_pulse=True, adds_up=True),
    E.TASK_FAILED: Sign(kind=A.TASK_FAILED, is_pulse=True, is_of_house=False, adds_up=True),
    E.SIREN_TROUBLE: Sign(kind=A.SIREN_TROUBLE, is_pulse=True, adds_up=True),
}


class OwnConditions:
    """The daemon's own conditions as they stand, and what happened since they were last looked at."""

    def __init__(self, plan: HousePlan) -> None:
        self._house_name = plan.name
        self._standing: dict[AlarmKey, Condition] = {}
        self._happened: dict[AlarmKey, Condition] = {}
        self._changed: dict[AlarmKey, None] = {}
        self._set(_condition(A.NO_BROKER, plan.name, NOT_YET_CONNECTED, is_on=True))
        self._set(_condition(A.STATE_NOT_KEPT, plan.name))
        self._set(_condition(A.CONFIGURATION_BAD, plan.name))
        for zone in plan.zones:
            self._set(_condition(A.SETTING_NOT_APPLIED, zone.name))

    def take(self, event: Event) -> bool:
        """Whether an event is a sign of anything; if so it is told with the next news."""
        sign = SIGNS.get(event.kind)
        if sign is None:
            return False
        subject = self._house_name if sign.is_of_house else event.subject
        condition = replace(
            _condition(sign.kind, subject, event.reason, is_on=sign.is_on), is_pulse=sign.is_pulse
        )
        if sign.is_pulse:
            self._happened[sign.kind, subject] = _added(self._happened, condition)
        else:
            self._set(_added(self._standing, condition) if sign.adds_up else condition)
        return True

    def again(self) -> None:
        """Whoever looks knows nothing: the next news is everything."""
        self._changed = dict.fromkeys(self._standing)

    def news(self, house: House | None, now_s: float) -> list[Condition]:
        """What has changed and what has happened since the last call."""
        if house:
            self._attend_settings(house, now_s)
        changed, self._changed = self._changed, {}
        happened, self._happened = self._happened, {}
        return [*(self._standing[key] for key in changed), *happened.values()]

    def _set(self, condition: Condition) -> None:
        key = condition.kind, condition.subject
        self._standing[key] = condition
        self._changed[key] = None

    def _attend_settings(self, house: House, now_s: float) -> None:
        for condition in list(self._standing.values()):
            is_told = condition.kind is A.SETTING_NOT_APPLIED and condition.is_on
            if is_told and not is_left_out(house, condition.subject, now_s):
                self._set(_condition(A.SETTING_NOT_APPLIED, condition.subject))


def is_left_out(house: House, zone_name: str, now_s: float) -> bool:
    """Whether a zone has a timetable, cycle or trim that was set, is meant to last, and is not in force."""
    zone = house.zones[house.plan.index[zone_name]]
    timetable = house.settings.top((SettingKind.TIMETABLE, zone_name))
    cycle = house.settings.top((SettingKind.CYCLE, zone_name))
    trim = house.settings.top((SettingKind.TRIM, zone_name))
    is_timetable_out = timetable is not None and timetable.value is not None and zone.timetable is None
    is_cycle_out = cycle is not None and cycle.value is not None and zone.cycle_set is None
    is_trim_out = trim is not None and trim.value is not None and trim.ends_s > now_s and zone.trim is None
    return is_timetable_out or is_cycle_out or is_trim_out


def _condition(kind: AlarmKind, subject: str, reason: str = "", *, is_on: bool = False) -> Condition:
    return Condition(kind=kind, subject=subject, is_on=is_on, reason=reason)


def _added(before: Mapping[AlarmKey, Condition], condition: Condition) -> Condition:
    """A condition with the reasons that were given for it before and not looked at since."""
    was = before.get((condition.kind, condition.subject))
    if was is None or not was.is_on:
        return condition
    if condition.reason in was.reason or len(was.reason) + len(condition.reason) > LONGEST_REASON:
        return was
    return replace(condition, reason=f"{was.reason}; {condition.reason}")
