"""What is built of the waterworks: the lines, the supplies, and the little the manifold gives.

It knows no water and no time. Every line has a name of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from simulators.plant.line import LinePlan
from simulators.plant.plan_checks import require_more_than_nought
from simulators.plant.supplies import SuppliesPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterworksPlan:
    """All the water of a house; the defaults are ours."""

    lines: Sequence[LinePlan]
    supplies: SuppliesPlan = field(default_factory=SuppliesPlan)
    manifold_gives_l_per_bar: float = 0.004  # some metres of plastic pipe and a gauge with a little air
    warms_over_s: float = 900.0  # time constant of water standing in a line
    line_c: float = 20.0  # of the water standing at the start

    def __post_init__(self) -> None:
        names = [line.name for line in self.lines]
        if len(set(names)) < len(names):
            raise ValueError(f"every line needs a name of its own: {', '.join(names)}")
        require_more_than_nought(self, ("manifold_gives_l_per_bar", "warms_over_s"))
