"""How fast the air would take the film off the leaves of a bench, from whatever its sensors say.

The demand is the evaporation of a leaf wet all over its wet sides: what a demand meter integrates and what a
film is worked out from. With a measured leaf temperature it follows from the deficit between leaf and air;
without, from the leaf's energy balance. Each answer says which readings it used and what it assumed.

It knows no film, no history and no doubt: a reading that is not believed is handed over as None. A demand is
never negative: dew adds no water that could be counted on.
"""

from dataclasses import dataclass

from mistd.core.almanac import DayPart
from mistd.core.house_radiation import (
    DEFAULT_COVER,
    Assumed,
    BenchReadings,
    HouseCover,
    Measured,
    SunTime,
    bench_light,
    isothermal_net_w_per_m2,
    sorted_by_trust,
)
from mistd.core.psychrometrics import (
    STANDARD_PRESSURE_KPA,
    saturation_vapour_pressure_kpa,
    vapour_pressure_kpa,
)
from mistd.core.units import mm_per_h_of_um_per_s
from mistd.core.wet_leaf import (
    Leaf,
    LeafAir,
    LeafEvaporation,
    evaporation_at,
    evaporative_cooling,
    leaf_evaporation,
)

USUAL_AIR_SPEED_M_PER_S = 0.3  # over a bench with fans or vents at work; ours, no source
STILL_AIR_M_PER_S = 0.1  # a closed house is never stiller for long; ours. A dusty anemometer reads nought.

DEFAULT_LEAF = Leaf()


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What the air would take from a fully wet leaf, per square metre of it, and what the figure rests on."""

    w_per_m2: float
    um_per_s: float
    leaf_c: float  # measured, or that of the wet leaf in balance
    deficit_kpa: float  # from that leaf to the air; negative where dew forms
    cooling: float  # wet_leaf.evaporative_cooling, for the film's closed form
    measured: tuple[str, ...]
    assumed: tuple[str, ...]

    @property
    def mm_per_h(self) -> float:
        """Litres to a square metre of leaf an hour."""
        return mm_per_h_of_um_per_s(self.um_per_s)


def demand(
    readings: BenchReadings,
    *,
    leaf: Leaf = DEFAULT_LEAF,
    cover: HouseCover = DEFAULT_COVER,
    pressure_kpa: float = STANDARD_PRESSURE_KPA,
    sun: SunTime | None = None,
    day_part: DayPart | None = None,
) -> Demand:
    """The demand now, the best the readings allow; `sun` and `day_part` stand in for a light reading.

    A measured leaf temperature is believed as that of the wet leaf. Dry, a leaf in the sun is warmer, and the
    demand comes out too high: on the wet side.

    >>> now = demand(BenchReadings(air_c=25.0, relative_humidity=0.70), day_part=DayPart.DAY)
    >>> round(now.mm_per_h, 2), now.assumed[0].value
    (0.24, 'light usual for the part of the day')
    """
    speed_m_per_s, speed_from = air_speed(readings)
    light_w_per_m2, light_from = bench_light(readings, sun=sun, day_part=day_part, cover=cover)
    air_c, relative_humidity = readings.air_c, readings.relative_humidity
    air = LeafAir(
        air_c=air_c,
        vapour_kpa=vapour_pressure_kpa(air_c, relative_humidity),
        speed_m_per_s=speed_m_per_s,
        net_w_per_m2=isothermal_net_w_per_m2(air_c, relative_humidity, light_w_per_m2, cover),
        pressure_kpa=pressure_kpa,
    )
    always = (Measured.AIR_TEMPERATURE, Measured.RELATIVE_HUMIDITY)
    if readings.leaf_c is None:
        taken = leaf_evaporation(air, leaf)
        return _demand(taken, air, leaf, sorted_by_trust(*always, light_from, Assumed.SKY, speed_from))
    taken = evaporation_at(readings.leaf_c, air, leaf)
    return _demand(taken, air, leaf, sorted_by_trust(*always, Measured.LEAF_TEMPERATURE, speed_from))


def air_speed(readings: BenchReadings) -> tuple[float, Measured | Assumed]:
    """Speed of the air over the leaves in m/s, and where it comes from; never less than still air's."""
    if readings.air_speed_m_per_s is None:
        return USUAL_AIR_SPEED_M_PER_S, Assumed.AIR_SPEED
    return max(STILL_AIR_M_PER_S, readings.air_speed_m_per_s), Measured.AIR_SPEED


def _demand(
    taken: LeafEvaporation,
    air: LeafAir,
    leaf: Leaf,
    rests_on: tuple[tuple[str, ...], tuple[str, ...]],
) -> Demand:
    measured, assumed = rests_on
    return Demand(
        w_per_m2=max(0.0, taken.w_per_m2),
        um_per_s=max(0.0, taken.um_per_s),
        leaf_c=taken.leaf_c,
        deficit_kpa=saturation_vapour_pressure_kpa(taken.leaf_c) - air.vapour_kpa,
        cooling=evaporative_cooling(air, leaf),
        measured=measured,
        assumed=assumed,
    )
