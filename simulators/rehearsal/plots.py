"""The plots of a rehearsal: day by day, and the worst day of each configuration by the minute.

Answers for: pictures that are legible on paper, on a telephone and without colours, the same bytes for the
same values. Does not know the page around them.
Rule: no text from a file goes into a picture: names stand on the page around it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from simulators.rehearsal.drawing import INK, Plot, drawing, rows, run_colour, svg
from simulators.rehearsal.figures import letters, number, said_day
from simulators.rehearsal.result import FILM_GONE_UM, CloseUp, DayResult, HouseRun, Rehearsal

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SECOND_COLOUR, MEAN_COLOUR, NIGHT_COLOUR = "#161616", "#7c828a", "#e6e9ee"
HOUSE_IN, ZONE_IN, ROW_IN, EDGES_IN = 4.6, 3.7, 0.85, 0.55  # widths, a row's height and what is around
COURSE_IN, FILM_IN = (4.6, 1.75), (5.6, 2.3)
BARS_APART_UP_TO = 62  # days; more of them touch each other
TICKS = 6
LONGEST_YEAR = 366  # days
NIGHT_W_PER_M2 = 1.0  # less light than this at the bench is drawn as night
HOURS = range(0, 25, 3)
MIN_PER_H = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Daily:
    """One quantity of a day, drawn as bars, and perhaps a part of it in front."""

    caption: str
    unit: str
    value: Callable[[DayResult, int], float]  # of a day, and of a zone by its index in the run
    front: Callable[[DayResult, int], float] | None = None  # never more than the value behind it
    decimals: int = 0
    is_sum: bool = True  # whether the days can be added up


ZONE_DAILY = (
    Daily(caption="dry by day, min", unit="min", value=lambda day, zone: day.dry_min[zone]),
    Daily(caption="wilted, min", unit="min", value=lambda day, zone: day.wilted_min[zone]),
    Daily(caption="bursts", unit="bursts", value=lambda day, zone: day.bursts[zone]),
    Daily(caption="water, l/m2", unit="l/m2", value=lambda day, zone: day.applied_mm[zone], decimals=1),
)
HOUSE_DAILY = (
    Daily(
        caption="VPD at its highest (in front, black: mean by day), kPa",
        unit="kPa",
        value=lambda day, _: day.vpd_highest_kpa,
        front=lambda day, _: day.vpd_mean_kpa,
        decimals=2,
        is_sum=False,
    ),
    Daily(
        caption="light at the bench, MJ/m2",
        unit="MJ/m2",
        value=lambda day, _: day.light_mj_per_m2,
        decimals=1,
    ),
)


def zone_names(rehearsal: Rehearsal) -> list[str]:
    """Every zone of any run, in the order in which they are first met."""
    return list(dict.fromkeys(zone.name for run in rehearsal.runs for zone in run.zones))


# --- day by day


def house_plots(rehearsal: Rehearsal) -> list[Plot]:
    """The air and the light in the house, day by day."""
    who = [(index, 0) for index in range(len(rehearsal.runs))]
    plots = [_daily_plot(rehearsal, each, who, f"house-{n}") for n, each in enumerate(HOUSE_DAILY)]
    return [*plots, _air_plot(rehearsal)]


def zone_plots(rehearsal: Rehearsal, name: str) -> list[Plot]:
    """How a zone fared day by day, under each configuration that has it."""
    who = [
        (index, place)
        for index, run in enumerate(rehearsal.runs)
        for place, zone in enumerate(run.zones)
        if zone.name == name
    ]
    return [
        _daily_plot(rehearsal, each, who, f"zone-{name}-{n}", f"zone {name}, ")
        for n, each in enumerate(ZONE_DAILY)
    ]


def _highest_of_any(rehearsal: Rehearsal, daily: Daily) -> float:
    """The highest that will be drawn in any zone, so that all are drawn to the same scale."""
    return max(
        daily.value(day, place)
        for run in rehearsal.runs
        for day in run.days
        for place in range(len(run.zones))
    )


def _daily_plot(
    rehearsal: Rehearsal,
    daily: Daily,
    who: Sequence[tuple[int, int]],
    slug: str,
    of_what: str = "",
) -> Plot:
    days = [day.day for day in rehearsal.runs[0].days]
    with drawing():
        figure, axes = rows(len(who), _size_in(ZONE_IN if of_what else HOUSE_IN, len(who)))
        for (index, place), each in zip(who, axes, strict=True):
            run = rehearsal.runs[index]
            _bars(each, [daily.value(day, place) for day in run.days], run_colour(index))
            if daily.front:
                _bars(each, [daily.front(day, place) for day in run.days], SECOND_COLOUR)
            _name(each, letters(rehearsal)[index], run_colour(index))
        axes[0].set_ylim(0.0, _highest_of_any(rehearsal, daily) * 1.05 or 1.0)
        _fit(axes, days)
        picture = svg(figure, slug)
    alt = "; ".join(_told(rehearsal, daily, index, place) for index, place in who)
    return Plot(
        caption=daily.caption, alt=f"{of_what}{daily.caption}, a bar for each day. {alt}", svg=picture
    )


def _told(rehearsal: Rehearsal, daily: Daily, index: int, place: int) -> str:
    run, its_letter = rehearsal.runs[index], letters(rehearsal)[index]
    values = [daily.value(day, place) for day in run.days]
    highest = max(values)
    at = said_day(run.days[values.index(highest)].day)
    most = f"most {number(highest, daily.decimals)} {daily.unit} on {at}"
    in_all = f"{number(sum(values), daily.decimals)} {daily.unit} in all, " if daily.is_sum else ""
    return f"{its_letter}: {in_all}{most}" if its_letter else f"{in_all}{most}"


def _air_plot(rehearsal: Rehearsal) -> Plot:
    days = [day.day for day in rehearsal.runs[0].days]
    with drawing():
        figure, axes = rows(len(rehearsal.runs), _size_in(HOUSE_IN, len(rehearsal.runs)))
        for index, (run, each) in enumerate(zip(rehearsal.runs, axes, strict=True)):
            lowest = [day.air_lowest_c for day in run.days]
            each.use_sticky_edges = False  # the lowest bar does not stand on the axis
            _bars(each, [day.air_highest_c for day in run.days], run_colour(index), lowest)
            _name(each, letters(rehearsal)[index], run_colour(index))
        _fit(axes, days)
        picture = svg(figure, "house-air")
    every = [day for run in rehearsal.runs for day in run.days]
    lowest_c, highest_c = min(day.air_lowest_c for day in every), max(day.air_highest_c for day in every)
    caption = "air, lowest to highest, C"
    return Plot(
        caption=caption, alt=f"{caption}, for each day: {lowest_c:.1f} to {highest_c:.1f} C", svg=picture
    )


def _size_in(width_in: float, count: int) -> tuple[float, float]:
    """Of a figure with so many rows; a single one is a little higher."""
    return width_in, EDGES_IN + ROW_IN * max(count, 1.4)


def _bars(axes: "Axes", values: Sequence[float], colour: str, bottoms: Sequence[float] | None = None) -> None:
    """A bar for each day, from 0 or from the bottoms; of many days they touch, and are one shape."""
    bottoms = bottoms or [0.0] * len(values)
    if len(values) <= BARS_APART_UP_TO:
        middles = [place + 0.5 for place in range(len(values))]
        heights = [value - bottom for value, bottom in zip(values, bottoms, strict=True)]
        axes.bar(middles, heights, width=0.75, bottom=bottoms, color=colour, linewidth=0.0)
    else:
        edges = list(range(len(values) + 1))
        axes.stairs(values, edges, baseline=bottoms, fill=True, color=colour, linewidth=0.0)


def _name(axes: "Axes", its_letter: str, colour: str) -> None:
    """A run's letter beside its row, where there is more than one."""
    if its_letter:
        axes.text(1.01, 0.5, its_letter, transform=axes.transAxes, color=colour, weight="bold", va="center")


def _fit(axes: Sequence["Axes"], days: Sequence[date]) -> None:
    """Set what the rows share: few lines across, and the days below."""
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415

    axes[0].set_xlim(0, len(days))
    axes[0].yaxis.set_major_locator(MaxNLocator(3))
    places, said = zip(*_day_ticks(days), strict=True)
    axes[-1].set_xticks(places, said)


def _day_ticks(days: Sequence[date]) -> list[tuple[float, str]]:
    """Where days or months are named, few enough to be read."""
    firsts = [place for place, day in enumerate(days) if day.day == 1]
    if len(firsts) < TICKS // 2:
        every = -(-len(days) // TICKS)
        return [(place + 0.5, f"{days[place].day} {days[place]:%b}") for place in range(0, len(days), every)]
    shown = firsts[:: -(-len(firsts) // TICKS)]
    is_long = len(days) > LONGEST_YEAR
    return [(float(place), f"{days[place]:%b %Y}" if is_long else f"1 {days[place]:%b}") for place in shown]


# --- the worst day


def climate_plots(close_up: CloseUp, index: int) -> list[Plot]:
    """The air and the light on a run's worst day."""
    quantities = (
        ("VPD of the air, kPa", close_up.vpd_kpa, 2),
        ("light at the bench, W/m2", close_up.light_w_per_m2, 0),
        ("air, C", close_up.air_c, 1),
    )
    return [
        _course(close_up, caption, values, decimals, run_colour(index), f"close-{index}-air-{n}")
        for n, (caption, values, decimals) in enumerate(quantities)
    ]


def film_plots(run: HouseRun, close_up: CloseUp, index: int) -> list[Plot]:
    """Film and bursts of every zone on a run's worst day."""
    return [_film_plot(run, close_up, place, index) for place in range(len(run.zones))]


def _course(
    close_up: CloseUp, caption: str, values: Sequence[float], decimals: int, colour: str, slug: str
) -> Plot:
    with drawing():
        figure, axes = _whole_day(close_up, COURSE_IN)
        axes.plot(_hours(close_up.minutes), values, color=colour, linewidth=1.2)
        if min(values) >= 0.0:
            axes.set_ylim(bottom=0.0)
        picture = svg(figure, slug)
    highest = max(values)
    at = _clock(close_up.minutes[values.index(highest)])
    ends = f"from {number(min(values), decimals)} to {number(highest, decimals)}, highest at {at}"
    return Plot(caption=caption, alt=f"{caption}, through {said_day(close_up.day)}: {ends}", svg=picture)


def _film_plot(run: HouseRun, close_up: CloseUp, place: int, index: int) -> Plot:
    driest, mean = close_up.film_driest_um[place], close_up.film_mean_um[place]
    bursts = close_up.burst_minutes[place]
    top = max(map(max, (*close_up.film_driest_um, *close_up.film_mean_um, (2.0 * FILM_GONE_UM,)))) * 1.05
    with drawing():
        figure, axes = _whole_day(close_up, FILM_IN)
        hours = _hours(close_up.minutes)
        axes.plot(hours, mean, color=MEAN_COLOUR, linewidth=0.5)
        axes.plot(hours, driest, color=run_colour(index), linewidth=0.8)
        axes.axhline(FILM_GONE_UM, color=INK, linewidth=1.0, linestyle=":")
        _ticks_below(axes, bursts, top)
        picture = svg(figure, f"close-{index}-zone-{run.zones[place].name}")
    name = run.zones[place].name
    alt = (
        f"film on the upper leaves of zone {name} through {said_day(close_up.day)}: the driest quarter "
        f"between {number(min(driest), 0)} and {number(max(driest), 0)} um, {len(bursts)} bursts"
    )
    return Plot(caption=f"{name}: film, um; ticks below: bursts", alt=alt, svg=picture)


def _ticks_below(axes: "Axes", minutes: Sequence[float], top: float) -> None:
    """A tick for each burst, below nought, as one path."""
    hours = [hour for minute in minutes for hour in (minute / MIN_PER_H,) * 3]
    axes.plot(hours, [-0.13 * top, -0.03 * top, float("nan")] * len(minutes), color=INK, linewidth=0.6)
    axes.set_ylim(-0.15 * top, top)
    axes.set_yticks([tick for tick in axes.get_yticks() if 0.0 <= tick <= top])


def _whole_day(close_up: CloseUp, size_in: tuple[float, float]) -> tuple["Figure", "Axes"]:
    """An empty plot of a day, its night shaded."""
    figure, (axes,) = rows(1, size_in)
    is_night = [light < NIGHT_W_PER_M2 for light in close_up.light_w_per_m2]
    hours = _hours(close_up.minutes)
    across = axes.get_xaxis_transform()
    axes.fill_between(hours, 0, 1, where=is_night, transform=across, color=NIGHT_COLOUR, linewidth=0.0)
    axes.set_xlim(HOURS.start, HOURS[-1])
    axes.set_xticks(list(HOURS), [f"{hour}:00" if hour % 6 == 0 else "" for hour in HOURS])
    return figure, axes


def _hours(minutes: Sequence[float]) -> list[float]:
    return [minute / MIN_PER_H for minute in minutes]


def _clock(minute: float) -> str:
    return f"{int(minute) // 60}:{int(minute) % 60:02d}"
