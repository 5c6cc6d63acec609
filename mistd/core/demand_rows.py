"""What a restart needs of a zone on demand and of a leaf-wetness sensor's trust, as plain rows.

Rule 1: what the air did while nobody looked is taken for a bright day's work, in the dark a night's: a film
believed too deep is waited for too long.
Rule 2: a row that cannot be understood costs a zone its film and its week, never its mist: it counts as dry.

The meters of demand begin at nought again with every start; so films and sums are written as of an instant
and not of a meter. This file knows no house and no disk.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from mistd.core.demand_cycles import DemandCycle
from mistd.core.demand_source import USUAL_KPA, USUAL_UM_PER_S, Rates, SourceState
from mistd.core.film import drying_um
from mistd.core.own_week import DAYS, HOURS, OwnWeek
from mistd.core.plan import HousePlan
from mistd.core.readings import SensorKind
from mistd.core.rows import Plain, Row, UnreadableRowError, is_none, or_none, past_instant, wanted
from mistd.core.thirst import Thirst
from mistd.core.units import S_PER_HOUR, S_PER_MIN
from mistd.core.wetness_trust import WetnessTrust
from mistd.core.zone_demand import Lead, ZoneDemand, begun_demand, rank, source_of

DEMAND_ROW = "demand/"
TRUST_ROW = "trust/"

# What every reading changes: a row is not written anew for these alone before they are so old.
OF_THE_AIR = frozenset(
    {
        *(
            "at_s",
            "driest_um",
            "mean_um",
            "slow_um",
            "since_burst_um",
            "seen_s",
            "sum_kpa_s",
            "dried_um",
            "um_per_s",
            "kpa",
        ),
        "is_sensor_dry",
    }
)
AIR_WRITTEN_AFTER_S = 15.0 * S_PER_MIN
DAY_UNSOUND_AFTER_S = S_PER_HOUR  # nobody misted for so long: no day to go by later
MOST_BURSTS_AN_HOUR = 3600
BETWEEN_HOURS, BETWEEN_DAYS = " ", ";"


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """What a start knows of the time since the rows were written."""

    now_s: float
    shift_s: float  # added to every instant in the rows
    is_light: bool
    is_time_away_known: bool


def demand_row(cycle: DemandCycle, demand: ZoneDemand, sources: Sequence[SourceState]) -> Row:
    """What a restart needs of one zone on demand."""
    week = demand.week
    return {
        "cycle": cycle.kind.value,
        "lead": demand.lead.value,
        "lead_since_s": or_none(demand.lead_since_s),
        "why": demand.why,
        "is_sensor_dry": demand.is_sensor_dry,
        "today": _day_text(week.today),
        "days": BETWEEN_DAYS.join(map(_day_text, week.days)),
        "is_sound": week.is_sound,
        **_air_row(demand, source_of(cycle, sources)),
    }


def _air_row(demand: ZoneDemand, source: SourceState | None) -> dict[str, Plain]:
    """Film and sum as of the source's last instant, and their pace; without a source as they stand.

    The film as it was last wetted or seen, and the drying since: a mark lies a share of the way from there.
    """
    thirst = demand.thirst
    return {
        "at_s": source.at_s if source else None,
        "driest_um": thirst.driest_um,
        "mean_um": thirst.mean_um,
        "slow_um": thirst.slow_um,
        "since_burst_um": thirst.since_burst_um,
        "dried_um": source.um - thirst.at_um if source else 0.0,
        "seen_s": or_none(thirst.seen_s),
        "sum_kpa_s": source.kpa_s - demand.sum_from_kpa_s if source else 0.0,
        "um_per_s": source.rates.um_per_s if source else 0.0,
        "kpa": source.rates.kpa if source else 0.0,
    }


def is_worth_writing(row: Row, written: Row | None) -> bool:
    """Whether a zone's row says something that the one written last does not, other than what air did since.

    That follows from the row by itself, the worse the older it is.
    """
    if written is None or any(row[name] != written[name] for name in row if name not in OF_THE_AIR):
        return True
    at_s, written_s = row["at_s"], written["at_s"]
    if not isinstance(at_s, float) or not isinstance(written_s, float):
        return at_s is not written_s
    return at_s - written_s >= AIR_WRITTEN_AFTER_S


def trust_row(trust: WetnessTrust) -> Row:
    """What a restart needs of one sensor's trust."""
    return {
        "doubt": trust.doubt,
        "swings": trust.swings,
        "flat_bursts": trust.flat_bursts,
        "wet_bursts": trust.wet_bursts,
        "apart_since_s": or_none(trust.apart_since_s),
    }


def demand_again(
    zone: str, cycle: DemandCycle | None, rows: Mapping[str, Row], start: Start, unreadable: list[str]
) -> ZoneDemand | None:
    """A zone on demand as its row says; without one that can be understood its leaves are dry."""
    if cycle is None:
        return None
    name = DEMAND_ROW + zone
    try:
        return _demand(cycle, rows[name], start) if name in rows else _dry(cycle)
    except UnreadableRowError as problem:
        unreadable.append(f"{name}: {problem}")
        return _dry(cycle)


def trust_again(
    plan: HousePlan, rows: Mapping[str, Row], start: Start, unreadable: list[str]
) -> dict[str, WetnessTrust]:
    """What is known of each leaf-wetness sensor; one whose row cannot be read has to show itself anew."""
    trust = dict[str, WetnessTrust]()
    for name, sensor in plan.sensors.items():
        row = rows.get(TRUST_ROW + name)
        if row is None or sensor.kind is not SensorKind.LEAF_WETNESS:
            continue
        try:
            trust[name] = _trust(row, start)
        except UnreadableRowError as problem:
            unreadable.append(f"{TRUST_ROW}{name}: {problem}")
    return trust


def _dry(cycle: DemandCycle) -> ZoneDemand:
    """A zone of which only the cycle is known: its film is gone and its sum is full."""
    return replace(begun_demand(cycle), sum_from_kpa_s=-cycle.set_point_kpa_s)


def _demand(cycle: DemandCycle, row: Row, start: Start) -> ZoneDemand:
    at_s = past_instant(row, "at_s", start.shift_s, start.now_s)
    away_s = start.now_s - at_s if at_s > -inf else 0.0
    week = _week(row)
    if not start.is_time_away_known or away_s >= DAY_UNSOUND_AFTER_S:
        week = replace(week, is_sound=False)
    if wanted(row, "cycle", str) != cycle.kind.value:
        return replace(_dry(cycle), week=week)
    pace = _pace(row, start)
    fresh = _of_the_air(cycle, row, start, pace, away_s) if start.is_time_away_known else _dry(cycle)
    lead = _lead(cycle, row, week)
    lead_since_s = past_instant(row, "lead_since_s", start.shift_s, start.now_s)
    is_own = rank(cycle, lead) == 0
    return replace(
        fresh,
        lead=lead,
        lead_since_s=-inf if is_own else lead_since_s if lead_since_s > -inf else start.now_s,
        why="" if is_own else wanted(row, "why", str),
        is_sensor_dry=wanted(row, "is_sensor_dry", bool),
        week=week,
    )


def _lead(cycle: DemandCycle, row: Row, week: OwnWeek) -> Lead:
    """The lead, if the cycle can have it."""
    word = wanted(row, "lead", str)
    try:
        lead = Lead(word)
        rank(cycle, lead)
    except ValueError:
        raise UnreadableRowError(f"lead is {word!r}, none of a {cycle.kind.value} cycle") from None
    if lead is Lead.OWN_WEEK and not week.is_known:
        raise UnreadableRowError(f"lead is {word!r}, with {len(week.days)} days, needed {DAYS}")
    return lead


def _pace(row: Row, start: Start) -> Rates:
    """How fast things went while nobody looked: as is usual, or as at last if that was faster."""
    return Rates(
        kpa=max(USUAL_KPA[start.is_light], _amount(row, "kpa")),
        um_per_s=max(USUAL_UM_PER_S[start.is_light], _amount(row, "um_per_s")),
    )


def _of_the_air(cycle: DemandCycle, row: Row, start: Start, pace: Rates, away_s: float) -> ZoneDemand:
    """Film and sum with what the time away took and added, on meters that begin at nought now."""
    full_um = drying_um(cycle.holds_um, cycle.holds_um)  # a leaf may hold less than it did in the file
    thirst = Thirst(
        at_um=-(wanted(row, "dried_um", float) + pace.um_per_s * away_s),
        driest_um=min(full_um, _amount(row, "driest_um")),
        mean_um=min(full_um, _amount(row, "mean_um")),
        slow_um=min(full_um, _amount(row, "slow_um")),
        since_burst_um=_amount(row, "since_burst_um"),
        seen_s=past_instant(row, "seen_s", start.shift_s, start.now_s),
    )
    return replace(
        begun_demand(cycle),
        thirst=thirst,
        sum_from_kpa_s=-(wanted(row, "sum_kpa_s", float) + pace.kpa * away_s),
    )


def _week(row: Row) -> OwnWeek:
    days = wanted(row, "days", str)
    week = OwnWeek(
        today=_day("today", wanted(row, "today", str)),
        days=tuple(_day("days", day) for day in days.split(BETWEEN_DAYS)) if days else (),
        is_sound=wanted(row, "is_sound", bool),
    )
    if len(week.days) > DAYS:
        raise UnreadableRowError(f"days are {len(week.days)}, at most {DAYS}")
    return week


def _day_text(day: Sequence[int]) -> str:
    return BETWEEN_HOURS.join(map(str, day))


def _day(name: str, text: str) -> tuple[int, ...]:
    hours = text.split(BETWEEN_HOURS)
    if len(hours) != HOURS or not all(map(_is_count, hours)):
        raise UnreadableRowError(f"{name} is not bursts in {HOURS} hours: {text[:40]!r}")
    return tuple(map(int, hours))


def _is_count(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 9 and int(text) <= MOST_BURSTS_AN_HOUR


def _trust(row: Row, start: Start) -> WetnessTrust:
    counts = {name: _count(row, name) for name in ("swings", "flat_bursts", "wet_bursts")}
    is_apart = not is_none(row, "apart_since_s")
    apart_since_s = past_instant(row, "apart_since_s", start.shift_s, start.now_s) if is_apart else inf
    return WetnessTrust(
        doubt=wanted(row, "doubt", str),
        swings=counts["swings"],
        flat_bursts=counts["flat_bursts"],
        wet_bursts=counts["wet_bursts"],
        apart_since_s=apart_since_s if start.is_time_away_known else inf,
    )


def _amount(row: Row, name: str) -> float:
    amount = wanted(row, name, float)
    if amount < 0.0:
        raise UnreadableRowError(f"{name} is {amount:g}, not 0 or more")
    return amount


def _count(row: Row, name: str) -> int:
    count = wanted(row, name, int)
    if count < 0:
        raise UnreadableRowError(f"{name} is {count}, not 0 or more")
    return count
