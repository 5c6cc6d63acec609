"""The air in a shaded plastic house with vents that open by themselves: its temperature and its humidity.

One well-mixed air, heat and vapour balances per square metre of floor, first order. In each step the weather,
the evaporation and the vents stand still and both balances are solved exactly, so any step is stable. The
house is cooled by what evaporates from leaves. It knows no heating, no fans and no layers of air; benches and
floor give no vapour of their own; what condenses on the cover is gone, and its heat goes outside.
"""

from dataclasses import dataclass
from math import exp

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from simulators.plant.weather import Outdoors

# Heat of air, latent heat and ratio of masses as in FAO-56 eq. 8; density of air near 20 C at sea level.
AIR_DENSITY_KG_PER_M3 = 1.2
STANDARD_PRESSURE_KPA = 101.3
AIR_HEAT_J_PER_KG_K = 1013.0
LATENT_HEAT_J_PER_KG = 2.45e6
WATER_TO_AIR = 0.622  # ratio of molar masses, water vapour to dry air
SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseShell:
    """Cover, shade, vents and what stores heat.

    The defaults are ours, chosen for a small plastic house under shade cloth; no house was measured.
    """

    floor_area_m2: float = 120.0
    mean_height_m: float = 2.5
    transmission: float = 0.35  # of sunlight, through cover and shade together
    absorbed_share: float = 0.8  # of the light let in, the rest goes out again
    heat_store_j_per_m2_k: float = 30_000.0  # benches, wet medium, plants and air that follow within the hour
    cover_loss_w_per_m2_k: float = 9.0  # per square metre of floor
    vents_begin_c: float = 22.0
    vents_full_c: float = 28.0
    leaks_per_h: float = 0.6  # changes of air an hour with the vents shut, still air
    leaks_per_h_per_m_per_s: float = 0.25
    vented_per_h: float = 12.0  # more with the vents full open, still air
    vented_per_h_per_m_per_s: float = 8.0
    still_air_m_per_s: float = 0.1  # air moving over the leaves with no wind outside
    wind_share: float = 0.08  # of the wind outside that is felt at the leaves with the vents full open

    def vents_open_share(self, air_c: float) -> float:
        """How far the vents stand open, 0 to 1, in proportion to the temperature."""
        share = (air_c - self.vents_begin_c) / (self.vents_full_c - self.vents_begin_c)
        return max(0.0, min(1.0, share))

    def air_changes_per_s(self, air_c: float, wind_m_per_s: float) -> float:
        leaks = self.leaks_per_h + self.leaks_per_h_per_m_per_s * wind_m_per_s
        vented = self.vented_per_h + self.vented_per_h_per_m_per_s * wind_m_per_s
        return (leaks + self.vents_open_share(air_c) * vented) / SECONDS_PER_HOUR

    def air_speed_m_per_s(self, air_c: float, wind_m_per_s: float) -> float:
        return self.still_air_m_per_s + self.wind_share * wind_m_per_s * self.vents_open_share(air_c)

    def light_w_per_m2(self, outdoors: Outdoors) -> float:
        """Global radiation at the bench."""
        return self.transmission * outdoors.radiation_w_per_m2


class HouseClimate:
    """The house's air as it stands, and one step of it."""

    __slots__ = ("_air_kg_per_m2", "_pressure_kpa", "air_temperature_c", "humidity_ratio", "shell")

    def __init__(self, shell: HouseShell, outdoors: Outdoors, pressure_kpa: float) -> None:
        self.shell = shell
        self._pressure_kpa = pressure_kpa
        density_kg_per_m3 = AIR_DENSITY_KG_PER_M3 * pressure_kpa / STANDARD_PRESSURE_KPA
        self._air_kg_per_m2 = density_kg_per_m3 * shell.mean_height_m
        self.air_temperature_c = outdoors.temperature_c
        self.humidity_ratio = self._humidity_ratio_outdoors(outdoors)

    @property
    def vapour_pressure_kpa(self) -> float:
        return self.humidity_ratio * self._pressure_kpa / (WATER_TO_AIR + self.humidity_ratio)

    @property
    def relative_humidity(self) -> float:
        saturation_kpa = saturation_vapour_pressure_kpa(self.air_temperature_c)
        return min(1.0, self.vapour_pressure_kpa / saturation_kpa)

    def step(self, dt_s: float, outdoors: Outdoors, evaporated_kg: float) -> None:
        """Move on by `dt_s`, in which so much water evaporated into the house at an even rate."""
        evaporation_kg_per_m2_s = evaporated_kg / self.shell.floor_area_m2 / dt_s
        changes_per_s = self.shell.air_changes_per_s(self.air_temperature_c, outdoors.wind_m_per_s)
        self._step_heat(dt_s, outdoors, evaporation_kg_per_m2_s, changes_per_s)
        self._step_vapour(dt_s, outdoors, evaporation_kg_per_m2_s, changes_per_s)

    def _step_heat(
        self, dt_s: float, outdoors: Outdoors, evaporation_kg_per_m2_s: float, changes_per_s: float
    ) -> None:
        """C dT/dt = sun - latent heat - (cover + vents) (T - Tout)."""
        sun_w_per_m2 = self.shell.absorbed_share * self.shell.light_w_per_m2(outdoors)
        gain_w_per_m2 = sun_w_per_m2 - LATENT_HEAT_J_PER_KG * evaporation_kg_per_m2_s
        vent_w_per_m2_k = self._air_kg_per_m2 * AIR_HEAT_J_PER_KG_K * changes_per_s
        loss_w_per_m2_k = self.shell.cover_loss_w_per_m2_k + vent_w_per_m2_k
        settled_c = outdoors.temperature_c + gain_w_per_m2 / loss_w_per_m2_k
        remaining = exp(-dt_s * loss_w_per_m2_k / self.shell.heat_store_j_per_m2_k)
        self.air_temperature_c = settled_c + (self.air_temperature_c - settled_c) * remaining

    def _step_vapour(
        self, dt_s: float, outdoors: Outdoors, evaporation_kg_per_m2_s: float, changes_per_s: float
    ) -> None:
        """dw/dt = E / air - N (w - wout); what the air cannot hold condenses on the cover."""
        given_per_s = evaporation_kg_per_m2_s / self._air_kg_per_m2
        settled = self._humidity_ratio_outdoors(outdoors) + given_per_s / changes_per_s
        remaining = exp(-dt_s * changes_per_s)
        ratio = settled + (self.humidity_ratio - settled) * remaining
        self.humidity_ratio = min(ratio, self._humidity_ratio(self.air_temperature_c, 1.0))

    def _humidity_ratio_outdoors(self, outdoors: Outdoors) -> float:
        return self._humidity_ratio(outdoors.temperature_c, outdoors.relative_humidity)

    def _humidity_ratio(self, air_c: float, relative_humidity: float) -> float:
        """Kilograms of vapour to a kilogram of dry air (definition, ideal gases)."""
        vapour_kpa = relative_humidity * saturation_vapour_pressure_kpa(air_c)
        return WATER_TO_AIR * vapour_kpa / (self._pressure_kpa - vapour_kpa)
