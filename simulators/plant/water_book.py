"""The water of the whole house, from the street to the drain: what came in, what is there, what left.

Everything is in litres, summed over all parts from their own totals, so that water lost on its way from one
part to another shows here. Rule: came in = stands + left, since the start, to rounding.
"""

from dataclasses import dataclass

import numpy as np

from simulators.plant.plant import Plant, Values
from simulators.plant.units import UM_PER_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterBook:
    """The house's water at one instant, in litres."""

    came_in_l: float  # from the street, and in cuttings and trays that were brought in
    stands_l: float  # in tank and lines, on leaves, in cuttings, medium and air
    left_l: float  # drained, leached, leaked, run over, carried out, vented and condensed

    def error_l(self, began: "WaterBook") -> float:
        """Water made, or lost (negative), since another book of the same house."""
        left_l, came_in_l = self.left_l - began.left_l, self.came_in_l - began.came_in_l
        return self.stands_l - began.stands_l + left_l - came_in_l


def water_book(plant: Plant) -> WaterBook:
    """The book as it stands."""
    water, cuttings, medium = plant.waterworks, plant.cuttings, plant.medium
    vapour, floor_m2 = plant.climate.vapour, plant.plan.shell.floor_area_m2
    sprayed_l = sum(line.sprayed_l for line in water.lines.values())
    on_benches_l = _litres(plant, cuttings.brought_in_um + medium.brought_in_um)
    carried_out_l = _litres(plant, cuttings.carried_out_um + medium.carried_out_um)
    return WaterBook(
        came_in_l=water.taken_in_l + on_benches_l,
        stands_l=water.standing_l + _on_benches_l(plant) + plant.climate.vapour_held_kg + plant.vapour_due_kg,
        left_l=water.gone_l
        - sprayed_l
        + _litres(plant, medium.drained_um)
        + carried_out_l
        + (vapour.vented_kg + vapour.condensed_kg) * floor_m2,
    )


def _on_benches_l(plant: Plant) -> float:
    """On leaves and on the way to and from them, in cuttings and in the medium."""
    canopy = plant.canopy
    film_um = canopy.film_um.sum(axis=(2, 3)).mean(axis=1)
    underway_um = canopy.lost_in_air_um + plant.landing_um - plant.owed_um.mean(axis=1)
    by_quarter_um = canopy.fallen_um + plant.cuttings.tissue_um + plant.medium.water_um
    return _litres(plant, film_um + underway_um + by_quarter_um.mean(axis=1))


def _litres(plant: Plant, depths_um: Values) -> float:
    return float(np.dot(depths_um, plant.areas_m2)) / UM_PER_MM
