"""A rehearsed house: the daemon's own valve edges, repeatable, no matter how finely the plant steps."""

import json
from datetime import date, timedelta
from functools import cache

import pytest

from mistd.core.units import S_PER_DAY
from simulators.plant.weather import Weather, typical_year_day
from simulators.rehearsal.engine import HouseAtWork, rehearsed, seconds_to_midnight
from simulators.rehearsal.result import HouseRun
from simulators.rig import Rig
from tests.benchmarks.rehearsed_houses import Timer, house_with

FIRST_DAY = date(2025, 6, 12)
BUSY = Timer(burst_s=6.0, day_gap_min=5.0, shoulder_gap_min=12.0, night_gap_min=40.0)
LEAN = Timer(burst_s=5.0, day_gap_min=17.0, shoulder_gap_min=31.0, night_gap_min=60.0)
SAME_INSTANT_S = 1e-6  # sums of floats in another order


@cache
def june() -> Weather:
    return typical_year_day(month=6, day=12, days=4)


def lived(days: int = 2, seed: int = 1, said: list[float] | None = None) -> HouseRun:
    return rehearsed(
        house_with([BUSY, LEAN]),
        june(),
        label="tried",
        seed=seed,
        first_day=FIRST_DAY,
        last_day=FIRST_DAY + timedelta(days=days - 1),
        said=None if said is None else said.append,
    )


def edges_of_rehearsal(days: float) -> list[tuple[float, str, bool]]:
    work = HouseAtWork(house_with([BUSY, LEAN]), june(), seed=1)
    edges: list[tuple[float, str, bool]] = []
    command = work.plant.command

    class Listening:
        """A plant that writes down what it is told."""

        def __getattr__(self, name: str) -> object:
            return getattr(plant, name)

        def command(self, output: str, *, is_open: bool) -> None:
            edges.append((work.now_s, output, is_open))
            command(output, is_open=is_open)

    plant, work.plant = work.plant, Listening()  # type: ignore[assignment]
    work.live_until(days * S_PER_DAY)
    assert work.refused == 0
    return edges


def test_valves_open_and_shut_when_the_whole_daemon_would_have_them() -> None:
    """The rig runs the daemon itself; the rehearsal runs only its decision."""
    rig = Rig(house_with([BUSY, LEAN]), june().starts_at, weather=june())

    rig.run(S_PER_DAY)
    rehearsal = edges_of_rehearsal(1.0)
    daemon = [edge for edge in rig.keeper.edges if edge[0] < S_PER_DAY]

    assert len(rehearsal) > 300
    assert [(line, is_open) for _, line, is_open in rehearsal] == [
        (line, is_open) for _, line, is_open in daemon[: len(rehearsal)]
    ]
    assert max(abs(a[0] - b[0]) for a, b in zip(rehearsal, daemon, strict=False)) < SAME_INSTANT_S
    assert len(daemon) - len(rehearsal) in {0, 1, 2}  # the daemon shuts at its end what is open


def test_the_same_seed_gives_the_same_bytes_and_another_seed_other_instruments_only() -> None:
    first, again, other = lived(seed=1), lived(seed=1), lived(seed=2)

    assert json.dumps(_told(first)) == json.dumps(_told(again))
    assert _told(first)["zones"] == _told(other)["zones"]


def _told(run: HouseRun) -> dict[str, object]:
    return {"zones": [str(zone) for zone in run.zones], "days": [str(day) for day in run.days]}


def test_every_drop_of_mist_is_told_where_it_went() -> None:
    """What is not missed, dripped or in the air is still on the leaves, or went into them."""
    run = lived(days=3)

    for zone in run.zones:
        went_mm = zone.missed_mm + zone.dripped_mm + zone.evaporated_mm
        assert 0.0 <= zone.applied_mm - went_mm < 0.5
        assert zone.applied_l == pytest.approx(zone.applied_mm * 14.0)
        assert zone.over_misted_mm == zone.missed_mm + zone.dripped_mm


def test_days_add_up_to_the_whole() -> None:
    run = lived(days=3)

    for place, zone in enumerate(run.zones):
        assert sum(day.dry_min[place] for day in run.days) == pytest.approx(zone.dry_min)
        assert sum(day.bursts[place] for day in run.days) == zone.bursts
        assert sum(day.applied_mm[place] for day in run.days) == pytest.approx(zone.applied_mm)
    assert [day.day for day in run.days] == [FIRST_DAY + timedelta(days=n) for n in range(3)]


def test_the_lean_bench_is_dry_for_longer_and_its_medium_is_drier() -> None:
    run = lived(days=3)

    busy, lean = run.zones

    assert lean.dry_min > busy.dry_min
    assert lean.longest_dry_min > busy.longest_dry_min
    assert lean.applied_mm < 0.5 * busy.applied_mm
    assert lean.longest_gap_min == pytest.approx(60.0, abs=1.0)
    assert busy.longest_gap_min == pytest.approx(40.0, abs=1.0)
    assert run.close_up is not None
    assert max(run.close_up.film_driest_um[0]) > max(run.close_up.film_driest_um[1]) - 1.0
    assert run.close_up.minutes[-1] == pytest.approx(24 * 60.0)


def test_progress_is_told_once_a_day_up_to_the_end() -> None:
    said: list[float] = []

    lived(days=2, said=said)

    assert said == [0.5, 1.0]


def test_a_sensor_that_must_send_often_is_never_taken_for_lost() -> None:
    config = house_with([LEAN])
    impatient = [sensor.model_copy(update={"stale_after_s": 30.0}) for sensor in config.sensors]
    work = HouseAtWork(config.model_copy(update={"sensors": impatient}), june(), seed=1)

    lost = []
    for minute in range(1, 90):
        work.live_until(minute * 60.0 - 1.0)
        lost += [name for name, state in work.house.sensors.items() if state.is_lost]

    assert len(work.house.sensors) == 5
    assert lost == []


def test_a_day_before_the_weather_begins_is_refused() -> None:
    with pytest.raises(ValueError, match="the weather begins at 2025-06-12 00:00, not by 2025-06-11"):
        seconds_to_midnight(june(), FIRST_DAY - timedelta(days=1))


def test_a_day_after_the_weather_ends_is_refused() -> None:
    with pytest.raises(ValueError, match="weather is known from"):
        lived(days=5)
