"""What a restart needs, in memory: the rows, the newest changes of every setting, the newest answers.

Answers for: the same content whether it was read from a database, a copy or a file of JSON, and whatever was
acknowledged since; so it can be written anew when the file is lost.
Does not know: files, or the history (journal, readings, water), which is too long for memory.
Rule: the highest revision never goes back.
"""

import dataclasses
import json
from dataclasses import dataclass, field

from mistd.ports.store import ANSWERS_LOADED, REVISIONS_LOADED, Batch, KeptAnswer, KeptRevision, Loaded

STAND_IN_ANSWERS = 200
CLOCK_ROW = "clock"  # whose `utc` says how old the rows are


@dataclass(slots=True)
class Known:
    """All but the history."""

    rows: dict[str, str] = field(default_factory=dict)
    settings: dict[tuple[str, str], dict[int, KeptRevision]] = field(default_factory=dict)
    answers: dict[str, KeptAnswer] = field(default_factory=dict)
    last_revision: int = 0
    start: int = 0  # which start of the program has it, counted through the life of the house
    marks: dict[str, int] = field(default_factory=dict)  # up to which note of which start it is complete

    def absorb(self, batch: Batch) -> None:
        """Know what a batch says, too."""
        for name, value in batch.rows.items():
            if value is None:
                self.rows.pop(name, None)
            else:
                self.rows[name] = value
        for revision in batch.revisions:
            changes = self.settings.setdefault((revision.kind, revision.subject), {})
            changes[revision.id] = revision
            if len(changes) > REVISIONS_LOADED:
                del changes[min(changes)]
            self.last_revision = max(self.last_revision, revision.id)
        for answer in batch.answers:
            self.answers.pop(answer.request_id, None)  # so that it counts among the newest
            self.answers[answer.request_id] = answer
            if len(self.answers) > ANSWERS_LOADED:
                del self.answers[next(iter(self.answers))]

    def take_over(self, other: "Known") -> None:
        """Know what another knows, which is the better word where they differ."""
        self.absorb(other.as_batch())
        self.last_revision = max(self.last_revision, other.last_revision)
        self.start = max(self.start, other.start)
        for writer, number in other.marks.items():
            self.marks[writer] = max(number, self.marks.get(writer, 0))

    def copy(self) -> "Known":
        copied = Known()
        copied.take_over(self)
        return copied

    def after(self, batch: Batch, marks: dict[str, int]) -> "Known":
        """What is known when a batch is written, too."""
        after = self.copy()
        after.absorb(batch)
        after.marks |= marks
        return after

    def shortened(self) -> "Known":
        """As a stand-in keeps it: with fewer answers, for it is written often."""
        short = self.copy()
        short.answers = dict(list(self.answers.items())[-STAND_IN_ANSWERS:])
        return short

    def says_the_same_as(self, other: "Known") -> bool:
        """Whether they differ in their books at most."""
        return dataclasses.replace(self, start=other.start, marks=other.marks) == other

    def as_batch(self) -> Batch:
        return Batch(rows=self.rows, revisions=self.revisions(), answers=tuple(self.answers.values()))

    def changes_in(self, batch: Batch) -> Batch:
        """The batch without rows that stand so already."""
        rows = {name: value for name, value in batch.rows.items() if self.rows.get(name) != value}
        return dataclasses.replace(batch, rows=rows)

    def revisions(self, newest: int = REVISIONS_LOADED) -> tuple[KeptRevision, ...]:
        """By id; so many of every setting."""
        ids = (sorted(changes)[-newest:] for changes in self.settings.values())
        chosen = [
            changes[id_] for changes, kept in zip(self.settings.values(), ids, strict=True) for id_ in kept
        ]
        return tuple(sorted(chosen, key=lambda revision: revision.id))

    def loaded(self, troubles: list[str]) -> Loaded:
        return Loaded(
            rows=dict(self.rows),
            revisions=self.revisions(),
            last_revision=self.last_revision,
            answers=tuple(self.answers.values()),
            troubles=tuple(troubles),
        )

    def age(self) -> tuple[int, str]:
        """To be compared: the higher is the newer."""
        try:
            clock = json.loads(self.rows.get(CLOCK_ROW, "{}"))
        except (ValueError, RecursionError):
            clock = {}
        utc = clock.get("utc") if isinstance(clock, dict) else None
        return self.last_revision, utc if isinstance(utc, str) else ""
