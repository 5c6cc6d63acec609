"""How cuttings fared, as a propagator scores it: dry minutes weighed by the air, worst days, wet nights."""

from datetime import date, timedelta
from functools import cache

import pytest

from simulators.plant.weather import typical_year_day
from simulators.rehearsal.engine import rehearsed
from simulators.rehearsal.result import HouseRun, ZoneResult
from tests.benchmarks.rehearsed_houses import house_of

FIRST_DAY, DAYS = date(2025, 6, 12), 3
DARK_H = 24.0 * DAYS  # more than is dark
OFF: dict[str, object] = {"off": True}
LEAN: dict[str, object] = {"burst_s": 5.0, "gap_min": 17.0}


def bench(name: str, allowance_kpa_min: float = 0.0, **parts: dict[str, object]) -> dict[str, object]:
    """A bench left dry for long by day, misted by night as well unless a part is changed."""
    timed: dict[str, object] = dict.fromkeys(("night", "dawn", "day", "dusk"), LEAN)
    return {
        "name": name,
        "nozzles": 12,
        "nozzle_flow_l_per_min": 0.6,
        "nozzle_pressure_bar": 3.0,
        "bench_area_m2": 14.0,
        "line_volume_l": 0.25,
        "dry_allowance_kpa_min": allowance_kpa_min,
        "timed": timed | parts,
    }


@cache
def run() -> HouseRun:
    house = house_of(
        [
            bench("plain"),
            bench("forgiven", allowance_kpa_min=20.0),
            bench("unseen", allowance_kpa_min=1000.0),
            bench("dry-by-dusk", night=OFF, dusk=OFF),
        ]
    )
    weather = typical_year_day(month=6, day=12, days=DAYS)
    last_day = FIRST_DAY + timedelta(days=DAYS - 1)
    return rehearsed(house, weather, label="tried", seed=1, first_day=FIRST_DAY, last_day=last_day)


def zone(name: str) -> ZoneResult:
    return next(zone for zone in run().zones if zone.name == name)


def test_dry_minutes_count_by_what_the_air_lacks_then() -> None:
    """The dry hours of a bright day are its driest: they count for more than at the mean of its daylight."""
    plain = zone("plain")
    means_kpa, highest_kpa = zip(
        *((day.vpd_mean_kpa, day.vpd_highest_kpa) for day in run().days), strict=True
    )

    assert plain.dry_min > 30.0
    assert plain.dry_min * min(means_kpa) < plain.dry_score_kpa_min < plain.dry_min * max(highest_kpa)


def test_each_days_allowance_is_forgiven_and_no_more() -> None:
    plain, forgiven = zone("plain"), zone("forgiven")

    assert zone("unseen").dry_score_kpa_min == 0.0
    assert zone("unseen").dry_min > 30.0
    assert 0.0 < forgiven.dry_score_kpa_min < plain.dry_score_kpa_min
    assert plain.dry_score_kpa_min - forgiven.dry_score_kpa_min < 1.2 * DAYS * 20.0


def test_the_worst_day_is_one_of_the_days() -> None:
    for place, each in enumerate(run().zones):
        assert each.worst_day_dry_min == pytest.approx(max(day.dry_min[place] for day in run().days))
        assert each.worst_day_wilted_min == pytest.approx(max(day.wilted_min[place] for day in run().days))


def test_a_bench_misted_by_night_is_wet_for_longer_in_the_dark() -> None:
    assert 3.0 * zone("dry-by-dusk").night_wet_h < zone("plain").night_wet_h < DARK_H


def test_leaves_that_get_no_mist_from_dusk_on_are_dry_as_the_light_goes() -> None:
    """But on one of the three."""
    assert zone("dry-by-dusk").dry_by_dusk_days == DAYS - 1
    assert zone("plain").dry_by_dusk_days == 0
