"""Zones on demand for the second controller: slow, plain, and written from the grower's rules alone.

It holds no mark on any meter and no instant at which a zone is due. It keeps what was read, holds films in um
of water, and at each step asks anew whether a zone is due:

- air: from one look at the sensors to the next the rates of the first hold. A sensor that has spoken again
  is taken to have moved evenly since it spoke before: half of what that did to the rates, over that time, is
  put right, and so are a film and a sum that were begun or seen within it. A source that is lost or not heard
  yet has the rates of a usual bright day or night. Only what stays the same in the light is frozen.
- film: due when what was asked of the driest quarter since its last burst, more by the doubt about it and by
  the trim, is all that takes it down to the dry-back. The doubt is what it was when the zone was last
  reckoned: after a burst or a failed one, a word of its own sensors, a change of lead or of what may lead, of
  a setting, of the part, from dark to light or back, of whether light is measured, or when it is put right.
- vpd: due when the sum since the last burst is the set point; a short burst takes its share of the sum.
- leaf wetness: due when the driest trusted sensor is dry, or when even the slow film is down. A sensor is
  judged by what it said last before the valve opened.
- never sooner than the shortest gap, never later than the longest; a part without bounds is off, a sparse one
  has the longest gap only. Without readings the timetable leads.
- whatever cannot be read any more is led by the best that can be at once, and by a better one after ten
  minutes of it; looked at whenever a sensor of the air speaks, sense or not, one on the bench speaks sense,
  either falls silent, or the almanac is new.

The week of its own that a zone may be led by takes seven days and is not in here.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from math import inf

from mistd.core.almanac import Almanac, DayPart
from mistd.core.cycles import TimedCycle
from mistd.core.demand_cycles import DRIEST_SHARE, LEAF_TO_PLATE, CycleKind, DemandCycle
from mistd.core.demand_source import (
    FROZEN_AFTER_S,
    FROZEN_READINGS,
    LEAST_AIR_C,
    LEAST_DAYLIGHT_W_PER_M2,
    LEAST_HUMIDITY,
    MOST_AIR_C,
    USUAL_KPA,
    USUAL_UM_PER_S,
    rates_of,
)
from mistd.core.film import CAUGHT_SHARE, drying_um, film_at_wet_fraction_um, film_left_um, wet_fraction
from mistd.core.house_radiation import BenchReadings
from mistd.core.plan import HousePlan, SensorPlan, SourcePlan
from mistd.core.readings import Quality, Reading, SensorKind

HAIR_UM, HAIR_KPA_S, HAIR_S = 1e-9, 1e-8, 1e-9
COMES_BACK_AFTER_S = 600.0
SETTLES_S = 30.0
SLOW = 0.85
CHAINS = {
    CycleKind.VPD: ["vpd", "leaf_wetness", "timetable"],
    CycleKind.LEAF_WETNESS: ["leaf_wetness", "film", "timetable"],
    CycleKind.FILM: ["film", "leaf_wetness", "timetable"],
}


@dataclass
class NaiveSensor:
    plan: SensorPlan
    heard_s: float
    good: list[tuple[float, float]] = field(default_factory=list)  # when, and what
    is_lost: bool = False

    def hear(self, reading: Reading) -> None:
        if reading.quality is Quality.GOOD:
            self.good.append((reading.at_s, reading.value))
            self.heard_s, self.is_lost = reading.at_s, False

    def falls_silent(self, now_s: float) -> bool:
        if self.is_lost or now_s < self.heard_s + self.plan.stale_after_s:
            return False
        self.is_lost = True
        return True

    def believed(self, almanac: Almanac, light_since_s: float, now_s: float) -> float | None:
        """What it says, if that may be true of a propagation house."""
        if self.is_lost or not self.good:
            return None
        value = self.good[-1][1]
        is_possible = {
            SensorKind.AIR_TEMPERATURE: LEAST_AIR_C <= value <= MOST_AIR_C,
            SensorKind.RELATIVE_HUMIDITY: value >= LEAST_HUMIDITY,
            SensorKind.LIGHT: value >= LEAST_DAYLIGHT_W_PER_M2
            or not (almanac.is_trusted and almanac.part is DayPart.DAY),
        }[self.plan.kind]
        return value if is_possible and not self.is_frozen(light_since_s, now_s) else None

    def is_frozen(self, light_since_s: float, now_s: float) -> bool:
        count, since_s = 0, inf
        for at_s, value in reversed(self.good):
            if value != self.good[-1][1]:
                break
            count, since_s = count + 1, at_s
        return count >= FROZEN_READINGS and now_s - max(since_s, light_since_s) >= FROZEN_AFTER_S

    def is_unheard(self) -> bool:
        return not self.good and not self.is_lost


@dataclass
class PutRight:
    """By how much a look put the sums right, and since when what was read had been moving."""

    from_s: float
    kpa_s: float
    um: float

    def share(self, then_s: float, now_s: float) -> float:
        """Of what has moved evenly, the share that fell before an instant."""
        return (max(0.0, then_s - self.from_s) / (now_s - self.from_s)) ** 2


@dataclass
class Look:
    """What was made of the sensors of a source at one instant; without readings by what is usual."""

    at_s: float
    kpa: float
    um_per_s: float
    is_light_assumed: bool = True
    is_lost: bool = False
    readings: BenchReadings | None = None
    heard_s: dict[str, float] = field(default_factory=dict)
    put_right: PutRight | None = None


class NaiveSource:
    def __init__(
        self, plan: SourcePlan, sensors: dict[str, NaiveSensor], almanac: Almanac, now_s: float
    ) -> None:
        self.plan = plan
        names = {"air_c": plan.air, "relative_humidity": plan.humidity, "light_w_per_m2": plan.light}
        self.sensors = {what: sensors[name] for what, name in names.items() if name is not None}
        self.last = usual_look(almanac, now_s)
        self.light_since_s = now_s if almanac.is_light else inf
        self.so_far = (0.0, 0.0)  # the sums up to the last look

    def look(self, almanac: Almanac, now_s: float) -> None:
        self.light_since_s = min(self.light_since_s, now_s) if almanac.is_light else inf
        new = self.new_look(almanac, now_s)
        new.put_right = self.put_right(new, almanac)
        kpa_s, um = self.total_kpa_s(now_s), self.total_um(now_s)
        if new.put_right:
            kpa_s, um = kpa_s + new.put_right.kpa_s, um + new.put_right.um
        self.so_far, self.last = (kpa_s, um), new

    def new_look(self, almanac: Almanac, now_s: float) -> Look:
        said = {
            what: sensor.believed(almanac, self.light_since_s, now_s) for what, sensor in self.sensors.items()
        }
        air_c, humidity, light = said["air_c"], said["relative_humidity"], said.get("light_w_per_m2")
        if air_c is None or humidity is None:
            needed = ("air_c", "relative_humidity")
            usual = usual_look(almanac, now_s)
            usual.is_lost = any(said[what] is None and not self.sensors[what].is_unheard() for what in needed)
            return usual
        readings = BenchReadings(air_c=air_c, relative_humidity=humidity, light_w_per_m2=light)
        look = self.look_at(readings, almanac, now_s)
        look.heard_s = {what: sensor.heard_s for what, sensor in self.sensors.items()}
        return look

    def look_at(self, readings: BenchReadings, almanac: Almanac, now_s: float) -> Look:
        rates = rates_of(
            readings, almanac.part, has_light=self.plan.light is not None, is_night=not almanac.is_light
        )
        return Look(now_s, rates.kpa, rates.um_per_s, rates.assumed_light, readings=readings)

    def put_right(self, new: Look, almanac: Almanac) -> PutRight | None:
        """One sensor after the other, those at once that spoke together the time before."""
        before, now_s = self.last, new.at_s
        if before.readings is None or new.readings is None:
            return None
        known, right, spoke_s = before.readings, PutRight(now_s, 0.0, 0.0), before.heard_s
        again = [what for what in self.sensors if self.has_spoken_again(what, new)]
        for since_s in dict.fromkeys(spoke_s[what] for what in again):
            together = {what: getattr(new.readings, what) for what in again if spoke_s[what] == since_s}
            known = replace(known, **together)
            after, half_s = self.look_at(known, almanac, now_s), (now_s - since_s) / 2.0
            right.kpa_s += (after.kpa - before.kpa) * half_s
            right.um += (after.um_per_s - before.um_per_s) * half_s
            right.from_s, before = min(right.from_s, since_s), after
        return right if right.from_s < now_s else None

    def has_spoken_again(self, what: str, new: Look) -> bool:
        """Whether it is believed now, was at the last look, and has spoken since."""
        is_believed = all(getattr(look.readings, what) is not None for look in (self.last, new))
        return is_believed and self.last.heard_s[what] != new.heard_s[what]

    def total_kpa_s(self, now_s: float) -> float:
        last = self.last
        return self.so_far[0] + last.kpa * (now_s - last.at_s)

    def total_um(self, now_s: float) -> float:
        last = self.last
        return self.so_far[1] + last.um_per_s * (now_s - last.at_s)


def usual_look(almanac: Almanac, now_s: float) -> Look:
    light = almanac.is_light
    return Look(now_s, USUAL_KPA[light], USUAL_UM_PER_S[light])


@dataclass
class Doubt:
    """Whether a leaf-wetness sensor is believed, from what it said around bursts and beside others."""

    share: float | None = None
    at_s: float = -inf
    before: float | None = None  # what it said as the burst began that is being judged
    is_open: bool = False
    was_good: bool = False
    shut_s: float = -inf
    flat: int = 0
    too_wet: int = 0
    apart_since_s: float | None = None
    swings: int = 0
    is_doubted: bool = False

    def doubt(self) -> None:
        self.is_doubted, self.swings = True, 0

    def hear(self, share: float, at_s: float) -> None:
        self.share, self.at_s = share, at_s
        if not -0.2 <= share <= 1.2:
            self.doubt()
            return
        if self.before is None or self.is_open or at_s < self.shut_s + SETTLES_S:
            return
        before, self.before = self.before, None
        if self.was_good and at_s <= self.shut_s + 240.0:
            self.judge(before, share)

    def judge(self, before: float, share: float) -> None:
        if share - before >= 0.05:
            self.flat = 0
            self.swings += before <= 0.6
            if self.is_doubted and self.swings >= 3:
                self.is_doubted, self.swings, self.too_wet, self.apart_since_s = False, 0, 0, None
        elif before < 0.7:
            self.flat, self.swings = self.flat + 1, 0
            if self.flat >= 3:
                self.doubt()

    def opens(self, opened_s: float) -> None:
        self.before = self.share if opened_s - self.at_s <= 900.0 else None
        self.is_open = True

    def burst(self, shut_s: float, is_good: bool, slow_wet: float | None) -> None:
        if not self.is_open:
            self.before = None
        self.is_open, self.was_good, self.shut_s = False, is_good, shut_s
        if slow_wet is None or self.before is None:
            return
        if self.before - slow_wet < 0.35:
            self.too_wet = max(0, self.too_wet - 1)
            return
        self.too_wet, self.swings = min(12, self.too_wet + 1), 0
        if self.too_wet >= 6:
            self.doubt()

    def beside(self, others: list[float], now_s: float) -> None:
        """Apart from two or more who agree, for half an hour."""
        is_apart = False
        if self.share is not None and len(others) >= 2 and max(others) - min(others) <= 0.4:
            everyone = sorted([*others, self.share])
            is_apart = abs(self.share - everyone[len(everyone) // 2]) > 0.4
        if not is_apart:
            self.apart_since_s = None
            return
        self.apart_since_s = now_s if self.apart_since_s is None else self.apart_since_s
        self.swings = 0
        if now_s - self.apart_since_s >= 1800.0:
            self.doubt()


@dataclass
class Films:
    """In um of water on a leaf, as they were known when `total_um` had been asked."""

    total_um: float = 0.0
    driest_um: float = 0.0
    mean_um: float = 0.0
    slow_um: float = 0.0
    since_burst_um: float = 0.0  # asked for since the last burst


@dataclass
class Wants:
    """When its valve shut last, and what a grower wants of it, of one zone on demand at one instant."""

    shut_s: float
    skipped_s: float
    trim: float
    timetable: TimedCycle
    part: DayPart


@dataclass
class Rest:
    """When the valve of a zone shut last, and whether its leaves have settled since."""

    shut_s: float
    is_settled: bool


@dataclass
class NaiveThirst:
    """All that is known of one zone on demand."""

    cycle: DemandCycle
    source: NaiveSource | None
    doubts: dict[str, Doubt]
    lead: str = ""
    better: str = ""  # what could lead instead
    better_since_s: float = inf
    films: Films = field(default_factory=Films)
    seen_s: float = -inf
    sum_began_kpa_s: float = 0.0
    driest_wet: float | None = None
    is_dry: bool = False
    unsure: float = 0.0  # as last reckoned
    due_since_s: float | None = None
    is_queued: bool = False

    def __post_init__(self) -> None:
        self.lead = CHAINS[self.cycle.kind][0]

    # What it comes to.

    def films_at(self, now_s: float) -> Films:
        if self.source is None:
            return self.films
        total_um, holds = self.source.total_um(now_s), self.cycle.holds_um
        taken_um = max(0.0, total_um - self.films.total_um)
        return Films(
            total_um=total_um,
            driest_um=film_after(self.films.driest_um, taken_um, holds),
            mean_um=film_after(self.films.mean_um, taken_um, holds),
            slow_um=film_after(self.films.slow_um, SLOW * taken_um, holds),
            since_burst_um=self.films.since_burst_um + taken_um,
        )

    def due_s(self, wants: Wants, now_s: float) -> float:
        """Since when it is due, or will be at the latest as far as that is known; infinite when it is not."""
        bounds = self.cycle.bounds[wants.part]
        if bounds is None:
            return inf
        from_s = max(wants.shut_s, wants.skipped_s)
        latest_s = from_s + bounds.longest_gap_s
        soonest_s = wants.shut_s + bounds.shortest_gap_s
        if wants.skipped_s > wants.shut_s:
            as_before_s = max(bounds.shortest_gap_s, wants.skipped_s - wants.shut_s)
            soonest_s = wants.skipped_s + min(bounds.longest_gap_s, as_before_s)
        if self.lead == "timetable":
            timed = wants.timetable.parts[wants.part]
            timed_s = from_s + timed.gap_s / (1.0 + wants.trim) if timed else latest_s
            return min(latest_s, max(soonest_s, timed_s))
        if now_s >= latest_s - HAIR_S:
            return latest_s
        is_now = not bounds.is_sparse and now_s >= soonest_s - HAIR_S and self.asks(wants.trim, now_s)
        return now_s if is_now else inf

    def asks(self, trim: float, now_s: float) -> bool:
        """Whether the leaves ask for water, by what leads."""
        if self.lead == "leaf_wetness" and self.is_dry:
            return True
        if self.source is None:
            return False
        if self.lead == "vpd":
            sum_kpa_s = self.source.total_kpa_s(now_s) - self.sum_began_kpa_s
            return sum_kpa_s >= self.cycle.set_point_kpa_s / (1.0 + trim) - HAIR_KPA_S
        before_um = self.films.since_burst_um
        asked_um = before_um + self.source.total_um(now_s) - self.films.total_um
        if self.lead == "film":
            whole_um, sooner = before_um + self.left_um(self.films.driest_um), 1.0 + self.unsure
        else:
            whole_um, sooner = before_um + self.left_um(self.films.slow_um) / SLOW, 1.0
        return asked_um * sooner * (1.0 + trim) >= whole_um - HAIR_UM

    def left_um(self, film_um: float) -> float:
        """What the air has still to take of a film until it is down to the dry-back."""
        holds = self.cycle.holds_um
        return max(0.0, drying_um(film_um, holds) - drying_um(self.cycle.dry_back_um, holds))

    def length_s(self, wants: Wants, now_s: float) -> float | None:
        """How long a burst is; None in a part that is off."""
        cycle = self.cycle
        if cycle.bounds[wants.part] is None:
            return None
        if self.lead != "timetable" and cycle.fixed_burst_s is not None:
            return cycle.fixed_burst_s
        if self.lead in {"film", "leaf_wetness"} and self.source is not None:
            return self.filling_s(self.films_at(now_s).mean_um)
        if self.lead == "leaf_wetness" and self.driest_wet is not None:
            wet = min(1.0, max(0.0, self.driest_wet))
            return self.filling_s(film_at_wet_fraction_um(wet, cycle.holds_um))
        return usual_s(wants)

    def filling_s(self, film_um: float) -> float:
        cycle = self.cycle
        sprays_s = (cycle.holds_um - film_um) / (cycle.rate_um_per_s * CAUGHT_SHARE)
        return max(
            min(cycle.fills_s + 2.0, cycle.longest_burst_s),
            min(cycle.fills_s + sprays_s, cycle.longest_burst_s),
        )

    # What happens to it.

    def opens(self, opened_s: float) -> None:
        for _, doubt in self.own_doubts():
            doubt.opens(opened_s)

    def burst(self, wants: Wants, open_s: float, now_s: float) -> None:
        cycle, source = self.cycle, self.source
        slow_wet = None
        if source is not None and not source.last.is_lost and wants.part is DayPart.DAY:
            slow_wet = wet_fraction(self.films_at(now_s).slow_um, cycle.holds_um)
        is_good = open_s >= min(cycle.fills_s + 2.0, cycle.longest_burst_s)
        for name in cycle.wetness_sensors:
            self.doubts[name].burst(wants.shut_s, is_good, slow_wet)
        self.is_dry = False
        if source is None:
            return
        sprayed_s = max(0.0, open_s - cycle.fills_s)
        caught_um = sprayed_s * cycle.rate_um_per_s * CAUGHT_SHARE
        films = self.films = self.films_at(wants.shut_s)
        films.since_burst_um = 0.0
        films.driest_um = min(cycle.holds_um, films.driest_um + DRIEST_SHARE * caught_um)
        films.slow_um = min(cycle.holds_um, films.slow_um + DRIEST_SHARE * caught_um)
        films.mean_um = min(cycle.holds_um, films.mean_um + caught_um)
        whole_s = (cycle.fixed_burst_s or usual_s(wants)) - cycle.fills_s
        share = min(1.0, sprayed_s / whole_s) if whole_s > 0.0 else float(sprayed_s > 0.0)
        total = source.total_kpa_s(wants.shut_s)
        self.sum_began_kpa_s = total - (1.0 - share) * max(0.0, total - self.sum_began_kpa_s)

    def reckon(self, almanac: Almanac, now_s: float) -> None:
        """Ask anew how unsure the film is, and whether it is due at all."""
        self.due_since_s, self.is_queued = None, False
        self.unsure = 0.0
        if self.source is not None and almanac.is_light:
            is_seen = now_s - self.seen_s <= 1800.0
            is_dark = self.source.last.is_light_assumed
            self.unsure = (0.1 if is_seen else 0.28) + (0.1 if is_dark else 0.0)

    def put_right(self, shut_s: float, now_s: float) -> bool:
        """Put films and sum right as the last look did the source; whether there was anything to do."""
        right = self.source.last.put_right if self.source else None
        known_s = max(shut_s, self.seen_s)
        if right is None or known_s <= right.from_s:
            return False
        self.sum_began_kpa_s += right.share(shut_s, now_s) * right.kpa_s
        total_um = self.films.total_um + right.share(known_s, now_s) * right.um
        self.films = replace(self.films, total_um=total_um)
        return True

    def compare(self, now_s: float) -> None:
        if len(self.cycle.wetness_sensors) < 2:
            return
        said = {n: d.share for n, d in self.own_doubts() if d.share is not None and not d.is_doubted}
        film = []
        if self.source is not None and not self.source.last.is_lost:
            film = [wet_fraction(self.films_at(now_s).driest_um, self.cycle.holds_um)]
        for name, doubt in self.own_doubts():
            if not doubt.is_doubted:
                doubt.beside([share for n, share in said.items() if n != name] + film, now_s)

    def own_doubts(self) -> Iterable[tuple[str, Doubt]]:
        return [(name, self.doubts[name]) for name in self.cycle.wetness_sensors]

    def correct(self, is_settled: bool, now_s: float) -> bool:
        """Take in what the driest trusted sensor says; whether there was anything to take in."""
        shares = [d.share for _, d in self.own_doubts() if d.share is not None and not d.is_doubted]
        if not shares:
            self.driest_wet, self.is_dry = None, False
            return True
        if not is_settled:
            return False
        self.driest_wet = wet = min(shares)
        self.is_dry = wet <= self.dry_below() + (0.1 if self.is_dry else 0.0)
        if self.source is not None:
            self.seen_s = now_s
            self.films = self.films_at(now_s)
            if wet < 0.95:
                self.pull(wet)
        return True

    def dry_below(self) -> float:
        """At which share a sensor is dry: its own set point, or that of a plate beside leaves at theirs."""
        cycle = self.cycle
        if cycle.kind is CycleKind.LEAF_WETNESS:
            return cycle.dry_back_wet
        plate_um = min(cycle.holds_um, cycle.dry_back_um / LEAF_TO_PLATE)
        return wet_fraction(plate_um, cycle.holds_um)

    def pull(self, wet: float) -> None:
        """Half of the way down, a hundredth of the way up, and never above the slow film."""
        holds, films = self.cycle.holds_um, self.films
        reckoned = drying_um(films.driest_um, holds)
        said = drying_um(LEAF_TO_PLATE * film_at_wet_fraction_um(max(0.0, wet), holds), holds)
        after = reckoned + (said - reckoned) * (0.5 if said < reckoned else 0.01)
        after = max(0.0, min(after, max(reckoned, drying_um(films.slow_um, holds))))
        films.driest_um = film_after(films.driest_um, reckoned - after, holds)
        films.mean_um = max(films.mean_um, films.driest_um)

    def choose_lead(self, sensors: dict[str, NaiveSensor], now_s: float) -> bool:
        """Whether another leads from now on, or a better one has begun or ceased to be at hand."""
        has_source = self.source is not None and not self.source.last.is_lost
        has_sensor = any(not d.is_doubted and not sensors[name].is_lost for name, d in self.own_doubts())
        can = {"vpd": has_source, "film": has_source, "leaf_wetness": has_sensor, "timetable": True}
        chain = CHAINS[self.cycle.kind]
        best, noted = next(lead for lead in chain if can[lead]), self.better
        if best == self.lead:
            self.better = ""
            return noted != ""
        if not can[self.lead] or chain.index(best) > chain.index(self.lead):
            self.lead, self.better = best, ""
            return True
        if not noted or not can[noted]:
            self.better, self.better_since_s = best, now_s
            return True
        worse = max(noted, best, key=chain.index)
        if now_s - self.better_since_s < COMES_BACK_AFTER_S:
            self.better = worse
            return worse != noted
        self.lead, self.better = worse, "" if worse == best else best
        self.better_since_s = now_s
        return True


def film_after(film_um: float, taken_um: float, holds_um: float) -> float:
    """A film after the air has taken something, or after it turns out that it took less than was thought."""
    full_um = drying_um(holds_um, holds_um)
    left_um = min(full_um, drying_um(film_um, holds_um) - taken_um)
    return film_left_um(holds_um, full_um - left_um, holds_um)


def usual_s(wants: Wants) -> float:
    """A burst by the timetable; where that is off, its longest."""
    longest_s = max(timed.burst_s for timed in wants.timetable.parts.values() if timed)
    return wants.timetable.burst_s(wants.part) or longest_s


class NaiveDemand:
    """Every sensor, source and zone on demand of a house."""

    def __init__(self, plan: HousePlan, almanac: Almanac, now_s: float) -> None:
        self.sensors = {name: NaiveSensor(sensor, now_s) for name, sensor in plan.sensors.items()}
        self.sources = [NaiveSource(each, self.sensors, almanac, now_s) for each in plan.sources]
        self.doubts = {
            name: Doubt() for name, each in plan.sensors.items() if each.kind is SensorKind.LEAF_WETNESS
        }
        self.thirsts: dict[str, NaiveThirst] = {}
        for zone in plan.zones:
            if zone.demand:
                source = None if zone.demand.source is None else self.sources[zone.demand.source]
                self.thirsts[zone.name] = NaiveThirst(zone.demand, source, self.doubts)
        self.was_light = almanac.is_light
        self.spoke: set[str] = set()
        self.newly_good: set[str] = set()

    def hear(self, name: str, reading: Reading) -> None:
        self.sensors[name].hear(reading)
        self.spoke.add(name)
        if reading.quality is Quality.GOOD:
            self.newly_good.add(name)

    def take_in(
        self, almanac: Almanac, now_s: float, *, is_new: bool, zones: dict[str, Rest]
    ) -> list[NaiveThirst]:
        """Everything that was heard or ceased to be heard; the zones to which it makes a difference."""
        silent = {name for name, sensor in self.sensors.items() if sensor.falls_silent(now_s)}
        spoke, bench = self.spoke | silent, (self.newly_good | silent) & self.doubts.keys()
        good, self.spoke, self.newly_good = self.newly_good, set(), set()
        was_light, self.was_light = self.was_light, almanac.is_light
        was_assumed = [each.last.is_light_assumed for each in self.sources]
        moved = [each for each in self.sources if is_new or not spoke.isdisjoint(each.plan.sensors)]
        for source in moved:
            source.look(almanac, now_s)
        lit = [s for s, was in zip(self.sources, was_assumed, strict=True) if s.last.is_light_assumed != was]
        for name in bench:
            self.hear_plate(name, is_good=name in good)
        changed = []
        for name, thirst in self.thirsts.items():
            is_heard = not bench.isdisjoint(thirst.cycle.wetness_sensors)
            if not (is_heard or is_new or thirst.source in moved):
                continue
            news = [was_light is not almanac.is_light, thirst.source in lit]
            if thirst.source in moved:
                news.append(thirst.put_right(zones[name].shut_s, now_s))
            if is_heard:
                thirst.compare(now_s)
                news.append(thirst.correct(zones[name].is_settled, now_s))
            news.append(thirst.choose_lead(self.sensors, now_s))
            if any(news):
                changed.append(thirst)
        return changed

    def hear_plate(self, name: str, *, is_good: bool) -> None:
        sensor, doubt = self.sensors[name], self.doubts[name]
        if sensor.is_lost or not sensor.good:
            doubt.share = None
        elif is_good:
            at_s, raw = sensor.good[-1]
            plan = sensor.plan
            doubt.hear((raw - plan.dry_reads) / (plan.wet_reads - plan.dry_reads), at_s)
