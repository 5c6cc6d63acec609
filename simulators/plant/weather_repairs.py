"""Small faults of weather files put right, each said with row and value.

It answers for the four repairs below and no other. What is past them is left as it stands, for the checks to
refuse. No value is ever changed in silence.

1. Humidity from 100 to 105 % (a wet sensor) is taken as 100 %.
2. Up to 5 W/m2 either side of nought with the sun down (a radiometer's offset) is taken as nought.
3. Light above what is extremely rare but below what is possible (QCRad) is taken as the extremely rare.
4. Up to three hours of a quantity that are missing are filled by straight lines; light by a straight line of
   its share of the clear sky's. Nothing is filled before the first or after the last known value.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simulators.plant.sky import above_the_air_w_per_m2, light_shape, possible_w_per_m2, rarest_w_per_m2
from simulators.plant.weather_checks import (
    DAYLIGHT_W_PER_M2,
    NIGHT_RADIATION_W_PER_M2,
    POSSIBLE_RANGES,
    is_night,
    mean_over_rows,
)
from simulators.plant.weather_rows import HOUR_S, QUANTITIES, Column, WeatherRows

WETTEST_REPAIRED = 1.05
LONGEST_GAP_S = 3.0 * HOUR_S
LEAST_SHAPE = DAYLIGHT_W_PER_M2 / 1000.0  # `light_shape` below which a share of it tells nothing

Mask = NDArray[np.bool_]


def repaired(rows: WeatherRows, sines: Column | None) -> tuple[WeatherRows, tuple[str, ...]]:
    """The rows with small faults put right, and what was done, in words.

    `sines` are the rows' own, None without a site: then nothing is known of the sun and no light is judged.
    """
    notes: list[str] = []
    rows = _with_humidity_capped(rows, notes)
    if sines is not None:
        rows = with_dark_nights(rows, sines, notes)
        rows = _with_peaks_capped(rows, sines, notes)
    for name in QUANTITIES:
        rows = _with_gaps_filled(rows, name, sines, notes)
    return rows, tuple(notes)


def with_dark_nights(rows: WeatherRows, sines: Column, notes: list[str]) -> WeatherRows:
    """Repair 2; what was done is added to `notes`."""
    light = rows.radiation_w_per_m2
    small = np.abs(light) <= NIGHT_RADIATION_W_PER_M2
    wrong = small & (light != 0.0) & (is_night(sines) | (light < 0.0))
    _note(rows, wrong, notes, lambda a, b: f"radiation of {_span(light, a, b, 'W/m2')} by night taken as 0")
    return replace(rows, radiation_w_per_m2=np.where(wrong, 0.0, light)) if wrong.any() else rows


def _with_humidity_capped(rows: WeatherRows, notes: list[str]) -> WeatherRows:
    humidity = rows.relative_humidity
    wrong = (humidity > 1.0) & (humidity <= WETTEST_REPAIRED)
    _note(
        rows,
        wrong,
        notes,
        lambda a, b: f"relative humidity of {_span(100.0 * humidity, a, b, '%')} taken as 100 %",
    )
    return replace(rows, relative_humidity=np.where(wrong, 1.0, humidity))


def _with_peaks_capped(rows: WeatherRows, sines: Column, notes: list[str]) -> WeatherRows:
    """Repair 3. Light above the possible is left for the checks to refuse, by row."""
    light, above_the_air = rows.radiation_w_per_m2, above_the_air_w_per_m2(rows.starts_at)
    most = mean_over_rows(rarest_w_per_m2(sines, above_the_air))
    possible = mean_over_rows(possible_w_per_m2(sines, above_the_air))
    possible = np.minimum(possible, POSSIBLE_RANGES["radiation_w_per_m2"][1])
    wrong = ~is_night(sines) & (light > most) & (light <= possible)
    _note(
        rows,
        wrong,
        notes,
        lambda a, b: (
            f"radiation of {_span(light, a, b, 'W/m2')} taken as {_span(most, a, b, 'W/m2')}, the most "
            "that cloud edges give"
        ),
    )
    return replace(rows, radiation_w_per_m2=np.where(wrong, most, light))


def _with_gaps_filled(rows: WeatherRows, name: str, sines: Column | None, notes: list[str]) -> WeatherRows:
    values: Column = getattr(rows, name)
    missing = np.isnan(values)
    if not missing.any() or missing.all():
        return rows
    short = np.zeros_like(missing)
    for first, last in runs(missing):
        is_inside = first > 0 and last < len(rows) - 1
        short[first : last + 1] = is_inside and (last - first + 1) * rows.step_s <= LONGEST_GAP_S
    if name == "radiation_w_per_m2" and sines is not None:
        filled = _light_between(values, sines)
    else:
        filled = _straight_between(values)
    mended = np.where(short, filled, values)
    _note(rows, short, notes, lambda a, b: f"{name} was missing, filled with {_span(mended, a, b)}")
    return rows.with_column(name, mended)


def _straight_between(values: Column) -> Column:
    known = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(len(values)), known, values[known])


def _light_between(values: Column, sines: Column) -> Column:
    """Missing light: its share of the clear sky's by straight lines from one known daylight to the next."""
    shape = mean_over_rows(light_shape(sines))
    telling = np.flatnonzero(np.isfinite(values) & (shape >= LEAST_SHAPE))
    if not telling.size:
        return _straight_between(values)
    share = np.interp(np.arange(len(values)), telling, values[telling] / shape[telling])
    return np.asarray(share * shape, dtype=np.float64)


def runs(mask: Mask) -> Iterator[tuple[int, int]]:
    """First and last index of each run of true.

    >>> list(runs(np.array([True, False, True, True])))
    [(0, 0), (2, 3)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    for first, past in zip(edges[::2], edges[1::2], strict=True):
        yield int(first), int(past) - 1


def _note(rows: WeatherRows, mask: Mask, notes: list[str], words: Callable[[int, int], str]) -> None:
    """One note for each run of rows that were changed alike."""
    for first, last in runs(mask):
        place = rows.place(first) if first == last else f"{rows.place(first)} to {rows.place(last)}"
        notes.append(f"{place}: {words(first, last)}")


def _span(values: Column, first: int, last: int, unit: str = "") -> str:
    """The values from first to last, in words: one, or the lowest to the highest."""
    part = values[first : last + 1]
    lowest, highest = float(part.min()), float(part.max())
    text = f"{lowest:.4g}" if lowest == highest else f"{lowest:.4g} to {highest:.4g}"
    return f"{text} {unit}".rstrip()
