"""The terminal's table of a rehearsal: figures as they are, in columns that hold, whatever the names."""

import re
from dataclasses import replace
from datetime import date

import pytest

from simulators.rehearsal.figures import (
    COLUMNS,
    UNKNOWN,
    cells,
    comparison,
    difference_rows,
    number,
    rows,
    said_span,
    signed,
    together,
)
from simulators.rehearsal.result import HouseRun, Rehearsal, ZoneResult
from simulators.rehearsal.table import NOTES_SHOWN, WIDEST, table
from tests.simulators.made_up_rehearsals import house_run, rehearsal, zone_result

LONGEST_NAME = "z" * 31


def run_of(*zones: ZoneResult, days: int = 3, label: str = "slow") -> HouseRun:
    return replace(house_run(label, zones=len(zones), days=days), zones=zones)


def with_runs(*runs: HouseRun) -> Rehearsal:
    return replace(rehearsal(), runs=runs)


def line_of(name: str, lines: list[str], after: str = "") -> list[str]:
    """The cells of the first line that begins with a name, below another line."""
    begins = next((n for n, line in enumerate(lines) if line.startswith(after)), 0)
    return next(line for line in lines[begins:] if line.startswith(f"{name} ")).split()[len(name.split()) :]


def test_a_zone_has_its_figures_in_the_order_of_the_heads() -> None:
    lines = table(with_runs(run_of(zone_result("coleus"))))

    # bursts: 300 in 3 days; of 10 l/m2 of water 1.5 missed and 2.5 dripped
    expected = ["120", "35", "4", "140", "10.0", "4.0", "40", "3.2", "100.0", "40"]
    assert line_of("coleus", lines) == expected


def test_every_column_has_its_unit_in_the_head() -> None:
    lines = table(with_runs(run_of(zone_result())))

    units = next(line for line in lines if line.startswith("zone"))
    assert re.split(r"\s{2,}", units.strip())[1:] == [column.unit for column in COLUMNS]
    assert all(column.unit for column in COLUMNS)


def test_all_zones_together_are_added_up_and_of_spells_and_gaps_the_longest_counts() -> None:
    small = zone_result("box", applied_l=40.0, applied_mm=20.0, missed_mm=8.0, dripped_mm=2.0, bursts=30)
    small = replace(
        small, dry_min=10.0, longest_dry_min=80.0, wilted_min=0.0, sour_h=1.0, longest_gap_min=9.0
    )

    whole = together([zone_result("coleus"), small], days=3)

    assert (whole.dry_min, whole.longest_dry_min, whole.wilted_min) == (130.0, 80.0, 4.0)
    assert (whole.applied_l, whole.sour_h, whole.longest_gap_min) == (180.0, 4.25, 40.0)
    assert whole.bursts_a_day == 110.0
    assert whole.applied_mm == pytest.approx(180.0 / 16.0)  # benches of 14 and 2 m2
    assert whole.over_misted_mm == pytest.approx((4.0 * 14.0 + 10.0 * 2.0) / 16.0)
    assert whole.over_misted_percent == pytest.approx(100.0 * 76.0 / 180.0)


def test_one_zone_alone_is_its_own_total() -> None:
    zone = zone_result()

    [row] = rows(run_of(zone))

    assert row == together([zone], days=3, name=zone.name)
    assert row.applied_mm == zone.applied_mm
    assert row.over_misted_mm == zone.over_misted_mm


def test_what_cannot_be_known_without_water_is_left_open() -> None:
    never = zone_result("box", applied_l=0.0, applied_mm=0.0, missed_mm=0.0, dripped_mm=0.0, bursts=0)

    alone = together([never], days=3)
    whole = together([zone_result(), never], days=3)

    assert alone.over_misted_percent is None
    assert whole.applied_mm is None
    assert whole.over_misted_mm is None
    assert whole.over_misted_percent == 40.0
    assert cells(whole)[4:6] == [UNKNOWN, UNKNOWN]


def test_a_little_is_never_shown_as_nothing() -> None:
    assert number(0.49, 0) == "<1"
    assert number(0.51, 0) == "1"
    assert number(0.04, 1) == "<0.1"
    assert number(0.0, 0) == "0"
    assert signed(-0.01, 1) == "-0.01"
    assert signed(0.0, 1) == "="


@pytest.mark.parametrize("runs", [1, 2, 4])
@pytest.mark.parametrize(("zones", "days"), [(1, 1), (8, 366)])
def test_no_line_is_wider_than_the_terminal(runs: int, zones: int, days: int) -> None:
    lines = table(rehearsal(zones=zones, days=days, runs=runs))

    assert max(map(len, lines)) <= WIDEST == 100


def test_long_names_and_large_figures_still_fit_and_no_name_is_cut() -> None:
    large = zone_result(
        LONGEST_NAME,
        dry_min=263_520.0,
        longest_dry_min=1_000.0,
        wilted_min=527_040.0,
        applied_l=12_345_678.0,
        applied_mm=98_765.4,
        missed_mm=9_876.5,
        dripped_mm=9_876.5,
        sour_h=8_784.0,
        bursts=500_000,
        longest_gap_min=527_040.0,
    )
    title = "A house with a very long title indeed, which goes on for the whole of what a title may " * 2
    run = replace(run_of(large, zone_result("ivy"), days=366, label="l" * 120), house=title)
    other = replace(run_of(zone_result(LONGEST_NAME), zone_result("ivy"), days=366), house=title)

    lines = table(with_runs(run, other))

    assert max(map(len, lines)) <= WIDEST
    assert lines.count(LONGEST_NAME) == 3  # in both runs and in their difference
    under = lines[lines.index(LONGEST_NAME) + 1].split()
    assert under[:4] == ["263,520", "1,000", "527,040", "12,345,678"]


def test_figures_end_where_their_heads_end() -> None:
    lines = table(rehearsal(zones=3, days=40, runs=2))

    units = next(line for line in lines if line.startswith("zone"))
    ends = [match.end() for match in re.finditer(r"a day|\S+", units)][1:]
    names = ("coleus", "fuchsia", "salvia", "all zones")
    rows_ = [line for line in lines if line.startswith(names)]
    assert len(rows_) == 12  # three zones and all of them, for two runs and their difference
    for row in rows_:
        assert [match.end() for match in re.finditer(r"\S+", row)][-len(COLUMNS) :] == ends


def test_against_another_the_differences_carry_their_sign() -> None:
    first = run_of(zone_result("coleus"))
    changed = zone_result("coleus", dry_min=90.0, applied_l=168.0, applied_mm=12.0, wilted_min=4.0)

    lines = table(with_runs(first, run_of(changed, label="fast")))

    told = line_of("coleus", lines, after="B against A: more (+) or fewer (-)")
    assert told[:5] == ["-30", "=", "=", "+28", "+2.0"]


def test_against_another_what_is_fewer_and_more_is_put_into_words() -> None:
    first = run_of(zone_result("coleus"))
    changed = zone_result("coleus", dry_min=90.0, applied_l=168.0, applied_mm=12.0, sour_h=0.0)

    told = comparison(first, run_of(changed, label="fast"))

    assert "dry by day: 30 min fewer (-25 %), 90 instead of 120 min" in told
    assert "wilted: the same, 4 min" in told
    assert "water: 28 l more (+20 %), 168 instead of 140 l" in told
    assert "sour: 3.2 h fewer (-100 %), 0.0 instead of 3.2 h" in told


def test_from_nothing_to_something_has_no_percent() -> None:
    first = run_of(zone_result("coleus", wilted_min=0.0))

    told = comparison(first, run_of(zone_result("coleus", wilted_min=7.0)))

    assert "wilted: 7 min more, 7 instead of 0 min" in told


def test_only_zones_of_the_same_name_are_compared_and_the_others_are_named() -> None:
    first = run_of(zone_result("coleus"), zone_result("fuchsia", dry_min=1000.0))
    other = run_of(zone_result("ivy", dry_min=5000.0), zone_result("coleus", dry_min=100.0), label="fast")

    told = comparison(first, other)
    differences = dict(difference_rows(first, other))

    assert told[0] == "dry by day: 20 min fewer (-17 %), 100 instead of 120 min"
    assert told[-2:] == ["not compared, only in slow: fuchsia", "not compared, only in fast: ivy"]
    assert set(differences) == {"coleus", "all zones"}
    assert differences["all zones"][0] == "-20"


def test_houses_without_a_zone_in_common_are_said_not_to_be_comparable() -> None:
    lines = table(with_runs(run_of(zone_result("coleus")), run_of(zone_result("ivy"), label="fast")))

    assert any("no zone of the same name" in line for line in lines)
    assert not any("more (+)" in line for line in lines)


def test_repairs_of_the_weather_are_told_and_many_are_counted() -> None:
    notes = tuple(f"1 March 0{n}:00 humidity was missing" for n in range(NOTES_SHOWN + 3))

    lines = table(replace(rehearsal(), weather_notes=notes))

    assert [line for line in lines if line.startswith("weather repaired: 1 March")] == [
        f"weather repaired: {note}" for note in notes[:NOTES_SHOWN]
    ]
    assert "weather repaired: 3 more, in result.json" in lines


def test_the_legend_says_what_dry_means() -> None:
    text = " ".join(line.strip() for line in table(rehearsal()))

    assert "dry: daylight minutes with the film gone (under 5 um of water) from the upper leaves" in text


def test_a_title_cannot_move_the_cursor() -> None:
    run = replace(run_of(zone_result()), house="up \x1b[2A and away\r")

    lines = table(with_runs(run))

    assert all(line.isprintable() for line in lines)
    assert any(r"up \x1b[2A and away\r" in line for line in lines)


def test_a_span_within_a_year_names_it_once() -> None:
    assert said_span(date(2025, 3, 1), date(2025, 5, 31)) == "1 March to 31 May 2025 (92 days)"
    assert said_span(date(2025, 12, 31), date(2026, 1, 1)) == "31 December 2025 to 1 January 2026 (2 days)"
    assert said_span(date(2025, 3, 1), date(2025, 3, 1)) == "1 March 2025 (1 day)"
