"""What people set while a house runs, and the record of it: revisions, newest last, for every setting.

A setting is one kind for one zone. Lasting ones (a timetable, a cycle) stand until they are changed; passing
ones (a trim, a hold, closed, a skipped burst) end by themselves. Without a revision the house's file speaks.

Rule 1: a revision is never altered; taking one back is another revision, which names the one it undoes.
Rule 2: ids count up through the life of a house, and none is given twice.

This file knows values and their order. Whether a value may be set, and what it does, is in `changes`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.demand_cycles import DemandCycle
from mistd.core.units import PERCENT, S_PER_HOUR, S_PER_MIN

UNDOABLE = 20  # revisions of one setting that are remembered to be undone


class SettingKind(StrEnum):
    """Everything that can be set of a zone; the value is the word used outside."""

    TIMETABLE = "timetable"
    CYCLE = "cycle"
    TRIM = "trim"
    HOLD = "hold"
    CLOSED = "closed"
    SKIP = "skip"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsSet:
    """Some parts of a day's timetable; the others stay as they are. It is recorded as the whole timetable."""

    parts: Mapping[DayPart, TimedPart | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleWanted:
    """A cycle as it was asked for; what it comes to on its bench is not reckoned in here."""

    written: Mapping[str, object]  # word for word, for whoever tells or keeps it: the core does not look in
    words: str  # the same in a grower's words


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleSet:
    """What makes the bursts of a zone happen, reckoned for its bench, and how that was asked for."""

    cycle: DemandCycle | None  # None: its timetable does
    wanted: CycleWanted


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimSet:
    """More water or less for a while: the gap is divided by 1 + fraction."""

    fraction: float
    for_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldSet:
    """No water for a while, for people at work."""

    for_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedSet:
    """Nobody may enter for a while; mist goes on."""

    for_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SkipSet:
    """The next burst is left out, if it falls due within this time."""

    for_s: float


LastingValue = TimedCycle | PartsSet | CycleSet | CycleWanted
SettingValue = LastingValue | TrimSet | HoldSet | ClosedSet | SkipSet
LASTING = frozenset({SettingKind.TIMETABLE, SettingKind.CYCLE})  # the others end by themselves
Key = tuple[SettingKind, str]  # of which zone


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """One change of one setting."""

    id: int
    kind: SettingKind
    zone: str
    value: SettingValue | None  # None: none, or what the house's file says
    ends_s: float  # when it ends by itself; infinite for a lasting one and for None
    author: str
    note: str
    request_id: str
    undoes: int | None = None

    @property
    def key(self) -> Key:
        return self.kind, self.zone


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Every setting's revisions, as far back as they can be undone."""

    last_id: int = 0
    stacks: Mapping[Key, tuple[Revision, ...]] = field(default_factory=dict)  # those that are not taken back
    newest: Mapping[Key, Revision] = field(default_factory=dict)
    cut: frozenset[Key] = frozenset()  # of these, what was before the oldest revision is not remembered

    def with_revision(self, revision: Revision) -> "Settings":
        """The settings after one more revision."""
        stack, cut = self.stacks.get(revision.key, ()), self.cut
        if revision.undoes is None:
            cut = cut | {revision.key} if len(stack) >= UNDOABLE else cut
            stack = (*stack, revision)[-UNDOABLE:]
        else:
            stack = tuple(other for other in stack if other.id != revision.undoes)
        return Settings(
            last_id=max(self.last_id, revision.id),
            stacks={**self.stacks, revision.key: stack},
            newest={**self.newest, revision.key: revision},
            cut=cut,
        )

    def newest_id(self, key: Key) -> int:
        """The revision a setting stands at: 0 when nobody ever set it."""
        revision = self.newest.get(key)
        return revision.id if revision else 0

    def top(self, key: Key) -> Revision | None:
        """The revision whose value was set last and was not taken back."""
        stack = self.stacks.get(key, ())
        return stack[-1] if stack else None

    def below(self, revision: Revision) -> Revision | None:
        """What a setting goes back to when its top revision is undone; None: to what the file says."""
        stack = self.stacks[revision.key]
        return stack[-2] if len(stack) > 1 else None

    def is_known_before(self, revision: Revision) -> bool:
        """Whether it is remembered what a setting goes back to when its top revision is undone."""
        return len(self.stacks[revision.key]) > 1 or revision.key not in self.cut

    def found(self, revision_id: int) -> Revision | None:
        """The revision of this id, if it could still be undone."""
        for stack in self.stacks.values():
            for revision in stack:
                if revision.id == revision_id:
                    return revision
        return None


NO_SETTINGS = Settings()


def until_s(value: SettingValue | None, now_s: float) -> float:
    """When a value that is set now ends by itself."""
    return inf if value is None or isinstance(value, LastingValue) else now_s + value.for_s


def said(kind: SettingKind, value: SettingValue | None) -> str:
    """A value in a grower's words.

    >>> said(SettingKind.TRIM, TrimSet(fraction=-0.2, for_s=7200.0))
    'water -20 % for 2 h'
    """
    if isinstance(value, LastingValue):
        return _said_lasting(value)
    if isinstance(value, TrimSet):
        return f"water {value.fraction * PERCENT:+.3g} % for {_said_length(value.for_s)}"
    if isinstance(value, HoldSet):
        return f"held dry for {_said_length(value.for_s)}"
    if isinstance(value, ClosedSet):
        return f"closed for {_said_length(value.for_s)}, mist goes on"
    if isinstance(value, SkipSet):
        return "the next burst is left out"
    return {
        SettingKind.TIMETABLE: "timetable as in the house's file",
        SettingKind.CYCLE: "cycle as in the house's file",
        SettingKind.TRIM: "no trim",
        SettingKind.HOLD: "released",
        SettingKind.CLOSED: "open to people",
        SettingKind.SKIP: "no burst is left out",
    }[kind]


def _said_lasting(value: LastingValue) -> str:
    if isinstance(value, CycleSet):
        return f"cycle {value.wanted.words}"
    return f"cycle {value.words}" if isinstance(value, CycleWanted) else f"timetable {said_timetable(value)}"


def said_timetable(timetable: TimedCycle | PartsSet) -> str:
    """A timetable in a line: night 4 s / 30 min, dawn off, ..."""
    return ", ".join(
        f"{part.value} {timed.burst_s:g} s / {timed.gap_s / S_PER_MIN:.4g} min"
        if timed
        else f"{part.value} off"
        for part, timed in timetable.parts.items()
    )


def _said_length(for_s: float) -> str:
    if for_s < S_PER_HOUR:
        return f"{for_s / S_PER_MIN:.3g} min"
    return f"{for_s / S_PER_HOUR:.3g} h"
