"""What a leaf on the bench of a shaded house gains and loses by radiation, from the sensors a nursery has.

A leaf keeps part of the light on the bench, loses some heat to the sky through the cover, and trades heat
with everything else about it, taken to be at air temperature. Per square metre of leaf, both its sides
together. Every answer says which readings it rests on and what was assumed instead of the rest.

The defaults are ours, by eye, where no source is named. Light that is assumed errs to the wet side: a clear
sky, an unknown hour in the day. This file knows no lamp, no heating pipe and no shade of one leaf on another.
"""

from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from mistd.core.almanac import DayPart
from mistd.core.psychrometrics import KELVIN_OF_ZERO_C, vapour_pressure_kpa
from mistd.core.radiation import (
    STEFAN_BOLTZMANN_W_PER_M2_K4,
    Spot,
    clear_sky_w_per_m2,
    extraterrestrial_w_per_m2,
    net_longwave_w_per_m2,
)

LEAF_EMISSIVITY = 0.97  # Campbell & Norman (1998), table 11.3, from memory; 0.94 to 0.99 for leaves
LEAF_SIDES = 2.0
SKY_CLEARNESS = 0.8  # FAO-56 example 19 takes it for a night it knows nothing about

# On the bench with no light reading and no calendar, W/m2 global: a bright day in a shaded house (ours).
USUAL_LIGHT_W_PER_M2 = MappingProxyType(
    {DayPart.NIGHT: 0.0, DayPart.DAWN: 60.0, DayPart.DAY: 200.0, DayPart.DUSK: 60.0}
)


class Measured(StrEnum):
    """A reading that an answer rests on."""

    AIR_TEMPERATURE = "air temperature"
    RELATIVE_HUMIDITY = "relative humidity"
    LIGHT = "light"
    LEAF_TEMPERATURE = "leaf temperature"
    AIR_SPEED = "air speed"


class Assumed(StrEnum):
    """What an answer took for granted where there was no reading."""

    LIGHT_BY_SUN = "light from the sun's place, as under a clear sky"
    LIGHT_BY_DAY_PART = "light usual for the part of the day"
    LIGHT_OF_DAY = "light of a bright day, as the hour is not known"
    LEAF_AS_WARM_AS_AIR = "leaf as warm as the air"
    SKY = "how much sky is seen through the cover, and how clear it is"
    AIR_SPEED = "usual air speed"


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseCover:
    """What stands between the leaf and the open: the roof and its shade, as shares from 0 to 1.

    A propagation house for 5 to 10 mol/m2 of light a day (Faust 2020, GrowerTalks) keeps out two thirds or
    more of a summer's day: 0.3 passes.
    """

    passes_light: float = 0.3  # of global radiation, roof and shade together
    shows_sky: float = 0.2  # of the heat a leaf in the open would lose to the sky; glass and a screen: less
    leaf_absorbs: float = 0.5  # of global radiation; a green leaf, Campbell & Norman table 11.4, from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class SunTime:
    """A place and a moment, for the sun over it; `utc_hour` is 0 to 24, `day_of_year` counts from 1."""

    spot: Spot
    day_of_year: int
    utc_hour: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchReadings:
    """What the sensors at the bench say; None where none is fitted or none is believed."""

    air_c: float
    relative_humidity: float
    light_w_per_m2: float | None = None  # global, at the bench
    leaf_c: float | None = None
    air_speed_m_per_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NetRadiation:
    """What a leaf keeps, negative when it loses, and what the figure rests on."""

    w_per_m2: float
    light_w_per_m2: float  # on the bench, measured or assumed
    measured: tuple[str, ...]
    assumed: tuple[str, ...]


DEFAULT_COVER = HouseCover()


def bench_light(
    readings: BenchReadings,
    *,
    sun: SunTime | None = None,
    day_part: DayPart | None = None,
    cover: HouseCover = DEFAULT_COVER,
) -> tuple[float, Measured | Assumed]:
    """Global radiation at the bench in W/m2, and where it comes from: the best source at hand.

    In this order: the light reading (below nought counts as nought), a clear sky over `sun`, the usual light
    of `day_part`, the light of a bright day.
    """
    if readings.light_w_per_m2 is not None:
        return max(0.0, readings.light_w_per_m2), Measured.LIGHT
    if sun is not None:
        above_w_per_m2 = extraterrestrial_w_per_m2(sun.spot, sun.day_of_year, sun.utc_hour)
        outside_w_per_m2 = clear_sky_w_per_m2(above_w_per_m2, sun.spot.elevation_m)
        return cover.passes_light * outside_w_per_m2, Assumed.LIGHT_BY_SUN
    if day_part is not None:
        return USUAL_LIGHT_W_PER_M2[day_part], Assumed.LIGHT_BY_DAY_PART
    return USUAL_LIGHT_W_PER_M2[DayPart.DAY], Assumed.LIGHT_OF_DAY


def isothermal_net_w_per_m2(
    air_c: float, relative_humidity: float, light_w_per_m2: float, cover: HouseCover = DEFAULT_COVER
) -> float:
    """Net radiation of a leaf that is as warm as the air, from which an energy balance starts.

    The light kept, less the loss to the sky: FAO-56 eq. 39's, as far as the cover shows sky.

    >>> round(isothermal_net_w_per_m2(18.0, 0.90, 0.0), 1)
    -8.9
    """
    vapour_kpa = vapour_pressure_kpa(air_c, relative_humidity)
    sky_w_per_m2 = cover.shows_sky * net_longwave_w_per_m2(air_c, vapour_kpa, SKY_CLEARNESS)
    return cover.leaf_absorbs * light_w_per_m2 - sky_w_per_m2


def net_radiation(
    readings: BenchReadings,
    *,
    sun: SunTime | None = None,
    day_part: DayPart | None = None,
    cover: HouseCover = DEFAULT_COVER,
) -> NetRadiation:
    """Net radiation of the leaf as it is: the isothermal one, less what a leaf warmer than the air gives off.

    Without a leaf temperature the leaf is taken to be as warm as the air.

    >>> sunlit = BenchReadings(air_c=24.0, relative_humidity=0.70, light_w_per_m2=300.0, leaf_c=28.0)
    >>> round(net_radiation(sunlit).w_per_m2)
    94
    """
    light_w_per_m2, source = bench_light(readings, sun=sun, day_part=day_part, cover=cover)
    isothermal_w_per_m2 = isothermal_net_w_per_m2(
        readings.air_c, readings.relative_humidity, light_w_per_m2, cover
    )
    leaf_c = readings.air_c if readings.leaf_c is None else readings.leaf_c
    given_off_w_per_m2 = LEAF_SIDES * (emitted_w_per_m2(leaf_c) - emitted_w_per_m2(readings.air_c))
    measured, assumed = sorted_by_trust(
        Measured.AIR_TEMPERATURE,
        Measured.RELATIVE_HUMIDITY,
        source,
        Assumed.LEAF_AS_WARM_AS_AIR if readings.leaf_c is None else Measured.LEAF_TEMPERATURE,
        Assumed.SKY,
    )
    return NetRadiation(
        w_per_m2=isothermal_w_per_m2 - given_off_w_per_m2,
        light_w_per_m2=light_w_per_m2,
        measured=measured,
        assumed=assumed,
    )


def sorted_by_trust(*rests_on: Measured | Assumed) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What was measured and what was assumed, each in the order given."""
    measured = tuple(what for what in rests_on if isinstance(what, Measured))
    return measured, tuple(what for what in rests_on if isinstance(what, Assumed))


def emitted_w_per_m2(temperature_c: float) -> float:
    """Heat that one side of a leaf radiates: the law of Stefan and Boltzmann.

    >>> round(emitted_w_per_m2(25.0))
    435
    """
    return LEAF_EMISSIVITY * STEFAN_BOLTZMANN_W_PER_M2_K4 * (temperature_c + KELVIN_OF_ZERO_C) ** 4
