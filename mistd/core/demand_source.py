"""What the air asks of the leaves, added up: one source for all zones that share their sensors.

Two meters that grow together: the vapour pressure deficit over time, weighed by light where a light sensor is
fitted, in kPa seconds; and what a fully wet leaf among others on a bench would have given, in micrometres.
Between two readings both grow by the mean of their rates at either end, which is exact for rates that move
evenly, at whatever interval readings come and in whatever order; from the last reading on by its rate, until
the next corrects it.

Rule: a reading that is possible but not to be believed here (a humidity of nought, a frozen value) counts as
none; which one it was is told. This file knows no zone.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf
from typing import Any

from mistd.core.almanac import Almanac, DayPart
from mistd.core.demand import DEFAULT_LEAF, USUAL_AIR_SPEED_M_PER_S, demand
from mistd.core.house_radiation import DEFAULT_COVER, USUAL_LIGHT_W_PER_M2, BenchReadings
from mistd.core.plan import SourcePlan
from mistd.core.psychrometrics import (
    saturation_vapour_pressure_kpa,
    saturation_vapour_pressure_slope_kpa_per_c,
    vapour_pressure_deficit_kpa,
    vapour_pressure_kpa,
)
from mistd.core.readings import SensorKind
from mistd.core.sensors import SensorState
from mistd.core.units import S_PER_HOUR
from mistd.core.wet_leaf import LeafAir, sensible_w_per_m2_c

# A leaf among others on a bench gives up less than one alone in the house's air: its neighbours moisten and
# shade it. Ours, reckoned against the simulated benches, where 0.4 to 0.5 holds by day, half that by night.
SHELTER = 0.42
SHELTER_BY_NIGHT = 0.25
# The same where a leaf's temperature is measured: a leaf is warmer as it dries and so is the deficit from it,
# which is told against the house's air and not the moister air at the leaf. Ours, reckoned like the others.
SHELTER_BY_LEAF = 0.25

# What a propagation house can have; outside, a sensor is broken, dry of its wick, or sends another unit.
LEAST_AIR_C, MOST_AIR_C = -10.0, 55.0
LEAST_HUMIDITY = 0.03
LEAST_DAYLIGHT_W_PER_M2 = 2.0  # on a bench in the day part, under the thickest cloud and shade (ours)

# A value that does not move for so long by day, over so many readings, is frozen: daylight moves them all.
FROZEN_AFTER_S = 2.0 * S_PER_HOUR
FROZEN_READINGS = 20

# Before any reading, and over time nobody saw: what a bright day in a shaded house asks for, um/s (ours;
# 0.30 mm/h of a lone leaf on the day of `reference_rates`, in shelter); by night by eye.
USUAL_UM_PER_S: Mapping[bool, float] = {True: 0.035, False: 0.008}
USUAL_KPA: Mapping[bool, float] = {True: 1.5, False: 0.4}

READINGS = ("air_c", "relative_humidity", "light_w_per_m2", "leaf_c")  # in the order of `SourcePlan`

REFERENCE_AIR_C = 25.0
REFERENCE_HUMIDITY = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """How fast both meters grow, and what that rests on."""

    kpa: float
    um_per_s: float
    assumed_light: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceState:
    """Both meters as at one instant, and what is wrong with the source, if anything."""

    at_s: float
    kpa_s: float = 0.0
    um: float = 0.0
    rates: Rates
    is_measured: bool = False  # the rates come from readings, not from what is usual
    lost: str = ""  # in words: which reading died; empty while all is well
    doubts: tuple[str, ...] = ()  # of what a source can do without, in words
    light_since_s: float = inf  # infinite: it is dark
    readings: BenchReadings | None = None  # that the rates come from
    heard_s: tuple[float, ...] = ()  # when each of `READINGS` came
    revision: "Revision | None" = None  # of the last reading; None: it moved nothing

    def um_at(self, now_s: float) -> float:
        """The film meter's reading."""
        return self.um + self.rates.um_per_s * (now_s - self.at_s)

    def kpa_s_at(self, now_s: float) -> float:
        """The deficit meter's reading."""
        return self.kpa_s + self.rates.kpa * (now_s - self.at_s)

    def um_reached_s(self, mark_um: float) -> float:
        """The instant at which the film meter reads the mark, at its present rate; infinite when never."""
        return _reached_s(mark_um - self.um, self.rates.um_per_s, self.at_s)

    def kpa_s_reached_s(self, mark_kpa_s: float) -> float:
        """The same of the deficit meter."""
        return _reached_s(mark_kpa_s - self.kpa_s, self.rates.kpa, self.at_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """By how much a reading set the meters right, and since when it has been moving there, evenly."""

    from_s: float
    kpa_s: float = 0.0
    um: float = 0.0

    def share_at(self, then_s: float, now_s: float) -> float:
        """How much of it falls to the time before `then_s`, 0 to 1: what a mark made then is off by."""
        return (max(0.0, then_s - self.from_s) / (now_s - self.from_s)) ** 2


def _reached_s(missing: float, rate: float, at_s: float) -> float:
    if missing <= 0.0:
        return at_s
    return at_s + missing / rate if rate > 0.0 else float("inf")


def usual_source(almanac: Almanac, now_s: float) -> SourceState:
    """A source before its first reading: a bright day's demand, or a night's."""
    return SourceState(
        at_s=now_s, rates=usual_rates(almanac), light_since_s=now_s if almanac.is_light else inf
    )


def usual_rates(almanac: Almanac) -> Rates:
    """What is taken for granted where nothing is measured."""
    light = almanac.is_light
    return Rates(kpa=USUAL_KPA[light], um_per_s=USUAL_UM_PER_S[light], assumed_light=True)


def went_on(
    state: SourceState,
    plan: SourcePlan,
    sensors: Mapping[str, SensorState],
    almanac: Almanac,
    now_s: float,
) -> SourceState:
    """The source with what its sensors say now.

    Args:
        state: as it was.
        plan: which sensors it has.
        sensors: of the whole house, as they are now.
        almanac: whether it is light, and the part of the day.
        now_s: monotonic seconds.
    """
    look = _Look(
        almanac=almanac,
        light_since_s=min(state.light_since_s, now_s) if almanac.is_light else inf,
        now_s=now_s,
    )
    air_c, humidity = sensors[plan.air], sensors[plan.humidity]
    lost = "; ".join(filter(None, (_not_believed(air_c, look), _not_believed(humidity, look))))
    doubts: list[str] = []
    light_w_per_m2 = _optional(plan.light, sensors, look, doubts)
    leaf_c = _optional(plan.leaf, sensors, look, doubts)
    readings, revision = None, None
    heard_s = _heard_s(plan, sensors)
    if lost or air_c.good_value is None or humidity.good_value is None:
        rates = usual_rates(almanac)
    else:
        readings = BenchReadings(
            air_c=air_c.good_value,
            relative_humidity=humidity.good_value,
            light_w_per_m2=light_w_per_m2,
            leaf_c=leaf_c,
        )
        rates = _rates_now(readings, almanac, has_light=plan.light is not None)
        revision = _revision(state, plan, readings, heard_s, rates, look)
    return SourceState(
        at_s=now_s,
        kpa_s=state.kpa_s_at(now_s) + (revision.kpa_s if revision else 0.0),
        um=state.um_at(now_s) + (revision.um if revision else 0.0),
        rates=rates,
        is_measured=readings is not None,
        lost=lost,
        doubts=tuple(doubts),
        light_since_s=look.light_since_s,
        readings=readings,
        heard_s=heard_s,
        revision=revision,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """When sensors are looked at, and in what light."""

    almanac: Almanac
    light_since_s: float
    now_s: float


def _heard_s(plan: SourcePlan, sensors: Mapping[str, SensorState]) -> tuple[float, ...]:
    names = (plan.air, plan.humidity, plan.light, plan.leaf)
    return tuple(sensors[name].heard_s if name else -inf for name in names)


def _revision(
    state: SourceState,
    plan: SourcePlan,
    readings: BenchReadings,
    heard_s: tuple[float, ...],
    rates: Rates,
    look: _Look,
) -> Revision | None:
    """What new readings set right, each having moved evenly since it came last: they do not come together."""
    if state.readings is None:
        return None
    moved: dict[float, dict[str, Any]] = {}
    for name, was_s, is_s in zip(READINGS, state.heard_s, heard_s, strict=True):
        is_both = getattr(state.readings, name) is not None and getattr(readings, name) is not None
        if was_s != is_s and is_both:
            moved.setdefault(was_s, {})[name] = getattr(readings, name)
    at, before, kpa_s, um = state.readings, state.rates, 0.0, 0.0
    for was_s, values in moved.items():
        at = replace(at, **values)
        after = rates
        if at != readings:
            after = _rates_now(at, look.almanac, has_light=plan.light is not None)
        half_s = 0.5 * (look.now_s - was_s)
        kpa_s += half_s * (after.kpa - before.kpa)
        um += half_s * (after.um_per_s - before.um_per_s)
        before = after
    from_s = min(moved, default=look.now_s)
    return Revision(from_s=from_s, kpa_s=kpa_s, um=um) if from_s < look.now_s else None


def _rates_now(readings: BenchReadings, almanac: Almanac, *, has_light: bool) -> Rates:
    return rates_of(readings, almanac.part, has_light=has_light, is_night=not almanac.is_light)


def rates_of(readings: BenchReadings, part: DayPart, *, has_light: bool, is_night: bool = False) -> Rates:
    """Both rates from one set of readings.

    Args:
        readings: those that are believed.
        part: stands in for the light where none is measured.
        has_light: whether a light sensor is fitted, so that light weighs in the deficit; while it is not
            believed the usual light of the part does.
        is_night: whether the sun is down.
    """
    asked = demand(readings, day_part=part)
    is_assumed = readings.light_w_per_m2 is None and readings.leaf_c is None
    if readings.leaf_c is not None:
        vapour_kpa = vapour_pressure_kpa(readings.air_c, readings.relative_humidity)
        kpa = saturation_vapour_pressure_kpa(readings.leaf_c) - vapour_kpa
    else:
        kpa = vapour_pressure_deficit_kpa(readings.air_c, readings.relative_humidity)
        if has_light:
            light = readings.light_w_per_m2
            kpa += LIGHT_KPA_PER_W_PER_M2 * (USUAL_LIGHT_W_PER_M2[part] if light is None else max(0.0, light))
    return Rates(
        kpa=max(0.0, kpa),
        um_per_s=_shelter(readings, is_night=is_night) * asked.um_per_s,
        assumed_light=is_assumed,
    )


def _shelter(readings: BenchReadings, *, is_night: bool) -> float:
    if is_night:
        return SHELTER_BY_NIGHT
    return SHELTER if readings.leaf_c is None else SHELTER_BY_LEAF


def light_kpa_per_w_per_m2(air_c: float = REFERENCE_AIR_C) -> float:
    """How many kPa of deficit a W/m2 of light on the bench is worth to a wet leaf.

    Penman's (1948) combination: evaporation goes as the deficit plus slope times radiation kept over the heat
    that the leaf gives off for a degree.

    >>> round(1000.0 * light_kpa_per_w_per_m2(), 2)
    2.16
    """
    air = LeafAir(air_c=air_c, vapour_kpa=0.0, speed_m_per_s=USUAL_AIR_SPEED_M_PER_S, net_w_per_m2=0.0)
    kept_kpa = DEFAULT_COVER.leaf_absorbs * saturation_vapour_pressure_slope_kpa_per_c(air_c)
    return kept_kpa / sensible_w_per_m2_c(air, DEFAULT_LEAF)


LIGHT_KPA_PER_W_PER_M2 = light_kpa_per_w_per_m2()


def reference_rates(*, has_light: bool, has_leaf: bool = False) -> Rates:
    """The rates of a usual bright day: 25 C, 60 %, the light usual by day, and a wet leaf in that."""
    readings = BenchReadings(
        air_c=REFERENCE_AIR_C,
        relative_humidity=REFERENCE_HUMIDITY,
        light_w_per_m2=USUAL_LIGHT_W_PER_M2[DayPart.DAY],
    )
    if has_leaf:
        readings = replace(readings, leaf_c=demand(readings).leaf_c)
    return rates_of(readings, DayPart.DAY, has_light=has_light)


def _optional(
    name: str | None,
    sensors: Mapping[str, SensorState],
    look: _Look,
    doubts: list[str],
) -> float | None:
    """The value of a sensor that may be missing; why it is not believed goes to the doubts."""
    if name is None:
        return None
    doubt = _not_believed(sensors[name], look)
    if doubt:
        doubts.append(doubt)
        return None
    return sensors[name].good_value


def _not_believed(state: SensorState, look: _Look) -> str:
    """Why a sensor that has spoken is not believed as a witness of demand, in words; empty when it is."""
    name = state.plan.name
    if state.is_lost:
        return f"{name} is lost"
    value = state.good_value
    if value is None:
        return ""
    limits = _beyond(state.plan.kind, value, look.almanac)
    if limits:
        return f"{name} reads {value:.4g}, believed {limits}: check wiring and unit"
    same_s = look.now_s - max(state.same_since_s, look.light_since_s)
    if same_s >= FROZEN_AFTER_S and state.same_readings >= FROZEN_READINGS:
        return (
            f"{name} has read {value:.4g} without change for {same_s / S_PER_HOUR:.1f} h of light, "
            f"limit {FROZEN_AFTER_S / S_PER_HOUR:g} h: it is frozen"
        )
    return ""


def _beyond(kind: SensorKind, value: float, almanac: Almanac) -> str:
    """The limits a value is outside of; empty when it may be true."""
    if kind in {SensorKind.AIR_TEMPERATURE, SensorKind.LEAF_TEMPERATURE}:
        return "" if LEAST_AIR_C <= value <= MOST_AIR_C else f"{LEAST_AIR_C:g} to {MOST_AIR_C:g} c"
    if kind is SensorKind.RELATIVE_HUMIDITY:
        return "" if value >= LEAST_HUMIDITY else f"from {LEAST_HUMIDITY:g} to 1"
    is_day = almanac.is_trusted and almanac.part is DayPart.DAY
    if kind is SensorKind.LIGHT and is_day and value < LEAST_DAYLIGHT_W_PER_M2:
        return f"from {LEAST_DAYLIGHT_W_PER_M2:g} w_per_m2 by day"
    return ""
