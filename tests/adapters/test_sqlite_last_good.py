"""What a lost database is begun from: the last-good file or the backup, whichever is the newer."""

import asyncio
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from mistd.adapters.sqlite.known import STAND_IN_ANSWERS
from mistd.adapters.sqlite.last_good import LINES_AT_MOST, read_last_good
from mistd.ports.store import REVISIONS_LOADED, Batch, Loaded
from tests.adapters.state_files import (
    ROWS,
    answer,
    entry,
    load_once,
    note_once,
    reasons_seen_by_another,
    revision,
    save_once,
    store_at,
    tail_of,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state.db"


def last_good_of(path: Path) -> Path:
    return path.with_name("last-good.json")


def lose(path: Path) -> None:
    for each in path.parent.glob("state.db*"):
        if each.name in ("state.db", "state.db-wal", "state.db-shm"):
            each.unlink()


def clock(utc: str) -> dict[str, str]:
    return {"clock": json.dumps({"utc": utc, "is_trusted": True})}


def save_all(path: Path, *batches: Batch) -> list[str | None]:
    """Save one after the other in one start."""

    async def run() -> list[str | None]:
        store = store_at(path)
        await store.load()
        said = [await store.save(batch) for batch in batches]
        await store.close()
        return said

    return asyncio.run(run())


def test_a_lost_database_comes_back_as_of_the_last_change(path: Path) -> None:
    save_once(path, Batch(rows=ROWS, answers=(answer("a"),)))
    save_once(path, Batch(rows={"zones": "2"}, revisions=(revision(1),), answers=(answer("b"),)))
    lose(path)

    loaded = load_once(path)

    source = last_good_of(path)
    assert loaded == Loaded(
        rows={**ROWS, "zones": "2"},
        revisions=(revision(1),),
        last_revision=1,
        answers=(answer("a"), answer("b")),
        troubles=(
            f"{path}: missing; settings and state come from {source} (up to change 1); "
            "the history before is lost",
        ),
    )
    assert load_once(path).troubles == ()


def test_every_change_in_a_start_is_kept_with_the_state_then(path: Path) -> None:
    """Also a row that was changed or taken away between two changes."""
    save_all(
        path,
        Batch(rows={"zones": "1", "gone": "1"}, revisions=(revision(1),)),
        Batch(rows={"zones": "2", "gone": None}, answers=(answer("a"),)),
        Batch(rows={"alarms": "3"}, revisions=(revision(2),), answers=(answer("b"),)),
    )
    lose(path)

    loaded = load_once(path)

    assert dict(loaded.rows) == {"zones": "2", "alarms": "3"}
    assert (loaded.revisions, loaded.last_revision) == ((revision(1), revision(2)), 2)
    assert loaded.answers == (answer("b"),)  # what came with a change that the file was written for


def test_a_change_adds_to_the_file_what_a_change_is(path: Path) -> None:
    """The whole would be written a score of times a day."""
    many = tuple(revision(id_) for id_ in range(1, REVISIONS_LOADED + 1))

    async def sizes() -> list[int]:
        store, found = store_at(path), []
        await store.save(Batch(rows=ROWS, revisions=many))
        for number in range(3):
            found.append(last_good_of(path).stat().st_size)
            await store.save(Batch(revisions=(revision(100 + number),)))
        await store.close()
        return found

    first, second, third = asyncio.run(sizes())

    assert second - first == third - second
    assert second - first < first / 5


def test_many_changes_do_not_make_the_file_long(path: Path) -> None:
    save_all(path, *(Batch(revisions=(revision(id_),)) for id_ in range(1, LINES_AT_MOST + 2)))

    lines = last_good_of(path).read_bytes().splitlines()

    assert len(lines) == 1
    assert read_last_good(last_good_of(path)).last_revision == LINES_AT_MOST + 1
    assert len(read_last_good(last_good_of(path)).revisions()) == REVISIONS_LOADED


def test_only_the_newest_answers_are_in_it(path: Path) -> None:
    answers = tuple(answer(str(number)) for number in range(STAND_IN_ANSWERS + 5))
    save_once(path, Batch(answers=answers))
    save_once(path, Batch(revisions=(revision(1),)))
    lose(path)

    assert load_once(path).answers == answers[-STAND_IN_ANSWERS:]


def test_a_save_without_a_change_does_not_touch_it(path: Path) -> None:
    save_once(path, Batch(revisions=(revision(1),)))
    before = last_good_of(path).stat()

    save_once(path, Batch(rows={"zones": "2"}, answers=(answer("a"),), entries=(entry("x"),)))

    after = last_good_of(path).stat()
    assert (after.st_ino, after.st_size, after.st_mtime_ns) == (
        before.st_ino,
        before.st_size,
        before.st_mtime_ns,
    )


# Which stands in.


def test_the_one_with_the_higher_change_stands_in(path: Path) -> None:
    """Here the last-good file; rows and changes are its alone."""
    save_once(path, Batch(rows={"zones": "1", "old": "1"}, revisions=(revision(1),)), with_backup=True)
    save_once(path, Batch(rows={"zones": "2", "old": None}, revisions=(revision(2),)))
    lose(path)

    loaded = load_once(path)

    assert dict(loaded.rows) == {"zones": "2"}
    assert loaded.revisions == (revision(1), revision(2))
    assert str(last_good_of(path)) in loaded.troubles[0]


def test_a_backup_with_the_higher_change_stands_in(path: Path) -> None:
    save_once(path, Batch(rows={"zones": "1"}, revisions=(revision(1),)))
    old = last_good_of(path).read_bytes()
    save_once(path, Batch(rows={"zones": "2"}, revisions=(revision(2),)), with_backup=True)
    last_good_of(path).write_bytes(old)
    lose(path)

    loaded = load_once(path)

    assert (dict(loaded.rows), loaded.last_revision) == ({"zones": "2"}, 2)
    assert f"{path}.backup" in loaded.troubles[0]


@pytest.mark.parametrize(
    ("in_last_good", "in_backup", "taken"),
    [
        ("2026-11-01T06:00:00+00:00", "2026-11-01T07:00:00+00:00", "backup"),
        ("2026-11-01T07:00:00+00:00", "2026-11-01T06:00:00+00:00", "last-good"),
    ],
)
def test_of_two_with_the_same_change_the_later_stands_in(
    in_last_good: str, in_backup: str, taken: str, path: Path
) -> None:
    save_once(path, Batch(rows=clock(in_last_good), revisions=(revision(1),)))
    save_once(path, Batch(rows=clock(in_backup)), with_backup=True)
    lose(path)

    loaded = load_once(path)

    assert dict(loaded.rows) == clock(max(in_last_good, in_backup))
    assert taken in loaded.troubles[0]
    assert max(in_last_good, in_backup) in loaded.troubles[0]


def test_the_highest_change_ever_given_is_known_from_whichever_knows_it(path: Path) -> None:
    """A number is never given twice, even when the change that had it is lost."""
    save_once(path, Batch(revisions=(revision(5),)), with_backup=True)
    last_good_of(path).unlink()
    lose(path)
    assert load_once(path).last_revision == 5
    save_once(path, {"zones": "1"})

    assert load_once(path).last_revision == 5


def test_what_was_noted_comes_on_top_of_what_stands_in(path: Path) -> None:
    save_once(path, Batch(rows={"zones": "1", "alarms": "1"}, revisions=(revision(1),)))
    note_once(path, Batch(rows={"zones": "2"}, entries=(entry("noted"),)))
    lose(path)

    loaded = load_once(path)

    assert dict(loaded.rows) == {"zones": "2", "alarms": "1"}
    assert reasons_seen_by_another(path) == ["noted"]


def test_notes_that_the_last_good_file_has_already_are_not_put_on_top_of_it(path: Path) -> None:
    """The tail may not have been emptied after the save that the file stands for."""

    async def note_and_save() -> bytes:
        store = store_at(path)
        await store.note(Batch(rows={"zones": "1"}, entries=(entry("noted"),)))
        kept = await asyncio.to_thread(tail_of(path).read_bytes)
        await store.save(Batch(rows={"zones": "2"}, revisions=(revision(1),), entries=(entry("noted"),)))
        await store.close()
        return kept

    tail = asyncio.run(note_and_save())
    tail_of(path).write_bytes(tail)
    lose(path)

    assert dict(load_once(path).rows) == {"zones": "2"}


# Files that are not as they were written.


@pytest.mark.parametrize("cut", [1, 2, 50, 100])
def test_a_torn_last_line_counts_for_nothing(cut: int, path: Path) -> None:
    save_all(path, Batch(revisions=(revision(1),)), Batch(rows={"zones": "2"}, revisions=(revision(2),)))
    whole = last_good_of(path).read_bytes()
    last_good_of(path).write_bytes(whole[:-cut])

    known = read_last_good(last_good_of(path))

    if cut == 1:  # the end of the line alone
        assert (known.last_revision, known.rows) == (2, {"zones": "2"})
    else:
        assert (known.last_revision, known.rows) == (1, {})


Damage = Callable[[bytes], bytes]
DAMAGES: dict[str, Damage] = {
    "nothing": lambda _: b"",
    "zeroes": lambda good: bytes(len(good)),
    "no JSON": lambda good: good[:100],
    "a list": lambda _: b"[]\n",
    "another format": lambda good: good.replace(b'"format":1', b'"format":2'),
    "no last change": lambda good: good.replace(b'"last_revision":1', b'"last_revision":"1"'),
    "marks that are none": lambda good: good.replace(b'"noted":{}', b'"noted":{"a":"b"}'),
    "a change without a field": lambda good: good.replace(b'"ask-1",', b""),
    "a row that is no JSON": lambda good: good.replace(b'"rows":{', b'"rows":{"bad":"{",'),
    "no text": lambda good: good.replace(b"Ida", b"\xff\xfe"),
    "deep": lambda _: b"[" * 100_000,
}


@pytest.mark.parametrize("kind", DAMAGES)
def test_a_bad_last_good_file_is_passed_over_and_harms_nothing(kind: str, path: Path) -> None:
    save_once(path, Batch(rows=ROWS, revisions=(revision(1),)), with_backup=True)
    good = last_good_of(path).read_bytes()
    last_good_of(path).write_bytes(DAMAGES[kind](good))
    assert last_good_of(path).read_bytes() != good
    lose(path)

    loaded = load_once(path)

    assert (dict(loaded.rows), loaded.revisions) == (ROWS, (revision(1),))
    assert f"{path}.backup" in loaded.troubles[0]


def test_a_last_good_file_that_cannot_be_written_does_not_refuse_the_change(path: Path) -> None:
    last_good_of(path).mkdir()

    said = save_once(path, Batch(revisions=(revision(1),)))

    assert said == f"{last_good_of(path)}: cannot be written: Is a directory"
    assert load_once(path).revisions == (revision(1),)


def test_a_last_good_file_that_was_not_written_is_made_up_for_by_the_next_save(path: Path) -> None:
    async def save_while_in_the_way() -> list[str | None]:
        store = store_at(path)
        await asyncio.to_thread(last_good_of(path).mkdir)
        said = [await store.save(Batch(revisions=(revision(1),)))]
        said.append(await store.save(Batch(rows={"zones": "2"})))
        await asyncio.to_thread(last_good_of(path).rmdir)
        said.append(await store.save(Batch(rows={"zones": "3"})))
        await store.close()
        return said

    first, second, third = asyncio.run(save_while_in_the_way())

    assert first is not None
    assert second is not None
    assert third is None
    known = read_last_good(last_good_of(path))
    assert (known.rows, known.revisions()) == ({"zones": "3"}, (revision(1),))


@pytest.mark.parametrize("meddle", ["deleted", "cut", "another's"])
def test_a_last_good_file_meddled_with_is_written_anew(meddle: str, path: Path) -> None:
    async def save_meddle_save() -> None:
        store = store_at(path)
        await store.save(Batch(rows=ROWS, revisions=(revision(1),)))
        if meddle == "deleted":
            await asyncio.to_thread(last_good_of(path).unlink)
        else:
            text = b"{}" if meddle == "cut" else b"x" * 5000
            await asyncio.to_thread(last_good_of(path).write_bytes, text)
        await store.save(Batch(revisions=(revision(2),)))
        await store.close()

    asyncio.run(save_meddle_save())

    known = read_last_good(last_good_of(path))
    assert (known.rows, known.revisions()) == (ROWS, (revision(1), revision(2)))


def test_a_database_that_is_there_is_believed_before_a_last_good_file_that_says_more(path: Path) -> None:
    other = path.parent / "other" / "state.db"
    other.parent.mkdir()
    save_once(other, Batch(revisions=tuple(revision(id_) for id_ in range(1, 9))))
    save_once(path, Batch(rows=ROWS, revisions=(revision(1),)))
    shutil.copy(last_good_of(other), last_good_of(path))

    assert load_once(path).last_revision == 1
