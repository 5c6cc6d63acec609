"""The truth about the house at one instant, which no instrument shows; plain values."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneState:
    """A bench as it stands; totals run from the start of the plant, depths over the bench in mm."""

    film_um: float  # on the upper side of the upper leaves, over their area, mean of the bench
    film_driest_um: float  # the same in the driest quarter
    wet_fraction: float  # of those upper sides, mean of the bench
    leaf_temperature_c: float  # of the upper leaves, mean of the bench
    tissue_share: float  # water in the cuttings of the driest quarter, of full
    rooted_share: float  # mean of the bench
    is_wilted: bool  # in the driest quarter
    medium_share: float  # water in the medium of the wettest quarter, of what it holds after draining
    applied_l: float  # out of the nozzles
    drained_l: float  # out of the line after the valve shut
    line_l: float  # standing in the line
    missed_mm: float  # mist that fell between the leaves
    dripped_mm: float  # mist the leaves could not hold
    evaporated_mm: float  # from the leaves


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantState:
    """The house as it stands."""

    at_s: float  # since the weather began
    zones: Mapping[str, ZoneState]
    air_temperature_c: float
    relative_humidity: float
    vapour_pressure_deficit_kpa: float
    light_w_per_m2: float  # at the bench
    pressure_bar: float  # at the manifold, now
    flow_l_per_min: float  # into the manifold, now
    supplied_l: float  # into the manifold, since the start
