"""What a shaded plastic house is made of: cover, shade, vents, fans, heating and what stores heat.

Values only, and what follows from them and the weather at once. The state of the house is `house_climate`'s.
All per square metre of floor unless a name says otherwise. The defaults are ours, chosen for a small plastic
house under shade cloth before any trial was run; no house was measured.
"""

from dataclasses import dataclass

from simulators.plant.plan_checks import require_more_than_nought, require_shares
from simulators.plant.units import KELVIN, SECONDS_PER_HOUR, STEFAN_BOLTZMANN_W_PER_M2_K4
from simulators.plant.weather import Outdoors

# Wind over a flat cover: 2.8 + 3.0 u, Watmuff, Charters & Proctor (1977), from memory.
STILL_COVER_W_PER_M2_K = 2.8
WIND_COVER_J_PER_M3_K = 3.0
COVER_EMISSIVITY = 0.9  # wet plastic film, the usual figure, from memory

LEAST_SLOW_STORE_J_PER_M2_K = 20_000.0  # with less the bench would not be slow beside a minute
MORE_THAN_NOUGHT = ("floor_area_m2", "mean_height_m", "quick_store_j_per_m2_k", "cover_per_floor")
SHARES = (
    "cover_transmission",
    "shade_transmission",
    "shade_warms_share",
    "absorbed_share",
    "canopy_share",
    "sky_seen_share",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FanStage:
    """One stage of the fans: the temperature at which it starts, and what it moves."""

    starts_c: float
    changes_per_h: float
    air_m_per_s: float = 0.15  # added at the leaves; ours


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseShell:
    """The plan of a house.

    Raises:
        ValueError: a value that no house can have; the message names it.
    """

    floor_area_m2: float = 120.0
    mean_height_m: float = 2.5
    cover_transmission: float = 0.7  # of sunlight
    shade_transmission: float = 0.5
    shade_warms_share: float = 0.0  # of the light the shade stops, what warms the air; 0 for shade outside
    absorbed_share: float = 0.8  # of the light let in, the rest goes out again
    canopy_share: float = 0.6  # of the floor, seen from above, that is leaves
    quick_store_j_per_m2_k: float = 12_000.0  # air, some 3000, and leaves and the edges of trays
    slow_store_j_per_m2_k: float = 200_000.0  # some 3 cm of wet medium and 5 cm of floor
    air_to_bench_w_per_m2_k: float = 8.0
    air_to_cover_w_per_m2_k: float = 6.0  # by moving air
    radiated_to_cover_w_per_m2_k: float = 5.0  # thermal radiation of canopy and bench
    cover_per_floor: float = 1.6
    sky_seen_share: float = 0.6  # of the cover; the rest faces things as warm as the air outside
    vents_begin_c: float = 22.0
    vents_full_c: float = 28.0
    leaks_per_h: float = 0.6  # changes of air an hour with the vents shut, still air
    leaks_per_h_per_m_per_s: float = 0.25
    vented_per_h: float = 12.0  # more with the vents full open, still air
    vented_per_h_per_m_per_s: float = 8.0
    fans: tuple[FanStage, ...] = ()  # in the order in which they start
    fan_deadband_c: float = 1.0  # a stage stops so far below its start
    still_air_m_per_s: float = 0.1  # air moving over the leaves with no wind outside
    wind_share: float = 0.08  # of the wind outside that is felt at the leaves with the vents full open
    heating_c: float | None = None  # set point of the air; None without heating
    heating_w_per_m2: float = 150.0  # its greatest power
    bottom_heat_c: float | None = None  # set point of the benches; None without
    bottom_heat_w_per_m2: float = 60.0

    def __post_init__(self) -> None:
        require_more_than_nought(self, MORE_THAN_NOUGHT)
        require_shares(self, SHARES)
        if not self.slow_store_j_per_m2_k >= LEAST_SLOW_STORE_J_PER_M2_K:
            raise ValueError(
                f"slow_store_j_per_m2_k is {self.slow_store_j_per_m2_k:g}, "
                f"must be at least {LEAST_SLOW_STORE_J_PER_M2_K:g}"
            )
        if not self.vents_begin_c < self.vents_full_c:
            raise ValueError(f"vents_begin_c {self.vents_begin_c:g} is not under {self.vents_full_c:g}")
        starts_c = [stage.starts_c for stage in self.fans]
        if starts_c != sorted(starts_c):
            raise ValueError(f"fans start at {starts_c} C: name them in the order in which they start")

    @property
    def transmission(self) -> float:
        """Of sunlight, through cover and shade together."""
        return self.cover_transmission * self.shade_transmission

    def light_w_per_m2(self, outdoors: Outdoors) -> float:
        """Global radiation at the bench."""
        return self.cover_transmission * self.shade_transmission * outdoors.radiation_w_per_m2

    def vents_open_share(self, air_c: float) -> float:
        """How far the vents stand open, 0 to 1, in proportion to the temperature."""
        share = (air_c - self.vents_begin_c) / (self.vents_full_c - self.vents_begin_c)
        return max(0.0, min(1.0, share))

    def vented_per_s(self, wind_m_per_s: float) -> float:
        """Changes of air a second that the vents full open add."""
        return (self.vented_per_h + self.vented_per_h_per_m_per_s * wind_m_per_s) / SECONDS_PER_HOUR

    def leaked_per_s(self, wind_m_per_s: float, fans_running: int = 0) -> float:
        """Changes of air a second with the vents shut: leaks, and the fans that run."""
        leaks_per_h = self.leaks_per_h + self.leaks_per_h_per_m_per_s * wind_m_per_s
        if fans_running:
            leaks_per_h += sum(stage.changes_per_h for stage in self.fans[:fans_running])
        return leaks_per_h / SECONDS_PER_HOUR

    def air_speed_m_per_s(self, air_c: float, wind_m_per_s: float, fans_running: int = 0) -> float:
        """Air moving over the leaves."""
        speed_m_per_s = self.still_air_m_per_s
        if fans_running:
            speed_m_per_s += sum(stage.air_m_per_s for stage in self.fans[:fans_running])
        return speed_m_per_s + self.wind_share * wind_m_per_s * self.vents_open_share(air_c)

    def sun_w_per_m2(self, outdoors: Outdoors) -> tuple[float, float]:
        """Sunlight that warms the air and canopy, and what warms benches and floor."""
        through_cover_w = self.cover_transmission * outdoors.radiation_w_per_m2
        taken_up_w = self.absorbed_share * self.shade_transmission * through_cover_w
        shade_w = self.shade_warms_share * (1.0 - self.shade_transmission) * through_cover_w
        canopy_w = self.canopy_share * taken_up_w
        return canopy_w + shade_w, taken_up_w - canopy_w

    def outer_w_per_m2_k(self, outdoors: Outdoors) -> tuple[float, float]:
        """Heat the cover gives off per degree above the air outside, in all; and by radiation alone."""
        kelvin = outdoors.temperature_c + KELVIN
        radiated = 4.0 * COVER_EMISSIVITY * STEFAN_BOLTZMANN_W_PER_M2_K4 * kelvin * kelvin * kelvin
        blown = STILL_COVER_W_PER_M2_K + WIND_COVER_J_PER_M3_K * outdoors.wind_m_per_s
        return self.cover_per_floor * (radiated + blown), self.cover_per_floor * radiated
