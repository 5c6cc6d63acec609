"""What every Store does, whatever it keeps things on.

A check is handed a way to open a store on one place, so that it can open it again as a restart would.
"""

import json
from collections.abc import Awaitable, Callable

import pytest

from mistd.ports.errors import StoreError
from mistd.ports.store import (
    ANSWERS_LOADED,
    REVISIONS_LOADED,
    Batch,
    Entry,
    Keeping,
    KeptAnswer,
    KeptRevision,
    Loaded,
    Store,
)

OpenStore = Callable[[], Store]
Check = Callable[[OpenStore], Awaitable[None]]

ENTRY = Entry(
    at="2026-11-01T06:30:00.000Z",
    is_time_trusted=True,
    kind="burst ended",
    subject="bench-1",
    reason="the gap ran out",
    figures='{"open_s": 6.0}',
)


def revision(
    id_: int, *, kind: str = "trim", subject: str = "bench-1", value: str | None = "0.9"
) -> KeptRevision:
    return KeptRevision(
        id=id_,
        at="2026-11-01T06:30:00.000Z",
        kind=kind,
        subject=subject,
        value=value,
        until="2026-11-02T06:30:00.000Z",
        author="Ida",
        note="sie wirken trocken \U0001f331",
        request_id=f"ask-{id_}",
        undoes=None if id_ == 1 else id_ - 1,
    )


def answer(request_id: str, text: str = "{}") -> KeptAnswer:
    return KeptAnswer(request_id=request_id, answer=text)


async def found_at(open_store: OpenStore) -> Loaded:
    """What a restart finds."""
    store = open_store()
    try:
        return await store.load()
    finally:
        await store.close()


async def check_a_new_place_holds_nothing(open_store: OpenStore) -> None:
    assert await found_at(open_store) == Loaded(rows={})


async def check_saved_rows_outlive_the_store(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": '{"trim": 0.9}', "alarms": "[]"}))
    await store.close()

    assert await found_at(open_store) == Loaded(rows={"zones": '{"trim": 0.9}', "alarms": "[]"})


async def check_a_save_replaces_its_own_rows_and_no_other(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1", "alarms": "1"}))

    await store.save(Batch(rows={"zones": "2", "batches": "2"}))

    assert dict((await store.load()).rows) == {"zones": "2", "alarms": "1", "batches": "2"}
    await store.close()


async def check_a_row_of_none_is_taken_away(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1", "alarms": "1"}))

    await store.save(Batch(rows={"alarms": None, "never there": None}))
    await store.close()

    assert dict((await found_at(open_store)).rows) == {"zones": "1"}


async def check_a_row_taken_away_may_come_again(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1"}))
    await store.save(Batch(rows={"zones": None}))

    await store.save(Batch(rows={"zones": "1"}))
    await store.close()

    assert dict((await found_at(open_store)).rows) == {"zones": "1"}


async def check_an_empty_save_changes_nothing(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1"}, revisions=(revision(1),)))

    await store.save(Batch())

    loaded = await store.load()
    assert (dict(loaded.rows), loaded.revisions) == ({"zones": "1"}, (revision(1),))
    await store.close()


async def check_a_save_before_any_load_keeps_what_is_already_there(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1"}, revisions=(revision(1),)))
    await store.close()

    store = open_store()
    await store.save(Batch(rows={"alarms": "2"}))

    loaded = await store.load()
    assert (dict(loaded.rows), loaded.revisions) == ({"zones": "1", "alarms": "2"}, (revision(1),))
    await store.close()


async def check_what_was_loaded_does_not_change_afterwards(open_store: OpenStore) -> None:
    store = open_store()
    await store.save(Batch(rows={"zones": "1"}, revisions=(revision(1),)))
    loaded = await store.load()

    await store.save(Batch(rows={"zones": "2"}, revisions=(revision(2),)))

    assert (dict(loaded.rows), loaded.revisions) == ({"zones": "1"}, (revision(1),))
    await store.close()


async def check_text_comes_back_as_it_was(open_store: OpenStore) -> None:
    rows = {
        "": json.dumps(""),
        "Zone 3 'Süd'; --": json.dumps("Größe \u2603 \U0001f331", ensure_ascii=False),
        "lines\nand\0nul": '{"a":\n1}',
        "long": json.dumps("x" * 1_000_000),
    }
    store = open_store()
    await store.load()

    await store.save(Batch(rows=rows))
    await store.close()

    assert dict((await found_at(open_store)).rows) == rows


async def check_revisions_come_back_field_by_field_by_id(open_store: OpenStore) -> None:
    saved = (revision(1), revision(2, kind="timetable", value=None), revision(3, subject=""))
    store = open_store()
    await store.load()

    await store.save(Batch(revisions=saved[:1]))
    await store.save(Batch(revisions=saved[1:]))
    await store.close()

    loaded = await found_at(open_store)
    assert (loaded.revisions, loaded.last_revision) == (saved, 3)


async def check_only_the_newest_revisions_of_each_setting_are_loaded(open_store: OpenStore) -> None:
    """A setting that is changed a great deal does not push another one out."""
    rare = (revision(1, subject="bench-2"),)
    often = tuple(revision(id_) for id_ in range(2, REVISIONS_LOADED + 4))
    store = open_store()
    await store.load()

    await store.save(Batch(revisions=rare + often))

    for loaded in (await store.load(), await found_at(open_store)):
        assert loaded.revisions == rare + often[-REVISIONS_LOADED:]
        assert loaded.last_revision == often[-1].id
    await store.close()


async def check_answers_come_back_oldest_first(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()

    await store.save(Batch(answers=(answer("b"), answer("a", '{"is_done": true}'))))
    await store.save(Batch(answers=(answer("c"),)))
    await store.close()

    loaded = await found_at(open_store)
    assert loaded.answers == (answer("b"), answer("a", '{"is_done": true}'), answer("c"))


async def check_an_answer_given_again_counts_once_and_as_new(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(answers=(answer("a"), answer("b"))))

    await store.save(Batch(answers=(answer("a", '"as before"'),)))
    await store.close()

    assert (await found_at(open_store)).answers == (answer("b"), answer("a", '"as before"'))


async def check_only_the_newest_answers_are_loaded(open_store: OpenStore) -> None:
    answers = tuple(answer(str(number)) for number in range(ANSWERS_LOADED + 3))
    store = open_store()
    await store.load()

    await store.save(Batch(answers=answers))

    for loaded in (await store.load(), await found_at(open_store)):
        assert loaded.answers == answers[-ANSWERS_LOADED:]
    await store.close()


async def check_what_was_noted_outlives_the_store(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1", "alarms": "1"}))
    await store.note(Batch(rows={"zones": "2", "alarms": None}, entries=(ENTRY,)))
    await store.note(Batch(rows={"zones": "3"}, revisions=(revision(1),), answers=(answer("a"),)))
    await store.close()

    found = await found_at(open_store)

    assert found == Loaded(
        rows={"zones": "3"}, revisions=(revision(1),), last_revision=1, answers=(answer("a"),)
    )
    assert await found_at(open_store) == found


async def check_a_save_stands_for_what_was_noted_before_it(open_store: OpenStore) -> None:
    """The caller has put it in again, or it would have been for nothing."""
    store = open_store()
    await store.load()
    await store.note(Batch(rows={"zones": "2"}))
    await store.save(Batch(rows={"zones": "3"}))
    await store.close()

    assert dict((await found_at(open_store)).rows) == {"zones": "3"}


async def check_what_was_noted_after_a_save_stands(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.note(Batch(rows={"zones": "2"}))
    await store.save(Batch(rows={"zones": "3"}))
    await store.note(Batch(rows={"zones": "4"}))
    await store.close()

    assert dict((await found_at(open_store)).rows) == {"zones": "4"}


async def check_a_note_before_any_load_stands(open_store: OpenStore) -> None:
    """A start whose place is bad notes on."""
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1", "alarms": "1"}))
    await store.close()

    store = open_store()
    await store.note(Batch(rows={"zones": "2"}))
    await store.close()

    assert dict((await found_at(open_store)).rows) == {"zones": "2", "alarms": "1"}


async def check_what_is_no_json_is_refused_with_all_its_company(open_store: OpenStore) -> None:
    """A bad row on disk would cost the whole file at the next start."""
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1"}))

    for bad in ("", "{", "'1'", '"\ud800"'):
        for batch in (
            Batch(rows={"zones": "2", "alarms": bad}),
            Batch(rows={"zones": "2"}, answers=(answer("a", bad),)),
            Batch(rows={"zones": "2"}, revisions=(revision(1, value=bad),)),
        ):
            with pytest.raises(ValueError, match="is not JSON text"):
                await store.save(batch)
            with pytest.raises(ValueError, match="is not JSON text"):
                await store.note(batch)

    assert await store.load() == Loaded(rows={"zones": "1"})
    await store.close()


async def check_a_backup_leaves_all_alone(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(Batch(rows={"zones": "1"}, revisions=(revision(1),), answers=(answer("a"),)))
    before = await store.load()

    await store.copy_to_backup()
    await store.copy_to_backup()

    assert await store.load() == before
    await store.close()


async def check_pruning_takes_nothing_that_a_restart_needs(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save(
        Batch(rows={"zones": "1"}, revisions=(revision(1),), answers=(answer("a"),), entries=(ENTRY,))
    )
    before = await store.load()

    for today in (None, "2036-11-01"):
        await store.prune(
            Keeping(journal_days=0.0, journal_largest_mb=0.0, minutes_days=0.0, hours_days=0.0), today
        )

    assert await store.load() == before
    await store.close()


async def check_a_closed_store_says_so_and_closes_again_without_harm(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()

    await store.close()
    await store.close()

    for refused in (
        lambda: store.save(Batch(rows={"zones": "1"})),
        lambda: store.note(Batch(rows={"zones": "1"})),
        lambda: store.prune(Keeping(), None),
        store.load,
        store.copy_to_backup,
    ):
        with pytest.raises(StoreError, match="closed"):
            await refused()


async def check_a_store_never_loaded_may_be_closed(open_store: OpenStore) -> None:
    await open_store().close()

    assert await found_at(open_store) == Loaded(rows={})


CHECKS: tuple[Check, ...] = (
    check_a_new_place_holds_nothing,
    check_saved_rows_outlive_the_store,
    check_a_save_replaces_its_own_rows_and_no_other,
    check_a_row_of_none_is_taken_away,
    check_a_row_taken_away_may_come_again,
    check_an_empty_save_changes_nothing,
    check_a_save_before_any_load_keeps_what_is_already_there,
    check_what_was_loaded_does_not_change_afterwards,
    check_text_comes_back_as_it_was,
    check_revisions_come_back_field_by_field_by_id,
    check_only_the_newest_revisions_of_each_setting_are_loaded,
    check_answers_come_back_oldest_first,
    check_an_answer_given_again_counts_once_and_as_new,
    check_only_the_newest_answers_are_loaded,
    check_what_was_noted_outlives_the_store,
    check_a_save_stands_for_what_was_noted_before_it,
    check_what_was_noted_after_a_save_stands,
    check_a_note_before_any_load_stands,
    check_what_is_no_json_is_refused_with_all_its_company,
    check_a_backup_leaves_all_alone,
    check_pruning_takes_nothing_that_a_restart_needs,
    check_a_closed_store_says_so_and_closes_again_without_harm,
    check_a_store_never_loaded_may_be_closed,
)
