"""The air among the leaves of a bench: moister than the house's, for what evaporates has to get away first.

A leaf on a bench is no leaf alone in the wind. Vapour passes its own boundary layer and then that of the
whole bench. The second is taken as the plate of Campbell & Norman (1998) eq. 7.30 as wide as a bench, made
rough by leaves. The share of the pull that the bench holds back follows from how freely its leaves are
expected to give vapour over the step: by their wetness now, and how it fell in the step before. The pull
itself is always that of now, so that no step overshoots. (With the step before alone, dry minutes would move
by 2 % when steps are halved; with the wetness now alone, by as much as 14 %.)

It does not know how leaves lose water. Rule: air among leaves is never past saturation by their own vapour.
"""

from math import sqrt

import numpy as np
from numpy import add, divide, maximum, multiply, subtract

from simulators.plant.leaf_energy import (
    LENGTH_SHARE_OF_WIDTH,
    VAPOUR_CONDUCTANCE,
    WATER_G_PER_MOL,
    Floats,
    LeafAir,
)

BENCH_WIDTH_M = 1.5  # ours
ROUGHER_THAN_A_PLATE = 2.5  # leaves and tray edges stir what a plate would not; ours
LEAST_PULL_KPA = np.array(1e-3)
NOUGHT = np.array(0.0)


class BenchAir:
    """By how much the air among the leaves of each bench is moister than the house's."""

    __slots__ = (
        "_freedom",
        "_kpa_per_um_per_s",
        "_left_kpa",
        "_reference_kpa",
        "_wanted_kpa",
        "held_share",
        "moister_kpa",
        "other_um_per_s",
    )

    def __init__(self, benches: int) -> None:
        self._freedom = (
            ROUGHER_THAN_A_PLATE * VAPOUR_CONDUCTANCE / sqrt(LENGTH_SHARE_OF_WIDTH * BENCH_WIDTH_M)
        )
        self._kpa_per_um_per_s = 0.0  # of what passes from the bench to the house, in the last step
        self._reference_kpa, self._wanted_kpa, self._left_kpa = (np.zeros(benches) for _ in range(3))
        self.held_share = np.zeros(benches)  # of the pull on the lower leaves
        self.moister_kpa = np.zeros(benches)  # in the step that was, or is under way
        self.other_um_per_s = np.zeros(benches)  # from cuttings and medium, beside the films; never under 0

    def conductance_mol_per_m2_s(self, speed_m_per_s: float) -> float:
        """From among the leaves to the house, for vapour.

        >>> round(BenchAir(1).conductance_mol_per_m2_s(0.3), 3)
        0.271
        """
        return self._freedom * sqrt(speed_m_per_s)

    def expect(self, um_per_s: Floats) -> None:
        """Take it that the leaves will give so much vapour to the air that was, never under 0."""
        wanted_kpa, left_kpa = self._wanted_kpa, self._left_kpa
        add(um_per_s, self.other_um_per_s, wanted_kpa)
        multiply(wanted_kpa, self._kpa_per_um_per_s, wanted_kpa)
        subtract(self._reference_kpa, self.moister_kpa, left_kpa)
        maximum(left_kpa, LEAST_PULL_KPA, out=left_kpa)
        add(wanted_kpa, left_kpa, left_kpa)
        divide(wanted_kpa, left_kpa, self.held_share)

    def meet(self, pull_kpa: Floats, air: LeafAir) -> Floats:
        """Take up a step with this pull on the lower leaves (bench,); return how much moister it is there."""
        conductance = self.conductance_mol_per_m2_s(air.speed_m_per_s)
        self._kpa_per_um_per_s = air.pressure_kpa / WATER_G_PER_MOL / conductance
        maximum(pull_kpa, NOUGHT, out=self._reference_kpa)
        return multiply(self.held_share, self._reference_kpa, self.moister_kpa)
