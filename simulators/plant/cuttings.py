"""The cuttings themselves: the water in their tissue, how they lose it and get it back, and how they root.

Four quarters to a bench, two layers of leaves to a quarter. Water is lost by dry leaf through cuticle and
stomata, and comes back through wet leaves, the cut stem base and, later, roots. Nothing here says when a
cutting wilts: it wilts when its tissue has lost enough. Every micrometre is accounted for:
tissue = brought in + taken up + absorbed - transpired - carried out.

It does not know how films form or dry, nor what a leaf's temperature is: it is told both. It knows no death,
no disease, no feeding, and all cuttings of a quarter are alike. All depths are micrometres of bench.
"""

from collections.abc import Sequence
from math import exp, sqrt
from typing import Protocol

import numpy as np
import numpy.typing as npt
from numpy import add, divide, maximum, minimum, multiply, subtract

from simulators.plant.cutting_plan import POINSETTIA, SEMI_RIPE, SOFT, CuttingPlan, FloatArray, RootingPace
from simulators.plant.units import SECONDS_PER_DAY, UM_PER_MOL

__all__ = ["POINSETTIA", "SEMI_RIPE", "SOFT", "CuttingPlan", "Cuttings"]

QUARTERS = 4
LAYERS, SIDES = 2, 2  # 0 upper, 1 lower; 0 top, 1 under
ROWS = LAYERS * QUARTERS  # of leaves on a bench
# FAO-56 eq. 11 over water, 0.6108 exp(17.27 T / (T + 237.3)), written FACTOR exp(-SLOPE / (T + OFFSET)).
TETENS_OFFSET_C = 237.3
TETENS_SLOPE_C = 17.27 * TETENS_OFFSET_C
TETENS_FACTOR_KPA = 0.6108 * exp(17.27)
# Campbell & Norman (1998) eq. 7.30, vapour, with the factor 1.4 of sect. 7.13; 0.72 from width to length.
BOUNDARY_LAYER = 1.4 * 0.147
LENGTH_SHARE_OF_WIDTH = 0.72
STILLEST_M_PER_S = 0.05  # warm leaves stir the air themselves; ours
PORES_BY_SIDE = np.array([0.3, 0.7])  # most stomata sit underneath; the split is ours
BY_QUARTER = np.full(QUARTERS, 1.0 / QUARTERS)
# As arrays, because numpy takes twice as long over a number of Python's.
NOUGHT, ONE, PER_TETENS_FACTOR = np.array(0.0), np.array(1.0), np.array(1.0 / TETENS_FACTOR_KPA)
TETENS_SLOPE, TETENS_OFFSET = np.array(-TETENS_SLOPE_C), np.array(TETENS_OFFSET_C)
FLOWS = 3  # transpired, taken up from the medium, absorbed by the leaves
# Acclimation, callus and roots change over days: they are brought up to date at least this often.
SLOW_STEP_S = 1800.0

# How far a medium suits rooting: best at 85 to 95 % of what it can hold (Faust, Dole & Lopez 2017 p. 152,
# read here as of container capacity); outside it falls in straight lines, which are ours.
MOISTURE_SHARES = (0.30, 0.85, 0.95, 1.10)
ROOTING_AT_MOISTURE = (0.0, 1.0, 1.0, 0.3)
# What a stem or root can draw from a medium as it dries; ours.
DRY_MEDIUM_SHARE = 0.15  # nothing left to draw
MOIST_MEDIUM_SHARE = 0.50  # draws freely from here up
ROOTING_WHILE_WILTED = 0.25  # of the pace of a turgid cutting; ours
STICKING_LASTS_DAYS = 1.0  # ours; after it stage 2 begins
FULLY_ROOTED = 1.0  # rooted share at which stage 4 begins


class AirAtLeaves(Protocol):
    """What this file needs to know of the air."""

    @property
    def vapour_pressure_kpa(self) -> float: ...
    @property
    def speed_m_per_s(self) -> float: ...
    @property
    def pressure_kpa(self) -> float: ...


class Cuttings:
    """The cuttings on all benches, as they stand.

    Arrays are (zones, quarters); totals, per zone, run from the start. Inside, quarters are (quarters, zones)
    and leaves (rows, zones), the quarters of the upper layer, then those of the lower: numpy's cost is by the
    call and threefold for unlike shapes, so nearly all is of these two and worked out in place.
    """

    def __init__(self, plans: Sequence[CuttingPlan]) -> None:
        self.plans = tuple(plans)
        zones = len(self.plans)
        self._shape = (zones, QUARTERS)
        self._lay_out_leaves()
        self._lay_out_cuttings()
        self._make_room()
        self._dt_s = self._pressure_kpa = 1.0
        self._days = np.zeros(zones)
        self._grown_ago_s = self._grows_after_s = 0.0
        self._moisture_share = np.ones(self._shape)
        self.initiated_share = np.zeros(self._shape)  # of the way to the first root
        self.rooted_share = np.zeros(self._shape)
        self._tissue = self._full * self._each("delivered_share")[:, 0]
        self._tissue_um = self._tissue.T
        self.brought_in_um, self.carried_out_um = BY_QUARTER @ self._tissue, np.zeros(zones)
        self.absorbed_um = np.zeros(self._shape)  # by the leaves out of their film, in the last step
        self._flows_um = np.zeros((FLOWS, QUARTERS, zones))
        self._set_abilities()

    @property
    def days(self) -> FloatArray:
        """Since sticking, per zone."""
        return self._days + self._grown_ago_s / SECONDS_PER_DAY

    @property
    def tissue_um(self) -> FloatArray:
        return self._tissue_um.copy()

    @property
    def tissue_share(self) -> FloatArray:
        """Water in the tissue, of what it holds at full turgor."""
        return self._tissue_um / self._full_um

    @property
    def is_wilted(self) -> npt.NDArray[np.bool_]:
        return self.tissue_share < self._wilts_share

    @property
    def transpired_um(self) -> FloatArray:
        """Per zone, since the start; so are the next two."""
        return _mean_of_quarters(self._flows_um[0])

    @property
    def taken_up_um(self) -> FloatArray:
        return _mean_of_quarters(self._flows_um[1])

    @property
    def absorbed_in_all_um(self) -> FloatArray:
        return _mean_of_quarters(self._flows_um[2])

    @property
    def stage(self) -> npt.NDArray[np.int64]:
        """1 sticking, 2 callusing, 3 root development, 4 toning."""
        callusing = self.days[:, np.newaxis] >= STICKING_LASTS_DAYS
        rooting = self.initiated_share >= 1.0
        toning = self.rooted_share >= FULLY_ROOTED
        return 1 + (callusing | rooting).astype(np.int64) + rooting + toning

    def restick(self, zone: int) -> None:
        """Clear a bench and stick a new batch: tissue as delivered, no roots, day nought."""
        self.carried_out_um[zone] += float(self._tissue_um[zone] @ BY_QUARTER)
        self._tissue_um[zone] = self._full_um[zone] * self.plans[zone].delivered_share
        self.brought_in_um[zone] += float(self._tissue_um[zone] @ BY_QUARTER)
        self._days[zone] = -self._grown_ago_s / SECONDS_PER_DAY
        self.initiated_share[zone] = 0.0
        self.rooted_share[zone] = 0.0
        self._set_abilities()

    def step(
        self,
        dt_s: float,
        air: AirAtLeaves,
        leaf_c: FloatArray,
        wet_fraction: FloatArray,
        medium_c: FloatArray,
        medium_share: FloatArray,
        light_w_per_m2: float,
        moister_kpa: FloatArray | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Live for a step in which air, films and medium stand still.

        The loss is taken as straight in the tissue's water over the step, which makes the balance a linear
        one; its exponential is replaced by 1 / (1 + z + z^2 / 2), which never overshoots at any step.

        Args:
            dt_s: 0.001 to 600 s.
            air: around the leaves.
            leaf_c: (zones, quarters, layers).
            wet_fraction: (zones, quarters, layers, sides).
            medium_c: (zones, quarters); looked at each SLOW_STEP_S, as is the next.
            medium_share: (zones, quarters), water held, of container capacity.
            light_w_per_m2: global radiation on the upper leaves.
            moister_kpa: (zones,), vapour pressure among the leaves above that of `air`; None: nought.

        Returns:
            Transpired, per zone, and taken up from the medium, per zone and quarter, in um of bench. What
            came in through the leaves stands in `absorbed_um`; it is the film's loss.
        """
        if self._grown_ago_s >= self._grows_after_s:
            self._grow(medium_c, medium_share)
        if dt_s != self._dt_s or air.pressure_kpa != self._pressure_kpa:
            self._dt_s, self._pressure_kpa = dt_s, air.pressure_kpa
            self._set_scales()
        np.dot(PORES_BY_SIDE, wet_fraction.T.reshape(SIDES, -1), self._flat_wet)
        multiply(self._tissue, self._per_full, self._upper_share)
        self._lower_share[:] = self._upper_share
        self._see_pull(air, leaf_c, moister_kpa)
        self._answer_to_drying()
        if light_w_per_m2 != self._light_w_per_m2:
            self._open_to_light(light_w_per_m2)
        self._lose(sqrt(max(air.speed_m_per_s, STILLEST_M_PER_S)))
        return self._live(dt_s)

    def _live(self, dt_s: float) -> tuple[FloatArray, FloatArray]:
        """Lose and drink for a step, and keep the water book; return what `step` does."""
        missing, absorbs, gains, ahead, rise = self._balance
        multiply(self._absorbs, self._wet, self._wet)
        add(*self._wet_by_layer, absorbs)
        add(absorbs, self._draws_now, gains)
        subtract(self._full, self._tissue, missing)
        add(self._slope, gains, ahead)
        add(ahead, ONE, ahead)
        multiply(gains, missing, rise)
        subtract(rise, self._loss, rise)
        divide(ONE, ahead, gains)
        add(ahead, gains, ahead)
        divide(rise, ahead, rise)
        subtract(missing, rise, missing)  # now the mean over the step

        flows_um = np.empty_like(self._flows_um)
        transpired_um, taken_up_um, absorbed_um = flows_um
        multiply(self._slope, rise, transpired_um)
        add(transpired_um, self._loss, transpired_um)
        multiply(self._draws_now, missing, taken_up_um)
        multiply(absorbs, missing, absorbed_um)
        subtract(self._tissue, transpired_um, self._tissue)
        add(self._tissue, taken_up_um, self._tissue)
        add(self._tissue, absorbed_um, self._tissue)
        add(self._flows_um, flows_um, self._flows_um)
        self._grown_ago_s += dt_s
        self.absorbed_um = absorbed_um.T
        return _mean_of_quarters(transpired_um), taken_up_um.T

    def _see_pull(self, air: AirAtLeaves, leaf_c: FloatArray, moister_kpa: FloatArray | None) -> None:
        """How much more vapour the dry part of each leaf holds than its air.

        As what that carries off in a step, in um to a mol of conductance. Dew is the film's affair.
        """
        pull, around = self._pull, self._around
        add(leaf_c.T.reshape(ROWS, -1), TETENS_OFFSET, pull)
        divide(TETENS_SLOPE, pull, pull)
        np.exp(pull, pull)
        vapour = air.vapour_pressure_kpa / TETENS_FACTOR_KPA
        around[:] = vapour if moister_kpa is None else moister_kpa * PER_TETENS_FACTOR + vapour
        subtract(pull, around, pull)
        maximum(pull, NOUGHT, out=pull)
        dry = subtract(ONE, self._wet, around)
        multiply(pull, dry, pull)
        multiply(pull, self._carries, pull)

    def _answer_to_drying(self) -> None:
        """How far stomata stand open for the water in the tissue, and how that grows with it.

        They shut in a straight line as the tissue dries, as far as they answer to drying at all; those of a
        limp leaf fall shut whether they answer or not; what never shuts passes less in proportion to the
        water left, so that none is lost that is not there.
        """
        share, shut, raw, growing = self._share, self._shut, self._raw, self._growing
        limp, within = self._shut_by_cause
        limp_grows, within_grows = self._growing_by_cause
        answer, grows = self._opening, self._opening_grows
        multiply(share, self._limp_slope, limp)
        multiply(share, self._closing_slope, within)
        subtract(shut, self._shut_offsets, raw)
        maximum(raw, NOUGHT, out=shut)
        minimum(shut, ONE, out=shut)
        np.equal(shut, raw, self._is_between)
        growing.fill(0.0)
        np.copyto(growing, self._grows_between, where=self._is_between)
        multiply(within, self._answering, within)
        multiply(self._unanswering, share, answer)
        add(answer, within, answer)
        multiply(limp_grows, answer, limp_grows)
        add(within_grows, self._unanswering_per_um, grows)
        multiply(grows, limp, grows)
        add(grows, limp_grows, grows)
        multiply(answer, limp, answer)

    def _open_to_light(self, light_w_per_m2: float) -> None:
        """Stomata as they stand in this light, before drying."""
        self._light_w_per_m2 = light_w_per_m2
        shut_share = self._shut_in_dark_share / (self._per_half_open * light_w_per_m2 + 1.0)
        self._pores = self._wide_open - self._wide_open * shut_share

    def _lose(self, speed_root: float) -> None:
        """Put in `_loss` a step's transpiration as it is now, in `_slope` how it grows with tissue.

        Leaf and boundary layer in series.
        """
        pull, leaf, grows, series, boundary = self._pull, self._opening, self._opening_grows, *self._series
        multiply(grows, self._pores, grows)
        add(grows, self._cuticle_per_um, grows)
        multiply(leaf, self._pores, leaf)
        multiply(self._cuticle, self._share, series)
        add(leaf, series, leaf)
        multiply(self._boundary, speed_root, boundary)
        add(leaf, boundary, series)
        divide(boundary, series, series)
        multiply(pull, series, pull)
        multiply(leaf, pull, leaf)
        multiply(pull, series, pull)
        multiply(grows, pull, grows)
        add(*self._leaf_by_layer, self._loss)
        add(*self._grows_by_layer, self._slope)

    def _grow(self, medium_c: FloatArray, medium_share: FloatArray) -> None:
        """Bring up to date what changes over days: roots, acclimation, and what stem and roots can draw."""
        days = self._grown_ago_s / SECONDS_PER_DAY
        self._days += days
        pace = days * np.interp(medium_share, MOISTURE_SHARES, ROOTING_AT_MOISTURE)
        pace *= np.where(self.is_wilted, ROOTING_WHILE_WILTED, 1.0)
        has_roots = self.initiated_share >= 1.0
        self.rooted_share += has_roots * pace * self._elongation.pace(medium_c)
        self.initiated_share += pace * self._initiation.pace(medium_c)
        np.minimum(self.rooted_share, 1.0, out=self.rooted_share)
        np.minimum(self.initiated_share, 1.0, out=self.initiated_share)
        self._moisture_share = medium_share.copy()
        self._grown_ago_s, self._grows_after_s = 0.0, SLOW_STEP_S
        self._set_abilities()

    def _set_abilities(self) -> None:
        """What the cuttings of this day can draw, and how their stomata answer to drying and to the dark."""
        days = np.maximum(self._days, 0.0)
        within = (self._moisture_share - DRY_MEDIUM_SHARE) / (MOIST_MEDIUM_SHARE - DRY_MEDIUM_SHARE)
        draws = self._stem * np.exp(-days / self._stem_falls_days) + self._roots * self.rooted_share.T
        self._draws = draws * np.minimum(np.maximum(within, 0.0), 1.0).T * self._per_full
        self._unanswering[:] = self._unlearnt * np.exp(-days / self._acclimation_days)
        self._answering = 1.0 - self._unanswering
        self._unanswering_per_um = self._unanswering * self._per_full_by_row
        multiply(self._closing_slope_per_um, self._answering, self._grows_between[1])
        self._shut_in_dark_share[:] = 1.0 - self._dark_open_share * np.exp(-days / self._dark_falls_days)
        self._light_w_per_m2 = -1.0  # not seen yet
        self._set_scales()

    def _set_scales(self) -> None:
        """What a mole fraction of vapour carries off in a step, and what a share of water missing draws."""
        self._carries = self._leaf_areas * (self._dt_s * TETENS_FACTOR_KPA * UM_PER_MOL / self._pressure_kpa)
        self._absorbs = self._foliar * self._dt_s
        self._draws_now = self._draws * self._dt_s

    def _lay_out_leaves(self) -> None:
        """Spread what the plans say of leaves over arrays with a place for each."""
        closing = self._each("closing_begins_share") - self._each("closed_share")
        limp = self._each("wilts_share") - self._each("limp_shut_share")
        self._limp_slope, self._closing_slope = self._by_row(1.0 / limp), self._by_row(1.0 / closing)
        limp_offset = self._by_row(self._each("limp_shut_share") / limp)
        self._shut_offsets = np.array([limp_offset, self._by_row(self._each("closed_share") / closing)])
        self._leaf_areas = self._by_row(self._each("upper_leaf_area"), self._each("lower_leaf_area"))
        self._cuticle = self._by_row(self._each("cuticle_mol_per_m2_s"))
        self._wide_open = self._by_row(self._each("stomata_mol_per_m2_s"))
        per_half_open = 1.0 / self._each("half_open_w_per_m2")
        self._per_half_open = self._by_row(per_half_open, per_half_open * self._each("lower_light_share"))
        length_m = LENGTH_SHARE_OF_WIDTH * self._each("leaf_width_m")
        self._boundary = self._by_row(BOUNDARY_LAYER / np.sqrt(length_m))
        self._per_full_by_row = self._by_row(1.0 / self._of_leaf("water_um"))
        self._closing_slope_per_um = self._closing_slope * self._per_full_by_row
        self._grows_between = np.array([self._limp_slope, self._closing_slope]) * self._per_full_by_row
        self._cuticle_per_um = self._cuticle * self._per_full_by_row
        self._foliar = self._by_row(self._each("foliar_um_per_s")) * self._leaf_areas * self._per_full_by_row

    def _make_room(self) -> None:
        """Where a step is worked out, with views of its halves."""
        leaves, quarters = self._leaf_areas, self._full
        self._wet, self._share, self._pull, self._around, self._opening, self._opening_grows = (
            np.zeros_like(leaves) for _ in range(6)
        )
        self._unanswering, self._shut_in_dark_share, *self._series = (np.zeros_like(leaves) for _ in range(4))
        self._flat_wet = self._wet.reshape(-1)
        self._wet_by_layer = _layers(self._wet)
        self._upper_share, self._lower_share = _layers(self._share)
        self._leaf_by_layer, self._grows_by_layer = _layers(self._opening), _layers(self._opening_grows)
        self._raw, self._shut, self._growing = (np.zeros_like(self._shut_offsets) for _ in range(3))
        self._is_between = np.zeros(self._raw.shape, dtype=np.bool_)
        self._shut_by_cause, self._growing_by_cause = tuple(self._shut), tuple(self._growing)
        self._balance = tuple(np.zeros_like(quarters) for _ in range(5))
        self._loss, self._slope = np.zeros_like(quarters), np.zeros_like(quarters)

    def _lay_out_cuttings(self) -> None:
        """The same for whole cuttings, a place to each quarter; columns for what changes over days."""
        self._full_um = self._of_leaf("water_um")
        self._full = np.repeat(self._full_um.T, QUARTERS, axis=0)
        self._per_full = 1.0 / self._full
        self._stem = (self._of_leaf("stem_um_per_s") * self._each("stem_contact_share"))[:, 0]
        self._stem_falls_days = self._each("stem_falls_days")[:, 0]
        self._roots = self._of_leaf("roots_um_per_s")[:, 0]
        self._unlearnt = 1.0 - self._each("fresh_response_share")[:, 0]
        self._acclimation_days = self._each("acclimation_days")[:, 0]
        self._dark_open_share = self._each("dark_open_share")[:, 0]
        self._dark_falls_days = self._each("dark_falls_days")[:, 0]
        self._wilts_share = self._each("wilts_share")
        self._initiation = RootingPace([plan.initiation for plan in self.plans], self._each("emerges_days"))
        self._elongation = RootingPace([plan.elongation for plan in self.plans], self._each("fills_days"))

    def _each(self, name: str) -> FloatArray:
        """One figure of every plan, as a column."""
        return np.array([[float(getattr(plan, name))] for plan in self.plans])

    def _of_leaf(self, name: str) -> FloatArray:
        """One figure of every plan given per area of leaf, as a column, per area of bench."""
        return self._each(name) * self._each("leaf_area")

    def _by_row(self, upper: FloatArray, lower: FloatArray | None = None) -> FloatArray:
        """Columns for upper and lower leaves spread over their places; None: alike."""
        return np.repeat([upper[:, 0], (upper if lower is None else lower)[:, 0]], QUARTERS, axis=0)


def _mean_of_quarters(by_quarter: FloatArray) -> FloatArray:
    by_zone: FloatArray = BY_QUARTER.dot(by_quarter)
    return by_zone


def _layers(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    return rows[:QUARTERS], rows[QUARTERS:]
