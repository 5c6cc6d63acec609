"""The films of water on the leaves of all benches, and where they go.

A bench is looked at in quarters (0 the driest, 3 the wettest, as the nozzles spread), each with two layers
of leaves (0 upper, in the light; 1 lower) of two sides (0 top, 1 under). A burst reaches each by its share;
what a side cannot hold drips, from the upper layer onto the lower and on to the medium; films evaporate by
the leaf's energy balance (`leaf_energy`, `drying`); a leaf under the dew point takes dew on both sides.

Rule: no water is lost or made. For each bench, whatever the steps:
applied + dew = missed + dripped + evaporated + drawn + film.

Depths are um of water over a square metre of bench; a quarter's are over its own area, and a bench's the
mean of its quarters. It knows no stomata, no medium, no beads of water that run together, and no nozzle: a
burst is a depth.
"""

from collections.abc import Sequence

import numpy as np
from numpy import add, divide, multiply, subtract

from simulators.plant.bench_air import BenchAir
from simulators.plant.drying import NOUGHT, ONE, Drying
from simulators.plant.leaf_energy import LATENT_HEAT_J_PER_UM, Floats, LeafAir, LeafDriving
from simulators.plant.leaf_plan import (
    LAYERS,
    QUARTERS,
    ROWS,
    SIDES,
    Catch,
    LeafPlan,
    spread_of_uniformity,
)
from simulators.plant.units import UM_PER_MM

__all__ = ["QUARTERS", "Canopy", "LeafAir", "LeafPlan", "spread_of_uniformity"]

MOST_LOST_IN_AIR = 0.15
LEAST_FILM_UM = 1e-12  # what divides where there is none
SHARE_OF_QUARTERS = np.full(QUARTERS, 1.0 / QUARTERS)
SHARE_OF_ROWS = np.full(ROWS, 1.0 / QUARTERS)  # the mean of quarters, the sum of layers


class Canopy:
    """The films on all benches, one step of them, and their water books.

    `film_um` and `wet_fraction` are (bench, quarter, layer, side), `leaf_c` (bench, quarter, layer),
    `fallen_um` (bench, quarter), totals since the start by bench. `film_um` is a view of what stands: to be
    read, never written. Inside, arrays run by side, row and bench: rows are the quarters of the upper leaves,
    then those of the lower. Nearly all have one shape, for numpy takes three times as long over two.
    """

    __slots__ = (
        "_air_c",
        "_bench_films",
        "_catches",
        "_caught_drips",
        "_driving",
        "_drying",
        "_dt_s",
        "_end_um_per_s",
        "_film",
        "_holds",
        "_inverse_holds",
        "_is_any_lost",
        "_is_stale",
        "_is_wet",
        "_leaf_area",
        "_mean_um_per_s",
        "_nothing",
        "_root",
        "_scratch",
        "_went",
        "_went_per_s",
        "_wet",
        "_wet_s",
        "_wet_time_s",
        "applied_um",
        "areas_m2",
        "bench_air",
        "dew_um",
        "drawn_um",
        "dripped_um",
        "evaporated_um",
        "fallen_um",
        "film_um",
        "lost_in_air_um",
        "missed_um",
    )

    def __init__(
        self, plans: Sequence[LeafPlan], areas_m2: Sequence[float], bench_air: BenchAir | None = None
    ) -> None:
        """Dry leaves; without `bench_air` each stands alone in the house's air."""
        self.bench_air = bench_air
        self.areas_m2 = np.array(areas_m2, dtype=np.float64)
        by_row = [np.repeat([plan.leaf_areas, plan.absorbed_shares], QUARTERS, axis=1) for plan in plans]
        self._leaf_area, absorbed_shares = np.stack(by_row, axis=2)
        self._driving = LeafDriving(np.array([plan.length_m for plan in plans]), absorbed_shares)
        by_bench = [plan.bench_holds_um().reshape(SIDES, ROWS) for plan in plans]
        self._holds = np.stack(by_bench, axis=2)
        self._inverse_holds = 1.0 / self._holds
        self._drying = Drying(self._holds, self._leaf_area)
        self._catches = [Catch(plan) for plan in plans]
        self._caught_drips = np.array([plan.drip_caught_share for plan in plans])
        self._make_films(len(plans))

    def _make_films(self, benches: int) -> None:
        self._film, self._root, self._wet, self._scratch, self._wet_s = (
            np.zeros_like(self._holds) for _ in range(5)
        )
        self._bench_films = [self._film.reshape(-1, benches)[:, bench] for bench in range(benches)]
        self._nothing = np.zeros_like(self._leaf_area)
        self._went = self._nothing  # what each leaf lost in the last step, less its dew
        self._is_stale = False  # films changed and `_root` did not follow
        self._is_wet = self._is_any_lost = False
        self._air_c, self._dt_s = 0.0, 1.0  # of the last step
        self._wet_time_s = 0.0
        self._went_per_s = np.zeros_like(self._leaf_area)
        self._mean_um_per_s = self._end_um_per_s = np.zeros(benches)  # what films gave in the last step
        self.film_um = _by_bench(self._film)
        self.fallen_um = np.zeros((benches, QUARTERS))  # missed and dripped since last taken
        self.lost_in_air_um = np.zeros(benches)  # by droplets since the last step
        self.applied_um, self.missed_um, self.dripped_um, self.evaporated_um, self.dew_um, self.drawn_um = (
            np.zeros(benches) for _ in range(6)
        )

    @property
    def wet_fraction(self) -> Floats:
        """Deardorff (1978): (w / wmax)^(2/3)."""
        self._follow_films()
        return _by_bench(self._wet.copy())

    @property
    def leaf_c(self) -> Floats:
        """Mean of the last step: above the air by as much as a dry leaf, less what evaporation takes."""
        latent_w = self._went / self._leaf_area * (LATENT_HEAT_J_PER_UM / self._dt_s)
        leaf_c = self._driving.dry_rise_c - latent_w / self._driving.loss_w_per_k + self._air_c
        return _by_bench(leaf_c)

    def take_mean_wet_fraction(self) -> Floats:
        """Mean over the steps since last taken, each as it ended; as it is now if there were none."""
        if not self._wet_time_s:
            return self.wet_fraction
        mean = self._wet_s / self._wet_time_s
        self._wet_s.fill(0.0)
        self._wet_time_s = 0.0
        return _by_bench(mean)

    def take_fallen_um(self) -> Floats:
        """What missed and dripped since last taken, by bench and quarter, for the medium."""
        fallen_um = self.fallen_um.copy()
        self.fallen_um.fill(0.0)
        return fallen_um

    def wet_through(self) -> None:
        """Fill every upper side, as when trays are misted in by hand; no part of any total."""
        self._film[0] = self._holds[0]
        self._is_stale = self._is_wet = True

    def draw(self, wanted_um: Floats) -> Floats:
        """Let cuttings take in water through their wet leaves, from each film by its share of what there is.

        `wanted_um` and the answer, what there was of it, are by bench and quarter.
        """
        there_um = self._by_quarter()
        taken_share = np.minimum(1.0, wanted_um.T / np.maximum(there_um, LEAST_FILM_UM))
        self._film.reshape(SIDES * LAYERS, QUARTERS, -1)[:] *= 1.0 - taken_share
        drawn_um: Floats = (there_um - self._by_quarter()).T
        self.drawn_um += drawn_um.dot(SHARE_OF_QUARTERS)
        self._is_stale = True
        return drawn_um

    def _by_quarter(self) -> Floats:
        """The films of a quarter together, (quarter, bench)."""
        by_quarter: Floats = self._film.reshape(SIDES * LAYERS, QUARTERS, -1).sum(axis=0)
        return by_quarter

    def litres(self, depths_um: Floats) -> float:
        """Water of depths by bench, over all benches."""
        return float(np.dot(depths_um, self.areas_m2)) / UM_PER_MM

    def spray(self, zone: int, applied_um: float) -> None:
        """Take a depth of mist over one bench; of its droplets a share evaporates before they land."""
        catch = self._catches[zone]
        lost_um = applied_um * min(MOST_LOST_IN_AIR, catch.lost_in_air_per_kpa * self._driving.deficit_kpa)
        landed_um = applied_um - lost_um
        film, fallen_um = self._bench_films[zone], self.fallen_um[zone]
        films_um, falls_um = film.tolist(), fallen_um.tolist()
        dripped_um = catch.take(films_um, falls_um, landed_um)
        film[:], fallen_um[:] = films_um, falls_um
        self.applied_um[zone] += applied_um
        self.missed_um[zone] += landed_um * catch.missed_share
        if dripped_um:
            self.dripped_um[zone] += dripped_um
        if lost_um:
            self.evaporated_um[zone] += lost_um
            self.lost_in_air_um[zone] += lost_um
            self._is_any_lost = True
        self._is_stale = self._is_wet = True

    def step(self, dt_s: float, air: LeafAir) -> Floats:
        """Let films dry or dew fall for `dt_s` in this air; return what went into the air, by bench.

        In um over each bench, droplets that evaporated since the last step included; negative where more dew
        fell. `leaf_c` is then the mean of the step.
        """
        driving = self._driving
        if self.bench_air is not None:
            self.bench_air.expect(self._expected_um_per_s())
        driving.follow(air, self.bench_air)
        self._dt_s, self._air_c = dt_s, air.temperature_c
        is_dew_only = driving.may_take_dew and driving.potential_um_per_s.max() < 0.0
        if self._is_wet and not is_dew_only:
            self._evaporate(dt_s)
        else:
            self._went = self._nothing
        evaporated_um: Floats = SHARE_OF_ROWS.dot(self._went)
        add(self.evaporated_um, evaporated_um, self.evaporated_um)
        if self.bench_air is not None:
            self._mean_um_per_s = evaporated_um / dt_s
            self._end_um_per_s = self._um_per_s()
        if self._is_any_lost:
            add(evaporated_um, self.lost_in_air_um, evaporated_um)
            self.lost_in_air_um.fill(0.0)
            self._is_any_lost = False
        if driving.may_take_dew:
            subtract(evaporated_um, self._take_dew(dt_s), evaporated_um)
        self._note_wetness(dt_s)
        return evaporated_um

    def _expected_um_per_s(self) -> Floats:
        """What films will give over the coming step, by bench, were the air to stay as it was.

        As they stand now, after what was sprayed, and falling as they fell over the step before.
        """
        begin: Floats = self._um_per_s() if self._is_stale else self._end_um_per_s
        expected: Floats = begin + self._end_um_per_s
        subtract(expected, self._mean_um_per_s, expected)
        np.minimum(expected, begin, out=expected)
        np.maximum(expected, NOUGHT, out=expected)
        return expected

    def _um_per_s(self) -> Floats:
        """What films as wet as they are now give to the air of the last step, by bench."""
        self._follow_films()
        driving, rate, both = self._driving, self._went_per_s, self._scratch[0]
        add(self._wet[0], self._wet[1], both)
        multiply(driving.cooling, both, rate)
        add(rate, ONE, rate)
        divide(both, rate, rate)
        multiply(rate, self._leaf_area, rate)
        multiply(rate, np.maximum(driving.potential_um_per_s, NOUGHT, out=both), rate)
        given: Floats = SHARE_OF_ROWS.dot(rate)
        return given

    def _follow_films(self) -> None:
        if self._is_stale:
            multiply(self._film, self._inverse_holds, self._root)
            np.cbrt(self._root, self._root)
            multiply(self._root, self._root, self._wet)
            self._is_stale = False

    def _evaporate(self, dt_s: float) -> None:
        """Let all films dry; leave in `_went` what each leaf lost."""
        self._follow_films()
        driving, root = self._driving, self._root
        potential, cooling = driving.potential_um_per_s, driving.cooling
        self._went = self._drying.dry(self._film, root, potential, cooling, dt_s)
        multiply(root, root, self._wet)
        self._is_wet = root.item(root.argmax()) > 0.0

    def _take_dew(self, dt_s: float) -> Floats:
        """Let dew fall on both sides of leaves under the dew point; return how much, by bench."""
        driving = self._driving
        fallen = np.maximum(-driving.potential_um_per_s, 0.0) / (1.0 + 2.0 * driving.cooling)
        fallen *= dt_s * self._leaf_area
        self._film += fallen
        fallen *= float(SIDES)
        self._went = self._went - fallen
        dew_um: Floats = SHARE_OF_ROWS.dot(fallen)
        self.dew_um += dew_um
        self._is_stale = self._is_wet = True
        over = subtract(self._film, self._holds, self._scratch)
        if over.item(over.argmax()) > 0.0:
            self._spill(over)
        return dew_um

    def _spill(self, over: Floats) -> None:
        """Take from films what is over, some of the upper layer's onto the lower, the rest to the medium.

        `over` is negative where there is room.
        """
        np.maximum(over, NOUGHT, out=over)
        self._film -= over
        upper, lower = over[0, :QUARTERS] + over[1, :QUARTERS], over[0, QUARTERS:] + over[1, QUARTERS:]
        caught = upper * self._caught_drips
        film = self._film[0, QUARTERS:]
        film += caught
        spilled = np.maximum(film - self._holds[0, QUARTERS:], 0.0)
        film -= spilled
        dripped = upper - caught + spilled + lower
        self.fallen_um += dripped.T
        self.dripped_um += SHARE_OF_QUARTERS.dot(dripped)

    def _note_wetness(self, dt_s: float) -> None:
        """Add up the wet fraction by time, for those who look now and then."""
        self._follow_films()
        multiply(self._wet, dt_s, self._scratch)
        add(self._wet_s, self._scratch, self._wet_s)
        self._wet_time_s += dt_s


def _by_bench(values: Floats) -> Floats:
    """What runs by (side,) row and bench as a view of bench, quarter, layer (, side)."""
    return values.reshape(*values.shape[:-2], LAYERS, QUARTERS, -1).transpose()
