"""Rehearsals that nobody ran: values of the right kinds and sizes, for tests of what is shown of them.

Answers for: as many zones, days and configurations as a test asks for, the same for the same seed. Does not
know the plant. Rule: nothing of these numbers says anything about a house.
"""

from dataclasses import replace
from datetime import date, timedelta
from math import cos, pi, sin
from random import Random

from simulators.rehearsal.result import CloseUp, DayResult, HouseRun, Rehearsal, ZoneResult

BENCH_M2 = 14.0
NAMES = ("coleus", "fuchsia", "salvia", "hydrangea", "lavender", "box", "heather", "ivy")


def rehearsal(
    *, zones: int = 2, days: int = 3, runs: int = 1, seed: int = 1, first_day: date = date(2025, 6, 1)
) -> Rehearsal:
    labels = ["slow", "fast", "lean", "wet"]
    return Rehearsal(
        version="0.1.0",
        weather="GREENSBORO PIEDMONT TRIAD INT, typical year",
        weather_notes=(),
        first_day=first_day,
        last_day=first_day + timedelta(days=days - 1),
        seed=seed,
        runs=tuple(
            house_run(
                labels[number], zones=zones, days=days, first_day=first_day, random=Random(seed + number)
            )
            for number in range(runs)
        ),
    )


def house_run(
    label: str,
    *,
    zones: int = 2,
    days: int = 3,
    first_day: date = date(2025, 6, 1),
    random: Random | None = None,
) -> HouseRun:
    random = random or Random(1)
    by_day = tuple(_day(first_day + timedelta(days=number), zones, random) for number in range(days))
    worst = max(by_day, key=lambda day: sum(day.dry_min))
    return HouseRun(
        label=label,
        house="Long Ridge, the mist bay",
        zones=tuple(_zone(number, by_day, random) for number in range(zones)),
        days=by_day,
        close_up=close_up(worst.day, zones, random) if sum(worst.dry_min) else None,
        steps=1440 * days,
        decisions=700 * days,
    )


def zone_result(name: str = "coleus", **changes: float | str) -> ZoneResult:
    """One zone of 14 m2 with round figures."""
    plain = ZoneResult(
        name=name,
        title="Stuck this morning",
        dry_min=120.0,
        longest_dry_min=35.0,
        dry_score_kpa_min=150.0,
        worst_day_dry_min=60.0,
        wilted_min=4.0,
        worst_day_wilted_min=4.0,
        night_wet_h=7.5,
        dry_by_dusk_days=1,
        applied_mm=10.0,
        applied_l=140.0,
        missed_mm=1.5,
        dripped_mm=2.5,
        evaporated_mm=6.0,
        leached_mm=0.5,
        sour_h=3.25,
        bursts=300,
        longest_gap_min=40.0,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def _day(day: date, zones: int, random: Random) -> DayResult:
    summer = 0.5 - 0.5 * cos(2.0 * pi * (day.timetuple().tm_yday - 10) / 365.0)
    cloud = random.uniform(0.3, 1.0)
    dry_min = tuple(
        max(0.0, random.gauss(60.0 * summer * cloud - 15.0, 20.0)) / (zone + 1) for zone in range(zones)
    )
    bursts = tuple(int((90 + 120 * summer) * cloud / (1 + 0.4 * zone)) for zone in range(zones))
    return DayResult(
        day=day,
        dry_min=dry_min,
        wilted_min=tuple(max(0.0, each - 40.0) * 0.4 for each in dry_min),
        applied_mm=tuple(each * 0.045 for each in bursts),
        bursts=bursts,
        vpd_mean_kpa=0.2 + 0.7 * summer * cloud,
        vpd_highest_kpa=0.5 + 1.6 * summer * cloud,
        light_mj_per_m2=(2.0 + 14.0 * summer) * cloud,
        air_lowest_c=4.0 + 14.0 * summer + random.uniform(-2.0, 2.0),
        air_highest_c=14.0 + 18.0 * summer * cloud + random.uniform(-2.0, 2.0),
    )


def _zone(number: int, days: tuple[DayResult, ...], random: Random) -> ZoneResult:
    applied_mm = sum(day.applied_mm[number] for day in days)
    dry_min = sum(day.dry_min[number] for day in days)
    return zone_result(
        NAMES[number],
        dry_min=dry_min,
        longest_dry_min=max(day.dry_min[number] for day in days) * 0.6,
        wilted_min=sum(day.wilted_min[number] for day in days),
        applied_mm=applied_mm,
        applied_l=applied_mm * BENCH_M2,
        missed_mm=applied_mm * 0.12,
        dripped_mm=applied_mm * random.uniform(0.05, 0.4),
        evaporated_mm=applied_mm * 0.5,
        leached_mm=applied_mm * 0.05,
        sour_h=random.uniform(0.0, 3.0) * len(days),
        bursts=sum(day.bursts[number] for day in days),
        longest_gap_min=random.uniform(40.0, 600.0),
    )


def close_up(day: date, zones: int, random: Random) -> CloseUp:
    minutes = tuple(float(minute) for minute in range(1, 1441))
    sun = [max(0.0, sin(pi * (minute - 330.0) / 870.0)) for minute in minutes]
    light_w_per_m2 = tuple(520.0 * each * random.uniform(0.7, 1.0) for each in sun)
    bursts = [tuple(float(m) for m in range(7 + zone, 1440, 9 + 3 * zone)) for zone in range(zones)]
    films = [_film_um(minutes, sun, set(each)) for each in bursts]
    return CloseUp(
        day=day,
        minutes=minutes,
        vpd_kpa=tuple(0.15 + 1.9 * each for each in sun),
        light_w_per_m2=light_w_per_m2,
        air_c=tuple(17.0 + 15.0 * each for each in sun),
        film_driest_um=tuple(tuple(0.6 * each for each in film) for film in films),
        film_mean_um=tuple(films),
        burst_minutes=tuple(bursts),
    )


def _film_um(minutes: tuple[float, ...], sun: list[float], bursts: set[float]) -> tuple[float, ...]:
    film_um, held = 30.0, []
    for minute, light in zip(minutes, sun, strict=True):
        film_um = min(50.0, film_um + 14.0 * (minute in bursts))
        film_um = max(0.0, film_um - 0.3 - 2.6 * light)
        held.append(film_um)
    return tuple(held)
