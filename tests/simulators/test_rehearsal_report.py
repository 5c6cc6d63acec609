"""The report of a rehearsal: one page that stands by itself, with every zone and every figure."""

import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from simulators.rehearsal.drawing import SETTINGS, inline_svg
from simulators.rehearsal.figures import cells, difference_rows, rows, together
from simulators.rehearsal.report import report
from simulators.rehearsal.result import Rehearsal
from tests.simulators.made_up_rehearsals import house_run, rehearsal, zone_result

NEVER_CLOSED = {"meta", "br", "hr", "img", "link", "input"}
FETCHING = {"src", "srcset", "data", "action", "poster", "background", "formaction", "ping", "manifest"}
FETCHING_TAGS = {"script", "link", "img", "iframe", "object", "embed", "image", "audio", "video", "base"}
LARGEST_MB = 3.0


class Page(HTMLParser):
    """A page as a browser's strictest reader would take it; remembers what it saw."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.troubles: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.ids: list[str] = []
        self.texts: list[str] = []
        self.table_rows: list[list[str]] = []
        self.feed(text)
        self.close()
        self.troubles += [f"<{tag}> is never closed" for tag in self.open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._saw(tag, attrs)
        if tag not in NEVER_CLOSED:
            self.open.append(tag)
        if tag == "tr":
            self.table_rows.append([])
        if tag in {"td", "th"}:
            self.table_rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._saw(tag, attrs)
        if "svg" not in self.open:
            self.troubles.append(f"<{tag}/> outside a picture")

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.troubles.append(f"</{tag}> at {self.getpos()} closes nothing of its own")

    def handle_data(self, data: str) -> None:
        self.texts.append(data)
        if self.table_rows and {"td", "th"} & set(self.open[-2:]):
            self.table_rows[-1][-1] += data

    def _saw(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        if len(names) != len(set(names)):
            self.troubles.append(f"<{tag}> says {names} twice")
        self.tags.append((tag, dict(attrs)))
        self.ids += [value or "" for name, value in attrs if name == "id"]

    def all_of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def season() -> Rehearsal:
    return replace(
        rehearsal(zones=3, days=92, runs=2, first_day=date(2025, 3, 1)),
        weather_notes=("12 March 04:00: humidity was missing",),
    )


@pytest.fixture(scope="module")
def text(season: Rehearsal) -> str:
    return report(season)


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


def test_the_page_is_well_formed(page: Page) -> None:
    assert not page.troubles
    assert page.all_of("html") == [{"lang": "en"}]


def test_no_id_stands_twice_and_every_reference_is_to_one(text: str, page: Page) -> None:
    used = set(re.findall(r'(?:url\(|href=")#([^")]+)', text))

    assert len(page.ids) == len(set(page.ids))
    assert used
    assert used <= set(page.ids)


def test_the_page_fetches_nothing(text: str, page: Page) -> None:
    namespaces = re.findall(r'xmlns(?::\w+)?="https?://[^"]*"', text)
    elsewhere = re.findall(r"https?://", text)

    assert len(elsewhere) == len(namespaces) > 0
    assert not FETCHING_TAGS & {tag for tag, _ in page.tags}
    assert not [name for _, attributes in page.tags for name in attributes if name in FETCHING]
    references = [
        value or "" for _, told in page.tags for name, value in told.items() if name.endswith("href")
    ]
    assert all(reference.startswith("#") for reference in references)
    assert "@import" not in text
    assert not re.findall(r"url\((?!#)", text)


def test_a_browser_is_told_to_fetch_nothing(page: Page) -> None:
    policies = [told["content"] for told in page.all_of("meta") if "http-equiv" in told]

    assert policies == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_every_zone_has_its_figures_in_the_table(season: Rehearsal, page: Page) -> None:
    told = [row[1:] for row in page.table_rows]

    for run in season.runs:
        for row in [*rows(run), together(run.zones, len(run.days))]:
            assert cells(row) in told
    for _, differences in difference_rows(*season.runs):
        assert differences in told


def test_every_zone_and_configuration_is_named(season: Rehearsal, page: Page) -> None:
    texts = " ".join(page.texts)

    for run in season.runs:
        assert f"{run.label}: {run.house}" in texts
        for zone in run.zones:
            assert zone.name in texts
            assert zone.title in texts


def test_heads_of_the_table_say_what_they_head(page: Page) -> None:
    scopes = [told.get("scope") for told in page.all_of("th")]

    assert set(scopes) == {"col", "row"}
    assert scopes.count("row") == 3 * 4  # three zones and all of them; two runs and their difference


def test_every_plot_is_told_to_those_who_cannot_see_it(page: Page) -> None:
    told = [attributes["aria-label"] for _, attributes in page.tags if attributes.get("role") == "img"]
    pictures = page.all_of("svg")

    # of the house 3, of each of three zones 4, and of each run's worst day 3 and the film of three zones
    assert len(told) == len(pictures) == 3 + 3 * 4 + 2 * (3 + 3)
    assert all(picture["aria-hidden"] == "true" for picture in pictures)
    assert len(set(told)) == len(told)


def test_a_plot_tells_the_figures_it_draws(season: Rehearsal, page: Page) -> None:
    labels = [attributes.get("aria-label") or "" for _, attributes in page.tags]
    label = next(each for each in labels if each.startswith("zone coleus, dry by day"))

    for letter, run in zip("AB", season.runs, strict=True):
        dry = {day.day: day.dry_min[0] for day in run.days}
        worst = max(dry, key=lambda day: dry[day])
        in_all, most = f"{run.zones[0].dry_min:,.0f}", f"{dry[worst]:,.0f}"
        assert f"{letter}: {in_all} min in all, most {most} min on {worst.day} {worst:%B %Y}" in label


def test_pictures_have_a_size_of_their_own_and_take_the_width_there_is(page: Page) -> None:
    pictures = page.all_of("svg")

    assert all("viewbox" in picture for picture in pictures)
    assert not any({"width", "height"} & picture.keys() for picture in pictures)


def test_bars_are_as_high_as_their_values() -> None:
    """The heights of the drawn bars stand to each other as the values do."""
    days = [
        replace(day, bursts=(10 * (n + 1),)) for n, day in enumerate(house_run("a", zones=1, days=4).days)
    ]
    run = replace(house_run("a", zones=1, days=4), days=tuple(days), close_up=None)

    bursts = [
        part for part in report(replace(rehearsal(), runs=(run,))).split("<figure>") if ">bursts<" in part
    ]

    paths = re.findall(r'<path d="([^"]*)" clip-path="[^"]*" style="fill: #1d4f91', bursts[0])
    corners = [[float(y) for y in re.findall(r"[ML] [\d.]+ ([\d.]+)", path)] for path in paths]
    heights = [max(ys) - min(ys) for ys in corners]
    assert len(heights) == 4
    assert [height / heights[0] for height in heights] == pytest.approx([1.0, 2.0, 3.0, 4.0], rel=0.02)


def test_the_same_values_give_the_same_bytes(season: Rehearsal, text: str) -> None:
    again = replace(season, runs=tuple(replace(run) for run in season.runs))

    assert report(again).encode() == text.encode()


def test_settings_of_the_machine_do_not_change_the_plots(season: Rehearsal, text: str) -> None:
    import matplotlib as mpl  # noqa: PLC0415

    with mpl.rc_context({"axes.facecolor": "black", "font.size": 30.0, "svg.fonttype": "path"}):
        elsewhere = report(season)
        kept = mpl.rcParams["font.size"]

    assert elsewhere == text
    assert kept == 30.0 != SETTINGS["font.size"]


def test_hostile_titles_are_text() -> None:
    title = "<b>&\" onload='x' \x00\x1b[2J</title><script>alert(1)</script>"
    run = house_run("a<i>\"'&b", zones=2, days=3)
    run = replace(run, house=title, zones=(zone_result("coleus", title=title), zone_result("box", title="")))
    page_text = report(replace(rehearsal(), weather=title, weather_notes=(title,), runs=(run, run)))

    page = Page(page_text)

    assert not page.troubles
    assert not {"script", "i"} & {tag for tag, _ in page.tags}
    assert "<b>&\" onload='x' \\x00\\x1b[2J</title><script>alert(1)</script>" in " ".join(page.texts)
    assert "\x00" not in page_text
    assert "\x1b" not in page_text


def test_a_single_day_is_told_without_bars() -> None:
    page = Page(report(rehearsal(zones=1, days=1)))

    assert not page.troubles
    assert len(page.all_of("svg")) == 3 + 1  # of its hours
    assert any("VPD" in text and "in the mean of daylight" in text for text in page.texts)


def test_a_run_that_was_never_dry_has_no_worst_day() -> None:
    run = replace(house_run("wet", zones=1, days=3), close_up=None, zones=(zone_result(dry_min=0.0),))

    page = Page(report(replace(rehearsal(), runs=(run,))))

    assert not page.troubles
    assert "No zone was ever dry by day: there is no worst day." in page.texts


def test_runs_may_have_different_zones() -> None:
    first = house_run("a", zones=1, days=3)
    other = replace(house_run("b", zones=1, days=3), zones=(zone_result("ivy"),))

    page = Page(report(replace(rehearsal(), runs=(first, other))))

    heads = [text for before, text in pairwise(["", *page.texts]) if text.startswith(("coleus", "ivy"))]
    assert not page.troubles
    assert any(text.startswith("ivy") for text in heads)
    assert any("no zone of the same name" in text for text in page.texts)


def test_a_year_of_eight_zones_twice_is_a_page_of_bearable_size() -> None:
    page_text = report(rehearsal(zones=8, days=366, runs=2, first_day=date(2024, 1, 1)))

    assert len(page_text.encode()) < LARGEST_MB * 1e6


def test_the_page_cautions_and_tells_repairs(page: Page) -> None:
    texts = " ".join(page.texts)

    assert "A simulation is not the house." in texts
    assert "12 March 04:00: humidity was missing" in texts


def test_only_what_stands_in_tags_is_shortened() -> None:
    file = '<?xml version="1.0"?><svg width="9pt" height="9pt" viewBox="0 0 9 9">'
    svg = f'{file}<text x="1.234">0.25</text></svg>'

    assert inline_svg(svg, "a") == '<svg aria-hidden="true" viewBox="0 0 9 9"><text x="1.2">0.25</text></svg>'
