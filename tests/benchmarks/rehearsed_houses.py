"""Houses and weather for the benchmarks that rehearse: timers of four day parts on the Greensboro year.

Answers for: a house of equal zones with one timer each, made through the same checks as any house's file.
Does not know how it fares. The houses and timers are ours; the weather is the typical year that pvlib
carries.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from mistd.app.config import Config
from mistd.app.config_file import checked_config
from mistd.core.units import S_PER_HOUR, S_PER_MIN
from simulators.plant.weather import Weather
from simulators.plant.weather_files import read_weather
from tests.app.house_files import toml_of

YEAR = 2025
FIRST_DAY, LAST_DAY = date(YEAR, 1, 1), date(YEAR, 12, 31)
SHORTEST_REST_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Timer:
    """One burst length, and a gap for each part of the day."""

    burst_s: float
    day_gap_min: float
    shoulder_gap_min: float  # at dawn and dusk
    night_gap_min: float

    @property
    def day_s_per_h(self) -> float:
        """Seconds of mist an hour by day."""
        return self.burst_s * S_PER_HOUR / (self.burst_s + self.day_gap_min * S_PER_MIN)

    def said(self) -> str:
        """In short.

        >>> Timer(burst_s=6, day_gap_min=8, shoulder_gap_min=16, night_gap_min=60).said()
        '6 s: 8 / 16 / 60 min'
        """
        gaps = " / ".join(f"{gap:g}" for gap in (self.day_gap_min, self.shoulder_gap_min, self.night_gap_min))
        return f"{self.burst_s:g} s: {gaps} min"


def house_with(timers: Sequence[Timer], cycle: str = "timed") -> Config:
    """A house with a zone for each timer, all built alike; on a cycle the timer is what they fall back to."""
    zones = [_zone(f"z{number}", timer) | {"cycle": cycle} for number, timer in enumerate(timers)]
    sensed = cycle == "leaf_wetness"
    return house_of(zones, [wetness_sensor(str(zone["name"])) for zone in zones] if sensed else [])


def house_on_demand(timer: Timer, *, on_leaf: bool = False) -> Config:
    """A house with one zone left to a timer and one on each cycle; that timer is what they fall back to.

    `film_seen` is a film zone with a leaf-wetness sensor, as `leaf_wetness` has; `film` has none.
    With `on_leaf` the zone on vpd has a thermometer on a leaf, and adds up the deficit from leaf to air.
    """
    cycles = {
        "timer": "timed",
        "film": "film",
        "film_seen": "film",
        "leaf_wetness": "leaf_wetness",
        "vpd": "vpd",
    }
    zones = [_zone(name, timer) | {"cycle": cycle} for name, cycle in cycles.items()]
    sensors = [wetness_sensor("film_seen"), wetness_sensor("leaf_wetness")]
    thermometer: dict[str, object] = {
        "name": "vpd_leaf",
        "kind": "leaf_temperature",
        "topic": "rehearsed/leaf",
        "zone": "vpd",
    }
    return house_of(zones, [*sensors, thermometer] if on_leaf else sensors)


def wetness_sensor(zone: str) -> dict[str, object]:
    """A leaf-wetness sensor on a zone's bench."""
    return {
        "name": f"{zone}_plate",
        "kind": "leaf_wetness",
        "topic": f"rehearsed/{zone}/plate",
        "zone": zone,
        "dry_reads": 450.0,
        "wet_reads": 1100.0,
    }


def house_of(zones: Sequence[dict[str, object]], sensors: Sequence[dict[str, object]] = ()) -> Config:
    """A house of these zones, with a sensor of each kind that belongs to the whole house, and these."""
    tables: dict[str, object] = {
        "house": {"name": "rehearsed"},
        "place": {"latitude": 36.1, "longitude": -79.95, "elevation_m": 273, "time_zone": "Etc/GMT+5"},
        "line": {"valves_at_once": 1, "pause_s": 1.0},
        "outputs": {"driver": "simulated"},
        "broker": {"host": "127.0.0.1"},
        "zones": list(zones),
        "sensors": [
            *(
                {"name": kind, "kind": kind, "topic": f"rehearsed/{kind}"}
                for kind in ("air_temperature", "relative_humidity", "light", "supply_pressure", "flow")
            ),
            *sensors,
        ],
    }
    return checked_config(toml_of(tables), Path("rehearsed.toml"))


def _zone(name: str, timer: Timer) -> dict[str, object]:
    gaps = {
        "night": timer.night_gap_min,
        "dawn": timer.shoulder_gap_min,
        "day": timer.day_gap_min,
        "dusk": timer.shoulder_gap_min,
    }
    return {
        "name": name,
        "nozzles": 12,
        "nozzle_flow_l_per_min": 0.6,
        "nozzle_pressure_bar": 3.0,
        "bench_area_m2": 14.0,
        "line_volume_l": 0.25,
        "shortest_rest_s": SHORTEST_REST_S,
        "timed": {part: {"burst_s": timer.burst_s, "gap_min": gap} for part, gap in gaps.items()},
    }


def typical_year() -> Weather:
    """The year of Greensboro, North Carolina."""
    return read_weather(None, year=YEAR)
