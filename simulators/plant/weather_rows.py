"""Weather as rows: what a station wrote down at even steps, and where it stood.

It answers for the shape of the rows alone: what stands for a moment and what for the step before it, what a
row is called in a message. It judges nothing, repairs nothing and knows nothing between two rows.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import nan
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulators.plant.sky import sun_sines

Column = NDArray[np.float64]

HOUR_S = 3600.0
HOUR = timedelta(hours=1)
LONGEST_POINT_S = 60.0  # between two points of the tables: a shadow crosses a house in about a minute
MOST_PROBLEMS = 20  # named at once; a file that is wrong throughout needs no more

QUANTITIES = ("temperature_c", "relative_humidity", "wind_m_per_s", "radiation_w_per_m2")


class WeatherFileError(ValueError):
    """Weather that cannot be used, with every reason found, up to a limit.

    `problems` are the reasons, each with its row where it has one; `left_out` counts those beyond the limit.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems[:MOST_PROBLEMS])
        self.left_out = len(problems) - len(self.problems)
        more = [f"and {self.left_out} more"] if self.left_out else []
        super().__init__("\n".join([*self.problems, *more]))


class Outdoors(NamedTuple):
    """The weather at one instant."""

    temperature_c: float
    relative_humidity: float
    wind_m_per_s: float
    radiation_w_per_m2: float
    sky_below_air_c: float = (
        0.0  # by how much colder than the air the sky radiates: 0 overcast, about 20 clear
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where the weather was measured; `utc_offset_h` is that of local standard time."""

    name: str
    latitude_deg: float
    longitude_deg: float  # east positive
    elevation_m: float
    utc_offset_h: float

    @property
    def air_pressure_kpa(self) -> float:
        """Standard pressure at this height, FAO-56 eq. 7."""
        return 101.3 * float(((293.0 - 0.0065 * self.elevation_m) / 293.0) ** 5.26)


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherHour:
    """One row: what stood at `local_time`, and the mean radiation of the hour that ends then."""

    local_time: datetime  # aware
    temperature_c: float
    relative_humidity: float
    wind_m_per_s: float
    radiation_w_per_m2: float  # global, on the level
    cloud_fraction: float = nan  # opaque cloud; nan: not known, worked out from the light
    sky_below_air_c: float = nan  # nan: worked out from cloud and dew point
    source: str = ""  # file and row, for messages


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeatherRows:
    """Rows at an even step, a column for each quantity; a cell that is not known is nan.

    Radiation is the mean of the step that ends at the row's stamp, all else stands for the stamp.
    """

    starts_at: datetime  # stamp of the first row, aware, in local standard time
    step_s: float
    site: Site | None  # None: a chamber with lamps, no sun and no sky
    temperature_c: Column
    relative_humidity: Column
    wind_m_per_s: Column
    radiation_w_per_m2: Column
    cloud_fraction: Column
    sky_below_air_c: Column
    row_name: Callable[[int], str]
    is_typical: bool = False  # a year made of months, which follows itself

    def __len__(self) -> int:
        return len(self.temperature_c)

    @property
    def points_per_row(self) -> int:
        return max(1, int(-(-self.step_s // LONGEST_POINT_S)))

    @property
    def step(self) -> timedelta:
        return timedelta(seconds=self.step_s)

    def stamp(self, index: int) -> datetime:
        return self.starts_at + index * self.step

    def place(self, index: int) -> str:
        """What to call this row in a message.

        The year is left out: in a typical year it means nothing, and the row's number tells the rest.
        """
        return f"{self.row_name(index)} ({self.stamp(index):%d %B %H:%M})"

    def sines(self) -> Column:
        """Sines of the sun's height, rows x points: at the middles of the points in the step before a stamp.

        Raises:
            ValueError: there is no site, so no sun.
        """
        if self.site is None:
            raise ValueError("without a site there is no sun")
        points = self.points_per_row
        places = np.arange(len(self) * points, dtype=np.float64) + 0.5
        middles: Column = places * (self.step_s / points) - self.step_s
        sines = sun_sines(
            self.starts_at,
            middles,
            latitude_deg=self.site.latitude_deg,
            longitude_deg=self.site.longitude_deg,
        )
        return sines.reshape(len(self), points)

    def chosen(
        self, indices: NDArray[np.int64], starts_at: datetime, *, is_typical: bool = False
    ) -> "WeatherRows":
        """These rows, dated anew from `starts_at`; they are called what they were called before."""
        names = self.row_name
        return replace(
            self,
            starts_at=starts_at,
            temperature_c=self.temperature_c[indices],
            relative_humidity=self.relative_humidity[indices],
            wind_m_per_s=self.wind_m_per_s[indices],
            radiation_w_per_m2=self.radiation_w_per_m2[indices],
            cloud_fraction=self.cloud_fraction[indices],
            sky_below_air_c=self.sky_below_air_c[indices],
            row_name=lambda index: names(int(indices[index])),
            is_typical=is_typical,
        )

    def with_column(self, name: str, values: Column) -> "WeatherRows":
        """These rows with another column in the place of the one so called."""
        changed: dict[str, Any] = {name: values}
        return replace(self, **changed)


def rows_of_hours(hours: Sequence[WeatherHour], site: Site | None, step: timedelta) -> WeatherRows:
    """The rows that these hours make, in their order and whatever they say."""
    sources = [hour.source for hour in hours]
    return WeatherRows(
        starts_at=hours[0].local_time,
        step_s=step.total_seconds(),
        site=site,
        temperature_c=_column(hour.temperature_c for hour in hours),
        relative_humidity=_column(hour.relative_humidity for hour in hours),
        wind_m_per_s=_column(hour.wind_m_per_s for hour in hours),
        radiation_w_per_m2=_column(hour.radiation_w_per_m2 for hour in hours),
        cloud_fraction=_column(hour.cloud_fraction for hour in hours),
        sky_below_air_c=_column(hour.sky_below_air_c for hour in hours),
        row_name=lambda index: sources[index] or f"hour {index}",
    )


def _column(values: Iterable[float]) -> Column:
    return np.fromiter(values, dtype=np.float64)
