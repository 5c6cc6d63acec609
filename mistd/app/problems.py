"""Problems of a configuration, told so that a grower can mend them: which key, what it says, what is allowed.

Rule: every problem of a file is found and told at once.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from typing import Any

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

UNITS = {
    "_l_per_min": "l/min",
    "_w_per_m2": "W/m2",
    "_min": "min",
    "_bar": "bar",
    "_kpa_h": "kPa.h",
    "_kpa": "kPa",
    "_percent": "%",
    "_m2": "m2",
    "_mm": "mm",
    "_c": "C",
    "_l": "l",
    "_m": "m",
    "_s": "s",
    "latitude": "degrees north",
    "longitude": "degrees east",
}
LONGEST_VALUE = 60  # characters of a value that are worth repeating
LONGEST_NUMBER_BITS = 200  # about as many digits; Python refuses to write out very long ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is wrong with a configuration."""

    key: str
    text: str

    def __str__(self) -> str:
        return printable(f"{self.key}: {self.text}" if self.key else self.text)


class ConfigError(Exception):
    """A configuration that cannot be run; the grower's to mend."""

    def __init__(self, file: str, problems: list[Problem], notes: Sequence[str] = ()) -> None:
        """Tell what is wrong.

        Args:
            file: which file, as it was named.
            problems: all of them.
            notes: what else there is to say, each on lines of its own after them.
        """
        super().__init__(file, problems, notes)
        self.file = file
        self.problems = problems
        self.notes = notes

    def __str__(self) -> str:
        count = len(self.problems)
        head = f"{self.file}: {count} problem{'s' if count != 1 else ''}"
        return "\n".join([head, *(f"  {problem}" for problem in self.problems), *self.notes])


def printable(text: str) -> str:
    """Text from outside, on one line and without anything that moves a terminal's cursor."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def unit_of(name: str) -> str:
    """The unit that a key's name ends in, as people write it; empty when it has none."""
    return next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "")


def problems_of(error: ValidationError, model: type[BaseModel], prefix: str) -> list[Problem]:
    """Every problem that pydantic found, in our words."""
    return [_problem(dict(found), model, prefix) for found in error.errors(include_url=False)]


def _problem(found: dict[str, Any], model: type[BaseModel], prefix: str) -> Problem:
    path = [str(step) for step in found["loc"]]
    key = ".".join([prefix, *path]) if prefix else ".".join(path)
    kind = found["type"]
    field = _field(model, path)
    name = path[-1] if path else ""
    if kind == "json_invalid":
        return Problem(key=key, text=f"not JSON: {found['ctx']['error']}")
    if kind == "missing":
        return Problem(key=key, text=f"missing; {_allowed(field, name)}")
    if kind == "extra_forbidden":
        return Problem(key=key, text=f"unknown key; known here: {', '.join(_known(model, path))}")
    said = _said(found["input"])
    if kind == "value_error":
        return Problem(key=key, text=f"{said}: {found['ctx']['error']}")
    return Problem(key=key, text=f"{said}: {_allowed(field, name) or found['msg']}")


def _said(value: object) -> str:
    """The value as it stands in the file, as far as it is worth repeating."""
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"  # of any depth: only named
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, int) and value.bit_length() > LONGEST_NUMBER_BITS:
        return f"a number of {value.bit_length()} bits"
    text = repr(value)
    return text if len(text) <= LONGEST_VALUE else text[:LONGEST_VALUE] + "..."


def _field(model: type[BaseModel], path: list[str]) -> FieldInfo | None:
    """The field that a path leads to, through models inside models."""
    field: FieldInfo | None = None
    inside: Any = model
    for step in path:
        fields = getattr(inside, "model_fields", {})
        if step not in fields:
            return field
        field = fields[step]
        inside = _model_in(field.annotation)
    return field


def _model_in(annotation: Any) -> Any:
    """The model in an annotation such as `Model | None`."""
    for part in (annotation, *getattr(annotation, "__args__", ())):
        if isinstance(part, type) and issubclass(part, BaseModel):
            return part
    return None


def _known(model: type[BaseModel], path: list[str]) -> list[str]:
    inside: Any = model
    for step in path[:-1]:
        field = getattr(inside, "model_fields", {}).get(step)
        inside = _model_in(field.annotation) if field else inside
    return list(getattr(inside, "model_fields", {}))


def _allowed(field: FieldInfo | None, name: str) -> str:
    """What a field may be, in words."""
    if field is None:
        return ""
    if _model_in(field.annotation):
        return "expected a table of keys and values"
    choices = _choices(field)
    if choices:
        return f"allowed: {', '.join(choices)}"
    unit = unit_of(name)
    unit = f" {unit}" if unit else ""
    span = _span(field.metadata)
    kind = _kind(field)
    if span:
        return f"allowed {kind}{span}{unit}"
    return f"expected {field.description or kind.strip() + unit}"


def _choices(field: FieldInfo) -> list[str]:
    literal = getattr(field.annotation, "__args__", ())
    if getattr(field.annotation, "__origin__", None) is not None and all(isinstance(c, str) for c in literal):
        return [repr(choice) for choice in literal]
    values: Mapping[str, Any] = getattr(field.annotation, "__members__", {})
    return [repr(member.value) for member in values.values()]


KINDS: dict[Any, str] = {int: "a whole number ", str: "text ", bool: "true or false "}


def _kind(field: FieldInfo) -> str:
    """The kind of value, when it is not simply a number."""
    arms = [field.annotation, *getattr(field.annotation, "__args__", ())]
    return next((KINDS[arm] for arm in arms if arm in KINDS), "")


def _span(metadata: list[Any]) -> str:
    lengths = [c for c in metadata if getattr(c, "max_length", None) is not None]
    if lengths:
        least = next((c.min_length for c in metadata if getattr(c, "min_length", None)), 0)
        return f"of {f'{least} to' if least else 'up to'} {lengths[0].max_length} characters"
    low = next((f"{c.ge:g}" for c in metadata if isinstance(c, Ge)), "")
    over = next((f"above {c.gt:g}" for c in metadata if isinstance(c, Gt)), "")
    high = next((f"{c.le:g}" for c in metadata if isinstance(c, Le)), "")
    under = next((f"below {c.lt:g}" for c in metadata if isinstance(c, Lt)), "")
    if low and high:
        return f"{low} to {high}"
    return " ".join(part for part in (over, low and f"from {low}", high and f"up to {high}", under) if part)
