"""What a zone on demand is led by, how far its leaves have dried and when a burst is due by that: sentences.

Pure: what is told of the zone in, sentences out. Figures are told as of now: the film and the sum go on from
when they were told at the pace that was told with them.
Rule: what is not reckoned, or not trusted, is said to be so; no instant is promised that a part of the day
with other gaps could move.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta

from mistd.app.messages import DemandTold, HouseTold, ZoneTold
from mistd.app.spoken import said_instant, said_length
from mistd.core.almanac import DayPart
from mistd.core.due_words import IN_PART
from mistd.core.film import drying_um, film_of_drying_um, wet_fraction
from mistd.core.leading import LEAD_WORDS
from mistd.core.units import PERCENT, S_PER_HOUR, S_PER_MIN
from mistd.core.zone_demand import NO_READINGS, Lead

SAME_INSTANT = timedelta(seconds=1)  # two instants no further apart are one
Begins = Sequence[tuple[datetime, DayPart]]  # parts of the day to come, and when each begins

CYCLE_WORDS: Mapping[str, str] = {
    "vpd": LEAD_WORDS[Lead.VPD],
    "leaf_wetness": LEAD_WORDS[Lead.LEAF_WETNESS],
    "film": LEAD_WORDS[Lead.FILM],
}


def demand_lines(zone: ZoneTold, demand: DemandTold, house: HouseTold, now: datetime) -> Iterator[str]:
    """Who leads and why not its own cycle, what it waits for, and what it does without."""
    yield _who_leads(demand, house, now)
    if zone.doing in {"resting", "held", "waiting"}:
        yield from _what_it_waits_for(zone, demand, house, now)
    yield from (f"It does without a reading: {doubt}." for doubt in demand.doubts)


def _who_leads(demand: DemandTold, house: HouseTold, now: datetime) -> str:
    own, lead = CYCLE_WORDS[demand.cycle], Lead(demand.led_by)
    if demand.why:
        since = f"since {said_instant(demand.led_since, now)} " if demand.led_since else ""
        return f"It should be misted by {own}, but {since}it is led by {LEAD_WORDS[lead]}: {demand.why}."
    if demand.is_sparse and demand.longest_gap_s is not None:
        in_part, gap = IN_PART[DayPart(house.part)], _minutes(demand.longest_gap_s)
        return (
            f"It is misted by {own}, but {in_part} sparsely: a burst every {gap}, however wet its leaves are."
        )
    return f"It is misted on demand, by {own}."


def _what_it_waits_for(zone: ZoneTold, demand: DemandTold, house: HouseTold, now: datetime) -> Iterator[str]:
    lead, film = Lead(demand.led_by), list(_film(demand, now))
    if lead in NO_READINGS:
        return
    if lead is Lead.FILM and not demand.is_sparse:
        film = [f"{each}; {_due_by_film(demand, house, now)}" for each in film]
    elif lead is Lead.VPD and not demand.is_sparse:
        yield from _by_sum(zone, demand, now)
    elif lead is Lead.LEAF_WETNESS and not demand.is_sparse:
        yield _by_sensor(demand, now)
    yield from (f"{each}." for each in film)


def _film(demand: DemandTold, now: datetime) -> Iterator[str]:
    """The film as it has gone on since it was told; nothing where none is reckoned."""
    if demand.film_um is None or demand.drying_um_per_h is None:
        return
    holds_um = demand.holds_um
    passed_h = max(0.0, (now - demand.as_of).total_seconds()) / S_PER_HOUR
    left_um = drying_um(demand.film_um, holds_um) - demand.drying_um_per_h * passed_h
    film_um = film_of_drying_um(max(0.0, left_um), holds_um)
    wet_percent = wet_fraction(film_um, holds_um) * PERCENT
    yield (
        f"The film reckoned for the driest quarter of the bench is {film_um:.0f} of {holds_um:g} um, "
        f"{wet_percent:.0f} % wet"
    )


def _due_by_film(demand: DemandTold, house: HouseTold, now: datetime) -> str:
    due = f"a burst is due at {demand.dry_back_percent:.0f} %"
    if house.is_light and demand.film_unsure_percent is not None:
        due += f", in the light somewhat before: leaves may dry {demand.film_unsure_percent:.0f} % faster"
    if demand.sensor_wet_percent is None:
        return due
    return f"{due}. Its driest trusted sensor, which sets that right, read {_sensor(demand, now)}"


def _sensor(demand: DemandTold, now: datetime) -> str:
    at = said_instant(demand.as_of, now, to_the_second=True)
    return f"{demand.sensor_wet_percent:.0f} % wet at {at}"


def _by_sensor(demand: DemandTold, now: datetime) -> str:
    due = f"a burst is due at {demand.dry_back_percent:.0f} %, or when the film must be gone even in slow air"
    if demand.sensor_wet_percent is None:
        return f"No trusted sensor has settled since the last burst; {due}."
    return f"Its driest trusted sensor read {_sensor(demand, now)}; {due}."


def _by_sum(zone: ZoneTold, demand: DemandTold, now: datetime) -> Iterator[str]:
    if demand.sum_kpa_h is None or demand.set_point_kpa_h is None or demand.deficit_kpa is None:
        return
    passed_h = max(0.0, (now - demand.as_of).total_seconds()) / S_PER_HOUR
    added_kpa_h = demand.sum_kpa_h + demand.deficit_kpa * passed_h
    wanted_kpa_h = demand.set_point_kpa_h / (1.0 + (zone.trim.percent if zone.trim else 0.0) / PERCENT)
    yield (
        f"The deficit has added up to {added_kpa_h:.3f} kPa.h of the {wanted_kpa_h:.3f} at which a burst is "
        f"due, and grows by {demand.deficit_kpa:.2f} kPa.h an hour."
    )


# --- when


def expected_on_demand(
    zone: ZoneTold, demand: DemandTold, house: HouseTold, now: datetime, begins: Begins
) -> Iterator[str]:
    """When the next burst is expected, if no reading, nobody and no guard changes that."""
    due = zone.next_burst_at
    if due is None:
        yield from _when_a_part_begins(demand, now, begins)
    elif due > now:
        change = next(iter(begins), None)
        if change is None or due <= change[0]:
            yield f"{_expected(demand, due)} {_soon(due, now)}{_at_the_latest(zone, demand, house, now)}."
        elif change[1] in demand.mists_in:
            begun = said_instant(change[0], now)
            yield (
                f"The next burst is expected at about {_soon(due, now)}; {change[1].value} begins before, "
                f"at {begun}, and has gaps of its own."
            )
        else:
            begun = said_instant(change[0], now)
            yield f"No burst is due before {change[1].value} begins at {begun}, and then it has no mist."
            yield from _when_a_part_begins(demand, now, begins)


def _expected(demand: DemandTold, due: datetime) -> str:
    """A sensor may ask for a burst before the film must be gone."""
    is_by_sensor = Lead(demand.led_by) is Lead.LEAF_WETNESS and not demand.is_sparse
    if is_by_sensor and not _is_same(due, demand.latest_at):
        return "When no sensor asks for it sooner the next burst is expected at"
    return "The next burst is expected at"


def _when_a_part_begins(demand: DemandTold, now: datetime, begins: Begins) -> Iterator[str]:
    found = (each for each in begins if each[1] in demand.mists_in)
    for at, part in found:
        begins_at, left = said_instant(at, now), said_length(at - now)
        yield f"Its next burst is not expected before {part.value} begins at {begins_at}, in {left}."
        return


def _at_the_latest(zone: ZoneTold, demand: DemandTold, house: HouseTold, now: datetime) -> str:
    latest, due = demand.latest_at, zone.next_burst_at
    if latest is None or due is None or demand.longest_gap_s is None or Lead(demand.led_by) in NO_READINGS:
        return ""
    gap = f"the longest gap {IN_PART[DayPart(house.part)]} is {_minutes(demand.longest_gap_s)}"
    if _is_same(due, latest):
        return "" if demand.is_sparse else f": {gap}"
    if latest < due:
        return ""
    return f", and at the latest at {said_instant(latest, now, to_the_second=True)}: {gap}"


def _is_same(at: datetime, other: datetime | None) -> bool:
    return other is not None and abs(at - other) <= SAME_INSTANT


def _soon(at: datetime, now: datetime) -> str:
    return f"{said_instant(at, now, to_the_second=True)}, in {said_length(at - now)}"


def _minutes(gap_s: float) -> str:
    return f"{gap_s / S_PER_MIN:.4g} min"
