"""A capacitive leaf-wetness sensor: a plate with a film of its own, and the millivolts it gives.

It is not a leaf. It lies in one quarter of a bench, catches mist there while nozzles spray, holds what a
plate holds and dries by the same air at its own pace. Dry and wet millivolts differ from sensor to sensor:
there is no value that means wet. What dries on it leaves lime and feed salts, and they read as wet.

It knows no leaf, no bench and no clock. caught = evaporated + dripped + film, dew counted as caught.
"""

from dataclasses import dataclass
from math import exp, sqrt
from random import Random
from typing import Protocol

from mistd.core.psychrometrics import (
    saturation_vapour_pressure_kpa,
    saturation_vapour_pressure_slope_kpa_per_c,
)
from simulators.plant.instruments import Instrument, InstrumentFault, InstrumentPlan
from simulators.plant.units import UM_PER_MOL

# A plate's boundary layer and heat balance, as for leaves: Campbell & Norman (1998) eq. 7.30 with the factor
# 1.4 of sect. 7.13, both sides giving off heat, the upper one wet.
VAPOUR_CONDUCTANCE = 1.4 * 0.147
HEAT_CONDUCTANCE = 1.4 * 0.135
MOLAR_HEAT_J_PER_MOL_K = 29.3
MOLAR_LATENT_HEAT_J_PER_MOL = 44_000.0
RADIATED_W_PER_M2_K = 6.0  # of one side near 25 C: 4 sigma T^3
STILLEST_M_PER_S = 0.05  # ours
# Deardorff (1978): the wet share goes as the two-thirds power of the water, so its cube root falls evenly.
CUBE_ROOT = 1.0 / 3.0


class AirAtPlate(Protocol):
    """What this file needs to know of the air."""

    @property
    def temperature_c(self) -> float: ...
    @property
    def vapour_pressure_kpa(self) -> float: ...
    @property
    def speed_m_per_s(self) -> float: ...
    @property
    def light_w_per_m2(self) -> float: ...
    @property
    def pressure_kpa(self) -> float: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class WetnessPlan:
    """A plate of coated board. All of it ours but the spread: no sensor was measured."""

    quarter: int = 3  # of the bench it lies on, 0 the driest
    holds_um: float = 70.0
    caught_share: float = 0.9  # of the mist over its quarter
    length_m: float = 0.05  # along the wind
    absorbed_share: float = 0.3  # of global radiation: painted white
    dries_share: float = 1.0  # of the pace its balance gives; a thick plate is slower
    dry_mv: float = 450.0
    wet_mv: float = 1100.0
    # Between sensors of a make, as a share: painted flat sensors differ by 9 %, unpainted by 67 %
    # (Sentelhas, Monteiro & Gillespie 2004).
    spread_share: float = 0.09
    lag_s: float = 3.0
    noise_mv: float = 2.0
    last_digit_mv: float = 1.0
    fouls_over_um: float = 150_000.0  # dried on it, until two thirds of it read wet for ever


class WetnessSensor:
    """One sensor; `rng` makes its millivolts its own and gives its noise."""

    __slots__ = (
        "_deposit_um",
        "_dry_mv",
        "_instrument",
        "_plan",
        "_wet_mv",
        "caught_um",
        "dripped_um",
        "evaporated_um",
        "film_um",
    )

    def __init__(self, plan: WetnessPlan, rng: Random) -> None:
        self._plan = plan
        self._dry_mv = plan.dry_mv * (1.0 + rng.gauss(0.0, plan.spread_share))
        span_mv = (plan.wet_mv - plan.dry_mv) * (1.0 + rng.gauss(0.0, plan.spread_share))
        self._wet_mv = self._dry_mv + max(0.0, span_mv)
        self._deposit_um = 0.0
        self.film_um = self.caught_um = self.dripped_um = self.evaporated_um = 0.0
        electronics = InstrumentPlan(
            lag_s=plan.lag_s,
            noise=plan.noise_mv,
            last_digit=plan.last_digit_mv,
            lowest=0.0,
            highest=2.0 * plan.wet_mv,
        )
        self._instrument = Instrument(electronics, self._dry_mv, rng)

    @property
    def quarter(self) -> int:
        return self._plan.quarter

    @property
    def wet_share(self) -> float:
        """Of the plate that is truly wet."""
        return float((self.film_um / self._plan.holds_um) ** (2.0 * CUBE_ROOT))

    @property
    def fouled_share(self) -> float:
        """Of the plate that reads wet through salts alone."""
        return 1.0 - exp(-self._deposit_um / self._plan.fouls_over_um)

    @property
    def seen_share(self) -> float:
        """Of the plate that the electronics take for wet."""
        fouled_share = self.fouled_share
        return fouled_share + (1.0 - fouled_share) * self.wet_share

    @property
    def fault(self) -> InstrumentFault | None:
        return self._instrument.fault

    @fault.setter
    def fault(self, fault: InstrumentFault | None) -> None:
        self._instrument.fault = fault

    def step(self, dt_s: float, air: AirAtPlate, applied_um: float) -> None:
        """Take what was sprayed over its quarter, then dry, or gather dew, for so long; any step is exact."""
        self._catch(applied_um * self._plan.caught_share)
        rate_um_per_s = self._wet_rate_um_per_s(air)
        if rate_um_per_s < 0.0:
            self._catch(-rate_um_per_s * dt_s)
        elif self.film_um > 0.0:
            self._dry(rate_um_per_s * dt_s)
        signal_mv = self._dry_mv + (self._wet_mv - self._dry_mv) * self.seen_share
        self._instrument.follow(signal_mv, dt_s)

    def reading_mv(self) -> float | None:
        """What it says now; None when it says nothing."""
        return self._instrument.reading()

    def clean(self) -> None:
        """Wipe off the salts; the film goes with them and is counted as dripped."""
        self._deposit_um = 0.0
        self.dripped_um += self.film_um
        self.film_um = 0.0

    def _catch(self, depth_um: float) -> None:
        held_um = min(self._plan.holds_um, self.film_um + depth_um)
        self.caught_um += depth_um
        self.dripped_um += self.film_um + depth_um - held_um
        self.film_um = held_um

    def _dry(self, potential_um: float) -> None:
        """Solve dx/dt = -K x^(2/3): the cube root of the film falls by a third of K t."""
        holds_um = self._plan.holds_um
        root = (self.film_um / holds_um) ** CUBE_ROOT - CUBE_ROOT * potential_um / holds_um
        left_um = holds_um * max(0.0, root) ** 3
        evaporated_um = self.film_um - left_um
        self.evaporated_um += evaporated_um
        self._deposit_um += evaporated_um
        self.film_um = left_um

    def _wet_rate_um_per_s(self, air: AirAtPlate) -> float:
        """Penman's balance of a plate wet above and dry below; below nought: dew."""
        plan = self._plan
        stirred = sqrt(max(air.speed_m_per_s, STILLEST_M_PER_S) / plan.length_m)
        given_w_per_m2_k = 2.0 * (MOLAR_HEAT_J_PER_MOL_K * HEAT_CONDUCTANCE * stirred + RADIATED_W_PER_M2_K)
        per_kpa = VAPOUR_CONDUCTANCE * stirred / air.pressure_kpa
        slope_kpa_per_c = saturation_vapour_pressure_slope_kpa_per_c(air.temperature_c)
        deficit_kpa = saturation_vapour_pressure_kpa(air.temperature_c) - air.vapour_pressure_kpa
        warmed_c = plan.absorbed_share * air.light_w_per_m2 / given_w_per_m2_k
        cooling = MOLAR_LATENT_HEAT_J_PER_MOL * per_kpa * slope_kpa_per_c / given_w_per_m2_k
        driving_kpa = deficit_kpa + slope_kpa_per_c * warmed_c
        return plan.dries_share * UM_PER_MOL * per_kpa * driving_kpa / (1.0 + cooling)
