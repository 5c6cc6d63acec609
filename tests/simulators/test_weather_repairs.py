"""Small faults of weather files put right, each said with row and value."""

from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest

from simulators.plant.weather import HOUR_S, Weather, WeatherFileError
from simulators.plant.weather_files import read_weather, weather_between
from tests.simulators.weather_samples import (
    Edit,
    cell,
    csv_file,
    csv_rows,
    minute_light,
)


def repaired(folder: Path, *edits: Edit) -> Weather:
    rows = csv_rows()
    for edit in edits:
        edit(rows)
    return read_weather(csv_file(folder, rows))


def test_three_missing_hours_are_filled_by_a_straight_line(tmp_path: Path) -> None:
    """15.0 C at 12:00 and 16.0 C at 16:00."""
    weather = repaired(tmp_path, cell(13, 1, ""), cell(14, 1, "nan"), cell(15, 1, "NA"))

    assert [weather.at(h * HOUR_S).temperature_c for h in (13, 14, 15)] == pytest.approx([15.25, 15.5, 15.75])
    assert weather.notes == (
        "vale.csv row 21 (01 June 13:00) to vale.csv row 23 (01 June 15:00): "
        "temperature_c was missing, filled with 15.25 to 15.75",
    )


def test_lost_rows_are_filled_and_named_after_the_row_before(tmp_path: Path) -> None:
    weather = repaired(tmp_path, lambda rows: rows.__delitem__(slice(13, 15)))

    assert weather.at(14 * HOUR_S)[:3] == pytest.approx((15.5, 0.76, 1.0 + 14 / 12))
    assert len(weather.notes) == 4
    assert all("vale.csv lost after row 20 (01 June 13:00) to" in note for note in weather.notes)


def test_missing_light_is_filled_along_the_suns_way(tmp_path: Path) -> None:
    """The three hours to sunrise and after: a straight line would have lit the night."""
    weather = repaired(tmp_path, *(cell(hour, 4, "") for hour in (3, 4, 5)))

    light = minute_light(weather).mean(axis=1)

    assert light[2] == 0.0
    assert 0.0 <= light[3] < light[4] < 120.0
    assert "radiation_w_per_m2 was missing, filled with" in weather.notes[0]


def test_a_wet_sensor_is_taken_as_saturated(tmp_path: Path) -> None:
    weather = repaired(tmp_path, cell(3, 2, "103.5"))

    assert weather.at(3 * HOUR_S).relative_humidity == 1.0
    assert weather.notes == ("vale.csv row 11 (01 June 03:00): relative humidity of 103.5 % taken as 100 %",)


def test_humidity_of_105_is_repaired_and_more_is_refused(tmp_path: Path) -> None:
    assert repaired(tmp_path, cell(3, 2, "105")).at(3 * HOUR_S).relative_humidity == 1.0

    with pytest.raises(WeatherFileError, match=r"row 11 .*relative_humidity is 1.051, possible are 0 to 1"):
        repaired(tmp_path, cell(3, 2, "105.1"))


def test_a_radiometers_offset_by_night_is_taken_as_none(tmp_path: Path) -> None:
    weather = repaired(tmp_path, cell(1, 4, "-2.5"), cell(2, 4, "1.5"))

    assert minute_light(weather)[:2].max() == 0.0
    assert weather.notes == (
        "vale.csv row 9 (01 June 01:00) to vale.csv row 10 (01 June 02:00): "
        "radiation of -2.5 to 1.5 W/m2 by night taken as 0",
    )


def test_a_peak_beyond_the_rarest_is_taken_as_the_rarest(tmp_path: Path) -> None:
    """From 18:00 to 19:00 the sun goes from 21 to 12 degrees, its mean height's sine is 0.285.

    QCRad: 1.2 x 1321 x 0.285^1.2 + 50 = 401 is extremely rare, 1.5 x 1321 x 0.285^1.2 + 100 = 539 possible.
    """
    weather = repaired(tmp_path, cell(19, 4, "470"))

    assert len(weather.notes) == 1
    assert weather.notes[0].startswith("vale.csv row 27 (01 June 19:00): radiation of 470 W/m2 taken as ")
    assert minute_light(weather)[18].mean() == pytest.approx(401.0, abs=3.0)


def test_repairs_stand_in_the_notes_of_a_part_as_well(tmp_path: Path) -> None:
    rows = csv_rows()
    cell(3, 2, "103.5")(rows)

    part = weather_between(csv_file(tmp_path, rows), date(2025, 6, 1), date(2025, 6, 1))

    assert len(part.notes) == 1


def test_no_column_of_the_weather_runs_ahead_of_its_stamps(tmp_path: Path) -> None:
    """Temperature rises through each day of the file, so it does between any two stamps of one day."""
    weather = read_weather(csv_file(tmp_path, csv_rows()))

    temperatures = [weather.at(float(s)).temperature_c for s in range(0, 23 * 3600, 300)]

    assert all(later > earlier for earlier, later in pairwise(temperatures))
