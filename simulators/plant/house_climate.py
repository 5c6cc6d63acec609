"""The climate of a plastic house as it stands: air and canopy, benches and floor, cover, humidity.

Two stores of heat, a quick one (air and canopy) and a slow one (benches, floor, medium); a cover without a
store, which loses heat to the air outside and to the sky and on which vapour condenses; one well-mixed air
that holds vapour. Sun, heating, vents, fans, leaks and what evaporates drive them. All per square metre of
floor.

Rule: nothing is lost. Every flow of heat (`HeatBook`) and of vapour (`VapourBook`) is counted as it acts on
the stores, so the books close to rounding for any step. Within a part of at most a minute the vents' curve is
straight, the bench stands at its predicted middle, and air and vapour follow their exact exponentials.

It knows no layers of air, no frozen water, no heat in the mist itself (water 15 C cold takes 3 % of what its
evaporation takes), no cover that lets thermal radiation through and none that keeps the water on it. It never
hears of a leaf: what evaporates is told to it, and takes its heat from air and canopy wherever it was.
"""

from math import ceil, expm1
from typing import NamedTuple

from mistd.core.psychrometrics import (
    saturation_vapour_pressure_kpa,
    saturation_vapour_pressure_slope_kpa_per_c,
)
from simulators.plant.house_books import HeatBook, VapourBook
from simulators.plant.house_shell import FanStage, HouseShell
from simulators.plant.weather import Outdoors

__all__ = ["FanStage", "HeatBook", "HouseClimate", "HouseShell", "VapourBook"]

# Heat of air, latent heat and ratio of masses as in FAO-56 eq. 8; density of air near 20 C at sea level.
AIR_DENSITY_KG_PER_M3 = 1.2
STANDARD_PRESSURE_KPA = 101.3
AIR_HEAT_J_PER_KG_K = 1013.0
LATENT_HEAT_J_PER_KG = 2.45e6
WATER_TO_AIR = 0.622  # ratio of molar masses, water vapour to dry air

LONGEST_PART_S = 60.0  # a longer step is lived through in equal parts
SMALL_DECAY = 1e-3  # below it the series is the more exact; the first term left out is under 1e-10


class _Outside(NamedTuple):
    """What the weather of a step means for this house, whatever its air is like."""

    temperature_c: float
    ratio: float  # kg of vapour to a kg of dry air
    sun_air_w: float
    sun_bench_w: float
    vented_per_s: float  # by vents full open
    wind_m_per_s: float
    sky_w: float  # lost by the cover more, because the sky is colder than the air
    outer_w_per_k: float  # lost by the cover
    cover_w_per_k: float  # all exchanges of the cover together
    felt_share: float  # by the cover, of a change of the air or of heat put into it


class _Vents(NamedTuple):
    """How vents, fans and leaks change the air as it stands, and how that grows with its temperature."""

    changes_per_s: float
    steeper_per_s_c: float  # nought where the vents are shut or full open
    fewest_per_s: float
    most_per_s: float
    lost_w: float
    lost_w_per_k: float


class HouseClimate:
    """The house's air, benches and cover as they stand, and one step of them.

    A heated house begins at its set points, any other as it is outdoors.
    """

    __slots__ = (
        "_air_cover_w_per_k",
        "_air_kg",
        "_begun_j",
        "_begun_kg",
        "_bench_cover_w_per_k",
        "_bench_rise_c_per_s",
        "_condensing_w",
        "_pressure_kpa",
        "air_speed_m_per_s",
        "air_temperature_c",
        "bench_c",
        "cover_c",
        "fans_running",
        "heat",
        "humidity_ratio",
        "light_w_per_m2",
        "shell",
        "vapour",
    )

    def __init__(self, shell: HouseShell, outdoors: Outdoors, pressure_kpa: float) -> None:
        self.shell = shell
        self._pressure_kpa = pressure_kpa
        density_kg_per_m3 = AIR_DENSITY_KG_PER_M3 * pressure_kpa / STANDARD_PRESSURE_KPA
        self._air_kg = density_kg_per_m3 * shell.mean_height_m  # dry air over a square metre
        canopy_w_per_k = shell.canopy_share * shell.radiated_to_cover_w_per_m2_k
        self._air_cover_w_per_k = shell.air_to_cover_w_per_m2_k + canopy_w_per_k
        self._bench_cover_w_per_k = shell.radiated_to_cover_w_per_m2_k - canopy_w_per_k
        outdoors_c = outdoors.temperature_c
        self.air_temperature_c = _warmer_c(outdoors_c, shell.heating_c)
        self.bench_c = _warmer_c(self.air_temperature_c, shell.bottom_heat_c)
        self.cover_c = outdoors_c
        self.humidity_ratio = self._humidity_ratio(outdoors_c, outdoors.relative_humidity)
        self._bench_rise_c_per_s = 0.0
        self._condensing_w = 0.0
        self.fans_running = 0
        self.heat = HeatBook()
        self.vapour = VapourBook()
        self._begun_j = self._stored_j()
        self._begun_kg = self._air_kg * self.humidity_ratio
        self.meet(outdoors)

    @property
    def vapour_pressure_kpa(self) -> float:
        return self.humidity_ratio * self._pressure_kpa / (WATER_TO_AIR + self.humidity_ratio)

    @property
    def relative_humidity(self) -> float:
        saturation_kpa = saturation_vapour_pressure_kpa(self.air_temperature_c)
        return min(1.0, self.vapour_pressure_kpa / saturation_kpa)

    @property
    def around_c(self) -> float:
        """What leaves exchange thermal radiation with: half cover above, half bench below."""
        return 0.5 * (self.cover_c + self.bench_c)

    @property
    def energy_error_share(self) -> float:
        """By how much the change of heat in store differs from the flows, as a share of all flows."""
        moved_j = self.heat.moved_j
        return abs(self._stored_j() - self._begun_j - self.heat.gained_j) / moved_j if moved_j else 0.0

    @property
    def vapour_held_kg(self) -> float:
        """By the air of the whole house."""
        return self._air_kg * self.humidity_ratio * self.shell.floor_area_m2

    @property
    def vapour_error_kg(self) -> float:
        """By how much the vapour in the whole house differs from what its flows leave."""
        held_kg = self._air_kg * self.humidity_ratio - self._begun_kg
        return abs(held_kg - self.vapour.gained_kg) * self.shell.floor_area_m2

    def meet(self, outdoors: Outdoors) -> None:
        """Let in this light and wind, without moving on."""
        shell = self.shell
        self.light_w_per_m2 = shell.light_w_per_m2(outdoors)
        self.air_speed_m_per_s = shell.air_speed_m_per_s(
            self.air_temperature_c, outdoors.wind_m_per_s, self.fans_running
        )

    def step(self, dt_s: float, outdoors: Outdoors, evaporated_kg: float, from_bench_kg: float = 0.0) -> None:
        """Move on by `dt_s`, in which so much water evaporated into the whole house at an even rate.

        Args:
            dt_s: more than 0; above a minute it is lived through in equal parts.
            outdoors: the weather that stands for the step, best that of its middle.
            evaporated_kg: net, into the air; negative when dew took vapour out of it.
            from_bench_kg: of that, what took its heat from the benches and not from the air.
        """
        parts = ceil(dt_s / LONGEST_PART_S)
        part_s = dt_s / parts
        share = 1.0 / (self.shell.floor_area_m2 * parts)
        outside = self._outside(outdoors)
        for _ in range(parts):
            self._live(part_s, outside, evaporated_kg * share, from_bench_kg * share)
        self.meet(outdoors)

    def _outside(self, outdoors: Outdoors) -> _Outside:
        shell = self.shell
        outer_w_per_k, radiated_w_per_k = shell.outer_w_per_m2_k(outdoors)
        cover_w_per_k = self._air_cover_w_per_k + self._bench_cover_w_per_k + outer_w_per_k
        sun_air_w, sun_bench_w = shell.sun_w_per_m2(outdoors)
        return _Outside(
            outdoors.temperature_c,
            self._humidity_ratio(outdoors.temperature_c, outdoors.relative_humidity),
            sun_air_w,
            sun_bench_w,
            shell.vented_per_s(outdoors.wind_m_per_s),
            outdoors.wind_m_per_s,
            radiated_w_per_k * shell.sky_seen_share * outdoors.sky_below_air_c,
            outer_w_per_k,
            cover_w_per_k,
            self._air_cover_w_per_k / cover_w_per_k,
        )

    def _live(self, dt_s: float, outside: _Outside, evaporated_kg: float, from_bench_kg: float) -> None:
        """One part: C dT/dt = sun + heating - latent heat - cover - vents + bench, straight in T.

        So the mean of T over the part is exact, and each flow is what it is at that mean. First with the
        condensation of the part before, to find the mean humidity and with it the true condensation; then
        once more with that.
        """
        shell, air_c = self.shell, self.air_temperature_c
        bench_c = self.bench_c + 0.5 * dt_s * self._bench_rise_c_per_s
        vents = self._vents(outside)
        dry_cover_c, felt_share = self._dry_cover_c(outside, bench_c), outside.felt_share
        sun_air_w, sun_bench_w = outside.sun_air_w, outside.sun_bench_w
        evaporation_w = LATENT_HEAT_J_PER_KG * (evaporated_kg - from_bench_kg) / dt_s
        bench_evaporation_w = LATENT_HEAT_J_PER_KG * from_bench_kg / dt_s
        dry_w = sun_air_w - evaporation_w - vents.lost_w
        dry_w += shell.air_to_bench_w_per_m2_k * (bench_c - air_c)
        dry_w -= self._air_cover_w_per_k * (air_c - dry_cover_c)
        loss_w_per_k = shell.air_to_bench_w_per_m2_k + vents.lost_w_per_k
        loss_w_per_k += self._air_cover_w_per_k * (1.0 - felt_share)
        c_per_w = dt_s / shell.quick_store_j_per_m2_k
        end_share, mean_share = _followed_shares(loss_w_per_k * c_per_w)

        guess_w = dry_w + felt_share * self._condensing_w
        guess_w += self._heating_w(guess_w, c_per_w * end_share)
        rise_c = guess_w * c_per_w * mean_share
        condensing_w = self._step_vapour(dt_s, outside, evaporated_kg, vents, dry_cover_c, rise_c)

        gain_w = dry_w + felt_share * condensing_w
        heating_w = self._heating_w(gain_w, c_per_w * end_share)
        rise_c = (gain_w + heating_w) * c_per_w * mean_share
        self.cover_c = dry_cover_c + condensing_w / outside.cover_w_per_k + felt_share * rise_c

        to_air_w = sun_air_w + heating_w - evaporation_w - (vents.lost_w + vents.lost_w_per_k * rise_c)
        from_bench_w = shell.air_to_bench_w_per_m2_k * (bench_c - air_c - rise_c)
        to_air_w += from_bench_w - self._air_cover_w_per_k * (air_c + rise_c - self.cover_c)
        to_bench_w = sun_bench_w - from_bench_w - self._bench_cover_w_per_k * (bench_c - self.cover_c)
        to_bench_w -= bench_evaporation_w
        self.air_temperature_c = air_c + to_air_w * c_per_w
        bottom_heat_w = self._step_bench(dt_s, to_bench_w)

        book = self.heat
        book.sun_j += (sun_air_w + sun_bench_w) * dt_s
        book.heating_j += heating_w * dt_s
        book.bottom_heat_j += bottom_heat_w * dt_s
        book.condensed_j += condensing_w * dt_s
        book.evaporated_j += (evaporation_w + bench_evaporation_w) * dt_s
        book.cover_j += outside.outer_w_per_k * (self.cover_c - outside.temperature_c) * dt_s
        book.sky_j += outside.sky_w * dt_s
        book.vented_j += (vents.lost_w + vents.lost_w_per_k * rise_c) * dt_s
        self._let_fog_fall()

    def _vents(self, outside: _Outside) -> _Vents:
        shell, air_c = self.shell, self.air_temperature_c
        if shell.fans:
            self._switch_fans()
        vented_per_s = outside.vented_per_s
        leaked_per_s = shell.leaked_per_s(outside.wind_m_per_s, self.fans_running)
        changes_per_s, steeper_per_s_c = leaked_per_s, 0.0
        if air_c >= shell.vents_begin_c:
            changes_per_s += shell.vents_open_share(air_c) * vented_per_s
            if air_c <= shell.vents_full_c:
                steeper_per_s_c = vented_per_s / (shell.vents_full_c - shell.vents_begin_c)
        air_j_per_k = AIR_HEAT_J_PER_KG_K * self._air_kg
        above_c = air_c - outside.temperature_c
        # Vents that let in hotter air would feed on themselves: then their opening stands still for a part.
        return _Vents(
            changes_per_s,
            steeper_per_s_c,
            leaked_per_s,
            leaked_per_s + vented_per_s,
            air_j_per_k * changes_per_s * above_c,
            air_j_per_k * (changes_per_s + max(0.0, steeper_per_s_c * above_c)),
        )

    def _switch_fans(self) -> None:
        """A stage starts at its temperature and stops a deadband below it."""
        fans, air_c = self.shell.fans, self.air_temperature_c
        running = self.fans_running
        while running < len(fans) and air_c >= fans[running].starts_c:
            running += 1
        while running > 0 and air_c < fans[running - 1].starts_c - self.shell.fan_deadband_c:
            running -= 1
        self.fans_running = running

    def _dry_cover_c(self, outside: _Outside, bench_c: float) -> float:
        """What the cover would be with nothing condensing: storing nothing, it loses what it gains."""
        gain_w = self._air_cover_w_per_k * self.air_temperature_c + self._bench_cover_w_per_k * bench_c
        gain_w += outside.outer_w_per_k * outside.temperature_c - outside.sky_w
        return gain_w / outside.cover_w_per_k

    def _heating_w(self, gain_w: float, c_per_w: float) -> float:
        """The power that brings the air to its set point at the end of the part, as far as there is power."""
        if self.shell.heating_c is None:
            return 0.0
        needed_w = (self.shell.heating_c - self.air_temperature_c) / c_per_w - gain_w
        return max(0.0, min(self.shell.heating_w_per_m2, needed_w))

    def _step_bench(self, dt_s: float, to_bench_w: float) -> float:
        """Warm the benches, with bottom heat as far as it is set and there is power; return its power."""
        shell = self.shell
        bottom_heat_w = 0.0
        if shell.bottom_heat_c is not None:
            short_c = shell.bottom_heat_c - self.bench_c
            needed_w = short_c * shell.slow_store_j_per_m2_k / dt_s - to_bench_w
            bottom_heat_w = max(0.0, min(shell.bottom_heat_w_per_m2, needed_w))
        self._bench_rise_c_per_s = (to_bench_w + bottom_heat_w) / shell.slow_store_j_per_m2_k
        self.bench_c += self._bench_rise_c_per_s * dt_s
        return bottom_heat_w

    def _step_vapour(
        self,
        dt_s: float,
        outside: _Outside,
        evaporated_kg: float,
        vents: _Vents,
        dry_cover_c: float,
        rise_c: float,
    ) -> float:
        """Follow m dw/dt = E - m N (w - w out) - g (w - w cover); return the heat of condensing, W/m2.

        `rise_c` is the air's mean rise, at which vents and cover are taken. The vapour that condenses warms
        the cover and so holds itself back: g is what is left of the cover's conductance after that.
        """
        changes_per_s = vents.changes_per_s + vents.steeper_per_s_c * rise_c
        changes_per_s = max(vents.fewest_per_s, min(vents.most_per_s, changes_per_s))
        air_kg, ratio = self._air_kg, self.humidity_ratio
        outdoors_ratio = outside.ratio
        gain_per_s = evaporated_kg / (air_kg * dt_s) - changes_per_s * (ratio - outdoors_ratio)
        cover_c = dry_cover_c + outside.felt_share * rise_c
        cover_ratio = self._humidity_ratio(cover_c, 1.0)
        condensed_kg = 0.0
        mean_ratio = ratio + gain_per_s * dt_s * _followed_shares(changes_per_s * dt_s)[1]
        if mean_ratio > cover_ratio:
            to_cover_per_s = self._to_cover_kg_per_s(cover_c, cover_ratio, outside.cover_w_per_k) / air_kg
            gain_per_s -= to_cover_per_s * (ratio - cover_ratio)
            mean_share = _followed_shares((changes_per_s + to_cover_per_s) * dt_s)[1]
            mean_ratio = ratio + gain_per_s * dt_s * mean_share
            condensed_kg = max(0.0, to_cover_per_s * air_kg * (mean_ratio - cover_ratio) * dt_s)
        vented_kg = changes_per_s * air_kg * (mean_ratio - outdoors_ratio) * dt_s
        self.humidity_ratio = ratio + (evaporated_kg - vented_kg - condensed_kg) / air_kg
        self.vapour.evaporated_kg += evaporated_kg
        self.vapour.vented_kg += vented_kg
        self.vapour.condensed_kg += condensed_kg
        self._condensing_w = LATENT_HEAT_J_PER_KG * condensed_kg / dt_s
        return self._condensing_w

    def _to_cover_kg_per_s(self, cover_c: float, cover_ratio: float, cover_w_per_k: float) -> float:
        """Vapour that moves to the cover per kg/kg of difference: heat and vapour move alike (Lewis)."""
        moved_kg_per_s = self.shell.air_to_cover_w_per_m2_k / AIR_HEAT_J_PER_KG_K
        slope_per_c = self._humidity_ratio_slope_per_c(cover_c, cover_ratio)
        return moved_kg_per_s / (1.0 + LATENT_HEAT_J_PER_KG * moved_kg_per_s * slope_per_c / cover_w_per_k)

    def _let_fog_fall(self) -> None:
        """Let what the air cannot hold fall as fog, which warms it."""
        saturated = self._humidity_ratio(self.air_temperature_c, 1.0)
        excess = self.humidity_ratio - saturated
        if excess <= 0.0:
            return
        store_j_per_k = self.shell.quick_store_j_per_m2_k
        slope_per_c = self._humidity_ratio_slope_per_c(self.air_temperature_c, saturated)
        latent_j = LATENT_HEAT_J_PER_KG * self._air_kg
        fallen = excess / (1.0 + latent_j * slope_per_c / store_j_per_k)
        self.humidity_ratio -= fallen
        self.air_temperature_c += latent_j * fallen / store_j_per_k
        self.vapour.condensed_kg += self._air_kg * fallen
        self.heat.condensed_j += latent_j * fallen

    def _stored_j(self) -> float:
        shell = self.shell
        quick_j = shell.quick_store_j_per_m2_k * self.air_temperature_c
        return quick_j + shell.slow_store_j_per_m2_k * self.bench_c

    def _humidity_ratio(self, air_c: float, relative_humidity: float) -> float:
        """Kilograms of vapour to a kilogram of dry air (definition, ideal gases)."""
        vapour_kpa = relative_humidity * saturation_vapour_pressure_kpa(air_c)
        return WATER_TO_AIR * vapour_kpa / (self._pressure_kpa - vapour_kpa)

    def _humidity_ratio_slope_per_c(self, air_c: float, ratio: float) -> float:
        """How the saturated ratio grows with temperature: the derivative of the line above."""
        slope_kpa_per_c = saturation_vapour_pressure_slope_kpa_per_c(air_c)
        return (WATER_TO_AIR + ratio) ** 2 / (WATER_TO_AIR * self._pressure_kpa) * slope_kpa_per_c


def _warmer_c(as_it_is_c: float, set_point_c: float | None) -> float:
    return as_it_is_c if set_point_c is None else max(as_it_is_c, set_point_c)


def _followed_shares(decay: float) -> tuple[float, float]:
    """Of what a steady gain alone would move, what is moved at the end, and in the mean.

    For dy/dt = gain - k y with y = 0 at first, and decay = k t: y(t) = gain t (1 - exp(-decay)) / decay.

    >>> [round(share, 6) for share in _followed_shares(0.0)]
    [1.0, 0.5]
    >>> [round(share, 6) for share in _followed_shares(1.0)]
    [0.632121, 0.367879]
    """
    if decay < SMALL_DECAY:
        return 1.0 - decay * (0.5 - decay / 6.0), 0.5 - decay * (1.0 / 6.0 - decay / 24.0)
    at_end = -expm1(-decay) / decay
    return at_end, (1.0 - at_end) / decay
