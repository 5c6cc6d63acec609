"""What every Store does, whatever it keeps its rows on.

A check is handed a way to open a store on one place, so that it can open it again as a restart would.
"""

import json
from collections.abc import Awaitable, Callable

import pytest

from mistd.ports.errors import StoreError
from mistd.ports.store import Store

OpenStore = Callable[[], Store]
Check = Callable[[OpenStore], Awaitable[None]]


async def check_a_new_place_holds_no_row(open_store: OpenStore) -> None:
    store = open_store()

    loaded = await store.load()

    assert dict(loaded.rows) == {}
    assert loaded.set_aside is None
    await store.close()


async def check_saved_rows_outlive_the_store(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save({"zones": '{"trim": 0.9}', "alarms": "[]"})
    await store.close()

    store = open_store()
    loaded = await store.load()

    assert dict(loaded.rows) == {"zones": '{"trim": 0.9}', "alarms": "[]"}
    assert loaded.set_aside is None
    await store.close()


async def check_a_save_replaces_its_own_rows_and_no_other(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save({"zones": "1", "alarms": "1"})

    await store.save({"zones": "2", "batches": "2"})

    assert dict((await store.load()).rows) == {"zones": "2", "alarms": "1", "batches": "2"}
    await store.close()


async def check_an_empty_save_changes_nothing(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save({"zones": "1"})

    await store.save({})

    assert dict((await store.load()).rows) == {"zones": "1"}
    await store.close()


async def check_a_save_before_any_load_keeps_the_rows_already_there(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save({"zones": "1"})
    await store.close()

    store = open_store()
    await store.save({"alarms": "2"})

    assert dict((await store.load()).rows) == {"zones": "1", "alarms": "2"}
    await store.close()


async def check_loaded_rows_do_not_change_afterwards(open_store: OpenStore) -> None:
    store = open_store()
    await store.save({"zones": "1"})
    loaded = await store.load()

    await store.save({"zones": "2"})

    assert dict(loaded.rows) == {"zones": "1"}
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

    await store.save(rows)
    await store.close()

    store = open_store()
    assert dict((await store.load()).rows) == rows
    await store.close()


async def check_a_row_that_is_no_json_is_refused_with_all_its_company(open_store: OpenStore) -> None:
    """A bad row on disk would cost the whole file at the next start."""
    store = open_store()
    await store.load()
    await store.save({"zones": "1"})

    for bad in ("", "{", "'1'", '"\ud800"'):
        with pytest.raises(ValueError, match="row 'alarms' is not JSON text"):
            await store.save({"zones": "2", "alarms": bad})

    assert dict((await store.load()).rows) == {"zones": "1"}
    await store.close()


async def check_a_backup_leaves_the_rows_alone(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()
    await store.save({"zones": "1"})

    await store.copy_to_backup()
    await store.copy_to_backup()

    assert dict((await store.load()).rows) == {"zones": "1"}
    await store.close()


async def check_a_closed_store_says_so_and_closes_again_without_harm(open_store: OpenStore) -> None:
    store = open_store()
    await store.load()

    await store.close()
    await store.close()

    for refused in (lambda: store.save({"zones": "1"}), store.load, store.copy_to_backup):
        with pytest.raises(StoreError, match="closed"):
            await refused()


async def check_a_store_never_loaded_may_be_closed(open_store: OpenStore) -> None:
    await open_store().close()

    store = open_store()
    assert dict((await store.load()).rows) == {}
    await store.close()


CHECKS: tuple[Check, ...] = (
    check_a_new_place_holds_no_row,
    check_saved_rows_outlive_the_store,
    check_a_save_replaces_its_own_rows_and_no_other,
    check_an_empty_save_changes_nothing,
    check_a_save_before_any_load_keeps_the_rows_already_there,
    check_loaded_rows_do_not_change_afterwards,
    check_text_comes_back_as_it_was,
    check_a_row_that_is_no_json_is_refused_with_all_its_company,
    check_a_backup_leaves_the_rows_alone,
    check_a_closed_store_says_so_and_closes_again_without_harm,
    check_a_store_never_loaded_may_be_closed,
)
