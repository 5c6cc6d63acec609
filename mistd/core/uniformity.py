"""How evenly a bench is wetted and how fast, from cans set out on it.

Equal cans stand on a grid, the zone runs, and what each caught is measured. Evenness is a ratio, so any unit
serves if it is one for all; the names here say ml. Answers are fractions: a perfectly even bench gives 1.

This file knows no zone and no record. Rule: a wrong catch is refused, never left out: an empty can is a dry
place or a fallen can, and only the grower knows which.

Norms for overhead watering: Christiansen's coefficient 0.84 or more, low quarter 0.75 or more (Ascough &
Kiker 2002, Water SA 28:235); mist on cuttings is judged by the low quarter, where they wilt first.
"""

from collections.abc import Sequence
from math import floor, fsum, isfinite, sqrt

from mistd.core.refusals import refuse_unless_positive
from mistd.core.units import S_PER_HOUR, S_PER_MIN

FEWEST_CANS = 2  # one can is always even; 16 or more say something: common practice, no source

_MM3_PER_ML = 1000.0
_MM2_PER_CM2 = 100.0


def christiansen_uniformity(caught_ml: Sequence[float]) -> float:
    """Christiansen's coefficient (1942): 1 less the mean departure from the mean over the mean.

    At most 1; under nought when most cans are empty.

    Raises:
        ValueError: fewer than two cans, a catch that is negative or no number, or nothing caught.

    >>> round(christiansen_uniformity([8.0, 10.0, 12.0, 10.0, 10.0]), 3)
    0.92
    """
    mean_ml = _mean_ml(caught_ml)
    return 1.0 - fsum(abs(catch_ml - mean_ml) for catch_ml in caught_ml) / (len(caught_ml) * mean_ml)


def low_quarter_uniformity(caught_ml: Sequence[float]) -> float:
    """Distribution uniformity: the mean of the lowest quarter of the cans over the mean of all.

    The quarter is `low_quarter_cans`.

    Raises:
        ValueError: as in `christiansen_uniformity`.

    >>> round(low_quarter_uniformity([8.0, 10.0, 12.0, 10.0, 10.0]), 3)
    0.8
    """
    mean_ml = _mean_ml(caught_ml)
    low = sorted(caught_ml)[: low_quarter_cans(len(caught_ml))]
    return fsum(low) / len(low) / mean_ml


def low_quarter_cans(cans: int) -> int:
    """How many cans make the low quarter: n/4 rounded, a half upwards, and never none.

    No standard seen says what to do when n is not a multiple of 4; this is the project's rule.

    >>> [low_quarter_cans(cans) for cans in (2, 5, 6, 16, 18, 20)]
    [1, 1, 2, 4, 5, 5]
    """
    return max(1, floor(cans / 4 + 0.5))


def coefficient_of_variation(caught_ml: Sequence[float]) -> float:
    """Standard deviation over mean, the cans being all there are (divided by n, not n - 1).

    Raises:
        ValueError: as in `christiansen_uniformity`.
    """
    mean_ml = _mean_ml(caught_ml)
    variance = fsum((catch_ml - mean_ml) ** 2 for catch_ml in caught_ml) / len(caught_ml)
    return sqrt(variance) / mean_ml


def applied_mm(caught_ml: Sequence[float], can_mouth_cm2: float) -> float:
    """Depth of water that fell on the bench: mean catch over the area of a can's mouth.

    Raises:
        ValueError: as in `christiansen_uniformity`, or a mouth of nought or less.

    >>> applied_mm([4.0, 6.0], 50.0)
    1.0
    """
    refuse_unless_positive("mouth of a can", can_mouth_cm2, "cm2")
    return _mean_ml(caught_ml) * _MM3_PER_ML / (can_mouth_cm2 * _MM2_PER_CM2)


def caught_rate_mm_per_h(caught_ml: Sequence[float], can_mouth_cm2: float, misted_s: float) -> float:
    """Application rate from cans: depth that fell over the time the zone was misting.

    Raises:
        ValueError: as in `applied_mm`, or no time.

    >>> caught_rate_mm_per_h([4.0, 6.0], 50.0, 120.0)
    30.0
    """
    refuse_unless_positive("misting time", misted_s, "s")
    return applied_mm(caught_ml, can_mouth_cm2) / (misted_s / S_PER_HOUR)


def flow_rate_mm_per_h(flow_l_per_min: float, bench_m2: float) -> float:
    """Application rate from flow and area: a litre on a square metre is a millimetre.

    The most that can reach the bench: drift and water thrown past the edge are not taken off.

    Raises:
        ValueError: no flow or no area.

    >>> flow_rate_mm_per_h(7.2, 12.0)
    36.0
    """
    refuse_unless_positive("zone's flow", flow_l_per_min, "l/min")
    refuse_unless_positive("bench", bench_m2, "m2")
    return flow_l_per_min * (S_PER_HOUR / S_PER_MIN) / bench_m2


def _mean_ml(caught_ml: Sequence[float]) -> float:
    """The mean catch, after refusing what no evenness can be worked out from."""
    if len(caught_ml) < FEWEST_CANS:
        raise ValueError(f"can test: {len(caught_ml)} cans, needs at least {FEWEST_CANS}; set out more cans")
    for number, catch_ml in enumerate(caught_ml, start=1):
        if not (isfinite(catch_ml) and catch_ml >= 0.0):
            raise ValueError(
                f"can {number}: {catch_ml:g} ml, must be at least 0 ml; measure that can again, "
                "or repeat the test if it fell over"
            )
    mean_ml = fsum(caught_ml) / len(caught_ml)
    if mean_ml == 0.0:
        raise ValueError(
            f"can test: all {len(caught_ml)} cans empty, must be more than 0 ml; "
            "run the zone longer and see that the cans stand under its nozzles"
        )
    return mean_ml
