"""How each kind of setting is written outside: a closed form for its value, into the core's and back.

A new kind of setting is a form here and one line of `FORMS`; requests, records, lists, undo and the command
line know nothing but this table.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, Field, model_validator

from mistd.app.cycle_forms import CycleForm, cycle_wanted
from mistd.app.messages import LONGEST_ASKED_S, Message
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.settings import (
    ClosedSet,
    CycleSet,
    CycleWanted,
    HoldSet,
    PartsSet,
    SettingKind,
    SettingValue,
    SkipSet,
    TrimSet,
)
from mistd.core.units import PERCENT, minutes_of_seconds, seconds_of_minutes

LONGEST_PASSING_S = 31 * LONGEST_ASKED_S  # far above any limit: the house itself says what its limit is


class PartForm(Message):
    """Burst and gap of one part of the day, or `off`."""

    burst_s: float | None = Field(default=None, ge=0.5, le=30, strict=True)
    gap_min: float | None = Field(default=None, gt=0, le=1440, strict=True)
    off: bool = Field(default=False, strict=True)

    @model_validator(mode="after")
    def _is_one_of_two(self) -> "PartForm":
        is_timed = self.burst_s is not None and self.gap_min is not None
        is_bare = self.burst_s is None and self.gap_min is None
        if not (is_bare if self.off else is_timed):
            raise ValueError("needs burst_s and gap_min, or off = true and neither")
        return self


class TimetableForm(Message):
    """A timetable, or some parts of one: a part that is left out stays as it is."""

    night: PartForm | None = None
    dawn: PartForm | None = None
    day: PartForm | None = None
    dusk: PartForm | None = None

    @model_validator(mode="after")
    def _says_something(self) -> "TimetableForm":
        if all(getattr(self, part.value) is None for part in DayPart):
            raise ValueError("needs at least one part: night, dawn, day or dusk")
        return self


class TrimForm(Message):
    """More water or less for a while."""

    percent: float = Field(ge=-100, le=1000, strict=True)
    for_s: float = Field(gt=0, le=LONGEST_PASSING_S, strict=True)


class HoldForm(Message):
    """No water for a while."""

    for_s: float = Field(gt=0, le=LONGEST_ASKED_S, strict=True)


class ClosedForm(Message):
    """Nobody may enter for a while; mist goes on."""

    for_s: float = Field(gt=0, le=LONGEST_PASSING_S, strict=True)


class SkipForm(Message):
    """The next burst is left out, if it falls due in time."""

    for_s: float = Field(default=LONGEST_ASKED_S, gt=0, le=LONGEST_ASKED_S, strict=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingForm:
    """One kind of setting, written outside."""

    form: type[BaseModel]
    core: Callable[[Any], SettingValue]  # from the form
    plain: Callable[[Any], dict[str, Any]]  # from the core's value


def _parts(form: TimetableForm) -> PartsSet:
    parts: dict[DayPart, TimedPart | None] = {}
    for part in DayPart:
        timed: PartForm | None = getattr(form, part.value)
        if timed is not None:
            parts[part] = _timed(timed)
    return PartsSet(parts=parts)


def _timed(form: PartForm) -> TimedPart | None:
    if form.burst_s is None or form.gap_min is None:
        return None
    return TimedPart(burst_s=form.burst_s, gap_s=seconds_of_minutes(form.gap_min))


def plain_timetable(timetable: TimedCycle) -> dict[str, dict[str, float | bool]]:
    """A timetable as its form writes it, every part of it."""
    return {part.value: _plain_part(timetable.parts[part]) for part in DayPart}


def _plain_part(timed: TimedPart | None) -> dict[str, float | bool]:
    if timed is None:
        return {"off": True}
    return {"burst_s": timed.burst_s, "gap_min": round(minutes_of_seconds(timed.gap_s), 9)}


def plain_cycle(value: CycleSet | CycleWanted) -> dict[str, Any]:
    """A cycle as its form wrote it, word for word."""
    return dict((value.wanted if isinstance(value, CycleSet) else value).written)


def _for_s(value: HoldSet | ClosedSet | SkipSet) -> dict[str, Any]:
    return {"for_s": value.for_s}


FORMS: Mapping[SettingKind, SettingForm] = {
    SettingKind.TIMETABLE: SettingForm(form=TimetableForm, core=_parts, plain=plain_timetable),
    SettingKind.CYCLE: SettingForm(form=CycleForm, core=cycle_wanted, plain=plain_cycle),
    SettingKind.TRIM: SettingForm(
        form=TrimForm,
        core=lambda form: TrimSet(fraction=form.percent / PERCENT, for_s=form.for_s),
        plain=lambda value: {"percent": round(value.fraction * PERCENT, 6), "for_s": value.for_s},
    ),
    SettingKind.HOLD: SettingForm(form=HoldForm, core=lambda form: HoldSet(for_s=form.for_s), plain=_for_s),
    SettingKind.CLOSED: SettingForm(
        form=ClosedForm, core=lambda form: ClosedSet(for_s=form.for_s), plain=_for_s
    ),
    SettingKind.SKIP: SettingForm(form=SkipForm, core=lambda form: SkipSet(for_s=form.for_s), plain=_for_s),
}
