"""The figures of a rehearsal as people read them: which there are, in which unit, and how two runs differ.

Answers for: the columns that the terminal's table and the report share, the row of all zones together, and
what is more or fewer with another configuration. Does not know: paper, colours or files.
Rule: a difference is reckoned from the values, never from their rounded text, and a value that is not nothing
is never shown as nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from mistd.app.problems import printable
from simulators.rehearsal.result import FILM_GONE_UM, HouseRun, Rehearsal, ZoneResult

ALL_ZONES = "all zones"
UNKNOWN = "-"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
LEAST_SHARE_SAID = 0.005  # a smaller change is not worth a percent sign


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One zone's figures, or those of several together."""

    name: str
    dry_min: float
    longest_dry_min: float
    wilted_min: float
    applied_l: float
    applied_mm: float | None  # None: no zone's water tells how wide the benches are
    over_misted_mm: float | None
    over_misted_percent: float | None  # of the water applied; None when there was none
    sour_h: float
    bursts_a_day: float
    longest_gap_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One figure: the name of its value in a `Row`, its head, and how its differences are put."""

    key: str
    head: tuple[str, str]  # two lines
    unit: str
    decimals: int
    fewer: str = "fewer"
    more: str = "more"


COLUMNS = (
    Column(key="dry_min", head=("dry", "by day"), unit="min", decimals=0),
    Column(key="longest_dry_min", head=("longest", "spell"), unit="min", decimals=0, fewer="shorter"),
    Column(key="wilted_min", head=("", "wilted"), unit="min", decimals=0),
    Column(key="applied_l", head=("", "water"), unit="l", decimals=0, fewer="less"),
    Column(key="applied_mm", head=("", "water"), unit="l/m2", decimals=1, fewer="less"),
    Column(key="over_misted_mm", head=("missed,", "dripped"), unit="l/m2", decimals=1, fewer="less"),
    Column(key="over_misted_percent", head=("of the", "water"), unit="%", decimals=0, fewer="less"),
    Column(key="sour_h", head=("", "sour"), unit="h", decimals=1),
    Column(key="bursts_a_day", head=("", "bursts"), unit="a day", decimals=1),
    Column(key="longest_gap_min", head=("longest", "gap"), unit="min", decimals=0, fewer="shorter"),
)
# What is put into words when two runs are compared: the value, what it is called, its unit.
IN_WORDS = (
    ("dry_min", "dry by day", "min"),
    ("wilted_min", "wilted", "min"),
    ("applied_l", "water", "l"),
    ("over_misted_l", "missed or dripped", "l"),
    ("sour_h", "sour", "h"),
)


def rows(run: HouseRun) -> list[Row]:
    """A row for each zone of a run."""
    return [together([zone], len(run.days), zone.name) for zone in run.zones]


def together(zones: Sequence[ZoneResult], days: int, name: str = ALL_ZONES) -> Row:
    """Some zones as one: what can be added is added, of spells and gaps the longest counts.

    Depths are over all their benches, percents of all their water.
    """
    applied_l = sum(zone.applied_l for zone in zones)
    over_misted_l = sum(map(over_misted_in_l, zones))
    areas_m2 = [area_m2(zone) for zone in zones]
    whole_m2 = sum(each or 0.0 for each in areas_m2) if None not in areas_m2 else None
    applied_mm, over_misted_mm = (
        each / whole_m2 if whole_m2 else None for each in (applied_l, over_misted_l)
    )
    if len(zones) == 1:
        applied_mm, over_misted_mm = zones[0].applied_mm, zones[0].over_misted_mm
    return Row(
        name=name,
        dry_min=sum(zone.dry_min for zone in zones),
        longest_dry_min=max(zone.longest_dry_min for zone in zones),
        wilted_min=sum(zone.wilted_min for zone in zones),
        applied_l=applied_l,
        applied_mm=applied_mm,
        over_misted_mm=over_misted_mm,
        over_misted_percent=100.0 * over_misted_l / applied_l if applied_l else None,
        sour_h=sum(zone.sour_h for zone in zones),
        bursts_a_day=sum(zone.bursts for zone in zones) / days,
        longest_gap_min=max(zone.longest_gap_min for zone in zones),
    )


def area_m2(zone: ZoneResult) -> float | None:
    """The bench that a zone's water tells of; None when it gave none."""
    return zone.applied_l / zone.applied_mm if zone.applied_mm > 0.0 else None


def over_misted_in_l(zone: ZoneResult) -> float:
    """Water that missed the leaves or dripped off. Without any burst the bench is not known: nothing."""
    return zone.over_misted_mm * (area_m2(zone) or 0.0)


def value_of(row: Row, column: Column) -> float | None:
    """What stands in a column; None when it cannot be known."""
    value: float | None = getattr(row, column.key)
    return value


def number(value: float | None, decimals: int) -> str:
    """A figure for people: thousands apart, and never 0 for what is not.

    >>> [number(12345.6, 0), number(0.2, 0), number(0.0, 1), number(None, 0)]
    ['12,346', '<1', '0.0', '-']
    """
    if value is None:
        return UNKNOWN
    smallest = 10.0**-decimals
    if 0.0 < value < smallest / 2.0:
        return f"<{smallest:.{decimals}f}"
    return f"{value:,.{decimals}f}"


def cells(row: Row) -> list[str]:
    """A row's figures as text, in the order of the columns."""
    return [number(value_of(row, column), column.decimals) for column in COLUMNS]


# --- two configurations


def letter(index: int) -> str:
    """What a configuration is called in a plot and a comparison: A is the first.

    >>> [letter(0), letter(25), letter(26)]
    ['A', 'Z', 'A2']
    """
    round_number = index // len(LETTERS)
    return LETTERS[index % len(LETTERS)] + (str(round_number + 1) if round_number else "")


def letters(rehearsal: Rehearsal) -> list[str]:
    """The letters of the runs; an empty one when there is nothing to tell apart."""
    count = len(rehearsal.runs)
    return [letter(index) for index in range(count)] if count > 1 else [""]


def shared_zones(first: HouseRun, other: HouseRun) -> list[tuple[ZoneResult, ZoneResult]]:
    """The zones that both runs have, by name, in the first one's order."""
    others = {zone.name: zone for zone in other.zones}
    return [(zone, others[zone.name]) for zone in first.zones if zone.name in others]


def difference_cells(first: Row, other: Row) -> list[str]:
    """How much more (+) or fewer (-) the other has, in the order of the columns; `=` where neither."""
    return [
        signed(_difference(value_of(first, column), value_of(other, column)), column.decimals)
        for column in COLUMNS
    ]


def difference_rows(first: HouseRun, other: HouseRun) -> list[tuple[str, list[str]]]:
    """Names and differences of the zones that both have, and of all of those together."""
    pairs = shared_zones(first, other)
    days = len(first.days)
    told = [(a.name, difference_cells(together([a], days), together([b], days))) for a, b in pairs]
    if pairs:
        a_zones, b_zones = zip(*pairs, strict=True)
        told.append((ALL_ZONES, difference_cells(together(a_zones, days), together(b_zones, days))))
    return told


def _difference(first: float | None, other: float | None) -> float | None:
    return None if first is None or other is None else other - first


def signed(value: float | None, decimals: int) -> str:
    """A difference with its sign.

    >>> [signed(1200.0, 0), signed(-0.31, 1), signed(0.0, 0), signed(0.2, 0), signed(None, 0)]
    ['+1,200', '-0.3', '=', '+0.2', '-']
    """
    if value is None:
        return UNKNOWN
    if value == 0.0:
        return "="
    is_small = abs(value) < 10.0**-decimals / 2.0
    return ("+" if value > 0.0 else "-") + number(abs(value), decimals + is_small)


def comparison(first: HouseRun, other: HouseRun) -> list[str]:
    """What the other does with the zones that both have, in words: more or fewer, from what to what."""
    pairs = shared_zones(first, other)
    if not pairs:
        return ["the two have no zone of the same name: nothing can be compared zone by zone"]
    a_zones, b_zones = zip(*pairs, strict=True)
    told = [_in_words(a_zones, b_zones, *each) for each in IN_WORDS]
    return [*told, *_unshared(first, other)]


def _in_words(
    first: Sequence[ZoneResult], other: Sequence[ZoneResult], key: str, called: str, unit: str
) -> str:
    before, after = _added_up(first, key), _added_up(other, key)
    column = next((each for each in COLUMNS if each.key == key), None)
    decimals = column.decimals if column else 0
    if before == after:
        return f"{called}: the same, {number(before, decimals)} {unit}"
    less = column.fewer if column else "less"
    change = (after - before) / before if before else None
    percent = "" if change is None or abs(change) < LEAST_SHARE_SAID else f" ({change * 100.0:+,.0f} %)"
    by = f"{number(abs(after - before), decimals)} {unit} {less if after < before else 'more'}{percent}"
    return f"{called}: {by}, {number(after, decimals)} instead of {number(before, decimals)} {unit}"


def _added_up(zones: Sequence[ZoneResult], key: str) -> float:
    if key == "over_misted_l":
        return sum(map(over_misted_in_l, zones))
    return sum(float(getattr(zone, key)) for zone in zones)


def _unshared(first: HouseRun, other: HouseRun) -> Iterator[str]:
    a_names, b_names = [zone.name for zone in first.zones], [zone.name for zone in other.zones]
    for run, names, theirs in ((first, a_names, b_names), (other, b_names, a_names)):
        only = [name for name in names if name not in theirs]
        if only:
            yield f"not compared, only in {run.label}: {', '.join(only)}"


# --- words


def said_day(day: date) -> str:
    """A day as people write it, such as 1 March 2025."""
    return f"{day.day} {day:%B %Y}"


def said_span(first_day: date, last_day: date) -> str:
    """From when to when, and how many days that is."""
    days = (last_day - first_day).days + 1
    if days == 1:
        return f"{said_day(first_day)} (1 day)"
    begins = said_day(first_day) if first_day.year != last_day.year else f"{first_day.day} {first_day:%B}"
    return f"{begins} to {said_day(last_day)} ({days} days)"


def said_run(run: HouseRun, its_letter: str) -> str:
    """What a run is called: its letter, its file and its house."""
    named = f"{run.label}: {run.house}" if run.house else run.label
    return printable(f"{its_letter}  {named}" if its_letter else named)


def meanings() -> list[str]:
    """What the heads of the columns mean, each a sentence or two."""
    return [
        f"dry: daylight minutes with the film gone (under {FILM_GONE_UM:g} um of water) from the upper "
        "leaves of a zone's driest quarter.",
        "wilted: minutes in which the cuttings there hung.",
        "missed, dripped: water that fell between the leaves or ran off them, to the medium.",
        "sour: hours in which the medium of the wettest quarter stood too wet.",
        "All zones: minutes, water, hours and bursts added up; of spells and gaps the longest.",
    ]
