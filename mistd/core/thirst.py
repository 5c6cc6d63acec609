"""The film of one zone as it is reckoned: what bursts left, what air took, what a trusted sensor says of it.

A film is held as the evaporation it still has to give before it is gone (`film.drying_um`), which falls
evenly with the source's meter; so an instant and a depth are a closed form away. Three are kept: the driest
quarter's, which the zone is run on; the mean leaf's, which says how long a burst may be before it drips; and
that of the driest quarter were the air as slow as it ever is, which no sensor may talk us above.

A small observer: a trusted sensor pulls the estimate towards itself by a stated share, down faster than up.
Rule: a sensor that reads wet for ever, the lethal way to fail, delays no burst beyond the slow film.

This file knows no instant, no reading and no zone but the film's own; the meter is told.
"""

from dataclasses import dataclass, replace
from math import inf

from mistd.core.demand_cycles import LEAF_TO_PLATE, DemandCycle
from mistd.core.film import drying_um, film_at_wet_fraction_um, film_of_drying_um, wet_fraction

GAIN_DOWN = 0.5  # of the difference, at each reading, when the sensor is drier than the estimate (ours)
GAIN_UP = 0.01  # when it is wetter
FULL_WET = 0.95  # a sensor wetter than this says no more than that
SLOWEST_PACE = 0.85  # of the pace reckoned: air among leaves is hardly ever slower by day (ours)

# How far the pace may be off, either way (ours): leaf area, nozzle rate and air speed are each known to 30 %.
# In the light a burst comes by so much sooner.
UNSURE_ALONE = 0.28  # the film is reckoned and nothing more
UNSURE_SEEN = 0.1  # a trusted sensor spoke within `SEEN_FOR_S`
UNSURE_OF_LIGHT = 0.1  # more, where light is not measured
SEEN_FOR_S = 1800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Thirst:
    """One zone's film as of one reading of its source's film meter; every figure in um still to be dried."""

    at_um: float
    driest_um: float = 0.0
    mean_um: float = 0.0
    slow_um: float = 0.0
    since_burst_um: float = 0.0  # what the air has asked for since the last burst
    seen_s: float = -inf  # when a trusted sensor last spoke


def dried(thirst: Thirst, meter_um: float) -> Thirst:
    """The film as the meter has gone on; a meter that was set back by a reading makes no film wetter."""
    by_um = max(0.0, meter_um - thirst.at_um)
    if meter_um == thirst.at_um:
        return thirst
    return Thirst(
        at_um=meter_um,
        driest_um=max(0.0, thirst.driest_um - by_um),
        mean_um=max(0.0, thirst.mean_um - by_um),
        slow_um=max(0.0, thirst.slow_um - SLOWEST_PACE * by_um),
        since_burst_um=thirst.since_burst_um + by_um,
        seen_s=thirst.seen_s,
    )


def _held(thirst: Thirst, cycle: DemandCycle) -> Thirst:
    """No more than a leaf holds: a meter that was thought to run faster gives back what it had taken."""
    full_um = drying_um(cycle.holds_um, cycle.holds_um)
    return replace(
        thirst,
        driest_um=min(full_um, thirst.driest_um),
        mean_um=min(full_um, thirst.mean_um),
        slow_um=min(full_um, thirst.slow_um),
    )


def misted(thirst: Thirst, cycle: DemandCycle, open_s: float, meter_um: float) -> Thirst:
    """The film after a burst: what each leaf catches, up to what it holds."""
    before = dried(thirst, meter_um)
    caught_um, mean_caught_um = cycle.caught_um(open_s), cycle.caught_um(open_s, 1.0)
    return Thirst(
        at_um=before.at_um,
        seen_s=before.seen_s,
        driest_um=_wetter(before.driest_um, caught_um, cycle.holds_um),
        mean_um=_wetter(before.mean_um, mean_caught_um, cycle.holds_um),
        slow_um=_wetter(before.slow_um, caught_um, cycle.holds_um),
    )


def _wetter(drying: float, caught_um: float, holds_um: float) -> float:
    return drying_um(min(holds_um, film_of_drying_um(drying, holds_um) + caught_um), holds_um)


def held_otherwise(thirst: Thirst, before: DemandCycle, after: DemandCycle, meter_um: float) -> Thirst:
    """The same depth of water on leaves that are taken to hold more or less of it."""
    if before.holds_um == after.holds_um:
        return thirst
    then = dried(thirst, meter_um)

    def again(drying: float) -> float:
        depth_um = film_of_drying_um(drying, before.holds_um)
        return drying_um(min(depth_um, after.holds_um), after.holds_um)

    return replace(
        then, driest_um=again(then.driest_um), mean_um=again(then.mean_um), slow_um=again(then.slow_um)
    )


def seen(thirst: Thirst, cycle: DemandCycle, wet: float, meter_um: float, now_s: float) -> Thirst:
    """The film corrected by what a trusted sensor in the driest quarter says is wet, 0 to 1."""
    before = _held(dried(thirst, meter_um), cycle)
    if wet >= FULL_WET:
        return replace(before, seen_s=now_s)
    film = LEAF_TO_PLATE * film_at_wet_fraction_um(max(0.0, wet), cycle.holds_um)
    said_um = drying_um(film, cycle.holds_um)
    off_um = said_um - before.driest_um
    moved_um = off_um * (GAIN_UP if off_um > 0.0 else GAIN_DOWN)
    driest_um = max(0.0, min(before.driest_um + moved_um, max(before.slow_um, before.driest_um)))
    return Thirst(
        at_um=before.at_um,
        driest_um=driest_um,
        mean_um=max(driest_um, before.mean_um),
        slow_um=before.slow_um,
        since_burst_um=before.since_burst_um,
        seen_s=now_s,
    )


def film_um(thirst: Thirst, cycle: DemandCycle, meter_um: float) -> float:
    """The driest quarter's film."""
    return film_of_drying_um(_held(dried(thirst, meter_um), cycle).driest_um, cycle.holds_um)


def mean_film_um(thirst: Thirst, cycle: DemandCycle, meter_um: float) -> float:
    """The mean leaf's."""
    return film_of_drying_um(_held(dried(thirst, meter_um), cycle).mean_um, cycle.holds_um)


def slow_wet(thirst: Thirst, cycle: DemandCycle, meter_um: float) -> float:
    """The share of the driest quarter that would still be wet in the slowest air."""
    return wet_fraction(film_of_drying_um(dried(thirst, meter_um).slow_um, cycle.holds_um), cycle.holds_um)


def driest_wet(thirst: Thirst, cycle: DemandCycle, meter_um: float) -> float:
    """The share of the driest quarter that is wet, as reckoned."""
    return wet_fraction(film_um(thirst, cycle, meter_um), cycle.holds_um)


def unsure(thirst: Thirst, now_s: float, *, assumed_light: bool) -> float:
    """How far the pace of drying may be off, as a share."""
    alone = UNSURE_SEEN if now_s - thirst.seen_s <= SEEN_FOR_S else UNSURE_ALONE
    return alone + (UNSURE_OF_LIGHT if assumed_light else 0.0)


def due_at_um(thirst: Thirst, cycle: DemandCycle, sooner: float) -> float:
    """The meter's reading at which the driest quarter is down to the dry-back depth.

    Args:
        thirst: the film.
        cycle: has the depth.
        sooner: by which share the drying since the last burst is taken to be faster, or wanted sooner.
    """
    left_um = max(0.0, thirst.driest_um - cycle.dry_back_drying_um)
    return _sooner_um(thirst, left_um, sooner)


def _sooner_um(thirst: Thirst, left_um: float, sooner: float) -> float:
    """Where the meter stands when the whole of the drying, from the last burst on, is a share shorter.

    A sensor's word halfway brings what is left up to date and leaves the margin what it was.
    """
    return thirst.at_um - thirst.since_burst_um + (thirst.since_burst_um + left_um) / (1.0 + sooner)


def surely_due_at_um(thirst: Thirst, cycle: DemandCycle, sooner: float) -> float:
    """The same of the slow film: no sensor may put off a burst beyond that."""
    left_um = max(0.0, thirst.slow_um - cycle.dry_back_drying_um)
    return _sooner_um(thirst, left_um / SLOWEST_PACE, sooner)
