"""A rehearsal as one page of HTML for people: figures, plots, how to read them and what was assumed.

Answers for: a page that stands by itself, on a screen, a telephone and paper, and in a reader's voice. Does
not know how the figures came about.
Rules: the page fetches nothing from anywhere; whatever stands in a house's file or a file's name is text in
it, never markup; the same rehearsal gives the same bytes.
"""

from collections.abc import Iterable, Iterator, Sequence
from html import escape

from mistd.app.problems import printable
from simulators.rehearsal.drawing import INK, Plot, run_colour
from simulators.rehearsal.figures import (
    ALL_ZONES,
    COLUMNS,
    cells,
    comparison,
    difference_rows,
    letters,
    meanings,
    number,
    rows,
    said_day,
    said_run,
    said_span,
    together,
)
from simulators.rehearsal.files import REPORT_MARK
from simulators.rehearsal.plots import (
    MEAN_COLOUR,
    climate_plots,
    film_plots,
    house_plots,
    zone_names,
    zone_plots,
)
from simulators.rehearsal.report_words import ASSUMED, CAUTION, HOW_TO_READ, STYLE
from simulators.rehearsal.result import HouseRun, Rehearsal

FETCH_NOTHING = "default-src 'none'; style-src 'unsafe-inline'"


def report(rehearsal: Rehearsal) -> str:
    """The whole page."""
    span = said_span(rehearsal.first_day, rehearsal.last_day)
    parts = [
        f"<h1>Rehearsal of {text(span)}</h1>",
        *_what(rehearsal),
        f'<p class="caution" role="note"><strong>A simulation is not the house.</strong> {CAUTION}</p>',
        *_section("In short", _in_short(rehearsal)),
        *_section("Zone by zone", _figures(rehearsal)),
        *_section("The worst day", _worst_days(rehearsal)),
        *_section("Day by day", _days(rehearsal)),
        *_section("How to read this", _list(HOW_TO_READ)),
        *_section("What was assumed", _list(ASSUMED)),
        *_section("The weather", _weather(rehearsal)),
        f"<footer>mistd {text(rehearsal.version)}, seed {rehearsal.seed}; {_work(rehearsal)}</footer>",
    ]
    return "\n".join([*_head(f"Rehearsal of {span}"), *parts, "</main>", "</body>", "</html>", ""])


def text(said: str) -> str:
    """Text from anywhere, as text of the page."""
    return escape(printable(said), quote=True)


def _head(title: str) -> list[str]:
    return [
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        REPORT_MARK,
        f'<meta http-equiv="Content-Security-Policy" content="{FETCH_NOTHING}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{text(title)}</title>",
        f"<style>{STYLE}</style>",
        "</head>",
        "<body>",
        "<main>",
    ]


def _section(title: str, inside: Iterable[str]) -> list[str]:
    return ["<section>", f"<h2>{title}</h2>", *inside, "</section>"]


def _list(sentences: Iterable[str]) -> list[str]:
    return ["<ul>", *(f"<li>{text(sentence)}</li>" for sentence in sentences), "</ul>"]


def _work(rehearsal: Rehearsal) -> str:
    steps = sum(run.steps for run in rehearsal.runs)
    decisions = sum(run.decisions for run in rehearsal.runs)
    return f"{steps:,} steps of the simulated house, {decisions:,} decisions"


# --- what it comes to


def _what(rehearsal: Rehearsal) -> Iterator[str]:
    yield f"<p>Weather: {text(rehearsal.weather)}.</p>"
    yield "<ul>" if len(rehearsal.runs) > 1 else '<ul class="plain">'
    yield from (f"<li>{_run_name(rehearsal, index)}</li>" for index in range(len(rehearsal.runs)))
    yield "</ul>"


def _run_name(rehearsal: Rehearsal, index: int) -> str:
    """A run's letter in its colour, its file and its house."""
    run, its_letter = rehearsal.runs[index], letters(rehearsal)[index]
    mark = f'<b class="letter" style="color:{run_colour(index)}">{its_letter}</b> ' if its_letter else ""
    return mark + text(said_run(run, ""))


def _in_short(rehearsal: Rehearsal) -> Iterator[str]:
    for index, run in enumerate(rehearsal.runs):
        yield f"<p>{_run_name(rehearsal, index)}. {text(_outcome(run))}</p>"
    first = rehearsal.runs[0]
    for index, run in list(enumerate(rehearsal.runs))[1:]:
        yield f"<h3>{letters(rehearsal)[index]} against {letters(rehearsal)[0]}</h3>"
        yield from _list(comparison(first, run))


def _outcome(run: HouseRun) -> str:
    whole = together(run.zones, len(run.days))
    driest = max(run.zones, key=lambda zone: zone.dry_min)
    wilted = (
        f"Cuttings hung for {number(whole.wilted_min, 0)} min." if whole.wilted_min else "No cuttings hung."
    )
    dry = "No zone was ever dry by day."
    if whole.dry_min:
        dry = (
            f"Dry by day for {number(whole.dry_min, 0)} min, all zones added up, most in {driest.name} "
            f"({number(driest.dry_min, 0)} min); the longest spell was "
            f"{number(whole.longest_dry_min, 0)} min."
        )
    water = f"{number(whole.applied_l, 0)} l of water"
    lost = whole.over_misted_percent
    return f"{dry} {wilted} {water}" + (
        "." if lost is None else f", of which {number(lost, 0)} % missed the leaves or dripped off."
    )


def _figures(rehearsal: Rehearsal) -> Iterator[str]:
    for index, run in enumerate(rehearsal.runs):
        titles = {zone.name: zone.title for zone in run.zones}
        every = [*rows(run), together(run.zones, len(run.days))]
        yield from _table(
            _run_name(rehearsal, index),
            [(row.name, titles.get(row.name, ""), cells(row)) for row in every],
        )
    for index, run in list(enumerate(rehearsal.runs))[1:]:
        differences = difference_rows(rehearsal.runs[0], run)
        if differences:
            which = f"{letters(rehearsal)[index]} against {letters(rehearsal)[0]}: more (+) or fewer (-)"
            yield from _table(which, [(name, "", figures) for name, figures in differences])
    yield from _list(meanings())


def _table(caption: str, named: Sequence[tuple[str, str, Sequence[str]]]) -> Iterator[str]:
    """A table of figures.

    Args:
        caption: markup.
        named: a zone's name, its title or nothing, its figures.
    """
    yield '<div class="wide" tabindex="0" role="region" aria-label="figures of the zones">'
    yield f"<table><caption>{caption}</caption>"
    yield '<thead><tr><th scope="col">zone</th>'
    for column in COLUMNS:
        yield f'<th scope="col">{" ".join(column.head).strip()} <small>{column.unit}</small></th>'
    yield "</tr></thead><tbody>"
    for name, title, figures in named:
        beside = f" <small>{text(title)}</small>" if title not in {"", name} else ""
        whole = ' class="whole"' if name == ALL_ZONES else ""
        told = "".join(f"<td>{text(figure)}</td>" for figure in figures)
        yield f'<tr{whole}><th scope="row">{text(name)}{beside}</th>{told}</tr>'
    yield "</tbody></table></div>"


# --- plots


def _plots(plots: Iterable[Plot], kind: str = "plots") -> Iterator[str]:
    yield f'<div class="{kind}">'
    for plot in plots:
        yield "<figure>"
        yield f"<figcaption>{text(plot.caption)}</figcaption>"
        yield f'<div role="img" aria-label="{text(plot.alt)}">{plot.svg}</div>'
        yield "</figure>"
    yield "</div>"


def _worst_days(rehearsal: Rehearsal) -> Iterator[str]:
    yield "<p>The day with the most dry minutes over all zones together, hour by hour. Grey: night.</p>"
    for index, run in enumerate(rehearsal.runs):
        yield f"<h3>{_run_name(rehearsal, index)}</h3>"
        if run.close_up is None:
            yield "<p>No zone was ever dry by day: there is no worst day.</p>"
            continue
        day = next(each for each in run.days if each.day == run.close_up.day)
        dry_min = number(sum(day.dry_min), 0)
        yield f"<p>{said_day(day.day)}: {dry_min} dry minutes, all zones added up.</p>"
        yield f"<p>Film: {_key(run_colour(index), 'solid')}driest quarter, "
        yield f"{_key(MEAN_COLOUR, 'solid')}mean of the bench, "
        yield f"{_key(INK, 'dotted')}the film is gone below this.</p>"
        yield from _plots(climate_plots(run.close_up, index))
        yield from _plots(film_plots(run, run.close_up, index), "plots broad")


def _key(colour: str, line: str) -> str:
    return f'<span class="key" aria-hidden="true" style="border-top:3px {line} {colour}"></span> '


def _days(rehearsal: Rehearsal) -> Iterator[str]:
    if len(rehearsal.runs[0].days) == 1:
        yield from _only_day(rehearsal)
        return
    if len(rehearsal.runs) > 1:
        yield "<p>In each plot the letters stand for:</p>"
        yield from _what_letters(rehearsal)
    yield "<h3>The house</h3>"
    yield from _plots(house_plots(rehearsal))
    titles = {zone.name: zone.title for run in rehearsal.runs for zone in run.zones}
    for name in zone_names(rehearsal):
        beside = f": {text(titles[name])}" if titles[name] not in {"", name} else ""
        yield f"<h3>{text(name)}{beside}</h3>"
        yield from _plots(zone_plots(rehearsal, name), "plots narrow")


def _what_letters(rehearsal: Rehearsal) -> list[str]:
    names = (_run_name(rehearsal, index) for index in range(len(rehearsal.runs)))
    return ['<ul class="plain">', *(f"<li>{name}</li>" for name in names), "</ul>"]


def _only_day(rehearsal: Rehearsal) -> Iterator[str]:
    """One day needs no bars: its figures are the table's, but for the air and the light."""
    yield "<p>This rehearsal has one day; what its zones came to stands in the table.</p>"
    for index, run in enumerate(rehearsal.runs):
        day = run.days[0]
        told = (
            f"VPD {day.vpd_mean_kpa:.2f} kPa in the mean of daylight, {day.vpd_highest_kpa:.2f} kPa at its "
            f"highest; light at the bench {day.light_mj_per_m2:.1f} MJ/m2; air from "
            f"{day.air_lowest_c:.1f} to {day.air_highest_c:.1f} C."
        )
        yield f"<p>{_run_name(rehearsal, index)}. {told}</p>"


def _weather(rehearsal: Rehearsal) -> Iterator[str]:
    notes = rehearsal.weather_notes
    yield f"<p>{text(rehearsal.weather)}.</p>"
    if notes:
        yield "<p>Repaired before it was used:</p>"
        yield from _list(notes)
    else:
        yield "<p>Nothing in it had to be repaired.</p>"
