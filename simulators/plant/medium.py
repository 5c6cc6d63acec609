"""The medium in the trays: the water it holds, what drains and leaches, its air and its temperature.

One well-mixed medium to each quarter of a bench. In come drip and missed mist; out go drainage, what cuttings
draw and a little evaporation. Every micrometre is accounted for: water = brought in + fallen - taken up -
evaporated - drained - carried out. It knows no salts, no wet bottom under a dry top, and no water that runs
off between the cells. All depths are micrometres over the bench.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
from numpy import add, divide, maximum, minimum, multiply, subtract

from mistd.core.psychrometrics import saturation_vapour_pressure_kpa
from simulators.plant.units import UM_PER_MM, UM_PER_MOL

FloatArray = npt.NDArray[np.float64]

QUARTERS = 4
BY_QUARTER = np.full(QUARTERS, 1.0 / QUARTERS)
# As arrays, because numpy takes twice as long over a number of Python's.
NOUGHT = np.array(0.0)
MOST_EVAPORATED_SHARE = np.array(0.1)  # of the water, in a step; ours
WATER_HEAT_J_PER_M2_UM_K = 4.186  # a micrometre over a square metre is a gram

# Air in a drained container grows with its depth: 12 % of the volume in a bedding plant cell, 28 % in a
# 1-gallon can (Bilderback & Fonteno 1987, J. Environ. Hort. 5:180). The depths, 50 and 165 mm, are from
# memory, the power between them is ours.
CELL_DEPTH_MM = 50.0
CELL_AIR_SHARE = 0.12
AIR_DEPTH_POWER = 0.71


class AirAtMedium(Protocol):
    """What this file needs to know of the air."""

    @property
    def vapour_pressure_kpa(self) -> float: ...
    @property
    def pressure_kpa(self) -> float: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class MediumPlan:
    """The medium on one bench. Where nothing else is said a figure is ours."""

    depth_mm: float = 45.0  # of a cell
    cells_share: float = 0.55  # of the bench's area that is medium and not tray
    pores_share: float = 0.88  # of the volume, water or air
    starts_share: float = 1.0  # of container capacity: watered until it drips, then drained
    drains_over_s: float = 3600.0  # time constant of what stands above container capacity
    # The surface under leaves, as a conductance over the whole bench; falls with the water below capacity.
    surface_mol_per_m2_s: float = 0.03
    sour_air_share: float = 0.10  # media want at least 10 % of air; common practice, no source
    sour_after_s: float = 6.0 * 3600.0
    # Above, to the house, and below, to the bench; a tray follows them within an hour or two.
    exchanged_w_per_m2_k: float = 20.0
    solids_heat_um: float = 3000.0  # heat of solids and tray, as a depth of water

    def __post_init__(self) -> None:
        if self.depth_mm <= 0.0 or not 0.0 < self.cells_share <= 1.0:
            raise ValueError(f"medium {self.depth_mm:g} mm deep over {self.cells_share:g} of the bench")
        if not 0.0 < self.capacity_air_share < self.pores_share < 1.0:
            raise ValueError(
                f"{self.depth_mm:g} mm of medium drained holds {self.capacity_air_share:.2f} of air, "
                f"more than pores of {self.pores_share:g} allow"
            )

    @property
    def capacity_air_share(self) -> float:
        """Of the volume, after draining.

        >>> round(MediumPlan(depth_mm=165.0).capacity_air_share, 2)
        0.28
        """
        return CELL_AIR_SHARE * float((self.depth_mm / CELL_DEPTH_MM) ** AIR_DEPTH_POWER)

    @property
    def volume_um(self) -> float:
        return self.depth_mm * UM_PER_MM * self.cells_share

    @property
    def capacity_um(self) -> float:
        """Water held after draining."""
        return self.volume_um * (self.pores_share - self.capacity_air_share)


class Medium:
    """The medium on all benches, as it stands; totals, per zone, run from the start.

    Arrays are (zones, quarters). A step works in place, as numpy's cost is by the call: `water_um` and
    `temperature_c` are what stands, and change with the next step.
    """

    def __init__(self, plans: Sequence[MediumPlan], bench_c: float) -> None:
        self.plans = tuple(plans)
        zones = len(self.plans)
        shape = (zones, QUARTERS)
        self._volume_um = self._each("volume_um")
        self._capacity_um = self._each("capacity_um")
        self._pores_um = self._volume_um * self._each("pores_share")
        self._drains_over_s = self._each("drains_over_s")
        self._surface_mol_per_m2_s = self._each("surface_mol_per_m2_s")
        self._sour_above_um = self._pores_um - self._volume_um * self._each("sour_air_share")
        self._sour_after_s = self._each("sour_after_s")
        self._solids_heat_um = self._each("solids_heat_um")
        self._exchanged_um_per_s = self._each("exchanged_w_per_m2_k") / WATER_HEAT_J_PER_M2_UM_K
        self.water_um = self._capacity_um * self._each("starts_share")
        self._surface_per_capacity = self._surface_mol_per_m2_s / self._capacity_um
        self._each_place = np.full(zones * QUARTERS, 1.0 / (zones * QUARTERS))
        self._soonest_sour_s = float(self._sour_after_s.min())
        self._dt_s = 0.0
        self.temperature_c = np.full(shape, bench_c)
        self._wet_for_s = np.zeros(shape)
        self.sour_s = np.zeros(shape)
        self._fallen_um, self._taken_up_um = np.zeros(shape), np.zeros(shape)
        self._evaporated_um, self._drained_um = np.zeros(shape), np.zeros(shape)
        self.brought_in_um, self.carried_out_um = self.water_um @ BY_QUARTER, np.zeros(zones)
        self._before, self._evaporated, self._settles, self._spare, self._stands, self._undrained = (
            np.zeros(shape) for _ in range(6)
        )
        self._is_airy = np.zeros(shape, dtype=np.bool_)

    @property
    def share(self) -> FloatArray:
        """Water held, of what is held after draining; above 1 while it drains."""
        return self.water_um / self._capacity_um

    @property
    def saturation_share(self) -> FloatArray:
        """Water held, of all pores."""
        return self.water_um / self._pores_um

    @property
    def air_share(self) -> FloatArray:
        """Air-filled, of the volume."""
        return (self._pores_um - self.water_um) / self._volume_um

    @property
    def drained_um(self) -> FloatArray:
        """Leached: per zone, since the start; so are the next three."""
        return _by_zone(self._drained_um)

    @property
    def fallen_um(self) -> FloatArray:
        return _by_zone(self._fallen_um)

    @property
    def taken_up_um(self) -> FloatArray:
        return _by_zone(self._taken_up_um)

    @property
    def evaporated_um(self) -> FloatArray:
        return _by_zone(self._evaporated_um)

    def restick(self, zone: int) -> None:
        """Clear a bench and bring fresh trays, watered and drained, not sour, at the old temperature."""
        self.carried_out_um[zone] += float(self.water_um[zone] @ BY_QUARTER)
        self.water_um[zone] = self.plans[zone].capacity_um * self.plans[zone].starts_share
        self.brought_in_um[zone] += float(self.water_um[zone] @ BY_QUARTER)
        self._wet_for_s[zone] = 0.0

    def step(
        self,
        dt_s: float,
        fallen_um: FloatArray,
        taken_up_um: FloatArray,
        air: AirAtMedium,
        bench_c: float,
        mist_c: float | None = None,
    ) -> FloatArray:
        """Let water come and go evenly over a step; return what evaporated, per zone.

        Args:
            dt_s: 0.001 to 600 s.
            fallen_um: drip and missed mist, (zones, quarters).
            taken_up_um: by cuttings, (zones, quarters); never more than the medium holds.
            air: above the medium.
            bench_c: what the trays stand on and look at.
            mist_c: temperature of what fell; None: that of the medium.

        Raises:
            ValueError: more is taken up than the medium holds.
        """
        if dt_s != self._dt_s:
            self._set_step(dt_s)
        evaporated, before = self._evaporates(dt_s, air), self._before
        add(self.water_um, fallen_um, before)
        subtract(before, taken_up_um, before)
        subtract(before, evaporated, before)
        lowest_um = before.item(before.argmin())
        if lowest_um < 0.0:
            raise ValueError(f"cuttings took up more than the medium held, {-lowest_um:.3g} um too much")
        self._exchange_heat(fallen_um, bench_c, mist_c)
        self._drain()
        add(self._fallen_um, fallen_um, self._fallen_um)
        add(self._taken_up_um, taken_up_um, self._taken_up_um)
        add(self._evaporated_um, evaporated, self._evaporated_um)
        self._sour(dt_s)
        return _by_zone(evaporated)

    def _evaporates(self, dt_s: float, air: AirAtMedium) -> FloatArray:
        """From the surface in a step, at the mean temperature of all trays; at most a tenth of the water."""
        warm_kpa = saturation_vapour_pressure_kpa(float(self._each_place.dot(self.temperature_c.reshape(-1))))
        pull = max(0.0, warm_kpa - air.vapour_pressure_kpa) / air.pressure_kpa * UM_PER_MOL * dt_s
        evaporated, most = self._evaporated, self._spare
        multiply(self._surface_per_capacity, pull, evaporated)  # of the water in store, while it is below
        minimum(evaporated, MOST_EVAPORATED_SHARE, out=evaporated)
        multiply(evaporated, self.water_um, evaporated)
        multiply(self._surface_mol_per_m2_s, pull, most)
        return minimum(evaporated, most, out=evaporated)

    def _drain(self) -> None:
        """Bring the water to the end of the step.

        What stands above capacity obeys dx/dt = gain - x / drains_over. Exact while it stands above; in a
        step in which the medium fills to capacity or drains down to it, the crossing is taken as if at an end
        of the step.
        """
        stood, undrained, after = self._stands, self._undrained, self.water_um
        subtract(after, self._capacity_um, stood)
        maximum(stood, NOUGHT, out=stood)
        subtract(self._before, self._capacity_um, undrained)
        maximum(undrained, NOUGHT, out=undrained)
        subtract(self._before, undrained, after)
        multiply(stood, self._stood_stays_share, stood)
        multiply(undrained, self._arrived_stays_share, undrained)
        add(stood, undrained, stood)
        maximum(stood, NOUGHT, out=stood)
        add(after, stood, after)
        minimum(after, self._pores_um, out=after)
        drained = subtract(self._before, after, stood)
        add(self._drained_um, drained, self._drained_um)

    def _set_step(self, dt_s: float) -> None:
        """What a step leaves of water above capacity at its start, and of what came evenly in it."""
        self._dt_s = dt_s
        steps = dt_s / self._drains_over_s
        self._arrived_stays_share = -np.expm1(-steps) / steps
        self._stood_stays_share = np.exp(-steps) - self._arrived_stays_share  # had it come in the step
        self._follows_um = self._exchanged_um_per_s * -dt_s

    def _exchange_heat(self, fallen_um: FloatArray, bench_c: float, mist_c: float | None) -> None:
        """Follow the bench, chilled or warmed by what fell; its latent heat is left to the house."""
        follows, settles_c, spare = self._stands, self._settles, self._spare  # follows: below nought
        if mist_c is None:
            follows[:], settles_c[:] = self._follows_um, bench_c
        else:
            subtract(self._follows_um, fallen_um, follows)
            multiply(self._follows_um, bench_c, settles_c)
            multiply(fallen_um, mist_c, spare)
            subtract(settles_c, spare, settles_c)
            divide(settles_c, follows, settles_c)
        add(self.water_um, self._solids_heat_um, spare)
        divide(follows, spare, spare)
        np.exp(spare, spare)
        subtract(self.temperature_c, settles_c, self.temperature_c)
        multiply(self.temperature_c, spare, self.temperature_c)
        add(self.temperature_c, settles_c, self.temperature_c)

    def _sour(self, dt_s: float) -> None:
        """Count the time too wet, once it has lasted; a moment of air starts the count anew."""
        np.less_equal(self.water_um, self._sour_above_um, self._is_airy)
        add(self._wet_for_s, dt_s, self._wet_for_s)
        np.copyto(self._wet_for_s, NOUGHT, where=self._is_airy)
        if self._wet_for_s.item(self._wet_for_s.argmax()) > self._soonest_sour_s:
            over_s = np.maximum(self._wet_for_s - self._sour_after_s, NOUGHT)
            self.sour_s += np.minimum(over_s, dt_s)

    def _each(self, name: str) -> FloatArray:
        """One figure of every plan, spread over its quarters: arrays of one shape cost least."""
        return np.array([[float(getattr(plan, name))] * QUARTERS for plan in self.plans])


def _by_zone(by_quarter: FloatArray) -> FloatArray:
    by_zone: FloatArray = by_quarter.dot(BY_QUARTER)
    return by_zone
