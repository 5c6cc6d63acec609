"""All instruments of the house together: what each follows, and what they say when they are read.

It is told the truth and keeps what water did lately. Lags of the water's instruments are fractions of a
second: of what flowed long ago only the time counts. Rule: reading one kind changes nothing of another.
"""

from collections import deque
from collections.abc import Collection, Mapping
from random import Random

from mistd.core.readings import SensorKind
from simulators.plant.instruments import Instrument, InstrumentPlan
from simulators.plant.waterworks import Flowing

LATELY = 40  # stretches of flowing water that are remembered
WATER_KINDS = frozenset({SensorKind.SUPPLY_PRESSURE, SensorKind.FLOW})
BENCH_KINDS = frozenset({SensorKind.LEAF_TEMPERATURE, SensorKind.LEAF_WETNESS})  # not on the board
EVERY_KIND = frozenset(SensorKind)


class InstrumentBoard:
    """One instrument of each kind; `rng` makes each its own noise."""

    __slots__ = ("_lately", "_long_ago_s", "instruments")

    def __init__(
        self, plans: Mapping[SensorKind, InstrumentPlan], truths: Mapping[SensorKind, float], rng: Random
    ) -> None:
        self.instruments = {
            kind: Instrument(plans[kind], truth, Random(rng.getrandbits(64)))
            for kind, truth in truths.items()
        }
        self._lately: deque[Flowing] = deque()
        self._long_ago_s = 0.0

    def see_water(self, flowing: Flowing) -> None:
        """Take note of a stretch of what the pipes did."""
        lately = self._lately
        if len(lately) == LATELY:
            self._long_ago_s += lately.popleft().duration_s
        lately.append(flowing)

    def follow_water(self, resting_bar: float) -> None:
        """Bring the water's instruments up to the last stretch."""
        pressure, flow = self.instruments[SensorKind.SUPPLY_PRESSURE], self.instruments[SensorKind.FLOW]
        pressure.follow(resting_bar, self._long_ago_s)
        flow.follow(0.0, self._long_ago_s)
        for flowing in self._lately:
            pressure.follow(flowing.pressure_bar, flowing.duration_s)
            flow.follow(flowing.flow_l_per_min, flowing.duration_s)
        self._long_ago_s = 0.0
        self._lately.clear()

    def follow_air(
        self, passed_s: float, air_c: float, relative_humidity: float, light_w_per_m2: float
    ) -> None:
        """Let the others spend so long beside this."""
        self.instruments[SensorKind.AIR_TEMPERATURE].follow(air_c, passed_s)
        self.instruments[SensorKind.RELATIVE_HUMIDITY].follow(relative_humidity, passed_s)
        self.instruments[SensorKind.LIGHT].follow(light_w_per_m2, passed_s)

    def readings(self, kinds: Collection[SensorKind]) -> dict[SensorKind, float]:
        """What those of these kinds say now; one that says nothing is left out."""
        said = {kind: one.reading() for kind, one in self.instruments.items() if kind in kinds}
        return {kind: value for kind, value in said.items() if value is not None}
