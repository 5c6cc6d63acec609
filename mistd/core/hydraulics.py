"""A lateral with many nozzles, solved nozzle by nozzle, and the flow a healthy zone shows.

Pressures in bar above the air's, flows in l/min, lengths in m. The far end decides: a lateral is added up
from its last nozzle to its inlet. Christiansen's factor stands beside it for sizing by hand.

This file knows no valve, sensor or clock, no velocity head and no loss in fittings: a pipe with many fittings
is entered longer. Rule: the first nozzle sits a full spacing from the inlet.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import fsum, sqrt

from mistd.core.crossing import narrowed
from mistd.core.nozzle import Nozzle
from mistd.core.pipe_friction import Friction, Pipe
from mistd.core.refusals import refuse_unless_between, refuse_unless_positive
from mistd.core.units import S_PER_MIN, bar_of_head_m


@dataclass(frozen=True, slots=True, kw_only=True)
class LateralFlow:
    """A lateral at rest in its flow: pressure and flow of each nozzle, the one nearest the inlet first."""

    inlet_bar: float
    pressures_bar: tuple[float, ...]
    flows_l_per_min: tuple[float, ...]

    @property
    def flow_l_per_min(self) -> float:
        """What enters the lateral: the sum of its nozzles."""
        return sum(self.flows_l_per_min)

    @property
    def last_bar(self) -> float:
        """Pressure behind the nozzle farthest from the inlet."""
        return self.pressures_bar[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Climb:
    """A lateral added up from its far end: its nozzles so far, the last first, and the pressure come to."""

    at_bar: float
    pressures_bar: tuple[float, ...] = ()
    flows_l_per_min: tuple[float, ...] = ()

    def back_to(self, nozzle: int, at_bar: float) -> "_Climb":
        """The climb as far as this nozzle, come to another pressure there."""
        return _Climb(
            at_bar=at_bar,
            pressures_bar=self.pressures_bar[:nozzle],
            flows_l_per_min=self.flows_l_per_min[:nozzle],
        )

    def first_opening(self, over: "_Climb", start: int) -> int | None:
        """The first nozzle from `start` on that is shut here and flows in the neighbouring climb `over`."""
        for nozzle in range(start, len(self.flows_l_per_min)):
            if self.flows_l_per_min[nozzle] == 0.0 < over.flows_l_per_min[nozzle]:
                return nozzle
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateral:
    """One pipe with equal nozzles evenly along it: the first a full spacing from the inlet, one at the end.

    `rise_m_per_m` is the height gained per metre of pipe away from the inlet; negative falls.
    """

    nozzle: Nozzle
    nozzles: int
    spacing_m: float
    diameter_mm: float
    friction: Friction
    rise_m_per_m: float = 0.0

    def __post_init__(self) -> None:
        refuse_unless_positive("nozzles on a lateral", self.nozzles, "")
        refuse_unless_positive("nozzle spacing", self.spacing_m, "m")
        refuse_unless_positive("lateral's bore", self.diameter_mm, "mm")
        refuse_unless_between("lateral's rise", self.rise_m_per_m, "m/m", -1.0, 1.0)

    @property
    def volume_l(self) -> float:
        """What the lateral holds when full."""
        length_m = self.nozzles * self.spacing_m
        return Pipe(length_m=length_m, diameter_mm=self.diameter_mm, friction=self.friction).volume_l

    def solved(self, inlet_bar: float, *, were_open: bool = False) -> LateralFlow:
        """Pressure and flow at each nozzle for a pressure held at the inlet, within 1e-9 bar.

        The pressure at the last nozzle is sought whose flows and losses, added up towards the inlet, give the
        inlet pressure; there is one, because more at the end always needs more at the inlet. Of an anti-drip
        valve it takes the opening pressure, or with `were_open` the shutting one. A nozzle that would shut if
        it flowed in full and open if it did not is held at that pressure: it throttles, and its flow is
        sought in turn. Where pressure is negative no air comes in.

        Raises:
            ValueError: the inlet pressure is negative or no number.
        """
        refuse_unless_between("pressure at a lateral's inlet", inlet_bar, "bar", 0.0)
        rise_bar = self._step_rise_bar * self.nozzles
        dry_bar, still_bar = -max(0.0, rise_bar), inlet_bar - rise_bar  # no nozzle flows; no friction

        def from_last(last_bar: float) -> _Climb:
            return self._climbed(_Climb(at_bar=last_bar), were_open)

        under, over = _neighbours(from_last, inlet_bar, dry_bar, still_bar)
        throttled = under.first_opening(over, 0)
        while throttled is not None:
            most_l_per_min = over.flows_l_per_min[throttled]
            under, over = self._throttled(under, throttled, most_l_per_min, inlet_bar, were_open)
            throttled = under.first_opening(over, throttled + 1)
        return LateralFlow(
            inlet_bar=over.at_bar,
            pressures_bar=over.pressures_bar[::-1],
            flows_l_per_min=over.flows_l_per_min[::-1],
        )

    def _throttled(
        self, shut: _Climb, nozzle: int, most_l_per_min: float, inlet_bar: float, were_open: bool
    ) -> tuple[_Climb, _Climb]:
        """Hold one nozzle at its threshold, and seek the flow of it that suits the inlet pressure.

        It starts from the climb in which the nozzle is shut: a flow of nought must give that climb again.
        """
        held = shut.back_to(nozzle, self.nozzle.threshold_bar(was_open=were_open))

        def from_flow(flow_l_per_min: float) -> _Climb:
            return self._climbed(held, were_open, flow_l_per_min)

        return _neighbours(from_flow, inlet_bar, 0.0, most_l_per_min)

    def _climbed(self, below: _Climb, were_open: bool, throttled_l_per_min: float | None = None) -> _Climb:
        """From where `below` has come to, added up nozzle by nozzle to the inlet.

        The flow of the next nozzle may be given; every other has that of its pressure, but nil exactly at its
        threshold, so that a nozzle held there does not by itself open those before it.
        """
        threshold_bar = self.nozzle.threshold_bar(was_open=were_open)
        at_bar, flow_l_per_min = below.at_bar, throttled_l_per_min
        pressures_bar, flows_l_per_min = list(below.pressures_bar), list(below.flows_l_per_min)
        along_l_per_min = sum(flows_l_per_min)
        while len(flows_l_per_min) < self.nozzles:
            if flow_l_per_min is None:
                is_open = at_bar > threshold_bar
                flow_l_per_min = self.nozzle.flow_l_per_min(at_bar, was_open=were_open) if is_open else 0.0
            pressures_bar.append(at_bar)
            flows_l_per_min.append(flow_l_per_min)
            along_l_per_min += flow_l_per_min
            loss_bar = self.friction.loss_bar(along_l_per_min, self.spacing_m, self.diameter_mm)
            at_bar += loss_bar + self._step_rise_bar
            flow_l_per_min = None
        return _Climb(
            at_bar=at_bar, pressures_bar=tuple(pressures_bar), flows_l_per_min=tuple(flows_l_per_min)
        )

    @property
    def _step_rise_bar(self) -> float:
        """Pressure that the height between two nozzles takes."""
        return bar_of_head_m(self.rise_m_per_m * self.spacing_m)


def _neighbours(
    climbed: Callable[[float], _Climb], inlet_bar: float, low: float, high: float
) -> tuple[_Climb, _Climb]:
    """The two climbs next to each other between which the inlet pressure lies."""
    under, over = narrowed(lambda start: climbed(start).at_bar, inlet_bar, low, high)
    return climbed(under), climbed(over)


def healthy_flow_l_per_min(
    laterals: Sequence[Lateral], manifold_bar: float, *, were_open: bool = False
) -> float:
    """The flow that a zone of these laterals shows when every nozzle is clean, at a pressure at their inlets.

    Raises:
        ValueError: no lateral: a flow of nought would pass for healthy.
    """
    refuse_unless_between("laterals of a zone", len(laterals), "", 1.0)
    return sum(lateral.solved(manifold_bar, were_open=were_open).flow_l_per_min for lateral in laterals)


def fill_s(volume_l: float, flow_l_per_min: float) -> float:
    """Time to fill an empty line at a flow: volume over flow.

    Nozzles without anti-drip valves let water out meanwhile, so theirs takes longer.

    Raises:
        ValueError: a negative volume, or no flow.

    >>> fill_s(1.0, 12.0)
    5.0
    """
    refuse_unless_between("volume to fill", volume_l, "l", 0.0)
    refuse_unless_positive("flow to fill with", flow_l_per_min, "l/min")
    return volume_l / flow_l_per_min * S_PER_MIN


def christiansen_factor(outlets: int, exponent: float) -> float:
    """Loss of a pipe with evenly spaced equal outlets over that of the same pipe with one, at its end.

    Christiansen 1942, Calif. Agr. Exp. Sta. Bull. 670: 1/(m+1) + 1/(2N) + sqrt(m-1)/(6 N^2), the first
    outlet a full spacing from the inlet; set to 1 for one outlet, where the sum gives up to 1.008. `exponent`
    is the power of the flow in the friction law, 1.852 or 2. The exact sum is `outlets_factor`.

    Raises:
        ValueError: fewer than one outlet, or an exponent under 1.

    >>> round(christiansen_factor(12, 1.852), 3)
    0.393
    """
    _refuse_outlets(outlets, exponent)
    if outlets == 1:
        return 1.0
    return 1.0 / (exponent + 1.0) + 1.0 / (2.0 * outlets) + sqrt(exponent - 1.0) / (6.0 * outlets**2)


def outlets_factor(outlets: int, exponent: float) -> float:
    """The exact sum that Christiansen's factor approximates: sum of i^m for i from 1 to N, over N^(m+1).

    Raises:
        ValueError: fewer than one outlet, or an exponent under 1.

    >>> round(outlets_factor(12, 1.852), 3)
    0.393
    """
    _refuse_outlets(outlets, exponent)
    return fsum((outlet / outlets) ** exponent for outlet in range(1, outlets + 1)) / outlets


def _refuse_outlets(outlets: int, exponent: float) -> None:
    refuse_unless_between("outlets", outlets, "", 1.0)
    refuse_unless_between("exponent of the friction law", exponent, "", 1.0)
