"""Why a burst on demand is due, in words with the figures behind them.

This file decides nothing: it reads the zone as it stands when its burst is ordered.
"""

from math import inf

from mistd.core.almanac import DayPart
from mistd.core.demand_cycles import DemandCycle
from mistd.core.demand_source import SourceState
from mistd.core.film import wet_fraction
from mistd.core.leading import LEAD_WORDS
from mistd.core.thirst import driest_wet, film_um, unsure
from mistd.core.turn import Turn
from mistd.core.units import PERCENT, S_PER_HOUR, S_PER_MIN
from mistd.core.zone import Zone
from mistd.core.zone_demand import NO_READINGS, Lead, ZoneDemand, source_of, sum_kpa_s

WORTH_TELLING_S = 1.0  # a shorter wait for the line explains nothing
WORTH_TELLING_WET = 0.01  # and so does a burst that comes before its set point by less
IN_PART = {DayPart.NIGHT: "at night", DayPart.DAWN: "at dawn", DayPart.DAY: "by day", DayPart.DUSK: "at dusk"}


def why_due_on_demand(turn: Turn, zone: Zone, cycle: DemandCycle, demand: ZoneDemand) -> str:
    """The sentence: what is down to what, after how long, and what it is led by when not by its own cycle."""
    gap_s = turn.now_s - zone.shut_s
    late_s = turn.now_s - zone.waiting_since_s
    waited = f", after {late_s:.0f} s of waiting for the line" if late_s >= WORTH_TELLING_S else ""
    trim = f", with {zone.trim.fraction * PERCENT:+.3g} % water for {zone.trim.author}" if zone.trim else ""
    led = f"; led by {LEAD_WORDS[demand.lead]}, for {demand.why}" if demand.why else ""
    what = _what(turn, cycle, demand)
    return f"{gap_s / S_PER_MIN:.1f} min since the last burst{waited}: {what}{trim}{led}"


def _what(turn: Turn, cycle: DemandCycle, demand: ZoneDemand) -> str:
    source = source_of(cycle, turn.sources)
    if demand.lead in NO_READINGS:
        return "by its own last week" if demand.lead is Lead.OWN_WEEK else "by the timetable"
    bounds = cycle.bounds[turn.almanac.part]
    is_sparse = bounds is not None and bounds.is_sparse
    if not is_sparse and _is_by_mark(turn, demand, source):
        return _by_mark(turn, cycle, demand, source)
    longest = f"{bounds.longest_gap_s / S_PER_MIN:g} min " if bounds else ""
    sparse = "sparse mist" if is_sparse else "the longest gap"
    film = film_words(cycle, demand, source, turn.now_s)
    return f"{sparse}, {longest}{IN_PART[turn.almanac.part]}, is over; {film}"


def _is_by_mark(turn: Turn, demand: ZoneDemand, source: SourceState | None) -> bool:
    """Whether the mark was reached; a burst held up by a guard may be late by its longest gap as well."""
    if demand.lead is Lead.LEAF_WETNESS and demand.is_sensor_dry:
        return True
    if source is None or demand.mark == inf:
        return False
    reads = source.kpa_s_at(turn.now_s) if demand.lead is Lead.VPD else source.um_at(turn.now_s)
    return reads >= demand.mark - 1e-6


def _by_mark(turn: Turn, cycle: DemandCycle, demand: ZoneDemand, source: SourceState | None) -> str:
    if demand.lead is Lead.VPD and source is not None:
        so_far = sum_kpa_s(demand, source, turn.now_s) / S_PER_HOUR
        wanted = cycle.set_point_kpa_s / S_PER_HOUR
        return f"the deficit adds up to {so_far:.3g} kPa.h, set point {wanted:.3g} kPa.h"
    own = cycle.film_dry_back_wet if demand.lead is Lead.FILM else cycle.sensor_dry_back_wet
    wet = f"set point {own * PERCENT:.0f} %"
    film = film_words(cycle, demand, source, turn.now_s)
    if demand.lead is Lead.LEAF_WETNESS and demand.driest_wet is not None and demand.is_sensor_dry:
        return f"the driest trusted sensor reads {demand.driest_wet * PERCENT:.0f} % wet, {wet}; {film}"
    if demand.lead is Lead.LEAF_WETNESS:
        said = (
            "no sensor says so"
            if demand.driest_wet is None
            else f"its sensor reads {demand.driest_wet * PERCENT:.0f} % wet"
        )
        return f"the film must be gone by now even in the slowest air, though {said}; {film}"
    return f"{film}, {wet}{_sooner(turn, cycle, demand, source)}"


def _sooner(turn: Turn, cycle: DemandCycle, demand: ZoneDemand, source: SourceState | None) -> str:
    """Why a burst by the film comes before the set point: in the light, by what the reckoning may be off."""
    if source is None:
        return ""
    before = driest_wet(demand.thirst, cycle, source.um_at(turn.now_s)) - cycle.film_dry_back_wet
    if not turn.almanac.is_light or before < WORTH_TELLING_WET:
        return ""
    off = unsure(demand.thirst, turn.now_s, assumed_light=source.rates.assumed_light)
    return f", sooner in the light as leaves may dry {off * PERCENT:.0f} % faster"


def film_words(cycle: DemandCycle, demand: ZoneDemand, source: SourceState | None, now_s: float) -> str:
    """The driest quarter's film in words."""
    if source is None:
        return "its film is not reckoned"
    depth_um = film_um(demand.thirst, cycle, source.um_at(now_s))
    wet = wet_fraction(depth_um, cycle.holds_um) * PERCENT
    return f"the driest quarter's film is {depth_um:.0f} of {cycle.holds_um:.0f} um, {wet:.0f} % wet"
