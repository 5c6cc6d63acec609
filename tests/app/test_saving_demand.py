"""Zones on demand are written down when something happened to them, not at every reading."""

import asyncio
import json
from dataclasses import replace

from mistd.app.resuming import readable_rows
from mistd.app.saving import NOTE_EVERY_S
from mistd.core.demand_cycles import CycleKind
from mistd.core.demand_rows import AIR_WRITTEN_AFTER_S, DEMAND_ROW, TRUST_ROW
from mistd.core.durable import HOUSE_ROW, ZONE_ROW, durable, restored
from mistd.core.house import begun
from mistd.core.observations import Observations
from mistd.core.readings import reading_of
from mistd.core.wetness_trust import WetnessTrust
from mistd.core.zone import Zone
from tests.app.saving_desk import Desk
from tests.core.demand_houses import LEAVES, demand_cycle, demand_plan, demand_zone
from tests.core.houses import almanac

DAMP = {"air": 15.0, "humidity": 0.95, LEAVES[0]: 0.8, LEAVES[1]: 0.7}  # nothing is due for 45 min
A, DEMAND = ZONE_ROW + "a", DEMAND_ROW + "a"
LEAF, OTHER = (TRUST_ROW + name for name in LEAVES)


def demand_desk() -> Desk:
    """A zone by its deficit, with two leaf-wetness sensors, misted just now."""
    plan = demand_plan(demand_zone("a", demand_cycle(CycleKind.VPD, *LEAVES)))
    zones = (Zone(plan=plan.zones[0], opened_s=-5.0, shut_s=0.0),)
    return Desk(house=begun(plan, almanac(), 0.0, zones))


def hear(desk: Desk, by: float = 0.0) -> None:
    """Every sensor says something, a little other than before."""
    now_s = desk.clock.now_s()
    readings = {
        name: reading_of(desk.house.plan.sensors[name].kind, value + by, now_s)
        for name, value in DAMP.items()
    }
    desk.decide(Observations(readings=tuple(readings.items())))


async def hear_every_ten_seconds(desk: Desk, for_s: float) -> None:
    for count in range(int(for_s / NOTE_EVERY_S)):
        hear(desk, 1e-3 * (count % 3))
        await asyncio.sleep(NOTE_EVERY_S)


def written(desk: Desk, name: str) -> list[float]:
    """When a row was handed to the store: noted, or saved without a note before."""
    return [at_s for at_s, batch in desk.store.notes if name in batch.rows]


def test_readings_alone_write_a_film_once_in_a_quarter_of_an_hour_and_nothing_else() -> None:
    desk = demand_desk()
    zones = set[int]()

    async def hear_and_count(desk: Desk) -> None:
        await hear_every_ten_seconds(desk, 300.0)
        before = desk.house.zones[0]
        await hear_every_ten_seconds(desk, 2 * AIR_WRITTEN_AFTER_S)
        zones.update({id(before), id(desk.house.zones[0])})

    desk.run(hear_and_count)

    assert len(zones) == 2, "readings change the zone, so that this shows something"
    assert len(desk.store.notes) > 150
    assert [written(desk, name) for name in (A, HOUSE_ROW, LEAF, OTHER)] == [[], [], [], []]
    everything = [at_s for at_s, batch in desk.store.saves + desk.store.notes if DEMAND in batch.rows]
    assert 2 <= len(everything) <= 4


def test_what_happens_to_the_lead_and_to_trust_is_noted_within_ten_seconds() -> None:
    desk = demand_desk()

    async def doubt_one(desk: Desk) -> None:
        await hear_every_ten_seconds(desk, 60.0)
        await asyncio.sleep(1.0)
        doubted = WetnessTrust(doubt="it did not rise")
        desk.house = replace(desk.house, trust={**desk.house.trust, LEAVES[0]: doubted})
        desk.saver.offer(desk.house)
        await asyncio.sleep(NOTE_EVERY_S)
        await asyncio.sleep(600.0)
        desk.decide(Observations())  # every sensor is lost
        await asyncio.sleep(NOTE_EVERY_S)

    desk.run(doubt_one)

    assert written(desk, LEAF) == [70.0]
    assert written(desk, OTHER) == []
    (fallen_s,) = written(desk, DEMAND)
    assert 660.0 < fallen_s <= 690.0


def test_the_last_rows_have_the_film_as_it_was_at_the_end() -> None:
    desk = demand_desk()

    async def end(desk: Desk) -> None:
        await hear_every_ten_seconds(desk, 300.0)
        hear(desk)
        desk.saver.keep_whole_house()
        await desk.saver.kept()

    desk.run(end)

    last = {name: json.loads(text) for name, text in desk.store.saves[-1][1].rows.items() if text}
    for name, row in durable(desk.house).items():
        assert last[name] == {**row, "boot_id": "boot-1"}


def test_the_rows_make_the_same_zone_on_demand_again() -> None:
    desk = demand_desk()

    async def live(desk: Desk) -> None:
        await hear_every_ten_seconds(desk, 300.0)
        desk.saver.keep_whole_house()
        await desk.saver.kept()

    desk.run(live)
    rows, unreadable = readable_rows(asyncio.run(desk.store.load()).rows)
    back = restored(desk.house.plan, rows, desk.house.almanac, 300.0)

    assert (unreadable, back.unreadable) == ([], ())
    before, after = desk.house.zones[0].demand, back.house.zones[0].demand
    assert before is not None
    assert after is not None
    assert (after.lead, after.week) == (before.lead, before.week)
