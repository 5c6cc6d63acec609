"""The last good configuration: kept whole, found again, run only in place of the file it was taken from."""

import os
import tomllib
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from mistd.app.cli import WRONG, main
from mistd.app.config_file import LARGEST_FILE, house_text, load_config
from mistd.app.last_good import (
    COPY_NAME,
    PROBLEMS_TOLD,
    LastGood,
    Origin,
    UnusableCopyError,
    has_run,
    keep,
    last_good,
    runnable,
)
from mistd.app.problems import ConfigError
from tests.app.house_files import changed, good_zone, set_to, several, toml_of, written

NOW = datetime(2026, 6, 1, 6, 12, 30, tzinfo=UTC)
LATER = datetime(2026, 6, 2, 6, 12, 30, tzinfo=UTC)
HOUSE = "fern-house"


class Ran:
    """A house that has run once: its file, its state directory, the copy in it."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.state = place / "state"
        self.state.mkdir()
        self.file = written(place, self.text())
        keep(self.state, Origin(file=self.file, text=self.text()), HOUSE, NOW)

    def text(self, *changes: Callable[[dict[str, Any]], object]) -> str:
        """The file's text, each table under a header of its own; the state directory is the test's."""
        here = several(
            set_to("outputs", {"driver": "simulated"}),
            set_to("state", {"directory": str(self.state), "run_directory": str(self.place / "run")}),
        )
        return with_headers(changed(here, *changes))

    def says(self, content: str | bytes) -> None:
        """The file says something else from now on."""
        self.file.write_bytes(content.encode() if isinstance(content, str) else content)

    def copy(self) -> LastGood:
        copy = last_good(self.state)
        assert copy is not None
        return copy


def with_headers(tables: Mapping[str, Any]) -> str:
    plain = {name: table for name, table in tables.items() if isinstance(table, dict)}
    lists = {name: table for name, table in tables.items() if isinstance(table, list)}
    text = "".join(f"[{name}]\n{toml_of(table)}\n" for name, table in plain.items())
    return text + "".join(f"[[{name}]]\n{toml_of(each)}\n" for name, all_ in lists.items() for each in all_)


@pytest.fixture
def ran(tmp_path: Path) -> Ran:
    return Ran(tmp_path)


def refused(file: Path, state_directory: Path | None = None) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        runnable(file, state_directory)
    assert all(line.isprintable() for line in str(caught.value).splitlines())
    return caught.value


# --- keeping


@pytest.mark.parametrize(
    "text",
    ["", "x = 1", "x = 1\n", "x = 1\r\ny = 2\r\n", "# émis\n\n\n", "\n\n", "# mistd\n{}\n", "\0"],
    ids=repr,
)
def test_what_is_kept_is_found_again_to_the_letter(text: str, tmp_path: Path) -> None:
    origin = Origin(file=tmp_path / "house.toml", text=text)

    assert keep(tmp_path, origin, HOUSE, NOW)

    assert last_good(tmp_path) == LastGood(
        path=tmp_path / COPY_NAME, file=str(tmp_path / "house.toml"), house=HOUSE, kept_at=NOW, text=text
    )
    assert [each.name for each in tmp_path.iterdir()] == [COPY_NAME]


def test_a_copy_is_itself_a_house_file_that_can_be_looked_at(ran: Ran) -> None:
    assert load_config(ran.state / COPY_NAME) == load_config(ran.file)


def test_a_text_that_is_kept_already_is_not_written_again(ran: Ran) -> None:
    before = (ran.state / COPY_NAME).stat()

    assert not keep(ran.state, Origin(file=ran.file, text=ran.text()), HOUSE, LATER)

    after = (ran.state / COPY_NAME).stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert ran.copy().kept_at == NOW


def test_another_text_file_or_house_is_kept_anew(ran: Ran) -> None:
    text = ran.text()
    for origin, house in (
        (Origin(file=ran.file, text=text + "# \n"), HOUSE),
        (Origin(file=ran.place / "other.toml", text=text), HOUSE),
        (Origin(file=ran.file, text=text), "moss-house"),
    ):
        assert keep(ran.state, origin, house, LATER)
        copy = ran.copy()
        assert (copy.text, copy.file, copy.house) == (origin.text, str(origin.file), house)
        assert copy.kept_at == LATER


def test_one_file_named_in_two_ways_is_one_file(ran: Ran, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ran.place)

    assert not keep(ran.state, Origin(file=Path("house.toml"), text=ran.text()), HOUSE, LATER)
    assert not keep(ran.state, Origin(file=Path("state/../house.toml"), text=ran.text()), HOUSE, LATER)


def test_a_damaged_copy_is_replaced(ran: Ran) -> None:
    (ran.state / COPY_NAME).write_bytes(b"\0" * 100)

    assert keep(ran.state, Origin(file=ran.file, text=ran.text()), HOUSE, LATER)

    assert ran.copy().text == ran.text()


def test_what_a_killed_daemon_has_left_half_written_is_in_nobodys_way(ran: Ran) -> None:
    (ran.state / f"{COPY_NAME}.new").write_text("half a ho")

    assert keep(ran.state, Origin(file=ran.file, text="x = 1"), HOUSE, LATER)

    assert ran.copy().text == "x = 1"
    assert [each.name for each in ran.state.iterdir()] == [COPY_NAME]


def test_a_full_disk_leaves_the_copy_from_before_and_nothing_else(ran: Ran) -> None:
    (ran.state / f"{COPY_NAME}.new").symlink_to("/dev/full")

    with pytest.raises(OSError, match="No space left"):
        keep(ran.state, Origin(file=ran.file, text="x = 1"), HOUSE, LATER)

    assert ran.copy().text == ran.text()
    assert [each.name for each in ran.state.iterdir()] == [COPY_NAME]


def test_a_state_directory_that_is_not_there_is_an_error_of_the_disk(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        keep(tmp_path / "state", Origin(file=tmp_path / "house.toml", text=""), HOUSE, NOW)


def test_the_copy_is_on_the_disk_before_it_takes_its_name_and_the_name_after_that(
    ran: Ran, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut at any instant finds the old copy or the new one, by nothing but the order of the calls."""
    calls: list[tuple[str, str]] = []
    fsync, replace = os.fsync, os.replace

    def recorded_fsync(descriptor: int) -> None:
        path = Path(f"/proc/self/fd/{descriptor}").readlink()
        calls.append(("fsync", f"{path.name}, {path.stat().st_size if path.is_file() else 'a directory'}"))
        fsync(descriptor)

    def recorded_replace(old: Path, new: Path) -> None:
        calls.append(("replace", Path(new).name))
        replace(old, new)

    monkeypatch.setattr(os, "fsync", recorded_fsync)
    monkeypatch.setattr(os, "replace", recorded_replace)

    keep(ran.state, Origin(file=ran.file, text="x = 1"), HOUSE, LATER)

    size = (ran.state / COPY_NAME).stat().st_size
    assert calls == [
        ("fsync", f"{COPY_NAME}.new, {size}"),
        ("replace", COPY_NAME),
        ("fsync", "state, a directory"),
    ]


# --- finding


def test_where_nothing_was_kept_nothing_is_found(tmp_path: Path) -> None:
    assert last_good(tmp_path) is None
    assert last_good(tmp_path / "nowhere") is None
    assert last_good(written(tmp_path, "") / "house.toml") is None


def test_a_copy_with_a_bit_turned_over_anywhere_is_not_taken(tmp_path: Path) -> None:
    keep(tmp_path, Origin(file=Path("/etc/house.toml"), text="burst_s = 5\n"), HOUSE, NOW)
    whole = (tmp_path / COPY_NAME).read_bytes()

    for place in range(len(whole)):
        turned = bytes([whole[place] ^ (1 << place % 8)])
        (tmp_path / COPY_NAME).write_bytes(whole[:place] + turned + whole[place + 1 :])
        with pytest.raises(UnusableCopyError, match="damaged, or was edited"):
            last_good(tmp_path)


def test_a_copy_cut_off_anywhere_is_not_taken(tmp_path: Path) -> None:
    keep(tmp_path, Origin(file=Path("/etc/house.toml"), text="burst_s = 5\n"), HOUSE, NOW)
    whole = (tmp_path / COPY_NAME).read_bytes()

    for length in range(len(whole)):
        (tmp_path / COPY_NAME).write_bytes(whole[:length])
        with pytest.raises(UnusableCopyError, match="damaged, or was edited"):
            last_good(tmp_path)


def a_fifo(path: Path) -> None:
    os.mkfifo(path)


def a_directory(path: Path) -> None:
    path.mkdir()


def a_film(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(LARGEST_FILE + 10_001)


def a_loop(path: Path) -> None:
    path.symlink_to(path)


@pytest.mark.parametrize("make", [a_fifo, a_directory, a_film, a_loop], ids=lambda make: make.__name__)
def test_what_is_no_copy_at_all_is_told_and_holds_nothing_up(
    make: Callable[[Path], None], tmp_path: Path
) -> None:
    make(tmp_path / COPY_NAME)

    with pytest.raises(UnusableCopyError, match=r"is no copy of a house's file|cannot be read"):
        last_good(tmp_path)


def test_the_largest_file_is_kept_and_found(tmp_path: Path) -> None:
    origin = Origin(file=tmp_path / "house.toml", text="#" * LARGEST_FILE)

    keep(tmp_path, origin, HOUSE, NOW)

    copy = last_good(tmp_path)
    assert copy is not None
    assert copy.text == origin.text


# --- which of the two runs


def test_a_good_file_runs_whatever_was_kept(ran: Ran) -> None:
    text = ran.text(set_to("line.pause_s", 3.5))
    ran.says("\ufeff" + text)

    config, origin = runnable(ran.file)

    assert config.line.pause_s == 3.5
    assert origin == Origin(file=ran.file, text=text)


def test_a_good_file_of_another_house_runs_too(ran: Ran) -> None:
    """It is the grower's word; a house may be given another name."""
    ran.says(ran.text(set_to("house.name", "moss-house")))

    config, origin = runnable(ran.file)

    assert (config.house.name, origin.trouble) == ("moss-house", None)


def test_a_bad_file_is_stood_in_for_and_everything_is_told(ran: Ran) -> None:
    ran.says(ran.text(set_to("zones.0.nozzles", 0), set_to("place.latitude", 91)))

    config, origin = runnable(ran.file)

    assert config == load_config(ran.state / COPY_NAME)
    assert (origin.file, origin.text) == (ran.file, ran.text())
    assert origin.trouble == (
        f"{ran.file} has gone bad; the last good configuration, of 01 June 2026 08:12, runs in its place; "
        "place.latitude: 91: allowed -90 to 90 degrees north; "
        "zones[left].nozzles: 0: allowed a whole number 1 to 500"
    )
    assert origin.told.splitlines() == [
        f"{ran.file}: 2 problems",
        "  place.latitude: 91: allowed -90 to 90 degrees north",
        "  zones[left].nozzles: 0: allowed a whole number 1 to 500",
        f"the last good configuration, of 01 June 2026 08:12, runs in its place: {ran.state / COPY_NAME}",
        f"mend {ran.file} and start mistd again",
    ]


@pytest.mark.parametrize(("count", "is_cut"), [(PROBLEMS_TOLD, False), (PROBLEMS_TOLD + 1, True)])
def test_of_many_problems_only_so_many_go_into_the_event_and_all_to_whoever_started_it(
    count: int, is_cut: bool, ran: Ran
) -> None:
    zones = [{**good_zone(f"zone-{number}", 5), "nozzles": 0} for number in range(count)]
    ran.says(ran.text(set_to("zones", zones)))

    _, origin = runnable(ran.file)

    assert origin.trouble is not None
    assert origin.trouble.count("nozzles: 0") == PROBLEMS_TOLD
    assert ("and 1 more, told by `mistd check`" in origin.trouble) == is_cut
    assert origin.told.count("nozzles: 0") == count


def test_without_a_copy_a_bad_file_is_refused_and_it_is_told_where_was_looked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The likeliest place first, none twice."""
    state, other = tmp_path / "state", tmp_path / "other"
    monkeypatch.setenv("STATE_DIRECTORY", f"{other}:{state}:/srv/third")
    file = written(tmp_path, f'[state]\ndirectory = "{state}"\n')

    error = refused(file, tmp_path / "first")

    assert {problem.key for problem in error.problems} == {"house", "place", "outputs", "zones"}
    assert error.notes == [
        f"no configuration that ran before is kept in {tmp_path}/first, {state}, {other}, /srv/third, "
        "/var/lib/mistd; --state-directory names another place"
    ]


def test_a_bad_file_does_not_bring_in_the_copy_of_another_file(ran: Ran) -> None:
    elsewhere = written(ran.place, "", "elsewhere.toml")

    error = refused(elsewhere, ran.state)

    assert error.file == str(elsewhere)
    assert f"{COPY_NAME} was taken from another file, {ran.file}" in str(error)


def test_a_bad_file_that_names_another_house_does_not_bring_in_this_ones_copy(ran: Ran) -> None:
    ran.says(ran.text(set_to("house.name", "moss-house"), set_to("zones.0.nozzles", 0)))

    assert "is of another house, fern-house" in str(refused(ran.file))


def test_a_file_torn_between_two_houses_brings_in_the_copy_of_the_one_it_is_of(ran: Ran) -> None:
    """As a merge that was not finished leaves it."""
    ours = f'[house]\nname = "{HOUSE}"\n'
    torn = f"<<<<<<< ours\n{ours}=======\n{ours.replace(HOUSE, 'moss-house')}>>>>>>> theirs\n"
    ran.says(ran.text().replace("[house]", f"{torn}\n[house-that-was]"))

    _, origin = runnable(ran.file)

    assert origin.text == ran.text()


@pytest.mark.parametrize("name", ["Fern House", "", "x" * 40, 5, ["fern-house"]])
def test_a_name_that_no_house_can_have_is_a_mistake_and_not_another_house(name: Any, ran: Ran) -> None:
    ran.says(ran.text(set_to("house.name", name)))

    _, origin = runnable(ran.file)

    assert origin.trouble is not None
    assert "house.name" in origin.trouble


def test_a_damaged_copy_does_not_run_and_that_is_told(ran: Ran) -> None:
    copy = ran.state / COPY_NAME
    copy.write_bytes(copy.read_bytes().replace(b'"burst_s" = 6', b'"burst_s" = 7'))
    ran.says("")

    assert f"{copy} is damaged, or was edited" in str(refused(ran.file, ran.state))


def test_a_copy_that_this_version_refuses_is_refused_with_both_lists(ran: Ran) -> None:
    old = ran.text(set_to("zones.1.nozzles", 501))
    keep(ran.state, Origin(file=ran.file, text=old), HOUSE, NOW)
    ran.says(ran.text(set_to("zones.0.nozzles", 0)))

    lines = str(refused(ran.file)).splitlines()

    assert lines == [
        f"{ran.file}: 1 problem",
        "  zones[left].nozzles: 0: allowed a whole number 1 to 500",
        f"and the last configuration that ran does not stand in for it: {ran.state / COPY_NAME}: 1 problem",
        "  zones[right].nozzles: 501: allowed a whole number 1 to 500",
    ]


def test_the_next_place_is_looked_at_when_the_first_has_no_copy_that_may_run(ran: Ran) -> None:
    first = ran.place / "first"
    first.mkdir()
    keep(first, Origin(file=ran.place / "other.toml", text=ran.text()), HOUSE, LATER)
    ran.says("[state]\n" + f'directory = "{ran.state}"\n')

    _, origin = runnable(ran.file, first)

    assert str(ran.state / COPY_NAME) in origin.told


# --- where the state directory is read from: the file's remains

REMAINS: dict[str, str] = {
    "toml": '[state]\ndirectory = "{state}"\n',
    "inline": 'x = \nstate = {{ run_directory = "/run/x", directory = "{state}" }}\n',
    "dotted": 'x = \nstate.directory = "{state}"\n',
    "quotes": "= x\n[ state ] # where\n  directory='{state}'   # here\n",
    "quoted_key": '= x\n[state]\n"directory" = "{state}"\n',
    "other_keys_first": '= x\n[state]\nrun_directory = "/run/x"\ndirectory = "{state}"\n',
    "half_a_header": '[state\ndirectory = "{state}"\n',
    "after_a_merge": '<<<<<<<\n[state]\ndirectory = "/nowhere"\n=======\ndirectory = "{state}"\n>>>>>>>\n',
    "no_text_before": '\ufffd\0\x1b[2J\n[state]\ndirectory = "{state}"\n\0\0',
    "windows": '= x\r\n[state]\r\ndirectory = "{state}"\r\n',
    "an_unusable_one_first": '[state]\ndirectory = "a\\u0000b"\ndirectory = "{state}"\n',
}


@pytest.mark.parametrize("name", REMAINS)
def test_the_state_directory_is_read_from_what_is_left_of_the_file(name: str, ran: Ran) -> None:
    remains = REMAINS[name].format(state=ran.state)
    if name != "toml":
        with pytest.raises(tomllib.TOMLDecodeError):
            tomllib.loads(remains)
    ran.says(remains)

    _, origin = runnable(ran.file)

    assert origin.text == ran.text()


@pytest.mark.parametrize(
    "remains",
    [
        '[[zones]]\ndirectory = "{state}"\n',
        '= x\n[outputs]\ndirectory = "{state}"\n',
        '= x\n[state]\nrun_directory = "{state}"\n',
        '= x\n[state]\n# directory = "{state}"\n',
        "= x\n[state]\ndirectory = {state}\n",
        "[state]\ndirectory = 5\n",
        "[state]\ndirectory = ['{state}']\n",
        "state = '{state}'\n",
        "state = " + "[" * 5000,
    ],
)
def test_what_does_not_name_the_state_directory_is_not_taken_for_it(remains: str, ran: Ran) -> None:
    ran.says(remains.replace("{state}", str(ran.state)))

    assert "no configuration that ran before is kept in /var/lib/mistd;" in str(refused(ran.file))


def test_the_service_units_state_directory_is_looked_at(ran: Ran, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", f"/nowhere:{ran.state}")
    ran.file.unlink()

    _, origin = runnable(ran.file)

    assert origin.trouble is not None
    assert "there is no such file" in origin.trouble


def test_a_file_that_is_a_fifo_holds_nothing_up(ran: Ran) -> None:
    ran.file.unlink()
    os.mkfifo(ran.file)

    _, origin = runnable(ran.file, ran.state)

    assert origin.trouble is not None
    assert "is not a plain file" in origin.trouble


def test_a_directory_that_is_no_more_to_be_started_in_is_no_fault(
    ran: Ran, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = ran.place / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()

    assert "was taken from another file" in str(refused(Path("house.toml"), ran.state))


# --- whether it has run before


def test_a_house_has_run_by_a_file_when_its_copy_says_so(ran: Ran) -> None:
    config = load_config(ran.file)
    other = config.model_copy(update={"house": config.house.model_copy(update={"name": "moss-house"})})
    elsewhere = config.model_copy(
        update={"state": config.state.model_copy(update={"directory": str(ran.place)})}
    )
    here = Origin(file=ran.file, text="")

    assert has_run(config, here)
    assert not has_run(other, here)
    assert not has_run(elsewhere, here)
    assert has_run(elsewhere, Origin(file=ran.file, text="", trouble="it has gone bad"))
    assert not has_run(config, Origin(file=ran.place / "other.toml", text=""))
    (ran.state / COPY_NAME).write_bytes(b"")
    assert not has_run(config, here)


# --- by command


def test_check_judges_the_file_itself_whatever_was_kept(ran: Ran) -> None:
    ran.says(ran.text(set_to("zones.0.nozzles", 0)))

    result = CliRunner().invoke(main, ["check", str(ran.file)])

    assert result.exit_code == WRONG
    assert "last good" not in result.output


@pytest.mark.parametrize("command", ["run", "shut"])
def test_a_first_start_with_a_bad_file_is_refused_with_every_problem(command: str, tmp_path: Path) -> None:
    ran = Ran(tmp_path)
    (ran.state / COPY_NAME).unlink()
    ran.says(ran.text(set_to("zones.0.nozzles", 0), set_to("place.latitude", 91)))

    result = CliRunner().invoke(main, [command, str(ran.file)])

    assert result.exit_code == WRONG
    assert "2 problems" in result.output
    assert "no configuration that ran before is kept in " in result.output
    assert not (tmp_path / "run").exists()
    assert list(ran.state.iterdir()) == []


def test_the_text_that_is_kept_is_the_one_that_was_checked(ran: Ran) -> None:
    _, origin = runnable(ran.file)

    assert origin.text == house_text(ran.file)
