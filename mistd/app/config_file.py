"""Reading a house's file: one TOML file, read once, checked whole.

Rule: a file with a problem starts nothing, and every problem is found at once, with its key, value, unit and
allowed range, whatever is in the file: a directory, a film, another program's configuration.
"""

import stat
import tomllib
from codecs import BOM_UTF8
from pathlib import Path
from types import UnionType
from typing import Any, TypeVar, get_args

from pydantic import ValidationError

from mistd.app.config import Config, Section, SensorSection, ZoneSection
from mistd.app.config_rules import problems_between
from mistd.app.problems import ConfigError, Problem, problems_of

LONGEST_CALLED = 40  # characters of a table's name in a message; a right one has at most 31
LARGEST_FILE = 1_000_000  # bytes; a house of a hundred zones takes a tenth of it


def _section_in(annotation: object) -> type[Section] | None:
    """The model of a table that stands once in the file, also of one that may be left out."""
    kinds = get_args(annotation) if isinstance(annotation, UnionType) else (annotation,)
    return next((kind for kind in kinds if isinstance(kind, type) and issubclass(kind, Section)), None)


SECTIONS: dict[str, type[Section]] = {
    name: section
    for name, field in Config.model_fields.items()
    if (section := _section_in(field.annotation)) is not None
}
TABLES: dict[str, type[Section]] = {"zones": ZoneSection, "sensors": SensorSection}


def load_config(path: Path) -> Config:
    """Read and check a house's file.

    Raises:
        ConfigError: every problem of the file, at once.
    """
    return checked_config(house_text(path), path)


def checked_config(text: str, path: Path) -> Config:
    """Check the text of a house's file; the path is only for what is told of it.

    Raises:
        ConfigError: every problem of the text, at once.
    """
    plain = _plain(text, path)
    problems: list[Problem] = []
    read: dict[str, Any] = {}
    for name in plain.keys() - SECTIONS.keys() - TABLES.keys():
        known = ", ".join([*SECTIONS, *TABLES])
        problems.append(Problem(key=name, text=f"unknown key; known here: {known}"))
    for name, model in SECTIONS.items():
        _read_section(name, model, plain, read, problems)
    unread = {name for name, model in TABLES.items() if not _read_table(name, model, plain, read, problems)}
    if not plain.get("zones"):
        problems.append(Problem(key="zones", text="missing; a house has at least one [[zones]] table"))
    problems += problems_between(read, unread)
    if problems:
        raise ConfigError(str(path), sorted(problems, key=lambda problem: problem.key))
    return Config(**read)


def house_text(path: Path) -> str:
    """The text of a house's file, to the letter, but for a byte order mark.

    Raises:
        ConfigError: the one problem that keeps it from being read.
    """
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise _unreadable(path, "is a directory; name the house's TOML file")
        if not stat.S_ISREG(found.st_mode):
            raise _unreadable(path, "is not a plain file; name the house's TOML file")
        if found.st_size > LARGEST_FILE:
            megabytes = f"{found.st_size / 1e6:.1f} MB"
            raise _unreadable(path, f"{megabytes} is too large, at most {LARGEST_FILE / 1e6:g} MB")
        return path.read_bytes().removeprefix(BOM_UTF8).decode()
    except FileNotFoundError:
        raise _unreadable(path, "there is no such file; copy one of config/ to begin with") from None
    except UnicodeDecodeError as problem:
        line = problem.object[: problem.start].count(b"\n") + 1
        raise _unreadable(path, f"line {line} is not UTF-8 text; save the file as UTF-8") from None
    except OSError as problem:
        raise _unreadable(path, f"cannot be read: {problem.strerror}") from None


def _plain(text: str, path: Path) -> dict[str, Any]:
    """The text as TOML, or the one problem that keeps it from being that."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise _unreadable(path, f"is not TOML: {problem}") from None
    except ValueError:
        raise _unreadable(path, "a number in it has thousands of digits") from None
    except RecursionError:
        raise _unreadable(path, "is not TOML: nested too deeply") from None


def _unreadable(path: Path, text: str) -> ConfigError:
    return ConfigError(str(path), [Problem(key="the file", text=text)])


def _read_section(
    name: str,
    model: type[Section],
    plain: dict[str, Any],
    read: dict[str, Any],
    problems: list[Problem],
) -> None:
    field = Config.model_fields[name]
    if name not in plain and field.is_required():
        problems.append(Problem(key=name, text=f"missing; the file needs a [{name}] table"))
        return
    if name not in plain and field.default is None:
        return
    section = _checked(model, plain.get(name, {}), name, problems)
    if section:
        read[name] = section


def _read_table(
    name: str,
    model: type[Section],
    plain: dict[str, Any],
    read: dict[str, Any],
    problems: list[Problem],
) -> bool:
    """Read a table's entries; whether all could be."""
    entries = plain.get(name, [])
    is_list = isinstance(entries, list)
    if not isinstance(entries, list):
        problems.append(Problem(key=name, text=f"write each as a [[{name}]] table"))
        entries = []
    keys = [f"{name}[{_called(entry, place)}]" for place, entry in enumerate(entries, start=1)]
    sections = [_checked(model, entry, key, problems) for entry, key in zip(entries, keys, strict=True)]
    read[name] = tuple(section for section in sections if section)
    return is_list and all(sections)


def _called(entry: object, place: int) -> str:
    """How a table is named in a message: by its name when it has one, else by its place from 1."""
    name = entry.get("name") if isinstance(entry, dict) else None
    return name[:LONGEST_CALLED] if isinstance(name, str) and name else str(place)


Model = TypeVar("Model", bound=Section)


def _checked(model: type[Model], plain: object, key: str, problems: list[Problem]) -> Model | None:
    if not isinstance(plain, dict):
        problems.append(Problem(key=key, text="expected a table of keys and values"))
        return None
    try:
        return model.model_validate(plain)
    except ValidationError as error:
        problems += problems_of(error, model, key)
        return None
