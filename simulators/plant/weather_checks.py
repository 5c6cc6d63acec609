"""What cannot be true of weather, row by row and column by column.

It answers for finding it and saying it with row, value and limit. It changes no value. What it cannot tell:
wind in knots or miles an hour in a column of metres a second (all three are wind), and temperatures of a cold
spell in Fahrenheit (20 to 50 F reads as a warm spell in Celsius).
"""

from collections.abc import Sequence
from datetime import timedelta
from math import radians, sin

import numpy as np
from numpy.typing import NDArray

from simulators.plant.sky import (
    TWILIGHT_ENDS_DEG,
    above_the_air_w_per_m2,
    clear_sky_w_per_m2,
    possible_w_per_m2,
    rarest_w_per_m2,
)
from simulators.plant.weather_rows import HOUR, Column, WeatherHour, WeatherRows

# Values outside these are wrong units or broken stations, not weather (the widest extremes recorded on land,
# rounded outwards; the solar constant, 1361 W/m2, with the brightening at cloud edges).
POSSIBLE_RANGES: dict[str, tuple[float, float]] = {
    "temperature_c": (-60.0, 60.0),
    "relative_humidity": (0.0, 1.0),
    "wind_m_per_s": (0.0, 60.0),
    "radiation_w_per_m2": (0.0, 1500.0),
}
CLOUD_RANGE = (0.0, 1.0)
NIGHT_RADIATION_W_PER_M2 = 5.0  # a radiometer's error; more, with the sun down, is a wrong clock

# Marks of a whole column in the wrong unit; each needs several rows, so that one glitch is named as a row.
FEWEST_ROWS = 3
HOTTEST_MEAN_C = 43.0  # no place is hotter in the mean of day and night for long (from memory)
KELVIN_BEGINS = 150.0
DRIEST_EVER = 0.015  # no place stays below this for a whole file
DAYLIGHT_W_PER_M2 = 100.0  # of a clear sky: below it light is too little to judge by
TOO_BRIGHT_SHARE = 0.02  # of the daylight rows; in kJ about half of them are too bright
DIMMEST_CLEARNESS = 0.02  # of a clear sky; a thunderstorm lets through more
FEWEST_DAYLIGHT_ROWS = 10


def time_problems(hours: Sequence[WeatherHour], step: timedelta) -> list[str]:
    """What is wrong with the hours' times: each must be aware and one step after the one before it."""
    problems = []
    wanted = "one hour" if step == HOUR else str(step)
    for number, hour in enumerate(hours):
        place = f"{hour.source or f'hour {number}'} ({hour.local_time:%d %B %H:%M})"
        if hour.local_time.utcoffset() is None:
            problems.append(f"{place}: the time has no offset from UTC")
        elif number and hours[number - 1].local_time.utcoffset() is not None:
            gap = hour.local_time - hours[number - 1].local_time
            if gap != step:
                problems.append(f"{place}: {gap} after the hour before it, not {wanted}")
    return problems


def row_problems(rows: WeatherRows, sines: Column | None, *, leave: Sequence[str] = ()) -> list[str]:
    """What cannot be true of single rows, in their order; `leave` are quantities not to look at.

    `sines` are the rows' own (`WeatherRows.sines`), None without a site.
    """
    found: list[tuple[int, str]] = []
    for name, (lowest, highest) in POSSIBLE_RANGES.items():
        if name not in leave:
            found += _out_of_range(getattr(rows, name), name, lowest, highest)
    clouds = rows.cloud_fraction
    known = np.where(np.isnan(clouds), 0.0, clouds)  # cloud may be unknown: it is worked out then
    found += _out_of_range(known, "cloud_fraction", *CLOUD_RANGE)
    if sines is not None and "radiation_w_per_m2" not in leave:
        found += _false_light(rows, sines)
    return [f"{rows.place(index)}: {reason}" for index, reason in sorted(found)]


def _out_of_range(values: Column, name: str, lowest: float, highest: float) -> list[tuple[int, str]]:
    bad = np.flatnonzero(~((values >= lowest) & (values <= highest)))  # so written, nan is bad too
    return [
        (int(index), f"{name} is {values[index]:g}, possible are {lowest:g} to {highest:g}")
        if np.isfinite(values[index])
        else (int(index), f"{name} is missing")
        for index in bad
    ]


def _false_light(rows: WeatherRows, sines: Column) -> list[tuple[int, str]]:
    assert rows.site is not None
    light, site = rows.radiation_w_per_m2, rows.site.name
    found = [
        (int(index), f"{light[index]:g} W/m2 while the sun is down at {site}: is the time zone right?")
        for index in np.flatnonzero(is_night(sines) & (light > NIGHT_RADIATION_W_PER_M2))
    ]
    most = mean_over_rows(possible_w_per_m2(sines, above_the_air_w_per_m2(rows.starts_at)))
    highest = POSSIBLE_RANGES["radiation_w_per_m2"][1]
    too_bright = ~is_night(sines) & (light > most) & (light <= highest)  # beyond, the range has said it
    return found + [
        (int(index), f"{light[index]:g} W/m2, with the sun so high {most[index]:.0f} are possible")
        for index in np.flatnonzero(too_bright)
    ]


def is_night(sines: Column) -> NDArray[np.bool_]:
    """Whether the sun stays below twilight for the whole step of each row."""
    return np.asarray(sines.max(axis=1) <= sin(radians(TWILIGHT_ENDS_DEG)), dtype=np.bool_)


def mean_over_rows(values: Column) -> Column:
    return np.asarray(values.mean(axis=1), dtype=np.float64)


def column_problems(rows: WeatherRows, sines: Column | None) -> dict[str, str]:
    """Quantities that look as if their whole column were in another unit, each with the reason."""
    found = {
        "temperature_c": _temperature_unit(rows.temperature_c),
        "relative_humidity": _humidity_unit(rows.relative_humidity),
    }
    if sines is not None:
        found["radiation_w_per_m2"] = _radiation_unit(rows, sines)
    return {name: reason for name, reason in found.items() if reason is not None}


def _temperature_unit(temperatures_c: Column) -> str | None:
    known = temperatures_c[np.isfinite(temperatures_c)]
    if known.size < FEWEST_ROWS:
        return None
    if known.min() > KELVIN_BEGINS:
        return f"the temperatures are {known.min():g} to {known.max():g} C: are they in kelvin?"
    hottest_c = POSSIBLE_RANGES["temperature_c"][1]
    too_hot = int((known > hottest_c).sum())
    if too_hot >= FEWEST_ROWS or known.mean() > HOTTEST_MEAN_C:
        return (
            f"the temperatures reach {known.max():g} C, their mean is {known.mean():.1f} C, "
            f"{too_hot} are above {hottest_c:g} C: are they in Fahrenheit?"
        )
    return None


def _humidity_unit(humidities: Column) -> str | None:
    known = humidities[np.isfinite(humidities)]
    if known.size < FEWEST_ROWS:
        return None
    if known.max() <= DRIEST_EVER:
        return (
            f"the relative humidity is never above {100.0 * known.max():g} %: is it a fraction in a column "
            "of percent?"
        )
    if np.median(known) > POSSIBLE_RANGES["relative_humidity"][1] * 2.0:
        return f"the relative humidity reaches {known.max():g}, where 1 is saturated: is it in percent?"
    return None


def _radiation_unit(rows: WeatherRows, sines: Column) -> str | None:
    clear = mean_over_rows(clear_sky_w_per_m2(sines))
    light = rows.radiation_w_per_m2
    daylight = (clear >= DAYLIGHT_W_PER_M2) & np.isfinite(light)
    count = int(daylight.sum())
    if count < FEWEST_DAYLIGHT_ROWS:
        return None
    rarest = mean_over_rows(rarest_w_per_m2(sines, above_the_air_w_per_m2(rows.starts_at)))
    too_bright = int((light > rarest)[daylight].sum())
    brightest = float(light[daylight].max())
    if too_bright >= max(FEWEST_ROWS, TOO_BRIGHT_SHARE * count):
        return (
            f"the radiation is more than the sun can give in {too_bright} of {count} daylight rows, at most "
            f"{brightest:g} W/m2: is it in kJ/m2 an hour (3.6 to the W/m2), or is the site wrong?"
        )
    if (light[daylight] / clear[daylight]).max() < DIMMEST_CLEARNESS:
        return (
            f"the radiation is never above {brightest:g} W/m2 in {count} daylight rows: is it in MJ/m2 or "
            "kWh/m2?"
        )
    return None
