"""What is in force, for `mistd export`: from the daemon itself, else from what this machine has of it.

Rule: the house's file with what is in force is a house's file again, or nothing is handed over.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from mistd.app import remote
from mistd.app.config import Config
from mistd.app.config_file import checked_config, house_text
from mistd.app.cycle_forms import CycleForm
from mistd.app.export import Cycle, Timetable, exported
from mistd.app.messages import SettingTold
from mistd.app.past import in_force
from mistd.app.picture import Picture
from mistd.app.setting_forms import TimetableForm
from mistd.app.setting_tables import value_in_words
from mistd.app.telling_settings import change_told
from mistd.app.wiring import records_of, settings_beside, wall_time
from mistd.core.almanac import DayPart
from mistd.core.settings import SettingKind
from mistd.ports.errors import BusError, StoreError
from mistd.ports.store import KeptRevision

STAMP = "%Y-%m-%d %H:%M"


class NothingKnownError(Exception):
    """Nobody tells what is in force: in words, who was asked."""


@dataclass(slots=True, kw_only=True)
class Standing:
    """What is in force."""

    source: str  # in words
    now: datetime  # at the house
    settings: list[tuple[str, SettingTold]] = field(default_factory=list)  # of which zone


async def exported_file(config: Config, file: Path) -> tuple[str, str]:
    """The text of the house's file with what is in force in it, and where that is from.

    Raises:
        NothingKnownError: nobody tells what is in force.
        ConfigError: the file cannot be read, or does not allow what is in force.
    """
    standing = await _standing(config)
    zones = {zone.name for zone in config.zones}
    timetables = _timetables(standing, zones)
    cycles = _cycles(standing, zones)
    said = {(zone, SettingKind.TIMETABLE) for zone in timetables} | {
        (zone, SettingKind.CYCLE) for zone in cycles
    }
    text = exported(house_text(file), timetables, list(_remarks(standing, said)), cycles)
    checked_config(text, Path(f"{file} with what is in force"))
    return text, standing.source


async def _standing(config: Config) -> Standing:
    """From the daemon; without it from the database, then the copies beside that, then the broker."""
    picture, troubles = None, list[str]()
    try:
        picture = await remote.picture_of(config)
        if picture.is_online and picture.settings:
            return _told(picture, config, "the running daemon")
        troubles.append("no daemon answers")
    except BusError as problem:
        troubles.append(str(problem))
    try:
        return _kept(config, records_of(config).revisions(), f"the database ({troubles[0]})")
    except StoreError as problem:
        troubles.append(str(problem))
    beside = settings_beside(config)
    if beside:
        return _kept(config, beside[0], f"{beside[1]} ({'; '.join(troubles)})")
    if picture and picture.settings:
        return _told(picture, config, "what the daemon told before it ended")
    raise NothingKnownError(f"nobody knows what is in force: {'; '.join(troubles)}")


def _told(picture: Picture, config: Config, source: str) -> Standing:
    standing = Standing(source=source, now=remote.house_now(config, picture))
    for zone, settings in picture.settings.items():
        standing.settings += [(zone, setting) for setting in settings.settings]
    return standing


def _kept(config: Config, revisions: Sequence[KeptRevision], source: str) -> Standing:
    """What stands by the newest changes; a clock that is behind them does not unmake them."""
    now = max([wall_time(), *(datetime.fromisoformat(revision.at) for revision in revisions)])
    now = now.astimezone(ZoneInfo(config.place.time_zone))
    standing = Standing(source=source, now=now)
    told = [change_told(revision) for revision in in_force(revisions, now)]
    changes = [change for change in told if change]
    if len(changes) < len(told):
        standing.source += f"; {len(told) - len(changes)} of a later version of mistd is left out"
    for change in changes:
        fields = change.model_dump(include=set(SettingTold.model_fields))
        standing.settings.append((change.zone, SettingTold(**fields)))
    return standing


def _timetables(standing: Standing, zones: set[str]) -> dict[str, Timetable]:
    told = {
        zone: _timetable(setting)
        for zone, setting in standing.settings
        if zone in zones and setting.setting == SettingKind.TIMETABLE
    }
    return {zone: timetable for zone, timetable in told.items() if timetable}


def _timetable(setting: SettingTold) -> Timetable | None:
    try:
        form = TimetableForm.model_validate(setting.value)
    except ValidationError:
        return None
    timed = {part.value: getattr(form, part.value) for part in DayPart}
    return {
        part: (each.burst_s, each.gap_min) if not each.off else None for part, each in timed.items() if each
    }


def _cycles(standing: Standing, zones: set[str]) -> dict[str, Cycle]:
    """Those that people have set; of the others the file is right already."""
    told = {
        zone: setting.value
        for zone, setting in standing.settings
        if zone in zones and setting.setting == SettingKind.CYCLE and setting.revision and setting.value
    }
    return {zone: cycle for zone, cycle in told.items() if _is_cycle(cycle)}


def _is_cycle(plain: Cycle) -> bool:
    try:
        CycleForm.model_validate(plain)
    except ValidationError:
        return False
    return True


def _remarks(standing: Standing, said: set[tuple[str, SettingKind]]) -> Iterator[str]:
    zone_name = standing.now.tzname() or ""
    yield f"exported {standing.now:{STAMP}} {zone_name} from {standing.source}"
    for zone, setting in standing.settings:
        if setting.value is None or not setting.revision:
            continue
        if (zone, setting.setting) in said:
            yield f"{zone}: {setting.setting} {_by(setting, standing.now)}"
        else:
            ends = setting.until.astimezone(standing.now.tzinfo) if setting.until else None
            until = f"; until {ends:{STAMP}}" if ends else ""
            words = value_in_words(setting.setting, setting.value)
            yield f"{zone}: {words}{until}; {_by(setting, standing.now)}; not said by this file"


def _by(setting: SettingTold, now: datetime) -> str:
    at = f" {setting.at.astimezone(now.tzinfo):{STAMP}}" if setting.at else ""
    note = f" ({setting.note})" if setting.note else ""
    return f"set by {setting.by}{at}, revision {setting.revision}{note}"
