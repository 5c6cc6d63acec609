"""Instruments that lie on the benches themselves: leaf-wetness sensors, and thermometers on leaves.

They are stepped whenever they are read, so that a reading half a minute after a burst has that burst in it.
This file knows benches by their place and is told what fell on them and how warm their leaves are.
"""

from collections.abc import Sequence
from random import Random

import numpy as np
from numpy.typing import NDArray

from simulators.plant.instruments import Instrument, InstrumentFault, InstrumentPlan
from simulators.plant.plant_plan import PlantZone
from simulators.plant.wetness_sensor import AirAtPlate, WetnessSensor

DRIEST, UPPER = 0, 0
# Ours: a small contact sensor, touching the leaf from below.
LEAF_THERMOMETER = InstrumentPlan(lag_s=20.0, noise=0.1, last_digit=0.1, lowest=-40.0, highest=80.0)


class BenchInstruments:
    """All of them; `rng` makes each its own."""

    __slots__ = ("_leaf_places", "_sprayed_um", "_spread", "_wet_places", "thermometers", "wetness_sensors")

    def __init__(self, zones: Sequence[PlantZone], leaf_c: float, rng: Random) -> None:
        self.wetness_sensors: dict[str, WetnessSensor] = {}
        self.thermometers: dict[str, Instrument] = {}
        self._wet_places: dict[str, int] = {}
        self._leaf_places: dict[str, int] = {}
        self._spread = [zone.leaf.spread for zone in zones]
        for place, zone in enumerate(zones):
            for name, plan in zone.wetness_sensors.items():
                self.wetness_sensors[name] = WetnessSensor(plan, Random(rng.getrandbits(64)))
                self._wet_places[name] = place
            for name in zone.leaf_thermometers:
                self.thermometers[name] = Instrument(LEAF_THERMOMETER, leaf_c, Random(rng.getrandbits(64)))
                self._leaf_places[name] = place
        self._sprayed_um = dict.fromkeys(self.wetness_sensors, 0.0)

    @property
    def is_none(self) -> bool:
        return not self.wetness_sensors and not self.thermometers

    def spray(self, place: int, applied_um: float) -> None:
        """So much fell on a bench, as a mean over it."""
        for name, sensor in self.wetness_sensors.items():
            if self._wet_places[name] == place:
                self._sprayed_um[name] += applied_um * self._spread[place][sensor.quarter]

    def step(self, dt_s: float, air: AirAtPlate, leaf_c: NDArray[np.float64] | None) -> None:
        """Spend so long; `leaf_c` by bench, quarter and layer, None where no leaf has a thermometer."""
        for name, sensor in self.wetness_sensors.items():
            sensor.step(dt_s, air, self._sprayed_um[name])
            self._sprayed_um[name] = 0.0
        if leaf_c is None:
            return
        for name, thermometer in self.thermometers.items():
            thermometer.follow(float(leaf_c[self._leaf_places[name], DRIEST, UPPER]), dt_s)

    def readings(self) -> dict[str, float]:
        """What each says now, by name; one that says nothing is left out."""
        said = {name: sensor.reading_mv() for name, sensor in self.wetness_sensors.items()}
        said |= {name: thermometer.reading() for name, thermometer in self.thermometers.items()}
        return {name: value for name, value in said.items() if value is not None}

    def clean(self) -> None:
        """Wipe every wetness sensor, as is done when the benches are cleared."""
        for sensor in self.wetness_sensors.values():
            sensor.clean()

    def break_one(self, name: str, fault: InstrumentFault | None) -> None:
        """Break an instrument by its name; None mends it."""
        if name in self.wetness_sensors:
            self.wetness_sensors[name].fault = fault
        else:
            self.thermometers[name].fault = fault
