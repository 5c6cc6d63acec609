"""`mistd-sim rehearse` as people type it, in a house that only tells back what it was asked to run."""

import errno
import json
import os
import pty
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from mistd.app.cli import REFUSED, WRONG
from mistd.app.config import Config
from mistd.app.sun import NoSunriseError
from simulators.cli import main
from simulators.plant.weather import Weather
from simulators.rehearsal.asked import distance_km, distinct_labels
from simulators.rehearsal.command import STOPPED, rehearse
from simulators.rehearsal.files import REPORT, RESULT, result_text, write_whole
from simulators.rehearsal.result import HouseRun
from tests.app.house_files import Change, changed, good_zone, set_to, toml_of
from tests.simulators.made_up_rehearsals import NAMES, house_run, rehearsal, zone_result

PROJECT = Path(__file__).parents[2]
DEMO = PROJECT / "config" / "demo-house.toml"
FIRST_DAY = date(2025, 6, 1)
CSV_HEAD = """# name = Upper nursery
# latitude = 50.35
# longitude = 3.60
# elevation_m = 80
# utc_offset_h = 1
time, temperature_c, relative_humidity_percent, wind_m_per_s, radiation_w_per_m2
"""
PROGRAM = """
import sys
from pathlib import Path
from tests.simulators.test_rehearsal_command import HouseThatTells
from simulators.rehearsal.command import rehearse
rehearse.main(sys.argv[1:], obj=HouseThatTells())
"""


@dataclass
class HouseThatTells:
    """Runs nothing: keeps what it was asked, and answers with made-up figures for those days and zones."""

    asked: list[tuple[str, Config, Weather, int, date, date]] = field(default_factory=list)
    shares: tuple[float, ...] = (0.25, 0.5, 0.75, 1.0)
    when_half_done: Callable[[], object] = lambda: None

    def __call__(
        self,
        config: Config,
        weather: Weather,
        *,
        label: str,
        seed: int,
        first_day: date,
        last_day: date,
        said: Callable[[float], None] | None,
    ) -> HouseRun:
        self.asked.append((label, config, weather, seed, first_day, last_day))
        for share in self.shares:
            if said:
                said(share)
            if share == 0.5:
                self.when_half_done()
        days = (last_day - first_day).days + 1
        run = house_run(label, zones=len(config.zones), days=days, first_day=first_day)
        zones = tuple(
            replace(told, name=zone.name) for told, zone in zip(run.zones, config.zones, strict=True)
        )
        return replace(run, house=config.house.title, zones=zones)


@pytest.fixture
def house() -> HouseThatTells:
    return HouseThatTells()


def told(house: HouseThatTells, *arguments: object) -> Result:
    result = CliRunner().invoke(rehearse, [str(argument) for argument in arguments], obj=house)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def house_file(directory: Path, name: str = "slow.toml", *changes: Change) -> Path:
    directory.mkdir(exist_ok=True)
    file = directory / name
    file.write_text(toml_of(changed(*changes)))
    return file


def weather_file(directory: Path, days: int = 5) -> Path:
    """Some days of the same mild weather, with light in the middle of each, from midnight on."""
    file = directory / "upper.csv"
    rows = []
    for hour in range(24 * days + 1):
        at = datetime.combine(FIRST_DAY, datetime.min.time()) + timedelta(hours=hour)
        light_w_per_m2 = max(0, 300 - 50 * abs(at.hour - 13))
        rows.append(f"{at:%Y-%m-%d %H:%M}, {12 + at.hour / 4}, {80 - at.hour}, 1.5, {light_w_per_m2}\n")
    file.write_text(CSV_HEAD + "".join(rows))
    return file


def on_one_line(text: str) -> str:
    return " ".join(text.split())


def left_in(directory: Path) -> list[str]:
    return sorted(path.name for path in directory.iterdir())


# --- what is run


def test_the_command_belongs_to_the_bench() -> None:
    assert main.commands["rehearse"] is rehearse
    assert CliRunner().invoke(main, ["rehearse", "--help"]).exit_code == 0


def test_the_demos_house_is_run_for_a_day_of_its_typical_june() -> None:
    """The whole way once, with nothing in anything's place."""
    result = CliRunner().invoke(main, ["rehearse", str(DEMO), "--from=2025-06-30", "--to=2025-06-30"])

    told = {line.split()[0]: line.split() for line in result.stdout.splitlines() if line}
    bursts = [
        float(told[name][9]) for name in ("coleus", "fuchsia", "salvia", "hydrangea", "lavender", "box")
    ]
    assert result.exit_code == 0, result.output
    assert bursts == sorted(
        bursts, reverse=True
    )  # the younger the cuttings the shorter their timetable's gaps
    assert bursts[-1] > 10
    assert "stands at" not in result.stdout  # the demo's house stands where its weather was measured


def test_a_house_is_run_over_the_days_that_were_asked_for(tmp_path: Path, house: HouseThatTells) -> None:
    file, weather = house_file(tmp_path), weather_file(tmp_path)

    result = told(house, file, "--weather", weather, "--from=2025-06-02", "--to=2025-06-04", "--seed=7")

    [(label, config, given, seed, first, last)] = house.asked
    assert result.exit_code == 0, result.output
    assert (label, seed, first, last) == ("slow", 7, date(2025, 6, 2), date(2025, 6, 4))
    assert config.house.name == "fern-house"
    assert given.starts_at.date() <= first
    assert given.starts_at + timedelta(seconds=given.duration_s) >= datetime(
        2025, 6, 5, tzinfo=given.starts_at.tzinfo
    )
    assert "rehearsal of 2 June to 4 June 2025 (3 days)" in result.stdout


def test_without_days_the_whole_weather_is_run(tmp_path: Path, house: HouseThatTells) -> None:
    told(house, house_file(tmp_path), "--weather", weather_file(tmp_path, days=4))

    assert [asked[-2:] for asked in house.asked] == [(FIRST_DAY, date(2025, 6, 4))]


def test_without_weather_a_typical_year_is_run_dated_as_asked(tmp_path: Path, house: HouseThatTells) -> None:
    file = house_file(tmp_path)

    whole = told(house, file, "--year=2023")
    over_new_year = told(house, file, "--from=2024-12-30", "--to=2025-01-02")
    from_autumn = told(house, file, "--from=2022-10-01")

    assert (whole.exit_code, over_new_year.exit_code, from_autumn.exit_code) == (0, 0, 0)
    assert [asked[-2:] for asked in house.asked] == [
        (date(2023, 1, 1), date(2023, 12, 31)),
        (date(2024, 12, 30), date(2025, 1, 2)),
        (date(2022, 10, 1), date(2022, 12, 31)),
    ]
    assert "weather: GREENSBORO PIEDMONT TRIAD INT, typical year" in on_one_line(whole.stdout)


def test_every_configuration_has_the_same_weather_seed_and_days(
    tmp_path: Path, house: HouseThatTells
) -> None:
    files = [house_file(tmp_path, name) for name in ("slow.toml", "fast.toml", "lean.toml")]

    result = told(
        house, files[0], "--weather", weather_file(tmp_path), "--against", files[1], "--against", files[2]
    )

    labels = [asked[0] for asked in house.asked]
    assert labels == ["slow", "fast", "lean"]
    assert len({asked[2:] for asked in house.asked}) == 1
    assert "B against A" in result.stdout
    assert "C against A" in result.stdout


def test_a_house_with_real_outputs_is_rehearsed_all_the_same(tmp_path: Path, house: HouseThatTells) -> None:
    file = house_file(tmp_path, "real.toml", set_to("outputs.driver", "gpiozero"))

    result = told(house, file, "--weather", weather_file(tmp_path))

    assert result.exit_code == 0, result.output
    assert house.asked[0][1].outputs.driver == "gpiozero"


def test_labels_tell_files_of_the_same_name_apart() -> None:
    files = [Path("/n/old/day.toml"), Path("/n/new/day.toml"), Path("/n/old/day.toml"), Path("/n/night.toml")]

    assert distinct_labels(files) == ["old/day", "new/day", "old/day (2)", "night"]


def test_a_house_elsewhere_than_the_weather_is_told(tmp_path: Path, house: HouseThatTells) -> None:
    here = house_file(tmp_path, "here.toml")
    place = {"latitude": -33.5, "longitude": -70.6, "elevation_m": 500, "time_zone": "America/Santiago"}
    there = house_file(tmp_path, "there.toml", set_to("place", place))

    result = told(house, here, "--weather", weather_file(tmp_path), "--against", there)

    assert result.exit_code == 0, result.output
    assert result.stdout.count("stands at") == 1
    assert on_one_line(result.stdout).startswith(
        "there stands at 33.50 S 70.60 W; the weather is from Upper nursery, 50.35 N 3.60 E, "
    )
    assert "km away: the sun is taken as it is there" in on_one_line(result.stdout)


def test_a_quarter_of_the_way_round_the_earth_is_ten_thousand_kilometres(
    tmp_path: Path, house: HouseThatTells
) -> None:
    """The metre was to be a ten-millionth of it (definition of 1791); a round earth is within 0.6 %."""
    told(house, house_file(tmp_path, "pole.toml"), "--weather", weather_file(tmp_path))
    _, config, weather, *_ = house.asked[0]
    assert weather.site is not None
    equator = replace(weather.site, latitude_deg=0.0, longitude_deg=0.0)

    quarters_km = [
        distance_km(config.place.model_copy(update={"latitude": latitude, "longitude": longitude}), equator)
        for latitude, longitude in ((90.0, 0.0), (-90.0, 50.0), (0.0, 90.0), (0.0, -90.0))
    ]

    assert quarters_km == pytest.approx([10_000.0] * 4, rel=0.006)


# --- what is wrong


def test_every_problem_is_told_at_once_and_nothing_is_run(tmp_path: Path, house: HouseThatTells) -> None:
    bad = house_file(tmp_path, "bad.toml", set_to("zones.0.nozzles", 0), set_to("place.latitude", 91))
    out = tmp_path / "out"
    out.mkdir()
    (out / REPORT).write_text("my own page")

    result = told(
        house, bad, "--against", tmp_path / "none.toml", "--weather", tmp_path / "none.csv",
        "--from=2025-06-31", "--to=yesterday", "--out", out,
    )  # fmt: skip

    assert result.exit_code == WRONG
    assert not house.asked
    for said in (
        "bad.toml: 2 problems",
        "zones[left].nozzles: 0: allowed",
        "place.latitude: 91: allowed",
        "none.toml: 1 problem",
        "none.csv: not to be used",
        "--from '2025-06-31' is no day; write it as 2025-03-01",
        "--to 'yesterday' is no day",
        "report.html is not an earlier rehearsal's and is left alone",
    ):
        assert said in result.stderr
    assert (out / REPORT).read_text() == "my own page"


def test_everything_wrong_with_the_weather_is_told(tmp_path: Path, house: HouseThatTells) -> None:
    weather = weather_file(tmp_path)
    lines = weather.read_text().splitlines()
    lines[10] = lines[10].replace(" 1.5,", " 500,")
    lines[40] = re.sub(r", [\d.]+,", ", 99,", lines[40], count=1)
    weather.write_text("\n".join(lines))

    result = told(house, house_file(tmp_path), "--weather", weather)

    assert result.exit_code == WRONG
    assert "wind_m_per_s is 500" in result.stderr
    assert "temperature_c is 99" in result.stderr
    assert not house.asked


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--from=2025-06-04", "--to=2025-06-02"], "--to 2025-06-02 is before --from 2025-06-04"),
        (
            ["--from=2025-05-31"],
            "there is weather from 01 June 2025 00:00 to 06 June 2025 00:00, not from 31 May",
        ),
        (["--to=2025-06-06"], "to 06 June 2025 00:00, not from 01 June 2025 00:00 to 07 June 2025"),
        (["--year=2024"], "a typical year has no 29 February"),
        (["--year=2023"], "upper.csv has dates of its own"),
    ],
)
def test_days_that_make_no_sense_or_lie_outside_the_weather_are_refused(
    options: list[str], said: str, tmp_path: Path, house: HouseThatTells
) -> None:
    result = told(house, house_file(tmp_path), "--weather", weather_file(tmp_path), *options)

    assert result.exit_code == WRONG
    assert said in result.stderr
    assert not house.asked


def test_weather_of_less_than_a_day_is_refused(tmp_path: Path, house: HouseThatTells) -> None:
    weather = weather_file(tmp_path)
    weather.write_text("\n".join(weather.read_text().splitlines()[:20]))

    result = told(house, house_file(tmp_path), "--weather", weather)

    assert result.exit_code == WRONG
    assert "--from, --to" in result.stderr


def test_a_sun_that_does_not_rise_is_the_weathers_matter_and_told(tmp_path: Path) -> None:
    def polar_night() -> None:
        raise NoSunriseError("2025-06-01: the sun is below all day")

    result = told(
        HouseThatTells(when_half_done=polar_night), house_file(tmp_path), "--weather", weather_file(tmp_path)
    )

    assert result.exit_code == REFUSED
    assert "slow: where the weather was measured the day has no parts: 2025-06-01" in result.stderr


# --- what is left behind


def test_without_out_nothing_is_written(tmp_path: Path, house: HouseThatTells) -> None:
    file, weather = house_file(tmp_path), weather_file(tmp_path)
    before = left_in(tmp_path)

    told(house, file, "--weather", weather)

    assert left_in(tmp_path) == before


def test_the_result_and_the_report_are_written_into_a_new_directory(
    tmp_path: Path, house: HouseThatTells
) -> None:
    out = tmp_path / "far" / "out"

    result = told(house, house_file(tmp_path), "--weather", weather_file(tmp_path), "--out", out)

    text = (out / RESULT).read_text()
    whole = json.loads(text)
    assert result.exit_code == 0, result.output
    assert left_in(out) == [REPORT, RESULT]
    assert text.endswith("}\n")
    assert (whole["first_day"], whole["last_day"], whole["seed"]) == ("2025-06-01", "2025-06-05", 1)
    assert [zone["name"] for zone in whole["runs"][0]["zones"]] == ["left", "right"]
    assert "Fern house" in (out / REPORT).read_text()
    assert f"written: {out / RESULT}" in result.stdout


def test_the_same_again_writes_the_same_bytes_over_its_own(tmp_path: Path, house: HouseThatTells) -> None:
    file, weather, out = house_file(tmp_path), weather_file(tmp_path), tmp_path / "out"
    arguments = (file, "--weather", weather, "--out", out)

    told(house, *arguments)
    first = {name: (out / name).read_bytes() for name in left_in(out)}
    (out / "notes.txt").write_text("mine")
    again = told(house, *arguments)

    assert again.exit_code == 0, again.output
    assert {name: (out / name).read_bytes() for name in first} == first
    assert left_in(out) == ["notes.txt", REPORT, RESULT]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (RESULT, "{}"),
        (RESULT, ""),
        (RESULT, "[" * 5000),
        (RESULT, '["runs"]'),
        (REPORT, "<html></html>"),
        (REPORT, ""),
    ],
)
def test_a_file_that_is_not_ours_is_left_alone(
    name: str, text: str, tmp_path: Path, house: HouseThatTells
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / name).write_text(text)

    result = told(house, house_file(tmp_path), "--weather", weather_file(tmp_path), "--out", out)

    assert result.exit_code == REFUSED
    assert f"{out / name} is not an earlier rehearsal's" in result.stderr
    assert (out / name).read_text() == text
    assert left_in(out) == [name]
    assert not house.asked


def test_a_directory_in_a_files_place_is_left_alone(tmp_path: Path, house: HouseThatTells) -> None:
    (tmp_path / "out" / RESULT).mkdir(parents=True)

    result = told(house, house_file(tmp_path), "--weather", weather_file(tmp_path), "--out", tmp_path / "out")

    assert result.exit_code == REFUSED
    assert not house.asked


@pytest.mark.parametrize("below", ["", "below"])
def test_a_place_that_is_a_file_is_refused(below: str, tmp_path: Path, house: HouseThatTells) -> None:
    (tmp_path / "out").write_text("a file")

    result = told(
        house, house_file(tmp_path), "--weather", weather_file(tmp_path), "--out", tmp_path / "out" / below
    )

    assert result.exit_code == REFUSED
    assert "is no directory" in result.stderr
    assert not house.asked


def test_a_file_system_that_takes_nothing_is_told_after_the_table(
    tmp_path: Path, house: HouseThatTells
) -> None:
    """A directory that went away meanwhile, as with a stick that was pulled out."""
    out = tmp_path / "out"
    away = replace(house, when_half_done=lambda: out.write_text("in the way"))

    result = told(away, house_file(tmp_path), "--weather", weather_file(tmp_path), "--out", out)

    assert result.exit_code == REFUSED
    assert "all zones" in result.stdout
    assert f"{out} cannot be written to: {os.strerror(errno.EEXIST)}; nothing was written" in result.stderr


def test_files_appear_together_or_not_at_all(tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / "b").mkdir(parents=True)  # nothing can be written in its place
    (out / "b" / "kept").write_text("mine")

    with pytest.raises(OSError, match="directory"):
        write_whole(out, {"b": "1", "a": "2"})

    assert left_in(out) == ["b"]


def test_directories_made_for_nothing_are_taken_away(tmp_path: Path) -> None:
    with pytest.raises(UnicodeEncodeError):
        write_whole(tmp_path / "far" / "out", {"a": "\udcff"})

    assert left_in(tmp_path) == []


def test_a_value_that_is_no_number_is_not_written_as_one() -> None:
    run = replace(house_run("slow", zones=1), zones=(zone_result(dry_min=float("nan")),))

    with pytest.raises(ValueError, match="not JSON compliant"):
        result_text(replace(rehearsal(), runs=(run,)))


def test_the_result_says_everything_and_over_misting_too() -> None:
    made_up = rehearsal(zones=2, days=3, runs=2)

    told_back = json.loads(result_text(made_up))

    assert told_back == made_up.as_json()
    assert told_back["runs"][1]["zones"][0]["over_misted_mm"] == made_up.runs[1].zones[0].over_misted_mm


# --- while it runs


def test_without_a_terminal_a_line_now_and_then_tells_how_far_it_is(
    tmp_path: Path, house: HouseThatTells
) -> None:
    house.shares = tuple(day / 365 for day in range(1, 366))
    files = [house_file(tmp_path, name) for name in ("slow.toml", "fast.toml")]

    result = told(house, files[0], "--weather", weather_file(tmp_path), "--against", files[1])

    tenths = [f"{10 * tenth} % done" for tenth in range(1, 11)]
    assert result.stderr.splitlines() == [f"{label}: {each}" for label in ("slow", "fast") for each in tenths]


@pytest.mark.real_time
def test_on_a_terminal_a_bar_goes_to_its_end_over_all_configurations(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    files = [house_file(tmp_path, name) for name in ("slow.toml", "fast.toml")]
    weather = weather_file(tmp_path)

    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, files[0], "--weather", weather, "--against", files[1]],
        stdout=subprocess.PIPE,
        stderr=theirs,
        cwd=PROJECT,
        check=False,
    )
    os.close(theirs)
    shown = os.read(ours, 100_000).decode()
    os.close(ours)

    percents = [int(percent) for percent in re.findall(r"(\d+)%", shown)]
    assert done.returncode == 0, shown
    assert "rehearsing" in shown
    assert percents == sorted(percents)
    assert {0, 12, 50, 62, 100} <= set(percents)
    assert b"all zones" in done.stdout


@pytest.mark.real_time
def test_a_reader_that_has_had_enough_does_not_keep_the_files_from_being_written(tmp_path: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    out = tmp_path / "out"

    done = subprocess.run(
        [
            sys.executable,
            "-c",
            PROGRAM,
            house_file(tmp_path),
            "--weather",
            weather_file(tmp_path),
            "--out",
            out,
        ],
        stdout=writer,
        stderr=subprocess.PIPE,
        cwd=PROJECT,
        check=False,
    )
    os.close(writer)

    assert done.returncode == 0, done.stderr
    assert left_in(out) == [REPORT, RESULT]


def test_ctrl_c_ends_with_a_line_and_leaves_nothing(tmp_path: Path) -> None:
    file, weather = house_file(tmp_path), weather_file(tmp_path)
    before = left_in(tmp_path)

    result = told(
        HouseThatTells(when_half_done=lambda: signal.raise_signal(signal.SIGINT)),
        file, "--weather", weather, "--out", tmp_path / "out",
    )  # fmt: skip

    assert result.exit_code == STOPPED == 130
    assert result.stderr.splitlines()[-1] == "stopped before the end; nothing was written"
    assert "Traceback" not in result.output
    assert left_in(tmp_path) == before


def test_eight_zones_of_any_name_are_told(tmp_path: Path, house: HouseThatTells) -> None:
    zones = [good_zone(f"{name}-{'x' * 20}", pin) for pin, name in enumerate(NAMES, start=5)]

    result = told(
        house, house_file(tmp_path, "large.toml", set_to("zones", zones)), "--weather", weather_file(tmp_path)
    )

    assert result.exit_code == 0, result.output
    assert max(map(len, result.stdout.splitlines())) <= 100
    assert all(zone["name"] in result.stdout for zone in zones)
