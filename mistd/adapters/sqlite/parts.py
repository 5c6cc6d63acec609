"""Parts of a minute or an hour put together, in memory, as the database puts them together on disk."""

import dataclasses
from collections.abc import Iterable

from mistd.ports.store import RolledReadings, WaterGiven


def put_together(one: RolledReadings, other: RolledReadings) -> RolledReadings:
    """Both parts of one minute or hour of one sensor; the mean counts every reading alike."""
    count = one.count + other.count
    return dataclasses.replace(
        one,
        least=min(one.least, other.least),
        mean=one.mean + (other.mean - one.mean) * other.count / count,
        most=max(one.most, other.most),
        count=count,
    )


def added(one: WaterGiven, other: WaterGiven) -> WaterGiven:
    """Both parts of one hour of one zone."""
    return dataclasses.replace(
        one,
        bursts=one.bursts + other.bursts,
        open_s=one.open_s + other.open_s,
        water_l=one.water_l + other.water_l,
    )


def readings_of_parts(parts: Iterable[RolledReadings]) -> dict[tuple[int, str], RolledReadings]:
    """By beginning and sensor."""
    whole: dict[tuple[int, str], RolledReadings] = {}
    for part in parts:
        key = part.begins, part.sensor
        whole[key] = put_together(whole[key], part) if key in whole else part
    return whole


def water_of_parts(parts: Iterable[WaterGiven]) -> dict[tuple[int, str], WaterGiven]:
    """By beginning and zone."""
    whole: dict[tuple[int, str], WaterGiven] = {}
    for part in parts:
        key = part.begins, part.zone
        whole[key] = added(whole[key], part) if key in whole else part
    return whole
