"""A lateral: a pipe with nozzles along it, solved nozzle by nozzle from its far end.

At the far nozzle stands some pressure; its flow follows, then the friction of the section before it, then the
pressure at the next nozzle, and so on up to the inlet. So one walk along the pipe gives the inlet's pressure
and flow to any pressure at the far end, and whoever wants a given inlet pressure seeks one root only.

It knows no valve, no time and no water that stands still. Friction is turbulent (Hazen-Williams), the pipe
lies level, and velocity heads and fittings are left out. Pressures fall from the inlet to the far end,
always.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from simulators.plant.plan_checks import require_more_than_nought

FLOW_EXPONENT = 1.852  # Hazen-Williams
DIAMETER_EXPONENT = 4.8704  # Hazen-Williams
SI_FACTOR = 10.67  # Hazen-Williams in metres and cubic metres a second
BAR_PER_M = 0.0980665  # of water of 1000 kg/m3 under standard gravity
MM_PER_M = 1000.0
L_PER_MIN_PER_M3_PER_S = 60_000.0
BLOWN_OFF_SHARE = 2.0  # ours: a nozzle that gives more than twice its flow has no insert left that could shut


def friction_loss_m(length_m: float, flow_l_per_min: float, inner_mm: float, smoothness: float) -> float:
    """Head lost in a straight pipe.

    Hazen-Williams, 10.67 L Q^1.852 / (C^1.852 D^4.8704) in SI units; for turbulent water near 15 C. Below
    some 1.5 l/min in a pipe of 14 mm the flow is laminar and the equation wrong by up to a few tens of
    percent, of a loss that is then a few millimetres.

    >>> round(friction_loss_m(30.0, 20.0, 20.9, 150.0), 4)
    1.6485
    """
    flow_m3_per_s = flow_l_per_min / L_PER_MIN_PER_M3_PER_S
    resistance = (
        SI_FACTOR * length_m / (smoothness**FLOW_EXPONENT * (inner_mm / MM_PER_M) ** DIAMETER_EXPONENT)
    )
    return float(resistance * flow_m3_per_s**FLOW_EXPONENT)


@dataclass(frozen=True, slots=True, kw_only=True)
class LateralPlan:
    """Pipe and nozzles of one line. The defaults are ours: a bench of 12 m under a pipe of 16 mm outside."""

    nozzles: int = 12
    nozzle_flow_l_per_min: float = 0.6  # of one nozzle, at nozzle_pressure_bar
    nozzle_pressure_bar: float = 3.0
    first_m: float = 1.0  # from the valve to the first nozzle
    spacing_m: float = 1.0
    inner_mm: float = 13.6
    smoothness: float = 150.0  # C of Hazen-Williams, new plastic
    nozzle_shares: Sequence[float] = ()  # of the rated flow, nozzle by nozzle; () for all alike

    def __post_init__(self) -> None:
        require_more_than_nought(
            self, ("nozzles", "nozzle_flow_l_per_min", "nozzle_pressure_bar", "inner_mm", "smoothness")
        )
        if min(self.first_m, self.spacing_m) < 0.0:
            raise ValueError(f"sections of {self.first_m:g} m and {self.spacing_m:g} m, must be 0 or more")
        if self.nozzle_shares and len(self.nozzle_shares) != self.nozzles:
            raise ValueError(f"{len(self.nozzle_shares)} nozzle_shares for {self.nozzles} nozzles")
        if any(share < 0.0 for share in self.nozzle_shares):
            raise ValueError("nozzle_shares must be 0 or more")

    @property
    def rated_flow_l_per_min(self) -> float:
        return self.nozzles * self.nozzle_flow_l_per_min

    @property
    def nozzle_factor(self) -> float:
        """One sound nozzle: l/min per square root of bar."""
        return self.nozzle_flow_l_per_min / sqrt(self.nozzle_pressure_bar)

    def section_loss(self, length_m: float) -> float:
        """Bar lost in so much of this pipe to 1 l/min; it grows with the flow to the power FLOW_EXPONENT."""
        return BAR_PER_M * friction_loss_m(length_m, 1.0, self.inner_mm, self.smoothness)

    @property
    def filling_loss(self) -> float:
        """The same for water on its way in with no nozzle spraying: on average half of the pipe is wetted."""
        return self.section_loss(0.5 * (self.first_m + (self.nozzles - 1) * self.spacing_m))


class Lateral:
    """The nozzles as they are today, worn, clogged or blown off, and how many of them stand open.

    Of the nozzles that can shut, those nearest the inlet are the last to do so; `open_count` counts from
    there.
    """

    __slots__ = ("_outlets", "_section_losses", "blown_off_factor", "open_count", "plan", "shares")

    def __init__(self, plan: LateralPlan) -> None:
        self.plan = plan
        self.shares = list(plan.nozzle_shares) or [1.0] * plan.nozzles
        later = plan.section_loss(plan.spacing_m)
        self._section_losses = [plan.section_loss(plan.first_m), *[later] * (plan.nozzles - 1)]
        self._outlets: list[tuple[float, float]] = []
        self.open_count = plan.nozzles
        self.blown_off_factor = 0.0  # of the nozzles that are gone, together: what no anti-drip valve holds
        self._list_outlets()

    def change_nozzle(self, place: int, share: float) -> None:
        """Let a nozzle give another share of its rated flow: 0 clogged, 1 sound, over 2 blown off.

        Raises:
            ValueError: no such nozzle, counted from 0 at the inlet, or a share below 0.
        """
        if not 0 <= place < self.plan.nozzles:
            raise ValueError(f"no nozzle {place} among {self.plan.nozzles}")
        if not share >= 0.0:
            raise ValueError(f"nozzle {place}: share is {share:g}, must be 0 or more")
        self.shares[place] = share
        self._list_outlets()

    def open_first(self, count: int) -> None:
        """Let the `count` nozzles nearest the inlet stand open; a nozzle that is blown off always does."""
        if count != self.open_count:
            self.open_count = count
            self._list_outlets()

    def walk(self, root_bar: float) -> tuple[float, float]:
        """Pressure (bar) and flow (l/min) at the inlet when the far end stands at `root_bar` squared."""
        root = sqrt
        flow_l_per_min = 0.0
        pressure_bar = root_bar * root_bar
        for factor, loss in self._outlets:
            flow_l_per_min += factor * root(pressure_bar)
            pressure_bar += loss * flow_l_per_min**FLOW_EXPONENT
        return pressure_bar, flow_l_per_min

    def nozzle_flows_l_per_min(self, root_bar: float) -> list[float]:
        """Each nozzle's flow, from the inlet on, when the far end stands at `root_bar` squared."""
        flows: list[float] = []
        flow_l_per_min = 0.0
        pressure_bar = root_bar * root_bar
        for factor, loss in self._outlets:
            flows.append(factor * sqrt(pressure_bar))
            flow_l_per_min += flows[-1]
            pressure_bar += loss * flow_l_per_min**FLOW_EXPONENT
        return flows[::-1]

    def _list_outlets(self) -> None:
        """From the far end: each nozzle's factor and the loss of the section before it."""
        one = self.plan.nozzle_factor
        self.blown_off_factor = one * sum(share for share in self.shares if share > BLOWN_OFF_SHARE)
        self._outlets = [
            (one * share if place < self.open_count or share > BLOWN_OFF_SHARE else 0.0, loss)
            for place, (share, loss) in enumerate(zip(self.shares, self._section_losses, strict=True))
        ][::-1]
