"""Settings and their changes as tables of text, for whoever reads them on a terminal.

Pure: what was told or kept in, lines out. A value that this version does not understand is shown as it is.
"""

import json
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from pydantic import ValidationError

from mistd.app.messages import ChangeTold, SettingTold
from mistd.app.picture import aligned
from mistd.app.problems import printable
from mistd.app.setting_forms import FORMS
from mistd.app.spoken import said_instant
from mistd.core.settings import LASTING, SettingKind, said
from mistd.ports.store import KeptRevision

Listed = tuple[str, SettingTold]  # of which zone
HEAD = ("zone", "setting", "since", "by", "until", "revision", "value", "note")
HISTORY_HEAD = ("revision", "at", "by", "zone", "setting", "until", "value", "note")


def settings_table(listed: Sequence[Listed], now: datetime) -> list[str]:
    """Settings as they stand."""
    return _table(HEAD, (_setting_row(zone, setting, now) for zone, setting in listed))


def history_table(changes: Iterable[ChangeTold], now: datetime) -> list[str]:
    """Changes, in the order they are handed in."""
    return _table(HISTORY_HEAD, (_change_row(change, now) for change in changes))


def value_in_words(setting: str, value: dict[str, Any] | None) -> str:
    """A value as it is said; a timetable and a cycle without that word, for it stands beside it."""
    try:
        kind = SettingKind(setting)
        form = FORMS[kind]
        words = said(kind, None if value is None else form.core(form.form.model_validate(value)))
    except (ValueError, ValidationError):
        return json.dumps(value)
    return words.removeprefix(f"{setting} ") if kind in LASTING else words


def kept_value_in_words(revision: KeptRevision) -> str:
    """The value of a change as it is kept, in words, with the name of its setting."""
    value = None if revision.value is None else json.loads(revision.value)
    words = value_in_words(revision.kind, value)
    return f"{revision.kind} {words}" if revision.kind in LASTING else words


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    return aligned([head, *([printable(cell) for cell in row] for row in rows)])


def _setting_row(zone: str, setting: SettingTold, now: datetime) -> Sequence[str]:
    if setting.value is None and not setting.revision:
        return (zone, setting.setting, "-", "-", "-", "0", "never set", "")
    return (
        zone,
        setting.setting,
        said_instant(setting.at, now) if setting.at else "-",
        setting.by,
        _until(setting.until, now),
        str(setting.revision),
        value_in_words(setting.setting, setting.value),
        setting.note,
    )


def _change_row(change: ChangeTold, now: datetime) -> Sequence[str]:
    undone = f"revision {change.undoes} undone: " if change.undoes is not None else ""
    return (
        str(change.revision),
        said_instant(change.at, now),
        change.by,
        change.zone,
        change.setting,
        _until(change.until, now),
        undone + value_in_words(change.setting, change.value),
        change.note,
    )


def _until(until: datetime | None, now: datetime) -> str:
    return said_instant(until, now) if until else "-"
