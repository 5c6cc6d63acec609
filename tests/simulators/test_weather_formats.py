"""Typical years in the formats of others: EPW of our own making, and damaged copies of TMY3 and TMY2."""

from pathlib import Path

import pytest

from simulators.plant.weather import HOUR_S, Site
from simulators.plant.weather_files import read_weather
from tests.simulators.weather_samples import (
    EPW_HEADING,
    VALE,
    Edit,
    cell,
    epw_file,
    epw_row,
    epw_rows,
    packaged,
    refusal,
)


def test_an_epw_file_reads_as_pvlib_reads_it(tmp_path: Path) -> None:
    from pvlib.iotools import read_epw  # noqa: PLC0415

    path = epw_file(tmp_path, epw_rows())
    theirs, _ = read_epw(str(path))

    rows = read_weather(path).rows

    assert rows.temperature_c[1:] == pytest.approx(theirs["temp_air"].to_numpy())
    assert rows.relative_humidity[1:] == pytest.approx(theirs["relative_humidity"].to_numpy() / 100.0)
    assert rows.wind_m_per_s[1:] == pytest.approx(theirs["wind_speed"].to_numpy())
    assert rows.radiation_w_per_m2[1:] == pytest.approx(theirs["ghi"].to_numpy())
    assert rows.cloud_fraction[1:] == pytest.approx(theirs["opaque_sky_cover"].to_numpy() / 10.0)
    assert rows.temperature_c[0] == rows.temperature_c[-1]


def test_an_epw_row_is_the_end_of_its_hour(tmp_path: Path) -> None:
    """Hour 15 of 1 January: 61 + 14 = 75 % and 1 + 1.5 = 2.5 m/s stand at 15:00."""
    weather = read_weather(epw_file(tmp_path, epw_rows()))

    at_15 = weather.at(15 * HOUR_S)

    assert weather.starts_at.isoformat() == "2025-01-01T00:00:00+01:00"
    assert at_15[1:3] == pytest.approx((0.75, 2.5))
    assert weather.site == Site(
        name="Made-up Vale", latitude_deg=50.35, longitude_deg=7.6, elevation_m=80.0, utc_offset_h=1.0
    )


def test_an_epw_file_of_one_year_keeps_it_unless_told(tmp_path: Path) -> None:
    path = epw_file(tmp_path, epw_rows(years=(2019,)))

    assert read_weather(path).starts_at.isoformat() == "2019-01-01T01:00:00+01:00"
    assert read_weather(path, year=2022).starts_at.isoformat() == "2022-01-01T00:00:00+01:00"


def test_marks_of_the_missing_in_epw_are_no_values(tmp_path: Path) -> None:
    """99.9 C, 999 %, 999 m/s, 9999 W/m2: filled as gaps, and an unknown cloud is nothing to repair.

    20.8 C stands an hour before and 19.8 C an hour after.
    """
    rows = epw_rows()
    cells = rows[4000].split(",")
    cells[6], cells[8], cells[13], cells[21], cells[23] = "99.9", "999", "9999", "999", "99"
    rows[4000] = ",".join(cells)

    weather = read_weather(epw_file(tmp_path, rows))

    assert len(weather.notes) == 4
    assert all(note.startswith("vale.epw row 4009 (16 June 17:00): ") for note in weather.notes)
    assert weather.notes[0].endswith("temperature_c was missing, filled with 20.3")


BAD_EPW: list[tuple[Edit, str]] = [
    (cell(10, 1, "13"), "vale.epw row 19: the date or time cannot be read (month must be in 1..12)"),
    (cell(10, 2, "32"), "vale.epw row 19: the date or time cannot be read (day is out of range for month)"),
    (cell(10, 3, "25"), "vale.epw row 19: hour 25 is none of 1 to 24"),
    (cell(10, 0, "1987"), "vale.epw row 19: the year jumps from 2001 to 1987 within month 1"),
    (cell(10, 6, "mild"), "vale.epw row 19: temperature_c is 'mild', not a number"),
    (cell(10, 6, "-77"), "vale.epw row 19 (01 January 11:00): temperature_c is -77, possible are -60 to 60"),
    (cell(10, 8, "120"), "vale.epw row 19 (01 January 11:00): relative_humidity is 1.2, possible are 0 to 1"),
    (cell(10, 3, "10"), "vale.epw row 19 (01 January 10:00): the same time as the row before it"),
    (lambda rows: rows.__setitem__(10, rows[10][:30]), "is the file cut short?"),
    (lambda rows: rows.__delitem__(slice(7000, None)), "after 7000 of 8760 hours: is the file cut short?"),
    (
        lambda rows: rows.__delitem__(slice(0, 24)),
        "the year begins at 02 January 01:00, not 01 January 01:00",
    ),
    (lambda rows: rows.__delitem__(slice(100, 105)), "5:00:00 of rows missing since 05 January 04:00"),
    (lambda rows: rows.insert(1416, epw_row(1999, 2, 29, 1)), "day is out of range for month"),
    (lambda rows: rows.clear(), "vale.epw has no rows below its heading"),
]


@pytest.mark.parametrize(("edit", "message"), BAD_EPW)
def test_a_typical_year_that_is_none_is_refused(tmp_path: Path, edit: Edit, message: str) -> None:
    rows = epw_rows()
    edit(rows)

    assert message in "\n".join(refusal(epw_file(tmp_path, rows)).problems)


def test_a_leap_day_is_not_dated_with_an_ordinary_year(tmp_path: Path) -> None:
    rows = epw_rows(years=(2020,))
    rows.insert(59 * 24, epw_row(2020, 2, 29, 1))

    refused = refusal(epw_file(tmp_path, rows), year=2025)

    assert refused.problems == ("vale.epw row 1425: a typical year has no 29 February",)


def test_an_epw_file_of_a_leap_year_keeps_its_leap_day(tmp_path: Path) -> None:
    rows = epw_rows(years=(2020,))
    rows[59 * 24 : 59 * 24] = [epw_row(2020, 2, 29, hour) for hour in range(1, 25)]

    weather = read_weather(epw_file(tmp_path, rows))

    assert weather.duration_s == 366 * 86_400.0 - HOUR_S


def test_a_heading_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    path = epw_file(tmp_path, epw_rows(), EPW_HEADING.replace("50.35", "fifty"))

    assert "vale.epw looks like EPW but cannot be read as that" in refusal(path).problems[0]


def test_a_typical_year_is_not_dated_with_a_leap_year() -> None:
    assert "not 2028" in refusal(None, year=2028).problems[0]


def test_a_typical_year_says_itself_where_it_was_measured() -> None:
    assert "says itself where" in refusal(None, site=VALE).problems[0]


def tmy2_copy(folder: Path, row: int, place: slice, text: str) -> Path:
    """The packaged Miami year with some characters of one row changed; `row` counts as an editor does."""
    lines = packaged("12839.tm2").read_text().splitlines()
    line = lines[row - 1]
    lines[row - 1] = line[: place.start] + text + line[place.stop :]
    path = folder / "damaged.tm2"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize(
    ("place", "text", "message"),
    [
        (slice(3, 5), "13", "damaged.tm2 row 3: the date or time cannot be read"),
        (slice(67, 71), "2x09", "damaged.tm2 row 3: temperature_c is '2x09', not a number"),
        (slice(100, 120), "", "damaged.tm2 row 3: 122 characters where the first row has 142"),
    ],
)
def test_a_damaged_tmy2_row_is_named(tmp_path: Path, place: slice, text: str, message: str) -> None:
    path = tmy2_copy(tmp_path, 3, place, text)

    assert message in refusal(path).problems[0]


def tmy3_copy(folder: Path, edit: Edit) -> Path:
    lines = packaged("723170TYA.CSV").read_text().splitlines()
    edit(lines)
    path = folder / "damaged.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (cell(3, 0, "13/01/1988"), "damaged.csv row 4: the date or time cannot be read"),
        (cell(3, 1, "02:30"), "the time is not a whole hour"),
        (cell(3, 0, "01/01/1990"), "damaged.csv row 4: the year jumps from 1988 to 1990 within month 1"),
        (cell(1, 46, "Breeze"), "damaged.csv has no column for wind_speed (headed Wspd (m/s))"),
    ],
)
def test_a_damaged_tmy3_file_is_refused(tmp_path: Path, edit: Edit, message: str) -> None:
    assert message in refusal(tmy3_copy(tmp_path, edit)).problems[0]


def test_every_wrong_row_is_named_up_to_twenty(tmp_path: Path) -> None:
    def edit(lines: list[str]) -> None:
        for row in range(10, 40):
            cell(row, 0, "13/13/2001")(lines)

    refused = refusal(tmy3_copy(tmp_path, edit))

    assert len(refused.problems) == 20
    assert refused.left_out >= 10
