"""What may be said of a history of changes: a pure checker over what clients saw and what the file holds.

Answers for: every way in which a history can break the promises that a change makes: an acknowledged one
lost, a refused one present, one id acted upon twice or answered in two ways, an order that clients saw
otherwise, a stale one accepted, a value that is not the one asked for.
Does not know mistd: it is given plain records, and the revisions as a table.
Rule: a request without an answer may have been done or not; nothing is concluded from it but that it was not
done twice.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import inf
from typing import Any

Key = tuple[str, str]  # zone and setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """One answer, as it arrived."""

    at_s: float
    outcome: str
    revision: int | None
    payload: bytes


@dataclass(slots=True, kw_only=True)
class Asked:
    """One request of one client, sent once or again and again under the same id."""

    request_id: str
    client: int
    sent_s: float
    zone: str
    setting: str
    value: Any
    undoes: int | None = None
    expected: int | None = None
    answers: list[Answered] = field(default_factory=list)

    @property
    def done(self) -> Answered | None:
        return next((answer for answer in self.answers if answer.outcome == "done"), None)

    @property
    def answered_s(self) -> float:
        return min((answer.at_s for answer in self.answers), default=inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One revision in the file."""

    id: int
    zone: str
    setting: str
    value: Any
    request_id: str
    undoes: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """What a client was told of a setting after a start."""

    asked_s: float  # everything answered before this must show
    zone: str
    setting: str
    revision: int
    value: Any


def broken(asked: Sequence[Asked], kept: Sequence[Kept], reads: Sequence[Read]) -> list[str]:
    """Every promise that this history breaks, in words; empty when it keeps them all."""
    by_request: dict[str, list[Kept]] = defaultdict(list)
    for revision in kept:
        by_request[revision.request_id].append(revision)
    return [
        *_ids_out_of_order(kept),
        *(text for each in asked for text in _of_one(each, by_request[each.request_id])),
        *_nobody_asked(kept, {each.request_id for each in asked}),
        *_against_the_clock(asked),
        *_stale_accepted(asked, kept),
        *(text for read in reads for text in _of_read(read, asked, kept)),
    ]


def _ids_out_of_order(kept: Sequence[Kept]) -> Iterator[str]:
    ids = [revision.id for revision in kept]
    if len(set(ids)) != len(ids):
        yield "a revision's id was given twice"


def _of_one(asked: Asked, kept: Sequence[Kept]) -> Iterator[str]:
    name = f"{asked.request_id} of client {asked.client}"
    if len(kept) > 1:
        yield f"{name} was done {len(kept)} times: revisions {[each.id for each in kept]}"
    if len({answer.payload for answer in asked.answers}) > 1:
        yield f"{name} was answered in two ways: {[answer.payload for answer in asked.answers]}"
    done = asked.done
    if any(answer.outcome == "refused" for answer in asked.answers) and kept:
        yield f"{name} was refused, and is there as revision {kept[0].id}"
    if done is None:
        return
    if not kept:
        yield f"{name} was acknowledged as revision {done.revision}, and is lost"
    elif kept[0].id != done.revision:
        yield f"{name} was acknowledged as revision {done.revision}, and is there as {kept[0].id}"
    elif asked.undoes is None and (kept[0].zone, kept[0].setting) != (asked.zone, asked.setting):
        yield f"{name} was for {asked.setting} of {asked.zone}, and is there for {kept[0]}"
    elif asked.undoes is None and kept[0].value != asked.value:
        yield f"{name} asked for {asked.value}, and {kept[0].value} is there"
    elif kept[0].undoes != asked.undoes:
        yield f"{name} undoes {asked.undoes}, and is there as undoing {kept[0].undoes}"


def _nobody_asked(kept: Sequence[Kept], request_ids: set[str]) -> Iterator[str]:
    for revision in kept:
        if revision.request_id not in request_ids:
            yield f"nobody asked for revision {revision.id} ({revision.request_id})"


def _against_the_clock(asked: Sequence[Asked]) -> Iterator[str]:
    """Who was answered before another asked came first: by more than that the file may not differ."""
    done = sorted((each for each in asked if each.done), key=lambda each: each.answered_s)
    highest, place = 0, 0
    for later in sorted((each for each in asked if each.done), key=lambda each: each.sent_s):
        while place < len(done) and done[place].answered_s < later.sent_s:
            highest = max(highest, done[place].answers[0].revision or 0)
            place += 1
        revision = later.done.revision if later.done else None
        if revision is not None and revision <= highest:
            yield f"{later.request_id} became revision {revision} after {highest} had been acknowledged"


def _stale_accepted(asked: Sequence[Asked], kept: Sequence[Kept]) -> Iterator[str]:
    before: dict[int, int] = {}
    newest: dict[Key, int] = defaultdict(int)
    for revision in sorted(kept, key=lambda each: each.id):
        before[revision.id] = newest[revision.zone, revision.setting]
        newest[revision.zone, revision.setting] = revision.id
    for each in asked:
        done = each.done
        if done is None or each.expected is None or done.revision not in before:
            continue
        if before[done.revision] != each.expected:
            yield (
                f"{each.request_id} expected revision {each.expected}, was done as {done.revision}, and "
                f"{before[done.revision]} stood there"
            )


def _of_read(read: Read, asked: Sequence[Asked], kept: Sequence[Kept]) -> Iterator[str]:
    name = f"{read.setting} of {read.zone}"
    mine = {each.id: each for each in kept if (each.zone, each.setting) == (read.zone, read.setting)}
    if read.revision != 0 and read.revision not in mine:
        yield f"{name} was told at revision {read.revision}, which is not in the file"
        return
    said = mine[read.revision].value if read.revision else None
    if said is not None and said != read.value:  # none: as the house's file says
        yield f"{name} was told as {read.value} at {read.revision}, the file says {said}"
    acknowledged = {
        each.done.revision
        for each in asked
        if each.done and each.answered_s < read.asked_s and each.done.revision in mine
    }
    newest = max((id_ for id_ in acknowledged if id_ is not None), default=0)
    if read.revision < newest:
        yield f"{name} was told at revision {read.revision} after {newest} had been acknowledged"
