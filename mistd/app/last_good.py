"""The last configuration that ran: a copy of the house's file, for the day on which the file has gone bad.

Answers for: keeping the copy in the state directory, whole or not at all; finding it again from a file that
may be no more than a name; and which of the two texts runs.
Does not know: what a configuration says, or when a house has run well enough to be kept.

Rule: cuttings first, but never by another house's wiring. A copy runs only in place of the file that it was
taken from, and never where that file names another house.
"""

import hashlib
import json
import os
import re
import stat
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from mistd.app.config import Config, HouseSection, StateSection
from mistd.app.config_file import LARGEST_FILE, checked_config, house_text
from mistd.app.problems import ConfigError, printable

COPY_NAME = "last-good.toml"
HEAD = b"# mistd ran this configuration last, and runs it if the house's file goes bad. Not to be edited. "
LARGEST_HEAD = 10_000  # bytes; it holds a path
PROBLEMS_TOLD = 10  # in one line; the rest is on stderr and told by `mistd check`
DEFAULT_DIRECTORY = StateSection().directory
TABLE_BEGINS = re.compile(r"\s*\[+\s*([\w-]+)")


class UnusableCopyError(Exception):
    """A copy that cannot be run, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """The text that a configuration was read from, and why it is not the house's file when it is not."""

    file: Path  # the house's file, whichever text runs
    text: str
    trouble: str | None = None  # in one line
    told: str = ""  # the same at length, for whoever started it


@dataclass(frozen=True, slots=True, kw_only=True)
class LastGood:
    """A copy as it was found."""

    path: Path
    file: str  # the house's file that it was taken from
    house: str
    kept_at: datetime  # when this text was first kept, by the wall clock of that day
    text: str


def runnable(file: Path, state_directory: Path | None = None) -> tuple[Config, Origin]:
    """What is to run: the house's file, or the last good copy of it when the file has gone bad.

    Args:
        file: the house's file.
        state_directory: where to look for a copy first; else as the file says, as far as that can be read.

    Raises:
        ConfigError: the file is bad and nothing stands in for it; with every problem of both.
    """
    try:
        text = house_text(file)
        return checked_config(text, file), Origin(file=file, text=text)
    except ConfigError as bad:
        return _stand_in(file, bad, state_directory)


def keep(directory: Path, origin: Origin, house: str, now: datetime) -> bool:
    """Keep a text that runs, unless it is kept already; whether it was written.

    At any instant, a power cut's included, there is the copy from before or the new one.

    Raises:
        OSError: it cannot be written; the copy from before is unharmed.
    """
    with suppress(UnusableCopyError):
        before = last_good(directory)
        if before and (before.text, before.house) == (origin.text, house) and _is_of(before, origin.file):
            return False
    beside = directory / f"{COPY_NAME}.new"
    try:
        _write_to_disk(beside, _copy_of(origin, house, now))
        beside.replace(directory / COPY_NAME)
    except OSError:
        with suppress(OSError):
            beside.unlink()
        raise
    _sync_directory(directory)
    return True


def last_good(directory: Path) -> LastGood | None:
    """The copy in a directory; None when there is none.

    Raises:
        UnusableCopyError: it cannot be read, or is not as it was written.
    """
    path = directory / COPY_NAME
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode) or found.st_size > LARGEST_FILE + LARGEST_HEAD:
            raise UnusableCopyError(f"{path} is no copy of a house's file")
        content = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as problem:
        raise UnusableCopyError(f"{path} cannot be read: {problem.strerror}") from None
    try:
        return _read(path, content)
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        raise UnusableCopyError(f"{path} is damaged, or was edited") from None


def has_run(config: Config, origin: Origin) -> bool:
    """Whether this house has run before, by this file."""
    if origin.trouble:
        return True
    try:
        copy = last_good(Path(config.state.directory))
    except UnusableCopyError:
        return False
    return copy is not None and copy.house == config.house.name and _is_of(copy, origin.file)


# --- the copy


def _copy_of(origin: Origin, house: str, now: datetime) -> bytes:
    text = origin.text.encode()
    about = {"file": _place_of(origin.file), "house": house, "kept_at": now.isoformat(timespec="seconds")}
    return HEAD + json.dumps({**about, "sha256": _digest(about, text)}).encode() + b"\n" + text


def _digest(about: Mapping[str, str], text: bytes) -> str:
    return hashlib.sha256(json.dumps(about, sort_keys=True).encode() + text).hexdigest()


def _read(path: Path, content: bytes) -> LastGood:
    head, _, text = content.partition(b"\n")
    if not head.startswith(HEAD):
        raise ValueError("not a copy")
    about: dict[str, str] = json.loads(head.removeprefix(HEAD))
    if about.pop("sha256") != _digest(about, text):
        raise ValueError("not the text that was kept")
    return LastGood(
        path=path,
        file=about["file"],
        house=about["house"],
        kept_at=datetime.fromisoformat(about["kept_at"]),
        text=text.decode(),
    )


def _is_of(copy: LastGood, file: Path) -> bool:
    return copy.file == _place_of(file)


def _place_of(file: Path) -> str:
    try:
        return os.path.abspath(file)  # noqa: PTH100 - `absolute` would leave .. in it
    except FileNotFoundError:  # we were started in a directory that is no more
        return str(file)


def _write_to_disk(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _sync_directory(directory: Path) -> None:
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


# --- what runs in place of a bad file


def _stand_in(file: Path, bad: ConfigError, state_directory: Path | None) -> tuple[Config, Origin]:
    text = _remains_of(file)
    directories = _directories(text, state_directory)
    why_not: list[str] = []
    for directory in directories:
        try:
            copy = last_good(directory)
            if copy:
                _refuse_stranger(copy, file, _said(text, "house", "name"))
                return _origin_of(copy, checked_config(copy.text, copy.path), file, bad)
        except (UnusableCopyError, ConfigError) as problem:
            why_not.append(f"and the last configuration that ran does not stand in for it: {problem}")
    looked = ", ".join(printable(str(directory)) for directory in directories)
    nothing = f"no configuration that ran before is kept in {looked}; --state-directory names another place"
    raise ConfigError(bad.file, bad.problems, why_not or [nothing]) from None


def _refuse_stranger(copy: LastGood, file: Path, names: list[str]) -> None:
    """A name that no house can have is a mistake in the file, not another house."""
    if not _is_of(copy, file):
        raise UnusableCopyError(printable(f"{copy.path} was taken from another file, {copy.file}"))
    houses = [name for name in names if _is_name(name)]
    if houses and copy.house not in houses:
        raise UnusableCopyError(printable(f"{copy.path} is of another house, {copy.house}"))


def _origin_of(copy: LastGood, config: Config, file: Path, bad: ConfigError) -> tuple[Config, Origin]:
    kept_at = copy.kept_at.astimezone(ZoneInfo(config.place.time_zone))
    runs = f"the last good configuration, of {kept_at:%d %B %Y %H:%M}, runs in its place"
    named = printable(str(file))
    problems = [str(problem) for problem in bad.problems[:PROBLEMS_TOLD]]
    more = len(bad.problems) - PROBLEMS_TOLD
    problems += [f"and {more} more, told by `mistd check`"] if more > 0 else []
    trouble = f"{named} has gone bad; {runs}; {'; '.join(problems)}"
    told = f"{bad}\n{runs}: {printable(str(copy.path))}\nmend {named} and start mistd again"
    return config, Origin(file=file, text=copy.text, trouble=trouble, told=told)


# --- what can be read of a bad file


def _remains_of(file: Path) -> str:
    """Whatever text is in a file, with marks in place of what is none."""
    try:
        if not file.is_file():
            return ""
        with file.open("rb") as content:
            return content.read(LARGEST_FILE).decode(errors="replace")
    except OSError:
        return ""


def _directories(text: str, first: Path | None) -> list[Path]:
    """Where a copy may be, the likeliest first."""
    named = [str(first)] if first else []
    named += _said(text, "state", "directory")
    named += os.environ.get("STATE_DIRECTORY", "").split(":")  # from a service unit; may be several
    named.append(DEFAULT_DIRECTORY)
    return [Path(name) for name in dict.fromkeys(named) if name and "\0" not in name]


def _said(text: str, table: str, key: str) -> list[str]:
    """What a text says of a key: all of it when it is no TOML, for then it may say so more than once."""
    whole = _tables(text)
    found = [whole] if whole is not None else _tables_by_line(text, table, key)
    values = [section.get(key) for each in found if isinstance(section := each.get(table), dict)]
    return [value for value in values if isinstance(value, str)]


def _tables_by_line(text: str, table: str, key: str) -> Iterator[dict[str, Any]]:
    """Each line that may give a key of a table, read by itself."""
    within = ""  # the beginning of the file, where it may be written as `table.key`
    for line in text.splitlines():
        begins = TABLE_BEGINS.match(line)
        if begins:
            within = begins[1]
        elif key in line and within in {"", table}:
            yield _tables(f"[{within}]\n{line}" if within else line) or {}


def _tables(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return None


def _is_name(text: str) -> bool:
    try:
        HouseSection(name=text)
    except ValidationError:
        return False
    return True
