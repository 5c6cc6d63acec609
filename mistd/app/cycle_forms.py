"""A zone's cycle as a setting is written: the file's own `demand` table, with the cycle beside it.

Answers for: what may be said of which cycle, and the same in a grower's words. What is left out is as usual
for that cycle, not as the file has it. Does not know a zone, its sensors or its nozzles: see `demand_plan`.

Rule: whatever is written is kept word for word, so that what is told, exported or undone is what was asked.
"""

from collections.abc import Iterator
from typing import Any

from pydantic import Field, model_validator

from mistd.app.config import DemandPartSection, DemandSection, ZoneSection
from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import CycleKind
from mistd.core.settings import CycleWanted

OF_VPD_ALONE = ("set_point_kpa_h", "as_every_min", "at_kpa")


class CycleForm(DemandSection):
    """What makes the bursts of a zone happen, with its set points."""

    cycle: CycleKind = Field(strict=False)

    @model_validator(mode="after")
    def _says_what_belongs_to_its_cycle(self) -> "CycleForm":
        problems = list(_problems(self))
        if problems:
            raise ValueError("; ".join(problems))
        return self


def _problems(form: CycleForm) -> Iterator[str]:
    said = sorted(form.model_fields_set - {"cycle"})
    yield from (f"{name} is null: leave it out, or say how much" for name in _nulls(form))
    if form.cycle is CycleKind.TIMED:
        if said:
            yield f"a timed zone has no set points, its timetable is a setting of its own: {_leave_out(said)}"
        return
    strangers = [name for name in said if name in OF_VPD_ALONE]
    if strangers and form.cycle is not CycleKind.VPD:
        yield f"only vpd goes by the deficit, {form.cycle.value} by dry_back_percent: {_leave_out(strangers)}"
    if form.cycle is CycleKind.VPD and form.dry_back_percent is not None:
        yield "vpd goes by set_point_kpa_h, or as_every_min and at_kpa: leave out dry_back_percent"
    if (form.as_every_min is None) is not (form.at_kpa is None):
        yield "as_every_min and at_kpa say one thing together: give both or neither"
    if form.set_point_kpa_h is not None and form.as_every_min is not None:
        yield "set_point_kpa_h and as_every_min say the same: keep one of the two"
    for part in DayPart:
        section: DemandPartSection | None = getattr(form, part.value)
        if section and section.mist == "off" and section.model_fields_set != {"mist"}:
            yield f"{part.value}: off and a gap at once; keep one of the two"


def _nulls(form: CycleForm) -> Iterator[str]:
    """What is there and says nothing, in the order of the form."""
    for name in CycleForm.model_fields:
        value = getattr(form, name)
        if value is None and name in form.model_fields_set:
            yield name
        if isinstance(value, DemandPartSection):
            yield from (
                f"{name}.{each}" for each in sorted(value.model_fields_set) if getattr(value, each) is None
            )


def _leave_out(names: list[str]) -> str:
    return f"leave out {', '.join(names)}"


def cycle_wanted(form: CycleForm) -> CycleWanted:
    """A cycle as it was written, not yet reckoned for a bench."""
    return CycleWanted(written=_written(form.cycle, form), words=words_of(form))


def cycle_in_file(zone: ZoneSection) -> dict[str, Any]:
    """A zone's cycle as the house's file has it, as the form writes it."""
    is_timed = zone.cycle is CycleKind.TIMED
    return _written(zone.cycle, DemandSection() if is_timed or zone.demand is None else zone.demand)


def _written(kind: CycleKind, demand: DemandSection) -> dict[str, Any]:
    points = demand.model_dump(mode="json", exclude_unset=True, exclude_none=True, exclude={"cycle"})
    return {"cycle": kind.value, **points}


def words_of(form: CycleForm) -> str:
    """A cycle in a line.

    >>> words_of(CycleForm(cycle="film", dry_back_percent=40, night={"mist": "sparse"}))
    'film: dry-back 40 %, night sparse'
    """
    points = [*_points(form), *_parts(form)]
    return f"{form.cycle.value}: {', '.join(points)}" if points else form.cycle.value


def _points(form: CycleForm) -> Iterator[str]:
    if "surface" in form.model_fields_set:
        yield f"{form.surface.value} leaves"
    if form.dry_back_percent is not None:
        yield f"dry-back {form.dry_back_percent:g} %"
    if form.set_point_kpa_h is not None:
        yield f"set point {form.set_point_kpa_h:g} kPa.h"
    if form.as_every_min is not None and form.at_kpa is not None:
        yield f"as every {form.as_every_min:g} min at {form.at_kpa:g} kPa"
    if form.burst_s is not None:
        yield f"burst {form.burst_s:g} s"


def _parts(form: CycleForm) -> Iterator[str]:
    for part in DayPart:
        section: DemandPartSection | None = getattr(form, part.value)
        if section:
            yield f"{part.value} {_said_part(section)}"


def _said_part(section: DemandPartSection) -> str:
    how = {"off": "off", "sparse": "sparse", "on_demand": ""}[section.mist]
    shortest, longest = section.shortest_gap_min, section.longest_gap_min
    if shortest is not None and longest is not None:
        gaps = f"{shortest:g} to {longest:g} min"
    elif shortest is not None:
        gaps = f"from {shortest:g} min"
    else:
        gaps = f"up to {longest:g} min" if longest is not None else ""
    return " ".join(filter(None, (how, gaps))) or "on demand"
