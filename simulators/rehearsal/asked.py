"""What a rehearsal was asked to do, checked whole: houses' files, weather, days, and where to write.

Rule: every problem is found and told at once, before anything is run. Does not know how a house is run.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import asin, cos, radians, sin, sqrt
from pathlib import Path
from typing import TYPE_CHECKING

from mistd.app.config import Config, PlaceSection
from mistd.app.config_file import load_config
from mistd.app.problems import ConfigError, printable
from simulators.rehearsal.files import problem_with

if TYPE_CHECKING:
    from simulators.plant.weather import Site, Weather

ONE_DAY = timedelta(days=1)
SAME_PLACE_KM = 50.0  # nearer than this, at 50 degrees north, the sun rises within some three minutes
TypedDays = tuple[date | None, date | None]
EARTH_RADIUS_KM = 6371.0  # mean radius, IUGG


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked, as it was typed."""

    houses: tuple[Path, ...]
    weather: Path | None
    from_day: str | None
    to_day: str | None
    out: Path | None
    seed: int
    year: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """What can be run."""

    labels: tuple[str, ...]
    configs: tuple[Config, ...]
    weather: "Weather"
    weather_name: str
    first_day: date
    last_day: date
    remarks: tuple[str, ...]  # nothing wrong, but to be known


class PlanError(Exception):
    """Nothing can be run; all that is in the way."""

    def __init__(self, wrong: Sequence[str], refused: Sequence[str]) -> None:
        """Tell what is in the way.

        Args:
            wrong: what has to be asked otherwise.
            refused: what was asked rightly, and cannot be done here.
        """
        super().__init__(wrong, refused)
        self.is_wrong = bool(wrong)
        self._texts = (*wrong, *refused)

    def __str__(self) -> str:
        return "\n".join(self._texts)


def planned(asked: Asked) -> Planned:
    """Everything that is needed, read and checked.

    Raises:
        PlanError: every problem of it.
    """
    wrong: list[str] = []
    configs = tuple(_configs(asked.houses, wrong))
    days = _typed_days(asked, wrong)
    weather = _weather(asked, days, wrong)
    refused = problem_with(asked.out) if asked.out else None
    if wrong or refused or weather is None:
        raise PlanError(wrong, [printable(refused)] if refused else [])
    labels = tuple(distinct_labels(asked.houses))
    first_day, last_day = whole_days(weather)
    return Planned(
        labels=labels,
        configs=configs,
        weather=weather,
        weather_name=weather_name(asked.weather, weather),
        first_day=first_day,
        last_day=last_day,
        remarks=tuple(place_remarks(labels, configs, weather.site)),
    )


# --- houses


def _configs(files: Sequence[Path], wrong: list[str]) -> Iterator[Config]:
    """Every house that can be read; a file that is named twice has its problems told once."""
    for file in files:
        try:
            yield load_config(file)
        except ConfigError as problem:
            if str(problem) not in wrong:
                wrong.append(str(problem))


def distinct_labels(files: Sequence[Path]) -> list[str]:
    """What to call each file: its name, with as much of its directory as tells it from the others.

    >>> distinct_labels([Path("a.toml"), Path("old/b.toml"), Path("new/b.toml"), Path("a.toml")])
    ['a', 'old/b', 'new/b', 'a (2)']
    """
    stems = [file.stem for file in files]
    named = [
        stem if _is_alone(file, files) else f"{file.absolute().parent.name}/{stem}"
        for file, stem in zip(files, stems, strict=True)
    ]
    labels: list[str] = []
    for name in map(printable, named):
        label, number = name, 2
        while label in labels:
            label, number = f"{name} ({number})", number + 1
        labels.append(label)
    return labels


def _is_alone(file: Path, files: Sequence[Path]) -> bool:
    """Whether no file elsewhere has the same name."""
    return all(other.stem != file.stem or other.absolute() == file.absolute() for other in files)


def place_remarks(labels: Sequence[str], configs: Sequence[Config], site: "Site | None") -> Iterator[str]:
    """A line for each house that stands elsewhere than the weather was measured."""
    if site is None:
        return
    for label, config in zip(labels, configs, strict=True):
        apart_km = distance_km(config.place, site)
        if apart_km > SAME_PLACE_KM:
            house = _said_place(config.place.latitude, config.place.longitude)
            there = _said_place(site.latitude_deg, site.longitude_deg)
            yield printable(
                f"{label} stands at {house}; the weather is from {site.name}, {there}, "
                f"{apart_km:,.0f} km away: the sun is taken as it is there"
            )


def _said_place(latitude_deg: float, longitude_deg: float) -> str:
    """A place as people write it.

    >>> _said_place(36.1, -79.95)
    '36.10 N 79.95 W'
    """
    north, east = ("N" if latitude_deg >= 0.0 else "S"), ("E" if longitude_deg >= 0.0 else "W")
    return f"{abs(latitude_deg):.2f} {north} {abs(longitude_deg):.2f} {east}"


def distance_km(place: PlaceSection, site: "Site") -> float:
    """How far a house is from a weather station, over a round earth (haversine formula; within 0.6 %)."""
    north, north_there = radians(place.latitude), radians(site.latitude_deg)
    half_north = (north_there - north) / 2.0
    half_east = radians(site.longitude_deg - place.longitude) / 2.0
    chord = sin(half_north) ** 2 + cos(north) * cos(north_there) * sin(half_east) ** 2
    return 2.0 * EARTH_RADIUS_KM * asin(min(1.0, sqrt(chord)))


# --- weather and days


def _typed_days(asked: Asked, wrong: list[str]) -> TypedDays:
    """The days that were asked for; None where none was, or what was typed is no day."""
    first, last = _day("--from", asked.from_day, wrong), _day("--to", asked.to_day, wrong)
    if first and last and first > last:
        wrong.append(f"--to {last} is before --from {first}")
        return None, None
    return first, last


def _day(option: str, text: str | None, wrong: list[str]) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        wrong.append(printable(f"{option} {text!r} is no day; write it as 2025-03-01"))
        return None


def _weather(asked: Asked, typed: TypedDays, wrong: list[str]) -> "Weather | None":
    """The weather from the first midnight of the rehearsal to its last."""
    # Here and not above: they bring numpy, and pvlib after them.
    from simulators.plant.weather_files import WeatherFileError, read_weather, weather_between  # noqa: PLC0415

    try:
        weather = read_weather(asked.weather, year=asked.year)
    except WeatherFileError as problem:
        reasons = "\n  ".join(map(printable, problem.problems))
        wrong.append(f"{printable(_said_file(asked.weather))}: not to be used\n  {reasons}")
        return None
    except ValueError as problem:
        wrong.append(printable(f"--year: {problem}"))
        return None
    try:
        return weather_between(weather, *_completed(weather, typed))
    except ValueError as problem:
        wrong.append(printable(f"--from, --to: {problem}"))
        return None


def _completed(weather: "Weather", typed: TypedDays) -> tuple[date, date]:
    """The days, with the weather's own ends for what was left out; a typical year has those of any year."""
    first, last = typed
    begins, ends = whole_days(weather)
    if weather.rows.is_typical:
        begins = begins.replace(year=last.year) if last else begins
        ends = ends.replace(year=first.year) if first else ends
    return first or begins, last or ends


def whole_days(weather: "Weather") -> tuple[date, date]:
    """The first and the last day that the weather has from midnight to midnight.

    The last is before the first where it has none.
    """
    begins, ends = weather.starts_at, weather.starts_at + timedelta(seconds=weather.duration_s)
    is_at_midnight = begins == begins.replace(hour=0, minute=0, second=0, microsecond=0)
    return begins.date() + (not is_at_midnight) * ONE_DAY, ends.date() - ONE_DAY


def weather_name(file: Path | None, weather: "Weather") -> str:
    """What the weather is called: the place where it was measured and its file."""
    place = [weather.site.name] if weather.site else []
    return printable(", ".join([*place, file.name if file else "typical year"]))


def _said_file(file: Path | None) -> str:
    return f"weather {file}" if file else "the typical year"
