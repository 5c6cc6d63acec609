"""What a rehearsal leaves behind: a directory with `result.json` and, for people, `report.html`.

Rules: a file that is not an earlier rehearsal's is never written over, and files appear whole or not at all.
The same rehearsal gives the same bytes.
"""

import json
import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from simulators.rehearsal.result import Rehearsal

RESULT, REPORT = "result.json", "report.html"
REPORT_MARK = '<meta name="generator" content="mistd-sim rehearse">'  # how we know a report of ours
MARK_WITHIN = 2000  # characters of its beginning
RESULT_KEYS = frozenset(Rehearsal.__dataclass_fields__)


def result_text(rehearsal: Rehearsal) -> str:
    """The result as JSON, keys in the order of the values' own fields.

    Raises:
        ValueError: a value is no number, which JSON cannot say.
    """
    return json.dumps(rehearsal.as_json(), indent=1, allow_nan=False) + "\n"


def problem_with(directory: Path) -> str | None:
    """Why a result cannot be written into a directory, which need not exist yet; None when it can."""
    try:
        return _place_problem(directory) or _foreign_file(directory)
    except OSError as problem:
        return f"{directory} cannot be looked into: {problem.strerror}"


def _place_problem(directory: Path) -> str | None:
    if directory.is_dir():
        may_write = os.access(directory, os.W_OK | os.X_OK)
        return None if may_write else f"{directory} cannot be written to: no permission"
    if directory.exists() or directory.is_symlink():
        return f"{directory} is no directory"
    parent = next(each for each in directory.absolute().parents if each.exists())
    if not parent.is_dir():
        return f"{directory} cannot be made: {parent} is no directory"
    if not os.access(parent, os.W_OK | os.X_OK):
        return f"{directory} cannot be made: no permission in {parent}"
    return None


def _foreign_file(directory: Path) -> str | None:
    for name, is_ours in ((RESULT, _is_our_result), (REPORT, _is_our_report)):
        file = directory / name
        if (file.exists() or file.is_symlink()) and not (file.is_file() and is_ours(file)):
            return f"{file} is not an earlier rehearsal's and is left alone: name another directory"
    return None


def _is_our_result(file: Path) -> bool:
    try:
        found = json.loads(file.read_bytes())
    except (ValueError, RecursionError):
        return False
    return isinstance(found, dict) and found.keys() >= RESULT_KEYS


def _is_our_report(file: Path) -> bool:
    with file.open(encoding="utf-8", errors="replace") as text:
        return REPORT_MARK in text.read(MARK_WITHIN)


def write_whole(directory: Path, texts: Mapping[str, str]) -> list[Path]:
    """Write some files into a directory, which is made; return where they are.

    All of them are written under other names before the first gets its own: whatever goes wrong or
    interrupts, what stood there before still does, or the new files are there.

    Raises:
        OSError: it cannot be written; nothing of ours is left there.
    """
    made = [each for each in (directory, *directory.parents) if not each.exists()]
    drafts = {name: directory / f".{name}.{os.getpid()}" for name in texts}
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for name, draft in drafts.items():
            draft.write_text(texts[name], encoding="utf-8", newline="\n")
        for name, draft in drafts.items():
            draft.replace(directory / name)
    except BaseException:
        _take_away(drafts.values(), made)
        raise
    return [directory / name for name in texts]


def _take_away(drafts: Iterable[Path], made: Iterable[Path]) -> None:
    """Leave no draft, and no directory that was made for nothing."""
    with suppress(OSError):
        for draft in drafts:
            draft.unlink(missing_ok=True)
        for directory in made:  # the innermost first; one in which something stands stays
            directory.rmdir()
