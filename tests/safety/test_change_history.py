"""The checker of changes sees every way in which a history can break a promise, and faults no good one."""

from dataclasses import replace
from typing import Any

import pytest

from tests.safety.change_history import Answered, Asked, Kept, Read, broken


def done(revision: int, at_s: float, outcome: str = "done") -> Answered:
    return Answered(at_s=at_s, outcome=outcome, revision=revision, payload=f"{outcome} {revision}".encode())


def refusal(at_s: float) -> Answered:
    return Answered(at_s=at_s, outcome="refused", revision=None, payload=b"refused")


def asked(request_id: str, sent_s: float, *answers: Answered, value: Any = 10, **more: Any) -> Asked:
    return Asked(
        request_id=request_id,
        client=1,
        sent_s=sent_s,
        zone="left",
        setting="trim",
        value=value,
        answers=list(answers),
        **more,
    )


def kept(revision: int, request_id: str, value: Any = 10, undoes: int | None = None) -> Kept:
    return Kept(id=revision, zone="left", setting="trim", value=value, request_id=request_id, undoes=undoes)


def read(revision: int, asked_s: float, value: Any = 10) -> Read:
    return Read(asked_s=asked_s, zone="left", setting="trim", revision=revision, value=value)


GOOD_ASKED = [
    asked("a", 0.0, done(1, 1.0), done(1, 5.0)),
    asked("b", 2.0, done(2, 3.0), value=20, expected=1),
    asked("c", 2.5, refusal(3.0), expected=1),
    asked("d", 4.0),  # never answered, and done all the same
    asked("e", 4.5),  # never answered, and not done
    asked("f", 6.0, done(4, 7.0), undoes=3),
]
GOOD_KEPT = [kept(1, "a"), kept(2, "b", 20), kept(3, "d"), kept(4, "f", 20, undoes=3)]
GOOD_READS = [read(0, 0.5, None), read(2, 4.2, 20), read(4, 8.0, 20)]


def test_a_history_that_keeps_every_promise_has_no_fault() -> None:
    assert broken(GOOD_ASKED, GOOD_KEPT, GOOD_READS) == []


def changed(place: int, **how: Any) -> list[Asked]:
    return [replace(each, **how) if index == place else each for index, each in enumerate(GOOD_ASKED)]


BAD = {
    "an acknowledged change is lost": (
        GOOD_ASKED,
        [each for each in GOOD_KEPT if each.request_id != "f"],
        GOOD_READS[:2],
        "acknowledged as revision 4, and is lost",
    ),
    "a refused change is there": (
        GOOD_ASKED,
        [*GOOD_KEPT, kept(5, "c")],
        GOOD_READS,
        "was refused, and is there as revision 5",
    ),
    "an id is done twice": (GOOD_ASKED, [*GOOD_KEPT, kept(5, "a")], GOOD_READS, "was done 2 times"),
    "an unanswered id is done twice": (
        GOOD_ASKED,
        [*GOOD_KEPT, kept(5, "d")],
        GOOD_READS,
        "was done 2 times",
    ),
    "an id is answered in two ways": (
        changed(0, answers=[done(1, 1.0), refusal(5.0)]),
        GOOD_KEPT,
        GOOD_READS,
        "answered in two ways",
    ),
    "a change is kept under another revision": (
        changed(0, answers=[done(9, 1.0)]),
        GOOD_KEPT,
        GOOD_READS,
        "acknowledged as revision 9, and is there as 1",
    ),
    "another value is kept": (
        GOOD_ASKED,
        [kept(1, "a", 99), *GOOD_KEPT[1:]],
        GOOD_READS,
        "asked for 10, and 99 is there",
    ),
    "an undo undoes another": (
        GOOD_ASKED,
        [*GOOD_KEPT[:3], kept(4, "f", 20, undoes=2)],
        GOOD_READS,
        "undoes 3, and is there as undoing 2",
    ),
    "a stale change is accepted": (changed(1, expected=0), GOOD_KEPT, GOOD_READS, "expected revision 0"),
    "nobody asked for it": (GOOD_ASKED, [*GOOD_KEPT, kept(5, "stranger")], GOOD_READS, "nobody asked"),
    "an id of a revision is given twice": (
        GOOD_ASKED,
        [*GOOD_KEPT, kept(4, "e")],
        GOOD_READS,
        "id was given twice",
    ),
    "the order is another than clients saw": (
        [asked("a", 0.0, done(2, 1.0)), asked("b", 2.0, done(1, 3.0))],
        [kept(2, "a"), kept(1, "b")],
        [],
        "became revision 1 after 2 had been acknowledged",
    ),
    "a restart forgets": (GOOD_ASKED, GOOD_KEPT, [read(1, 8.0)], "told at revision 1 after 4"),
    "a restart invents": (GOOD_ASKED, GOOD_KEPT, [read(7, 8.0)], "which is not in the file"),
    "a restart tells another value": (GOOD_ASKED, GOOD_KEPT, [read(4, 8.0, 11)], "the file says 20"),
}


@pytest.mark.parametrize("name", BAD)
def test_every_broken_promise_is_seen(name: str) -> None:
    asked_, kept_, reads, words = BAD[name]

    found = broken(asked_, kept_, reads)

    assert [text for text in found if words in text], found
