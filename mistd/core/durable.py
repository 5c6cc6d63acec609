"""What a restart needs of a house, as plain rows, and a house made from them again.

Rule 1: `restored(durable(house))` decides as the house did, once a keeper holds the lines.
Rule 2: a row that cannot be understood costs that row and nothing else.
Rule 3: nothing in a row moves water: what people asked for and did not get before a restart is not kept.

Instants are kept as monotonic seconds. After a restart of the machine that clock begins anew; the shell then
says by how much to shift them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from math import inf
from typing import Any

from mistd.core.almanac import Almanac
from mistd.core.change_rules import (
    LEAST_TRIM,
    LONGEST_CLOSED_S,
    LONGEST_SKIP_S,
    LONGEST_TRIM_S,
    MOST_TRIM,
    put_in_force,
)
from mistd.core.demand_rows import (
    DEMAND_ROW,
    TRUST_ROW,
    Start,
    demand_again,
    demand_row,
    trust_again,
    trust_row,
)
from mistd.core.house import House, begun
from mistd.core.plan import HousePlan, ZonePlan
from mistd.core.rows import Row, UnreadableRowError, is_none, or_none, past_instant, shifted, wanted
from mistd.core.settings import NO_SETTINGS, Settings
from mistd.core.zone import Closed, Hold, Skip, Trim, WaterCount, Zone

HOUSE_ROW = "house"
ZONE_ROW = "zone/"


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """A house made again, which rows could not be used, and which settings are not in force, with reasons."""

    house: House
    unreadable: tuple[str, ...] = field(default=())
    not_applied: tuple[tuple[str, str], ...] = field(default=())  # the zone, and why


def durable(house: House) -> dict[str, Row]:
    """Every row that a restart needs, by name."""
    rows = {ZONE_ROW + zone.plan.name: zone_row(zone) for zone in house.zones}
    rows[HOUSE_ROW] = house_row(house)
    return {**rows, **demand_rows(house), **trust_rows(house)}


def demand_rows(house: House) -> dict[str, Row]:
    """A row for each zone on demand."""
    return {
        DEMAND_ROW + zone.plan.name: demand_row(zone.demand_cycle, zone.demand, house.sources)
        for zone in house.zones
        if zone.demand_cycle and zone.demand
    }


def trust_rows(house: House) -> dict[str, Row]:
    """A row for each leaf-wetness sensor."""
    return {TRUST_ROW + name: trust_row(trust) for name, trust in house.trust.items()}


def house_row(house: House) -> Row:
    """What a restart needs of the house as a whole."""
    return {
        "counting_date": house.counting_date.isoformat(),
        "counting_since_s": or_none(house.counting_since_s),
        "next_ticket": house.line.next_ticket,
        "last_opening_s": or_none(house.line.last_opening_s),
    }


def zone_row(zone: Zone) -> Row:
    """What a restart needs of one zone."""
    hold = zone.hold
    return {
        "opened_s": or_none(zone.opened_s),
        "shut_s": or_none(zone.shut_s),
        "last_reason": zone.last_reason,
        "hold_ends_s": hold.ends_s if hold else None,
        "hold_author": hold.author if hold else None,
        "hold_note": hold.note if hold else None,
        "hold_is_warned": hold.is_warned if hold else None,
        "skipped_s": or_none(zone.skipped_s),
        "trim_fraction": zone.trim.fraction if zone.trim else None,
        **_passing_row("trim", zone.trim),
        **_passing_row("closed", zone.closed),
        **_passing_row("skip", zone.skip),
        "bursts_today": zone.today.bursts,
        "open_s_today": zone.today.open_s,
        "water_l_today": zone.today.water_l,
        "bursts_yesterday": zone.yesterday.bursts,
        "open_s_yesterday": zone.yesterday.open_s,
        "water_l_yesterday": zone.yesterday.water_l,
    }


def _passing_row(name: str, passing: Trim | Closed | Skip | None) -> Row:
    return {
        f"{name}_ends_s": passing.ends_s if passing else None,
        f"{name}_author": passing.author if passing else None,
        f"{name}_note": passing.note if passing else None,
    }


def restored(
    plan: HousePlan,
    rows: Mapping[str, Row],
    almanac: Almanac,
    now_s: float,
    *,
    shift_s: float = 0.0,
    is_time_away_known: bool = True,
    settings: Settings = NO_SETTINGS,
) -> Restored:
    """A house that goes on where the rows left off.

    Args:
        plan: what is wired now; a zone that is new begins as never misted, one that is gone is forgotten.
        rows: as `durable` wrote them.
        almanac: the part of the day it is now.
        now_s: monotonic seconds.
        shift_s: added to every instant in the rows: zero while the machine has not been restarted since.
        is_time_away_known: when it is not, every zone counts as due and no burst is left out, for the leaves;
            and a hold runs for all that was left of it, for the people.
        settings: what was set before; what a rule of the plan forbids now is not put in force.
    """
    unreadable: list[str] = []
    zones = tuple(_zone(zone, rows, shift_s, now_s, unreadable) for zone in plan.zones)
    not_applied = tuple(put_in_force(plan, zones, settings, now_s))
    for zone in zones:
        _shorten_hold(zone, now_s + plan.longest_hold_s)
        if not is_time_away_known:
            zone.opened_s = zone.shut_s = zone.skipped_s = -inf
            zone.skip = replace(zone.skip, ends_s=now_s) if zone.skip else None
    start = Start(
        now_s=now_s, shift_s=shift_s, is_light=almanac.is_light, is_time_away_known=is_time_away_known
    )
    for zone in zones:
        zone.demand = demand_again(zone.plan.name, zone.demand_cycle, rows, start, unreadable)
    trust = trust_again(plan, rows, start, unreadable)
    house = begun(plan, almanac, now_s, zones, settings, trust)
    row = rows.get(HOUSE_ROW)
    if row is not None:
        try:
            _restore_house(house, row, shift_s, now_s)
            if not is_time_away_known:
                house.counting_since_s = -inf  # the date will tell whether a day has ended
        except UnreadableRowError as problem:
            unreadable.append(f"{HOUSE_ROW}: {problem}")
    return Restored(house=house, unreadable=tuple(unreadable), not_applied=not_applied)


def _restore_house(house: House, row: Row, shift_s: float, now_s: float) -> None:
    counting_date = _date(wanted(row, "counting_date", str))
    counting_since_s = past_instant(row, "counting_since_s", shift_s, now_s)
    line = house.line.resumed(
        next_ticket=wanted(row, "next_ticket", int),
        last_opening_s=past_instant(row, "last_opening_s", shift_s, now_s),
    )
    house.counting_date, house.counting_since_s, house.line = counting_date, counting_since_s, line


def _zone(
    plan: ZonePlan, rows: Mapping[str, Row], shift_s: float, now_s: float, unreadable: list[str]
) -> Zone:
    row = rows.get(ZONE_ROW + plan.name)
    if row is None:
        return Zone(plan=plan)
    try:
        return Zone(
            plan=plan,
            opened_s=past_instant(row, "opened_s", shift_s, now_s),
            shut_s=past_instant(row, "shut_s", shift_s, now_s),
            last_reason=wanted(row, "last_reason", str),
            hold=_hold(row, shift_s),
            skipped_s=_instant_if_kept(row, "skipped_s", shift_s, now_s),
            trim=_trim(row, shift_s, now_s),
            closed=_closed(row, shift_s, now_s),
            skip=_skip(row, shift_s, now_s),
            today=_count(row, "today"),
            yesterday=_count(row, "yesterday"),
        )
    except UnreadableRowError as problem:
        unreadable.append(f"{ZONE_ROW}{plan.name}: {problem}")
        return Zone(plan=plan)


def _hold(row: Row, shift_s: float) -> Hold | None:
    if is_none(row, "hold_ends_s"):
        return None
    return Hold(
        ends_s=shifted(row, "hold_ends_s", shift_s),
        author=wanted(row, "hold_author", str),
        note=wanted(row, "hold_note", str),
        is_warned=wanted(row, "hold_is_warned", bool),
    )


def _trim(row: Row, shift_s: float, now_s: float) -> Trim | None:
    if row.get("trim_ends_s") is None:
        return None
    passing = _passing(row, "trim", shift_s, now_s + LONGEST_TRIM_S)
    fraction = wanted(row, "trim_fraction", float)
    if not LEAST_TRIM <= fraction <= MOST_TRIM:
        raise UnreadableRowError(f"trim_fraction is {fraction!r}, allowed {LEAST_TRIM:g} to {MOST_TRIM:g}")
    return Trim(fraction=fraction, **passing)


def _closed(row: Row, shift_s: float, now_s: float) -> Closed | None:
    if row.get("closed_ends_s") is None:
        return None
    return Closed(**_passing(row, "closed", shift_s, now_s + LONGEST_CLOSED_S))


def _skip(row: Row, shift_s: float, now_s: float) -> Skip | None:
    if row.get("skip_ends_s") is None:
        return None
    return Skip(**_passing(row, "skip", shift_s, now_s + LONGEST_SKIP_S))


def _passing(row: Row, name: str, shift_s: float, latest_end_s: float) -> dict[str, Any]:
    """When something ends and who wants it; neither damage nor a corrected clock makes it last for ever."""
    return {
        "ends_s": min(shifted(row, f"{name}_ends_s", shift_s), latest_end_s),
        "author": wanted(row, f"{name}_author", str),
        "note": wanted(row, f"{name}_note", str),
    }


def _shorten_hold(zone: Zone, latest_end_s: float) -> None:
    """Neither damage nor a corrected clock may keep a zone dry for longer than anyone could ask."""
    if zone.hold and zone.hold.ends_s > latest_end_s:
        zone.hold = replace(zone.hold, ends_s=latest_end_s)


def _count(row: Row, day: str) -> WaterCount:
    return WaterCount(
        bursts=wanted(row, f"bursts_{day}", int),
        open_s=wanted(row, f"open_s_{day}", float),
        water_l=wanted(row, f"water_l_{day}", float),
    )


def _instant_if_kept(row: Row, name: str, shift_s: float, now_s: float) -> float:
    """A past instant that rows of an earlier version do not have."""
    return past_instant(row, name, shift_s, now_s) if name in row else -inf


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UnreadableRowError(f"counting_date is {text!r}, not a date") from None
