"""Our own weather file: its units, its refusals."""

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from mistd.core.psychrometrics import dew_point_c
from simulators.plant.weather import HOUR, HOUR_S
from simulators.plant.weather_files import read_weather
from tests.simulators.weather_samples import (
    BEGINS,
    HEADING,
    SITE_LINES,
    VALE,
    Edit,
    cell,
    csv_file,
    csv_rows,
    csv_values,
    minute_light,
    refusal,
)


def test_a_csv_reads_as_it_is_written(tmp_path: Path) -> None:
    weather = read_weather(csv_file(tmp_path, csv_rows()))

    assert weather.site == VALE
    assert weather.starts_at.isoformat() == "2025-06-01T00:00:00+01:00"
    assert weather.duration_s == 2 * 86_400.0
    assert weather.at(13 * HOUR_S)[:3] == pytest.approx((15.25, 0.77, 1.0 + 13 / 12))
    assert minute_light(weather)[12].mean() == pytest.approx(csv_values(13)[3])
    assert weather.notes == ()


@pytest.mark.parametrize(
    ("place", "column", "worth"),
    [
        (1, "temperature_f", lambda celsius: celsius * 1.8 + 32.0),
        (1, "temperature_k", lambda celsius: celsius + 273.15),
        (2, "relative_humidity", lambda percent: percent / 100.0),
        (3, "wind_km_per_h", lambda metres: metres * 3.6),
        (3, "wind_mph", lambda metres: metres / 0.44704),
        (3, "wind_knots", lambda metres: metres * 3600.0 / 1852.0),
        (4, "radiation_kj_per_m2_per_h", lambda watts: watts * 3.6),
        (4, "radiation_mj_per_m2_per_h", lambda watts: watts * 0.0036),
    ],
)
def test_units_are_those_of_the_columns_names(
    tmp_path: Path, place: int, column: str, worth: Callable[[float], float]
) -> None:
    heading, rows = HEADING.split(", "), []
    heading[place] = column
    for row in csv_rows():
        cells = row.split(",")
        cells[place] = repr(worth(float(cells[place])))
        rows.append(",".join(cells))
    plain = read_weather(csv_file(tmp_path, csv_rows())).at(37 * HOUR_S + 600.0)

    read = read_weather(csv_file(tmp_path, rows, ", ".join(heading))).at(37 * HOUR_S + 600.0)

    assert read == pytest.approx(plain, rel=1e-9)


def test_a_dew_point_stands_in_for_the_humidity(tmp_path: Path) -> None:
    heading = HEADING.replace("relative_humidity_percent", "dew_point_c")
    rows = [row.replace(row.split(",")[2], "10.0", 1) for row in csv_rows()]

    outdoors = read_weather(csv_file(tmp_path, rows, heading)).at(20.5 * HOUR_S)

    assert dew_point_c(outdoors.temperature_c, outdoors.relative_humidity) == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("column", "text"), [("cloud_fraction", "1"), ("cloud_oktas", "8"), ("cloud_tenths", "10")]
)
def test_cloud_may_be_given(tmp_path: Path, column: str, text: str) -> None:
    rows = [f"{row},{text}" for row in csv_rows()]

    covered = read_weather(csv_file(tmp_path, rows, f"{HEADING}, {column}"))

    assert covered.at(24 * HOUR_S).sky_below_air_c < 3.0


def test_a_site_may_be_handed_in(tmp_path: Path) -> None:
    path = csv_file(tmp_path, csv_rows(), about="")

    assert read_weather(path, site=VALE).site == VALE


def test_times_with_offsets_run_through_a_change_of_clocks(tmp_path: Path) -> None:
    """30 March 2025, 02:00 at +1 is 03:00 at +2: evenly spaced, and dated in standard time."""
    standard, summer = timezone(HOUR), timezone(2 * HOUR)
    begins, change = datetime(2025, 3, 30, tzinfo=standard), datetime(2025, 3, 30, 2, tzinfo=standard)
    times = [begins + index * HOUR for index in range(25)]
    rows = [
        ",".join(
            [
                (time if time < change else time.astimezone(summer)).isoformat(),
                "8",
                "80",
                "1",
                light_in_march(time),
            ]
        )
        for time in times
    ]
    about = SITE_LINES.replace("# utc_offset_h = 1\n", "")

    weather = read_weather(csv_file(tmp_path, rows, about=about))

    assert weather.starts_at.isoformat() == "2025-03-30T00:00:00+01:00"
    assert weather.duration_s == 86_400.0


def light_in_march(time: datetime) -> str:
    """A bell over the hours that end from 08:00 to 18:00."""
    return f"{300.0 * float(np.sin(np.pi * (time.hour - 7) / 12.0)):.1f}" if 7 < time.hour < 19 else "0"


def test_line_ends_and_a_mark_of_the_coding_do_not_matter(tmp_path: Path) -> None:
    path = csv_file(tmp_path, csv_rows())
    plain = read_weather(path).at(40_000.0)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))

    assert read_weather(path).at(40_000.0) == plain


def test_ten_minute_rows_are_read(tmp_path: Path) -> None:
    rows = [f"2025-06-01T{12 + m // 60:02}:{m % 60:02},20,50,1,{300 + m}" for m in range(0, 130, 10)]

    weather = read_weather(csv_file(tmp_path, rows))

    assert weather.duration_s == 7200.0
    light = [weather.at(600.0 + 60.0 * m + 30.0).radiation_w_per_m2 for m in range(10)]
    assert np.mean(light) == pytest.approx(320.0, rel=1e-9)


def all_cells(place: int, worth: Callable[[float], float]) -> Edit:
    def edit(rows: list[str]) -> None:
        for index, row in enumerate(rows):
            cells = row.split(",")
            cells[place] = f"{worth(float(cells[place])):g}"
            rows[index] = ",".join(cells)

    return edit


def shifted(hours: int) -> Edit:
    """Every time so many hours later: a clock in another zone."""

    def edit(rows: list[str]) -> None:
        for index in range(len(rows)):
            _, rest = rows[index].split(",", 1)
            rows[index] = f"{(BEGINS + (index + hours) * HOUR).isoformat()},{rest}"

    return edit


BAD_CSV: list[tuple[Edit, str]] = [
    # rows start at file row 8: six lines on the site, the heading
    (cell(5, 0, "2025-13-01T05:00"), "vale.csv row 13: time '2025-13-01T05:00' cannot be read as ISO 8601"),
    (cell(5, 0, "1 June, five"), "vale.csv row 13: 6 cells where the heading has 5"),
    (cell(5, 0, "2025-06-01T04:00"), "vale.csv row 13 (01 June 04:00): the same time as the row before it"),
    (cell(5, 0, "2025-06-01T05:07"), "vale.csv row 13 (01 June 05:07): 1:07:00 after the row before it"),
    (cell(5, 0, "2025-06-01T05:00+01:00"), "1 of 49 times have an offset from UTC, the others none"),
    (lambda rows: rows.__setitem__(slice(5, 7), rows[6:4:-1]), "the time goes back from 01 June 06:00"),
    (
        lambda rows: rows.__delitem__(slice(5, 9)),
        "4:00:00 of rows missing since 01 June 04:00, at most 3:00:00",
    ),
    (lambda rows: rows.extend(csv_rows(1, BEGINS.replace(year=2027))), "the year jumps from 2025 to 2027"),
    (cell(5, 1, "12.5.1"), "vale.csv row 13: temperature_c is '12.5.1', not a number"),
    (cell(5, 1, "inf"), "vale.csv row 13 (01 June 05:00): temperature_c is missing"),
    (cell(5, 2, "-4"), "vale.csv row 13 (01 June 05:00): relative_humidity is -0.04, possible are 0 to 1"),
    (cell(5, 3, "70"), "vale.csv row 13 (01 June 05:00): wind_m_per_s is 70, possible are 0 to 60"),
    (cell(2, 4, "140"), "vale.csv row 10 (01 June 02:00): 140 W/m2 while the sun is down at Made-up Vale"),
    (
        cell(12, 4, "1600"),
        "vale.csv row 20 (01 June 12:00): radiation_w_per_m2 is 1600, possible are 0 to 1500",
    ),
    (cell(7, 4, "900"), "vale.csv row 15 (01 June 07:00): 900 W/m2, with the sun so high"),
    (cell(0, 2, ""), "vale.csv row 8 (01 June 00:00): relative_humidity is missing"),
    (
        lambda rows: [cell(i, 2, "")(rows) for i in range(5, 9)].clear(),
        "row 13 (01 June 05:00): relative_humidity",
    ),
    (lambda rows: rows.__setitem__(-1, rows[-1][:22]), "vale.csv row 56: 2 cells where the heading has 5"),
    (lambda rows: rows.clear(), "vale.csv has no rows below its heading"),
    (lambda rows: rows.__delitem__(slice(1, None)), "vale.csv has 1 row(s), of one moment"),
    (all_cells(1, lambda c: c * 1.8 + 32.0), "are they in Fahrenheit?"),
    (all_cells(1, lambda c: c + 273.15), "are they in kelvin?"),
    (all_cells(2, lambda percent: percent / 100.0), "is it a fraction in a column of percent?"),
    (all_cells(4, lambda watts: watts * 3.6), "is it in kJ/m2 an hour"),
    (all_cells(4, lambda watts: watts * 0.0036), "is it in MJ/m2 or kWh/m2?"),
    (shifted(5), "while the sun is down at Made-up Vale: is the time zone right?"),
]


@pytest.mark.parametrize(("edit", "message"), BAD_CSV)
def test_a_csv_that_cannot_be_true_is_refused_with_row_and_reason(
    tmp_path: Path, edit: Edit, message: str
) -> None:
    rows = csv_rows()
    edit(rows)

    assert message in "\n".join(refusal(csv_file(tmp_path, rows)).problems)


def test_rows_farther_apart_than_an_hour_are_refused(tmp_path: Path) -> None:
    refused = refusal(csv_file(tmp_path, csv_rows()[::3]))

    assert "its rows are 3:00:00 apart; an hour, or an even part of it" in refused.problems[0]


def test_a_column_of_percent_under_a_fraction_is_refused(tmp_path: Path) -> None:
    heading = HEADING.replace("relative_humidity_percent", "relative_humidity")

    assert "is it in percent?" in refusal(csv_file(tmp_path, csv_rows(), heading)).problems[0]


def test_clocks_put_forward_are_known_by_the_hour_that_is_missing(tmp_path: Path) -> None:
    """Sunday 30 March 2025: no 02:00. One missing hour on another day would have been filled."""
    rows = csv_rows(1, datetime(2025, 3, 30))
    del rows[2]

    reason = refusal(csv_file(tmp_path, rows)).problems[0]

    assert reason.startswith(
        "vale.csv row 10 (30 March 03:00): an hour is missing after 01:00, as when clocks"
    )


@pytest.mark.parametrize("step_min", [60, 10])
def test_clocks_put_back_are_known_by_the_hour_that_is_there_twice(tmp_path: Path, step_min: int) -> None:
    """Sunday 26 October 2025, 02:00 to 03:00 twice."""
    per_hour = 60 // step_min
    times = [datetime(2025, 10, 26) + timedelta(minutes=step_min) * i for i in range(6 * per_hour)]
    doubled = times[: 3 * per_hour] + times[2 * per_hour :]
    rows = [f"{time.isoformat()},10,80,1,0" for time in doubled]

    problems = refusal(csv_file(tmp_path, rows)).problems

    assert len(problems) == 1
    assert "an hour is there twice" in problems[0]
    assert "standard time" in problems[0]


@pytest.mark.parametrize(
    ("heading", "about", "messages"),
    [
        (
            HEADING.replace("wind_m_per_s", "wind_kmh"),
            SITE_LINES,
            ["no column wind_m_per_s or wind_km_per_h", "it has also: wind_kmh"],
        ),
        (
            HEADING.replace("radiation_w_per_m2", "temperature_f"),
            SITE_LINES,
            ["no column radiation_w", "are one quantity"],
        ),
        (
            HEADING.replace("wind_m_per_s", "temperature_c"),
            SITE_LINES,
            ["two columns are called 'temperature_c'"],
        ),
        (HEADING, "", ["no line says `# utc_offset_h", "`# latitude = ...`", "`# longitude = ...`"]),
        (
            HEADING,
            SITE_LINES.replace("50.35", "N 50"),
            ["vale.csv row 3: latitude is 'N 50', wanted is -90 to 90"],
        ),
        (HEADING.replace(",", ";"), SITE_LINES, ["is no weather file we know"]),
    ],
)
def test_a_heading_or_a_site_that_lacks_something_is_refused(
    tmp_path: Path, heading: str, about: str, messages: Sequence[str]
) -> None:
    said = str(refusal(csv_file(tmp_path, csv_rows(), heading, about)))

    for message in messages:
        assert message in said


def test_a_csv_is_not_dated_with_another_year(tmp_path: Path) -> None:
    assert "has dates of its own" in refusal(csv_file(tmp_path, csv_rows()), year=2023).problems[0]


def test_several_reasons_are_given_at_once(tmp_path: Path) -> None:
    rows = csv_rows()
    for edit in (cell(5, 1, "77"), cell(6, 2, "150"), cell(9, 3, "-1")):
        edit(rows)

    said = refusal(csv_file(tmp_path, rows)).problems

    assert [line.split(" (")[0] for line in said] == ["vale.csv row 13", "vale.csv row 14", "vale.csv row 17"]
